"""Compiled loops of the general-motion attitude filter and its smoother. Slow twins: `_reference_kalman.py`.

State, 23 errors about a nominal trajectory: attitude (enu, R_true = exp(δθ) R), horizontal velocity and position, then the constants:
gyro bias, gyro scale and cross-axis (row by row), lag of the gyro behind the accelerometer, accelerometer bias (body). Rows of a
covariance are padded to 24, so that they fill whole vector registers; loops over them take their length from the array, for a constant
one would be unrolled into scalars instead. The nominal state `x` is the quaternion, then entry j + 1 for error j ≥ 3; entry 24 is the
recent spread of the position, 25 and 26 are its last innovation in standard deviations, 27 and 28 their recent mean.

The vertical channel is left out: to first order it says nothing about tilt, and without it the local gravity is not needed. The
turn about up is carried along but never measured: nothing else depends on it, so its growing variance leaks nowhere.
"""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled
from replay.motion._kernels_kalman_epochs import ACCEL_LOST, GAP, GAP_BEFORE, LEVEL, LOST, MOVED, RATE_CLIPPED, RATE_MISSING, REST

N = 23
WIDTH = 24
VEL, POS, CONSTANTS = 3, 5, 7
BIAS, SCALE, LAG, ACCEL_BIAS = 7, 10, 19, 20
N_TURN = 12  # the constants that turn the attitude: gyro bias, then scale
N_UPDATES = 7
SPREAD, SIGMAS, PERSISTENT, N_STATE = 24, 25, 27, 29
GROUP_S = 0.008  # the transition's integrals take the samples in groups of at least this: a turn of 20 rad/s bends them by 0.2 %

# Motion is not Gaussian: a walk, a car, a slow turn taken for rest must not be read as tilt or bias. An innovation beyond two of its
# standard deviations is met with as much more noise as brings it back to two; and where the position has lately spread wider than its
# noise density says, that spread is used, as of a process of this correlation time.
SURPRISE = 4.0
SPREAD_S, SPREAD_CORRELATION_S = 3.0, 1.0
# Nor is it white: innovations that keep to one side for so long say that motion lasts. Their mean over that time, squared over what it
# would be of white noise, is how many times noisier each of them counts.
PERSISTENCE_S = 5.0
# A thing this many standard deviations (squared) from its place, or at rest this fast, has moved off: place and velocity are taken anew.
PLACE_GATE, REST_GATE = 9.0, 4.0

# entries of the noise vector, see `kalman.py`
(
    GYRO_ND, GYRO_RATE_NOISE, GYRO_WALK, SCALE_WALK, ACCEL_ND, ACCEL_REST_ND, ACCEL_WALK, POSITION_ND, WANDER, REST_SPEED_SD,
    REST_RATE_SD, RATE_CLIPPED_SD, ACCEL_LOST_SD, GAP_RATE_SD, LEVEL_TILT_SD, LEVEL_SPEED_SD, LEVEL_POSITION_SD, LAG_S, LAG_SD,
) = range(19)  # fmt: skip

# entries of an epoch's pre-integration: ∫f (3), ∬f (2), lag column (2), ∫ω², time, time with the rate missing, clipped, without
# specific force, mean raw rate (3), variance of ∫f from how far neighbouring samples differ (vibration)
DOUBLE, LAGGED, TURNED, TIME, NO_RATE, CLIPPED, NO_ACCEL, MEAN_RATE, ROUGH = 3, 5, 7, 8, 9, 10, 11, 12, 15
N_SUMS = 16

# columns of the epoch output
OUT_INNOVATION, OUT_NIS, OUT_X, OUT_SD, OUT_SIGMAS = 0, 2, 3, 19, 35
N_OUT = 37


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


