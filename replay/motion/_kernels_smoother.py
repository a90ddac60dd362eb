"""Compiled loops of the flight estimator: pre-integration, forward filter, backward pass, and the samples between epochs.

State of the filter, 25 errors about a nominal trajectory: attitude (enu, R_true = exp(δθ) R), velocity, position (enu), then the
parameters gyro bias, accelerometer bias, gyro scale, accelerometer scale (body), and four of the barometer: bias, scale, lag and the
share of the dynamic pressure its port feels. Slow twins: `_reference_smoother.py`.
"""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply, rotate
from replay.jit import compiled
from replay.motion._kernels_preintegration import dcm_of, step_between

N = 25
N_PARAMETERS = 16
N_IMU = 12
VEL, POS, PARAMETERS = 3, 6, 9
GYRO_BIAS, ACCEL_BIAS, GYRO_SCALE, ACCEL_SCALE = 9, 12, 15, 18
BARO_BIAS, BARO_SCALE, BARO_LAG, BARO_PORT = 21, 22, 23, 24

# what an epoch is (bits of `kind`)
STATIC, STOPS_AT_END, HELD, STEADY = 1, 2, 4, 8

# names of the scalar measurements, by code
KINDS = (
    "barometer",
    "rest rate",
    "rest gravity",
    "zero velocity",
    "zero displacement",
    "satellite position",
    "magnetometer",
    "steady descent",
)
BAROMETER, REST_RATE, REST_GRAVITY, ZERO_VELOCITY, ZERO_DISPLACEMENT, SATELLITE, MAGNETOMETER, STEADY_DESCENT = range(8)

_SHORTEST_LAG_S = 1e-3


@compiled
def _gravity(gravity, height_m):  # type: ignore[no-untyped-def]
    """Gravity at a height above the pad from (g0, c1, c2, ground height): g0 (1 − c1 h + c2 h²)."""
    h = gravity[3] + height_m
    return gravity[0] * (1.0 - gravity[1] * h + gravity[2] * h * h)


@compiled
def _turn_left(q, x, y, z):  # type: ignore[no-untyped-def]
    """q ← exp(δθ) q, in place, normalised."""
    dw, dx, dy, dz = from_rotvec(x, y, z)
    w, a, b, c = multiply(dw, dx, dy, dz, q[0], q[1], q[2], q[3])
    s = 1.0 / math.sqrt(w * w + a * a + b * b + c * c)
    q[0], q[1], q[2], q[3] = w * s, a * s, b * s, c * s


@compiled
def _predict(q, v, p, params, pre_q, pre_dv, pre_dp, jacobian, duration, gravity, next_q, next_v, next_p, dv_enu, dp_enu, b):  # type: ignore[no-untyped-def]
    """Nominal state over one epoch, and its derivatives: δv and δp of δθ (through dv_enu, dp_enu) and `b` (9, 12) of the sensor errors."""
    rot = np.empty((3, 3))
    dcm_of(q[0], q[1], q[2], q[3], rot)
    body = np.zeros(9)
    for r in range(9):
        total = 0.0
        for c in range(12):
            total += jacobian[r, c] * params[c]
        body[r] = total
    sw, sx, sy, sz = from_rotvec(body[0], body[1], body[2])
    aw, ax, ay, az = multiply(pre_q[0], pre_q[1], pre_q[2], pre_q[3], sw, sx, sy, sz)
    aw, ax, ay, az = multiply(q[0], q[1], q[2], q[3], aw, ax, ay, az)
    s = 1.0 / math.sqrt(aw * aw + ax * ax + ay * ay + az * az)
    next_q[0], next_q[1], next_q[2], next_q[3] = aw * s, ax * s, ay * s, az * s
    for r in range(3):
        dv_enu[r] = 0.0
        dp_enu[r] = 0.0
        for c in range(3):
            dv_enu[r] += rot[r, c] * (pre_dv[c] + body[3 + c])
            dp_enu[r] += rot[r, c] * (pre_dp[c] + body[6 + c])
    g = _gravity(gravity, p[2] + 0.5 * duration * v[2])
    for r in range(3):
        next_v[r] = v[r] + dv_enu[r]
        next_p[r] = p[r] + duration * v[r] + dp_enu[r]
    next_v[2] -= g * duration
    next_p[2] -= 0.5 * g * duration * duration
    end = np.empty((3, 3))
    dcm_of(next_q[0], next_q[1], next_q[2], next_q[3], end)
    for r in range(3):
        for c in range(12):
            b[r, c] = end[r, 0] * jacobian[0, c] + end[r, 1] * jacobian[1, c] + end[r, 2] * jacobian[2, c]
            b[3 + r, c] = rot[r, 0] * jacobian[3, c] + rot[r, 1] * jacobian[4, c] + rot[r, 2] * jacobian[5, c]
            b[6 + r, c] = rot[r, 0] * jacobian[6, c] + rot[r, 1] * jacobian[7, c] + rot[r, 2] * jacobian[8, c]


