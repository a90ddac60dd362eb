"""Multi-position calibration: a unit laid down by hand in many poses, no equipment.

The accelerometer comes from the length of gravity at each pose, the gyro from the turns between them.

References
----------
.. [1] D. Tedaldi, A. Pretto, E. Menegatti, A robust and easy to implement method for IMU calibration without external equipments,
   ICRA 2014, pp. 3042-3049.
.. [2] I. Skog, P. Handel, Calibration of a MEMS inertial measurement unit, XVII IMEKO World Congress, 2006.
"""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.sensors.bench import BenchResult, find_rests, pose_of, vec3
from replay.sensors.calibration import Calibration, upper_triangular
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

UNDETERMINED_RATIO = 0.5
"""A parameter whose standard deviation keeps more than this part of its prior was not seen by the recording. Half, because two
parameters of which only the sum is seen keep 0.71 of theirs each."""
_PRIOR_SD = np.array([0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.5, 0.5, 0.5])
"""Prior of scale (3), cross-axis (3) and bias (3, m/s²): five per cent and 50 mg, wider than any data sheet (value from memory)."""


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

    Raises
    ------
    CannotEstimate
        An axis never saw gravity from both ends, and the readings are not in m/s².
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


def _turn_steps(time_s: Array, rate_raw: Array, spans: list[slice]) -> tuple[Array, Array]:
    """Trapezoid rate (k, m, 3) and step (k, m) of the k turns between neighbouring rests, padded to a power of two."""
    ends = [(before.stop - 1, after.start) for before, after in itertools.pairwise(spans)]
    longest = 2 ** math.ceil(math.log2(max(j - i for i, j in ends)))
    rate, step = np.zeros((len(ends), longest, 3)), np.zeros((len(ends), longest))
    for k, (i, j) in enumerate(ends):
        rate[k, : j - i] = 0.5 * (rate_raw[i:j] + rate_raw[i + 1 : j + 1])
        step[k, : j - i] = np.diff(time_s[i : j + 1])
    return rate, step


def _turns(rate: Array, step_s: Array) -> Array:
    """q_before_from_after of each turn, shape (k, 4), from corrected rates (k, m, 3): the product of its steps, taken in pairs."""
    q = rotation.from_rotvec(rate * step_s[..., None])
    while q.shape[1] > 1:
        q = rotation.multiply(q[:, ::2], q[:, 1::2])
    return np.asarray(q[:, 0])


def _rest_bias(n_samples: int, spans: list[slice], rate_raw: Array) -> Array:
    """Gyro bias per sample, shape (n, 3): the mean of each rest, linear in between."""
    centres = np.array([0.5 * (s.start + s.stop - 1) for s in spans])
    means = np.array([rate_raw[s].mean(axis=0) for s in spans])
    index = np.arange(n_samples)
    return np.column_stack([np.interp(index, centres, means[:, axis]) for axis in range(3)])


def _fit_gyro(time_s: Array, rate_raw: Array, spans: list[slice], up: Array) -> tuple[Array, Array, Array]:
    """Gyro scale (3), misalignment rotation vector (3) and non-orthogonality (3) from the turns between poses; sd; residual, rad."""
    from scipy.optimize import least_squares

    unbiased, step_s = _turn_steps(time_s, rate_raw - _rest_bias(len(rate_raw), spans, rate_raw), spans)

    def misfit(p: Array) -> Array:
        lower = np.array([[0.0, 0.0, 0.0], [p[6], 0.0, 0.0], [p[7], p[8], 0.0]])
        corrected = rotation.rotate(rotation.from_rotvec(p[3:6]), (unbiased * p[:3]) @ (np.eye(3) + lower).T)
        return np.asarray(rotation.rotate(rotation.conjugate(_turns(corrected, step_s)), up[:-1]) - up[1:]).ravel()

    # first guess of a scale in counts: the rate whose turns fit best on a coarse logarithmic grid
    typical = float(np.sqrt(np.mean(np.sum(unbiased**2, axis=-1))))
    guesses = np.geomspace(0.05 / typical, 5.0 / typical, 60) if typical > 20.0 else np.array([1.0])
    costs = [float(np.sum(misfit(np.concatenate((np.full(3, g), np.zeros(6)))) ** 2)) for g in guesses]
    start = np.concatenate((np.full(3, guesses[int(np.argmin(costs))]), np.zeros(6)))
    scale = np.concatenate((start[:3] * 0.02, np.full(6, 0.02)))
    fit = least_squares(misfit, start, x_scale=scale, loss="soft_l1", f_scale=0.02, xtol=1e-7, ftol=1e-7)
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

    Raises
    ------
    CannotEstimate
        Fewer than four poses at rest, or poses that leave an axis open.
    """
    time, accel, rate = (np.asarray(a, dtype=float) for a in (time_s, accel_raw, rate_raw))
    spans = find_rests(time, accel, rate, threshold)
    if len(spans) < 4:
        raise CannotEstimate(
            "multi-position calibration", f"found {len(spans)} pose{'s' * (len(spans) != 1)} at rest, needs 4 or more, better 12"
        )
    poses = [pose_of(time, accel, rate, s) for s in spans]
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
        accel_bias_imu_mps2=vec3(parameters[6:]),
        accel_scale=vec3(parameters[:3]),
        accel_cross_axis=vec3(parameters[3:6]),
        gyro_bias_imu_radps=vec3(rest_rate.mean(axis=0)),
        gyro_pad_bias=True,
        gyro_scale=vec3(gyro[:3]),
        gyro_misalignment_rad=vec3(gyro[3:6]),
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
