"""Compiled flight loop: rigid body, rail, motor, gimbal, air, parachute, ground, inertial sensor and guidance in closed loop.

Slow twins: `_reference_flight.py`. Conventions: body z to the nose, enu with z up, specific force, Hamilton quaternions.

The gimbal turns the thrust vector by Rx(gimbal_x) Ry(gimbal_y), so thrust points along (sin gy, -sin gx cos gy, cos gx cos gy) and a
positive angle turns the vehicle *back* about that axis: the steering law is +proportional * error + rate * body rate.

State y: 0:3 position of the centre of gravity, 3:6 velocity (enu), 6:10 q_enu_from_body, 10:13 body rate, 13:15 gimbal angles.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from replay.jit import compiled
from replay import _quaternion

N_STATE = 15
# columns of the record the loop writes, one row per inertial sample
POS, VEL, QUAT, RATE, GIMBAL = 0, 3, 6, 10, 13
FORCE_IMU, ALPHA, WIND, MASS, THRUST, DRAG = 15, 18, 21, 24, 25, 26
ACCEL_RAW, RATE_RAW, ONBOARD, COMMAND = 27, 30, 33, 37
N_RECORD = 39
# entries of the auxiliary vector a derivative fills
_A_FORCE, _A_ALPHA, _A_MASS, _A_THRUST, _A_DRAG, _A_WIND, _A_TOUCH, _N_AUX = 0, 3, 6, 7, 8, 9, 12, 13
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


@compiled
def clip(value, limit):  # type: ignore[no-untyped-def]
    """Value held inside +-limit."""
    return min(max(value, -limit), limit)


@compiled
def thrust_and_impulse(t, curve_t, curve_f, curve_j):  # type: ignore[no-untyped-def]
    """Thrust and impulse delivered so far from a polyline and its exact integral at the nodes."""
    n = len(curve_t)
    if n == 0 or t <= curve_t[0]:
        return 0.0, 0.0
    if t >= curve_t[n - 1]:
        return 0.0, curve_j[n - 1]
    low, high = 0, n - 1
    while high - low > 1:
        middle = (low + high) // 2
        if curve_t[middle] <= t:
            low = middle
        else:
            high = middle
    step = t - curve_t[low]
    slope = (curve_f[high] - curve_f[low]) / (curve_t[high] - curve_t[low])
    return curve_f[low] + slope * step, curve_j[low] + (curve_f[low] + 0.5 * slope * step) * step


@compiled
def _ground(y, points, a, force, torque):  # type: ignore[no-untyped-def]
    """Penalty contact of the body's points with the ground plane; adds to enu force and body torque. Returns whether any touches."""
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    touching = False
    for i in range(points.shape[0]):
        rx, ry, rz = points[i, 0], points[i, 1], points[i, 2]
        px, py, pz = _quaternion.rotate(qw, qx, qy, qz, rx, ry, rz)
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
        force[0] += fx
        force[1] += fy
        force[2] += normal
        bx, by, bz = _quaternion.rotate(qw, -qx, -qy, -qz, fx, fy, normal)
        torque[0] += ry * bz - rz * by
        torque[1] += rz * bx - rx * bz
        torque[2] += rx * by - ry * bx
    return touching


