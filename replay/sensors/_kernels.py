"""Compiled loops of the sensor side. Slow twins: `_reference.py` beside this file."""

from __future__ import annotations

import numpy as np

from replay.jit import compiled


@compiled
def apply_affine(raw, matrix, offset, slope, temperature_k, reference_k, out):  # type: ignore[no-untyped-def]
    """out = matrix · raw − offset − slope · (T − T_ref), row by row; returns the number of rows that are not finite.

    `offset` and `slope` are already turned by the matrix. An empty `temperature_k` means no slope.
    """
    m00, m01, m02 = matrix[0, 0], matrix[0, 1], matrix[0, 2]
    m10, m11, m12 = matrix[1, 0], matrix[1, 1], matrix[1, 2]
    m20, m21, m22 = matrix[2, 0], matrix[2, 1], matrix[2, 2]
    has_slope = len(temperature_k) > 0
    n_bad = 0
    warmth = 0.0
    for i in range(len(raw)):
        x, y, z = raw[i, 0], raw[i, 1], raw[i, 2]
        if has_slope:
            warmth = temperature_k[i] - reference_k
        a = m00 * x + m01 * y + m02 * z - offset[0] - slope[0] * warmth
        b = m10 * x + m11 * y + m12 * z - offset[1] - slope[1] * warmth
        c = m20 * x + m21 * y + m22 * z - offset[2] - slope[2] * warmth
        out[i, 0] = a
        out[i, 1] = b
        out[i, 2] = c
        if not np.isfinite(a + b + c):
            n_bad += 1
    return n_bad


@compiled
def interpolate_rows(time_s, source_time_s, source, is_gap_before, out):  # type: ignore[no-untyped-def]
    """Linear interpolation of `source` rows onto `time_s`; NaN outside the source and inside its gaps. Both clocks increase."""
    n, width = len(source_time_s), source.shape[1]
    k = 0
    for i in range(len(time_s)):
        t = time_s[i]
        while k < n - 2 and source_time_s[k + 1] <= t:
            k += 1
        if n < 2 or t < source_time_s[0] or t > source_time_s[n - 1]:
            for j in range(width):
                out[i, j] = np.nan
            continue
        w = (t - source_time_s[k]) / (source_time_s[k + 1] - source_time_s[k])
        is_inside_gap = is_gap_before[k + 1] and 0.0 < w < 1.0
        for j in range(width):
            if is_inside_gap:
                out[i, j] = np.nan
            elif w == 0.0:
                out[i, j] = source[k, j]
            elif w == 1.0:
                out[i, j] = source[k + 1, j]
            else:
                out[i, j] = (1.0 - w) * source[k, j] + w * source[k + 1, j]


@compiled
def mark_clipped(values, limit, out):  # type: ignore[no-untyped-def]
    """Mark, in `out` (n, width), values at 98 % of `limit` (0 = not known) or that repeat the axis's extreme at least twice in a row.

    Repeats only count beyond `floor` = limit slot 1: a quiet, coarsely quantised axis repeats its extremes too.
    """
    full_scale, floor = limit[0], limit[1]
    n, width = values.shape
    n_marked = 0
    for j in range(width):
        high, low = -np.inf, np.inf
        for i in range(n):
            v = values[i, j]
            if v > high:
                high = v
            if v < low:
                low = v
        is_high_plausible = high > floor
        is_low_plausible = low < -floor
        for i in range(n):
            v = values[i, j]
            is_marked = full_scale > 0.0 and abs(v) >= 0.98 * full_scale
            if (is_high_plausible and v == high) or (is_low_plausible and v == low):
                before = i > 0 and values[i - 1, j] == v
                after = i + 1 < n and values[i + 1, j] == v
                is_marked = is_marked or before or after
            if is_marked:
                out[i, j] = True
                n_marked += 1
    return n_marked


@compiled
def difference_variance(time_s, values, out):  # type: ignore[no-untyped-def]
    """Variance of the differences of neighbouring good rows, per column into `out`; returns how many there are and the time they span."""
    n, width = values.shape
    total = np.zeros(width)
    square = np.zeros(width)
    last = -1
    count = 0
    spanned = 0.0
    for i in range(n):
        row = 0.0
        for j in range(width):
            row += values[i, j]
        if not np.isfinite(row):
            continue
        if last >= 0:
            count += 1
            spanned += time_s[i] - time_s[last]
            for j in range(width):
                d = values[i, j] - values[last, j]
                total[j] += d
                square[j] += d * d
        last = i
    for j in range(width):
        out[j] = square[j] / count - (total[j] / count) ** 2 if count > 0 else np.nan
    return count, spanned
