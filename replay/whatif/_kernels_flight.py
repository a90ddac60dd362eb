"""Compiled flight loop: the rigid body of `_kernels_body.py`, inertial sensor and guidance in closed loop, from the pad to the rest.

Slow twins: `_reference_flight.py`.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from replay import _quaternion
from replay.jit import compiled
from replay.whatif import _kernels_body as body

# columns of the record the loop writes, one row per inertial sample; the state first
POS, VEL, QUAT, RATE, GIMBAL = 0, 3, 6, 10, 13
FORCE_IMU, ALPHA, WIND, MASS, THRUST, DRAG = 15, 18, 21, 24, 25, 26
ACCEL_RAW, RATE_RAW, ONBOARD, COMMAND = 27, 30, 33, 37
N_RECORD = 39
# entries of the event vector, s on the loop's clock
LIFTOFF, RAIL_EXIT, APOGEE, DEPLOYMENT, TOUCHDOWN, REST = 0, 1, 2, 3, 4, 5
N_EVENTS = 6


class Guide(NamedTuple):
    """Steering law, all float. Stabilising to vertical only."""

    proportional: float
    rate_s: float
    start_s: float
    stop_s: float
    upright_from_s: float
    upright_rate_radps: float


class Sensor(NamedTuple):
    """Resolution (0 for none) and range of the inertial sensor, in SI."""

    accel_lsb_mps2: float
    accel_range_mps2: float
    rate_lsb_radps: float
    rate_range_radps: float


class Electronics(NamedTuple):
    """Sensor gains (raw imu from body, (3, 3)), offsets (n, 3); the computer's (body rate from raw); its state, used up."""

    accel_gain: Any
    accel_offset: Any
    gyro_gain: Any
    gyro_offset: Any
    onboard_gain: Any
    onboard_offset: Any
    q_enu_from_body: Any
    nose_ref_enu: Any


@compiled
def sense(x, y, z, gain, offset, lsb, limit, out, first):  # type: ignore[no-untyped-def]
    """One raw sample into out[first : first + 3]: gain (imu from body) times truth, plus offset, clipped, in converter steps."""
    for i in range(3):
        value = body.clip(gain[i, 0] * x + gain[i, 1] * y + gain[i, 2] * z + offset[i], limit)
        out[first + i] = math.floor(value / lsb + 0.5) * lsb if lsb > 0.0 else value


@compiled
def turn_towards_up(nose, step):  # type: ignore[no-untyped-def]
    """Turn the unit vector `nose` (3,) in place towards (0, 0, 1) by at most `step` rad along the great circle."""
    across = math.sqrt(nose[0] * nose[0] + nose[1] * nose[1])
    angle = math.atan2(across, nose[2])
    if angle <= step or across == 0.0:
        nose[0], nose[1], nose[2] = 0.0, 0.0, 1.0
        return
    scale = math.sin(angle - step) / across
    nose[0] *= scale
    nose[1] *= scale
    nose[2] = math.cos(angle - step)


@compiled
def steer(q, rate_x, rate_y, nose_ref, guide, limit, out, first):  # type: ignore[no-untyped-def]
    """Steering law into out[first : first + 2]: error = swing from the reference nose to the believed nose, in body axes."""
    bx, by, bz = _quaternion.rotate(q[0], -q[1], -q[2], -q[3], nose_ref[0], nose_ref[1], nose_ref[2])
    across = math.sqrt(bx * bx + by * by)
    scale = math.atan2(across, bz) / across if across > 1e-15 else 1.0
    out[first] = body.clip(guide.proportional * by * scale + guide.rate_s * rate_x, limit)
    out[first + 1] = body.clip(-guide.proportional * bx * scale + guide.rate_s * rate_y, limit)


@compiled
def _held(record, i_now, t, t_start, period, delay, w):  # type: ignore[no-untyped-def]
    """The command in force at t: the newest one that is at least `delay` old; zero before the first."""
    i = min(i_now, int(math.floor((t - delay - t_start) / period + 1e-6)))  # noqa: RUF046  (compiled, floor gives a float)
    for j in range(2):
        w[body.W_COMMAND + j] = record[i, COMMAND + j] if i >= 0 else 0.0


@compiled
def _look_up(k, fraction, draws, w):  # type: ignore[no-untyped-def]
    """Row k + fraction of the table of gust, canopy sway (enu), force and torque beyond the model (body), shape (n, 12); last row held."""
    n = draws.shape[0]
    k0, k1 = min(k, n - 1), min(k + 1, n - 1)
    for i in range(12):
        w[body.W_GUST + i] = draws[k0, i] + (draws[k1, i] - draws[k0, i]) * fraction


