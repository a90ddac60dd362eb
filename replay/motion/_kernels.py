"""Compiled loops of the attitude methods and the trajectory. Slow twins in plain NumPy: `_reference.py`.

Arrays are float64 and C-contiguous; `is_gap_before[i]` says that a gap lies between samples i - 1 and i. Rates are point samples.
"""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled

# Off-diagonal weight of the curvature equations where neighbouring steps are equal. 1/6 is the cubic spline, whose integral over a
# step is out by h⁵/720 of the fourth derivative; 11/60 cancels that term and leaves one of order h⁷ (see `_reference.curvature`).
EVEN_WEIGHT = 11.0 / 60.0
SPLINE_WEIGHT = 1.0 / 6.0
EVEN_TOLERANCE = 0.02


@compiled
def fill_rows(time_s, values):  # type: ignore[no-untyped-def]
    """Replace rows that are not finite, in place: a straight line in time between good rows, held at the ends. Returns their number."""
    n, width = values.shape
    last = -1
    n_filled = 0
    for i in range(n):
        total = 0.0
        for j in range(width):
            total += values[i, j]
        if not np.isfinite(total):
            n_filled += 1
            continue
        if last < i - 1:
            for k in range(last + 1, i):
                w = 0.0 if last < 0 else (time_s[k] - time_s[last]) / (time_s[i] - time_s[last])
                for j in range(width):
                    values[k, j] = values[i, j] if last < 0 else (1.0 - w) * values[last, j] + w * values[i, j]
        last = i
    for k in range(last + 1, n):
        for j in range(width):
            values[k, j] = values[last, j] if last >= 0 else 0.0
    return n_filled


@compiled
def mark_finite(a, b, out):  # type: ignore[no-untyped-def]
    """out[i] stays what it is where rows i of `a` and `b` are finite, else turns False. Returns how many rows are not."""
    n_bad = 0
    for i in range(len(a)):
        if not np.isfinite(a[i, 0] + a[i, 1] + a[i, 2] + b[i, 0] + b[i, 1] + b[i, 2]):
            out[i] = False
            n_bad += 1
    return n_bad


@compiled
def curvature(time_s, rate, is_gap_before, out, work):  # type: ignore[no-untyped-def]
    """Second time derivative of the rate at each sample, by a tridiagonal solve per stretch between gaps. `work`: shape (n,)."""
    n = len(time_s)
    start = 0
    while start < n:
        stop = start + 1
        while stop < n and not is_gap_before[stop]:
            stop += 1
        _curvature_of_stretch(time_s, rate, start, stop, out, work)
        start = stop


@compiled
def _curvature_of_stretch(time_s, rate, start, stop, out, work):  # type: ignore[no-untyped-def]
    if stop - start < 3:
        for i in range(start, stop):
            out[i, 0] = out[i, 1] = out[i, 2] = 0.0
        return
    # forward sweep; the ends bend like their neighbours (parabolic run-out)
    h0 = time_s[start + 1] - time_s[start]
    s0x = (rate[start + 1, 0] - rate[start, 0]) / h0
    s0y = (rate[start + 1, 1] - rate[start, 1]) / h0
    s0z = (rate[start + 1, 2] - rate[start, 2]) / h0
    upper, px, py, pz = 0.0, 0.0, 0.0, 0.0
    for i in range(start + 1, stop - 1):
        h1 = time_s[i + 1] - time_s[i]
        r = 1.0 / h1
        s1x = (rate[i + 1, 0] - rate[i, 0]) * r
        s1y = (rate[i + 1, 1] - rate[i, 1]) * r
        s1z = (rate[i + 1, 2] - rate[i, 2]) * r
        a = EVEN_WEIGHT if abs(h1 - h0) <= EVEN_TOLERANCE * (h1 + h0) else SPLINE_WEIGHT
        lower = a * h0
        diagonal = (0.5 - a) * (h0 + h1)
        if i == start + 1:
            diagonal += lower
            lower = 0.0
        if i == stop - 2:
            diagonal += a * h1
        inverse = 1.0 / (diagonal - lower * upper)
        px = (s1x - s0x - lower * px) * inverse
        py = (s1y - s0y - lower * py) * inverse
        pz = (s1z - s0z - lower * pz) * inverse
        upper = a * h1 * inverse
        out[i, 0], out[i, 1], out[i, 2] = px, py, pz
        work[i] = upper
        h0, s0x, s0y, s0z = h1, s1x, s1y, s1z
    for i in range(stop - 3, start, -1):
        upper = work[i]
        px = out[i, 0] - upper * px
        py = out[i, 1] - upper * py
        pz = out[i, 2] - upper * pz
        out[i, 0], out[i, 1], out[i, 2] = px, py, pz
    for j in range(3):
        out[start, j] = out[start + 1, j]
        out[stop - 1, j] = out[stop - 2, j]


