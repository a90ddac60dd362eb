"""Compiled flight loop: rigid body, rail, motor, gimbal, air, parachute, ground, inertial sensor and guidance in closed loop.

Slow twins: `_reference_flight.py`. Conventions: body z to the nose, enu with z up, specific force, Hamilton quaternions.

The gimbal turns the thrust vector by Rx(gimbal_x) Ry(gimbal_y), so thrust points along (sin gy, -sin gx cos gy, cos gx cos gy) and a
positive angle turns the vehicle *back* about that axis: the steering law is +proportional * error + rate * body rate.

State y: 0:3 position of the centre of gravity, 3:6 velocity (enu), 6:10 q_enu_from_body, 10:13 body rate, 13:15 gimbal angles.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from replay import _quaternion
from replay.jit import compiled

N_STATE = 15
# columns of the record the loop writes, one row per inertial sample
POS, VEL, QUAT, RATE, GIMBAL = 0, 3, 6, 10, 13
FORCE_IMU, ALPHA, WIND, MASS, THRUST, DRAG = 15, 18, 21, 24, 25, 26
ACCEL_RAW, RATE_RAW, ONBOARD, COMMAND = 27, 30, 33, 37
N_RECORD = 39
# the scratch vector w: what a derivative finds on its way ...
_FORCE, _ALPHA, _MASS, _THRUST, _DRAG, _WIND, _TOUCH, _ALONG = 0, 3, 6, 7, 8, 9, 12, 13
# ... the sums it works with (body force, body torque, ground's enu force) ...
_SUM_F, _SUM_M, _GROUND = 14, 17, 20
# ... and what it reads: gust, canopy sway, force and torque beyond the model, command; then the computer's rates, newest and before,
# and the tip-off's angular acceleration
_GUST, _CANOPY, _EXTRA_F, _EXTRA_M, _COMMAND, _THINK, _THINK_LAST, _TIP, N_WORK = 23, 26, 29, 32, 35, 37, 40, 43, 45
# entries of the event vector, s on the loop's clock
LIFTOFF, RAIL_EXIT, APOGEE, DEPLOYMENT, TOUCHDOWN, REST = 0, 1, 2, 3, 4, 5
N_EVENTS = 6


class Airframe(NamedTuple):
    """Scalars of the vehicle and its surroundings, all float, SI."""

    liftoff_mass_kg: float
    propellant_mass_kg: float
    inertia_x_kgm2: float
    inertia_y_kgm2: float
    inertia_z_kgm2: float
    gimbal_below_cg_m: float
    imu_x_m: float
    imu_y_m: float
    imu_z_m: float
    rail_length_m: float
    area_m2: float
    drag_coefficient: float
    normal_slope: float
    cp_below_cg_m: float
    pitch_damping_m2: float
    roll_damping_m2: float
    roll_moment_m: float
    thrust_tilt_x_rad: float
    thrust_tilt_y_rad: float
    tip_off_x_radps: float
    tip_off_y_radps: float
    tip_off_s: float
    gimbal_limit_rad: float
    gimbal_rate_limit_radps: float
    gimbal_time_constant_s: float
    gimbal_delay_s: float
    chute_area_m2: float
    chute_delay_s: float
    chute_fill_s: float
    chute_above_cg_m: float
    chute_spin_radps: float
    gravity_mps2: float
    density_kgpm3: float
    lapse_per_m: float
    wind_east_mps: float
    wind_north_mps: float
    wind_shear: float
    ground_stiffness_npm: float
    ground_damping_nspm: float
    ground_friction: float


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
def clip(value, limit):  # type: ignore[no-untyped-def]
    """Value held inside +-limit."""
    return min(max(value, -limit), limit)


@compiled
def thrust_and_impulse(t, motor):  # type: ignore[no-untyped-def]
    """Thrust and impulse delivered so far. `motor`, shape (m, 3): nodes of time, thrust and impulse so far; no thrust outside them."""
    n = motor.shape[0]
    if n == 0 or t < motor[0, 0]:
        return 0.0, 0.0
    if t >= motor[n - 1, 0]:
        return 0.0, motor[n - 1, 2]
    low, high = 0, n - 1
    while high - low > 1:
        middle = (low + high) // 2
        if motor[middle, 0] <= t:
            low = middle
        else:
            high = middle
    step = t - motor[low, 0]
    slope = (motor[high, 1] - motor[low, 1]) / (motor[high, 0] - motor[low, 0])
    return motor[low, 1] + slope * step, motor[low, 2] + (motor[low, 1] + 0.5 * slope * step) * step


@compiled
def _ground(y, points, a, w):  # type: ignore[no-untyped-def]
    """Penalty contact of the body's points with the ground plane: enu force; torque added to the sum. Returns whether any touch."""
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    touching = False
    w[_GROUND], w[_GROUND + 1], w[_GROUND + 2] = 0.0, 0.0, 0.0
    for i in range(points.shape[0]):
        rx, ry, rz = points[i, 0], points[i, 1], points[i, 2]
        _, _, pz = _quaternion.rotate(qw, qx, qy, qz, rx, ry, rz)
        depth = -(y[2] + pz)
        if depth <= 0.0:
            continue
        touching = True
        vx, vy, vz = _quaternion.rotate(qw, qx, qy, qz, y[11] * rz - y[12] * ry, y[12] * rx - y[10] * rz, y[10] * ry - y[11] * rx)
        vx, vy, vz = vx + y[3], vy + y[4], vz + y[5]
        normal = max(0.0, a.ground_stiffness_npm * depth - a.ground_damping_nspm * vz * min(1.0, depth / 0.01))
        # Coulomb friction, linear below 0.05 m/s so that the loop has no jump to step over
        grip = a.ground_friction * normal / math.sqrt(vx * vx + vy * vy + 0.05 * 0.05)
        fx, fy = -grip * vx, -grip * vy
        w[_GROUND] += fx
        w[_GROUND + 1] += fy
        w[_GROUND + 2] += normal
        bx, by, bz = _quaternion.rotate(qw, -qx, -qy, -qz, fx, fy, normal)
        w[_SUM_M] += ry * bz - rz * by
        w[_SUM_M + 1] += rz * bx - rx * bz
        w[_SUM_M + 2] += rx * by - ry * bx
    return touching


