"""Compiled loops of the vertical channel: dead-reckoned height held to the barometer. Slow twins: `_reference.py`."""

from __future__ import annotations

import math

import numpy as np

from replay.jit import compiled


@compiled
def aid_vertical(time_s, difference, sd, weight_sd, accel_nd, walk, start, gate, patience_s, x, cov, is_used, sigmas):  # type: ignore[no-untyped-def]
    """Errors of dead-reckoned height, vertical speed and vertical acceleration from height differences: forward filter, then smoother.

    `difference[k]` = dead-reckoned minus barometric height at `time_s[k]`, standard deviation `sd[k]`; `weight_sd[k]`, not less, is what
    one height counts for where neighbours share their error. `accel_nd`, `walk`: shape (k,),
    white noise density of the vertical acceleration and random walk of its bias over the step that ends at k. `start`: shape (2, 3),
    errors and their standard deviations at the first time.
    Outputs: `x` (k, 3) and `cov` (k, 3, 3) smoothed, `is_used` (k,), `sigmas` (k,) innovations over their standard deviation.
    Beyond `gate` sigmas a height is refused. A barometer may be wrong for seconds (a bay under pressure, an open brake), so only after
    `patience_s` of nothing but refusals does the filter believe that it was wrong itself.
    """
    n = len(time_s)
    gains = np.zeros((n, 3))
    pull = np.zeros((n, 2))  # innovation and its inverse variance
    s0, s1, s2 = start[0, 0], start[0, 1], start[0, 2]
    p00, p11, p22 = start[1, 0] ** 2, start[1, 1] ** 2, start[1, 2] ** 2
    p01, p02, p12 = 0.0, 0.0, 0.0
    refused_since = np.nan
    for k in range(n):
        if k > 0:
            h = time_s[k] - time_s[k - 1]
            g = 0.5 * h * h
            s0, s1 = s0 + h * s1 + g * s2, s1 + h * s2
            # F P F' with F = [[1, h, h²/2], [0, 1, h], [0, 0, 1]], plus white acceleration noise and the walk of its bias
            a01, a02, a12 = p01 + h * p11 + g * p12, p02 + h * p12 + g * p22, p12 + h * p22
            p00 = p00 + h * p01 + g * p02 + h * a01 + g * a02
            p01 = a01 + h * a02
            p02 = a02
            p11 = p11 + h * p12 + h * a12
            p12 = a12
            q = accel_nd[k] * accel_nd[k]
            p00 += q * h * h * h / 3.0
            p01 += q * g
            p11 += q * h
            p22 += walk[k] * walk[k] * h
        innovation = difference[k] - s0
        sigmas[k] = innovation / math.sqrt(p00 + sd[k] * sd[k])
        is_used[k] = True
        if abs(sigmas[k]) > gate:
            if np.isnan(refused_since):
                refused_since = time_s[k]
            is_used[k] = time_s[k] - refused_since >= patience_s
            if is_used[k]:
                p00 += innovation * innovation
        if is_used[k]:
            refused_since = np.nan
            r = 1.0 / (p00 + weight_sd[k] * weight_sd[k])
            k0, k1, k2 = p00 * r, p01 * r, p02 * r
            s0, s1, s2 = s0 + k0 * innovation, s1 + k1 * innovation, s2 + k2 * innovation
            p11, p12, p22 = p11 - k1 * p01, p12 - k1 * p02, p22 - k2 * p02
            p00, p01, p02 = p00 * (1.0 - k0), p01 * (1.0 - k0), p02 * (1.0 - k0)
            gains[k, 0], gains[k, 1], gains[k, 2] = k0, k1, k2
            pull[k, 0], pull[k, 1] = innovation, r
        x[k, 0], x[k, 1], x[k, 2] = s0, s1, s2
        cov[k, 0, 0], cov[k, 0, 1], cov[k, 0, 2], cov[k, 1, 1], cov[k, 1, 2], cov[k, 2, 2] = p00, p01, p02, p11, p12, p22
        cov[k, 1, 0], cov[k, 2, 0], cov[k, 2, 1] = p01, p02, p12
    _smooth_vertical(time_s, gains, pull, x, cov)