@compiled
def _cross_rows(u, source, target):  # type: ignore[no-untyped-def]
    """target −= [u]× source, row blocks (3, w): what an attitude error does to a vector u turned by that attitude."""
    x, y, z = u[0], u[1], u[2]
    for c in range(source.shape[1]):
        s0, s1, s2 = source[0, c], source[1, c], source[2, c]
        target[0, c] -= y * s2 - z * s1
        target[1, c] -= z * s0 - x * s2
        target[2, c] -= x * s1 - y * s0


@compiled
def _through(is_static, duration, dv_enu, dp_enu, b, x):  # type: ignore[no-untyped-def]
    """x ← Φ x in place, x of shape (25, w)."""
    if is_static:
        x[VEL:POS] = 0.0
        return
    w = x.shape[1]
    for r in range(3):
        for c in range(w):
            x[POS + r, c] += duration * x[VEL + r, c]
    _cross_rows(dv_enu, x[0:3], x[VEL:POS])
    _cross_rows(dp_enu, x[0:3], x[POS:PARAMETERS])
    for r in range(9):
        for k in range(N_IMU):
            factor = b[r, k]
            if factor != 0.0:
                row = x[PARAMETERS + k]
                for c in range(w):
                    x[r, c] += factor * row[c]


@compiled
def _back_through(is_static, duration, dv_enu, dp_enu, b, x):  # type: ignore[no-untyped-def]
    """x ← Φᵀ x in place, x of shape (25, w)."""
    if is_static:
        x[VEL:POS] = 0.0
        return
    w = x.shape[1]
    for k in range(N_IMU):
        for r in range(9):
            factor = b[r, k]
            if factor != 0.0:
                row = x[r]
                for c in range(w):
                    x[PARAMETERS + k, c] += factor * row[c]
    # ([u]×)ᵀ = −[u]×, so that the sign turns round
    for i in range(2):
        u = dv_enu if i == 0 else dp_enu
        first = VEL if i == 0 else POS
        for c in range(w):
            s0, s1, s2 = x[first, c], x[first + 1, c], x[first + 2, c]
            x[0, c] += u[1] * s2 - u[2] * s1
            x[1, c] += u[2] * s0 - u[0] * s2
            x[2, c] += u[0] * s1 - u[1] * s0
    for r in range(3):
        for c in range(w):
            x[VEL + r, c] += duration * x[POS + r, c]


@compiled
def _transpose(x):  # type: ignore[no-untyped-def]
    for i in range(x.shape[0]):
        for j in range(i):
            x[i, j], x[j, i] = x[j, i], x[i, j]


