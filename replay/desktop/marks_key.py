"""What the marks under the timeline and along the bottom edge of every trace pane mean."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QBrush, QColor, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from replay.desktop import style
from replay.scene import palette

_WORDS: Final = {"gate": "gravity used", "refused": "measurement rejected", "gap": "gap in the log"}


class MarksKey(QWidget):
    """Signs and words; not there where they have no room."""

    def __init__(self) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(style.GAP // 2)
        row.addStretch(1)
        self._parts: list[QWidget] = []
        for kind, text in _WORDS.items():
            label = QLabel(text)
            label.setObjectName("muted")
            self._parts += [_Sign(kind), label]
        for part in self._parts:
            row.addWidget(part)

    def minimumSizeHint(self) -> QSize:
        return QSize(0, 0)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        widths = [max(part.sizeHint().width(), part.minimumWidth()) for part in self._parts]
        has_room = self.width() >= sum(widths) + len(widths) * style.GAP // 2
        for part in self._parts:
            part.setVisible(has_room)


class _Sign(QWidget):
    """A piece of the gate's bar, one tick, or a piece of a gap's hatching."""

    def __init__(self, kind: str) -> None:
        super().__init__()
        self._kind = kind
        self.setFixedSize(8 if kind == "refused" else 20, 12)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        if self._kind == "gate":
            painter.fillRect(2, 7, 16, 3, QColor(palette.GREEN))
        elif self._kind == "refused":
            painter.fillRect(3, 2, 2, 8, QColor(palette.VERMILLION))
        else:
            painter.setPen(QColor(style.INK))
            painter.setBrush(QBrush(QColor(style.INK), Qt.BrushStyle.BDiagPattern))
            painter.drawRect(4, 0, 12, 11)
        painter.end()