@compiled
def _tip_off(t, events, a, w):  # type: ignore[no-untyped-def]
    """Angular acceleration while only the rear guide still holds: swells and fades over `tip_off_s` after the rail's end."""
    w[body.W_TIP] = w[body.W_TIP + 1] = 0.0
    since = t - events[RAIL_EXIT]
    if since > 0.0 and since < a.tip_off_s:
        swell = (1.0 - math.cos(2.0 * math.pi * since / a.tip_off_s)) / a.tip_off_s
        w[body.W_TIP], w[body.W_TIP + 1] = a.tip_off_x_radps * swell, a.tip_off_y_radps * swell


@compiled
def _chute_area(t, events, a):  # type: ignore[no-untyped-def]
    """Drag area of the canopy: fills after deployment, collapses after touchdown."""
    if math.isnan(events[DEPLOYMENT]) or t < events[DEPLOYMENT] or a.chute_area_m2 <= 0.0:
        return 0.0
    filled = min(1.0, (t - events[DEPLOYMENT]) / max(a.chute_fill_s, 1e-6))
    area = a.chute_area_m2 * filled * filled
    if not math.isnan(events[TOUCHDOWN]):
        area *= math.exp(-(t - events[TOUCHDOWN]) / 0.5)
    return area


@compiled
def _write_row(y, a, sensor, electronics, k, row, w):  # type: ignore[no-untyped-def]
    """State, what the sensor feels off the centre of gravity, and what it reads, into one row of the record."""
    for i in range(body.N_STATE):
        row[i] = y[i]
    p, q, r = y[10], y[11], y[12]
    ap, aq, ar = w[body.W_ALPHA], w[body.W_ALPHA + 1], w[body.W_ALPHA + 2]
    rx, ry, rz = a.imu_x_m, a.imu_y_m, a.imu_z_m
    dot, square = p * rx + q * ry + r * rz, p * p + q * q + r * r
    row[FORCE_IMU] = w[body.W_FORCE] + aq * rz - ar * ry + p * dot - square * rx
    row[FORCE_IMU + 1] = w[body.W_FORCE + 1] + ar * rx - ap * rz + q * dot - square * ry
    row[FORCE_IMU + 2] = w[body.W_FORCE + 2] + ap * ry - aq * rx + r * dot - square * rz
    for i in range(3):
        row[ALPHA + i] = w[body.W_ALPHA + i]
        row[WIND + i] = w[body.W_WIND + i]
    row[MASS], row[THRUST], row[DRAG] = w[body.W_MASS], w[body.W_THRUST], w[body.W_DRAG]
    e = electronics
    sense(
        row[FORCE_IMU],
        row[FORCE_IMU + 1],
        row[FORCE_IMU + 2],
        e.accel_gain,
        e.accel_offset[k],
        sensor.accel_lsb_mps2,
        sensor.accel_range_mps2,
        row,
        ACCEL_RAW,
    )
    sense(p, q, r, e.gyro_gain, e.gyro_offset[k], sensor.rate_lsb_radps, sensor.rate_range_radps, row, RATE_RAW)


@compiled
def think(k, since_liftoff, period, guide, limit, electronics, row, w):  # type: ignore[no-untyped-def]
    """One turn of the flight computer: its own attitude from its own gyro, then the steering law, into the row.

    On the pad it keeps the levelled attitude; a break wire tells it when it leaves (`since_liftoff` is NaN before).
    """
    e, q = electronics, electronics.q_enu_from_body
    for i in range(3):
        w[body.W_THINK_LAST + i] = w[body.W_THINK + i]
        w[body.W_THINK + i] = e.onboard_offset[k, i]
        for j in range(3):
            w[body.W_THINK + i] += e.onboard_gain[i, j] * row[RATE_RAW + j]
    if k > 0 and not math.isnan(since_liftoff):
        half = 0.5 * period
        dw, dx, dy, dz = _quaternion.from_rotvec(
            half * (w[body.W_THINK] + w[body.W_THINK_LAST]),
            half * (w[body.W_THINK + 1] + w[body.W_THINK_LAST + 1]),
            half * (w[body.W_THINK + 2] + w[body.W_THINK_LAST + 2]),
        )
        q[0], q[1], q[2], q[3] = _quaternion.multiply(q[0], q[1], q[2], q[3], dw, dx, dy, dz)
    row[COMMAND], row[COMMAND + 1] = 0.0, 0.0
    if since_liftoff >= guide.start_s - 1e-9 and since_liftoff < guide.stop_s:
        if since_liftoff >= guide.upright_from_s - 1e-9:
            turn_towards_up(e.nose_ref_enu, guide.upright_rate_radps * period)
        steer(q, w[body.W_THINK], w[body.W_THINK + 1], e.nose_ref_enu, guide, limit, row, COMMAND)
    for i in range(4):
        row[ONBOARD + i] = q[i]


