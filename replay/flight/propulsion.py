"""Thrust and drag from the axial specific force: drag from the coast, then thrust in the boost; or drag from a trusted thrust curve.

Along the long axis the accelerometer reads f = (T − D)/m + b. In the coast T is zero and the mass is known, so that f against
½ρV²A/m gives the drag coefficient and, where the vehicle is slow, the bias b. In the boost T = m (f − b) + D follows sample by sample.

References
----------
.. [1] G. K. Mandell, G. J. Caporaso, W. P. Bengen, Topics in Advanced Model Rocketry, MIT Press, 1973.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flight.coast import (
    LEAST_DRAG_RATIO,
    LEAST_SPEED_MPS,
    Axial,
    DragFit,
    DragLevel,
    along_the_axis,
    cd_against_speed,
    coast_rows,
    fit_coast,
)
from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.misalignment import thrust_misalignment
from replay.flight.motor import CurveFigures, curve_figures, mass_history, motor_class, specific_impulse_s
from replay.flight.quantity import Quantity, undetermined
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

SCALE_SD = 0.01
"""One standard deviation of the axial accelerometer scale where no calibration states one (value from memory)."""


@dataclass(frozen=True, eq=False)
class Propulsion:
    """Thrust and drag of one flight.

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
        From just before liftoff to apogee.
    thrust_n, thrust_sd_n, drag_n, drag_sd_n, mass_kg, speed_mps : ndarray, shape (n,)
    cd_speed_mps, cd, cd_sd : ndarray, shape (k,)
        Drag coefficient in bins of speed over the coast.
    drag_levels : tuple of DragLevel
        In order of time; more than one where the drag coefficient changed its level in mid-coast. Empty where the coast shows none.
    figures : dict of str to Quantity
        By name, in the order of a report.
    notes : tuple of str
    """

    log_time_s: Array
    thrust_n: Array
    thrust_sd_n: Array
    drag_n: Array
    drag_sd_n: Array
    mass_kg: Array
    speed_mps: Array
    cd_speed_mps: Array
    cd: Array
    cd_sd: Array
    axial_bias_mps2: float
    figures: dict[str, Quantity]
    notes: tuple[str, ...]
    drag_levels: tuple[DragLevel, ...] = ()


def propulsion(
    measurements: Measurements,
    solution: Solution,
    events: FlightEvents,
    facts: VehicleFacts,
    site: Site,
    *,
    gimbal_rad: tuple[Array, Array] | None = None,
    trust_curve: bool = False,
) -> Propulsion:
    """Thrust, drag and the key figures of the motor.

    Parameters
    ----------
    measurements : Measurements
        For the barometer's pressure.
    solution : Solution
    events : FlightEvents
        Liftoff and burnout are needed.
    facts : VehicleFacts
    site : Site
    gimbal_rad : (log_time_s (m,), angles (m, 2)), optional
        Gimbal position, or the command where that is all there is.
    trust_curve : bool
        Take the thrust from the vehicle's curve and find the drag in the boost from it, instead of the reverse.

    Raises
    ------
    CannotEstimate
        No liftoff or burnout, or no thrust curve to trust.
    """
    for name in ("liftoff", "burnout"):
        if name not in events:
            raise CannotEstimate("thrust and drag", f"no {name}: {events.unknown.get(name, 'not found')}")
    if trust_curve and not facts.thrust_curve_s_n:
        raise CannotEstimate("drag from the thrust curve", "the vehicle file has no thrust curve")
    axial = along_the_axis(measurements, solution, events, site)
    dry = facts.liftoff_mass_kg - facts.propellant_mass_kg
    rows = coast_rows(axial, events)
    fit = fit_coast(axial, rows, facts, dry)
    cd, cd_sd = fit.along(axial.time_s, events["burnout"].log_time_s)
    notes = [*_fit_notes(fit, facts, events["liftoff"].log_time_s), "air taken to be at rest: wind is not taken off the speed"]
    pull = 0.5 * axial.density * axial.axial_speed * np.abs(axial.axial_speed) * facts.area_m2
    drag = pull * cd
    thrust, mass = _thrust(axial, events, facts, fit.bias_mps2, drag)
    if trust_curve:
        thrust, mass, drag, note = _drag_from_curve(axial, events, facts, fit.bias_mps2, dry)
        notes.append(note)
    speed_share = 2.0 * float(np.nanmedian(axial.speed_sd / np.maximum(axial.speed, 1.0)))
    drag_sd = np.abs(drag) * np.hypot(cd_sd / np.maximum(np.abs(cd), 1e-9), speed_share)
    thrust_sd = np.hypot(np.hypot(SCALE_SD * np.abs(axial.force) * mass, fit.bias_sd_mps2 * mass), drag_sd)
    burning = axial.time_s <= events["burnout"].log_time_s + 0.15
    figures = _figures(axial, events, facts, thrust, mass, drag, drag_sd, fit, burning)
    bins = cd_against_speed(axial, rows, facts, dry, fit)
    pair = thrust_misalignment(solution, events, facts, (axial.time_s, thrust, mass, axial.density * axial.speed), gimbal_rad)
    figures |= {f"thrust misalignment about {a}": q for a, q in zip("xy", pair, strict=True)}
    return Propulsion(
        axial.time_s, thrust, thrust_sd, drag, drag_sd, mass, axial.speed, *bins, fit.bias_mps2, figures, tuple(notes),
        () if math.isnan(fit.residual_mps2) else fit.levels,
    )  # fmt: skip


def _thrust(axial: Axial, events: FlightEvents, facts: VehicleFacts, bias: float, drag: Array) -> tuple[Array, Array]:
    """Thrust and mass, the mass following the impulse found so far; four rounds settle to a part in a million."""
    liftoff, burnout = events["liftoff"].log_time_s, events["burnout"].log_time_s
    burning = (axial.time_s >= liftoff) & (axial.time_s <= burnout + 0.15)
    mass = np.full(len(axial.time_s), facts.liftoff_mass_kg)
    thrust = np.zeros(len(axial.time_s))
    for _ in range(4):
        thrust = np.where(burning, mass * (axial.force - bias) + drag, 0.0)
        mass = mass_history(axial.time_s, thrust, facts.liftoff_mass_kg, facts.propellant_mass_kg)
    return thrust, mass


def _fit_notes(fit: DragFit, facts: VehicleFacts, liftoff_s: float) -> list[str]:
    if math.isnan(fit.residual_mps2):
        known = f"the vehicle file's {facts.drag_coefficient:g}" if facts.drag_coefficient is not None else "no drag"
        return [f"{fit.why}: {known} assumed"]
    if fit.ratio < LEAST_DRAG_RATIO:
        return [
            f"D/m at burnout is only {fit.ratio:.1f} times the uncertainty of the accelerometer bias: the drag coefficient means little"
        ]
    if len(fit.levels) > 1:
        cd, sd = fit.boost
        changes = " and ".join(f"{level.start_log_s - liftoff_s:.1f}" for level in fit.levels[1:])
        return [
            f"the drag coefficient changed its level in the coast, {changes} s after liftoff; which level held in the boost "
            f"the record does not say: {cd:.2f} ± {sd:.2f} is taken there, and the thrust's uncertainty holds it"
        ]
    return []


def _drag_from_curve(axial: Axial, events: FlightEvents, facts: VehicleFacts, bias: float, dry: float) -> tuple[Array, Array, Array, str]:
    """The reverse: thrust from the curve, drag D = T − m (f − b)."""
    curve = np.array(facts.thrust_curve_s_n)
    ignition = ignition_of_curve(curve, facts.liftoff_mass_kg, events["liftoff"].log_time_s)
    thrust = np.interp(axial.time_s - ignition, curve[:, 0], curve[:, 1], left=0.0, right=0.0)
    mass = mass_history(axial.time_s, thrust, facts.liftoff_mass_kg, facts.propellant_mass_kg)
    drag = thrust - mass * (axial.force - bias)
    boost = (axial.time_s < events["burnout"].log_time_s) & (axial.speed > LEAST_SPEED_MPS)
    pull = 0.5 * axial.density * axial.axial_speed**2 * facts.area_m2
    cd = float(np.sum(drag[boost] * pull[boost]) / np.sum(pull[boost] ** 2)) if boost.any() else math.nan
    return thrust, mass, drag, f"thrust taken from the vehicle's curve; drag coefficient in the boost {cd:.2f}"


def ignition_of_curve(curve: Array, mass_kg: float, liftoff_s: float) -> float:
    """Ignition on the log's clock: the curve, shape (k, 2), s and N, passes the vehicle's weight at liftoff."""
    weight = mass_kg * STANDARD_GRAVITY_MPS2
    over = np.flatnonzero(curve[:, 1] >= weight)
    if not len(over) or over[0] == 0:
        return liftoff_s
    k = int(over[0])
    passed = float(np.interp(weight, curve[k - 1 : k + 1, 1], curve[k - 1 : k + 1, 0]))
    return liftoff_s - passed


def _with_start(time_s: Array, thrust: Array, liftoff_s: float, weight_n: float) -> tuple[Array, Array]:
    """The thrust below the vehicle's weight, which no accelerometer sees on the pad: the first rise carried back to zero."""
    first = np.flatnonzero(time_s >= liftoff_s)
    rise = first[: max(3, int(np.searchsorted(time_s[first], liftoff_s + 0.04)))]
    slope = float(np.polyfit(time_s[rise] - liftoff_s, thrust[rise], 1)[0]) if len(rise) >= 3 else 0.0
    lead = weight_n / slope if slope > weight_n / 0.5 else 0.02
    return np.concatenate(([liftoff_s - lead, liftoff_s], time_s[first])), np.concatenate(([0.0, weight_n], thrust[first]))


