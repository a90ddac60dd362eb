"""How the plumb circle is drawn: rings and compass, tracks coloured by time, marks of events, and the points at the cursor."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QLinearGradient, QPainter, QPainterPath, QPen, QPolygonF

from replay.desktop import style
from replay.desktop.time_scale import number
from replay.review.nose import NoseTrack
from replay.scene import palette

Array = NDArray[np.float64]

RING_STEP_DEG: Final = {
    0.5: 0.1, 1.0: 0.25, 1.5: 0.5, 2.0: 0.5, 3.0: 1.0, 4.0: 1.0, 5.0: 1.0, 6.0: 2.0, 8.0: 2.0, 10.0: 2.0, 12.0: 3.0, 15.0: 5.0, 20.0: 5.0,
    25.0: 5.0, 30.0: 10.0, 40.0: 10.0, 50.0: 10.0, 60.0: 15.0, 75.0: 15.0, 90.0: 30.0, 120.0: 30.0, 150.0: 30.0, 180.0: 45.0,
}  # fmt: skip
"""Size of the circle -> degrees between rings."""
_COMPASS: Final = (("N", 0.0), ("E", 90.0), ("S", 180.0), ("W", 270.0))
_RING: Final = "#C9D0D5"
_N_COLOURS: Final = 64
_FAT_CROSS: Final = [
    (1.5, -0.5), (1.5, 0.5), (0.5, 0.5), (0.5, 1.5), (-0.5, 1.5), (-0.5, 0.5), (-1.5, 0.5), (-1.5, -0.5), (-0.5, -0.5), (-0.5, -1.5),
    (0.5, -1.5), (0.5, -0.5),
]  # fmt: skip


@dataclass(frozen=True)
class Look:
    """How one track is told from the others: dashes of its line, and shape and fill of the nose at the cursor."""

    dash: tuple[float, ...]
    sign: str
    fill: str


LOOKS: Final = {
    "believed": Look((4.0, 2.5), "diamond", style.PAPER),
    "corrected": Look((), "disc", palette.VERMILLION),
    "re-flown": Look((7.0, 2.2, 1.2, 2.2), "cross", palette.PURPLE),
}
"""Open diamond and dashes, full disc and a whole line, fat cross and dash-dot."""


@dataclass(frozen=True)
class Dial:
    """The circle on screen: centre and radius in logical pixels, and the tilt at its rim."""

    centre: QPointF
    radius_px: float
    range_deg: float

    def point(self, east_deg: float, north_deg: float) -> QPointF:
        """Pixel of a place."""
        scale = self.radius_px / self.range_deg
        return QPointF(self.centre.x() + east_deg * scale, self.centre.y() - north_deg * scale)

    def pixels(self, east_deg: Array, north_deg: Array) -> tuple[Array, Array]:
        """Pixels of many places."""
        scale = self.radius_px / self.range_deg
        return self.centre.x() + east_deg * scale, self.centre.y() - north_deg * scale

    def on_rim(self, east_deg: float, north_deg: float) -> tuple[QPointF, bool]:
        """Pixel of a place, pulled in to the rim where it lies outside; and whether it does."""
        tilt_deg = math.hypot(east_deg, north_deg)
        if tilt_deg <= self.range_deg:
            return self.point(east_deg, north_deg), False
        share = self.range_deg / tilt_deg
        return self.point(east_deg * share, north_deg * share), True


@lru_cache(maxsize=256)
def ramp(share: float) -> QColor:
    """Colour of a moment, 0 early to 1 late; one object for each, not to be changed."""
    place = min(max(share, 0.0), 1.0) * (len(palette.TIME_RAMP) - 1)
    i = min(int(place), len(palette.TIME_RAMP) - 2)
    a, b = QColor(palette.TIME_RAMP[i]), QColor(palette.TIME_RAMP[i + 1])
    f = place - i
    return QColor(*(round(x + f * (y - x)) for x, y in zip(a.getRgb()[:3], b.getRgb()[:3], strict=True)))


def _halo_text(painter: QPainter, where: QPointF, text: str, colour: str, align: str = "centre") -> QRectF:
    """Text on white, so that it can be read across lines; the field it takes."""
    metrics = QFontMetricsF(painter.font())
    width, height = metrics.horizontalAdvance(text), metrics.height()
    left = where.x() - (width / 2.0 if align == "centre" else 0.0 if align == "left" else width)
    field = QRectF(left, where.y() - height / 2.0, width, height)
    ground = QColor(style.PAPER)
    ground.setAlpha(215)
    painter.fillRect(field.adjusted(-2, 1, 2, -1), ground)
    painter.setPen(QColor(colour))
    painter.drawText(field, Qt.AlignmentFlag.AlignCenter, text)
    return field


def paint_dial(painter: QPainter, dial: Dial) -> list[QRectF]:
    """Rings with degrees, the cross and compass marks; the fields that texts take."""
    step = RING_STEP_DEG[dial.range_deg]
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    painter.setBrush(QColor(style.PAPER))
    painter.setPen(QPen(QColor(style.MUTED), 1.2))
    painter.drawEllipse(dial.centre, dial.radius_px, dial.radius_px)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(QColor(_RING), 1.0))
    rings = [step * k for k in range(1, int(dial.range_deg / step + 1e-9) + 1)]
    for ring in rings:
        if ring < dial.range_deg - 1e-9:
            painter.drawEllipse(dial.centre, dial.radius_px * ring / dial.range_deg, dial.radius_px * ring / dial.range_deg)
    r = dial.radius_px
    painter.drawLine(dial.centre - QPointF(r, 0), dial.centre + QPointF(r, 0))
    painter.drawLine(dial.centre - QPointF(0, r), dial.centre + QPointF(0, r))
    metrics = QFontMetricsF(painter.font())
    fields = []
    for text, azimuth_deg in _COMPASS:
        azimuth = math.radians(azimuth_deg)
        out = r + 4.0 + metrics.height() * 0.55
        where = dial.centre + QPointF(out * math.sin(azimuth), -out * math.cos(azimuth))
        fields.append(_halo_text(painter, where, text, style.INK))
    for ring in rings:
        at = dial.radius_px * ring / dial.range_deg
        slant = math.radians(45.0)
        where = dial.centre + QPointF(at * math.sin(slant), -at * math.cos(slant))
        fields.append(_halo_text(painter, where, f"{ring:g}°", style.MUTED))
    return fields


def between(track: NoseTrack, start_log_s: float, stop_log_s: float) -> slice:
    """Points between two times, with the one before."""
    first = int(np.searchsorted(track.log_time_s, start_log_s, side="right"))
    return slice(max(first - 1, 0), int(np.searchsorted(track.log_time_s, stop_log_s, side="right")))


@dataclass(frozen=True, eq=False)
class TrackDrawn:
    """A track cut to what is shown: times and pixels, shape (p,), NaN parting what is not joined."""

    log_time_s: Array
    x_px: Array
    y_px: Array

    @classmethod
    def of(cls, track: NoseTrack, dial: Dial, start_log_s: float, stop_log_s: float) -> TrackDrawn:
        """Between two times, without points that fall on the pixel of the one before."""
        part = between(track, start_log_s, stop_log_s)
        x, y = dial.pixels(track.east_deg[part], track.north_deg[part])
        time_s = track.log_time_s[part]
        if len(x) > 2:
            cell = np.nan_to_num(np.round(1.4 * x) + 1j * np.round(1.4 * y), nan=1e9)
            keep = np.concatenate(([True], cell[1:] != cell[:-1]))
            keep[-1] = True
            x, y, time_s = x[keep], y[keep], time_s[keep]
        return cls(time_s, x, y)

    def nearest(self, where: QPointF) -> tuple[float, float]:
        """Distance in pixels to the nearest point, and its time; (inf, nan) of an empty track."""
        good = np.isfinite(self.x_px)
        if not good.any():
            return math.inf, math.nan
        distance = np.hypot(self.x_px[good] - where.x(), self.y_px[good] - where.y())
        i = int(distance.argmin())
        return float(distance[i]), float(self.log_time_s[good][i])


def paint_track(painter: QPainter, track: TrackDrawn, dial: Dial, start_log_s: float, stop_log_s: float, look: Look) -> None:
    """The track coloured by time, clipped to the circle; its dashes go on without a break where the colour changes."""
    good = np.isfinite(track.x_px)
    if good.sum() < 2:
        return
    painter.save()
    width = 2.2
    if np.nanmax(np.hypot(track.x_px - dial.centre.x(), track.y_px - dial.centre.y())) > dial.radius_px - width:  # a round clip is slow
        clip = QPainterPath()
        clip.addEllipse(dial.centre, dial.radius_px, dial.radius_px)
        painter.setClipPath(clip)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    share = np.clip((track.log_time_s - start_log_s) / max(stop_log_s - start_log_s, 1e-9), 0.0, 1.0)
    colour = np.minimum((share * _N_COLOURS).astype(int), _N_COLOURS - 1)
    is_cut = np.concatenate(([True], (colour[1:] != colour[:-1]) | (good[1:] != good[:-1])))
    bounds = np.append(np.flatnonzero(is_cut), len(colour))
    with np.errstate(invalid="ignore"):
        steps = np.nan_to_num(np.hypot(np.diff(track.x_px), np.diff(track.y_px)))
    along = np.concatenate(([0.0], np.cumsum(steps)))
    points = pg.functions.arrayToQPolygonF(track.x_px, track.y_px)
    pen = QPen(Qt.PenStyle.SolidLine)
    pen.setWidthF(width)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    if look.dash:
        pen.setDashPattern(list(look.dash))
    for a, b in itertools.pairwise(bounds.tolist()):
        stop = b + 1 if b < len(good) and good[b] else b  # join up with the next colour
        if not good[a] or stop - a < 2:
            continue
        pen.setColor(ramp((colour[a] + 0.5) / _N_COLOURS))
        if look.dash:
            pen.setDashOffset(float(along[a]) / width)
        painter.setPen(pen)
        painter.drawPolyline(points.sliced(a, stop - a))
    painter.restore()


def _shape(name: str, where: QPointF, r: float) -> QPolygonF:
    x, y = where.x(), where.y()
    corners = {
        "liftoff": [(0, -1.1), (1, 0.8), (-1, 0.8)],
        "burnout": [(-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)],
        "apogee": [(0, 1.1), (1, -0.8), (-1, -0.8)],
    }[name]
    return QPolygonF([QPointF(x + r * u, y + r * v) for u, v in corners])


def paint_marks(painter: QPainter, marks: Sequence[tuple[str, QPointF]], taken: list[QRectF]) -> None:
    """Liftoff, burnout and apogee: a sign each (`taken` grows)."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    for name, where in marks:
        painter.setPen(QPen(QColor(style.INK), 1.3))
        painter.setBrush(QColor(style.PAPER))
        painter.drawPolygon(_shape(name, where, 5.0))
        taken.append(QRectF(where.x() - 6, where.y() - 6, 12, 12))
    painter.setBrush(Qt.BrushStyle.NoBrush)