@compiled
def _air(y, gust, canopy, chute_area, a, force, torque, aux):  # type: ignore[no-untyped-def]
    """Drag, normal force, damping and parachute in body axes, added to force and torque; writes wind and drag to aux."""
    height = max(y[2], 0.0)
    shear = (max(height, 0.5) / 10.0) ** a.wind_shear if a.wind_shear != 0.0 else 1.0
    wx, wy, wz = a.wind_east_mps * shear + gust[0], a.wind_north_mps * shear + gust[1], gust[2]
    aux[_A_WIND], aux[_A_WIND + 1], aux[_A_WIND + 2] = wx, wy, wz
    density = a.density_kgpm3
    if a.lapse_per_m != 0.0:
        density *= (1.0 - a.lapse_per_m * height) ** 4.2558761
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    u, v, w = _quaternion.rotate(qw, -qx, -qy, -qz, y[3] - wx, y[4] - wy, y[5] - wz)
    speed = math.sqrt(u * u + v * v + w * w)
    half = 0.5 * density * speed * a.area_m2
    along, across = half * a.drag_coefficient, half * a.normal_slope
    aux[_A_DRAG] = along * speed
    force[0] -= (along + across) * u
    force[1] -= (along + across) * v
    force[2] -= along * w
    torque[0] += -a.cp_below_cg_m * across * v - half * a.pitch_damping_m2 * y[10]
    torque[1] += a.cp_below_cg_m * across * u - half * a.pitch_damping_m2 * y[11]
    torque[2] += half * (a.roll_moment_m * w - a.roll_damping_m2 * y[12])
    if chute_area > 0.0:
        arm = a.chute_above_cg_m
        cu, cv, cw = _quaternion.rotate(qw, -qx, -qy, -qz, canopy[0], canopy[1], canopy[2])
        cu, cv, cw = u + y[11] * arm - cu, v - y[10] * arm - cv, w - cw
        pull = -0.5 * density * chute_area * math.sqrt(cu * cu + cv * cv + cw * cw)
        force[0] += pull * cu
        force[1] += pull * cv
        force[2] += pull * cw
        torque[0] -= arm * pull * cv
        torque[1] += arm * pull * cu
        # the twisting lines wind the body up; 0.004 N m s is the lines' own damping about the long axis
        torque[2] += 0.004 * (chute_area / a.chute_area_m2) * (a.chute_spin_radps - y[12])


@compiled
def derivative(t, y, command, gust, canopy, extra_force, extra_torque, chute_area, stage, a, curve_t, curve_f, curve_j, points, dy, aux, force, torque):  # type: ignore[no-untyped-def]  # fmt: skip
    """Time derivative of the state into `dy`, and specific force, angular acceleration, mass and so on into `aux`.

    `stage`: 0 held on the pad, 1 sliding on the rail, 2 free. `extra_force`, `extra_torque`: beyond the model, body axes.
    """
    thrust, impulse = thrust_and_impulse(t, curve_t, curve_f, curve_j)
    total = curve_j[-1] if len(curve_j) > 0 else 0.0
    burnt = impulse / total if total > 0.0 else 0.0
    mass = a.liftoff_mass_kg - a.propellant_mass_kg * burnt
    flow = a.propellant_mass_kg * thrust / total if total > 0.0 else 0.0
    left = mass / a.liftoff_mass_kg
    ix, iy, iz = a.inertia_x_kgm2 * left, a.inertia_y_kgm2 * left, a.inertia_z_kgm2 * left

    gx, gy = y[13] + a.thrust_tilt_x_rad, y[14] + a.thrust_tilt_y_rad
    length = a.gimbal_below_cg_m
    force[0] = thrust * math.sin(gy) + extra_force[0]
    force[1] = -thrust * math.sin(gx) * math.cos(gy) + extra_force[1]
    force[2] = thrust * math.cos(gx) * math.cos(gy) + extra_force[2]
    # jet damping: gas leaves with the nozzle's sideways speed; what the grain's own inertia loses leaves with it
    torque[0] = -length * thrust * math.sin(gx) * math.cos(gy) - flow * length * length * y[10] + extra_torque[0]
    torque[1] = -length * thrust * math.sin(gy) - flow * length * length * y[11] + extra_torque[1]
    torque[2] = extra_torque[2]
    _air(y, gust, canopy, chute_area, a, force, torque, aux)

    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    aux[_A_TOUCH] = 0.0
    if stage == 2 and points.shape[0] > 0 and y[2] < 2.0:
        push = np.zeros(3)
        if _ground(y, points, a, push, torque):
            aux[_A_TOUCH] = 1.0
            px, py, pz = _quaternion.rotate(qw, -qx, -qy, -qz, push[0], push[1], push[2])
            force[0] += px
            force[1] += py
            force[2] += pz

    up_x, up_y, up_z = _quaternion.rotate(qw, -qx, -qy, -qz, 0.0, 0.0, 1.0)
    fx, fy, fz = force[0] / mass, force[1] / mass, force[2] / mass
    if stage < 2:
        along = 0.0 if stage == 0 else fz - a.gravity_mps2 * up_z
        fx, fy, fz = a.gravity_mps2 * up_x, a.gravity_mps2 * up_y, a.gravity_mps2 * up_z + along
        torque[0], torque[1], torque[2] = 0.0, 0.0, 0.0
    ax, ay, az = _quaternion.rotate(qw, qx, qy, qz, fx, fy, fz)
    dy[0], dy[1], dy[2] = y[3], y[4], y[5]
    dy[3], dy[4], dy[5] = ax, ay, az - a.gravity_mps2
    p, q, r = y[10], y[11], y[12]
    dy[6], dy[7], dy[8], dy[9] = _quaternion.multiply(0.5 * qw, 0.5 * qx, 0.5 * qy, 0.5 * qz, 0.0, p, q, r)
    if stage < 2:
        dy[10], dy[11], dy[12] = 0.0, 0.0, 0.0
    else:
        dy[10] = (torque[0] - (iz - iy) * q * r) / ix
        dy[11] = (torque[1] - (ix - iz) * r * p) / iy
        dy[12] = (torque[2] - (iy - ix) * p * q) / iz
    for i in range(2):
        dy[13 + i] = 0.0
        if a.gimbal_time_constant_s > 0.0:
            dy[13 + i] = clip((clip(command[i], a.gimbal_limit_rad) - y[13 + i]) / a.gimbal_time_constant_s, a.gimbal_rate_limit_radps)
    aux[_A_FORCE], aux[_A_FORCE + 1], aux[_A_FORCE + 2] = fx, fy, fz
    aux[_A_ALPHA], aux[_A_ALPHA + 1], aux[_A_ALPHA + 2] = dy[10], dy[11], dy[12]
    aux[_A_MASS], aux[_A_THRUST] = mass, thrust


