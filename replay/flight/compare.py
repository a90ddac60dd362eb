"""Flights of a campaign on one time axis: traces over each other, differences from the first, and key figures with their trend."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flight.explained import Explained
from replay.flight.quantity import Quantity, undetermined
from replay.units import DEG

Array = NDArray[np.float64]

TRACES: Final[Mapping[str, str]] = {"height": "m", "vertical_speed": "m/s", "speed": "m/s", "axial_force": "m/s²", "tilt": "deg"}
"""Traces compared, with their units."""
_FIGURES: Final = (
    ("propulsion", "total impulse"),
    ("propulsion", "peak thrust"),
    ("propulsion", "mean thrust"),
    ("propulsion", "burn time"),
    ("propulsion", "thrust to weight"),
    ("propulsion", "rail exit speed"),
    ("propulsion", "drag coefficient"),
    ("control", "least reserve"),
    ("control", "damping"),
    ("descent", "descent rate"),
    ("descent", "landing speed"),
    ("power", "battery minimum"),
    ("power", "temperature"),
)
_OWN: Final = ("apogee height", "time to apogee", "greatest speed", "tilt at burnout")
TREND_SIGMAS: Final = 3.0
_WORST_CONDITION: Final = 1e6


@dataclass(frozen=True)
class FigureRow:
    """One key figure of every flight, and how it changes from one flight to the next.

    Parameters
    ----------
    label, unit : str
    values : tuple of Quantity
        One a flight, in the order given.
    trend : Quantity
        Change per flight; undetermined with fewer than three values.
    """

    label: str
    unit: str
    values: tuple[Quantity, ...]
    trend: Quantity

    @property
    def course(self) -> str:
        """ "rising", "falling", "no clear trend", or "" where a trend can't be told. Scatter is not steadiness: neither is claimed."""
        if not self.trend.is_known:
            return ""
        if abs(self.trend.value) <= TREND_SIGMAS * self.trend.sd:
            return "no clear trend"
        return "rising" if self.trend.value > 0.0 else "falling"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Flights side by side.

    Parameters
    ----------
    names : tuple of str
    event : str
        That time is counted from.
    time_s : ndarray, shape (n,)
    traces, differences : mapping of str to ndarray, shape (n, flights)
        Units in `TRACES`; a difference is a flight less the first. NaN where a flight has no value.
    figures : tuple of FigureRow
    """

    names: tuple[str, ...]
    event: str
    time_s: Array
    traces: Mapping[str, Array]
    differences: Mapping[str, Array]
    figures: tuple[FigureRow, ...]


def compare_flights(flights: Sequence[tuple[str, Explained]], event: str = "liftoff", *, step_s: float = 0.02) -> Comparison:
    """Lay flights over each other at an event.

    Parameters
    ----------
    flights : sequence of (name, Explained)
        In the order they were flown: trends run along it.
    event : str
        One of `event.NAMES`.
    step_s : float

    Raises
    ------
    CannotEstimate
        Fewer than two flights, or one without this event or without an estimate.
    """
    if len(flights) < 2:
        raise CannotEstimate("compare", f"needs at least two flights, got {len(flights)}")
    zeros = [_zero(name, known, event) for name, known in flights]
    spans = [_span(known, zero) for (_, known), zero in zip(flights, zeros, strict=True)]
    first, last = math.floor(min(a for a, _ in spans) / step_s), math.ceil(max(b for _, b in spans) / step_s)
    time: Array = step_s * np.arange(first, last + 1, dtype=np.float64)
    traces = {name: np.full((len(time), len(flights)), np.nan) for name in TRACES}
    for j, ((_, known), zero) in enumerate(zip(flights, zeros, strict=True)):
        for name, values in own_traces(known).items():
            traces[name][:, j] = on_axis(time + zero, _clock(known), values)
    differences = {name: values - values[:, :1] for name, values in traces.items()}
    return Comparison(tuple(name for name, _ in flights), event, time, traces, differences, key_figures([known for _, known in flights]))


def _zero(name: str, known: Explained, event: str) -> float:
    if known.solution is None:
        raise CannotEstimate("compare", f"{name} has no estimate: {known.missing.get('measurements', 'no inertial sensors')}")
    if event not in known.events:
        raise CannotEstimate("compare", f"{name} has no {event.replace('_', ' ')}: {known.events.unknown.get(event, 'no such event')}")
    return known.events[event].log_time_s


def _clock(known: Explained) -> Array:
    assert known.solution is not None
    return known.solution.log_time_s


def _span(known: Explained, zero_s: float) -> tuple[float, float]:
    """Two seconds before liftoff to rest, or what of it there is."""
    clock = _clock(known)
    start, stop = known.time("liftoff") - 2.0, known.time("rest")
    start = max(start, float(clock[0])) if math.isfinite(start) else float(clock[0])
    return start - zero_s, (stop if math.isfinite(stop) else float(clock[-1])) - zero_s


def own_traces(known: Explained) -> dict[str, Array]:
    """The compared traces of one flight on its solution's clock, shape (n,) each, units as in `TRACES`."""
    solution = known.solution
    assert solution is not None
    velocity = solution.vel_enu_mps
    return {
        "height": solution.pos_enu_m[:, 2],
        "vertical_speed": velocity[:, 2],
        "speed": np.asarray(np.linalg.norm(velocity, axis=1)),
        "axial_force": solution.accel_body_mps2[:, 2],
        "tilt": np.asarray(solution.tilt_rad / DEG),
    }


