"""Readout: the numbers at the cursor, drawn from the same snapshot as every other view."""

from __future__ import annotations

from typing import Any, Final

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPointF, QRect, Qt
from PySide6.QtGui import QColor, QFontMetrics, QGuiApplication, QKeyEvent, QKeySequence, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style, trace_style
from replay.desktop.trace_style import variant_name
from replay.review.readout import Row, rows_at
from replay.review.series import compared_of, reflown_of
from replay.review.snapshot import Snapshot
from replay.scene import palette

_SERIES: Final = ("as_flown", "what_if", "reflown")
_COLUMNS: Final = ("at the cursor", *(variant_name(series) for series in _SERIES))
"""Columns that are always there, if hidden; one for each method drawn for comparison follows."""
_LEAST_PX: Final = 58
"""Of a column: room for a number without its deviation."""
_ROOM_FOR_SD_PX: Final = 36
"""What the deviation takes on top."""
_LABELS: Final = ("sensor temperature, °C  ", "vertical speed, m/s   ")
"""The first column is as wide as the one, and as the other where the numbers would not fit beside it otherwise."""
_SHORT_LABEL: Final = "tilt azimuth, deg  "
"""And as this one, where the table would otherwise scroll: the whole of a label or head is in its tip."""

# Put together once: an enum's | takes as long as drawing the text.
_LEFT: Final = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft
_RIGHT: Final = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight
_WIDEST_PX: Final = 7.0
"""Text of fewer characters than this goes into the width is not measured before it is drawn."""


