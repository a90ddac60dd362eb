"""What the gimbal did and what the vehicle made of it: effectiveness, lag, saturation, reserve, corrections, the kick at the start."""

from __future__ import annotations

import cmath
import itertools
import math
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.flight.actuator import ActuatorFit, correlation_peak_s, identify
from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.misalignment import smoothed_kinematics, smoother_of
from replay.flight.propulsion import Propulsion
from replay.flight.quantity import Quantity, undetermined
from replay.motion.solution import Solution
from replay.units import DEG

Array = NDArray[np.float64]

LIMIT_SHARE = 0.98
"""A command this near the limit counts as saturated (common practice, no source)."""
CLOSED_LOOP_SHARE_SD = 0.2
"""What gusts that the guidance answers leave in a gain, from the spread over the sample flights against their truth."""
SPIKE_SHARE = 1.3
"""The start spike has passed where thrust falls for good below this times its mean (common practice, no source)."""
TREND_S = 0.6
"""Running mean that stands for the slow part, what the reference asked for."""
LEAST_CORRECTION_RAD = 0.5 * DEG
"""Smaller swings are noise and gusts."""


@dataclass(frozen=True)
class Span:
    """A stretch of log time, s."""

    start_s: float
    stop_s: float


@dataclass(frozen=True)
class Correction:
    """One swing back.

    Parameters
    ----------
    start_s : float
        On the log's clock.
    axis : str
    size_rad : float
        How far off it was.
    overshoot : float
        Share of that by which it swung past.
    damping : float
        Damping ratio that goes with the overshoot.
    period_s : float
    """

    start_s: float
    axis: str
    size_rad: float
    overshoot: float
    damping: float
    period_s: float


@dataclass(frozen=True, eq=False)
class Control:
    """The gimbal loop of one flight. Angles in rad about body x and y; spans on the log's clock.

    Parameters
    ----------
    fits : tuple of ActuatorFit or None
        Command to angular acceleration, about x and y; gain is relative to T·L/I.
    correlation_peak_s : tuple of float
        What the misleading peak would have said.
    at_limit, at_rate_limit : tuple of Span
    corrections : tuple of Correction
    reserve_log_s, reserve : ndarray, shape (k,)
        Part of the limit not used, least in each twentieth of the burn.
    figures : dict of str to Quantity
    notes : tuple of str
    """

    fits: tuple[ActuatorFit | None, ActuatorFit | None]
    correlation_peak_s: tuple[float, float]
    at_limit: tuple[Span, ...]
    at_rate_limit: tuple[Span, ...]
    corrections: tuple[Correction, ...]
    reserve_log_s: Array
    reserve: Array
    figures: dict[str, Quantity]
    notes: tuple[str, ...]


def control(
    solution: Solution,
    events: FlightEvents,
    propulsion: Propulsion,
    facts: VehicleFacts,
    command: tuple[Array, Array],
    position: tuple[Array, Array] | None = None,
    *,
    limit_rad: float | None = None,
    rate_limit_radps: float | None = None,
    proportional: float | None = None,
) -> Control:
    """Explain the gimbal loop.

    Parameters
    ----------
    solution : Solution
    events : FlightEvents
        Liftoff and burnout are needed.
    propulsion : Propulsion
        Thrust through the burn.
    facts : VehicleFacts
        Inertia and lever arm, for the effectiveness.
    command, position : (log_time_s, angles (m, 2))
        Gimbal as commanded; as measured, where it is.
    limit_rad, rate_limit_radps : float, optional
        Of the gimbal; without them the largest command seen stands for the limit, and rate saturation is not looked for.
    proportional : float, optional
        Gimbal angle per attitude error, for the attitude error that a standing offset holds.

    Raises
    ------
    CannotEstimate
        No liftoff or burnout, or a gimbal that was not commanded through the burn.
    """
    for name in ("liftoff", "burnout"):
        if name not in events:
            raise CannotEstimate("control", f"no {name}: {events.unknown.get(name, 'not found')}")
    start, stop = events["liftoff"].log_time_s, events["burnout"].log_time_s
    inside = (command[0] >= start) & (command[0] <= stop)
    time, angle = command[0][inside], command[1][inside]
    if len(time) < 20 or not np.any(np.abs(angle) > 1e-6):
        raise CannotEstimate("control", "the gimbal was not commanded through the burn")
    notes = ["gains and lags come from a closed loop: gusts the guidance answered leave a bias in them that their interval does not hold"]
    if limit_rad is None:
        limit_rad = float(np.nanmax(np.abs(angle)))
        notes.append("gimbal limit not given: the largest command seen stands for it")
    fits, peaks = _response(solution, propulsion, facts, time, angle, notes)
    at_limit = _spans(time, np.max(np.abs(angle), axis=1) >= LIMIT_SHARE * limit_rad)
    at_rate = () if rate_limit_radps is None else _rate_spans(time, angle, rate_limit_radps)
    corrections = find_corrections(solution, start + 0.2, stop)
    reserve_time, reserve = _reserve(time, angle, limit_rad)
    figures = _figures(time, angle, limit_rad, at_limit, at_rate, reserve, corrections, proportional)
    figures |= _fit_figures(fits)
    figures |= _kick(propulsion, facts, time, angle, start)
    if position is not None:
        figures["tracking error"] = _tracking(time, angle, position)
    return Control(fits, peaks, at_limit, at_rate, corrections, reserve_time, reserve, figures, tuple(notes))


