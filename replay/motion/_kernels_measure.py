"""Compiled measurements of the flight estimator: a scalar absorbed, the barometer of an epoch, rest, stops, satellite, magnetometer.

The errors are those of `flight_state.py`. Each helper is called from one place where it can be:
what is called from three is compiled three times over.
"""

from __future__ import annotations

import math

import numpy as np

from replay.jit import compiled
from replay.motion._kernels_preintegration import dcm_of
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

_SHORTEST_LAG_S = 1e-3
TAIL_S = 0.5
"""For so long after a refused height the gate is half as wide: a spike's tail is part of the spike."""

# places in `lag_state`
LAG_TIME, LAG_HEIGHT, LAGGED, REFUSED_SINCE, REFUSED_LAST = range(5)


@compiled
def copy(source, target):  # type: ignore[no-untyped-def]
    """Elements of one row into another (a slice assignment brings its error messages along, a second of compiling each)."""
    for i in range(len(target)):
        target[i] = source[i]


@compiled
def gravity_at(gravity, height_m):  # type: ignore[no-untyped-def]
    """Gravity at a height above the pad from (g0, c1, c2, ground height): g0 (1 − c1 h + c2 h²)."""
    h = gravity[3] + height_m
    return gravity[0] * (1.0 - gravity[1] * h + gravity[2] * h * h)


@compiled
def _absorb(covariance, delta, h, residual, variance, lasting, gate, is_forced, gain):  # type: ignore[no-untyped-def]
    """One scalar measurement: residual about the nominal, row h. Returns (innovation, its variance, 0 refused, 1 taken, 2 forced).

    Beyond `gate` sigmas it is not; where it is forced, it is taken for as noisy as it looks, half the gate off. `lasting` is variance that
    the gate does not have: an error that neighbouring measurements share weighs as if each had it anew, but is no larger in any of them.
    """
    ph = np.zeros(N)
    for j in range(N):
        factor = h[j]
        if factor != 0.0:
            for i in range(N):
                ph[i] += factor * covariance[j, i]
    s, innovation, verdict = variance, residual, 1
    for j in range(N):
        s += h[j] * ph[j]
        innovation -= h[j] * delta[j]
    if innovation * innovation > gate * gate * s:
        if not is_forced:
            return innovation, s, 0
        verdict = 2
        s = 4.0 * innovation * innovation / (gate * gate)
    s += lasting
    for i in range(N):
        factor = ph[i] / s
        gain[i] = factor
        delta[i] += factor * innovation
        for j in range(N):
            covariance[i, j] -= factor * ph[j]
    return innovation, s, verdict


@compiled
def _hermite(s, duration, p0, v0, p1, v1):  # type: ignore[no-untyped-def]
    """Cubic through two ends with their slopes, at share s of the way."""
    a, b = 1.0 - s, s
    return p0 * a * a * (1.0 + 2.0 * b) + p1 * b * b * (1.0 + 2.0 * a) + duration * a * b * (v0 * a - v1 * b)


@compiled
def _lagged(height, last, lagged, step, lag):  # type: ignore[no-untyped-def]
    """First-order lag of a height that ran in a straight line from `last` to `height` in `step`."""
    if step <= 0.0:
        return lagged
    slope = (height - last) / step
    if lag < _SHORTEST_LAG_S:
        return height - lag * slope
    return height - lag * slope + (lagged - last + lag * slope) * math.exp(-step / lag)


@compiled
def move_lag(lag_state, delta, edge_time_s, params, vel_up):  # type: ignore[no-untyped-def]
    """Shift what the barometer is thought to show when the nominal is moved by `delta`: by the height less the lag's share of the speed."""
    lag = params[BARO_LAG - PARAMETERS]
    moved = delta[POS + 2] - (edge_time_s - lag_state[LAG_TIME]) * delta[VEL + 2]
    rate = (lag_state[LAG_HEIGHT] - lag_state[LAGGED]) / lag if lag > _SHORTEST_LAG_S else vel_up
    lag_state[LAG_HEIGHT] += moved
    lag_state[LAGGED] += moved - lag * delta[VEL + 2] - rate * delta[BARO_LAG]