class _Model(QAbstractTableModel):
    """Rows of the readout; only their text changes while the cursor moves."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: tuple[Row, ...] = ()
        self.columns = _COLUMNS
        self.set_methods(())

    def set_methods(self, methods: tuple[str, ...]) -> None:
        """Methods drawn for comparison: a column each, in the colour of its line."""
        if self.columns[len(_COLUMNS) :] != methods:
            self.beginResetModel()
            self.columns, self.lines = (*_COLUMNS, *methods), ()
            self.endResetModel()
        self.looks = [None, *(trace_style.Look(*palette.look_of(name)) for name in (*_SERIES, *methods))]
        self.pens = [QColor(style.INK if look is None else palette.ink(look.colour)) for look in self.looks]

    def take(self, lines: tuple[Row, ...]) -> None:
        if [line.label for line in lines] != [line.label for line in self.lines]:
            self.beginResetModel()
            self.lines = lines
            self.endResetModel()
        elif lines:
            self.lines = lines
            self.dataChanged.emit(self.index(0, 1), self.index(len(lines) - 1, len(self.columns) - 1), [Qt.ItemDataRole.DisplayRole])

    def rowCount(self, parent: QModelIndex = QModelIndex()) -> int:  # noqa: B008  (Qt's own signature)
        return 0 if parent.isValid() else len(self.lines)

    def columnCount(self, parent: QModelIndex = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.columns)

    def text(self, row: int, column: int) -> str:
        line = self.lines[row]
        if column >= len(_COLUMNS):
            return line.compared[column - len(_COLUMNS)] if line.compared else ""
        label = f"{line.label}, {line.unit}" if line.unit and line.unit != "1" else line.label
        return (label, line.as_flown, line.what_if, line.reflown)[column]

    def data(self, index: QModelIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role == Qt.ItemDataRole.DisplayRole:
            return self.text(index.row(), index.column())
        if role == Qt.ItemDataRole.ToolTipRole:
            return self.text(index.row(), index.column())
        if role == Qt.ItemDataRole.TextAlignmentRole and index.column():
            return Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        if role == Qt.ItemDataRole.ForegroundRole:
            return self.pens[index.column()]
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return self.columns[section]
        if role == Qt.ItemDataRole.ToolTipRole and section:
            return self.columns[section]
        if role == Qt.ItemDataRole.ForegroundRole:
            return self.pens[section]
        return None


class _Cell(QStyledItemDelegate):
    """Draws a cell's text and nothing else: the style's own drawing took four fifths of a step of the cursor."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        is_chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        row, column, cell = index.row(), index.column(), option.rect
        if is_chosen:
            painter.fillRect(cell, option.palette.highlight())
        elif row % 2:
            painter.fillRect(cell, option.palette.alternateBase())
        painter.setPen(option.palette.highlightedText().color() if is_chosen else index.model().pens[column])
        text = index.model().text(row, column)
        inside = cell.adjusted(3, cell.height() // 2 if self.parent().is_stacked else 0, -3, 0)
        if len(text) * _WIDEST_PX > inside.width():
            if column and option.fontMetrics.horizontalAdvance(text) > inside.width():
                text = text.partition(" ±")[0]  # the whole of it is in the tip: a cut-off deviation could be misread
            text = cut_short(text, inside.width(), option.fontMetrics)
        painter.drawText(inside, _RIGHT if column else _LEFT, text)


def cut_short(text: str, width_px: int, metrics: QFontMetrics) -> str:
    """Text that fits; of a name with its unit only the name is cut."""
    name, comma, unit = text.rpartition(", ")
    if metrics.horizontalAdvance(text) <= width_px or not comma:
        return metrics.elidedText(text, Qt.TextElideMode.ElideRight, width_px)
    return metrics.elidedText(name, Qt.TextElideMode.ElideRight, width_px - metrics.horizontalAdvance(comma + unit)) + comma + unit


class Readout(QWidget):
    """Table of quantity, as flown, what-if, re-flown and the methods drawn for comparison; what there is not has no column. Every
    column is headed by its line as traces and paths have it. Rows can be copied."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = _Model()
        self.table = _Table()
        self.table.setModel(self.model)
        self._snapshot: Snapshot | None = None
        self._log_time_s = 0.0
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(self.table)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result at the cursor's place."""
        self._snapshot = snapshot
        methods = tuple(compared_of(snapshot))
        self.model.set_methods(methods)
        beside = (snapshot.what_if is not None, reflown_of(snapshot) is not None)
        for column, is_there in enumerate(beside, start=2):
            self.table.setColumnHidden(column, not is_there)
        self.table.share_width()
        self.move_cursor(self._log_time_s)

    def forget_flight(self) -> None:
        """No numbers."""
        self._snapshot = None
        self.model.take(())

    def move_cursor(self, log_time_s: float) -> None:
        """The numbers at another time."""
        self._log_time_s = log_time_s
        if self._snapshot is not None:
            self.model.take(rows_at(self._snapshot, log_time_s))


class _Header(QHeaderView):
    """Heads every column of numbers with its own line: colour and dash are those of traces and paths."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(Qt.Orientation.Horizontal, parent)

    def paintSection(self, painter: QPainter, rect: QRect, logical_index: int) -> None:
        painter.save()
        super().paintSection(painter, rect, logical_index)
        painter.restore()
        look = self.model().looks[logical_index]
        if look is not None:
            y = rect.bottom() - 1.0
            painter.save()
            painter.setPen(look.pen(2.0))
            painter.drawLine(QPointF(rect.left() + 6, y), QPointF(rect.right() - 3, y))
            painter.restore()


class _Table(QTableView):
    """Read-only, dense, and it leaves the arrow keys and Space to the window."""

    def __init__(self) -> None:
        super().__init__()
        self.is_stacked = False
        self.setHorizontalHeader(_Header(self))
        self.setFont(style.figures(self, 0.92))
        self.setAccessibleName("Readout: numbers at the cursor")
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setTabKeyNavigation(False)  # Tab goes on, out of the table
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setShowGrid(False)
        self.setItemDelegate(_Cell(self))
        self.setWordWrap(False)
        self.verticalHeader().hide()
        self._stack(is_stacked=False)
        header = self.horizontalHeader()
        header.setFont(self.font())
        header.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        header.setMinimumSectionSize(40)
        header.setHighlightSections(False)
        header.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)

    def share_width(self) -> None:
        """Every column what its head and a number need, or the number alone where that spares scrolling; what is left over, so that the
        first ones can hold a deviation too, and the rest of it in equal shares. With less room every label stands above its numbers."""
        header = self.horizontalHeader()
        shown = [column for column in range(1, header.count()) if not header.isSectionHidden(column)]
        if not shown:
            return
        metrics, columns = QFontMetrics(header.font()), self.model().columns
        least = [max(_LEAST_PX, metrics.horizontalAdvance(columns[column]) + 12) for column in shown]
        wide, tight = (self.fontMetrics().horizontalAdvance(text) for text in _LABELS)
        short = self.fontMetrics().horizontalAdvance(_SHORT_LABEL)
        self._stack(is_stacked=self.viewport().width() < short + len(shown) * _LEAST_PX)
        if self.is_stacked:
            edges = [i * self.viewport().width() // len(shown) for i in range(len(shown) + 1)]
            for i, column in enumerate(shown):
                header.resizeSection(column, edges[i + 1] - edges[i])
            return
        if tight + sum(least) > self.viewport().width() >= short + len(shown) * _LEAST_PX:  # a long name is cut: its line tells it too
            tight, least = short, [_LEAST_PX] * len(shown)
        is_tight = wide + sum(least) + len(shown) * _ROOM_FOR_SD_PX > self.viewport().width() >= tight + sum(least)
        header.resizeSection(0, tight if is_tight else wide)
        spare = max(self.viewport().width() - header.sectionSize(0) - sum(least), 0)
        for i, column in enumerate(shown):  # the deviations of the first ones, before each has less than one
            more = max(spare // (len(shown) - i), min(spare, _ROOM_FOR_SD_PX))
            header.resizeSection(column, least[i] + more)
            spare -= more

    def _stack(self, *, is_stacked: bool) -> None:
        """Two lines a row, the label across the first, or one line with the label in a column of its own."""
        self.is_stacked = is_stacked
        self.setColumnHidden(0, is_stacked)
        line = self.fontMetrics().height()
        self.verticalHeader().setDefaultSectionSize(2 * line + 4 if is_stacked else line + 4)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        if not self.is_stacked:
            return
        painter = QPainter(self.viewport())
        painter.setFont(self.font())
        for row in range(self.model().rowCount()):
            top = self.rowViewportPosition(row)
            if -self.rowHeight(row) < top < self.viewport().height():
                is_chosen = self.selectionModel().isRowSelected(row, QModelIndex())
                painter.setPen(self.palette().highlightedText().color() if is_chosen else self.model().pens[0])
                place = QRect(3, top + 1, self.viewport().width() - 6, self.rowHeight(row) // 2)
                painter.drawText(place, _LEFT, self.model().text(row, 0))
        painter.end()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self.model() is not None:
            self.share_width()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            rows = sorted({index.row() for index in self.selectedIndexes()}) or range(self.model().rowCount())
            shown = [column for column in range(self.model().columnCount()) if column == 0 or not self.isColumnHidden(column)]
            texts = ["\t".join(self.model().text(row, column) for column in shown) for row in rows]
            QGuiApplication.clipboard().setText("\n".join(texts))
            event.accept()
            return
        super().keyPressEvent(event)
