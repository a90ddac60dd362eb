"""Mount: how the sensor sits in the vehicle. Axis assignment first, then a rotation where the board sits at an angle.

The nose is where the boost pushes. The nearest assignment of the sensor's axes is taken; what angle it leaves is taken off only where
it is more than ten degrees, since a smaller one may be the very bias, rail lean or misalignment the user is after. The search reads the
raw accelerometer, so that an edited bias never turns the mount under the user's hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import ZERO3, Calibration, Vec3
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
Axes = tuple[str, str, str]

MOST_LEFT_RAD = 10.0 * DEG
_G = STANDARD_GRAVITY_MPS2
_BLOCK_S = 0.05
_PUSH = 1.3  # g; a slow liftoff pushes with little more than its weight
_SHORTEST_S = 0.25
_STEADIEST = 0.8  # length of the mean of unit vectors: 1 for a push of one direction
_FALL = 0.6  # g, below which a coast lies
_LONGEST_WAIT_S = 60.0


@dataclass(frozen=True, eq=False)
class Mount:
    """How imu axes become body axes.

    Parameters
    ----------
    dcm_body_from_imu : ndarray, shape (3, 3)
        Axis assignment, then `rotation_rad`, then the calibration's mount rotation.
    axes : tuple of 3 str
        The imu axes that are body x, y and z.
    rotation_rad : tuple of 3 float
        Rotation vector that follows the axis assignment: stated in the column map, or found and shown here for editing there.
    angle_left_rad : float
        Angle between the mean boost direction and the nose that the axis assignment leaves; NaN where the record shows no boost.
    is_found : bool
        The nose was found from a boost; else it is stated, or only guessed from gravity (`note` says which).
    note : str
        What was done, in one line.
    boost_log_s : tuple of 2 float, or None
        The stretch the direction was read from.
    """

    dcm_body_from_imu: Array
    axes: Axes
    rotation_rad: Vec3
    angle_left_rad: float
    is_found: bool
    note: str
    boost_log_s: tuple[float, float] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, angles in degrees."""
        return {
            "axes": list(self.axes),
            "rotation_deg": [angle / DEG for angle in self.rotation_rad],
            "angle_left_deg": self.angle_left_rad / DEG if np.isfinite(self.angle_left_rad) else None,
            "is_found": self.is_found,
            "boost_log_s": None if self.boost_log_s is None else list(self.boost_log_s),
            "note": self.note,
        }


def dcm_of_axes(axes: Axes) -> Array:
    """Rotation matrix, body from imu, shape (3, 3), of an axis assignment: row k picks the imu axis that is body axis k."""
    dcm = np.zeros((3, 3))
    for k, axis in enumerate(axes):
        dcm[k, "xyz".index(axis[1])] = -1.0 if axis[0] == "-" else 1.0
    return dcm


def _assignments() -> list[tuple[Axes, Array]]:
    """The 24 proper ones, those nearest to the identity first."""
    found = []
    for letters in permutations("xyz"):
        for signs in product("+-", repeat=3):
            axes = (signs[0] + letters[0], signs[1] + letters[1], signs[2] + letters[2])
            dcm = dcm_of_axes(axes)
            if np.linalg.det(dcm) > 0.0:
                found.append((axes, dcm))
    return sorted(found, key=lambda item: -float(np.trace(item[1])))


def nearest_axes(nose_imu: Array) -> Axes:
    """The assignment that puts the nose nearest to body z; of the four with that nose, the one nearest to the identity.

    `nose_imu` is the nose's direction in imu axes, shape (3,).
    """
    return max(_assignments(), key=lambda item: round(float(item[1][2] @ nose_imu), 9))[0]


