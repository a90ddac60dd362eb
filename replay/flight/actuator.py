"""Actuator identification: gain, lag and delay of a response to a command, by an output-error fit.

The peak of the cross-correlation is neither the delay nor delay plus lag, and an equation-error (ARX) fit is biased by noise on the
response; the output error of a simulated first-order lag behind a pure delay is neither.

References
----------
.. [1] L. Ljung, System Identification, 2nd ed., Prentice Hall, 1999, chapters 4 and 7.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate
from replay.flight.misalignment import autocorrelation_widening

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ActuatorFit:
    """First-order lag behind a delay: response = gain · lag(command(t − delay)) + nuisance. One standard deviation each.

    Parameters
    ----------
    gain, gain_sd : float
        Response per command, in the units of the two.
    time_constant_s, time_constant_sd_s, delay_s, delay_sd_s : float
    residual : float
        Root mean square of what the fit leaves, unit of the response.
    """

    gain: float
    gain_sd: float
    time_constant_s: float
    time_constant_sd_s: float
    delay_s: float
    delay_sd_s: float
    residual: float

    @property
    def total_lag_s(self) -> float:
        """Delay and lag together: what phase at low frequency sees."""
        return self.delay_s + self.time_constant_s

    @property
    def total_lag_sd_s(self) -> float:
        """Bound on it: the two are strongly anti-correlated, so this is on the safe side."""
        return math.hypot(self.delay_sd_s, self.time_constant_sd_s)


def lagged(command: Array, step_s: float, time_constant_s: float, delay_s: float) -> Array:
    """Response of the lag to a command held between samples, shape (n,): exact first-order step behind an interpolated delay."""
    from scipy.signal import lfilter

    n = np.arange(len(command))
    late = np.interp(n - delay_s / step_s - 1.0, n, command, left=float(command[0]))
    if time_constant_s < 1e-3 * step_s:
        return np.asarray(late)
    pole = math.exp(-step_s / time_constant_s)
    start = [pole * float(command[0])]
    return np.asarray(lfilter([1.0 - pole], [1.0, -pole], late, zi=start)[0], dtype=np.float64)


def identify(
    command: ArrayLike,
    response: ArrayLike,
    step_s: float,
    *,
    scale: ArrayLike | None = None,
    nuisance: Callable[[Array], Array] | None = None,
    smooth: Callable[[Array], Array] | None = None,
    longest_s: float = 0.25,
) -> ActuatorFit:
    """Output-error fit of gain, lag and delay.

    Parameters
    ----------
    command, response : array_like, shape (n,)
        Evenly spaced.
    step_s : float
    scale : array_like, shape (n,), optional
        Multiplies the lagged command before the gain: T L / I for an angular acceleration.
    nuisance : callable, optional
        Lagged command (n,) -> columns (n, k) fitted beside it; a constant where not given.
    smooth : callable, optional
        Applied to the modelled part, where the response was smoothed alike.
    longest_s : float
        Largest lag and delay tried.

    Raises
    ------
    CannotEstimate
        The command hardly moves.
    """
    u, y = np.asarray(command, dtype=float), np.asarray(response, dtype=float)
    if np.std(u) < 1e-9 or len(u) < 30:
        raise CannotEstimate("actuator identification", "the command hardly moves")
    size = np.ones(len(u)) if scale is None else np.asarray(scale, dtype=float)
    shape = smooth if smooth is not None else (lambda values: values)

    def design(p: Array) -> Array:
        late = lagged(u, step_s, abs(float(p[0])), abs(float(p[1])))
        beside = np.ones(len(u)) if nuisance is None else nuisance(late)
        return np.column_stack((shape(size * late), beside))

    def left(p: Array) -> Array:
        d = design(p)
        return np.asarray(y - d @ np.linalg.lstsq(d, y, rcond=None)[0])

    best = _search(left, step_s, longest_s)
    d = design(best)
    coefficients = np.linalg.lstsq(d, y, rcond=None)[0]
    # all parameters together: the derivatives by lag and delay beside the linear columns
    h = 0.1 * step_s
    by = [(design(best + h * e) - design(np.maximum(best - h * e, 0.0))) @ coefficients / (2.0 * h) for e in np.eye(2)]
    jacobian = np.column_stack((*by, d))
    residual = left(best)
    variance = float(residual @ residual) / max(len(residual) - jacobian.shape[1], 1) * autocorrelation_widening(residual)
    sd = np.sqrt(np.maximum(np.diag(np.linalg.pinv(jacobian.T @ jacobian) * variance), 0.0))
    return ActuatorFit(
        float(coefficients[0]), float(sd[2]), float(best[0]), float(sd[0]), float(best[1]), float(sd[1]), float(np.std(residual))
    )  # fmt: skip


def _search(left: Callable[[Array], Array], step_s: float, longest_s: float) -> Array:
    """Lag and delay of least misfit: a grid, a joint refinement, and whole samples of delay."""
    from scipy.optimize import least_squares

    grid = np.linspace(0.0, longest_s, 14)
    start = min(((float(np.sum(left(np.array([t, d])) ** 2)), t, d) for t in grid[1:] for d in grid), key=lambda row: row[0])
    bounds = ([1e-4, 0.0], [2.0 * longest_s, 2.0 * longest_s])
    joint = least_squares(left, start[1:], x_scale=[0.01, 0.01], bounds=bounds, diff_step=1e-3)
    best, cost = np.asarray(joint.x, dtype=np.float64), float(joint.cost)
    # a held command makes the misfit kink at whole samples of delay, where a gradient stops short: try those as they are
    for whole in step_s * np.arange(max(round(best[1] / step_s) - 2, 0), round(best[1] / step_s) + 3):
        one = least_squares(lambda p, d=whole: left(np.array([p[0], d])), best[:1], x_scale=[0.01], bounds=([1e-4], [2.0 * longest_s]))
        if one.cost < cost:
            best, cost = np.array([one.x[0], whole]), float(one.cost)
    return best


def correlation_peak_s(command: ArrayLike, response: ArrayLike, step_s: float) -> float:
    """Where the cross-correlation peaks, s, a parabola through the top three: shown beside the fit because it misleads."""
    u, y = np.asarray(command, dtype=float), np.asarray(response, dtype=float)
    u, y = u - u.mean(), y - y.mean()
    full = np.correlate(y, u, mode="full")[len(u) - 1 :]
    k = int(np.argmax(full))
    if k in (0, len(full) - 1):
        return k * step_s
    a, b, c = full[k - 1 : k + 2]
    return float((k + 0.5 * (a - c) / (a - 2.0 * b + c)) * step_s)
