"""Rules about the record itself: clipping, gaps, a gyro near its range, a barometer that spikes or lags."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.flight.explained import Explained
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.quantity import Quantity
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

GAP_S: Final = 0.03
"""On the way up; at 5 Hz and 200 deg/s a straight line across it is off by up to 0.4° (⅟₁₂ of its cube times the bend of the rate)."""
NEAR_RANGE_SHARE: Final = 0.8
SPIKE_M: Final = 3.0
SPIKE_SIGMAS: Final = 8.0
SPIKES_APART_S: Final = 1.0
LAG_S: Final = 0.15
LEAST_LAG_SHARE: Final = 0.9
"""Of what a height without lag leaves; less, and the barometer is off for another reason than being late."""


def _up(known: Explained) -> tuple[float, float]:
    """Liftoff to apogee, or to the end of what is known."""
    start, stop = known.time("liftoff"), known.time("apogee")
    return start, stop if math.isfinite(stop) else known.log.duration_s


def _before_opening(known: Explained) -> tuple[float, float]:
    """Liftoff to just before the parachute knocks; the knocks after that clip without harm."""
    start, stop = _up(known)
    return start, max(stop, known.time("deployment") - 0.1) if math.isfinite(known.time("deployment")) else stop


def clipping(known: Explained) -> tuple[Finding, ...]:
    """Samples at the end of a sensor's range between liftoff and the opening."""
    if known.measurements is None or not math.isfinite(known.time("liftoff")):
        return ()
    start, stop = _before_opening(known)
    time = known.measurements.log_time_s
    inside = (time >= start - 0.1) & (time <= stop)
    found = []
    for name, mask in (("accelerometer", known.measurements.is_accel_clipped), ("gyro", known.measurements.is_rate_clipped)):
        hit = np.flatnonzero(mask & inside)
        if not len(hit):
            continue
        evidence = [Quantity("samples at the end of the range", float(len(hit)), 0.0, "1", f"of {np.count_nonzero(inside)} on the way up")]
        if name == "accelerometer" and known.vibration is not None and known.vibration.clipping_bias_mps2:
            bias = known.vibration.clipping_bias_mps2
            evidence.append(Quantity("mean axial force lost by it", -bias, abs(bias) / 2.0, "m/s²", "Gaussian vibration assumed"))
        found.append(
            Finding(
                "warning",
                f"The {name} clipped on the way up",
                *place(float(time[hit[0]]), float(time[hit[-1]])),
                tuple(evidence),
                "what went beyond the range is lost: thrust, speed and height come out too low"
                if name == "accelerometer"
                else "the turning beyond the range is lost, and the attitude after it is off by that much",
                "set a wider range, or mount the sensor softer against vibration",
            )
        )
    return tuple(found)


def gaps(known: Explained) -> tuple[Finding, ...]:
    """Rows that never reached the card between liftoff and apogee."""
    if known.measurements is None or not math.isfinite(known.time("liftoff")):
        return ()
    start, stop = _up(known)
    time = known.measurements.log_time_s
    before = np.flatnonzero(known.measurements.is_gap_before) - 1
    lost = [(float(time[k]), float(time[k + 1])) for k in before if time[k + 1] > start and time[k] < stop]
    longest = max((b - a for a, b in lost), default=0.0)
    if longest <= GAP_S:
        return ()
    first, last = min(a for a, _ in lost), max(b for _, b in lost)
    rate = known.measurements.rate_body_radps
    near = (time > first - 0.5) & (time < last + 0.5)
    bend = (
        float(np.nanmax(np.abs(np.gradient(np.gradient(rate[near], time[near], axis=0), time[near], axis=0))))
        if near.sum() > 5
        else math.nan
    )
    return (
        Finding(
            "warning",
            f"Rows lost on the way up: {1e3 * longest:.0f} ms at the longest",
            *place(first, last),
            (
                Quantity("gaps between liftoff and apogee", float(len(lost)), 0.0, "1"),
                Quantity("longest gap", 1e3 * longest, 1e3 * float(np.median(np.diff(time))), "ms"),
                Quantity("largest angle a straight line across it can be off", bend * longest**3 / 12.0 / DEG, math.nan, "deg"),
            ),
            "the logger could not keep up (card writes cluster), and what the vehicle did in between is a straight line here",
            "give the logger a larger buffer or a faster card, or log less often; look at the same span in other channels",
        ),
    )


