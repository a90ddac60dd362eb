"""Disturbance history: force and torque that a flight saw beyond the model, from its reconciled motion.

What was flown is known as motion; the model, steered by the logged commands, says what force and torque that motion takes without
wind, misalignment or error of its own. The rest is the disturbance. It is shown smoothed, with the bandwidth stated; a re-flight works
on the difference of two motions and needs no smoothing (`_kernels_refly.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate

if TYPE_CHECKING:
    from replay.motion.solution import Solution
    from replay.whatif.vehicle import Vehicle

Array = NDArray[np.float64]

REFLY = "re-fly"
LONGEST_STEP_S = 0.0041
"""Of the integration: a row at 250 Hz is one step, well inside the quickest servo's lag."""
_WIND_HZ = 2.0
_LEAST_AIR_SPEED_MPS = 8.0


@dataclass(frozen=True, eq=False)
class Flown:
    """The flown motion from liftoff to the parachute, n rows, with what drives its model.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        After liftoff.
    states : ndarray, shape (n, 13)
        Position and velocity (enu), continuous quaternion `q_enu_from_body`, body rate; SI.
    accel_body_mps2, alpha_body_radps2, wind_enu_mps : ndarray, shape (n, 3)
    motor : ndarray, shape (n, 3)
        Time, thrust in N, impulse in N·s, as logged.
    command_rad : ndarray, shape (n, 2)
    has_commands : bool
    rows : slice
        Where these rows lie in the solution.
    i_free : int
        First row off the rail.
    frame : scalars of the vehicle for the compiled loop
    bandwidth_hz : float
    """

    time_s: Array
    states: Array
    accel_body_mps2: Array
    alpha_body_radps2: Array
    wind_enu_mps: Array
    motor: Array
    command_rad: Array
    has_commands: bool
    rows: slice
    i_free: int
    frame: Any
    bandwidth_hz: float

    @property
    def n_sub(self) -> int:
        """Integration steps per row."""
        return max(1, int(np.ceil(float(np.median(np.diff(self.time_s))) / LONGEST_STEP_S)))

    @property
    def table(self) -> Array:
        """States and wind side by side, as the compiled loops take them, shape (n, 16)."""
        return np.ascontiguousarray(np.hstack((self.states, self.wind_enu_mps)))


@dataclass(frozen=True, eq=False)
class Disturbance:
    """What neither model nor commands explain, n rows, smoothed to `bandwidth_hz` (-3 dB, zero phase), the wind to 2 Hz.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        After liftoff.
    wind_enu_mps : ndarray, shape (n, 3)
        Explains the side force.
    force_body_n, torque_body_nm : ndarray, shape (n, 3)
        What is left beside it, body axes.
    thrust_n, mass_kg : ndarray, shape (n,)
    gimbal_rad : ndarray, shape (n, 2)
    bandwidth_hz : float
    """

    time_s: Array
    wind_enu_mps: Array
    force_body_n: Array
    torque_body_nm: Array
    thrust_n: Array
    mass_kg: Array
    gimbal_rad: Array
    bandwidth_hz: float


def flown_motion(solution: Solution, log: Any, vehicle: Vehicle, bandwidth_hz: float) -> Flown:
    """Cut the flown motion out of a solution and recover the logged thrust.

    Raises
    ------
    CannotEstimate
        No liftoff or no apogee in the record, or no position.
    """
    events = solution.events
    if not (np.isfinite(events.liftoff_log_s) and np.isfinite(events.apogee_log_s)):
        raise CannotEstimate(REFLY, "the record shows no liftoff and apogee")
    stop = events.deployment_log_s if np.isfinite(events.deployment_log_s) else events.apogee_log_s
    first, last = (int(i) for i in np.searchsorted(solution.log_time_s, (events.liftoff_log_s, stop)))
    rows = slice(first, last)
    time_s = solution.log_time_s[rows] - events.liftoff_log_s
    if len(time_s) < 20 or not np.isfinite(solution.pos_enu_m[rows]).all():
        raise CannotEstimate(REFLY, "the solution has no path between liftoff and parachute")
    rate, accel = _corrected(solution)
    smooth = Smoother(solution.log_time_s, bandwidth_hz)
    alpha = np.gradient(smooth(rate), solution.log_time_s, axis=0)[rows]
    q = rotation.make_continuous(solution.q_enu_from_body[rows])
    states = np.ascontiguousarray(np.hstack((solution.pos_enu_m[rows], solution.vel_enu_mps[rows], q, rate[rows])))
    command, has_commands = _commands(log, solution.log_time_s[rows])
    travel = np.linalg.norm(states[:, :3] - states[0, :3], axis=1)
    accel = smooth(accel)[rows]
    i_free = int(np.argmax(travel >= vehicle.rail_length_m))
    nothing = np.zeros((len(time_s), 3))
    motion = Flown(time_s, states, accel, alpha, nothing, nothing, command, has_commands, rows, i_free, None, bandwidth_hz)
    return with_vehicle(motion, vehicle, events.burnout_log_s - events.liftoff_log_s)