def paint_names(painter: QPainter, marks: Sequence[tuple[str, QPointF]], taken: list[QRectF]) -> None:
    """The name of each mark, where it covers neither a sign nor a text (`taken` grows)."""
    metrics = QFontMetricsF(painter.font())
    for name, where in marks:
        width, height = metrics.horizontalAdvance(name), metrics.height()
        for dx, dy in ((9, 0), (-9 - width, 0), (9, 14), (-9 - width, 14), (9, -14), (-9 - width, -14), (9, 28), (9, -28)):
            field = QRectF(where.x() + dx, where.y() + dy - height / 2.0, width, height)
            if not any(field.intersects(other) for other in taken):
                taken.append(field)
                _halo_text(painter, QPointF(field.left(), where.y() + dy), name, style.INK, "left")
                break


def paint_time_key(painter: QPainter, field: QRectF, start_s: float, stop_s: float) -> None:
    """What the colours stand for: early to late, seconds from liftoff."""
    metrics = QFontMetricsF(painter.font())
    left_text, right_text = f"{number(start_s, 1)} s", f"{number(stop_s, 1)} s"
    left, right = metrics.horizontalAdvance(left_text) + 6.0, metrics.horizontalAdvance(right_text) + 6.0
    bar = QRectF(field.left() + left, field.center().y() - 4.0, max(field.width() - left - right, 10.0), 8.0)
    gradient = QLinearGradient(bar.topLeft(), bar.topRight())
    for i, colour in enumerate(palette.TIME_RAMP):
        gradient.setColorAt(i / (len(palette.TIME_RAMP) - 1), QColor(colour))
    painter.fillRect(bar, QBrush(gradient))
    painter.setPen(QColor(style.INK))
    painter.drawText(field, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, left_text)
    painter.drawText(field, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight, right_text)


