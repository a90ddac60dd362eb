"""The whole flight as one robust least-squares problem on the pre-integrated inertial record.

Unknowns are attitude, velocity and position at the knots between pre-integrated spans, and constant errors of the sensors. The record
pays for each span that the states and errors don't join, by its own noise; rest, barometer, evidence and priors pay likewise. Solved
by Gauss–Newton on the sparse normal equations with step halving; Cauchy weights on the barometer and on evidence.

Errors stand in the accelerometer's and gyro's own axes, after the calibration the record was corrected with: true = (I − E) a − β.

References
----------
.. [1] C. Forster, L. Carlone, F. Dellaert, D. Scaramuzza, On-manifold preintegration, IEEE Trans. Robotics 33(1), 2017.
.. [2] P. J. Huber, E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley, 2009: iteratively re-weighted least squares.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import Cancelled, CannotEstimate
from replay.flight.misalignment import autocorrelation_widening
from replay.motion.aiding import FlightModel
from replay.motion.gravity import height_terms
from replay.motion.phasing import baro_height_m
from replay.motion.preintegration import Inertial, Preintegrated, preintegrate, prepare_inertial
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise, measured_on_pad
from replay.whatif.evidence import Evidence, Lean, Sighting

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

Array = NDArray[np.float64]
Index = NDArray[np.int64]

ACCEL_BIAS, ACCEL_SCALE, ACCEL_CROSS, GYRO_BIAS, GYRO_SCALE, BARO, MOUNT = (
    slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12), slice(12, 15), slice(15, 19), slice(19, 22),
)  # fmt: skip
N_ERRORS = 22
"""Accelerometer bias, scale, cross-axis (xy, xz, yz), gyro bias, gyro scale, barometer bias, scale, lag, port error, mount rotation."""

KNOT_S = 0.1
PAD_CLEARANCE_S = 0.3
REST_CLEARANCE_S = 0.3
CAUCHY = 3.0
"""Sigmas at which a barometric height or a piece of evidence keeps half of its weight."""
REST_ACCEL_SD_MPS2 = 1e-3
"""Floor of the mean specific force of a quiet span: bias instability (data-sheet size, value from memory)."""
_CROSS_PLACES = ((0, 1), (0, 2), (1, 2))
_STEP = 1e-4

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class Record:
    """What of the flight no unknown changes.

    Parameters
    ----------
    pre : Preintegrated
        m spans between m + 1 knots, from just before liftoff to the rest after touchdown.
    jacobian : ndarray, shape (m, 9, 15)
        Of the increments by accelerometer bias, scale, cross-axis, gyro bias, gyro scale, in sensor axes.
    whiten : ndarray, shape (m, 9, 9)
        Inverse square root of each span's process noise.
    dcm_body_from_imu : ndarray, shape (3, 3)
    pad_accel, pad_rate, rest_accel, rest_rate : (mean (3,), sd) or None
        Quiet spans before liftoff and after touchdown, body axes, pad gyro bias taken off.
    baro : (knot (b,), share (b,), height (b,), sd) or None
    gravity : ndarray, shape (4,)
    apogee_knot : int or None
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
    baro: tuple[Index, Array, Array, float] | None
    gravity: Array
    apogee_knot: int | None
    liftoff_log_s: float
    pad_azimuth_rad: float
    start: States
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class States:
    """Attitude (m + 1, 4), velocity and position (m + 1, 3), errors (22,)."""

    q: Array
    vel: Array
    pos: Array
    errors: Array

    def moved(self, step: Array) -> States:
        """With a step (9 (m + 1) + 22,) of the unknowns put on."""
        n = len(self.q)
        x = step[: 9 * n].reshape(n, 9)
        return States(
            rotation.normalise(rotation.multiply(rotation.from_rotvec(x[:, :3]), self.q)),
            self.vel + x[:, 3:6],
            self.pos + x[:, 6:9],
            self.errors + step[9 * n :],
        )


@dataclass(frozen=True, eq=False)
class Rows:
    """Whitened residuals of one group of measurements with their derivatives as sparse triplets."""

    name: str
    residual: Array
    row: Index
    column: Index
    value: Array
    is_robust: bool = False


