"""Rules about thrust, drag and leaving the rail."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from replay.flight.explained import Explained
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.motor import curve_figures, motor_class
from replay.flight.quantity import Quantity
from replay.units import DEG

LEAST_THRUST_TO_WEIGHT: Final = {True: 2.0, False: 5.0}
"""Guided by a gimbal, or held by its fins alone."""
LEAST_RAIL_EXIT_MPS: Final = {True: 6.0, False: 13.0}
IMPULSE_SHARE: Final = 0.10
OUTSIDE_CURVE_SHARE: Final = 0.20
"""Of the burn that the thrust may be off the curve by more than a tenth of the mean before it is said."""
GOOD_IMPULSE_SHARE: Final = 0.05
DRAG_SHARE: Final = 0.25
MISALIGNED_DEG: Final = 0.5


def slow_off_the_rail(known: Explained) -> tuple[Finding, ...]:
    """Thrust to weight at liftoff, or speed where the rail ends, too low for what holds the vehicle straight."""
    guided = known.is_guided
    ratio, speed = known.known("propulsion", "thrust to weight"), known.known("propulsion", "rail exit speed")
    is_weak = ratio is not None and ratio.value + 3.0 * ratio.sd < LEAST_THRUST_TO_WEIGHT[guided]
    is_slow = speed is not None and speed.value + 3.0 * speed.sd < LEAST_RAIL_EXIT_MPS[guided]
    if not (is_weak or is_slow):
        return ()
    evidence = [q for q in (ratio, speed) if q is not None]
    wind = known.descent.get("wind speed")
    if speed is not None and wind is not None and wind.is_known:
        angle = math.degrees(math.atan2(wind.value, speed.value))
        sd = math.degrees(math.hypot(wind.sd * speed.value, wind.value * speed.sd) / (wind.value**2 + speed.value**2))
        evidence.append(Quantity("angle the wind makes with the path there", angle, sd, "deg", "wind of the descent"))
    what = " and ".join(w for w, on in (("thrust to weight", is_weak), ("rail-exit speed", is_slow)) if on)
    return (
        Finding(
            "warning",
            f"Low {what}",
            *place(known.time("liftoff"), known.time("rail_exit")),
            tuple(evidence),
            "where the rail ends the air is too slow to steady the vehicle, and wind and thrust line turn it at once",
            "a longer rail, less mass, or a motor with more thrust at the start; less wind to launch in",
        ),
    )


def off_the_curve(known: Explained) -> tuple[Finding, ...]:
    """Total impulse, or a good part of the burn, away from the thrust curve of the vehicle file."""
    found = _against_curve(known)
    if found is None:
        return ()
    ratio, outside, impulse, stated = found
    if not is_beyond(Quantity("", abs(ratio.value - 1.0), ratio.sd, "1"), IMPULSE_SHARE) and outside.value < 100.0 * OUTSIDE_CURVE_SHARE:
        return ()
    below = ratio.value < 1.0
    return (
        Finding(
            "warning",
            f"Thrust {'below' if below else 'above'} its curve: impulse {100 * (ratio.value - 1.0):+.0f} %",
            *place(known.time("liftoff"), known.time("burnout")),
            (ratio, impulse, stated, outside),
            "another motor or lot than the curve is of, a cold or damaged grain, or a mass that is not the one stated",
            "weigh the vehicle and the spent motor, check the motor's designation and lot, and use the curve this flight shows",
        ),
    )


def _against_curve(known: Explained) -> tuple[Quantity, Quantity, Quantity, Quantity] | None:
    """Impulse over the curve's, part of the burn off the curve, both impulses."""
    impulse = known.known("propulsion", "total impulse")
    if known.propulsion is None or known.facts is None or not known.facts.thrust_curve_s_n or impulse is None:
        return None
    curve = np.array(known.facts.thrust_curve_s_n)
    stated = curve_figures(curve[:, 0], curve[:, 1])
    motor, start, stop = known.propulsion, known.time("liftoff"), known.time("burnout")
    burning = (motor.log_time_s >= start + 0.1) & (motor.log_time_s <= stop - 0.1)
    time = motor.log_time_s[burning]
    share = math.nan
    if np.count_nonzero(burning) > 20:
        width = max(3, round(0.1 / float(np.median(np.diff(time)))))
        smooth = np.convolve(motor.thrust_n[burning], np.ones(width) / width, mode="same")
        lead = stated.burn_start_s
        expected = np.interp(time - start + lead, curve[:, 0], curve[:, 1])
        off = np.abs(smooth - expected) > np.maximum(0.1 * stated.mean_n, 3.0 * motor.thrust_sd_n[burning])
        share = float(np.mean(off[width:-width])) if len(off) > 3 * width else float(np.mean(off))
    return (
        Quantity("total impulse over the curve's", impulse.value / stated.total_impulse_ns, impulse.sd / stated.total_impulse_ns, "1"),
        Quantity("part of the burn away from the curve", 100.0 * share, math.nan, "%"),
        impulse,
        Quantity("impulse of the curve", stated.total_impulse_ns, 0.0, "N·s", f"class {motor_class(stated.total_impulse_ns)}"),
    )


