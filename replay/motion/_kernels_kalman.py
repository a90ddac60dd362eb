"""Compiled loops of the general-motion attitude filter: what is measured, and the pass forward. Slow twins: `_reference_kalman.py`."""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled
from replay.motion._kernels_kalman_carry import _true_rate, _turn_left, add_noise, preintegrate, propagate, relevel
from replay.motion._kernels_kalman_epochs import GAP, LEVEL, MOVED, REST
from replay.motion._kernels_kalman_layout import (
    BIAS,
    CONSTANTS,
    DOUBLE,
    LAG,
    LAG_S,
    LAG_SD,
    LAGGED,
    LEVEL_POSITION_SD,
    LEVEL_SPEED_SD,
    MEAN_RATE,
    N_SUMS,
    N_TURN,
    N_UPDATES,
    OUT_INNOVATION,
    OUT_NIS,
    OUT_SD,
    OUT_SIGMAS,
    OUT_X,
    PERSISTENCE_S,
    PERSISTENT,
    PLACE_GATE,
    POS,
    POSITION_ND,
    REST_GATE,
    REST_RATE_SD,
    REST_SPEED_SD,
    SIGMAS,
    SPREAD,
    SPREAD_CORRELATION_S,
    SPREAD_S,
    SURPRISE,
    TIME,
    VEL,
    WIDTH,
    N,
)  # fmt: skip


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
