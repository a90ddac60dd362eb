"""What is said of a flight flown again: what is missing for it, what its computer carries, its guidance, disturbances and bands."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from replay.review.comparison import HEIGHT_SHARE, MODEL_SHARE
from replay.sensors.calibration import Calibration
from replay.units import DEG, celsius

if TYPE_CHECKING:
    from replay.flightlog.log import FlightLog
    from replay.motion.solution import Solution
    from replay.review.comparison import Between
    from replay.whatif.refly import Reflight
    from replay.whatif.vehicle import Vehicle

PURPOSE = (
    "Flies it once more through the same thrust, wind and disturbances with the what-if on board, not the calibration it flew with. "
    "Stabilising to vertical only."
)
FLOWN = "Flown: the record as the what-if tells it, which re-fly takes for true. Shift: over ground."

SPREAD = (
    "± sd: over the ensemble, with "
    + ", ".join(f"{100.0 * share:.1f} % of the shift at {moment}" for moment, share in MODEL_SHARE.items())
    + f" for what the model leaves out ({HEIGHT_SHARE:.0%} of it in height)."
)


def missing(log: FlightLog | None, vehicle: Vehicle | None) -> str:
    """What stands in the way of flying again and how to give it; empty where nothing does."""
    if log is None:
        return "No flight is open."
    if vehicle is None:
        return "No vehicle file: the model needs a vehicle to fly. Choose one here or in the Flight menu."
    has_commands = log.get("gimbal_command_rad") is not None
    if vehicle.gimbal is None:
        return f"No guidance to re-fly: {vehicle.name} has no gimbal. If it had one, state [gimbal] and [guidance] in the vehicle file."
    if vehicle.guidance is None and not has_commands:
        return (
            "No guidance to re-fly: the vehicle file has no [guidance] and the log no gimbal commands to find it from. State [guidance], "
            "or map the gimbal command columns (Flight menu, Column Map)."
        )
    return ""


def guidance_source(log: FlightLog, vehicle: Vehicle) -> str:
    """Where the steering law will come from."""
    if vehicle.guidance is not None:
        return "of the vehicle file" + ("" if log.get("gimbal_command_rad") is not None else "; no gimbal commands are logged")
    return "none in the vehicle file: identified from the logged gimbal commands"


def guidance_text(reflight: Reflight) -> str:
    """The steering law that was flown and how well it gives the logged commands."""
    law = reflight.guidance
    upright = (
        "holds the pad attitude"
        if law.upright_from_s is None
        else f"turns back to vertical from T+{law.upright_from_s:.2f} s at {law.upright_rate_radps / DEG:.1f} deg/s"
    )
    gains = f"proportional {law.proportional:.3g}, rate {law.rate_s:.3g} s, steering from T+{law.start_s:.2f} s, {upright}"
    misfit = reflight.command_misfit_rad / DEG
    left = f"It leaves {misfit:.3f}° RMS of the logged commands" if math.isfinite(misfit) else "No commands are logged to hold it against"
    return f"{reflight.guidance_source[0].upper()}{reflight.guidance_source[1:]}: {gains}. {left}."


def disturbance_text(reflight: Reflight) -> str:
    """How large the recovered disturbances were up to burnout: after it the model is of less interest, and a parachute tears at it."""
    found = reflight.disturbance
    burnout_s = reflight.moments["burnout"][0].time_s
    rows = found.time_s <= (burnout_s if math.isfinite(burnout_s) else found.time_s[-1])
    wind, force, torque = (_across(values[rows]) for values in (found.wind_enu_mps, found.force_body_n, found.torque_body_nm))
    return (
        f"Recovered up to {found.bandwidth_hz:g} Hz, over the boost: wind {_rms(wind):.1f} m/s RMS, at most {wind.max():.1f} (up to 2 Hz); "
        f"across the vehicle, beyond model and wind, {_rms(force):.2f} N and {_rms(torque):.3f} N m RMS."
    )


def _across(vectors: np.ndarray) -> np.ndarray:
    return np.asarray(np.hypot(np.nan_to_num(vectors[:, 0]), np.nan_to_num(vectors[:, 1])))


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def changes_text(carried: Calibration, flown: Calibration) -> str:
    """ "accelerometer bias x −0.36, y +0.26 m/s²; gyro scale z 1.014": what one calibration has otherwise than another."""
    parts = []
    for field in dataclasses.fields(Calibration):
        meta, values, before = field.metadata, getattr(carried, field.name), getattr(flown, field.name)
        if values == before:
            continue
        if "factor" not in meta:
            shown = ("yes" if values else "no") if isinstance(values, bool) else f"{celsius(values):g} {meta['show']}"
            parts.append(f"{meta['label']}: {shown}")
            continue
        letters = ("xy", "xz", "yz") if "cross_axis" in field.name else "xyz"
        sign = "" if "scale" in field.name and "cross" not in field.name else "+"
        changed = [(letter, value) for letter, value, was in zip(letters, values, before, strict=True) if value != was]
        numbers = [f"{letter} {value / meta['factor']:{sign}.4g}".replace("-", "−") for letter, value in changed]
        unit = "" if meta["show"] == "1" else f" {meta['show']}"
        parts.append(f"{meta['label'].partition(' xy')[0]} {', '.join(numbers)}{unit}")
    return "; ".join(parts)


def band_rows(rows: Sequence[Between]) -> list[tuple[str, ...]]:
    """What nine of ten lie between: (quantity, flown, flown again) as text."""
    return [
        (
            f"{'tilt at burnout' if b.quantity == 'tilt' else f'{b.moment} {b.quantity}'}, {b.unit}",
            _range(b.flown, b.unit),
            _range(b.reflown, b.unit),
        )
        for b in rows
    ]


def touchdown_text(flown: Solution, rows: Sequence[Between]) -> str:
    """How well the place of touchdown itself is known, as far as the method says."""
    if not math.isfinite(flown.events.touchdown_log_s):
        return "The record does not get to touchdown."
    sd = [f"±{b.flown_sd:.1f} m {b.quantity}" for b in rows if b.moment == "touchdown" and math.isfinite(b.flown_sd)]
    if sd:
        return (
            f"The flown place of touchdown is known to {' and '.join(sd)} (one standard deviation): the calibration's part and what dead "
            "reckoning has lost by then. How far it shifts is known better; the table above says how well."
        )
    return f"How well the place of touchdown is known {flown.method} does not say (the smoother does): no band for it."


def _range(band: tuple[float, float, float], unit: str) -> str:
    if not math.isfinite(band[0]):
        return "–"
    digits = 2 if unit == "deg" else 1
    return f"{band[0]:.{digits}f} to {band[2]:.{digits}f}".replace("-", "−")
