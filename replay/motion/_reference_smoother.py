"""Slow twins of the flight estimator's loops in plain NumPy and whole matrices: `_kernels_smoother.py` with `_kernels_measure.py`.

`forward` and `backward` take what the compiled ones take and write into the same arrays; `rauch_tung_striebel` is the textbook recursion.

References
----------
.. [1] H. E. Rauch, F. Tung, C. T. Striebel, Maximum likelihood estimates of linear dynamic systems, AIAA J. 3(8), 1965.
.. [2] G. J. Bierman, Fixed interval smoothing with discrete measurements, Int. J. Control 18(1), 65-75, 1973.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion._reference_preintegration import cross
from replay.motion.flight_state import (
    ACCEL_BIAS,
    ACCEL_SCALE,
    ACROSS,
    BARO_BIAS,
    BARO_LAG,
    BARO_PORT,
    BARO_SCALE,
    BAROMETER,
    GYRO_BIAS,
    GYRO_SCALE,
    HELD,
    MAGNETOMETER,
    N_IMU,
    PARAMETERS,
    POS,
    REST_GRAVITY,
    REST_RATE,
    SATELLITE,
    STATIC,
    STEADY,
    STEADY_DESCENT,
    STOPS_AT_END,
    VEL,
    ZERO_DISPLACEMENT,
    ZERO_VELOCITY,
    N,
)

Array = NDArray[np.float64]
Index = NDArray[np.int64]

ANGLE, V, P, X = slice(0, 3), slice(VEL, VEL + 3), slice(POS, POS + 3), slice(PARAMETERS, N)
UP = np.array([0.0, 0.0, 1.0])
CURVATURE_S, SHORTEST_LAG_S, TAIL_S, LOOKS = 10.0, 1e-3, 0.5, 3


class State(NamedTuple):
    """Nominal at one edge; rows of the arrays it was taken from."""

    q: Array
    v: Array
    p: Array
    params: Array


@dataclass
class Lag:
    """What the barometer is thought to show, and since when and when last it was refused."""

    time_s: float
    height_m: float
    lagged_m: float
    refused_since_s: float = np.inf
    refused_last_s: float = -np.inf


class Scalar(NamedTuple):
    """One scalar measurement: row, residual about the nominal, variance, variance outside the gate, gate in sigmas."""

    code: int
    row: Array
    residual: float
    variance: float
    lasting: float = 0.0
    gate: float = np.inf
    is_forced: bool = False


def gravity_at(gravity: Array, height_m: float) -> float:
    """g0 (1 − c1 h + c2 h²)."""
    g0, c1, c2, ground = gravity
    h = ground + height_m
    return float(g0 * (1.0 - c1 * h + c2 * h * h))


def predict(s: State, pre: tuple[Array, ...], duration: float, gravity: Array) -> tuple[State, Array, Array]:
    """State at the end of an epoch, what the specific force adds to its velocity, and the transition (25, 25) of its errors."""
    q_step, dv_body, dp_body, jacobian = pre
    turn, more_v, more_p = np.split(jacobian @ s.params[:N_IMU], 3)
    q = rotation.normalise(rotation.multiply(rotation.multiply(s.q, q_step), rotation.from_rotvec(turn)))
    start, end = rotation.to_dcm(s.q), rotation.to_dcm(q)
    dv, dp = start @ (dv_body + more_v), start @ (dp_body + more_p)
    g = gravity_at(gravity, s.p[2] + 0.5 * duration * s.v[2]) * UP
    phi, imu = np.eye(N), slice(PARAMETERS, PARAMETERS + N_IMU)
    phi[V, ANGLE], phi[P, ANGLE], phi[P, V] = -cross(dv), -cross(dp), duration * np.eye(3)
    phi[ANGLE, imu], phi[V, imu], phi[P, imu] = end @ jacobian[:3], start @ jacobian[3:6], start @ jacobian[6:]
    after = State(q, s.v + dv - g * duration, s.p + duration * s.v + dp - 0.5 * g * duration**2, s.params)
    return after, dv, phi


def stand(s: State) -> tuple[State, Array, Array]:
    """The same over an epoch at rest: attitude and position stand, velocity starts anew."""
    phi = np.eye(N)
    phi[V, V] = 0.0
    return State(s.q, np.zeros(3), s.p, s.params), np.zeros(3), phi


def process_noise(angle_var: float, push: Array, duration: float, dv: Array, walk_var: Array) -> Array:
    """∫ G W Gᵀ over the remaining share u of the epoch, at which a small turn w still turns u·Δv and ½u²·T·Δv (Gauss–Legendre, exact)."""
    noise = np.zeros((N, N))
    noise[X, X] = np.diag(walk_var)
    for x, weight in zip(*np.polynomial.legendre.leggauss(3), strict=True):
        u = 0.5 * (1.0 + x)
        g = np.zeros((N, 6))
        g[ANGLE, :3], g[V, :3], g[P, :3] = np.eye(3), -u * cross(dv), -0.5 * u * u * duration * cross(dv)
        g[V, 3:], g[P, 3:] = np.eye(3), u * duration * np.eye(3)
        w = np.zeros((6, 6))
        w[:3, :3], w[3:, 3:] = angle_var * np.eye(3), push
        noise += 0.5 * weight * g @ w @ g.T
    return noise


def curved(covariance: Array, dv: Array) -> Array:
    """Variance of each component of ½ θ × (θ × Δv) = ½ (θ θᵀ − θ² I) Δv, its terms taken one by one, θ Gaussian."""
    p = covariance[ANGLE, ANGLE]
    product = np.outer(np.diag(p), np.diag(p)) + p * p  # variance of θi θj
    out = np.zeros(3)
    for r in range(3):
        others = [i for i in range(3) if i != r]
        square = 2.0 * np.sum(p[np.ix_(others, others)] ** 2)  # variance of the sum of their squares
        out[r] = 0.25 * (square * dv[r] ** 2 + product[r, others] @ dv[others] ** 2)
    return out


def hermite(s: float, duration: float, p0: float, v0: float, p1: float, v1: float) -> float:
    """Cubic in its four basis functions."""
    h00, h10, h01, h11 = 2 * s**3 - 3 * s**2 + 1, s**3 - 2 * s**2 + s, -2 * s**3 + 3 * s**2, s**3 - s**2
    return h00 * p0 + duration * h10 * v0 + h01 * p1 + duration * h11 * v1


def barometer(k: int, time_s: Array, kind: int, a: State, b: State, aid: Any, g0: float, lag: Lag) -> Scalar | None:
    """The heights of epoch k against the nominal path between `a` and `b` seen through the lag, as their mean; moves `lag` to its end."""
    times, heights, first = aid[0], aid[1], aid[2]
    variances, gates = aid[7], aid[8]
    bias, scale, tau, port = b.params[12:]
    start, stop = time_s[k], time_s[k + 1]
    mine = slice(first[k], first[k + 1])
    seen = []
    for t, height in zip(np.append(times[mine], stop), np.append(heights[mine], np.nan), strict=True):
        share = (t - start) / (stop - start)
        true = hermite(share, stop - start, a.p[2], a.v[2], b.p[2], b.v[2])
        step = t - lag.time_s
        lagged = lag.lagged_m
        if step > 0.0:  # a ramp through a first-order lag
            slope = (true - lag.height_m) / step
            fades = np.exp(-step / tau) if tau >= SHORTEST_LAG_S else 0.0
            lagged = true - tau * slope + (lag.lagged_m - lag.height_m + tau * slope) * fades
        lag.time_s, lag.height_m, lag.lagged_m = t, true, lagged
        vel = (1.0 - share) * a.v + share * b.v
        head = vel @ vel / (2.0 * g0)
        rate = (true - lagged) / tau if tau > SHORTEST_LAG_S else vel[2]
        seen.append((stop - t, lagged, head, rate, height - (1.0 + scale) * lagged - bias - port * head))
    is_tail = stop - lag.refused_last_s <= TAIL_S
    if not is_tail and stop - lag.refused_last_s > gates[1]:
        lag.refused_since_s = np.inf
    if len(seen) == 1:
        return None
    back, shown, head, rate, residual = np.mean(seen[:-1], axis=0)
    h = np.zeros(N)
    h[V] = port * b.v / g0 - (1.0 + scale) * (back + tau) * UP
    h[POS + 2], h[BARO_BIAS], h[BARO_SCALE], h[BARO_LAG], h[BARO_PORT] = 1.0 + scale, 1.0, shown, -(1.0 + scale) * rate, head
    port_var = variances[13 if kind & ACROSS else 11] * head**2
    lasting = port_var * max(0.0, variances[12] / (stop - start) - 1.0)
    gate = 0.5 * gates[0] if is_tail else gates[0]
    is_forced = stop - lag.refused_since_s > gates[1]
    return Scalar(BAROMETER, h, residual, variances[1] / (len(seen) - 1) + port_var, lasting, gate, is_forced)


def rest(b: State, mean: Array, g: float) -> tuple[Array, Array, Array, Array]:
    """Rows (3, 25) and residuals of the mean rate, then of the mean specific force."""
    gyro_bias, accel_bias, gyro_scale, accel_scale = np.split(b.params[:N_IMU], 4)
    body = rotation.to_dcm(b.q).T
    rate, force = mean[:3], mean[3:]
    h_rate, h_force = np.zeros((3, N)), np.zeros((3, N))
    h_rate[:, GYRO_BIAS : GYRO_BIAS + 3], h_rate[:, GYRO_SCALE : GYRO_SCALE + 3] = np.eye(3), np.diag(rate)
    h_force[:, ANGLE] = body @ cross(g * UP)
    h_force[:, ACCEL_BIAS : ACCEL_BIAS + 3], h_force[:, ACCEL_SCALE : ACCEL_SCALE + 3] = np.eye(3), np.diag(force)
    return h_rate, rate - gyro_bias - gyro_scale * rate, h_force, force - accel_bias - accel_scale * force - body @ (g * UP)


def vectors(
    k: int, time_s: Array, kind: int, a: State, b: State, mean: Array, origin: Array, aid: Any, gravity: Array, *, is_iterated: bool
) -> Iterator[Scalar]:
    """All but the barometer, component by component, in the order of their codes."""
    satellite, back_s, mag, mag_ref, var, gates = aid[3][k], aid[4][k], aid[5][k], aid[6], aid[7], aid[8]
    duration, eye = time_s[k + 1] - time_s[k], np.eye(N)
    if kind & STATIC and duration >= var[10]:
        g = gravity_at(gravity, b.p[2])
        h_rate, left_rate, h_force, left_force = rest(b, mean, g)
        curvature = (0.5 * left_force @ left_force / g) ** 2 if is_iterated else 0.0
        yield from (Scalar(REST_RATE, h_rate[i], left_rate[i], var[2]) for i in range(3))
        yield from (Scalar(REST_GRAVITY, h_force[i], left_force[i], var[3] + curvature) for i in range(3))
    if kind & (STOPS_AT_END | HELD):
        yield from (Scalar(ZERO_VELOCITY, eye[VEL + i], -b.v[i], var[4]) for i in range(3))
    if kind & HELD:
        yield from (Scalar(ZERO_DISPLACEMENT, eye[POS + i], origin[i] - b.p[i], var[5]) for i in range(3))
    if np.isfinite(back_s):
        for i in range(3) if np.isfinite(satellite[0]) else [2]:
            there = hermite(1.0 - back_s / duration, duration, a.p[i], a.v[i], b.p[i], b.v[i])
            row = eye[POS + i] - back_s * eye[VEL + i]
            yield Scalar(SATELLITE, row, satellite[i] - there, var[6] if i < 2 else var[7], gate=gates[2])
    if np.isfinite(mag[0]):
        body = rotation.to_dcm(b.q).T
        rows, left = np.zeros((3, N)), mag - body @ mag_ref
        rows[:, ANGLE] = body @ cross(mag_ref)
        yield from (Scalar(MAGNETOMETER, rows[i], left[i], var[8], gate=gates[2]) for i in range(3))
    if kind & STEADY:
        yield from (Scalar(STEADY_DESCENT, eye[VEL + i], -b.v[i], var[9] / duration) for i in range(2))


class Filter:
    """Errors, covariance and the barometer's lag as they go along, and what is written of the measurements."""

    def __init__(self, covariance: Array, delta: Array, lag: Lag, store: Any) -> None:
        self.covariance, self.delta, self.lag, self.store = covariance.copy(), delta.copy(), lag, store
        store[5][:] = 0

    def absorb(self, found: Scalar, now: float, edge: int) -> None:
        """Textbook update by one scalar; beyond its gate it is refused, or taken for as noisy as it looks."""
        codes, rows, gains, values, refused, counts = self.store
        code, h, residual, variance, lasting, gate, is_forced = found
        innovation, s = residual - h @ self.delta, h @ self.covariance @ h + variance
        is_beyond = innovation**2 > gate**2 * s
        if code == BAROMETER and is_beyond:
            self.lag.refused_since_s, self.lag.refused_last_s = min(self.lag.refused_since_s, now), now
        if is_beyond and not is_forced:
            refused[counts[1]] = edge, code, innovation / np.sqrt(s)
            counts[1] += 1
            return
        s = (4.0 * innovation**2 / gate**2 if is_beyond else s) + lasting
        gain = self.covariance @ h / s
        self.delta += gain * innovation
        self.covariance -= s * np.outer(gain, gain)
        codes[counts[0]], rows[counts[0]], gains[counts[0]], values[counts[0]] = code, h, gain, (innovation, s)
        counts[0] += 1

    def move(self, b: State, edge_s: float, lag: Lag) -> None:
        """The errors put onto the nominal, and onto what the barometer is thought to show of it."""
        d, tau = self.delta, b.params[BARO_LAG - PARAMETERS]
        rate = (lag.height_m - lag.lagged_m) / tau if tau > SHORTEST_LAG_S else b.v[2]
        moved = d[POS + 2] - (edge_s - lag.time_s) * d[VEL + 2]
        lag.height_m += moved
        lag.lagged_m += moved - tau * d[VEL + 2] - rate * d[BARO_LAG]
        b.q[:] = rotation.normalise(rotation.multiply(rotation.from_rotvec(d[ANGLE]), b.q))
        b.v[:] += d[V]
        b.p[:] += d[P]
        b.params[:] += d[X]


