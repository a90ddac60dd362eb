"""Photograph canvas: a picture with the vehicle's outline, or a line known to be plumb or level, that the user lays onto it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QMouseEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from replay.desktop.video_canvas import Line, Point, VideoCanvas
from replay.scene import palette

_REACH_PX: Final = 12.0
_OUTLINE: Final = ((0.0, 0.05), (0.0, -0.05), (0.78, -0.05), (0.9, -0.034), (1.0, 0.0), (0.9, 0.034), (0.78, 0.05))
"""Along the vehicle from the tail, and across it, as shares of its length."""
_DARK: Final = "#20262B"

KEYS: Final = (
    ("Arrows", "on a photograph: move the vehicle or line by one pixel; with Shift by ten"),
    ("[, ]", "on a photograph: turn it by 0.1°, against the clock or with it; with Shift by 1°"),
    ("+, −", "on a photograph: make it longer or shorter"),
    ("Enter, Escape", "on a photograph: add the sighting, or give it up"),
    ("Drag", "on a photograph: an end moves that end, the middle moves the whole"),
)
"""Keys and pointer actions of this widget, for the key sheet."""


class PhotographCanvas(VideoCanvas):
    """Lays a vehicle or a line; `line_drawn` tells each move of the user's."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Photograph")
        self._is_vehicle = True
        self._behind: Line | None = None
        self._last: Point | None = None

    def lay(self, line: Line, *, is_vehicle: bool, behind: Line | None) -> None:
        """What is moved from now on, and the vehicle that stands still behind it; not a user's edit."""
        self._is_vehicle, self._behind = is_vehicle, behind
        self.set_line(line)
        self.set_drawing(True)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton or self._line is None or self._picture is None:
            event.ignore()
            return
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        at = event.position()
        tail, nose = map(self._on_screen, self._line)
        to_end = [math.hypot(end.x() - at.x(), end.y() - at.y()) for end in (tail, nose)]
        self._last = None
        if min(to_end) <= _REACH_PX:
            self._drag = to_end.index(min(to_end))
        elif _from_line(at, tail, nose) <= max(_REACH_PX, 0.05 * math.hypot(nose.x() - tail.x(), nose.y() - tail.y())):
            self._last = self._in_picture(at)
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._last is None:
            super().mouseMoveEvent(event)
            return
        point = self._in_picture(event.position())
        by, self._last = (point[0] - self._last[0], point[1] - self._last[1]), point
        self._shift(*by)
        event.accept()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._last = None
        super().mouseReleaseEvent(event)

    def key_action(self, event: Any) -> Callable[[], None] | None:
        modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        if not self._is_drawing or modifiers & ~Qt.KeyboardModifier.ShiftModifier:
            return None
        keys, key = Qt.Key, event.key()
        coarse = 10.0 if modifiers else 1.0
        arrows = {keys.Key_Left: (-1, 0), keys.Key_Right: (1, 0), keys.Key_Up: (0, -1), keys.Key_Down: (0, 1)}
        if key in arrows:
            return lambda: self._shift(coarse * arrows[key][0], coarse * arrows[key][1])
        turns = {keys.Key_BracketLeft: -0.1, keys.Key_BraceLeft: -0.1, keys.Key_BracketRight: 0.1, keys.Key_BraceRight: 0.1}
        if key in turns:  # braces: what Shift makes of a bracket on many keyboards
            return lambda: self._turn(coarse * turns[key])
        return super().key_action(event)

    def sizeHint(self) -> QSize:
        return QSize(640, 520)

    def _paint_line(self, painter: QPainter) -> None:
        if self._behind is not None:
            painter.setOpacity(0.45)
            self._paint_vehicle(painter, self._behind, has_handles=False)
            painter.setOpacity(1.0)
        if self._line is None:
            return
        if self._is_vehicle:
            self._paint_vehicle(painter, self._line, has_handles=True)
            return
        ends = list(map(self._on_screen, self._line))
        for colour, width in ((_DARK, 4.5), (palette.SKY, 2.2)):
            painter.setPen(QPen(QColor(colour), width, Qt.PenStyle.DashLine if width < 4.0 else Qt.PenStyle.SolidLine))
            painter.drawLine(*ends)
        self._paint_handles(painter, ends)

    def _paint_vehicle(self, painter: QPainter, line: Line, *, has_handles: bool) -> None:
        tail, nose = map(self._on_screen, line)
        along = nose - tail
        side = QPointF(-along.y(), along.x())
        outline = QPolygonF([tail + along * x + side * y for x, y in _OUTLINE])
        painter.setBrush(QColor(255, 255, 255, 40))
        for colour, width in ((_DARK, 4.0), (palette.ORANGE, 2.0)):
            painter.setPen(QPen(QColor(colour), width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin))
            painter.drawPolygon(outline)
            painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(palette.ORANGE), 1.0, Qt.PenStyle.DashLine))
        painter.drawLine(tail, nose)
        if has_handles:
            self._paint_handles(painter, [tail, nose])

    @staticmethod
    def _paint_handles(painter: QPainter, ends: list[QPointF]) -> None:
        painter.setPen(QPen(QColor(_DARK), 1.5))
        painter.setBrush(QColor("#FFFFFF"))
        for end in ends:
            painter.drawRect(QRectF(end.x() - 4.0, end.y() - 4.0, 8.0, 8.0))


def _from_line(at: QPointF, tail: QPointF, nose: QPointF) -> float:
    """Distance of a point from the piece of line between two others."""
    along, to = nose - tail, at - tail
    length = along.x() ** 2 + along.y() ** 2
    share = min(max((to.x() * along.x() + to.y() * along.y()) / length, 0.0), 1.0) if length > 0.0 else 0.0
    off = to - along * share
    return math.hypot(off.x(), off.y())
