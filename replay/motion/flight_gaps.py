"""Gaps in flight: one too long to bridge is refused, a clock that was set is told from rows that were lost, the rest is said first.

On the pad and after landing a gap costs nothing: the vehicle stands where it stood. In flight everything beyond one leans on a straight
line across it, and on its length being true.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.motion.gaps import spans
from replay.motion.phasing import baro_height_m
from replay.motion.site import Site
from replay.motion.solution import PHASES, Events
from replay.sensors.measurements import Measurements
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

LONGEST_BRIDGE_S = 10.0
"""The sample flight under its parachute still comes out within its deviations with so much of it lost; with twice that nothing does."""
WORTH_SAYING_S = 0.5
_LEAST_S = 0.05
_MOST_GAPS = 30
"""The longest are looked into, no more."""
_FIT_S = 0.6
"""Of barometer on either side of a gap, through which a parabola shows height and climb at the gap."""
_FEWEST = 6
_LEAST_HEIGHT_SD_M = 0.15
"""A barometer is no better than this in flight, however quiet it is: port and lag (common practice, no source)."""
_SIGMAS = 4.0
_G = STANDARD_GRAVITY_MPS2


@dataclass(frozen=True)
class _Side:
    """Height and climb at one side of a gap by the barometer, each with its standard deviation, and whether the vehicle falls freely."""

    height_m: float
    climb_mps: float
    height_sd_m: float
    climb_sd_mps: float
    is_free_fall: bool


def check_gaps(measurements: Measurements, events: Events, site: Site) -> tuple[str, ...]:
    """What there is to say first of the gaps between liftoff and touchdown, longest first.

    Raises
    ------
    CannotEstimate
        One is longer than `LONGEST_BRIDGE_S`, or the barometer goes on across one as if no time had passed.
    """
    first, last = _in_flight(measurements, events)
    if not len(first):
        return ()
    height = baro_height_m(measurements, site, -np.inf, np.inf)
    lines = []
    for k in np.argsort(first - last, kind="stable")[:_MOST_GAPS]:
        start, stop = float(first[k]), float(last[k])
        phase = PHASES[int(events.phase_of(np.array([start]))[0])]
        if all(_stands(measurements, height, part) for part in ((start - _FIT_S, start), (stop, stop + _FIT_S))):
            continue  # after a landing that another flight in the record hides
        named = f"the gap of {stop - start:.4g} s at {start:.2f} s of the log ({phase})"
        has_passed = _has_passed(measurements, height, start, stop)
        if has_passed is False:
            raise CannotEstimate(
                "estimate",
                f"{named} is a clock that was set in flight: the barometer goes on as if no time had passed; "
                "give the rows after it the stamps they would have had",
            )
        if stop - start > LONGEST_BRIDGE_S:
            raise CannotEstimate("estimate", f"{named} is too long to bridge in flight; cut the log there and estimate the part before it")
        if stop - start > WORTH_SAYING_S:
            doubt = "" if has_passed else ", and nothing shows that so much time passed"
            lines.append(f"{named} is bridged in a straight line: what follows it leans on that{doubt}")
    return tuple(lines)


def _in_flight(measurements: Measurements, events: Events) -> tuple[Array, Array]:
    """Last time before and first time after each gap or stretch of rows without values that touches the flight, two of shape (g,)."""
    time_s, is_missing = measurements.log_time_s, np.zeros(len(measurements.log_time_s), dtype=bool)
    if measurements.n_bad:
        is_missing[:] = ~(np.isfinite(measurements.accel_body_mps2).all(axis=1) & np.isfinite(measurements.rate_body_radps).all(axis=1))
    first, last = (time_s[i] for i in spans(measurements.is_gap_before, is_missing))
    landed = next(t for t in (events.touchdown_log_s, events.rest_log_s, np.inf) if not np.isnan(t))
    # no comparison with a liftoff that is not there holds
    mine = (last >= events.liftoff_log_s) & (first < landed) & (last - first > _LEAST_S)
    return first[mine], last[mine]


def _stands(measurements: Measurements, height: Array | None, part: tuple[float, float]) -> bool:
    """Whether the vehicle stands still between two times: one g, no turning and, where there is a barometer, no climb."""
    i, j = np.searchsorted(measurements.log_time_s, part)
    accel, rate = measurements.accel_body_mps2[i:j], measurements.rate_body_radps[i:j]
    if j - i < _FEWEST:
        return False
    is_still = np.abs(np.linalg.norm(accel, axis=1) - _G) < 0.15 * _G
    is_still &= np.linalg.norm(rate - np.median(rate, axis=0), axis=1) < 3.0 * DEG
    times = measurements.baro_log_time_s
    side = None if times is None or height is None else _side(measurements, times, height, part[0], *part)
    return bool(np.mean(is_still) > 0.95) and (side is None or abs(side.climb_mps) < _SIGMAS * side.climb_sd_mps)


def _has_passed(measurements: Measurements, height: Array | None, start: float, stop: float) -> bool | None:
    """Whether the time of a gap went by, None where the barometer can't tell.

    It did not where the height is the same on both sides, although the climb has one sign on both, or both are in free fall, which would
    have changed it. It did where the height changed as the climb says, or the climb as free fall says.
    """
    times = measurements.baro_log_time_s
    if times is None or height is None:
        return None
    before, after = (_side(measurements, times, height, *part) for part in ((start, start - _FIT_S, start), (stop, stop, stop + _FIT_S)))
    if before is None or after is None:
        return None
    gap, climbed = stop - start, after.height_m - before.height_m
    height_sd, climb_sd = (float(np.hypot(*pair)) for pair in zip(*((x.height_sd_m, x.climb_sd_mps) for x in (before, after)), strict=True))
    climbs = before.climb_mps, after.climb_mps
    least = min(abs(x.climb_mps) - 3.0 * x.climb_sd_mps for x in (before, after)) if climbs[0] * climbs[1] > 0.0 else 0.0
    is_falling = before.is_free_fall and after.is_free_fall
    if abs(climbed) < _SIGMAS * height_sd:
        would_move = least * gap > 2.0 * _SIGMAS * height_sd
        would_slow = is_falling and 0.5 * _G * gap > 2.0 * _SIGMAS * climb_sd
        if would_move or (would_slow and abs(climbs[1] - climbs[0]) < _SIGMAS * climb_sd):
            return False
    give = _SIGMAS * height_sd + 3.0 * climb_sd * gap
    has_moved = abs(climbed) > _SIGMAS * height_sd and min(climbs) * gap - give < climbed < max(climbs) * gap + give
    has_slowed = is_falling and climbs[1] - climbs[0] < -max(_SIGMAS * climb_sd, 0.5 * _G * gap)
    return True if has_moved or has_slowed else None


def _side(measurements: Measurements, times: Array, height: Array, when: float, start: float, stop: float) -> _Side | None:
    """What a parabola through the barometer between two times says of one moment."""
    i, j = (int(k) for k in (np.searchsorted(times, start), np.searchsorted(times, stop, side="right")))
    if np.count_nonzero(np.isfinite(height[i:j])) < _FEWEST:
        return None
    good = np.flatnonzero(np.isfinite(height[i:j])) + i
    terms = np.vander(times[good] - when, 3)
    found = np.linalg.lstsq(terms, height[good], rcond=None)[0]
    square = float(np.sum((height[good] - terms @ found) ** 2)) / (len(good) - 3)
    covariance = max(square, _LEAST_HEIGHT_SD_M**2) * np.linalg.pinv(terms.T @ terms)
    a, b = np.searchsorted(measurements.log_time_s, (start, stop))
    norm = np.linalg.norm(measurements.accel_body_mps2[a:b], axis=1)
    is_free_fall = bool(np.nanmedian(norm) < 0.5 * _G) if np.isfinite(norm).any() else False
    return _Side(float(found[2]), float(found[1]), float(covariance[2, 2]) ** 0.5, float(covariance[1, 1]) ** 0.5, is_free_fall)
