"""Calibration from bench recordings: six faces, many poses without equipment, known turns.

Every result is a `BenchResult`: a Calibration, a standard deviation for each number that the recording determines, the names of
those it can't determine (left at their defaults), the poses it was found from and their residuals.

References
----------
.. [1] D. Tedaldi, A. Pretto, E. Menegatti, A robust and easy to implement method for IMU calibration without external equipments,
   ICRA 2014, pp. 3042-3049.
.. [2] I. Skog, P. Handel, Calibration of a MEMS inertial measurement unit, XVII IMEKO World Congress, 2006.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate
from replay import rotation
from replay.sensors.calibration import Calibration, Vec3
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

UNDETERMINED_RATIO = 0.9
"""A parameter whose standard deviation keeps more than this part of its prior was not seen by the recording."""
_PRIOR_SD = np.array([0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.5, 0.5, 0.5])
"""Prior of scale (3), cross-axis (3) and bias (3, m/s²): five per cent and 50 mg, wider than any data sheet (value from memory)."""


@dataclass(frozen=True)
class Pose:
    """One span at rest: its times, mean raw specific force and rate, their standard errors, and the residual the fit left."""

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
    sd: dict[str, tuple[float, ...]] = field(default_factory=dict)
    undetermined: tuple[str, ...] = ()
    poses: tuple[Pose, ...] = ()
    figures: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def _vec3(values: ArrayLike) -> Vec3:
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


def _pose(time_s: Array, accel_raw: Array, rate_raw: Array, span: slice) -> Pose:
    return Pose(
        float(time_s[span.start]),
        float(time_s[span.stop - 1]),
        _vec3(accel_raw[span].mean(axis=0)),
        _vec3(rate_raw[span].mean(axis=0)),
    )


def upper_triangular(scale: ArrayLike, cross_axis: ArrayLike) -> Array:
    """Matrix M of the calibration, shape (3, 3), from scale (3,) and cross-axis xy, xz, yz (3,)."""
    (sx, sy, sz), (xy, xz, yz) = np.asarray(scale, dtype=float), np.asarray(cross_axis, dtype=float)
    return np.array([[sx, xy, xz], [0.0, sy, yz], [0.0, 0.0, sz]])


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
        accel_bias_imu_mps2=_vec3(bias),
        accel_scale=_vec3(np.diag(u)),
        accel_cross_axis=_vec3((u[0, 1], u[0, 2], u[1, 2])),
        mount_rotation_rad=_vec3(mount),
    )
    sd = {
        "accel_bias_imu_mps2": (mean_sd / math.sqrt(6.0),) * 3,
        "accel_scale": (scale_sd,) * 3,
        "accel_cross_axis": (scale_sd * math.sqrt(2.0),) * 3,
        "mount_rotation_rad": (scale_sd,) * 3,
    }
    poses = tuple(
        Pose(math.nan, math.nan, _vec3(r), (math.nan,) * 3, float(e)) for r, e in zip(readings, residual, strict=True)
    )
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
    """Means of the poses that lie on the six faces, in the order `six_face` wants; several poses on one face are averaged."""
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


def _norm_residual(parameters: Array, means: Array) -> tuple[Array, Array]:
    """Norms of the corrected means, shape (k,), and their Jacobian, shape (k, 9), for scale, cross-axis, bias."""
    m = upper_triangular(parameters[:3], parameters[3:6])
    centred = means - parameters[6:9]
    corrected = centred @ m.T
    norm = np.linalg.norm(corrected, axis=1)
    unit = corrected / norm[:, None]
    jacobian = np.column_stack(
        (
            unit * centred,
            unit[:, 0] * centred[:, 1],
            unit[:, 0] * centred[:, 2],
            unit[:, 1] * centred[:, 2],
            -unit @ m,
        )
    )
    return norm, jacobian


def fit_norms(means_raw: Array, gravity_mps2: float) -> tuple[Array, Array, Array, Array]:
    """Upper-triangular nine-parameter fit of pose means to the length of gravity.

    Parameters
    ----------
    means_raw : ndarray, shape (k, 3)
        Any unit, counts included.
    gravity_mps2 : float

    Returns
    -------
    parameters : ndarray, shape (9,)
        Scale (m/s² per raw unit), cross-axis (likewise), bias (raw unit).
    sd : ndarray, shape (9,)
    share : ndarray, shape (9,)
        Standard deviation over that of the prior: near one, the recording says nothing about it.
    residual_mps2 : ndarray, shape (k,)
    """
    from scipy.optimize import least_squares

    low, high = means_raw.min(axis=0), means_raw.max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    # an axis that saw both ends of gravity gives its own first guess; otherwise the readings must already be in m/s²
    typical = float(np.median(np.linalg.norm(means_raw, axis=1)))
    looks_si = abs(typical / gravity_mps2 - 1.0) < 0.1
    unit = np.where(half > 0.7 * (gravity_mps2 if looks_si else half.max()), half / gravity_mps2, 1.0)
    offset = np.where(unit != 1.0, middle, 0.0)
    if not looks_si and np.any(unit == 1.0):
        raise CannotEstimate("multi-position calibration", "an axis never saw gravity from both ends, and the readings are not in m/s²")
    scaled = (means_raw - offset) / unit
    nominal = np.concatenate((np.ones(3), np.zeros(6)))

    def residual(p: Array, sigma: float) -> Array:
        return np.concatenate(((_norm_residual(p, scaled)[0] - gravity_mps2) / sigma, (p - nominal) / _PRIOR_SD))

    def jacobian(p: Array, sigma: float) -> Array:
        return np.vstack((_norm_residual(p, scaled)[1] / sigma, np.diag(1.0 / _PRIOR_SD)))

    sigma, solution = 0.01, nominal
    for _ in range(3):
        fit = least_squares(residual, solution, jac=jacobian, args=(sigma,), x_scale=_PRIOR_SD)
        solution = fit.x
        misfit = _norm_residual(solution, scaled)[0] - gravity_mps2
        freedom = len(means_raw) - 9
        if freedom < 1:
            break
        sigma = max(math.sqrt(float(misfit @ misfit) / freedom), 1e-6)
    j = jacobian(solution, sigma)
    sd = np.sqrt(np.diag(np.linalg.inv(j.T @ j)))
    share = sd / _PRIOR_SD
    # back to raw units: M_raw = M · diag(1/unit), bias_raw = offset + unit · bias
    column = np.concatenate((1.0 / unit, 1.0 / unit[[1, 2, 2]], unit))
    parameters = solution * column
    parameters[6:] += offset
    return parameters, sd * column, share, misfit


def _span_rotations(time_s: Array, rate: Array, spans: list[slice]) -> list[Array]:
    """q_before_from_after of the turn between each pair of neighbouring rests, shape (4,) each, from corrected rates."""
    turns = []
    for before, after in zip(spans[:-1], spans[1:], strict=True):
        i, j = before.stop - 1, after.start
        dt = np.diff(time_s[i : j + 1])
        steps = rotation.from_rotvec(0.5 * (rate[i:j] + rate[i + 1 : j + 1]) * dt[:, None])
        while len(steps) > 1:
            if len(steps) % 2:
                steps = np.vstack((steps, [1.0, 0.0, 0.0, 0.0]))
            steps = rotation.multiply(steps[::2], steps[1::2])
        turns.append(steps[0])
    return turns


def _rest_bias(n_samples: int, spans: list[slice], rate_raw: Array) -> Array:
    """Gyro bias per sample, shape (n, 3): the mean of each rest, linear in between."""
    centres = np.array([0.5 * (s.start + s.stop - 1) for s in spans])
    means = np.array([rate_raw[s].mean(axis=0) for s in spans])
    index = np.arange(n_samples)
    return np.column_stack([np.interp(index, centres, means[:, axis]) for axis in range(3)])


def _fit_gyro(time_s: Array, rate_raw: Array, spans: list[slice], up: Array) -> tuple[Array, Array, Array]:
    """Gyro scale (3), misalignment rotation vector (3) and non-orthogonality (3) from the turns between poses; sd; residual, rad."""
    from scipy.optimize import least_squares

    unbiased = rate_raw - _rest_bias(len(rate_raw), spans, rate_raw)

    def misfit(p: Array) -> Array:
        lower = np.array([[0.0, 0.0, 0.0], [p[6], 0.0, 0.0], [p[7], p[8], 0.0]])
        corrected = rotation.rotate(rotation.from_rotvec(p[3:6]), (unbiased * p[:3]) @ (np.eye(3) + lower).T)
        turns = np.array(_span_rotations(time_s, corrected, spans))
        return np.asarray(rotation.rotate(rotation.conjugate(turns), up[:-1]) - up[1:]).ravel()

    # first guess of a scale in counts: the rate whose turns fit best on a coarse logarithmic grid
    typical = float(np.sqrt(np.mean(np.sum(unbiased**2, axis=1))))
    guesses = np.geomspace(0.05 / typical, 5.0 / typical, 60) if typical > 20.0 else np.array([1.0])
    costs = [float(np.sum(misfit(np.concatenate((np.full(3, g), np.zeros(6)))) ** 2)) for g in guesses]
    start = np.concatenate((np.full(3, guesses[int(np.argmin(costs))]), np.zeros(6)))
    scale = np.concatenate((start[:3] * 0.02, np.full(6, 0.02)))
    fit = least_squares(misfit, start, x_scale=scale, loss="soft_l1", f_scale=0.02)
    freedom = max(2 * (len(spans) - 1) - 9, 1)
    residual = misfit(fit.x)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * float(residual @ residual) / freedom
    return fit.x, np.sqrt(np.diag(covariance)), residual.reshape(-1, 3)


def multi_position(
    time_s: ArrayLike,
    accel_raw: ArrayLike,
    rate_raw: ArrayLike,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
    threshold: float = 3.0,
) -> BenchResult:
    """Accelerometer, then gyro, from a unit laid down by hand in many poses, no equipment [1]_.

    Parameters
    ----------
    time_s : array_like, shape (n,)
    accel_raw, rate_raw : array_like, shape (n, 3)
        Raw samples on the same clock, any unit (counts included).
    gravity_mps2 : float
        Local gravity.
    threshold : float
        See `find_rests`.

    Returns
    -------
    BenchResult
        In a calibration for counts, `accel_scale` is m/s² per count and `gyro_scale` rad/s per count.
    """
    time, accel, rate = (np.asarray(a, dtype=float) for a in (time_s, accel_raw, rate_raw))
    spans = find_rests(time, accel, rate, threshold)
    if len(spans) < 4:
        raise CannotEstimate("multi-position calibration", f"found {len(spans)} poses at rest, needs at least 4 (12 or more in all directions)")
    poses = [_pose(time, accel, rate, s) for s in spans]
    means = np.array([p.accel_raw for p in poses])
    parameters, sd, share, residual = fit_norms(means, gravity_mps2)
    names = [*(f"accelerometer scale {a}" for a in "xyz"), *(f"accelerometer cross-axis {a}" for a in ("xy", "xz", "yz"))]
    names += [f"accelerometer bias {a}" for a in "xyz"]
    unseen = share > UNDETERMINED_RATIO
    undetermined = [n for n, u in zip(names, unseen, strict=True) if u]
    undetermined.append("rotation of the accelerometer's axes in the airframe (lengths of gravity can't show it)")
    if not undetermined[:-1]:
        corrected = (means - parameters[6:]) @ upper_triangular(parameters[:3], parameters[3:6]).T
        gyro, gyro_sd, turn_residual = _fit_gyro(time, rate, spans, corrected / np.linalg.norm(corrected, axis=1, keepdims=True))
    else:
        gyro, gyro_sd, turn_residual = np.concatenate((np.ones(3), np.zeros(6))), np.full(9, np.nan), np.full((1, 3), np.nan)
        undetermined.append("gyro scale and misalignment (needs every accelerometer parameter first)")
    sd = np.where(unseen, np.nan, sd)
    rest_rate = np.array([p.rate_raw for p in poses])
    calibration = Calibration(
        accel_bias_imu_mps2=_vec3(parameters[6:]),
        accel_scale=_vec3(parameters[:3]),
        accel_cross_axis=_vec3(parameters[3:6]),
        gyro_bias_imu_radps=_vec3(rest_rate.mean(axis=0)),
        gyro_pad_bias=True,
        gyro_scale=_vec3(gyro[:3]),
        gyro_misalignment_rad=_vec3(gyro[3:6]),
    )
    return BenchResult(
        "multi-position",
        # the bias a flight starts with is read on the pad; the bench's own is in the figures
        dataclasses.replace(calibration, gyro_bias_imu_radps=(0.0, 0.0, 0.0)),
        {
            "accel_bias_imu_mps2": tuple(sd[6:]),
            "accel_scale": tuple(sd[:3]),
            "accel_cross_axis": tuple(sd[3:6]),
            "gyro_scale": tuple(gyro_sd[:3]),
            "gyro_misalignment_rad": tuple(gyro_sd[3:6]),
        },
        tuple(undetermined),
        tuple(dataclasses.replace(p, residual_mps2=float(r)) for p, r in zip(poses, residual, strict=True)),
        {
            "poses": float(len(poses)),
            "norm residual RMS, m/s²": float(np.sqrt(np.mean(residual**2))),
            "norm residual largest, m/s²": float(np.max(np.abs(residual))),
            "turn residual RMS, deg": float(np.degrees(np.sqrt(np.mean(np.sum(turn_residual**2, axis=1))))),
            "gyro axes out of square, deg": float(np.degrees(np.linalg.norm(gyro[6:]))),
        },
        ("the gyro bias is left to be read on the pad (it changes from day to day)",),
    )