@compiled
def _air(y, chute_area, a, w):  # type: ignore[no-untyped-def]
    """Drag, normal force, damping and parachute in body axes, added to force and torque; notes wind and drag."""
    height = max(y[2], 0.0)
    shear = (max(height, 0.5) / 10.0) ** a.wind_shear if a.wind_shear != 0.0 else 1.0
    wx, wy, wz = a.wind_east_mps * shear + w[_GUST], a.wind_north_mps * shear + w[_GUST + 1], w[_GUST + 2]
    w[_WIND], w[_WIND + 1], w[_WIND + 2] = wx, wy, wz
    density = a.density_kgpm3
    if a.lapse_per_m != 0.0:
        density *= (1.0 - a.lapse_per_m * height) ** 4.2558761
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    u, v, along = _quaternion.rotate(qw, -qx, -qy, -qz, y[3] - wx, y[4] - wy, y[5] - wz)
    speed = math.sqrt(u * u + v * v + along * along)
    half = 0.5 * density * speed * a.area_m2
    drag, normal = half * a.drag_coefficient, half * a.normal_slope
    w[_DRAG] = drag * speed
    w[_SUM_F] -= (drag + normal) * u
    w[_SUM_F + 1] -= (drag + normal) * v
    w[_SUM_F + 2] -= drag * along
    w[_SUM_M] += -a.cp_below_cg_m * normal * v - half * a.pitch_damping_m2 * y[10]
    w[_SUM_M + 1] += a.cp_below_cg_m * normal * u - half * a.pitch_damping_m2 * y[11]
    w[_SUM_M + 2] += half * (a.roll_moment_m * along - a.roll_damping_m2 * y[12])
    if chute_area > 0.0:
        arm = a.chute_above_cg_m
        cu, cv, cw = _quaternion.rotate(qw, -qx, -qy, -qz, w[_CANOPY], w[_CANOPY + 1], w[_CANOPY + 2])
        cu, cv, cw = u + y[11] * arm - cu, v - y[10] * arm - cv, along - cw
        pull = -0.5 * density * chute_area * math.sqrt(cu * cu + cv * cv + cw * cw)
        w[_SUM_F] += pull * cu
        w[_SUM_F + 1] += pull * cv
        w[_SUM_F + 2] += pull * cw
        w[_SUM_M] -= arm * pull * cv
        w[_SUM_M + 1] += arm * pull * cu
        # the twisting lines wind the body up; 0.004 N m s is the lines' own damping about the long axis
        w[_SUM_M + 2] += 0.004 * (chute_area / a.chute_area_m2) * (a.chute_spin_radps - y[12])