@dataclass(frozen=True, eq=False)
class FlightFit:
    """The solved flight.

    `normal` is the sparse matrix of the normal equations at the solution, `residuals` the whitened residuals by group before
    robust weights, `chi_square` their sum of squares with them.
    """

    record: Record
    states: States
    free: NDArray[np.bool_]
    normal: Any
    residuals: dict[str, Array]
    chi_square: float
    n_residuals: int
    n_iterations: int
    has_converged: bool

    @cached_property
    def _factored(self) -> _Factor:
        return _Factor(self.normal, self.free, len(self.states.q))

    def covariance(self, rows: Array) -> Array:
        """Covariance of linear functions `rows` (k, n) of the unknowns, shape (k, k)."""
        return np.asarray(rows @ self._factored.solve(rows.T))


def build_record(
    measurements: Measurements, solution: Solution, site: Site, dcm_body_from_imu: Array, noise: ImuNoise | None = None
) -> Record:
    """Pre-integrate a flight for the fit; `solution` gives events, levelling and where the search starts.

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
    jacobian = _jacobian(inertial, edges, offset, noise, pre, dcm_body_from_imu)
    baro, notes = _baro(measurements, solution, site, pre, noise)
    i = np.clip(np.searchsorted(solution.log_time_s, pre.log_time_s), 0, len(solution.log_time_s) - 1)
    vel, pos = np.nan_to_num(solution.vel_enu_mps[i]), np.nan_to_num(solution.pos_enu_m[i])
    g0, c1, c2 = height_terms(site.latitude_or_default_rad)
    errors = np.zeros(N_ERRORS)
    errors[BARO.start + 2] = FlightModel().baro_lag_s
    start = States(solution.q_enu_from_body[i], vel, pos, errors)
    apogee = events.apogee_log_s
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
        baro,
        np.array([g0, c1, c2, site.ground_height_or_default_m]),
        int(np.argmin(np.abs(pre.log_time_s - apogee))) if np.isfinite(apogee) and apogee < pre.log_time_s[-1] else None,
        float(events.liftoff_log_s),
        site.pad_azimuth_or_default_rad,
        start,
        (*inertial.notes, *notes),
    )


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
    """Derivatives of the increments by errors in sensor axes, shape (m, 9, 15): biases as the kernel has them, turned; the matrices by
    integrating again with a small one."""
    result = np.zeros((pre.n_epochs, 9, 15))
    result[:, :, 0:3] = pre.jacobian[:, :, 3:6] @ dcm
    result[:, :, 9:12] = pre.jacobian[:, :, 0:3] @ dcm
    places = [(c, "accel", (i, i)) for c, i in zip((3, 4, 5), range(3), strict=True)]
    places += [(6 + c, "accel", place) for c, place in enumerate(_CROSS_PLACES)]
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


def _skew(v: Array) -> Array:
    """[v]× of (..., 3), shape (..., 3, 3)."""
    zero = np.zeros_like(v[..., 0])
    rows = ((zero, -v[..., 2], v[..., 1]), (v[..., 2], zero, -v[..., 0]), (-v[..., 1], v[..., 0], zero))
    return np.stack([np.stack(r, axis=-1) for r in rows], axis=-2)


def _whitener(pre: Preintegrated, q: Array) -> Array:
    """Inverse Cholesky factor of what white noise and priced steps put into each span: attitude, velocity, position, enu."""
    m, dt = pre.n_epochs, pre.duration_s[:, None, None]
    turn = rotation.to_dcm(q[:-1])
    cross = _skew(np.einsum("kij,kj->ki", turn, pre.vel_start_mps))
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


# ---------------------------------------------------------------- residuals


def _gravity_at(record: Record, height_m: Any) -> Any:
    g0, c1, c2, ground = record.gravity
    h = ground + height_m
    return g0 * (1.0 - c1 * h + c2 * h * h)


def _dense(name: str, residual: Array, blocks: Sequence[tuple[NDArray[Any], Array]], robust: bool = False) -> Rows:
    """Rows whose derivatives are given as (columns, (r, c)) blocks."""
    rows, columns, values = [], [], []
    for where, block in blocks:
        r, c = np.indices(block.shape)
        rows.append(r.ravel())
        columns.append(np.asarray(where)[c.ravel()])
        values.append(block.ravel())
    return Rows(name, residual, np.concatenate(rows), np.concatenate(columns), np.concatenate(values), robust)


def _process(record: Record, s: States) -> Rows:
    """What each span's end differs from its start carried on."""
    pre, m = record.pre, record.pre.n_epochs
    change = record.jacobian @ s.errors[:15]
    turn_inc = rotation.multiply(pre.q_start_from_end, rotation.from_rotvec(change[:, :3]))
    r = rotation.to_dcm(s.q[:-1])
    dv = np.einsum("kij,kj->ki", r, pre.vel_start_mps + change[:, 3:6])
    dp = np.einsum("kij,kj->ki", r, pre.pos_start_m + change[:, 6:9])
    dt = pre.duration_s[:, None]
    g = np.zeros((m, 3))
    g[:, 2] = -_gravity_at(record, s.pos[:-1, 2] + 0.5 * dt[:, 0] * s.vel[:-1, 2])
    ahead = rotation.multiply(s.q[:-1], turn_inc)
    residual = np.concatenate(
        (
            rotation.to_rotvec(rotation.multiply(s.q[1:], rotation.conjugate(ahead))),
            s.vel[1:] - s.vel[:-1] - dv - g * dt,
            s.pos[1:] - s.pos[:-1] - dt * s.vel[:-1] - dp - 0.5 * g * dt**2,
        ),
        axis=1,
    )
    eye = np.broadcast_to(np.eye(9), (m, 9, 9))
    back = -eye.copy()
    back[:, 6:9, 3:6] = -dt[:, :, None] * np.eye(3)
    back[:, 3:6, 0:3] = _skew(dv)
    back[:, 6:9, 0:3] = _skew(dp)
    by_error = np.zeros((m, 9, 15))
    end = rotation.to_dcm(ahead)
    by_error[:, 0:3] = -end @ record.jacobian[:, 0:3]
    by_error[:, 3:6] = -r @ record.jacobian[:, 3:6]
    by_error[:, 6:9] = -r @ record.jacobian[:, 6:9]
    w = record.whiten
    white = np.einsum("kij,kj->ki", w, residual)
    k = np.arange(m)
    row = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, :, None], (m, 9, 9))
    at = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, None, :], (m, 9, 9))
    row15 = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, :, None], (m, 9, 15))
    at15 = np.broadcast_to(9 * (m + 1) + np.arange(15)[None, None, :], (m, 9, 15))
    return Rows(
        "record",
        white.ravel(),
        np.concatenate((row.ravel(), row.ravel(), row15.ravel())),
        np.concatenate((at.ravel(), (at + 9).ravel(), at15.ravel())),
        np.concatenate(((w @ back).ravel(), (w @ eye).ravel(), (w @ by_error).ravel())),
    )