def on_axis(wanted_s: Array, time_s: Array, values: Array) -> Array:
    """Values at wanted times, shape (k,), in a straight line between neighbours; NaN outside the record and across gaps and missing values.

    `wanted_s` (k,) and `time_s` (n,) count from the same event; `values` (n,) in any unit.
    """
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return np.full(len(wanted_s), np.nan)
    clock, kept = time_s[good], values[good]
    out = np.interp(wanted_s, clock, kept, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(clock, wanted_s, side="left"), 1, len(clock) - 1)
    steps = np.diff(clock)
    longest = max(5.0 * float(np.median(steps)), 0.1)
    return np.asarray(np.where(steps[after - 1] > longest, np.nan, out))


def key_figures(flights: Sequence[Explained]) -> tuple[FigureRow, ...]:
    """Rows of the table: those that at least one of the flights has."""
    columns = [_own_figures(known) for known in flights]
    wanted: list[list[Quantity | None]] = [[column.get(name) for column in columns] for name in _OWN]
    wanted += [[known.figures(part).get(name) for known in flights] for part, name in _FIGURES]
    rows = []
    for values in wanted:
        there = [q for q in values if q is not None]
        if not any(q.is_known for q in there):
            continue
        label, unit = there[0].label, there[0].unit
        full = tuple(q if q is not None else undetermined(label, unit, "not in this record") for q in values)
        rows.append(FigureRow(label, unit, full, trend(full)))
    return tuple(rows)


def _own_figures(known: Explained) -> dict[str, Quantity]:
    solution, liftoff = known.solution, known.time("liftoff")
    assert solution is not None
    found = {}
    apogee, burnout = known.time("apogee"), known.time("burnout")
    if math.isfinite(apogee):
        k = int(np.searchsorted(solution.log_time_s, apogee).clip(0, len(solution.log_time_s) - 1))
        sd = solution.pos_sd_enu_m
        spread = float(sd[k, 2]) if sd is not None else math.nan
        found["apogee height"] = Quantity("height at apogee", float(solution.pos_enu_m[k, 2]), spread, "m")
        if math.isfinite(liftoff):
            both = [known.events[n].sd_s for n in ("liftoff", "apogee")]
            late = math.hypot(*(s if math.isfinite(s) else 0.0 for s in both))
            found["time to apogee"] = Quantity("time from liftoff to apogee", apogee - liftoff, late, "s")
    speed = np.linalg.norm(solution.vel_enu_mps, axis=1)
    up = (solution.log_time_s >= liftoff) & (solution.log_time_s <= (apogee if math.isfinite(apogee) else math.inf)) & np.isfinite(speed)
    if up.any():
        rows = np.flatnonzero(up)
        k = int(rows[int(np.argmax(speed[rows]))])
        sd = solution.vel_sd_enu_mps
        found["greatest speed"] = Quantity(
            "greatest speed", float(speed[k]), float(np.linalg.norm(sd[k])) if sd is not None else math.nan, "m/s"
        )
    if math.isfinite(burnout):
        k = int(np.searchsorted(solution.log_time_s, burnout).clip(0, len(solution.log_time_s) - 1))
        sd_rad = solution.tilt_sd_rad
        spread = float(sd_rad[k]) / DEG if sd_rad is not None else math.nan
        found["tilt at burnout"] = Quantity("tilt at burnout", float(solution.tilt_rad[k]) / DEG, spread, "deg")
    return found


