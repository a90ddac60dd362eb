"""Where things stand in the window: cards, splitters, and remembering both on whatever screen there is."""

from __future__ import annotations

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import QFrame, QLabel, QMainWindow, QSplitter, QTabWidget, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.preferences import Preferences

SPLITTERS = ("whole", "across", "left", "centre", "right")
_LEFT_PX, _RIGHT_PX, _BOTTOM_PX = 310, 336, 132


def card(title: str, widget: QWidget) -> QFrame:
    """A white ground with a small heading."""
    frame = QFrame()
    frame.setObjectName("card")
    heading = QLabel(title)
    heading.setObjectName("heading")
    column = QVBoxLayout(frame)
    column.setContentsMargins(style.GAP // 2, 2, style.GAP // 2, style.GAP // 2)
    column.setSpacing(2)
    column.addWidget(heading)
    column.addWidget(widget, 1)
    return frame


def splitter(orientation: Qt.Orientation, *widgets: QWidget) -> QSplitter:
    """Nothing in it can be folded away by accident."""
    made = QSplitter(orientation)
    made.setChildrenCollapsible(False)
    made.setHandleWidth(style.GAP)
    for widget in widgets:
        made.addWidget(widget)
    return made


class Frame(QWidget):
    """The middle of the window: left column, traces, right column, and what runs along the bottom.

    Parameters
    ----------
    left, centre, right : sequence of QWidget
        From top to bottom.
    bottom, top : QWidget
    """

    def __init__(
        self, left: tuple[QWidget, ...], centre: tuple[QWidget, ...], right: tuple[QWidget, ...], bottom: QWidget, top: QWidget
    ) -> None:
        super().__init__()
        vertical, horizontal = Qt.Orientation.Vertical, Qt.Orientation.Horizontal
        self.left = splitter(vertical, *left)
        self.centre = splitter(vertical, *centre)
        self.right = splitter(vertical, *right)
        self.across = splitter(horizontal, self.left, self.centre, self.right)
        self.across.setStretchFactor(1, 1)
        self.right.setMinimumWidth(_RIGHT_PX - 20)
        self.whole = splitter(vertical, self.across, bottom)
        self.whole.setStretchFactor(0, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(top)
        inside = QVBoxLayout()
        inside.setContentsMargins(style.GAP, style.GAP, style.GAP, style.GAP)
        inside.addWidget(self.whole)
        column.addLayout(inside, 1)

    def set_places(self, width: int, height: int) -> None:
        """Every panel in its own place."""
        self.across.setSizes([_LEFT_PX, max(width - _LEFT_PX - _RIGHT_PX, 200), _RIGHT_PX])
        above = max(height - _BOTTOM_PX, 200)
        self.whole.setSizes([above, _BOTTOM_PX])
        self.left.setSizes([round(above * 0.52), round(above * 0.48)])
        self.centre.setSizes([round(above * 0.55), round(above * 0.45)])
        self.right.setSizes([round(above * 0.62), round(above * 0.38)])

    def restore(self, preferences: Preferences) -> bool:
        """As it was left; False where nothing was remembered."""
        states = {name: preferences.layout(name) for name in SPLITTERS}
        return all(state is not None and getattr(self, name).restoreState(state) for name, state in states.items())

    def remember(self, preferences: Preferences) -> None:
        """For the next start."""
        for name in SPLITTERS:
            preferences.keep_layout(name, getattr(self, name).saveState())


def tabs() -> QTabWidget:
    """The right-hand panels; with one panel there is no tab."""
    widget = QTabWidget()
    widget.setTabBarAutoHide(True)
    widget.setDocumentMode(True)
    widget.tabBar().setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return widget


def restore_geometry(window: QMainWindow, preferences: Preferences) -> bool:
    """Where the window was, moved and shrunk onto a screen that is there now."""
    state = preferences.layout("geometry")
    is_known = state is not None and window.restoreGeometry(state)
    if not is_known:
        window.resize(1280, 800)
    window.setGeometry(on_screen(window.geometry(), [screen.availableGeometry() for screen in QGuiApplication.screens()]))
    return is_known


def on_screen(wanted: QRect, screens: list[QRect]) -> QRect:
    """A rectangle inside the screen it overlaps most (the first one where it overlaps none)."""
    if not screens:
        return wanted
    best = max(screens, key=lambda screen: _area(screen.intersected(wanted)))
    width, height = min(wanted.width(), best.width()), min(wanted.height(), best.height())
    x = min(max(wanted.x(), best.x()), best.x() + best.width() - width)
    y = min(max(wanted.y(), best.y()), best.y() + best.height() - height)
    return QRect(x, y, width, height)


def _area(rectangle: QRect) -> int:
    return max(rectangle.width(), 0) * max(rectangle.height(), 0)