def _error_columns(n_knots: int) -> Index:
    return 9 * n_knots + np.arange(N_ERRORS)


def _rest_force(record: Record, s: States, knot: int, quiet: tuple[Array, float], name: str) -> Rows:
    """Mean specific force at rest = reaction to gravity in whatever attitude it lies, less the sensor's errors."""
    mean, sd = quiet
    d, e = record.dcm_body_from_imu, s.errors
    imu = d.T @ mean
    matrix = np.diag(e[ACCEL_SCALE])
    for c, place in enumerate(_CROSS_PLACES):
        matrix[place] = e[ACCEL_CROSS][c]
    corrected = d @ (imu - matrix @ imu - e[ACCEL_BIAS])
    r = rotation.to_dcm(s.q[knot])
    up = np.array([0.0, 0.0, float(_gravity_at(record, s.pos[knot, 2]))])
    residual = corrected - r.T @ up
    by_turn = -r.T @ _skew(up)
    by_bias, by_scale = -d, -d * imu
    by_cross = -np.stack([d[:, i] * imu[j] for i, j in _CROSS_PLACES], axis=1)
    columns = _error_columns(len(s.q))
    blocks = [(9 * knot + np.arange(3), by_turn / sd), (columns[:9], np.hstack((by_bias, by_scale, by_cross)) / sd)]
    return _dense(name, residual / sd, blocks)


