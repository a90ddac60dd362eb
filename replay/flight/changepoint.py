"""Change points: when did a signal leave its level, and how surely is that known.

References
----------
.. [1] E. S. Page, Continuous inspection schemes, Biometrika 41, 1954: the cumulative sum and its run lengths.
.. [2] M. Basseville, I. V. Nikiforov, Detection of Abrupt Changes, Prentice Hall, 1993.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

REFERENCE_VALUE = 0.5
"""k of the cumulative sum: tuned to a shift of one standard deviation."""
ALARM_LEVEL = 9.0
"""h of the cumulative sum. One false alarm in some 50 000 samples of white noise; `average_run_length` computes it."""


def cumulative_sum(standardised: Array, reference: float = REFERENCE_VALUE) -> Array:
    """One-sided (upward) cumulative sum, shape (n,), of `standardised` (n,), in standard deviations: s = max(0, s + z − `reference`).

    NaN adds nothing. Written as a running sum less its own running minimum, which is the same number without a loop.
    """
    steps = np.where(np.isfinite(standardised), standardised - reference, 0.0)
    total = np.cumsum(steps)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0))


def first_alarm(standardised: Array, reference: float = REFERENCE_VALUE, level: float = ALARM_LEVEL) -> tuple[int, int] | None:
    """(alarm, change): the first sample at which the sum exceeds `level`, and the last one before it at which the sum was zero.

    The change is where the signal left its level (Page's estimate); None where there is no alarm. `standardised` (n,), `reference` and
    `level` in standard deviations.
    """
    sums = cumulative_sum(standardised, reference)
    over = np.flatnonzero(sums > level)
    if not len(over):
        return None
    alarm = int(over[0])
    zeros = np.flatnonzero(sums[:alarm] <= 0.0)
    return alarm, int(zeros[-1]) if len(zeros) else 0


def average_run_length(shift_sd: float, reference: float = REFERENCE_VALUE, level: float = 4.0, n_states: int = 2000) -> float:
    """Mean number of samples to an alarm of the one-sided sum under white noise shifted by `shift_sd`, from zero.

    `reference` and `level` in standard deviations, as in `first_alarm`.
    The sum is a Markov chain on `n_states` cells of [0, level] (Brook and Evans, Biometrika 59, 1972).
    """
    from scipy.linalg import solve_toeplitz
    from scipy.special import ndtr

    # cell 0 is centred on zero and takes all that falls below it; cells of width w around i w
    w = 2.0 * level / (2 * n_states - 1)
    cells = np.arange(n_states, dtype=float)

    def cdf(x: Any) -> Array:
        return np.asarray(ndtr(x - (shift_sd - reference)))

    column = cdf((0 - cells + 0.5) * w) - cdf((0 - cells - 0.5) * w)
    row = cdf((cells + 0.5) * w) - cdf((cells - 0.5) * w)
    # (I − R) L = 1 with R Toeplitz but for its first column, which gathers the tail: split that off as a rank-one term
    first_column, first_row = -column, -row
    first_column[0] += 1.0
    first_row[0] += 1.0
    tail = cdf((-cells - 0.5) * w)
    ones = solve_toeplitz((first_column, first_row), np.ones(n_states))
    pulled = solve_toeplitz((first_column, first_row), tail)
    return float(ones[0] / (1.0 - pulled[0]))


@dataclass(frozen=True)
class ChangePoint:
    """When, and one standard deviation of when, s."""

    time_s: float
    sd_s: float


def profile(candidates_s: Array, chi_square: Array, floor_s: float) -> ChangePoint:
    """Most likely change point and its standard deviation from the likelihood of every candidate.

    Parameters
    ----------
    candidates_s : ndarray, shape (k,)
        Evenly spaced.
    chi_square : ndarray, shape (k,)
        Of the best fit with the change at each of them.
    floor_s : float
        What the model itself can't resolve; added in quadrature.
    """
    weight = np.exp(-0.5 * (chi_square - np.nanmin(chi_square)))
    weight = np.where(np.isfinite(weight), weight, 0.0)
    weight /= weight.sum()
    mean = float(weight @ candidates_s)
    spread = float(weight @ (candidates_s - mean) ** 2)
    step = float(candidates_s[1] - candidates_s[0]) if len(candidates_s) > 1 else 0.0
    return ChangePoint(mean, math.sqrt(spread + step**2 / 12.0 + floor_s**2))


def hinge_misfit(time_s: Array, values: Array, sd: Array, candidates_s: Array, *, before: int, after: int) -> Array:
    """Chi-square of two polynomials that meet at the change point, for every candidate, shape (k,).

    Parameters
    ----------
    time_s, values, sd : ndarray, shape (n,)
    candidates_s : ndarray, shape (k,)
    before, after : int
        Degree of each side: 0 a level, 1 a line. Both sides share their value at the change.
    """
    t, wanted = time_s - candidates_s[:, None], values / sd
    sides = [np.minimum(t, 0.0) ** p for p in range(1, before + 1)] + [np.maximum(t, 0.0) ** p for p in range(1, after + 1)]
    design = np.stack([np.ones_like(t), *sides], axis=1) / sd  # (k, 1 + before + after, n)
    size = np.sqrt(np.einsum("kpn,kpn->kp", design, design))
    design /= np.where(size > 0.0, size, 1.0)[:, :, None]  # a side without samples stays nothing
    gram = np.linalg.pinv(design @ design.transpose(0, 2, 1), rcond=1e-13, hermitian=True)
    fitted = np.einsum("kp,kpn->kn", np.einsum("kpq,kq->kp", gram, design @ wanted), design)
    return np.asarray(np.sum((wanted - fitted) ** 2, axis=1), dtype=np.float64)


def hinge_slopes(time_s: Array, values: Array, sd: Array, change_s: float, *, before: int, after: int) -> Array:
    """Value at the change, then the coefficients before and after it, shape (1 + before + after,).

    `time_s`, `values`, `sd` (n,) and the degrees `before` and `after` as in `hinge_misfit`.
    """
    t = time_s - change_s
    sides = [np.minimum(t, 0.0) ** p for p in range(1, before + 1)] + [np.maximum(t, 0.0) ** p for p in range(1, after + 1)]
    design = np.stack([np.ones_like(t), *sides], axis=1) / sd[:, None]
    return np.asarray(np.linalg.lstsq(design, values / sd, rcond=None)[0], dtype=np.float64)
