"""Events and phases from specific force, rate and barometer alone, and the gate that says when the accelerometer shows the vertical.

A flight is a push of steady direction (boost) that is followed by near free fall (coast); anything else in a log, hand-held turns and
knocks included, is no flight, and the events stay NaN. `flight.phases` refines what is found here and gives standard deviations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.motion.atmosphere import height_above_pad_m, pressure_from_altitude_pa
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events
from replay.sensors.measurements import Measurements
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BLOCK_S = 0.02
REST_BEFORE_S = 3.0
SHORTEST_FLIGHT_S = 5.0
_G = STANDARD_GRAVITY_MPS2
_NAN = float("nan")


@dataclass(frozen=True, eq=False)
class Blocks:
    """Means over short blocks, k of them; everything the search for events needs in a hundredth of the samples.

    Parameters
    ----------
    start_log_s, stop_log_s, n : ndarray, shape (k,)
        First and last time, and how many samples.
    accel_body_mps2, rate_body_radps : ndarray, shape (k, 3)
    accel_norm_mps2 : ndarray, shape (k,)
        Mean of the length.
    accel_variance, rate_variance : ndarray, shape (k,)
        Within the block, three axes together, (m/s²)² and (rad/s)².
    """

    start_log_s: Array
    stop_log_s: Array
    n: Array
    accel_body_mps2: Array
    accel_norm_mps2: Array
    accel_variance: Array
    rate_body_radps: Array
    rate_variance: Array

    @property
    def mid_log_s(self) -> Array:
        """Middle of each block, shape (k,)."""
        return 0.5 * (self.start_log_s + self.stop_log_s)


def blocks_of(measurements: Measurements, block_s: float = BLOCK_S, start_log_s: float = -np.inf, stop_log_s: float = np.inf) -> Blocks:
    """Block means and variances (sum over axes) of accelerometer and gyro between two times, NaN rows left out."""
    from replay.motion import _kernels

    i, j = (int(k) for k in np.searchsorted(measurements.log_time_s, (start_log_s, stop_log_s)))
    time_s, gap = measurements.log_time_s[i:j], measurements.is_gap_before[i:j]
    n_most = min(len(time_s), int((time_s[-1] - time_s[0]) / block_s) + 2 + int(np.count_nonzero(gap))) + 1 if len(time_s) else 1
    out = np.empty((n_most, 12))
    k = _kernels.block_statistics(time_s, measurements.accel_body_mps2[i:j], measurements.rate_body_radps[i:j], block_s, gap, out)
    out = out[:k]
    return Blocks(out[:, 0], out[:, 1], out[:, 2], out[:, 3:6], out[:, 6], out[:, 7], out[:, 8:11], out[:, 11])


def _ahead(mid_s: Array, values: Array, span_s: float) -> Array:
    """Mean of `values` over the next `span_s` from each block on, shape (k,) or (k, w); shorter at the end of the record."""
    stop = np.searchsorted(mid_s, mid_s + span_s - 1e-9)
    stop = np.maximum(stop, np.arange(len(mid_s)) + 1)
    total = np.concatenate((np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)))
    count = (stop - np.arange(len(mid_s))).reshape(-1, *([1] * (values.ndim - 1)))
    return np.asarray((total[stop] - total[:-1]) / count)


def baro_height_m(measurements: Measurements, site: Site, start_log_s: float, stop_log_s: float) -> Array | None:
    """Barometric height above the pad on the barometer's clock, shape (m,), zero on the mean of the given span.

    None without a barometer.
    """
    times, pressure = measurements.baro_log_time_s, measurements.pressure_pa
    if times is None:
        return None
    if pressure is None:
        if measurements.baro_height_m is None:
            return None
        pressure = pressure_from_altitude_pa(measurements.baro_height_m)
    is_pad = (times >= start_log_s) & (times <= stop_log_s)
    pad = pressure[is_pad] if is_pad.any() else pressure[:1]
    ground = float(np.median(pad) if len(pad) < 8 else np.mean(pad))
    return height_above_pad_m(pressure, ground, site)


def find_events(measurements: Measurements, site: Site) -> Events:
    """Liftoff, burnout, apogee, deployment, touchdown and rest on the log's clock; NaN where the record can't tell.

    Parameters
    ----------
    measurements : Measurements
    site : Site
        Temperature for the barometric height.

    Returns
    -------
    Events
        Liftoff is back-dated to where the push begins, not where it is noticed.
    """
    return find_flight(measurements, site)[0]


def find_flight(measurements: Measurements, site: Site) -> tuple[Events, float]:
    """`find_events`, and the log time at which another flight begins in the same record, after a rest; NaN where there is none."""
    blocks = blocks_of(measurements)
    alarms = _liftoff_blocks(blocks) if len(blocks.n) >= 10 else np.empty(0, dtype=np.int64)
    if not len(alarms):
        return Events(), _NAN
    k_alarm, k_next = int(alarms[0]), _next_flight(blocks, alarms)
    next_log_s = _NAN if k_next is None else float(blocks.start_log_s[k_next])
    nose = _mean_direction(blocks, k_alarm)
    liftoff = _back_dated(measurements, blocks, k_alarm, nose)
    burnout = _burnout(blocks, liftoff, nose)
    height = baro_height_m(measurements, site, liftoff - 10.0, liftoff - 0.2)
    rest = _rest(blocks, burnout)
    apogee = _apogee(measurements, site, height, liftoff, burnout, rest)
    touchdown = _touchdown(blocks, measurements, height, apogee, rest)
    deployment = _deployment(blocks, apogee, touchdown, burnout)
    return Events(liftoff, burnout, apogee, deployment, touchdown, rest), next_log_s


def _next_flight(blocks: Blocks, alarms: NDArray[np.int64]) -> int | None:
    """The first alarm after the first flight that three seconds of rest go before."""
    mid, norm = blocks.mid_log_s, blocks.accel_norm_mps2
    for k in alarms[mid[alarms] > mid[alarms[0]] + SHORTEST_FLIGHT_S]:
        before = slice(int(np.searchsorted(mid, mid[k] - REST_BEFORE_S - 0.5)), int(np.searchsorted(mid, mid[k] - 0.5)))
        if before.stop - before.start < 10:
            continue
        rate = blocks.rate_body_radps[before]
        is_still = np.abs(norm[before] - _G) < 0.15 * _G
        is_still &= np.linalg.norm(rate - np.median(rate, axis=0), axis=1) < 3.0 * DEG
        if np.mean(is_still) > 0.95:
            return int(k)
    return None


def _liftoff_blocks(blocks: Blocks) -> NDArray[np.int64]:
    """Blocks where 0.3 s of push of steady direction begin, 3 m/s are gained in a second, and near free fall follows."""
    mid, norm = blocks.mid_log_s, blocks.accel_norm_mps2
    pad = float(np.median(norm[: max(5, min(len(norm), 250))]))
    pad = pad if 0.7 * _G < pad < 1.3 * _G else _G
    push = _ahead(mid, norm, 0.3)
    steadiness = np.linalg.norm(_ahead(mid, blocks.accel_body_mps2, 0.3), axis=1) / np.maximum(push, 1e-9)
    gain = _ahead(mid, norm - pad, 0.5)
    falls = _ahead(mid, norm, 0.5) < 0.5 * _G
    times_of_fall = mid[falls & (mid + 0.5 <= mid[-1])]
    if not len(times_of_fall):
        return np.empty(0, dtype=np.int64)
    candidates = np.flatnonzero((push > pad + 3.0) & (steadiness > 0.85) & (gain > 2.5) & (norm > pad + 2.0))
    next_fall = np.searchsorted(times_of_fall, mid[candidates])
    has_fall = next_fall < len(times_of_fall)
    wait = np.where(has_fall, times_of_fall[np.minimum(next_fall, len(times_of_fall) - 1)] - mid[candidates], np.inf)
    return np.asarray(candidates[wait < 60.0], dtype=np.int64)


def _mean_direction(blocks: Blocks, k_alarm: int) -> Array:
    """Unit vector of the push in body axes over its first 0.3 s."""
    mid = blocks.mid_log_s
    k_stop = int(np.searchsorted(mid, mid[k_alarm] + 0.3))
    mean = blocks.accel_body_mps2[k_alarm : max(k_stop, k_alarm + 1)].mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def _back_dated(measurements: Measurements, blocks: Blocks, k_alarm: int, nose: Array) -> float:
    """Where the push along the nose begins: the last sample before the alarm still inside the pad's own scatter."""
    time_s, alarm = measurements.log_time_s, blocks.start_log_s[k_alarm]
    i_alarm = int(np.searchsorted(time_s, blocks.stop_log_s[k_alarm]))
    i_first = int(np.searchsorted(time_s, alarm - 1.0))
    before = slice(int(np.searchsorted(time_s, alarm - 5.0)), max(int(np.searchsorted(time_s, alarm - 0.7)), 1))
    pad = measurements.accel_body_mps2[before] @ nose
    pad = pad[np.isfinite(pad)]
    push = measurements.accel_body_mps2[i_first : i_alarm + 1] @ nose
    level, scatter = (float(np.median(pad)), float(np.std(pad))) if len(pad) > 5 else (_G * 1.0, 0.3)
    threshold = level + max(4.0 * min(scatter, 0.5), 0.3)
    is_quiet = ~(push > threshold)  # NaN rows count as quiet
    if not is_quiet.any():
        return float(time_s[i_first])
    i_last = int(np.flatnonzero(is_quiet)[-1])
    i_last = min(i_last, len(push) - 2) if len(push) > 1 else i_last
    return float(time_s[i_first + i_last])