def gyro_near_range(known: Explained) -> tuple[Finding, ...]:
    """The largest rate before the opening, against the range of the gyro where that is known."""
    channel = known.log.get("rate_raw_imu_radps")
    if channel is None or not channel.full_scale or not math.isfinite(known.time("liftoff")):
        return ()
    start, stop = _before_opening(known)
    inside = (channel.log_time_s >= start) & (channel.log_time_s <= stop)
    if not inside.any():
        return ()
    rates = np.nanmax(np.abs(channel.values[inside]), axis=1)
    share = float(np.nanmax(rates)) / channel.full_scale
    if share < NEAR_RANGE_SHARE:
        return ()
    over = channel.log_time_s[inside][rates >= NEAR_RANGE_SHARE * channel.full_scale]
    return (
        Finding(
            "warning",
            f"The gyro came to {100 * share:.0f} % of its range",
            *place(float(over[0]), float(over[-1])),
            (
                Quantity("largest rate", float(np.nanmax(rates)) / DEG, math.nan, "deg/s"),
                Quantity("range of the gyro", channel.full_scale / DEG, 0.0, "deg/s"),
            ),
            "a little more roll and the gyro clips: from then on the attitude is lost",
            "choose a wider gyro range, and find what rolls the vehicle (fin cant, thrust line)",
        ),
    )


def barometer_spike(known: Explained) -> tuple[Finding, ...]:
    """Heights that jump out of the running median of a second around them, in the flight."""
    if known.baro is None or not math.isfinite(known.time("liftoff")):
        return ()
    time, height = known.baro
    stop = known.time("touchdown")
    inside = (time > known.time("liftoff")) & (time < (stop - 0.2 if math.isfinite(stop) else time[-1]))
    if np.count_nonzero(inside) < 40:
        return ()
    t, h = time[inside], height[inside]
    left = h - _running_line(t, h)
    noise = max(1.4826 * float(np.median(np.abs(left - np.median(left)))), 0.02)
    out = np.flatnonzero(np.abs(left) > max(SPIKE_M, SPIKE_SIGMAS * noise))
    bursts = np.split(out, np.flatnonzero(np.diff(t[out]) > SPIKES_APART_S) + 1) if len(out) else []
    # the worst of each half of the flight: under the parachute a port in the wind may jump a hundred times
    halves = ([b for b in bursts if is_up == bool(t[b[0]] < known.time("apogee"))] for is_up in (True, False))
    worst = [max(half, key=lambda b: float(np.abs(left[b]).max())) for half in halves if half]
    return tuple(_spike(known, t, left, burst, noise, len(out) - len(burst)) for burst in worst)


def _spike(known: Explained, t: Array, left: Array, burst: NDArray[np.intp], noise: float, elsewhere: int) -> Finding:
    """One burst of heights off the line, said where it is."""
    k = burst[int(np.argmax(np.abs(left[burst])))]
    opening, apogee = known.time("deployment"), known.time("apogee")
    at_opening = bool(t[burst[0]] - 0.5 < opening < t[burst[-1]] + 0.5)
    where = " at the opening" if at_opening else " on the way up" if t[k] < apogee else " on the way down" if t[k] >= apogee else ""
    return Finding(
        "note",
        f"Barometer spike of {left[k]:+.0f} m{where}",
        *place(float(t[burst[0]]), float(t[burst[-1]])),
        (
            Quantity("largest jump", float(left[k]), noise, "m"),
            Quantity("samples off", float(len(burst)), 0.0, "1", f"{elsewhere} more elsewhere in the flight" if elsewhere else ""),
            Quantity("after apogee", float(t[k]) - apogee, math.nan, "s"),
        ),
        "the ejection charge pressed on the sensor"
        if at_opening
        else "a pressure wave (near the speed of sound the air around the ports jumps), a loose port, or light on the sensor",
        "a computer that finds apogee or arms by raw pressure can be fooled by this: vent the bay and filter spikes before deciding",
    )


def _running_line(time: Array, height: Array) -> Array:
    """Median of the neighbours within half a second, their trend taken off first: what a height without spikes would be."""
    from scipy.ndimage import median_filter

    step = float(np.median(np.diff(time)))
    width = max(5, 2 * round(0.5 / step) + 1)
    coarse = np.convolve(np.pad(median_filter(height, width), width // 2, mode="edge"), np.ones(width) / width, mode="valid")
    return np.asarray(coarse + median_filter(height - coarse, width), dtype=np.float64)


def barometer_lag_s(known: Explained) -> Quantity | None:
    """Lag of the barometer behind the twice integrated vertical force, liftoff to apogee."""
    from replay import rotation

    solution, start, stop = known.solution, known.time("liftoff"), known.time("apogee")
    if known.baro is None or solution is None or not math.isfinite(stop - start) or stop - start < 2.0:
        return None
    i, j = np.searchsorted(solution.log_time_s, (start, stop))
    time = solution.log_time_s[i:j]
    force = np.nan_to_num(solution.accel_body_mps2[i:j])
    if len(time) < 50:
        return None
    up = rotation.rotate(solution.q_enu_from_body[i:j], force)[:, 2] - STANDARD_GRAVITY_MPS2
    steps = np.diff(time)
    speed = np.concatenate(([0.0], np.cumsum(0.5 * (up[1:] + up[:-1]) * steps)))
    height = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * steps)))
    inside = (known.baro[0] > start) & (known.baro[0] < stop)
    if np.count_nonzero(inside) < 30:
        return None
    return _lag_fit(known.baro[0][inside], known.baro[1][inside], time, height)