def forward(
    is_feedback: bool, time_s: Array, kind: Index, pre: Any, walk_var: Array, gravity: Array, covariance: Array, delta: Array,
    nominal: Any, aid: Any, out: Any, store: Any,
) -> None:  # fmt: skip
    """Filter over all epochs; arguments as `_kernels_smoother.forward`, of which `covariance` and `delta` are left alone."""
    phi, packed, deltas, prior, up_start = out
    m, upper = len(kind), np.triu_indices(N)
    height = nominal[2][0, 2]
    f = Filter(covariance, delta, Lag(time_s[0], height, height), store)
    up_start[0], prior[0], packed[0], deltas[0] = 0, shown(f.covariance), f.covariance[upper], f.delta
    for k in range(m):
        up_start[k + 1] = store[5][0]
        a, b = (State(*(rows[edge] for rows in nominal)) for edge in (k, k + 1))
        is_static, was_static = bool(kind[k] & STATIC), k == 0 or bool(kind[k - 1] & STATIC)
        duration, var = time_s[k + 1] - time_s[k], pre[4][k]
        found, dv, step = stand(a) if is_static else predict(a, tuple(part[k] for part in pre[:4]), duration, gravity)
        phi[k] = step[:PARAMETERS]
        start = rotation.to_dcm(a.q)
        f.delta, f.covariance = step @ f.delta, step @ f.covariance @ step.T
        push = (aid[7][0] if is_static else var[1]) * np.eye(3) + start @ np.diag(var[2:]) @ start.T
        if is_feedback and not is_static:
            push += CURVATURE_S / duration * np.diag(curved(f.covariance, dv))
        f.covariance += process_noise(var[0], push, 0.0 if is_static else duration, dv, walk_var[k])
        if is_feedback:
            for here, value in zip(b, found, strict=True):
                here[:] = value
        else:
            turn = rotation.to_rotvec(rotation.multiply(found.q, rotation.conjugate(b.q)))
            f.delta += np.concatenate((turn, found.v - b.v, found.p - b.p, found.params - b.params))
        prior[k + 1] = shown(f.covariance)
        _look(f, k, time_s, kind[k], a, b, pre[5][k], nominal[2][0], aid, gravity, is_iterated=is_feedback and is_static and not was_static)
        leaves = is_static and (k + 1 == m or not kind[k + 1] & STATIC)
        if is_feedback and leaves:
            f.covariance[2, 2] += 0.25 * f.covariance[0, 0] * f.covariance[1, 1]
        if is_feedback and (not is_static or leaves or not was_static):
            f.move(b, time_s[k + 1], f.lag)
            f.delta[:] = 0.0
        packed[k + 1], deltas[k + 1] = f.covariance[upper], f.delta
    up_start[m + 1] = store[5][0]


