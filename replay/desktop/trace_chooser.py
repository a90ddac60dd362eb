"""TraceChooser: which traces a pane shows. One pane has one unit, so the first tick decides which others can join it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QLabel, QLineEdit, QTreeWidget, QTreeWidgetItem, QVBoxLayout, QWidget

from replay.review.trace import Trace

_KEY = Qt.ItemDataRole.UserRole


class TraceChooser(QDialog):
    """A list of every trace this flight has, by group, to tick.

    Parameters
    ----------
    catalogue : mapping of str to Trace
    chosen : sequence of str
        Keys ticked at the start; those this flight does not have are kept.
    is_one_pane : bool
        Else each gets a pane of its own, with its own unit, and none at all may be chosen.
    """

    def __init__(
        self, catalogue: Mapping[str, Trace], chosen: Sequence[str], title: str, parent: QWidget | None = None, *, is_one_pane: bool = True
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.resize(440, 560)
        self._catalogue = catalogue
        self._is_one_pane = is_one_pane
        self._absent = [key for key in chosen if key not in catalogue]
        self.search = QLineEdit()
        self.search.setPlaceholderText("Part of a name, a group or a unit")
        self.search.setClearButtonEnabled(True)
        self.search.setAccessibleName("Search traces")
        self.tree = QTreeWidget()
        self.tree.setAccessibleName("Traces")
        self.tree.setHeaderLabels(["trace", "unit"])
        self.tree.setUniformRowHeights(True)
        self.hint = QLabel()
        self.hint.setObjectName("muted")
        self.hint.setWordWrap(True)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self._items: dict[str, QTreeWidgetItem] = {}
        self._fill(set(chosen))
        column = QVBoxLayout(self)
        for widget in (self.search, self.tree, self.hint, self.buttons):
            column.addWidget(widget)
        self.search.textChanged.connect(self._filter)
        self.tree.itemChanged.connect(lambda *_: self._offer())
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        self._offer()

    def _fill(self, chosen: set[str]) -> None:
        groups: dict[str, QTreeWidgetItem] = {}
        for key, trace in self._catalogue.items():
            if trace.group not in groups:
                groups[trace.group] = QTreeWidgetItem(self.tree, [trace.group])
                groups[trace.group].setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable)
                font = groups[trace.group].font(0)
                font.setBold(True)
                groups[trace.group].setFont(0, font)
            item = QTreeWidgetItem(groups[trace.group], [trace.title, trace.unit])
            item.setData(0, _KEY, key)
            item.setCheckState(0, Qt.CheckState.Checked if key in chosen else Qt.CheckState.Unchecked)
            self._items[key] = item
        for group in groups.values():
            is_open = any(group.child(i).checkState(0) == Qt.CheckState.Checked for i in range(group.childCount()))
            group.setExpanded(is_open or not chosen)
        self.tree.setColumnWidth(0, 300)

    def _ticked(self) -> list[str]:
        return [key for key, item in self._items.items() if item.checkState(0) == Qt.CheckState.Checked]

    def _offer(self) -> None:
        """Only traces of the unit already ticked can join."""
        if not self._is_one_pane:
            self.hint.setText("Each gets a pane of its own, below each other.")
            return
        ticked = self._ticked()
        unit = self._catalogue[ticked[0]].unit if ticked else None
        self.tree.blockSignals(True)  # flags are no edit of the user's
        for key, item in self._items.items():
            can_join = unit is None or self._catalogue[key].unit == unit
            item.setDisabled(not can_join)
            item.setToolTip(0, "" if can_join else f"A pane has one unit, and this one is in {unit}. Give it a pane of its own.")
        self.tree.blockSignals(False)
        self.hint.setText("Tick what to draw in this pane." if unit is None else f"A pane has one unit: here {unit or 'none'}.")
        self.buttons.button(QDialogButtonBox.StandardButton.Ok).setEnabled(bool(ticked))

    def _filter(self, text: str) -> None:
        words = text.casefold().split()
        for i in range(self.tree.topLevelItemCount()):
            group = self.tree.topLevelItem(i)
            n_shown = 0
            for j in range(group.childCount()):
                item = group.child(j)
                hay = f"{group.text(0)} {item.text(0)} {item.text(1)}".casefold()
                is_shown = all(word in hay for word in words)
                item.setHidden(not is_shown)
                n_shown += is_shown
            group.setHidden(n_shown == 0)
            if words:
                group.setExpanded(n_shown > 0)

    def tick(self, key: str, is_on: bool = True) -> None:
        """Tick or untick one trace."""
        self._items[key].setCheckState(0, Qt.CheckState.Checked if is_on else Qt.CheckState.Unchecked)

    def chosen(self) -> tuple[str, ...]:
        """Keys ticked, in catalogue order, and those this flight does not have."""
        return (*self._ticked(), *self._absent)


def ask_traces(catalogue: Mapping[str, Trace], chosen: Sequence[str], title: str, parent: QWidget) -> tuple[str, ...] | None:
    """What the user ticked; None where they thought better of it."""
    chooser = TraceChooser(catalogue, chosen, title, parent)
    ticked = chooser.chosen() if chooser.exec() else None
    chooser.deleteLater()
    return ticked
