"""Sample flights: the flight model flown with imperfect sensors, with the truth beside the log. Same name and seed, same flight."""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.log import Channel, FlightLog
from replay.motion.settings import EstimatorSettings
from replay.motion.solution import Events
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.whatif.scenarios import NAMES, SCENARIOS, Scenario
from replay.whatif.vehicle import Vehicle

if TYPE_CHECKING:
    from replay.whatif.dynamics import Record

Array = NDArray[np.float64]

__all__ = ["NAMES", "SampleFlight", "Truth", "make"]


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened, n rows on the log's inertial clock. Position zero: the centre of gravity on the pad.

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
    q_enu_from_body : ndarray, shape (n, 4)
    pos_enu_m, vel_enu_mps, rate_body_radps, wind_enu_mps : ndarray, shape (n, 3)
    accel_body_mps2 : ndarray, shape (n, 3)
        Specific force at the inertial sensor, without vibration.
    thrust_n, drag_n, mass_kg : ndarray, shape (n,)
    gimbal_rad : ndarray, shape (n, 2)
        Actual angles about body x and y.
    events : Events
    rail_exit_log_s, ignition_log_s : float
    calibration : Calibration
        Turns the logged raw samples into the truth; the turn-on gyro bias is read on the pad.
    dcm_body_from_imu : ndarray, shape (3, 3)
    gyro_turn_on_bias_imu_radps : ndarray, shape (3,)
    """

    log_time_s: Array
    q_enu_from_body: Array
    pos_enu_m: Array
    vel_enu_mps: Array
    rate_body_radps: Array
    accel_body_mps2: Array
    thrust_n: Array
    drag_n: Array
    gimbal_rad: Array
    mass_kg: Array
    wind_enu_mps: Array
    events: Events
    rail_exit_log_s: float
    ignition_log_s: float
    calibration: Calibration
    dcm_body_from_imu: Array
    gyro_turn_on_bias_imu_radps: Array
    gravity_mps2: float


@dataclass(frozen=True, eq=False)
class SampleFlight:
    """One sample flight. `evidence` is nested as in an evidence file: what somebody on the field could have observed, with its sd."""

    name: str
    seed: int
    log: FlightLog
    truth: Truth
    vehicle: Vehicle
    evidence: dict[str, Any]
    note: str
    scenario: Scenario
    record: Record

    @property
    def stated(self) -> EstimatorSettings:
        """What the true calibration leaves and the sensors' data sheet says, for an estimate that is given both."""
        imu = self.scenario.imu
        per_rts = np.sqrt(2.0 / 100.0)  # a wandering bias that is forgotten after 100 s
        return EstimatorSettings(
            accel_bias_sd_mps2=1e-3,
            accel_scale_sd=1e-4,
            gyro_scale_sd=1e-4,
            cross_axis_sd=1e-4,
            gyro_bias_sd_radps=0.001 * DEG,
            accel_walk_mps2_rts=float(imu.accel_instability_mps2 * per_rts),
            gyro_walk_radps_rts=float(imu.gyro_instability_radps * per_rts),
        )

    def log_text(self) -> str:
        """The log as its file has it."""
        from replay.whatif.sample_files import log_text

        draws = (self.seed, self.scenario.stream)
        log_time_s = self.record.time_s + self.scenario.pad_s
        return log_text(self.scenario, log_time_s, _shown_values(self.scenario, self.record, draws), _columns())[0]


@dataclass(frozen=True)
class LogColumn:
    """One column of a sample log: every how many rows it has a value, how many digits, and SI = factor * shown + offset."""

    header: str
    channel: str
    component: str
    unit: str
    digits: int
    every: int
    factor: float
    offset: float


def _columns() -> tuple[LogColumn, ...]:
    from replay.flightlog.unit_table import to_si

    def column(header: str, channel: str, component: str, family: str, unit: str, digits: int, every: int) -> LogColumn:
        return LogColumn(header, channel, component, unit, digits, every, *to_si(family, unit))

    return (
        *(column(f"accel_{c}_mps2", "accel_raw_imu_mps2", c, "accel", "m/s²", 3, 1) for c in "xyz"),
        *(column(f"gyro_{c}_degps", "rate_raw_imu_radps", c, "rate", "deg/s", 3, 1) for c in "xyz"),
        *(column(f"gimbal_{c}_deg", "gimbal_command_rad", c, "angle", "deg", 2, 1) for c in "xy"),
        *(column(f"q_{c}", "q_enu_from_body_onboard", c, "number", "1", 5, 5) for c in "wxyz"),
        column("pressure_Pa", "pressure_pa", "", "pressure", "Pa", 1, 5),
        column("battery_V", "battery_v", "", "voltage", "V", 3, 10),
        column("current_A", "current_a", "", "current", "A", 3, 10),
        column("imu_temperature_C", "imu_temperature_k", "", "temperature", "°C", 2, 25),
    )


