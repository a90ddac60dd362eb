"""The computer's own attitude, as it logged it, to `q_enu_from_body`: which way round it is meant is stated, or found from the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.columnmap import OnboardAttitude

Array = NDArray[np.float64]

# north, east, down to east, north, up: half a turn about the line between north and east
_Q_ENU_FROM_NED = np.array([0.0, np.sqrt(0.5), np.sqrt(0.5), 0.0])
_SURE = 0.6


@dataclass(frozen=True)
class Inertial:
    """Gyro and accelerometer as logged, SI, on one log clock each."""

    gyro_time_s: Array
    rate_imu_radps: Array
    accel_time_s: Array
    accel_imu_mps2: Array


def from_angles(angles_rad: Array, order: str) -> Array:
    """Quaternion of a turn given as angles about the moving axes, body to earth.

    Parameters
    ----------
    angles_rad : ndarray, shape (n, 3)
        Roll (about x), pitch (about y) and yaw (about z); for an order that repeats an axis, yaw is its first turn and roll its last.
    order : str
        Order of the turns, starting from the earth frame: "zyx" is yaw, then pitch, then roll.

    Returns
    -------
    q : ndarray, shape (n, 4)
    """
    q = np.zeros((len(angles_rad), 4))
    q[:, 0] = 1.0
    columns = [2, 1, 0] if order[0] == order[2] else ["xyz".index(axis) for axis in order]
    for axis, column in zip(order, columns, strict=True):
        angle = angles_rad[:, column]
        turn = np.zeros((len(angles_rad), 4))
        turn[:, 0], turn[:, 1 + "xyz".index(axis)] = np.cos(0.5 * angle), np.sin(0.5 * angle)
        q = rotation.multiply(q, turn)
    return q


def meant(
    time_s: Array, q_raw: Array, inertial: Inertial | None, orders: tuple[tuple[int, ...], ...] = ((0, 1, 2, 3),)
) -> tuple[OnboardAttitude, tuple[int, ...], float, str]:
    """Which way round a logged quaternion turns, where its earth frame's z points, and which component is the scalar.

    The right reading turns with the gyro and lays the mean specific force along its earth frame's z.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
    q_raw : ndarray, shape (m, 4)
        Components as logged.
    inertial : Inertial or None
    orders : tuple of tuple of int
        Places of w, x, y, z to try.

    Returns
    -------
    attitude : OnboardAttitude
    order : tuple of int
    score : float
        1 for perfect agreement, 0 for none.
    reason : str
    """
    best = (OnboardAttitude(), orders[0], 0.0, "nothing in the record tells which way round it turns: body to earth, z up assumed")
    if inertial is None or len(time_s) < 20:
        return best
    scores = []
    for order in orders:
        q = q_raw[:, list(order)]
        for turns in ("body to earth", "earth to body"):
            candidate = rotation.normalise(q if turns == "body to earth" else rotation.conjugate(q))
            agreement, height = _agreement(time_s, candidate, inertial)
            scores.append((agreement + abs(height), order, turns, agreement, height))
    scores.sort(key=lambda item: -item[0])
    total, order, turns, agreement, height = scores[0]
    score = 0.5 * total
    if score < _SURE or (len(scores) > 1 and total - scores[1][0] < 0.1):
        return best
    earth_z = "up" if height > 0.0 else "down"
    reason = f"read {turns}, z {earth_z}, it follows the gyro ({agreement:.2f}) and gravity ({abs(height):.2f})"
    return OnboardAttitude(turns=turns, earth_z=earth_z, is_inferred=True), order, score, reason


def _agreement(time_s: Array, q: Array, inertial: Inertial) -> tuple[float, float]:
    """(correlation of its turns with the gyro's, mean specific force along its z over the mean length), each within ±1."""
    is_in = (time_s >= inertial.gyro_time_s[0]) & (time_s <= inertial.gyro_time_s[-1]) & np.isfinite(q).all(axis=1)
    at, q = time_s[is_in], q[is_in]
    if len(at) < 20:
        return 0.0, 0.0
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q[:-1]), q[1:]))
    rate = np.where(np.isfinite(inertial.rate_imu_radps), inertial.rate_imu_radps, 0.0)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(inertial.gyro_time_s)[:, None]
    total = np.concatenate((np.zeros((1, 3)), np.cumsum(steps, axis=0)))
    gyro = np.diff(np.stack([np.interp(at, inertial.gyro_time_s, total[:, axis]) for axis in range(3)], axis=1), axis=0)
    # large single turns are where the reading breaks down (lost rows, clipping); the bulk tells
    size = np.linalg.norm(gyro, axis=1) + np.linalg.norm(turn, axis=1)
    use = size < np.quantile(size, 0.98) + 1e-12
    power = float(np.sqrt((turn[use] ** 2).sum() * (gyro[use] ** 2).sum()))
    agreement = float((turn[use] * gyro[use]).sum() / power) if power > 0.0 else 0.0
    accel = np.stack([np.interp(at, inertial.accel_time_s, inertial.accel_imu_mps2[:, axis]) for axis in range(3)], axis=1)
    norm = np.linalg.norm(accel, axis=1)
    near_g = np.isfinite(norm) & (np.abs(norm - 9.81) < 1.5)
    if np.count_nonzero(near_g) < 10:
        return agreement, 0.0
    earth = rotation.rotate(q[near_g], accel[near_g])
    return agreement, float(earth[:, 2].mean() / norm[near_g].mean())


def to_enu_from_body(q: Array, attitude: OnboardAttitude) -> Array:
    """Components w, x, y, z as logged to `q_enu_from_body`: body to earth, z up, unit length, signs continuous. NaN stays NaN.

    An earth frame with z up is taken as it is: where its x points in the world is the computer's own business, as heading always is.
    """
    norm = np.linalg.norm(q, axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.where(norm > 0.5, q / norm, np.nan)
    if attitude.turns == "earth to body":
        q = rotation.conjugate(q)
    if attitude.earth_z == "down":
        q = rotation.multiply(_Q_ENU_FROM_NED, q)
    good = np.isfinite(q).all(axis=1)
    out = q.copy()
    if good.any():
        out[good] = rotation.make_continuous(q[good])
    return out
