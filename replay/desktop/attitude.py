"""Attitude: the vehicle in 3D at the cursor. Drag turns the camera, the wheel zooms; cameras by button or key."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from PySide6.QtCore import QElapsedTimer, QPointF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QContextMenuEvent,
    QFontInfo,
    QHideEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPixmap,
    QWheelEvent,
)
from PySide6.QtWidgets import QButtonGroup, QFileDialog, QHBoxLayout, QMenu, QPushButton, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.errors import ReplayError
from replay.review.snapshot import Snapshot
from replay.scene.build import Flight, SceneOptions, build_scene, middle_enu_m, prepare
from replay.scene.camera import CAMERAS, WIDE, Camera, Stage, Viewpoint, blend, camera_at
from replay.scene.drawlist import DrawList, Primitive
from replay.scene.paint import paint, save_picture, to_image
from replay.scene.project import project
from replay.units import DEG

HELP: Final = "Drag to turn the camera, wheel to zoom, double-click to set it back; keys 1 to 5 choose a camera"
_TIPS: Final = {
    "chase": "Chase: beside the vehicle at true size, level with the horizon, so a lean is a lean",
    "pad": "Pad: from beside the pad, following the vehicle, which is drawn enlarged",
    "side": "Side: elevation without perspective, east to the right",
    "top": "Top: plan without perspective, north up",
    "orbit": "Orbit: round the whole flight",
}
_TURN_RAD_PER_PX: Final = 0.4 * DEG
_TURN_STEP_RAD: Final = 7.5 * DEG
_ORBIT_WITH: Final = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
_ZOOM_STEP: Final = 1.18
_GLIDE_MS: Final = 220
_FILLED: Final = 1.15
_ROOMY: Final = 60.0
"""A picture narrower than this, in heights of the text, has its notes beside the flight instead of over it."""


NOTHING_OPEN = "No flight open.\nOpen a log with Ctrl+O, or drop one here."
NO_ESTIMATE = "No estimate of this log: the line at the top says why.\nCtrl+M shows which column was read as what, Ctrl+I what was found."
STOPPED = "The estimate was stopped.\nCtrl+E estimates again."


class AttitudeView(QWidget):
    """Draws the vehicle as flown, and the what-if beside it, at the cursor (see `review.snapshot.View`).

    Signals
    -------
    camera_changed(str)
        The user or the window chose another camera.
    failed(str)
        A picture could not be saved; one line says why.
    """

    camera_changed = Signal(str)
    failed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.canvas = Canvas(self)
        self._stage: Stage | None = None
        """Of the last result that was no preview."""
        self._buttons = QButtonGroup(self)
        bar = QHBoxLayout()
        bar.setContentsMargins(0, 0, 0, 0)
        bar.setSpacing(0)
        for name in CAMERAS:
            button = QPushButton(name.capitalize(), self)
            button.setObjectName("segment")
            button.setCheckable(True)
            button.setToolTip(_TIPS[name])
            button.setStatusTip(_TIPS[name])
            button.setAccessibleName(f"{name} camera")
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(lambda _=False, camera=name: self.set_camera(camera))
            self._buttons.addButton(button, CAMERAS.index(name))
            bar.addWidget(button)
        bar.addStretch(1)
        reset = QToolButton(self)
        reset.setObjectName("quiet")
        reset.setText("Set back")
        reset.setToolTip("Set the camera back to where it began (0)")
        reset.setStatusTip("Set the camera back to where it began")
        reset.clicked.connect(self.reset_camera)
        bar.addWidget(reset)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(style.GAP // 2)
        layout.addLayout(bar)
        layout.addWidget(self.canvas, 1)
        self.setFocusProxy(self.canvas)
        self.setAccessibleName("Attitude")
        self.setStatusTip(HELP)
        self._mark_camera()

    # -- the two entry points of a view

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result; cursor and camera stay. Through a drag the stage stays too, though the path of a fast method may leave it."""
        flight = prepare(snapshot)
        if snapshot.is_preview and self._stage is not None:
            flight = replace(flight, stage=self._stage)
        elif not snapshot.is_preview:
            self._stage = flight.stage
        self.canvas.show_flight(flight)

    def forget_flight(self) -> None:
        """No flight; what is waited for is written instead (`set_waiting`)."""
        self._stage = None
        self.canvas.show_flight(None)

    def move_cursor(self, log_time_s: float) -> None:
        """Draw the vehicle at another instant."""
        self.canvas.move_cursor(log_time_s)

    # -- cameras

    @property
    def camera(self) -> str:
        """Name of the camera in use, one of `scene.camera.CAMERAS`."""
        return self.canvas.viewpoint.name

    def set_camera(self, name: str) -> None:
        """Take another camera, as last turned and zoomed."""
        if name != self.camera:
            self.canvas.set_camera(name)
            self.camera_changed.emit(name)
        self._mark_camera()

    def orbit(self, turn_rad: float, raise_rad: float) -> None:
        """Turn the camera about what it looks at, clockwise seen from above, and raise it."""
        self.canvas.set_viewpoint(self.canvas.viewpoint.turned(turn_rad, raise_rad))

    def zoom(self, factor: float) -> None:
        """Magnify."""
        self.canvas.set_viewpoint(self.canvas.viewpoint.zoomed(factor))

    def reset_camera(self) -> None:
        """Give the camera in use its own direction and size back."""
        self.canvas.glide_to(Viewpoint(self.camera))

    def set_waiting(self, text: str) -> None:
        """What is said in the place of the picture while there is none."""
        self.canvas.set_waiting(text)

    def set_what_if_visible(self, is_visible: bool) -> None:
        """Draw the what-if's twin, or leave it out."""
        self.canvas.set_what_if_visible(is_visible)

    def _mark_camera(self) -> None:
        self._buttons.button(CAMERAS.index(self.camera)).setChecked(True)


