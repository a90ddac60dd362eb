"""Events a barometer alone can show: liftoff from the first rise, the top, and where the sinking stops."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from replay.flight.changepoint import ChangePoint, first_alarm, profile
from replay.flight.event import NAMES, FlightEvent

Array = NDArray[np.float64]


def robust_sd(values: Array, least: float = 0.02) -> float:
    """Standard deviation of `values` (n,) from the median distance to the median, in their unit, never below `least`."""
    if len(values) < 3:
        return least
    return max(1.4826 * float(np.median(np.abs(values - np.median(values)))), least)


def parabola_top(time: Array, height: Array) -> ChangePoint | None:
    """Top of a parabola through heights in m at times in s, shape (n,) both, outliers off; None where it does not open downwards."""
    keep = np.isfinite(height)
    for _ in range(4):
        t0 = float(np.mean(time[keep]))
        t = time[keep] - t0
        if np.count_nonzero(keep) < 6:
            return None
        coefficients, covariance = np.polyfit(t, height[keep], 2, cov="unscaled")
        residual = height - np.polyval(coefficients, time - t0)
        sd = max(robust_sd(residual[keep], 1e-3), 1e-3)
        new = np.abs(residual) <= 3.5 * sd
        if np.array_equal(new, keep):
            break
        keep = new
    a, b, _ = coefficients
    if a > -0.5:
        return None
    gradient = np.array([b / (2.0 * a * a), -1.0 / (2.0 * a), 0.0])
    # barometers filter: neighbouring samples share their noise, so a parabola knows its top less well than white noise would say
    return ChangePoint(t0 - b / (2.0 * a), math.sqrt(2.0) * sd * math.sqrt(float(gradient @ covariance @ gradient)))


def barometer_events(baro: tuple[Array, Array] | None) -> tuple[dict[str, FlightEvent], dict[str, str]]:
    """What a barometer alone can show: liftoff from the first rise, apogee, touchdown where it stops sinking."""
    unknown = dict.fromkeys(NAMES, "no flight in this log")
    if baro is None or len(baro[0]) < 20:
        return {}, dict.fromkeys(NAMES, "neither accelerometer nor barometer shows a flight")
    time, height = baro
    noise = robust_sd(np.diff(height), 0.05) / math.sqrt(2.0)
    start = float(np.median(height[: max(5, len(height) // 20)]))
    climb = height - start
    k_top = int(np.argmax(np.convolve(climb, np.ones(5) / 5.0, mode="same")))
    if climb[k_top] < max(10.0, 10.0 * noise):
        return {}, unknown
    found: dict[str, FlightEvent] = {}
    unknown = {"rail_exit": "needs an accelerometer", "burnout": "needs an accelerometer", "rest": "needs an accelerometer or a gyro"}
    unknown["deployment"] = "needs an accelerometer"
    alarm = first_alarm(climb[: k_top + 1] / noise, level=12.0)
    first = time < time[0] + 0.5
    is_climbing = np.count_nonzero(first) > 2 and float(np.polyfit(time[first] - time[0], height[first], 1)[0]) > max(3.0, 5.0 * noise)
    if alarm is None or alarm[1] < 3 or is_climbing:
        unknown["liftoff"] = "the log starts in the air"
    else:
        found["liftoff"] = _baro_liftoff(time, climb, alarm, noise)
    near = np.abs(time - time[k_top]) < 1.5
    top = parabola_top(time[near], height[near])
    if top is None:
        unknown["apogee"] = "the barometric height has no rounded top"
    else:
        found["apogee"] = FlightEvent("apogee", top.time_s, math.hypot(top.sd_s, 0.03), "parabola through the barometric height")
    tail = time > time[-1] - max(1.0, 0.02 * (time[-1] - time[0]))
    ground = float(np.median(height[tail]))
    sinking = np.flatnonzero((height > ground + max(1.0, 5.0 * noise)) & (time > time[k_top]))
    is_level = abs(float(np.polyfit(time[tail], height[tail], 1)[0])) < max(0.5, 3.0 * noise) if np.count_nonzero(tail) > 3 else False
    if not len(sinking) or not is_level:
        unknown["touchdown"] = "the log ends in the air"
    else:
        found["touchdown"] = _baro_touchdown(time, height, int(sinking[-1]), ground, noise)
    return found, unknown


def _baro_liftoff(time: Array, climb: Array, alarm: tuple[int, int], noise: float) -> FlightEvent:
    """Constant acceleration from rest, fitted to the first second after the alarm."""
    near = (time > time[alarm[1]] - 1.5) & (time < time[alarm[0]] + 0.6)
    t, h = time[near], climb[near]

    def misfit(change: float) -> float:
        shape = np.clip(t - change, 0.0, None) ** 2
        size = float(shape @ h) / max(float(shape @ shape), 1e-12)
        return float(np.sum((h - size * shape) ** 2)) / noise**2

    candidates = np.arange(time[alarm[1]] - 1.0, time[alarm[0]], 0.01)
    change = profile(candidates, np.array([misfit(float(t)) for t in candidates]), 0.1)
    return FlightEvent("liftoff", change.time_s, change.sd_s, "first rise of the barometric height, constant acceleration from rest")


def _baro_touchdown(time: Array, height: Array, k: int, ground: float, noise: float) -> FlightEvent:
    """Where the line of the last seconds of descent meets the ground's level."""
    near = (time > time[k] - 3.0) & (time <= time[k])
    if np.count_nonzero(near) < 5:
        return FlightEvent("touchdown", float(time[k]), 0.5, "barometric height stops sinking")
    slope, offset = np.polyfit(time[near] - time[k], height[near], 1)
    if slope > -0.5:
        return FlightEvent("touchdown", float(time[k]), 0.5, "barometric height stops sinking")
    at = float(time[k] + (ground - offset) / slope)
    return FlightEvent("touchdown", at, math.hypot(noise / -slope, 0.1), f"descent at {-slope:.1f} m/s meets the level of the ground")
