"""The one set of events of a drawn flight: placed once, in the worker that estimates it, and told to everything that is drawn of it.

The estimators take events as they were first found, to start and stop by; what a flight's views, tables and words say of when things
happened is placed in the finished estimate (`flight.phases`). A solution that is told of its events (`told`) is one for showing: never
place events in it a second time, they would move again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from replay.errors import ReplayError
from replay.flight.event import NAMES, FlightEvent, FlightEvents
from replay.flight.phases import find_flight_events
from replay.flightlog.log import FlightLog
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements
from replay.whatif.vehicle import Vehicle

Array = NDArray[np.float64]


def barometric_height(log: FlightLog, liftoff_log_s: float, site: Site) -> tuple[Array, Array] | None:
    """(log_time_s, height_m), shape (m,) each, above the level of the ten seconds before `liftoff_log_s`; None without a barometer."""
    from replay.motion.atmosphere import height_above_pad_m

    for name in ("pressure_pa", "baro_height_m"):
        channel = log.get(name)
        if channel is None or channel.n_samples < 2:
            continue
        good = np.isfinite(channel.values)
        time, values = channel.log_time_s[good], np.asarray(channel.values[good], dtype=float)
        if len(time) < 2:
            continue
        is_known = np.isfinite(liftoff_log_s)
        pad = (time > liftoff_log_s - 10.0) & (time < liftoff_log_s - 0.2) if is_known else np.arange(len(time)) < max(5, len(time) // 20)
        level = float(np.median(values[pad])) if pad.any() else float(values[0])
        height = height_above_pad_m(values, level, site) if name == "pressure_pa" else values - level
        return time, np.asarray(height, dtype=np.float64)
    return None


def place(
    log: FlightLog,
    solution: Solution | None,
    measurements: Measurements | None,
    site: Site,
    *,
    rail_length_m: float | None = None,
    moved: Mapping[str, float] | None = None,
    baro: tuple[Array, Array] | None = None,
) -> FlightEvents:
    """Every event of a flight in its place, those moved by hand where they were moved to; never an error.

    Parameters
    ----------
    log : FlightLog
    solution : Solution or None
        As estimated, not `told`.
    measurements : Measurements or None
        Of the solution's calibration.
    site : Site
    rail_length_m : float, optional
    moved : mapping of str to float, optional
        As `Review.moved_events`.
    baro : (log_time_s, height_m), optional
        `barometric_height` where not given.

    Returns
    -------
    FlightEvents
        Where the search ends in an error, the events as first found, and it says so.
    """
    by_name = {key.removesuffix("_log_s"): float(time) for key, time in (moved or {}).items()}
    try:
        if baro is None:
            baro = barometric_height(log, float("nan") if solution is None else solution.events.liftoff_log_s, site)
        return find_flight_events(measurements, solution, site, rail_length_m=rail_length_m, moved=by_name, baro=baro)
    except (ReplayError, ArithmeticError, ValueError, IndexError, np.linalg.LinAlgError) as error:
        # numbers no one thought of must not hide the flight
        return _as_found(solution, by_name, str(error) or type(error).__name__)


def _as_found(solution: Solution | None, moved: Mapping[str, float], why: str) -> FlightEvents:
    found, unknown = {}, {}
    for name in NAMES:
        at = moved.get(name, float("nan") if solution is None else getattr(solution.events, f"{name}_log_s", float("nan")))
        if np.isfinite(at):
            words = "moved by hand" if name in moved else f"as first found; could not be placed more closely ({why})"
            found[name] = FlightEvent(name, at, float("nan"), words, is_moved=name in moved)
        else:
            unknown[name] = f"could not be worked out ({why})"
    return FlightEvents(found, unknown)


def rail_length_of(vehicle: Vehicle | None) -> float | None:
    """As the vehicle file states it; None where it is left to the default."""
    return None if vehicle is None or "rail_length_m" in vehicle.defaulted else vehicle.rail_length_m


def told(solution: Solution, events: FlightEvents) -> Solution:
    """The same solution with the events in their place: its phases and its clock count from them."""
    return dataclasses.replace(solution, events=events.bounds())


class Happened:
    """What one log's events were said to be, kept while the solutions are that they were placed in. Not for two threads at once."""

    def __init__(self) -> None:
        self._placed: dict[int, tuple[Solution, float | None, FlightEvents]] = {}
        self._told: dict[int, tuple[Solution, FlightEvents, Solution]] = {}
        self._last: tuple[dict[str, float], FlightEvents] | None = None

    def clear(self) -> None:
        """Another log."""
        self.__init__()  # type: ignore[misc]

    def held(self, moved: Mapping[str, float]) -> FlightEvents | None:
        """The newest events, for what is drawn in a drag; None where there are none, or others had been moved by hand."""
        return self._last[1] if self._last is not None and self._last[0] == moved else None

    def known(self, solution: Solution, rail_length_m: float | None, moved: Mapping[str, float]) -> FlightEvents | None:
        """The events once placed in just this solution."""
        kept = self._placed.get(id(solution))
        if kept is None or kept[0] is not solution or kept[1] != rail_length_m:
            return None
        self._last = dict(moved), kept[2]
        return kept[2]

    def keep(self, solution: Solution, rail_length_m: float | None, moved: Mapping[str, float], events: FlightEvents) -> FlightEvents:
        """Events that have just been placed in a solution."""
        self._placed[id(solution)] = solution, rail_length_m, events
        self._last = dict(moved), events
        return events

    def told(self, solution: Solution, events: FlightEvents) -> Solution:
        """`told`; the same object for the same two, so that what hangs on it need not be made again."""
        kept = self._told.get(id(solution))
        if kept is None or kept[0] is not solution or kept[1] is not events:
            kept = self._told[id(solution)] = solution, events, told(solution, events)
        return kept[2]

    def forget_all_but(self, solutions: Iterable[Solution]) -> None:
        """Let go of what no longer is kept."""
        ids = {id(solution) for solution in solutions}
        for kept in (self._placed, self._told):
            for key in [key for key in kept if key not in ids]:
                del kept[key]  # type: ignore[attr-defined]
