"""Series: the lines of one result, ready to draw. Made on the worker, so that a view only has to look up pyramids.

    ready = series.prepare(snapshot, wanted=traces.wanted_keys(), previous=last)      # worker thread
    snapshot = replace(snapshot, extras={**(snapshot.extras or {}), series.EXTRA: ready})

A line whose arrays are the same objects as in `previous` is taken over, not made again; so while a what-if is dragged the flight as
flown and the logged channels cost nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from replay.motion.settings import METHODS
from replay.motion.solution import Solution
from replay.review.catalogue import catalogue
from replay.review.marks import Marks, marks_of
from replay.review.nose import NoseTrack, nose_track
from replay.review.pyramid import Pyramid, build, warm_up
from replay.review.snapshot import Snapshot
from replay.review.trace import RawLine, Source, Trace, gaps_on

Array = NDArray[np.float64]

EXTRA: Final = "series"
"""Under this name `Snapshot.extras` carries a `Series`."""
OVERLAYS: Final = "overlays"
"""Under this name `Snapshot.extras` may carry {name: Solution}: other methods, a truth, a re-flown flight, drawn over the rest."""
REFLOWN: Final = "reflown"
"""Name of the overlay that is the flight flown again."""

DEFAULT_PANES: Final = (
    ("tilt",),
    ("height", "log:baro_height_m"),
    ("vertical_speed", "log:onboard_vel_up_mps"),
    ("accel.x", "accel.y", "accel.z"),
    ("rate.x", "rate.y", "rate.z"),
    ("log:gimbal_command_rad.x", "log:gimbal_command_rad.y"),
    ("gimbal.x", "gimbal.y"),
)
"""What a stack shows until the user chooses, as far as the log has it."""
DEFAULT_KEYS: Final = tuple(key for pane in DEFAULT_PANES for key in pane)


@dataclass(frozen=True, eq=False)
class Line:
    """One line ready to draw.

    Parameters
    ----------
    key : str
        Of its trace.
    variant : str
        as_flown, what_if, onboard, logged, or the name of an overlay.
    pyramid : Pyramid
        Values in the unit on screen.
    band : tuple (Pyramid, Pyramid) or None
        One standard deviation below and above.
    sources : tuple
        The arrays it was made from.
    """

    key: str
    variant: str
    pyramid: Pyramid
    band: tuple[Pyramid, Pyramid] | None
    sources: tuple[Any, ...]


def _line(key: str, raw: RawLine) -> Line | None:
    """Compute a raw line; None where nothing in it is finite."""
    values, sd = raw.compute()
    values = np.asarray(values, dtype=np.float64)
    if not np.isfinite(values).any():
        return None
    i_gap = raw.i_gap
    if raw.is_wrapped and len(values) > 1:
        with np.errstate(invalid="ignore"):
            i_gap = np.union1d(i_gap, np.flatnonzero(np.abs(np.diff(values)) > 180.0)).astype(np.int64)
    band = None
    if sd is not None and np.isfinite(sd).any():
        below = np.maximum(values - sd, 0.0) if raw.is_size else values - sd
        band = (build(raw.log_time_s, below, i_gap), build(raw.log_time_s, values + sd, i_gap))
    return Line(key, raw.variant, build(raw.log_time_s, values, i_gap), band, raw.sources)


def _is_same(a: tuple[Any, ...], b: tuple[Any, ...]) -> bool:
    return len(a) == len(b) and all(x is y for x, y in zip(a, b, strict=True))


class Series:
    """The lines of one result. Lines not asked for beforehand are made when first drawn; safe from any thread."""

    def __init__(self, source: Source, marks: Marks, tracks: Mapping[str, NoseTrack]) -> None:
        self.source = source
        self.catalogue: Mapping[str, Trace] = catalogue(source)
        self.marks = marks
        self.tracks = tracks
        self._lines: dict[str, tuple[Line, ...]] = {}
        self._lock = threading.Lock()

    def lines(self, key: str) -> tuple[Line, ...]:
        """Lines of one trace, one a variant; empty where this result does not have it."""
        with self._lock:
            if key not in self._lines:
                self._lines[key] = self._make(key, ())
            return self._lines[key]

    def ready_keys(self) -> tuple[str, ...]:
        """Traces whose lines have been made."""
        with self._lock:
            return tuple(self._lines)

    def ready_lines(self, key: str) -> tuple[Line, ...]:
        """Lines of one trace if they have been made."""
        with self._lock:
            return self._lines.get(key, ())

    def take_over(self, key: str, previous: tuple[Line, ...]) -> None:
        """Make the lines of one trace, reusing those of an earlier result whose arrays are the same."""
        made = self._make(key, previous)
        with self._lock:
            self._lines[key] = made

    def _make(self, key: str, previous: tuple[Line, ...]) -> tuple[Line, ...]:
        trace = self.catalogue.get(key)
        if trace is None:
            return ()
        lines = []
        for raw in trace.read(self.source):
            old = next((line for line in previous if line.variant == raw.variant and _is_same(line.sources, raw.sources)), None)
            line = old if old is not None else _line(key, raw)
            if line is not None:
                lines.append(line)
        return tuple(lines)


def _tracks(source: Source, apogee_log_s: float, previous: Mapping[str, NoseTrack]) -> dict[str, NoseTrack]:
    """Nose tracks of the computer's own attitude, the flight as flown, the what-if and the re-flown flight, as far as there are any."""
    wanted: dict[str, tuple[Array, Array, str]] = {}
    for variant in ("as_flown", "what_if", "reflown"):
        if variant in source.solutions:
            solution = source.solutions[variant]
            wanted[variant] = (solution.log_time_s, solution.q_enu_from_body, "rate_raw_imu_radps")
    if source.onboard is not None:
        wanted["onboard"] = (*source.onboard, "q_enu_from_body_onboard")
    tracks = {}
    for variant, (log_time_s, q, channel) in wanted.items():
        old = previous.get(variant)
        is_old = old is not None and _is_same(old.sources, (log_time_s, q))
        track = old if is_old else nose_track(log_time_s, q, gaps_on(log_time_s, source.log.get(channel)), apogee_log_s)
        tracks[variant] = track
    return tracks  # type: ignore[return-value]