class Canvas(QWidget):
    """The picture itself: holds flight, cursor and viewpoints, and paints on demand."""

    def __init__(self, owner: AttitudeView) -> None:
        super().__init__(owner)
        self._owner = owner
        self._flight: Flight | None = None
        self._waiting = NOTHING_OPEN
        self._log_time_s = 0.0
        self._viewpoints = {name: Viewpoint(name) for name in CAMERAS}
        self._name = "chase"
        self._shows_what_if = True
        self._still: tuple[Primitive, ...] = ()
        self._ground: QPixmap | None = None
        self._grip: QPointF | None = None
        self._glide_from: Camera | None = None
        self._glide_clock = QElapsedTimer()
        self._glide_timer = QTimer(self)
        self._glide_timer.setInterval(16)
        self._glide_timer.timeout.connect(self._glide_step)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(160, 140)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setCursor(Qt.CursorShape.OpenHandCursor)
        self.setAccessibleName("Attitude, 3D view")
        self.setAccessibleDescription(HELP)
        self.setStatusTip(HELP)

    @property
    def viewpoint(self) -> Viewpoint:
        return self._viewpoints[self._name]

    def sizeHint(self) -> QSize:
        return QSize(520, 520)

    def set_waiting(self, text: str) -> None:
        if text != self._waiting:
            self._waiting = text
            self.update()

    def show_flight(self, flight: Flight | None) -> None:
        self._flight = flight
        self.update()

    def move_cursor(self, log_time_s: float) -> None:
        if log_time_s != self._log_time_s:
            self._log_time_s = log_time_s
            self.update()

    def set_what_if_visible(self, is_visible: bool) -> None:
        self._shows_what_if = is_visible
        self.update()

    def set_viewpoint(self, viewpoint: Viewpoint) -> None:
        """Take it at once."""
        self._stop_glide()
        self._viewpoints[viewpoint.name] = viewpoint
        self.update()

    def set_camera(self, name: str) -> None:
        """Glide there where both cameras draw the vehicle at one size, else cut."""
        if name in WIDE and self._name in WIDE:
            self._name, before = name, self._camera()
            self._begin_glide(before)
        else:
            self._stop_glide()
            self._name = name
        self.update()

    def glide_to(self, viewpoint: Viewpoint) -> None:
        """Move there smoothly."""
        before = self._camera()
        self._viewpoints[viewpoint.name] = viewpoint
        self._begin_glide(before)
        self.update()

    def picture(self, size_px: tuple[int, int] | None = None) -> DrawList | None:
        """What is on screen as a draw list of another size; None without a flight."""
        if self._flight is None:
            return None
        width, height = size_px or (max(self.width(), 1), max(self.height(), 1))
        is_wide = self._name in WIDE
        options = replace(self._options(width), is_wide=is_wide)
        return project(build_scene(self._flight, self._log_time_s, options), self._shown_camera((width, height)), (width, height))

    # -- Qt

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        draw_list = self.picture()
        if draw_list is not None:
            self._paint(painter, draw_list)
        else:
            painter.fillRect(self.rect(), QColor(style.SHELF))
            painter.setPen(QColor(style.MUTED))
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(self.rect().adjusted(style.GAP, 0, -style.GAP, 0), flags, self._waiting)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton:
            self._grip = event.position()
            self.setCursor(Qt.CursorShape.ClosedHandCursor)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._grip is not None:
            moved = event.position() - self._grip
            self._grip = event.position()
            self._owner.orbit(moved.x() * _TURN_RAD_PER_PX, moved.y() * _TURN_RAD_PER_PX)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._grip = None
        self.setCursor(Qt.CursorShape.OpenHandCursor)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self._owner.reset_camera()

    def wheelEvent(self, event: QWheelEvent) -> None:
        self._owner.zoom(_ZOOM_STEP ** (event.angleDelta().y() / 120.0))
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """The same keys as the window's table, for a view that stands alone."""
        key, step = event.key(), _TURN_STEP_RAD
        arrows = {Qt.Key.Key_Left: (1, 0), Qt.Key.Key_Right: (-1, 0), Qt.Key.Key_Up: (0, 1), Qt.Key.Key_Down: (0, -1)}
        if Qt.Key.Key_1 <= key < Qt.Key.Key_1 + len(CAMERAS):
            self._owner.set_camera(CAMERAS[key - Qt.Key.Key_1])
        elif key in arrows and event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier == _ORBIT_WITH:
            self._owner.orbit(step * arrows[key][0], step * arrows[key][1])
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal, Qt.Key.Key_Minus):
            self._owner.zoom(1.0 / _ZOOM_STEP if key == Qt.Key.Key_Minus else _ZOOM_STEP)
        elif key == Qt.Key.Key_0:
            self._owner.reset_camera()
        else:
            super().keyPressEvent(event)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        menu = QMenu(self)
        menu.addAction("Save Picture…", self._ask_and_save).setEnabled(self._flight is not None)
        menu.addAction("Set Camera Back", self._owner.reset_camera)
        menu.exec(event.globalPos())
        menu.deleteLater()

    def hideEvent(self, event: QHideEvent) -> None:
        self._stop_glide()
        super().hideEvent(event)

    # -- inside

    def _paint(self, painter: QPainter, draw_list: DrawList) -> None:
        """What has stood still since the picture before is copied; a camera that follows the vehicle has no such thing."""
        is_still = bool(draw_list.still) and draw_list.still is self._still
        self._still = draw_list.still
        if not is_still:
            self._ground = None
            paint(draw_list, painter)
            return
        ground, above = draw_list.split()
        ratio = self.devicePixelRatioF()
        if self._ground is None or self._ground.devicePixelRatio() != ratio:
            self._ground = QPixmap.fromImage(to_image(ground, ratio))
        painter.drawPixmap(0, 0, self._ground)
        paint(above, painter)

    def _ask_and_save(self) -> None:
        path, _ = QFileDialog.getSaveFileName(self, "Save picture", "attitude.svg", "Vector (*.svg *.pdf);;Pixels (*.png)")
        draw_list = self.picture()
        if path and draw_list is not None:
            self.save(draw_list, path)

    def save(self, draw_list: DrawList, path: str) -> None:
        """Write the picture; a failure is a signal, not a crash."""
        try:
            save_picture(draw_list, path, title="Attitude")
        except (ReplayError, OSError) as error:
            self._owner.failed.emit(str(error))

    def _options(self, width_px: int) -> SceneOptions:
        text_px = 0.95 * QFontInfo(self.font()).pixelSize()
        return SceneOptions(show_what_if=self._shows_what_if, text_px=text_px, is_narrow=width_px < _ROOMY * text_px)

    def _camera(self, size_px: tuple[int, int] | None = None) -> Camera | None:
        if self._flight is None:
            return None
        width, height = size_px or (max(self.width(), 1), max(self.height(), 1))
        middle = middle_enu_m(self._flight, self._log_time_s, is_wide=self._name in WIDE)
        room = max(width - self._options(width).strip_px, 0.25 * width)
        # beside a strip of notes the flight may fill the room that the cameras leave around it
        return camera_at(self.viewpoint, self._flight.stage, middle, min(_FILLED * room, width) / height)

    def _shown_camera(self, size_px: tuple[int, int]) -> Camera:
        goal = self._camera(size_px)
        assert goal is not None  # only called with a flight
        if self._glide_from is None:
            return goal
        share = min(self._glide_clock.elapsed() / _GLIDE_MS, 1.0)
        return blend(self._glide_from, goal, share * share * (3.0 - 2.0 * share))

    def _begin_glide(self, start: Camera | None) -> None:
        self._glide_from = start if self.isVisible() else None
        if self._glide_from is not None:
            self._glide_clock.restart()
            self._glide_timer.start()

    def _glide_step(self) -> None:
        if self._glide_clock.elapsed() >= _GLIDE_MS:
            self._stop_glide()
        self.update()

    def _stop_glide(self) -> None:
        self._glide_from = None
        self._glide_timer.stop()
