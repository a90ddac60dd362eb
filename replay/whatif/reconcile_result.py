"""From a solved flight to what is said of it: calibration, parameters, what would help most next, notes and assumptions."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.calibration import Calibration, accel_matrix, gyro_matrix, upper_triangular
from replay.units import DEG
from replay.whatif.ensemble import Posterior
from replay.whatif.evidence import Evidence, Lean, stated_prior
from replay.whatif.flight_fit import MOST_LAG_S, FlightFit, runaway_spans_s
from replay.whatif.flight_rows import knot_at, lean_residual
from replay.whatif.reconciliation import NextObservation, Observation, Parameter, Reconciliation
from replay.whatif.unknowns import (
    ACCEL_BIAS,
    ACCEL_CROSS,
    ACCEL_SCALE,
    ACCEL_SLOPE,
    BARO,
    BARO_NAMES,
    FIELDS,
    GYRO_BIAS,
    GYRO_SCALE,
    GYRO_SLOPE,
    MOUNT,
    N_ERRORS,
    PAD_TILT,
    PLACES,
    in_groups,
)

Array = NDArray[np.float64]

FAR_SIGMAS: Final = 3.0
WARMED_K: Final = 3.0
"""A gyro's zero moves by some hundredths of a deg/s per °C (data-sheet size, value from memory): a tenth and more from here on."""

_NO_RAIL = Lean(0.0, 0.0, 0.5)
"""What is known of the lean on the pad without an inclinometer: about upright, to half a radian."""


@dataclass(frozen=True)
class Warming:
    """How far the sensor's temperature moved from that on the pad in flight, whether it was logged, and whose drift nothing takes off."""

    moved_k: float = 0.0
    is_logged: bool = False
    without_slope: tuple[str, ...] = ()


def result_of(
    fit: FlightFit, undetermined: NDArray[np.bool_], base: Calibration, mean: Array, prior_sd: Array,
    evidence: Evidence, site: Site, solution: Solution, mount_note: str = "", warming: Warming | None = None,
) -> Reconciliation:  # fmt: skip
    """What a fit says, in words and numbers.

    `undetermined` (28,) errors stand at their prior's mean; `mean` and `prior_sd` (28,) in SI. `mount_note`: how the sensor was found to
    sit.
    """
    is_free, is_tilt_free = fit.keep[-N_ERRORS:], bool(fit.keep[0])
    freed = {name for name, place in PLACES.items() if is_free[place]} | ({PAD_TILT} if is_tilt_free else set())
    pinned = in_groups({PAD_TILT, *PLACES} - freed)
    errors = np.where(undetermined, mean, fit.states.errors)
    after = with_errors(base, errors)
    rows = np.vstack((_tilt_rows(fit), error_rows(fit)))
    covariance = fit.covariance(rows)
    listed, by_error = _components(base, errors)
    whole = np.zeros((2 + len(listed) + 4, 2 + N_ERRORS))
    whole[:2, :2] = np.eye(2)
    whole[2 : 2 + len(listed), 2:] = by_error
    whole[2 + len(listed) :, 2 + BARO.start : 2 + BARO.stop] = np.eye(4)
    spread = whole @ covariance @ whole.T
    parameters = _parameters(fit, listed, base, after, errors, mean, prior_sd, is_free, undetermined, spread, evidence)
    q = fit.states.q[0]
    nose = rotation.rotate(rotation.multiply(q, rotation.from_rotvec(errors[MOUNT])), [0.0, 0.0, 1.0])
    tilt_sd = math.sqrt(0.5 * float(spread[0, 0] + spread[1, 1]))
    solved = [i for i, row in enumerate(listed) if is_free[row[5]]]
    posterior = Posterior(
        after, tuple((listed[i][0], listed[i][1]) for i in solved), spread[np.ix_([2 + i for i in solved], [2 + i for i in solved])]
    )
    seen = {name: r for name, r in fit.residuals.items() if name.split()[0] in ("rail", "sighting", "touchdown", "apogee")}
    levelled = solution.levelling.q_enu_from_body
    return Reconciliation(
        as_flown=base,
        calibration=after,
        parameters=parameters,
        pad_tilt_rad=float(np.arctan2(np.hypot(nose[0], nose[1]), nose[2])),
        pad_tilt_azimuth_rad=float(np.arctan2(nose[0], nose[1]) % (2.0 * np.pi)),
        pad_tilt_sd_rad=tilt_sd,
        levelled_tilt_rad=float(rotation.tilt(levelled)),
        levelled_tilt_azimuth_rad=float(rotation.tilt_azimuth(levelled)),
        observations=tuple(Observation(name, tuple(float(v) for v in r)) for name, r in seen.items()),
        chi_square=fit.chi_square,
        degrees_of_freedom=fit.n_residuals - 9 * len(fit.states.q) - N_ERRORS + (0 if is_tilt_free else 2),
        next_observations=_next_observations(fit, evidence, solution, tilt_sd) if is_tilt_free else (),
        posterior=posterior,
        fit=fit,
        notes=_notes(fit, evidence, pinned, undetermined, parameters, warming or Warming()),
        assumptions=_assumptions(evidence, site, mount_note, is_free),
        pinned=pinned,
        doubts=_doubts(fit, seen, warming or Warming()),
    )


