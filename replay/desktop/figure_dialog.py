"""Figures: choose one, see it as it will be saved, read its caption, save it. Drawn on a thread of its own; the newest request wins."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, Final

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QGuiApplication, QImage, QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style
from replay.desktop.asking import Asking
from replay.desktop.background import Background
from replay.desktop.figure_choices import FlightsBeside, PaneChooser, numbers_of
from replay.desktop.form import OptionalNumber, check_box, choose, muted
from replay.desktop.making import PictureCard, Working
from replay.desktop.session import Session
from replay.errors import ReplayError
from replay.review.review import Review, thaw
from replay.review.snapshot import Snapshot

if TYPE_CHECKING:
    import threading

    from replay.figures.figure_request import FigureRequest, MadeFigure

_SUFFIXES: Final = ("pdf", "svg", "png")
_WAIT_MS: Final = 120
"""Edits within this time are drawn once."""
_TIMES_HINT: Final = "liftoff to apogee"
_BY_TIMES: Final = ("film-strip", "path-3d")
"""Figures that show chosen instants."""
_SIDE_PX: Final = 320


def _make(request: FigureRequest, progress: Any, cancel: threading.Event) -> MadeFigure:
    from replay.figures.figure_request import make_figure

    return make_figure(request, progress, cancel)


class FigureDialog(QDialog):
    """A window beside the main one. What is chosen is kept in the review (`figure_settings`), so undo takes it back and save keeps it.

    Parameters
    ----------
    session : Session
    asking : Asking
    parent : QWidget, optional
    """

    def __init__(self, session: Session, asking: Asking, parent: QWidget | None = None) -> None:
        from replay.figures.registry import figure_kinds
        from replay.figures.style import PRESETS

        super().__init__(parent)
        self.setWindowTitle("Figures")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(1120, 720)
        self._session, self._asking = session, asking
        self._presets = PRESETS
        self._kinds = figure_kinds()
        self._with_material: tuple[Snapshot, Snapshot] | None = None
        self._drawn_beside: tuple[str, ...] = ()
        self._is_showing = False
        self._preview = Background(session, _make, "figure", self)
        self._saving = Background(session, _make, "figure-save", self)
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(_WAIT_MS)
        self._timer.timeout.connect(self.draw_now)
        self._build()
        self._wire()
        self.show_review(session.review)

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        row = QHBoxLayout(self)
        row.setSpacing(2 * style.GAP)
        side = QWidget()
        side.setFixedWidth(_SIDE_PX)
        left = QVBoxLayout(side)
        left.setContentsMargins(0, 0, 0, 0)
        self._rows = self._form()
        left.addLayout(self._rows)
        left.addStretch(1)
        left.addLayout(self._bottom())
        row.addWidget(side)
        row.addLayout(self._right(), 1)

    def _form(self) -> QFormLayout:
        self.figure, self.preset, self.suffix = QComboBox(), QComboBox(), QComboBox()
        for name, kind in self._kinds.items():
            self.figure.addItem(kind.title, name)
        for name, preset in self._presets.items():
            self.preset.addItem(f"{name.replace('-', ' ')}, {preset.width_mm:g} × {preset.height_mm:g} mm", name)
        for suffix in _SUFFIXES:
            self.suffix.addItem(suffix.upper(), suffix)
        self.width_mm, self.height_mm = OptionalNumber("Width, mm", 30.0, 1000.0), OptionalNumber("Height, mm", 30.0, 1000.0)
        self.dpi = OptionalNumber("Dots per inch of a PNG", 50.0, 1200.0)
        self.start_s = OptionalNumber("Span from, seconds after liftoff", -1e5, 1e5)
        self.stop_s = OptionalNumber("Span to, seconds after liftoff", -1e5, 1e5)
        self.times = QLineEdit()
        self.times.setPlaceholderText(_TIMES_HINT)
        self.times.setToolTip("Times of the 3D attitudes, seconds after liftoff, with blanks between them")
        for number in (self.start_s, self.stop_s):
            number.setMaximumWidth(_SIDE_PX)
        self.panes, self.beside = PaneChooser(), FlightsBeside(self._asking)
        self.bands = check_box("Bands of one standard deviation")
        form = QFormLayout()
        form.setVerticalSpacing(style.GAP)
        rows = (
            ("&Figure", self.figure), ("Si&ze", self.preset), ("&Width, mm", self.width_mm), ("&Height, mm", self.height_mm),
            ("F&rom, s", self.start_s), ("&Until, s", self.stop_s), ("3D t&imes, s", self.times), ("&Panes", self.panes),
            ("Flights &beside", self.beside), ("File t&ype", self.suffix), ("&Dots per inch", self.dpi),
        )  # fmt: skip
        for text, widget in rows:
            widget.setAccessibleName(widget.accessibleName() or text.replace("&", ""))
            form.addRow(text, widget)
        form.addRow(self.bands)
        return form

    def _right(self) -> QVBoxLayout:
        self.card = PictureCard("Drawing…")
        self.picture = self.card.label
        self.caption, self.alt = QLabel(), muted(wrap=True)
        self.caption.setWordWrap(True)
        for label, name in ((self.caption, "Caption"), (self.alt, "In words, for those who can't see it")):
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard)
            label.setAccessibleName(name)
            label.setAlignment(Qt.AlignmentFlag.AlignTop)
        words = QWidget()
        both = QVBoxLayout(words)
        both.setContentsMargins(0, 0, 0, 0)
        both.addWidget(self.caption)
        both.addWidget(self.alt)
        both.addStretch(1)
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setWidget(words)
        scroll.setMinimumHeight(110)
        column = QVBoxLayout()
        column.addWidget(self.card, 4)
        column.addWidget(scroll, 1)
        return column

    def _bottom(self) -> QVBoxLayout:
        self.working = Working(self._preview, self._saving)
        self.said = muted(wrap=True)
        self.save, self.copy = QPushButton("&Save…"), QPushButton("&Copy Caption")
        for button in (self.save, self.copy):
            button.setAutoDefault(False)  # Return in a number takes the number
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.close)
        buttons.button(QDialogButtonBox.StandardButton.Close).setAutoDefault(False)
        doing = QHBoxLayout()
        doing.addWidget(self.save)
        doing.addWidget(self.copy)
        column = QVBoxLayout()
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.said)
        column.addWidget(self.working)
        column.addLayout(doing)
        column.addWidget(buttons)
        return column

    def _wire(self) -> None:
        for box in (self.figure, self.preset, self.suffix):
            box.activated.connect(lambda _: self._edited())
        for number in (self.width_mm, self.height_mm, self.dpi, self.start_s, self.stop_s):
            number.edited.connect(lambda _: self._edited())
        self.times.editingFinished.connect(self._edited)
        for choice in (self.panes, self.beside):
            choice.edited.connect(self._edited)
        self.bands.toggled.connect(lambda _: self._edited())
        self.save.clicked.connect(self._save)
        self.copy.clicked.connect(lambda: QGuiApplication.clipboard().setText(self.caption.text()))
        self.working.stopped.connect(lambda: self.said.setText("Stopped. Any change here draws again."))
        self.card.resized.connect(self._timer.start)
        for work in (self._preview, self._saving):
            work.failed.connect(self._on_failed)
        self._preview.finished.connect(self._on_drawn)
        self._saving.finished.connect(self._on_saved)
        self._session.review_changed.connect(self.show_review)
        self._session.snapshot_ready.connect(self._on_snapshot)
        self._session.opened.connect(self._leave)
        self._session.closing.connect(self._leave)
        for keys, do in (("Ctrl+Z", self._session.undo), ("Ctrl+Shift+Z", self._session.redo), ("Ctrl+S", self._save)):
            QShortcut(QKeySequence(keys), self).activated.connect(do)

    # --- document and form ----------------------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """The form as the document has it; draws where that changed anything."""
        from replay.figures.beside import named_beside
        from replay.figures.material import CAMPAIGN
        from replay.figures.style import settings_from
        from replay.review.arrangement import checked

        saved = thaw(review.figure_settings)
        try:
            settings = settings_from(saved)
        except ReplayError as error:
            self.said.setText(f"What the review says of figures can't be used: {error}")
            settings = settings_from({})
        preset = self._presets[settings.preset]
        self._is_showing = True
        choose(self.figure, saved.get("figure", next(iter(self._kinds))))
        choose(self.preset, settings.preset)
        choose(self.suffix, saved.get("file_type", _SUFFIXES[0]))
        self.width_mm.display(settings.width_mm, f"{preset.width_mm:g}")
        self.height_mm.display(settings.height_mm, f"{preset.height_mm:g}")
        self.dpi.display(settings.dpi, str(preset.dpi))
        self.start_s.display(settings.start_s, "the figure's own")
        self.stop_s.display(settings.stop_s, "the figure's own")
        self.times.setText(" ".join(f"{at:g}" for at in settings.at_s))
        self.panes.display([pane["traces"] for pane in checked(thaw(review.trace_arrangement))["panes"]], settings.panes)
        self.beside.display(named_beside(review))
        self.bands.setChecked(settings.has_bands)
        self._is_showing = False
        self._rows.setRowVisible(self.dpi, self.suffix.currentData() == "png")
        name = self.figure.currentData()
        self._rows.setRowVisible(self.times, name in _BY_TIMES)
        self._rows.setRowVisible(self.panes, name == "traces")
        self._rows.setRowVisible(self.beside, CAMPAIGN in self._kinds[name].needs)
        self._settings = settings
        self._timer.start()

    def _edited(self) -> None:
        """What the form says goes into the document, as one step of undo."""
        if self._is_showing:
            return
        times = numbers_of(self.times.text())
        if times is None:
            self.said.setText("3D times: expected numbers with blanks between them, such as 0 1.5 4")
            return
        numbers = {name: getattr(self, name).value for name in ("width_mm", "height_mm", "start_s", "stop_s")}
        wanted: dict[str, Any] = {
            "figure": self.figure.currentData(), "file_type": self.suffix.currentData(), "preset": self.preset.currentData(), **numbers,
            "dpi": None if self.dpi.value is None else round(self.dpi.value), "at_s": times, "has_bands": self.bands.isChecked(),
            "panes": self.panes.chosen, "beside": self.beside.paths,
        }  # fmt: skip
        kept = {key: value for key, value in wanted.items() if value not in (None, [])}
        if self._is_wrong(kept) or kept == thaw(self._session.review.figure_settings):
            return
        self.said.setText("")
        self._session.apply(lambda review: dataclasses.replace(review, figure_settings=kept), "Figure")

    def _is_wrong(self, wanted: dict[str, Any]) -> bool:
        from replay.figures.style import settings_from

        try:
            settings_from(wanted)
        except ReplayError as error:
            self.said.setText(str(error))
            return True
        return False

    def _on_snapshot(self, _: object) -> None:
        self._timer.start()

    def _leave(self, *_: object) -> None:
        """Another flight, or the end: what is shown here is no longer what is open."""
        self._timer.stop()
        self.close()

    # --- drawing --------------------------------------------------------------------------------------------------------------

    def draw_now(self) -> None:
        """Ask the worker for the figure as chosen, at the size of the picture here."""
        from replay.figures.figure_request import FigureRequest, to_look_at

        snapshot = self._snapshot()
        if snapshot is None:
            self.card.say("Nothing is estimated yet.")
            return
        room = self.card.room_px
        settings = to_look_at(self._settings, room.width(), room.height())
        beside = tuple(self.beside.paths)
        self._preview.request(FigureRequest(snapshot, self._session.review, self.figure.currentData(), settings, beside=beside))

    def _snapshot(self) -> Snapshot | None:
        """What is drawn in the window, with what was worked out for figures of it before and what the panels have."""
        from replay.figures.material import RECONCILIATION, with_material

        snapshot = self._session.snapshot
        if snapshot is None:
            return None
        if self._with_material is not None and self._with_material[0] is snapshot and self._drawn_beside == tuple(self.beside.paths):
            return self._with_material[1]
        if self._session.reconciliation is not None and not self._session.is_reconciliation_stale:
            return with_material(snapshot, **{RECONCILIATION: self._session.reconciliation})
        return snapshot

    def _on_drawn(self, request: FigureRequest, made: MadeFigure) -> None:
        if self._session.snapshot is not None and made.snapshot.as_flown is self._session.snapshot.as_flown:
            self._with_material, self._drawn_beside = (self._session.snapshot, made.snapshot), request.beside
        self.card.show_image(QImage.fromData(made.content))
        self.caption.setText(made.drawn.caption)
        self.alt.setText(made.drawn.alt)
        self.save.setEnabled(True)

    def _on_failed(self, request: FigureRequest, error: BaseException) -> None:
        if request.path:
            self.said.setText(str(error))
            return
        self.card.say(str(error))
        self.caption.clear()
        self.alt.clear()
        self.save.setEnabled(False)

    # --- saving ---------------------------------------------------------------------------------------------------------------

    def _save(self) -> None:
        from replay.figures.figure_request import FigureRequest, command_for
        from replay.figures.material import CAMPAIGN

        snapshot, suffix = self._snapshot(), self.suffix.currentData()
        if snapshot is None:
            return
        name = self.figure.currentData()
        path = self._asking.save_path("Save the figure", f"{name}.{suffix}", f"{suffix.upper()} (*.{suffix})", f".{suffix}")
        if path is None:
            return
        beside = tuple(self.beside.paths) if CAMPAIGN in self._kinds[name].needs else ()
        command = command_for(self._session.review_path, snapshot.log.paths, name, path, beside)
        self._saving.request(FigureRequest(snapshot, self._session.review, name, self._settings, path, command, beside))

    def _on_saved(self, request: FigureRequest, made: MadeFigure) -> None:
        is_kept = self._session.review_path is not None and not self._session.history.is_changed
        more = "" if is_kept else " Save the review too: the command inside the file makes the figure again from it."
        self.said.setText(f"Saved: {request.path}.{more}")

    def done(self, result: int) -> None:
        """Closed: the threads end with it."""
        self._timer.stop()
        for work in (self._preview, self._saving):
            work.close()
        super().done(result)