def _response(
    solution: Solution, propulsion: Propulsion, facts: VehicleFacts, time: Array, angle: Array, notes: list[str]
) -> tuple[tuple[ActuatorFit | None, ActuatorFit | None], tuple[float, float]]:
    """Command to angular acceleration about x and y, beside the moment of the air and a standing offset."""
    inertia, lever = facts.transverse_inertia_kgm2, facts.gimbal_below_cg_m
    if inertia is None or lever is None:
        notes.append("inertia or lever arm not given: no effectiveness")
        return (None, None), (math.nan, math.nan)
    i, j = np.searchsorted(solution.log_time_s, (time[0] + 0.3, time[-1] - 0.05))
    clock = solution.log_time_s[i:j]
    step = float(np.median(np.diff(clock)))
    rate, angular, side = smoothed_kinematics(solution, slice(int(i), int(j)), facts, inertia)
    smooth = smoother_of(clock)
    thrust, mass, speed = (
        np.interp(clock, propulsion.log_time_s, v) for v in (propulsion.thrust_n, propulsion.mass_kg, propulsion.speed_mps)
    )
    # an arm left free would let the force across the axis, which follows the nozzle itself, stand in for the command
    arm = facts.cp_below_cg_m or 0.0
    if facts.cp_below_cg_m is None:
        notes.append("centre of pressure not given: the moment of the air is taken for none in gain and lag")
    fits: list[ActuatorFit | None] = []
    peaks = []
    for axis in range(2):
        held = angle[np.clip(np.searchsorted(time, clock, side="right") - 1, 0, len(time) - 1), axis]
        sign = 1.0 if axis == 0 else -1.0
        push = mass * side[:, 1 - axis]
        # the air's side force is what the turned thrust leaves of the force across the axis; its arm is the centre of pressure's
        fixed = np.column_stack((smooth(thrust), smooth(speed) * rate[:, axis]))
        answer = -angular[:, axis] + sign * arm * push / inertia
        try:
            fits.append(
                identify(held, answer, step, scale=thrust * (lever - arm) / inertia, nuisance=partial(_fixed, fixed), smooth=smooth)
            )
            peaks.append(correlation_peak_s(held, -angular[:, axis], step))
        except CannotEstimate as error:
            notes.append(f"about {'xy'[axis]}: {error.reason}")
            fits.append(None)
            peaks.append(math.nan)
    return (fits[0], fits[1]), (peaks[0], peaks[1])


def _fixed(columns: Array, late: Array) -> Array:
    """What is fitted beside the command: a standing offset of the thrust line, and damping by the air."""
    return columns


def _fit_figures(fits: tuple[ActuatorFit | None, ActuatorFit | None]) -> dict[str, Quantity]:
    figures = {}
    for axis, fit in zip("xy", fits, strict=True):
        label, lag = f"effectiveness about {axis}", f"delay and lag about {axis}"
        if fit is None:
            figures[label] = undetermined(label, "1", "command to acceleration could not be fitted")
            continue
        spread = math.hypot(fit.gain_sd, CLOSED_LOOP_SHARE_SD * fit.gain)
        figures[label] = Quantity(label, fit.gain, spread, "1", "angular acceleration over T·L/I times command")
        lag_sd = 1e3 * min(fit.total_lag_sd_s, 0.25)
        figures[lag] = Quantity(lag, 1e3 * fit.total_lag_s, lag_sd, "ms", "output-error fit")
    return figures