def drag_off(known: Explained) -> tuple[Finding, ...]:
    """Drag coefficient away from the stated one."""
    found, expected = known.known("propulsion", "drag coefficient"), known.facts.drag_coefficient if known.facts else None
    if found is None or not expected:
        return ()
    ratio = Quantity("drag coefficient over the stated one", found.value / expected, found.sd / expected, "1")
    if not is_beyond(Quantity("", abs(ratio.value - 1.0), ratio.sd, "1"), DRAG_SHARE):
        return ()
    more = ratio.value > 1.0
    levels = known.propulsion.drag_levels if known.propulsion is not None else ()
    swinging = bool(levels) and min(levels, key=lambda level: level.cd).is_swinging
    meaning, step = _drag_words(more, swinging)
    return (
        Finding(
            "warning",
            f"Drag {100 * abs(ratio.value - 1.0):.0f} % {'above' if more else 'below'} what was stated",
            *place(known.time("burnout"), known.time("apogee")),
            (found, Quantity("stated", expected, math.nan, "1"), ratio),
            meaning,
            step,
        ),
    )


def _drag_words(more: bool, swinging: bool) -> tuple[str, str]:
    """What a drag away from the stated one may mean, and what to do."""
    if more and swinging:
        return (
            "a large force across the axis: flown at an angle of attack, whose drag is not that of straight flight; "
            "or something stood in the wind (a bent fairing, an open hatch, a lug, fins off true)",
            "find out why it did not fly straight (fins off true, stability margin, wind, rail) before the stated coefficient is changed",
        )
    if more:
        return (
            "something stood in the wind (a bent fairing, an open hatch, a lug, fins off true), or the mass or diameter is not as stated",
            "look over the airframe for damage, weigh it, and put the coefficient found here into the vehicle file",
        )
    return (
        "the stated coefficient was too careful, or mass or diameter is not as stated",
        "look over the airframe for damage, weigh it, and put the coefficient found here into the vehicle file",
    )


def drag_changed(known: Explained) -> tuple[Finding, ...]:
    """The drag coefficient went from one level to another in mid-coast."""
    levels = known.propulsion.drag_levels if known.propulsion is not None else ()
    if len(levels) < 2 or known.known("propulsion", "drag coefficient") is None:
        return ()
    liftoff = known.time("liftoff")
    evidence = [
        Quantity(
            f"drag coefficient {level.start_log_s - liftoff:.1f} to {level.stop_log_s - liftoff:.1f} s after liftoff",
            level.cd, level.cd_sd, "1", f"force across the axis {level.across_over_axial:.1f} times that along it",
        )
        for level in levels
    ]  # fmt: skip
    return (
        Finding(
            "note",
            "The drag changed in mid-coast: " + " → ".join(f"{level.cd:.2f}" for level in levels),
            *place(levels[0].start_log_s, levels[-1].stop_log_s),
            tuple(evidence),
            "an air brake that went in or out, a part that opened or came off, or a swing that died down; "
            "which level held in the boost the coast does not say, so thrust and impulse are known less well",
            "compare the time with the brake's or hatch's own channel; with neither aboard, look the airframe over and ask why it swung",
        ),
    )


def thrust_line(known: Explained) -> tuple[Finding, ...]:
    """Thrust line off the long axis by more than half a degree."""
    pair = [known.known("propulsion", f"thrust misalignment about {axis}") for axis in "xy"]
    if any(q is None for q in pair):
        return ()
    x, y = (q for q in pair if q is not None)
    size = math.hypot(x.value, y.value)
    sd = math.hypot(x.value * x.sd, y.value * y.sd) / max(size, 1e-9)
    total = Quantity("thrust line off the long axis", size, sd, "deg", x.note)
    if not is_beyond(total, MISALIGNED_DEG):
        return ()
    evidence = [total, x, y]
    facts = known.facts
    mean = known.known("propulsion", "mean thrust")
    if mean is not None and facts is not None and facts.gimbal_below_cg_m and facts.transverse_inertia_kgm2:
        turn = mean.value * math.sin(size * DEG) * facts.gimbal_below_cg_m / facts.transverse_inertia_kgm2 / DEG
        evidence.append(Quantity("angular acceleration it makes at mean thrust", turn, turn * sd / max(size, 1e-9), "deg/s²"))
    return (
        Finding(
            "note",
            f"The thrust line leans {size:.1f}° off the long axis",
            *place(known.time("liftoff"), known.time("burnout")),
            tuple(evidence),
            "motor mount or gimbal zero off, or the centre of gravity off the axis; the loop holds a standing angle against it",
            "check the gimbal's zero with the vehicle upright, the motor's seat, and the balance across the axis",
        ),
    )


def motor_as_stated(known: Explained) -> tuple[Finding, ...]:
    """Good news: impulse within a twentieth of the curve."""
    found = _against_curve(known)
    if found is None:
        return ()
    ratio, outside, impulse, _ = found
    if abs(ratio.value - 1.0) + ratio.sd > GOOD_IMPULSE_SHARE or outside.value >= 100.0 * OUTSIDE_CURVE_SHARE:
        return ()
    return (
        Finding(
            "good",
            "The motor did what its curve says",
            *place(known.time("liftoff"), known.time("burnout")),
            (ratio, impulse),
            "mass, curve and accelerometer scale agree with each other",
        ),
    )


def quick_off_the_rail(known: Explained) -> tuple[Finding, ...]:
    """Good news: off the rail with speed to spare."""
    ratio, speed = known.known("propulsion", "thrust to weight"), known.known("propulsion", "rail exit speed")
    if ratio is None or speed is None:
        return ()
    if not is_beyond(ratio, LEAST_THRUST_TO_WEIGHT[known.is_guided]) or not is_beyond(speed, LEAST_RAIL_EXIT_MPS[known.is_guided]):
        return ()
    return (
        Finding(
            "good",
            f"Off the rail at {speed.value:.1f} m/s",
            *place(known.time("liftoff"), known.time("rail_exit")),
            (speed, ratio),
            "above what is usually asked of such a vehicle",
        ),
    )
