"""MeasureTable: what each trace on screen does between the two handles of the measured span."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QIcon, QPainter, QPixmap
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QLabel, QSizePolicy, QTableWidget, QTableWidgetItem, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.time_scale import number, significant
from replay.desktop.trace_style import Look, draw_swatch
from replay.review.pyramid import SpanStatistics

_HEADINGS = ("trace", "mean", "slope", "lowest", "highest", "integral")
_TIPS = (
    "",
    "Mean over the time the record covers",
    "Straight line by least squares",
    "Smallest sample",
    "Largest sample",
    "Integral by trapezoids; nothing is added across gaps",
)


class MeasureTable(QWidget):
    """Δt above, one row a line below."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.span = QLabel()
        self.span.setObjectName("heading")
        self.table = QTableWidget(0, len(_HEADINGS))
        self.table.setAccessibleName("Measured span")
        self.table.setHorizontalHeaderLabels(list(_HEADINGS))
        for i, tip in enumerate(_TIPS):
            self.table.horizontalHeaderItem(i).setToolTip(tip)
        self.table.verticalHeader().hide()
        self.table.verticalHeader().setDefaultSectionSize(self.table.fontMetrics().height() + 6)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.ContiguousSelection)
        self.table.setTabKeyNavigation(False)  # Tab goes on; the arrow keys go from cell to cell
        self.table.setShowGrid(False)
        self.table.setIconSize(QSize(34, 14))
        self.table.setAlternatingRowColors(True)
        self.table.setFont(style.figures(self))
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(True)
        header.setMinimumSectionSize(84)
        header.setHighlightSections(False)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        column = QVBoxLayout(self)
        column.setContentsMargins(style.GAP, 2, style.GAP, 2)
        column.setSpacing(2)
        column.addWidget(self.span)
        column.addWidget(self.table)
        self._fit_height()

    def show_span(self, start_s: float, stop_s: float, rows: Sequence[tuple[Look, str, str, SpanStatistics]]) -> None:
        """Fill in: both ends relative to liftoff, and (look, name, unit, statistics) of every line."""
        self.span.setText(f"Δt {number(stop_s - start_s, 3)} s   from {number(start_s, 3)} s to {number(stop_s, 3)} s")
        if self.table.rowCount() != len(rows):
            self.table.setRowCount(len(rows))
            self._fit_height()
        for i, (look, name, unit, found) in enumerate(rows):
            per_s, times_s = (f"{unit}/s", f"{unit}·s") if unit not in ("", "1") else ("1/s", "s")
            shown = "" if unit in ("", "1") else unit
            texts = (name, *(f"{significant(v)} {u}".strip() for v, u in _numbers(found, shown, per_s, times_s)))
            for j, text in enumerate(texts):
                self._cell(i, j).setText(text)
            self._cell(i, 0).setIcon(_swatch(look))

    def _cell(self, row: int, column: int) -> QTableWidgetItem:
        item = self.table.item(row, column)
        if item is None:
            item = QTableWidgetItem()
            item.setTextAlignment(Qt.AlignmentFlag.AlignVCenter | (Qt.AlignmentFlag.AlignRight if column else Qt.AlignmentFlag.AlignLeft))
            self.table.setItem(row, column, item)
        return item

    def _fit_height(self) -> None:
        rows = min(max(self.table.rowCount(), 1), 5)
        height = self.table.horizontalHeader().sizeHint().height() + rows * self.table.verticalHeader().defaultSectionSize() + 4
        self.table.setFixedHeight(height)


def _numbers(found: SpanStatistics, unit: str, per_s: str, times_s: str) -> tuple[tuple[float, str], ...]:
    return ((found.mean, unit), (found.slope_per_s, per_s), (found.lowest, unit), (found.highest, unit), (found.integral, times_s))


def _swatch(look: Look) -> QIcon:
    pixmap = QPixmap(68, 28)
    pixmap.setDevicePixelRatio(2.0)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    draw_swatch(painter, QRectF(1, 1, 32, 12), look)
    painter.end()
    return QIcon(pixmap)
