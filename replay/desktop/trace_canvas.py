"""TraceCanvas: the surface one sees of a plot. The plot is drawn into a picture once a change; a cursor step copies two thin strips.

It lies over the plot's viewport, which never paints by itself, and takes all of the pointer's actions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import QPoint, QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QContextMenuEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QPixmap, QResizeEvent, QWheelEvent
from PySide6.QtWidgets import QWidget

from replay.desktop import style
from replay.desktop.still_picture import put_on
from replay.desktop.time_scale import TimeScale
from replay.scene import palette

_REACH_PX: Final = 6.0
"""How near the pointer must be to take hold of a line."""
_DOT_PX: Final = 3.0
_STRIP_PX: Final = 5


@dataclass(frozen=True)
class Dot:
    """Where a line is at the cursor."""

    y_px: float
    colour: str


class TraceCanvas(QWidget):
    """Picture of a plot with cursor, dots and the measured span on top.

    Parameters
    ----------
    render : callable (QPainter)
        Draws the plot, logical pixels of this widget.
    parent : QWidget
        The plot's viewport.
    """

    cursor_requested = Signal(float)
    """Double click, or the cursor dragged: log time."""
    zoom_requested = Signal(float, float)
    """Wheel: log time that stays where it is, and the factor on the window's width."""
    pan_requested = Signal(float)
    """Drag or sideways wheel: seconds to move the window by."""
    vertical_zoom_requested = Signal(float, float)
    """Control and wheel: pixel that stays where it is, factor."""
    span_dragged = Signal(float, float)
    """A handle of the measured span was moved: both log times."""
    span_released = Signal()
    """The handle was let go: ends one edit."""
    window_requested = Signal(float, float)
    """Shift and drag: new window."""
    menu_requested = Signal(QPoint)
    pressed = Signal()

    def __init__(self, render: Callable[[QPainter], None], parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMouseTracking(True)
        self._render = render
        self._picture: QPixmap | None = None
        self.scale = TimeScale(0.0, 1.0, 0.0, 1.0)
        self.plot_rect = QRectF()
        self.cursor_log_s: float | None = None
        self.span_log_s: tuple[float, float] | None = None
        self.dots: tuple[Dot, ...] = ()
        self._drag: str = ""
        self._from_px = 0.0
        self._box: tuple[float, float] | None = None

    def invalidate(self) -> None:
        """The plot has changed: draw it anew when next shown."""
        self._picture = None
        self.update()

    def clear(self) -> None:
        """Neither plot nor cursor."""
        self.cursor_log_s, self.dots = None, ()
        self.invalidate()

    def set_geometry_of_plot(self, scale: TimeScale, plot_rect: QRectF) -> None:
        """Where the window of time and the plot's inside lie, logical pixels."""
        self.scale, self.plot_rect = scale, plot_rect
        self.invalidate()

    def move_cursor(self, log_time_s: float, dots: tuple[Dot, ...]) -> None:
        """Repaint the strips of the old and the new place only."""
        for at in (self.cursor_log_s, log_time_s):
            if at is not None:
                self.update(self._strip(self.scale.x(at)))
        self.cursor_log_s, self.dots = log_time_s, dots

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """Show the measured span, or none."""
        if span_log_s != self.span_log_s:
            self.span_log_s = span_log_s
            self.update()

    def _strip(self, x_px: float) -> QRect:
        if not (-1e6 < x_px < 1e6):
            return QRect()
        return QRect(int(x_px) - _STRIP_PX, 0, 2 * _STRIP_PX + 2, self.height())

    def paintEvent(self, event: QPaintEvent) -> None:
        ratio = self.devicePixelRatioF()
        if self._picture is None or self._picture.devicePixelRatioF() != ratio:
            self._picture = self._drawn(ratio)
        painter = QPainter(self)
        put_on(painter, event, self._picture)
        painter.setClipRect(self.plot_rect.adjusted(0, 0, 1, 0))
        self._paint_span(painter)
        self._paint_cursor(painter)
        if self._box is not None:
            left, right = sorted(self._box)
            box = QRectF(left, self.plot_rect.top(), right - left, self.plot_rect.height() - 1)
            painter.setPen(QPen(QColor(style.INK), 1.0, Qt.PenStyle.DashLine))
            painter.drawRect(box)
        painter.end()

    def _drawn(self, ratio: float) -> QPixmap:
        picture = QPixmap(max(1, round(self.width() * ratio)), max(1, round(self.height() * ratio)))
        picture.setDevicePixelRatio(ratio)
        picture.fill(QColor(style.PAPER))
        painter = QPainter(picture)
        self._render(painter)
        painter.end()
        return picture

    def _paint_cursor(self, painter: QPainter) -> None:
        if self.cursor_log_s is None:
            return
        x = self.scale.x(self.cursor_log_s)
        if not (self.plot_rect.left() - _STRIP_PX <= x <= self.plot_rect.right() + _STRIP_PX):
            return
        painter.setPen(QPen(QColor(style.INK), 1.0))
        painter.drawLine(QPointF(x, self.plot_rect.top()), QPointF(x, self.plot_rect.bottom()))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        for dot in self.dots:
            painter.setPen(QPen(QColor(style.PAPER), 1.0))
            painter.setBrush(QColor(dot.colour))
            painter.drawEllipse(QPointF(x, dot.y_px), _DOT_PX, _DOT_PX)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)

    def _paint_span(self, painter: QPainter) -> None:
        if self.span_log_s is None:
            return
        left, right = (min(max(self.scale.x(t), -10.0), self.width() + 10.0) for t in self.span_log_s)
        tint = QColor(palette.SKY)
        tint.setAlpha(40)
        painter.fillRect(QRectF(left, self.plot_rect.top(), right - left, self.plot_rect.height()), tint)
        painter.setPen(QPen(QColor(palette.BLUE), 1.0, Qt.PenStyle.DashLine))
        for x in (left, right):
            painter.drawLine(QPointF(x, self.plot_rect.top()), QPointF(x, self.plot_rect.bottom()))
            painter.fillRect(QRectF(x - 3, self.plot_rect.center().y() - 8, 6, 16), QColor(palette.BLUE))

    def _under(self, x_px: float) -> str:
        """What a press at this place takes hold of."""
        if self.span_log_s is not None:
            for i, name in enumerate(("first", "last")):
                if abs(self.scale.x(self.span_log_s[i]) - x_px) <= _REACH_PX:
                    return name
        if self.cursor_log_s is not None and abs(self.scale.x(self.cursor_log_s) - x_px) <= _REACH_PX:
            return "cursor"
        return ""

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton:
            event.ignore()
            return
        self.pressed.emit()
        x = event.position().x()
        self._from_px = x
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self._drag, self._box = "box", (x, x)
        else:
            self._drag = self._under(x) or "pan"
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        if not self._drag:
            self.setCursor(Qt.CursorShape.SizeHorCursor if self._under(x) else Qt.CursorShape.ArrowCursor)
        elif self._drag == "pan":
            self.setCursor(Qt.CursorShape.ClosedHandCursor)
            self.pan_requested.emit((self._from_px - x) * self.scale.pixel_s)
            self._from_px = x
        elif self._drag == "cursor":
            self.cursor_requested.emit(self.scale.time(x))
        elif self._drag == "box":
            self._box = (self._from_px, x)
            self.update()
        else:
            self._drag_handle(self.scale.time(x))
        event.accept()

    def _drag_handle(self, log_time_s: float) -> None:
        """Move one end; dragged past the other, it becomes the other."""
        assert self.span_log_s is not None
        first, last = self.span_log_s
        ends = (log_time_s, last) if self._drag == "first" else (first, log_time_s)
        if ends[0] > ends[1]:
            self._drag = "last" if self._drag == "first" else "first"
        self.span_dragged.emit(*sorted(ends))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._drag == "box" and self._box is not None:
            left, right = sorted(self._box)
            self._box = None
            self.update()
            if right - left >= 4.0:
                self.window_requested.emit(self.scale.time(left), self.scale.time(right))
        if self._drag in ("first", "last"):
            self.span_released.emit()
        self._drag = ""
        self.setCursor(Qt.CursorShape.ArrowCursor)
        event.accept()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton and self.plot_rect.contains(event.position()):
            self._drag = "cursor"
            self.cursor_requested.emit(self.scale.time(event.position().x()))
        event.accept()

    def wheelEvent(self, event: QWheelEvent) -> None:
        turn = event.angleDelta()
        notches = (turn.y() or turn.x()) / 120.0
        modifiers = event.modifiers()
        if modifiers & Qt.KeyboardModifier.ControlModifier:
            self.vertical_zoom_requested.emit(event.position().y(), 0.85**notches)
        elif modifiers & Qt.KeyboardModifier.ShiftModifier or not turn.y():
            self.pan_requested.emit(-0.1 * notches * (self.scale.stop_log_s - self.scale.start_log_s))
        else:
            self.zoom_requested.emit(self.scale.time(event.position().x()), 0.8**notches)
        event.accept()

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        self.menu_requested.emit(event.globalPos())

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._picture = None
        super().resizeEvent(event)
