"""Compiled loops of the pre-integration: noise density of the samples, increments between epochs."""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply
from replay.jit import compiled
from replay.motion._kernels import step_rotvec


@compiled
def step_between(time_s, rate, bend, is_gap_before, offset, i):  # type: ignore[no-untyped-def]
    """Rotation vector from sample i to i + 1; a straight line of the rate across a gap."""
    curved = 0.0 if is_gap_before[i + 1] else 1.0
    return step_rotvec(
        time_s[i + 1] - time_s[i],
        rate[i, 0] - offset[0], rate[i, 1] - offset[1], rate[i, 2] - offset[2],
        rate[i + 1, 0] - offset[0], rate[i + 1, 1] - offset[1], rate[i + 1, 2] - offset[2],
        curved * bend[i, 0], curved * bend[i, 1], curved * bend[i, 2],
        curved * bend[i + 1, 0], curved * bend[i + 1, 1], curved * bend[i + 1, 2],
    )  # fmt: skip


@compiled
def noise_density(time_s, x, is_gap_before, edges, out, work):  # type: ignore[no-untyped-def]
    """White noise density squared, per axis, in each span edges[k] .. edges[k + 1] of x (n, 3): into `out` (len(edges) - 1, 3).

    From fourth differences, in which smooth motion leaves almost nothing, of the samples and of what is left of them after halving
    their rate again and again behind a low-pass (1 4 6 4 1)/16. The smallest is kept: a tone, which no integral carries away, shows
    only before the low-pass has taken it out, the vehicle's own motion only at the slowest rates. Zero where the span is too short
    or holds a gap. `work` has the shape of the longest span, (w, 3).
    """
    correlation, halved, size = np.empty(8), np.empty(8), np.empty(len(work))
    for k in range(len(edges) - 1):
        start, stop = edges[k], edges[k + 1]
        n = stop - start
        out[k] = 0.0
        is_whole = n >= 8
        for i in range(start + 1, stop):
            if is_gap_before[i]:
                is_whole = False
        if not is_whole:
            continue
        period = (time_s[stop - 1] - time_s[start]) / (n - 1)
        for i in range(n):
            for c in range(3):
                work[i, c] = x[start + i, c]
        correlation[:] = 0.0  # of white noise after the low-passes so far, by lag
        correlation[0] = 1.0
        out[k] = math.inf
        while n >= 8:
            r = correlation
            gain = 70.0 * r[0] - 112.0 * r[1] + 56.0 * r[2] - 16.0 * r[3] + 2.0 * r[4]
            for c in range(3):
                for i in range(2, n - 2):
                    size[i - 2] = abs(work[i - 2, c] - 4.0 * work[i - 1, c] + 6.0 * work[i, c] - 4.0 * work[i + 1, c] + work[i + 2, c])
                deviation = np.median(size[: n - 4]) / 0.6744897501960817
                out[k, c] = min(out[k, c], period / gain * deviation * deviation)
            n = (n - 3) // 2
            for i in range(n):
                for c in range(3):
                    j = 2 * i
                    work[i, c] = (work[j, c] + 4.0 * work[j + 1, c] + 6.0 * work[j + 2, c] + 4.0 * work[j + 3, c] + work[j + 4, c]) / 16.0
            for m in range(4):
                halved[m] = 0.0
                for lag in range(-4, 5):
                    weight = (70.0, 56.0, 28.0, 8.0, 1.0)[abs(lag)] / 256.0
                    place = abs(2 * m - lag)
                    if place < 8:
                        halved[m] += weight * correlation[place]
            halved[4:] = 0.0
            for m in range(8):
                correlation[m] = halved[m]


@compiled
def price_shocks(time_s, x, is_gap_before, threshold, share, extra):  # type: ignore[no-untyped-def]
    """Add to every column of `extra` (n, w) the variance of what point samples miss of a blow, per step; returns the number of steps.

    A jump or a spike shows as a fourth difference, a blow that many samples follow hardly does; how the signal ran between two samples is
    known to within a `share` of it only, in direction too. Below `threshold` the signal counts as smooth.
    """
    found = 0
    before = 0.0
    for i in range(len(time_s) - 1):
        after = 0.0
        if i >= 1 and i + 3 < len(time_s):
            is_whole = not (is_gap_before[i] or is_gap_before[i + 1] or is_gap_before[i + 2] or is_gap_before[i + 3])
            if is_whole:
                for c in range(3):
                    after += (x[i - 1, c] - 4.0 * x[i, c] + 6.0 * x[i + 1, c] - 4.0 * x[i + 2, c] + x[i + 3, c]) ** 2
        size = max(before, after)
        before = after
        if size > threshold * threshold and not is_gap_before[i + 1]:
            found += 1
            for c in range(extra.shape[1]):
                extra[i, c] += (share * (time_s[i + 1] - time_s[i])) ** 2 * size
    return found


