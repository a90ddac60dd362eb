"""Slow twins of `_kernels.py` in plain NumPy: the same mathematics written as it is written on paper, for tests to compare with."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from replay import rotation

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def fill_rows(time_s: Array, values: Array) -> Array:
    """Rows that are not finite replaced by a straight line in time between good ones, held at the ends."""
    is_good = np.isfinite(values).all(axis=1)
    if not is_good.any():
        return np.zeros_like(values)
    return np.column_stack([np.interp(time_s, time_s[is_good], column[is_good]) for column in values.T])


def curvature(time_s: Array, rate: Array, is_gap_before: Mask) -> Array:
    """Second derivative at each sample from one dense linear system per stretch.

    Row i, with steps h0 before and h1 after: a·h0·k[i−1] + (½ − a)(h0 + h1)·k[i] + a·h1·k[i+1] = difference of the slopes after and
    before. a = 1/6 makes it the cubic spline. For even steps the step integral h(w0 + w1)/2 − h³(k0 + k1)/24 of exp(iβt/h) is then
    out by β⁴/720 of itself; a = 11/60 makes that β⁶·0.00036.
    """
    out = np.zeros_like(rate)
    for part in stretches(is_gap_before):
        t, w = time_s[part], rate[part]
        n = len(t)
        if n < 3:
            continue
        h = np.diff(t)
        slope = np.diff(w, axis=0) / h[:, None]
        matrix, right = np.zeros((n, n)), np.zeros((n, 3))
        matrix[0, :2], matrix[-1, -2:] = (1.0, -1.0), (1.0, -1.0)  # the ends bend like their neighbours
        for i in range(1, n - 1):
            is_even = abs(h[i] - h[i - 1]) <= 0.02 * (h[i] + h[i - 1])
            a = 11.0 / 60.0 if is_even else 1.0 / 6.0
            matrix[i, i - 1 : i + 2] = a * h[i - 1], (0.5 - a) * (h[i - 1] + h[i]), a * h[i]
            right[i] = slope[i] - slope[i - 1]
        out[part] = np.linalg.solve(matrix, right)
    return out


def stretches(is_gap_before: Mask) -> list[slice]:
    """Slices between gaps."""
    n = len(is_gap_before)
    edges = [0, *(int(i) for i in np.flatnonzero(is_gap_before) if i > 0), n]
    return [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]


def step_rotvec(h: float, a: Array, b: Array, bend_a: Array, bend_b: Array) -> Array:
    """Sixth-order Magnus expansion for the cubic with end values a, b and end curvatures; [u, v] = −u × v for body rates."""

    def bracket(u: Array, v: Array) -> Array:
        return np.asarray(np.cross(v, u))

    third = h**3 * (bend_a + bend_b) / 4.0
    total = h * (a + b) / 2.0 - third / 6.0
    first = total - third / 12.0
    second = h * (b - a) - h**3 * (bend_b - bend_a) / 60.0
    c1 = bracket(first, second)
    c2 = -bracket(first, 2.0 * third + c1) / 60.0
    return np.asarray(total + bracket(-20.0 * first - third + c1, second + c2) / 240.0)


def integrate(time_s: Array, rate: Array, bias: Array, i_start: int, q_start: Array, is_gap_before: Mask) -> Array:
    """Gyro-only attitude, forward and backward from `i_start`."""
    w = rate - bias
    bend = curvature(time_s, w, is_gap_before)
    zero = np.zeros(3)
    q = np.empty((len(time_s), 4))
    q[i_start] = q_start

    def turn(i: int) -> Array:
        ends = (zero, zero) if is_gap_before[i + 1] else (bend[i], bend[i + 1])
        return rotation.from_rotvec(step_rotvec(time_s[i + 1] - time_s[i], w[i], w[i + 1], *ends))

    for i in range(i_start, len(time_s) - 1):
        q[i + 1] = rotation.normalise(rotation.multiply(q[i], turn(i)))
    for i in range(i_start - 1, -1, -1):
        q[i] = rotation.normalise(rotation.multiply(q[i + 1], rotation.conjugate(turn(i))))
    return q


def complementary(
    time_s: Array, rate: Array, accel: Array, is_used: Mask, gain: float, bias_gain: float, bias: Array, i_start: int, q_start: Array
) -> Array:
    """Proportional-integral complementary filter; rows before `i_start` NaN."""
    q = np.full((len(time_s), 4), np.nan)
    q[i_start], bias = q_start, bias.copy()
    for i in range(i_start + 1, len(time_s)):
        h = time_s[i] - time_s[i - 1]
        correction = np.zeros(3)
        if is_used[i] and np.linalg.norm(accel[i]) > 0.0:
            up_body = rotation.rotate(rotation.conjugate(q[i - 1]), [0.0, 0.0, 1.0])
            correction = np.cross(accel[i] / np.linalg.norm(accel[i]), up_body)
            bias -= bias_gain * h * correction
        q[i] = rotation.normalise(rotation.multiply(q[i - 1], rotation.from_rotvec((rate[i] - bias + gain * correction) * h)))
    return q


def gradient(
    time_s: Array, rate: Array, accel: Array, is_used: Mask, gain: float, bias: Array, i_start: int, q_start: Array
) -> Array:  # fmt: skip
    """Gradient-descent filter; rows before `i_start` NaN."""
    q = np.full((len(time_s), 4), np.nan)
    q[i_start] = q_start
    for i in range(i_start + 1, len(time_s)):
        w, x, y, z = before = q[i - 1]
        change = 0.5 * rotation.multiply(before, np.concatenate(([0.0], rate[i] - bias)))
        length = np.linalg.norm(accel[i])
        if is_used[i] and length > 0.0:
            error = np.array([2 * (x * z - w * y), 2 * (w * x + y * z), 1 - 2 * (x * x + y * y)]) - accel[i] / length
            jacobian = np.array([[-2 * y, 2 * z, -2 * w, 2 * x], [2 * x, 2 * w, 2 * z, 2 * y], [0.0, -4 * x, -4 * y, 0.0]])
            slope = jacobian.T @ error
            if np.linalg.norm(slope) > 0.0:
                change = change - gain * slope / np.linalg.norm(slope)
        q[i] = rotation.normalise(before + (time_s[i] - time_s[i - 1]) * change)
    return q


def dead_reckon(
    time_s: Array, q: Array, accel: Array, gravity: Array, ground_height_m: float, i_start: int, i_rest: int
) -> tuple[Array, Array]:
    """Velocity and position, zero up to `i_start`, held from `i_rest` on."""
    n = len(time_s)
    vel, pos = np.zeros((n, 3)), np.zeros((n, 3))
    g0, c1, c2 = gravity

    def inertial(i: int, height: float) -> Array:
        return np.asarray(rotation.rotate(q[i], accel[i]) - [0.0, 0.0, g0 * (1.0 - c1 * height + c2 * height**2)])

    before = inertial(i_start, ground_height_m) if i_start < n else np.zeros(3)
    for i in range(i_start + 1, n):
        if i >= i_rest:
            pos[i] = pos[i - 1]
            continue
        h = time_s[i] - time_s[i - 1]
        now = inertial(i, ground_height_m + pos[i - 1, 2])
        pos[i] = pos[i - 1] + h * vel[i - 1] + h * h / 6.0 * (2.0 * before + now)
        vel[i] = vel[i - 1] + h / 2.0 * (before + now)
        before = now
    return vel, pos


def block_statistics(time_s: Array, accel: Array, rate: Array, block_s: float, is_gap_before: Mask) -> Array:
    """Columns as `_kernels.block_statistics`."""
    rows = []
    i, n = 0, len(time_s)
    while i < n:
        j = i + 1
        while j < n and time_s[j] < time_s[i] + block_s and not is_gap_before[j]:
            j += 1
        is_good = np.isfinite(accel[i:j]).all(axis=1) & np.isfinite(rate[i:j]).all(axis=1)
        if is_good.any():
            f, w = accel[i:j][is_good], rate[i:j][is_good]
            norm = np.linalg.norm(f, axis=1).mean()
            rows.append([time_s[i], time_s[j - 1], len(f), *f.mean(0), norm, f.var(0).sum(), *w.mean(0), w.var(0).sum()])
        i = j
    return np.array(rows).reshape(-1, 12)


def carry(time_s: Array, accel: Array, rate: Array, bias: Array, size: int) -> Array:
    """Columns as `_kernels.carry`."""
    q = np.empty((len(time_s), 4))
    q[0] = 1.0, 0.0, 0.0, 0.0
    for i in range(1, len(time_s)):
        half = 0.5 * (time_s[i] - time_s[i - 1])
        q[i] = rotation.multiply(q[i - 1], rotation.from_rotvec(half * (rate[i] + rate[i - 1] - 2.0 * bias)))
    carried = rotation.rotate(rotation.multiply(rotation.conjugate(q[-1]), q), accel)
    rows = np.column_stack((time_s, rate, carried))
    return np.asarray(rows[: len(rows) // size * size].reshape(-1, size, 7).mean(axis=1))


def aid_vertical(
    time_s: Array, difference: Array, sd: Array, accel_nd: Array, walk: Array, start: Array, is_used: Mask
) -> tuple[Array, Array]:
    """Kalman filter and Rauch-Tung-Striebel smoother in matrices, the heights of `is_used` taken; no gate of its own."""
    n = len(time_s)
    x, p = np.empty((n, 3)), np.empty((n, 3, 3))
    x_before, p_before, steps = np.empty((n, 3)), np.empty((n, 3, 3)), np.empty((n, 3, 3))
    state, cov, h_row = start[0].copy(), np.diag(start[1] ** 2), np.array([[1.0, 0.0, 0.0]])
    for k in range(n):
        h = time_s[k] - time_s[k - 1] if k else 0.0
        f = np.array([[1.0, h, h * h / 2.0], [0.0, 1.0, h], [0.0, 0.0, 1.0]])
        noise = np.zeros((3, 3))
        noise[:2, :2] = accel_nd[k] ** 2 * np.array([[h**3 / 3.0, h**2 / 2.0], [h**2 / 2.0, h]])
        noise[2, 2] = walk[k] ** 2 * h
        state, cov, steps[k] = f @ state, f @ cov @ f.T + noise, f
        x_before[k], p_before[k] = state, cov
        if is_used[k]:
            gain = cov @ h_row.T / (h_row @ cov @ h_row.T + sd[k] ** 2)
            state = state + gain[:, 0] * (difference[k] - state[0])
            cov = cov - gain @ h_row @ cov
        x[k], p[k] = state, cov
    for k in range(n - 2, -1, -1):
        back = p[k] @ steps[k + 1].T @ np.linalg.inv(p_before[k + 1])
        x[k] = x[k] + back @ (x[k + 1] - x_before[k + 1])
        p[k] = p[k] + back @ (p[k + 1] - p_before[k + 1]) @ back.T
    return x, p


def grow_tilt_sd(
    time_s: Array, q: Array, rate: Array, is_gap_before: Mask, is_clipped: Mask, i_start: int,
    start_sd: float, bias_sd: float, nd: float, walk: float, scale_sd: float,
) -> Array:  # fmt: skip
    """Standard deviation of a gyro-only tilt."""
    t = np.abs(time_s - time_s[i_start])
    nose = rotation.rotate(q, [0.0, 0.0, 1.0])
    turned = np.linalg.norm(nose - nose[i_start], axis=1)
    h = np.diff(time_s)
    change = np.linalg.norm(np.diff(rate, axis=0), axis=1)
    largest = np.linalg.norm(np.maximum(np.abs(rate[1:]), np.abs(rate[:-1])), axis=1)
    gap = np.where(is_gap_before[1:], h * (0.25 * change + 0.1 * largest), 0.0)
    clip = np.where(is_clipped[1:] | is_clipped[:-1], 0.2 * h * largest, 0.0)
    unseen = []
    for steps in (gap**2, clip):
        total = np.concatenate(([0.0], np.cumsum(steps)))
        unseen.append(np.abs(total - total[i_start]))
    variance = start_sd**2 + (bias_sd * t) ** 2 + nd**2 * t + walk**2 * t**3 / 3.0 + (scale_sd * turned) ** 2
    return np.asarray(np.sqrt(variance + unseen[0] + unseen[1] ** 2))
