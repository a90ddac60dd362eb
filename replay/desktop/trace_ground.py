"""What lies behind the lines of a pane: phases, grid, gate, refusals, and the value axis. Painted straight, for a grid of plot items
would cost more than the data."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen

from replay.desktop import style
from replay.desktop.time_scale import TimeScale, decimals, number, ticks
from replay.review.marks import Marks
from replay.scene import palette

_GRID: Final = "#DCE1E5"


def paint_ground(painter: QPainter, inside: QRectF, scale: TimeScale, marks: Marks, values: tuple[float, float], font: QFont) -> None:
    """Everything behind the lines.

    Parameters
    ----------
    inside : QRectF
        The plot's inside, logical pixels.
    scale : TimeScale
        Log time over that width.
    values : tuple (low, high)
        Over that height.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    for phase in marks.phases:
        left, right = _clipped(scale, phase.start_log_s), _clipped(scale, phase.stop_log_s)
        if right > left:
            painter.fillRect(QRectF(left, inside.top(), right - left, inside.height()), QColor(palette.PHASE_SHADES[phase.name]))
    zero = marks.zero_log_s
    _, times = ticks(scale.start_log_s - zero, scale.stop_log_s - zero, 90.0 * scale.pixel_s)
    lines = [QLineF(x, inside.top(), x, inside.bottom()) for x in (scale.x(t + zero) for t in times)]
    painter.setFont(font)
    line_px = QFontMetricsF(font).height()
    low, high = values
    step, levels = value_ticks(low, high, inside.height(), line_px)
    places = [(level, inside.bottom() - (level - low) / (high - low) * inside.height()) for level in levels]
    lines += [QLineF(inside.left(), y, inside.right(), y) for _, y in places]
    painter.setPen(QPen(QColor(_GRID), 1.0))
    painter.drawLines(lines)
    painter.setPen(QColor(style.INK))
    for level, y in places:
        field = QRectF(0.0, y - line_px / 2.0, inside.left() - 5.0, line_px)
        painter.drawText(field, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, number(level, decimals(step)))
    painter.setPen(QPen(QColor(style.LINE), 1.0))
    painter.drawLine(QPointF(inside.left(), inside.top()), QPointF(inside.left(), inside.bottom()))
    _paint_marks(painter, inside, scale, marks)
    painter.restore()


def value_ticks(low: float, high: float, height_px: float, line_px: float) -> tuple[float, list[float]]:
    """Step and levels of a value axis: airy where there is room, closer where there would be one number alone, which gives no scale."""
    step, levels = ticks(low, high, (high - low) * 1.4 * line_px / max(height_px, 1.0))
    return (step, levels) if len(levels) > 1 else ticks(low, high, (high - low) * 0.75 * line_px / max(height_px, 1.0))


def _clipped(scale: TimeScale, log_time_s: float) -> float:
    return min(max(scale.x(log_time_s), scale.left_px), scale.right_px)


def _paint_marks(painter: QPainter, inside: QRectF, scale: TimeScale, marks: Marks) -> None:
    """Gate as a bar along the bottom edge, each refused measurement as a tick standing on it."""
    last = scale.left_px
    for start, stop in marks.gravity_used_log_s.tolist():
        left, right = _clipped(scale, start), _clipped(scale, stop)
        if right >= last + 0.5 and start < scale.stop_log_s:
            painter.fillRect(QRectF(left, inside.bottom() - 3.0, max(right - left, 1.0), 3.0), QColor(palette.GREEN))
            last = right
    for x in {round(scale.x(refused.log_time_s)) for refused in marks.rejected}:
        if scale.left_px <= x <= scale.right_px:
            painter.fillRect(QRectF(x - 0.5, inside.bottom() - 11.0, 1.5, 8.0), QColor(palette.VERMILLION))