def make(name: str, seed: int = 0, **overrides: Any) -> SampleFlight:
    """Fly one sample flight.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    seed : int
        Picks every random draw. The draws do not depend on `overrides`: the same seed with another calibration on board, another
        guidance or another wind speed meets the same noise and the same gust pattern.
    overrides
        Fields of `scenarios.Scenario`, or of anything inside it by the field's own name: `accel_bias_imu_mps2=(0.2, 0, 0)` (of the
        true calibration), `onboard_calibration=Calibration(...)`, `speed_mps=4.0` (wind), `proportional=0.5`, `rate_hz=500.0`.

    Returns
    -------
    SampleFlight
    """
    if name not in SCENARIOS:
        raise KeyError(f"no sample flight {name!r}; there are {', '.join(NAMES)}")
    return fly_scenario(SCENARIOS[name].but(**overrides), seed)


def fly_scenario(scenario: Scenario, seed: int) -> SampleFlight:
    """`make` for a scenario of one's own."""
    from replay.whatif import dynamics
    from replay.whatif.sample_files import log_from_text, log_text

    draws = (seed, scenario.stream)
    record = simulate(scenario, draws)
    shown = _shown_values(scenario, record, draws)
    truth = _truth(scenario, record, dynamics.site_gravity(scenario.vehicle, scenario.surroundings))
    log_time_s = record.time_s + scenario.pad_s
    if scenario.trouble is None:
        log = _log(scenario, log_time_s, shown)
    else:
        text, kept = log_text(scenario, log_time_s, shown, _columns())
        log = log_from_text(text, f"{scenario.name}.csv")
        truth = _rows(truth, kept)
    return SampleFlight(
        scenario.name, seed, log, truth, scenario.vehicle, _evidence(scenario, record, draws), scenario.note, scenario, record
    )


def simulate(scenario: Scenario, draws: tuple[int, ...]) -> Record:
    """Fly a scenario in closed loop: sensor errors, levelling on the pad, guidance, weather; from power-on to rest."""
    from replay.whatif import dynamics, guidance
    from replay.whatif.sensors_model import sensed
    from replay.whatif.wind import gauss_markov

    vehicle, s, imu = scenario.vehicle, scenario.surroundings, scenario.imu
    period = 1.0 / scenario.rate_hz
    n = int((scenario.pad_s + 120.0 + scenario.rest_s) * scenario.rate_hz)
    time_s: Array = -scenario.pad_s + period * np.arange(n, dtype=float)
    curve = np.array(vehicle.thrust_curve_s_n) * (1.0, s.thrust_scale)
    temperature = scenario.housekeeping.temperature_k(time_s + scenario.pad_s)
    thrust_share = np.interp(time_s, curve[:, 0], curve[:, 1], left=0.0, right=0.0) / max(curve[:, 1].max(), 1e-9)
    accel_offset, gyro_offset = imu.offsets(time_s, temperature, thrust_share, (*draws, 10))
    accel_gain, gyro_gain = imu.gains()
    q_pad = rotation.from_up_body(_up_body(scenario), vehicle.site.pad_azimuth_or_default_rad)

    # the flight computer levels over the last seconds before ignition
    i_pad = slice(int(0.25 * scenario.pad_s * scenario.rate_hz), int((scenario.pad_s - 0.5) * scenario.rate_hz))
    accel_lsb, accel_range, rate_lsb, rate_range = imu.resolution
    at_rest = dynamics.site_gravity(vehicle, s) * _up_body(scenario)[None, :]
    accel_pad = sensed(at_rest, accel_gain, accel_offset[: i_pad.stop], accel_lsb, accel_range)
    rate_pad = sensed(np.zeros((1, 3)), gyro_gain, gyro_offset[: i_pad.stop], rate_lsb, rate_range)
    raw_pad, pad_azimuth = np.hstack((accel_pad, rate_pad)), vehicle.site.pad_azimuth_or_default_rad
    onboard = guidance.level_on_pad(scenario.onboard_calibration, imu.dcm_body_from_imu, raw_pad, temperature, i_pad, pad_azimuth)
    loop = dynamics.Loop(
        guide=guidance.steering(vehicle.guidance, float(curve[-1, 0])),
        sensor=imu.resolution,
        gust_enu_mps=s.wind.gusts_enu_mps(n, period, np.random.default_rng((*draws, 20))),
        canopy_enu_mps=s.canopy_sway_mps * gauss_markov(n, period, s.canopy_sway_s, np.random.default_rng((*draws, 21)), width=3),
        accel_gain=accel_gain,
        accel_offset=accel_offset,
        gyro_gain=gyro_gain,
        gyro_offset=gyro_offset,
        onboard_gain=onboard.rate_gain,
        onboard_offset=onboard.rate_offset,
        q_enu_from_body_onboard=onboard.q_enu_from_body,
        nose_ref_enu=onboard.nose_ref_enu,
    )
    points = dynamics.ground_points(vehicle)
    start = dynamics.initial_state(q_pad, pos_enu_m=(0.0, 0.0, -points[:, 2].min() + 0.05))
    when = dynamics.Clock(float(time_s[0]), period, n, rest_s=scenario.rest_s)
    return dynamics.fly(dynamics.airframe(vehicle, s), curve, start, loop, when, points=points)