def _peak(time: Array, force: Array) -> float:
    """Largest thrust of the history smoothed over 60 ms: the largest sample alone is thrust plus the luck of the vibration."""
    from scipy.signal import savgol_filter

    window = 2 * round(0.03 / float(np.median(np.diff(time)))) + 1
    if window < 5 or len(force) <= window:
        return float(force.max())
    return float(savgol_filter(force, window, 2).max())


def _figures(
    axial: Axial,
    events: FlightEvents,
    facts: VehicleFacts,
    thrust: Array,
    mass: Array,
    drag: Array,
    drag_sd: Array,
    fit: DragFit,
    burning: NDArray[np.bool_],
) -> dict[str, Quantity]:
    liftoff, weight = events["liftoff"].log_time_s, facts.liftoff_mass_kg * STANDARD_GRAVITY_MPS2
    time, force = _with_start(axial.time_s[burning], thrust[burning], liftoff, weight)
    found = dataclasses.replace(curve_figures(time, force), peak_n=_peak(time, force))
    span = found.burn_time_s
    impulse_sd = math.sqrt(
        (SCALE_SD * found.total_impulse_ns) ** 2
        + (fit.bias_sd_mps2 * facts.liftoff_mass_kg * span) ** 2
        + float(np.trapezoid(drag_sd[burning], axial.time_s[burning])) ** 2
    )
    relative = impulse_sd / found.total_impulse_ns
    burn_sd = math.hypot(_known(events["liftoff"].sd_s, 0.02), _known(events["burnout"].sd_s, 0.05))
    figures = _motor_figures(found, facts, impulse_sd, relative, burn_sd)
    figures |= _rail_figures(axial, events, facts, thrust, weight)
    boost_drag = np.where(burning, drag / mass, 0.0)
    k = int(np.argmax(boost_drag))
    most = float(np.max(drag))
    usual = f"{most / weight:.0%} of the weight; a kilogram-class vehicle at such speeds has a few newtons (common practice, no source)"
    figures["largest drag"] = Quantity("largest drag", most, float(drag_sd[int(np.argmax(drag))]), "N", usual)
    figures["dip by drag"] = Quantity(
        "dip drag leaves in the axial force",
        float(boost_drag[k]),
        float(drag_sd[k] / mass[k]),
        "m/s²",
        f"{axial.time_s[k] - liftoff:.2f} s after liftoff",
    )
    return figures | _drag_figures(fit, liftoff)


