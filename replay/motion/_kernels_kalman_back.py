"""Compiled backward pass of the general-motion attitude filter, and the samples between its epochs. Twins: `_reference_kalman.py`.

The Rauch–Tung–Striebel smoother in its adjoint form (Bryson and Frazier): instead of inverting predicted covariances it carries a
vector λ and a matrix Λ backward, and the smoothed error is P λ with covariance P − P Λ P. Λ is positive semi-definite by
construction, so the smoothed covariance can't exceed the filter's.
"""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled
from replay.motion._kernels_kalman_carry import _step, _true_rate, _turn_left
from replay.motion._kernels_kalman_epochs import LEVEL, MOVED
from replay.motion._kernels_kalman_layout import ACCEL_BIAS, BIAS, CONSTANTS, LAG, LAG_S, LAG_SD, N_TURN, POS, VEL, WIDTH, N

N_CONSTANTS = N - CONSTANTS

# columns of a node's covariance: variances of the attitude (3), gyro bias (3), lag, accelerometer bias (3), then lag with each tilt
C_TILT_X, C_TILT_Y, C_HEADING, C_BIAS, C_LAG, C_ACCEL_BIAS, C_LAG_X, C_LAG_Y = 0, 1, 2, 3, 6, 7, 10, 11
N_KEPT = 10
N_COV = 12


@compiled
def _times(v, matrix, out):  # type: ignore[no-untyped-def]
    """out = v · matrix, (23,) times (23, 24); four rows at a time, so that the sum is read and written once for all of them."""
    width = matrix.shape[1]
    for c in range(width):
        out[c] = v[20] * matrix[20, c] + v[21] * matrix[21, c] + v[22] * matrix[22, c]
    for r in range(0, 20, 4):
        a0, a1, a2, a3 = v[r], v[r + 1], v[r + 2], v[r + 3]
        for c in range(width):
            out[c] += (a0 * matrix[r, c] + a1 * matrix[r + 1, c]) + (a2 * matrix[r + 2, c] + a3 * matrix[r + 3, c])


@compiled
def _dot(a, b):  # type: ignore[no-untyped-def]
    """Scalar product of two padded rows (24,); four sums side by side, for an addition waits for the one before it."""
    s0 = s1 = s2 = s3 = 0.0
    for c in range(0, WIDTH, 4):
        s0 += a[c] * b[c]
        s1 += a[c + 1] * b[c + 1]
        s2 += a[c + 2] * b[c + 2]
        s3 += a[c + 3] * b[c + 3]
    return (s0 + s1) + (s2 + s3)


@compiled
def undo_update(lam, big, j, gain, innovation, inverse, work):  # type: ignore[no-untyped-def]
    """Take λ and Λ from after a scalar measurement of error j to before it."""
    _times(gain, big, work)
    lam[j] += innovation * inverse - _dot(gain, lam)
    both = _dot(gain, work)
    for r in range(N):
        big[r, j] -= work[r]
        big[j, r] -= work[r]
    big[j, j] += both + inverse


@compiled
def undo_transition(lam, big, turn, f, work, push):  # type: ignore[no-untyped-def]
    """λ ← Fᵀ λ, Λ ← Fᵀ Λ F. `push` (5, 16) is room for how the constants move attitude (3) and velocity (2)."""
    fz, t = f[0], f[3]
    push[:] = 0.0
    for j in range(N_TURN):
        for k in range(3):
            push[k, j] = turn[k, j]
        push[3, j] = 0.5 * fz * turn[1, j]
        push[4, j] = -0.5 * fz * turn[0, j]
    for k in range(2):
        push[3 + k, LAG - CONSTANTS] = f[1 + k]
        for j in range(3):
            push[3 + k, ACCEL_BIAS - CONSTANTS + j] = turn[k, j]
    _transpose_row(lam, t, fz, push)
    # Fᵀ Λ, row by row; the rows of w stand for velocity and half a step of position
    width = big.shape[1]
    w0, w1 = work[0], work[1]
    for c in range(width):
        w0[c] = big[VEL, c] + 0.5 * t * big[POS, c]
        w1[c] = big[VEL + 1, c] + 0.5 * t * big[POS + 1, c]
    for j in range(N_CONSTANTS):
        a0, a1, a2, b0, b1 = push[0, j], push[1, j], push[2, j], push[3, j], push[4, j]
        r = CONSTANTS + j
        for c in range(width):
            big[r, c] += (a0 * big[0, c] + a1 * big[1, c]) + (a2 * big[2, c] + b0 * w0[c]) + b1 * w1[c]
    for c in range(width):
        big[0, c] -= fz * w1[c]
        big[1, c] += fz * w0[c]
        big[VEL, c] += t * big[POS, c]
        big[VEL + 1, c] += t * big[POS + 1, c]
    # (Fᵀ Λ) F: each row is turned as λ is; then the halves are made equal to the last bit
    for r in range(N):
        _transpose_row(big[r], t, fz, push)
    for r in range(N):
        for c in range(r):
            big[r, c] = big[c, r]


