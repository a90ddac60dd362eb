"""What one frame of a film holds besides the 3D picture: slate, burned-in time, trace strip and readout, as draw lists (no Qt here)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.figures.film_clock import FilmClock
from replay.figures.lines import look_of, pane_keys
from replay.figures.style import VARIANT_NAMES
from replay.motion.solution import PHASES
from replay.review.marks import known_events, phase_spans
from replay.review.readout import rows_at
from replay.review.series import Line, of_snapshot, reflown_of
from replay.review.snapshot import Snapshot
from replay.scene.build import signed
from replay.scene.drawlist import DrawList, Polygon, Polyline, Primitive, Rgba, Text, rgba
from replay.scene.emblem import plumb_bob
from replay.scene.palette import PHASE_SHADES, SERIES

Array = NDArray[np.float64]

_INK, _MUTED, _RULE = rgba("#1F2529"), rgba("#566169"), rgba("#C9D0D6")
_SMALLEST_PX: Final = 9.0
_READOUT_COLUMNS: Final = {1: (0.97,), 2: (0.60, 0.97), 3: (0.345, 0.66, 0.975)}
"""How many there are -> the right edges, as shares of the width."""
_READOUT_ROWS: Final = ("tilt", "tilt azimuth", "roll", "height", "speed", "vertical speed", "force along")


@dataclass(frozen=True)
class Layout:
    """Where the parts of a frame stand, px: (x, y, width, height). Strip and readout are None where they are left out."""

    size_px: tuple[int, int]
    scene: tuple[int, int, int, int]
    strip: tuple[int, int, int, int] | None
    readout: tuple[int, int, int, int] | None
    text_px: float

    @classmethod
    def of(cls, size_px: tuple[int, int], *, has_traces: bool, has_readout: bool) -> Layout:
        """The picture gets what the strip along the bottom and the column at the right leave."""
        width, height = size_px
        strip_height = round(0.27 * height) if has_traces else 0
        column = round(0.245 * width) if has_readout else 0
        text_px = max(_SMALLEST_PX, min(0.0185 * height, 0.0125 * width))
        return cls(
            size_px,
            (0, 0, width - column, height - strip_height),
            (0, height - strip_height, width, strip_height) if has_traces else None,
            (width - column, 0, column, height - strip_height) if has_readout else None,
            text_px,
        )


def moment_text(snapshot: Snapshot, log_time_s: float) -> str:
    """T+3.420 s, or the log's own time where liftoff is not known."""
    liftoff = snapshot.as_flown.events.liftoff_log_s
    return f"T{signed(log_time_s - liftoff, 3)} s" if math.isfinite(liftoff) else f"log {log_time_s:.3f} s"


def burned_in(snapshot: Snapshot, clock: FilmClock, frame: int, layout: Layout, plate: Rgba | None) -> DrawList:
    """Time from liftoff, phase, frame number (the first frame of the file is 1) and speed, right-aligned."""
    log_time_s = clock.time_of(frame)
    width, height = round(22.0 * layout.text_px), round(4.6 * layout.text_px)
    speed = clock.speed_at(log_time_s)
    phase = PHASES[int(snapshot.as_flown.events.phase_of(np.array(log_time_s)))]
    below = f"{phase}   frame {frame + 1} of {clock.n_frames}" + (f"   ×{speed:.3g}" if abs(speed - 1.0) > 5e-4 else "")
    x = width - 0.8 * layout.text_px
    shapes: list[Primitive] = [
        Text(x, 1.6 * layout.text_px, moment_text(snapshot, log_time_s), 1.7 * layout.text_px, _INK, "right", "middle", is_bold=True),
        Text(x, 3.4 * layout.text_px, below, layout.text_px, _MUTED, "right"),
    ]
    return DrawList((width, height), tuple(shapes), plate)