@compiled
def update(p, dx, j, variance, value, gain):  # type: ignore[no-untyped-def]
    """Measure error j as `value` ± √variance. `dx` (24,) is the correction so far. Returns innovation and 1/S; `gain` becomes K."""
    width = p.shape[1]
    inverse = 1.0 / (p[j, j] + variance)
    innovation = value - dx[j]
    for c in range(width):
        gain[c] = p[j, c] * inverse
    for r in range(N):
        a = p[r, j]
        dx[r] += gain[r] * innovation
        for c in range(width):
            p[r, c] -= a * gain[c]
    return innovation, inverse


@compiled
def _correct(x, dx):  # type: ignore[no-untyped-def]
    _turn_left(x, dx[0], dx[1], dx[2])
    for j in range(VEL, N):
        x[j + 1] += dx[j]


@compiled
def tilt_variance(p, q, i, rate, x, noise):  # type: ignore[no-untyped-def]
    """Variance of one horizontal component of the attitude error of sample i, mean of both, with what the lags add while turning."""
    wx, wy, wz = _true_rate(rate, i, x)
    nx, ny, _ = rotate(q[i, 0], q[i, 1], q[i, 2], q[i, 3], wx, wy, wz)
    lag = p[LAG, LAG] + noise[LAG_SD] ** 2
    return 0.5 * (p[0, 0] + p[1, 1] + (nx * nx + ny * ny) * lag) + nx * p[0, LAG] + ny * p[1, LAG]


@compiled
def _measure_one(p, dx, j, variance, value, gain, out):  # type: ignore[no-untyped-def]
    out[0], out[1] = update(p, dx, j, variance, value, gain)


@compiled
def measure(x, p, sums, noise, is_rest, variance, dx, gain, updates, which):  # type: ignore[no-untyped-def]
    """Soft position and, at rest, velocity and rate; sequential scalars. Returns their number; fills rows of gain, updates, which.

    `variance` is of the position. A row of `updates` is innovation and 1/S; `which` is the error's
    index.
    """
    squared = x[POS + 1] ** 2 + x[POS + 2] ** 2
    variance = max(variance, squared / SURPRISE - 0.5 * (p[POS, POS] + p[POS + 1, POS + 1]))
    for k in range(2):
        _measure_one(p, dx, POS + k, variance, -x[POS + k + 1], gain[k], updates[k])
        which[k] = POS + k
    if not is_rest:
        return 2
    for k in range(5):
        if k < 2:
            j, sd, value = VEL + k, noise[REST_SPEED_SD], -x[VEL + k + 1]
        else:
            j, sd = BIAS + k - 2, noise[REST_RATE_SD]
            value = sums[MEAN_RATE + k - 2] - x[j + 1]
        least = (value - dx[j]) ** 2 / SURPRISE - p[j, j]
        _measure_one(p, dx, j, max(sd * sd, least), value, gain[2 + k], updates[2 + k])
        which[2 + k] = j
    return 7


@compiled
def watch_motion(x, p, sums, noise):  # type: ignore[no-untyped-def]
    """Bring spread and persistence of the position in `x` up to date; returns its variance for motion that lasts, and for white."""
    t = sums[TIME]
    x[SPREAD] += (1.0 - math.exp(-t / SPREAD_S)) * (0.5 * (x[POS + 1] ** 2 + x[POS + 2] ** 2) - x[SPREAD])
    variance = max(noise[POSITION_ND] ** 2, SPREAD_CORRELATION_S * x[SPREAD]) / t
    share = 1.0 - math.exp(-t / PERSISTENCE_S)
    persistence, most = 0.0, math.sqrt(PLACE_GATE)
    for k in range(2):
        sigmas = -x[POS + k + 1] / math.sqrt(p[POS + k, POS + k] + variance)
        x[SIGMAS + k] = min(max(sigmas, -most), most)
        x[PERSISTENT + k] += share * (x[SIGMAS + k] - x[PERSISTENT + k])
        persistence += 0.5 * x[PERSISTENT + k] ** 2 * (2.0 - share) / share
    return variance * max(1.0, persistence), variance