def trend(values: Sequence[Quantity]) -> Quantity:
    """Change from one flight to the next: slope of a line through the known values, weighted by their standard deviations.

    The slope's standard deviation is the larger of what the values' own say and what their scatter about the line says: flights
    differ by more than the measurement of each.
    """
    label, unit = f"{values[0].label}, change per flight", values[0].unit
    line = _fitted(values)
    if line is None:
        return undetermined(label, unit, "needs three flights, none known beyond comparison better than the rest")
    slope, spread, _, n_known = line
    return Quantity(label, slope, spread, unit, f"over {n_known} flights")


def trend_line(values: Sequence[Quantity]) -> Array | None:
    """The line behind `trend` at every flight, shape (flights,); None with fewer than three known values."""
    line = _fitted(values)
    return None if line is None else np.asarray(line[2] + line[0] * np.arange(len(values)))


def _fitted(values: Sequence[Quantity]) -> tuple[float, float, float, int] | None:
    """Slope, its standard deviation, height at the first flight, and how many values were known."""
    known = [(i, q) for i, q in enumerate(values) if q.is_known]
    if len(known) < 3:
        return None
    x = np.array([i for i, _ in known], dtype=float)
    y = np.array([q.value for _, q in known])
    sds = np.array([q.sd for _, q in known])
    sd = np.where(np.isfinite(sds) & (sds > 0.0), sds, np.nan)
    sd = np.ones(len(y)) if np.isnan(sd).all() else np.where(np.isnan(sd), float(np.nanmedian(sd)), sd)
    design = np.column_stack((x - x.mean(), np.ones(len(x)))) / sd[:, None]
    if np.linalg.cond(design) > _WORST_CONDITION:
        return None  # one value known so much better than the rest that they say nothing of a line
    inverse = np.linalg.inv(design.T @ design)
    slope, level = inverse @ (design.T @ (y / sd))
    left = y / sd - design @ np.array([slope, level])
    scatter = float(left @ left) / (len(y) - 2)
    stated = np.any(np.isfinite(sds) & (sds > 0.0))
    spread = math.sqrt(float(inverse[0, 0]) * (max(scatter, 1.0) if stated else scatter))
    return float(slope), spread, float(level - slope * x.mean()), len(known)


def largest_differences(found: Comparison) -> tuple[tuple[str, str, float, float], ...]:
    """(trace, flight, time, difference) where each flight is farthest from the first, up to the earliest apogee or else to the end."""
    stop = min(
        (q.value for row in found.figures if row.label == "time from liftoff to apogee" for q in row.values if q.is_known), default=math.inf
    )
    inside = (found.time_s >= 0.0) & (found.time_s <= (stop if found.event == "liftoff" else math.inf))
    rows = []
    for trace, values in found.differences.items():
        for j, name in enumerate(found.names[1:], start=1):
            apart = np.where(inside, values[:, j], np.nan)
            if np.isfinite(apart).any():
                k = int(np.nanargmax(np.abs(apart)))
                rows.append((trace, name, float(found.time_s[k]), float(apart[k])))
    return tuple(rows)