@compiled
def _smooth_vertical(time_s, gains, pull, x, cov):  # type: ignore[no-untyped-def]
    """Backward pass in adjoint form (modified Bryson-Frazier): the same as Rauch-Tung-Striebel, with nothing to invert."""
    u = np.zeros(3)  # adjoint state just after the update at k, and its covariance
    w = np.zeros((3, 3))
    m = np.empty((3, 3))
    c = np.empty((3, 3))
    for k in range(len(time_s) - 1, -1, -1):
        for i in range(3):  # what the future says of the estimate after the update at k
            for j in range(3):
                m[i, j] = w[i, 0] * cov[k, 0, j] + w[i, 1] * cov[k, 1, j] + w[i, 2] * cov[k, 2, j]
        for i in range(3):
            x[k, i] -= cov[k, i, 0] * u[0] + cov[k, i, 1] * u[1] + cov[k, i, 2] * u[2]
            for j in range(3):
                c[i, j] = cov[k, i, j] - (cov[k, i, 0] * m[0, j] + cov[k, i, 1] * m[1, j] + cov[k, i, 2] * m[2, j])
        for i in range(3):
            for j in range(3):
                cov[k, i, j] = 0.5 * (c[i, j] + c[j, i])
        # back through the update: C = I − K H, H = [1, 0, 0]; then through the step
        r = pull[k, 1]
        if r > 0.0:
            k0, k1, k2 = gains[k, 0], gains[k, 1], gains[k, 2]
            u[0] = (1.0 - k0) * u[0] - k1 * u[1] - k2 * u[2] - r * pull[k, 0]
            for j in range(3):
                m[0, j] = (1.0 - k0) * w[0, j] - k1 * w[1, j] - k2 * w[2, j]
            corner = (1.0 - k0) * m[0, 0] - k1 * m[0, 1] - k2 * m[0, 2] + r
            w[0, 0], w[0, 1], w[0, 2] = corner, m[0, 1], m[0, 2]
            w[1, 0], w[2, 0] = m[0, 1], m[0, 2]
        if k > 0:
            h = time_s[k] - time_s[k - 1]
            g = 0.5 * h * h
            u[1], u[2] = u[1] + h * u[0], u[2] + h * u[1] + g * u[0]
            for j in range(3):  # F' W
                m[0, j], m[1, j], m[2, j] = w[0, j], w[1, j] + h * w[0, j], w[2, j] + h * w[1, j] + g * w[0, j]
            for i in range(3):  # (F' W) F
                w[i, 0], w[i, 1], w[i, 2] = m[i, 0], m[i, 1] + h * m[i, 0], m[i, 2] + h * m[i, 1] + g * m[i, 0]


@compiled
def take_off_vertical(time_s, i_start, i_rest, knot_s, x, cov, scale_sd, vel, pos, vel_sd, pos_sd):  # type: ignore[no-untyped-def]
    """Take the errors found by `aid_vertical` off height and vertical speed, in place, from `i_start` on; cubic between the knots.

    From `i_rest` on height is held and vertical speed stays zero. `vel_sd`, `pos_sd`: shape (n, 3), the horizontal ones NaN; `scale_sd`
    is a share of the height that smoothing can't take off.
    """
    n, m = len(time_s), len(knot_s)
    for i in range(n):
        pos_sd[i, 0] = pos_sd[i, 1] = vel_sd[i, 0] = vel_sd[i, 1] = np.nan
        pos_sd[i, 2] = vel_sd[i, 2] = 0.0
    k = 0
    for i in range(i_start, n):
        if i >= i_rest and i > i_start:
            pos[i, 2] = pos[i - 1, 2]
            pos_sd[i, 2] = pos_sd[i - 1, 2]
            continue
        t = time_s[i]
        while k < m - 1 and knot_s[k + 1] <= t:
            k += 1
        if t < knot_s[0] or k == m - 1:  # outside the knots: carried on with speed and acceleration
            h = t - knot_s[k]
            dh = x[k, 0] + h * (x[k, 1] + 0.5 * h * x[k, 2])
            dv = x[k, 1] + h * x[k, 2]
            vh = cov[k, 0, 0] + h * (2.0 * cov[k, 0, 1] + h * (cov[k, 1, 1] + cov[k, 0, 2] + h * (cov[k, 1, 2] + 0.25 * h * cov[k, 2, 2])))
            vv = cov[k, 1, 1] + h * (2.0 * cov[k, 1, 2] + h * cov[k, 2, 2])
        else:
            h = knot_s[k + 1] - knot_s[k]
            s = (t - knot_s[k]) / h
            r = 1.0 - s
            dh = r * r * (1.0 + 2.0 * s) * x[k, 0] + s * s * (3.0 - 2.0 * s) * x[k + 1, 0] + s * r * h * (r * x[k, 1] - s * x[k + 1, 1])
            dv = r * x[k, 1] + s * x[k + 1, 1]
            vh = r * cov[k, 0, 0] + s * cov[k + 1, 0, 0]
            vv = r * cov[k, 1, 1] + s * cov[k + 1, 1, 1]
        pos[i, 2] -= dh
        vel[i, 2] -= dv
        shared = scale_sd * pos[i, 2]
        pos_sd[i, 2] = math.sqrt(max(vh, 0.0) + shared * shared)
        vel_sd[i, 2] = math.sqrt(max(vv, 0.0))
