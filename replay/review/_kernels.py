"""Compiled loops over long traces: block extremes, exact re-binning, span sums, and the walk along the nose's track.

Slow twins: `pyramid.py` and `nose.py`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from replay.jit import compiled

FACTOR = 16
_RAD_TO_DEG = 180.0 / math.pi


@compiled
def block_extremes(lowest_below: Any, highest_below: Any, lowest: Any, highest: Any) -> None:
    """Extremes of every FACTOR entries of the level below, the last partial block included; non-finite entries are passed over.

    A block with nothing finite in it gets (inf, -inf), so that minimum and maximum go on working one level up.
    """
    n = lowest_below.shape[0]
    for i in range(lowest.shape[0]):
        low, high = math.inf, -math.inf
        for k in range(i * FACTOR, min((i + 1) * FACTOR, n)):
            a, b = lowest_below[k], highest_below[k]
            if a < low and a != -math.inf:
                low = a
            if b > high and b != math.inf:
                high = b
        lowest[i] = low
        highest[i] = high


@compiled
def extremes(values: Any, lowest: Any, highest: Any, level_start: Any, start: Any, stop: Any) -> Any:
    """Exact smallest and largest finite value of samples start to stop - 1; (inf, -inf) where there is none."""
    low, high = math.inf, -math.inf
    a, b = start, stop
    n_levels = level_start.shape[0] - 1
    level = 0
    while a < b:
        is_top = level == n_levels or b - a < 2 * FACTOR
        head = b if is_top else min(b, (a + FACTOR - 1) // FACTOR * FACTOR)
        tail = b if is_top else max(head, b // FACTOR * FACTOR)
        for part in range(2):
            first = a if part == 0 else tail
            last = head if part == 0 else b
            if level == 0:
                for k in range(first, last):
                    v = values[k]
                    if v < low and v != -math.inf:
                        low = v
                    if v > high and v != math.inf:
                        high = v
            else:
                offset = level_start[level - 1]
                for k in range(first + offset, last + offset):
                    low = min(low, lowest[k])
                    high = max(high, highest[k])
        a, b = head // FACTOR, tail // FACTOR
        level += 1
        if is_top:
            break
    return low, high


@compiled
def rebin(
    time_s: Any, values: Any, lowest: Any, highest: Any, level_start: Any, edges: Any, width: Any, out_time_s: Any, out_values: Any
) -> int:
    """Two points a bin; returns how many points were written.

    `edges` holds segment bounds [start, stop, start, stop, ...]; bins lie on multiples of `width` counted from the first sample of
    the log, so that they stay put while the picture is panned. A NaN point parts the segments. Within a bin the two extremes come
    in the order in which the bin's own ends rise or fall.
    """
    n = 0
    for segment in range(edges.shape[0] // 2):
        a, stop = edges[2 * segment], edges[2 * segment + 1]
        if segment > 0:
            out_time_s[n] = time_s[a]
            out_values[n] = np.nan
            n += 1
        while a < stop:
            b = min(stop, (a // width + 1) * width)
            low, high = extremes(values, lowest, highest, level_start, a, b)
            if low > high:
                low = high = np.nan
            is_falling = values[a] > values[b - 1]
            out_time_s[n] = time_s[a]
            out_values[n] = high if is_falling else low
            out_time_s[n + 1] = time_s[b - 1]
            out_values[n + 1] = low if is_falling else high
            n += 2
            a = b
    return n


@compiled
def span_sums(time_s: Any, values: Any, i_gap: Any, start: Any, stop: Any) -> Any:
    """Sums over samples start to stop - 1 for mean, slope and integral.

    Returns (count, sum t, sum v, sum t², sum t v, integral, covered, low, high) with t and v counted from the first finite sample
    of the span, so that nothing cancels; `integral` is of v itself by trapezoids. Steps across a gap or beside a non-finite value
    add nothing to `integral` and `covered`.
    """
    count, sum_t, sum_v, sum_tt, sum_tv = 0.0, 0.0, 0.0, 0.0, 0.0
    integral, covered = 0.0, 0.0
    low, high = math.inf, -math.inf
    t0, v0 = 0.0, 0.0
    is_joined = False
    gap = np.searchsorted(i_gap, start)
    for k in range(start, stop):
        is_last = gap < i_gap.shape[0] and i_gap[gap] == k
        if is_last:
            gap += 1
        if not math.isfinite(values[k]):
            is_joined = False
            continue
        if count == 0.0:
            t0, v0 = time_s[k], values[k]
        t, v = time_s[k] - t0, values[k] - v0
        count += 1.0
        sum_t += t
        sum_v += v
        sum_tt += t * t
        sum_tv += t * v
        low = min(low, values[k])
        high = max(high, values[k])
        if is_joined:
            step = time_s[k] - time_s[k - 1]
            integral += 0.5 * (values[k] + values[k - 1]) * step
            covered += step
        is_joined = not is_last
    return count, sum_t, sum_v, sum_tt, sum_tv, integral, covered, low, high


@compiled
def tilt_deg(q: Any, out: Any) -> None:
    """Angle of the nose from up, degrees; twin: `rotation.tilt`."""
    for k in range(q.shape[0]):
        w, x, y, z = q[k, 0], q[k, 1], q[k, 2], q[k, 3]
        out[k] = 2.0 * _RAD_TO_DEG * math.atan2(math.sqrt(x * x + y * y), math.sqrt(w * w + z * z))


@compiled
def thin_track(
    log_time_s: Any,
    q: Any,
    tilt: Any,
    i_gap: Any,
    start: Any,
    stop: Any,
    tolerance_deg: Any,
    out_time_s: Any,
    out_east_deg: Any,
    out_north_deg: Any,
) -> int:
    """Points of the nose's track that differ by more than `tolerance_deg` from the one kept before; -1 where the room runs out.

    A NaN point parts the track at gaps, at missing attitudes, and where the nose passes straight down and comes out on the far side.
    """
    n, room = 0, out_time_s.shape[0]
    gap = np.searchsorted(i_gap, start)
    is_joined = False
    east_kept, north_kept = 0.0, 0.0
    for k in range(start, stop):
        w, x, y, z = q[k, 0], q[k, 1], q[k, 2], q[k, 3]
        nose_east, nose_north = 2.0 * (x * z + w * y), 2.0 * (y * z - w * x)
        level = math.sqrt(nose_east * nose_east + nose_north * nose_north)
        scale = tilt[k] / level if level > 1e-150 else 0.0
        east, north = scale * nose_east, scale * nose_north
        if level <= 1e-150 and tilt[k] > 90.0:  # straight down has no direction: drawn to the north
            north = tilt[k]
        is_end = k == stop - 1 or (gap < i_gap.shape[0] and i_gap[gap] == k)
        if not math.isfinite(tilt[k]):
            is_joined = False
        else:
            moved = math.sqrt((east - east_kept) ** 2 + (north - north_kept) ** 2)
            if is_joined and moved > 90.0:
                is_joined = False
            if not is_joined or moved > tolerance_deg or is_end:
                if n + 2 > room:
                    return -1
                if not is_joined and n > 0:
                    out_time_s[n], out_east_deg[n], out_north_deg[n] = log_time_s[k], np.nan, np.nan
                    n += 1
                out_time_s[n], out_east_deg[n], out_north_deg[n] = log_time_s[k], east, north
                n += 1
                east_kept, north_kept = east, north
                is_joined = True
        if is_end and gap < i_gap.shape[0] and i_gap[gap] == k:
            gap += 1
            is_joined = False
    return n