def _rest_rate(record: Record, s: States, quiet: tuple[Array, float], name: str) -> Rows:
    mean, sd = quiet
    d = record.dcm_body_from_imu
    residual = mean - d @ s.errors[GYRO_BIAS]
    return _dense(name, residual / sd, [(_error_columns(len(s.q))[GYRO_BIAS], -d / sd)])


def _ends(record: Record, s: States, model: FlightModel) -> list[Rows]:
    """At the pad: zero displacement and velocity, the declared heading. At rest: zero velocity."""
    rows = [
        _dense("start", np.concatenate((s.vel[0] / 1e-3, s.pos[0] / 1e-3)), [(np.arange(3, 9), np.eye(6) / 1e-3)]),
        _heading(record, s),
    ]
    if record.rest_accel is not None:
        last = 9 * (len(s.q) - 1) + np.arange(3, 6)
        rows.append(_dense("zero velocity at rest", s.vel[-1] / model.stop_vel_mps, [(last, np.eye(3) / model.stop_vel_mps)]))
    return rows


def _heading(record: Record, s: States) -> Rows:
    """The twist on the pad is the declared one; its derivative by central differences, because a lean changes it too."""
    declared = 0.5 * np.pi - record.pad_azimuth_rad

    def off(turn: Array) -> float:
        q = rotation.multiply(rotation.from_rotvec(turn), s.q[0])
        return float((rotation.roll(q) - declared + np.pi) % (2.0 * np.pi) - np.pi)

    by = np.array([(off(1e-6 * e) - off(-1e-6 * e)) / 2e-6 for e in np.eye(3)])
    return _dense("declared heading", np.array([off(np.zeros(3))]) / 1e-5, [(np.arange(3), by[None, :] / 1e-5)])


def _barometer(record: Record, s: States, widen: float) -> Rows:
    """Height as the barometer has it: cubic between knots, scale, bias, lag and the share of dynamic pressure its port feels."""
    assert record.baro is not None
    knot, share, height, sd = record.baro
    sd = sd * np.sqrt(widen)
    dt = record.pre.duration_s[knot]
    a, b = 1.0 - share, share
    h = np.stack((a * a * (1 + 2 * b), b * b * (1 + 2 * a), dt * a * a * b, -dt * a * b * b))
    d = np.stack((-6 * a * b / dt, 6 * a * b / dt, a * a - 2 * a * b, b * b - 2 * a * b))
    z = np.stack((s.pos[knot, 2], s.pos[knot + 1, 2], s.vel[knot, 2], s.vel[knot + 1, 2]))
    up, climb = np.sum(h * z, axis=0), np.sum(d * z, axis=0)
    speed2 = np.sum((a[:, None] * s.vel[knot] + b[:, None] * s.vel[knot + 1]) ** 2, axis=1) / 19.6133
    bias, scale, lag, port = s.errors[BARO]
    level = up - lag * climb
    residual = height - ((1.0 + scale) * level + bias + port * speed2)
    columns = np.stack((9 * knot + 8, 9 * (knot + 1) + 8, 9 * knot + 5, 9 * (knot + 1) + 5))
    by_state = -(1.0 + scale) * (h - lag * d)
    n = len(knot)
    errors = _error_columns(len(s.q))[BARO]
    by_error = np.stack((-np.ones(n), -level, (1.0 + scale) * climb, -speed2))
    row = np.arange(n)
    return Rows(
        "barometer",
        residual / sd,
        np.tile(row, 8),
        np.concatenate((columns.ravel(), np.repeat(errors, n))),
        np.concatenate((by_state.ravel(), by_error.ravel())) / sd,
        True,
    )


def lean_residual(record: Record, s: States, knot: int, lean: Lean) -> tuple[Array, Array, Array]:
    """Nose less observed direction on the plane across it, rad, shape (2,); derivatives by the knot's turn (2, 3) and mount (2, 3)."""
    azimuth, tilt = lean.tilt_azimuth_rad, lean.tilt_rad
    seen = np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])
    across = np.array(
        [
            [np.cos(tilt) * np.sin(azimuth), np.cos(tilt) * np.cos(azimuth), -np.sin(tilt)],
            [np.cos(azimuth), -np.sin(azimuth), 0.0],
        ]
    )
    turn = rotation.from_rotvec(s.errors[MOUNT])
    nose_body = rotation.rotate(turn, [0.0, 0.0, 1.0])
    r = rotation.to_dcm(s.q[knot])
    nose = r @ nose_body
    return across @ (nose - seen), -across @ _skew(nose), -across @ r @ _skew(nose_body)


