"""Descent under the parachute: rate, drag area, landing speed and energy, and the wind from the drift, where the data allow."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from replay.flight.event import FlightEvents
from replay.flight.quantity import Quantity, undetermined
from replay.motion import atmosphere
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

SETTLE_S = 2.5
"""After the opening jerk the canopy swings and slows for about this long (common practice, no source)."""
DRIFT_SD_MPS = 1.0
"""The drift shows the wind only where the horizontal velocity is known better than this."""

_LABELS = {
    "descent rate": ("descent rate under the parachute", "m/s"),
    "drag area": ("drag area of the parachute", "m²"),
    "landing speed": ("landing speed", "m/s"),
    "landing energy": ("landing energy", "J"),
    "wind speed": ("wind from the drift", "m/s"),
    "wind from": ("wind comes from", "deg"),
}


def descent(
    solution: Solution, events: FlightEvents, site: Site, dry_mass_kg: float | None, baro: tuple[Array, Array] | None = None
) -> dict[str, Quantity]:
    """Key figures of the descent, each undetermined with its reason where the record can't give it.

    Parameters
    ----------
    solution : Solution
    events : FlightEvents
    site : Site
    dry_mass_kg : float or None
        After the burn; without it no drag area and no energy.
    baro : (log_time_s, height_m), optional
        Barometric height; goes before the solution's own for the rate.
    """
    start, stop = _span(events)
    if not math.isfinite(start):
        why = events.unknown.get("touchdown", events.unknown.get("apogee", "no descent in the log"))
        return {name: undetermined(label, unit, why) for name, (label, unit) in _LABELS.items()}
    rate = _rate(solution, start, stop, baro)
    figures = {"descent rate": rate}
    if not rate.is_known or rate.value <= 0.0:
        return figures | {n: undetermined(*_LABELS[n], "no steady descent") for n in _LABELS if n != "descent rate"}
    if dry_mass_kg is None:
        figures |= {n: undetermined(*_LABELS[n], "mass not given") for n in ("drag area", "landing energy")}
    else:
        height = float(np.interp(0.5 * (start + stop), solution.log_time_s, np.nan_to_num(solution.pos_enu_m[:, 2])))
        density = _density(site, height)
        area = 2.0 * dry_mass_kg * STANDARD_GRAVITY_MPS2 / (density * rate.value**2)
        figures["drag area"] = Quantity(_LABELS["drag area"][0], area, area * math.hypot(2.0 * rate.sd / rate.value, 0.015), "m²")
    return figures | _landing(solution, events, rate, dry_mass_kg) | _wind(solution, start, stop)


def _span(events: FlightEvents) -> tuple[float, float]:
    opened = events.log_time_s("deployment")
    start = (opened if math.isfinite(opened) else events.log_time_s("apogee")) + SETTLE_S
    stop = events.log_time_s("touchdown") - 0.3
    return (start, stop) if stop - start > 1.0 else (math.nan, math.nan)


def _rate(solution: Solution, start: float, stop: float, baro: tuple[Array, Array] | None) -> Quantity:
    """Slope of the height over the steady descent; its scatter over five equal spans is its standard deviation."""
    label, unit = _LABELS["descent rate"]
    time, height = baro if baro is not None else (solution.log_time_s, solution.pos_enu_m[:, 2])
    inside = (time > start) & (time < stop) & np.isfinite(height)
    if np.count_nonzero(inside) < 20:
        return undetermined(label, unit, "neither barometer nor height in the descent")
    t, h = time[inside], height[inside]
    slopes = [-float(np.polyfit(part, h[(t >= part[0]) & (t <= part[-1])], 1)[0]) for part in np.array_split(t, 5) if len(part) > 3]
    whole = -float(np.polyfit(t - t[0], h, 1)[0])
    return Quantity(
        label, whole, max(float(np.std(slopes)) / math.sqrt(len(slopes)), 0.01 * abs(whole)), unit, f"over {stop - start:.1f} s"
    )


def _density(site: Site, height_m: float) -> float:
    ground = site.ground_height_or_default_m
    temperature = site.ground_temperature_or_default_k - atmosphere.LAPSE_K_PER_M * height_m
    return float(atmosphere.density_kgpm3(atmosphere.standard_pressure_pa(ground + height_m), temperature))


def _landing(solution: Solution, events: FlightEvents, rate: Quantity, dry_mass_kg: float | None) -> dict[str, Quantity]:
    """Vertical speed of the descent with the drift just before the ground, where that is known."""
    k = int(np.searchsorted(solution.log_time_s, events.log_time_s("touchdown") - 0.3)) - 1
    across = solution.vel_enu_mps[max(k, 0), :2]
    sd = solution.vel_sd_enu_mps
    known = sd is not None and np.all(np.isfinite(sd[k, :2])) and float(np.linalg.norm(sd[k, :2])) < DRIFT_SD_MPS
    horizontal = float(np.linalg.norm(across)) if known else 0.0
    speed = math.hypot(rate.value, horizontal)
    spread = math.hypot(rate.sd, float(np.linalg.norm(sd[k, :2])) if known and sd is not None else 0.0)
    note = "with the drift" if known else "vertical only: the drift is not known"
    figures = {"landing speed": Quantity(_LABELS["landing speed"][0], speed, spread, "m/s", note)}
    if dry_mass_kg is not None:
        energy = 0.5 * dry_mass_kg * speed**2
        figures["landing energy"] = Quantity(_LABELS["landing energy"][0], energy, energy * 2.0 * spread / speed, "J", note)
    return figures


def _wind(solution: Solution, start: float, stop: float) -> dict[str, Quantity]:
    """Mean drift of the steady descent: a canopy goes with the air."""
    sd = solution.vel_sd_enu_mps
    inside = (solution.log_time_s > start) & (solution.log_time_s < stop)
    good = sd is not None and inside.any() and np.all(np.isfinite(sd[inside, :2]))
    spread = float(np.median(np.linalg.norm(sd[inside, :2], axis=1))) if good and sd is not None else math.inf
    if spread > DRIFT_SD_MPS:
        known_to = f" to better than {spread:.1f} m/s through the descent" if math.isfinite(spread) else ""
        why = f"the horizontal velocity is not known{known_to} (needs the smoother with rest after touchdown, or satellite position)"
        return {n: undetermined(*_LABELS[n], why) for n in ("wind speed", "wind from")}
    east, north = np.mean(solution.vel_enu_mps[inside, :2], axis=0)
    speed = float(np.hypot(east, north))
    toward = math.degrees(math.atan2(east, north))
    angle_sd = math.degrees(spread / speed) if speed > 0.0 else 180.0
    return {
        "wind speed": Quantity(_LABELS["wind speed"][0], speed, spread, "m/s", "mean of the descent"),
        "wind from": Quantity(
            _LABELS["wind from"][0], (toward + 180.0) % 360.0, min(angle_sd, 180.0), "deg", "heading declared, not measured"
        ),
    }
