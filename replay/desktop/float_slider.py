"""FloatSlider: a slider and a number entry for one value. It decides what is a user's edit, so that no caller needs a blocker."""

from __future__ import annotations

import math

from PySide6.QtCore import QEvent, QPointF, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QWheelEvent
from PySide6.QtWidgets import QDoubleSpinBox, QHBoxLayout, QSizePolicy, QSlider, QWidget

from replay.desktop import style
from replay.desktop.own_keys import is_space
from replay.scene import palette

_TICKS = 10_000
_SETTLE_MS = 400
_HANDLE_PX = 6.0
_FINE = 0.1


class _Track(QSlider):
    """The slider alone. A click goes to where it was made; with Shift held the handle moves ten times finer than the pointer."""

    def __init__(self) -> None:
        super().__init__(Qt.Orientation.Horizontal)
        self.setRange(-_TICKS, _TICKS)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumHeight(18)
        self.mark = 0
        self._drag_from: tuple[float, float] | None = None

    def _tick_of(self, x_px: float) -> float:
        usable = max(1.0, self.width() - 2 * _HANDLE_PX)
        return (x_px - _HANDLE_PX) / usable * 2 * _TICKS - _TICKS

    def _x_of(self, tick: float) -> float:
        usable = max(1.0, self.width() - 2 * _HANDLE_PX)
        return _HANDLE_PX + (tick + _TICKS) / (2 * _TICKS) * usable

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() != Qt.MouseButton.LeftButton:
            event.ignore()
            return
        x_px = event.position().x()
        is_on_handle = abs(x_px - self._x_of(self.sliderPosition())) <= 2 * _HANDLE_PX
        self.setSliderDown(True)
        if not is_on_handle:
            self.setSliderPosition(round(self._tick_of(x_px)))
        self._drag_from = (x_px, float(self.sliderPosition()))
        event.accept()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._drag_from is None:
            event.ignore()
            return
        x_px = event.position().x()
        last_x_px, tick = self._drag_from
        gain = _FINE if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1.0
        tick += (self._tick_of(x_px) - self._tick_of(last_x_px)) * gain
        self._drag_from = (x_px, tick)
        self.setSliderPosition(round(min(max(tick, -_TICKS), _TICKS)))
        event.accept()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self.let_go()
        event.accept()

    def let_go(self) -> None:
        """The drag is over, though the button may still be down."""
        self._drag_from = None
        self.setSliderDown(False)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Only where it has the focus: a wheel over a panel scrolls the panel."""
        event.ignore()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()  # the owner turns keys into steps of the value, not of the handle

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle = self.height() / 2.0
        is_on = self.isEnabled()
        painter.setPen(QPen(QColor(style.LINE), 3.0, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
        painter.drawLine(QPointF(_HANDLE_PX, middle), QPointF(self.width() - _HANDLE_PX, middle))
        x_mark, x = self._x_of(self.mark), self._x_of(self.sliderPosition())
        colour = QColor(palette.VERMILLION if self.sliderPosition() != self.mark else palette.BLUE) if is_on else QColor(style.LINE)
        painter.setPen(QPen(colour, 3.0, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
        painter.drawLine(QPointF(x_mark, middle), QPointF(x, middle))
        painter.setPen(QPen(QColor(style.MUTED), 1.0))
        painter.drawLine(QPointF(x_mark, middle - 6), QPointF(x_mark, middle + 6))
        painter.setPen(QPen(QColor(style.INK) if self.hasFocus() else colour, 1.6))
        painter.setBrush(QColor(style.PAPER))
        painter.drawEllipse(QPointF(x, middle), _HANDLE_PX - 1, _HANDLE_PX - 1)
        painter.end()


class FloatSlider(QWidget):
    """One value, in the unit it is shown in.

    The handle's travel is quadratic about the reference (the value as flown): fine near it, coarse at the ends.

    Parameters
    ----------
    low, high, step : float
        Range of the slider and the key step, shown unit. The number entry takes ten times the range.
    name : str
        What a screen reader and a test call it.
    """

    edited = Signal(float)
    """The user moved it: drag, key, wheel or number."""
    released = Signal()
    """The user's move is over: ends one undo step."""

    def __init__(self, low: float, high: float, step: float, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._low, self._high, self._step = float(low), float(high), float(step)
        self._value = self._reference = min(max(0.0, self._low), self._high)
        self._is_showing = False
        self.track = _Track()
        self.track.setAccessibleName(name)
        self.track.setToolTip("Drag; hold Shift for ten times finer. Up and Down change it by one step, Page Up and Page Down by ten.")
        self.entry = QDoubleSpinBox()
        self.entry.setAccessibleName(f"{name}, number")
        self.entry.setButtonSymbols(QDoubleSpinBox.ButtonSymbols.NoButtons)
        self.entry.setKeyboardTracking(False)
        self.entry.setDecimals(max(1, math.ceil(-math.log10(self._step)) + 1))
        self.entry.setSingleStep(self._step)
        width = self._high - self._low
        self.entry.setRange(self._low - 4.5 * width, self._high + 4.5 * width)
        self.entry.setFont(style.figures(self))
        self.entry.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.entry.setFixedWidth(self.entry.fontMetrics().horizontalAdvance("-00.00000") + 10)
        self.entry.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.entry.installEventFilter(self)
        self.track.installEventFilter(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(style.GAP)
        row.addWidget(self.track, 1)
        row.addWidget(self.entry)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(_SETTLE_MS)
        self._settle.timeout.connect(self.released)
        self.track.valueChanged.connect(self._on_track)
        self.track.sliderReleased.connect(self.released)
        self.entry.valueChanged.connect(self._on_entry)
        self.display(self._value)

    @property
    def value(self) -> float:
        """The value as given or as edited, never rounded by what is drawn."""
        return self._value

    def display(self, value: float, reference: float | None = None) -> None:
        """Show a value of the model. Never emits, never rounds what it was given. `reference` is where the mark stands."""
        self._value = float(value)
        if reference is not None:
            self._reference = float(reference)
        self._is_showing = True
        try:
            self.track.mark = self._tick(self._reference)
            if not self.track.isSliderDown():
                self.track.setValue(self._tick(self._value))
            if self.entry.value() != round(self._value, self.entry.decimals()):
                self.entry.setValue(self._value)
        finally:
            self._is_showing = False
        self.track.update()

    @property
    def is_held(self) -> bool:
        """A drag goes on, or key or wheel steps are not over yet."""
        return self.track.isSliderDown() or self._settle.isActive()

    def let_go(self) -> None:
        """End a drag now: what the pointer still does with its button down is no edit any more."""
        self.track.let_go()

    def step_by(self, n_steps: int) -> None:
        """A user's step, by key or wheel."""
        self._edit(self._value + n_steps * self._step)
        self._settle.start()

    def eventFilter(self, watched: QWidget, event: QEvent) -> bool:
        """Up, Down, Page Up and Page Down are steps; Left and Right stay the window's. A wheel counts only with the focus."""
        kind = event.type()
        keys = {Qt.Key.Key_Up: 1, Qt.Key.Key_Down: -1, Qt.Key.Key_PageUp: 10, Qt.Key.Key_PageDown: -10}
        if kind in (QEvent.Type.ShortcutOverride, QEvent.Type.KeyPress) and event.key() in keys and not event.modifiers():
            event.accept()
            if kind == QEvent.Type.KeyPress:
                self.step_by(keys[event.key()])
            return True
        if kind in (QEvent.Type.ShortcutOverride, QEvent.Type.KeyPress) and is_space(event):
            event.ignore()  # Space plays; it does not take the number's place
            return True
        if kind == QEvent.Type.Wheel:
            if not watched.hasFocus():
                event.ignore()
                return True
            notches = event.angleDelta().y() / 120.0
            if notches:
                self.step_by(round(notches) or int(math.copysign(1, notches)))
            return True
        return super().eventFilter(watched, event)

    def _tick(self, value: float) -> int:
        offset = value - self._reference
        side = self._side(offset)
        share = min(1.0, abs(offset) / side) if side > 0 else 0.0
        return round(math.copysign(math.sqrt(share), offset) * _TICKS)

    def _side(self, offset: float) -> float:
        """Width of the travel on one side of the reference; a reference outside the range keeps the range's own width."""
        side = self._high - self._reference if offset >= 0 else self._reference - self._low
        return side if side > 0 else self._high - self._low

    def _on_track(self, tick: int) -> None:
        if self._is_showing:
            return
        share = tick / _TICKS
        offset = math.copysign(share * share, share) * self._side(share)
        digits = self.entry.decimals()
        self._edit(round(self._reference + offset, digits) if tick else self._reference)

    def _on_entry(self, value: float) -> None:
        if self._is_showing:
            return
        self._edit(value)
        self._settle.stop()
        self.released.emit()

    def _edit(self, value: float) -> None:
        value = min(max(value, self.entry.minimum()), self.entry.maximum())
        if value != self._value:
            self.display(value)
            self.edited.emit(value)
