"""PyramidCurve: one line of a plot, re-binned exactly to the pixels in view; and the band of one standard deviation behind it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QPainter, QPen, QPolygonF, QTransform
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from replay.desktop.trace_style import Look, marker_picture
from replay.review.pyramid import Pyramid, visible_band
from replay.review.series import Line
from replay.scene import palette

Array = NDArray[np.float64]

_DENSE = 10.0
"""Path length over width from which a line is painted once, not smoothed: it is a band then, and smoothing it would cost as much again."""
_SHIFTS = ((0.0, 0.0), (0.45, 0.0), (0.0, 0.45))
"""A smooth line is painted three times, so that it is as strong as a wider pen in every direction at a tenth of the cost."""
_MARKER_EVERY_PX = 150.0
_BAND_ALPHA = 46
_BAND_Z, _COMPARED_Z = -5.0, -1.0
"""A method drawn for comparison lies under the flight's own line, bands under all lines."""


class PyramidCurve(pg.PlotCurveItem):
    """A line whose points are looked up for the window in view. Gaps and missing values part it.

    Parameters
    ----------
    line : Line
    look : Look
    zero_log_s : float
        Log time drawn as x = 0.
    """

    def __init__(self, line: Line, look: Look, zero_log_s: float) -> None:
        super().__init__()
        self.set_line(line, look, zero_log_s)
        self._pixel_s = 1.0
        self._points = (np.empty(0), np.empty(0))
        self._window = QRectF()
        self._marker_phase = 0.0
        self._rise = 0.0

    def set_line(self, line: Line, look: Look, zero_log_s: float) -> None:
        """Take another result; nothing is drawn until the next `show_window`."""
        self.line, self.look, self.zero_log_s = line, look, zero_log_s
        self.setZValue(_COMPARED_Z if line.variant in palette.OVERLAYS else 0.0)

    def show_window(self, start_log_s: float, stop_log_s: float, n_pixels: int, marker_phase: float = 0.0) -> None:
        """Look up the points for a window; `marker_phase` (0 to 1) shifts the markers so that those of several lines alternate."""
        log_time_s, values = self.line.pyramid.visible(start_log_s, stop_log_s, n_pixels)
        self._points = (log_time_s - self.zero_log_s, values)
        self._pixel_s = (stop_log_s - start_log_s) / max(n_pixels, 1)
        self._marker_phase = marker_phase
        with np.errstate(invalid="ignore"):
            self._rise = float(np.nansum(np.abs(np.diff(values))))
        self.prepareGeometryChange()
        self._window = QRectF(start_log_s - self.zero_log_s, -1e30, stop_log_s - start_log_s, 2e30)
        self.update()

    @property
    def n_points(self) -> int:
        """Points drawn now."""
        return len(self._points[0])

    def value_at(self, log_time_s: float) -> float:
        """Value of the nearest sample at or before a time; NaN outside the record, and in a gap."""
        return sample_at(self.line.pyramid, log_time_s)

    def extremes(self, start_log_s: float, stop_log_s: float, with_band: bool) -> tuple[float, float]:
        """Exact extremes in a window, its band included where asked."""
        low, high = self.line.pyramid.extremes(start_log_s, stop_log_s)
        if with_band and self.line.band is not None:
            low = min(low, self.line.band[0].extremes(start_log_s, stop_log_s)[0])
            high = max(high, self.line.band[1].extremes(start_log_s, stop_log_s)[1])
        return low, high

    def boundingRect(self) -> QRectF:
        return self._window

    def dataBounds(self, *_args: object, **_more: object) -> tuple[None, None]:
        """Ranges are set by the stack, never found by the plot."""
        return None, None

    def pixelPadding(self) -> float:
        return 0.0

    def viewTransformChanged(self) -> None:
        """Points are looked up by `show_window`."""

    def paint(self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None) -> None:
        if not self.n_points:
            return
        transform = painter.worldTransform()
        painter.save()
        is_dense = self._is_dense(transform.m11(), transform.m22())
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, not is_dense)
        painter.setPen(self.look.pen())
        x, y = self._points if is_dense else _thinned(*self._points, 0.4 / max(abs(transform.m22()), 1e-300))
        pieces = [pg.functions.arrayToQPolygonF(*piece) for piece in _pieces(x, y, self._pixel_s)]
        for shift in _SHIFTS[:1] if is_dense else _SHIFTS:
            painter.resetTransform()
            painter.translate(*shift)
            painter.setTransform(transform, True)
            for piece in pieces:
                painter.drawPolyline(piece)
        painter.resetTransform()
        if self.look.marker:
            sign = marker_picture(self.look, painter.device().devicePixelRatio())
            half = sign.deviceIndependentSize().width() / 2.0
            for x, y in self._marker_places(transform).tolist():
                painter.drawPixmap(QPointF(x - half, y - half), sign)
        painter.restore()

    def _is_dense(self, x_scale: float, y_scale: float) -> bool:
        """A line that goes up and down much more than it goes along."""
        return self._rise * abs(y_scale) > _DENSE * max(self._window.width() * abs(x_scale), 50.0)

    def _marker_places(self, transform: QTransform) -> Array:
        """Pixels of the points nearest to a grid of times that is fixed in the log, shape (k, 2): markers move with the line."""
        x, y = self._points
        step = 2.0 ** math.ceil(math.log2(_MARKER_EVERY_PX / max(abs(transform.m11()), 1e-12)))
        first = math.ceil(self._window.left() / step - self._marker_phase)
        wanted = (np.arange(first, math.floor(self._window.right() / step - self._marker_phase) + 1) + self._marker_phase) * step
        i = np.minimum(np.searchsorted(x, wanted), len(x) - 1)
        i = i[(np.abs(x[i] - wanted) < 0.1 * step) & np.isfinite(y[i])]
        return np.column_stack((transform.dx() + transform.m11() * x[i], transform.dy() + transform.m22() * y[i]))


