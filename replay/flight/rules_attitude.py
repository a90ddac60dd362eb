"""Rules about the vertical: the one the computer took on the pad, the one it steered to, and the one it believed in flight."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from replay import rotation
from replay.flight.explained import Explained, ObservedLean
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.quantity import Quantity
from replay.units import DEG, STANDARD_GRAVITY_MPS2

FALSE_VERTICAL_DEG: Final = 1.0
"""Some 17 milli-g across the vehicle: what a calibrated consumer accelerometer stays below."""
FAR_FROM_CALIBRATION_C: Final = 15.0
STEERED_DEG: Final = 1.5
BELIEVED_UPRIGHT_SHARE: Final = 0.5
DEPARTED_TILT_DEG: Final = 2.0
DEPARTED_TOTAL_DEG: Final = 10.0
AGREED_DEG: Final = 1.0
_TILT_SD_DEG: Final = 0.1
"""Where a method gives no standard deviation of its tilt (value from memory)."""


def false_vertical(known: Explained) -> tuple[Finding, ...]:
    """Where levelling put the vertical against where the rail stood, the smoothed flight says it was, or another calibration puts it."""
    if known.flown is None:
        return ()
    angles = _against_levelling(known)
    if not any(is_beyond(q, FALSE_VERTICAL_DEG) for q in angles):
        return ()
    worst = max((q for q in angles if is_beyond(q, FALSE_VERTICAL_DEG)), key=lambda q: q.value)
    bias = STANDARD_GRAVITY_MPS2 * math.sin(worst.value * DEG)
    levelling = known.flown.levelling
    return (
        Finding(
            "warning",
            f"False vertical on the pad: off by {worst.value:.1f}°",
            *place(levelling.start_log_s, levelling.stop_log_s),
            (*angles, *_temperature(known)),
            f"an accelerometer zero that is off by about {bias:.2f} m/s² across the vehicle, or an imu that sits askew: gravity alone "
            "can't tell the two apart",
            "set the accelerometer's zero again on the bench at the temperature of the pad (plumbline bench), measure the rail with an "
            "inclinometer, and reconcile this flight before trusting its calibration again",
        ),
    )


def _against_levelling(known: Explained) -> list[Quantity]:
    flown, solution = known.flown, known.solution
    assert flown is not None
    level = rotation.rotate(flown.levelling.q_enu_from_body, [0.0, 0.0, 1.0])
    level_sd = flown.levelling.tilt_sd_rad / DEG
    found = []
    if known.rail is not None:
        off, note = _off_rail(level, known.rail)
        sd = math.hypot(known.rail.sd_rad / DEG, level_sd)
        found.append(Quantity("levelling against the rail as measured", off, sd, "deg", note))
    if solution is not None and solution.tilt_sd_rad is not None and math.isfinite(known.time("liftoff")):
        k = int(np.clip(np.searchsorted(solution.log_time_s, known.time("liftoff") - 0.1), 0, len(solution.log_time_s) - 1))
        smoothed = rotation.rotate(solution.q_enu_from_body[k], [0.0, 0.0, 1.0])
        sd = math.sqrt(2.0) * float(solution.tilt_sd_rad[k]) / DEG
        found.append(Quantity("levelling against the whole flight", _angle_deg(level, smoothed), math.hypot(sd, level_sd), "deg"))
    if solution is not None and solution is not flown:
        other = rotation.rotate(solution.levelling.q_enu_from_body, [0.0, 0.0, 1.0])
        sd = math.hypot(level_sd, solution.levelling.tilt_sd_rad / DEG)
        found.append(Quantity("levelling as flown against the what-if", _angle_deg(level, other), sd, "deg", "as good as the what-if"))
    return found


def _off_rail(level: np.ndarray, rail: ObservedLean) -> tuple[float, str]:
    """Angle from the levelled nose to the rail, degrees, and what it leans on. Without the rail's side the least it can be."""
    lean, azimuth = rail.tilt_rad, rail.azimuth_rad
    if azimuth is None:
        levelled_deg = _angle_deg(level, np.array([0.0, 0.0, 1.0]))
        return abs(levelled_deg - lean / DEG), "at least: the side the rail leaned to is not given"
    nose = np.array([math.sin(lean) * math.sin(azimuth), math.sin(lean) * math.cos(azimuth), math.cos(lean)])
    return _angle_deg(level, nose), "heading declared"


def _angle_deg(a: np.ndarray, b: np.ndarray) -> float:
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b)))


def _temperature(known: Explained) -> tuple[Quantity, ...]:
    since = known.known("power", "since calibration")
    return () if since is None else (since,)


def far_from_calibration(known: Explained) -> tuple[Finding, ...]:
    """The sensor was calibrated at another temperature than it flew at."""
    since = known.known("power", "since calibration")
    if since is None or not is_beyond(Quantity("", abs(since.value), since.sd, ""), FAR_FROM_CALIBRATION_C):
        return ()
    shift = known.known("power", "accelerometer shift")
    taken = f"the {since.note.split(' taken')[0]} taken for " if since.note else ""
    lean = []
    if shift is not None:
        degrees = math.degrees(math.asin(min(shift.value / STANDARD_GRAVITY_MPS2, 1.0)))
        lean = [
            shift,
            Quantity("lean of the vertical that such a shift makes", degrees, degrees * shift.sd / max(shift.value, 1e-9), "deg"),
        ]
    return (
        Finding(
            "warning",
            f"Sensor {abs(since.value):.0f} °C {'above' if since.value > 0 else 'below'} {taken}its calibration",
            *place(known.time("liftoff")),
            (since, *lean),
            "biases move with temperature: a zero set in the cool does not hold on a hot pad",
            "calibrate over temperature (plumbline bench), or shade the vehicle and set the zero at the temperature it flies at",
        ),
    )