def readout(snapshot: Snapshot, log_time_s: float, layout: Layout, plate: Rgba | None) -> DrawList:
    """The main numbers at an instant with units and standard deviations: as flown, and beside them what-if and re-flown flight."""
    assert layout.readout is not None
    _, _, width, height = layout.readout
    text_px = layout.text_px
    rows = {row.label: row for row in rows_at(snapshot, log_time_s) if row.label in _READOUT_ROWS}
    there = {"as_flown": True, "what_if": snapshot.what_if is not None, "reflown": reflown_of(snapshot) is not None}
    names = [name for name, is_there in there.items() if is_there]
    columns = {name: x * width for name, x in zip(names, _READOUT_COLUMNS[len(names)], strict=True)}
    value_px = text_px * (1.05 if len(names) < 3 else 0.86)
    step, y = 1.75 * text_px, 1.2 * text_px
    shapes: list[Primitive] = []
    for name, x in columns.items():
        shapes.append(Text(x, y, VARIANT_NAMES[name], text_px, _MUTED, "right"))
        colour, dash = SERIES[name]
        under = np.array([[x - 3.4 * text_px, y + 0.85 * text_px], [x, y + 0.85 * text_px]])
        shapes.append(Polyline(under, rgba(colour), max(1.2, 0.1 * text_px), dash))  # type: ignore[arg-type]
    for label, row in rows.items():
        y += 1.9 * step
        unit = f", {row.unit}" if row.unit else ""
        shapes.append(Text(0.04 * width, y - 0.8 * step, f"{label}{unit}", 0.9 * text_px, _MUTED))
        for name, x in columns.items():
            shapes.append(Text(x, y, getattr(row, name), value_px, _INK, "right", is_bold=name == "as_flown"))
        if y + 2.5 * step > height:
            break
    return DrawList((width, height), tuple(shapes), plate)