def _up_body(scenario: Scenario) -> Array:
    """Up in body axes on the leaning rail, with body +x at the declared heading once the lean is taken off."""
    heading = 0.5 * np.pi - scenario.vehicle.site.pad_azimuth_or_default_rad
    q = rotation.from_tilt(scenario.rail_tilt_rad, scenario.rail_azimuth_rad, heading)
    return rotation.rotate(rotation.conjugate(q), [0.0, 0.0, 1.0])


def _truth(scenario: Scenario, record: Record, gravity_mps2: float) -> Truth:
    zero = scenario.pad_s
    times = {name: value + zero for name, value in record.events.items()}
    curve = np.array(scenario.vehicle.thrust_curve_s_n)
    events = Events(times["liftoff"], zero + _burnout_s(curve), times["apogee"], times["deployment"], times["touchdown"], times["rest"])
    return Truth(
        record.time_s + zero,
        record.q_enu_from_body,
        record.pos_enu_m - record.pos_enu_m[0],
        record.vel_enu_mps,
        record.rate_body_radps,
        record.accel_body_mps2,
        record.thrust_n,
        record.drag_n,
        record.gimbal_rad,
        record.mass_kg,
        record.wind_enu_mps,
        events,
        times["rail_exit"],
        zero,
        scenario.imu.calibration,
        scenario.imu.dcm_body_from_imu,
        np.array(scenario.imu.gyro_turn_on_bias_imu_radps),
        gravity_mps2,
    )


def _burnout_s(curve: Array) -> float:
    """When thrust falls for the last time below 5 % of its peak (common practice for burn time, no source), s after ignition."""
    level = 0.05 * curve[:, 1].max()
    last = int(np.flatnonzero(curve[:, 1] >= level)[-1])
    (t0, f0), (t1, f1) = curve[last], curve[last + 1]
    return float(t0 + (t1 - t0) * (f0 - level) / (f0 - f1))


def _rows(truth: Truth, kept: NDArray[np.int64]) -> Truth:
    """The truth at the rows that reached the card."""
    n = len(truth.log_time_s)
    arrays: dict[str, Any] = {f.name: getattr(truth, f.name) for f in dataclasses.fields(truth)}
    cut = {name: value[kept] for name, value in arrays.items() if isinstance(value, np.ndarray) and len(value) == n}
    return Truth(**{**arrays, **cut})