def _drag_figures(fit: DragFit, liftoff_s: float) -> dict[str, Quantity]:
    """The drag coefficient, that of the level with the least drag where there are several, and then those of the others."""
    weak = fit.why or (f"D/m is {fit.ratio:.1f} times the uncertainty of the bias" if fit.ratio < LEAST_DRAG_RATIO else "")
    if weak:
        return {"drag coefficient": undetermined("drag coefficient", "1", weak)}
    several, low = len(fit.levels) > 1, fit.lowest
    note = f"from the coast, {_span(low, liftoff_s)}, where the drag was least" if several else "from the coast"
    figures = {"drag coefficient": Quantity("drag coefficient", low.cd, low.cd_sd, "1", note + _swing(low))}
    for level in fit.levels:
        if level is not low:
            name = f"drag coefficient {_span(level, liftoff_s)}"
            figures[name] = Quantity(name, level.cd, level.cd_sd, "1", "another level of the same coast" + _swing(level))
    return figures


def _span(level: DragLevel, liftoff_s: float) -> str:
    return f"{level.start_log_s - liftoff_s:.1f} to {level.stop_log_s - liftoff_s:.1f} s after liftoff"


def _swing(level: DragLevel) -> str:
    """That a coefficient was found at an angle of attack, with the number that shows it."""
    if not level.is_swinging:
        return ""
    return f"; force across the axis {level.across_over_axial:.1f} times that along it: an angle of attack may be in it"


