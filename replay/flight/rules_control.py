"""Rules about the gimbal loop: the kick at the start, saturation, damping, reserve."""

from __future__ import annotations

import math
from typing import Final

from replay.flight.explained import Explained
from replay.flight.finding import Finding, is_beyond, place
from replay.flight.quantity import Quantity
from replay.units import DEG

KICK_DEGPS: Final = 5.0
SATURATED_S: Final = 0.1
POOR_DAMPING: Final = 0.2
LEAST_SWINGS: Final = 3
SWING_DEGPS: Final = 5.0
GOOD_RESERVE_PCT: Final = 30.0


def early_kick(known: Explained) -> tuple[Finding, ...]:
    """Control that begins inside the start spike turns the spike into a kick."""
    kick, begun, passed = (known.known("control", n) for n in ("kick", "control starts", "spike passed"))
    if kick is None or begun is None or passed is None or begun.value >= passed.value or not is_beyond(kick, KICK_DEGPS):
        return ()
    liftoff = known.time("liftoff")
    return (
        Finding(
            "warning",
            f"Control began inside the start spike: a kick of {kick.value:.0f} deg/s",
            *place(liftoff + begun.value, liftoff + passed.value),
            (kick, begun, passed),
            "angular impulse of the spike times the gimbal angle: while thrust stands far above its mean the loop's gain does too",
            "start control after the spike has passed, or scale the gimbal angle by thrust",
        ),
    )


def saturated(known: Explained) -> tuple[Finding, ...]:
    """The gimbal stood at its limit for longer than a moment."""
    if known.control is None or not known.control.at_limit:
        return ()
    total, reserve = known.known("control", "time at limit"), known.known("control", "least reserve")
    if total is None or not is_beyond(total, SATURATED_S):
        return ()
    spans = known.control.at_limit
    rate = known.known("control", "time at rate limit")
    return (
        Finding(
            "warning",
            f"Gimbal at its limit for {total.value:.2f} s",
            *place(spans[0].start_s, spans[-1].stop_s),
            tuple(q for q in (total, reserve, rate) if q is not None),
            "no authority left in that direction: gusts, thrust line or a lagging loop asked for more than the gimbal can turn",
            "find what asks for it (thrust line, wind, loop lag); more reach or a longer arm only after that",
        ),
    )


def poorly_damped(known: Explained) -> tuple[Finding, ...]:
    """Swings that hardly die down, or a line of the loop in the gyro's spectrum."""
    if known.control is None:
        return ()
    damping = known.known("control", "damping")
    lines = (
        [t for t in known.vibration.tones if t.sensor == "gyro" and t.axis in "xy" and t.kind == "limit cycle"] if known.vibration else []
    )
    line = max(lines, key=lambda t: t.amplitude, default=None)
    swings = known.control.corrections
    is_poor = (
        damping is not None
        and len(swings) >= LEAST_SWINGS
        and damping.value + 2.0 * (damping.sd if math.isfinite(damping.sd) else 0.0) < POOR_DAMPING
    )
    is_swinging = line is not None and line.amplitude > SWING_DEGPS * DEG
    if not (is_poor or is_swinging):
        return ()
    evidence = [] if damping is None else [damping]
    if line is not None:
        evidence.append(Quantity(f"line in the gyro about {line.axis}", line.frequency_hz, line.frequency_sd_hz, "Hz"))
        evidence.append(Quantity("rate it swings with", line.amplitude / DEG, 0.1 * line.amplitude / DEG, "deg/s"))
    evidence += [q for n in ("delay and lag about x", "delay and lag about y") if (q := known.known("control", n)) is not None]
    start = min((c.start_s for c in swings), default=known.time("liftoff"))
    return (
        Finding(
            "warning",
            "The loop hunts: swings that hardly die down",
            *place(start, known.time("burnout")),
            tuple(evidence),
            "the loop comes too late for its gain: a slow gimbal, delay, too little rate feedback, or a rate limit",
            "find the lag first (servo voltage, linkage play, loop period) and check the loop's margins with it in the model",
        ),
    )


def reserve_held(known: Explained) -> tuple[Finding, ...]:
    """Good news: the gimbal never used most of its reach, and the loop was quiet."""
    reserve, at_rate = known.known("control", "least reserve"), known.known("control", "time at rate limit")
    if reserve is None or reserve.value < GOOD_RESERVE_PCT or (at_rate is not None and at_rate.value > 0.0) or poorly_damped(known):
        return ()
    return (
        Finding(
            "good",
            f"Control kept {reserve.value:.0f} % of its authority in reserve",
            *place(known.time("liftoff"), known.time("burnout")),
            tuple(q for q in (reserve, at_rate) if q is not None),
            "wind and thrust line were well inside what the gimbal can hold",
        ),
    )
