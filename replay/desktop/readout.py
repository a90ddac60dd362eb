"""Readout: the numbers at the cursor, drawn from the same snapshot as every other view."""

from __future__ import annotations

from typing import Any, Final

from PySide6.QtCore import QAbstractTableModel, QModelIndex, Qt
from PySide6.QtGui import QColor, QGuiApplication, QKeyEvent, QKeySequence, QPainter
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

from replay.desktop import style
from replay.review.readout import Row, rows_at
from replay.review.series import reflown_of
from replay.review.snapshot import Snapshot
from replay.scene import palette

_COLUMNS = ("at the cursor", "as flown", "what-if", "re-flown")
_PENS: Final = tuple(QColor(ink) for ink in (style.INK, *(palette.SERIES[name][0] for name in ("as_flown", "what_if")), "#A2447A"))
"""Re-flown in its own hue, darkened until it can be read as text on white (contrast 5.8; WCAG 2.1 asks for 4.5)."""

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

    def take(self, lines: tuple[Row, ...]) -> None:
        if [line.label for line in lines] != [line.label for line in self.lines]:
            self.beginResetModel()
            self.lines = lines
            self.endResetModel()
        elif lines:
            self.lines = lines
            self.dataChanged.emit(self.index(0, 1), self.index(len(lines) - 1, len(_COLUMNS) - 1), [Qt.ItemDataRole.DisplayRole])

    def rowCount(self, parent: QModelIndex = QModelIndex()) -> int:  # noqa: B008  (Qt's own signature)
        return 0 if parent.isValid() else len(self.lines)

    def columnCount(self, parent: QModelIndex = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(_COLUMNS)

    def text(self, row: int, column: int) -> str:
        line = self.lines[row]
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
            return _PENS[index.column()]
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return _COLUMNS[section]
        if role == Qt.ItemDataRole.ForegroundRole:
            return _PENS[section]
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
        painter.setPen(option.palette.highlightedText().color() if is_chosen else _PENS[column])
        text = index.model().text(row, column)
        inside = cell.adjusted(3, 0, -3, 0)
        if len(text) * _WIDEST_PX > inside.width():
            if column and option.fontMetrics.horizontalAdvance(text) > inside.width():
                text = text.partition(" ±")[0]  # the whole of it is in the tip: a cut-off deviation could be misread
            text = option.fontMetrics.elidedText(text, Qt.TextElideMode.ElideRight, inside.width())
        painter.drawText(inside, _RIGHT if column else _LEFT, text)


class Readout(QWidget):
    """Table of quantity, as flown, what-if and re-flown; what there is not has no column. Rows can be copied."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = _Model()
        self.table = _Table()
        self.table.setModel(self.model)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Fixed)
        self._widths_px = [self.table.fontMetrics().horizontalAdvance(text) for text in ("sensor temperature, °C  ", "tilt azimuth, deg  ")]
        self._snapshot: Snapshot | None = None
        self._log_time_s = 0.0
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(self.table)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result at the cursor's place."""
        self._snapshot = snapshot
        for column, solution in ((2, snapshot.what_if), (3, reflown_of(snapshot))):
            self.table.setColumnHidden(column, solution is None)
        is_tight = snapshot.what_if is not None and reflown_of(snapshot) is not None
        self.table.horizontalHeader().resizeSection(0, self._widths_px[is_tight])
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


class _Table(QTableView):
    """Read-only, dense, and it leaves the arrow keys and Space to the window."""

    def __init__(self) -> None:
        super().__init__()
        self.setFont(style.figures(self, 0.92))
        self.setAccessibleName("Readout: numbers at the cursor")
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setShowGrid(False)
        self.setItemDelegate(_Cell(self))
        self.setWordWrap(False)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 4)
        header = self.horizontalHeader()
        header.setFont(self.font())
        header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        header.setMinimumSectionSize(40)
        header.setHighlightSections(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            rows = sorted({index.row() for index in self.selectedIndexes()}) or range(self.model().rowCount())
            shown = [column for column in range(len(_COLUMNS)) if not self.isColumnHidden(column)]
            texts = ["\t".join(self.model().text(row, column) for column in shown) for row in rows]
            QGuiApplication.clipboard().setText("\n".join(texts))
            event.accept()
            return
        super().keyPressEvent(event)
