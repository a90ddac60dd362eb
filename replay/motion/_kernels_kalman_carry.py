"""Compiled loops of the general-motion attitude filter: one epoch gathered and carried on. Slow twins: `_reference_kalman.py`."""

from __future__ import annotations

import math

from replay._quaternion import from_rotvec, multiply
from replay.jit import compiled
from replay.motion._kernels_kalman_epochs import ACCEL_LOST, GAP_BEFORE, LOST, RATE_CLIPPED, RATE_MISSING, REST
from replay.motion._kernels_kalman_layout import (
    ACCEL_BIAS,
    ACCEL_LOST_SD,
    ACCEL_ND,
    ACCEL_REST_ND,
    ACCEL_WALK,
    BIAS,
    CLIPPED,
    CONSTANTS,
    GAP_RATE_SD,
    GROUP_S,
    GYRO_ND,
    GYRO_RATE_NOISE,
    GYRO_WALK,
    LAG,
    LAG_S,
    LAGGED,
    LEVEL_POSITION_SD,
    LEVEL_SPEED_SD,
    LEVEL_TILT_SD,
    N_TURN,
    NO_ACCEL,
    NO_RATE,
    POS,
    RATE_CLIPPED_SD,
    ROUGH,
    SCALE,
    SCALE_WALK,
    TIME,
    TURNED,
    VEL,
    WANDER,
    N,
)  # fmt: skip


@compiled
def _dcm(w, x, y, z):  # type: ignore[no-untyped-def]
    xx, yy, zz, xy, xz, yz, wx, wy, wz = x * x, y * y, z * z, x * y, x * z, y * z, w * x, w * y, w * z
    return (
        1.0 - 2.0 * (yy + zz), 2.0 * (xy - wz), 2.0 * (xz + wy),
        2.0 * (xy + wz), 1.0 - 2.0 * (xx + zz), 2.0 * (yz - wx),
        2.0 * (xz - wy), 2.0 * (yz + wx), 1.0 - 2.0 * (xx + yy),
    )  # fmt: skip


@compiled
def _true_rate(rate, i, x):  # type: ignore[no-untyped-def]
    """Rate of sample i with bias and scale taken off."""
    a, b, c = rate[i, 0], rate[i, 1], rate[i, 2]
    return (
        a - x[8] - x[11] * a - x[12] * b - x[13] * c,
        b - x[9] - x[14] * a - x[15] * b - x[16] * c,
        c - x[10] - x[17] * a - x[18] * b - x[19] * c,
    )


@compiled
def _step(dt, ax, ay, az, bx, by, bz):  # type: ignore[no-untyped-def]
    """Rotation vector of a step from the rates at its ends: trapezoid and the coning term of a rate that is a straight line."""
    h, c = 0.5 * dt, dt * dt / 12.0
    return (
        h * (ax + bx) + c * (ay * bz - az * by),
        h * (ay + by) + c * (az * bx - ax * bz),
        h * (az + bz) + c * (ax * by - ay * bx),
    )


@compiled
def _add_turn(turn, k, a, b, c, since, gx, gy, gz):  # type: ignore[no-untyped-def]
    """Add a group's share to row k: a, b, c is twice its row of the direction cosines, g the raw turn."""
    a, b, c = -0.5 * a, -0.5 * b, -0.5 * c
    turn[k, 0] += a * since
    turn[k, 1] += b * since
    turn[k, 2] += c * since
    turn[k, 3] += a * gx
    turn[k, 4] += a * gy
    turn[k, 5] += a * gz
    turn[k, 6] += b * gx
    turn[k, 7] += b * gy
    turn[k, 8] += b * gz
    turn[k, 9] += c * gx
    turn[k, 10] += c * gy
    turn[k, 11] += c * gz


