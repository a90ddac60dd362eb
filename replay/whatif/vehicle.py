"""Vehicle: mass, aerodynamics, motor, gimbal, guidance, recovery and site of one airframe. SI and radians inside."""

from __future__ import annotations

from dataclasses import dataclass, field

from replay.motion.site import Site

Vec3 = tuple[float, float, float]


@dataclass(frozen=True)
class Aero:
    drag_coefficient: float = 0.55
    normal_force_slope_per_rad: float = 6.0
    cp_below_cg_m: float = 0.10
    pitch_damping_m2: float = 0.12
    roll_damping_m2: float = 0.0012


@dataclass(frozen=True)
class Gimbal:
    limit_rad: float = 0.0872664626
    rate_limit_radps: float = 2.0943951
    time_constant_s: float = 0.035
    delay_s: float = 0.0


@dataclass(frozen=True)
class Guidance:
    """Stabilising to vertical only: hold the pad attitude, then (when `upright_from_s` is set) turn back to vertical."""

    proportional: float = 0.62
    rate_s: float = 0.17
    start_s: float = 0.12
    upright_from_s: float | None = None
    upright_rate_radps: float = 0.2094395102


@dataclass(frozen=True)
class Recovery:
    drag_area_m2: float = 0.55
    delay_after_apogee_s: float = 1.2


@dataclass(frozen=True)
class Vehicle:
    """One vehicle file. `defaulted` names the keys that were not stated, so that a result can say which it leaned on.

    `thrust_curve_s_n` is ((time after ignition, s; thrust, N), ...). `guidance` is None for an unguided vehicle.
    """

    name: str
    liftoff_mass_kg: float
    propellant_mass_kg: float
    diameter_m: float
    thrust_curve_s_n: tuple[tuple[float, float], ...]
    inertia_kgm2: Vec3 = (0.045, 0.045, 0.0028)
    gimbal_below_cg_m: float = 0.38
    imu_from_cg_m: Vec3 = (0.0, 0.0, 0.0)
    rail_length_m: float = 1.0
    aero: Aero = Aero()
    gimbal: Gimbal | None = Gimbal()
    guidance: Guidance | None = None
    recovery: Recovery = Recovery()
    site: Site = Site()
    defaulted: frozenset[str] = field(default_factory=frozenset)