def _lag_fit(t: Array, measured: Array, time: Array, height: Array) -> Quantity | None:
    """First-order lag that brings the integrated height nearest to the measured one; scale, zero and a bias of the force beside it.

    None where a lag does not account for what stands between the two.
    """
    from replay.flight.actuator import lagged
    from replay.flight.misalignment import autocorrelation_widening

    step = float(np.median(np.diff(time)))
    even = np.arange(time[0], time[-1], step)
    smooth = np.interp(even, time, height)
    drift = 0.5 * (t - time[0]) ** 2

    def design(lag_s: float) -> Array:
        return np.column_stack((np.interp(t, even, lagged(smooth, step, max(lag_s, 0.0), 0.0)), np.ones(len(t)), drift))

    def left(lag_s: float) -> Array:
        d = design(lag_s)
        return np.asarray(measured - d @ np.linalg.lstsq(d, measured, rcond=None)[0])

    grid = np.arange(0.0, 1.0, 0.05)
    lag = float(min(grid, key=lambda g: float(np.sum(left(g) ** 2))))
    for _ in range(4):
        h = max(0.1 * lag, 0.01)
        d = design(lag)
        solved = np.linalg.lstsq(d, measured, rcond=None)[0]
        by_lag = (design(lag + h) - design(lag)) @ solved / h
        jacobian = np.column_stack((by_lag, d))
        residual = measured - d @ solved
        lag = max(0.0, lag + float(np.linalg.lstsq(jacobian, residual, rcond=None)[0][0]))
    residual = left(lag)
    if lag > LAG_S and float(residual @ residual) > (1.0 - LEAST_LAG_SHARE) * float(left(0.0) @ left(0.0)):
        return None
    variance = float(residual @ residual) / (len(t) - 4) * autocorrelation_widening(residual)
    sd = math.sqrt(float(np.linalg.pinv(jacobian.T @ jacobian)[0, 0]) * variance)
    # a sample of the integrated path, and what gusts on the port leave (value from memory)
    return Quantity("barometer behind the twice integrated force", lag, math.hypot(sd, 0.01), "s")


def barometer_lag(known: Explained) -> tuple[Finding, ...]:
    """A barometer that follows late: port too small, or filtered too hard."""
    lag = barometer_lag_s(known)
    if lag is None or not is_beyond(lag, LAG_S):
        return ()
    fastest = float(np.nanmax(known.solution.vel_enu_mps[:, 2])) if known.solution is not None else math.nan
    return (
        Finding(
            "note",
            f"The barometer is {lag.value:.2f} s late",
            *place(*_up(known)),
            (lag, Quantity("height it is behind at the fastest", lag.value * fastest, lag.sd * fastest, "m")),
            "vent holes too small for the bay, or a slow filter in the sensor: apogee by pressure comes that much late",
            "open the vent holes, check the sensor's filter setting, and let the deployment logic allow for it",
        ),
    )


def record_whole(known: Explained) -> tuple[Finding, ...]:
    """Good news: nothing clipped and nothing was lost from liftoff to the opening."""
    if known.measurements is None or not math.isfinite(known.time("liftoff")) or clipping(known):
        return ()
    start, stop = _before_opening(known)
    time = known.measurements.log_time_s
    inside = (time >= start) & (time <= stop)
    if not inside.any() or np.any(known.measurements.is_gap_before & inside):
        return ()
    size = np.nanmax(np.abs(known.measurements.accel_body_mps2[inside]))
    return (
        Finding(
            "good",
            "The record is whole: no gap and no clipping on the way up",
            *place(start, stop),
            (
                Quantity("longest step", 1e3 * float(np.max(np.diff(time[inside]))), 0.0, "ms"),
                Quantity("largest force on one axis", float(size), math.nan, "m/s²"),
            ),
            "what is read from this flight rests on every sample of it",
        ),
    )
