"""Compiled first look at a record for the general-motion attitude filter: what each sample and each epoch is worth, and where rest is.

Slow twins: `_reference_kalman.py`.
"""

from __future__ import annotations

import math

import numpy as np

from replay.jit import compiled

# bits of the per-sample flags
RATE_MISSING, RATE_CLIPPED, ACCEL_LOST, GAP_BEFORE = 1, 2, 4, 8
LOST = RATE_MISSING | RATE_CLIPPED | ACCEL_LOST
# bits of the per-epoch kind
REST, LEVEL, GAP, MOVED = 1, 2, 4, 8

# an epoch's mean may leave the mean of the stretch by this part of what its samples may
MEAN_SHARE = 0.25


@compiled
def find_flags(time_s, rate, accel, suspect, is_used, is_gap_before, gap_s, flags):  # type: ignore[no-untyped-def]
    """Set the flags of every sample; `suspect`, `is_used` and `is_gap_before` may be empty. Returns True where a row is not finite."""
    is_broken = False
    for i in range(len(time_s)):
        flag = 0
        # NaN and infinity alike: their difference from themselves is not zero
        r, f = rate[i, 0] + rate[i, 1] + rate[i, 2], accel[i, 0] + accel[i, 1] + accel[i, 2]
        if r - r != 0.0:
            flag |= RATE_MISSING
            is_broken = True
        if f - f != 0.0:
            flag |= ACCEL_LOST
            is_broken = True
        if len(suspect) > 0 and suspect[i]:
            flag |= RATE_CLIPPED
        if len(is_used) > 0 and not is_used[i]:
            flag |= ACCEL_LOST
        if i > 0 and (is_gap_before[i] if len(is_gap_before) > 0 else time_s[i] - time_s[i - 1] > gap_s):
            flag |= GAP_BEFORE
        flags[i] = flag
    return is_broken


@compiled
def split_epochs(time_s, flags, epoch_s, stops):  # type: ignore[no-untyped-def]
    """Sample indices that bound the epochs, in `stops`; a step over a gap is an epoch of its own. Returns the number of epochs."""
    n = len(time_s)
    m = 0
    stops[0] = 0
    for i in range(1, n):
        if flags[i] & GAP_BEFORE:
            if stops[m] < i - 1:
                m += 1
                stops[m] = i - 1
            m += 1
            stops[m] = i
        elif i == n - 1 or time_s[i + 1] - time_s[stops[m]] > epoch_s * (1.0 + 1e-9):
            m += 1
            stops[m] = i
    return m


@compiled
def epoch_scatter(rate, accel, flags, stops, m, out):  # type: ignore[no-untyped-def]
    """Per epoch: mean rate (3), mean specific force (3), mean squared distance from them (2); not finite where a sample is lost."""
    for e in range(m):
        a, b = stops[e] + 1, stops[e + 1] + 1
        if flags[a] & GAP_BEFORE:
            out[e, 6] = out[e, 7] = np.inf
            for j in range(6):
                out[e, j] = 0.0
            continue
        wx = wy = wz = fx = fy = fz = 0.0
        ww = ff = 0.0
        w0x, w0y, w0z = rate[a, 0], rate[a, 1], rate[a, 2]
        f0x, f0y, f0z = accel[a, 0], accel[a, 1], accel[a, 2]
        lost = 0
        for i in range(a, b):
            lost |= flags[i]
            dx, dy, dz = rate[i, 0] - w0x, rate[i, 1] - w0y, rate[i, 2] - w0z
            wx += dx
            wy += dy
            wz += dz
            ww += dx * dx + dy * dy + dz * dz
            dx, dy, dz = accel[i, 0] - f0x, accel[i, 1] - f0y, accel[i, 2] - f0z
            fx += dx
            fy += dy
            fz += dz
            ff += dx * dx + dy * dy + dz * dz
        r = 1.0 / (b - a)
        wx, wy, wz, fx, fy, fz = wx * r, wy * r, wz * r, fx * r, fy * r, fz * r
        out[e, 0], out[e, 1], out[e, 2] = w0x + wx, w0y + wy, w0z + wz
        out[e, 3], out[e, 4], out[e, 5] = f0x + fx, f0y + fy, f0z + fz
        bad = np.inf if lost & LOST else 0.0
        out[e, 6] = max(ww * r - (wx * wx + wy * wy + wz * wz), 0.0) + bad
        out[e, 7] = max(ff * r - (fx * fx + fy * fy + fz * fz), 0.0) + bad


@compiled
def find_rest(time_s, stops, m, scatter, rate_limit, accel_limit, mean_rate_limit, rest_s, is_acausal, kind):  # type: ignore[no-untyped-def]
    """Set REST in `kind` where rate and specific force have stayed near their mean of the stretch for `rest_s`; from the stretch's
    start on if `is_acausal`. `mean_rate_limit` keeps a slow steady turn from passing for a bias.
    """
    mean = np.zeros(6)
    start = 0
    n = 0
    for e in range(m):
        still = scatter[e, 6] < rate_limit**2 and scatter[e, 7] < accel_limit**2
        if still:
            moved_rate = moved_accel = turn = 0.0
            for j in range(3):
                turn += scatter[e, j] ** 2
                if n > 0:
                    moved_rate += (scatter[e, j] - mean[j]) ** 2
                    moved_accel += (scatter[e, 3 + j] - mean[3 + j]) ** 2
            still = moved_rate < (MEAN_SHARE * rate_limit) ** 2 and moved_accel < (MEAN_SHARE * accel_limit) ** 2
            still = still and turn < mean_rate_limit**2
        if not still:
            n = 0
            start = e + 1
            continue
        n += 1
        for j in range(6):
            mean[j] += (scatter[e, j] - mean[j]) / n
        if time_s[stops[e + 1]] - time_s[stops[start]] >= rest_s:
            first = start if is_acausal and not (e > start and kind[e - 1] & REST) else e
            for k in range(first, e + 1):
                kind[k] |= REST


@compiled
def mark_gaps(time_s, flags, stops, m, bridge_s, is_levelled, kind):  # type: ignore[no-untyped-def]
    """Set GAP, and LEVEL on the epoch to be levelled afresh: the first if `is_levelled`, and after a gap longer than `bridge_s`."""
    is_due = is_levelled
    for e in range(m):
        if flags[stops[e + 1]] & GAP_BEFORE:
            kind[e] |= GAP
            is_due |= time_s[stops[e + 1]] - time_s[stops[e]] > bridge_s
        elif is_due:
            kind[e] |= LEVEL
            is_due = False


@compiled
def lasting_motion(time_s, sigmas, span_s, out):  # type: ignore[no-untyped-def]
    """How many times noisier each epoch counts for the innovations after it that keep to one side, `out` (m,), 1 at least.

    `time_s` (m + 1,) of the epochs' ends, `sigmas` (m, 2) the position innovations in standard deviations, NaN where there is none.
    Returns the largest. What the filter itself does with those before, see `_kernels_kalman.measure`.
    """
    x = y = 0.0
    largest = 1.0
    for e in range(len(out) - 1, -1, -1):
        share = 1.0 - math.exp(-(time_s[e + 1] - time_s[e]) / span_s)
        if np.isnan(sigmas[e, 0]):
            x = y = 0.0
        else:
            x += share * (sigmas[e, 0] - x)
            y += share * (sigmas[e, 1] - y)
        out[e] = max(1.0, 0.5 * (x * x + y * y) * (2.0 - share) / share)
        largest = max(largest, out[e])
    return largest