@compiled
def _motor(t, y, a, motor, w):  # type: ignore[no-untyped-def]
    """Thrust with gimbal and misalignment, jet damping, and force and torque beyond the model; returns mass and thrust."""
    thrust, impulse = thrust_and_impulse(t, motor)
    total = motor[-1, 2] if motor.shape[0] > 0 else 0.0
    mass, flow = a.liftoff_mass_kg, 0.0
    if total > 0.0:
        mass -= a.propellant_mass_kg * impulse / total
        flow = a.propellant_mass_kg * thrust / total
    gx, gy, length = y[13] + a.thrust_tilt_x_rad, y[14] + a.thrust_tilt_y_rad, a.gimbal_below_cg_m
    fx, fy = thrust * math.sin(gy), -thrust * math.sin(gx) * math.cos(gy)
    w[_SUM_F] = fx + w[_EXTRA_F]
    w[_SUM_F + 1] = fy + w[_EXTRA_F + 1]
    w[_SUM_F + 2] = thrust * math.cos(gx) * math.cos(gy) + w[_EXTRA_F + 2]
    # jet damping: gas leaves with the nozzle's sideways speed; what the grain's own inertia loses leaves with it
    w[_SUM_M] = length * fy - flow * length * length * y[10] + w[_EXTRA_M]
    w[_SUM_M + 1] = -length * fx - flow * length * length * y[11] + w[_EXTRA_M + 1]
    w[_SUM_M + 2] = w[_EXTRA_M + 2]
    return mass, thrust


@compiled
def derivative(t, y, chute_area, stage, a, motor, points, dy, w):  # type: ignore[no-untyped-def]
    """Time derivative of the state into `dy`; specific force, angular acceleration, mass and so on into `w`.

    `stage`: 0 held on the pad, 1 sliding on the rail, 2 free. Reads gust, canopy, extra force, torque and command there.
    """
    mass, thrust = _motor(t, y, a, motor, w)
    _air(y, chute_area, a, w)
    left = mass / a.liftoff_mass_kg
    ix, iy, iz = a.inertia_x_kgm2 * left, a.inertia_y_kgm2 * left, a.inertia_z_kgm2 * left
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    w[_TOUCH] = 0.0
    if stage == 2 and points.shape[0] > 0 and y[2] < 2.0 and _ground(y, points, a, w):
        w[_TOUCH] = 1.0
        px, py, pz = _quaternion.rotate(qw, -qx, -qy, -qz, w[_GROUND], w[_GROUND + 1], w[_GROUND + 2])
        w[_SUM_F] += px
        w[_SUM_F + 1] += py
        w[_SUM_F + 2] += pz

    up_x, up_y, up_z = _quaternion.rotate(qw, -qx, -qy, -qz, 0.0, 0.0, 1.0)
    fx, fy, fz = w[_SUM_F] / mass, w[_SUM_F + 1] / mass, w[_SUM_F + 2] / mass
    p, q, r = y[10], y[11], y[12]
    along = fz - a.gravity_mps2 * up_z
    w[_ALONG] = along
    if stage < 2:
        fx, fy, fz = a.gravity_mps2 * up_x, a.gravity_mps2 * up_y, a.gravity_mps2 * up_z + along * stage
        dy[10], dy[11], dy[12] = 0.0, 0.0, 0.0
    else:
        dy[10] = (w[_SUM_M] - (iz - iy) * q * r) / ix
        dy[11] = (w[_SUM_M + 1] - (ix - iz) * r * p) / iy
        dy[12] = (w[_SUM_M + 2] - (iy - ix) * p * q) / iz
        dy[10] += w[_TIP]
        dy[11] += w[_TIP + 1]
    dy[0], dy[1], dy[2] = y[3], y[4], y[5]
    dy[3], dy[4], dy[5] = _quaternion.rotate(qw, qx, qy, qz, fx, fy, fz)
    dy[5] -= a.gravity_mps2
    dy[6], dy[7], dy[8], dy[9] = _quaternion.multiply(0.5 * qw, 0.5 * qx, 0.5 * qy, 0.5 * qz, 0.0, p, q, r)
    for i in range(2):
        dy[13 + i] = 0.0
        if a.gimbal_time_constant_s > 0.0:
            dy[13 + i] = clip((clip(w[_COMMAND + i], a.gimbal_limit_rad) - y[13 + i]) / a.gimbal_time_constant_s, a.gimbal_rate_limit_radps)
    w[_FORCE], w[_FORCE + 1], w[_FORCE + 2] = fx, fy, fz
    w[_ALPHA], w[_ALPHA + 1], w[_ALPHA + 2] = dy[10], dy[11], dy[12]
    w[_MASS], w[_THRUST] = mass, thrust