@compiled
def step_rotvec(h, ax, ay, az, bx, by, bz, kax, kay, kaz, kbx, kby, kbz):  # type: ignore[no-untyped-def]
    """Rotation vector of one step h from rates a, b at its ends and their curvatures ka, kb: sixth-order Magnus expansion."""
    c3 = h * h * h
    half, quarter = 0.5 * h, 0.25 * c3
    # h, h², h³ times the middle value, slope and half curvature of the cubic over the step
    p3x, p3y, p3z = quarter * (kax + kbx), quarter * (kay + kby), quarter * (kaz + kbz)
    thx, thy, thz = half * (ax + bx) - p3x * (1 / 6), half * (ay + by) - p3y * (1 / 6), half * (az + bz) - p3z * (1 / 6)
    p1x, p1y, p1z = thx - p3x * (1 / 12), thy - p3y * (1 / 12), thz - p3z * (1 / 12)
    c60 = c3 * (1 / 60)
    p2x, p2y, p2z = h * (bx - ax) - c60 * (kbx - kax), h * (by - ay) - c60 * (kby - kay), h * (bz - az) - c60 * (kbz - kaz)
    # C1 = p2 × p1
    c1x, c1y, c1z = p2y * p1z - p2z * p1y, p2z * p1x - p2x * p1z, p2x * p1y - p2y * p1x
    # C2 = −(2 p3 + C1) × p1 / 60
    dx, dy, dz = 2.0 * p3x + c1x, 2.0 * p3y + c1y, 2.0 * p3z + c1z
    ex = p2x - (dy * p1z - dz * p1y) * (1 / 60)
    ey = p2y - (dz * p1x - dx * p1z) * (1 / 60)
    ez = p2z - (dx * p1y - dy * p1x) * (1 / 60)
    fx, fy, fz = c1x - 20.0 * p1x - p3x, c1y - 20.0 * p1y - p3y, c1z - 20.0 * p1z - p3z
    return (
        thx + (ey * fz - ez * fy) * (1 / 240),
        thy + (ez * fx - ex * fz) * (1 / 240),
        thz + (ex * fy - ey * fx) * (1 / 240),
    )


@compiled
def _turn(time_s, rate, bend, bx, by, bz, is_gap_before, i):  # type: ignore[no-untyped-def]
    """Rotation vector of the step from sample i to i + 1; over a gap the rate is a straight line, no curvature of either side."""
    h = time_s[i + 1] - time_s[i]
    ax, ay, az = rate[i, 0] - bx, rate[i, 1] - by, rate[i, 2] - bz
    cx, cy, cz = rate[i + 1, 0] - bx, rate[i + 1, 1] - by, rate[i + 1, 2] - bz
    curved = 0.0 if is_gap_before[i + 1] else 1.0
    return step_rotvec(
        h, ax, ay, az, cx, cy, cz, curved * bend[i, 0], curved * bend[i, 1], curved * bend[i, 2],
        curved * bend[i + 1, 0], curved * bend[i + 1, 1], curved * bend[i + 1, 2],
    )  # fmt: skip


