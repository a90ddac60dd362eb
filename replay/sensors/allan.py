"""Frequency-stability deviations of a rate or specific-force recording, and the noise coefficients read from them.

The samples of a gyro (or accelerometer) stand where a clock comparison has fractional frequency; their running sum stands for phase.

References
----------
.. [1] W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065 (2008), sections 5.2 to 5.4.
.. [2] IEEE Std 952-1997 (R2008), Annex C: the slopes at which each noise coefficient is read.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate

Array = NDArray[np.float64]

BIAS_INSTABILITY_FACTOR = math.sqrt(2.0 * math.log(2.0) / math.pi)
"""Flat floor of the Allan deviation over the bias instability B: 0.6642825 (IEEE 952, C.1.5)."""


def _second_difference(x: Array, m: int, stride: int) -> Array:
    return (x[2 * m :] - 2.0 * x[m:-m] + x[: -2 * m])[::stride]


def _third_difference(x: Array, m: int, stride: int) -> Array:
    return (x[3 * m :] - 3.0 * x[2 * m : -m] + 3.0 * x[m : -2 * m] - x[: -3 * m])[::stride]


def _allan(x: Array, m: int) -> float:
    return math.sqrt(float(np.mean(_second_difference(x, m, m) ** 2)) / 2.0) / m


def _overlapping(x: Array, m: int) -> float:
    return math.sqrt(float(np.mean(_second_difference(x, m, 1) ** 2)) / 2.0) / m


def _modified(x: Array, m: int) -> float:
    sums = np.cumsum(np.concatenate(([0.0], _second_difference(x, m, 1))))
    return math.sqrt(float(np.mean((sums[m:] - sums[:-m]) ** 2)) / 2.0) / m**2


def _time(x: Array, m: int) -> float:
    return m * _modified(x, m) / math.sqrt(3.0)


def _hadamard(x: Array, m: int) -> float:
    return math.sqrt(float(np.mean(_third_difference(x, m, m) ** 2)) / 6.0) / m


def _overlapping_hadamard(x: Array, m: int) -> float:
    return math.sqrt(float(np.mean(_third_difference(x, m, 1) ** 2)) / 6.0) / m


def _total(x: Array, m: int) -> float:
    n = len(x)
    left = 2.0 * x[0] - x[1 : n - 1][::-1]
    right = 2.0 * x[-1] - x[1 : n - 1][::-1]
    extended = np.concatenate((left, x, right))
    centre = np.arange(n - 2 + 1, n - 2 + n - 1)
    difference = extended[centre - m] - 2.0 * extended[centre] + extended[centre + m]
    return math.sqrt(float(np.sum(difference**2)) / (2.0 * (n - 2))) / m


STATISTICS: dict[str, Callable[[Array, int], float]] = {
    "allan": _allan,
    "overlapping": _overlapping,
    "modified": _modified,
    "time": _time,
    "hadamard": _hadamard,
    "overlapping hadamard": _overlapping_hadamard,
    "total": _total,
}
"""Deviation name (NIST SP 1065) -> function of phase in units of the sample interval and averaging factor."""


def deviation(samples: ArrayLike, rate_hz: float, averaging: ArrayLike, statistic: str = "overlapping") -> Array:
    """One frequency-stability deviation at several averaging factors.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Evenly spaced rate samples, any unit.
    rate_hz : float
    averaging : array_like of int, shape (k,)
        Averaging factors m; the averaging time is m / rate_hz.
    statistic : str
        A key of `STATISTICS`.

    Returns
    -------
    deviation : ndarray, shape (k,)
        In the unit of `samples` ("time": that unit times seconds); NaN where the record is too short for m.

    Raises
    ------
    CannotEstimate
        Not one channel, or a gap in it.
    """
    y = np.asarray(samples, dtype=float)
    if y.ndim != 1 or not np.all(np.isfinite(y)):
        raise CannotEstimate("deviation", "expected one evenly spaced channel without gaps or NaN")
    x = np.concatenate(([0.0], np.cumsum(y - y.mean())))
    function = STATISTICS[statistic]
    reach = 3 if "hadamard" in statistic or statistic in ("modified", "time") else 2
    scale = 1.0 / rate_hz if statistic == "time" else 1.0
    return np.array([scale * function(x, int(m)) if reach * int(m) < len(x) else np.nan for m in np.atleast_1d(averaging)])


def octaves(n_samples: int) -> NDArray[np.int64]:
    """Averaging factors 1, 2, 4, …, shape (k,), up to a fifth of the record, where the deviation still has a few degrees of freedom."""
    top = max(int(math.log2(max(n_samples / 5.0, 1.0))), 0)
    return np.array(2 ** np.arange(top + 1), dtype=np.int64)


def degrees_of_freedom(n_samples: int, averaging: ArrayLike, power: int = -1) -> Array:
    """Equivalent degrees of freedom of the overlapping Allan variance (NIST SP 1065, table 5), at least one; shape of `averaging`.

    `power` is that of the averaging time in the variance: -2 or -1 white rate noise, 0 flicker, 1 or 2 random walk of the rate.
    """
    n = n_samples + 1.0
    m = np.asarray(averaging, dtype=float)
    if power < 0:
        freedom = (3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n) * 4.0 * m**2 / (4.0 * m**2 + 5.0)
    elif power == 0:
        freedom = np.where(m < 2, 2.0 * (n - 2.0) ** 2 / (2.3 * n - 4.9), 5.0 * n**2 / (4.0 * m * (n + 3.0 * m)))
    else:
        freedom = (n - 2.0) / m * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m**2) / (n - 3.0) ** 2
    return np.asarray(np.maximum(freedom, 1.0))


@dataclass(frozen=True)
class Coefficient:
    """One noise coefficient.

    Parameters
    ----------
    name, symbol : str
    value, low, high : float
        With its 95 % interval, in the unit of the channel times the power of seconds its term has; NaN where the recording never lets
        the term dominate.
    read_at_s : float
        Averaging time at which the term's line is read for `value`.
    """

    name: str
    symbol: str
    value: float
    low: float
    high: float
    read_at_s: float

    @property
    def is_determined(self) -> bool:
        """False: the term nowhere carries half the variance, so it was not seen."""
        return math.isfinite(self.value)


@dataclass(frozen=True, eq=False)
class AllanResult:
    """Overlapping Allan deviation of one channel.

    Parameters
    ----------
    tau_s, deviation, low, high : ndarray, shape (k,)
        Averaging time; deviation and its 95 % interval, unit of the channel.
    coefficients : tuple of Coefficient
        Quantisation Q, random walk N (per root hertz), bias instability B, rate random walk K, ramp R.
    """

    tau_s: Array
    deviation: Array
    low: Array
    high: Array
    coefficients: tuple[Coefficient, ...]

    def __getitem__(self, symbol: str) -> Coefficient:
        return next(c for c in self.coefficients if c.symbol == symbol)


# name, symbol, power of tau in the variance, factor between coefficient² and variance at tau = 1 s, where it is read (IEEE 952)
_TERMS = (
    ("quantisation", "Q", -2, 3.0, math.sqrt(3.0)),
    ("random walk", "N", -1, 1.0, 1.0),
    ("bias instability", "B", 0, BIAS_INSTABILITY_FACTOR**2, math.nan),
    ("rate random walk", "K", 1, 1.0 / 3.0, 3.0),
    ("ramp", "R", 2, 0.5, math.sqrt(2.0)),
)


def term_deviation(coefficient: Coefficient, tau_s: ArrayLike) -> Array:
    """The deviation that one coefficient alone would give at averaging times (k,): the straight slope it is read off on a log-log plot."""
    power, factor = next((power, factor) for _, symbol, power, factor, _ in _TERMS if symbol == coefficient.symbol)
    return np.asarray(coefficient.value * math.sqrt(factor) * np.asarray(tau_s, dtype=float) ** (0.5 * power))


def _fit_terms(design: Array, target: Array) -> Array:
    """Non-negative least squares with as few terms as the record asks for: one that improves the fit by less than 2.5 sigma goes."""
    from scipy.optimize import nnls

    active = list(range(design.shape[1]))
    squares = np.zeros(design.shape[1])
    squares[:], misfit = nnls(design, target)
    while len(active) > 1:
        trials = []
        for drop in active:
            kept = [i for i in active if i != drop]
            solution, without = nnls(design[:, kept], target)
            trials.append((without**2 - misfit**2, kept, solution, without))
        gain, kept, solution, without = min(trials, key=lambda trial: trial[0])
        if gain > 2.5**2:
            break
        active, misfit = kept, without
        squares[:] = 0.0
        squares[active] = solution
    return squares


def allan(samples: ArrayLike, rate_hz: float) -> AllanResult:
    """Overlapping Allan deviation at octaves and the five IEEE 952 coefficients.

    A sparse non-negative least-squares fit of the variance to the sum of the five terms tells which term rules where. Each coefficient is
    then read at the octave where its own term stands clearest, the other terms taken off, with the chi-square interval of that
    octave. One whose term nowhere carries half of the variance is not given: the recording does not show it.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Evenly spaced, any unit.
    rate_hz : float

    Raises
    ------
    CannotEstimate
        Fewer than 40 samples, or a gap.
    """
    from scipy.stats import chi2

    y = np.asarray(samples, dtype=float)
    m = octaves(len(y))
    if len(m) < 4:
        raise CannotEstimate("Allan deviation", f"needs at least 40 samples, got {len(y)}")
    tau = m / rate_hz
    sigma = deviation(y, rate_hz, m)
    freedom = degrees_of_freedom(len(y), m)
    low, high = np.sqrt(freedom / chi2.ppf(0.975, freedom)) * sigma, np.sqrt(freedom / chi2.ppf(0.025, freedom)) * sigma

    variance = sigma**2
    design = np.stack([factor * tau**power for _, _, power, factor, _ in _TERMS], axis=1)
    weight = np.sqrt(freedom / 2.0) / variance
    squares = _fit_terms(design * weight[:, None], variance * weight)
    shares = design * squares / np.maximum(design @ squares, np.finfo(float).tiny)[:, None]

    coefficients = []
    for i, (name, symbol, power, _, read_at_s) in enumerate(_TERMS):
        own_freedom = degrees_of_freedom(len(y), m, power)
        best = int(np.argmax(shares[:, i] * np.sqrt(own_freedom)))
        # a ramp or quantisation that only fills the last or first octave is as likely a fluctuation of its neighbours
        seen = shares[best, i] >= 0.5 and np.count_nonzero(shares[:, i] >= 0.5) >= 2
        others = (1.0 - shares[best, i]) * float(design[best] @ squares)
        quantiles = chi2.ppf((0.975, 0.025), own_freedom[best])
        bounds = np.array([variance[best], *(own_freedom[best] * variance[best] / quantiles)]) - others
        value, below, above = np.sqrt(np.maximum(bounds, 0.0) / design[best, i]) if seen else (math.nan, math.nan, math.nan)
        where = float(tau[best]) if math.isnan(read_at_s) else read_at_s
        coefficients.append(Coefficient(name, symbol, float(value), float(below), float(above), where))
    return AllanResult(tau, sigma, low, high, tuple(coefficients))
