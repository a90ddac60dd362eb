"""The computer's own attitude, as it logged it, to `q_enu_from_body`: which way round it is meant is stated, or found from the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.columnmap import TURNS, OnboardAttitude
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

# north, east, down to east, north, up: half a turn about the line between north and east
_Q_ENU_FROM_NED = np.array([0.0, np.sqrt(0.5), np.sqrt(0.5), 0.0])
_SURE = 0.5  # least correlation that tells anything
_CLEAR = 0.15  # and by how much the right reading must beat the wrong one
_TURN_COSTS = 0.2
_APPLIED = 0.9  # a fixed rotation found with less agreement is told, not applied
_STEP_S = 0.05
_FEWEST = 20
_LEAST_TURN_RAD = 0.1


@dataclass(frozen=True)
class Inertial:
    """Gyro and accelerometer as logged, SI, on one log clock each.

    Parameters
    ----------
    gyro_time_s : ndarray, shape (n,)
    rate_imu_radps : ndarray, shape (n, 3)
    accel_time_s : ndarray, shape (k,)
    accel_imu_mps2 : ndarray, shape (k, 3)
    """

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


@dataclass(frozen=True)
class Meaning:
    """How a logged attitude is meant.

    `order` holds the places of w, x, y, z among the logged components. `score` is 1 for perfect agreement with gyro and gravity and 0
    where nothing could be told.
    """

    attitude: OnboardAttitude
    order: tuple[int, ...]
    score: float
    reason: str


def find_meaning(time_s: Array, q_raw: Array, inertial: Inertial | None, orders: tuple[tuple[int, ...], ...] = ((0, 1, 2, 3),)) -> Meaning:
    """Which way round a logged quaternion turns, about which axes, where its earth frame's z points, and which component is the scalar.

    Read the right way round its turns are the gyro's, but for one fixed rotation where the computer turns its board's axes first; and it
    lays the mean specific force along its earth frame's z.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
    q_raw : ndarray, shape (m, 4)
        Components as logged, finite, of unit length.
    inertial : Inertial or None
    orders : tuple of tuple of int
        Places of w, x, y, z to try.
    """
    words = "nothing in the record tells which way round it turns: body to earth, z up assumed"
    nothing = Meaning(OnboardAttitude(), orders[0], 0.0, words)
    if inertial is None or len(time_s) < _FEWEST:
        return nothing
    found = []
    for order in orders:
        for turns in TURNS:
            q = q_raw[:, list(order)]
            q = rotation.normalise(q if turns == TURNS[0] else rotation.conjugate(q))
            found.append((*_agreement(time_s, q, inertial), order, turns, q))
    # a wrong reading can pass for one about turned axes, so that one without a turn comes first
    found.sort(key=lambda item: _TURN_COSTS * bool(np.any(item[1])) - item[0])
    agreement, axes, order, turns, q = found[0]
    next_best = found[1][0] - _TURN_COSTS * bool(np.any(found[1][1]))
    if agreement < _SURE or agreement - _TURN_COSTS * bool(np.any(axes)) - next_best < _CLEAR:
        return nothing
    up = _height(time_s, q, inertial, axes)
    is_applied = bool(np.any(axes)) and agreement >= _APPLIED
    rotation_rad = (float(axes[0]), float(axes[1]), float(axes[2])) if is_applied else (0.0, 0.0, 0.0)
    attitude = OnboardAttitude(turns, "down" if up < 0.0 else "up", rotation_rad=rotation_rad)
    reason = f"read {turns}, z {attitude.earth_z}: it turns as the gyro does ({agreement:.2f}) and gravity lies along its z ({abs(up):.2f})"
    if np.any(axes):
        size = float(np.degrees(np.linalg.norm(axes)))
        about = ", ".join(f"{angle:.1f}" for angle in np.degrees(axes))
        reason += f"; its axes are the logged ones turned by {size:.1f} deg ({about})"
        reason += ", which is taken off" if is_applied else ": found too roughly to be taken off, state rotation_deg in the column map"
    return Meaning(attitude, order, agreement, reason)


def _agreement(time_s: Array, q: Array, inertial: Inertial) -> tuple[float, Array]:
    """Correlation of its turns with the gyro's over steps of 50 ms, and the fixed rotation between the two (zero where none is needed)."""
    stride = max(1, round(_STEP_S / float(np.median(np.diff(time_s)))))
    at, q = time_s[::stride], q[::stride]
    is_in = (at >= inertial.gyro_time_s[0]) & (at <= inertial.gyro_time_s[-1])
    at, q = at[is_in], q[is_in]
    if len(at) < _FEWEST:
        return 0.0, np.zeros(3)
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q[:-1]), q[1:]))
    gyro = np.diff(turned_angle(inertial.gyro_time_s, inertial.rate_imu_radps, at), axis=0)
    step = np.diff(at)
    # a long step or a large turn is where a plain sum of rates is no rotation vector any more
    use = (np.linalg.norm(turn, axis=1) < 0.6) & (np.linalg.norm(gyro, axis=1) < 0.6) & (step < 3.0 * np.median(step))
    turn, gyro = turn[use], gyro[use]
    power = float(np.sqrt((turn**2).sum() * (gyro**2).sum()))
    if len(turn) < _FEWEST or power == 0.0:
        return 0.0, np.zeros(3)
    plain = float((turn * gyro).sum() / power)
    left, strength, right = np.linalg.svd(turn.T @ gyro)
    hand = np.array([1.0, 1.0, np.sign(np.linalg.det(left @ right))])
    fitted = float((strength * hand).sum() / power)
    rotvec = rotation.to_rotvec(rotation.from_dcm((left * hand) @ right))
    is_turned = 1.0 - fitted < 0.6 * (1.0 - plain) and np.linalg.norm(rotvec) > _LEAST_TURN_RAD and strength[1] > 0.03 * strength[0]
    return (fitted, np.asarray(rotvec)) if is_turned else (plain, np.zeros(3))