@compiled
def integrate(time_s, rate, bend, bias, i_start, q_start, is_gap_before, out):  # type: ignore[no-untyped-def]
    """Attitude from rates: forward and backward from sample `i_start`, where it is `q_start`. `bend` is the rate's curvature."""
    bx, by, bz = bias[0], bias[1], bias[2]
    w, x, y, z = q_start[0], q_start[1], q_start[2], q_start[3]
    out[i_start, 0], out[i_start, 1], out[i_start, 2], out[i_start, 3] = w, x, y, z
    for i in range(i_start, len(time_s) - 1):
        rx, ry, rz = _turn(time_s, rate, bend, bx, by, bz, is_gap_before, i)
        dw, dx, dy, dz = from_rotvec(rx, ry, rz)
        w, x, y, z = multiply(w, x, y, z, dw, dx, dy, dz)
        unit = 1.5 - 0.5 * (w * w + x * x + y * y + z * z)
        w, x, y, z = w * unit, x * unit, y * unit, z * unit
        out[i + 1, 0], out[i + 1, 1], out[i + 1, 2], out[i + 1, 3] = w, x, y, z
    w, x, y, z = q_start[0], q_start[1], q_start[2], q_start[3]
    for i in range(i_start - 1, -1, -1):
        rx, ry, rz = _turn(time_s, rate, bend, bx, by, bz, is_gap_before, i)
        dw, dx, dy, dz = from_rotvec(rx, ry, rz)
        w, x, y, z = multiply(w, x, y, z, dw, -dx, -dy, -dz)
        unit = 1.5 - 0.5 * (w * w + x * x + y * y + z * z)
        w, x, y, z = w * unit, x * unit, y * unit, z * unit
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = w, x, y, z


@compiled
def complementary(time_s, rate, accel, is_used, gain, bias_gain, bias, i_start, q_start, out):  # type: ignore[no-untyped-def]
    """Proportional-integral complementary filter on the rotation group, forward from `i_start`; `bias` (3,) is carried on in place.

    As flight computers run it: the newest rate over the whole step, one correction a sample.
    """
    w, x, y, z = q_start[0], q_start[1], q_start[2], q_start[3]
    bx, by, bz = bias[0], bias[1], bias[2]
    out[i_start, 0], out[i_start, 1], out[i_start, 2], out[i_start, 3] = w, x, y, z
    for i in range(i_start + 1, len(time_s)):
        h = time_s[i] - time_s[i - 1]
        cx, cy, cz = 0.0, 0.0, 0.0
        if is_used[i]:
            fx, fy, fz = accel[i, 0], accel[i, 1], accel[i, 2]
            length = math.sqrt(fx * fx + fy * fy + fz * fz)
            if length > 0.0:
                inverse = 1.0 / length
                fx, fy, fz = fx * inverse, fy * inverse, fz * inverse
                # up as the attitude has it, in body axes: third row of the direction cosine matrix
                ux, uy, uz = 2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)
                cx, cy, cz = fy * uz - fz * uy, fz * ux - fx * uz, fx * uy - fy * ux
                step = bias_gain * h
                bx, by, bz = bx - step * cx, by - step * cy, bz - step * cz
        dw, dx, dy, dz = from_rotvec(
            (rate[i, 0] - bx + gain * cx) * h, (rate[i, 1] - by + gain * cy) * h, (rate[i, 2] - bz + gain * cz) * h
        )
        w, x, y, z = multiply(w, x, y, z, dw, dx, dy, dz)
        unit = 1.5 - 0.5 * (w * w + x * x + y * y + z * z)
        w, x, y, z = w * unit, x * unit, y * unit, z * unit
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = w, x, y, z
    bias[0], bias[1], bias[2] = bx, by, bz


