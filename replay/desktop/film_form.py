"""The form of a film: every choice of `figures.film_request`, as it will be kept in the review."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from typing import Any, Final

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QFormLayout, QGridLayout, QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.form import OptionalNumber, check_box, choose, muted
from replay.errors import ReplayError
from replay.figures.film_clock import FRAME_RATES, ramp_from, ramp_text, speed_words
from replay.figures.film_request import FilmRequest
from replay.figures.lines import span_s
from replay.figures.style import FigureSettings
from replay.review.trace import Trace
from replay.scene.camera import CAMERAS, Viewpoint
from replay.units import DEG

SIZES: Final = ("1920 × 1080", "1280 × 720", "2560 × 1440", "3840 × 2160", "1080 × 1080", "1080 × 1920")
OUTPUTS: Final = {
    "h264": ("H.264 video, .mp4", ".mp4"),
    "prores": ("ProRes 4444 video, .mov", ".mov"),
    "png": ("PNG video, exact, .mov", ".mov"),
    "sequence": ("Numbered PNG pictures", ""),
}
"""Codec -> what it is called, and the ending of its name."""
_RAMP_HINT: Final = "Flight seconds in a second of film: 0.5 is half speed. A ramp is time:speed pairs, such as 0:1, 2:0.25, 4:1"


class FilmForm(QWidget):
    """Shows a request; says what the user changed as another request. `refused` says why an entry can't be meant.

    Parameters
    ----------
    catalogue_of : callable
        () -> traces there are, by key.
    span_of : callable
        () -> the timeline's span, s from liftoff; None where there is none.
    viewpoint_of : callable
        () -> the Attitude view's camera.
    """

    edited = Signal(object)
    refused = Signal(str)

    def __init__(
        self,
        catalogue_of: Callable[[], dict[str, Trace]],
        span_of: Callable[[], tuple[float, float] | None],
        viewpoint_of: Callable[[], Viewpoint],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._catalogue_of, self._span_of, self._viewpoint_of = catalogue_of, span_of, viewpoint_of
        self._request: FilmRequest | None = None
        self._is_showing = False
        self._make()
        self._place()
        self._wire()

    # --- building -------------------------------------------------------------------------------------------------------------

    def _make(self) -> None:
        self.size, self.rate, self.camera, self.output = QComboBox(), QComboBox(), QComboBox(), QComboBox()
        self.size.setEditable(True)
        self.size.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.size.setToolTip("Width and height in pixels, both even; any size can be written here")
        self.size.addItems(SIZES)
        for name in FRAME_RATES:
            self.rate.addItem(f"{name} frames a second", name)
        for name in CAMERAS:
            self.camera.addItem(name.capitalize(), name)
        for codec, (text, _) in OUTPUTS.items():
            self.output.addItem(text, codec)
        self.turn, self.lift = OptionalNumber("Camera turned, deg", -360.0, 360.0), OptionalNumber("Camera raised, deg", -180.0, 180.0)
        self.zoom = OptionalNumber("Zoom", 0.1, 20.0)
        self.start_s = OptionalNumber("Span from, seconds after liftoff", -1e5, 1e5)
        self.stop_s = OptionalNumber("Span to, seconds after liftoff", -1e5, 1e5)
        self.slate_s = OptionalNumber("Slate, seconds", 0.0, 60.0)
        self.speed, self.title = QLineEdit(), QLineEdit()
        self.speed.setToolTip(_RAMP_HINT)
        self.title.setPlaceholderText("the log's name")
        self.title.setToolTip("On the slate")
        self.as_in_view, self.as_in_timeline = QPushButton("As in &Attitude"), QPushButton("As in T&imeline")
        self.as_in_view.setToolTip("The camera of the Attitude view as it stands")
        self.as_in_timeline.setToolTip("The span set in the timeline")
        self.traces = QPushButton()
        for button in (self.as_in_view, self.as_in_timeline, self.traces):
            button.setAutoDefault(False)
        self.what_if, self.reflown = check_box("What-if"), check_box("Re-flown flight")
        self.readout, self.burned_in = check_box("Readout", "The numbers at the right"), check_box("Burned-in time")
        self.clear = check_box("Transparent background", "Nothing behind vehicle and lines, to lay over footage of the launch")
        self.lasts = muted(wrap=True)

    def _place(self) -> None:
        form = QFormLayout()
        form.setVerticalSpacing(style.GAP)
        eye = _row(self.turn, self.lift, self.zoom)
        rows = (
            ("&Output", self.output), ("Si&ze", self.size), ("Ra&te", self.rate), ("Ca&mera", _row(self.camera, self.as_in_view)),
            ("Turn, raise, zoom", eye), ("&From, to, s", _row(self.start_s, self.stop_s, self.as_in_timeline)), ("Spee&d", self.speed),
            ("Slate, s, tit&le", _row(self.slate_s, self.title)), ("T&races", self.traces),
        )  # fmt: skip
        first = {"Camera": self.camera, "From, to, s": self.start_s, "Slate, s, title": self.slate_s}
        for text, widget in rows:
            form.addRow(text, widget)
            plain = text.replace("&", "")
            if plain in first:
                form.labelForField(widget).setBuddy(first[plain])
            elif not widget.accessibleName():
                widget.setAccessibleName(plain)
        self.camera.setAccessibleName("Camera")
        self.title.setAccessibleName("Title on the slate")
        self.speed.setAccessibleName("Speed, or a ramp of time:speed pairs")
        for number in (self.turn, self.lift, self.zoom, self.start_s, self.stop_s):
            number.setMaximumWidth(200)
        self.slate_s.setMaximumWidth(60)
        boxes = QGridLayout()
        for i, box in enumerate((self.what_if, self.reflown, self.readout, self.burned_in)):
            boxes.addWidget(box, i // 2, i % 2)
        boxes.addWidget(self.clear, 2, 0, 1, 2)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(form)
        column.addLayout(boxes)
        column.addWidget(self.lasts)
        column.addStretch(1)

    def _wire(self) -> None:
        for box, name in ((self.rate, "rate"), (self.output, "codec")):
            box.activated.connect(lambda _, box=box, name=name: self._change(**{name: box.currentData()}))
        self.size.activated.connect(lambda _: self._size_entered())
        self.size.lineEdit().editingFinished.connect(self._size_entered)
        self.camera.activated.connect(lambda _: self._change(viewpoint=Viewpoint(self.camera.currentData())))
        for number in (self.turn, self.lift, self.zoom):
            number.edited.connect(lambda _: self._change(viewpoint=self._viewpoint()))
        for name in ("start_s", "stop_s"):
            getattr(self, name).edited.connect(lambda value, name=name: self._change(**{name: value}))
        self.slate_s.edited.connect(lambda value: self._change(slate_s=0.0 if value is None else value))
        self.speed.editingFinished.connect(self._speed_entered)
        self.title.editingFinished.connect(lambda: self._change(title=self.title.text().strip()))
        boxes = {"has_what_if": self.what_if, "has_reflown": self.reflown, "has_readout": self.readout, "has_time": self.burned_in}
        for name, box in boxes.items():
            box.toggled.connect(lambda is_on, name=name: self._change(**{name: is_on}))
        self.clear.toggled.connect(lambda is_on: self._change(is_transparent=is_on))
        self.traces.clicked.connect(self._choose_traces)
        self.as_in_view.clicked.connect(lambda: self._change(viewpoint=self._viewpoint_of()))
        self.as_in_timeline.clicked.connect(self._take_span)

    # --- showing --------------------------------------------------------------------------------------------------------------

    def display(self, request: FilmRequest, cannot_refly: str) -> None:
        """Show a request; `cannot_refly` says why there is nothing to fly again, "" where there is."""
        self._request, self._is_showing = request, True
        view, own = request.viewpoint, span_s(request.snapshot, FigureSettings())
        choose(self.output, shown_codec(request))
        choose(self.rate, request.rate)
        self.size.setCurrentText(f"{request.size_px[0]} × {request.size_px[1]}")
        choose(self.camera, view.name)
        self.turn.display(view.turn_rad / DEG or None, "0°")
        self.lift.display(view.raise_rad / DEG or None, "0°")
        self.zoom.display(None if view.zoom == 1.0 else view.zoom, "×1")
        self.start_s.display(request.start_s, f"{own[0]:.4g}")
        self.stop_s.display(request.stop_s, f"{own[1]:.4g}")
        self.speed.setText(ramp_text(request.ramp))
        self.slate_s.display(request.slate_s)
        self.title.setText(request.title)
        self.what_if.setChecked(request.has_what_if)
        self.reflown.setChecked(request.has_reflown)
        self.reflown.setEnabled(request.has_reflown or not cannot_refly)
        self.reflown.setToolTip(cannot_refly or "Flown again by the model with the what-if on board")
        self.readout.setChecked(request.has_readout)
        self.burned_in.setChecked(request.has_time)
        self.clear.setChecked(request.is_transparent)
        n = len(request.traces)
        self.traces.setText(f"{n} below the picture…" if n else "none below the picture…")
        self.lasts.setText(_lasts_words(request))
        self._is_showing = False

    # --- what the user says ---------------------------------------------------------------------------------------------------

    def _change(self, **changes: Any) -> None:
        """Another request, where it can be; alpha and codec follow each other."""
        if self._is_showing or self._request is None:
            return
        if changes.get("is_transparent") and shown_codec(self._request) == "h264":
            changes["codec"] = "prores"  # H.264 has no alpha
        elif changes.get("codec") == "h264" and self._request.is_transparent:
            changes["is_transparent"] = False
        elif "is_transparent" in changes and self._request.codec == "auto":
            changes["codec"] = "h264"
        try:
            request = dataclasses.replace(self._request, **changes)
            request.clock()
        except ReplayError as error:
            self.refused.emit(_words(error))
            return
        if request.as_settings() != self._request.as_settings():
            self.edited.emit(request)

    def _viewpoint(self) -> Viewpoint:
        view = Viewpoint(self.camera.currentData()).turned((self.turn.value or 0.0) * DEG, (self.lift.value or 0.0) * DEG)
        return view.zoomed(1.0 if self.zoom.value is None else self.zoom.value)

    def _size_entered(self) -> None:
        found = re.fullmatch(r"\s*(\d+)\s*[x×X* ]\s*(\d+)\s*", self.size.currentText())
        if found is None:
            self.refused.emit(f"Size: expected width × height, such as 1920 × 1080, got {self.size.currentText()!r}")
            return
        self._change(size_px=(int(found[1]), int(found[2])))

    def _speed_entered(self) -> None:
        try:
            self._change(ramp=ramp_from(self.speed.text()))
        except ReplayError:
            self.refused.emit(f"Speed: {_RAMP_HINT[0].lower()}{_RAMP_HINT[1:]}; got {self.speed.text()!r}")

    def _take_span(self) -> None:
        span = self._span_of()
        if span is None:
            self.refused.emit("The timeline has no span. Set one there, or write its ends here.")
        else:
            self._change(start_s=round(span[0], 6), stop_s=round(span[1], 6))

    def _choose_traces(self) -> None:
        from replay.desktop.trace_chooser import TraceChooser

        if self._request is None:
            return
        dialog = TraceChooser(self._catalogue_of(), self._request.traces, "Traces below the picture", self, is_one_pane=False)
        dialog.accepted.connect(lambda: self._change(traces=dialog.chosen()))
        dialog.finished.connect(dialog.deleteLater)
        dialog.open()


def shown_codec(request: FilmRequest) -> str:
    """The codec a dialog writes: that of the settings, or the usual one where they leave it open."""
    return request.codec if request.codec != "auto" else "prores" if request.is_transparent else "h264"


def _lasts_words(request: FilmRequest) -> str:
    clock = request.clock()
    slate = f", {clock.n_slate} of them slate" if clock.n_slate else ""
    return f"{clock.n_frames} frames{slate}; {clock.duration_s:.1f} s of film, {speed_words(request.ramp)}."


def _words(error: ReplayError) -> str:
    expected, got = getattr(error, "expected", None), getattr(error, "got", None)
    return f"Expected {expected}, got {got}." if expected and got else str(error)


def _row(*widgets: QWidget) -> QWidget:
    place = QWidget()
    row = QHBoxLayout(place)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(style.GAP)
    for widget in widgets:
        row.addWidget(widget, 0 if isinstance(widget, QPushButton) else 1)
    return place
