"""Six-degree-of-freedom flight of one vehicle: turns vehicle file and surroundings into the compiled loop's inputs and names its output.

What the model leaves out: flex, slosh, the Earth's turning, ground effect, motor ignition on a moving pad, gas-dynamic side forces
other than jet damping. The centre of gravity stays where it is in the body; the inertia shrinks in proportion to the mass.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.motion.atmosphere import LAPSE_K_PER_M, density_kgpm3, standard_pressure_pa
from replay.motion.gravity import gravity_mps2
from replay.whatif.vehicle import Vehicle
from replay.whatif.wind import Wind

Array = NDArray[np.float64]

STEPS_HZ = 2000.0
"""The loop is carried at this rate or faster."""


@dataclass(frozen=True)
class Surroundings:
    """What a flight saw that no vehicle file holds.

    Parameters
    ----------
    wind : Wind
    gravity_mps2, ground_pressure_pa : float or None
        None: normal gravity of the site's latitude and height; the standard atmosphere's pressure at the site's height.
    thrust_tilt_rad : (float, float)
        Standing misalignment of the thrust line, added to the gimbal angles about body x and y.
    tip_off_radps : (float, float)
        Body rate about x and y that leaving the rail adds, while only the rear guide still holds.
    tip_off_s : float
        How long that takes: the distance of the guides over the speed, a tenth of a metre at 5 m/s.
    thrust_scale, drag_scale, canopy_scale : float
        Thrust, drag coefficient and parachute area over what the vehicle file has.
    chute_late_s : float
        How much later the parachute came than the vehicle file has it.
    roll_moment_m : float
        Fin cant: roll torque = 1/2 rho V A roll_moment * (speed along the nose).
    canopy_sway_mps, canopy_sway_s, canopy_spin_radps : float
        Wandering of the open canopy through the air, its correlation time, and the spin its lines wind up to.
    """

    wind: Wind = field(default_factory=Wind)
    gravity_mps2: float | None = None
    ground_pressure_pa: float | None = None
    thrust_tilt_rad: tuple[float, float] = (0.0, 0.0)
    tip_off_radps: tuple[float, float] = (0.0, 0.0)
    tip_off_s: float = 0.02
    thrust_scale: float = 1.0
    drag_scale: float = 1.0
    canopy_scale: float = 1.0
    chute_late_s: float = 0.0
    roll_moment_m: float = 0.0
    canopy_sway_mps: float = 0.0
    canopy_sway_s: float = 1.2
    canopy_spin_radps: float = 0.0
    canopy_fill_s: float = 0.35


@dataclass(frozen=True, eq=False)
class Record:
    """What the loop wrote: n rows, one per inertial sample.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        On the loop's clock, after ignition.
    rows : ndarray, shape (n, 39)
        Read by the properties.
    events : dict of str to float
        Liftoff, rail exit, apogee, deployment, touchdown, rest; NaN where it did not come to that.
    """

    time_s: Array
    rows: Array
    events: dict[str, float]

    def _columns(self, first: int, width: int) -> Array:
        return self.rows[:, first] if width == 1 else self.rows[:, first : first + width]

    @property
    def pos_enu_m(self) -> Array:
        """Centre of gravity, shape (n, 3)."""
        return self._columns(0, 3)

    @property
    def vel_enu_mps(self) -> Array:
        """Of the centre of gravity, shape (n, 3)."""
        return self._columns(3, 3)

    @property
    def q_enu_from_body(self) -> Array:
        """Shape (n, 4)."""
        return self._columns(6, 4)

    @property
    def rate_body_radps(self) -> Array:
        """Shape (n, 3)."""
        return self._columns(10, 3)

    @property
    def gimbal_rad(self) -> Array:
        """Actual gimbal angles about body x and y, shape (n, 2)."""
        return self._columns(13, 2)

    @property
    def accel_body_mps2(self) -> Array:
        """Specific force at the inertial sensor, body axes, shape (n, 3)."""
        return self._columns(15, 3)

    @property
    def alpha_body_radps2(self) -> Array:
        """Angular acceleration, shape (n, 3)."""
        return self._columns(18, 3)

    @property
    def wind_enu_mps(self) -> Array:
        """Gusts included, shape (n, 3)."""
        return self._columns(21, 3)

    @property
    def mass_kg(self) -> Array:
        """Shape (n,)."""
        return self._columns(24, 1)

    @property
    def thrust_n(self) -> Array:
        """Shape (n,)."""
        return self._columns(25, 1)

    @property
    def drag_n(self) -> Array:
        """Shape (n,)."""
        return self._columns(26, 1)

    @property
    def accel_raw_imu_mps2(self) -> Array:
        """As the sensor gives it, shape (n, 3)."""
        return self._columns(27, 3)

    @property
    def rate_raw_imu_radps(self) -> Array:
        """As the sensor gives it, shape (n, 3)."""
        return self._columns(30, 3)

    @property
    def q_enu_from_body_onboard(self) -> Array:
        """What the computer believes, shape (n, 4)."""
        return self._columns(33, 4)

    @property
    def gimbal_command_rad(self) -> Array:
        """About body x and y, shape (n, 2)."""
        return self._columns(37, 2)


@dataclass(frozen=True, eq=False)
class Loop:
    """Everything in the loop besides the body: sensor, flight computer, draws. Neutral values: an ideal sensor, no guidance, still air.

    Parameters
    ----------
    guide, sensor : tuple of float
        `_kernels_flight.Guide` and `Sensor` by place, SI.
    gust_enu_mps, canopy_enu_mps : ndarray, shape (n, 3), or None
        One row per sample: gusts on the steady wind, and the sway of the open canopy through the air.
    extra_force_body_n, extra_torque_body_nm : ndarray, shape (n, 3), or None
    accel_gain, gyro_gain : ndarray, shape (3, 3), or None
        Body axes into raw imu axes.
    onboard_gain : ndarray, shape (3, 3), or None
        Raw imu rates into the computer's body rates.
    accel_offset, gyro_offset, onboard_offset : ndarray, shape (n, 3), or None
        Added after the gains, SI.
    q_enu_from_body_onboard : array_like, shape (4,)
        What the computer starts from.
    nose_ref_enu : array_like, shape (3,)
        Nose direction it holds.
    """

    guide: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, np.inf, 0.0)
    sensor: tuple[float, ...] = (0.0, np.inf, 0.0, np.inf)
    gust_enu_mps: Array | None = None
    canopy_enu_mps: Array | None = None
    extra_force_body_n: Array | None = None
    extra_torque_body_nm: Array | None = None
    accel_gain: Array | None = None
    accel_offset: Array | None = None
    gyro_gain: Array | None = None
    gyro_offset: Array | None = None
    onboard_gain: Array | None = None
    onboard_offset: Array | None = None
    q_enu_from_body_onboard: ArrayLike = (1.0, 0.0, 0.0, 0.0)
    nose_ref_enu: ArrayLike = (0.0, 0.0, 1.0)


def ground_pressure(vehicle: Vehicle, surroundings: Surroundings) -> float:
    """Pressure at the pad, Pa: as given, else the standard atmosphere's at the site's height."""
    if surroundings.ground_pressure_pa is not None:
        return surroundings.ground_pressure_pa
    return float(standard_pressure_pa(vehicle.site.ground_height_or_default_m))


def site_gravity(vehicle: Vehicle, surroundings: Surroundings) -> float:
    """Gravity at the pad, m/s2: as given, else WGS-84 normal gravity of the site."""
    if surroundings.gravity_mps2 is not None:
        return surroundings.gravity_mps2
    return float(gravity_mps2(vehicle.site.latitude_or_default_rad, vehicle.site.ground_height_or_default_m))


def airframe(vehicle: Vehicle, surroundings: Surroundings | None = None) -> Any:
    """The loop's scalars of one vehicle in its surroundings."""
    from replay.whatif._kernels_body import Airframe

    s = Surroundings() if surroundings is None else surroundings
    temperature = vehicle.site.ground_temperature_or_default_k
    gimbal, aero, wind = vehicle.gimbal, vehicle.aero, s.wind.mean_enu_mps
    values = {
        "liftoff_mass_kg": vehicle.liftoff_mass_kg,
        "propellant_mass_kg": vehicle.propellant_mass_kg,
        "inertia_x_kgm2": vehicle.inertia_kgm2[0],
        "inertia_y_kgm2": vehicle.inertia_kgm2[1],
        "inertia_z_kgm2": vehicle.inertia_kgm2[2],
        "gimbal_below_cg_m": vehicle.gimbal_below_cg_m,
        "imu_x_m": vehicle.imu_from_cg_m[0],
        "imu_y_m": vehicle.imu_from_cg_m[1],
        "imu_z_m": vehicle.imu_from_cg_m[2],
        "rail_length_m": vehicle.rail_length_m,
        "area_m2": 0.25 * np.pi * vehicle.diameter_m**2,
        "drag_coefficient": aero.drag_coefficient * s.drag_scale,
        "normal_slope": aero.normal_force_slope_per_rad,
        "cp_below_cg_m": aero.cp_below_cg_m,
        "pitch_damping_m2": aero.pitch_damping_m2,
        "roll_damping_m2": aero.roll_damping_m2,
        "roll_moment_m": s.roll_moment_m,
        "thrust_tilt_x_rad": s.thrust_tilt_rad[0],
        "thrust_tilt_y_rad": s.thrust_tilt_rad[1],
        "tip_off_x_radps": s.tip_off_radps[0],
        "tip_off_y_radps": s.tip_off_radps[1],
        "tip_off_s": s.tip_off_s,
        "gimbal_limit_rad": gimbal.limit_rad if gimbal else 0.0,
        "gimbal_rate_limit_radps": gimbal.rate_limit_radps if gimbal else 0.0,
        "gimbal_time_constant_s": gimbal.time_constant_s if gimbal else 0.0,
        "gimbal_delay_s": gimbal.delay_s if gimbal else 0.0,
        "chute_area_m2": vehicle.recovery.drag_area_m2 * s.canopy_scale,
        "chute_delay_s": vehicle.recovery.delay_after_apogee_s + s.chute_late_s,
        "chute_fill_s": s.canopy_fill_s,
        "chute_above_cg_m": 0.9 * vehicle.gimbal_below_cg_m,
        "chute_spin_radps": s.canopy_spin_radps,
        "gravity_mps2": site_gravity(vehicle, s),
        "density_kgpm3": float(density_kgpm3(ground_pressure(vehicle, s), temperature)),
        "lapse_per_m": LAPSE_K_PER_M / temperature,
        "wind_east_mps": wind[0],
        "wind_north_mps": wind[1],
        "wind_shear": s.wind.shear,
        "ground_stiffness_npm": 260.0 * vehicle.liftoff_mass_kg,
        "ground_damping_nspm": 8.0 * vehicle.liftoff_mass_kg,
        "ground_friction": 0.6,
    }
    return Airframe(**{name: float(value) for name, value in values.items()})