@compiled
def preintegrate(time_s, rate, accel, flags, first, last, x, noise, turn, sums, q_out):  # type: ignore[no-untyped-def]
    """Carry the attitude in `x` from sample `first` to `last` and sum what the epoch's transition needs.

    `turn` (3, 12) becomes −∫R [1, ω columns] dt. With room in `q_out`, the attitude of each sample is written, carried forward by the
    lags.
    """
    turn[:] = 0.0
    sums[:] = 0.0
    w, qx, qy, qz = x[0], x[1], x[2], x[3]
    lag, lead = x[20], x[20] + noise[LAG_S]
    bax, bay, baz = x[21], x[22], x[23]
    wx, wy, wz = _true_rate(rate, first, x)
    has_force = not flags[first] & ACCEL_LOST
    r00, r01, r02, r10, r11, r12, r20, r21, r22 = _dcm(w, qx, qy, qz)
    cx = cy = cz = 0.0
    px = py = pz = 0.0
    if has_force:
        fx, fy, fz = accel[first, 0] - bax, accel[first, 1] - bay, accel[first, 2] - baz
        cx, cy, cz = wy * fz - wz * fy, wz * fx - wx * fz, wx * fy - wy * fx
        fx, fy, fz = fx + lag * cx, fy + lag * cy, fz + lag * cz
        px, py, pz = r00 * fx + r01 * fy + r02 * fz, r10 * fx + r11 * fy + r12 * fz, r20 * fx + r21 * fy + r22 * fz
    vx = vy = vz = sx = sy = hx = hy = turned = elapsed = no_rate = clipped = no_accel = rough = 0.0
    o00, o01, o02, o10, o11, o12, o20, o21, o22 = r00, r01, r02, r10, r11, r12, r20, r21, r22
    mx = my = mz = gx = gy = gz = since = 0.0
    is_written = len(q_out) > 0
    before = flags[first] & LOST
    for i in range(first + 1, last + 1):
        dt = time_s[i] - time_s[i - 1]
        ux, uy, uz = wx, wy, wz
        wx, wy, wz = _true_rate(rate, i, x)
        dx, dy, dz = _step(dt, ux, uy, uz, wx, wy, wz)
        aw, ax, ay, az = from_rotvec(dx, dy, dz)
        w, qx, qy, qz = multiply(w, qx, qy, qz, aw, ax, ay, az)
        s = 1.5 - 0.5 * (w * w + qx * qx + qy * qy + qz * qz)
        w, qx, qy, qz = w * s, qx * s, qy * s, qz * s
        r00, r01, r02, r10, r11, r12, r20, r21, r22 = _dcm(w, qx, qy, qz)
        had_force, has_force = has_force, not flags[i] & ACCEL_LOST
        if has_force:
            fx, fy, fz = accel[i, 0] - bax, accel[i, 1] - bay, accel[i, 2] - baz
            cx, cy, cz = wy * fz - wz * fy, wz * fx - wx * fz, wx * fy - wy * fx
            fx, fy, fz = fx + lag * cx, fy + lag * cy, fz + lag * cz
            ex, ey, ez = px, py, pz
            px, py, pz = r00 * fx + r01 * fy + r02 * fz, r10 * fx + r11 * fy + r12 * fz, r20 * fx + r21 * fy + r22 * fz
            if had_force and not flags[i] & GAP_BEFORE:
                ax, ay, az = 0.5 * (ex + px), 0.5 * (ey + py), 0.5 * (ez + pz)
                sx += dt * (vx + 0.5 * dt * ax)
                sy += dt * (vy + 0.5 * dt * ay)
                rough += 0.25 * dt * dt * ((px - ex) * (px - ex) + (py - ey) * (py - ey))
                vx += dt * ax
                vy += dt * ay
                vz += dt * az
                hx += dt * (r00 * cx + r01 * cy + r02 * cz)
                hy += dt * (r10 * cx + r11 * cy + r12 * cz)
        here = flags[i]
        if here | before:
            if (here | before) & RATE_CLIPPED:
                clipped += dt
            elif (here | before) & RATE_MISSING or here & GAP_BEFORE:
                no_rate += dt
            if (here | before) & ACCEL_LOST or here & GAP_BEFORE:
                no_accel += dt
                sx += dt * vx
                sy += dt * vy
        before = here & LOST
        since += dt
        gx += dt * rate[i, 0]
        gy += dt * rate[i, 1]
        gz += dt * rate[i, 2]
        if since >= GROUP_S or i == last:
            # the matrix is the mean of those at the group's ends
            _add_turn(turn, 0, o00 + r00, o01 + r01, o02 + r02, since, gx, gy, gz)
            _add_turn(turn, 1, o10 + r10, o11 + r11, o12 + r12, since, gx, gy, gz)
            _add_turn(turn, 2, o20 + r20, o21 + r21, o22 + r22, since, gx, gy, gz)
            o00, o01, o02, o10, o11, o12, o20, o21, o22 = r00, r01, r02, r10, r11, r12, r20, r21, r22
            mx, my, mz = mx + gx, my + gy, mz + gz
            since = gx = gy = gz = 0.0
        turned += dt * (wx * wx + wy * wy + wz * wz)
        elapsed += dt
        if is_written:
            aw, ax, ay, az = from_rotvec(lead * wx, lead * wy, lead * wz)
            q_out[i, 0], q_out[i, 1], q_out[i, 2], q_out[i, 3] = multiply(w, qx, qy, qz, aw, ax, ay, az)
    x[0], x[1], x[2], x[3] = w, qx, qy, qz
    sums[0], sums[1], sums[2], sums[3], sums[4], sums[5], sums[6] = vx, vy, vz, sx, sy, hx, hy
    sums[7], sums[8], sums[9], sums[10], sums[11] = turned, elapsed, no_rate, clipped, no_accel
    sums[12], sums[13], sums[14] = mx / elapsed, my / elapsed, mz / elapsed
    sums[15] = rough