@compiled
def gradient(time_s, rate, accel, is_used, gain, bias, i_start, q_start, out):  # type: ignore[no-untyped-def]
    """Gradient-descent filter, forward from `i_start`: quaternion rate minus `gain` times the unit gradient of the gravity error.

    As flight computers run it: one first-order step a sample, then made a unit quaternion again.
    """
    w, x, y, z = q_start[0], q_start[1], q_start[2], q_start[3]
    bx, by, bz = bias[0], bias[1], bias[2]
    out[i_start, 0], out[i_start, 1], out[i_start, 2], out[i_start, 3] = w, x, y, z
    for i in range(i_start + 1, len(time_s)):
        h = time_s[i] - time_s[i - 1]
        gx, gy, gz = rate[i, 0] - bx, rate[i, 1] - by, rate[i, 2] - bz
        dw = 0.5 * (-x * gx - y * gy - z * gz)
        dx = 0.5 * (w * gx + y * gz - z * gy)
        dy = 0.5 * (w * gy - x * gz + z * gx)
        dz = 0.5 * (w * gz + x * gy - y * gx)
        if is_used[i]:
            fx, fy, fz = accel[i, 0], accel[i, 1], accel[i, 2]
            length = math.sqrt(fx * fx + fy * fy + fz * fz)
            if length > 0.0:
                inverse = 1.0 / length
                # error between up as the attitude has it and as measured, and its gradient (Jacobian transposed times error)
                e1 = 2.0 * (x * z - w * y) - fx * inverse
                e2 = 2.0 * (w * x + y * z) - fy * inverse
                e3 = 1.0 - 2.0 * (x * x + y * y) - fz * inverse
                sw = -2.0 * y * e1 + 2.0 * x * e2
                sx = 2.0 * z * e1 + 2.0 * w * e2 - 4.0 * x * e3
                sy = -2.0 * w * e1 + 2.0 * z * e2 - 4.0 * y * e3
                sz = 2.0 * x * e1 + 2.0 * y * e2
                slope = math.sqrt(sw * sw + sx * sx + sy * sy + sz * sz)
                if slope > 0.0:
                    scale = gain / slope
                    dw, dx, dy, dz = dw - scale * sw, dx - scale * sx, dy - scale * sy, dz - scale * sz
        w, x, y, z = w + h * dw, x + h * dx, y + h * dy, z + h * dz
        inverse = 1.0 / math.sqrt(w * w + x * x + y * y + z * z)
        w, x, y, z = w * inverse, x * inverse, y * inverse, z * inverse
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = w, x, y, z


@compiled
def dead_reckon(time_s, q, accel, gravity, ground_height_m, i_start, i_rest, vel, pos):  # type: ignore[no-untyped-def]
    """Velocity and position in enu from attitude and specific force; zero up to `i_start`, held from `i_rest` on.

    The specific force is turned into enu at every sample and integrated there, linear over each step. For point samples that leaves
    nothing to correct for sculling: the turned samples are points of the true inertial acceleration. `gravity` is (g0, c1, c2).
    """
    n = len(time_s)
    g0, c1, c2 = gravity[0], gravity[1], gravity[2]
    for i in range(min(i_start + 1, n)):
        for j in range(3):
            vel[i, j] = 0.0
            pos[i, j] = 0.0
    vx, vy, vz, px, py, pz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if i_start < n:
        ax, ay, az = rotate(
            q[i_start, 0], q[i_start, 1], q[i_start, 2], q[i_start, 3], accel[i_start, 0], accel[i_start, 1], accel[i_start, 2]
        )
        az -= g0 * (1.0 - c1 * ground_height_m + c2 * ground_height_m * ground_height_m)
    for i in range(i_start + 1, n):
        if i >= i_rest:
            vx, vy, vz = 0.0, 0.0, 0.0
        else:
            h = time_s[i] - time_s[i - 1]
            bx, by, bz = rotate(q[i, 0], q[i, 1], q[i, 2], q[i, 3], accel[i, 0], accel[i, 1], accel[i, 2])
            height = ground_height_m + pz
            bz -= g0 * (1.0 - c1 * height + c2 * height * height)
            s = h * h / 6.0
            px += vx * h + (2.0 * ax + bx) * s
            py += vy * h + (2.0 * ay + by) * s
            pz += vz * h + (2.0 * az + bz) * s
            vx += 0.5 * h * (ax + bx)
            vy += 0.5 * h * (ay + by)
            vz += 0.5 * h * (az + bz)
            ax, ay, az = bx, by, bz
        vel[i, 0], vel[i, 1], vel[i, 2] = vx, vy, vz
        pos[i, 0], pos[i, 1], pos[i, 2] = px, py, pz


