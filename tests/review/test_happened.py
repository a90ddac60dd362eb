"""One set of events for one flight: whoever tells of them tells the same times, to the last digit, also of those moved by hand."""

import csv
import dataclasses
import json
import math
import re
from pathlib import Path

import pytest
from shared_data import shared_data

from replay import cli
from replay.figures.material import with_material
from replay.figures.report import Table
from replay.figures.report_content import ReportRequest, report_of
from replay.figures.words import event_of
from replay.flightlog import read_log
from replay.motion.solution import Events
from replay.review import edits, findings_words, happened, series, storage, tables
from replay.review.explain import EXPLAINED, explain_snapshot
from replay.review.log_reference import reference_to
from replay.review.request import EstimateRequest, Estimating
from replay.review.review import Review
from replay.whatif.vehicle import load_vehicle

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "clean"
NAMES = ("liftoff", "burnout", "apogee", "deployment", "touchdown", "rest")


def told_by_all(snapshot, review):
    """Event -> its log time as the timeline, the plumb circle, phases, findings, table and figures of one snapshot have it."""
    known = explain_snapshot(snapshot, review)
    shown = series.of_snapshot(snapshot)
    rows = tables.events_table(known)
    zero = snapshot.as_flown.events.liftoff_log_s
    drawn = {
        "timeline and plumb circle": dict(shown.marks.events),
        "findings": {name: known.time(name) for name in NAMES if name in known.events},
        "table": dict(zip(rows["event"].tolist(), rows["log_time_s"].tolist(), strict=True)),
    }
    starts = {span.name: span.start_log_s for span in shown.marks.phases}
    drawn["phases"] = {"liftoff": starts["boost"], "burnout": starts["coast"], "apogee": starts["descent"], "touchdown": starts["landed"]}
    for solution in (snapshot.as_flown, snapshot.what_if or snapshot.as_flown):
        drawn[solution.calibration] = {name: getattr(solution.events, f"{name}_log_s") for name in NAMES}
    for name, row in zip(known.events.events, findings_words.event_rows(known), strict=True):
        assert float(row[1]) == pytest.approx(known.time(name) - zero, abs=6e-4)
    for name in ("burnout", "apogee"):
        i, after_s = event_of(snapshot.as_flown, name)
        assert after_s == known.time(name) - known.time("liftoff")
        assert snapshot.as_flown.log_time_s[i - 1] < known.time(name) <= snapshot.as_flown.log_time_s[i]
    return drawn


def of_report(snapshot, review):
    """Event -> seconds after liftoff, two digits, as the report's own words, its captions and its table of events have them."""
    known = with_material(snapshot, **{EXPLAINED: explain_snapshot(snapshot, review)})
    blocks = report_of(ReportRequest(known, review)).blocks
    (said,) = {
        match[1]
        for block in blocks
        for match in re.finditer(r"apogee [0-9.]+(?: ± [0-9.]+)? m at ([0-9.]+) s", str(getattr(block, "text", "")), re.IGNORECASE)
    }
    rows = {row[0]: row[1] for block in blocks if isinstance(block, Table) for row in block.rows if len(row) == 3}
    return {"apogee": said}, {name: float(re.match(r"[0-9.]+", rows[name])[0]) for name in ("burnout", "apogee", "touchdown")}


def agree(drawn, expected):
    for who, times in drawn.items():
        for name, at in times.items():
            if name in expected:
                assert at == expected[name], f"{who}: {name}"


def of_command(path, capsys, *options):
    """Event -> log time, and the standard deviation or None, as `plumbline estimate` prints it."""
    assert cli.main(["estimate", str(path), "--json", *options]) == 0
    said = json.loads(capsys.readouterr().out)
    listed = {event["name"]: event["log_time_s"] for event in said["events"] if event["name"] in NAMES}
    assert listed == {name: at for name, at in said["events_log_s"].items() if at is not None}
    assert said["apogee"]["time_s"] == pytest.approx(listed["apogee"] - listed["liftoff"], abs=0.02)
    return listed


@pytest.mark.parametrize("where", ["clean", "student_rocket/jackpot_launch_1.csv"])
def test_every_view_and_command_tells_the_same_events(where, capsys):
    """A sample flight and a recorded one, whose first search lies a quarter of a second off in apogee."""
    path = SAMPLE / "flight.csv" if where == "clean" else shared_data(where)
    log, review = read_log(path), Review()
    snapshot = Estimating()(EstimateRequest(1, log, review))
    drawn = told_by_all(snapshot, review)
    expected = of_command(path, capsys)
    agree(drawn, expected)
    assert {"liftoff", "burnout", "apogee", "touchdown"} <= expected.keys()
    in_words, in_table = of_report(snapshot, review)
    assert in_words["apogee"] == f"{expected['apogee'] - expected['liftoff']:.2f}"
    for name, after_s in in_table.items():
        assert after_s == pytest.approx(expected[name] - expected["liftoff"], abs=0.006), name
    assert snapshot.events["apogee"].sd_s > 0.0


