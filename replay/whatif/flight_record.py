"""What of a flight no unknown changes: the pre-integrated inertial record, the quiet spans, the barometer, and where a search starts."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion.aiding import FlightModel
from replay.motion.gravity import height_terms
from replay.motion.inertial import Inertial, prepare_inertial
from replay.motion.phasing import baro_height_m
from replay.motion.preintegration import Preintegrated, preintegrate
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise, measured_on_pad
from replay.whatif.unknowns import ACCEL_BIAS, ACCEL_SLOPE, BARO, CROSS_PLACES, GYRO_BIAS, GYRO_SLOPE, N_ERRORS, N_INERTIAL

Array = NDArray[np.float64]
Index = NDArray[np.int64]

KNOT_S = 0.1
PAD_CLEARANCE_S = 0.3
REST_CLEARANCE_S = 0.3
REST_ACCEL_SD_MPS2 = 1e-3
"""Floor of the mean specific force of a quiet span: bias instability (data-sheet size, value from memory)."""
_STEP = 1e-4


@dataclass(frozen=True, eq=False)
class Record:
    """What of the flight no unknown changes.

    Parameters
    ----------
    pre : Preintegrated
        m spans between m + 1 knots, from just before liftoff to the rest after touchdown.
    jacobian : ndarray, shape (m, 9, 21)
        Of the increments by the errors of the inertial sensors, in sensor axes.
    whiten : ndarray, shape (m, 9, 9)
        Inverse square root of each span's process noise.
    dcm_body_from_imu : ndarray, shape (3, 3)
    pad_accel, pad_rate, rest_accel, rest_rate : (mean (3,), sd) or None
        Quiet spans before liftoff and after touchdown, body axes, pad gyro bias taken off.
    rest_warmer_k : float
        The sensor's temperature in the latter less that in the former; 0 where the log has none.
    baro : (knot (b,), share (b,), height (b,), sd) or None
    gravity : ndarray, shape (4,)
    apogee_knot, touchdown_knot : int or None
    time_s : ndarray, shape (m + 1,)
        Log time of the knots.
    liftoff_log_s, pad_azimuth_rad : float
    start : States
    """

    pre: Preintegrated
    jacobian: Array
    whiten: Array
    dcm_body_from_imu: Array
    pad_accel: tuple[Array, float]
    pad_rate: tuple[Array, float]
    rest_accel: tuple[Array, float] | None
    rest_rate: tuple[Array, float] | None
    rest_warmer_k: float
    baro: tuple[Index, Array, Array, float] | None
    gravity: Array
    apogee_knot: int | None
    touchdown_knot: int | None
    liftoff_log_s: float
    pad_azimuth_rad: float
    start: States
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class States:
    """Where the search stands, SI, enu.

    Parameters
    ----------
    q : ndarray, shape (m + 1, 4)
        `q_enu_from_body` at the knots.
    vel, pos : ndarray, shape (m + 1, 3)
    errors : ndarray, shape (28,)
    """

    q: Array
    vel: Array
    pos: Array
    errors: Array

    def moved(self, step: Array) -> States:
        """With a step (9 (m + 1) + 28,) of the unknowns put on."""
        n = len(self.q)
        x = step[: 9 * n].reshape(n, 9)
        return States(
            rotation.normalise(rotation.multiply(rotation.from_rotvec(x[:, :3]), self.q)),
            self.vel + x[:, 3:6],
            self.pos + x[:, 6:9],
            self.errors + step[9 * n :],
        )


def build_record(
    measurements: Measurements, solution: Solution, site: Site, dcm_body_from_imu: Array, noise: ImuNoise | None = None
) -> Record:
    """Pre-integrate a flight for the fit; `solution` gives events, levelling and where the search starts.

    `dcm_body_from_imu` is the mount's, shape (3, 3).

    Raises
    ------
    CannotEstimate
        The record holds no liftoff.
    """
    events, levelling = solution.events, solution.levelling
    if not np.isfinite(events.liftoff_log_s):
        raise CannotEstimate("reconcile", "the record holds no liftoff")
    inertial = prepare_inertial(measurements)
    noise = noise or measured_on_pad(measurements, levelling.start_log_s, levelling.stop_log_s)
    time = inertial.log_time_s
    begin = max(events.liftoff_log_s - PAD_CLEARANCE_S, float(time[0]))
    end = events.rest_log_s if np.isfinite(events.rest_log_s) else float(time[-1])
    edges = _knots(inertial, begin, end)
    offset = np.asarray(levelling.gyro_bias_body_radps, dtype=float)
    pre = preintegrate(inertial, edges, offset, noise.gyro_nd_radps_rthz, noise.accel_nd_mps2_rthz)
    warmer = warmer_than_pad_k(measurements, solution)
    jacobian = _jacobian(inertial, edges, offset, noise, pre, dcm_body_from_imu)
    in_span = np.add.reduceat(warmer[: edges[-1]], edges[:-1]) / np.diff(edges)
    for slope, bias in ((ACCEL_SLOPE, ACCEL_BIAS), (GYRO_SLOPE, GYRO_BIAS)):
        jacobian[:, :, slope] = jacobian[:, :, bias] * in_span[:, None, None]
    baro, notes = _baro(measurements, solution, site, pre, noise)
    i = np.clip(np.searchsorted(solution.log_time_s, pre.log_time_s), 0, len(solution.log_time_s) - 1)
    vel, pos = np.nan_to_num(solution.vel_enu_mps[i]), np.nan_to_num(solution.pos_enu_m[i])
    g0, c1, c2 = height_terms(site.latitude_or_default_rad)
    errors = np.zeros(N_ERRORS)
    errors[BARO.start + 2] = FlightModel().baro_lag_s
    start = States(solution.q_enu_from_body[i], vel, pos, errors)
    pad = _quiet(inertial, offset, levelling.start_log_s, min(levelling.stop_log_s, begin), noise)
    if pad is None:
        raise CannotEstimate("reconcile", "no quiet half second on the pad before liftoff")
    rest = _quiet(inertial, offset, events.rest_log_s + REST_CLEARANCE_S, float(time[-1]), noise)
    return Record(
        pre,
        jacobian,
        _whitener(pre, solution.q_enu_from_body[i]),
        np.asarray(dcm_body_from_imu, dtype=float),
        pad[0],
        pad[1],
        rest[0] if rest else None,
        rest[1] if rest else None,
        float(np.mean(warmer[time >= events.rest_log_s + REST_CLEARANCE_S])) if rest else 0.0,
        baro,
        np.array([g0, c1, c2, site.ground_height_or_default_m]),
        _knot_of(pre, events.apogee_log_s),
        _knot_of(pre, events.touchdown_log_s),
        float(events.liftoff_log_s),
        site.pad_azimuth_or_default_rad,
        start,
        (*inertial.notes, *notes),
    )


def pad_temperature_k(measurements: Measurements, solution: Solution) -> float:
    """Of the sensor where the flight was levelled, its mean; NaN where the log has none."""
    time, temperature, levelled = measurements.log_time_s, measurements.temperature_k, solution.levelling
    there = (time >= levelled.start_log_s) & (time <= levelled.stop_log_s)
    if temperature is None or not np.isfinite(temperature[there]).any():
        return float("nan")
    return float(np.nanmean(temperature[there]))


def warmer_than_pad_k(measurements: Measurements, solution: Solution) -> Array:
    """Temperature of the sensor less that on the pad, at each of n inertial samples; zeros where the log has none."""
    time, temperature, pad_k = measurements.log_time_s, measurements.temperature_k, pad_temperature_k(measurements, solution)
    if temperature is None or not np.isfinite(pad_k):
        return np.zeros(len(time))
    known = np.isfinite(temperature)
    return np.asarray(np.interp(time, time[known], temperature[known]) - pad_k)


def _knot_of(pre: Preintegrated, at_log_s: float) -> int | None:
    return int(np.argmin(np.abs(pre.log_time_s - at_log_s))) if np.isfinite(at_log_s) and at_log_s < pre.log_time_s[-1] else None


def _knots(inertial: Inertial, begin: float, end: float) -> Index:
    time = inertial.log_time_s
    wanted = np.append(np.arange(begin, end, KNOT_S), end)
    edges = np.unique(np.clip(np.searchsorted(time, wanted), 0, len(time) - 1))
    if len(edges) < 4:
        raise CannotEstimate("reconcile", "the flight is shorter than three tenths of a second")
    return edges.astype(np.int64)


def _quiet(
    inertial: Inertial, offset: Array, start: float, stop: float, noise: ImuNoise
) -> tuple[tuple[Array, float], tuple[Array, float]] | None:
    """Mean specific force and rate of a quiet span with their standard deviations; None where the span is too short."""
    i, j = np.searchsorted(inertial.log_time_s, (start, stop))
    if not np.isfinite(start) or j - i < 10 or stop - start < 0.5:
        return None
    span = float(inertial.log_time_s[j - 1] - inertial.log_time_s[i])
    accel, rate = inertial.accel_body_mps2[i:j], inertial.rate_body_radps[i:j] - offset
    accel_sd = float(np.hypot(noise.accel_nd_mps2_rthz / np.sqrt(span), REST_ACCEL_SD_MPS2))
    rate_sd = float(np.hypot(noise.gyro_nd_radps_rthz / np.sqrt(span), noise.gyro_bias_sd_radps))
    return (accel.mean(axis=0), accel_sd), (rate.mean(axis=0), rate_sd)


def _jacobian(inertial: Inertial, edges: Index, offset: Array, noise: ImuNoise, pre: Preintegrated, dcm: Array) -> Array:
    """Derivatives of the increments by errors in sensor axes, shape (m, 9, 21), those of the slopes left at zero: biases as the kernel has
    them, turned; the matrices by integrating again with a small one."""
    result = np.zeros((pre.n_epochs, 9, N_INERTIAL))
    result[:, :, 0:3] = pre.jacobian[:, :, 3:6] @ dcm
    result[:, :, 9:12] = pre.jacobian[:, :, 0:3] @ dcm
    places = [(c, "accel", (i, i)) for c, i in zip((3, 4, 5), range(3), strict=True)]
    places += [(6 + c, "accel", place) for c, place in enumerate(CROSS_PLACES)]
    places += [(12 + i, "gyro", (i, i)) for i in range(3)]
    for column, sensor, place in places:
        unit = np.zeros((3, 3))
        unit[place] = 1.0
        body = dcm @ unit @ dcm.T
        values = inertial.accel_body_mps2 if sensor == "accel" else inertial.rate_body_radps
        off = np.zeros(3) if sensor == "accel" else offset
        changed = np.ascontiguousarray(values - _STEP * (values - off) @ body.T)
        if sensor == "accel":
            altered = dataclasses.replace(inertial, accel_body_mps2=changed)
        else:
            altered = dataclasses.replace(inertial, rate_body_radps=changed)
        other = preintegrate(altered, edges, offset, noise.gyro_nd_radps_rthz, noise.accel_nd_mps2_rthz)
        turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(pre.q_start_from_end), other.q_start_from_end))
        result[:, 0:3, column] = turn / _STEP
        result[:, 3:6, column] = (other.vel_start_mps - pre.vel_start_mps) / _STEP
        result[:, 6:9, column] = (other.pos_start_m - pre.pos_start_m) / _STEP
    return result


def skew(v: Array) -> Array:
    """[v]× of (..., 3), shape (..., 3, 3)."""
    zero = np.zeros_like(v[..., 0])
    rows = ((zero, -v[..., 2], v[..., 1]), (v[..., 2], zero, -v[..., 0]), (-v[..., 1], v[..., 0], zero))
    return np.stack([np.stack(r, axis=-1) for r in rows], axis=-2)


def _whitener(pre: Preintegrated, q: Array) -> Array:
    """Inverse Cholesky factor of what white noise and priced steps put into each span: attitude, velocity, position, enu."""
    m, dt = pre.n_epochs, pre.duration_s[:, None, None]
    turn = rotation.to_dcm(q[:-1])
    cross = skew(np.einsum("kij,kj->ki", turn, pre.vel_start_mps))
    square = cross @ np.swapaxes(cross, 1, 2)
    eye = np.eye(3)
    angle = np.maximum(pre.var[:, 0], 1e-12)[:, None, None]
    push = np.maximum(pre.var[:, 1], 1e-10)[:, None, None] * eye + turn @ (pre.var[:, 2:5, None] * np.swapaxes(turn, 1, 2))
    p = np.zeros((m, 9, 9))
    p[:, 0:3, 0:3] = angle * eye
    p[:, 3:6, 0:3] = -0.5 * angle * cross
    p[:, 6:9, 0:3] = -angle * dt / 6.0 * cross
    p[:, 3:6, 3:6] = push + angle / 3.0 * square
    p[:, 6:9, 3:6] = 0.5 * dt * push + angle * dt / 8.0 * square
    p[:, 6:9, 6:9] = dt**2 / 3.0 * push + angle * dt**2 / 20.0 * square + 1e-10 * eye
    p = np.tril(p) + np.swapaxes(np.tril(p, -1), 1, 2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(p)))


def _baro(
    measurements: Measurements, solution: Solution, site: Site, pre: Preintegrated, noise: ImuNoise
) -> tuple[tuple[Index, Array, Array, float] | None, tuple[str, ...]]:
    height = baro_height_m(measurements, site, solution.levelling.start_log_s, solution.levelling.stop_log_s)
    time = measurements.baro_log_time_s
    if height is None or time is None:
        return None, ("no barometer in the log: the height rests on the inertial record alone",)
    inside = (time > pre.log_time_s[0]) & (time < pre.log_time_s[-1]) & np.isfinite(height)
    time, height = time[inside], height[inside]
    knot = np.clip(np.searchsorted(pre.log_time_s, time, side="right") - 1, 0, pre.n_epochs - 1)
    share = (time - pre.log_time_s[knot]) / pre.duration_s[knot]
    return (knot.astype(np.int64), share, height, noise.baro_sd_m), ()
