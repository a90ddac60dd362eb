"""The sample campaign: one invented vehicle, flown a few times, each time with something else wrong. Nothing here is a real flight."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Final

from replay.motion.site import Site
from replay.sensors.calibration import Calibration
from replay.units import DEG, STANDARD_GRAVITY_MPS2, kelvin
from replay.whatif.dynamics import Surroundings
from replay.whatif.sensors_model import Housekeeping, ImuErrors
from replay.whatif.vehicle import Aero, Gimbal, Guidance, Recovery, Vehicle
from replay.whatif.wind import Wind

_CURVE = (
    (0.0, 0.0),
    (0.03, 10.0),
    (0.10, 34.0),
    (0.20, 41.0),
    (0.32, 29.0),
    (0.55, 18.5),
    (1.2, 16.2),
    (3.0, 15.2),
    (4.6, 14.2),
    (5.2, 13.2),
    (5.32, 0.0),
)
_GUIDANCE = Guidance(proportional=0.62, rate_s=0.17, start_s=0.45, upright_from_s=1.5, upright_rate_radps=12.0 * DEG)
_SITE = Site(latitude_rad=50.0 * DEG, ground_height_m=250.0, ground_temperature_k=kelvin(8.0), pad_azimuth_rad=65.0 * DEG)
WREN = Vehicle(
    name="Wren 3",
    liftoff_mass_kg=1.0,
    propellant_mass_kg=0.06,
    inertia_kgm2=(0.045, 0.045, 0.0028),
    diameter_m=0.08,
    gimbal_below_cg_m=0.38,
    imu_from_cg_m=(0.012, -0.008, 0.14),
    rail_length_m=1.5,
    thrust_curve_s_n=_CURVE,
    aero=Aero(drag_coefficient=0.55, normal_force_slope_per_rad=6.0, cp_below_cg_m=0.10, pitch_damping_m2=0.12, roll_damping_m2=0.0012),
    gimbal=Gimbal(limit_rad=5.0 * DEG, rate_limit_radps=120.0 * DEG, time_constant_s=0.035, delay_s=0.0),
    guidance=_GUIDANCE,
    recovery=Recovery(drag_area_m2=0.72, delay_after_apogee_s=1.2),
    site=_SITE,
)


@dataclass(frozen=True)
class Trouble:
    """What goes wrong between sensor and card; times in s on the log's clock."""

    tick_s: float = 0.0
    counter_start: int = 0
    counter_bits: int = 0
    gaps_s: tuple[tuple[float, float], ...] = ()
    header_again_s: float | None = None
    is_tail_torn: bool = False


@dataclass(frozen=True)
class Scenario:
    """One flight of the campaign: who flew, in what, with which sensors, and what was wrong. `stream` keeps its draws its own."""

    name: str
    stream: int
    note: str
    vehicle: Vehicle = WREN
    surroundings: Surroundings = field(default_factory=Surroundings)
    imu: ImuErrors = field(default_factory=ImuErrors)
    onboard_calibration: Calibration = field(default_factory=Calibration)
    housekeeping: Housekeeping = field(default_factory=Housekeeping)
    rail_tilt_rad: float = 1.5 * DEG
    rail_azimuth_rad: float = 40.0 * DEG
    rate_hz: float = 250.0
    pad_s: float = 8.0
    rest_s: float = 6.0
    trouble: Trouble | None = None

    def but(self, **overrides: Any) -> Scenario:
        """A copy with fields changed, of the scenario or of anything inside it: `but(speed_mps=4.0, gyro_scale=(1, 1, 1.02))`."""
        result = self
        for key, value in overrides.items():
            path = next((path for path in _INSIDE if key in getattr(_at(self, path), "__dataclass_fields__", {})), None)
            if path is None:
                raise TypeError(f"no field {key!r} in a sample flight")
            result = _with(result, path, key, value)
        return result


_INSIDE: tuple[tuple[str, ...], ...] = (
    (),
    ("surroundings",),
    ("surroundings", "wind"),
    ("imu",),
    ("imu", "calibration"),
    ("housekeeping",),
    ("vehicle",),
    ("vehicle", "guidance"),
    ("vehicle", "gimbal"),
    ("vehicle", "aero"),
    ("vehicle", "recovery"),
    ("vehicle", "site"),
)


def _at(value: Any, path: tuple[str, ...]) -> Any:
    for name in path:
        value = getattr(value, name)
    return value


def _with(value: Any, path: tuple[str, ...], key: str, new: Any) -> Any:
    if not path:
        return replace(value, **{key: new})
    return replace(value, **{path[0]: _with(getattr(value, path[0]), path[1:], key, new)})


_CALM = Surroundings(
    wind=Wind(speed_mps=1.6, from_azimuth_rad=195.0 * DEG, gust_sd_mps=0.3),
    thrust_tilt_rad=(0.15 * DEG, -0.1 * DEG),
    canopy_sway_mps=0.8,
    canopy_spin_radps=0.7,
)