def _burnout(blocks: Blocks, liftoff: float, nose: Array) -> float:
    """Where the push along the nose has ended: first block below a twentieth of its peak that stays there for 0.3 s."""
    mid = blocks.mid_log_s
    along = blocks.accel_body_mps2 @ nose
    k = int(np.searchsorted(mid, liftoff + 0.1))
    window = along[k : int(np.searchsorted(mid, liftoff + 3.0))]
    if not len(window):
        return _NAN
    threshold = 0.05 * float(np.max(window))
    ended = (along < threshold) & (_ahead(mid, along, 0.3) < threshold)
    ended[:k] = False
    return float(blocks.start_log_s[np.argmax(ended)]) if ended.any() else _NAN


def _rest(blocks: Blocks, burnout: float) -> float:
    """Start of the quiet stretch that lasts to the end of the record; NaN where the record ends in motion.

    The record's last two seconds, if they are quiet at all, say what rest is: same specific force, same rate (the gyro's bias), same noise.
    """
    mid = blocks.mid_log_s
    if not np.isfinite(burnout) or mid[-1] < burnout + 3.0:
        return _NAN
    end = mid >= mid[-1] - 2.0
    accel, rate = blocks.accel_body_mps2, blocks.rate_body_radps
    accel_rest, rate_rest = np.median(accel[end], axis=0), np.median(rate[end], axis=0)
    accel_off, rate_off = np.linalg.norm(accel - accel_rest, axis=1), np.linalg.norm(rate - rate_rest, axis=1)
    if (
        np.median(accel_off[end]) > 0.4
        or np.median(rate_off[end]) > 3.0 * DEG
        or np.linalg.norm(rate_rest) > 10.0 * DEG
        or abs(np.linalg.norm(accel_rest) - _G) > 0.15 * _G
    ):
        return _NAN
    moving = accel_off > 0.15 + 4.0 * float(np.median(accel_off[end]))
    moving |= rate_off > 0.6 * DEG + 4.0 * float(np.median(rate_off[end]))
    moving |= np.sqrt(blocks.accel_variance) > 0.15 + 4.0 * float(np.median(np.sqrt(blocks.accel_variance[end])))
    # a single block out of line (a knock, the recovery crew) does not end a rest; two of three neighbours do
    crowd = np.convolve(moving, np.ones(3), "same") >= 2.0
    last = np.flatnonzero(crowd & (mid < mid[-1] - 0.5))
    k = int(last[-1]) + 2 if len(last) else 0
    return float(blocks.start_log_s[k]) + 0.1 if burnout + 1.0 < mid[min(k, len(mid) - 1)] < mid[-1] - 0.5 else _NAN


