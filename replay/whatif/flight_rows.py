"""Residuals of the whole-flight fit with their derivatives: record, rest, ends, barometer, evidence, priors; each over its own sigma."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.aiding import FlightModel
from replay.whatif.evidence import Evidence, Lean, Sighting
from replay.whatif.flight_record import Array, Index, Record, States, skew
from replay.whatif.unknowns import (
    ACCEL_BIAS,
    ACCEL_CROSS,
    ACCEL_SCALE,
    ACCEL_SLOPE,
    BARO,
    CROSS_PLACES,
    GYRO_BIAS,
    GYRO_SLOPE,
    MOUNT,
    N_ERRORS,
    N_INERTIAL,
)

_UPRIGHT_SIGMAS: Final = 3.0
"""A tilt read alone within so many of its standard deviations of vertical does not say to which side."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Whitened residuals of one group of measurements with their derivatives as sparse triplets.

    Parameters
    ----------
    name : str
    residual : ndarray, shape (r,)
    row, column : ndarray of int, shape (k,)
    value : ndarray, shape (k,)
    is_robust : bool
    """

    name: str
    residual: Array
    row: Index
    column: Index
    value: Array
    is_robust: bool = False


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
    change = record.jacobian @ s.errors[:N_INERTIAL]
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
    back[:, 3:6, 0:3] = skew(dv)
    back[:, 6:9, 0:3] = skew(dp)
    by_error = np.zeros((m, 9, N_INERTIAL))
    end = rotation.to_dcm(ahead)
    by_error[:, 0:3] = -end @ record.jacobian[:, 0:3]
    by_error[:, 3:6] = -r @ record.jacobian[:, 3:6]
    by_error[:, 6:9] = -r @ record.jacobian[:, 6:9]
    w = record.whiten
    white = np.einsum("kij,kj->ki", w, residual)
    k = np.arange(m)
    row = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, :, None], (m, 9, 9))
    at = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, None, :], (m, 9, 9))
    row_error = np.broadcast_to(9 * k[:, None, None] + np.arange(9)[None, :, None], (m, 9, N_INERTIAL))
    at_error = np.broadcast_to(9 * (m + 1) + np.arange(N_INERTIAL)[None, None, :], (m, 9, N_INERTIAL))
    return Rows(
        "record",
        white.ravel(),
        np.concatenate((row.ravel(), row.ravel(), row_error.ravel())),
        np.concatenate((at.ravel(), (at + 9).ravel(), at_error.ravel())),
        np.concatenate(((w @ back).ravel(), (w @ eye).ravel(), (w @ by_error).ravel())),
    )


def _error_columns(n_knots: int) -> Index:
    return 9 * n_knots + np.arange(N_ERRORS)


def _rest_force(record: Record, s: States, knot: int, quiet: tuple[Array, float], name: str, warmer_k: float = 0.0) -> Rows:
    """Mean specific force at rest = reaction to gravity in whatever attitude it lies, less the sensor's errors."""
    mean, sd = quiet
    d, e = record.dcm_body_from_imu, s.errors
    imu = d.T @ mean
    matrix = np.diag(e[ACCEL_SCALE])
    for c, place in enumerate(CROSS_PLACES):
        matrix[place] = e[ACCEL_CROSS][c]
    corrected = d @ (imu - matrix @ imu - e[ACCEL_BIAS] - warmer_k * e[ACCEL_SLOPE])
    r = rotation.to_dcm(s.q[knot])
    up = np.array([0.0, 0.0, float(_gravity_at(record, s.pos[knot, 2]))])
    residual = corrected - r.T @ up
    by_turn = -r.T @ skew(up)
    by_bias, by_scale = -d, -d * imu
    by_cross = -np.stack([d[:, i] * imu[j] for i, j in CROSS_PLACES], axis=1)
    columns = _error_columns(len(s.q))
    blocks = [(9 * knot + np.arange(3), by_turn / sd), (columns[:9], np.hstack((by_bias, by_scale, by_cross)) / sd)]
    blocks.append((columns[ACCEL_SLOPE], warmer_k * by_bias / sd))
    return _dense(name, residual / sd, blocks)


def _rest_rate(record: Record, s: States, quiet: tuple[Array, float], name: str, warmer_k: float = 0.0) -> Rows:
    mean, sd = quiet
    d, columns = record.dcm_body_from_imu, _error_columns(len(s.q))
    residual = mean - d @ (s.errors[GYRO_BIAS] + warmer_k * s.errors[GYRO_SLOPE])
    return _dense(name, residual / sd, [(columns[GYRO_BIAS], -d / sd), (columns[GYRO_SLOPE], -warmer_k * d / sd)])


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