@compiled
def _turn_left(x, dx, dy, dz):  # type: ignore[no-untyped-def]
    """q ← exp(δθ) q in place, normalised."""
    dw, dx, dy, dz = from_rotvec(dx, dy, dz)
    w, a, b, c = multiply(dw, dx, dy, dz, x[0], x[1], x[2], x[3])
    s = 1.0 / math.sqrt(w * w + a * a + b * b + c * c)
    x[0], x[1], x[2], x[3] = w * s, a * s, b * s, c * s


@compiled
def relevel(x, p, noise, sums):  # type: ignore[no-untyped-def]
    """Turn the attitude so that an epoch's mean specific force, in `sums`, points up; forget tilt, velocity and position.

    Returns False, and does nothing, where the epoch holds no specific force.
    """
    fx, fy, fz = sums[0], sums[1], sums[2]
    if sums[NO_ACCEL] > 0.5 * sums[TIME] or fx * fx + fy * fy + fz * fz == 0.0:
        return False
    level = math.hypot(fx, fy)
    angle = math.atan2(level, fz)
    ax, ay = (fy / level, -fx / level) if level > 0.0 else (1.0, 0.0)
    _turn_left(x, angle * ax, angle * ay, 0.0)
    for k in range(7):
        if k == 2:
            continue
        p[k, :] = 0.0
        p[:, k] = 0.0
    x[VEL + 1] = x[VEL + 2] = x[POS + 1] = x[POS + 2] = 0.0
    p[0, 0] = p[1, 1] = noise[LEVEL_TILT_SD] ** 2
    p[VEL, VEL] = p[VEL + 1, VEL + 1] = noise[LEVEL_SPEED_SD] ** 2
    p[POS, POS] = p[POS + 1, POS + 1] = noise[LEVEL_POSITION_SD] ** 2
    return True