def _apogee(measurements: Measurements, site: Site, height: Array | None, liftoff: float, burnout: float, rest: float) -> float:
    """Top of the barometric height by a parabola through it; without a barometer, where dead-reckoned vertical speed is zero."""
    if height is None or measurements.baro_log_time_s is None:
        return _inertial_apogee(measurements, site, liftoff, burnout)
    times = measurements.baro_log_time_s
    smooth = _median_of_five(height)
    is_flight = (times > (burnout if np.isfinite(burnout) else liftoff)) & (times < (rest if np.isfinite(rest) else np.inf))
    if np.count_nonzero(is_flight) < 5:
        return _inertial_apogee(measurements, site, liftoff, burnout)
    where = np.flatnonzero(is_flight)
    k_top = int(where[np.argmax(smooth[where])])
    if k_top >= where[-2]:  # still rising where the record ends
        return _NAN
    near = where[np.abs(times[where] - times[k_top]) < 1.0]
    if len(near) < 5:
        return float(times[k_top])
    for _ in range(3):  # ejection spikes off, parabola through the rest
        t = times[near] - times[k_top]
        a, b, c = np.polyfit(t, height[near], 2)
        residual = np.abs(height[near] - np.polyval((a, b, c), t))
        keep = residual <= max(3.0 * 1.4826 * float(np.median(residual)), 0.3)
        if keep.all() or np.count_nonzero(keep) < 5:
            break
        near = near[keep]
    top = -0.5 * b / a if a < -0.5 else 0.0
    return float(times[k_top] + np.clip(top, -1.0, 1.0))