def _look(
    f: Filter, k: int, time_s: Array, kind: int, a: State, b: State, mean: Array, origin: Array, aid: Any, gravity: Array,
    *, is_iterated: bool,
) -> None:  # fmt: skip
    """The measurements of epoch k; iterated, again from the same prior about the corrected state."""
    before, covariance, counts, moved = Lag(**vars(f.lag)), f.covariance.copy(), f.store[5].copy(), np.zeros(N)
    for look in range(LOOKS if is_iterated else 1):
        if look:
            f.move(b, time_s[k + 1], before)
            moved += f.delta
            f.delta, f.covariance, f.lag, f.store[5][:] = -moved, covariance.copy(), Lag(**vars(before)), counts
        height = barometer(k, time_s, kind, a, b, aid, gravity[0], f.lag)
        scalars = vectors(k, time_s, kind, a, b, mean, origin, aid, gravity, is_iterated=is_iterated)
        for found in ([] if height is None else [height]) + list(scalars):
            f.absorb(found, time_s[k + 1], k + 1)


def shown(covariance: Array) -> Array:
    """Attitude xx, yy, zz, xy, xz, yz, then the diagonal of the rest, shape (28,)."""
    d = np.diag(covariance)
    return np.concatenate((d[:3], covariance[[0, 0, 1], [1, 2, 2]], d[3:]))


