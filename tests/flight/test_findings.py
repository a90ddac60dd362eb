"""Each rule on a flight that has it and on the clean one that has not; marks, and the checklist."""

import dataclasses
import re

import numpy as np
import pytest
from flight_support import explained

from replay.cautions import CAUTION_LINE
from replay.flight.explained import ObservedLean
from replay.flight.finding import Finding, is_beyond
from replay.flight.findings import RULES, as_text, checklist, find
from replay.flight.quantity import Quantity
from replay.flight.vibration import Tone
from replay.flightlog.log import FlightLog
from replay.review.edits import with_finding_mark
from replay.review.marked_findings import mark_of, next_flight, open_findings
from replay.review.review import FindingMark, Review
from replay.units import DEG

BY_NAME = {rule.name: rule for rule in RULES}
GOOD = {"attitude agreed", "record whole", "quick off the rail", "motor as stated", "reserve held", "came down well", "battery held"}
SAMPLES = {
    "false vertical": "crooked_bench",
    "far from calibration": "hot_day",
    "steered away": "crooked_bench",
    "onboard attitude departs": "fast_roll",
    "clipping": "troubled_logger",
    "gaps": "troubled_logger",
    "barometer spike": "crooked_bench",
    "slow off the rail": "weak_motor",
    "thrust off its curve": "weak_motor",
    "drag off": "late_chute",
    "early kick": "weak_motor",
    "gimbal saturated": "soft_gimbal",
    "poorly damped": "soft_gimbal",
    "late opening": "late_chute",
    "hard opening": "late_chute",
    "fast descent": "late_chute",
    "battery low": "soft_gimbal",
    "sensor hot or drifting": "hot_day",
}
"""Rule -> the sample flight that has it. The other rules have a test of their own below."""


def rules_of(findings, *severities):
    return {f.rule for f in findings if not severities or f.severity in severities}


def with_figure(known, part, name, value, sd):
    """The same flight with one figure of one part replaced."""
    found = getattr(known, part)
    figures = {**found.figures, name: dataclasses.replace(found.figures[name], value=value, sd=sd)}
    return dataclasses.replace(known, **{part: dataclasses.replace(found, figures=figures)})


def test_the_clean_flight_lists_no_warning_and_its_margins():
    """No warning, no note, and every margin that held."""
    found = explained("clean").findings
    assert rules_of(found, "warning", "note") == set()
    assert rules_of(found, "good") == GOOD


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_other_clean_flights_list_no_warning_either(seed):
    """Other gusts, other noise: a threshold the noise crosses would show here."""
    assert rules_of(explained("clean", seed).findings, "warning") == set()


@pytest.mark.parametrize(("rule", "name"), SAMPLES.items())
def test_a_rule_fires_on_the_flight_that_has_it(rule, name):
    """With numbers, a time inside the record, a meaning, something to do, a threshold and where it is from."""
    known = explained(name)
    found = [f for f in known.findings if f.rule == rule]
    assert found, f"{rule} is silent on {name}: {rules_of(known.findings)}"
    for f in found:
        assert f.severity in ("warning", "note")
        assert 0.0 <= f.start_log_s <= f.stop_log_s <= known.log.duration_s
        assert any(np.isfinite(q.value) for q in f.evidence)
        assert any(np.isfinite(q.sd) for q in f.evidence)
        assert f.meaning and f.next_step and f.threshold and f.source
    assert BY_NAME[rule].find(explained("clean")) == ()


def test_every_rule_is_tried_on_a_flight_that_has_it():
    """A new rule without a flight of its own fails here."""
    own = {"gyro near range", "barometer lag", "thrust line", "drag changed"}
    assert set(BY_NAME) == set(SAMPLES) | GOOD | own
    assert len(BY_NAME) == len(RULES)


@pytest.mark.parametrize("rule", sorted(GOOD))
def test_good_news_is_silent_where_the_margin_did_not_hold(rule):
    lost = {
        "attitude agreed": "fast_roll", "record whole": "troubled_logger", "quick off the rail": "weak_motor",
        "motor as stated": "weak_motor", "reserve held": "soft_gimbal", "came down well": "late_chute", "battery held": "soft_gimbal",
    }  # fmt: skip
    assert BY_NAME[rule].find(explained(lost[rule])) == ()


def test_a_gyro_near_its_range():
    """The clean flight's rates with a range just above the fastest of the way up; its own range is not known and says nothing."""
    known = explained("clean")
    channel = known.log["rate_raw_imu_radps"]
    up = (channel.log_time_s > known.time("liftoff")) & (channel.log_time_s < known.time("deployment") - 0.1)
    fastest = float(np.abs(channel.values[up]).max())
    for share, count in ((0.95, 1), (0.7, 0)):
        ranged = dataclasses.replace(channel, full_scale=fastest / share)
        log = FlightLog(known.log.paths, "", {**known.log.channels, channel.name: ranged}, known.log.column_map)
        found = BY_NAME["gyro near range"].find(dataclasses.replace(known, log=log))
        assert len(found) == count
        if found:
            assert found[0].evidence[0].value == pytest.approx(fastest / DEG)


