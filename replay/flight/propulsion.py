"""Thrust and drag from the axial specific force: drag from the coast, then thrust in the boost; or drag from a trusted thrust curve.

Along the long axis the accelerometer reads f = (T − D)/m + b. In the coast T is zero and the mass is known, so that f against
½ρV²A/m gives the drag coefficient and, where the vehicle is slow, the bias b. In the boost T = m (f − b) + D follows sample by sample.

References
----------
.. [1] G. K. Mandell, G. J. Caporaso, W. P. Bengen, Topics in Advanced Model Rocketry, MIT Press, 1973.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flight.facts import VehicleFacts
from replay.flight.misalignment import autocorrelation_widening, thrust_misalignment
from replay.flight.motor import CurveFigures, curve_figures, mass_history, motor_class, specific_impulse_s
from replay.flight.phases import FlightEvents
from replay.flight.quantity import Quantity, undetermined
from replay.motion import atmosphere
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

AXIAL_BIAS_PRIOR_MPS2 = 0.4
"""One standard deviation of an accelerometer bias nothing is known of (40 mg, data-sheet size, value from memory)."""
SCALE_SD = 0.01
"""One standard deviation of the axial accelerometer scale where no calibration states one (value from memory)."""
SPEED_SD = 0.01
"""Relative standard deviation of the airspeed where the method gives none; the air is taken to be at rest."""
LEAST_SPEED_MPS = 8.0
"""Below this the angle of attack near the top is anything; the coast is fitted above it."""
LEAST_DRAG_RATIO = 3.0
"""D/m at burnout must exceed the bias's standard deviation by this to mean anything."""


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


@dataclass(frozen=True, eq=False)
class _Axial:
    """From liftoff to apogee: time, axial specific force, airspeed, its square signed along the nose, air density."""

    time_s: Array
    force: Array
    speed: Array
    speed_sd: Array
    axial_speed: Array
    density: Array


@dataclass(frozen=True, eq=False)
class DragFit:
    """Drag coefficient and axial bias from the coast, with the covariance of the two."""

    cd: float
    bias_mps2: float
    covariance: Array
    residual_mps2: float
    ratio: float