class TraceStrip:
    """Traces over the film's span with phases: drawn once; per frame only the cursor moves."""

    def __init__(self, snapshot: Snapshot, keys: tuple[str, ...], clock: FilmClock, layout: Layout) -> None:
        assert layout.strip is not None
        _, _, self.width, self.height = layout.strip
        self._text_px = layout.text_px
        self._start_s, self._stop_s = clock.start_s, clock.stop_s
        self._snapshot = snapshot
        self._series = of_snapshot(snapshot)
        self._keys = pane_keys(self._series, keys)
        self._left, self._right = round(11.5 * layout.text_px), self.width - round(1.2 * layout.text_px)
        self._top, self._bottom = round(2.9 * layout.text_px), self.height - round(2.0 * layout.text_px)

    def still(self, plate: Rgba | None) -> DrawList:
        """Everything but the cursor."""
        shapes = [*self._key(), *self._phases(), *self._time_axis()]
        n = max(len(self._keys), 1)
        gap = 0.5 * self._text_px
        each = (self._bottom - self._top - gap * (n - 1)) / n
        for i, key in enumerate(self._keys):
            low = self._top + i * (each + gap)
            shapes.extend(self._pane(key, low, low + each))
        return DrawList((self.width, self.height), tuple(shapes), plate)

    def cursor(self, log_time_s: float) -> DrawList:
        """A line at the instant shown."""
        x = self._x(log_time_s)
        line = Polyline(np.array([[x, self._top - 0.3 * self._text_px], [x, self._bottom]]), _INK, max(1.5, 0.1 * self._text_px))
        return DrawList((self.width, self.height), (line,), None)

    def _x(self, log_time_s: float) -> float:
        return self._left + (self._right - self._left) * (log_time_s - self._start_s) / (self._stop_s - self._start_s)

    def _key(self) -> list[Primitive]:
        """Which dash is whose, of everything the strip draws."""
        shapes: list[Primitive] = []
        x, y, size = float(self._left), 0.8 * self._text_px, 0.85 * self._text_px
        seen: set[str] = set()
        for key in self._keys:
            lines = self._series.lines(key)
            for place, line in enumerate(lines):
                if line.variant in seen:
                    continue
                seen.add(line.variant)
                colour, dash = self._look(key, line, len(lines), place)
                name = VARIANT_NAMES.get(line.variant, line.variant)
                sample = np.array([[x, y], [x + 2.4 * size, y]])
                shapes.append(Polyline(sample, rgba(colour), max(1.2, 0.1 * self._text_px), dash))  # type: ignore[arg-type]
                shapes.append(Text(x + 2.9 * size, y, name, size, _MUTED))
                x += (4.6 + 0.62 * len(name)) * size
        return shapes

    def _look(self, key: str, line: Line, n_lines: int, place: int) -> tuple[str, str]:
        return look_of(line, self._series.catalogue[key].component if n_lines == 1 else "", 1, place)

    def _phases(self) -> list[Primitive]:
        shapes: list[Primitive] = []
        for span in phase_spans(self._snapshot.as_flown.events, self._start_s, self._stop_s):
            low, high = self._x(max(span.start_log_s, self._start_s)), self._x(min(span.stop_log_s, self._stop_s))
            box = np.array([[low, self._top], [high, self._top], [high, self._bottom], [low, self._bottom]])
            shapes.append(Polygon(box, rgba(PHASE_SHADES[span.name])))
            if high - low > 0.62 * self._text_px * len(span.name):
                shapes.append(Text(0.5 * (low + high), self._top - 0.75 * self._text_px, span.name, 0.85 * self._text_px, _MUTED, "centre"))
        return shapes

    def _time_axis(self) -> list[Primitive]:
        liftoff = self._snapshot.as_flown.events.liftoff_log_s
        zero = liftoff if math.isfinite(liftoff) else 0.0
        shapes: list[Primitive] = []
        for tick in round_ticks(self._start_s - zero, self._stop_s - zero, 9):
            x = self._x(tick + zero)
            shapes.append(Polyline(np.array([[x, self._bottom], [x, self._bottom + 0.3 * self._text_px]]), _MUTED, 1.0))
            shapes.append(Text(x, self._bottom + 1.05 * self._text_px, number(tick), 0.85 * self._text_px, _MUTED, "centre"))
        words = "s from liftoff" if math.isfinite(liftoff) else "s of log"
        shapes.append(
            Text(self._left - 0.8 * self._text_px, self._bottom + 1.05 * self._text_px, words, 0.85 * self._text_px, _MUTED, "right")
        )
        return shapes

    def _pane(self, key: str, top: float, bottom: float) -> list[Primitive]:
        trace, lines = self._series.catalogue[key], self._series.lines(key)
        low, high = self._range(lines)
        scale = (bottom - top) / (high - low)
        shapes: list[Primitive] = [Polyline(np.array([[self._left, bottom], [self._right, bottom]]), _RULE, 1.0)]
        for tick in round_ticks(low, high, 3):
            y = bottom - (tick - low) * scale
            if top + 0.3 * self._text_px < y < bottom - 0.3 * self._text_px or len(self._keys) == 1:
                shapes.append(Polyline(np.array([[self._left, y], [self._right, y]]), _RULE, 1.0))
                shapes.append(Text(self._left - 0.4 * self._text_px, y, number(tick), 0.8 * self._text_px, _MUTED, "right"))
        label = Text(0.5 * self._text_px, 0.5 * (top + bottom), trace.title, 0.9 * self._text_px, _INK)
        shapes += [label, Text(0.5 * self._text_px, label.y_px + 1.15 * self._text_px, trace.unit, 0.8 * self._text_px, _MUTED)]
        for place, line in reversed(list(enumerate(lines))):
            colour, dash = self._look(key, line, len(lines), place)
            time, values = line.pyramid.visible(self._start_s, self._stop_s, max(int(self._right - self._left), 1))
            inside = (time >= self._start_s) & (time <= self._stop_s)
            y = np.where(inside, bottom - (np.clip(values, low, high) - low) * scale, np.nan)
            for run in unbroken(np.stack((self._x_of(time), y), axis=-1)):
                shapes.append(Polyline(run, rgba(colour), max(1.2, 0.1 * self._text_px), dash))  # type: ignore[arg-type]
        return shapes

    def _x_of(self, log_time_s: Array) -> Array:
        return np.asarray(self._left + (self._right - self._left) * (log_time_s - self._start_s) / (self._stop_s - self._start_s))

    def _range(self, lines: tuple[Line, ...]) -> tuple[float, float]:
        extremes = [line.pyramid.extremes(self._start_s, self._stop_s) for line in lines]
        low, high = min(low for low, _ in extremes), max(high for _, high in extremes)
        if not (math.isfinite(low) and math.isfinite(high)):
            return -1.0, 1.0
        margin = 0.06 * (high - low) or 1.0
        return low - margin, high + margin


