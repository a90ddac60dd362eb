"""Compiled rigid body: rail, motor, gimbal, air, parachute and ground as one derivative of the state.

Slow twins: `_reference_flight.py`. Conventions: body z to the nose, enu with z up, specific force, Hamilton quaternions.

The gimbal turns the thrust vector by Rx(gimbal_x) Ry(gimbal_y), so thrust points along (sin gy, -sin gx cos gy, cos gx cos gy) and a
positive angle turns the vehicle *back* about that axis: the steering law is +proportional * error + rate * body rate.

State y: 0:3 position of the centre of gravity, 3:6 velocity (enu), 6:10 q_enu_from_body, 10:13 body rate, 13:15 gimbal angles.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from replay import _quaternion
from replay.jit import compiled

N_STATE = 15
# the scratch vector w: what a derivative finds on its way ...
W_FORCE, W_ALPHA, W_MASS, W_THRUST, W_DRAG, W_WIND, W_TOUCH, W_ALONG = 0, 3, 6, 7, 8, 9, 12, 13
# ... the sums it works with (body force, body torque, ground's enu force) ...
W_SUM_F, W_SUM_M, W_GROUND = 14, 17, 20
# ... and what it reads: gust, canopy sway, force and torque beyond the model, command; then the computer's rates, newest and before,
# and the tip-off's angular acceleration
W_GUST, W_CANOPY, W_EXTRA_F, W_EXTRA_M, W_COMMAND, W_THINK, W_THINK_LAST, W_TIP, N_WORK = 23, 26, 29, 32, 35, 37, 40, 43, 45


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
    w[W_GROUND], w[W_GROUND + 1], w[W_GROUND + 2] = 0.0, 0.0, 0.0
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
        # Coulomb friction, linear where it slides slowly: so slowly that it is never ten times as stiff as the ground's own damping, or
        # the loop steps over it and the body chatters under a blow
        slow = max(0.05, 0.1 * a.ground_friction * normal / a.ground_damping_nspm)
        grip = a.ground_friction * normal / math.sqrt(vx * vx + vy * vy + slow * slow)
        fx, fy = -grip * vx, -grip * vy
        w[W_GROUND] += fx
        w[W_GROUND + 1] += fy
        w[W_GROUND + 2] += normal
        bx, by, bz = _quaternion.rotate(qw, -qx, -qy, -qz, fx, fy, normal)
        w[W_SUM_M] += ry * bz - rz * by
        w[W_SUM_M + 1] += rz * bx - rx * bz
        w[W_SUM_M + 2] += rx * by - ry * bx
    return touching


@compiled
def _air(y, chute_area, a, w):  # type: ignore[no-untyped-def]
    """Drag, normal force, damping and parachute in body axes, added to force and torque; notes wind and drag."""
    height = max(y[2], 0.0)
    shear = (max(height, 0.5) / 10.0) ** a.wind_shear if a.wind_shear != 0.0 else 1.0
    wx, wy, wz = a.wind_east_mps * shear + w[W_GUST], a.wind_north_mps * shear + w[W_GUST + 1], w[W_GUST + 2]
    w[W_WIND], w[W_WIND + 1], w[W_WIND + 2] = wx, wy, wz
    density = a.density_kgpm3
    if a.lapse_per_m != 0.0:
        density *= (1.0 - a.lapse_per_m * height) ** 4.2558761
    qw, qx, qy, qz = y[6], y[7], y[8], y[9]
    u, v, along = _quaternion.rotate(qw, -qx, -qy, -qz, y[3] - wx, y[4] - wy, y[5] - wz)
    speed = math.sqrt(u * u + v * v + along * along)
    half = 0.5 * density * speed * a.area_m2
    drag, normal = half * a.drag_coefficient, half * a.normal_slope
    w[W_DRAG] = drag * speed
    w[W_SUM_F] -= (drag + normal) * u
    w[W_SUM_F + 1] -= (drag + normal) * v
    w[W_SUM_F + 2] -= drag * along
    w[W_SUM_M] += -a.cp_below_cg_m * normal * v - half * a.pitch_damping_m2 * y[10]
    w[W_SUM_M + 1] += a.cp_below_cg_m * normal * u - half * a.pitch_damping_m2 * y[11]
    w[W_SUM_M + 2] += half * (a.roll_moment_m * along - a.roll_damping_m2 * y[12])
    if chute_area > 0.0:
        arm = a.chute_above_cg_m
        cu, cv, cw = _quaternion.rotate(qw, -qx, -qy, -qz, w[W_CANOPY], w[W_CANOPY + 1], w[W_CANOPY + 2])
        cu, cv, cw = u + y[11] * arm - cu, v - y[10] * arm - cv, along - cw
        pull = -0.5 * density * chute_area * math.sqrt(cu * cu + cv * cv + cw * cw)
        w[W_SUM_F] += pull * cu
        w[W_SUM_F + 1] += pull * cv
        w[W_SUM_F + 2] += pull * cw
        w[W_SUM_M] -= arm * pull * cv
        w[W_SUM_M + 1] += arm * pull * cu
        # the twisting lines wind the body up; 0.004 N m s is the lines' own damping about the long axis
        w[W_SUM_M + 2] += 0.004 * (chute_area / a.chute_area_m2) * (a.chute_spin_radps - y[12])


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
    w[W_SUM_F] = fx + w[W_EXTRA_F]
    w[W_SUM_F + 1] = fy + w[W_EXTRA_F + 1]
    w[W_SUM_F + 2] = thrust * math.cos(gx) * math.cos(gy) + w[W_EXTRA_F + 2]
    # jet damping: gas leaves with the nozzle's sideways speed; what the grain's own inertia loses leaves with it
    w[W_SUM_M] = length * fy - flow * length * length * y[10] + w[W_EXTRA_M]
    w[W_SUM_M + 1] = -length * fx - flow * length * length * y[11] + w[W_EXTRA_M + 1]
    w[W_SUM_M + 2] = w[W_EXTRA_M + 2]
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
    w[W_TOUCH] = 0.0
    if stage == 2 and points.shape[0] > 0 and y[2] < 2.0 and _ground(y, points, a, w):
        w[W_TOUCH] = 1.0
        px, py, pz = _quaternion.rotate(qw, -qx, -qy, -qz, w[W_GROUND], w[W_GROUND + 1], w[W_GROUND + 2])
        w[W_SUM_F] += px
        w[W_SUM_F + 1] += py
        w[W_SUM_F + 2] += pz

    up_x, up_y, up_z = _quaternion.rotate(qw, -qx, -qy, -qz, 0.0, 0.0, 1.0)
    fx, fy, fz = w[W_SUM_F] / mass, w[W_SUM_F + 1] / mass, w[W_SUM_F + 2] / mass
    p, q, r = y[10], y[11], y[12]
    along = fz - a.gravity_mps2 * up_z
    w[W_ALONG] = along
    if stage < 2:
        fx, fy, fz = a.gravity_mps2 * up_x, a.gravity_mps2 * up_y, a.gravity_mps2 * up_z + along * stage
        dy[10], dy[11], dy[12] = 0.0, 0.0, 0.0
    else:
        dy[10] = (w[W_SUM_M] - (iz - iy) * q * r) / ix
        dy[11] = (w[W_SUM_M + 1] - (ix - iz) * r * p) / iy
        dy[12] = (w[W_SUM_M + 2] - (iy - ix) * p * q) / iz
        dy[10] += w[W_TIP]
        dy[11] += w[W_TIP + 1]
    dy[0], dy[1], dy[2] = y[3], y[4], y[5]
    dy[3], dy[4], dy[5] = _quaternion.rotate(qw, qx, qy, qz, fx, fy, fz)
    dy[5] -= a.gravity_mps2
    dy[6], dy[7], dy[8], dy[9] = _quaternion.multiply(0.5 * qw, 0.5 * qx, 0.5 * qy, 0.5 * qz, 0.0, p, q, r)
    for i in range(2):
        dy[13 + i] = 0.0
        if a.gimbal_time_constant_s > 0.0:
            told = clip(w[W_COMMAND + i], a.gimbal_limit_rad)
            dy[13 + i] = clip((told - y[13 + i]) / a.gimbal_time_constant_s, a.gimbal_rate_limit_radps)
    w[W_FORCE], w[W_FORCE + 1], w[W_FORCE + 2] = fx, fy, fz
    w[W_ALPHA], w[W_ALPHA + 1], w[W_ALPHA + 2] = dy[10], dy[11], dy[12]
    w[W_MASS], w[W_THRUST] = mass, thrust
