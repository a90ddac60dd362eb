"""What some figures ask for besides size and span: which panes of the traces, and which other flights."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QPushButton, QVBoxLayout, QWidget

from replay.desktop.asking import Asking
from replay.review.catalogue import label_of

_ROW_PX = 24
_MOST_ROWS = 6


class PaneChooser(QListWidget):
    """The panes of the traces as arranged in the window, each with a mark: which of them the figure shows. Space changes a mark."""

    edited = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Panes shown")
        self.setToolTip("As arranged in the window's traces; take out what the figure should leave out (Space)")
        self._is_showing = False
        self.itemChanged.connect(self._on_changed)

    def display(self, panes: Sequence[Sequence[str]], chosen: Sequence[Sequence[str]]) -> None:
        """All panes, marked where chosen; none chosen: all."""
        wanted = {tuple(pane) for pane in chosen}
        self._is_showing = True
        row = self.currentRow()
        self.clear()
        for pane in panes:
            item = QListWidgetItem(", ".join(dict.fromkeys(label_of(key) for key in pane)))
            item.setData(Qt.ItemDataRole.UserRole, tuple(pane))
            item.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsUserCheckable)
            is_in = not wanted or tuple(pane) in wanted
            item.setCheckState(Qt.CheckState.Checked if is_in else Qt.CheckState.Unchecked)
            self.addItem(item)
        self.setCurrentRow(min(max(row, 0), self.count() - 1))
        self.setFixedHeight(_ROW_PX * min(max(self.count(), 2), _MOST_ROWS) + 8)
        self._is_showing = False

    @property
    def chosen(self) -> list[list[str]]:
        """Traces of the panes marked; empty where all are."""
        items = [self.item(i) for i in range(self.count())]
        marked = [list(item.data(Qt.ItemDataRole.UserRole)) for item in items if item.checkState() == Qt.CheckState.Checked]
        return [] if len(marked) == len(items) else marked

    def _on_changed(self, item: QListWidgetItem) -> None:
        if self._is_showing:
            return
        states = [self.item(i).checkState() for i in range(self.count())]
        if Qt.CheckState.Checked not in states:  # a figure has one pane at least
            self._is_showing = True
            item.setCheckState(Qt.CheckState.Checked)
            self._is_showing = False
            return
        self.edited.emit()


class FlightsBeside(QWidget):
    """Other flights of a campaign: a list, with buttons to add and to take out."""

    edited = Signal()

    def __init__(self, asking: Asking, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._asking = asking
        self.paths: list[str] = []
        self.list = QListWidget()
        self.list.setAccessibleName("Flights beside this one")
        self.list.setFixedHeight(3 * _ROW_PX + 8)
        self.add, self.remove = QPushButton("&Add…"), QPushButton("Take &Out")
        self.add.setToolTip("Logs or reviews of other flights, in the order flown")
        buttons = QHBoxLayout()
        for button in (self.add, self.remove):
            button.setAutoDefault(False)
            buttons.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.list)
        column.addLayout(buttons)
        self.setFocusProxy(self.list)  # the first of them, or Tab would pass the list by
        self.add.clicked.connect(self._add)
        self.remove.clicked.connect(self._remove)
        self.list.currentRowChanged.connect(lambda row: self.remove.setEnabled(row >= 0))

    def display(self, paths: Sequence[str]) -> None:
        """The flights a review names."""
        row = self.list.currentRow()
        self.paths = list(paths)
        self.list.clear()
        for path in self.paths:
            item = QListWidgetItem(f"{Path(path).parent.name}/{Path(path).name}")
            item.setToolTip(path)
            self.list.addItem(item)
        self.list.setCurrentRow(min(row, self.list.count() - 1))
        self.remove.setEnabled(self.list.currentRow() >= 0)

    def _add(self) -> None:
        found = self._asking.open_paths("Flights beside this one")
        new = [path for path in found if path not in self.paths]
        if new:
            self.display([*self.paths, *new])
            self.edited.emit()

    def _remove(self) -> None:
        row = self.list.currentRow()
        if row >= 0:
            self.display([path for i, path in enumerate(self.paths) if i != row])
            self.edited.emit()


def numbers_of(text: str) -> list[float] | None:
    """Numbers with blanks or semicolons between them; None where that is not what stands there."""
    try:
        found = [float(word.replace(",", ".").replace("\N{MINUS SIGN}", "-")) for word in text.replace(";", " ").split()]
    except ValueError:
        return None
    return found if all(math.isfinite(value) for value in found) else None