def _median_of_five(values: Array) -> Array:
    if len(values) < 5:
        return values
    padded = np.concatenate((values[:1], values[:1], values, values[-1:], values[-1:]))
    return np.asarray(np.median(np.stack([padded[k : k + len(values)] for k in range(5)]), axis=0))


def _inertial_apogee(measurements: Measurements, site: Site, liftoff: float, burnout: float) -> float:
    from replay.motion.attitude import integrated
    from replay.motion.levelling import level
    from replay.motion.trajectory import dead_reckoned

    stop = int(np.searchsorted(measurements.log_time_s, liftoff + 120.0))
    levelling = level(measurements, Events(liftoff_log_s=liftoff), site)
    q = integrated(measurements, levelling, stop=stop)
    vel, _ = dead_reckoned(measurements.log_time_s[:stop], q, measurements.accel_body_mps2[:stop], site, liftoff - 0.2, _NAN)
    time_s = measurements.log_time_s[:stop]
    falling = np.flatnonzero((vel[:, 2] <= 0.0) & (time_s > (burnout if np.isfinite(burnout) else liftoff + 0.3)))
    return float(time_s[falling[0]]) if len(falling) else _NAN


def _touchdown(blocks: Blocks, measurements: Measurements, height: Array | None, apogee: float, rest: float) -> float:
    """The knock on the ground: the hardest block near where the barometer stops sinking, or, without one, shortly before rest."""
    mid = blocks.mid_log_s
    if not np.isfinite(rest) or not np.isfinite(apogee):
        return _NAN
    first, last = max(apogee + 0.5, rest - 10.0), rest + 0.1
    times = measurements.baro_log_time_s
    if height is not None and times is not None:
        smooth = _median_of_five(height)
        ground = float(np.median(smooth[times >= rest])) if np.any(times >= rest) else float(smooth[-1])
        noise = float(np.std(np.diff(smooth[times >= rest]))) if np.count_nonzero(times >= rest) > 10 else 0.3
        above = np.flatnonzero((smooth > ground + max(1.5, 4.0 * noise)) & (times > apogee) & (times < rest))
        if len(above):
            first, last = max(apogee + 0.2, float(times[above[-1]]) - 0.7), min(last, float(times[above[-1]]) + 2.0)
    inside = np.flatnonzero((mid >= first) & (mid <= last))
    if not len(inside):
        return rest
    shock = np.abs(blocks.accel_norm_mps2[inside] - _G) + np.sqrt(blocks.accel_variance[inside])
    if shock.max() < 4.0:
        return float(min(rest, last))
    # the first of the knocks, not a harder bounce after it
    return float(blocks.start_log_s[inside[np.argmax(shock > 0.5 * shock.max())]])


