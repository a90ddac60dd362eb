"""Transport: the row of play controls under the views. It only asks; the window moves the cursor."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QAction, QColor, QIcon, QPainter, QPixmap, QPolygonF
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QToolButton, QWidget

from replay.desktop import style
from replay.desktop.marks_key import MarksKey
from replay.review.playback import FRAME_RATES_HZ, SPEEDS, Playback

_BUTTONS = ("to_start", "event_back", "frame_back", "sample_back", "play", "sample_on", "frame_on", "event_on", "to_end", "loop")


def symbol(name: str, size_px: int = 18) -> QIcon:
    """Our own drawn symbol of a play control, sharp at every scale."""
    icon = QIcon()
    for colour, mode in ((style.INK, QIcon.Mode.Normal), ("#A9B1B7", QIcon.Mode.Disabled)):
        pixmap = QPixmap(QSize(size_px * 4, size_px * 4))
        pixmap.fill(Qt.GlobalColor.transparent)
        painter = QPainter(pixmap)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.scale(size_px * 4 / 18.0, size_px * 4 / 18.0)
        painter.setBrush(QColor(colour))
        painter.setPen(Qt.PenStyle.NoPen)
        if name.endswith(("_back", "_start")):
            painter.translate(18.0, 0.0)
            painter.scale(-1.0, 1.0)
        _draw(painter, name, QColor(colour))
        painter.end()
        icon.addPixmap(pixmap, mode)
    return icon


def _triangle(painter: QPainter, x: float, width: float = 7.0, half: float = 5.0) -> None:
    painter.drawPolygon(QPolygonF([QPointF(x, 9 - half), QPointF(x + width, 9), QPointF(x, 9 + half)]))


def _draw(painter: QPainter, name: str, colour: QColor) -> None:
    """On an 18 by 18 field, pointing right."""
    kind = name.partition("_")[0]
    if name == "play":
        _triangle(painter, 4.5, 10.0, 6.5)
    elif name == "pause":
        painter.drawRect(QRectF(4.5, 3.5, 3.2, 11))
        painter.drawRect(QRectF(10.3, 3.5, 3.2, 11))
    elif kind == "sample":
        painter.drawEllipse(QPointF(4.5, 9), 1.8, 1.8)
        _triangle(painter, 8.0)
    elif kind == "frame":
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(colour)
        painter.drawRect(QRectF(2.5, 4.5, 5, 9))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        _triangle(painter, 9.5)
    elif kind == "event":
        _triangle(painter, 3.0)
        painter.drawPolygon(QPolygonF([QPointF(13, 5), QPointF(16, 9), QPointF(13, 13), QPointF(10, 9)]))
    elif kind == "to":
        _triangle(painter, 4.0)
        painter.drawRect(QRectF(12.0, 4, 2, 10))
    elif name == "loop":
        painter.setBrush(Qt.BrushStyle.NoBrush)
        pen = painter.pen()
        pen.setStyle(Qt.PenStyle.SolidLine)
        pen.setColor(colour)
        pen.setWidthF(1.6)
        painter.setPen(pen)
        painter.drawArc(QRectF(3.5, 3.5, 11, 11), 60 * 16, 290 * 16)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        painter.drawPolygon(QPolygonF([QPointF(10.5, 1.2), QPointF(15.2, 4.4), QPointF(10.2, 6.8)]))


def frame_rate_text(rate_hz: float) -> str:
    """23.976, 24, …: as written on cameras."""
    return f"{rate_hz:.3f}".rstrip("0").rstrip(".")


class Transport(QWidget):
    """Buttons of the play commands, play rate, frame rate and the cursor's time."""

    speed_chosen = Signal(float)
    frame_rate_chosen = Signal(float)

    def __init__(self, actions: dict[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        row = QHBoxLayout(self)
        row.setContentsMargins(style.GAP, 2, style.GAP, 2)
        row.setSpacing(3)
        self._play = QToolButton()
        for name in _BUTTONS:
            button = self._play if name == "play" else QToolButton()
            _dress(button, actions[name], name)
            row.addWidget(button)
            if name in ("event_back", "frame_back", "sample_back", "play", "sample_on", "frame_on") or name == "to_end":
                row.addSpacing(2)
        row.addSpacing(style.GAP)
        self.speed = _choice("Play rate", [(f"{speed:g}×", speed) for speed in SPEEDS], 1.0)
        self.speed.activated.connect(lambda _: self.speed_chosen.emit(self.speed.currentData()))
        row.addWidget(self.speed)
        self.frame_rate = _choice("Frame rate of a step by one frame", [(f"{frame_rate_text(f)} fps", f) for f in FRAME_RATES_HZ], 30.0)
        self.frame_rate.activated.connect(lambda _: self.frame_rate_chosen.emit(self.frame_rate.currentData()))
        row.addWidget(self.frame_rate)
        row.addSpacing(style.GAP)
        row.addWidget(MarksKey(), 1)
        row.addSpacing(2 * style.GAP)
        self._span = QLabel()
        self._span.setObjectName("muted")
        self._span.setFont(style.figures(self))
        row.addWidget(self._span)
        row.addSpacing(2 * style.GAP)
        self._time = QLabel()
        self._time.setFont(style.figures(self, 1.15))
        self._time.setAccessibleName("Time at the cursor")
        self._time.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self._time.setMinimumWidth(self._time.fontMetrics().horizontalAdvance("T+0000.000 s   log 0000.000 s"))
        row.addWidget(self._time)
        self._is_playing: bool | None = None

    def show_playback(self, playback: Playback, liftoff_log_s: float) -> None:
        """Draw the state; emits nothing."""
        if playback.is_playing != self._is_playing:
            self._is_playing = playback.is_playing
            self._play.setIcon(symbol("pause" if playback.is_playing else "play"))
        _show_choice(self.speed, playback.speed)
        _show_choice(self.frame_rate, playback.frame_rate_hz)
        has_liftoff = liftoff_log_s == liftoff_log_s
        flight_s = playback.log_time_s - (liftoff_log_s if has_liftoff else 0.0)
        sign = "−" if flight_s < 0 else "+"
        self._time.setText(
            f"T{sign}{abs(flight_s):.3f} s   log {playback.log_time_s:.3f} s" if has_liftoff else f"log {playback.log_time_s:.3f} s"
        )
        span = playback.span_log_s
        self._span.setText("" if span is None else f"span {span[1] - span[0]:.3f} s")


def _dress(button: QToolButton, action: QAction, name: str) -> None:
    button.setObjectName("transport")
    button.setIcon(symbol(name))
    button.setIconSize(QSize(18, 18))
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    keys = ", ".join(key.toString(key.SequenceFormat.NativeText) for key in action.shortcuts())
    button.setToolTip(f"{action.toolTip()} ({keys})")
    button.setAccessibleName(action.text().replace("&", ""))
    button.setCheckable(action.isCheckable())
    if action.isCheckable():
        button.clicked.connect(action.setChecked)
        action.toggled.connect(button.setChecked)
    else:
        button.clicked.connect(action.trigger)
    action.enabledChanged.connect(button.setEnabled)
    button.setEnabled(action.isEnabled())


def _choice(name: str, items: list[tuple[str, float]], chosen: float) -> QComboBox:
    box = QComboBox()
    box.setAccessibleName(name)
    box.setToolTip(name)
    box.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    for text, value in items:
        box.addItem(text, value)
    _show_choice(box, chosen)
    return box


def _show_choice(box: QComboBox, value: float) -> None:
    i = next((i for i in range(box.count()) if abs(box.itemData(i) - value) < 1e-9), -1)
    if i != box.currentIndex():
        box.setCurrentIndex(i)
