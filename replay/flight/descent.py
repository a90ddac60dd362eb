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
RATE_CHANGE_SHARE = 0.4
"""Rates this far apart, as a share of the faster, are two canopies or a canopy that changed, not gusts (common practice, no source)."""
CHANGE_FIT = 4.0
"""And two lines must leave this many times less of the height than one does."""
SHORTEST_STRETCH_S = 3.0
DRIFT_SD_MPS = 1.0
"""The drift shows the wind only where the horizontal velocity is known better than this."""

_LABELS = {
    "descent rate": ("descent rate under the parachute", "m/s"),
    "descent rate above": ("descent rate higher up", "m/s"),
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
    time, height = baro if baro is not None else (solution.log_time_s, solution.pos_enu_m[:, 2])
    inside = (time > start) & (time < stop) & np.isfinite(height)
    change = _last_change(time[inside], height[inside])
    figures = {}
    if change is not None:  # what it lands under is what counts at the ground
        figures["descent rate above"] = _rate("descent rate above", time[inside], height[inside], start, change)
        start = change
    rate = _rate("descent rate", time[inside], height[inside], start, stop)
    figures["descent rate"] = rate
    if not rate.is_known or rate.value <= 0.0:
        return figures | {
            n: undetermined(*_LABELS[n], "no steady descent") for n in _LABELS if n not in figures and n != "descent rate above"
        }
    if dry_mass_kg is None:
        figures |= {n: undetermined(*_LABELS[n], "mass not given") for n in ("drag area", "landing energy")}
    else:
        middle = float(np.interp(0.5 * (start + stop), solution.log_time_s, np.nan_to_num(solution.pos_enu_m[:, 2])))
        density = _density(site, middle)
        area = 2.0 * dry_mass_kg * STANDARD_GRAVITY_MPS2 / (density * rate.value**2)
        figures["drag area"] = Quantity(_LABELS["drag area"][0], area, area * math.hypot(2.0 * rate.sd / rate.value, 0.015), "m²")
    return figures | _landing(solution, events, rate, dry_mass_kg) | _wind(solution, start, stop)


def _span(events: FlightEvents) -> tuple[float, float]:
    opened = events.log_time_s("deployment")
    start = (opened if math.isfinite(opened) else events.log_time_s("apogee")) + SETTLE_S
    stop = events.log_time_s("touchdown") - 0.3
    return (start, stop) if stop - start > 1.0 else (math.nan, math.nan)


def _last_change(time: Array, height: Array) -> float | None:
    """Time of the last lasting change of the descent rate: a second canopy, or one that tore; None where one rate holds.

    The break of the two straight lines that leave the least of the height, looked for again in what follows it.
    """
    found = None
    while (at := _break(time, height)) is not None:
        found = float(time[at])
        time, height = time[at:], height[at:]
    return found


def _break(time: Array, height: Array) -> int | None:
    """Where two straight lines meet the height best, if their slopes lie far enough apart and one line does much worse."""
    if len(time) < 40 or time[-1] - time[0] < 2.0 * SHORTEST_STRETCH_S:
        return None
    candidates = np.searchsorted(time, np.arange(time[0] + SHORTEST_STRETCH_S, time[-1] - SHORTEST_STRETCH_S, 0.25))
    t = time - time[0]
    best, lines = math.inf, (0.0, 0.0)
    at = None
    for k in candidates:
        if min(k, len(t) - k) < 20:
            continue
        (a, left_a), (b, left_b) = _line(t[:k], height[:k]), _line(t[k:], height[k:])
        if left_a + left_b < best:
            best, lines, at = left_a + left_b, (a, b), int(k)
    apart = abs(lines[1] - lines[0])
    if at is None or apart < RATE_CHANGE_SHARE * max(map(abs, lines)) or best * CHANGE_FIT > _line(t, height)[1]:
        return None
    return at


def _line(t: Array, h: Array) -> tuple[float, float]:
    """Slope of a straight line, and the sum of squares it leaves."""
    t, h = t - t.mean(), h - h.mean()
    slope = float(t @ h) / float(t @ t)
    return slope, float(h @ h) - slope * float(t @ h)


def _rate(name: str, time: Array, height: Array, start: float, stop: float) -> Quantity:
    """Slope of the height over a steady stretch; its scatter over five equal spans is its standard deviation."""
    label, unit = _LABELS[name]
    inside = (time >= start) & (time < stop)
    if np.count_nonzero(inside) < 20:
        return undetermined(label, unit, "neither barometer nor height in the descent")
    t, h = time[inside], height[inside]
    slopes = [-float(np.polyfit(part, h[(t >= part[0]) & (t <= part[-1])], 1)[0]) for part in np.array_split(t, 5) if len(part) > 3]
    whole = -float(np.polyfit(t - t[0], h, 1)[0])
    spread = max(float(np.std(slopes)) / math.sqrt(len(slopes)), 0.01 * abs(whole))
    return Quantity(label, whole, spread, unit, f"over {stop - start:.1f} s")


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