@compiled
def has_moved(x, p, sums, noise, is_rest):  # type: ignore[no-untyped-def]
    """Whether the thing is farther from its place, or at rest faster, than the gates: it has moved off."""
    squared = x[POS + 1] ** 2 + x[POS + 2] ** 2
    if squared > PLACE_GATE * (p[POS, POS] + p[POS + 1, POS + 1] + 2.0 * noise[POSITION_ND] ** 2 / sums[TIME]):
        return True
    squared = x[VEL + 1] ** 2 + x[VEL + 2] ** 2
    return is_rest != 0 and squared > REST_GATE * (p[VEL, VEL] + p[VEL + 1, VEL + 1] + 2.0 * noise[REST_SPEED_SD] ** 2)


@compiled
def forget_place(x, p, noise):  # type: ignore[no-untyped-def]
    """Take place and velocity anew, in place: the velocity is as uncertain as it was large, for it may go on or have been a lapse."""
    speed = noise[LEVEL_SPEED_SD] ** 2 + 0.5 * (x[VEL + 1] ** 2 + x[VEL + 2] ** 2)
    for k in range(VEL, CONSTANTS):
        p[k, :] = 0.0
        p[:, k] = 0.0
        p[k, k] = speed if k < POS else noise[LEVEL_POSITION_SD] ** 2
        x[k + 1] = 0.0


@compiled
def _level_later(kind, e):  # type: ignore[no-untyped-def]
    """Pass the levelling of epoch e on to the next that is not a gap."""
    kind[e] = kind[e] & (REST | GAP)
    for later in range(e + 1, len(kind)):
        if not kind[later] & GAP:
            kind[later] |= LEVEL
            break


@compiled
def forward(time_s, rate, accel, flags, stops, kind, motion, e_start, e_stop, noise, x, p, q_out, tilt_sd, out, record):  # type: ignore[no-untyped-def]
    """Filter epochs e_start to e_stop. `x` (29,) and `p` (23, 24) are carried on; `motion` is how lasting it is in each, or empty.

    `q_out`, `tilt_sd` and `out` are per sample, per sample and per epoch, or empty. `record` is (x, p, turn, f, gain, updates, which,
    n) with a row per epoch of this call (x and p with one more, the start), or arrays without rows.
    """
    rec_x, rec_p, rec_turn, rec_f, rec_gain, rec_updates, rec_which, rec_n = record
    is_recorded = len(rec_n) > 0
    turn, sums, work, dx = np.zeros((3, N_TURN)), np.zeros(N_SUMS), np.zeros((CONSTANTS, WIDTH)), np.zeros(WIDTH)
    gain, updates, which = np.zeros((N_UPDATES, WIDTH)), np.zeros((N_UPDATES, 2)), np.zeros(N_UPDATES, dtype=np.int64)
    for e in range(e_start, e_stop):
        first, last = stops[e], stops[e + 1]
        k = e - e_start
        if is_recorded and k == 0:
            _keep(x, p, rec_x[0], rec_p[0])
        is_level = False
        # an epoch to be levelled is integrated a second time, from the levelled start
        is_done = False
        while not is_done:
            q0, q1, q2, q3 = x[0], x[1], x[2], x[3]
            if e == 0 and len(q_out) > 0:
                _write_sample(rate, first, x, noise, q_out)
                tilt_sd[first] = math.sqrt(tilt_variance(p, q_out, first, rate, x, noise))
            preintegrate(time_s, rate, accel, flags, first, last, x, noise, turn, sums, q_out)
            is_done = is_level or not kind[e] & LEVEL
            if not is_done:
                end0, end1, end2, end3 = x[0], x[1], x[2], x[3]
                x[0], x[1], x[2], x[3] = q0, q1, q2, q3
                is_level = relevel(x, p, noise, sums)
                if not is_level:
                    x[0], x[1], x[2], x[3] = end0, end1, end2, end3
                    _level_later(kind, e)
                    is_done = True
        t = sums[TIME]
        for j in range(2):
            x[POS + 1 + j] += t * x[VEL + 1 + j] + sums[DOUBLE + j]
            x[VEL + 1 + j] += sums[j]
        propagate(p, turn, sums, work)
        add_noise(p, sums, noise, kind[e])
        if len(q_out) > 0:
            for i in range(first + 1, last):
                tilt_sd[i] = math.sqrt(tilt_variance(p, q_out, i, rate, x, noise))
        dx[:] = 0.0
        n = 0
        variance = 0.0
        kind[e] = kind[e] & (REST | LEVEL | GAP)
        if not kind[e] & GAP:
            variance, white = watch_motion(x, p, sums, noise)
            if len(motion) > 0:
                variance = max(variance, white * motion[e])
            if has_moved(x, p, sums, noise, kind[e] & REST):
                kind[e] |= MOVED
                forget_place(x, p, noise)
        if not kind[e] & (GAP | MOVED):
            n = measure(x, p, sums, noise, kind[e] & REST, variance, dx, gain, updates, which)
            _correct(x, dx)
            for r in range(N):
                for c in range(r):
                    p[r, c] = p[c, r]
        if len(q_out) > 0:
            _write_sample(rate, last, x, noise, q_out)
            tilt_sd[last] = math.sqrt(tilt_variance(p, q_out, last, rate, x, noise))
        if len(out) > 0:
            _write_epoch(x, p, updates, n, kind[e], out[e])
        if is_recorded:
            _keep(x, p, rec_x[k + 1], rec_p[k + 1])
            rec_n[k] = n
            rec_f[k, 0], rec_f[k, 1], rec_f[k, 2], rec_f[k, 3] = sums[2], sums[LAGGED], sums[LAGGED + 1], t
            for i in range(3):
                for j in range(N_TURN):
                    rec_turn[k, i, j] = turn[i, j]
            for i in range(n):
                rec_which[k, i], rec_updates[k, i, 0], rec_updates[k, i, 1] = which[i], updates[i, 0], updates[i, 1]
                for c in range(gain.shape[1]):
                    rec_gain[k, i, c] = gain[i, c]


