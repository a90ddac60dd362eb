"""Spectrogram: power of the specific force over frequency and time, under the traces and on their time axis."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QImage, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from replay.desktop import style
from replay.desktop.time_scale import TimeScale, decimals, number, ticks
from replay.flight.vibration import Spectrogram
from replay.review.explain import explained_of
from replay.review.snapshot import Snapshot
from replay.scene import palette

RANGE_DB: Final = 50.0
"""Below the strongest; whatever is weaker is paper."""
_HEIGHT_LINES: Final = 9


def shades(density: np.ndarray, range_db: float = RANGE_DB) -> np.ndarray:
    """Share of the shown range, 0 (weak) to 255 (the strongest), of a density; shape as given."""
    strongest = float(np.nanmax(density)) if np.isfinite(density).any() else 0.0
    if strongest <= 0.0:
        return np.zeros(density.shape, dtype=np.uint8)
    db = 10.0 * np.log10(np.maximum(np.nan_to_num(density), strongest * 1e-12) / strongest)
    return np.asarray(np.clip(255.0 * (1.0 + db / range_db), 0.0, 255.0), dtype=np.uint8)


def _ramp() -> list[int]:
    """Paper to ink through the series' blue: lightness only falls, so that it reads without colour too."""
    stops = np.array(
        [[int(colour[i : i + 2], 16) for i in (1, 3, 5)] for colour in (style.PAPER, palette.SKY, palette.BLUE, palette.BLACK)]
    )
    at = np.linspace(0.0, len(stops) - 1.0, 256)
    parts = [np.interp(at, np.arange(len(stops)), stops[:, i]).astype(int) for i in range(3)]
    return [QColor(*(int(part[k]) for part in parts)).rgb() for k in range(256)]


