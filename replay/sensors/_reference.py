"""Slow twins of `_kernels.py` in plain NumPy, for tests to compare with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def apply_affine(raw: Array, matrix: Array, bias: Array, slope: Array, warmth_k: Array | float) -> Array:
    """matrix · (raw − bias − slope · warmth)."""
    return np.asarray((raw - bias - np.multiply.outer(np.broadcast_to(warmth_k, len(raw)), slope)) @ matrix.T)


def interpolate_rows(time_s: Array, source_time_s: Array, source: Array, is_gap_before: Mask) -> Array:
    """Linear interpolation, NaN outside the source and strictly inside its gaps."""
    out = np.column_stack([np.interp(time_s, source_time_s, column, left=np.nan, right=np.nan) for column in source.T])
    for i in np.flatnonzero(is_gap_before):
        out[(time_s > source_time_s[i - 1]) & (time_s < source_time_s[i])] = np.nan
    return out


def mark_clipped(values: Array, full_scale: float, floor: float) -> Mask:
    """Values at 98 % of full scale, or at an axis's extreme beyond `floor` at least twice in a row, shape as `values`."""
    is_marked = np.abs(values) >= 0.98 * full_scale if full_scale > 0.0 else np.zeros(values.shape, dtype=bool)
    for column, mark in zip(values.T, is_marked.T, strict=True):
        for extreme in (np.nanmax(column), np.nanmin(column)):
            if abs(extreme) > floor and (extreme > 0.0) == (extreme == np.nanmax(column)):
                is_at = column == extreme
                mark |= is_at & (np.append(is_at[1:], False) | np.append(False, is_at[:-1]))
    return np.asarray(is_marked)


def difference_variance(time_s: Array, values: Array) -> tuple[Array, int, float]:
    """Variance of the differences of neighbouring good rows, their number, and the time they span."""
    is_good = np.isfinite(values).all(axis=1)
    step = np.diff(values[is_good], axis=0)
    return step.var(axis=0), len(step), float(np.ptp(time_s[is_good]))