@compiled
def block_statistics(time_s, accel, rate, block_s, is_gap_before, out):  # type: ignore[no-untyped-def]
    """Means and variances over blocks of `block_s`, NaN rows left out; returns the number of blocks.

    Columns of `out`: first time, last time, number, mean accel x y z, mean |accel|, variance of accel (sum of axes), mean rate x y z,
    variance of rate (sum of axes). A gap ends a block.
    """
    n = len(time_s)
    k = 0
    i = 0
    while i < n:
        start = time_s[i]
        m = 0
        fx, fy, fz, norm, ff, gx, gy, gz, gg = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        ox, oy, oz, rx, ry, rz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        first = i
        while i < n and time_s[i] < start + block_s and (i == first or not is_gap_before[i]):
            a, b, c = accel[i, 0], accel[i, 1], accel[i, 2]
            u, v, w = rate[i, 0], rate[i, 1], rate[i, 2]
            if np.isfinite(a + b + c + u + v + w):
                if m == 0:  # sums about the first sample keep their digits
                    ox, oy, oz, rx, ry, rz = a, b, c, u, v, w
                norm += math.sqrt(a * a + b * b + c * c)
                a, b, c, u, v, w = a - ox, b - oy, c - oz, u - rx, v - ry, w - rz
                fx, fy, fz, ff = fx + a, fy + b, fz + c, ff + a * a + b * b + c * c
                gx, gy, gz, gg = gx + u, gy + v, gz + w, gg + u * u + v * v + w * w
                m += 1
            i += 1
        if m > 0:
            r = 1.0 / m
            fx, fy, fz, gx, gy, gz = fx * r, fy * r, fz * r, gx * r, gy * r, gz * r
            out[k, 0], out[k, 1], out[k, 2] = start, time_s[i - 1], m
            out[k, 3], out[k, 4], out[k, 5], out[k, 6] = fx + ox, fy + oy, fz + oz, norm * r
            out[k, 7] = max(0.0, ff * r - fx * fx - fy * fy - fz * fz)
            out[k, 8], out[k, 9], out[k, 10] = gx + rx, gy + ry, gz + rz
            out[k, 11] = max(0.0, gg * r - gx * gx - gy * gy - gz * gz)
            k += 1
    return k


