"""How the window looks: one light theme whose colours come from `scene.palette`, the spacing, and the few font sizes.

The theme is set whole, palette and all, so that a dark desktop can't leave dark text on dark ground.
"""

from __future__ import annotations

from typing import Final

from PySide6.QtGui import QColor, QFont, QPalette
from PySide6.QtWidgets import QApplication, QWidget

from replay.scene import palette

INK: Final = "#1F2529"
"""Text."""
MUTED: Final = "#566169"
"""Secondary text: contrast above 5 on PAPER and SHELF (WCAG 2.1 asks for 4.5)."""
PAPER: Final = "#FFFFFF"
"""What data are drawn on."""
SHELF: Final = "#F2F4F6"
"""Window and panels."""
LINE: Final = "#D2D8DD"
"""Thin separators."""
ACCENT: Final = palette.BLUE
ERROR_INK: Final = "#8A2B00"
ERROR_GROUND: Final = "#FBE9E1"
HINT_GROUND: Final = "#E4F0F8"
WARNING_GROUND: Final = "#FDF3DC"

GAP: Final = 6
"""Pixels between neighbours; half of it inside a group, twice between groups."""

_SHEET = f"""
QToolTip {{ color: {INK}; background: {PAPER}; border: 1px solid {LINE}; padding: 3px; }}
QMainWindow::separator {{ background: {SHELF}; }}
QSplitter::handle {{ background: {SHELF}; }}
QSplitter::handle:hover {{ background: {LINE}; }}
QMenuBar {{ background: {SHELF}; border-bottom: 1px solid {LINE}; }}
QStatusBar {{ background: {SHELF}; border-top: 1px solid {LINE}; }}
QStatusBar::item {{ border: none; }}
QFrame#card {{ background: {PAPER}; border: 1px solid {LINE}; border-radius: 4px; }}
QLabel#heading {{ color: {MUTED}; font-weight: 600; padding: 1px 2px; }}
QLabel#muted {{ color: {MUTED}; }}
QLabel#failure {{
  color: {ERROR_INK}; background: {ERROR_GROUND}; border: 1px solid {palette.VERMILLION}; border-radius: 3px; padding: 4px;
}}
QLineEdit[wrong="true"] {{ color: {ERROR_INK}; background: {ERROR_GROUND}; border: 1px solid {palette.VERMILLION}; }}
QScrollArea {{ border: none; background: transparent; }}
QToolButton#section {{ border: none; font-weight: 600; text-align: left; padding: 3px 0; }}
QToolButton#section:hover {{ color: {ACCENT}; }}
QToolButton#quiet {{ border: 1px solid transparent; border-radius: 3px; padding: 1px 4px; color: {MUTED}; }}
QToolButton#quiet:hover {{ border-color: {LINE}; color: {INK}; background: {PAPER}; }}
QToolButton#quiet:checked {{ border-color: {ACCENT}; color: {INK}; background: {HINT_GROUND}; }}
QToolButton#quiet:focus {{ border-color: {ACCENT}; }}
QToolButton#quiet:disabled {{ color: {LINE}; }}
QToolButton#transport {{
  border: 1px solid {LINE}; border-radius: 3px; background: {PAPER}; padding: 2px; min-width: 26px; min-height: 22px;
}}
QToolButton#transport:hover {{ border-color: {MUTED}; }}
QToolButton#transport:focus {{ border-color: {ACCENT}; }}
QToolButton#transport:checked, QToolButton#transport:pressed {{ background: {HINT_GROUND}; border-color: {ACCENT}; }}
QPushButton#segment {{ border: 1px solid {LINE}; background: {PAPER}; padding: 3px 8px; }}
QPushButton#segment:checked {{ background: {ACCENT}; color: white; border-color: {ACCENT}; }}
QPushButton#segment:focus {{ border-color: {INK}; }}
QPushButton#segment:disabled {{ color: {MUTED}; background: {SHELF}; }}
QPushButton#segmentWhatIf {{ border: 1px solid {LINE}; background: {PAPER}; padding: 3px 8px; }}
QPushButton#segmentWhatIf:checked {{ background: {palette.VERMILLION}; color: white; border-color: {palette.VERMILLION}; }}
QPushButton#segmentWhatIf:focus {{ border-color: {INK}; }}
QPushButton#cautions {{ border: 1px solid {palette.ORANGE}; border-radius: 3px; background: {WARNING_GROUND}; padding: 1px 8px; }}
QPushButton#cautions:hover, QPushButton#cautions:focus {{ border-color: {INK}; }}
QLabel#caution {{ color: {INK}; background: {WARNING_GROUND}; border-top: 1px solid {palette.ORANGE}; padding: 3px 6px; }}
QFrame#bar {{ border-bottom: 1px solid {LINE}; }}
QFrame#bar[tone="hint"] {{ background: {HINT_GROUND}; }}
QFrame#bar[tone="warning"] {{ background: {WARNING_GROUND}; }}
QFrame#bar[tone="error"] {{ background: {ERROR_GROUND}; border-bottom: 1px solid {palette.VERMILLION}; }}
QTabBar::tab {{ padding: 4px 10px; }}
"""


def apply(application: QApplication) -> None:
    """Give the whole application the theme."""
    application.setStyle("Fusion")
    colours = QPalette()
    roles = {
        QPalette.ColorRole.Window: SHELF,
        QPalette.ColorRole.WindowText: INK,
        QPalette.ColorRole.Base: PAPER,
        QPalette.ColorRole.AlternateBase: SHELF,
        QPalette.ColorRole.Text: INK,
        QPalette.ColorRole.Button: "#FAFBFC",
        QPalette.ColorRole.ButtonText: INK,
        QPalette.ColorRole.BrightText: palette.VERMILLION,
        QPalette.ColorRole.Highlight: ACCENT,
        QPalette.ColorRole.HighlightedText: PAPER,
        QPalette.ColorRole.Link: ACCENT,
        QPalette.ColorRole.ToolTipBase: PAPER,
        QPalette.ColorRole.ToolTipText: INK,
        QPalette.ColorRole.PlaceholderText: MUTED,
        QPalette.ColorRole.Mid: LINE,
    }
    for role, colour in roles.items():
        colours.setColor(role, QColor(colour))
    for role in (QPalette.ColorRole.WindowText, QPalette.ColorRole.Text, QPalette.ColorRole.ButtonText):
        colours.setColor(QPalette.ColorGroup.Disabled, role, QColor("#9AA4AB"))
    application.setPalette(colours)
    application.setStyleSheet(_SHEET)


def small(widget: QWidget, factor: float = 0.92) -> QFont:
    """The widget's font, a little smaller: for dense rows."""
    font = QFont(widget.font())
    font.setPointSizeF(font.pointSizeF() * factor)
    return font


def figures(widget: QWidget, factor: float = 0.95) -> QFont:
    """A font whose digits are all one width, so that numbers don't dance while the cursor moves."""
    font = small(widget, factor)
    font.setStyleHint(QFont.StyleHint.SansSerif)
    font.setFeature(QFont.Tag("tnum"), 1)
    return font
