"""PlumbCircle: where the nose pointed around vertical, seen from above: up is the centre, tilt the distance, compass directions around."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPaintEvent, QPixmap, QRegion, QResizeEvent
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from replay.desktop import plumb_paint as draw
from replay.desktop import style
from replay.desktop.plumb_paint import Dial, TrackDrawn
from replay.desktop.still_picture import put_on
from replay.desktop.time_scale import number
from replay.desktop.trace_style import variant_name
from replay.motion.solution import Solution
from replay.review.nose import NoseTrack, point_deg
from replay.review.series import REFLOWN, Series, of_snapshot, reflown_of
from replay.review.snapshot import Snapshot
from replay.units import DEG

_SPANS: Final = (("To apogee", "ascent"), ("To burnout", "powered"), ("Whole flight", "whole"))
_LAST: Final = {"ascent": "apogee", "powered": "burnout", "whole": "touchdown"}
_MARKED: Final = ("liftoff", "burnout", "apogee")
_CLICK_PX: Final = 9.0


@dataclass(frozen=True, eq=False)
class Pointing:
    """One attitude over time that can be looked up: its part on the circle (a key of `plumb_paint.LOOKS`), and its name on screen."""

    part: str
    name: str
    log_time_s: np.ndarray
    q_enu_from_body: np.ndarray
    tilt_sd_rad: np.ndarray | None
    track: NoseTrack

    def index(self, log_time_s: float) -> int | None:
        """Sample at or before a time; None before the record and well after it."""
        i = int(self.log_time_s.searchsorted(log_time_s, side="right")) - 1
        return i if i >= 0 and log_time_s <= self.log_time_s[-1] + 1.0 else None

    def place_deg(self, log_time_s: float) -> tuple[float, float] | None:
        """East and north on the circle, degrees; None where the attitude is not known."""
        i = self.index(log_time_s)
        if i is None:
            return None
        east, north = point_deg(self.q_enu_from_body[i])
        return (east, north) if math.isfinite(east) else None

    def sd_deg(self, log_time_s: float) -> float | None:
        """One standard deviation of tilt, where the method has it."""
        i = self.index(log_time_s)
        if i is None or self.tilt_sd_rad is None or not math.isfinite(self.tilt_sd_rad[i]):
            return None
        return float(self.tilt_sd_rad[i]) / DEG


def pointings(snapshot: Snapshot, series: Series) -> tuple[Pointing, ...]:
    """What was believed, what is corrected, and what was flown again, as far as there are.

    Believed is the computer's own attitude where it was logged, else the flight as flown. Corrected is the what-if where there is
    one, else the flight as flown; none where that is what was believed already.
    """

    def of(part: str, solution: Solution, variant: str) -> Pointing:
        times, q = solution.log_time_s, solution.q_enu_from_body
        return Pointing(part, variant_name(variant), times, q, solution.tilt_sd_rad, series.tracks[variant])

    found = []
    if snapshot.onboard is not None:
        log_time_s, q = snapshot.onboard
        found.append(Pointing("believed", "onboard", np.asarray(log_time_s), np.asarray(q), None, series.tracks["onboard"]))
    else:
        found.append(of("believed", snapshot.as_flown, "as_flown"))
    if snapshot.what_if is not None:
        found.append(of("corrected", snapshot.what_if, "what_if"))
    elif snapshot.onboard is not None:
        found.append(of("corrected", snapshot.as_flown, "as_flown"))
    reflown = reflown_of(snapshot)
    if reflown is not None:
        found.append(of("re-flown", reflown, REFLOWN))
    return tuple(found)


class PlumbCircle(QWidget):
    """A view: `show_snapshot` draws a result, `move_cursor` moves the points."""

    cursor_requested = Signal(float)
    """The user clicked on a track: the log time there."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Plumb circle")
        self.face = _Face()
        self.span = QComboBox()
        self.span.setAccessibleName("Part of the flight on the plumb circle")
        for text, value in _SPANS:
            self.span.addItem(text, value)
        self.span.currentIndexChanged.connect(lambda _: self.face.set_span(self.span.currentData()))
        heading = QLabel("heading declared, not measured")
        heading.setObjectName("muted")
        heading.setToolTip("Inertial sensors cannot tell where north is: the compass marks follow the declared pad azimuth.")
        row = QHBoxLayout()
        row.setContentsMargins(style.GAP, 2, style.GAP, 2)
        row.setSpacing(style.GAP)
        row.addWidget(self.span)
        row.addStretch(1)
        row.addWidget(heading)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addLayout(row)
        column.addWidget(self.face, 1)
        self.face.cursor_requested.connect(self.cursor_requested)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result."""
        self.face.show_snapshot(snapshot)

    def forget_flight(self) -> None:
        """An empty dial."""
        self.face.clear()

    def move_cursor(self, log_time_s: float) -> None:
        """Move the points; the tracks are not drawn again."""
        self.face.move_cursor(log_time_s)

    def set_span(self, name: str) -> None:
        """Show "ascent" (liftoff to apogee), "powered" (to burnout) or the "whole" flight."""
        self.span.setCurrentIndex(self.span.findData(name))

    def sizeHint(self) -> QSize:
        return QSize(340, 400)


class _Face(QWidget):
    """The circle itself. What stands still is drawn once a change; a cursor step copies it and draws a point and a line for each track."""

    cursor_requested = Signal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(220, 240)
        self.setAccessibleName("Nose direction around vertical")
        self.setToolTip(
            "Seen from above: the centre is straight up, distance is tilt. Colour is time from liftoff. Click a track to go there."
        )
        self._series: Series | None = None
        self._pointings: tuple[Pointing, ...] = ()
        self._span = "ascent"
        self._cursor_log_s: float | None = None
        self._picture: QPixmap | None = None
        self._drawn: list[TrackDrawn] = []
        self.dial = Dial(QPointF(), 1.0, 5.0)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        self._series = of_snapshot(snapshot)
        self._pointings = pointings(snapshot, self._series)
        self._lay_out()

    def clear(self) -> None:
        self._series, self._pointings = None, ()
        self._lay_out()

    def move_cursor(self, log_time_s: float) -> None:
        for at in (self._cursor_log_s, log_time_s):
            if at is not None:
                self.update(self._touched(at))
        self._cursor_log_s = log_time_s

    def _touched(self, log_time_s: float) -> QRegion:
        """What the points and readings of one time cover."""
        region = QRegion()
        for row, pointing in enumerate(self._pointings):
            region += self._foot(row).toAlignedRect()
            at = pointing.place_deg(log_time_s)
            if at is not None:
                where, _ = self.dial.on_rim(*at)
                reach = max(12.0, self._spread_px(pointing, log_time_s) + 2.0)
                region += QRectF(where.x() - reach, where.y() - reach, 2.0 * reach, 2.0 * reach).toAlignedRect()
        return region

    def _spread_px(self, pointing: Pointing, log_time_s: float) -> float:
        sd_deg = pointing.sd_deg(log_time_s)
        return 0.0 if sd_deg is None else min(sd_deg * self.dial.radius_px / self.dial.range_deg, 4000.0)

    def set_span(self, name: str) -> None:
        self._span = name
        self._lay_out()

    @property
    def window_log_s(self) -> tuple[float, float]:
        """Times between which the tracks are drawn."""
        assert self._series is not None
        marks = self._series.marks
        events = dict(marks.events)
        start = events.get("liftoff", marks.start_log_s)
        stop = events.get(_LAST[self._span], marks.stop_log_s)
        return start, stop if stop > start else marks.stop_log_s

    def _line_px(self) -> float:
        return QFontMetricsF(self.font()).height() + 2.0

    @property
    def _n_foot(self) -> int:
        """Lines below the circle: one a track, at least two, and the key of time."""
        return max(len(self._pointings), 2) + 1

    def _lay_out(self) -> None:
        foot = self._n_foot * self._line_px() + 6.0
        rim = self._line_px() + 6.0
        radius = max(min(self.width() / 2.0 - rim, (self.height() - foot) / 2.0 - rim), 20.0)
        self.dial = Dial(QPointF(self.width() / 2.0, (self.height() - foot) / 2.0), radius, self._range_deg())
        self._picture = None
        self.update()

    def _range_deg(self) -> float:
        """The smallest circle that holds what is drawn."""
        if self._series is None:
            return 5.0
        start, stop = self.window_log_s
        largest = 0.0
        for pointing in self._pointings:
            part = draw.between(pointing.track, start, stop)
            tilt = np.hypot(pointing.track.east_deg[part], pointing.track.north_deg[part])
            largest = max(largest, float(np.nanmax(tilt)) if np.isfinite(tilt).any() else 0.0)
        return next((size for size in draw.RING_STEP_DEG if size >= 1.02 * largest), 180.0)

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._lay_out()
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        ratio = self.devicePixelRatioF()
        if self._picture is None or self._picture.devicePixelRatioF() != ratio:
            self._picture = self._still(ratio)
        painter = QPainter(self)
        put_on(painter, event, self._picture)
        if self._cursor_log_s is not None:
            self._paint_now(painter, self._cursor_log_s)
        painter.end()

    def _still(self, ratio: float) -> QPixmap:
        picture = QPixmap(max(1, round(self.width() * ratio)), max(1, round(self.height() * ratio)))
        picture.setDevicePixelRatio(ratio)
        picture.fill(QColor(style.PAPER))
        painter = QPainter(picture)
        painter.setFont(style.small(self, 0.94))
        taken = draw.paint_dial(painter, self.dial)
        self._drawn = []
        if self._series is not None:
            start, stop = self.window_log_s
            zero = self._series.marks.zero_log_s
            for pointing in self._pointings:
                self._drawn.append(TrackDrawn.of(pointing.track, self.dial, start, stop))
                draw.paint_track(painter, self._drawn[-1], self.dial, start, stop, draw.LOOKS[pointing.part])
            places = [self._event_places(pointing) for pointing in reversed(self._pointings)]
            for marks in places:
                draw.paint_marks(painter, marks, taken)
            if places:
                draw.paint_names(painter, places[0], taken)  # when every sign stands: none of them covers a name
            self._paint_legend(painter)
            draw.paint_time_key(painter, self._foot(self._n_foot - 1), start - zero, stop - zero)
        painter.end()
        return picture

    def _event_places(self, pointing: Pointing) -> list[tuple[str, QPointF]]:
        assert self._series is not None
        start, stop = self.window_log_s
        places = []
        for name, log_time_s in self._series.marks.events:
            at = pointing.place_deg(log_time_s) if name in _MARKED and start <= log_time_s <= stop else None
            if at is not None and math.hypot(*at) <= self.dial.range_deg:
                places.append((name, self.dial.point(*at)))
        return places

    def _foot(self, row: int) -> QRectF:
        top = self.height() - (self._n_foot - row) * self._line_px() - 4.0
        return QRectF(style.GAP + 2.0, top, self.width() - 2.0 * style.GAP - 4.0, self._line_px())

    def _paint_legend(self, painter: QPainter) -> None:
        for row, pointing in enumerate(self._pointings):
            draw.paint_legend_line(painter, self._foot(row), legend_text(pointing), draw.LOOKS[pointing.part], self.dial)

    def _paint_now(self, painter: QPainter, log_time_s: float) -> None:
        painter.setFont(style.figures(self, 0.94))
        for row, pointing in enumerate(self._pointings):
            at = pointing.place_deg(log_time_s)
            if at is None:
                continue
            where, is_outside = self.dial.on_rim(*at)
            look = draw.LOOKS[pointing.part]
            sd_deg = pointing.sd_deg(log_time_s)
            if not is_outside:
                draw.paint_spread(painter, where, self._spread_px(pointing, log_time_s), look, self.dial)
            draw.paint_point(painter, where, look, is_outside=is_outside, dial=self.dial)
            painter.setPen(QColor(style.INK))
            painter.drawText(self._foot(row), Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight, reading(*at, sd_deg))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        found = min((track.nearest(event.position()) for track in self._drawn), default=(math.inf, math.nan))
        if event.button() == Qt.MouseButton.LeftButton and found[0] <= _CLICK_PX:
            self.cursor_requested.emit(found[1])
            event.accept()
        else:
            event.ignore()


def legend_text(pointing: Pointing) -> str:
    """ "corrected: what-if"; the re-flown flight goes by its own name, and what flew is estimated, not corrected."""
    if (pointing.part, pointing.name) == ("corrected", "as flown"):
        return "estimated: as flown"
    return pointing.name if pointing.name == pointing.part else f"{pointing.part}: {pointing.name}"


def reading(east_deg: float, north_deg: float, sd_deg: float | None) -> str:
    """Tilt and the compass direction it leans to, in words and figures."""
    azimuth_deg = math.degrees(math.atan2(east_deg, north_deg)) % 360.0
    spread = "" if sd_deg is None else f" ±{number(sd_deg, 2)}"
    return f"{number(math.hypot(east_deg, north_deg), 2)}{spread}° to {azimuth_deg:03.0f}°"