class SpectrogramView(QWidget):
    """Draws what the explanation of the flight carries; until there is one it says what it waits for."""

    cursor_requested = Signal(float)
    """Log time the user wants the cursor at."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Spectrogram of the specific force")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self._found: Spectrogram | None = None
        self._image: QImage | None = None
        self._scale = TimeScale(0.0, 1.0, 0.0, 1.0)
        self._cursor_log_s = math.nan
        self.text = "Open a flight first."

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new explanation; until it comes, the last one of the same log stays."""
        known = explained_of(snapshot)
        vibration = None if known is None else known.vibration
        found = None if vibration is None else vibration.spectrogram
        if known is None:
            self.text = "explaining the flight…"
        elif found is None:
            why = known.missing.get("vibration", "") if vibration is None else "; ".join(vibration.notes)
            self.text = f"No spectrogram: {why}"
        if known is not None and found is not self._found:
            self._found, self._image = found, None if found is None else _painted(found)
        self.update()

    def clear(self) -> None:
        """What was drawn is of another log."""
        self._found = self._image = None
        self.text = "nothing estimated yet"
        self.update()

    def show_window(self, scale: TimeScale) -> None:
        """Draw another window of time."""
        self._scale = scale
        self.update()

    def move_cursor(self, log_time_s: float) -> None:
        """Move the line."""
        if self.isVisible():
            for at in (self._cursor_log_s, log_time_s):
                if math.isfinite(at):
                    self.update(round(self._scale.x(at)) - 2, 0, 5, self.height())
        self._cursor_log_s = log_time_s

    def sizeHint(self) -> QSize:
        return QSize(200, round(_HEIGHT_LINES * QFontMetricsF(self.font()).height()))

    @property
    def top_hz(self) -> float:
        """Half the sample rate: the upper edge."""
        return float(self._found.frequency_hz[-1]) if self._found is not None else 1.0

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setFont(style.small(self, 0.94))
        line = QFontMetricsF(painter.font()).height()
        inside = QRectF(self._scale.left_px, line + 4.0, self._scale.right_px - self._scale.left_px, self.height() - line - 8.0)
        painter.setPen(QColor(style.MUTED))
        self._paint_head(painter, line)
        if self._found is None or self._image is None:
            painter.drawText(inside, Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap, self.text)
        else:
            self._paint_image(painter, inside, self._found, self._image)
            self._paint_axis(painter, inside, line)
        painter.setPen(QPen(QColor(style.LINE), 1.0))
        painter.drawRect(inside)
        x = self._scale.x(self._cursor_log_s) if math.isfinite(self._cursor_log_s) else -1.0
        if inside.left() <= x <= inside.right():
            painter.setPen(QPen(QColor(palette.VERMILLION), 1.0))
            painter.drawLine(QPointF(x, inside.top()), QPointF(x, inside.bottom()))
        painter.end()

    def _paint_head(self, painter: QPainter, line: float) -> None:
        text = "power of the specific force over frequency [Hz]"
        if self._found is not None:
            strongest = 10.0 * math.log10(max(float(np.nanmax(self._found.density)), 1e-30))
            text += "; hatched: rows missing" if self._found.is_gap.any() else ""
            text += f"; black {number(strongest, 0)} dB re 1 ({self._found.unit})²/Hz, white {RANGE_DB:.0f} dB below"
        shown = QFontMetricsF(painter.font()).elidedText(text, Qt.TextElideMode.ElideRight, self.width() - 16.0)
        self.setToolTip(text)
        painter.drawText(QRectF(8.0, 1.0, self.width() - 16.0, line + 2.0), Qt.AlignmentFlag.AlignLeft, shown)

    def _paint_image(self, painter: QPainter, inside: QRectF, found: Spectrogram, image: QImage) -> None:
        times = found.log_time_s
        step = float(times[1] - times[0]) if len(times) > 1 else 1.0
        first, last = float(times[0]) - 0.5 * step, float(times[-1]) + 0.5 * step
        start, stop = max(self._scale.start_log_s, first), min(self._scale.stop_log_s, last)
        if stop <= start:
            return
        source = QRectF((start - first) / step, 0.0, (stop - start) / step, image.height())
        target = QRectF(self._scale.x(start), inside.top(), self._scale.x(stop) - self._scale.x(start), inside.height())
        painter.drawImage(target, image, source)
        for a, b in _gap_spans(found):
            left, right = self._scale.x(max(a, start)), self._scale.x(min(b, stop))
            if right > left:
                # never thinner than a pixel: a gap is to be seen at any zoom
                painter.fillRect(QRectF(left, inside.top(), max(right - left, 1.0), inside.height()), QColor(style.PAPER))
                hatch = QBrush(QColor(style.MUTED), Qt.BrushStyle.BDiagPattern)
                painter.fillRect(QRectF(left, inside.top(), max(right - left, 1.0), inside.height()), hatch)

    def _paint_axis(self, painter: QPainter, inside: QRectF, line: float) -> None:
        step, levels = ticks(0.0, self.top_hz, self.top_hz * 1.6 * line / max(inside.height(), 1.0))
        for level in levels:
            y = inside.bottom() - level / self.top_hz * inside.height()
            painter.setPen(QColor(style.INK))
            field = QRectF(0.0, y - line / 2.0, inside.left() - 5.0, line)
            painter.drawText(field, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, number(level, decimals(step)))
            painter.setPen(QPen(QColor(style.LINE), 1.0))
            painter.drawLine(QPointF(inside.left() - 3.0, y), QPointF(inside.left(), y))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton and self._found is not None:
            self.cursor_requested.emit(self._scale.clamped(event.position().x()))


def _gap_spans(found: Spectrogram) -> list[tuple[float, float]]:
    """Log times at which a run of columns without a spectrum starts and stops."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], found.is_gap, [False])).astype(np.int8)))
    times = found.log_time_s
    step = float(times[1] - times[0]) if len(times) > 1 else 1.0
    return [(float(times[a]) - 0.5 * step, float(times[b - 1]) + 0.5 * step) for a, b in edges.reshape(-1, 2)]


def _painted(found: Spectrogram) -> QImage:
    """One pixel for each window and frequency, the highest frequency at the top."""
    levels = np.ascontiguousarray(shades(found.density)[::-1])
    image = QImage(levels.data, levels.shape[1], levels.shape[0], levels.shape[1], QImage.Format.Format_Indexed8)
    image.setColorTable(_ramp())
    return image.copy()  # the array goes away