@compiled
def _barometer_row(k, time_s, before, after, aid, g, lag_state, h):  # type: ignore[no-untyped-def]
    """Row and mean residual of the heights of epoch k, each against the nominal path seen through the lag; returns (count, residual)."""
    baro_time_s, baro_height_m, first = aid[0], aid[1], aid[2]
    v0, p0 = before[1], before[2]
    v1, p1, params = after[1], after[2], after[3]
    start, stop = time_s[k], time_s[k + 1]
    lag = params[BARO_LAG - PARAMETERS]
    scale = 1.0 + params[BARO_SCALE - PARAMETERS]
    port = params[BARO_PORT - PARAMETERS]
    count = 0
    residual, back, shown, rate, square = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(first[k], first[k + 1] + 1):
        is_edge = i == first[k + 1]
        t = stop if is_edge else baro_time_s[i]
        share = (t - start) / (stop - start)
        height = _hermite(share, stop - start, p0[2], v0[2], p1[2], v1[2])
        lagged = _lagged(height, lag_state[LAG_HEIGHT], lag_state[LAGGED], t - lag_state[LAG_TIME], lag)
        lag_state[LAG_TIME], lag_state[LAG_HEIGHT], lag_state[LAGGED] = t, height, lagged
        if is_edge:
            continue
        q = 0.0
        for r in range(3):
            q += (v0[r] + share * (v1[r] - v0[r])) ** 2
        q /= 2.0 * g
        count += 1
        back += stop - t
        shown += lagged
        square += q
        rate += (height - lagged) / lag if lag > _SHORTEST_LAG_S else v0[2] + share * (v1[2] - v0[2])
        residual += baro_height_m[i] - scale * lagged - params[BARO_BIAS - PARAMETERS] - port * q
    if count == 0:
        return 0, 0.0
    h[:] = 0.0
    h[POS + 2] = scale
    h[VEL + 2] = -scale * (back / count + lag)
    for r in range(3):
        h[VEL + r] += port * v1[r] / g
    h[BARO_BIAS] = 1.0
    h[BARO_SCALE] = shown / count
    h[BARO_LAG] = -scale * rate / count
    h[BARO_PORT] = square / count
    return count, residual / count


@compiled
def _barometer_gate(now, gates, lag_state):  # type: ignore[no-untyped-def]
    """Gate of a height in sigmas, and whether it is forced: refused for longer than a spike lasts, it may be the path that is wrong."""
    is_tail = now - lag_state[REFUSED_LAST] <= TAIL_S
    if not is_tail and now - lag_state[REFUSED_LAST] > gates[1]:
        lag_state[REFUSED_SINCE] = math.inf
    return 0.5 * gates[0] if is_tail else gates[0], now - lag_state[REFUSED_SINCE] > gates[1]


@compiled
def _rest_row(i, rot, mean, params, g, h):  # type: ignore[no-untyped-def]
    """Row h and residual of rest measurement i: 0-2 mean rate = gyro bias, 3-5 mean specific force = gravity's reaction + bias."""
    h[:] = 0.0
    c = i % 3
    measured = mean[i]
    if i < 3:
        h[GYRO_BIAS + c] = 1.0
        h[GYRO_SCALE + c] = measured
        return measured - params[c] - params[6 + c] * measured
    h[0] = g * rot[1, c]
    h[1] = -g * rot[0, c]
    h[ACCEL_BIAS + c] = 1.0
    h[ACCEL_SCALE + c] = measured
    return measured - params[3 + c] - params[9 + c] * measured - g * rot[2, c]


@compiled
def _curvature(rot, mean, params, g, h):  # type: ignore[no-untyped-def]
    """Variance of what a straight line leaves out of the correction that the gravity at rest still asks for: half its square."""
    total = 0.0
    for i in range(3, 6):
        total += _rest_row(i, rot, mean, params, g, h) ** 2
    return (0.5 * total / g) ** 2


@compiled
def _components(code, k, kind, duration, aid):  # type: ignore[no-untyped-def]
    """First and one past the last component that epoch k has of a kind of measurement; (0, 0) for none."""
    satellite, satellite_back_s, mag, variances = aid[3], aid[4], aid[5], aid[7]
    if code in (REST_RATE, REST_GRAVITY):
        has = kind & STATIC != 0 and duration >= variances[10]
    elif code == ZERO_VELOCITY:
        has = kind & (STOPS_AT_END | HELD) != 0
    elif code == ZERO_DISPLACEMENT:
        has = kind & HELD != 0
    elif code == SATELLITE:
        if np.isfinite(satellite_back_s[k]) and not np.isfinite(satellite[k, 0]):
            return 2, 3
        has = np.isfinite(satellite_back_s[k])
    elif code == MAGNETOMETER:
        has = np.isfinite(mag[k, 0])
    else:
        return 0, 2 if kind & STEADY != 0 else 0
    return 0, 3 if has else 0


