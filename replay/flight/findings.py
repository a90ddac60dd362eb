"""Findings: the table of rules, and the checklist for the next flight. A new rule is one small function and one row here."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Final

from replay.cautions import CAUTION_LINE
from replay.flight import rules_attitude as attitude
from replay.flight import rules_control as loop
from replay.flight import rules_motor as motor
from replay.flight import rules_power as supply
from replay.flight import rules_record as record
from replay.flight import rules_recovery as recovery
from replay.flight.coast import LEVEL_GAIN, LEVEL_SIGMAS, LEVEL_STEP
from replay.flight.explained import Explained
from replay.flight.finding import PRACTICE, SEVERITIES, Finding, Rule

RULES: Final[tuple[Rule, ...]] = (
    Rule(
        "false vertical",
        "attitude",
        f"more than {attitude.FALSE_VERTICAL_DEG:g}° off by rail, whole flight or what-if, and by three sigma",
        PRACTICE,
        attitude.false_vertical,
    ),
    Rule(
        "far from calibration",
        "attitude",
        f"more than {attitude.FAR_FROM_CALIBRATION_C:g} °C away",
        PRACTICE,
        attitude.far_from_calibration,
    ),
    Rule(
        "steered away",
        "attitude",
        f"tilt above {attitude.STEERED_DEG:g}° through the last third of the burn, by three sigma, believed less than half of it",
        PRACTICE,
        attitude.steering_away,
    ),
    Rule(
        "onboard attitude departs",
        "attitude",
        f"more than {attitude.DEPARTED_TILT_DEG:g}° of the nose or {attitude.DEPARTED_TOTAL_DEG:g}° in all before apogee",
        PRACTICE,
        attitude.onboard_departs,
    ),
    Rule("clipping", "record", "any sample at 98 % of full scale or stuck at its extreme, liftoff to opening", PRACTICE, record.clipping),
    Rule("gaps", "record", f"a gap above {1e3 * record.GAP_S:g} ms between liftoff and apogee", PRACTICE, record.gaps),
    Rule("gyro near range", "record", f"{record.NEAR_RANGE_SHARE:.0%} of full scale before the opening", PRACTICE, record.gyro_near_range),
    Rule(
        "barometer spike",
        "record",
        f"a jump above {record.SPIKE_M:g} m and {record.SPIKE_SIGMAS:g} sigma of the second around it",
        PRACTICE,
        record.barometer_spike,
    ),
    Rule("barometer lag", "record", f"more than {record.LAG_S:g} s behind, by three sigma", PRACTICE, record.barometer_lag),
    Rule(
        "slow off the rail",
        "motor",
        f"thrust to weight below {motor.LEAST_THRUST_TO_WEIGHT[True]:g} guided, {motor.LEAST_THRUST_TO_WEIGHT[False]:g} unguided; "
        f"rail exit below {motor.LEAST_RAIL_EXIT_MPS[True]:g} or {motor.LEAST_RAIL_EXIT_MPS[False]:g} m/s",
        PRACTICE,
        motor.slow_off_the_rail,
    ),
    Rule(
        "thrust off its curve",
        "motor",
        f"impulse off by more than {motor.IMPULSE_SHARE:.0%}, or thrust off for {motor.OUTSIDE_CURVE_SHARE:.0%} of the burn",
        PRACTICE,
        motor.off_the_curve,
    ),
    Rule(
        "drag changed",
        "motor",
        f"levels {LEVEL_STEP:.0%} and {LEVEL_SIGMAS:g} sigma apart, and a chi-square less by {LEVEL_GAIN:g} independent samples",
        PRACTICE,
        motor.drag_changed,
    ),
    Rule("drag off", "motor", f"more than {motor.DRAG_SHARE:.0%} from the stated coefficient, by three sigma", PRACTICE, motor.drag_off),
    Rule("thrust line", "motor", f"more than {motor.MISALIGNED_DEG:g}° off the long axis, by three sigma", PRACTICE, motor.thrust_line),
    Rule("early kick", "control", f"above {loop.KICK_DEGPS:g} deg/s with control begun inside the start spike", PRACTICE, loop.early_kick),
    Rule("gimbal saturated", "control", f"more than {loop.SATURATED_S:g} s at the limit", PRACTICE, loop.saturated),
    Rule(
        "poorly damped",
        "control",
        f"damping ratio below {loop.POOR_DAMPING:g} over {loop.LEAST_SWINGS} swings, or a line above {loop.SWING_DEGPS:g} deg/s",
        PRACTICE,
        loop.poorly_damped,
    ),
    Rule(
        "late opening",
        "recovery",
        f"more than {recovery.LATE_S:g} s after the stated delay ({recovery.LATE_WITHOUT_DELAY_S:g} s after apogee where none is stated)",
        PRACTICE,
        recovery.late_opening,
    ),
    Rule("hard opening", "recovery", f"above {recovery.HARD_MPS:g} m/s or {recovery.HARD_G:g} g", PRACTICE, recovery.hard_opening),
    Rule(
        "fast descent",
        "recovery",
        f"above {recovery.FAST_DESCENT_MPS:g} m/s or {recovery.LANDING_ENERGY_J:g} J, or below {recovery.CANOPY_SHARE:.0%} of the stated "
        "drag area",
        PRACTICE,
        recovery.fast_descent,
    ),
    Rule("battery low", "power", f"less than {supply.MARGIN_V_PER_CELL:g} V a cell above brown-out", PRACTICE, supply.battery_low),
    Rule(
        "sensor hot or drifting",
        "power",
        f"above {supply.HOT_C:g} °C, {supply.WARMING_C:g} °C of change in flight, or {supply.DRIFT_DEGPS:g} deg/s of gyro zero",
        PRACTICE,
        supply.sensor_hot,
    ),
    Rule("attitude agreed", "attitude", f"within {attitude.AGREED_DEG:g}° to apogee", PRACTICE, attitude.attitude_agreed),
    Rule("record whole", "record", "no gap and no clipping from liftoff to the opening", PRACTICE, record.record_whole),
    Rule("quick off the rail", "motor", "above both limits by three sigma", PRACTICE, motor.quick_off_the_rail),
    Rule("motor as stated", "motor", f"impulse within {motor.GOOD_IMPULSE_SHARE:.0%} of the curve", PRACTICE, motor.motor_as_stated),
    Rule("reserve held", "control", f"at least {loop.GOOD_RESERVE_PCT:g} % of the gimbal's reach unused", PRACTICE, loop.reserve_held),
    Rule("came down well", "recovery", "opened in time and gently, usual descent", PRACTICE, recovery.came_down_well),
    Rule("battery held", "power", f"more than {supply.MARGIN_V_PER_CELL:g} V a cell above brown-out", PRACTICE, supply.battery_held),
)
"""In the order of a flight's story; good news last."""


def find(known: Explained, rules: Iterable[Rule] = RULES) -> tuple[Finding, ...]:
    """Every finding of every rule: warnings, then notes, then good news, each in order of time."""
    found = [
        dataclasses.replace(finding, rule=rule.name, threshold=rule.threshold, source=rule.source)
        for rule in rules
        for finding in rule.find(known)
    ]
    return tuple(sorted(found, key=lambda f: (SEVERITIES.index(f.severity), math.inf if f.start_log_s is None else f.start_log_s)))


def checklist(findings: Iterable[Finding]) -> tuple[str, ...]:
    """What to check or change before the next flight, from the findings still open; the caution line ends it."""
    steps = dict.fromkeys(f"{f.title}: {f.next_step}" for f in findings if f.severity != "good" and f.next_step)
    return (*steps, CAUTION_LINE)


def as_text(findings: Iterable[Finding]) -> str:
    """The list as text, a line or two for each; the caution line ends it."""
    lines = []
    for f in findings:
        lines.append(f"{f.severity}: {f.title}")
        lines.append(f"    {f.evidence_text()}")
    return "\n".join([*lines, CAUTION_LINE])