@compiled
def sense(x, y, z, gain, offset, lsb, limit, out):  # type: ignore[no-untyped-def]
    """One raw sample: gain (imu from body) times the truth plus offset, clipped to range, rounded to the converter's step."""
    for i in range(3):
        value = clip(gain[i, 0] * x + gain[i, 1] * y + gain[i, 2] * z + offset[i], limit)
        out[i] = math.floor(value / lsb + 0.5) * lsb if lsb > 0.0 else value


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
def steer(q, rate, nose_ref, guide, limit, command):  # type: ignore[no-untyped-def]
    """Gimbal command of the steering law: error = swing from the reference nose to the believed nose, in body axes."""
    bx, by, bz = _quaternion.rotate(q[0], -q[1], -q[2], -q[3], nose_ref[0], nose_ref[1], nose_ref[2])
    across = math.sqrt(bx * bx + by * by)
    scale = math.atan2(across, bz) / across if across > 1e-15 else 1.0
    command[0] = clip(guide.proportional * by * scale + guide.rate_s * rate[0], limit)
    command[1] = clip(-guide.proportional * bx * scale + guide.rate_s * rate[1], limit)


@compiled
def _held(history, i_now, t, t_start, period, delay, command):  # type: ignore[no-untyped-def]
    """The command in force at t: the newest one that is at least `delay` old; zero before the first."""
    i = min(i_now, int(math.floor((t - delay - t_start) / period + 1e-6)))
    for j in range(2):
        command[j] = history[i, COMMAND + j] if i >= 0 else 0.0


@compiled
def _between(table, k, fraction, out):  # type: ignore[no-untyped-def]
    """Linear interpolation in a per-sample table; the last row is held."""
    n = table.shape[0]
    k0, k1 = min(k, n - 1), min(k + 1, n - 1)
    for i in range(3):
        out[i] = table[k0, i] + (table[k1, i] - table[k0, i]) * fraction