def _known(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _motor_figures(found: CurveFigures, facts: VehicleFacts, impulse_sd: float, relative: float, burn_sd: float) -> dict[str, Quantity]:
    letter = motor_class(found.total_impulse_ns)
    edge = [motor_class(max(found.total_impulse_ns + s * 2.0 * impulse_sd, 0.01)) for s in (-1, 1)]
    note = f"class {letter}" + ("" if edge[0] == edge[1] else f" ({edge[0]} to {edge[1]} within two sigma)")
    isp = specific_impulse_s(found.total_impulse_ns, facts.propellant_mass_kg)
    ratio_note = "a small long-burn motor peaks at about three times its mean (common practice, no source)"
    return {
        "total impulse": Quantity("total impulse", found.total_impulse_ns, impulse_sd, "N·s", note),
        "peak thrust": Quantity("peak thrust", found.peak_n, max(relative, SCALE_SD) * found.peak_n, "N"),
        "mean thrust": Quantity("mean thrust", found.mean_n, found.mean_n * math.hypot(relative, burn_sd / found.burn_time_s), "N"),
        "peak to mean": Quantity("peak over mean thrust", found.peak_to_mean, 0.01 * found.peak_to_mean, "1", ratio_note),
        "burn time": Quantity("burn time", found.burn_time_s, burn_sd, "s", "while thrust is above 5 % of its peak"),
        "specific impulse": Quantity("specific impulse", isp, isp * math.hypot(relative, 0.02), "s", "propellant mass to 2 %"),
    }


def _rail_figures(axial: Axial, events: FlightEvents, facts: VehicleFacts, thrust: Array, weight: float) -> dict[str, Quantity]:
    liftoff = events["liftoff"].log_time_s
    leave = events.log_time_s("rail_exit")
    stop = leave if math.isfinite(leave) else liftoff + 0.3
    on_rail = (axial.time_s >= liftoff) & (axial.time_s <= stop)
    mean = float(np.mean(thrust[on_rail])) if on_rail.any() else math.nan
    where = "mean over the rail" if math.isfinite(leave) else "mean over the first 0.3 s"
    figures = {"thrust to weight": Quantity("thrust to weight at liftoff", mean / weight, 0.015 * mean / weight, "1", where)}
    if math.isfinite(leave):
        speed = float(np.interp(leave, axial.time_s, axial.axial_speed))
        figures["rail exit speed"] = Quantity("rail-exit speed", speed, math.hypot(0.01 * speed, 0.1), "m/s")
    else:
        figures["rail exit speed"] = undetermined("rail-exit speed", "m/s", events.unknown.get("rail_exit", "no rail exit"))
    return figures