@compiled
def dcm_of(w, x, y, z, out):  # type: ignore[no-untyped-def]
    """Direction cosines of a quaternion."""
    out[0, 0] = 1.0 - 2.0 * (y * y + z * z)
    out[0, 1] = 2.0 * (x * y - w * z)
    out[0, 2] = 2.0 * (x * z + w * y)
    out[1, 0] = 2.0 * (x * y + w * z)
    out[1, 1] = 1.0 - 2.0 * (x * x + z * z)
    out[1, 2] = 2.0 * (y * z - w * x)
    out[2, 0] = 2.0 * (x * z - w * y)
    out[2, 1] = 2.0 * (y * z + w * x)
    out[2, 2] = 1.0 - 2.0 * (x * x + y * y)


@compiled
def _turned_force(rot, f, i, attitude, force, slope):  # type: ignore[no-untyped-def]
    """Specific force of sample i in the axes at the start of the epoch, `force` (3,), and its derivative, `slope` (3, 12)."""
    x, y, z = f[i, 0], f[i, 1], f[i, 2]
    for r in range(3):
        a, b, c = rot[r, 0], rot[r, 1], rot[r, 2]
        force[r] = a * x + b * y + c * z
        # row r of −rot [f]×
        u, v, w = c * y - b * z, a * z - c * x, b * x - a * y
        for k in range(3):
            slope[r, k] = u * attitude[0, k] + v * attitude[1, k] + w * attitude[2, k]
            slope[r, 6 + k] = u * attitude[0, 3 + k] + v * attitude[1, 3 + k] + w * attitude[2, 3 + k]
        slope[r, 3], slope[r, 4], slope[r, 5] = -a, -b, -c
        slope[r, 9], slope[r, 10], slope[r, 11] = -a * x, -b * y, -c * z


@compiled
def _turn_derivative(attitude, ax, ay, az, sw, sx, sy, sz, h, work):  # type: ignore[no-untyped-def]
    """attitude ← exp(φ)ᵀ attitude − Jr(φ) [h I, diag(φ)] over one step φ = (ax, ay, az), whose quaternion is s; (3, 6).

    Jr ≈ I − ½[φ]× + ⅙[φ]×²: out by φ³/24, 0.2 % of the derivative at 1800 deg/s and 90 Hz.
    """
    turn, jr = work[:3, :3], work[3:, :3]
    turned = work[:3, 3:]
    dcm_of(sw, sx, sy, sz, turn)
    third = (ax * ax + ay * ay + az * az) / 6.0
    jr[0, 0], jr[0, 1], jr[0, 2] = 1.0 - third + ax * ax / 6.0, 0.5 * az + ax * ay / 6.0, -0.5 * ay + ax * az / 6.0
    jr[1, 0], jr[1, 1], jr[1, 2] = -0.5 * az + ax * ay / 6.0, 1.0 - third + ay * ay / 6.0, 0.5 * ax + ay * az / 6.0
    jr[2, 0], jr[2, 1], jr[2, 2] = 0.5 * ay + ax * az / 6.0, -0.5 * ax + ay * az / 6.0, 1.0 - third + az * az / 6.0
    for r in range(3):
        for c in range(6):
            turned[r, c] = turn[0, r] * attitude[0, c] + turn[1, r] * attitude[1, c] + turn[2, r] * attitude[2, c]
    for r in range(3):
        attitude[r, 0], attitude[r, 1], attitude[r, 2] = (
            turned[r, 0] - jr[r, 0] * h,
            turned[r, 1] - jr[r, 1] * h,
            turned[r, 2] - jr[r, 2] * h,
        )
        attitude[r, 3], attitude[r, 4], attitude[r, 5] = (
            turned[r, 3] - jr[r, 0] * ax,
            turned[r, 4] - jr[r, 1] * ay,
            turned[r, 5] - jr[r, 2] * az,
        )