def _lean(record: Record, s: States, knot: int, lean: Lean, name: str) -> Rows:
    residual, by_turn, by_mount = lean_residual(record, s, knot, lean)
    if isinstance(lean, Sighting) and lean.is_one_view:  # the first row is square to the plane of the line of sight and the nose: exact
        residual, by_turn, by_mount = residual[:1], by_turn[:1], by_mount[:1]
    blocks = [(9 * knot + np.arange(3), by_turn / lean.sd_rad), (_error_columns(len(s.q))[MOUNT], by_mount / lean.sd_rad)]
    return _dense(name, residual / lean.sd_rad, blocks, True)


def knot_at(record: Record, after_liftoff_s: float) -> int:
    """Nearest knot to a time after liftoff."""
    return int(np.argmin(np.abs(record.pre.log_time_s - record.liftoff_log_s - after_liftoff_s)))


def _observed(record: Record, s: States, evidence: Evidence) -> list[Rows]:
    rows = []
    if evidence.rail is not None:
        rows.append(_lean(record, s, 0, evidence.rail, "rail"))
    for i, sighting in enumerate(evidence.sightings):
        rows.append(_lean(record, s, knot_at(record, sighting.time_s), sighting, f"sighting {i + 1}"))
    if evidence.touchdown is not None:
        t, last = evidence.touchdown, len(s.q) - 1
        rows.append(
            _dense(
                "touchdown",
                (s.pos[last, :2] - (t.east_m, t.north_m)) / t.sd_m,
                [(9 * last + np.arange(6, 8), np.eye(2) / t.sd_m)],
                True,
            )
        )
    if evidence.apogee is not None and record.apogee_knot is not None:
        top, k = evidence.apogee, record.apogee_knot
        # between knots the top stands above the nearer one by the square of its speed over two g
        height = s.pos[k, 2] + s.vel[k, 2] ** 2 / 19.6133
        block = np.array([[s.vel[k, 2] / 9.80665, 1.0]]) / top.sd_m
        rows.append(_dense("apogee", np.array([height - top.height_m]) / top.sd_m, [(9 * k + np.array([5, 8]), block)], True))
    return rows


def _priors(s: States, prior_mean: Array, prior_sd: Array) -> Rows:
    return _dense("prior", (s.errors - prior_mean) / prior_sd, [(_error_columns(len(s.q)), np.diag(1.0 / prior_sd))])


def all_rows(record: Record, s: States, evidence: Evidence, prior_mean: Array, prior_sd: Array, widen: float) -> list[Rows]:
    """Every residual of the problem."""
    rows = [_process(record, s), _rest_force(record, s, 0, record.pad_accel, "gravity on the pad"), *_ends(record, s, FlightModel())]
    rows.append(_rest_rate(record, s, record.pad_rate, "rate on the pad"))
    if record.rest_accel is not None:
        rows.append(_rest_force(record, s, len(s.q) - 1, record.rest_accel, "gravity at rest after touchdown"))
    if record.rest_rate is not None:
        rows.append(_rest_rate(record, s, record.rest_rate, "rate at rest after touchdown"))
    if record.baro is not None:
        rows.append(_barometer(record, s, widen))
    return [*rows, *_observed(record, s, evidence), _priors(s, prior_mean, prior_sd)]


# ---------------------------------------------------------------- solution


def _weights(rows: Rows) -> Array:
    """Square roots of the Cauchy weights."""
    if not rows.is_robust:
        return np.ones(len(rows.residual))
    return np.asarray(1.0 / np.sqrt(1.0 + (rows.residual / CAUCHY) ** 2))


def _cost(groups: list[Rows]) -> float:
    total = 0.0
    for rows in groups:
        square = rows.residual**2
        total += float(np.sum(CAUCHY**2 * np.log1p(square / CAUCHY**2) if rows.is_robust else square))
    return total