def propulsion(
    measurements: Measurements,
    solution: Solution,
    events: FlightEvents,
    facts: VehicleFacts,
    site: Site,
    *,
    gimbal_rad: tuple[Array, Array] | None = None,
    trust_curve: bool = False,
    coast_log_s: tuple[float, float] | None = None,
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

    coast_log_s : (start, stop), optional
        Part of the coast that shows the drag: without the time an air brake stands out, say. The whole coast where not given.

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
    axial = _axial(measurements, solution, events, site)
    dry = facts.liftoff_mass_kg - facts.propellant_mass_kg
    rows = _coast_rows(axial, events, coast_log_s)
    fit = fit_coast(axial, rows, facts, dry)
    notes = [*_fit_notes(fit, facts), "air taken to be at rest: wind is not taken off the speed"]
    drag = 0.5 * axial.density * axial.axial_speed * np.abs(axial.axial_speed) * facts.area_m2 * fit.cd
    thrust, mass = _thrust(axial, events, facts, fit.bias_mps2, drag)
    if trust_curve:
        thrust, mass, drag, note = _drag_from_curve(axial, events, facts, fit.bias_mps2, dry)
        notes.append(note)
    cd_sd = math.sqrt(float(fit.covariance[0, 0]))
    drag_sd = np.abs(drag) * math.hypot(
        cd_sd / max(abs(fit.cd), 1e-9), 2.0 * float(np.nanmedian(axial.speed_sd / np.maximum(axial.speed, 1.0)))
    )
    bias_sd = math.sqrt(float(fit.covariance[1, 1]))
    thrust_sd = np.hypot(np.hypot(SCALE_SD * np.abs(axial.force) * mass, bias_sd * mass), drag_sd)
    burning = axial.time_s <= events["burnout"].log_time_s + 0.15
    figures = _figures(axial, events, facts, thrust, mass, drag, drag_sd, fit, burning)
    speed, cd, sd = cd_against_speed(axial, rows, facts, dry, fit)
    pair = thrust_misalignment(solution, events, facts, (axial.time_s, thrust, mass, axial.density * axial.speed), gimbal_rad)
    figures |= {f"thrust misalignment about {a}": q for a, q in zip("xy", pair, strict=True)}
    return Propulsion(
        axial.time_s, thrust, thrust_sd, drag, drag_sd, mass, axial.speed, speed, cd, sd, fit.bias_mps2, figures, tuple(notes)
    )  # fmt: skip


def _axial(measurements: Measurements, solution: Solution, events: FlightEvents, site: Site) -> _Axial:
    apogee = events.log_time_s("apogee")
    start = events["liftoff"].log_time_s - 0.25
    stop = apogee if math.isfinite(apogee) else events["burnout"].log_time_s + 10.0
    i, j = np.searchsorted(solution.log_time_s, (start, stop))
    rows = np.arange(i, j)
    rows = rows[np.isfinite(solution.accel_body_mps2[rows, 2]) & np.isfinite(solution.vel_enu_mps[rows, 2])]
    if len(rows) < 20:
        raise CannotEstimate("thrust and drag", "fewer than 20 samples from liftoff to apogee")
    from replay import rotation

    velocity = solution.vel_enu_mps[rows]
    nose = rotation.rotate(solution.q_enu_from_body[rows], [0.0, 0.0, 1.0])
    speed = np.linalg.norm(velocity, axis=1)
    sd: Array = SPEED_SD * speed
    if solution.vel_sd_enu_mps is not None:
        own = np.linalg.norm(np.nan_to_num(solution.vel_sd_enu_mps[rows]), axis=1)
        sd = np.asarray(np.maximum(sd, own), dtype=np.float64)
    height = solution.pos_enu_m[rows, 2]
    temperature = site.ground_temperature_or_default_k - atmosphere.LAPSE_K_PER_M * height
    pressure = _pressure(measurements, events, site, height)
    density = atmosphere.density_kgpm3(pressure, temperature)
    return _Axial(
        solution.log_time_s[rows], solution.accel_body_mps2[rows, 2], speed, sd, np.einsum("ij,ij->i", velocity, nose), np.asarray(density)
    )


def _pressure(measurements: Measurements, events: FlightEvents, site: Site, height_m: Array) -> Array:
    """Air pressure along the path: the pad's own, carried up by the height, so that no lag or port error of the barometer enters."""
    ground = float(atmosphere.standard_pressure_pa(site.ground_height_or_default_m))
    if measurements.baro_log_time_s is not None and measurements.pressure_pa is not None:
        pad = measurements.pressure_pa[measurements.baro_log_time_s < events["liftoff"].log_time_s - 0.2]
        ground = float(np.median(pad)) if len(pad) else ground
    t0 = site.ground_temperature_or_default_k
    return np.asarray(ground * (1.0 - atmosphere.LAPSE_K_PER_M * height_m / t0) ** atmosphere.EXPONENT)


def _coast_rows(axial: _Axial, events: FlightEvents, span: tuple[float, float] | None = None) -> NDArray[np.bool_]:
    apogee = events.log_time_s("apogee")
    stop = apogee - 0.3 if math.isfinite(apogee) else axial.time_s[-1]
    late = events.log_time_s("deployment")
    stop = min(stop, late - 0.1) if math.isfinite(late) else stop
    after = events["burnout"].log_time_s + 0.1
    if span is not None:
        after, stop = max(after, span[0]), min(stop, span[1])
    return np.asarray((axial.time_s > after) & (axial.time_s < stop) & (axial.speed > LEAST_SPEED_MPS))


def fit_coast(axial: _Axial, rows: NDArray[np.bool_], facts: VehicleFacts, dry_mass_kg: float) -> DragFit:
    """Weighted least squares of the coast's axial force on dynamic pressure and a bias with its prior.

    The residuals of a coast are wobble and gusts, not white noise: the covariance is widened by their autocorrelation.
    """
    if np.count_nonzero(rows) < 10:
        nominal = facts.drag_coefficient or 0.0
        spread = np.diag([0.3**2, AXIAL_BIAS_PRIOR_MPS2**2])
        return DragFit(nominal, 0.0, spread, math.nan, 0.0)
    speed, force = axial.axial_speed[rows], axial.force[rows]
    pull = 0.5 * axial.density[rows] * speed * np.abs(speed) * facts.area_m2 / dry_mass_kg
    design = np.column_stack((-pull, np.ones(len(pull))))
    noise = 0.05
    prior = np.diag([0.0, 1.0 / AXIAL_BIAS_PRIOR_MPS2**2])
    for _ in range(3):
        information = design.T @ design / noise**2 + prior
        solution = np.linalg.solve(information, design.T @ force / noise**2)
        left = force - design @ solution
        noise = max(float(np.sqrt(np.mean(left**2))), 0.01)
    widen = autocorrelation_widening(left)
    covariance = np.asarray(np.linalg.inv(design.T @ design / (widen * noise**2) + prior), dtype=np.float64)
    relative_speed = float(np.median(axial.speed_sd[rows] / axial.speed[rows]))
    covariance[0, 0] += (2.0 * relative_speed * solution[0]) ** 2 + (0.01 * solution[0]) ** 2  # speed; mass to 1 %
    ratio = float(solution[0] * pull.max() / math.sqrt(float(covariance[1, 1])))
    return DragFit(float(solution[0]), float(solution[1]), covariance, noise, ratio)


def _fit_notes(fit: DragFit, facts: VehicleFacts) -> list[str]:
    if math.isnan(fit.residual_mps2):
        known = f"the vehicle file's {facts.drag_coefficient:g}" if facts.drag_coefficient is not None else "no drag"
        return [f"coast too short or too slow to show drag: {known} assumed"]
    if fit.ratio < LEAST_DRAG_RATIO:
        return [
            f"D/m at burnout is only {fit.ratio:.1f} times the uncertainty of the accelerometer bias: the drag coefficient means little"
        ]
    return []


def cd_against_speed(
    axial: _Axial, rows: NDArray[np.bool_], facts: VehicleFacts, dry_mass_kg: float, fit: DragFit
) -> tuple[Array, Array, Array]:
    """Drag coefficient in up to eight bins of speed: bin centre, value, standard deviation, shapes (k,)."""
    if np.count_nonzero(rows) < 40 or math.isnan(fit.residual_mps2):
        return np.empty(0), np.empty(0), np.empty(0)
    speed, force = axial.axial_speed[rows], axial.force[rows]
    pull = 0.5 * axial.density[rows] * speed**2 * facts.area_m2 / dry_mass_kg
    edges = np.linspace(speed.min(), speed.max() + 1e-9, 9)
    centre, value, sd = [], [], []
    bias_sd = math.sqrt(float(fit.covariance[1, 1]))
    for low, high in itertools.pairwise(edges):
        inside = (speed >= low) & (speed < high)
        if np.count_nonzero(inside) < 8:
            continue
        p, f = pull[inside], force[inside]
        mean = float(np.sum(-(f - fit.bias_mps2) * p) / np.sum(p * p))
        left = f - fit.bias_mps2 + mean * p
        noise = float(np.sqrt(np.mean(left**2) * autocorrelation_widening(left) / len(p)))
        centre.append(0.5 * (low + high))
        value.append(mean)
        sd.append(math.hypot(noise, bias_sd) / float(np.sqrt(np.mean(p * p))))
    return np.array(centre), np.array(value), np.array(sd)


def _thrust(axial: _Axial, events: FlightEvents, facts: VehicleFacts, bias: float, drag: Array) -> tuple[Array, Array]:
    """Thrust and mass, the mass following the impulse found so far; four rounds settle to a part in a million."""
    liftoff, burnout = events["liftoff"].log_time_s, events["burnout"].log_time_s
    burning = (axial.time_s >= liftoff) & (axial.time_s <= burnout + 0.15)
    mass = np.full(len(axial.time_s), facts.liftoff_mass_kg)
    thrust = np.zeros(len(axial.time_s))
    for _ in range(4):
        thrust = np.where(burning, mass * (axial.force - bias) + drag, 0.0)
        mass = mass_history(axial.time_s, thrust, facts.liftoff_mass_kg, facts.propellant_mass_kg)
    return thrust, mass


def _drag_from_curve(axial: _Axial, events: FlightEvents, facts: VehicleFacts, bias: float, dry: float) -> tuple[Array, Array, Array, str]:
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
    """Ignition on the log's clock: the curve passes the vehicle's weight at liftoff."""
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
    axial: _Axial,
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
    bias_sd, cd_sd = math.sqrt(float(fit.covariance[1, 1])), math.sqrt(float(fit.covariance[0, 0]))
    span = found.burn_time_s
    impulse_sd = math.sqrt(
        (SCALE_SD * found.total_impulse_ns) ** 2
        + (bias_sd * facts.liftoff_mass_kg * span) ** 2
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
    why = "the coast does not show it" if math.isnan(fit.residual_mps2) else ""
    weak = f"D/m is {fit.ratio:.1f} times the uncertainty of the bias" if fit.ratio < LEAST_DRAG_RATIO else why
    figures["drag coefficient"] = (
        undetermined("drag coefficient", "1", weak) if weak else Quantity("drag coefficient", fit.cd, cd_sd, "1", "from the coast")
    )
    return figures


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


def _rail_figures(axial: _Axial, events: FlightEvents, facts: VehicleFacts, thrust: Array, weight: float) -> dict[str, Quantity]:
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