def find_mount(log: FlightLog, calibration: Calibration) -> Mount:
    """Find, or take from the column map, how the sensor sits in the vehicle.

    Parameters
    ----------
    log : FlightLog
        `log.column_map.axes` and `.rotation_rad` are kept to where they are stated.
    calibration : Calibration
        Its `mount_rotation_rad` is applied last. Its biases and scales play no part in the search.

    Returns
    -------
    Mount
        Always; where the record shows neither boost nor gravity the axes are taken as logged, and the note says so.
    """
    accel = log.get("accel_raw_imu_mps2")
    boost = None if accel is None else find_boost(accel)
    pad = None if accel is None else _gravity(accel, boost[0] if boost else np.inf)
    nose = None if accel is None or boost is None else _mean_direction(accel, *boost)
    stated_axes, stated_rotation = log.column_map.axes, log.column_map.rotation_rad
    guide = nose if nose is not None else pad
    axes = stated_axes or (nearest_axes(guide) if guide is not None else ("+x", "+y", "+z"))
    assigned = dcm_of_axes(axes)
    left = float("nan") if nose is None else _angle(assigned @ nose, np.array([0.0, 0.0, 1.0]))
    rotation_rad = stated_rotation or ZERO3
    if stated_rotation is None and nose is not None and left > MOST_LEFT_RAD:
        rotation_rad = _onto_nose(assigned @ nose)
    dcm = rotation.to_dcm(rotation.from_rotvec(np.array(rotation_rad))) @ assigned
    dcm = rotation.to_dcm(rotation.from_rotvec(np.array(calibration.mount_rotation_rad))) @ dcm
    is_found = nose is not None and stated_axes is None
    note = _note(axes, rotation_rad, left, stated_axes, stated_rotation, nose, pad)
    return Mount(dcm, axes, rotation_rad, left, is_found, note, boost)


def _note(
    axes: Axes,
    rotation_rad: Vec3,
    left: float,
    stated_axes: Axes | None,
    stated_rotation: Vec3 | None,
    nose: Array | None,
    pad: Array | None,
) -> str:
    """One line: where the axes come from, what angle is left and what was done about it."""
    shown = ", ".join(axes)
    if stated_axes is not None:
        parts = [f"body x, y, z are imu {shown}, as stated"]
    elif nose is not None:
        parts = [f"body x, y, z are imu {shown}: the boost pushes along imu {axes[2]}"]
    elif pad is not None:
        parts = [
            f"no boost in the record: imu {axes[2]}, nearest to gravity's opposite at rest, taken as the nose; state axes if it is not"
        ]
    else:
        parts = ["nothing in the record shows how the sensor sits: axes taken as logged"]
    about = ", ".join(f"{angle / DEG:.2f}" for angle in rotation_rad)
    if stated_rotation is not None:
        parts.append(f"turned by ({about}) deg, as stated")
    elif any(rotation_rad):
        parts.append(f"the board sits {left / DEG:.1f} deg off: turned by ({about}) deg, which lays the mean boost direction on the nose")
    elif np.isfinite(left):
        parts.append(
            f"the mean boost direction lies {left / DEG:.1f} deg off the nose, left as it is: it may be a bias, a lean or a misalignment"
        )
    if nose is not None and pad is not None:
        apart = _angle(nose, pad)
        parts.append(f"on the pad the specific force lies {apart / DEG:.1f} deg from the boost's")
        if apart > 90.0 * DEG:
            parts.append("which is against it: is the accelerometer's sign the wrong way round?")
    return "; ".join(parts)


def _angle(a: Array, b: Array) -> float:
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))


def _onto_nose(direction: Array) -> Vec3:
    """Shortest rotation, as a rotation vector, that lays a direction on body z."""
    nose = np.array([0.0, 0.0, 1.0])
    axis = np.cross(direction, nose)
    size = float(np.linalg.norm(axis))
    if size < 1e-12:
        return ZERO3 if direction[2] > 0.0 else (np.pi, 0.0, 0.0)
    vector = axis / size * _angle(direction, nose)
    return float(vector[0]), float(vector[1]), float(vector[2])