@compiled
def fly(y, t_start, period, n_sub, rest_s, a, guide, sensor, curve_t, curve_f, curve_j, points, gust, canopy, extra_force, extra_torque, accel_gain, accel_offset, gyro_gain, gyro_offset, onboard_gain, onboard_offset, q_onboard, nose_ref, record, events):  # type: ignore[no-untyped-def]  # fmt: skip
    """Fly from `t_start` (s after ignition) until `rest_s` after coming to rest or the record is full. Returns rows written.

    One row per `period`: the sensor is a point sample of the smooth motion there, guidance acts on it at once, and the body is
    carried to the next row by `n_sub` Runge-Kutta steps of fourth order. `y`, `q_onboard`, `nose_ref` are used up.
    """
    n = record.shape[0]
    h = period / n_sub
    stage = 0 if a.rail_length_m > 0.0 else 2
    for i in range(N_EVENTS):
        events[i] = math.nan
    if stage == 2:
        events[LIFTOFF] = t_start
    k1, k2, k3, k4 = np.zeros(N_STATE), np.zeros(N_STATE), np.zeros(N_STATE), np.zeros(N_STATE)
    stage_y, aux, force, torque = np.zeros(N_STATE), np.zeros(_N_AUX), np.zeros(3), np.zeros(3)
    wind, wobble, push, twist, command = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(2)
    rate, last_rate, new_command = np.zeros(3), np.zeros(3), np.zeros(2)
    start = y[:3].copy()
    has_rate, is_at_rest, quiet_s = False, False, 0.0
    last_thrust_t = curve_t[-1] if len(curve_t) > 0 else 0.0

    for k in range(n):
        t = t_start + k * period
        row = record[k]
        # where the body is and what the sensor feels
        _between(gust, k, 0.0, wind)
        _between(canopy, k, 0.0, wobble)
        _between(extra_force, k, 0.0, push)
        _between(extra_torque, k, 0.0, twist)
        area = _chute_area(t, events, a)
        _held(record, k - 1, t, t_start, period, a.gimbal_delay_s, command)
        derivative(t, y, command, wind, wobble, push, twist, area, 0 if is_at_rest else stage, a, curve_t, curve_f, curve_j, points, k1, aux, force, torque)  # fmt: skip
        row[:N_STATE] = y
        p, q, r = y[10], y[11], y[12]
        ap, aq, ar = aux[_A_ALPHA], aux[_A_ALPHA + 1], aux[_A_ALPHA + 2]
        rx, ry, rz = a.imu_x_m, a.imu_y_m, a.imu_z_m
        dot, square = p * rx + q * ry + r * rz, p * p + q * q + r * r
        row[FORCE_IMU] = aux[_A_FORCE] + aq * rz - ar * ry + p * dot - square * rx
        row[FORCE_IMU + 1] = aux[_A_FORCE + 1] + ar * rx - ap * rz + q * dot - square * ry
        row[FORCE_IMU + 2] = aux[_A_FORCE + 2] + ap * ry - aq * rx + r * dot - square * rz
        row[ALPHA : ALPHA + 3] = aux[_A_ALPHA : _A_ALPHA + 3]
        row[WIND : WIND + 3] = aux[_A_WIND : _A_WIND + 3]
        row[MASS], row[THRUST], row[DRAG] = aux[_A_MASS], aux[_A_THRUST], aux[_A_DRAG]
        sense(row[FORCE_IMU], row[FORCE_IMU + 1], row[FORCE_IMU + 2], accel_gain, accel_offset[k], sensor.accel_lsb_mps2, sensor.accel_range_mps2, row[ACCEL_RAW : ACCEL_RAW + 3])  # fmt: skip
        sense(p, q, r, gyro_gain, gyro_offset[k], sensor.rate_lsb_radps, sensor.rate_range_radps, row[RATE_RAW : RATE_RAW + 3])

        # the flight computer: its own attitude from its own gyro, then the steering law
        for i in range(3):
            rate[i] = onboard_offset[k, i]
            for j in range(3):
                rate[i] += onboard_gain[i, j] * row[RATE_RAW + j]
        # on the pad it keeps the levelled attitude; a break wire tells it when it leaves
        if has_rate and not math.isnan(events[LIFTOFF]):
            half = 0.5 * period
            dw, dx, dy, dz = _quaternion.from_rotvec(
                half * (rate[0] + last_rate[0]), half * (rate[1] + last_rate[1]), half * (rate[2] + last_rate[2])
            )
            q_onboard[0], q_onboard[1], q_onboard[2], q_onboard[3] = _quaternion.multiply(
                q_onboard[0], q_onboard[1], q_onboard[2], q_onboard[3], dw, dx, dy, dz
            )
        last_rate[:] = rate
        has_rate = True
        since = t - events[LIFTOFF]
        new_command[:] = 0.0
        if since >= guide.start_s - 1e-9 and since < guide.stop_s:
            if since >= guide.upright_from_s - 1e-9:
                turn_towards_up(nose_ref, guide.upright_rate_radps * period)
            steer(q_onboard, rate, nose_ref, guide, a.gimbal_limit_rad, new_command)
        row[ONBOARD : ONBOARD + 4] = q_onboard
        row[COMMAND : COMMAND + 2] = new_command
        if is_at_rest:
            if t > events[REST] + rest_s:
                return k + 1
            continue

        for i_sub in range(n_sub):
            fraction = i_sub / n_sub
            t_sub = t + i_sub * h
            _held(record, k, t_sub, t_start, period, a.gimbal_delay_s, command)
            if a.gimbal_time_constant_s <= 0.0:
                for i in range(2):
                    y[13 + i] += clip(clip(command[i], a.gimbal_limit_rad) - y[13 + i], a.gimbal_rate_limit_radps * h)
            area = _chute_area(t_sub, events, a)
            for i_stage in range(4):
                ahead = (0.0, 0.5, 0.5, 1.0)[i_stage]
                slope = (k1, k1, k2, k3)[i_stage]
                into = (k1, k2, k3, k4)[i_stage]
                for i in range(N_STATE):
                    stage_y[i] = y[i] + ahead * h * slope[i] if i_stage > 0 else y[i]
                _between(gust, k, fraction + ahead / n_sub, wind)
                _between(canopy, k, fraction + ahead / n_sub, wobble)
                _between(extra_force, k, fraction + ahead / n_sub, push)
                _between(extra_torque, k, fraction + ahead / n_sub, twist)
                derivative(t_sub + ahead * h, stage_y, command, wind, wobble, push, twist, area, stage, a, curve_t, curve_f, curve_j, points, into, aux, force, torque)  # fmt: skip
            was_rising = y[5] > 0.0
            last_up = y[5]
            for i in range(N_STATE):
                y[i] += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i])
            length = math.sqrt(y[6] * y[6] + y[7] * y[7] + y[8] * y[8] + y[9] * y[9])
            for i in range(6, 10):
                y[i] /= length
            t_next = t_sub + h
            # stages and events
            if stage == 0:
                _, _, up_z = _quaternion.rotate(y[6], -y[7], -y[8], -y[9], 0.0, 0.0, 1.0)
                if force[2] / aux[_A_MASS] > a.gravity_mps2 * up_z:
                    stage = 1
                    events[LIFTOFF] = t_next
            elif stage == 1:
                travel = math.sqrt((y[0] - start[0]) ** 2 + (y[1] - start[1]) ** 2 + (y[2] - start[2]) ** 2)
                if travel >= a.rail_length_m:
                    stage = 2
                    events[RAIL_EXIT] = t_next
                    y[10] += a.tip_off_x_radps
                    y[11] += a.tip_off_y_radps
            else:
                if math.isnan(events[APOGEE]) and was_rising and y[5] <= 0.0 and (t_next > last_thrust_t or y[2] > 5.0):
                    events[APOGEE] = t_sub + h * last_up / (last_up - y[5])
                    events[DEPLOYMENT] = events[APOGEE] + a.chute_delay_s
                if aux[_A_TOUCH] > 0.0 and math.isnan(events[TOUCHDOWN]) and not math.isnan(events[APOGEE]):
                    events[TOUCHDOWN] = t_next
                if not math.isnan(events[TOUCHDOWN]):
                    moving = y[3] * y[3] + y[4] * y[4] + y[5] * y[5] > 0.02**2 or y[10] * y[10] + y[11] * y[11] + y[12] * y[12] > 0.05**2
                    quiet_s = 0.0 if moving else quiet_s + h
                    if quiet_s > 0.25:
                        is_at_rest = True
                        events[REST] = t_next
                        y[3:6] = 0.0
                        y[10:13] = 0.0
                        break
    return n


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