@compiled
def propagate(p, turn, sums, work):  # type: ignore[no-untyped-def]
    """P ← F P Fᵀ. F takes attitude, velocity and position over an epoch and leaves the constants alone."""
    t, fz, width = sums[TIME], sums[2], p.shape[1]
    # work = F P: the seven rows of the dynamic states
    for k in range(3):
        for c in range(width):
            work[k, c] = p[k, c]
        for j in range(0, N_TURN, 4):  # four rows at a time: the sum is read and written once for all of them
            a0, a1, a2, a3 = turn[k, j], turn[k, j + 1], turn[k, j + 2], turn[k, j + 3]
            r = BIAS + j
            for c in range(width):
                work[k, c] += (a0 * p[r, c] + a1 * p[r + 1, c]) + (a2 * p[r + 2, c] + a3 * p[r + 3, c])
    for k in range(2):
        # a tilt about y pushes along x, a tilt about x along −y; half way through the epoch
        half = 0.5 * fz if k == 0 else -0.5 * fz
        b0, b1, b2, lag = turn[k, 0], turn[k, 1], turn[k, 2], sums[LAGGED + k]
        for c in range(width):
            work[VEL + k, c] = (
                p[VEL + k, c] + half * (p[1 - k, c] + work[1 - k, c]) + lag * p[LAG, c]
                + b0 * p[ACCEL_BIAS, c] + b1 * p[ACCEL_BIAS + 1, c] + b2 * p[ACCEL_BIAS + 2, c]
            )  # fmt: skip
        for c in range(width):
            work[POS + k, c] = p[POS + k, c] + 0.5 * t * (p[VEL + k, c] + work[VEL + k, c])
    # (F P) Fᵀ: the constants' columns stay, the dynamic columns of the dynamic rows change
    for r in range(CONSTANTS):
        o0, o1 = work[r, 0], work[r, 1]
        for k in range(3):
            # three sums side by side, for an addition waits for the one before it
            s0 = s1 = s2 = 0.0
            for j in range(0, N_TURN, 3):
                s0 += turn[k, j] * work[r, BIAS + j]
                s1 += turn[k, j + 1] * work[r, BIAS + j + 1]
                s2 += turn[k, j + 2] * work[r, BIAS + j + 2]
            p[r, k] = work[r, k] + (s0 + s1 + s2)
        for k in range(2):
            half = 0.5 * fz if k == 0 else -0.5 * fz
            tilted = (o1 + p[r, 1]) if k == 0 else (o0 + p[r, 0])
            s = work[r, VEL + k] + half * tilted + sums[LAGGED + k] * work[r, LAG]
            for j in range(3):
                s += turn[k, j] * work[r, ACCEL_BIAS + j]
            p[r, VEL + k] = s
            p[r, POS + k] = work[r, POS + k] + 0.5 * t * (work[r, VEL + k] + s)
        for c in range(CONSTANTS, width):
            p[r, c] = work[r, c]
    for r in range(CONSTANTS):
        for c in range(r):
            p[r, c] = p[c, r]
        for c in range(CONSTANTS, N):
            p[c, r] = p[r, c]


@compiled
def add_noise(p, sums, noise, kind):  # type: ignore[no-untyped-def]
    """Process noise of an epoch."""
    t = sums[TIME]
    turn = noise[GYRO_ND] ** 2 * t + noise[GYRO_RATE_NOISE] ** 2 * sums[TURNED]
    turn += (noise[GAP_RATE_SD] * sums[NO_RATE]) ** 2 + (noise[RATE_CLIPPED_SD] * sums[CLIPPED]) ** 2
    p[0, 0] += turn
    p[1, 1] += turn
    p[2, 2] += turn
    nd = noise[ACCEL_REST_ND] if kind & REST else noise[ACCEL_ND]
    speed = nd * nd * t + sums[ROUGH] + (noise[ACCEL_LOST_SD] * sums[NO_ACCEL]) ** 2
    place = noise[WANDER] ** 2 * t + (0.5 * noise[ACCEL_LOST_SD] * sums[NO_ACCEL] * t) ** 2
    for k in range(2):
        p[VEL + k, VEL + k] += speed
        p[POS + k, POS + k] += place
    bias, scale, accel = noise[GYRO_WALK] ** 2 * t, noise[SCALE_WALK] ** 2 * t, noise[ACCEL_WALK] ** 2 * t
    for j in range(3):
        p[BIAS + j, BIAS + j] += bias
        p[ACCEL_BIAS + j, ACCEL_BIAS + j] += accel
    for j in range(9):
        p[SCALE + j, SCALE + j] += scale