class PyramidBand(pg.GraphicsObject):
    """One standard deviation to either side of a line, semi-transparent."""

    def __init__(self, line: Line, look: Look, zero_log_s: float) -> None:
        super().__init__()
        self.setFlag(QGraphicsItem.GraphicsItemFlag.ItemHasNoContents, False)
        self.setZValue(_BAND_Z)
        self._pieces: list[QPolygonF] = []
        self._window = QRectF()
        self.set_line(line, look, zero_log_s)

    def set_line(self, line: Line, look: Look, zero_log_s: float) -> None:
        """Take another result; nothing is drawn until the next `show_window`."""
        self._line, self._zero_log_s = line, zero_log_s
        colour = QColor(look.colour)
        colour.setAlpha(_BAND_ALPHA)
        self._brush = QBrush(colour)

    def show_window(self, start_log_s: float, stop_log_s: float, n_pixels: int) -> None:
        """Look up the outline for a window."""
        self._pieces = []
        if self._line.band is not None:
            pixel_s = (stop_log_s - start_log_s) / max(n_pixels, 1)
            log_time_s, bottom, top = visible_band(*self._line.band, start_log_s, stop_log_s, n_pixels)
            x = log_time_s - self._zero_log_s
            for (at, low), (_, high) in zip(_pieces(x, bottom, pixel_s), _pieces(x, top, pixel_s), strict=True):
                outline = np.concatenate((at, at[::-1])), np.concatenate((low, high[::-1]))
                self._pieces.append(pg.functions.arrayToQPolygonF(*outline))
        self.prepareGeometryChange()
        self._window = QRectF(start_log_s - self._zero_log_s, -1e30, stop_log_s - start_log_s, 2e30)
        self.update()

    def boundingRect(self) -> QRectF:
        return self._window

    def paint(self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None) -> None:
        painter.setPen(QPen(Qt.PenStyle.NoPen))
        painter.setBrush(self._brush)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        for piece in self._pieces:
            painter.drawPolygon(piece)


def _thinned(x: Array, y: Array, height: float) -> tuple[Array, Array]:
    """Without every second point that differs from the one before by less than `height`: on a smooth line it adds only cost."""
    keep = np.ones(len(y), dtype=bool)
    odd = y[1::2]
    with np.errstate(invalid="ignore"):
        keep[1::2] = ~(np.abs(odd - y[::2][: len(odd)]) < height)
    keep[-1] = True
    return x[keep], y[keep]


def _pieces(x: Array, y: Array, pixel_s: float) -> Iterator[tuple[Array, Array]]:
    """Runs of finite points; what is narrower than two pixels becomes that wide, or a lone sample could not be seen."""
    edge = np.flatnonzero(np.diff(np.concatenate(([False], np.isfinite(y), [False])).astype(np.int8)))
    for start, stop in zip(edge[::2], edge[1::2], strict=True):
        run_x, run_y = x[start:stop], y[start:stop]
        if run_x[-1] == run_x[0]:
            run_x, run_y = np.array([run_x[0] - pixel_s, run_x[0] + pixel_s]), np.array([run_y.min(), run_y.max()])
        yield run_x, run_y


def sample_at(pyramid: Pyramid, log_time_s: float) -> float:
    """Value of the sample at or before a time; NaN outside the record and inside a gap."""
    i = int(pyramid.log_time_s.searchsorted(log_time_s, side="right")) - 1
    if i < 0 or (i == len(pyramid.values) - 1 and log_time_s > pyramid.log_time_s[-1] + 2.0 * pyramid.step_s):
        return float("nan")
    gap = int(pyramid.i_gap.searchsorted(i))
    if gap < len(pyramid.i_gap) and pyramid.i_gap[gap] == i and log_time_s > pyramid.log_time_s[i] + 2.0 * pyramid.step_s:
        return float("nan")
    return float(pyramid.values[i])
