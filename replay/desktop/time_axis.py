"""TimeAxis: the time scale under a stack of traces, with the phases by name."""

from __future__ import annotations

from collections.abc import Iterator

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from replay.desktop import style
from replay.desktop.time_scale import TimeScale, decimals, number, ticks
from replay.review.marks import Marks
from replay.scene import palette

PHASE_EDGE = "#9AA7B0"


def _fields(marks: Marks, scale: TimeScale, band: QRectF) -> Iterator[tuple[str, QRectF]]:
    """Name and field of every phase in view."""
    for phase in marks.phases:
        left = min(max(scale.x(phase.start_log_s), band.left()), band.right())
        right = min(max(scale.x(phase.stop_log_s), band.left()), band.right())
        if right - left >= 0.5:
            yield phase.name, QRectF(left, band.top(), right - left, band.height())


def shade_phases(painter: QPainter, marks: Marks, scale: TimeScale, band: QRectF) -> None:
    """Phases as shaded fields."""
    for name, field in _fields(marks, scale, band):
        painter.fillRect(field, QColor(palette.PHASE_SHADES[name]))
        painter.setPen(QPen(QColor(PHASE_EDGE), 1.0))
        painter.drawLine(field.topLeft(), field.bottomLeft())


def name_phases(painter: QPainter, marks: Marks, scale: TimeScale, band: QRectF) -> None:
    """Names of the phases, where they fit."""
    metrics = QFontMetricsF(painter.font())
    painter.setPen(QColor(style.MUTED))
    for name, field in _fields(marks, scale, band):
        if metrics.horizontalAdvance(name) + 6.0 <= field.width():
            painter.drawText(field, Qt.AlignmentFlag.AlignCenter, name)


def paint_ticks(painter: QPainter, scale: TimeScale, zero_log_s: float, top: float, height: float, right_limit: float) -> None:
    """Tick strokes and labels, time from `zero_log_s`; labels that would run past `right_limit` are left out."""
    metrics = QFontMetricsF(painter.font())
    step, times = ticks(scale.start_log_s - zero_log_s, scale.stop_log_s - zero_log_s, 90.0 * scale.pixel_s)
    for t in times:
        x = scale.x(t + zero_log_s)
        text = number(t, decimals(step))
        width = metrics.horizontalAdvance(text) + 2.0
        painter.setPen(QPen(QColor(PHASE_EDGE), 1.0))
        painter.drawLine(QPointF(x, top), QPointF(x, top + 4.0))
        if x + width / 2.0 <= right_limit and x - width / 2.0 >= 0.0:
            painter.setPen(QColor(style.INK))
            painter.drawText(
                QRectF(x - width / 2.0, top + 4.0, width, height - 4.0), Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop, text
            )


def caption(marks: Marks) -> str:
    """What time is counted from."""
    return "s from liftoff" if marks.is_liftoff_known else "s from the first row"


class TimeAxis(QWidget):
    """Drawn under the panes, aligned with the inside of their plots."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._marks: Marks | None = None
        self._scale = TimeScale(0.0, 1.0, 0.0, 1.0)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Time axis of the traces")

    def show_window(self, marks: Marks, scale: TimeScale) -> None:
        """Draw the axis of another window of time."""
        self._marks, self._scale = marks, scale
        self.update()

    def clear(self) -> None:
        """No flight to tell the time of."""
        self._marks = None
        self.update()

    def sizeHint(self) -> QSize:
        line = round(QFontMetricsF(self.font()).height())
        return QSize(200, 2 * line + 10)

    def paintEvent(self, event: QPaintEvent) -> None:
        if self._marks is None:
            return
        painter = QPainter(self)
        painter.setFont(style.small(self, 0.94))
        line = QFontMetricsF(painter.font()).height()
        band = QRectF(self._scale.left_px, 0.0, self._scale.right_px - self._scale.left_px, line + 2.0)
        shade_phases(painter, self._marks, self._scale, band)
        name_phases(painter, self._marks, self._scale, band)
        painter.setPen(QPen(QColor(style.LINE), 1.0))
        painter.drawRect(band)
        text = caption(self._marks)
        width = QFontMetricsF(painter.font()).horizontalAdvance(text)
        paint_ticks(painter, self._scale, self._marks.zero_log_s, band.bottom(), self.height() - band.bottom(), self.width() - width - 14.0)
        painter.setPen(QColor(style.MUTED))
        field = QRectF(self.width() - width - 10.0, band.bottom() + 4.0, width + 4.0, line + 2.0)
        painter.drawText(field, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, text)
        painter.end()