@compiled
def _transpose_row(v, t, fz, push):  # type: ignore[no-untyped-def]
    """v ← Fᵀ v, in place."""
    a0, a1, a2 = v[0], v[1], v[2]
    w0, w1 = v[VEL] + 0.5 * t * v[POS], v[VEL + 1] + 0.5 * t * v[POS + 1]
    for j in range(push.shape[1]):
        v[CONSTANTS + j] += a0 * push[0, j] + a1 * push[1, j] + a2 * push[2, j] + w0 * push[3, j] + w1 * push[4, j]
    v[0] -= fz * w1
    v[1] += fz * w0
    v[VEL] += t * v[POS]
    v[VEL + 1] += t * v[POS + 1]


@compiled
def _node(x, p, lam, big, out_x, out_cov, work):  # type: ignore[no-untyped-def]
    """Smoothed state and variances of one node."""
    shift, row = work[0], work[1]
    _times(lam, p, shift)
    for j in range(len(x)):
        out_x[j] = x[j]
    _turn_left(out_x, shift[0], shift[1], shift[2])
    for j in range(VEL, N):
        out_x[j + 1] += shift[j]
    for i in range(N_KEPT):
        r = i if i < 6 else i + LAG - 6  # attitude, three beside it, lag and accelerometer bias
        if 3 <= i < 6:
            r = BIAS + i - 3
        _times(p[r], big, row)
        out_cov[i] = max(p[r, r] - _dot(row, p[r]), 0.0)
        if i < 2:
            out_cov[C_LAG_X + i] = p[r, LAG] - _dot(row, p[LAG])


@compiled
def backward(record, kind, lam, big, out_x, out_cov, has_start):  # type: ignore[no-untyped-def]
    """Smooth the recorded epochs, last first; `kind` holds theirs. `lam` (24,) and `big` (23, 24) are carried on.

    `out_x` and `out_cov` have a row per node, one more than epochs; the first is written only if `has_start`.
    """
    rec_x, rec_p, rec_turn, rec_f, rec_gain, rec_updates, rec_which, rec_n = record
    work, push, vector = np.zeros((N, WIDTH)), np.zeros((5, N_CONSTANTS)), np.zeros(WIDTH)
    m = len(kind)
    for k in range(m - 1, -1, -1):
        _node(rec_x[k + 1], rec_p[k + 1], lam, big, out_x[k + 1], out_cov[k + 1], work)
        for u in range(rec_n[k] - 1, -1, -1):
            undo_update(lam, big, rec_which[k, u], rec_gain[k, u], rec_updates[k, u, 0], rec_updates[k, u, 1], vector)
        if kind[k] & MOVED:
            # velocity and position were forgotten here: what came after says nothing about what they were before
            for j in range(VEL, CONSTANTS):
                lam[j] = 0.0
                big[j, :] = 0.0
                big[:, j] = 0.0
        undo_transition(lam, big, rec_turn[k], rec_f[k], work, push)
        if kind[k] & LEVEL:
            # tilt, velocity and position were forgotten here: what came after says nothing about what they were before
            for j in range(CONSTANTS):
                if j != 2:
                    lam[j] = 0.0
                    big[j, :] = 0.0
                    big[:, j] = 0.0
    if has_start:
        _node(rec_x[0], rec_p[0], lam, big, out_x[0], out_cov[0], work)


