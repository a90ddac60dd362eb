"""Timeline: the whole flight along one bar, to scrub in, with phases, events, gaps and the span to loop."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFontMetricsF,
    QHelpEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPolygonF,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from replay.desktop import style
from replay.desktop.own_keys import OwnKeys
from replay.desktop.still_picture import put_on
from replay.desktop.time_scale import TimeScale
from replay.desktop.timeline_paint import EventPlace, Rows, paint_bookmarks, paint_event, paint_still, place_events, tip
from replay.review.marks import room_of_event
from replay.review.pyramid import Pyramid
from replay.review.series import Series, of_snapshot
from replay.review.snapshot import Snapshot
from replay.scene import palette

_STRIP_PX: Final = 8
_REACH_PX: Final = 6.0
_DRAG_FROM_PX: Final = 3.0
_COARSE_S: Final = 0.1

KEYS: Final = (
    ("E, Shift+E", "on the timeline: choose the next or previous event"),
    ("Alt+Left, Alt+Right", "on the timeline: move the chosen event by one sample; with Shift by 0.1 s"),
    ("0", "on the timeline: the whole log, or the flight"),
    ("Drag", "on the timeline: scrub; on an event move it; with Shift choose the span to loop"),
)
"""Keys and pointer actions of this widget, for the key sheet. They count only while it has the focus."""


class Timeline(OwnKeys, QWidget):
    """A view: `show_snapshot` draws a result, `move_cursor` moves the line."""

    cursor_requested = Signal(float)
    """Log time the user scrubs to."""
    event_moved = Signal(str, float)
    """The user put an event elsewhere: its name and new log time. Once, when the event is let go."""
    span_changed = Signal(object)
    """The user changed the span to loop: (start, stop) on the log's clock, or None."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Timeline")
        self.setAccessibleDescription("The whole flight along one bar. Drag to scrub; E chooses an event, Alt and arrow keys move it.")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMouseTracking(True)
        self.setFont(style.small(self, 0.96))
        self._series: Series | None = None
        self._height: Pyramid | None = None
        self._scale = TimeScale(0.0, 1.0, 0.0, 1.0)
        self._rows = Rows.of(100.0, 14.0)
        self._places: list[EventPlace] = []
        self._bookmarks: dict[float, str] = {}
        self._moved: frozenset[str] = frozenset()
        self._picture: QPixmap | None = None
        self._cursor_log_s: float | None = None
        self._span: tuple[float, float] | None = None
        self._chosen: str | None = None
        self._is_whole = False
        self._drag = ""
        self._drag_from = 0.0
        self._dragged_log_s: float | None = None
        self._lay_out()

    # what is drawn

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result."""
        self._series = of_snapshot(snapshot)
        if self._drag != "event":
            self._dragged_log_s = None
        line = next((line for line in self._series.lines("height") if line.variant == "as_flown"), None)
        self._height = line.pyramid if line else None
        if self._chosen not in self.event_names():
            self._chosen = None
        self._lay_out()

    def forget_flight(self) -> None:
        """An empty bar."""
        self._series = self._height = self._chosen = self._dragged_log_s = None
        self._places = []
        self._drag = ""
        self._lay_out()

    def move_cursor(self, log_time_s: float) -> None:
        """Repaint the strips of the old and the new place only."""
        for at in (self._cursor_log_s, log_time_s):
            if at is not None:
                x_px = min(max(self._scale.x(at), self._rows.band.left()), self._rows.band.right())
                self.update(QRect(int(x_px) - _STRIP_PX, 0, 2 * _STRIP_PX + 2, self.height()))
        self._cursor_log_s = log_time_s

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """Show the span to loop, or none. Not a user's edit."""
        self._span = None if span_log_s is None else (min(span_log_s), max(span_log_s))
        self.update()

    @property
    def span_log_s(self) -> tuple[float, float] | None:
        """The span to loop."""
        return self._span

    def show_whole(self, is_whole: bool) -> None:
        """The whole log along the bar, or the flight with some pad and rest around it."""
        self._is_whole = is_whole
        self._lay_out()

    @property
    def window_log_s(self) -> tuple[float, float]:
        """Log times at the bar's two ends."""
        return self._scale.start_log_s, self._scale.stop_log_s

    def set_bookmarks(self, bookmarks: Mapping[float, str]) -> None:
        """Show moments worth coming back to: log time -> text."""
        self._bookmarks = dict(bookmarks)
        self._invalidate()

    def set_moved_events(self, names: Iterable[str]) -> None:
        """Which events were put where they are by hand."""
        self._moved = frozenset(names)
        self._invalidate()

    def event_names(self) -> tuple[str, ...]:
        """Events on the timeline in order of time."""
        return tuple(name for name, _ in self._series.marks.events) if self._series else ()

    def event_x_px(self, name: str) -> float:
        """Where an event's stem stands."""
        return next(place.x_px for place in self._places if place.name == name)

    def x_px(self, log_time_s: float) -> float:
        """Pixel of a time."""
        return self._scale.x(log_time_s)

    def _lay_out(self) -> None:
        metrics = QFontMetricsF(self.font())
        self._rows = Rows.of(float(self.width()), metrics.height())
        if self.minimumHeight() != round(self._rows.height):
            self.setFixedHeight(round(self._rows.height))
        if self._series is not None:
            marks = self._series.marks
            start, stop = (marks.start_log_s, marks.stop_log_s) if self._is_whole else marks.flight_log_s
            self._scale = TimeScale(start, max(stop, start + 1e-6), self._rows.band.left(), self._rows.band.right())
            events = [
                (n, self._dragged_log_s) if n == self._chosen and self._dragged_log_s is not None else (n, t) for n, t in marks.events
            ]
            self._places = place_events(events, self._scale, self._rows, metrics)
        self._invalidate()

    def _invalidate(self) -> None:
        self._picture = None
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(600, round(self._rows.height))

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._lay_out()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        ratio = self.devicePixelRatioF()
        if self._picture is None or self._picture.devicePixelRatioF() != ratio:
            self._picture = self._drawn(ratio)
        painter = QPainter(self)
        put_on(painter, event, self._picture)
        self._paint_span(painter)
        self._paint_cursor(painter)
        if self.hasFocus():
            painter.setPen(QPen(QColor(style.ACCENT), 1.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(0.5, 0.5, -1.0, -1.0))
        painter.end()

    def _drawn(self, ratio: float) -> QPixmap:
        picture = QPixmap(max(1, round(self.width() * ratio)), max(1, round(self.height() * ratio)))
        picture.setDevicePixelRatio(ratio)
        picture.fill(QColor(style.SHELF))
        if self._series is None:
            return picture
        painter = QPainter(picture)
        painter.setFont(self.font())
        paint_still(painter, self._series.marks, self._height, self._scale, self._rows)
        paint_bookmarks(painter, self._bookmarks, self._scale, self._rows)
        for place in self._places:
            paint_event(painter, place, self._rows, is_chosen=place.name == self._chosen, is_moved=place.name in self._moved)
        painter.end()
        return picture

    def _paint_span(self, painter: QPainter) -> None:
        if self._span is None:
            return
        band = self._rows.band
        left, right = (min(max(self._scale.x(t), band.left() - 9.0), band.right() + 9.0) for t in self._span)
        tint = QColor(palette.SKY)
        tint.setAlpha(70)
        painter.setClipRect(band.adjusted(-1.0, -1.0, 2.0, 2.0))
        painter.fillRect(QRectF(left, band.top(), right - left, band.height()), tint)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        painter.setPen(QPen(QColor(palette.BLUE), 2.0))
        for x, inward in ((left, 1.0), (right, -1.0)):
            corners = [
                QPointF(x + 5 * inward, band.top()),
                QPointF(x, band.top()),
                QPointF(x, band.bottom()),
                QPointF(x + 5 * inward, band.bottom()),
            ]
            painter.drawPolyline(QPolygonF(corners))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        painter.setClipping(False)

    def _paint_cursor(self, painter: QPainter) -> None:
        if self._cursor_log_s is None or self._series is None:
            return
        band = self._rows.band
        x = min(max(self._scale.x(self._cursor_log_s), band.left()), band.right())
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        painter.setPen(QPen(QColor(style.INK), 1.6))
        painter.drawLine(QPointF(x, band.top()), QPointF(x, self._rows.ticks.top() + 2.0))
        painter.setBrush(QColor(style.INK))
        painter.setPen(Qt.PenStyle.NoPen)
        foot = self._rows.ticks.top() + 2.0
        painter.drawPolygon(QPolygonF([QPointF(x, foot - 7.0), QPointF(x - 5.0, foot + 1.0), QPointF(x + 5.0, foot + 1.0)]))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton and not self._under(event.position().x(), event.position().y()):
            self.show_whole(not self._is_whole)
        event.accept()

    # events by hand

    @property
    def chosen_event(self) -> str | None:
        """The event that keys move."""
        return self._chosen

    def choose_event(self, name: str | None) -> None:
        """Choose the event that keys move, or none."""
        self._chosen = name if name in self.event_names() else None
        self._dragged_log_s = None
        self._lay_out()

    def choose_next_event(self, direction: int = 1) -> None:
        """Choose the next (+1) or previous (-1) event, round the end."""
        names = self.event_names()
        if names:
            i = names.index(self._chosen) + direction if self._chosen in names else (0 if direction > 0 else -1)
            self.choose_event(names[i % len(names)])

    def nudge_event(self, by_s: float) -> None:
        """Move the chosen event as a user's edit."""
        if self._chosen is not None and self._series is not None:
            at = dict(self._series.marks.events)[self._chosen]
            self.event_moved.emit(self._chosen, self._within_room(at + by_s))

    def _within_room(self, log_time_s: float) -> float:
        """The nearest time at which the chosen event still comes in its order."""
        low, high = room_of_event(self._series.marks, self._chosen, self._sample_s())
        return float(min(max(log_time_s, low), high))

    def _sample_s(self) -> float:
        return self._height.step_s if self._height is not None and np.isfinite(self._height.step_s) else 0.01

    # pointer

    def _under(self, x: float, y: float) -> str:
        """ "event:name", "first", "last" or "" for the bar itself."""
        for place in self._places:
            if place.is_hit(x, y, self._rows):
                return f"event:{place.name}"
        if self._span is not None and self._rows.band.top() <= y <= self._rows.band.bottom():
            ends = [(abs(self._scale.x(t) - x), name) for t, name in zip(self._span, ("first", "last"), strict=True)]
            if min(ends)[0] <= _REACH_PX:
                return min(ends)[1]
        return ""

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton or self._series is None:
            event.ignore()
            return
        x, y = event.position().x(), event.position().y()
        self._drag_from = x
        hit = self._under(x, y)
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier and not hit.startswith("event:"):
            self._drag = "span"
        elif hit.startswith("event:"):
            self._drag = "press"
            self.choose_event(hit.removeprefix("event:"))
        elif hit:
            self._drag = hit
        else:
            self._drag = "scrub"
            self.cursor_requested.emit(self._scale.clamped(x))
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        at = self._scale.clamped(x)
        if not self._drag:
            hit = self._under(x, event.position().y())
            self.setCursor(Qt.CursorShape.SizeHorCursor if hit else Qt.CursorShape.ArrowCursor)
        elif self._drag == "scrub":
            self.cursor_requested.emit(at)
        elif self._drag in ("press", "event"):
            if self._drag == "event" or abs(x - self._drag_from) > _DRAG_FROM_PX:
                self._drag, self._dragged_log_s = "event", self._within_room(at)
                self._lay_out()
                where = f"{self._chosen} at {self._dragged_log_s - self._series.marks.zero_log_s:.3f} s"
                self._say(event, where if self._dragged_log_s == at else f"{where}: as far as the events beside it leave room")
        elif self._drag == "span":
            if abs(x - self._drag_from) > _DRAG_FROM_PX:
                self._edit_span(self._scale.clamped(self._drag_from), at)
        elif self._span is not None:
            first, last = self._span
            ends = (at, last) if self._drag == "first" else (first, at)
            if ends[0] > ends[1]:
                self._drag = "last" if self._drag == "first" else "first"
            self._edit_span(*ends)
        event.accept()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        drag, self._drag = self._drag, ""
        if drag == "event" and self._dragged_log_s is not None and self._chosen is not None:
            self.event_moved.emit(self._chosen, self._dragged_log_s)  # stays where it was put until the result arrives
        elif drag == "press" and self._chosen is not None and self._series is not None:
            self.cursor_requested.emit(dict(self._series.marks.events)[self._chosen])
        event.accept()

    def _edit_span(self, start_log_s: float, stop_log_s: float) -> None:
        self.set_span((start_log_s, stop_log_s))
        self.span_changed.emit(self._span)

    def _say(self, event: QMouseEvent, text: str) -> None:
        QToolTip.showText(event.globalPosition().toPoint(), text, self)

    # keys and tips

    def event(self, event: QEvent) -> bool:
        """Tool tips."""
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent) and self._series is not None:
            x, y = event.pos().x(), event.pos().y()
            text = tip(self._series.marks, self._bookmarks, self._places, self._scale, self._rows, x, y)
            QToolTip.showText(event.globalPos(), text, self)
            return True
        return super().event(event)

    def key_action(self, event: Any) -> Callable[[], None] | None:
        """Events and the bar's own zoom; plain arrows are left to the window."""
        key, modifiers = Qt.Key(event.key()), event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier
        has_shift = bool(modifiers & Qt.KeyboardModifier.ShiftModifier)
        others = modifiers & ~Qt.KeyboardModifier.ShiftModifier
        if key == Qt.Key.Key_E and not others:
            return lambda: self.choose_next_event(-1 if has_shift else 1)
        if key == Qt.Key.Key_0 and not modifiers:
            return lambda: self.show_whole(not self._is_whole)
        if key == Qt.Key.Key_Escape and not modifiers and self._chosen is not None:
            return lambda: self.choose_event(None)
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right) and others == Qt.KeyboardModifier.AltModifier and self._chosen is not None:
            step = _COARSE_S if has_shift else self._sample_s()
            return lambda: self.nudge_event(step if key == Qt.Key.Key_Right else -step)
        return None

    def focusInEvent(self, event: Any) -> None:
        self.update()
        super().focusInEvent(event)

    def focusOutEvent(self, event: Any) -> None:
        self.update()
        super().focusOutEvent(event)
