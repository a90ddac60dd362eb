"""What stands still on the timeline: phases, height, events, gaps, gate and refusals, drawn once a change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPen, QPolygonF

from replay.desktop import style
from replay.desktop.time_axis import caption, name_phases, paint_ticks, shade_phases
from replay.desktop.time_scale import TimeScale
from replay.review.marks import Marks
from replay.review.pyramid import Pyramid
from replay.scene import palette

EVENT_ROWS: Final = 2
_MARGIN_PX: Final = 10.0
_STEM: Final = "#7A868E"


@dataclass(frozen=True)
class Rows:
    """Where the parts lie, logical pixels."""

    events: QRectF
    band: QRectF
    marks: QRectF
    ticks: QRectF

    @classmethod
    def of(cls, width: float, line_px: float) -> Rows:
        """Rows of a timeline of some width, for a line height of its font."""
        inner = width - 2.0 * _MARGIN_PX
        events = QRectF(_MARGIN_PX, 2.0, inner, EVENT_ROWS * line_px + 3.0)
        band = QRectF(_MARGIN_PX, events.bottom(), inner, 2.3 * line_px)
        marks = QRectF(_MARGIN_PX, band.bottom() + 1.0, inner, 10.0)
        ticks = QRectF(0.0, marks.bottom() + 1.0, width, line_px + 6.0)
        return cls(events, band, marks, ticks)

    @property
    def height(self) -> float:
        return self.ticks.bottom() + 1.0


@dataclass(frozen=True)
class EventPlace:
    """One event on screen: its stem and its label. A label without room is left out (width 0) and told by the tool tip."""

    name: str
    log_time_s: float
    x_px: float
    label: QRectF

    def is_hit(self, x_px: float, y_px: float, rows: Rows) -> bool:
        """The pointer is on the label, or on the stem."""
        on_stem = abs(x_px - self.x_px) <= 5.0 and y_px < rows.band.top() + 8.0
        return on_stem or self.label.adjusted(-4, 0, 2, 0).contains(x_px, y_px)


def place_events(events: Sequence[tuple[str, float]], scale: TimeScale, rows: Rows, metrics: QFontMetricsF) -> list[EventPlace]:
    """Labels beside their stems, each in the lowest row with room.

    From right to left, so that of two close events the earlier one stands higher and no stem runs through a label.
    """
    free = [1e9] * EVENT_ROWS
    row_px = (rows.events.height() - 3.0) / EVENT_ROWS
    places = []
    for name, log_time_s in sorted(events, key=lambda pair: -pair[1]):
        x = scale.x(log_time_s)
        width = metrics.horizontalAdvance(name) + 2.0
        left = x + 7.0 if x + 7.0 + width <= rows.events.right() + _MARGIN_PX else x - 7.0 - width
        row = next((i for i in range(EVENT_ROWS) if max(left + width, x + 5.0) < free[i]), None)
        if row is None:
            places.append(EventPlace(name, log_time_s, x, QRectF(x, rows.events.top(), 0.0, 0.0)))
            continue
        free[row] = min(left, x - 5.0) - 4.0
        top = rows.events.bottom() - 3.0 - (row + 1) * row_px
        places.append(EventPlace(name, log_time_s, x, QRectF(left, top, width, row_px)))
    return places[::-1]


def paint_still(painter: QPainter, marks: Marks, height: Pyramid | None, scale: TimeScale, rows: Rows) -> None:
    """Everything but events, span and cursor."""
    _paint_band(painter, marks, height, scale, rows.band)
    _paint_gate(painter, marks, scale, rows.marks)
    _paint_gaps(painter, marks, scale, rows)
    _paint_more(painter, marks, scale, rows.band)
    width = QFontMetricsF(painter.font()).horizontalAdvance(caption(marks))
    limit = rows.ticks.right() - width - 16.0
    paint_ticks(painter, scale, marks.zero_log_s, rows.ticks.top(), rows.ticks.height(), limit)
    painter.setPen(QColor(style.MUTED))
    field = QRectF(rows.ticks.right() - width - 12.0, rows.ticks.top() + 4.0, width + 4.0, rows.ticks.height())
    painter.drawText(field, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, caption(marks))


def _paint_band(painter: QPainter, marks: Marks, height: Pyramid | None, scale: TimeScale, band: QRectF) -> None:
    painter.fillRect(band, QColor(style.PAPER))
    shade_phases(painter, marks, scale, band)
    if height is not None:
        log_time_s, values = height.visible(scale.start_log_s, scale.stop_log_s, max(int(band.width()), 1))
        good = np.isfinite(values)
        top = float(values[good].max()) if good.any() else 0.0
        if top > 0.0:
            x = np.clip(scale.left_px + (log_time_s - scale.start_log_s) / scale.pixel_s, band.left(), band.right())
            y = band.bottom() - np.clip(np.where(good, values, 0.0) / top, 0.0, 1.0) * (band.height() - 5.0)
            outline = pg.functions.arrayToQPolygonF(
                np.concatenate((x[:1], x, x[-1:])), np.concatenate(([band.bottom()], y, [band.bottom()]))
            )
            fill = QColor(style.MUTED)
            fill.setAlpha(42)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(fill)
            painter.drawPolygon(outline)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
            painter.setBrush(Qt.BrushStyle.NoBrush)
    name_phases(painter, marks, scale, band)
    painter.setPen(QPen(QColor(style.LINE), 1.0))
    painter.drawRect(band)


def _paint_more(painter: QPainter, marks: Marks, scale: TimeScale, band: QRectF) -> None:
    """Where the log goes on beyond the bar: how much, at that end."""
    metrics = QFontMetricsF(painter.font())
    for hidden_s, is_left in ((scale.start_log_s - marks.start_log_s, True), (marks.stop_log_s - scale.stop_log_s, False)):
        if hidden_s < 0.05:
            continue
        text = f"◂ {hidden_s:.0f} s" if is_left else f"{hidden_s:.0f} s ▸"
        width = metrics.horizontalAdvance(text) + 8.0
        field = QRectF(band.left() if is_left else band.right() - width, band.top(), width, metrics.height() + 2.0)
        painter.fillRect(field, QColor(style.SHELF))
        painter.setPen(QColor(style.MUTED))
        painter.drawText(field, Qt.AlignmentFlag.AlignCenter, text)


def _clipped(scale: TimeScale, log_time_s: float) -> float:
    return min(max(scale.x(log_time_s), scale.left_px), scale.right_px)


def _paint_gate(painter: QPainter, marks: Marks, scale: TimeScale, row: QRectF) -> None:
    """Gate as a bar, refusals as ticks below it, a gap of pixels merged."""
    columns: list[list[float]] = []
    for start, stop in marks.gravity_used_log_s:
        if stop < scale.start_log_s or start > scale.stop_log_s:
            continue
        left, right = _clipped(scale, float(start)), _clipped(scale, float(stop))
        if columns and left - columns[-1][1] < 1.0:
            columns[-1][1] = right
        else:
            columns.append([left, right])
    for left, right in columns:
        painter.fillRect(QRectF(left, row.top() + 1.0, max(right - left, 1.0), 3.0), QColor(palette.GREEN))
    for x in {round(scale.x(r.log_time_s)) for r in marks.rejected if scale.start_log_s <= r.log_time_s <= scale.stop_log_s}:
        painter.fillRect(QRectF(x - 0.75, row.top() + 2.0, 1.5, 8.0), QColor(palette.VERMILLION))


def _paint_gaps(painter: QPainter, marks: Marks, scale: TimeScale, rows: Rows) -> None:
    """A gap is hatched over the band; one narrower than two pixels still gets two."""
    last = -1e9
    for gap in marks.gaps:
        left, right = _clipped(scale, gap.start_log_s), _clipped(scale, gap.stop_log_s)
        if right < last or gap.stop_log_s < scale.start_log_s or gap.start_log_s > scale.stop_log_s:
            continue
        field = QRectF(left, rows.band.top(), max(right - left, 2.0), rows.band.height())
        last = field.right()
        painter.fillRect(field, QColor(style.PAPER))
        painter.fillRect(field, QBrush(QColor(style.INK), Qt.BrushStyle.BDiagPattern))
        painter.setPen(QPen(QColor(style.INK), 1.0))
        painter.drawLine(field.topLeft(), field.bottomLeft())
        painter.drawLine(field.topRight(), field.bottomRight())


def paint_event(painter: QPainter, place: EventPlace, rows: Rows, *, is_chosen: bool, is_moved: bool) -> None:
    """Stem, diamond and name. A chosen one is filled with the accent; one moved by hand is filled dark."""
    colour = QColor(style.ACCENT if is_chosen else style.INK)
    painter.setPen(QPen(colour if is_chosen else QColor(_STEM), 1.0))
    top = place.label.center().y() if place.label.width() else rows.events.bottom() - 6.0
    painter.drawLine(QPointF(place.x_px, top + 4.0), QPointF(place.x_px, rows.band.bottom()))
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    painter.setPen(QPen(colour, 1.2))
    painter.setBrush(colour if is_chosen or is_moved else QColor(style.PAPER))
    r = 4.2
    x, y = place.x_px, top
    painter.drawPolygon(QPolygonF([QPointF(x - r, y), QPointF(x, y - r), QPointF(x + r, y), QPointF(x, y + r)]))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    if place.label.width():
        painter.setPen(colour)
        painter.drawText(place.label, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignHCenter, place.name)


def paint_bookmarks(painter: QPainter, bookmarks: Mapping[float, str], scale: TimeScale, rows: Rows) -> None:
    """A small ribbon in the marks row for each."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(palette.BLUE))
    for log_time_s in (t for t in bookmarks if scale.start_log_s <= t <= scale.stop_log_s):
        x, y = scale.x(log_time_s), rows.marks.top()
        painter.drawPolygon(
            QPolygonF([QPointF(x - 3, y), QPointF(x + 3, y), QPointF(x + 3, y + 10), QPointF(x, y + 7), QPointF(x - 3, y + 10)])
        )
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)