@compiled
def preintegrate(  # type: ignore[no-untyped-def]
    time_s, rate, accel, bend, is_gap_before, extra_var, edges, offset, density,
    out_q, out_dv, out_dp, out_jacobian, out_var, out_mean, out_scatter,
):  # fmt: skip
    """Inertial samples between epoch edges, gathered once, whatever the attitude and the errors of the sensors turn out to be.

    Per epoch k: rotation `out_q` (4) from the axes at its end to those at its start, velocity and position increments in the axes at its
    start, their derivative (9, 12) with respect to gyro bias, accelerometer bias, gyro scale, accelerometer scale, variances (angle and
    velocity per axis, then extra velocity along x, y, z at the start), mean rate and specific force (6), and their variance within the
    epoch (2). `bend`: curvature of the rate. `offset` is taken off the rate. `density` (m, 5): noise density squared of gyro and
    accelerometer in each epoch, then what the accelerometer has beyond that along body x, y, z. `extra_var` (n, 4): further variance of
    angle, and of velocity along body x, y, z, in step i → i + 1.
    The specific force is turned and then integrated, linear over each step, which leaves nothing to correct for sculling.
    """
    attitude = np.zeros((3, 6))
    work = np.zeros((6, 9))
    rot = np.zeros((3, 3))
    force, next_force = np.zeros(3), np.zeros(3)
    slope, next_slope = np.zeros((3, 12)), np.zeros((3, 12))
    for k in range(len(edges) - 1):
        qw, qx, qy, qz = 1.0, 0.0, 0.0, 0.0
        dv, dp, jacobian = out_dv[k], out_dp[k], out_jacobian[k]
        dv[:] = 0.0
        dp[:] = 0.0
        jacobian[:] = 0.0
        attitude[:] = 0.0
        out_var[k] = 0.0
        out_mean[k] = 0.0
        square_rate, square_accel = 0.0, 0.0
        dcm_of(qw, qx, qy, qz, rot)
        _turned_force(rot, accel, edges[k], attitude, force, slope)
        for i in range(edges[k], edges[k + 1]):
            h = time_s[i + 1] - time_s[i]
            ax, ay, az = step_between(time_s, rate, bend, is_gap_before, offset, i)
            out_var[k, 0] += density[k, 0] * h + extra_var[i, 0]
            out_var[k, 1] += density[k, 1] * h
            ex, ey, ez = density[k, 2] * h + extra_var[i, 1], density[k, 3] * h + extra_var[i, 2], density[k, 4] * h + extra_var[i, 3]
            if ex + ey + ez > 0.0:
                for r in range(3):
                    out_var[k, 2 + r] += rot[r, 0] ** 2 * ex + rot[r, 1] ** 2 * ey + rot[r, 2] ** 2 * ez
            sw, sx, sy, sz = from_rotvec(ax, ay, az)
            qw, qx, qy, qz = multiply(qw, qx, qy, qz, sw, sx, sy, sz)
            _turn_derivative(attitude, ax, ay, az, sw, sx, sy, sz, h, work)
            dcm_of(qw, qx, qy, qz, rot)
            _turned_force(rot, accel, i + 1, attitude, next_force, next_slope)
            half, sixth = 0.5 * h, h * h / 6.0
            for r in range(3):
                dp[r] += h * dv[r] + sixth * (2.0 * force[r] + next_force[r])
                dv[r] += half * (force[r] + next_force[r])
                for c in range(12):
                    jacobian[6 + r, c] += h * jacobian[3 + r, c] + sixth * (2.0 * slope[r, c] + next_slope[r, c])
                    jacobian[3 + r, c] += half * (slope[r, c] + next_slope[r, c])
            force, next_force = next_force, force
            slope, next_slope = next_slope, slope
            out_mean[k, 0] += ax
            out_mean[k, 1] += ay
            out_mean[k, 2] += az
            for c in range(3):
                w = rate[i, c] - offset[c]
                out_mean[k, 3 + c] += half * (accel[i, c] + accel[i + 1, c])
                square_rate += h * w * w
                square_accel += h * accel[i, c] * accel[i, c]
        inverse = 1.0 / math.sqrt(qw * qw + qx * qx + qy * qy + qz * qz)
        out_q[k, 0], out_q[k, 1], out_q[k, 2], out_q[k, 3] = qw * inverse, qx * inverse, qy * inverse, qz * inverse
        for r in range(3):
            for c in range(3):
                jacobian[r, c] = attitude[r, c]
                jacobian[r, 6 + c] = attitude[r, 3 + c]
        inverse = 1.0 / (time_s[edges[k + 1]] - time_s[edges[k]])
        square_rate *= inverse
        square_accel *= inverse
        for c in range(6):
            out_mean[k, c] *= inverse
        for c in range(3):
            square_rate -= out_mean[k, c] ** 2
            square_accel -= out_mean[k, 3 + c] ** 2
        out_scatter[k, 0] = max(0.0, square_rate)
        out_scatter[k, 1] = max(0.0, square_accel)
