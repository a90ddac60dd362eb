"""Events of a flight, each with its time, a standard deviation and the evidence it rests on, or why it can't be known.

The search for events (`motion.phasing`) finds roughly where they are; here each is placed by the likelihood of a change point in the
sensor that shows it best. An event moved by hand goes before anything found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.flight.barometer_events import barometer_events, parabola_top, robust_sd
from replay.flight.changepoint import ChangePoint, first_alarm, hinge_misfit, hinge_slopes, profile
from replay.flight.event import NAMES, FlightEvent, FlightEvents
from replay.motion.phasing import baro_height_m
from replay.motion.site import Site
from replay.motion.solution import Events, Solution
from replay.sensors.measurements import Measurements
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

BURN_END_SHARE = 0.05
"""Burn time ends where thrust falls below this part of its peak (common practice, no source)."""

_G = STANDARD_GRAVITY_MPS2
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class _Inertial:
    """Axial and total specific force on the inertial clock."""

    time_s: Array
    axial: Array
    size: Array


def find_flight_events(
    measurements: Measurements | None,
    solution: Solution | None,
    site: Site,
    *,
    rail_length_m: float | None = None,
    moved: Mapping[str, float] | None = None,
    baro: tuple[Array, Array] | None = None,
) -> FlightEvents:
    """Place every event the record can show.

    Parameters
    ----------
    measurements : Measurements or None
        None for a log without inertial sensors; then `baro` alone is used.
    solution : Solution or None
        Vertical speed for the apogee, path along the rail.
    site : Site
    rail_length_m : float, optional
        Without it the rail exit is not known.
    moved : mapping of str to float, optional
        Events moved by hand, log time.
    baro : (log_time_s, height_m), optional
        Barometric height; taken from the measurements where not given.

    Returns
    -------
    FlightEvents
    """
    rough = solution.events if solution is not None else Events()
    hand = {n: FlightEvent(n, float(t), _NAN, "moved by hand", is_moved=True) for n, t in (moved or {}).items() if n in NAMES}
    if baro is None and measurements is not None and measurements.baro_log_time_s is not None:
        liftoff = rough.liftoff_log_s
        height = baro_height_m(measurements, site, liftoff - 10.0, liftoff - 0.2)
        baro = None if height is None else (measurements.baro_log_time_s, height)
    if measurements is None or not np.isfinite(rough.liftoff_log_s):
        found, unknown = barometer_events(baro)
    else:
        found, unknown = _from_all(measurements, solution, rough, baro, rail_length_m, hand)
    found |= hand
    return FlightEvents({n: found[n] for n in NAMES if n in found}, {n: unknown[n] for n in NAMES if n in unknown and n not in found})


def _from_all(
    measurements: Measurements,
    solution: Solution | None,
    rough: Events,
    baro: tuple[Array, Array] | None,
    rail_length_m: float | None,
    hand: Mapping[str, FlightEvent],
) -> tuple[dict[str, FlightEvent], dict[str, str]]:
    assert solution is not None  # rough events came from it
    accel = measurements.accel_body_mps2
    inertial = _Inertial(measurements.log_time_s, accel[:, 2], np.sqrt(np.einsum("ij,ij->i", accel, accel)))
    found: dict[str, FlightEvent] = {}
    unknown: dict[str, str] = {}
    # an event moved by hand goes before what is found, and what is counted from it follows
    liftoff = hand["liftoff"] if "liftoff" in hand else _liftoff(inertial, rough.liftoff_log_s)
    found["liftoff"] = liftoff
    _keep(found, unknown, "rail_exit", _rail_exit(inertial, solution, liftoff, rail_length_m))
    burnout = hand["burnout"] if "burnout" in hand else _burnout(inertial, liftoff.log_time_s, rough.burnout_log_s)
    _keep(found, unknown, "burnout", burnout)
    after = found["burnout"].log_time_s if "burnout" in found else liftoff.log_time_s
    _keep(found, unknown, "apogee", _apogee(solution, baro, after, rough.apogee_log_s))
    _keep(found, unknown, "deployment", _deployment(inertial, rough))
    _keep(found, unknown, "touchdown", _touchdown(inertial, rough))
    _keep(found, unknown, "rest", _rest(measurements, rough))
    return found, unknown


def _keep(found: dict[str, FlightEvent], unknown: dict[str, str], name: str, event: FlightEvent | str) -> None:
    if isinstance(event, str):
        unknown[name] = event
    else:
        found[name] = event


def _window(inertial: _Inertial, start_s: float, stop_s: float) -> tuple[Array, Array]:
    i, j = np.searchsorted(inertial.time_s, (start_s, stop_s))
    time, axial = inertial.time_s[i:j], inertial.axial[i:j]
    good = np.isfinite(axial)
    return time[good], axial[good]


def _liftoff(inertial: _Inertial, rough_s: float) -> FlightEvent:
    """Cumulative sum of the axial specific force over the pad's scatter raises the alarm; the ramp that follows dates the change."""
    _, pad = _window(inertial, rough_s - 6.0, rough_s - 0.5)
    time, axial = _window(inertial, rough_s - 0.5, rough_s + 0.5)
    if len(pad) < 10:
        if not len(time) or rough_s - inertial.time_s[0] < 0.1:
            return FlightEvent("liftoff", float(rough_s), 0.5, "the log starts in the push: liftoff is no later than this")
        pad = axial[:3]
    level, sd = float(np.median(pad)), robust_sd(pad)
    alarm = _alarm_of_the_push((axial - level) / sd, time)
    if alarm is None:
        return FlightEvent("liftoff", float(rough_s), 0.1, "the push is lost in the noise of the pad")
    change = _ramp_start(time, axial, alarm[0], level, sd)
    return FlightEvent(
        "liftoff",
        change.time_s,
        change.sd_s,
        f"axial specific force leaves the pad's level of {level:.2f} ± {sd:.2f} m/s² on the motor's ramp",
    )


