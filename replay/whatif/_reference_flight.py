"""Slow twins of `_kernels_body.py` and `_kernels_flight.py` in plain NumPy, from the equations and not from the compiled loops."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation

Array = NDArray[np.float64]
Rates = Callable[[int, Array], Array]
_Z = np.array([0.0, 0.0, 1.0])


def thrust_and_impulse(t: float, curve: Array) -> tuple[float, float]:
    """Thrust and impulse delivered by t, of a polyline of shape (m, 2)."""
    if len(curve) == 0 or t < curve[0, 0]:
        return 0.0, 0.0
    nodes = np.vstack((curve[curve[:, 0] < t], [[t, np.interp(t, curve[:, 0], curve[:, 1])]]))
    thrust = nodes[-1, 1] if t < curve[-1, 0] else 0.0
    nodes = nodes if t < curve[-1, 0] else curve
    return float(thrust), float(np.trapezoid(nodes[:, 1], nodes[:, 0]))


def derivative(
    t: float, y: Array, table: Array, command: Array, chute_area: float, stage: int, a: Any, curve: Array, points: Array
) -> dict[str, Any]:
    """State derivative and what it rests on. `table` (12,): gust, canopy sway (enu), force and torque beyond the model (body)."""
    position, velocity, q, rate, gimbal = y[0:3], y[3:6], y[6:10], y[10:13], y[13:15]
    to_body = rotation.conjugate(q)
    gust, canopy, force, torque = table[0:3], table[3:6], table[6:9].copy(), table[9:12].copy()

    thrust, impulse = thrust_and_impulse(t, curve)
    total = thrust_and_impulse(np.inf, curve)[1]
    share = 0.0 if total == 0.0 else 1.0 / total
    mass = a.liftoff_mass_kg - a.propellant_mass_kg * impulse * share
    inertia = np.array([a.inertia_x_kgm2, a.inertia_y_kgm2, a.inertia_z_kgm2]) * mass / a.liftoff_mass_kg
    nozzle = np.array([0.0, 0.0, -a.gimbal_below_cg_m])
    tilt_x, tilt_y = gimbal + (a.thrust_tilt_x_rad, a.thrust_tilt_y_rad)
    about_x, about_y = rotation.from_rotvec([tilt_x, 0.0, 0.0]), rotation.from_rotvec([0.0, tilt_y, 0.0])
    push = thrust * rotation.rotate(rotation.multiply(about_x, about_y), _Z)
    force += push
    torque += np.cross(nozzle, push) - a.propellant_mass_kg * thrust * share * a.gimbal_below_cg_m**2 * rate * (1.0, 1.0, 0.0)

    height = max(position[2], 0.0)
    wind = np.array([a.wind_east_mps, a.wind_north_mps, 0.0]) * (max(height, 0.5) / 10.0) ** a.wind_shear + gust
    air = rotation.rotate(to_body, velocity - wind)
    pressure = 0.5 * a.density_kgpm3 * (1.0 - a.lapse_per_m * height) ** 4.2558761 * np.linalg.norm(air) * a.area_m2
    normal = -pressure * a.normal_slope * air * (1.0, 1.0, 0.0)
    force += normal - pressure * a.drag_coefficient * air
    torque += np.cross([0.0, 0.0, -a.cp_below_cg_m], normal)
    torque -= pressure * np.array([a.pitch_damping_m2, a.pitch_damping_m2, a.roll_damping_m2]) * rate
    torque[2] += pressure * a.roll_moment_m * air[2]
    if chute_area > 0.0:
        hook = np.array([0.0, 0.0, a.chute_above_cg_m])
        seen = air + np.cross(rate, hook) - rotation.rotate(to_body, canopy)
        pull = -0.5 * a.density_kgpm3 * (1.0 - a.lapse_per_m * height) ** 4.2558761 * chute_area * np.linalg.norm(seen) * seen
        force += pull
        torque += np.cross(hook, pull)
        torque[2] += 0.004 * chute_area / a.chute_area_m2 * (a.chute_spin_radps - rate[2])
    if stage == 2 and position[2] < 2.0:
        for point in points:
            depth = -(position + rotation.rotate(q, point))[2]
            if depth > 0.0:
                slip = velocity + rotation.rotate(q, np.cross(rate, point))
                press = max(0.0, a.ground_stiffness_npm * depth - a.ground_damping_nspm * slip[2] * min(1.0, depth / 0.01))
                slow = max(0.05, 0.1 * a.ground_friction * press / a.ground_damping_nspm)
                hold = a.ground_friction * press / np.hypot(np.hypot(slip[0], slip[1]), slow)
                reaction = rotation.rotate(to_body, [-hold * slip[0], -hold * slip[1], press])
                force += reaction
                torque += np.cross(point, reaction)

    up = rotation.rotate(to_body, _Z)
    felt, alpha = force / mass, (torque - np.cross(rate, inertia * rate)) / inertia
    if stage < 2:
        along = 0.0 if stage == 0 else felt[2] - a.gravity_mps2 * up[2]
        felt, alpha = a.gravity_mps2 * up + along * _Z, np.zeros(3)
    turn = np.zeros(2)
    if a.gimbal_time_constant_s > 0.0:
        lag = (np.clip(command, -a.gimbal_limit_rad, a.gimbal_limit_rad) - gimbal) / a.gimbal_time_constant_s
        turn = np.clip(lag, -a.gimbal_rate_limit_radps, a.gimbal_rate_limit_radps)
    acceleration = rotation.rotate(q, felt) - a.gravity_mps2 * _Z
    slope = np.concatenate((velocity, acceleration, 0.5 * rotation.multiply(q, np.concatenate(([0.0], rate))), alpha, turn))
    return {"slope": slope, "felt": felt, "alpha": alpha, "mass": mass, "thrust": thrust, "wind": wind}


def steer(q_enu_from_body: Array, rate: Array, nose_ref_enu: Array, proportional: float, rate_s: float, limit: float) -> Array:
    """Gimbal command: the believed swing from the reference nose, as a rotation vector in body axes, and the body rate."""
    reference = rotation.rotate(rotation.conjugate(q_enu_from_body), nose_ref_enu)
    axis = np.cross(reference, _Z)
    sine = np.linalg.norm(axis)
    swing = axis / sine * np.arctan2(sine, reference[2]) if sine > 0.0 else axis
    return np.clip(proportional * swing[:2] + rate_s * rate[:2], -limit, limit)


def turn_towards_up(nose_enu: Array, step: float) -> Array:
    """The nose direction turned towards up by at most `step`."""
    axis = np.cross(nose_enu, _Z)
    sine = np.linalg.norm(axis)
    angle = np.arctan2(sine, nose_enu[2])
    if angle <= step or sine == 0.0:
        return _Z.copy()
    return rotation.rotate(rotation.from_rotvec(step * axis / sine), nose_enu)


def fly(
    y: Array,
    t_start: float,
    period: float,
    n_sub: int,
    n_rows: int,
    a: Any,
    guide: Any,
    curve: Array,
    draws: Array,
    rates: Rates,
    q: Array,
    nose: Array,
) -> dict[str, Array]:
    """The closed loop up to apogee with a prompt gimbal command: states, onboard attitudes and commands, one row per period.

    `draws` (n, 12) as in `derivative`; `rates(k, rate)` gives the computer's body rate of row k; `q` and
    `nose` are its attitude and reference on the pad. The last row of `draws` is held.
    """
    stage, liftoff, start, h = (0 if a.rail_length_m > 0.0 else 2), None, y[:3].copy(), period / n_sub
    if stage == 2:
        liftoff = t_start
    kept: dict[str, list[Array]] = {"state": [], "onboard": [], "command": []}
    last = np.zeros(3)

    def table(k: int, fraction: float) -> Array:
        low, high = draws[min(k, len(draws) - 1)], draws[min(k + 1, len(draws) - 1)]
        return np.asarray(low + (high - low) * fraction)

    for k in range(n_rows):
        t = t_start + k * period
        seen = rates(k, y[10:13])
        if k > 0 and liftoff is not None:
            q = rotation.multiply(q, rotation.from_rotvec(0.5 * period * (seen + last)))
        last, command = seen, np.zeros(2)
        if liftoff is not None and guide.start_s - 1e-9 <= t - liftoff < guide.stop_s:
            if t - liftoff >= guide.upright_from_s - 1e-9:
                nose = turn_towards_up(nose, guide.upright_rate_radps * period)
            command = steer(q, seen, nose, guide.proportional, guide.rate_s, a.gimbal_limit_rad)
        for name, value in (("state", y.copy()), ("onboard", q.copy()), ("command", command)):
            kept[name].append(value)
        for i in range(n_sub):
            t_sub = t + i * h
            slopes: list[Array] = []
            for ahead in (0.0, 0.5, 0.5, 1.0):
                state = y + ahead * h * slopes[-1] if slopes else y
                step = derivative(t_sub + ahead * h, state, table(k, (i + ahead) / n_sub), command, 0.0, stage, a, curve, np.zeros((0, 3)))
                slopes.append(step["slope"])
            y = y + h / 6.0 * (slopes[0] + 2.0 * slopes[1] + 2.0 * slopes[2] + slopes[3])
            y[6:10] = rotation.normalise(y[6:10])
            if stage == 0 and step["thrust"] / step["mass"] > a.gravity_mps2 * rotation.rotate(rotation.conjugate(y[6:10]), _Z)[2]:
                stage, liftoff = 1, t_sub + h
            elif stage == 1 and np.linalg.norm(y[:3] - start) >= a.rail_length_m:
                stage = 2
    return {name: np.array(values) for name, values in kept.items()}