@compiled
def _row(code, i, k, duration, before, after, rot, mean, origin, aid, g, h):  # type: ignore[no-untyped-def]
    """Row h of component i of a kind of measurement; returns (residual about the nominal, variance)."""
    variances = aid[7]
    v, p, params = after[1], after[2], after[3]
    h[:] = 0.0
    if code == REST_RATE:
        return _rest_row(i, rot, mean, params, 0.0, h), variances[2]
    if code == REST_GRAVITY:
        return _rest_row(3 + i, rot, mean, params, g, h), variances[3]
    if code == ZERO_DISPLACEMENT:
        h[POS + i] = 1.0
        return origin[i] - p[i], variances[5]
    if code == SATELLITE:
        satellite, back = aid[3], aid[4][k]
        h[POS + i] = 1.0
        h[VEL + i] = -back
        there = _hermite(1.0 - back / duration, duration, before[2][i], before[1][i], p[i], v[i])
        return satellite[k, i] - there, variances[6] if i < 2 else variances[7]
    if code == MAGNETOMETER:
        mag, ref = aid[5], aid[6]
        x, y, z = ref[0], ref[1], ref[2]
        h[0] = rot[1, i] * z - rot[2, i] * y
        h[1] = rot[2, i] * x - rot[0, i] * z
        h[2] = rot[0, i] * y - rot[1, i] * x
        return mag[k, i] - (rot[0, i] * x + rot[1, i] * y + rot[2, i] * z), variances[8]
    h[VEL + i] = 1.0
    return -v[i], variances[4] if code == ZERO_VELOCITY else variances[9] / duration


@compiled
def measure(k, time_s, kind, before, after, mean, origin, aid, gravity, is_iterated, covariance, delta, lag_state, store):  # type: ignore[no-untyped-def]
    """Everything measured in epoch k, at the edge that ends it, component by component. `before`, `after`: nominal at its ends."""
    codes, rows, gains, values, refused, counts = store
    variances, gates = aid[7], aid[8]
    h, gain, rot = np.zeros(N), np.zeros(N), np.empty((3, 3))
    q = after[0]
    dcm_of(q[0], q[1], q[2], q[3], rot)
    now, duration = time_s[k + 1], time_s[k + 1] - time_s[k]
    g = gravity_at(gravity, after[2][2])
    for code in range(STEADY_DESCENT + 1):
        gate, is_forced, more, lasting = math.inf, False, 0.0, 0.0
        if code == BAROMETER:
            count, residual = _barometer_row(k, time_s, before, after, aid, gravity[0], lag_state, h)
            first, last = 0, min(count, 1)
            port = variances[13 if kind & ACROSS != 0 else 11] * h[BARO_PORT] ** 2 if count > 0 else 0.0
            variance = variances[1] / max(count, 1) + port
            lasting = port * max(0.0, variances[12] / duration - 1.0)
            gate, is_forced = _barometer_gate(now, gates, lag_state)
        else:
            first, last = _components(code, k, kind, duration, aid)
            if code == REST_GRAVITY and is_iterated and last > 0:
                more = _curvature(rot, mean, after[3], g, h)
            if code in (SATELLITE, MAGNETOMETER):
                gate = gates[2]
        for i in range(first, last):
            if code != BAROMETER:
                residual, variance = _row(code, i, k, duration, before, after, rot, mean, origin, aid, g, h)
            innovation, s, verdict = _absorb(covariance, delta, h, residual, variance + more, lasting, gate, is_forced, gain)
            if code == BAROMETER and verdict != 1:
                lag_state[REFUSED_SINCE] = min(lag_state[REFUSED_SINCE], now)
                lag_state[REFUSED_LAST] = now
            place = 0 if verdict > 0 else 1
            n = counts[place]
            if verdict > 0:
                codes[n] = code
                copy(h, rows[n])
                copy(gain, gains[n])
                values[n, 0], values[n, 1] = innovation, s
            else:
                refused[n, 0], refused[n, 1], refused[n, 2] = k + 1, code, innovation / math.sqrt(s)
            counts[place] = n + 1