@compiled
def _runge_kutta(t, h, k, fraction, share, y, chute_area, stage, a, motor, points, draws, events, slopes, w):  # type: ignore[no-untyped-def]
    """One classical fourth-order step in place; `share` is h over the row period. `slopes`, shape (5, 15): scratch."""
    for i_stage in range(4):
        ahead = 0.0 if i_stage == 0 else (1.0 if i_stage == 3 else 0.5)
        for i in range(body.N_STATE):
            slopes[4, i] = y[i] + ahead * h * slopes[i_stage - 1, i] if i_stage > 0 else y[i]
        _look_up(k, fraction + ahead * share, draws, w)
        _tip_off(t + ahead * h, events, a, w)
        body.derivative(t + ahead * h, slopes[4], chute_area, stage, a, motor, points, slopes[i_stage], w)
    for i in range(body.N_STATE):
        y[i] += h / 6.0 * (slopes[0, i] + 2.0 * slopes[1, i] + 2.0 * slopes[2, i] + slopes[3, i])
    length = math.sqrt(y[6] * y[6] + y[7] * y[7] + y[8] * y[8] + y[9] * y[9])
    for i in range(6, 10):
        y[i] /= length


@compiled
def _watch(t, h, y, last_up, stage, start, quiet_s, a, motor, events, w):  # type: ignore[no-untyped-def]
    """Events and change of stage after a step that ended at t; returns the stage (3: come to rest) and how long it has been quiet."""
    if stage == 0:
        if w[body.W_ALONG] > 0.0:
            stage = 1
            events[LIFTOFF] = t
    elif stage == 1:
        travel = math.sqrt((y[0] - start[0]) ** 2 + (y[1] - start[1]) ** 2 + (y[2] - start[2]) ** 2)
        if travel >= a.rail_length_m:
            stage = 2
            events[RAIL_EXIT] = t
    else:
        burnt_out = motor.shape[0] == 0 or t > motor[-1, 0]
        if math.isnan(events[APOGEE]) and last_up > 0.0 and y[5] <= 0.0 and (burnt_out or y[2] > 5.0):
            events[APOGEE] = t - h + h * last_up / (last_up - y[5])
            events[DEPLOYMENT] = events[APOGEE] + a.chute_delay_s
        if w[body.W_TOUCH] > 0.0 and math.isnan(events[TOUCHDOWN]) and not math.isnan(events[APOGEE]):
            events[TOUCHDOWN] = t
        if not math.isnan(events[TOUCHDOWN]):
            slow = y[3] * y[3] + y[4] * y[4] + y[5] * y[5] < 0.02**2 and y[10] * y[10] + y[11] * y[11] + y[12] * y[12] < 0.05**2
            quiet_s = quiet_s + h if slow else 0.0
            if quiet_s > 0.25:
                stage = 3
                events[REST] = t
    return stage, quiet_s


@compiled
def fly(y, t_start, period, n_sub, rest_s, a, guide, sensor, motor, points, draws, electronics, record, events):  # type: ignore[no-untyped-def]
    """Fly from `t_start` (s after ignition) until `rest_s` after coming to rest or the record is full. Returns rows written.

    One row per `period`: the sensor is a point sample of the smooth motion there, guidance acts on it at once, and the body is
    carried to the next row by `n_sub` Runge-Kutta steps of fourth order. `y` and the computer's state are used up.
    """
    n = record.shape[0]
    h = period / n_sub
    w, slopes = np.zeros(body.N_WORK), np.zeros((5, body.N_STATE))
    for i in range(N_EVENTS):
        events[i] = math.nan
    stage = 0
    if a.rail_length_m <= 0.0:
        stage = 2
        events[LIFTOFF] = t_start
    start = (y[0], y[1], y[2])
    quiet_s = 0.0
    for k in range(n):
        t = t_start + k * period
        row = record[k]
        _look_up(k, 0.0, draws, w)
        _tip_off(t, events, a, w)
        _held(record, k - 1, t, t_start, period, a.gimbal_delay_s, w)
        body.derivative(t, y, _chute_area(t, events, a), stage if stage < 3 else 0, a, motor, points, slopes[0], w)
        _write_row(y, a, sensor, electronics, k, row, w)
        think(k, t - events[LIFTOFF], period, guide, a.gimbal_limit_rad, electronics, row, w)
        if stage == 3 and t > events[REST] + rest_s:
            return k + 1
        for i_sub in range(n_sub):
            if stage == 3:
                break
            t_sub = t + i_sub * h
            _held(record, k, t_sub, t_start, period, a.gimbal_delay_s, w)
            if a.gimbal_time_constant_s <= 0.0:
                for i in range(2):
                    y[13 + i] += body.clip(body.clip(w[body.W_COMMAND + i], a.gimbal_limit_rad) - y[13 + i], a.gimbal_rate_limit_radps * h)
            last_up = y[5]
            area = _chute_area(t_sub, events, a)
            _runge_kutta(t_sub, h, k, i_sub / n_sub, 1.0 / n_sub, y, area, stage, a, motor, points, draws, events, slopes, w)
            stage, quiet_s = _watch(t_sub + h, h, y, last_up, stage, start, quiet_s, a, motor, events, w)
            if stage == 3:
                for i in range(3):
                    y[3 + i] = 0.0
                    y[10 + i] = 0.0
    return n
