"""Video canvas: one frame as large as it fits, numbers over it, and a line the user lays along the vehicle."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from replay.desktop import style
from replay.desktop.own_keys import OwnKeys
from replay.scene import palette
from replay.units import DEG

Point = tuple[float, float]
Line = tuple[Point, Point]
"""(tail, nose) in pixels of the whole picture, from its upper left corner."""

_GROUND: Final = "#20262B"
_PLATE: Final = QColor(255, 255, 255, 215)
_REACH_PX: Final = 12.0
_FIRST_LENGTH: Final = 0.5
_TURN_DEG, _COARSE_TURN_DEG = 0.1, 1.0
_STRETCH: Final = 1.1

KEYS: Final = (
    ("Left, Right", "on the launch video, while drawing along the vehicle: turn the line by 0.1°; with Shift by 1°"),
    ("Alt and arrows", "on the launch video, while drawing: move the line by one pixel; with Shift by ten"),
    ("+, −", "on the launch video, while drawing: make the line longer or shorter"),
    ("Enter, Escape", "on the launch video, while drawing: take the line as a sighting, or give it up"),
    ("Drag", "on the launch video, while drawing: a line from the tail to the nose; its ends can be moved"),
)
"""Keys and pointer actions of this widget, for the key sheet."""


class VideoCanvas(OwnKeys, QWidget):
    """Draws what it is given. Coordinates of the line are those of the whole picture, so resizing changes nothing.

    Signals
    -------
    resized()
        A picture of another size is wanted.
    line_drawn(object)
        The user laid or moved the line (`Line`).
    line_taken(), line_given_up()
        The user is content with it, or does not want one.
    """

    resized = Signal()
    line_drawn = Signal(object)
    line_taken = Signal()
    line_given_up = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Launch video")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(160, 90)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._picture: QImage | None = None
        self._size_px: tuple[int, int] = (16, 9)
        self._numbers: tuple[str, ...] = ()
        self._corner = ""
        self._message = ""
        self._is_drawing = False
        self._line: Line | None = None
        self._drag: int | None = None

    # --- what is shown --------------------------------------------------------------------------------------------------------

    def show_picture(self, picture: QImage | None, size_px: tuple[int, int]) -> None:
        """A frame, and the size of the whole picture it was made from."""
        self._picture, self._size_px = picture, size_px
        self.update()

    def show_texts(self, numbers: tuple[str, ...], corner: str, message: str) -> None:
        """Numbers at the lower left, what frame this is at the upper right, and what is said in the middle instead of a picture."""
        if (numbers, corner, message) != (self._numbers, self._corner, self._message):
            self._numbers, self._corner, self._message = numbers, corner, message
            self.setAccessibleDescription("; ".join(text for text in (message, corner, *numbers) if text))
            self.update()

    @property
    def texts(self) -> tuple[str, ...]:
        """All that stands over the picture."""
        return tuple(text for text in (self._message, self._corner, *self._numbers) if text)

    @property
    def wanted_px(self) -> tuple[int, int]:
        """How large a picture can be shown, in pixels of the screen."""
        ratio = self.devicePixelRatioF()
        return max(1, round(self.width() * ratio)), max(1, round(self.height() * ratio))

    # --- the line -------------------------------------------------------------------------------------------------------------

    @property
    def line(self) -> Line | None:
        return self._line

    def set_line(self, line: Line | None) -> None:
        """Show a line, or none; not a user's edit."""
        self._line = line
        self.update()

    def set_drawing(self, is_on: bool) -> None:
        """Whether the pointer and the keys draw. A first line stands upright in the middle, so that keys alone will do."""
        self._is_drawing = is_on
        self._drag = None
        self.setCursor(Qt.CursorShape.CrossCursor if is_on else Qt.CursorShape.ArrowCursor)
        if is_on:
            self.setFocus(Qt.FocusReason.OtherFocusReason)
            if self._line is None:
                wide, high = self._size_px
                half = 0.5 * _FIRST_LENGTH * high
                self._edit(((0.5 * wide, 0.5 * high + half), (0.5 * wide, 0.5 * high - half)))
        self.update()

    def _edit(self, line: Line) -> None:
        self._line = line
        self.line_drawn.emit(line)
        self.update()

    def _turn(self, by_deg: float) -> None:
        """About its middle, clockwise."""
        if self._line is None:
            return
        (x0, y0), (x1, y1) = self._line
        middle_x, middle_y, half_x, half_y = 0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.5 * (x1 - x0), 0.5 * (y1 - y0)
        c, s = math.cos(by_deg * DEG), math.sin(by_deg * DEG)
        dx, dy = c * half_x - s * half_y, s * half_x + c * half_y
        self._edit(((middle_x - dx, middle_y - dy), (middle_x + dx, middle_y + dy)))

    def _stretch(self, by: float) -> None:
        if self._line is None:
            return
        (x0, y0), (x1, y1) = self._line
        x, y, dx, dy = 0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.5 * by * (x1 - x0), 0.5 * by * (y1 - y0)
        self._edit(((x - dx, y - dy), (x + dx, y + dy)))

    def _shift(self, x: float, y: float) -> None:
        if self._line is not None:
            tail, nose = self._line
            self._edit(((tail[0] + x, tail[1] + y), (nose[0] + x, nose[1] + y)))

    # --- pointer and keys -----------------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if not self._is_drawing or event.button() != Qt.MouseButton.LeftButton or self._picture is None:
            event.ignore()
            return
        at = event.position()
        ends = [self._on_screen(point) for point in self._line] if self._line else []
        near = [i for i, end in enumerate(ends) if math.hypot(end.x() - at.x(), end.y() - at.y()) <= _REACH_PX]
        if near:
            self._drag = near[-1]
        else:
            self._drag = 1
            self._line = (self._in_picture(at), self._in_picture(at))
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._drag is None or self._line is None:
            event.ignore()
            return
        point = self._in_picture(event.position())
        self._edit((point, self._line[1]) if self._drag == 0 else (self._line[0], point))
        event.accept()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._drag = None
        event.accept()

    def key_action(self, event: Any) -> Callable[[], None] | None:
        """While drawing: turn, stretch, move, take or give up the line."""
        if not self._is_drawing:
            return None
        modifiers = event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        has_shift = bool(modifiers & Qt.KeyboardModifier.ShiftModifier)
        others = modifiers & ~Qt.KeyboardModifier.ShiftModifier
        keys = Qt.Key
        arrows = {keys.Key_Left: (-1, 0), keys.Key_Right: (1, 0), keys.Key_Up: (0, -1), keys.Key_Down: (0, 1)}
        key = event.key()
        if key in arrows and others == Qt.KeyboardModifier.AltModifier:
            step = 10.0 if has_shift else 1.0
            return lambda: self._shift(step * arrows[key][0], step * arrows[key][1])
        if others:
            return None
        if key in (keys.Key_Left, keys.Key_Right):
            turn = _COARSE_TURN_DEG if has_shift else _TURN_DEG
            return lambda: self._turn(turn * arrows[key][0])
        if key in (keys.Key_Plus, keys.Key_Equal, keys.Key_Minus):
            return lambda: self._stretch(1.0 / _STRETCH if key == keys.Key_Minus else _STRETCH)
        if key in (keys.Key_Return, keys.Key_Enter):
            return self.line_taken.emit
        if key == keys.Key_Escape:
            return self.line_given_up.emit
        return None

    # --- painting -------------------------------------------------------------------------------------------------------------

    def sizeHint(self) -> QSize:
        return QSize(480, 270)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.resized.emit()

    @property
    def picture_rect(self) -> QRectF:
        """Where the picture stands."""
        wide, high = self._size_px
        scale = min(self.width() / wide, self.height() / high)
        return QRectF(0.5 * (self.width() - scale * wide), 0.5 * (self.height() - scale * high), scale * wide, scale * high)

    def _on_screen(self, point: Point) -> QPointF:
        rect = self.picture_rect
        return QPointF(rect.x() + point[0] * rect.width() / self._size_px[0], rect.y() + point[1] * rect.height() / self._size_px[1])

    def _in_picture(self, at: QPointF) -> Point:
        rect = self.picture_rect
        return (at.x() - rect.x()) * self._size_px[0] / rect.width(), (at.y() - rect.y()) * self._size_px[1] / rect.height()

    def paintEvent(self, _: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(_GROUND))
        if self._picture is not None and not self._message:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            painter.drawImage(self.picture_rect, self._picture)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        if self._message:
            painter.setFont(style.small(self, 1.05))
            painter.setPen(QColor("#E8ECEF"))
            around = self.rect().adjusted(16, 8, -16, -8)
            painter.drawText(around, Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap, self._message)
        if self._line is not None and self._is_drawing and not self._message:
            self._paint_line(painter)
        painter.setFont(style.figures(self, 1.0))
        self._paint_plate(painter, self._numbers, is_right=False)
        self._paint_plate(painter, (self._corner,) if self._corner else (), is_right=True)
        if self.hasFocus():
            painter.setPen(QPen(QColor(palette.SKY), 2.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(1.0, 1.0, -1.0, -1.0))
        painter.end()

    def _paint_plate(self, painter: QPainter, texts: tuple[str, ...], *, is_right: bool) -> None:
        """Dark on a light plate: readable over sky, smoke and grass alike. As many as fit stand in a row, the others above."""
        if not texts:
            return
        metrics = painter.fontMetrics()
        gap, pad, high = 14, 6, metrics.height()
        rows: list[list[str]] = [[]]
        room = self.width() - 2 * (pad + 6)
        for text in texts:
            wide = sum(metrics.horizontalAdvance(each) + gap for each in (*rows[-1], text)) - gap
            if rows[-1] and wide > room:
                rows.append([])
            rows[-1].append(text)
        width = max(sum(metrics.horizontalAdvance(each) + gap for each in row) - gap for row in rows) + 2 * pad
        height = len(rows) * high + pad
        x = self.width() - width - 6 if is_right else 6
        y = 6 if is_right else self.height() - height - 6
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(_PLATE)
        painter.drawRoundedRect(QRectF(x, y, width, height), 3.0, 3.0)
        painter.setPen(QColor(style.INK))
        for i, row in enumerate(rows):
            at = float(x + pad)
            for text in row:
                painter.drawText(QPointF(at, y + pad / 2 + i * high + metrics.ascent()), text)
                at += metrics.horizontalAdvance(text) + gap

    def _paint_line(self, painter: QPainter) -> None:
        """A light line in a dark one, round at the tail, pointed at the nose; and a dotted plumb line through the tail."""
        assert self._line is not None
        tail, nose = (self._on_screen(point) for point in self._line)
        length = math.hypot(nose.x() - tail.x(), nose.y() - tail.y())
        painter.setPen(QPen(QColor("#FFFFFF"), 1.2, Qt.PenStyle.DotLine))
        painter.drawLine(tail, QPointF(tail.x(), tail.y() - length))
        ahead = QPointF((nose.x() - tail.x()) / length, (nose.y() - tail.y()) / length) if length > 0.0 else QPointF(0.0, -1.0)
        side = QPointF(-ahead.y(), ahead.x())
        for colour, width in ((_GROUND, 4.5), (palette.ORANGE, 2.2)):
            pen = QPen(QColor(colour), width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin)
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawLine(tail, nose)
            painter.drawEllipse(tail, 5.0, 5.0)
            painter.drawPolyline(QPolygonF([nose - ahead * 12 + side * 6, nose, nose - ahead * 12 - side * 6]))

    def focusInEvent(self, event: Any) -> None:
        super().focusInEvent(event)
        self.update()

    def focusOutEvent(self, event: Any) -> None:
        super().focusOutEvent(event)
        self.update()
