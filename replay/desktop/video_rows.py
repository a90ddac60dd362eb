"""The rows about the launch video's picture: what can be done with it, where it stands, and where its camera looked. No behaviour here."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QSlider,
    QToolButton,
    QWidget,
)

from replay.desktop import style
from replay.desktop.form import OptionalNumber, muted
from replay.review.review import VideoCamera
from replay.units import DEG
from replay.whatif.photograph import DEFAULT_SD_RAD

_CAMERA: Final = (
    ("azimuth_rad", "Camera looks towards", "°", "Where the camera looked, clockwise from true north", -360.0, 360.0),
    ("elevation_rad", "raised", "°", "How far the line of sight was raised above level", -90.0, 90.0),
    ("roll_rad", "turned", "°", "How far the camera was turned clockwise, as the photographer sees it", -180.0, 180.0),
    ("distance_m", "from the pad", "m", "How far the camera stood from the pad: the sound needs that long", 0.0, 10_000.0),
)
_NOT_STATED: Final = "not stated"
_PLACEHOLDERS: Final = {"azimuth_rad": _NOT_STATED, "elevation_rad": "0", "roll_rad": "0", "distance_m": _NOT_STATED}
"""What an empty field stands for."""


class VideoRows:
    """Widgets of the view, built and shown; whoever owns them connects them."""

    def __init__(self) -> None:
        self.open = _button("Open Video…", "Open the film of this launch")
        self.mark = _button("Liftoff Here", "The vehicle lifts off on this frame: line video and log up on it")
        self.listen = _button("From the Sound", "Find liftoff by the motor's onset in the video's sound")
        self.draw = _button("Draw Along the Vehicle", "Lay a line from the tail to the nose: its lean becomes evidence for reconcile")
        self.draw.setCheckable(True)
        self._status = muted(wrap=True)
        self._status.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.tools = _row(self.open, self.mark, self.listen, self.draw, stretch=True)
        self.note = QLabel()
        self.note.setObjectName("note")
        self.note.setWordWrap(True)
        self.note.setStyleSheet(f"background: {style.HINT_GROUND}; padding: 3px 6px; border-radius: 3px;")
        self.note.hide()
        self.bar, self._doing = QProgressBar(), muted()
        self.bar.setRange(0, 1000)
        self.bar.setTextVisible(False)
        self.bar.setFixedHeight(8)
        self.cancel = _button("Cancel", "Stop this")
        self.working = _row(self.bar, self._doing, self.cancel)
        self.working.hide()
        self.strip = self._build_strip()
        self.fields: dict[str, OptionalNumber] = {}
        self.camera = self._build_camera()
        self.drawing = self._build_drawing()

    def _build_strip(self) -> QWidget:
        self.slider = QSlider(Qt.Orientation.Horizontal)
        self.slider.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.slider.setAccessibleName("Frame of the launch video")
        self.slider.setToolTip("Frame of the launch video; Shift+Left and Shift+Right step by one")
        box = QFrame()
        grid = QGridLayout(box)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(1)
        grid.addWidget(self.slider, 0, 0)
        grid.addWidget(self._status, 1, 0)
        return box

    def _build_camera(self) -> QWidget:
        parts: list[QWidget] = []
        for name, label, unit, tip, low, high in _CAMERA:
            field = OptionalNumber(tip, low, high)
            widest = (f"{low:.1f}", f"{high:.1f}", _PLACEHOLDERS[name])
            field.setFixedWidth(max(field.fontMetrics().horizontalAdvance(text) for text in widest) + 12)
            field.setStatusTip(tip)
            self.fields[name] = field
            text = muted(label)
            text.setToolTip(tip)
            parts += [field, muted(f"{unit} from the pad")] if name == "distance_m" else [text, field, muted(unit)]
        return _row(*parts, stretch=True)

    def _build_drawing(self) -> QWidget:
        self._lean = QLabel()
        self._lean.setFont(style.figures(self._lean, 1.0))
        self._sd = OptionalNumber("One standard deviation of the line's angle, degrees", 0.05, 45.0)
        self._sd.setFixedWidth(self._sd.fontMetrics().horizontalAdvance("0000.0") + 10)
        self._sd.display(None, f"{DEFAULT_SD_RAD / DEG:g}")
        self.take = QPushButton("Take as Sighting")
        self.take.setToolTip("Add this lean to the evidence (Enter)")
        self.take.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        row = _row(self._lean, muted("±"), self._sd, muted("°"), self.take, stretch=True)
        row.hide()
        return row

    # --- showing --------------------------------------------------------------------------------------------------------------

    @property
    def line_sd_rad(self) -> float:
        """Of the line's angle, as stated or by default."""
        return DEFAULT_SD_RAD if self._sd.value is None else self._sd.value * DEG

    def enable(self, *, has_log: bool, has_video: bool, has_sound: bool, is_lined_up: bool) -> None:
        """Only what can be done can be pressed."""
        self.open.setEnabled(has_log)
        self.mark.setEnabled(has_video)
        self.listen.setEnabled(has_video and has_sound)
        self.listen.setToolTip(
            "Find liftoff by the motor's onset in the video's sound" if has_sound or not has_video else "This video has no sound"
        )
        self.draw.setEnabled(has_video and is_lined_up)
        self.strip.setVisible(has_video)
        self.camera.setVisible(has_video)

    def show_status(self, text: str, tip: str) -> None:
        """How the video stands to the log."""
        self._status.setText(text)
        self._status.setToolTip(tip)

    @property
    def status(self) -> str:
        return self._status.text()

    def say(self, text: str) -> None:
        """One line about what was just done or could not be; empty puts it away."""
        self.note.setText(text)
        self.note.setVisible(bool(text))

    def show_busy(self, is_busy: bool) -> None:
        """The row with the progress, while there is any."""
        self.bar.setValue(0)
        self._doing.setText("")
        self.working.setVisible(is_busy)

    def show_progress(self, share: float, text: str) -> None:
        """How far it is."""
        self.bar.setValue(round(1000 * share))
        self._doing.setText(text)

    def show_frames(self, n: int) -> None:
        """How many frames there are."""
        self.slider.blockSignals(True)
        self.slider.setRange(0, max(n - 1, 0))
        self.slider.setPageStep(max(n // 20, 1))
        self.slider.blockSignals(False)

    def show_frame(self, frame: int) -> None:
        """Where the video stands; emits nothing."""
        self.slider.blockSignals(True)
        self.slider.setValue(frame)
        self.slider.blockSignals(False)

    def show_camera(self, camera: VideoCamera | None) -> None:
        """The camera as the document has it; emits nothing."""
        shown = camera or VideoCamera()
        for name, field in self.fields.items():
            value = getattr(shown, name)
            if value is not None and name.endswith("_rad"):
                value = round(value / DEG, 9)
            field.display(value, _PLACEHOLDERS[name])

    def show_lean(self, text: str) -> None:
        """The line's angle."""
        self._lean.setText(text)


def _button(text: str, tip: str) -> QToolButton:
    button = QToolButton()
    button.setText(text)
    button.setToolTip(tip)
    button.setStatusTip(tip)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return button


def _row(*widgets: QWidget, stretch: bool = False) -> QWidget:
    box = QWidget()
    row = QHBoxLayout(box)
    row.setContentsMargins(0, 0, 0, 0)
    row.setSpacing(4)
    for widget in widgets:
        row.addWidget(widget)
    if stretch:
        row.addStretch(1)
    return box