def turned_angle(time_s: Array, rate_radps: Array, at_s: Array) -> Array:
    """Integral of a rate from its first sample to given times, axis by axis, shape (k, 3); NaN rows count as zero."""
    rate = np.where(np.isfinite(rate_radps), rate_radps, 0.0)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s)[:, None]
    total = np.concatenate((np.zeros((1, 3)), np.cumsum(steps, axis=0)))
    return np.stack([np.interp(at_s, time_s, total[:, axis]) for axis in range(3)], axis=1)


def _height(time_s: Array, q: Array, inertial: Inertial, axes: Array) -> float:
    """Mean z of the specific force in its earth frame over its mean length, where the length is near g: +1 for z up, -1 for z down."""
    accel = np.stack([np.interp(time_s, inertial.accel_time_s, inertial.accel_imu_mps2[:, axis]) for axis in range(3)], axis=1)
    norm = np.linalg.norm(accel, axis=1)
    near_g = np.abs(norm - STANDARD_GRAVITY_MPS2) < 1.5
    if np.count_nonzero(near_g) < 10:
        return 0.0
    earth = rotation.rotate(rotation.multiply(q[near_g], rotation.from_rotvec(axes)), accel[near_g])
    return float(earth[:, 2].mean() / norm[near_g].mean())


def to_enu_from_body(q: Array, attitude: OnboardAttitude) -> Array:
    """Components w, x, y, z as logged to `q_enu_from_body`, shape (n, 4) both: body to earth, z up, unit length, signs continuous.

    "Body" is the logged imu axes here: the mount comes after. NaN stays NaN.
    An earth frame with z up is taken as it is: where its x points in the world is the computer's own business, as heading always is.
    """
    norm = np.linalg.norm(q, axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.where(norm > 0.5, q / norm, np.nan)
    if attitude.turns == "earth to body":
        q = rotation.conjugate(q)
    if attitude.earth_z == "down":
        q = rotation.multiply(_Q_ENU_FROM_NED, q)
    if any(attitude.rotation_rad):
        q = rotation.multiply(q, rotation.from_rotvec(np.array(attitude.rotation_rad)))
    good = np.isfinite(q).all(axis=1)
    out = q.copy()
    if good.any():
        out[good] = rotation.make_continuous(q[good])
    return out