def test_a_barometer_that_lags_is_measured():
    """0.4 s of lag in the pressure comes back inside three of its own sigmas; the usual 0.04 s is silent."""
    known = explained("clean", pressure_lag_s=0.4)
    (found,) = BY_NAME["barometer lag"].find(known)
    lag = found.evidence[0]
    assert abs(lag.value - 0.4) < 0.02
    assert abs(lag.value - 0.4) < 3.0 * lag.sd
    assert BY_NAME["barometer lag"].find(explained("clean")) == ()


def with_baro(known, added_m):
    """The flight with heights off by a function of time from liftoff."""
    time, height = known.baro
    return dataclasses.replace(known, baro=(time, height + added_m(time - known.time("liftoff"))))


def test_a_barometer_spike_is_said_where_it_is():
    """A pressure wave in the boost is not "at the opening", however long after it the opening spikes too."""
    known = with_baro(explained("crooked_bench"), lambda t: np.where((t > 2.0) & (t < 2.2), -60.0, 0.0))
    up, opening = BY_NAME["barometer spike"].find(known)
    assert up.title == "Barometer spike of -60 m on the way up"
    assert "ejection" not in up.meaning
    assert up.start_log_s == pytest.approx(known.time("liftoff") + 2.0, abs=0.05)
    assert up.stop_log_s == pytest.approx(known.time("liftoff") + 2.2, abs=0.05)
    assert opening.title == "Barometer spike of -17 m at the opening"
    assert abs(opening.start_log_s - known.time("deployment")) < 0.5


def test_a_pressure_wave_on_the_way_up_is_no_lag():
    """A height that is off for another reason than being late leaves the lag unsaid."""
    known = with_baro(explained("clean"), lambda t: -40.0 * np.exp(-0.5 * ((t - 4.0) / 0.8) ** 2))
    assert BY_NAME["barometer lag"].find(known) == ()


def test_a_temperature_away_from_no_calibration_says_what_it_is_away_from():
    """With no calibration the reference is a default: the finding names it, and does not speak of a calibration nobody made."""
    known = explained("hot_day")
    (found,) = BY_NAME["far from calibration"].find(known)
    assert re.fullmatch(r"Sensor \d+ °C above the 20 °C taken for its calibration", found.title)
    assert "no calibration is given" in found.evidence[0].note


def test_a_thrust_line_off_the_axis():
    """One degree about x is found and said; the clean flight's 0.18 is not worth a line."""
    known = explained("clean", thrust_tilt_rad=(1.0 * DEG, 0.0))
    (found,) = BY_NAME["thrust line"].find(known)
    assert abs(found.evidence[0].value - 1.0) < 3.0 * found.evidence[0].sd
    assert BY_NAME["thrust line"].find(explained("clean")) == ()
    assert BY_NAME["thrust line"].find(explained("soft_gimbal")) == (), "a hunting gimbal is not its command: no thrust line from it"


def test_a_drag_that_changes_in_mid_coast():
    """The clean flight with as much drag again for the first 1.1 s of its coast: both levels are said; the clean flight has one."""
    rule = BY_NAME["drag changed"]
    known = explained("clean")
    levels = known.propulsion.drag_levels
    assert len(levels) == 1
    low, start = levels[0], levels[0].start_log_s
    high = dataclasses.replace(low, stop_log_s=start + 1.1, cd=2.0 * low.cd)
    changed = dataclasses.replace(known.propulsion, drag_levels=(high, dataclasses.replace(low, start_log_s=start + 1.1)))
    (found,) = rule.find(dataclasses.replace(known, propulsion=changed))
    assert [q.value for q in found.evidence] == [high.cd, low.cd]
    assert found.start_log_s == start and found.severity == "note" and found.next_step
    assert rule.find(known) == ()


def test_clipping_takes_force_away():
    """What clipping took off the mean is a loss, and its number says so: not below zero."""
    (found,) = (f for f in explained("troubled_logger").findings if f.rule == "clipping")
    lost = next(q for q in found.evidence if q.label == "mean axial force lost by it")
    assert lost.value > 0.0


@pytest.mark.parametrize("side", [40.0 * DEG, None])
def test_rail_evidence_alone_shows_a_false_vertical(side):
    """The clean flight with an inclinometer reading 2° from where it levelled itself: said; with one that agrees: silent.

    So too where only its angle from vertical was read, which is then said to be the least.
    """
    known = explained("clean")
    rule = BY_NAME["false vertical"]
    off = dataclasses.replace(known, rail=ObservedLean(3.5 * DEG, side, 0.3 * DEG))
    (found,) = rule.find(off)
    assert found.evidence[0].value == pytest.approx(2.0, abs=0.1)
    assert found.evidence[0].note.startswith("at least") == (side is None)
    assert rule.find(dataclasses.replace(known, rail=ObservedLean(1.5 * DEG, side, 0.3 * DEG))) == ()
    vague = dataclasses.replace(known, rail=ObservedLean(3.5 * DEG, side, 2.0 * DEG))
    assert rule.find(vague) == (), "an inclinometer read to 2° proves nothing here"