def _parameters(
    fit: FlightFit, listed: Sequence[tuple[str, int, str, str, float, int]], base: Calibration, after: Calibration, errors: Array,
    mean: Array, prior_sd: Array, is_free: NDArray[np.bool_], undetermined: NDArray[np.bool_], spread: Array, evidence: Evidence,
) -> tuple[Parameter, ...]:  # fmt: skip
    names = ["pad tilt east", "pad tilt north", *(row[2] for row in listed), *(name for name, _ in BARO_NAMES)]
    sd = np.sqrt(np.maximum(np.diag(spread), 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = spread / np.outer(sd, sd)
    np.fill_diagonal(correlation, 0.0)
    correlation = np.nan_to_num(correlation)
    q = rotation.multiply(fit.states.q[0], rotation.from_rotvec(errors[MOUNT]))
    nose = rotation.rotate(q, [0.0, 0.0, 1.0])
    rail = evidence.rail if evidence.rail is not None and evidence.rail.is_side_known else _NO_RAIL
    sides = (math.sin(rail.tilt_azimuth_rad), math.cos(rail.tilt_azimuth_rad))
    numbers = [("deg", DEG, float(nose[i]), math.sin(rail.tilt_rad) * sides[i], rail.sd_rad, bool(fit.keep[0]), False) for i in range(2)]
    for field, axis, _, unit, factor, k in listed:
        value, before = getattr(after, field)[axis], getattr(base, field)[axis]
        numbers.append((unit, factor, value, before, float(prior_sd[k]), bool(is_free[k]), bool(undetermined[k])))
    for i, (_, unit) in enumerate(BARO_NAMES):
        k = BARO.start + i
        numbers.append((unit, 1.0, float(errors[k]), float(mean[k]), float(prior_sd[k]), bool(is_free[k]), bool(undetermined[k])))
    found = []
    for i, (name, (unit, factor, value, prior, before_sd, free, unseen)) in enumerate(zip(names, numbers, strict=True)):
        own_sd = float(sd[i]) if free else 0.0
        other = int(np.argmax(np.abs(correlation[i])))
        status = "pinned" if not free else "undetermined" if unseen else "determined"
        share = float(np.clip(1.0 - (own_sd / before_sd) ** 2, 0.0, 1.0)) if free else 0.0
        is_correlated = free and abs(correlation[i, other]) >= 0.005  # what rounds to nothing is none
        with_name, with_value = (names[other], float(correlation[i, other])) if is_correlated else ("", 0.0)
        shown = (value / factor, own_sd / factor, prior / factor, before_sd / factor)
        found.append(Parameter(name, unit, *shown, share, with_name, with_value, status))
    return tuple(found)


def _next_observations(fit: FlightFit, evidence: Evidence, solution: Solution, tilt_sd: float) -> tuple[NextObservation, ...]:
    """What a single further observation would leave of the pad tilt, by the linear update of its covariance."""
    n = 9 * len(fit.states.q)
    tilt = _tilt_rows(fit)
    candidates: dict[str, tuple[Array, float]] = {}

    def lean_rows(knot: int) -> Array:
        rows = np.zeros((2, n + N_ERRORS))
        q = rotation.multiply(fit.states.q[knot], rotation.from_rotvec(fit.states.errors[MOUNT]))
        seen = Lean(float(rotation.tilt(q)), float(rotation.tilt_azimuth(q)), 1.0)
        _, by_turn, by_mount = lean_residual(fit.record, fit.states, knot, seen)
        rows[:, 9 * knot : 9 * knot + 3], rows[:, n + MOUNT.start : n + MOUNT.stop] = by_turn, by_mount
        return rows

    if evidence.rail is None:
        candidates["rail inclinometer to 0.5°"] = lean_rows(0), 0.5 * DEG
    burnout = solution.events.burnout_log_s - fit.record.liftoff_log_s
    if np.isfinite(burnout):
        candidates["tilt read off a photograph in mid-boost, to 1.5°"] = lean_rows(knot_at(fit.record, 0.5 * burnout)), 1.5 * DEG
    if evidence.touchdown is None:
        rows = np.zeros((2, n + N_ERRORS))
        rows[0, n - 3], rows[1, n - 2] = 1.0, 1.0
        candidates["touchdown paced to 3 m"] = rows, 3.0
    if evidence.apogee is None and fit.record.apogee_knot is not None:
        rows = np.zeros((1, n + N_ERRORS))
        rows[0, 9 * fit.record.apogee_knot + 8] = 1.0
        candidates["apogee tracked to 2 m"] = rows, 2.0
    bench = np.zeros((3, n + N_ERRORS))
    bench[:, n : n + 3] = np.eye(3)
    candidates["six-face bench calibration at the flight's temperature, to 0.01 m/s²"] = bench, 0.01
    found = []
    for name, (rows, sd) in candidates.items():
        joint = fit.covariance(np.vstack((tilt, rows)))
        cross, own = joint[:2, 2:], joint[2:, 2:] + sd**2 * np.eye(len(rows))
        left = joint[:2, :2] - cross @ np.linalg.solve(own, cross.T)
        found.append(NextObservation(name, tilt_sd, math.sqrt(max(0.5 * float(np.trace(left)), 0.0))))
    return tuple(sorted(found, key=lambda c: c.tilt_sd_then_rad))


def _notes(
    fit: FlightFit, evidence: Evidence, pinned: Sequence[str], undetermined: NDArray[np.bool_], parameters: Sequence[Parameter],
    warming: Warming,
) -> tuple[str, ...]:  # fmt: skip
    parts = []
    if fit.record.rest_accel is not None:
        parts.append("gravity at rest after touchdown")
    if fit.record.baro is not None:
        parts.append("the barometer")
    parts += [name for name, value in (("the rail", evidence.rail), ("the touchdown point", evidence.touchdown)) if value is not None]
    parts += ["the apogee"] if evidence.apogee is not None else []
    parts += ["the sightings"] if evidence.sightings else []
    parted = (", ".join(parts) + " and the motion in between.") if parts else "nothing but the motion in flight."
    lines = [
        "One attitude at rest on the pad can't tell a leaning rail from a biased accelerometer. "
        + (f"Here they are parted by {parted}" if PAD_TILT not in pinned else "Here the levelling is taken at its word.")
    ]
    if fit.record.rest_accel is None:
        lines.append("No rest after touchdown in the record: the uncertainty is as wide as that leaves it.")
    if undetermined.any():
        lines.append(
            "Not determined by this flight and left at the prior: "
            + ", ".join(p.name for p in parameters if p.status == "undetermined")
            + "."
        )
    if pinned:
        lines.append(f"Pinned at the calibration as flown, their errors are in no standard deviation here: {', '.join(pinned)}.")
    is_free = fit.keep[-N_ERRORS:]
    if is_free[ACCEL_SLOPE].any() or is_free[GYRO_SLOPE].any():
        lines.append(
            f"Biases are those at the pad's temperature, which moved by {warming.moved_k:+.1f} °C in flight."
            if warming.is_logged
            else "The log has no temperature of the sensor, so no slope can be found in it."
        )
    for start, stop, off in runaway_spans_s(fit):
        lines.append(
            f"Barometer not used from {start:.1f} to {stop:.1f} s after liftoff: it runs up to {off:.0f} m off the inertial record there."
        )
    return (*lines, *fit.record.notes)


def _doubts(fit: FlightFit, seen: Mapping[str, Array], warming: Warming) -> tuple[str, ...]:
    """What makes the numbers worth less than their standard deviations say, and what to do about it."""
    lines = []
    if not fit.has_converged:
        lines.append("The fit did not settle: treat every number here as a start, not a result.")
    far = {name: float(np.max(np.abs(r))) for name, r in seen.items() if np.max(np.abs(r)) > FAR_SIGMAS}
    if far:
        named = ", ".join(f"{name} ({sigmas:.1f})" for name, sigmas in far.items())
        lines.append(
            f"More than three sigma off, and given less weight for it: {named}. Check these observations and their deviations, "
            "or free what else may be wrong."
        )
    if abs(warming.moved_k) > WARMED_K and warming.without_slope:
        named = " and ".join(warming.without_slope)
        slopes = " and ".join(f"{name} temperature slope" for name in warming.without_slope)
        lines.append(
            f"The sensor {'warmed' if warming.moved_k > 0.0 else 'cooled'} by {abs(warming.moved_k):.1f} °C in this record and no "
            f"temperature slope of the {named} is known: a bias that drifts with it is not among what is solved for, and the rest bends to "
            "follow it. "
            f"Free {slopes}, or find the slopes on the bench (plumbline bench temperature) and reconcile with them."
        )
    return tuple(lines)


def _assumptions(evidence: Evidence, site: Site, mount_note: str, is_free: NDArray[np.bool_]) -> tuple[str, ...]:
    lines = list(site.assumptions())
    stated = evidence.prior
    p = stated_prior(stated)
    groups = (
        ("accelerometer bias", stated.accel_bias_mps2, f"{p.accel_bias_mps2:g} m/s²", ACCEL_BIAS),
        ("accelerometer scale", stated.accel_scale, f"{p.accel_scale:g}", ACCEL_SCALE),
        ("accelerometer cross-axis", stated.accel_cross_axis, f"{p.accel_cross_axis:g}", ACCEL_CROSS),
        ("gyro bias", stated.gyro_bias_radps, f"{(p.gyro_bias_radps or 0.0) / DEG:g} deg/s", GYRO_BIAS),
        ("gyro scale", stated.gyro_scale, f"{p.gyro_scale:g}", GYRO_SCALE),
        ("mount rotation", stated.mount_rad, f"{(p.mount_rad or 0.0) / DEG:g} deg", MOUNT),
        ("accelerometer temperature slope", stated.accel_slope_mps2_per_k, f"{p.accel_slope_mps2_per_k:g} m/s²/°C", ACCEL_SLOPE),
        ("gyro temperature slope", stated.gyro_slope_radps_per_k, f"{(p.gyro_slope_radps_per_k or 0.0) / DEG:g} deg/s/°C", GYRO_SLOPE),
    )
    for name, given, shown, where in groups:
        if is_free[where].any():
            lines.append(f"prior of the {name}: {shown} ({'as stated' if given is not None else 'default, data-sheet size'})")
    if is_free[BARO].any():
        lines.append(f"barometric lag between 0 and {MOST_LAG_S:g} s (common practice, no source)")
    return tuple(dict.fromkeys([*lines, *([mount_note] if mount_note else [])]))


def error_rows(fit: FlightFit) -> Array:
    """Selects the 28 errors from the unknowns, shape (28, n)."""
    n = 9 * len(fit.states.q)
    rows = np.zeros((N_ERRORS, n + N_ERRORS))
    rows[:, n:] = np.eye(N_ERRORS)
    return rows


def _tilt_rows(fit: FlightFit) -> Array:
    """East and north component of the nose on the pad, shape (2, n)."""
    n = 9 * len(fit.states.q)
    rows = np.zeros((2, n + N_ERRORS))
    upright = Lean(0.0, 0.5 * math.pi, 1.0)  # its plane is the horizontal: first row east, second row −north
    _, by_turn, by_mount = lean_residual(fit.record, fit.states, 0, upright)
    signs = np.array([[1.0], [-1.0]])
    rows[:, 0:3], rows[:, n + MOUNT.start : n + MOUNT.stop] = signs * by_turn, signs * by_mount
    return rows


def with_errors(base: Calibration, errors: Array) -> Calibration:
    """A calibration with the solved errors taken off: M' = (I − E) M, b' = b + M'⁻¹ β; the gyro likewise; the mount turned back."""
    m = (np.eye(3) - upper_triangular(errors[ACCEL_SCALE], errors[ACCEL_CROSS])) @ accel_matrix(base)
    bias = np.asarray(base.accel_bias_imu_mps2) + np.linalg.solve(m, errors[ACCEL_BIAS])
    scale = np.asarray(base.gyro_scale) * (1.0 - errors[GYRO_SCALE])
    turned = dataclasses.replace(base, gyro_scale=_vec(scale))
    gyro_bias = np.asarray(base.gyro_bias_imu_radps) + np.linalg.solve(gyro_matrix(turned), errors[GYRO_BIAS])
    gyro_slope = np.asarray(base.gyro_slope_imu_radps_per_k) + np.linalg.solve(gyro_matrix(turned), errors[GYRO_SLOPE])
    slope = np.asarray(base.accel_slope_imu_mps2_per_k) + np.linalg.solve(m, errors[ACCEL_SLOPE])
    mount = rotation.multiply(rotation.from_rotvec(-errors[MOUNT]), rotation.from_rotvec(base.mount_rotation_rad))
    return dataclasses.replace(
        base,
        accel_bias_imu_mps2=_vec(bias),
        accel_scale=_vec(np.diag(m)),
        accel_cross_axis=(float(m[0, 1]), float(m[0, 2]), float(m[1, 2])),
        gyro_scale=_vec(scale),
        gyro_bias_imu_radps=_vec(gyro_bias),
        accel_slope_imu_mps2_per_k=_vec(slope),
        gyro_slope_imu_radps_per_k=_vec(gyro_slope),
        mount_rotation_rad=_vec(rotation.to_rotvec(mount)),
    )


def _vec(values: Array) -> tuple[float, float, float]:
    return (float(values[0]), float(values[1]), float(values[2]))


def _components(base: Calibration, errors: Array) -> tuple[list[tuple[str, int, str, str, float, int]], Array]:
    """(field, axis, name, shown unit, factor, error number) of every calibration number, and d(number)/d(errors), shape (k, 28)."""
    rows, listed = [], []
    for group, (field, axes) in FIELDS.items():
        meta = next(f.metadata for f in dataclasses.fields(Calibration) if f.name == field)
        for axis, letter in enumerate(axes):
            listed.append((field, axis, f"{group} {letter}", meta["show"], meta["factor"], PLACES[f"{group} {letter}"]))
    step = 1e-5
    ends = [[with_errors(base, errors + sign * step * e) for e in np.eye(N_ERRORS)] for sign in (1.0, -1.0)]
    for field, axis, *_ in listed:
        above, below = (np.array([getattr(c, field)[axis] for c in side]) for side in ends)
        rows.append((above - below) / (2.0 * step))
    return listed, np.array(rows)