def with_vehicle(motion: Flown, vehicle: Vehicle, burnout_s: float) -> Flown:
    """The same motion of another vehicle: its thrust and the wind are recovered anew."""
    from replay.whatif import dynamics

    frame = dynamics.airframe(vehicle)
    motor = logged_thrust(motion.time_s, motion.accel_body_mps2, motion.states, frame, burnout_s)
    motion = replace(motion, frame=frame, motor=motor, wind_enu_mps=np.zeros((len(motion.time_s), 3)))
    return replace(motion, wind_enu_mps=_wind(motion))


def _wind(motion: Flown) -> Array:
    """Horizontal wind that explains the side force beyond the model, shape (n, 3), smoothed to 2 Hz; held where air speed is too low.

    Side force on the body is -1/2 rho V A (normal slope + drag) times the air's sideways speed; two rounds settle V.
    """
    wind, frame = np.zeros((len(motion.time_s), 3)), motion.frame
    q, velocity = motion.states[:, 6:10], motion.states[:, 3:6]
    dcm = rotation.to_dcm(rotation.normalise(q))
    (a, b), (c, d) = dcm[:, 0, :2].T, dcm[:, 1, :2].T  # body x and y seen along east (a, b) and north (c, d)
    area = a * d - b * c
    slow = Smoother(motion.time_s, _WIND_HZ)
    for _ in range(2):
        felt, _, mass, _ = _model(replace(motion, wind_enu_mps=wind))
        speed = np.linalg.norm(velocity - wind, axis=1)
        hold = 0.5 * frame.density_kgpm3 * speed * frame.area_m2 * (frame.normal_slope + frame.drag_coefficient)
        is_told = (np.arange(len(speed)) >= motion.i_free) & (speed > _LEAST_AIR_SPEED_MPS) & (np.abs(area) > 0.5)
        if is_told.sum() < 10 or not hold.any():
            return wind
        side = (motion.accel_body_mps2 - felt)[is_told, :2] * (mass / hold)[is_told, None]
        east = (d[is_told] * side[:, 0] - c[is_told] * side[:, 1]) / area[is_told]
        north = (a[is_told] * side[:, 1] - b[is_told] * side[:, 0]) / area[is_told]
        more = np.column_stack((east, north))
        for i in range(2):
            told = np.interp(motion.time_s, motion.time_s[is_told], wind[is_told, i] + more[:, i])
            wind[:, i] = slow(told)
    return wind


def _model(motion: Flown) -> tuple[Array, Array, Array, Array]:
    """What the model says along the flown motion: specific force, angular acceleration, mass, gimbal angles."""
    from replay.whatif import _kernels_refly as kernels

    n = len(motion.time_s)
    felt, alpha, mass, gimbal = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros(n), np.zeros((n, 2))
    kernels.model_along(
        np.array(motion.time_s),
        motion.table,
        np.array(motion.command_rad),
        motion.frame,
        np.array(motion.motor),
        motion.n_sub,
        felt,
        alpha,
        mass,
        gimbal,
    )
    return felt, alpha, mass, gimbal


def _corrected(solution: Solution) -> tuple[Array, Array]:
    """Body rate and specific force with the corrections the method found in flight."""
    rate, accel = solution.rate_body_radps, solution.accel_body_mps2
    if solution.gyro_bias_body_radps is not None:
        rate = rate - np.nan_to_num(solution.gyro_bias_body_radps)
    if solution.accel_bias_body_mps2 is not None:
        accel = accel - np.nan_to_num(solution.accel_bias_body_mps2)
    return _filled(rate), _filled(accel)


