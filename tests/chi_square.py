"""Bounds that hold a filter's standard deviations to account.

Source: Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, §5.4.
"""

import numpy as np
from scipy.stats import chi2

# (dimension, number of runs, lower, upper) of the 95 % two-sided bounds on the mean of as many chi-square variables
MEAN_BOUNDS_95 = [
    (1, 1, 0.001, 5.024), (1, 50, 0.647, 1.428), (1, 100, 0.742, 1.296),
    (2, 1, 0.051, 7.378), (2, 50, 1.484, 2.591), (2, 100, 1.627, 2.411),
    (3, 1, 0.216, 9.348), (3, 50, 2.360, 3.716), (3, 100, 2.539, 3.499),
    (6, 1, 1.237, 14.449), (6, 50, 5.078, 6.998), (6, 100, 5.340, 6.698),
    (9, 1, 2.700, 19.023), (9, 50, 7.862, 10.213), (9, 100, 8.188, 9.850),
    (15, 1, 6.262, 27.488), (15, 50, 13.520, 16.556), (15, 100, 13.946, 16.092),
]  # fmt: skip


def mean_bounds(dimension, runs, confidence=0.95):
    """Two-sided bounds on the mean of `runs` normalised errors squared (NEES or NIS) of `dimension` components."""
    tail = 0.5 * (1.0 - confidence)
    return tuple(chi2.ppf([tail, 1.0 - tail], dimension * runs) / runs)


def nees(error, covariance):
    """Normalised estimation error squared, errors (n, d) and covariances (n, d, d) to (n,)."""
    error = np.asarray(error, dtype=float)
    return np.einsum("ni,ni->n", error, np.linalg.solve(covariance, error[..., None])[..., 0])