@compiled
def _add_noise(covariance, angle_var, vel_var, duration, dv_enu):  # type: ignore[no-untyped-def]
    """What white noise, spread evenly over the epoch, adds to attitude, velocity and position."""
    cross = np.zeros((3, 3))
    cross[0, 1], cross[0, 2], cross[1, 2] = -dv_enu[2], dv_enu[1], -dv_enu[0]
    cross[1, 0], cross[2, 0], cross[2, 1] = dv_enu[2], -dv_enu[1], dv_enu[0]
    for r in range(3):
        covariance[r, r] += angle_var
        covariance[VEL + r, VEL + r] += vel_var
        covariance[POS + r, POS + r] += vel_var * duration * duration / 3.0
        covariance[VEL + r, POS + r] += vel_var * duration / 2.0
        covariance[POS + r, VEL + r] += vel_var * duration / 2.0
        for c in range(3):
            va = -0.5 * angle_var * cross[r, c]
            pa = -angle_var * duration / 6.0 * cross[r, c]
            covariance[VEL + r, c] += va
            covariance[c, VEL + r] += va
            covariance[POS + r, c] += pa
            covariance[c, POS + r] += pa
            square = cross[r, 0] * cross[c, 0] + cross[r, 1] * cross[c, 1] + cross[r, 2] * cross[c, 2]
            covariance[VEL + r, VEL + c] += angle_var / 3.0 * square
            covariance[POS + r, POS + c] += angle_var * duration * duration / 20.0 * square
            covariance[POS + r, VEL + c] += angle_var * duration / 8.0 * square
            covariance[VEL + c, POS + r] += angle_var * duration / 8.0 * square


@compiled
def _add_along(covariance, rot, var, duration):  # type: ignore[no-untyped-def]
    """Velocity noise along the body axes, var[2:5], from clipped or missing samples."""
    for r in range(3):
        for c in range(3):
            total = 0.0
            for i in range(3):
                total += rot[r, i] * rot[c, i] * var[2 + i]
            covariance[VEL + r, VEL + c] += total
            covariance[POS + r, POS + c] += total * duration * duration / 3.0
            covariance[VEL + r, POS + c] += 0.5 * total * duration
            covariance[POS + c, VEL + r] += 0.5 * total * duration


@compiled
def _absorb(covariance, delta, h, residual, variance, gate, gain):  # type: ignore[no-untyped-def]
    """One scalar measurement: residual about the nominal, row h. Nothing is absorbed beyond `gate` sigmas (0: no gate).

    Returns innovation and its variance; the gain is written to `gain`.
    """
    ph = np.zeros(N)
    for j in range(N):
        factor = h[j]
        if factor != 0.0:
            row = covariance[j]
            for i in range(N):
                ph[i] += factor * row[i]
    s, predicted = variance, 0.0
    for j in range(N):
        s += h[j] * ph[j]
        predicted += h[j] * delta[j]
    innovation = residual - predicted
    if gate > 0.0 and innovation * innovation > gate * gate * s:
        return innovation, s
    inverse = 1.0 / s
    for i in range(N):
        gain[i] = ph[i] * inverse
        delta[i] += gain[i] * innovation
    for i in range(N):
        factor = gain[i]
        row = covariance[i]
        for j in range(N):
            row[j] -= factor * ph[j]
    return innovation, s


@compiled
def _pack(matrix, out):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(N):
        for j in range(i, N):
            out[n] = 0.5 * (matrix[i, j] + matrix[j, i])
            n += 1


@compiled
def _unpack(packed, out):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(N):
        for j in range(i, N):
            out[i, j] = packed[n]
            out[j, i] = packed[n]
            n += 1