def unpacked(packed: Array) -> Array:
    """Symmetric (25, 25) from its upper triangle."""
    out = np.zeros((N, N))
    out[np.triu_indices(N)] = packed
    return np.asarray(out + np.triu(out, 1).T)


def whole_transition(phi: Array) -> Array:
    """Φ (25, 25) from its first nine rows."""
    return np.vstack((phi, np.eye(N)[PARAMETERS:]))


def backward(
    has_covariance: bool, phi: Array, packed: Array, deltas: Array, up_start: Index, up_row: Array, up_gain: Array, up_value: Array,
    out_delta: Array, out_shown: Array, out_full: Array,
) -> None:  # fmt: skip
    """Adjoint recursion [2]_ in whole matrices; arguments as `_kernels_smoother.backward`."""
    adjoint, information = np.zeros(N), np.zeros((N, N))
    for k in range(len(phi), -1, -1):
        covariance = unpacked(packed[k])
        out_delta[k] = deltas[k] - covariance @ adjoint
        if has_covariance:
            smoothed = covariance - covariance @ information @ covariance
            out_shown[k] = shown(smoothed)
            if len(out_full[k]):
                out_full[k] = smoothed
        if k == 0:
            return
        for u in range(up_start[k + 1] - 1, up_start[k] - 1, -1):
            h, (innovation, s) = up_row[u], up_value[u]
            keep = np.eye(N) - np.outer(up_gain[u], h)
            adjoint = keep.T @ adjoint - h * innovation / s
            information = keep.T @ information @ keep + np.outer(h, h) / s
        step = whole_transition(phi[k - 1])
        adjoint, information = step.T @ adjoint, step.T @ information @ step


