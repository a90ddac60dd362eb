"""Readings that no sensor gives: marks a logger writes for "no value", a slip of a bit, a satellite receiver without a fix."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

# channel -> (lowest, highest) SI value; beyond these no sensor of a flight reads (common practice, no source)
_RANGES: Final = {
    "accel_raw_imu_mps2": (-1000.0 * STANDARD_GRAVITY_MPS2, 1000.0 * STANDARD_GRAVITY_MPS2),
    "rate_raw_imu_radps": (-1e4 * DEG, 1e4 * DEG),
    "pressure_pa": (100.0, 2e5),
    "baro_height_m": (-600.0, 1e5),
    "imu_temperature_k": (173.15, 473.15),
    "air_temperature_k": (173.15, 473.15),
}
_MARKS: Final = (999.0, 9999.0, 99999.0, 999999.0)  # as logged, of either sign: written for "no value" (common practice, no source)
_APART = 4.0  # a faulty reading of a sensor that reads around zero is so many times the largest sound one
_MOST = 0.5  # more than this share is no fault of single readings: the unit is wrong, and that is said elsewhere


def is_faulty(channel: str, values: Array, raw: Array) -> NDArray[np.bool_]:
    """Which readings can't be ones.

    Parameters
    ----------
    channel : str
        A name of `channels.KINDS`.
    values : ndarray, shape (n, w)
        SI.
    raw : ndarray, shape (n, w)
        The same as logged.

    Returns
    -------
    ndarray of bool, shape (n, w)
        All False for a channel whose limits are not known, and where most of a column would be faulty.
    """
    if channel == "gnss_lat_lon_height":
        is_unset = (values[:, 0] == 0.0) & (values[:, 1] == 0.0)
        return np.repeat(is_unset[:, None], values.shape[1], axis=1)
    found = np.zeros(values.shape, dtype=bool)
    if channel not in _RANGES:
        return found
    low, high = _RANGES[channel]
    for k in range(values.shape[1]):
        column = values[:, k]
        is_bad = (column < low) | (column > high)
        if low + high == 0.0:
            is_bad |= np.isin(np.abs(raw[:, k]), _MARKS)
            is_bad &= _stand_apart(column, is_bad)
        if np.count_nonzero(is_bad) < _MOST * np.count_nonzero(np.isfinite(column)):
            found[:, k] = is_bad
    return found


def _stand_apart(column: Array, is_bad: NDArray[np.bool_]) -> bool:
    """Nothing lies between the faulty readings and the sound ones; a sensor in another unit passes through all sizes."""
    size = np.abs(column)
    sound = size[~is_bad & np.isfinite(size)]
    return bool(is_bad.any() and len(sound) and size[is_bad].min() >= _APART * sound.max())