def _alarm_of_the_push(standardised: Array, time: Array) -> tuple[int, int] | None:
    """First alarm that is not followed by quiet: an igniter's knock raises one too, and the pad's level comes back."""
    start, n_quiet = 0, max(5, round(0.06 / float(np.median(np.diff(time)))))
    push = int(np.argmax(standardised > 0.3 * float(np.max(standardised))))
    while True:
        found = first_alarm(standardised[start:])
        if found is None:
            return None
        alarm = start + found[0]
        between = standardised[alarm:push]
        if len(between) < 2 * n_quiet:
            return alarm, start + found[1]
        mean = np.convolve(between, np.ones(n_quiet) / n_quiet, mode="valid")
        quiet = np.flatnonzero(np.abs(mean) < 1.5)
        if not len(quiet):
            return alarm, start + found[1]
        start = alarm + int(quiet[-1]) + n_quiet


def _ramp_start(time: Array, values: Array, i_alarm: int, level: float, sd: float, *, before: int = 0) -> ChangePoint:
    """Hinge between what was before and the first two fifths of a rise that stands out at `i_alarm`.

    The motor shakes the vehicle from ignition on, before it lifts: the scatter of the rise is taken from the rise itself. `before` is
    the degree of what was before: a level, or a line.
    """
    step = float(np.median(np.diff(time)))
    peak = float(np.max(values[i_alarm : max(int(np.searchsorted(time, time[i_alarm] + 0.25)), i_alarm + 1)]))
    risen = np.flatnonzero((values > level + 0.4 * (peak - level)) & (np.arange(len(values)) >= i_alarm))
    stop = max(int(risen[0]), i_alarm + 2) + 1
    near = slice(max(i_alarm - round(0.25 / step), 0), min(stop, len(time)))
    t, a = time[near], values[near]
    candidates = np.arange(time[i_alarm] - (0.06 if before == 0 else 0.2), t[-1] - 0.5 * step, 0.0005 if before == 0 else 0.002)
    spread = np.full(len(t), sd)
    for _ in range(3):
        change = profile(candidates, hinge_misfit(t, a, spread, candidates, before=before, after=1), 0.3 * step)
        fitted = hinge_slopes(t, a, spread, change.time_s, before=before, after=1)
        after = t >= time[i_alarm] - step
        left = a - fitted[0] - fitted[-1] * np.clip(t - change.time_s, 0.0, None)
        # few samples: a scatter found from them may be off by half; it only weighs the rise against what was before
        spread = np.where(after, max(float(np.sqrt(np.mean(left[after] ** 2))), sd), sd)
    return change


