"""Epochs of a flight and what is known at them besides the inertial record: rest, barometer, satellite position, magnetometer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.flight_state import ACROSS, HELD, STATIC, STEADY, STOPS_AT_END
from replay.motion.gravity import enu_from_geodetic
from replay.motion.inertial import Inertial
from replay.motion.phasing import baro_height_m
from replay.motion.preintegration import Preintegrated
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
Index = NDArray[np.int64]

REST_EPOCH_S = 0.5
FLIGHT_EPOCH_S = 0.05
MOST_EPOCHS = 8_000
"""Storage of the smoother is bounded: epochs of a very long record grow instead."""
LIFTOFF_CLEARANCE_S = 0.1
REST_CLEARANCE_S = 0.5
"""A vehicle that has come to rest still rocks."""


@dataclass(frozen=True)
class FlightModel:
    """What the flight estimator takes for granted about sensors and flight, one standard deviation each; SI.

    Parameters
    ----------
    heading_sd_rad : float
        Of the declared heading; zero: declared.
    gyro_bias_prior_radps : float
        Before the reading on the pad.
    baro_lag_s, baro_lag_sd_s : float
        First-order lag of the vented bay. Estimated unless its sd is zero.
    baro_scale_sd, baro_scale_default_sd : float
        Of barometric height, from an air temperature that was stated (1 °C) or defaulted (15 °C).
    baro_walk_m_rts : float
        Weather and sensor drift, m/√s.
    baro_port_across : float
        Share of the dynamic pressure that the port may feel from apogee on, when the body lies across the air: around a cylinder the
        pressure runs from once that to less than none (common practice, no source).
    baro_port_time_s : float
        How long one error of the barometer's port lasts, beyond the share of the dynamic pressure that it feels throughout.
    stop_vel_mps : float
        Velocity left where the vehicle is said to rest.
    held_vel_mps, held_pos_m : float
        On the pad while it is handled or sways.
    rest_rate_radps, rest_accel_mps2 : float
        Floors of the mean rate and specific force of half a second at rest.
    descent_speed_mps, descent_time_s : float
        Horizontal speed under a parachute, which is the wind's, and how long one wind lasts.
    satellite_horizontal_m, satellite_vertical_m, satellite_time_s : float
        Error of a satellite position relative to the one on the pad, and how long one error lasts.
    magnetometer_share, magnetometer_time_s : float
        Error of the field as a share of it (iron and currents on board), and how long one error lasts.
    gate_sigmas, regain_s : float
        A measurement farther off is refused; a barometer refused for longer than this is taken back, as noisy as it looks
        (a bay under pressure after burnout has been seen to read two hundred metres too low, and to need five seconds to come back).
    max_passes : int
        Linearisations of the whole flight by the smoother.
    """

    heading_sd_rad: float = 0.0
    gyro_bias_prior_radps: float = 5.0 * DEG
    baro_lag_s: float = 0.05
    baro_lag_sd_s: float = 0.05
    baro_scale_sd: float = 0.0035
    baro_scale_default_sd: float = 0.05
    baro_walk_m_rts: float = 0.02
    baro_port_across: float = 0.3
    baro_port_time_s: float = 1.0
    stop_vel_mps: float = 0.02
    held_vel_mps: float = 0.05
    held_pos_m: float = 0.02
    rest_rate_radps: float = 2e-5
    rest_accel_mps2: float = 5e-4
    descent_speed_mps: float = 8.0
    descent_time_s: float = 10.0
    satellite_horizontal_m: float = 2.0
    satellite_vertical_m: float = 4.0
    satellite_time_s: float = 10.0
    magnetometer_share: float = 0.1
    magnetometer_time_s: float = 1.0
    gate_sigmas: float = 4.0
    regain_s: float = 10.0
    max_passes: int = 40


def sample_edges(inertial: Inertial, events: Events, levelling: Levelling, flight_epoch_s: float = FLIGHT_EPOCH_S) -> Index:
    """Samples at which epochs begin and end, from the start of the levelling window to the end of the record."""
    time_s = inertial.log_time_s
    first = int(np.searchsorted(time_s, levelling.start_log_s))
    end = float(time_s[-1])
    start = float(time_s[min(first, len(time_s) - 1)])
    hold = events.liftoff_log_s - LIFTOFF_CLEARANCE_S if np.isfinite(events.liftoff_log_s) else levelling.stop_log_s
    hold = float(np.clip(hold, start, end))
    rest = float(np.clip(events.rest_log_s, hold, end)) if np.isfinite(events.rest_log_s) else end
    flight_epoch_s = max(flight_epoch_s, (rest - hold) / MOST_EPOCHS)
    grid = [_grid(start, hold, REST_EPOCH_S), _grid(hold, rest, flight_epoch_s), _grid(rest, end, REST_EPOCH_S)]
    # a pause of the logger is an epoch of its own
    i_pause = np.flatnonzero(np.diff(time_s) > REST_EPOCH_S)
    edges = np.concatenate((np.searchsorted(time_s, np.concatenate(grid)), i_pause, i_pause + 1, [first, len(time_s) - 1]))
    edges = np.unique(np.clip(edges, first, len(time_s) - 1))
    return edges.astype(np.int64)


def _grid(start: float, stop: float, step: float) -> Array:
    return np.linspace(start, stop, max(1, round((stop - start) / step)) + 1) if stop > start else np.array([start])


def epoch_kinds(
    pre: Preintegrated, events: Events, levelling: Levelling, settings: EstimatorSettings, noise: ImuNoise, gate: NDArray[np.bool_]
) -> Index:
    """What each epoch is, shape (m,): bits of `_kernels_measure`. A declared rest is believed only where the samples are quiet.

    `gate` (n,) says at which samples the accelerometer may correct the attitude.
    """
    start, stop = pre.log_time_s[:-1], pre.log_time_s[1:]
    period = float(np.median(pre.duration_s / np.maximum(np.diff(pre.edges), 1)))
    rate, accel = pre.mean[:, :3], pre.mean[:, 3:]
    quiet_rate = max(27.0 * noise.gyro_nd_radps_rthz**2 / period, (0.5 * DEG) ** 2)
    quiet_accel = max(27.0 * noise.accel_nd_mps2_rthz**2 / period, 0.1**2)
    quiet = (pre.scatter[:, 0] < quiet_rate) & (pre.scatter[:, 1] < quiet_accel)
    quiet &= np.linalg.norm(rate, axis=1) < 1.0 * DEG
    near_g = 0.1 * STANDARD_GRAVITY_MPS2 + 3.0 * (noise.accel_bias_sd_mps2 + noise.accel_scale_sd * STANDARD_GRAVITY_MPS2)
    quiet &= np.abs(np.linalg.norm(accel, axis=1) - STANDARD_GRAVITY_MPS2) < near_g
    liftoff = events.liftoff_log_s if np.isfinite(events.liftoff_log_s) else levelling.stop_log_s + LIFTOFF_CLEARANCE_S
    on_pad = stop <= liftoff - LIFTOFF_CLEARANCE_S + 1e-9
    settled = np.linalg.norm(accel - levelling.accel_body_mps2, axis=1) < 0.3
    landed = start >= events.rest_log_s + REST_CLEARANCE_S - 1e-9  # False where the rest is not known
    landed &= _is_like_the_others(rate, quiet & landed, noise)
    is_static = quiet & ((on_pad & settled) | landed)
    # a pause of the logger on the pad shows nothing, and nothing moved that the samples on either side don't show
    is_pause = (np.diff(pre.edges) == 1) & (pre.duration_s > REST_EPOCH_S)
    is_static |= is_pause & (on_pad | landed)
    kinds = np.where(is_static, STATIC, 0)
    stops = np.zeros(len(kinds), dtype=bool)
    stops[:-1] = ~is_static[:-1] & is_static[1:]
    kinds = kinds | np.where(stops, STOPS_AT_END, 0)
    held = ~is_static & (stop <= liftoff - settings.liftoff_margin_s) & np.isfinite(events.liftoff_log_s)
    kinds = kinds | np.where(held, HELD, 0)
    if settings.use_gravity_in_descent and np.isfinite(events.apogee_log_s):
        middle = gate[(pre.edges[:-1] + pre.edges[1:]) // 2]
        steady = ~is_static & middle & (start > events.apogee_log_s)
        kinds = kinds | np.where(steady, STEADY, 0)
    if np.isfinite(events.apogee_log_s):
        kinds = kinds | np.where((start > events.apogee_log_s) & ~is_static, ACROSS, 0)
    return kinds.astype(np.int64)


def _is_like_the_others(rate: Array, among: NDArray[np.bool_], noise: ImuNoise) -> NDArray[np.bool_]:
    """Epochs whose mean rate lies within five sigmas of the median of those named, shape (m,)."""
    if not among.any():
        return among
    own = noise.gyro_nd_radps_rthz / np.sqrt(REST_EPOCH_S)
    middle = np.median(rate[among], axis=0)
    spread = 1.4826 * np.median(np.abs(rate[among] - middle), axis=0)
    return np.asarray((np.abs(rate - middle) < 5.0 * np.maximum(spread, own)).all(axis=1))


@dataclass(frozen=True, eq=False)
class Aiding:
    """Measurements of m epochs, and the numbers `_kernels_measure` reads by place.

    Parameters
    ----------
    baro_log_time_s, baro_height_m : ndarray, shape (b,)
        Within the record, height above the pad.
    baro_first : ndarray of int, shape (m + 1,)
        How many of them lie before or at each edge.
    satellite_enu_m : ndarray, shape (m, 3)
        Last fix of an epoch, NaN where there is none or it is not used.
    satellite_back_s : ndarray, shape (m,)
        How long before the epoch's end it was taken.
    mag_body : ndarray, shape (m, 3)
        Field at the epoch's end over that on the pad, body axes, no unit; NaN where not used.
    mag_ref_enu : ndarray, shape (3,)
        Direction of the field on the pad.
    variances : ndarray, shape (14,)
        0 velocity of a vehicle at rest, 1 one barometric height, 2 mean rate and 3 mean specific force of an epoch at rest, 4 and
        5 velocity and displacement where said to be zero, 6 and 7 satellite position horizontal and vertical, 8 magnetic field component,
        9 horizontal velocity in descent times s, 10 shortest epoch at rest that is measured, s, 11 share of the dynamic pressure that
        the barometer's port may feel at one time or another, squared, 12 for how long, s, 13 as 11, across the air.
    gates : ndarray, shape (3,)
        0 barometer, 1 s after which a refused barometer is taken back, 2 satellite and magnetometer.
    notes : tuple of str
    """

    baro_log_time_s: Array
    baro_height_m: Array
    baro_first: Index
    satellite_enu_m: Array
    satellite_back_s: Array
    mag_body: Array
    mag_ref_enu: Array
    variances: Array
    gates: Array
    notes: tuple[str, ...]

    def packed(self, variances: Array) -> tuple[Array | Index, ...]:
        """As the compiled loops take it, with other `variances`, shape (14,)."""
        return (
            self.baro_log_time_s, self.baro_height_m, self.baro_first, self.satellite_enu_m, self.satellite_back_s, self.mag_body,
            self.mag_ref_enu, variances, self.gates,
        )  # fmt: skip


def arrange(
    measurements: Measurements, pre: Preintegrated, kinds: Index, levelling: Levelling, site: Site, settings: EstimatorSettings,
    noise: ImuNoise, model: FlightModel,
) -> Aiding:  # fmt: skip
    """Everything but the inertial record, by epoch."""
    notes: list[str] = []
    times, heights, first = _barometer(measurements, pre, levelling, site, settings, notes)
    satellite, back, satellite_var = _satellite(measurements, pre, levelling, site, settings, model, notes)
    mag, mag_ref, mag_var = _magnetometer(measurements, pre, levelling, settings, model, notes)
    rate_var, accel_var = _rest_variances(pre, kinds, noise, model)
    variances = np.array(
        [
            (0.1 * model.stop_vel_mps) ** 2, noise.baro_sd_m**2, rate_var, accel_var, model.stop_vel_mps**2, model.held_pos_m**2,
            satellite_var[0], satellite_var[1], mag_var, 2.0 * model.descent_time_s * model.descent_speed_mps**2, 0.25 * REST_EPOCH_S,
            settings.baro_port_factor**2, model.baro_port_time_s, model.baro_port_across**2,
        ]
    )  # fmt: skip
    gates = np.array([model.gate_sigmas, model.regain_s, model.gate_sigmas])
    return Aiding(times, heights, first, satellite, back, mag, mag_ref, variances, gates, tuple(notes))


def _barometer(
    measurements: Measurements, pre: Preintegrated, levelling: Levelling, site: Site, settings: EstimatorSettings, notes: list[str]
) -> tuple[Array, Array, Index]:
    heights = baro_height_m(measurements, site, levelling.start_log_s, levelling.stop_log_s) if settings.use_barometer else None
    times = measurements.baro_log_time_s
    if heights is None or times is None:
        if settings.use_barometer:
            notes.append("no barometer in the log: height from the inertial sensors alone")
        return np.empty(0), np.empty(0), np.zeros(pre.n_epochs + 1, dtype=np.int64)
    is_in = (times > pre.log_time_s[0]) & (times <= pre.log_time_s[-1]) & np.isfinite(heights)
    times, heights = np.ascontiguousarray(times[is_in]), np.ascontiguousarray(heights[is_in])
    return times, heights, np.searchsorted(times, pre.log_time_s, side="right").astype(np.int64)


def _rest_variances(pre: Preintegrated, kinds: Index, noise: ImuNoise, model: FlightModel) -> tuple[float, float]:
    """Of the mean rate and specific force of half a second at rest: noise, or what those of the pad scatter about each other."""
    is_rest = (kinds & STATIC != 0) & (pre.duration_s > 0.5 * REST_EPOCH_S) & (np.diff(pre.edges) > 1)
    is_rest &= np.cumsum(~is_rest) == 0 if len(is_rest) and is_rest[0] else True
    result = []
    for columns, density, floor in (
        (slice(0, 3), noise.gyro_nd_radps_rthz, model.rest_rate_radps),
        (slice(3, 6), noise.accel_nd_mps2_rthz, model.rest_accel_mps2),
    ):
        variance = density**2 / REST_EPOCH_S + floor**2
        if np.count_nonzero(is_rest) >= 5:
            variance = max(variance, float(np.mean(np.var(pre.mean[is_rest, columns], axis=0, ddof=1))))
        result.append(variance)
    return result[0], result[1]


def _satellite(
    measurements: Measurements, pre: Preintegrated, levelling: Levelling, site: Site, settings: EstimatorSettings, model: FlightModel,
    notes: list[str],
) -> tuple[Array, Array, tuple[float, float]]:  # fmt: skip
    m = pre.n_epochs
    enu, back = np.full((m, 3), np.nan), np.full(m, np.nan)
    times, fixes = measurements.gnss_log_time_s, measurements.gnss_lat_lon_height
    if not settings.use_gnss or times is None or fixes is None:
        return enu, back, (1.0, 1.0)
    is_good = np.isfinite(fixes).all(axis=1)
    times, fixes = times[is_good], fixes[is_good]
    on_pad = times <= levelling.stop_log_s
    if not on_pad.any():
        notes.append("no satellite position on the pad: satellite positions not used")
        return enu, back, (1.0, 1.0)
    origin = np.median(fixes[on_pad], axis=0)
    points = enu_from_geodetic(fixes[:, 0], fixes[:, 1], fixes[:, 2], (float(origin[0]), float(origin[1]), float(origin[2])))
    if site.pad_azimuth_rad is None and model.heading_sd_rad == 0.0:
        points[:, :2] = np.nan
        notes.append("satellite height used, east and north not: the heading was not declared")
    else:
        notes.append("satellite positions used: east and north rest on the declared heading")
    k = np.searchsorted(pre.log_time_s, times) - 1  # the last fix of an epoch stands
    is_in = (k >= 0) & (k < m) & (times > levelling.stop_log_s)
    enu[k[is_in]], back[k[is_in]] = points[is_in], pre.log_time_s[k[is_in] + 1] - times[is_in]
    period = float(np.median(np.diff(times))) if len(times) > 1 else model.satellite_time_s
    longer = max(1.0, 2.0 * model.satellite_time_s / max(period, FLIGHT_EPOCH_S))
    return enu, back, (model.satellite_horizontal_m**2 * longer, model.satellite_vertical_m**2 * longer)


def _magnetometer(
    measurements: Measurements, pre: Preintegrated, levelling: Levelling, settings: EstimatorSettings, model: FlightModel, notes: list[str]
) -> tuple[Array, Array, float]:
    """The field as the pad's own: no declination or dip is needed, and the heading stays the declared one."""
    m = pre.n_epochs
    mag, ref = np.full((m, 3), np.nan), np.zeros(3)
    times, field = measurements.mag_log_time_s, measurements.mag_body_t
    if not settings.use_magnetometer:
        return mag, ref, 1.0
    on_pad = np.zeros(0, dtype=bool) if times is None else (times >= levelling.start_log_s) & (times <= levelling.stop_log_s)
    if times is None or field is None or not on_pad.any():
        notes.append("magnetometer asked for, but the log has none on the pad")
        return mag, ref, 1.0
    pad = np.mean(field[on_pad], axis=0)
    size = float(np.linalg.norm(pad))
    ref = rotation.rotate(levelling.q_enu_from_body, pad / size)
    edge = pre.log_time_s[1:]
    inside = (edge > levelling.stop_log_s) & (edge <= times[-1])
    near = np.clip(np.searchsorted(times, edge), 1, len(times) - 1)
    inside &= times[near] - times[near - 1] < 0.5
    for c in range(3):
        mag[inside, c] = np.interp(edge[inside], times, field[:, c] / size)
    unit = " (logged in no known unit: direction only)" if measurements.mag_is_arbitrary else ""
    notes.append(f"magnetometer used, against the field on the pad{unit}")
    epoch = float(np.median(pre.duration_s))
    return mag, ref, model.magnetometer_share**2 * max(1.0, 2.0 * model.magnetometer_time_s / epoch)