def prepare(snapshot: Snapshot, wanted: Iterable[str] | None = None, previous: Series | None = None) -> Series:
    """Everything the trace stack, the timeline and the plumb circle draw of one result.

    Parameters
    ----------
    snapshot : Snapshot
    wanted : iterable of str, optional
        Keys of the traces on screen. Without it: those of `previous`, or the default panes.
    previous : Series, optional
        Of the result before this one.
    """
    warm_up()
    solutions: dict[str, Solution] = {"as_flown": snapshot.as_flown}
    if snapshot.what_if is not None:
        solutions["what_if"] = snapshot.what_if
    for name, overlay in ((snapshot.extras or {}).get(OVERLAYS) or {}).items():
        solutions.setdefault(name, overlay)
    source = Source(snapshot.log, solutions, snapshot.onboard)
    corrected = snapshot.what_if if snapshot.what_if is not None else snapshot.as_flown
    marks = marks_of(snapshot.log, snapshot.as_flown, corrected)
    tracks = _tracks(source, snapshot.as_flown.events.apogee_log_s, previous.tracks if previous else {})
    series = Series(source, marks, tracks)
    if wanted is None:
        wanted = previous.ready_keys() if previous else DEFAULT_KEYS
    for key in {"height", *wanted}:
        series.take_over(key, previous.ready_lines(key) if previous else ())
    return series


def reflown_of(snapshot: Snapshot) -> Solution | None:
    """The flight flown again, where one is drawn over the rest."""
    found: Solution | None = ((snapshot.extras or {}).get(OVERLAYS) or {}).get(REFLOWN)
    return found


def without_reflown(snapshot: Snapshot) -> Snapshot:
    """The same flight without the one flown again among what is drawn over it."""
    if reflown_of(snapshot) is None:
        return snapshot
    extras = dict(snapshot.extras or {})
    extras.pop(EXTRA, None)  # its lines are among them
    return replace(snapshot, extras={**extras, OVERLAYS: {name: each for name, each in extras[OVERLAYS].items() if name != REFLOWN}})


def compared_of(snapshot: Snapshot) -> dict[str, Solution]:
    """Other methods' solutions that are drawn over the rest, by method."""
    overlays = (snapshot.extras or {}).get(OVERLAYS) or {}
    return {method: overlays[method] for method in METHODS if method in overlays}


def of_snapshot(snapshot: Snapshot) -> Series:
    """The series a snapshot carries; made here where the worker did not."""
    ready = (snapshot.extras or {}).get(EXTRA)
    return ready if isinstance(ready, Series) else prepare(snapshot)
