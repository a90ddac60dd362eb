"""Motors: letter classes, the figures of a thrust curve, and the mass that goes with it.

References
----------
.. [1] NFPA 1125, Code for the Manufacture of Model Rocket and High Power Rocket Motors: letter classes double in total impulse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

BURN_SHARE = 0.05
"""Burn time runs while thrust is above this part of its peak (common practice, no source)."""


def motor_class(total_impulse_ns: float) -> str:
    """Letter of a total impulse: A up to 2.50 N·s, each letter twice the one before, upper limits inclusive; ½A and ¼A below.

    Limits are exact doublings of 1.25, so they are compared and not taken from a rounded logarithm.

    Raises
    ------
    CannotEstimate
        Not a positive number, or beyond Z.
    """
    if not total_impulse_ns > 0.0 or not math.isfinite(total_impulse_ns):
        raise CannotEstimate("motor class", f"expected a total impulse above 0 N·s, got {total_impulse_ns}")
    if total_impulse_ns <= 0.625:
        return "¼A"
    if total_impulse_ns <= 1.25:
        return "½A"
    limit = 2.5
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ":
        if total_impulse_ns <= limit:
            return letter
        limit *= 2.0
    raise CannotEstimate("motor class", f"{total_impulse_ns:g} N·s is beyond the lettered classes")


@dataclass(frozen=True)
class CurveFigures:
    """Key figures of a thrust history."""

    total_impulse_ns: float
    peak_n: float
    mean_n: float
    burn_start_s: float
    burn_stop_s: float

    @property
    def burn_time_s(self) -> float:
        """Time above the burn share of the peak."""
        return self.burn_stop_s - self.burn_start_s

    @property
    def peak_to_mean(self) -> float:
        """How much the start spike stands out, a ratio."""
        return self.peak_n / self.mean_n


def curve_figures(time_s: ArrayLike, thrust_n: ArrayLike) -> CurveFigures:
    """Impulse by trapezoids, peak, mean over the burn time, and the burn time itself."""
    t, f = np.asarray(time_s, dtype=float), np.asarray(thrust_n, dtype=float)
    peak = float(f.max())
    level = BURN_SHARE * peak
    above = np.flatnonzero(f >= level)
    start, stop = _crossing(t, f, level, int(above[0]), -1), _crossing(t, f, level, int(above[-1]), 1)
    impulse = float(np.trapezoid(f, t))
    return CurveFigures(impulse, peak, impulse / (stop - start), start, stop)


def _crossing(t: Array, f: Array, level: float, i: int, step: int) -> float:
    j = i + step
    if not 0 <= j < len(t):
        return float(t[i])
    return float(t[i] + (t[j] - t[i]) * (f[i] - level) / (f[i] - f[j]))


def mass_history(time_s: ArrayLike, thrust_n: ArrayLike, liftoff_mass_kg: float, propellant_mass_kg: float) -> Array:
    """Mass at each time, kg, shape (n,): propellant leaves in proportion to the impulse given so far (constant exhaust speed)."""
    t, f = np.asarray(time_s, dtype=float), np.maximum(np.asarray(thrust_n, dtype=float), 0.0)
    impulse = np.concatenate(([0.0], np.cumsum(0.5 * (f[1:] + f[:-1]) * np.diff(t))))
    total = impulse[-1]
    share = impulse / total if total > 0.0 else np.zeros_like(impulse)
    return np.asarray(liftoff_mass_kg - propellant_mass_kg * share)


def exhaust_speed_mps(total_impulse_ns: float, propellant_mass_kg: float) -> float:
    """Effective exhaust speed."""
    return total_impulse_ns / propellant_mass_kg


def specific_impulse_s(total_impulse_ns: float, propellant_mass_kg: float) -> float:
    """Impulse per weight of propellant at standard gravity."""
    return exhaust_speed_mps(total_impulse_ns, propellant_mass_kg) / STANDARD_GRAVITY_MPS2


def ideal_speed_gain_mps(total_impulse_ns: float, propellant_mass_kg: float, liftoff_mass_kg: float) -> float:
    """Rocket equation: speed gained without gravity and air."""
    return exhaust_speed_mps(total_impulse_ns, propellant_mass_kg) * math.log(liftoff_mass_kg / (liftoff_mass_kg - propellant_mass_kg))