@compiled
def sense(x, y, z, gain, offset, lsb, limit, out, first):  # type: ignore[no-untyped-def]
    """One raw sample into out[first : first + 3]: gain (imu from body) times truth, plus offset, clipped, in converter steps."""
    for i in range(3):
        value = clip(gain[i, 0] * x + gain[i, 1] * y + gain[i, 2] * z + offset[i], limit)
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
    out[first] = clip(guide.proportional * by * scale + guide.rate_s * rate_x, limit)
    out[first + 1] = clip(-guide.proportional * bx * scale + guide.rate_s * rate_y, limit)


@compiled
def _held(record, i_now, t, t_start, period, delay, w):  # type: ignore[no-untyped-def]
    """The command in force at t: the newest one that is at least `delay` old; zero before the first."""
    i = min(i_now, int(math.floor((t - delay - t_start) / period + 1e-6)))  # noqa: RUF046  (compiled, floor gives a float)
    for j in range(2):
        w[_COMMAND + j] = record[i, COMMAND + j] if i >= 0 else 0.0


@compiled
def _look_up(k, fraction, draws, w):  # type: ignore[no-untyped-def]
    """Row k + fraction of the table of gust, canopy sway (enu), force and torque beyond the model (body), shape (n, 12); last row held."""
    n = draws.shape[0]
    k0, k1 = min(k, n - 1), min(k + 1, n - 1)
    for i in range(12):
        w[_GUST + i] = draws[k0, i] + (draws[k1, i] - draws[k0, i]) * fraction


