"""Keys of one widget, which go before the window's own while that widget has the focus."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent


def is_space(event: QKeyEvent) -> bool:
    """No number holds a space: a number field leaves it to the window, where it plays, instead of losing its number to it."""
    return event.key() == Qt.Key.Key_Space and not event.modifiers()


class OwnKeys:
    """To be named before the QWidget a class comes from. The class says in `key_action` which keys it answers to."""

    def key_action(self, event: QKeyEvent) -> Callable[[], Any] | None:
        """What a key does here and now; None leaves it to the window."""
        raise NotImplementedError

    def event(self, event: QEvent) -> bool:
        """Claims the widget's keys before the window's commands are looked through."""
        if event.type() == QEvent.Type.ShortcutOverride and self.key_action(event) is not None:
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        action = self.key_action(event)
        if action is None:
            super().keyPressEvent(event)
        else:
            action()
