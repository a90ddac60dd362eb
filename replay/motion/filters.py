"""The two filters flight computers run, `complementary` and `gradient`, and gyro-only integration, on plain arrays.

All three are forward from a sample whose attitude is given; before it (the pad) the gyro is integrated backward. Over a gap nothing is
corrected: the accelerometer after it does not belong to the attitude before it.

References
----------
.. [1] R. Mahony, T. Hamel, J.-M. Pflimlin, Nonlinear complementary filters on the special orthogonal group, IEEE TAC 53(5), 2008.
.. [2] S. Madgwick, A. Harrison, R. Vaidyanathan, Estimation of IMU and MARG orientation using a gradient descent algorithm,
   ICORR 2011.
.. [3] S. Blanes, F. Casas, J. A. Oteo, J. Ros, The Magnus expansion and some of its applications, Physics Reports 470, 2009, for the
   sixth-order step of `integrate`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def filled(time_s: Array, values: Array) -> Array:
    """`values` (n, w) where every row is finite; else a copy with the others on a straight line between their neighbours.

    `time_s` has shape (n,).
    """
    from replay.motion import _kernels

    if np.isfinite(values).all():
        return values
    values = values.copy()
    _kernels.fill_rows(time_s, values)
    return values


def mark_finite(rate_body_radps: Array, accel_body_mps2: Array, is_used: Mask) -> int:
    """Turn `is_used` (n,) False, in place, where a row of the rate or specific force (n, 3) is not finite; returns how many are not."""
    from replay.motion import _kernels

    return int(_kernels.mark_finite(rate_body_radps, accel_body_mps2, is_used))


def integrate(time_s: Array, rate_body_radps: Array, bias: Array, i_start: int, q_start: Array, is_gap_before: Mask) -> Array:
    """Gyro only: a curve of sixth order through the point rates, then the exact rotation of each step with its coning term.

    Most logs hold point samples. A coning term on trapezoid increments does not help there: the trapezoid shrinks an oscillation by as
    much as coning adds. So the curve comes first. Across a gap and at its edges the rate is bridged in a straight line.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    rate_body_radps : ndarray, shape (n, 3)
        Finite.
    bias : ndarray, shape (3,)
        Taken off the rate.
    i_start : int
        Sample at which the attitude is `q_start` (4,).
    is_gap_before : ndarray of bool, shape (n,)

    Returns
    -------
    q_enu_from_body : ndarray, shape (n, 4)
    """
    from replay.motion import _kernels

    n = len(time_s)
    q = np.empty((n, 4))
    if n == 0:
        return q
    bend = np.empty((n, 3))
    _kernels.curvature(time_s, rate_body_radps, is_gap_before, bend, np.empty(n))
    _kernels.integrate(time_s, rate_body_radps, bend, bias, i_start, q_start, is_gap_before, q)
    return q


def complementary(
    time_s: Array, rate_body_radps: Array, accel_body_mps2: Array, is_used: Mask, bias: Array, i_start: int, q_start: Array,
    is_gap_before: Mask, *, gain_per_s: float, bias_gain_per_s2: float,
) -> Array:  # fmt: skip
    """Proportional-integral correction towards the measured vertical where `is_used`.

    Arguments as `integrate`, with `accel_body_mps2` (n, 3), `is_used` (n,), and the gains `gain_per_s` (1/s) and `bias_gain_per_s2` (1/s²);
    `bias` (3,) is the gyro's at the start, rad/s. Returns shape (n, 4).
    """
    from replay.motion import _kernels

    q = _before(time_s, rate_body_radps, bias, i_start, q_start, is_gap_before)
    if not len(q):
        return q
    _kernels.complementary(
        time_s, rate_body_radps, accel_body_mps2, is_used & ~is_gap_before, gain_per_s, bias_gain_per_s2, bias.copy(), i_start, q_start, q
    )
    return q


def gradient(
    time_s: Array, rate_body_radps: Array, accel_body_mps2: Array, is_used: Mask, bias: Array, i_start: int, q_start: Array,
    is_gap_before: Mask, *, gain_radps: float,
) -> Array:  # fmt: skip
    """A step of fixed length down the gradient of the gravity error where `is_used`.

    Arguments as `integrate`, with `accel_body_mps2` (n, 3), `is_used` (n,), and the step in rad/s; `bias` (3,) in rad/s.
    Returns shape (n, 4).
    """
    from replay.motion import _kernels

    q = _before(time_s, rate_body_radps, bias, i_start, q_start, is_gap_before)
    if not len(q):
        return q
    _kernels.gradient(time_s, rate_body_radps, accel_body_mps2, is_used & ~is_gap_before, gain_radps, bias, i_start, q_start, q)
    return q


def _before(time_s: Array, rate: Array, bias: Array, i_start: int, q_start: Array, is_gap_before: Mask) -> Array:
    """Room for n attitudes, those before `i_start` integrated backward."""
    q = np.empty((len(time_s), 4))
    if i_start > 0:
        m = i_start + 1
        q[:m] = integrate(time_s[:m], rate[:m], bias, i_start, q_start, is_gap_before[:m])
    return q
