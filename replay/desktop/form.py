"""Small parts panels are built of: a section that folds, a number that may be left open, a check box that doesn't take the keys."""

from __future__ import annotations

import math
from collections.abc import Iterable

from PySide6.QtCore import QEvent, QPoint, Qt, QTimer, Signal
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QCheckBox, QComboBox, QHBoxLayout, QLabel, QLineEdit, QScrollArea, QToolButton, QVBoxLayout, QWidget

from replay.cautions import CAUTION_LINE
from replay.desktop import style
from replay.desktop.own_keys import is_space


def quiet_button(text: str, tip: str, name: str = "") -> QToolButton:
    """A small flat button that never takes the keyboard from the window by being clicked."""
    button = QToolButton()
    button.setObjectName("quiet")
    button.setText(text)
    button.setToolTip(tip)
    button.setAccessibleName(name or tip)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return button


def check_box(text: str, tip: str = "") -> QCheckBox:
    """A check box reached by Tab or mouse; a click leaves the focus where it was."""
    box = QCheckBox(text)
    box.setToolTip(tip or text)
    box.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    return box


class _Words(QLabel):
    """A check box's text that wraps; a click on it is a click on the box."""

    def __init__(self, text: str, box: QCheckBox) -> None:
        super().__init__(text)
        self.setWordWrap(True)
        self._box = box

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton and self._box.isEnabled():
            self._box.click()


def wrapped_check_box(text: str, tip: str = "") -> tuple[QCheckBox, QHBoxLayout]:
    """A check box whose text may take several lines, and the row it stands in."""
    box = check_box("", tip or text)
    box.setAccessibleName(text)
    row = QHBoxLayout()
    row.setContentsMargins(0, 0, 0, 0)
    row.addWidget(box)
    row.addWidget(_Words(text, box), 1)
    return box, row


def choose(box: QComboBox, wanted: object) -> None:
    """Show the entry that carries this; the first where none does."""
    box.setCurrentIndex(max(box.findData(wanted), 0))


def muted(text: str = "", *, wrap: bool = False) -> QLabel:
    """Secondary text."""
    label = QLabel(text)
    label.setObjectName("muted")
    label.setWordWrap(wrap)
    return label


def scrolled(inside: QWidget) -> QScrollArea:
    """What may be taller than its place; it scrolls up and down only, and takes no keys of the window's."""
    scroll = QScrollArea()
    scroll.setWidgetResizable(True)
    scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    scroll.setWidget(inside)
    return scroll


def bring_to_top(widget: QWidget) -> None:
    """Scroll what holds a widget until it stands at the top, once its new content is laid out: what was asked for is there to be read."""

    def scroll() -> None:
        area = widget.parentWidget()
        while area is not None and not isinstance(area, QScrollArea):
            area = area.parentWidget()
        if area is not None:
            area.verticalScrollBar().setValue(widget.mapTo(area.widget(), QPoint(0, 0)).y())

    QTimer.singleShot(0, widget, scroll)


def caution() -> QLabel:
    """The caution line, as it stands below every panel that says what might be changed."""
    label = QLabel(CAUTION_LINE)
    label.setObjectName("caution")
    label.setWordWrap(True)
    label.setFont(style.small(label, 0.9))
    return label


def fill_panel(panel: QWidget, parts: Iterable[QWidget]) -> None:
    """Parts below each other, scrolling together over the caution line, which always stays in view."""
    inside = QWidget()
    column = QVBoxLayout(inside)
    column.setContentsMargins(style.GAP, style.GAP, style.GAP, style.GAP)
    column.setSpacing(style.GAP // 2)
    for part in parts:
        column.addWidget(part)
    column.addStretch(1)
    whole = QVBoxLayout(panel)
    whole.setContentsMargins(0, 0, 0, 0)
    whole.setSpacing(0)
    whole.addWidget(scrolled(inside), 1)
    whole.addWidget(caution())


class Section(QWidget):
    """A heading that folds what is below it. `tail` is the place at the right end of the heading."""

    def __init__(self, title: str, *, is_open: bool = False, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.head = QToolButton()
        self.head.setObjectName("section")
        self.head.setText(title)
        self.head.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.head.setCheckable(True)
        self.head.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.head.setAccessibleName(f"{title}, section")
        self.tail = QHBoxLayout()
        self.tail.setContentsMargins(0, 0, 0, 0)
        top = QHBoxLayout()
        top.setContentsMargins(0, 0, 0, 0)
        top.addWidget(self.head)
        top.addStretch(1)
        top.addLayout(self.tail)
        self.body = QWidget()
        self.body_layout = QVBoxLayout(self.body)
        self.body_layout.setContentsMargins(style.GAP, 0, 0, style.GAP)
        self.body_layout.setSpacing(style.GAP // 2)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(top)
        whole.addWidget(self.body)
        self.head.toggled.connect(self._fold)
        self.head.setChecked(is_open)
        self._fold(is_open)

    def _fold(self, is_open: bool) -> None:
        self.head.setArrowType(Qt.ArrowType.DownArrow if is_open else Qt.ArrowType.RightArrow)
        self.body.setVisible(is_open)


class OptionalNumber(QLineEdit):
    """A number, or nothing: then the placeholder says what is used instead. Decimal point or comma."""

    edited = Signal(object)
    """The user entered a number, or cleared it (None)."""

    def __init__(self, name: str, low: float, high: float, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._low, self._high = low, high
        self._value: float | None = None
        self.setAccessibleName(name)
        self.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.setFont(style.figures(self))
        self.setMaximumWidth(self.fontMetrics().horizontalAdvance("0000000000000") + 8)
        self.editingFinished.connect(self._on_finished)

    @property
    def value(self) -> float | None:
        return self._value

    def event(self, event: QEvent) -> bool:
        """Leaves Space to the window."""
        if event.type() in (QEvent.Type.ShortcutOverride, QEvent.Type.KeyPress) and is_space(event):
            event.ignore()
            return True
        return super().event(event)

    def display(self, value: float | None, placeholder: str = "") -> None:
        """Show a value of the model; never emits, never rounds what it was given."""
        self._value = value
        self.setPlaceholderText(placeholder)
        if not (self.hasFocus() and self.isModified()):
            self._show_value()

    def _show_value(self) -> None:
        shown = "" if self._value is None else f"{self._value:.7g}"
        if self.text() != shown:
            self.setText(shown)
        self._mark(None)

    def _on_finished(self) -> None:
        if not self.isModified():
            return
        self.setModified(False)
        text = self.text().strip().replace(",", ".").replace("−", "-")
        try:
            value = float(text) if text else None
        except ValueError:
            value = math.nan
        if value is not None and not self._low <= value <= self._high:
            self._mark(f"expected a number from {self._low:g} to {self._high:g}, got {self.text()!r}; {self._value} is still used")
        elif value != self._value:
            self._value = value
            self._show_value()
            self.edited.emit(value)
        else:
            self._show_value()

    def _mark(self, problem: str | None) -> None:
        """Red, with the reason as tip, while what stands there is not a number that can be meant."""
        self.setToolTip(problem or "")
        if bool(problem) != bool(self.property("wrong")):
            self.setProperty("wrong", bool(problem))
            self.style().unpolish(self)
            self.style().polish(self)
