"""Compiled loop of the flight estimator: every sample between the edges of its epochs."""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled
from replay.motion._kernels_measure import copy, gravity_at
from replay.motion._kernels_preintegration import step_between
from replay.motion._kernels_smoother import turn_left
from replay.motion.flight_state import STATIC


@compiled
def _tilt_variance(q, shown, a, b):  # type: ignore[no-untyped-def]
    """Variance of the tilt from attitude variances interpolated with weights a, b; about upright, the mean over directions."""
    nx = 2.0 * (q[1] * q[3] + q[0] * q[2])
    ny = 2.0 * (q[2] * q[3] - q[0] * q[1])
    xx = a * shown[0, 0] + b * shown[1, 0]
    yy = a * shown[0, 1] + b * shown[1, 1]
    xy = a * shown[0, 3] + b * shown[1, 3]
    # the axis that tilts is (−ny, nx, 0)/s; where the tilt is well within its own error no axis is singled out
    soft = 0.5 * (xx + yy)
    square = nx * nx + ny * ny
    along = ny * ny * xx - 2.0 * nx * ny * xy + nx * nx * yy
    total = square + soft
    return (along + soft * soft) / total if total > 0.0 else 0.0


@compiled
def _force_enu(q, accel, i, params):  # type: ignore[no-untyped-def]
    """Corrected specific force of sample i, turned."""
    return rotate(
        q[0], q[1], q[2], q[3],
        accel[i, 0] * (1.0 - params[9]) - params[3],
        accel[i, 1] * (1.0 - params[10]) - params[4],
        accel[i, 2] * (1.0 - params[11]) - params[5],
    )  # fmt: skip


@compiled
def fill_samples(  # type: ignore[no-untyped-def]
    is_smoothed, edges, edge_time_s, kind, time_s, rate, accel, bend, is_gap_before, offset, gravity,
    state_q, state_v, state_p, state_params, after, before,
    out_q, out_v, out_p, out_tilt_sd, out_attitude_sd, out_v_sd, out_p_sd,
    out_gyro_bias, out_gyro_bias_sd, out_accel_bias, out_accel_bias_sd,
):  # fmt: skip
    """The samples between epoch edges, each edge's estimate carried on by the inertial samples.

    A smoothed path meets the next edge's estimate: the small rest that process noise leaves is spread evenly in time. A causal one runs
    on and jumps where a measurement comes in. `after`, `before` (m + 1, 28): variances after and before the measurements of an edge.
    """
    m = len(kind)
    q = np.empty(4)
    shown, sd = np.empty((2, 28)), np.empty((2, 18))
    left = np.zeros(9)
    last = edges[m]
    for k in range(m + 1):
        is_end = k == m
        copy(state_q[k], q)
        vx, vy, vz = state_v[k, 0], state_v[k, 1], state_v[k, 2]
        px, py, pz = state_p[k, 0], state_p[k, 1], state_p[k, 2]
        fx, fy, fz = 0.0, 0.0, 0.0
        params = state_params[k]
        is_static = not is_end and kind[k] & STATIC != 0
        stop = last + 1 if is_end else edges[k + 1]
        for i in range(edges[k], stop):
            copy(q, out_q[i])
            out_v[i, 0], out_v[i, 1], out_v[i, 2] = vx, vy, vz
            out_p[i, 0], out_p[i, 1], out_p[i, 2] = px, py, pz
            if is_end:
                break
            if is_static:
                vx, vy, vz = 0.0, 0.0, 0.0
                continue
            h = time_s[i + 1] - time_s[i]
            ax, ay, az = step_between(time_s, rate, bend, is_gap_before, offset, i)
            ax -= h * params[0] + params[6] * ax
            ay -= h * params[1] + params[7] * ay
            az -= h * params[2] + params[8] * az
            if i == edges[k]:
                fx, fy, fz = _force_enu(q, accel, i, params)
            sw, sx, sy, sz = from_rotvec(ax, ay, az)
            w, x, y, z = multiply(q[0], q[1], q[2], q[3], sw, sx, sy, sz)
            scale = 1.0 / math.sqrt(w * w + x * x + y * y + z * z)
            q[0], q[1], q[2], q[3] = w * scale, x * scale, y * scale, z * scale
            gx, gy, gz = _force_enu(q, accel, i + 1, params)
            g = gravity_at(gravity, pz)
            sixth = h * h / 6.0
            px += h * vx + sixth * (2.0 * fx + gx)
            py += h * vy + sixth * (2.0 * fy + gy)
            pz += h * vz + sixth * (2.0 * fz + gz) - 0.5 * g * h * h
            vx += 0.5 * h * (fx + gx)
            vy += 0.5 * h * (fy + gy)
            vz += 0.5 * h * (fz + gz) - g * h
            fx, fy, fz = gx, gy, gz
        left[:] = 0.0
        if is_smoothed and not is_end:
            nq = state_q[k + 1]
            w, x, y, z = multiply(nq[0], nq[1], nq[2], nq[3], q[0], -q[1], -q[2], -q[3])
            size = math.sqrt(x * x + y * y + z * z)
            factor = 2.0 if size < 1e-9 else 2.0 * math.atan2(size, abs(w)) / size
            if w < 0.0:
                factor = -factor
            left[0], left[1], left[2] = factor * x, factor * y, factor * z
            left[3], left[4], left[5] = state_v[k + 1, 0] - vx, state_v[k + 1, 1] - vy, state_v[k + 1, 2] - vz
            left[6], left[7], left[8] = state_p[k + 1, 0] - px, state_p[k + 1, 1] - py, state_p[k + 1, 2] - pz
        for c in range(28):
            shown[0, c] = after[k, c]
            shown[1, c] = after[k, c] if is_end else before[k + 1, c]
        for c in range(18):
            sd[0, c] = math.sqrt(max(0.0, shown[0, c]))
            sd[1, c] = math.sqrt(max(0.0, shown[1, c]))
        following = k if is_end or not is_smoothed else k + 1
        duration = 1.0 if is_end else edge_time_s[k + 1] - edge_time_s[k]
        for i in range(edges[k], stop):
            b = 0.0 if is_end else (time_s[i] - edge_time_s[k]) / duration
            a = 1.0 - b
            if is_smoothed and b > 0.0:
                turn_left(out_q[i], b * left[0], b * left[1], b * left[2])
                for c in range(3):
                    if not is_static:
                        out_v[i, c] += b * left[3 + c]
                    out_p[i, c] += b * left[6 + c]
            for c in range(3):
                out_gyro_bias[i, c] = a * state_params[k, c] + b * state_params[following, c]
                out_accel_bias[i, c] = a * state_params[k, 3 + c] + b * state_params[following, 3 + c]
                out_attitude_sd[i, c] = a * sd[0, c] + b * sd[1, c]
                out_v_sd[i, c] = a * sd[0, 6 + c] + b * sd[1, 6 + c]
                out_p_sd[i, c] = a * sd[0, 9 + c] + b * sd[1, 9 + c]
                out_gyro_bias_sd[i, c] = a * sd[0, 12 + c] + b * sd[1, 12 + c]
                out_accel_bias_sd[i, c] = a * sd[0, 15 + c] + b * sd[1, 15 + c]
            out_tilt_sd[i] = math.sqrt(max(0.0, _tilt_variance(out_q[i], shown, a, b)))
