"""Rules about coming down: when and how hard the parachute opened, and how fast it came to the ground."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from replay.flight.explained import Explained
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.quantity import Quantity
from replay.units import STANDARD_GRAVITY_MPS2

LATE_S: Final = 1.0
"""After the delay stated in the vehicle file."""
LATE_WITHOUT_DELAY_S: Final = 2.5
HARD_MPS: Final = 18.0
HARD_G: Final = 15.0
FAST_DESCENT_MPS: Final = 7.5
CANOPY_SHARE: Final = 0.6
LANDING_ENERGY_J: Final = 100.0


def _opening(known: Explained) -> tuple[Quantity, Quantity | None, Quantity | None] | None:
    """Time after apogee, speed at the opening, and its largest force in g."""
    apogee, opened = known.time("apogee"), known.time("deployment")
    if not math.isfinite(opened - apogee):
        return None
    sds = [known.events[n].sd_s for n in ("apogee", "deployment")]
    late = Quantity("opened after apogee", opened - apogee, math.hypot(*(s if math.isfinite(s) else 0.0 for s in sds)), "s")
    speed = force = None
    if known.solution is not None:
        k = int(np.searchsorted(known.solution.log_time_s, opened).clip(0, len(known.solution.log_time_s) - 1))
        v, sd = known.solution.vel_enu_mps[k], known.solution.vel_sd_enu_mps
        if np.all(np.isfinite(v)):
            spread = float(np.linalg.norm(sd[k])) if sd is not None and np.all(np.isfinite(sd[k])) else 0.1 * float(np.linalg.norm(v))
            speed = Quantity("speed at the opening", float(np.linalg.norm(v)), spread, "m/s")
    if known.measurements is not None:
        near = (known.measurements.log_time_s >= opened) & (known.measurements.log_time_s <= opened + 0.6)
        if near.any():
            size = float(np.nanmax(np.linalg.norm(known.measurements.accel_body_mps2[near], axis=1))) / STANDARD_GRAVITY_MPS2
            force = Quantity("largest force of the opening", size, 0.02 * size, "g")
    return late, speed, force


def late_opening(known: Explained) -> tuple[Finding, ...]:
    """The parachute came later after apogee than stated."""
    found = _opening(known)
    if found is None:
        return ()
    late, speed, force = found
    delay = known.facts.chute_delay_s if known.facts else None
    limit = delay + LATE_S if delay is not None else LATE_WITHOUT_DELAY_S
    if not is_beyond(late, limit):
        return ()
    stated = [] if delay is None else [Quantity("delay stated", delay, math.nan, "s")]
    return (
        Finding(
            "warning",
            f"The parachute opened {late.value:.1f} s after apogee",
            *place(known.time("apogee"), known.time("deployment")),
            tuple(q for q in (late, *stated, speed, force) if q is not None),
            "a late charge, a slow or stuck ejection, or apogee found late",
            "test the ejection on the ground, check apogee detection against the smoothed height, and the canopy for damage",
        ),
    )


def hard_opening(known: Explained) -> tuple[Finding, ...]:
    """It opened at speed, or with a knock."""
    found = _opening(known)
    if found is None:
        return ()
    late, speed, force = found
    if not ((speed is not None and is_beyond(speed, HARD_MPS)) or (force is not None and is_beyond(force, HARD_G))):
        return ()
    how = f"at {speed.value:.0f} m/s" if speed is not None else f"with {force.value:.0f} g" if force is not None else ""
    return (
        Finding(
            "warning",
            f"Hard opening {how}",
            *place(known.time("deployment"), known.time("deployment") + 0.6),
            tuple(q for q in (speed, force, late) if q is not None),
            "load goes with the square of the speed: lines, canopy, shock cord and their anchors have taken it",
            "inspect canopy, lines, shock cord and bulkheads before they fly again; open nearer to apogee",
        ),
    )


def fast_descent(known: Explained) -> tuple[Finding, ...]:
    """Descent too fast, canopy smaller than stated, or landing energy too high."""
    rate, area, energy = (known.descent.get(n) for n in ("descent rate", "drag area", "landing energy"))
    if rate is None or not rate.is_known:
        return ()
    stated = known.facts.chute_drag_area_m2 if known.facts else None
    torn = area is not None and area.is_known and bool(stated) and area.value + 3.0 * area.sd < CANOPY_SHARE * (stated or 0.0)
    hard = energy is not None and is_beyond(energy, LANDING_ENERGY_J)
    if not (is_beyond(rate, FAST_DESCENT_MPS) or torn or hard):
        return ()
    fast = torn or is_beyond(rate, FAST_DESCENT_MPS)
    higher = known.descent.get("descent rate above")
    evidence = [q for q in (rate, higher, area, known.descent.get("landing speed"), energy) if q is not None and q.is_known]
    if stated:
        evidence.append(Quantity("drag area stated", stated, math.nan, "m²"))
    return (
        Finding(
            "warning",
            f"Fast descent at {rate.value:.1f} m/s" if fast or energy is None else f"Hard landing: {energy.value:.0f} J",
            *place(known.time("deployment"), known.time("touchdown")),
            tuple(evidence),
            "the canopy held less air than stated: torn, tangled or not fully open" if torn else "the canopy is small for this mass",
            "inspect and fold the canopy anew, check lines and swivel, and choose its size for the mass as weighed",
        ),
    )


def came_down_well(known: Explained) -> tuple[Finding, ...]:
    """Good news: opened in time, gently, and came down at a usual rate."""
    found, rate = _opening(known), known.descent.get("descent rate")
    if found is None or rate is None or not rate.is_known:
        return ()
    if late_opening(known) or hard_opening(known) or fast_descent(known):
        return ()
    return (
        Finding(
            "good",
            f"Opened in time and came down at {rate.value:.1f} m/s",
            *place(known.time("deployment"), known.time("touchdown")),
            tuple(q for q in (*found, rate, known.descent.get("landing energy")) if q is not None and q.is_known),
            "recovery worked with margin",
        ),
    )