def _rail_exit(inertial: _Inertial, solution: Solution, liftoff: FlightEvent, rail_length_m: float | None) -> FlightEvent | str:
    """Where the path along the rail, twice integrated from liftoff, has the rail's length."""
    if rail_length_m is None:
        return "rail length not given"
    time, axial = _window(inertial, liftoff.log_time_s, liftoff.log_time_s + 3.0)
    if len(time) < 5:
        return "too few samples after liftoff"
    tilt = float(np.interp(liftoff.log_time_s, solution.log_time_s, solution.tilt_rad))
    accel = axial - _G * math.cos(tilt)
    speed = np.concatenate(([0.0], np.cumsum(0.5 * (accel[1:] + accel[:-1]) * np.diff(time))))
    way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time))))
    over = np.flatnonzero(way >= rail_length_m)
    if not len(over):
        return f"the path from liftoff does not reach {rail_length_m:g} m in 3 s"
    k = int(over[0])
    exit_s = float(np.interp(rail_length_m, way[k - 1 : k + 1], time[k - 1 : k + 1]))
    # one per cent of scale and 0.1 m/s² of bias on the way, half a step of sampling (data-sheet sizes, value from memory)
    lasted = exit_s - liftoff.log_time_s
    way_sd = math.hypot(0.01 * rail_length_m, 0.5 * 0.1 * lasted**2)
    sd = math.hypot(0.0 if liftoff.is_moved else liftoff.sd_s, way_sd / max(float(speed[k]), 0.5))
    return FlightEvent("rail_exit", exit_s, sd, f"path along the rail reaches {rail_length_m:g} m at {speed[k]:.1f} m/s")


def _burnout(inertial: _Inertial, liftoff_s: float, rough_s: float) -> FlightEvent | str:
    """The hinge between the thrust's last fall and the coast, then the 5 % point on that fall."""
    if not np.isfinite(rough_s):
        return "the push does not end within the log"
    time, axial = _window(inertial, rough_s - 0.5, rough_s + 0.5)
    if len(time) < 12:
        return "too few samples around the end of thrust"
    step = float(np.median(np.diff(time)))
    coast = axial[time > rough_s + 0.1]
    sd_after = robust_sd(np.diff(coast)) / math.sqrt(2.0)
    _, boost = _window(inertial, rough_s - 1.0, rough_s - 0.3)
    sd_before = max(robust_sd(np.diff(boost)) / math.sqrt(2.0), sd_after)
    if not len(boost) or not len(coast):
        around = _window(inertial, rough_s - 5.0, rough_s + 5.0)[0]
        hole_s = float(np.max(np.diff(around), initial=0.1))
        return FlightEvent(
            "burnout", float(rough_s), hole_s, "axial specific force ends its push beside a gap in the log, which hides when"
        )
    peak = float(np.max(_window(inertial, liftoff_s, rough_s)[1]))
    # the fall alone: from where the force last stood at half of what the coast falls from
    base = float(np.median(coast))
    high = np.flatnonzero((axial - base > 0.5 * (float(np.median(boost)) - base)) & (time < rough_s + 0.05))
    start = float(time[high[-1]]) if len(high) else rough_s - 0.1
    fall = (time >= min(start, rough_s - 4 * step)) & (time <= rough_s + 0.4)
    t, a = time[fall], axial[fall]
    spread = np.where(t < rough_s, sd_before, sd_after)
    candidates = np.arange(max(rough_s - 0.15, t[1]), rough_s + 0.15, 0.001)
    hinge = profile(candidates, hinge_misfit(t, a, spread, candidates, before=1, after=1), 0.3 * step)
    slope = float(hinge_slopes(t, a, spread, hinge.time_s, before=1, after=1)[1])
    if slope >= 0.0:
        return FlightEvent("burnout", float(rough_s), 0.1, "axial specific force ends its push; the fall is too short to date")
    back = BURN_END_SHARE * (peak - base) / -slope
    back = min(back, 0.1)
    return FlightEvent(
        "burnout",
        hinge.time_s - back,
        math.hypot(hinge.sd_s, 0.3 * back),
        f"thrust falls through {BURN_END_SHARE:.0%} of its peak on a slope of {slope:.0f} m/s³ into the coast",
    )