def rauch_tung_striebel(
    phi: Array, packed: Array, deltas: Array, up_start: Index, up_gain: Array, up_value: Array
) -> tuple[Array, Array]:  # fmt: skip
    """Smoothed errors (m + 1, 25) and covariances (m + 1, 25, 25) by the textbook recursion [1]_, of a pass about a given nominal.

    What was predicted is what the updates left, with each of them undone. Directions without variance are left out of the inverse.
    """
    x, p = deltas.copy(), np.array([unpacked(row) for row in packed])
    for k in range(len(phi) - 1, -1, -1):
        mine = slice(up_start[k + 1], up_start[k + 2])
        gain, innovation, s = up_gain[mine], up_value[mine, 0], up_value[mine, 1]
        x_predicted = deltas[k + 1] - innovation @ gain
        p_predicted = unpacked(packed[k + 1]) + (gain.T * s) @ gain
        scale = np.sqrt(np.diag(p_predicted))
        one = 1.0 / np.where(scale > 0.0, scale, np.inf)
        inverse = np.linalg.pinv(p_predicted * np.outer(one, one), rcond=1e-14, hermitian=True) * np.outer(one, one)
        back = p[k] @ whole_transition(phi[k]).T @ inverse
        x[k] = x[k] + back @ (x[k + 1] - x_predicted)
        p[k] = p[k] + back @ (p[k + 1] - p_predicted) @ back.T
    return x, p
