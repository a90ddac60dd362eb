"""Slow twins of `_kernels_preintegration.py` and `_kernels_samples.py` in plain NumPy; arguments as theirs, results returned."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion._reference import step_rotvec
from replay.motion.flight_state import STATIC

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]


def cross(a: Array) -> Array:
    """[a]×."""
    x, y, z = a
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def noise_density(time_s: Array, x: Array, is_gap_before: Mask, edges: Index) -> Array:
    """White noise density squared of each span: smallest over octaves, from the median size of fourth differences."""
    fourth, low = np.array([1.0, -4.0, 6.0, -4.0, 1.0]), np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0
    out = np.zeros((len(edges) - 1, 3))
    for k, (start, stop) in enumerate(itertools.pairwise(edges)):
        if stop - start < 8 or is_gap_before[start + 1 : stop].any():
            continue
        period = (time_s[stop - 1] - time_s[start]) / (stop - start - 1)
        values, correlation = x[start:stop], np.array([0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0])  # lags −4 … 4
        found = []
        while len(values) >= 8:
            gain = np.convolve(fourth, fourth) @ correlation  # variance of a fourth difference
            found.append(period / gain * (np.median(np.abs(np.diff(values, 4, axis=0)), axis=0) / 0.6744897501960817) ** 2)
            values = np.stack([np.convolve(column, low, "valid")[::2] for column in values.T], axis=1)
            correlation = np.convolve(correlation, np.convolve(low, low))[::2]  # every second of the lags −8 … 8
        out[k] = np.min(found, axis=0)
    return out


def price_shocks(time_s: Array, x: Array, is_gap_before: Mask, threshold: float, share: float) -> Array:
    """Variance of each step that a blow at one of its ends leaves unseen, shape (n,)."""
    size = np.zeros(len(time_s))
    is_whole = ~np.any(np.lib.stride_tricks.sliding_window_view(is_gap_before[1:], 4), axis=1)
    size[2:-2] = np.where(is_whole, np.sum(np.diff(x, 4, axis=0) ** 2, axis=1), 0.0)
    size = np.maximum(size[:-1], size[1:])
    is_blow = (size > threshold**2) & ~is_gap_before[1:]
    return np.append(np.where(is_blow, (share * np.diff(time_s)) ** 2 * size, 0.0), 0.0)


def turns(time_s: Array, rate: Array, bend: Array, is_gap_before: Mask, offset: Array, i: int, j: int) -> Array:
    """Rotation vectors of the steps from sample i to j; across a gap the rate is a straight line."""
    found = []
    for s in range(i, j):
        curved = 0.0 if is_gap_before[s + 1] else 1.0
        h = time_s[s + 1] - time_s[s]
        found.append(step_rotvec(h, rate[s] - offset, rate[s + 1] - offset, curved * bend[s], curved * bend[s + 1]))
    return np.array(found).reshape(-1, 3)


def preintegrate(
    time_s: Array, rate: Array, accel: Array, bend: Array, is_gap_before: Mask, extra_var: Array, edges: Index, offset: Array,
    density: Array,
) -> tuple[Array, ...]:  # fmt: skip
    """Rotation, velocity and position increments, their derivatives, variances, means and scatter of every epoch."""
    rows = []
    for k, (i, j) in enumerate(itertools.pairwise(edges)):
        h, span = np.diff(time_s[i : j + 1]), time_s[j] - time_s[i]
        phi = turns(time_s, rate, bend, is_gap_before, offset, i, j)
        q, slopes = [np.array([1.0, 0.0, 0.0, 0.0])], [np.zeros((3, 6))]
        for angle, step in zip(phi, h, strict=True):
            q.append(rotation.multiply(q[-1], rotation.from_rotvec(angle)))
            right = np.eye(3) - cross(angle) / 2.0 + cross(angle) @ cross(angle) / 6.0  # its Jacobian, to second order
            turn_back = rotation.to_dcm(rotation.from_rotvec(angle)).T
            slopes.append(turn_back @ slopes[-1] - right @ np.hstack((step * np.eye(3), np.diag(angle))))
        dcm, none = rotation.to_dcm(np.array(q)), np.zeros((3, 3))
        # force in the axes at the start, then its derivative by gyro bias, accelerometer bias, gyro scale, accelerometer scale
        force = []
        for r, f, slope in zip(dcm, accel[i : j + 1], slopes, strict=True):
            by_turn = -r @ cross(f) @ slope
            force.append(np.column_stack((r @ f, by_turn[:, :3], -r, by_turn[:, 3:], -r @ np.diag(f))))
        dv, dp = np.zeros((3, 13)), np.zeros((3, 13))
        for a, b, step in zip(force[:-1], force[1:], h, strict=True):
            dp = dp + step * dv + step**2 / 6.0 * (2.0 * a + b)
            dv = dv + step / 2.0 * (a + b)
        attitude = np.hstack((slopes[-1][:, :3], none, slopes[-1][:, 3:], none))
        var = np.zeros(5)
        var[0], var[1] = np.sum(density[k, 0] * h + extra_var[i:j, 0]), density[k, 1] * span
        var[2:] = np.einsum("nrc,nc->r", dcm[:-1] ** 2, density[k, 2:] * h[:, None] + extra_var[i:j, 1:])
        mean = np.concatenate((phi.sum(axis=0), h @ (accel[i:j] + accel[i + 1 : j + 1]) / 2.0)) / span
        square = [h @ np.sum((rate[i:j] - offset) ** 2, axis=1), h @ np.sum(accel[i:j] ** 2, axis=1)] / span
        scatter = np.maximum(0.0, square - np.sum(mean.reshape(2, 3) ** 2, axis=1))
        jacobian = np.vstack((attitude, dv[:, 1:], dp[:, 1:]))
        rows.append((rotation.normalise(q[-1]), dv[:, 0], dp[:, 0], jacobian, var, mean, scatter))
    return tuple(np.array(column) for column in zip(*rows, strict=True))


def tilt_sd(q: Array, xx: Array, yy: Array, xy: Array) -> Array:
    """Along the axis that tilts; where the tilt is well within its own error, the mean over all horizontal axes."""
    nose = rotation.rotate(q, [0.0, 0.0, 1.0])
    x, y = nose[:, 0], nose[:, 1]
    along, square, soft = y * y * xx - 2.0 * x * y * xy + x * x * yy, x * x + y * y, (xx + yy) / 2.0
    total = square + soft
    return np.asarray(np.sqrt(np.maximum(0.0, np.where(total > 0.0, (along + soft**2) / np.where(total > 0.0, total, 1.0), 0.0))))


def fill_samples(
    is_smoothed: bool, edges: Index, edge_time_s: Array, kind: Index, time_s: Array, rate: Array, accel: Array, bend: Array,
    is_gap_before: Mask, offset: Array, gravity: Array, state_q: Array, state_v: Array, state_p: Array, state_params: Array,
    after: Array, before: Array,
) -> tuple[Array, ...]:  # fmt: skip
    """q, velocity, position, tilt sd, sd of attitude, velocity and position, gyro bias and sd, accelerometer bias and sd at the samples
    from the first edge to the last.
    """
    rows: list[Any] = []
    g0, c1, c2, ground = gravity
    for k in range(len(kind)):
        i, j = edges[k], edges[k + 1]
        is_static, params = bool(kind[k] & STATIC), state_params[k]
        h = np.diff(time_s[i : j + 1])
        phi = turns(time_s, rate, bend, is_gap_before, offset, i, j)
        phi = phi - h[:, None] * params[:3] - params[6:9] * phi
        force = accel[i : j + 1] * (1.0 - params[9:12]) - params[3:6]
        q, v, p = [state_q[k]], [state_v[k]], [state_p[k]]
        for n in range(j - i):
            if is_static:
                q, v, p = [*q, q[-1]], [*v, np.zeros(3)], [*p, p[-1]]
                continue
            q.append(rotation.normalise(rotation.multiply(q[-1], rotation.from_rotvec(phi[n]))))
            f0, f1 = rotation.rotate(q[-2], force[n]), rotation.rotate(q[-1], force[n + 1])
            z = ground + p[-1][2]
            g = np.array([0.0, 0.0, g0 * (1.0 - c1 * z + c2 * z * z)])
            p.append(p[-1] + h[n] * v[-1] + h[n] ** 2 / 6.0 * (2.0 * f0 + f1) - h[n] ** 2 / 2.0 * g)
            v.append(v[-1] + h[n] / 2.0 * (f0 + f1) - h[n] * g)
        b = ((time_s[i:j] - edge_time_s[k]) / (edge_time_s[k + 1] - edge_time_s[k]))[:, None]
        here_q, here_v, here_p = np.array(q[:-1]), np.array(v[:-1]), np.array(p[:-1])
        later = params
        if is_smoothed:  # what is left at the next edge, spread evenly
            turn = rotation.to_rotvec(rotation.multiply(state_q[k + 1], rotation.conjugate(q[-1])))
            here_q = rotation.multiply(rotation.from_rotvec(b * turn), here_q)
            here_v = here_v + (0.0 if is_static else b) * (state_v[k + 1] - v[-1])
            here_p = here_p + b * (state_p[k + 1] - p[-1])
            later = state_params[k + 1]
        rows.append(_with_sd(here_q, here_v, here_p, (1.0 - b) * params + b * later, b, after[k], before[k + 1]))
    end = slice(-1, None)
    rows.append(_with_sd(state_q[end], state_v[end], state_p[end], state_params[end], np.zeros((1, 1)), after[-1], after[-1]))
    return tuple(np.concatenate(column) for column in zip(*rows, strict=True))


def _with_sd(q: Array, v: Array, p: Array, params: Array, b: Array, first: Array, last: Array) -> tuple[Array, ...]:
    """Standard deviations in a straight line between two edges; of the tilt from variances in a straight line."""
    var = (1.0 - b) * first + b * last
    sd = (1.0 - b) * np.sqrt(np.maximum(first, 0.0)) + b * np.sqrt(np.maximum(last, 0.0))
    tilt = tilt_sd(q, var[:, 0], var[:, 1], var[:, 3])
    return q, v, p, tilt, sd[:, :3], sd[:, 6:9], sd[:, 9:12], params[:, :3], sd[:, 12:15], params[:, 3:6], sd[:, 15:18]