@compiled
def _rotvec_between(a, b):  # type: ignore[no-untyped-def]
    """Rotation vector δθ with exp(δθ) a = b, for quaternions a and b."""
    w, x, y, z = multiply(b[0], b[1], b[2], b[3], a[0], -a[1], -a[2], -a[3])
    if w < 0.0:
        w, x, y, z = -w, -x, -y, -z
    s = math.sqrt(x * x + y * y + z * z)
    factor = 2.0 * math.atan2(s, w) / s if s > 1e-12 else 2.0
    return factor * x, factor * y, factor * z


@compiled
def smooth_samples(time_s, rate, stops, kind, nodes, cov, noise, q_out, tilt_sd):  # type: ignore[no-untyped-def]
    """Attitude of every sample: the rate integrated with the smoothed constants, what is left over spread along the epoch."""
    m = len(kind)
    q = np.empty(4)
    for e in range(m):
        first, last = stops[e], stops[e + 1]
        x = nodes[e]
        w, qx, qy, qz = x[0], x[1], x[2], x[3]
        bx, by, bz = _true_rate(rate, first, x)
        if e == 0:
            q_out[first, 0], q_out[first, 1], q_out[first, 2], q_out[first, 3] = w, qx, qy, qz
        for i in range(first + 1, last + 1):
            ax, ay, az = bx, by, bz
            bx, by, bz = _true_rate(rate, i, x)
            dx, dy, dz = _step(time_s[i] - time_s[i - 1], ax, ay, az, bx, by, bz)
            aw, ax, ay, az = from_rotvec(dx, dy, dz)
            w, qx, qy, qz = multiply(w, qx, qy, qz, aw, ax, ay, az)
            s = 1.5 - 0.5 * (w * w + qx * qx + qy * qy + qz * qz)
            w, qx, qy, qz = w * s, qx * s, qy * s, qz * s
            q_out[i, 0], q_out[i, 1], q_out[i, 2], q_out[i, 3] = w, qx, qy, qz
        q[0], q[1], q[2], q[3] = w, qx, qy, qz
        gx, gy, gz = _rotvec_between(q, nodes[e + 1])
        is_level = bool(kind[e] & LEVEL)
        duration = time_s[last] - time_s[first]
        for i in range(first if e == 0 else first + 1, last + 1):
            part = (time_s[i] - time_s[first]) / duration
            share = 1.0 if is_level else part
            aw, ax, ay, az = from_rotvec(share * gx, share * gy, share * gz)
            w, qx, qy, qz = multiply(aw, ax, ay, az, q_out[i, 0], q_out[i, 1], q_out[i, 2], q_out[i, 3])
            x = nodes[e + 1] if i == last else nodes[e]
            bx, by, bz = _true_rate(rate, i, x)
            lead = x[LAG + 1] + noise[LAG_S]
            aw, ax, ay, az = from_rotvec(lead * bx, lead * by, lead * bz)
            w, qx, qy, qz = multiply(w, qx, qy, qz, aw, ax, ay, az)
            q_out[i, 0], q_out[i, 1], q_out[i, 2], q_out[i, 3] = w, qx, qy, qz
            nx, ny, _ = rotate(w, qx, qy, qz, bx, by, bz)
            a, b = (0.0, 1.0) if is_level else (1.0 - part, part)
            variance = 0.5 * (
                a * (cov[e, C_TILT_X] + cov[e, C_TILT_Y]) + b * (cov[e + 1, C_TILT_X] + cov[e + 1, C_TILT_Y])
                + (nx * nx + ny * ny) * (a * cov[e, C_LAG] + b * cov[e + 1, C_LAG] + noise[LAG_SD] ** 2)
            ) + nx * (a * cov[e, C_LAG_X] + b * cov[e + 1, C_LAG_X]) + ny * (a * cov[e, C_LAG_Y] + b * cov[e + 1, C_LAG_Y])  # fmt: skip
            tilt_sd[i] = math.sqrt(max(variance, 0.0))