def steering_away(known: Explained) -> tuple[Finding, ...]:
    """Through the last third of the burn the vehicle leaned and its computer believed it upright."""
    liftoff, burnout = known.time("liftoff"), known.time("burnout")
    if known.onboard is None or known.solution is None or not known.is_guided or not math.isfinite(burnout - liftoff):
        return ()
    start = burnout - (burnout - liftoff) / 3.0
    inside = (known.onboard.log_time_s >= start) & (known.onboard.log_time_s <= burnout)
    if not inside.any():
        return ()
    ours = float(np.mean(known.onboard.own_tilt_rad[inside])) / DEG
    believed = float(np.mean(known.onboard.tilt_rad[inside])) / DEG
    lean = Quantity("tilt through the last third of the burn", ours, _tilt_sd_deg(known, start), "deg")
    if not is_beyond(lean, STEERED_DEG) or believed > BELIEVED_UPRIGHT_SHARE * ours:
        return ()
    k = int(np.searchsorted(known.solution.log_time_s, burnout).clip(0, len(known.solution.log_time_s) - 1))
    azimuth = float(rotation.tilt_azimuth(known.solution.q_enu_from_body[k])) / DEG % 360.0
    return (
        Finding(
            "warning",
            f"Guidance held {ours:.1f}° away from the vertical",
            *place(start, burnout),
            (
                lean,
                Quantity("tilt the computer believed", believed, float(np.std(known.onboard.tilt_rad[inside])) / DEG, "deg"),
                Quantity("direction of the lean", azimuth, math.nan, "deg", "heading declared, not measured"),
            ),
            "the loop did its work about a false vertical: what it believed upright leaned, and the path went that way",
            "mend the vertical the computer starts from (levelling, accelerometer zero, mount), not the gains",
        ),
    )


def _tilt_sd_deg(known: Explained, log_time_s: float) -> float:
    solution = known.solution
    if solution is None or solution.tilt_sd_rad is None:
        return _TILT_SD_DEG
    k = int(np.searchsorted(solution.log_time_s, log_time_s).clip(0, len(solution.log_time_s) - 1))
    return float(solution.tilt_sd_rad[k]) / DEG


def _departure(known: Explained) -> tuple[float, float, float, float, float] | None:
    """Start and stop of liftoff to apogee, largest tilt error and total angle there in deg, and its standard deviation."""
    start, stop = known.time("liftoff"), known.time("apogee")
    if known.onboard is None or not math.isfinite(start):
        return None
    stop = stop if math.isfinite(stop) else float(known.onboard.log_time_s[-1])
    inside = (known.onboard.log_time_s >= start) & (known.onboard.log_time_s <= stop)
    if not inside.any():
        return None
    tilt, total = float(known.onboard.tilt_error_rad[inside].max()), float(known.onboard.total_rad[inside].max())
    return start, stop, tilt / DEG, total / DEG, _tilt_sd_deg(known, stop)


def onboard_departs(known: Explained) -> tuple[Finding, ...]:
    """The computer's own attitude left ours on the way up."""
    found = _departure(known)
    if found is None or known.onboard is None:
        return ()
    start, stop, tilt, total, sd = found
    tilts = Quantity("largest angle between its nose and ours", tilt, sd, "deg")
    totals = Quantity("largest whole rotation between the two", total, sd, "deg", "heading turned to agree on the pad")
    if not (is_beyond(tilts, DEPARTED_TILT_DEG) or is_beyond(totals, DEPARTED_TOTAL_DEG)):
        return ()
    clock = known.onboard.log_time_s
    apart = (known.onboard.tilt_error_rad > DEPARTED_TILT_DEG * DEG) | (known.onboard.total_rad > DEPARTED_TOTAL_DEG * DEG)
    first = float(clock[apart & (clock >= start) & (clock <= stop)][0])
    on_pad = first < start + 0.2
    why = "it started from another vertical" if on_pad else "its gyro gains, axes or rate don't fit the turning it flew through"
    return (
        Finding(
            "warning",
            f"The computer's attitude departs from ours by {max(tilt, total):.0f}°",
            *place(first, stop),
            (tilts, totals),
            f"{why}; guidance and logged angles after this moment mean little",
            "check levelling and accelerometer zero"
            if on_pad
            else "check gyro scale (a turn by hand against a mark, plumbline bench), axes",
        ),
    )


def attitude_agreed(known: Explained) -> tuple[Finding, ...]:
    """Good news: the computer's attitude stayed with ours to apogee."""
    found = _departure(known)
    if found is None or found[2] + found[4] > AGREED_DEG or found[3] > DEPARTED_TOTAL_DEG / 2.0:
        return ()
    start, stop, tilt, total, sd = found
    return (
        Finding(
            "good",
            f"The computer's attitude agrees with ours to {tilt:.1f}°",
            *place(start, stop),
            (Quantity("largest angle between its nose and ours", tilt, sd, "deg"), Quantity("largest whole rotation", total, sd, "deg")),
            "levelling, gyro scale and axes were right as far as this flight could show",
        ),
    )