def _blocks(accel: Channel) -> tuple[Array, Array]:
    """Start times and mean vectors of blocks of 50 ms; blocks without a sample are left out."""
    good = np.isfinite(accel.values).all(axis=1)
    time_s, values = accel.log_time_s[good], accel.values[good]
    if not len(time_s):
        return np.empty(0), np.empty((0, 3))
    index = np.floor((time_s - time_s[0]) / _BLOCK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(index, prepend=-1))
    counts = np.diff(starts, append=len(index))
    return time_s[0] + index[starts] * _BLOCK_S, np.add.reduceat(values, starts, axis=0) / counts[:, None]


def find_boost(accel: Channel) -> tuple[float, float] | None:
    """(start, stop) on the log's clock of the strongest steady push that a fall follows; None where the record holds none.

    Turned by hand or knocked, a sensor also reads more than one g, but not in one direction and not with free fall after it.
    """
    start_s, mean = _blocks(accel)
    norm = np.linalg.norm(mean, axis=1) / _G
    is_push = norm > _PUSH
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_push, [False])).astype(np.int8)))
    falls = start_s[_sustained(norm < _FALL, start_s)]
    best: tuple[float, tuple[float, float]] | None = None
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        stop_s = float(start_s[last - 1] + _BLOCK_S)
        lasted = stop_s - float(start_s[first])
        unit = mean[first:last] / np.linalg.norm(mean[first:last], axis=1, keepdims=True)
        k = int(np.searchsorted(falls, start_s[first]))
        has_fall = k < len(falls) and falls[k] - stop_s < _LONGEST_WAIT_S
        if lasted < _SHORTEST_S or not has_fall or np.linalg.norm(unit.mean(axis=0)) < _STEADIEST:
            continue
        impulse = float(np.linalg.norm(mean[first:last].sum(axis=0)))
        if best is None or impulse > best[0]:
            best = (impulse, (float(start_s[first]), stop_s))
    return None if best is None else best[1]


def _sustained(mask: NDArray[np.bool_], start_s: Array) -> NDArray[np.bool_]:
    """Blocks of a run of at least a quarter of a second, no gap in it."""
    n = round(_SHORTEST_S / _BLOCK_S)
    if len(mask) < n:
        return np.zeros(len(mask), dtype=bool)
    total = np.concatenate(([0], np.cumsum(mask)))
    is_run = np.zeros(len(mask), dtype=bool)
    is_run[: len(mask) - n + 1] = (total[n:] - total[:-n] == n) & (start_s[n - 1 :] - start_s[: len(start_s) - n + 1] < 2.0 * n * _BLOCK_S)
    return is_run


def _mean_direction(accel: Channel, start_s: float, stop_s: float) -> Array:
    """Unit vector of the mean specific force over a stretch, imu axes."""
    inside = (accel.log_time_s >= start_s) & (accel.log_time_s < stop_s) & np.isfinite(accel.values).all(axis=1)
    mean = accel.values[inside].mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def _gravity(accel: Channel, before_s: float) -> Array | None:
    """Unit vector of the specific force in the quietest second before a time (without one: of the first minute); None without rest."""
    start_s, mean = _blocks(accel)
    stop_s = before_s - 0.3 if np.isfinite(before_s) else start_s[0] + 60.0 if len(start_s) else 0.0
    mean = mean[start_s < stop_s]
    n = min(20, len(mean))
    if n < 4:
        return None
    total = np.concatenate((np.zeros((1, 3)), np.cumsum(mean, axis=0)))
    square = np.concatenate(([0.0], np.cumsum((mean**2).sum(axis=1))))
    average = (total[n:] - total[:-n]) / n
    spread = (square[n:] - square[:-n]) / n - (average**2).sum(axis=1)
    is_g = np.abs(np.linalg.norm(average, axis=1) / _G - 1.0) < 0.3
    if not is_g.any():
        return None
    k = int(np.argmin(np.where(is_g, spread, np.inf)))
    return np.asarray(average[k] / np.linalg.norm(average[k]))