@compiled
def _show(matrix, out):  # type: ignore[no-untyped-def]
    """What is kept of a covariance for the samples: attitude (6: xx, yy, zz, xy, xz, yz), then the diagonal of the other 22."""
    out[0], out[1], out[2] = matrix[0, 0], matrix[1, 1], matrix[2, 2]
    out[3], out[4], out[5] = matrix[0, 1], matrix[0, 2], matrix[1, 2]
    for i in range(3, N):
        out[3 + i] = matrix[i, i]


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
def _rest_rows(i, rot, mean, params, g, h):  # type: ignore[no-untyped-def]
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
def forward(  # type: ignore[no-untyped-def]
    is_feedback, time_s, kind, pre_q, pre_dv, pre_dp, pre_jacobian, pre_var, pre_mean, walk_var, gravity, covariance, delta,
    nominal_q, nominal_v, nominal_p, nominal_params, baro_time_s, baro_height_m, baro_first, satellite, satellite_back_s, mag, mag_ref,
    variances, gates, phi_dv, phi_dp, phi_b, packed, deltas, prior, up_start, up_code, up_row, up_gain, up_value, refused,
):  # fmt: skip
    """Filter over the epochs k = 0 .. m − 1 between edges 0 .. m. Returns (updates stored, refusals stored).

    `is_feedback`: a filter that moves its nominal to each new estimate; the nominal arrays (m + 1 rows) are written, row 0 given.
    Otherwise the nominal is given, errors are carried in `delta` and the system is linear: one Gauss–Newton step of the whole flight.
    `covariance` (25, 25) and `delta` (25,) are those of edge 0, both used up. `walk_var` (m, 16): what parameters wander in an epoch.
    `variances`, `gates`: see `smoother.Aiding`. Written for `backward`: transitions `phi_*`, `packed` covariances and `deltas` after
    the updates of each edge, `prior` (shown part of the covariance before them), and one row, gain, innovation and variance for each
    scalar measurement taken, those of edge k between up_start[k] and up_start[k + 1].
    """
    m = len(kind)
    h = np.zeros(N)
    gain = np.zeros(N)
    rot = np.empty((3, 3))
    next_q = np.empty(4)
    next_v = np.empty(3)
    next_p = np.empty(3)
    n_up, n_refused = 0, 0
    lag_time, lag_height, lagged = time_s[0], nominal_p[0, 2], nominal_p[0, 2]
    # A nominal that moves while the vehicle rests would seem to tell a lean from a bias: each linearisation is blind along another
    # direction. So it stands still, but for the first two epochs after a landing, which may have much to correct.
    n_resting = 2
    refused_since = math.inf
    refused_last = -math.inf
    _pack(covariance, packed[0])
    _show(covariance, prior[0])
    deltas[0] = delta
    up_start[0] = 0
    up_start[1] = 0
    for k in range(m):
        duration = time_s[k + 1] - time_s[k]
        is_static = kind[k] & STATIC != 0
        params = nominal_params[k]
        if is_static:
            next_q[:] = nominal_q[k]
            next_v[:] = 0.0
            next_p[:] = nominal_p[k]
        else:
            _predict(
                nominal_q[k], nominal_v[k], nominal_p[k], params, pre_q[k], pre_dv[k], pre_dp[k], pre_jacobian[k], duration, gravity,
                next_q, next_v, next_p, phi_dv[k], phi_dp[k], phi_b[k],
            )  # fmt: skip
        # error and covariance
        column = delta.reshape((N, 1))
        _through(is_static, duration, phi_dv[k], phi_dp[k], phi_b[k], column)
        _through(is_static, duration, phi_dv[k], phi_dp[k], phi_b[k], covariance)
        _transpose(covariance)
        _through(is_static, duration, phi_dv[k], phi_dp[k], phi_b[k], covariance)
        if is_static:
            for r in range(3):
                covariance[r, r] += pre_var[k, 0]
                covariance[VEL + r, VEL + r] += variances[1]
        else:
            _add_noise(covariance, pre_var[k, 0], pre_var[k, 1], duration, phi_dv[k])
            if pre_var[k, 2] + pre_var[k, 3] + pre_var[k, 4] > 0.0:
                q = nominal_q[k]
                dcm_of(q[0], q[1], q[2], q[3], rot)
                _add_along(covariance, rot, pre_var[k], duration)
        for i in range(N_PARAMETERS):
            covariance[PARAMETERS + i, PARAMETERS + i] += walk_var[k, i]
        if is_feedback:
            nominal_q[k + 1] = next_q
            nominal_v[k + 1] = next_v
            nominal_p[k + 1] = next_p
            nominal_params[k + 1] = params
        else:  # the nominal need not obey the dynamics: where it ends up differs from the next one by a known error
            pw, px, py, pz = nominal_q[k + 1, 0], -nominal_q[k + 1, 1], -nominal_q[k + 1, 2], -nominal_q[k + 1, 3]
            dw, dx, dy, dz = multiply(next_q[0], next_q[1], next_q[2], next_q[3], pw, px, py, pz)
            size = math.sqrt(dx * dx + dy * dy + dz * dz)
            factor = 2.0 if size < 1e-9 else 2.0 * math.atan2(size, abs(dw)) / size
            if dw < 0.0:
                factor = -factor
            delta[0] += factor * dx
            delta[1] += factor * dy
            delta[2] += factor * dz
            for r in range(3):
                delta[VEL + r] += next_v[r] - nominal_v[k + 1, r]
                delta[POS + r] += next_p[r] - nominal_p[k + 1, r]
            for i in range(N_PARAMETERS):
                delta[PARAMETERS + i] += params[i] - nominal_params[k + 1, i]
        _show(covariance, prior[k + 1])
        q, v, p, params = nominal_q[k + 1], nominal_v[k + 1], nominal_p[k + 1], nominal_params[k + 1]
        up_start[k + 1] = n_up

        # barometer: all heights of the epoch as one, each against the nominal path seen through the lag
        lag = params[BARO_LAG - PARAMETERS]
        scale = 1.0 + params[BARO_SCALE - PARAMETERS]
        count = 0
        residual, mean_back, mean_lagged, mean_rate, mean_square = 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(baro_first[k], baro_first[k + 1] + 1):
            is_edge = i == baro_first[k + 1]
            t = time_s[k + 1] if is_edge else baro_time_s[i]
            share = (t - time_s[k]) / duration
            height = _hermite(share, duration, nominal_p[k, 2], nominal_v[k, 2], p[2], v[2])
            lagged = _lagged(height, lag_height, lagged, t - lag_time, lag)
            lag_time, lag_height = t, height
            if is_edge:
                continue
            square = 0.0
            for r in range(3):
                speed = nominal_v[k, r] + share * (v[r] - nominal_v[k, r])
                square += speed * speed
            square /= 2.0 * gravity[0]
            count += 1
            mean_back += time_s[k + 1] - t
            mean_lagged += lagged
            mean_square += square
            mean_rate += (height - lagged) / lag if lag > _SHORTEST_LAG_S else nominal_v[k, 2] + share * (v[2] - nominal_v[k, 2])
            residual += baro_height_m[i] - scale * lagged - params[BARO_BIAS - PARAMETERS] - params[BARO_PORT - PARAMETERS] * square
        if count > 0:
            back = mean_back / count
            h[:] = 0.0
            h[POS + 2] = scale
            h[VEL + 2] = -scale * (back + lag)
            for r in range(3):
                h[VEL + r] += params[BARO_PORT - PARAMETERS] * v[r] / gravity[0]
            h[BARO_BIAS] = 1.0
            h[BARO_SCALE] = mean_lagged / count
            h[BARO_LAG] = -scale * mean_rate / count
            h[BARO_PORT] = mean_square / count
            variance = variances[2] / count
            # for half a second after a refusal the gate is half as wide: a spike's tail is part of the spike
            gate = gates[0] if time_s[k + 1] - refused_last > 0.5 else 0.5 * gates[0]
            innovation, s = _absorb(covariance, delta, h, residual / count, variance, gate, gain)
            is_taken = gate <= 0.0 or innovation * innovation <= gate * gate * s
            if not is_taken:
                refused_since = min(refused_since, time_s[k + 1])
                refused_last = time_s[k + 1]
                if time_s[k + 1] - refused_since > gates[1]:
                    # refused for too long to be a spike: the path may be what is wrong. Taken back, as noisy as it looks
                    variance += max(0.0, innovation * innovation / (0.25 * gate * gate) - s)
                    innovation, s = _absorb(covariance, delta, h, residual / count, variance, 0.0, gain)
                    is_taken = True
                else:
                    refused[n_refused, 0], refused[n_refused, 1], refused[n_refused, 2] = k + 1, BAROMETER, innovation / math.sqrt(s)
                    n_refused += 1
            elif time_s[k + 1] - refused_last > gates[1]:
                refused_since = math.inf
            if is_taken:
                up_code[n_up], up_row[n_up], up_gain[n_up] = BAROMETER, h, gain
                up_value[n_up, 0], up_value[n_up, 1] = innovation, s
                n_up += 1

        # the rest: rows of at most three components each
        for code in range(REST_RATE, STEADY_DESCENT + 1):
            first, last = 0, 3
            if code == REST_RATE or code == REST_GRAVITY:
                if not is_static or duration < variances[12]:
                    continue
            elif code == ZERO_VELOCITY:
                if kind[k] & (STOPS_AT_END | HELD) == 0:
                    continue
            elif code == ZERO_DISPLACEMENT:
                if kind[k] & HELD == 0:
                    continue
            elif code == SATELLITE:
                if not np.isfinite(satellite_back_s[k]):
                    continue
                if not np.isfinite(satellite[k, 0]):
                    first = 2
            elif code == MAGNETOMETER:
                if not np.isfinite(mag[k, 0]):
                    continue
            elif code == STEADY_DESCENT:
                if kind[k] & STEADY == 0:
                    continue
                last = 2
            if code == REST_GRAVITY or code == MAGNETOMETER:
                dcm_of(q[0], q[1], q[2], q[3], rot)
            curvature = 0.0
            if code == REST_GRAVITY and is_feedback:
                # what the straight line leaves out of a large correction: half its square
                total = 0.0
                g = _gravity(gravity, p[2])
                for i in range(3, 6):
                    r = _rest_rows(i, rot, pre_mean[k], params, g, h)
                    for j in range(N):
                        r -= h[j] * delta[j]
                    total += r * r
                curvature = (0.5 * total / g) ** 2
            for i in range(first, last):
                h[:] = 0.0
                gate = 0.0
                if code == REST_RATE:
                    residual = _rest_rows(i, rot, pre_mean[k], params, 0.0, h)
                    variance = variances[3]
                elif code == REST_GRAVITY:
                    residual = _rest_rows(3 + i, rot, pre_mean[k], params, _gravity(gravity, p[2]), h)
                    variance = variances[4] + curvature
                elif code == ZERO_VELOCITY:
                    h[VEL + i] = 1.0
                    residual = -v[i]
                    variance = variances[5]
                elif code == ZERO_DISPLACEMENT:
                    h[POS + i] = 1.0
                    residual = nominal_p[0, i] - p[i]
                    variance = variances[6]
                elif code == SATELLITE:
                    share = 1.0 - satellite_back_s[k] / duration
                    h[POS + i] = 1.0
                    h[VEL + i] = -satellite_back_s[k]
                    residual = satellite[k, i] - _hermite(share, duration, nominal_p[k, i], nominal_v[k, i], p[i], v[i])
                    variance = variances[7] if i < 2 else variances[8]
                    gate = gates[2]
                elif code == MAGNETOMETER:
                    x, y, z = mag_ref[0], mag_ref[1], mag_ref[2]
                    h[0] = rot[1, i] * z - rot[2, i] * y
                    h[1] = rot[2, i] * x - rot[0, i] * z
                    h[2] = rot[0, i] * y - rot[1, i] * x
                    residual = mag[k, i] - (rot[0, i] * x + rot[1, i] * y + rot[2, i] * z)
                    variance = variances[9]
                    gate = gates[2]
                else:
                    h[VEL + i] = 1.0
                    residual = -v[i]
                    variance = variances[10] / duration
                innovation, s = _absorb(covariance, delta, h, residual, variance, gate, gain)
                if gate > 0.0 and innovation * innovation > gate * gate * s:
                    refused[n_refused, 0], refused[n_refused, 1], refused[n_refused, 2] = k + 1, code, innovation / math.sqrt(s)
                    n_refused += 1
                    continue
                up_code[n_up], up_row[n_up], up_gain[n_up] = code, h, gain
                up_value[n_up, 0], up_value[n_up, 1] = innovation, s
                n_up += 1

        n_resting = n_resting + 1 if is_static else 0
        leaves_rest = k + 1 == m or kind[k + 1] & STATIC == 0
        if is_feedback and (not is_static or n_resting <= 2 or leaves_rest):
            _turn_left(q, delta[0], delta[1], delta[2])
            age = time_s[k + 1] - lag_time
            moved = delta[POS + 2] - age * delta[VEL + 2]
            rate = (lag_height - lagged) / lag if lag > _SHORTEST_LAG_S else v[2]
            lag_height += moved
            lagged += moved - lag * delta[VEL + 2] - rate * delta[BARO_LAG]
            for r in range(3):
                v[r] += delta[VEL + r]
                p[r] += delta[POS + r]
            for i in range(N_PARAMETERS):
                params[i] += delta[PARAMETERS + i]
            delta[:] = 0.0
        _pack(covariance, packed[k + 1])
        deltas[k + 1] = delta
    up_start[m + 1] = n_up
    return n_up, n_refused


