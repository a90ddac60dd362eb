"""Rules about battery and sensor temperature."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from replay.flight.explained import Explained
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.quantity import Quantity
from replay.units import DEG

MARGIN_V_PER_CELL: Final = 0.25
HOT_C: Final = 60.0
WARMING_C: Final = 5.0
DRIFT_DEGPS: Final = 0.2


def battery_low(known: Explained) -> tuple[Finding, ...]:
    """Least voltage too near to where regulators drop out."""
    margin = known.known("power", "battery margin")
    if known.power is None or margin is None or margin.value - 3.0 * margin.sd > MARGIN_V_PER_CELL * (known.power.n_cells or 1):
        return ()
    at = known.time("liftoff")
    if known.power.sag is not None:
        time, sag = known.power.sag
        stop = known.time("touchdown")
        inside = (time >= at) & (time <= stop) if math.isfinite(stop - at) else np.ones(len(time), dtype=bool)
        if inside.any():
            at = float(time[inside][int(np.nanargmax(sag[inside]))])
    evidence = [
        q for n in ("battery minimum", "battery margin", "resistance", "sag with gimbal") if (q := known.known("power", n)) is not None
    ]
    return (
        Finding(
            "warning",
            f"Battery down to {margin.value:.2f} V above brown-out",
            *place(at),
            tuple(evidence),
            "an old, cold or small pack, or thin leads: every turn of the gimbal pulls the voltage down, and servos slow with it",
            "charge or replace the pack, measure its resistance on the bench under the gimbal's load, and check leads and connectors",
        ),
    )


def sensor_hot(known: Explained) -> tuple[Finding, ...]:
    """The inertial sensor hot, warming through the flight, or its gyro zero found elsewhere after landing than on the pad."""
    heat, change = known.known("power", "temperature"), known.known("power", "temperature change")
    drift = gyro_drift(known)
    hot = heat is not None and is_beyond(heat, HOT_C)
    warming = change is not None and is_beyond(Quantity("", abs(change.value), change.sd, ""), WARMING_C)
    drifted = drift is not None and is_beyond(drift, DRIFT_DEGPS)
    if not (hot or warming or drifted):
        return ()
    what = " and ".join(w for w, on in (("hot", hot), ("warming", warming), ("drifting", drifted)) if on)
    return (
        Finding(
            "warning",
            f"Sensor {what}",
            *place(known.time("liftoff"), known.time("rest")),
            tuple(q for q in (heat, change, drift) if q is not None),
            "the zero read on the pad does not hold through the flight: attitude drifts away by drift times time",
            "let the electronics settle before arming, shade or insulate them, and calibrate over temperature (plumbline bench)",
        ),
    )


def gyro_drift(known: Explained) -> Quantity | None:
    """Mean rate at rest after touchdown, the zero of the pad taken off; None without a rest."""
    rest = known.time("rest")
    if known.solution is None or not math.isfinite(rest):
        return None
    inside = known.solution.log_time_s > rest + 0.5
    rate = known.solution.rate_body_radps[inside]
    rate = rate[np.all(np.isfinite(rate), axis=1)]
    if len(rate) < 50:
        return None
    mean = float(np.linalg.norm(rate.mean(axis=0))) / DEG
    pad = float(np.linalg.norm(known.solution.levelling.gyro_bias_sd_radps)) / DEG
    sd = math.hypot(pad, float(np.linalg.norm(rate.std(axis=0))) / DEG / math.sqrt(len(rate)))
    return Quantity("gyro zero after landing away from the pad's", mean, sd, "deg/s")


def battery_held(known: Explained) -> tuple[Finding, ...]:
    """Good news: voltage well above brown-out throughout."""
    margin, lowest = known.known("power", "battery margin"), known.known("power", "battery minimum")
    if margin is None or lowest is None or battery_low(known):
        return ()
    return (
        Finding(
            "good",
            f"Battery stayed {margin.value:.1f} V above brown-out",
            *place(known.time("liftoff"), known.time("touchdown")),
            (margin, lowest),
            "the pack had reserve; the maker's sheet sets its limits",
        ),
    )
