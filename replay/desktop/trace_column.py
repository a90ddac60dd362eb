"""The panes of the traces one above the other, in a splitter that scrolls when they no longer fit."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QFrame, QScrollArea, QSplitter, QWidget

from replay.desktop.trace_pane import TracePane


class TraceColumn(QScrollArea):
    """Scrolls by its bar and by the wheel over it, not by keys: those belong to the traces and the window."""

    shares_dragged = Signal()
    """The user gave the panes other shares of the height."""
    resized = Signal()
    """There is more room for the panes, or less."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.panes: list[TracePane] = []
        self.splitter = QSplitter(Qt.Orientation.Vertical)
        self.splitter.setChildrenCollapsible(False)
        self.splitter.setHandleWidth(5)
        self.splitter.splitterMoved.connect(lambda *_: self.shares_dragged.emit())
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setWidget(self.splitter)

    def insert(self, pane: TracePane, at: int) -> None:
        """Put a pane in; those from there on move down."""
        self.panes.insert(at, pane)
        self.splitter.insertWidget(at, pane)
        self.splitter.setStretchFactor(at, 1)

    def drop(self, pane: TracePane) -> None:
        """Take a pane out for good."""
        self.panes.remove(pane)
        pane.setParent(None)
        pane.deleteLater()

    def shift(self, i: int, by: int) -> bool:
        """Move a pane up (negative) or down as far as there is room; False where there is none."""
        j = min(max(i + by, 0), len(self.panes) - 1)
        if j == i:
            return False
        pane = self.panes.pop(i)
        self.panes.insert(j, pane)
        self.splitter.insertWidget(j, pane)
        return True

    def shares(self) -> list[float]:
        """Each pane's share of the height."""
        sizes = [max(size, 1) for size in self.splitter.sizes()]
        return [round(size / (sum(sizes) or 1), 3) for size in sizes]

    def set_shares(self, shares: Sequence[float]) -> None:
        """Give each pane its share of the height."""
        self.splitter.setSizes([round(10_000 * share) for share in shares])

    def i_focus(self) -> int:
        """The pane that has the focus, or holds what has it; else the first."""
        focused = self.window().focusWidget()
        return next((i for i, pane in enumerate(self.panes) if focused is not None and (pane is focused or pane.isAncestorOf(focused))), 0)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.resized.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()