def paint_point(painter: QPainter, where: QPointF, look: Look, *, is_outside: bool, dial: Dial) -> None:
    """The nose at the cursor by its look's sign; an arrow outwards where it is off the circle."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    is_open = look.fill == style.PAPER
    if is_outside:
        angle = math.atan2(where.y() - dial.centre.y(), where.x() - dial.centre.x())
        c, s = math.cos(angle), math.sin(angle)
        corners = [QPointF(where.x() + u * c - v * s, where.y() + u * s + v * c) for u, v in ((9.0, 0.0), (-5.0, 6.0), (-5.0, -6.0))]
        painter.setPen(QPen(QColor(style.INK), 1.8))
        painter.setBrush(QColor(look.fill))
        painter.drawPolygon(QPolygonF(corners))
    elif look.sign == "disc":
        painter.setPen(QPen(QColor(style.PAPER), 2.0))
        painter.setBrush(QColor(look.fill))
        painter.drawEllipse(where, 6.5, 6.5)
    else:
        corners = [(1, 0), (0, 1), (-1, 0), (0, -1)] if look.sign == "diamond" else _FAT_CROSS
        size = 7.5 if look.sign == "diamond" else 5.0
        shape = QPolygonF([QPointF(where.x() + size * u, where.y() + size * v) for u, v in corners])
        painter.setPen(QPen(QColor(style.PAPER), 4.5))
        painter.setBrush(QColor(look.fill))
        painter.drawPolygon(shape)
        painter.setPen(QPen(QColor(style.INK), 2.0 if is_open else 1.0))
        painter.drawPolygon(shape)
    painter.setBrush(Qt.BrushStyle.NoBrush)


def paint_spread(painter: QPainter, where: QPointF, radius_px: float, look: Look, dial: Dial) -> None:
    """One standard deviation of tilt around a point, where it is large enough to be seen beside the point's own sign."""
    if radius_px < 2.0:
        return
    painter.save()
    clip = QPainterPath()
    clip.addEllipse(dial.centre, dial.radius_px, dial.radius_px)
    painter.setClipPath(clip)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    edge = style.MUTED if look.fill == style.PAPER else look.fill
    fill = QColor(edge)
    fill.setAlpha(50)
    pen = QPen(QColor(edge), 1.0)
    if look.dash:
        pen.setDashPattern([2.0 * length for length in look.dash])
    painter.setPen(pen)
    painter.setBrush(fill)
    painter.drawEllipse(where, radius_px, radius_px)
    painter.restore()


def paint_legend_line(painter: QPainter, field: QRectF, text: str, look: Look, dial: Dial) -> None:
    """One line under the circle: how the track is drawn, and its name. Where it points at the cursor goes to the right."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    middle = field.center().y()
    pen = QPen(ramp(0.45), 2.2, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap)
    if look.dash:
        pen.setDashPattern(list(look.dash))
    painter.setPen(pen)
    painter.drawLine(QPointF(field.left(), middle), QPointF(field.left() + 40.0, middle))
    painter.save()
    painter.translate(field.left() + 20.0, middle)
    painter.scale(0.72, 0.72)
    paint_point(painter, QPointF(0.0, 0.0), look, is_outside=False, dial=dial)
    painter.restore()
    painter.setPen(QColor(style.INK))
    painter.drawText(field.adjusted(48.0, 0, 0, 0), Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft, text)
