"""A tilt sighting from a photograph: lay the vehicle's outline onto the vehicle, say when and from where the picture was taken."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style
from replay.desktop.asking import Asking
from replay.desktop.background import Background
from replay.desktop.form import OptionalNumber, muted, scrolled
from replay.desktop.photograph_canvas import PhotographCanvas
from replay.desktop.picture_file import PICTURE_FILES, Picture, read_picture
from replay.desktop.session import Session
from replay.desktop.video_canvas import Line
from replay.errors import CannotEstimate, ReplayError
from replay.units import DEG
from replay.whatif.evidence import Sighting
from replay.whatif.photograph import DEFAULT_SD_RAD, Camera, roll_of_horizon, roll_of_plumb_line, sighting_from_line

ONE_VIEW: Final = (
    "One photograph shows only the lean across the line of sight. How far the nose leans towards the camera or away from it stays open; "
    "a second photograph from the side closes it."
)
_VEHICLE, _PLUMB, _HORIZON = "vehicle", "plumb line", "horizon"
_LAYERS: Final = (
    (_VEHICLE, "Vehicle", "Drag the outline onto the vehicle, its point to the nose: an end moves that end, the middle the whole."),
    (_PLUMB, "Plumb line", "Drag the line along something upright in the picture: it says how far the camera was turned."),
    (_HORIZON, "Horizon", "Drag the line along the horizon: it says how far the camera was turned."),
)
_HINT_KEYS: Final = "Keys on the picture: arrows move by a pixel and [ ] turn by 0.1°, with Shift ten times as far; + and − stretch."
_FIELDS: Final = (
    ("time_s", "&Time, s after liftoff", "Time of the picture, seconds after liftoff", -60.0, 7200.0),
    ("azimuth", "Camera looks to&wards, °", "Where the camera looked, degrees clockwise from true north", -360.0, 360.0),
    ("elevation", "&Raised above level, °", "How far the line of sight was raised above level, degrees", -89.9, 89.9),
    ("roll", "T&urned clockwise, °", "How far the camera was turned clockwise, as the photographer sees it, degrees", -180.0, 180.0),
    ("view", "Angle of &view across, °", "Angle of view across the width of the whole picture, degrees", 1.0, 170.0),
    ("sd", "&Standard deviation, °", "One standard deviation of the lean in the picture, degrees", 0.05, 45.0),
)
_PLACEHOLDERS: Final = {"azimuth": "needed", "elevation": "0", "roll": "0", "view": "not known", "sd": f"{DEFAULT_SD_RAD / DEG:g}"}
_SIDE_PX: Final = 340


class SightingDialog(QDialog):
    """Makes one `Sighting`; changes nothing itself.

    Parameters
    ----------
    session : Session
        Its end ends the reading.
    asking : Asking
    path : str
        The picture to begin with; what is wrong with it is said here.
    time_s : float
        Of the cursor, after liftoff: stands for the picture's time until another is stated.

    Signals
    -------
    taken(object)
        The `Sighting` the user is content with.
    """

    taken = Signal(object)

    def __init__(self, session: Session, asking: Asking, path: str, time_s: float, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Sighting from a Photograph")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        room = self.screen().availableGeometry()
        self.resize(min(1080, room.width() - 40), min(700, room.height() - 60))
        self._asking, self._time_s = asking, time_s
        self._size_px: tuple[int, int] | None = None
        self._lines: dict[str, Line] = {}
        self._roll_by: str | None = None
        self._background = Background(session, read_picture, "photograph", self)
        self._background.progressed.connect(self._on_progress)
        self._background.finished.connect(lambda _, picture: self._on_read(picture))
        self._background.failed.connect(lambda _, error: self._show_none(f"{error}\nAnother Picture opens one."))
        self._background.busy_changed.connect(self._on_busy)
        self._build()
        self.fields["time_s"].display(round(time_s, 3))
        self.canvas.line_drawn.connect(self._on_line)
        self.canvas.line_taken.connect(self.accept)
        self.canvas.line_given_up.connect(self.reject)
        self.layer.currentIndexChanged.connect(self._lay)
        self.open_picture(path)

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.canvas = PhotographCanvas()
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, style.GAP, 0)
        column.setSpacing(style.GAP)
        self.name, self.what = muted(wrap=True), QLabel()
        self.another = QPushButton("Another &Picture…")
        self.another.setAutoDefault(False)
        self.another.clicked.connect(self._ask_picture)
        self.progress = QProgressBar()
        self.stop = QPushButton("S&top")
        self.stop.setAutoDefault(False)
        self.stop.clicked.connect(lambda *_: self._stop())
        reading = QHBoxLayout()
        reading.addWidget(self.progress, 1)
        reading.addWidget(self.stop)
        self._on_busy(False)
        self.layer = QComboBox()
        for key, text, _ in _LAYERS:
            self.layer.addItem(text, key)
        self.layer.setAccessibleName("What is laid onto the picture")
        self.roll_note, self.note, self.result = muted(wrap=True), QLabel(ONE_VIEW), QLabel()
        for label in (self.what, self.note, self.result):
            label.setWordWrap(True)
        card = QFrame()
        card.setObjectName("card")
        inner = QVBoxLayout(card)
        inner.addWidget(self.note)
        form = self._form()
        column.addWidget(self.name)
        column.addLayout(reading)
        for part in (self.another, self.what, muted(_HINT_KEYS, wrap=True)):
            column.addWidget(part)
        column.addLayout(form)
        column.addWidget(self.roll_note)
        column.addWidget(card)
        column.addStretch(1)
        side = QVBoxLayout()
        side.addWidget(scrolled(inside), 1)
        side.addWidget(self.result)  # stays in sight however small the window
        self.failure = QLabel()
        self.failure.setObjectName("failure")
        self.failure.setWordWrap(True)
        self.failure.hide()
        side.addWidget(self.failure)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.ok = buttons.addButton("&Add Sighting", QDialogButtonBox.ButtonRole.AcceptRole)
        self.ok.setDefault(True)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        side.addWidget(buttons)
        holder = QWidget()
        holder.setLayout(side)
        side.setContentsMargins(0, 0, 0, 0)
        holder.setFixedWidth(_SIDE_PX)
        whole = QHBoxLayout(self)
        whole.addWidget(self.canvas, 1)
        whole.addWidget(holder)

    def _form(self) -> QFormLayout:
        form = QFormLayout()
        form.setVerticalSpacing(style.GAP // 2)
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        form.addRow("&Lay onto the picture", self.layer)
        self.fields: dict[str, OptionalNumber] = {}
        for key, label, tip, low, high in _FIELDS:
            field = OptionalNumber(tip, low, high)
            field.setStatusTip(tip)
            field.display(None, _PLACEHOLDERS.get(key, f"{self._time_s:.3f}"))
            field.edited.connect(lambda _, k=key: self._on_field(k))
            self.fields[key] = field
            form.addRow(label, field)
        return form

    # --- the picture ----------------------------------------------------------------------------------------------------------

    def _ask_picture(self) -> None:
        path = self._asking.open_path("Photograph of the flight", "", PICTURE_FILES)
        if path is not None:
            self.open_picture(path)

    def open_picture(self, path: str) -> None:
        """Show another picture once it is read; what is wrong with it stands where it would be, and the picture before it is gone."""
        self.name.setText(Path(path).name)
        self._show_none(f"Reading {Path(path).name}…")
        self._background.request(path)

    def _on_busy(self, is_busy: bool) -> None:
        self.progress.setValue(0)
        self.progress.setVisible(is_busy)
        self.stop.setVisible(is_busy)

    def _on_progress(self, share: float, text: str) -> None:
        self.progress.setValue(round(100.0 * share))
        self.progress.setFormat(f"{text} %p%")

    def _stop(self) -> None:
        self._background.cancel()
        self._show_none("Stopped before the picture was read.\nAnother Picture opens one.")
        self.another.setFocus(Qt.FocusReason.OtherFocusReason)

    def _show_none(self, text: str) -> None:
        """No picture; `text` stands in its place."""
        self._size_px = None
        self._lines.clear()
        self.canvas.set_drawing(False)
        self.canvas.show_picture(None, (4, 3))
        self.canvas.show_texts((), "", text)
        self._begin()

    def _on_read(self, picture: Picture) -> None:
        image, self._size_px = picture
        self.canvas.show_picture(image, self._size_px)
        self.canvas.show_texts((), "", "")
        wide, high = self._size_px
        self._lines = {
            _VEHICLE: ((0.5 * wide, 0.75 * high), (0.5 * wide, 0.25 * high)),
            _PLUMB: ((0.2 * wide, 0.8 * high), (0.2 * wide, 0.4 * high)),
            _HORIZON: ((0.1 * wide, 0.85 * high), (0.9 * wide, 0.85 * high)),
        }
        self._begin()

    def _begin(self) -> None:
        """From the first layer on, nothing laid yet."""
        self._set_roll(None, None)
        self.failure.hide()
        self.ok.setEnabled(self._size_px is not None)
        self.layer.setEnabled(self._size_px is not None)
        self.layer.setCurrentIndex(0)
        self._lay()

    def _lay(self) -> None:
        key, _, what = _LAYERS[self.layer.currentIndex()]
        self.what.setText(what)
        if self._lines:
            self.canvas.lay(self._lines[key], is_vehicle=key == _VEHICLE, behind=None if key == _VEHICLE else self._lines[_VEHICLE])
        self._show()

    def _on_line(self, line: Line) -> None:
        key = self.layer.currentData()
        self._lines[key] = line
        if key != _VEHICLE:
            self._roll_by = key
            self._roll_from_line()
        self._show()

    # --- what is stated -------------------------------------------------------------------------------------------------------

    def _on_field(self, key: str) -> None:
        if key == "roll":
            self._set_roll(self.fields["roll"].value, None)
        elif key in ("elevation", "view"):
            self._roll_from_line()
        self._show()

    def _set_roll(self, roll_deg: float | None, by: str | None) -> None:
        self._roll_by = by
        self.fields["roll"].setModified(False)
        self.fields["roll"].display(roll_deg, _PLACEHOLDERS["roll"])
        self.roll_note.setText(f"Turned: read off the {by}; a number typed there takes its place." if by else "")
        self.roll_note.setVisible(bool(by))

    def _roll_from_line(self) -> None:
        """The camera's roll from the line that was last laid for it."""
        by = self._roll_by
        if by is None:
            return
        read = roll_of_plumb_line if by == _PLUMB else roll_of_horizon
        try:
            roll_rad = read(*self._lines[by], self._camera(0.0))
        except ReplayError as error:
            self._set_roll(None, None)
            self._fail(str(error))
        else:
            self._set_roll(round(roll_rad / DEG, 3), by)

    def _camera(self, azimuth_deg: float) -> Camera:
        assert self._size_px is not None
        stated = {key: field.value for key, field in self.fields.items()}
        view_rad = None if stated["view"] is None else stated["view"] * DEG
        return Camera(
            float(self._size_px[0]), float(self._size_px[1]), azimuth_deg * DEG,
            (stated["elevation"] or 0.0) * DEG, (stated["roll"] or 0.0) * DEG, view_rad,
        )  # fmt: skip

    def sighting(self) -> Sighting:
        """What the dialog says as it stands.

        Raises
        ------
        ReplayError
            No picture, no camera azimuth, or a vehicle without length.
        """
        if self._size_px is None:
            raise CannotEstimate("sighting", "open a photograph first")
        azimuth_deg, time_s, sd_deg = (self.fields[key].value for key in ("azimuth", "time_s", "sd"))
        if azimuth_deg is None:
            raise CannotEstimate("sighting", "state where the camera looked towards (clockwise from north), or the lean has no direction")
        sd_rad = DEFAULT_SD_RAD if sd_deg is None else sd_deg * DEG
        camera = self._camera(azimuth_deg)
        return sighting_from_line(*self._lines[_VEHICLE], camera, round(self._time_s, 3) if time_s is None else time_s, sd_rad)

    def _show(self) -> None:
        """What the picture says, as far as that is known yet."""
        self.failure.hide()
        if self._size_px is None:
            self.result.setText("No picture yet.")
            return
        (x0, y0), (x1, y1) = self._lines[_VEHICLE]
        lean_deg = math.atan2(x1 - x0, y0 - y1) / DEG
        in_picture = f"In the picture {abs(lean_deg):.1f}° to the {'right' if lean_deg >= 0.0 else 'left'}."
        try:
            found = self.sighting()
        except ReplayError as error:
            self.result.setText(f"{in_picture} {str(error).partition(': ')[2].capitalize()}.")
            return
        self.result.setText(
            f"{in_picture} Sighting: {found.tilt_rad / DEG:.1f} ±{found.sd_rad / DEG:.1f}° towards "
            f"{found.tilt_azimuth_rad / DEG:.0f}° at T{found.time_s:+.3f} s."
        )

    def _fail(self, text: str) -> None:
        self.failure.setText(text)
        self.failure.show()

    def accept(self) -> None:
        """Hand the sighting over and close; or say what is missing, and go there."""
        wrong = next((field for field in self.fields.values() if field.property("wrong")), None)
        try:
            if wrong is not None:
                raise CannotEstimate("sighting", wrong.toolTip())
            found = self.sighting()
        except ReplayError as error:
            self._fail(str(error))
            (wrong or self.fields["azimuth"] if self._size_px else self.another).setFocus(Qt.FocusReason.OtherFocusReason)
            return
        self.taken.emit(found)
        super().accept()

    def done(self, result: int) -> None:
        """Also stops what is being read."""
        self._background.close()
        super().done(result)