def tip(
    marks: Marks, bookmarks: Mapping[float, str], places: Sequence[EventPlace], scale: TimeScale, rows: Rows, x: float, y: float
) -> str:
    """What lies under the pointer, in words."""
    at = scale.time(x)
    zero = marks.zero_log_s
    near = 4.0 * scale.pixel_s
    lines = [f"{p.name} at {p.log_time_s - zero:.3f} s" for p in places if p.is_hit(x, y, rows)]
    lines += [
        f"gap of {g.stop_log_s - g.start_log_s:.3f} s in {g.channel}"
        for g in marks.gaps
        if g.start_log_s - near <= at <= g.stop_log_s + near
    ][:3]
    if rows.band.top() <= y < rows.marks.top() and _hidden_s(marks, scale, x) > 0.05:
        lines.append("the log goes on here: double click for all of it")
    if y >= rows.marks.top():
        lines += [f"bookmark {text}".strip() for t, text in bookmarks.items() if abs(t - at) <= near]
        refused = [r for r in marks.rejected if abs(r.log_time_s - at) <= near]
        lines += [f"{r.measurement} rejected at {r.log_time_s - zero:.3f} s ({r.sigmas:+.1f} σ)" for r in refused[:4]]
        lines += [f"and {len(refused) - 4} more rejected"] if len(refused) > 4 else []
        if any(start <= at <= stop for start, stop in marks.gravity_used_log_s):
            lines.append("gravity used here to correct the attitude")
    return "\n".join(lines)


def _hidden_s(marks: Marks, scale: TimeScale, x: float) -> float:
    """Seconds of log beyond the end of the bar that the pointer is at."""
    if x < scale.left_px + 60.0:
        return scale.start_log_s - marks.start_log_s
    return marks.stop_log_s - scale.stop_log_s if x > scale.right_px - 60.0 else 0.0