def ground_points(vehicle: Vehicle) -> Array:
    """Points of the body that touch the ground, body axes, shape (5, 3): four fin tips, and the nose."""
    azimuth = np.radians(np.array([25.0, 115.0, 205.0, 295.0]))  # not on body axes, so that it comes to rest on none
    radius, tail, nose = 1.3 * vehicle.diameter_m, -1.05 * vehicle.gimbal_below_cg_m, 1.1 * vehicle.gimbal_below_cg_m
    fins = np.column_stack((radius * np.cos(azimuth), radius * np.sin(azimuth), np.full(4, tail)))
    return np.vstack((fins, [0.0, 0.0, nose]))


def motor_table(curve_s_n: ArrayLike) -> Array:
    """Times, thrusts and the impulse delivered by then, shape (m, 3), of a thrust curve, shape (m, 2)."""
    curve = np.asarray(curve_s_n, dtype=float).reshape(-1, 2)
    pieces = 0.5 * (curve[1:, 1] + curve[:-1, 1]) * np.diff(curve[:, 0])
    return np.column_stack((curve, np.concatenate(([0.0], np.cumsum(pieces)))[: len(curve)]))


def _draws_table(loop: Loop, n_rows: int) -> Array:
    """Gust, canopy sway, force and torque beyond the model side by side, shape (n, 12); one row of zeros where there are none."""
    parts = (loop.gust_enu_mps, loop.canopy_enu_mps, loop.extra_force_body_n, loop.extra_torque_body_nm)
    if all(part is None for part in parts):
        return np.zeros((1, 12))
    return np.hstack([np.zeros((n_rows, 3)) if part is None else np.broadcast_to(part, (n_rows, 3)) for part in parts])