def _apogee(solution: Solution, baro: tuple[Array, Array] | None, after_s: float, rough_s: float) -> FlightEvent | str:
    """Where the smoothed vertical speed is zero; else the top of the barometric height; else where a dead-reckoned speed is zero."""
    if not np.isfinite(rough_s):
        return "no barometer, and the vertical speed does not pass zero" if baro is None else "the log ends on the way up"
    crossing = _speed_zero(solution, after_s, rough_s)
    if crossing is not None and solution.vel_sd_enu_mps is not None:
        k, top = crossing
        sd = float(solution.vel_sd_enu_mps[k, 2]) / _G
        if np.isfinite(sd):
            # what the lag of a barometer that is not modelled shifts the top by (value from memory)
            floor = 0.01 if solution.method == "smoother" else 0.05
            found = FlightEvent("apogee", top, math.hypot(sd, floor), f"vertical speed of the {solution.method} passes zero")
            return _apogee_checked(found, baro, rough_s)
    if baro is None:
        return _reckoned_apogee(solution, rough_s if crossing is None else crossing[1])
    near = np.abs(baro[0] - rough_s) < 1.0
    fit = parabola_top(baro[0][near], baro[1][near])
    if fit is None:
        return FlightEvent("apogee", float(rough_s), 0.3, "highest barometric height; its top is not rounded")
    return FlightEvent("apogee", fit.time_s, math.hypot(fit.sd_s, 0.03), "parabola through the barometric height, spikes left out")


def _speed_zero(solution: Solution, after_s: float, rough_s: float) -> tuple[int, float] | None:
    """The first sample that falls, within two seconds of `rough_s`, and the time just before it at which the vertical speed is zero."""
    time, up = solution.log_time_s, solution.vel_enu_mps[:, 2]
    inside = np.flatnonzero((time > max(after_s, rough_s - 2.0)) & (time < rough_s + 2.0) & np.isfinite(up))
    down = inside[(up[inside] <= 0.0)] if len(inside) else inside
    if not len(down) or down[0] == inside[0]:
        return None
    k = int(down[0])
    return k, float(np.interp(0.0, [up[k], up[k - 1]], [time[k], time[k - 1]]))


def _reckoned_apogee(solution: Solution, at_s: float) -> FlightEvent:
    """One per cent of scale and 0.1 m/s² of bias on the way say how well it is known (data-sheet sizes, value from memory)."""
    time, up = solution.log_time_s, solution.vel_enu_mps[:, 2]
    way = (time > solution.events.liftoff_log_s) & (time < at_s) & np.isfinite(up)
    fastest = float(np.max(up[way], initial=0.0))
    sd = math.hypot(0.01 * fastest, 0.1 * (at_s - solution.events.liftoff_log_s)) / _G
    return FlightEvent("apogee", float(at_s), sd, "vertical speed summed up from the specific force passes zero; no barometer")