def test_guided_and_unguided_vehicles_have_their_own_limits():
    """Thrust to weight of 3.2 and 8 m/s are enough for a gimbal and not for fins alone."""
    known = explained("clean")
    fins = dataclasses.replace(known, control=None, facts=dataclasses.replace(known.facts, is_guided=False))
    (found,) = BY_NAME["slow off the rail"].find(fins)
    assert "thrust to weight and rail-exit speed" in found.title
    assert BY_NAME["quick off the rail"].find(fins) == ()


def test_a_line_of_the_loop_in_the_gyro_is_poor_damping_without_swings():
    known = explained("clean")
    line = Tone("gyro", "x", 2.2, 0.05, 8.0 * DEG, 30.0, "limit cycle", ())
    hunting = dataclasses.replace(known, vibration=dataclasses.replace(known.vibration, tones=(line,)))
    assert len(BY_NAME["poorly damped"].find(hunting)) == 1
    small = dataclasses.replace(line, amplitude=2.0 * DEG)
    assert BY_NAME["poorly damped"].find(dataclasses.replace(known, vibration=dataclasses.replace(known.vibration, tones=(small,)))) == ()


def test_a_kick_after_the_spike_is_none():
    """The same kick with control begun after the spike says nothing."""
    known = explained("weak_motor")
    late = with_figure(known, "control", "control starts", 0.6, 0.004)
    assert BY_NAME["early kick"].find(known) and BY_NAME["early kick"].find(late) == ()


def test_beyond_needs_size_and_certainty():
    assert is_beyond(Quantity("", 2.0, 0.1, ""), 1.0)
    assert not is_beyond(Quantity("", 0.9, 0.1, ""), 1.0)
    assert not is_beyond(Quantity("", 2.0, 1.0, ""), 1.0)
    assert not is_beyond(Quantity("", float("nan"), 0.1, ""), 1.0)


def test_findings_come_in_order():
    """Warnings, notes, good news; each in order of time."""
    found = explained("crooked_bench").findings
    severities = [f.severity for f in found]
    assert severities == sorted(severities, key=("warning", "note", "good").index)
    for severity in ("warning", "note", "good"):
        times = [f.start_log_s for f in found if f.severity == severity]
        assert times == sorted(times)


def test_the_checklist_is_made_of_what_is_open_and_ends_with_the_caution():
    """Resolved findings leave it, pinned ones lead it, notes of the user stand in it, good news never does."""
    found = explained("late_chute").findings
    review = Review()
    full = next_flight(found, review)
    assert full[-1] == CAUTION_LINE == checklist(())[-1]
    assert len(full) == len(rules_of(found, "warning", "note")) + 1
    drag = next(f for f in found if f.rule == "drag off")
    review = with_finding_mark(review, dataclasses.replace(mark_of(drag, review), is_resolved=True))
    assert not any("Drag" in line for line in next_flight(found, review))
    hard = next(f for f in found if f.rule == "hard opening")
    review = with_finding_mark(review, dataclasses.replace(mark_of(hard, review), is_pinned=True, text="new shock cord"))
    lines = next_flight(found, review)
    assert lines[0].startswith(hard.title) and "hard opening: new shock cord" in lines
    assert lines[-1] == CAUTION_LINE
    assert open_findings(found, review)[0] is hard


def test_a_mark_stays_with_its_finding_when_times_move_a_little():
    """An edited bias moves a start by some hundredths of a second, and the mark goes with it; not over seconds."""
    finding = Finding("note", "t", 12.30, 12.4, (), "m", "n", "barometer spike")
    review = Review(finding_marks=(FindingMark("barometer spike", 12.28, is_resolved=True),))
    assert mark_of(finding, review).is_resolved
    assert not mark_of(dataclasses.replace(finding, start_log_s=20.0), review).is_resolved
    assert not mark_of(dataclasses.replace(finding, rule="gaps"), review).is_resolved


def test_the_text_list_ends_with_the_caution():
    text = as_text(explained("soft_gimbal").findings)
    assert text.splitlines()[0].startswith("warning:")
    assert text.splitlines()[-1] == CAUTION_LINE


def test_a_log_that_knows_nothing_has_no_findings():
    """Rules on an explanation with nothing in it say nothing, and none of them falls over."""
    known = explained("clean")
    empty = dataclasses.replace(
        known, solution=None, flown=None, measurements=None, facts=None, propulsion=None, descent={}, control=None, vibration=None,
        power=None, onboard=None, baro=None, events=dataclasses.replace(known.events, events={}, unknown={}),
    )  # fmt: skip
    assert find(empty) == ()