@compiled
def carry(time_s, accel, rate, bias, size, out):  # type: ignore[no-untyped-def]
    """Rest in blocks of `size` rows: mean time, mean rate (3), mean specific force (3) carried by the gyro into the axes of the last row.

    `out`: shape (n // size, 7); rows left over at the end are carried too but counted in no block. Rates are small here: a straight
    line over each step will do.
    """
    n, k = len(time_s), len(out)
    r = 1.0 / size
    bx, by, bz = 2.0 * bias[0], 2.0 * bias[1], 2.0 * bias[2]
    w, x, y, z = 1.0, 0.0, 0.0, 0.0
    for j in range(k + 1):
        t, gx, gy, gz, sx, sy, sz = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(j * size, min((j + 1) * size, n)):
            if i > 0:
                h = 0.5 * (time_s[i] - time_s[i - 1])
                dw, dx, dy, dz = from_rotvec(
                    h * (rate[i, 0] + rate[i - 1, 0] - bx), h * (rate[i, 1] + rate[i - 1, 1] - by), h * (rate[i, 2] + rate[i - 1, 2] - bz)
                )
                w, x, y, z = multiply(w, x, y, z, dw, dx, dy, dz)
            fx, fy, fz = rotate(w, x, y, z, accel[i, 0], accel[i, 1], accel[i, 2])
            t, gx, gy, gz = t + time_s[i], gx + rate[i, 0], gy + rate[i, 1], gz + rate[i, 2]
            sx, sy, sz = sx + fx, sy + fy, sz + fz
        if j < k:
            out[j, 0], out[j, 1], out[j, 2], out[j, 3] = r * t, r * gx, r * gy, r * gz
            out[j, 4], out[j, 5], out[j, 6] = r * sx, r * sy, r * sz
    unit = 1.0 / math.sqrt(w * w + x * x + y * y + z * z)
    w, x, y, z = w * unit, x * unit, y * unit, z * unit
    for j in range(k):  # from the axes of the first row into those of the last
        out[j, 4], out[j, 5], out[j, 6] = rotate(w, -x, -y, -z, out[j, 4], out[j, 5], out[j, 6])


@compiled
def _unseen_turn(time_s, rate, is_gap_before, is_clipped, i):  # type: ignore[no-untyped-def]
    """Angle that the step from i to i + 1 may have turned unseen: over a gap (how the rate ran), and while the gyro was clipped."""
    h = time_s[i + 1] - time_s[i]
    change, largest = 0.0, 0.0
    for j in range(3):
        change += (rate[i + 1, j] - rate[i, j]) ** 2
        largest += max(rate[i + 1, j] ** 2, rate[i, j] ** 2)
    largest = math.sqrt(largest)
    gap = h * (0.25 * math.sqrt(change) + 0.1 * largest) if is_gap_before[i + 1] else 0.0
    return gap, 0.2 * h * largest if is_clipped[i] or is_clipped[i + 1] else 0.0


@compiled
def grow_tilt_sd(time_s, q, rate, is_gap_before, is_clipped, i_start, start_sd, bias_sd, nd, walk, scale_sd, out):  # type: ignore[no-untyped-def]
    """Standard deviation of a gyro-only tilt, growing both ways from `i_start`.

    Levelling, bias, white noise, bias walk, scale times the nose's turn, and what may have turned unseen: each gap on its own, clipped
    stretches together.
    """
    w, x, y, z = q[i_start, 0], q[i_start, 1], q[i_start, 2], q[i_start, 3]
    ux, uy, uz = 2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)
    n = len(time_s)
    for direction in range(2):
        gaps, clipped = 0.0, 0.0
        for k in range(n - i_start if direction == 0 else i_start + 1):
            i = i_start + k if direction == 0 else i_start - k
            if k > 0:
                before = i - 1 if direction == 0 else i
                if is_gap_before[before + 1] or is_clipped[before] or is_clipped[before + 1]:
                    gap, clip = _unseen_turn(time_s, rate, is_gap_before, is_clipped, before)
                    gaps += gap * gap
                    clipped += clip
            t = abs(time_s[i] - time_s[i_start])
            w, x, y, z = q[i, 0], q[i, 1], q[i, 2], q[i, 3]
            dx, dy, dz = 2.0 * (x * z + w * y) - ux, 2.0 * (y * z - w * x) - uy, 1.0 - 2.0 * (x * x + y * y) - uz
            drift = bias_sd * t
            variance = start_sd * start_sd + drift * drift + nd * nd * t + walk * walk * t * t * t / 3.0 + gaps + clipped * clipped
            out[i] = math.sqrt(variance + scale_sd * scale_sd * (dx * dx + dy * dy + dz * dz))
