"""Message bar: one line across the top of the window for what must be said without stopping the user."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QToolButton, QWidget

from replay.desktop import style

TONES = ("hint", "warning", "error")


class MessageBar(QFrame):
    """Hidden while there is nothing to say. The newest message replaces the one before."""

    dismissed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("bar")
        self._text = QLabel()
        self._text.setWordWrap(True)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self._text.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._text.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self._buttons = QHBoxLayout()
        close = QToolButton()
        close.setObjectName("quiet")
        close.setText("✕")
        close.setToolTip("Put this message away")
        close.setAccessibleName("Put this message away")
        close.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        close.clicked.connect(self.dismiss)
        row = QHBoxLayout(self)
        row.setContentsMargins(2 * style.GAP, 3, style.GAP, 3)
        row.addWidget(self._text, 1)
        row.addLayout(self._buttons)
        row.addWidget(close)
        self.hide()

    @property
    def text(self) -> str:
        """What is being said; empty while the bar is away."""
        return "" if self.isHidden() else self._text.text()

    @property
    def tone(self) -> str:
        """Of what is being said; empty while the bar is away."""
        return "" if self.isHidden() else str(self.property("tone"))

    def say(self, text: str, tone: str = "hint", choices: tuple[tuple[str, Callable[[], None]], ...] = ()) -> None:
        """Show one message, with a button for each (label, what it does); pressing one puts the message away first."""
        while self._buttons.count():
            old = self._buttons.takeAt(0).widget()
            old.hide()
            old.deleteLater()
        for label, do in choices:
            button = QPushButton(label)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(lambda _=False, do=do: (self.hide(), do()))
            self._buttons.addWidget(button)
        self.setProperty("tone", tone)
        self.style().unpolish(self)
        self.style().polish(self)
        self._text.setText(text)
        self._text.setAccessibleName(f"{tone}: {text}")
        self.show()

    def dismiss(self) -> None:
        """Put the message away."""
        self.hide()
        self.dismissed.emit()