def _system(groups: list[Rows], n: int) -> tuple[csr_matrix, Array]:
    from scipy.sparse import csr_matrix

    row, column, value, residual, first = [], [], [], [], 0
    for g in groups:
        w = _weights(g)
        row.append(g.row + first)
        column.append(g.column)
        value.append(g.value * w[g.row])
        residual.append(g.residual * w)
        first += len(g.residual)
    jacobian = csr_matrix((np.concatenate(value), (np.concatenate(row), np.concatenate(column))), shape=(first, n))
    return jacobian, np.concatenate(residual)


class _Factor:
    """Factor of the normal equations with the pinned errors taken out; gives zeros for them."""

    def __init__(self, normal: Any, free: NDArray[np.bool_], n_knots: int) -> None:
        from scipy.sparse.linalg import splu

        self.keep = np.concatenate((np.ones(9 * n_knots, dtype=bool), free))
        kept = normal[self.keep][:, self.keep].tocsc()
        self.lu = splu(kept, permc_spec="NATURAL", options={"SymmetricMode": True}, diag_pivot_thresh=0.0)

    def solve(self, right: Array) -> Array:
        out = np.zeros_like(right, dtype=float)
        out[self.keep] = self.lu.solve(np.ascontiguousarray(right[self.keep]))
        return out


def fit_flight(
    record: Record,
    evidence: Evidence,
    prior_mean: Array,
    prior_sd: Array,
    free: NDArray[np.bool_],
    *,
    start: States | None = None,
    most_iterations: int = 25,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> FlightFit:
    """Solve the flight.

    Parameters
    ----------
    record : Record
    evidence : Evidence
    prior_mean, prior_sd : ndarray, shape (22,)
        Of the errors.
    free : ndarray of bool, shape (22,)
        False: pinned at the prior's mean.
    start : States, optional
        Where to begin; the record's own otherwise.
    """
    s = record.start if start is None else start
    s = dataclasses.replace(s, errors=np.where(free, s.errors, prior_mean))
    n_knots = len(s.q)
    n = 9 * n_knots + N_ERRORS
    widen, has_converged, is_settled = 1.0, False, record.baro is None
    groups = all_rows(record, s, evidence, prior_mean, prior_sd, widen)
    for iteration in range(most_iterations):
        if cancel is not None and cancel():
            raise Cancelled("reconcile stopped")
        if progress is not None:
            progress(iteration / most_iterations, f"step {iteration + 1}")
        jacobian, residual = _system(groups, n)
        factor = _Factor(jacobian.T @ jacobian, free, n_knots)
        step = -factor.solve(jacobian.T @ residual)
        cost = _cost(groups)
        for _ in range(8):
            trial = s.moved(step)
            groups = all_rows(record, trial, evidence, prior_mean, prior_sd, widen)
            if _cost(groups) <= cost * (1.0 + 1e-9) + 1e-9:
                break
            step = 0.5 * step
        s = trial
        gained = cost - _cost(groups)
        if iteration in (3, 6) and record.baro is not None:
            widen, before = _baro_widening(groups, widen), widen
            groups = all_rows(record, s, evidence, prior_mean, prior_sd, widen)
            is_settled = widen < 1.2 * before
        if iteration > 3 and is_settled and gained < 1e-3 + 1e-5 * cost:
            has_converged = True
            break
    jacobian, residual = _system(groups, n)
    return FlightFit(
        record, s, free, (jacobian.T @ jacobian).tocsc(), {g.name: g.residual for g in groups}, float(residual @ residual),
        len(residual), iteration + 1, has_converged,
    )  # fmt: skip


def _baro_widening(groups: list[Rows], widen: float) -> float:
    """How many barometric heights count as one: neighbours share their weather, lag and filtering; and how much noisier than on the pad."""
    residual = next(g.residual for g in groups if g.name == "barometer")
    inner = residual[np.abs(residual) < 2.0 * CAUCHY]
    if len(inner) < 30:
        return widen
    scatter = (1.4826 * float(np.median(np.abs(inner)))) ** 2
    return max(widen * scatter * autocorrelation_widening(inner), 1.0)
