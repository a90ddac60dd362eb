"""The row of tools over the traces, and the keys that do the same and more."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from PySide6.QtWidgets import QHBoxLayout, QMenu, QToolButton, QWidget

from replay.desktop import style

KEYS: Final = (
    ("+, −", "on the traces: zoom in and out about the cursor"),
    ("Page Up, Page Down", "on the traces: half a window earlier or later"),
    ("0", "on the traces: the flight; once more, the whole log"),
    ("M", "on the traces: measure between two handles"),
    ("S", "on the traces: the spectrogram of the specific force"),
    ("Wheel", "on the traces: zoom about the pointer; with Shift pan, with Control the vertical scale"),
    ("Drag", "on the traces: pan; with Shift choose the window"),
    ("Double click", "on the traces: cursor here"),
)
"""Keys and pointer actions of the stack, for the key sheet. They count only while it has the focus."""


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
        row.addStretch(1)

    def fill_zoom_menu(
        self,
        windows: Mapping[str, tuple[float, float] | None],
        measured: tuple[float, float] | None,
        go_to: Callable[[float, float], None],
    ) -> None:
        """What there is to zoom to, by name; the measured span stands apart."""
        self.zoom_menu.clear()
        for name, window in windows.items():
            if window is not None:
                self.zoom_menu.addAction(name, lambda window=window: go_to(*window))
        if measured is not None:
            self.zoom_menu.addSeparator()
            self.zoom_menu.addAction("Measured span", lambda: go_to(*measured))


def _tool(text: str, tip: str, *, is_checkable: bool = False) -> QToolButton:
    button = QToolButton()
    button.setObjectName("quiet")
    button.setText(text)
    button.setToolTip(tip)
    button.setAccessibleName(tip)
    button.setCheckable(is_checkable)
    return button
