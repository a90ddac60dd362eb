"""SmallTable: a short read-only table as tall as its rows, with headings that span it. For panels that scroll as a whole."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QKeyEvent, QKeySequence, QWheelEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QSizePolicy, QTableWidget, QTableWidgetItem, QWidget

from replay.desktop import style

_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter


class SmallTable(QTableWidget):
    """First column words, the others numbers set to the right.

    Parameters
    ----------
    name : str
        For screen readers.
    headings : sequence of str
    """

    heading_activated = Signal(str)
    """A spanning heading was clicked or entered: its key."""

    def __init__(self, name: str, headings: Sequence[str], parent: QWidget | None = None) -> None:
        super().__init__(0, len(headings), parent)
        self.setAccessibleName(name)
        self.setFont(style.figures(self, 0.92))
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setTabKeyNavigation(False)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 4)
        header = self.horizontalHeader()
        header.setFont(self.font())
        header.setHighlightSections(False)
        header.setDefaultAlignment(_RIGHT)
        header.setMinimumSectionSize(36)
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.setHorizontalHeaderLabels(list(headings))
        self.cellActivated.connect(self._on_activated)
        self.cellClicked.connect(self._on_activated)

    def fill(self, rows: Sequence[Sequence[str]]) -> None:
        """Rows of as many texts as columns; a row of (text, key) is a heading across them, to be entered unless key is ""."""
        self.clearSpans()
        self.setRowCount(len(rows))
        for i, row in enumerate(rows):
            is_heading = len(row) < self.columnCount()
            for j in range(self.columnCount()):
                item = QTableWidgetItem(row[j] if not is_heading or j == 0 else "")
                item.setTextAlignment(_RIGHT if j else _LEFT)
                item.setToolTip(item.text())
                self.setItem(i, j, item)
            if is_heading:
                self.setSpan(i, 0, 1, self.columnCount())
                first = self.item(i, 0)
                if row[1]:
                    first.setData(Qt.ItemDataRole.UserRole, row[1])
                    first.setToolTip("Click or Enter: move the cursor there")
                first.setBackground(QColor(style.SHELF))
                font = first.font()
                font.setBold(True)
                first.setFont(font)
        self.setFixedHeight(self.sizeHint().height())

    def texts(self) -> list[list[str]]:
        """What stands in it, row by row."""
        return [[self.item(i, j).text() for j in range(self.columnCount())] for i in range(self.rowCount())]

    def sizeHint(self) -> QSize:
        rows = self.rowCount() * self.verticalHeader().defaultSectionSize()
        return QSize(280, self.horizontalHeader().sizeHint().height() + rows + 4)

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()  # the panel scrolls

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.matches(QKeySequence.StandardKey.Copy):
            chosen = sorted({index.row() for index in self.selectedIndexes()}) or range(self.rowCount())
            QGuiApplication.clipboard().setText("\n".join("\t".join(self.texts()[i]) for i in chosen))
            event.accept()
        elif event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.currentRow() >= 0:
            self._on_activated(self.currentRow(), 0)
            event.accept()
        elif event.key() in (Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Space):
            event.ignore()  # the window's
        else:
            super().keyPressEvent(event)

    def _on_activated(self, row: int, _column: int) -> None:
        key = self.item(row, 0).data(Qt.ItemDataRole.UserRole)
        if key is not None:
            self.heading_activated.emit(key)