@compiled
def _tip_off(t, events, a, w):  # type: ignore[no-untyped-def]
    """Angular acceleration while only the rear guide still holds: swells and fades over `tip_off_s` after the rail's end."""
    w[_TIP] = w[_TIP + 1] = 0.0
    since = t - events[RAIL_EXIT]
    if since > 0.0 and since < a.tip_off_s:
        swell = (1.0 - math.cos(2.0 * math.pi * since / a.tip_off_s)) / a.tip_off_s
        w[_TIP], w[_TIP + 1] = a.tip_off_x_radps * swell, a.tip_off_y_radps * swell


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
    for i in range(N_STATE):
        row[i] = y[i]
    p, q, r = y[10], y[11], y[12]
    ap, aq, ar = w[_ALPHA], w[_ALPHA + 1], w[_ALPHA + 2]
    rx, ry, rz = a.imu_x_m, a.imu_y_m, a.imu_z_m
    dot, square = p * rx + q * ry + r * rz, p * p + q * q + r * r
    row[FORCE_IMU] = w[_FORCE] + aq * rz - ar * ry + p * dot - square * rx
    row[FORCE_IMU + 1] = w[_FORCE + 1] + ar * rx - ap * rz + q * dot - square * ry
    row[FORCE_IMU + 2] = w[_FORCE + 2] + ap * ry - aq * rx + r * dot - square * rz
    for i in range(3):
        row[ALPHA + i] = w[_ALPHA + i]
        row[WIND + i] = w[_WIND + i]
    row[MASS], row[THRUST], row[DRAG] = w[_MASS], w[_THRUST], w[_DRAG]
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
        w[_THINK_LAST + i] = w[_THINK + i]
        w[_THINK + i] = e.onboard_offset[k, i]
        for j in range(3):
            w[_THINK + i] += e.onboard_gain[i, j] * row[RATE_RAW + j]
    if k > 0 and not math.isnan(since_liftoff):
        half = 0.5 * period
        dw, dx, dy, dz = _quaternion.from_rotvec(
            half * (w[_THINK] + w[_THINK_LAST]), half * (w[_THINK + 1] + w[_THINK_LAST + 1]), half * (w[_THINK + 2] + w[_THINK_LAST + 2])
        )
        q[0], q[1], q[2], q[3] = _quaternion.multiply(q[0], q[1], q[2], q[3], dw, dx, dy, dz)
    row[COMMAND], row[COMMAND + 1] = 0.0, 0.0
    if since_liftoff >= guide.start_s - 1e-9 and since_liftoff < guide.stop_s:
        if since_liftoff >= guide.upright_from_s - 1e-9:
            turn_towards_up(e.nose_ref_enu, guide.upright_rate_radps * period)
        steer(q, w[_THINK], w[_THINK + 1], e.nose_ref_enu, guide, limit, row, COMMAND)
    for i in range(4):
        row[ONBOARD + i] = q[i]


@compiled
def _runge_kutta(t, h, k, fraction, share, y, chute_area, stage, a, motor, points, draws, events, slopes, w):  # type: ignore[no-untyped-def]
    """One classical fourth-order step in place; `share` is h over the row period. `slopes`, shape (5, 15): scratch."""
    for i_stage in range(4):
        ahead = 0.0 if i_stage == 0 else (1.0 if i_stage == 3 else 0.5)
        for i in range(N_STATE):
            slopes[4, i] = y[i] + ahead * h * slopes[i_stage - 1, i] if i_stage > 0 else y[i]
        _look_up(k, fraction + ahead * share, draws, w)
        _tip_off(t + ahead * h, events, a, w)
        derivative(t + ahead * h, slopes[4], chute_area, stage, a, motor, points, slopes[i_stage], w)
    for i in range(N_STATE):
        y[i] += h / 6.0 * (slopes[0, i] + 2.0 * slopes[1, i] + 2.0 * slopes[2, i] + slopes[3, i])
    length = math.sqrt(y[6] * y[6] + y[7] * y[7] + y[8] * y[8] + y[9] * y[9])
    for i in range(6, 10):
        y[i] /= length


@compiled
def _watch(t, h, y, last_up, stage, start, quiet_s, a, motor, events, w):  # type: ignore[no-untyped-def]
    """Events and change of stage after a step that ended at t; returns the stage (3: come to rest) and how long it has been quiet."""
    if stage == 0:
        if w[_ALONG] > 0.0:
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
        if w[_TOUCH] > 0.0 and math.isnan(events[TOUCHDOWN]) and not math.isnan(events[APOGEE]):
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
    w, slopes = np.zeros(N_WORK), np.zeros((5, N_STATE))
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
        derivative(t, y, _chute_area(t, events, a), stage if stage < 3 else 0, a, motor, points, slopes[0], w)
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
                    y[13 + i] += clip(clip(w[_COMMAND + i], a.gimbal_limit_rad) - y[13 + i], a.gimbal_rate_limit_radps * h)
            last_up = y[5]
            area = _chute_area(t_sub, events, a)
            _runge_kutta(t_sub, h, k, i_sub / n_sub, 1.0 / n_sub, y, area, stage, a, motor, points, draws, events, slopes, w)
            stage, quiet_s = _watch(t_sub + h, h, y, last_up, stage, start, quiet_s, a, motor, events, w)
            if stage == 3:
                for i in range(3):
                    y[3 + i] = 0.0
                    y[10 + i] = 0.0
    return n