def _apogee_checked(found: FlightEvent, baro: tuple[Array, Array] | None, rough_s: float) -> FlightEvent:
    """A barometer's top that lies elsewhere than chance allows goes before a speed carried through the boost; neither is then sure."""
    if baro is None:
        return found
    near = np.abs(baro[0] - rough_s) < 1.0
    top = parabola_top(baro[0][near], baro[1][near]) if np.count_nonzero(near) > 10 else None
    if top is None or abs(top.time_s - found.log_time_s) < max(3.0 * math.hypot(top.sd_s, found.sd_s), 0.15):
        return found
    apart = float(top.time_s - found.log_time_s)
    evidence = f"parabola through the barometric height; {found.evidence} {-apart:+.2f} s from it"
    return FlightEvent("apogee", float(top.time_s), math.hypot(top.sd_s, 0.5 * apart), evidence)


def _deployment(inertial: _Inertial, rough: Events) -> FlightEvent | str:
    """First jerk after the top: change point of the size of the specific force before the rough jerk."""
    if not np.isfinite(rough.deployment_log_s):
        return "no jerk between apogee and touchdown" if np.isfinite(rough.apogee_log_s) else "no apogee in the log"
    rough_s = rough.deployment_log_s
    i, j = np.searchsorted(inertial.time_s, (rough_s - 1.0, rough_s + 0.5))
    time, size = inertial.time_s[i:j], inertial.size[i:j]
    good = np.isfinite(size)
    time, size = time[good], size[good]
    quiet = size[time < rough_s - 0.3]
    if len(quiet) < 8 or time[-1] < rough_s + 0.1:
        return FlightEvent("deployment", rough_s, 0.15, "first jerk after apogee")
    sd = max(robust_sd(np.diff(quiet)) / math.sqrt(2.0), 0.1)
    change = _ramp_start(time, size, int(np.searchsorted(time, rough_s)), float(np.median(quiet)), sd, before=1)
    return FlightEvent(
        "deployment", change.time_s, math.hypot(change.sd_s, 0.03), "size of the specific force turns up into the opening jerk"
    )


def _first_knock(inertial: _Inertial, rough_s: float, before_s: float) -> float | None:
    """First sample within half a second of `rough_s` that jumps out of the scatter of the time before."""
    i, j = np.searchsorted(inertial.time_s, (rough_s - before_s, rough_s + 0.3))
    time, size = inertial.time_s[i:j], inertial.size[i:j]
    good = np.isfinite(size)
    if np.count_nonzero(good) < 12:
        return None
    time, jump = time[good][1:], np.abs(np.diff(size[good]))
    quiet = jump[time < rough_s - 0.5 * min(before_s, 1.0)]
    if len(quiet) < 10:
        return None
    knock = np.flatnonzero((jump > 3.0 * max(float(np.quantile(quiet, 0.995)), 0.5)) & (time > rough_s - 0.5))
    return float(time[knock[0]]) if len(knock) else None


def _touchdown(inertial: _Inertial, rough: Events) -> FlightEvent | str:
    """First knock: where the specific force first leaves the scatter of the descent before it."""
    rough_s = rough.touchdown_log_s
    if not np.isfinite(rough_s):
        return "the log ends in the air" if np.isfinite(rough.apogee_log_s) else "no apogee in the log"
    at = _first_knock(inertial, rough_s, 4.0)
    if at is None:
        return FlightEvent("touchdown", rough_s, 0.15, "hardest knock before rest")
    return FlightEvent("touchdown", at, 0.02, "first knock out of the scatter of the descent")


def _rest(measurements: Measurements, rough: Events) -> FlightEvent | str:
    if not np.isfinite(rough.rest_log_s):
        return "the log ends in motion"
    return FlightEvent("rest", rough.rest_log_s, 0.3, "from here to the end of the log neither force nor rate moves")
