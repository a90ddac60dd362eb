"""Bench recordings: what every kind of bench work shares, and the six-face calibration.

Every result is a `BenchResult`: a Calibration, a standard deviation for each number that the recording determines, the names of
those it can't determine (left at their defaults), the poses it was found from and their residuals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.sensors.calibration import Calibration, Vec3
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """One span at rest.

    Parameters
    ----------
    start_s, stop_s : float
    accel_raw, rate_raw : (float, float, float)
        Means, imu axes, unit of the recording.
    residual_mps2 : float
        Length of what the fit left; NaN where it took no part in one.
    """

    start_s: float
    stop_s: float
    accel_raw: Vec3
    rate_raw: Vec3
    residual_mps2: float = math.nan


@dataclass(frozen=True, eq=False)
class BenchResult:
    """What a bench recording gave.

    Parameters
    ----------
    kind : str
    calibration : Calibration
    sd : dict of str to tuple of float
        Calibration field -> standard deviation of each component, in the field's own SI unit; NaN where undetermined.
    undetermined : tuple of str
        What the recording can't tell, in words.
    poses : tuple of Pose
    figures : dict of str to float
        Key figures by name with unit, for the report.
    notes : tuple of str
        Warnings and assumptions.
    """

    kind: str
    calibration: Calibration
    sd: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    undetermined: tuple[str, ...] = ()
    poses: tuple[Pose, ...] = ()
    figures: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def vec3(values: ArrayLike) -> Vec3:
    """Three numbers, shape (3,), as the tuple a Calibration holds."""
    x, y, z = (float(v) for v in np.asarray(values, dtype=float))
    return (x, y, z)


def _windowed_variance(values: Array, n_window: int) -> Array:
    """Centred moving variance summed over the axes, shape (n,); the ends take the first and last full window."""
    sums = np.cumsum(np.vstack((np.zeros(values.shape[1]), values - values.mean(axis=0))), axis=0)
    squares = np.cumsum(np.vstack((np.zeros(values.shape[1]), (values - values.mean(axis=0)) ** 2)), axis=0)
    mean = (sums[n_window:] - sums[:-n_window]) / n_window
    variance = np.sum((squares[n_window:] - squares[:-n_window]) / n_window - mean**2, axis=1)
    ahead = n_window // 2
    return np.pad(np.maximum(variance, 0.0), (ahead, len(values) - len(variance) - ahead), mode="edge")


def find_rests(time_s: Array, accel_raw: Array, rate_raw: Array, threshold: float = 3.0, shortest_s: float = 1.0) -> list[slice]:
    """Spans in which the unit lay still: moving standard deviation of both sensors within `threshold` of their quietest.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    accel_raw, rate_raw : ndarray, shape (n, 3)
        Any unit.
    threshold : float
        Times the standard deviation of the quietest twentieth of the recording.
    shortest_s : float
        Shorter spans are left out.

    Returns
    -------
    list of slice
        Half a window is cut from each end, so that the last touch of the hand is out.

    Raises
    ------
    CannotEstimate
        The recording is shorter than three windows.
    """
    step_s = float(np.median(np.diff(time_s)))
    n_window = max(round(0.5 * shortest_s / step_s), 4)
    if len(time_s) < 3 * n_window:
        raise CannotEstimate("finding poses", f"recording of {len(time_s)} samples is shorter than three windows of {n_window}")
    still = np.ones(len(time_s), dtype=bool)
    for values in (accel_raw, rate_raw):
        variance = _windowed_variance(values, n_window)
        floor = float(np.quantile(variance, 0.05))
        still &= variance <= max(threshold**2 * floor, np.finfo(float).tiny)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(int), [0]))))
    trim = n_window // 2
    spans = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if time_s[stop - 1] - time_s[start] >= shortest_s:
            spans.append(slice(int(start) + trim, max(int(stop) - trim, int(start) + trim + 2)))
    return spans


def pose_of(time_s: Array, accel_raw: Array, rate_raw: Array, span: slice) -> Pose:
    """The pose of one span at rest; `time_s` (n,), `accel_raw` and `rate_raw` (n, 3) in any unit."""
    return Pose(
        float(time_s[span.start]),
        float(time_s[span.stop - 1]),
        vec3(accel_raw[span].mean(axis=0)),
        vec3(rate_raw[span].mean(axis=0)),
    )


def six_face(face_means_raw: ArrayLike, gravity_mps2: float = STANDARD_GRAVITY_MPS2, mean_sd: float = 0.0) -> BenchResult:
    """Accelerometer from six faces of a square fixture, each axis up and down once.

    Parameters
    ----------
    face_means_raw : array_like, shape (6, 3)
        Mean raw specific force with +x, −x, +y, −y, +z, −z of the *fixture* pointing up.
    gravity_mps2 : float
    mean_sd : float
        Standard deviation of one face's mean, same unit as the readings; carried into the result.

    Returns
    -------
    BenchResult
        Bias, scale and cross-axis in the accelerometer's own axes; what is left of the matrix is a pure rotation from those axes to
        the fixture's and is returned as the mount rotation.

    Raises
    ------
    CannotEstimate
        Not six finite means of three axes, or not in that order.
    """
    readings = np.asarray(face_means_raw, dtype=float)
    if readings.shape != (6, 3) or not np.all(np.isfinite(readings)):
        raise CannotEstimate("six-face calibration", f"expected six means of three axes, got shape {readings.shape}")
    up, down = readings[::2], readings[1::2]
    bias = readings.mean(axis=0)
    raw_from_true = (up - down).T / (2.0 * gravity_mps2)
    # true = Q U (raw − bias): U is the calibration's upper triangle, Q the rotation that norms alone could never show
    q, u = np.linalg.qr(np.linalg.inv(raw_from_true))
    signs = np.sign(np.diag(u))
    q, u = q * signs, signs[:, None] * u
    mount = rotation.to_rotvec(rotation.from_dcm(q)) if np.linalg.det(q) > 0 else np.full(3, np.nan)
    if not np.all(np.isfinite(mount)) or np.linalg.norm(mount) > 0.5:
        raise CannotEstimate("six-face calibration", "the faces are not in the order +x, −x, +y, −y, +z, −z, or an axis is left-handed")
    scale_sd = mean_sd / (math.sqrt(2.0) * gravity_mps2)
    consistency = readings - (bias + np.repeat((up - down) / 2.0, 2, axis=0) * np.array([1.0, -1.0] * 3)[:, None])
    residual = np.linalg.norm(consistency, axis=1)
    calibration = Calibration(
        accel_bias_imu_mps2=vec3(bias),
        accel_scale=vec3(np.diag(u)),
        accel_cross_axis=vec3((u[0, 1], u[0, 2], u[1, 2])),
        mount_rotation_rad=vec3(mount),
    )
    sd = {
        "accel_bias_imu_mps2": (mean_sd / math.sqrt(6.0),) * 3,
        "accel_scale": (scale_sd,) * 3,
        "accel_cross_axis": (scale_sd * math.sqrt(2.0),) * 3,
        "mount_rotation_rad": (scale_sd,) * 3,
    }
    poses = tuple(Pose(math.nan, math.nan, vec3(r), (math.nan,) * 3, float(e)) for r, e in zip(readings, residual, strict=True))
    notes = ("mount rotation is relative to the fixture's faces; it holds for the airframe only if the board sat in the airframe",)
    return BenchResult(
        "six-face",
        calibration,
        sd,
        ("gyro: every parameter but the bias (nothing turned by a known angle)",),
        poses,
        {"face residual RMS, m/s²": float(np.sqrt(np.mean(residual**2)))},
        notes,
    )


def order_faces(poses: list[Pose]) -> Array:
    """Means of the poses that lie on the six faces, shape (6, 3), in the order `six_face` wants; several on one face are averaged.

    Raises
    ------
    CannotEstimate
        A face is missing.
    """
    means = np.array([p.accel_raw for p in poses])
    centre = 0.5 * (means.max(axis=0) + means.min(axis=0))
    span = 0.5 * (means.max(axis=0) - means.min(axis=0))
    direction = (means - centre) / np.where(span > 0, span, np.inf)
    faces = []
    for axis in range(3):
        for sign in (1.0, -1.0):
            on_face = np.flatnonzero((sign * direction[:, axis] > 0.8) & (np.abs(np.delete(direction, axis, 1)).max(axis=1) < 0.5))
            if not len(on_face):
                raise CannotEstimate("six-face calibration", f"no pose with {'+' if sign > 0 else '−'}{'xyz'[axis]} up in the recording")
            faces.append(means[on_face].mean(axis=0))
    return np.array(faces)