@compiled
def _keep(x, p, out_x, out_p):  # type: ignore[no-untyped-def]
    """Copy a state and its covariance; by hand, for the compiler's array assignment brings half of its text handling along."""
    for j in range(len(x)):
        out_x[j] = x[j]
    for r in range(N):
        for c in range(p.shape[1]):
            out_p[r, c] = p[r, c]


@compiled
def _write_sample(rate, i, x, noise, q_out):  # type: ignore[no-untyped-def]
    wx, wy, wz = _true_rate(rate, i, x)
    lead = x[20] + noise[LAG_S]
    aw, ax, ay, az = from_rotvec(lead * wx, lead * wy, lead * wz)
    q_out[i, 0], q_out[i, 1], q_out[i, 2], q_out[i, 3] = multiply(x[0], x[1], x[2], x[3], aw, ax, ay, az)


@compiled
def _write_epoch(x, p, updates, n, kind, out):  # type: ignore[no-untyped-def]
    if n > 0:
        out[OUT_INNOVATION], out[OUT_INNOVATION + 1] = updates[0, 0], updates[1, 0]
        out[OUT_NIS] = updates[0, 0] ** 2 * updates[0, 1] + updates[1, 0] ** 2 * updates[1, 1]
    else:
        out[OUT_INNOVATION] = out[OUT_INNOVATION + 1] = out[OUT_NIS] = np.nan
    for k in range(2):
        out[OUT_SIGMAS + k] = np.nan if kind & GAP else x[SIGMAS + k]
    for j in range(16):
        out[OUT_X + j] = x[CONSTANTS + 1 + j]
        out[OUT_SD + j] = math.sqrt(p[CONSTANTS + j, CONSTANTS + j])