def initial_state(
    q_enu_from_body: ArrayLike, pos_enu_m: ArrayLike = (0, 0, 0), vel_enu_mps: ArrayLike = (0, 0, 0), rate_body_radps: ArrayLike = (0, 0, 0)
) -> Array:
    """State vector with centred gimbal, shape (15,)."""
    parts = (pos_enu_m, vel_enu_mps, q_enu_from_body, rate_body_radps, (0.0, 0.0))
    return np.concatenate([np.asarray(part, dtype=float) for part in parts])


@dataclass(frozen=True)
class Clock:
    """When to fly, s after ignition.

    First row, time between rows (inertial samples and guidance steps), most rows to write, integration steps per row (None: 2 kHz or a
    little faster), and how long to go on after coming to rest.
    """

    t_start_s: float
    period_s: float
    n_rows: int
    n_sub: int | None = None
    rest_s: float = 0.0


def fly(frame: Any, curve_s_n: ArrayLike, start: Array, loop: Loop, clock: Clock, *, points: Array | None = None) -> Record:
    """Run the loop.

    Parameters
    ----------
    frame : Airframe
        With `rail_length_m` of zero the flight starts free; else held on the pad until thrust lifts it.
    curve_s_n : array_like, shape (m, 2)
        Thrust curve, s after ignition and N; zero outside.
    start : ndarray, shape (15,)
        `initial_state`.
    loop : Loop
    clock : Clock
    points : ndarray, shape (p, 3), or None
        What of the body touches ground; None for no ground.

    Returns
    -------
    Record
    """
    from replay.whatif import _kernels_flight as kernels

    one = np.eye(3)

    def table(values: Array | None, neutral: Array) -> Array:
        return neutral if values is None else np.ascontiguousarray(values, dtype=float)

    per_row = np.zeros((clock.n_rows, 3))
    record = np.empty((clock.n_rows, kernels.N_RECORD))
    events = np.full(kernels.N_EVENTS, np.nan)
    n = kernels.fly(
        np.array(start, dtype=float),
        float(clock.t_start_s),
        float(clock.period_s),
        int(np.ceil(clock.period_s * STEPS_HZ - 1e-9)) if clock.n_sub is None else int(clock.n_sub),
        float(clock.rest_s),
        frame,
        kernels.Guide(*(float(x) for x in loop.guide)),
        kernels.Sensor(*(float(x) for x in loop.sensor)),
        motor_table(curve_s_n),
        np.zeros((0, 3)) if points is None else np.ascontiguousarray(points, dtype=float),
        _draws_table(loop, clock.n_rows),
        kernels.Electronics(
            table(loop.accel_gain, one),
            table(loop.accel_offset, per_row),
            table(loop.gyro_gain, one),
            table(loop.gyro_offset, per_row),
            table(loop.onboard_gain, one),
            table(loop.onboard_offset, per_row),
            np.array(loop.q_enu_from_body_onboard, dtype=float),
            np.array(loop.nose_ref_enu, dtype=float),
        ),
        record,
        events,
    )
    names = ("liftoff", "rail_exit", "apogee", "deployment", "touchdown", "rest")
    return Record(clock.t_start_s + clock.period_s * np.arange(n), record[:n], dict(zip(names, events.tolist(), strict=True)))
