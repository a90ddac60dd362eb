"""The inertial record made ready to be integrated: gaps bridged, and every step priced by what it can't show.

A step across a gap, a clipped sample, a row without a value or a blow between two samples carries extra variance, by what it can hide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.motion.filters import filled
from replay.motion.gaps import bridge, spans
from replay.sensors.measurements import Measurements

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

CLIPPED_SHARE = 0.1
"""One standard deviation of what a clipped sample lost, as a share of what it shows, beyond what the slopes at the ends of its span say,"""
CLIPPED_MOST = 10.0
"""and in all at most: a sensor stuck at its limit for seconds after a blow was not pushed ever harder."""
SHOCK_RADPS, SHOCK_MPS2 = 0.5, 20.0
"""Fourth difference beyond which neighbouring samples miss part of a blow,"""
SHOCK_SHARE = 0.01
"""and how much of it (one standard deviation): that of a spike on one sample sums to a ninth of the spike."""


@dataclass(frozen=True, eq=False)
class Inertial:
    """n inertial samples ready to be integrated: no missing values, each step with the variance of what it can't show.

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
    rate_body_radps, accel_body_mps2 : ndarray, shape (n, 3)
        Rows without a value are bridged.
    bend : ndarray, shape (n, 3)
        Curvature of the rate.
    is_gap_before : ndarray of bool, shape (n,)
        Also before and after bridged rows.
    extra_var : ndarray, shape (n, 4)
        Of step i → i + 1: angle about each axis, rad²; velocity along body x, y, z, (m/s)². Zero nearly everywhere.
    own_saves_var : float
        `gaps.Bridged.own_saves_var`.
    notes : tuple of str
    """

    log_time_s: Array
    rate_body_radps: Array
    accel_body_mps2: Array
    bend: Array
    is_gap_before: Mask
    extra_var: Array
    own_saves_var: float = 0.0
    notes: tuple[str, ...] = ()


def prepare_inertial(measurements: Measurements, own: tuple[Array, Array] | None = None) -> Inertial:
    """Samples without missing values, gaps bridged (`gaps.bridge`, which `own` goes to), and clipped spans and blows priced."""
    from replay.motion import _kernels
    from replay.motion import _kernels_preintegration as kernels

    time_s = np.ascontiguousarray(measurements.log_time_s)
    rate_raw, accel_raw = measurements.rate_body_radps, measurements.accel_body_mps2
    rate = np.ascontiguousarray(filled(time_s, rate_raw))
    accel = np.ascontiguousarray(filled(time_s, accel_raw))
    n = len(time_s)
    extra = np.zeros((n, 4))
    is_gap_before = np.array(measurements.is_gap_before, dtype=bool)
    is_missing = np.zeros(n, dtype=bool)
    if rate is not rate_raw or accel is not accel_raw:
        is_missing[:] = ~(np.isfinite(rate_raw).all(axis=1) & np.isfinite(accel_raw).all(axis=1))
    first, last = spans(is_gap_before, is_missing)
    if is_missing.any():
        is_gap_before |= is_missing
        is_gap_before[1:] |= is_missing[:-1]
        is_gap_before[0] = False
    bridged = bridge(time_s, rate, accel, first, last, own)
    for i, j, angle_var, vel_var in zip(first, last, bridged.angle_var, bridged.vel_var, strict=True):
        extra[i:j] += np.diff(time_s[i : j + 1])[:, None] / (time_s[j] - time_s[i]) * np.array([angle_var, *vel_var])
    for c in range(3):
        _price_clipped(time_s, rate[:, c], _closed(measurements.is_rate_clipped_body[:, c], is_missing), extra[:, 0])
        _price_clipped(time_s, accel[:, c], _closed(measurements.is_accel_clipped_body[:, c], is_missing), extra[:, 1 + c])
    kernels.price_shocks(time_s, rate, is_gap_before, SHOCK_RADPS, SHOCK_SHARE, extra[:, :1])
    kernels.price_shocks(time_s, accel, is_gap_before, SHOCK_MPS2, SHOCK_SHARE, extra[:, 1:])
    bend = np.empty((n, 3))
    _kernels.curvature(time_s, rate, is_gap_before, bend, np.empty(n))  # of the rates that were there, not of moved ends
    rate, accel = bridged.rate_body_radps, bridged.accel_body_mps2
    notes = []
    if len(first):
        longest = float(np.max(time_s[last] - time_s[first]))
        notes.append(f"the uncertainty is raised by what the gaps can hide, the longest of them {longest:.3f} s")
    if bridged.is_own.any():
        apart = float(np.sqrt(np.max(bridged.angle_var[bridged.is_own])))
        n_own = int(np.count_nonzero(bridged.is_own))
        notes.append(
            f"the turn across {n_own} gap{'s' if n_own > 1 else ''} is that of the computer's own attitude, from which the gyro around "
            f"is {np.degrees(apart):.2g}° off over as long a time"
        )
    for mask, words in ((measurements.is_accel_clipped, "accelerometer"), (measurements.is_rate_clipped, "gyro")):
        if np.any(mask):
            notes.append(f"the uncertainty is raised by what the clipped {words} lost, from the slopes at the ends of each clipped stretch")
    return Inertial(time_s, rate, accel, bend, is_gap_before, extra, bridged.own_saves_var, tuple(notes))


def _closed(is_clipped: Mask, is_missing: Mask) -> Mask:
    """With the rows without a value between clipped ones, shapes (n,)."""
    if not (is_clipped.any() and is_missing.any()):
        return is_clipped
    n = np.arange(len(is_clipped))
    before = np.maximum.accumulate(np.where(is_missing, 0, n))
    after = np.minimum.accumulate(np.where(is_missing, n[-1], n)[::-1])[::-1]
    return np.asarray(is_clipped | (is_missing & is_clipped[before] & is_clipped[after]))


def _price_clipped(time_s: Array, values: Array, is_clipped: Mask, extra: Array) -> None:
    """Add to `extra` the variance of each step's integral of one axis's `values` where it is clipped, shapes (n,).

    The cubic that leaves the limit and comes back to it in T s with the slopes s of the ends has the mean T (s₁ + s₂)/12: one standard
    deviation of what the span lost, which its samples lost together.
    """
    change = np.flatnonzero(np.diff(np.concatenate(([False], is_clipped, [False])).astype(np.int8)))
    for i, j in change.reshape(-1, 2):
        # half of the steps on either side belongs to the span
        a, b = max(int(i) - 1, 0), min(int(j), len(time_s) - 1)
        lasts = 0.5 * float(time_s[b] + time_s[j - 1] - time_s[a] - time_s[i])
        limit = float(np.max(np.abs(values[i:j])))
        before, after = np.arange(max(i - 2, 0), i), np.arange(j, min(j + 2, len(time_s)))[::-1]
        slope = sum(_slope_to(limit, time_s[rows], np.sign(values[i]) * values[rows]) for rows in (before, after))
        lost = min(lasts * slope / 12.0 + CLIPPED_SHARE * limit, CLIPPED_MOST * limit)
        extra[a:b] += (lost * lasts) ** 2 * np.diff(time_s[a : b + 1]) / float(time_s[b] - time_s[a])


def _slope_to(limit: float, time_s: Array, shown: Array) -> float:
    """How steeply two samples lead to a limit, the nearer one last: the steeper of the last two steps, for the last may have ended anywhere
    between its sample and the limit.
    """
    if len(shown) < 2:
        return 0.0
    return max(limit - float(shown[1]), float(shown[1] - shown[0]), 0.0) / abs(float(time_s[1] - time_s[0]))
