"""What is marked along the time axis: phases, events, where gravity was used, what was refused, gaps, and the height's outline."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import FlightLog
from replay.motion.solution import PHASES, Events, Solution

Array = NDArray[np.float64]

_ROOM: Final = 0.25
_LEAST_ROOM_S: Final = 6.0


@dataclass(frozen=True)
class PhaseSpan:
    """One phase on the log's clock."""

    name: str
    start_log_s: float
    stop_log_s: float


@dataclass(frozen=True)
class GapSpan:
    """Samples missing from one channel."""

    channel: str
    start_log_s: float
    stop_log_s: float


@dataclass(frozen=True)
class Rejected:
    """A measurement that a filter refused, with its innovation in standard deviations (`sigmas`)."""

    measurement: str
    log_time_s: float
    sigmas: float


@dataclass(frozen=True, eq=False)
class Marks:
    """All on the log's clock.

    Parameters
    ----------
    zero_log_s : float
        Liftoff, which time on screen counts from; zero where liftoff is unknown.
    start_log_s, stop_log_s : float
        Ends of the log.
    phases : tuple of PhaseSpan
    events : tuple of (str, float)
        Known events in order of time.
    gravity_used_log_s : ndarray, shape (k, 2)
        Spans in which the accelerometer corrected the attitude.
    rejected : tuple of Rejected
    gaps : tuple of GapSpan
    """

    zero_log_s: float
    start_log_s: float
    stop_log_s: float
    phases: tuple[PhaseSpan, ...]
    events: tuple[tuple[str, float], ...]
    gravity_used_log_s: Array
    rejected: tuple[Rejected, ...]
    gaps: tuple[GapSpan, ...]
    is_liftoff_known: bool = True

    @property
    def flight_log_s(self) -> tuple[float, float]:
        """The flight with some pad and rest around it: what is worth seeing of a log that waited on the pad for an hour."""
        times = dict(self.events)
        if not self.is_liftoff_known or self.stop_log_s <= self.start_log_s:
            return self.start_log_s, self.stop_log_s
        liftoff = times["liftoff"]
        end = max((t for name, t in self.events if name != "liftoff"), default=self.stop_log_s)
        end = end if "touchdown" in times or "rest" in times else self.stop_log_s
        room = max(_LEAST_ROOM_S, _ROOM * (end - liftoff))
        return max(self.start_log_s, liftoff - room), min(self.stop_log_s, end + room)


def event_name(field: str) -> str:
    """`liftoff` of `liftoff_log_s`."""
    return field.removesuffix("_log_s")


def known_events(events: Events) -> tuple[tuple[str, float], ...]:
    """(name, log time) of every event the record can tell, in order of time."""
    named = [(event_name(f.name), getattr(events, f.name)) for f in fields(events) if f.name.endswith("_log_s")]
    return tuple(sorted(((n, float(t)) for n, t in named if np.isfinite(t)), key=lambda pair: pair[1]))


_ORDER: Final = {"liftoff": 0, "burnout": 1, "apogee": 2, "deployment": 2, "touchdown": 3, "rest": 4}
"""Events of one place may come either way round: a parachute may open before apogee."""


def room_of_event(marks: Marks, name: str, step_s: float = 0.0) -> tuple[float, float]:
    """Log times between which an event can be put by hand: after what comes before it in a flight and before what comes after.

    `step_s` is kept clear of its neighbours, so that no phase is empty. Where the neighbours leave no room, the event stays where it is.
    """
    place = _ORDER.get(name, -1)
    earlier = [t + step_s for other, t in marks.events if place >= 0 and 0 <= _ORDER.get(other, -1) < place]
    later = [t - step_s for other, t in marks.events if place >= 0 and _ORDER.get(other, -1) > place]
    low, high = max([marks.start_log_s, *earlier]), min([marks.stop_log_s, *later])
    at = dict(marks.events).get(name, low)
    return (low, high) if low <= high else (at, at)


def phase_spans(events: Events, start_log_s: float, stop_log_s: float) -> tuple[PhaseSpan, ...]:
    """Phases between the ends of the log, as `Events.phase_of` has them."""
    inner = sorted(t for _, t in known_events(events) if start_log_s < t < stop_log_s)
    bounds = np.array([start_log_s, *inner, stop_log_s])
    spans: list[PhaseSpan] = []
    for start, stop, code in zip(bounds[:-1], bounds[1:], events.phase_of(bounds[:-1]), strict=True):
        if stop <= start:
            continue
        if spans and spans[-1].name == PHASES[code]:
            spans[-1] = PhaseSpan(spans[-1].name, spans[-1].start_log_s, float(stop))
        else:
            spans.append(PhaseSpan(PHASES[code], float(start), float(stop)))
    return tuple(spans)


def true_spans(log_time_s: Array, is_true: NDArray[np.bool_]) -> Array:
    """[start, stop] of every run of True, shape (k, 2)."""
    edge = np.flatnonzero(np.diff(np.concatenate(([False], is_true, [False])).astype(np.int8)))
    return np.column_stack((log_time_s[edge[::2]], log_time_s[edge[1::2] - 1])) if len(edge) else np.empty((0, 2))


def marks_of(log: FlightLog, as_flown: Solution, corrected: Solution) -> Marks:
    """Marks of one result: times and phases from the flight as flown, the gate and the refusals from the newest calibration."""
    events = as_flown.events
    starts = [float(c.log_time_s[0]) for c in log.channels.values() if c.n_samples]
    starts += [float(as_flown.log_time_s[0])] if len(as_flown.log_time_s) else []
    stop = max(log.duration_s, float(as_flown.log_time_s[-1]) if len(as_flown.log_time_s) else 0.0)
    start = min(starts, default=0.0)
    gaps: dict[tuple[float, float], GapSpan] = {}
    for channel in log.channels.values():
        for a, b in zip(channel.log_time_s[channel.i_gap].tolist(), channel.log_time_s[channel.i_gap + 1].tolist(), strict=True):
            gaps.setdefault((a, b), GapSpan(channel.name, a, b))
    is_known = bool(np.isfinite(events.liftoff_log_s))
    return Marks(
        zero_log_s=float(events.liftoff_log_s) if is_known else 0.0,
        start_log_s=start,
        stop_log_s=stop,
        phases=phase_spans(events, start, stop),
        events=known_events(events),
        gravity_used_log_s=true_spans(corrected.log_time_s, corrected.is_gravity_used),
        rejected=tuple(Rejected(*each) for each in corrected.rejected),
        gaps=tuple(sorted(gaps.values(), key=lambda gap: gap.start_log_s)),
        is_liftoff_known=is_known,
    )