def _shown_values(scenario: Scenario, record: Record, draws: tuple[int, ...]) -> dict[str, Array | NDArray[np.str_]]:
    """Every logged quantity at every row, SI, before rounding to the digits of the log."""
    from replay.whatif import dynamics
    from replay.whatif.sensors_model import Air

    house, n = scenario.housekeeping, len(record.time_s)
    log_time_s = record.time_s + scenario.pad_s
    period = 1.0 / scenario.rate_hz
    battery, current = house.power(record.gimbal_rad, period, np.random.default_rng((*draws, 30)))
    vehicle, surroundings = scenario.vehicle, scenario.surroundings
    air = Air(
        dynamics.ground_pressure(vehicle, surroundings),
        vehicle.site.ground_temperature_or_default_k,
        dynamics.site_gravity(vehicle, surroundings),
    )
    height = record.pos_enu_m[:, 2] - record.pos_enu_m[0, 2]
    deployment = record.events["deployment"] + scenario.pad_s
    pressure = house.pressure_pa(log_time_s, height, air, deployment, np.random.default_rng((*draws, 31)))
    # what the computer calls each phase, with the lags of its own detection
    words = np.full(n, "pad", dtype="<U7")
    e, burnout = record.events, _burnout_s(np.array(vehicle.thrust_curve_s_n))
    for word, start in (
        ("boost", e["liftoff"] + 0.06),
        ("coast", burnout + 0.1),
        ("descent", e["apogee"] + 0.3),
        ("landed", e["touchdown"] + 3.0),
    ):
        if np.isfinite(start):
            words[record.time_s >= start] = word
    return {
        "accel_raw_imu_mps2": record.accel_raw_imu_mps2,
        "rate_raw_imu_radps": record.rate_raw_imu_radps,
        "gimbal_command_rad": record.gimbal_command_rad,
        "q_enu_from_body_onboard": record.q_enu_from_body_onboard,
        "pressure_pa": pressure[:, None],
        "battery_v": battery[:, None],
        "current_a": current[:, None],
        "imu_temperature_k": house.temperature_k(log_time_s)[:, None] + 0.02 * np.random.default_rng((*draws, 32)).standard_normal((n, 1)),
        "state": words,
    }


def _log(scenario: Scenario, log_time_s: Array, shown: dict[str, Any]) -> FlightLog:
    """The log as reading its file would give it, built without the file."""
    from replay.flightlog.columnmap import ColumnEntry, ColumnMap

    by_channel: dict[str, list[LogColumn]] = {}
    for column in _columns():
        by_channel.setdefault(column.channel, []).append(column)
    time = np.round(log_time_s, 6)
    channels = {}
    for name, columns in by_channel.items():
        rows = slice(None, None, columns[0].every)
        values = np.column_stack([as_read(shown[name][rows, i], column) for i, column in enumerate(columns)])
        values = values if len(columns) > 1 else values[:, 0]
        if name == "q_enu_from_body_onboard":
            values = rotation.normalise(values)
        channels[name] = Channel(name, time[rows].copy(), values, _si_unit(name), columns=tuple(c.header for c in columns))
    channels["state"] = Channel("state", time.copy(), shown["state"].copy(), "", columns=("state",))
    entries = [ColumnEntry("time_s", "time", unit="s", is_inferred=True)]
    entries += [ColumnEntry(c.header, c.channel, c.component, c.unit, is_inferred=True) for c in _columns()]
    entries.append(ColumnEntry("state", "state", is_inferred=True))
    digest = hashlib.sha256()
    for channel in channels.values():
        digest.update(channel.values.tobytes())
    return FlightLog((f"{scenario.name}.csv",), digest.hexdigest(), channels, ColumnMap(tuple(entries)))


def as_read(values: Array, column: LogColumn) -> Array:
    """SI `values` after a trip through the text file's digits and unit, same shape."""
    return np.asarray(np.round((values - column.offset) / column.factor, column.digits) * column.factor + column.offset)


def _si_unit(name: str) -> str:
    from replay.flightlog.channels import KINDS

    return KINDS[name].unit


def _evidence(scenario: Scenario, record: Record, draws: tuple[int, ...]) -> dict[str, Any]:
    """What a careful crew could have noted, with honest errors: rail inclinometer, paced touchdown, apogee by tracking."""
    random = np.random.default_rng((*draws, 40))
    draw = random.standard_normal(6)
    rail = rotation.from_tilt(scenario.rail_tilt_rad, scenario.rail_azimuth_rad)
    noisy = rotation.multiply(rotation.from_rotvec([0.3 * DEG * draw[0], 0.3 * DEG * draw[1], 0.0]), rail)
    rest = record.pos_enu_m[-1] - record.pos_enu_m[0]
    apogee = float(record.pos_enu_m[:, 2].max() - record.pos_enu_m[0, 2])
    return {
        "rail": {
            "tilt_deg": round(float(rotation.tilt(noisy)) / DEG, 2),
            "azimuth_deg": round(float(rotation.tilt_azimuth(noisy)) / DEG, 1),
            "sd_deg": 0.3,
        },
        "touchdown": {"east_m": round(float(rest[0] + 3.0 * draw[2]), 1), "north_m": round(float(rest[1] + 3.0 * draw[3]), 1), "sd_m": 3.0},
        "apogee": {"height_m": round(float(apogee + 2.0 * draw[4]), 1), "sd_m": 2.0},
        "prior": {"accel_bias_mps2": 0.4, "accel_scale": 0.02, "gyro_bias_degps": 0.5, "gyro_scale": 0.02},
    }