@compiled
def backward(time_s, kind, phi_dv, phi_dp, phi_b, packed, deltas, up_start, up_row, up_gain, up_value, out_delta, out_shown, out_full):  # type: ignore[no-untyped-def]
    """Fixed-interval smoothing of what `forward` wrote, from the last edge to the first, into `out_delta` (m + 1, 25).

    The Rauch–Tung–Striebel smoother without its inverse of the predicted covariance, which is singular here (the declared heading has
    no variance): the adjoint recursion of Bierman [1]_, identical in exact arithmetic. λ and Λ gather what the later measurements say,
    δ_s = δ − P λ and P_s = P − P Λ P, so that the smoothed covariance never exceeds the filter's. `out_shown` (m + 1, 28) as `_show`;
    `out_full` (m + 1, 25, 25), or (0, 25, 25) where nobody asks for the whole covariance.

    References
    ----------
    .. [1] G. J. Bierman, Fixed interval smoothing with discrete measurements, Int. J. Control 18(1), 65-75, 1973.
    """
    m = len(kind)
    adjoint = np.zeros(N)
    information = np.zeros((N, N))
    covariance = np.empty((N, N))
    pl = np.empty((N, N))
    w = np.empty(N)
    for k in range(m, -1, -1):
        _unpack(packed[k], covariance)
        for i in range(N):
            total = 0.0
            for j in range(N):
                total += covariance[i, j] * adjoint[j]
                pl[i, j] = 0.0
            out_delta[k, i] = deltas[k, i] - total
            for j in range(N):
                factor = covariance[i, j]
                if factor != 0.0:
                    row = information[j]
                    for c in range(N):
                        pl[i, c] += factor * row[c]
        for i in range(N):
            total = 0.0
            for j in range(N):
                total += pl[i, j] * covariance[i, j]
            out_shown[k, i if i < 3 else 3 + i] = covariance[i, i] - total
        for a, b, c in ((0, 1, 3), (0, 2, 4), (1, 2, 5)):
            total = 0.0
            for j in range(N):
                total += pl[a, j] * covariance[b, j]
            out_shown[k, c] = covariance[a, b] - total
        if len(out_full) > 0:
            for i in range(N):
                for j in range(N):
                    total = 0.0
                    for c in range(N):
                        total += pl[i, c] * covariance[c, j]
                    out_full[k, i, j] = covariance[i, j] - total
        if k == 0:
            break
        for u in range(up_start[k + 1] - 1, up_start[k] - 1, -1):
            h, gain = up_row[u], up_gain[u]
            inverse = 1.0 / up_value[u, 1]
            pull, square = up_value[u, 0] * inverse, inverse
            for i in range(N):
                pull += gain[i] * adjoint[i]
            w[:] = 0.0
            for i in range(N):
                factor = gain[i]
                row = information[i]
                for j in range(N):
                    w[j] += factor * row[j]
            for i in range(N):
                square += gain[i] * w[i]
            for i in range(N):
                factor = h[i]
                if factor == 0.0:
                    continue
                adjoint[i] -= factor * pull
                for j in range(N):
                    information[i, j] += factor * (square * h[j] - w[j])
                    information[j, i] -= factor * w[j]
        is_static = kind[k - 1] & STATIC != 0
        duration = time_s[k] - time_s[k - 1]
        column = adjoint.reshape((N, 1))
        _back_through(is_static, duration, phi_dv[k - 1], phi_dp[k - 1], phi_b[k - 1], column)
        _back_through(is_static, duration, phi_dv[k - 1], phi_dp[k - 1], phi_b[k - 1], information)
        _transpose(information)
        _back_through(is_static, duration, phi_dv[k - 1], phi_dp[k - 1], phi_b[k - 1], information)
        for i in range(N):
            for j in range(i):
                mean = 0.5 * (information[i, j] + information[j, i])
                information[i, j], information[j, i] = mean, mean


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
    out_q, out_v, out_p, out_tilt_sd, out_attitude_sd, out_v_sd, out_p_sd, out_gyro_bias, out_gyro_bias_sd, out_accel_bias, out_accel_bias_sd,
):  # fmt: skip
    """The samples between epoch edges, each edge's estimate carried on by the inertial samples.

    A smoothed path meets the next edge's estimate: the small rest that process noise leaves is spread evenly in time. A causal one runs
    on and jumps where a measurement comes in. `after`, `before` (m + 1, 28): variances after and before the measurements of an edge.
    """
    m = len(kind)
    q = np.empty(4)
    shown = np.empty((2, 28))
    left = np.zeros(9)
    last = edges[m]
    for k in range(m + 1):
        is_end = k == m
        q[:] = state_q[k]
        vx, vy, vz = state_v[k, 0], state_v[k, 1], state_v[k, 2]
        px, py, pz = state_p[k, 0], state_p[k, 1], state_p[k, 2]
        fx, fy, fz = 0.0, 0.0, 0.0
        params = state_params[k]
        is_static = not is_end and kind[k] & STATIC != 0
        stop = last + 1 if is_end else edges[k + 1]
        for i in range(edges[k], stop):
            out_q[i] = q
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
            g = _gravity(gravity, pz)
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
        shown[0] = after[k]
        shown[1] = after[k] if is_end else before[k + 1]
        following = k if is_end or not is_smoothed else k + 1
        duration = 1.0 if is_end else edge_time_s[k + 1] - edge_time_s[k]
        for i in range(edges[k], stop):
            b = 0.0 if is_end else (time_s[i] - edge_time_s[k]) / duration
            a = 1.0 - b
            if is_smoothed and b > 0.0:
                _turn_left(out_q[i], b * left[0], b * left[1], b * left[2])
                for c in range(3):
                    if not is_static:
                        out_v[i, c] += b * left[3 + c]
                    out_p[i, c] += b * left[6 + c]
            for c in range(3):
                out_gyro_bias[i, c] = a * state_params[k, c] + b * state_params[following, c]
                out_accel_bias[i, c] = a * state_params[k, 3 + c] + b * state_params[following, 3 + c]
                out_attitude_sd[i, c] = math.sqrt(max(0.0, a * shown[0, c] + b * shown[1, c]))
                out_v_sd[i, c] = math.sqrt(max(0.0, a * shown[0, 6 + c] + b * shown[1, 6 + c]))
                out_p_sd[i, c] = math.sqrt(max(0.0, a * shown[0, 9 + c] + b * shown[1, 9 + c]))
                out_gyro_bias_sd[i, c] = math.sqrt(max(0.0, a * shown[0, 12 + c] + b * shown[1, 12 + c]))
                out_accel_bias_sd[i, c] = math.sqrt(max(0.0, a * shown[0, 15 + c] + b * shown[1, 15 + c]))
            out_tilt_sd[i] = math.sqrt(max(0.0, _tilt_variance(out_q[i], shown, a, b)))
