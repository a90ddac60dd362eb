"""The row of tools over the traces, and what the marks along the bottom edge of every pane mean."""

from __future__ import annotations

from PySide6.QtCore import QSize
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QToolButton, QWidget

from replay.desktop import style
from replay.scene import palette


class TraceTools(QWidget):
    """Buttons only; the stack does the work."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.zoom_menu = QMenu(self)
        self.add = _tool("Add pane…", "Add a pane and choose what it shows")
        self.zoom_to = _tool("Zoom to", "The flight, a phase, the whole log or the measured span")
        self.zoom_to.setMenu(self.zoom_menu)
        self.zoom_to.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.wider = _tool("−", "Zoom out")
        self.narrower = _tool("+", "Zoom in")
        self.whole = _tool("Whole flight", "Show the flight; once more, the whole log")
        self.measure = _tool("Measure", "Δt, mean, slope, extremes and integral between two handles (M)", is_checkable=True)
        self.bands = _tool("±1 sd", "Bands of one standard deviation, where the estimate has them", is_checkable=True)
        self.bands.setChecked(True)
        self.spectrogram = _tool("Spectrogram", "Power of the specific force over frequency and time (S)", is_checkable=True)
        row = QHBoxLayout(self)
        row.setContentsMargins(style.GAP, 2, style.GAP, 2)
        row.setSpacing(style.GAP // 2)
        for button in (self.add, self.zoom_to, self.wider, self.narrower, self.whole, self.measure, self.bands, self.spectrogram):
            row.addWidget(button)
        row.addWidget(_Legend(), 1)


class _Legend(QWidget):
    """What stands along the bottom edge of every pane, at the right; not there where the tools leave it no room."""

    def __init__(self) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(style.GAP // 2)
        row.addStretch(1)
        self._parts: list[QWidget] = []
        for colour, text, is_bar in ((palette.GREEN, "gravity used", True), (palette.VERMILLION, "measurement rejected", False)):
            label = QLabel(text)
            label.setObjectName("muted")
            self._parts += [_Sign(colour, is_bar), label]
        for part in self._parts:
            row.addWidget(part)
        self._wanted_px = row.sizeHint().width()

    def minimumSizeHint(self) -> QSize:
        return QSize(0, 0)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        for part in self._parts:
            part.setVisible(self.width() >= self._wanted_px)


class _Sign(QWidget):
    """A piece of the gate's bar, or one tick."""

    def __init__(self, colour: str, is_bar: bool) -> None:
        super().__init__()
        self._colour, self._is_bar = colour, is_bar
        self.setFixedSize(20 if is_bar else 8, 12)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        if self._is_bar:
            painter.fillRect(2, 7, 16, 3, QColor(self._colour))
        else:
            painter.fillRect(3, 2, 2, 8, QColor(self._colour))
        painter.end()


def _tool(text: str, tip: str, *, is_checkable: bool = False) -> QToolButton:
    button = QToolButton()
    button.setObjectName("quiet")
    button.setText(text)
    button.setToolTip(tip)
    button.setAccessibleName(tip)
    button.setCheckable(is_checkable)
    return button
