"""Wind over the field: a mean that grows with height, and gusts as first-order Gauss-Markov processes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Wind:
    """Wind of one flight.

    Parameters
    ----------
    speed_mps : float
        Mean at 10 m height.
    from_azimuth_rad : float
        Where it blows from, clockwise from north, as weather reports have it.
    shear : float
        Exponent of the power law speed ~ (height / 10 m)^shear; about 1/7 over open ground (common practice, no source).
    gust_sd_mps : float
        Standard deviation of each horizontal gust component; the vertical one has half.
    gust_time_s : float
        Correlation time of the gusts as the vehicle meets them.
    """

    speed_mps: float = 0.0
    from_azimuth_rad: float = 0.0
    shear: float = 0.143
    gust_sd_mps: float = 0.0
    gust_time_s: float = 1.5

    @property
    def mean_enu_mps(self) -> tuple[float, float, float]:
        """Mean wind vector at 10 m."""
        return (-self.speed_mps * float(np.sin(self.from_azimuth_rad)), -self.speed_mps * float(np.cos(self.from_azimuth_rad)), 0.0)

    def gusts_enu_mps(self, n_samples: int, period_s: float, random: np.random.Generator) -> Array:
        """One realisation of the gusts, shape (n, 3), to be interpolated between samples."""
        sd = self.gust_sd_mps * np.array([1.0, 1.0, 0.5])
        return gauss_markov(n_samples, period_s, self.gust_time_s, random, width=3) * sd


def gauss_markov(n_samples: int, period_s: float, time_constant_s: float, random: np.random.Generator, *, width: int) -> Array:
    """Stationary first-order Gauss-Markov processes of unit variance, shape (n, width), by the exact discrete recursion."""
    from scipy.signal import lfilter

    pole = np.exp(-period_s / time_constant_s)
    drive = random.standard_normal((n_samples, width))
    drive[1:] *= np.sqrt(1.0 - pole**2)
    return np.asarray(lfilter([1.0], [1.0, -pole], drive, axis=0))