def test_an_event_moved_by_hand_is_the_same_in_all_of_them(tmp_path, capsys):
    """Saved in a review beside a what-if: where it was put, in the window and on the terminal."""
    path = SAMPLE / "flight.csv"
    log, vehicle = read_log(path), load_vehicle(SAMPLE / "vehicle.toml")
    review = edits.with_calibration_axis(Review(method="kalman"), "accel_bias_imu_mps2", 0, 0.05)
    review = dataclasses.replace(review, logs=(reference_to(path),), vehicle_path=str(SAMPLE / "vehicle.toml"))
    found = Estimating()(EstimateRequest(1, log, review, vehicle)).events
    moved = {"apogee_log_s": found.log_time_s("apogee") + 0.3, "burnout_log_s": found.log_time_s("burnout") - 0.2}
    for name, at in moved.items():
        review = edits.with_event(review, name, at)
    snapshot = Estimating()(EstimateRequest(2, log, review, vehicle))
    assert snapshot.what_if is not None
    expected = {name: snapshot.events.log_time_s(name) for name in NAMES}
    assert expected["apogee"] == moved["apogee_log_s"] and expected["burnout"] == moved["burnout_log_s"]
    agree(told_by_all(snapshot, review), expected)
    in_words, _ = of_report(snapshot, review)
    assert in_words["apogee"] == f"{expected['apogee'] - expected['liftoff']:.2f}"
    saved = tmp_path / "moved.review.json"
    storage.save_review(review, saved)
    said = of_command(saved, capsys)
    assert said["apogee"] == moved["apogee_log_s"] and said["burnout"] == moved["burnout_log_s"]
    assert said == pytest.approx(expected, abs=1e-9)


def test_one_flight_is_searched_once(monkeypatch):
    """Not again to explain it, to make other traces ready or to come back to it; and a drag keeps what was found."""
    calls = []
    search = happened.find_flight_events
    monkeypatch.setattr(happened, "find_flight_events", lambda *a, **k: (calls.append(1), search(*a, **k))[1])
    log, estimating, review = read_log(SAMPLE / "flight.csv"), Estimating(), Review(method="integrate")
    settled = estimating(EstimateRequest(1, log, review))
    explain_snapshot(settled, review)
    again = estimating(EstimateRequest(2, log, review, wanted_traces=("height",)))
    assert again.as_flown is settled.as_flown and again.events is settled.events
    other = edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, 0.1)
    dragged = estimating(EstimateRequest(3, log, other, is_dragging=True))
    assert dragged.events is settled.events and dragged.what_if.events == settled.as_flown.events
    assert len(calls) == 1
    estimating(EstimateRequest(4, log, other))
    assert len(calls) == 2
    # an event moved while a fast method stands in is never shown where it was
    moved = edits.with_event(other, "burnout_log_s", settled.events.log_time_s("burnout") - 0.3)
    assert estimating(EstimateRequest(5, log, moved, is_dragging=True)).as_flown.events.burnout_log_s == moved.moved_events["burnout_log_s"]


def test_a_search_that_fails_leaves_the_first_one_and_says_so(monkeypatch):
    """The flight is drawn all the same; nothing claims to be known more closely than it is."""

    def broken(*_, **__):
        raise ValueError("no numbers")

    log = read_log(SAMPLE / "flight.csv")
    expected = Estimating()(EstimateRequest(1, log, Review(method="integrate"))).as_flown.events
    monkeypatch.setattr(happened, "find_flight_events", broken)
    shown = Estimating()(EstimateRequest(1, log, Review(method="integrate", moved_events={"burnout_log_s": 13.0})))
    assert shown.as_flown.events.burnout_log_s == 13.0 and shown.events["burnout"].is_moved
    assert shown.as_flown.events.apogee_log_s == pytest.approx(expected.apogee_log_s, abs=0.2)
    assert "no numbers" in shown.events["apogee"].evidence and math.isnan(shown.events["apogee"].sd_s)


def test_no_barometer_and_no_filter_still_give_an_apogee_with_its_doubt():
    """A speed summed up from the force alone: as far off as it says, and no more."""
    log = read_log(SAMPLE / "flight.csv")
    rows = csv.DictReader((SAMPLE / "events.csv").read_text().splitlines())
    truth_s = next(float(row["log_time_s"]) for row in rows if row["event"] == "apogee")
    channels = {n: c for n, c in log.channels.items() if n not in ("pressure_pa", "baro_height_m")}
    bare = dataclasses.replace(log, channels=channels)
    shown = Estimating()(EstimateRequest(1, bare, Review(method="integrate")))
    apogee = shown.events["apogee"]
    assert "no barometer" in apogee.evidence and 0.02 < apogee.sd_s < 0.5
    assert abs(apogee.log_time_s - truth_s) < 2.5 * apogee.sd_s
    assert shown.as_flown.events == shown.events.bounds() != Events()