def _spans(time: Array, is_on: NDArray[np.bool_], shortest_s: float = 0.0) -> tuple[Span, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_on.astype(int), [0]))))
    spans = [Span(float(time[a]), float(time[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return tuple(s for s in spans if s.stop_s - s.start_s >= shortest_s)


def _rate_spans(time: Array, angle: Array, rate_limit_radps: float) -> tuple[Span, ...]:
    """Where the command asks for more than the rate limit over 20 ms: there the gimbal lags behind, whatever its lag is."""
    step = float(np.median(np.diff(time)))
    reach = max(1, round(0.02 / step))
    if len(time) <= reach + 1:
        return ()
    rate = np.abs(angle[reach:] - angle[:-reach]) / (time[reach:] - time[:-reach])[:, None]
    return _spans(time[reach:], np.max(rate, axis=1) > rate_limit_radps, 0.01)


def _reserve(time: Array, angle: Array, limit_rad: float) -> tuple[Array, Array]:
    """Least part of the limit left in each twentieth of the burn."""
    parts = np.array_split(np.arange(len(time)), 20)
    parts = [p for p in parts if len(p)]
    used = np.array([float(np.max(np.abs(angle[p]))) for p in parts])
    return np.array([float(np.mean(time[p])) for p in parts]), 1.0 - used / limit_rad


def _figures(
    time: Array,
    angle: Array,
    limit_rad: float,
    at_limit: tuple[Span, ...],
    at_rate: tuple[Span, ...],
    reserve: Array,
    corrections: tuple[Correction, ...],
    proportional: float | None,
) -> dict[str, Quantity]:
    figures = {
        "time at limit": Quantity("time at the gimbal's limit", sum(s.stop_s - s.start_s for s in at_limit), 0.0, "s"),
        "time at rate limit": Quantity("time at the gimbal's rate limit", sum(s.stop_s - s.start_s for s in at_rate), 0.0, "s"),
        "least reserve": Quantity("least authority in reserve", 100.0 * float(reserve.min()), 0.0, "%", f"of {limit_rad / DEG:.2f} deg"),
    }
    late = time > time[0] + 0.4 * (time[-1] - time[0])
    for axis, name in enumerate("xy"):
        values = angle[late, axis]
        parts = [float(np.mean(p)) for p in np.array_split(values, 5) if len(p)]
        mean, sd = float(np.mean(values)), float(np.std(parts)) / math.sqrt(len(parts))
        note = ""
        if proportional:
            note = f"holds an attitude error of {mean / proportional / DEG:.2f} deg without an integrator"
        figures[f"standing offset about {name}"] = Quantity(f"standing gimbal offset about {name}", mean / DEG, sd / DEG, "deg", note)
    known = [c.damping for c in corrections if math.isfinite(c.damping)]
    if known:
        spread = float(np.std(known)) / math.sqrt(len(known)) if len(known) > 1 else 0.2
        figures["damping"] = Quantity("damping ratio of the corrections", float(np.median(known)), spread, "1", f"{len(known)} swings")
    else:
        figures["damping"] = undetermined("damping ratio of the corrections", "1", "no swing of half a degree or more that comes back")
    return figures


def damping_of_overshoot(overshoot: float) -> float:
    """Damping ratio of a second-order step whose first overshoot is this share of the step."""
    if not 0.0 < overshoot < 1.0:
        return math.nan
    x = -math.log(overshoot)
    return x / math.hypot(math.pi, x)


def find_corrections(solution: Solution, start_s: float, stop_s: float) -> tuple[Correction, ...]:
    """Swings of pitch and yaw: from each extreme of the trend-free angle to the next; their ratio is the overshoot."""
    i, j = np.searchsorted(solution.log_time_s, (start_s, stop_s))
    time = solution.log_time_s[i:j]
    if len(time) < 40:
        return ()
    swing = rotation.swing_pitch_yaw(solution.q_enu_from_body[i:j])
    found = []
    for axis, name in enumerate(("pitch", "yaw")):
        angle = np.unwrap(swing[:, axis])
        # the slow part is what the reference asked for; a running mean takes it off and keeps the loop's own swing
        width = max(3, round(TREND_S / float(np.median(np.diff(time)))))
        padded = np.pad(angle, (width // 2, width - 1 - width // 2), mode="edge")
        fast = angle - np.convolve(padded, np.ones(width) / width, mode="valid")
        extremes = np.flatnonzero(np.diff(np.sign(np.diff(fast)))) + 1
        extremes = _separate(fast, extremes)
        for a, b in itertools.pairwise(extremes):
            if abs(fast[a]) < LEAST_CORRECTION_RAD or fast[a] * fast[b] >= 0.0 or abs(fast[b]) >= abs(fast[a]):
                continue
            share, period = abs(float(fast[b] / fast[a])), 2.0 * float(time[b] - time[a])
            size = abs(float(fast[a])) / _kept_of_a_swing(share, period)
            found.append(Correction(float(time[a]), name, size, share, damping_of_overshoot(share), period))
    return tuple(sorted(found, key=lambda c: c.start_s))


def _kept_of_a_swing(share: float, period_s: float) -> float:
    """Part of a swing that is left when the running mean over `TREND_S` is taken off: |1 − sinh(sW/2)/(sW/2)|, s its complex rate."""
    s = complex(2.0 * math.log(max(share, 1e-3)) / period_s, 2.0 * math.pi / period_s)
    half = 0.5 * s * TREND_S
    return max(abs(1.0 - cmath.sinh(half) / half), 0.1)


def _separate(values: Array, extremes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of neighbouring extremes on one side of zero, the largest: what lies between two crossings is one swing."""
    kept: list[int] = []
    for k in extremes:
        if kept and values[kept[-1]] * values[k] > 0.0:
            if abs(values[k]) > abs(values[kept[-1]]):
                kept[-1] = int(k)
        else:
            kept.append(int(k))
    return np.array(kept, dtype=np.int64)


def _kick(propulsion: Propulsion, facts: VehicleFacts, time: Array, angle: Array, liftoff_s: float) -> dict[str, Quantity]:
    """Angular impulse of the start spike times the gimbal angle, where control begins before the spike has passed."""
    label = "kick of the start spike"
    burning = propulsion.thrust_n > 0.05 * float(np.max(propulsion.thrust_n))
    mean = float(np.mean(propulsion.thrust_n[burning]))
    high = np.flatnonzero(propulsion.thrust_n > SPIKE_SHARE * mean)
    spike_end = float(propulsion.log_time_s[high[-1]]) if len(high) else liftoff_s
    moved = np.flatnonzero(np.max(np.abs(angle), axis=1) > 0.05 * DEG)
    begun = float(time[moved[0]]) if len(moved) else math.nan
    figures = {
        "control starts": Quantity("control starts after liftoff", begun - liftoff_s, float(np.median(np.diff(time))), "s"),
        "spike passed": Quantity(
            "start spike has passed after liftoff", spike_end - liftoff_s, 0.02, "s", f"below {SPIKE_SHARE:g} × mean thrust"
        ),
    }
    if facts.transverse_inertia_kgm2 is None or facts.gimbal_below_cg_m is None:
        return figures | {"kick": undetermined(label, "deg/s", "inertia or lever arm not given")}
    inside = (time >= liftoff_s) & (time <= spike_end)
    if np.count_nonzero(inside) < 2:
        return figures | {"kick": Quantity(label, 0.0, 0.0, "deg/s", "no spike after liftoff")}
    thrust = np.interp(time[inside], propulsion.log_time_s, propulsion.thrust_n)
    moment = thrust[:, None] * np.sin(angle[inside]) * facts.gimbal_below_cg_m / facts.transverse_inertia_kgm2
    turned = np.linalg.norm(np.trapezoid(moment, time[inside], axis=0)) / DEG
    note = "control began before the spike had passed" if begun < spike_end else "control began after the spike had passed"
    return figures | {"kick": Quantity(label, float(turned), 0.1 * float(turned), "deg/s", note)}


def _tracking(time: Array, angle: Array, position: tuple[Array, Array]) -> Quantity:
    """Root mean square of command less position, both axes, on the command's clock."""
    at = np.column_stack([np.interp(time, position[0], position[1][:, axis]) for axis in range(2)])
    error = float(np.sqrt(np.mean(np.sum((angle - at) ** 2, axis=1))))
    return Quantity("gimbal tracking error, RMS", error / DEG, error / DEG / math.sqrt(2.0 * len(time)), "deg")