def _deployment(blocks: Blocks, apogee: float, touchdown: float, burnout: float) -> float:
    """First jerk from shortly before apogee on."""
    mid = blocks.mid_log_s
    if not np.isfinite(apogee):
        return _NAN
    stop = touchdown - 0.5 if np.isfinite(touchdown) else mid[-1]
    start = max(apogee - 2.0, burnout + 0.5) if np.isfinite(burnout) else apogee - 2.0
    inside = np.flatnonzero((mid > start) & (mid < stop))
    if not len(inside):
        return _NAN
    quiet_sd = float(np.sqrt(np.median(blocks.accel_variance[inside[: max(1, len(inside) // 10)]])))
    strength = blocks.accel_norm_mps2[inside] + np.sqrt(blocks.accel_variance[inside])
    hard = np.flatnonzero(strength > 1.5 * _G + 3.0 * min(quiet_sd, 3.0))
    if len(hard):
        return float(blocks.start_log_s[inside[hard[0]]])
    return _NAN


def gravity_gate(measurements: Measurements, events: Events, settings: EstimatorSettings) -> Mask:
    """Where the accelerometer may correct the attitude, shape (n,): pad, steady descent, rest after touchdown. By phase, not by norm.

    In boost and coast the accelerometer reads (thrust − drag)/m along the long axis whatever the tilt; a norm near g there is chance.
    Steady descent is a second around the sample whose mean specific force has a length within 10 % of g and does not shake.
    Without a liftoff the whole record counts as pad.
    """
    time_s = measurements.log_time_s
    gate = np.zeros(len(time_s), dtype=bool)
    is_clear = ~measurements.is_accel_clipped
    if settings.use_gravity_always:
        return is_clear
    if not np.isfinite(events.liftoff_log_s):
        return is_clear if settings.use_gravity_on_pad else gate
    if settings.use_gravity_on_pad:
        gate[: int(np.searchsorted(time_s, events.liftoff_log_s - settings.liftoff_margin_s))] = True
    if settings.use_gravity_landed and np.isfinite(events.rest_log_s):
        gate[int(np.searchsorted(time_s, events.rest_log_s)) :] = True
    if settings.use_gravity_in_descent and np.isfinite(events.apogee_log_s):
        start = (events.deployment_log_s if np.isfinite(events.deployment_log_s) else events.apogee_log_s) + settings.deployment_settle_s
        start = max(start, events.apogee_log_s + settings.deployment_settle_s)
        stop = events.touchdown_log_s if np.isfinite(events.touchdown_log_s) else events.rest_log_s
        gate |= _steady(measurements, start, stop - 0.2 if np.isfinite(stop) else np.inf)
    return gate & is_clear


def _steady(measurements: Measurements, start: float, stop: float) -> Mask:
    time_s = measurements.log_time_s
    i, j = int(np.searchsorted(time_s, start)), int(np.searchsorted(time_s, stop))
    mask = np.zeros(len(time_s), dtype=bool)
    if j - i < 10:
        return mask
    accel = measurements.accel_body_mps2[i:j]
    norm = np.sqrt(np.einsum("ij,ij->i", accel, accel))
    norm = np.where(np.isfinite(norm), norm, 0.0)
    half = 0.5
    first, last = np.searchsorted(time_s[i:j], time_s[i:j] - half), np.searchsorted(time_s[i:j], time_s[i:j] + half)
    total = np.concatenate(([0.0], np.cumsum(norm)))
    square = np.concatenate(([0.0], np.cumsum(norm * norm)))
    count = np.maximum(last - first, 1)
    mean = (total[last] - total[first]) / count
    spread = np.sqrt(np.maximum((square[last] - square[first]) / count - mean**2, 0.0))
    mask[i:j] = (np.abs(mean - _G) < 0.1 * _G) & (spread < 0.3 * _G)
    return mask