def _barometer(record: Record, s: States, widen: Array, is_used: NDArray[np.bool_] | None) -> Rows:
    """Height as the barometer has it: cubic between knots, scale, bias, lag and the share of dynamic pressure its port feels."""
    assert record.baro is not None
    knot, share, height, sd = record.baro
    if is_used is not None:
        knot, share, height, widen = knot[is_used], share[is_used], height[is_used], widen[is_used]
    weight_sd = sd * np.sqrt(widen)
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
        residual / weight_sd,
        np.tile(row, 8),
        np.concatenate((columns.ravel(), np.repeat(errors, n))),
        np.concatenate((by_state.ravel(), by_error.ravel())) / np.tile(weight_sd, 8),
        True,
    )


def _nose_by_mount(s: States) -> tuple[Array, Array]:
    """The nose in body axes, and its derivative (3, 3) by the mount's rotation vector, to second order in that."""
    mount = s.errors[MOUNT]
    nose_body = rotation.rotate(rotation.from_rotvec(mount), [0.0, 0.0, 1.0])
    return nose_body, -skew(nose_body) @ (np.eye(3) + 0.5 * skew(mount))


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
    nose_body, by_mount = _nose_by_mount(s)
    r = rotation.to_dcm(s.q[knot])
    nose = r @ nose_body
    return across @ (nose - seen), -across @ skew(nose), across @ r @ by_mount


def tilt_residual(s: States, knot: int, lean: Lean) -> tuple[Array, Array, Array]:
    """Angle from vertical alone, rad, side unknown: residual (r,), derivatives by the knot's turn (r, 3) and mount (r, 3).

    One row, (cos observed - vertical component of the nose) / sin observed: to first order the tilt's error. Within three standard
    deviations of vertical that row has no slope to go by: there both horizontal components of the nose are zero to the root mean square
    that such a tilt gives each, sqrt(sd² + tilt²/2), scaled so that the reading's own standard deviation weighs them.
    """
    nose_body, by_mount = _nose_by_mount(s)
    r = rotation.to_dcm(s.q[knot])
    nose = r @ nose_body
    by_turn, by_mount = -skew(nose), r @ by_mount
    if min(lean.tilt_rad, np.pi - lean.tilt_rad) < _UPRIGHT_SIGMAS * lean.sd_rad:
        share = lean.sd_rad / float(np.hypot(lean.sd_rad, lean.tilt_rad / np.sqrt(2.0)))
        return share * nose[:2], share * by_turn[:2], share * by_mount[:2]
    slope = -1.0 / np.sin(lean.tilt_rad)
    return slope * (nose[2:] - np.cos(lean.tilt_rad)), slope * by_turn[2:], slope * by_mount[2:]


def _lean(record: Record, s: States, knot: int, lean: Lean, name: str) -> Rows:
    residual, by_turn, by_mount = lean_residual(record, s, knot, lean) if lean.is_side_known else tilt_residual(s, knot, lean)
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


def all_rows(
    record: Record, s: States, evidence: Evidence, prior_mean: Array, prior_sd: Array, widen: Array,
    is_baro_used: NDArray[np.bool_] | None = None,
) -> list[Rows]:  # fmt: skip
    """Every residual of the problem; barometric heights count `widen` (b,) times less than their noise says, those not used not at all.

    `prior_mean` and `prior_sd` (28,) are the errors', SI; `is_baro_used` (b,).
    """
    rows = [_process(record, s), _rest_force(record, s, 0, record.pad_accel, "gravity on the pad"), *_ends(record, s, FlightModel())]
    rows.append(_rest_rate(record, s, record.pad_rate, "rate on the pad"))
    if record.rest_accel is not None:
        rows.append(_rest_force(record, s, len(s.q) - 1, record.rest_accel, "gravity at rest after touchdown", record.rest_warmer_k))
    if record.rest_rate is not None:
        rows.append(_rest_rate(record, s, record.rest_rate, "rate at rest after touchdown", record.rest_warmer_k))
    if record.baro is not None:
        rows.append(_barometer(record, s, widen, is_baro_used))
    return [*rows, *_observed(record, s, evidence), _priors(s, prior_mean, prior_sd)]


def baro_residual_m(record: Record, s: States) -> Array:
    """Barometric height less the fit's own, m, shape (b,), for every height of the record."""
    assert record.baro is not None
    return np.asarray(_barometer(record, s, np.ones(len(record.baro[0])), None).residual * record.baro[3])