def _filled(values: Array) -> Array:
    """Blank samples filled along the time axis, so that they can be smoothed over."""
    is_bad = ~np.isfinite(values).all(axis=1)
    if not is_bad.any():
        return values
    values, n = values.copy(), np.arange(len(values))
    for i in range(values.shape[1]):
        values[is_bad, i] = np.interp(n[is_bad], n[~is_bad], values[~is_bad, i])
    return values


def _commands(log: Any, log_time_s: Array) -> tuple[Array, bool]:
    """Logged gimbal commands held onto the rows; zeros where the log has none."""
    channel = log.get("gimbal_command_rad")
    if channel is None or channel.n_samples == 0:
        return np.zeros((len(log_time_s), 2)), False
    i = np.searchsorted(channel.log_time_s, log_time_s + 1e-6, side="right") - 1
    held = np.where((i >= 0)[:, None], np.nan_to_num(channel.values)[np.maximum(i, 0)], 0.0)
    return np.ascontiguousarray(held), True


class Smoother:
    """Zero-phase low-pass: a second-order Butterworth filter run forwards and backwards, 3 dB down at `bandwidth_hz`."""

    def __init__(self, log_time_s: Array, bandwidth_hz: float) -> None:
        from scipy.signal import butter

        rate_hz = 1.0 / float(np.median(np.diff(log_time_s)))
        # two passes are 3 dB down where one is 1.5 dB down, at 0.8022 of its corner
        corner = bandwidth_hz / 0.8022
        self._sos = butter(2, corner / (0.5 * rate_hz), output="sos") if corner < 0.45 * rate_hz else None

    def __call__(self, values: Array) -> Array:
        from scipy.signal import sosfiltfilt

        return values if self._sos is None else np.asarray(sosfiltfilt(self._sos, values, axis=0))


def logged_thrust(time_s: Array, accel_body_mps2: Array, states: Array, frame: Any, burnout_s: float) -> Array:
    """Thrust as logged, shape (n, 3): time, thrust, impulse so far. Axial specific force times mass, and the model's drag put back.

    The mass history needs the impulse and the impulse the mass: three rounds settle it. `states` (n, 13) as in `Flown`.
    """
    air = rotation.rotate(rotation.conjugate(states[:, 6:10]), states[:, 3:6])
    density = frame.density_kgpm3 * (1.0 - frame.lapse_per_m * np.maximum(states[:, 2], 0.0)) ** 4.2558761
    drag = 0.5 * density * np.linalg.norm(air, axis=1) * frame.area_m2 * frame.drag_coefficient * air[:, 2]
    is_burning = time_s <= (burnout_s if np.isfinite(burnout_s) else time_s[-1]) + 0.05
    mass = np.full(len(time_s), frame.liftoff_mass_kg)
    for _ in range(3):
        thrust = np.where(is_burning, np.maximum(mass * accel_body_mps2[:, 2] + drag, 0.0), 0.0)
        impulse = np.concatenate(([0.0], np.cumsum(0.5 * (thrust[1:] + thrust[:-1]) * np.diff(time_s))))
        mass = frame.liftoff_mass_kg - frame.propellant_mass_kg * impulse / max(float(impulse[-1]), 1e-9)
    return np.ascontiguousarray(np.column_stack((time_s, thrust, impulse)))


def recover(flown: Flown) -> Disturbance:
    """Force and torque beyond the model along the flown motion; zero while the rail holds."""
    felt, alpha, mass, gimbal = _model(flown)
    frame = flown.frame
    inertia = np.array([frame.inertia_x_kgm2, frame.inertia_y_kgm2, frame.inertia_z_kgm2]) * (mass / frame.liftoff_mass_kg)[:, None]
    smooth = Smoother(flown.time_s, flown.bandwidth_hz)
    force = smooth((flown.accel_body_mps2 - felt) * mass[:, None])
    torque = smooth((flown.alpha_body_radps2 - alpha) * inertia)
    force[: flown.i_free], torque[: flown.i_free] = 0.0, 0.0
    return Disturbance(flown.time_s, flown.wind_enu_mps, force, torque, flown.motor[:, 1], mass, gimbal, flown.bandwidth_hz)