def unbroken(points: Array) -> list[Array]:
    """Stretches of points (n, 2) without a missing one, each of two points or more."""
    is_known = np.isfinite(points).all(axis=1)
    bounds = np.flatnonzero(np.diff(np.concatenate(([False], is_known, [False])).astype(np.int8)))
    return [points[a:b] for a, b in zip(bounds[::2], bounds[1::2], strict=True) if b - a > 1]


def round_ticks(low: float, high: float, n_wanted: int) -> Array:
    """Multiples of 1, 2 or 5 × 10ⁿ from `low` to `high`, about `n_wanted` of them, shape (k,)."""
    raw = (high - low) / max(n_wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1.0 - 1e-9))
    return np.asarray(step * np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1), dtype=float)


def number(value: float) -> str:
    """Short text of a tick, with a true minus."""
    return f"{0.0 if abs(value) < 1e-12 else value:g}".replace("-", "−")


def slate(snapshot: Snapshot, clock: FilmClock, layout: Layout, title: str, rate_name: str, lines: tuple[str, ...]) -> DrawList:
    """The frame before the picture: whose flight this is, and on which frame of this file each event falls.

    Opaque in every film, so that an editor sees where it ends.
    """
    width, height = layout.size_px
    text_px = 1.15 * layout.text_px
    left = 0.11 * width
    y = 0.17 * height
    shapes: list[Primitive] = [
        *plumb_bob(0.86 * width, 0.13 * height, 0.42 * height, _INK),
        Text(left, y, title, 2.4 * text_px, _INK, is_bold=True),
    ]
    y += 3.0 * text_px
    width_px, height_px = layout.size_px
    first = f"{rate_name} frames a second   {width_px} × {height_px}   picture from frame {clock.n_slate + 1} of {clock.n_frames}"
    for line in (*lines, first):
        shapes.append(Text(left, y, line, text_px, _MUTED))
        y += 1.7 * text_px
    y += 0.9 * text_px
    shapes.append(
        Text(left, y, "On which frame (counted from 1) and at what time of this file each event falls", text_px, _INK, is_bold=True)
    )
    inside = [(name, at, frame) for name, at in known_events(snapshot.as_flown.events) if (frame := clock.frame_of(at)) is not None]
    if not inside:
        shapes.append(Text(left, y + 1.75 * text_px, "none: this film shows a span without one", text_px, _MUTED))
    for name, log_time_s, frame in inside:
        y += 1.75 * text_px
        shapes.append(Text(left, y, name, text_px, _INK))
        shapes.append(Text(left + 9.0 * text_px, y, moment_text(snapshot, log_time_s), text_px, _INK))
        shapes.append(Text(left + 19.0 * text_px, y, f"frame {frame + 1}", text_px, _INK))
        shapes.append(Text(left + 27.0 * text_px, y, f"{float(frame / clock.rate):.3f} s", text_px, _INK))
    return DrawList(layout.size_px, tuple(shapes), rgba("#FFFFFF"))
