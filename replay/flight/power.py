"""Battery, temperature and the log's own health through the flight."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.flight.quantity import Quantity, undetermined
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import Calibration
from replay.units import DEG, celsius

Array = NDArray[np.float64]

BROWN_OUT_V = 3.0
"""Per cell, below which regulators and servos of a lithium pack drop out (common practice, no source; the maker's sheet decides)."""


@dataclass(frozen=True, eq=False)
class Power:
    """Key figures of battery, temperature and timing, by name.

    Parameters
    ----------
    figures : dict of str to Quantity
    sag : (log_time_s, volts), shape (n,) each, or None
        Below the resting voltage.
    n_cells : int or None
    notes : tuple of str
    """

    figures: dict[str, Quantity]
    sag: tuple[Array, Array] | None
    n_cells: int | None
    notes: tuple[str, ...]


def power(
    log: FlightLog,
    liftoff_log_s: float,
    landed_log_s: float,
    calibration: Calibration,
    *,
    activity: tuple[Array, Array] | None = None,
    brown_out_v: float | None = None,
) -> Power:
    """Explain battery and temperature.

    Parameters
    ----------
    log : FlightLog
    liftoff_log_s, landed_log_s : float
        NaN where not known: the ends of the log.
    calibration : Calibration
        Slopes and reference temperature, for the bias shift to expect.
    activity : (log_time_s, angles (m, 2)), optional
        Gimbal angles, to set the sag against.
    brown_out_v : float, optional
        Threshold of the whole pack; else 3 V a cell.
    """
    start = liftoff_log_s if math.isfinite(liftoff_log_s) else 0.0
    stop = landed_log_s if math.isfinite(landed_log_s) else log.duration_s
    figures, notes = {}, []
    battery = log.get("battery_v")
    sag, cells = None, None
    if battery is None:
        figures["battery minimum"] = undetermined("least battery voltage", "V", "no battery channel")
    else:
        part, sag, cells = _battery(battery, log.get("current_a"), start, stop, activity, brown_out_v)
        figures |= part
        notes.append(f"{cells} cell{'s' if cells != 1 else ''} taken from the resting voltage; the pack maker's sheet sets the limits")
    figures |= _temperature(log.get("imu_temperature_k"), start, stop, calibration)
    figures |= _timing(log)
    return Power(figures, sag, cells, tuple(notes))


def _battery(
    battery: Channel,
    current: Channel | None,
    start: float,
    stop: float,
    activity: tuple[Array, Array] | None,
    brown_out_v: float | None,
) -> tuple[dict[str, Quantity], tuple[Array, Array], int]:
    time, volts = battery.log_time_s, np.asarray(battery.values, dtype=float)
    rest = float(np.nanmedian(volts[time < start])) if np.any(time < start) else float(np.nanmax(volts))
    cells = max(1, round(rest / 3.9))
    inside = (time >= start) & (time <= stop) & np.isfinite(volts)
    lowest = float(np.min(volts[inside])) if inside.any() else math.nan
    noise = float(np.nanstd(np.diff(volts[time < start]))) / math.sqrt(2.0) if np.count_nonzero(time < start) > 5 else 0.01
    limit = brown_out_v if brown_out_v is not None else BROWN_OUT_V * cells
    figures = {
        "battery minimum": Quantity("least battery voltage", lowest, noise, "V", f"{rest:.2f} V at rest"),
        "battery margin": Quantity("margin above brown-out", lowest - limit, noise, "V", f"threshold {limit:.2f} V"),
    }
    if current is not None:
        figures["resistance"] = _resistance(time, volts, current, start, stop)
    if activity is not None:
        figures["sag with gimbal"] = _sag_with_activity(time, volts, activity, start, stop, rest)
    return figures, (time, rest - volts), cells


def _resistance(time: Array, volts: Array, current: Channel, start: float, stop: float) -> Quantity:
    """Slope of voltage against current, a drift of the resting voltage beside it."""
    label = "internal resistance"
    amps = np.interp(time, current.log_time_s, np.asarray(current.values, dtype=float))
    inside = (time >= start - 5.0) & (time <= stop) & np.isfinite(volts) & np.isfinite(amps)
    if np.count_nonzero(inside) < 20 or np.std(amps[inside]) < 0.02:
        return undetermined(label, "mΩ", "the current hardly moves")
    design = np.column_stack((-amps[inside], np.ones(np.count_nonzero(inside)), time[inside] - start))
    solved = np.asarray(np.linalg.lstsq(design, volts[inside], rcond=None)[0], dtype=np.float64)
    left = volts[inside] - design @ solved
    spread = np.linalg.inv(design.T @ design) * float(left @ left) / (len(left) - 3)
    return Quantity(label, 1e3 * float(solved[0]), 1e3 * math.sqrt(float(spread[0, 0])), "mΩ", "voltage against current through the flight")


def _sag_with_activity(time: Array, volts: Array, activity: tuple[Array, Array], start: float, stop: float, rest: float) -> Quantity:
    """Mean voltage while the gimbal moves fast less that while it stands, through the flight."""
    label = "sag while the gimbal moves"
    clock, angle = activity
    speed = np.linalg.norm(np.gradient(angle, clock, axis=0), axis=1) if len(clock) > 2 else np.zeros(len(clock))
    at = np.interp(time, clock, speed)
    inside = (time >= start) & (time <= stop) & np.isfinite(volts)
    moving, still = inside & (at > 10.0 * DEG), inside & (at < 1.0 * DEG)
    if np.count_nonzero(moving) < 5 or np.count_nonzero(still) < 5:
        return undetermined(label, "V", "the gimbal hardly moves")
    sag = float(np.mean(volts[still]) - np.mean(volts[moving]))
    sd = math.hypot(
        float(np.std(volts[still])) / math.sqrt(np.count_nonzero(still)), float(np.std(volts[moving])) / math.sqrt(np.count_nonzero(moving))
    )
    return Quantity(label, sag, sd, "V", f"{100.0 * sag / rest:.1f} % of the resting voltage")


def _temperature(sensor: Channel | None, start: float, stop: float, calibration: Calibration) -> dict[str, Quantity]:
    if sensor is None:
        return {"temperature": undetermined("sensor temperature at liftoff", "°C", "no sensor temperature channel")}
    time, kelvin = sensor.log_time_s, np.asarray(sensor.values, dtype=float)
    near = np.abs(time - start) < 2.0
    at = float(np.nanmean(kelvin[near])) if near.any() else float(np.nanmean(kelvin))
    inside = (time >= start - 5.0) & (time <= stop)
    change = float(kelvin[inside][-1] - kelvin[inside][0]) if inside.any() else math.nan
    since, reference = at - calibration.reference_temperature_k, celsius(calibration.reference_temperature_k)
    taken = f"{reference:g} °C taken: no calibration is given that states one" if calibration == Calibration() else ""
    figures = {
        "temperature": Quantity("sensor temperature at liftoff", celsius(at), 0.5, "°C"),
        "temperature change": Quantity("change from pad to landing", change, 0.3, "°C"),
        "since calibration": Quantity("away from the calibration's reference", since, 0.5, "°C", taken),
    }
    accel = math.sqrt(sum((s * since) ** 2 for s in calibration.accel_slope_imu_mps2_per_k))
    gyro = math.sqrt(sum((s * since) ** 2 for s in calibration.gyro_slope_imu_radps_per_k))
    if accel or gyro:
        note = "corrected by the calibration's slope"
        figures["accelerometer shift"] = Quantity("accelerometer bias shift by temperature", accel, 0.3 * accel, "m/s²", note)
        figures["gyro shift"] = Quantity("gyro bias shift by temperature", gyro / DEG, 0.3 * gyro / DEG, "deg/s", note)
    else:
        # 0.1 to 1 mg/K of a consumer sensor (data-sheet sizes, value from memory): half a milli-g per kelvin
        shift = 0.0005 * 9.80665 * abs(since)
        note = "no slope in the calibration: half a milli-g per °C taken (data-sheet size, value from memory)"
        figures["accelerometer shift"] = Quantity("accelerometer bias shift to expect", shift, shift, "m/s²", note)
    return figures


def _timing(log: FlightLog) -> dict[str, Quantity]:
    clock = log.get("rate_raw_imu_radps") or log.get("accel_raw_imu_mps2") or log.get("pressure_pa")
    if clock is None or clock.n_samples < 3:
        return {}
    steps = np.diff(clock.log_time_s)
    usual = float(np.median(steps))
    jitter = float(1.4826 * np.median(np.abs(steps - usual)))
    return {
        "sample rate": Quantity("inertial sample rate", 1.0 / usual, jitter / usual**2, "Hz"),
        "longest step": Quantity(
            "longest step between samples",
            1e3 * float(steps.max()),
            0.0,
            "ms",
            f"{len(clock.i_gap)} gap{'' if len(clock.i_gap) == 1 else 's'}",
        ),
    }