_SCENARIOS = (
    Scenario(
        "clean",
        1,
        "Nothing is wrong beyond the noise of a good consumer sensor: the flight to compare the others with.",
        surroundings=_CALM,
    ),
    Scenario(
        "crooked_bench",
        2,
        "The accelerometer's zero was set indoors on a bench that was not level, and at another temperature: x reads 0.36 m/s² too "
        "little and y 0.26 too much. The computer levelled itself by that on the pad and righted the vehicle to a false vertical 2.6° "
        "off; the path leaves towards the west while the computer's own attitude says upright.",
        surroundings=_CALM,
        imu=ImuErrors(calibration=Calibration(accel_bias_imu_mps2=(-0.36, 0.26, 0.05))),
        housekeeping=Housekeeping(ejection_spike_pa=420.0),
    ),
    Scenario(
        "fast_roll",
        3,
        "A canted fin rolls the vehicle up to some two turns a second, and the roll gyro reads 1.4 % too little: by apogee the "
        "computer's idea of where its fins point is wrong by tens of degrees, and with it the direction in which it leans.",
        surroundings=replace(_CALM, roll_moment_m=0.0042),
        imu=ImuErrors(calibration=Calibration(gyro_scale=(1.002, 0.998, 1.014))),
        housekeeping=Housekeeping(ejection_spike_pa=420.0),
    ),
    Scenario(
        "troubled_logger",
        4,
        "The flight was fine, the logger was not: stamps in whole hundredths of a second on a 16-bit millisecond counter that wraps, "
        "rows lost while the card was busy, an accelerometer that clips at 4 g, a header in the middle and a torn last line.",
        surroundings=_CALM,
        imu=ImuErrors(accel_range_mps2=4.0 * STANDARD_GRAVITY_MPS2, vibration_mps2=6.0),
        trouble=Trouble(
            tick_s=0.01,
            counter_start=51200,
            counter_bits=16,
            gaps_s=((5.2, 0.14), (12.3, 0.06), (21.7, 0.04), (34.1, 0.06)),
            header_again_s=27.5,
            is_tail_torn=True,
        ),
        housekeeping=Housekeeping(ejection_spike_pa=420.0),
    ),
    Scenario(
        "hot_day",
        5,
        "The vehicle stood in the sun: the sensor is far above the temperature of its calibration and still warming, and its biases "
        "move with it, so that the gyro drifts away from the zero read on the pad.",
        vehicle=replace(WREN, site=replace(_SITE, ground_temperature_k=kelvin(31.0))),
        surroundings=_CALM,
        imu=ImuErrors(
            calibration=Calibration(
                accel_slope_imu_mps2_per_k=(0.004, -0.003, 0.002),
                gyro_slope_imu_radps_per_k=(0.03 * DEG, -0.02 * DEG, 0.015 * DEG),
            )
        ),
        housekeeping=Housekeeping(temperature_start_k=kelvin(46.0), temperature_end_k=kelvin(63.0), warm_up_s=45.0),
    ),
    Scenario(
        "late_chute",
        6,
        "The parachute came 3.4 s after apogee, when the vehicle was falling fast: the opening was hard, and the canopy tore, so that it "
        "came down fast. On the way up a bent fairing had added to the drag.",
        surroundings=replace(_CALM, drag_scale=1.6, canopy_scale=0.42, chute_late_s=2.2),
        housekeeping=Housekeeping(ejection_spike_pa=420.0),
    ),
    Scenario(
        "soft_gimbal",
        7,
        "A tired battery: the voltage sags deep whenever the gimbal works, and the gimbal turns slowly and late, so that the vehicle "
        "hunts around the reference.",
        vehicle=replace(WREN, gimbal=Gimbal(limit_rad=5.0 * DEG, rate_limit_radps=45.0 * DEG, time_constant_s=0.08, delay_s=0.03)),
        surroundings=replace(_CALM, wind=Wind(speed_mps=3.0, from_azimuth_rad=250.0 * DEG, gust_sd_mps=0.8)),
        housekeeping=Housekeeping(battery_open_v=7.05, battery_resistance_ohm=0.62, servo_current_a_per_radps=0.9),
    ),
    Scenario(
        "weak_motor",
        8,
        "The thrust was a fifth below its curve and the rail short: it left the rail slowly, with control started at once in the middle "
        "of the start spike, and the air came from the side before it was fast.",
        vehicle=replace(WREN, guidance=replace(_GUIDANCE, start_s=0.05), rail_length_m=0.6),
        surroundings=replace(
            _CALM,
            thrust_scale=0.8,
            wind=Wind(speed_mps=3.5, from_azimuth_rad=200.0 * DEG, gust_sd_mps=0.7),
            tip_off_radps=(0.7, -0.5),
        ),
        housekeeping=Housekeeping(ejection_spike_pa=420.0),
    ),
)
SCENARIOS: Final = MappingProxyType({scenario.name: scenario for scenario in _SCENARIOS})
"""Read-only mapping, name -> Scenario."""
NAMES: Final = tuple(SCENARIOS)
