"""The Reconcile panel on a real session and a real, small flight: asked, stopped, edited, undone, used, saved."""

import dataclasses
import json

import pytest
from desktop_helpers import Answers
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QScrollArea, QWidget

from replay.desktop.reading import ReadRequest, ReadResult
from replay.desktop.reconcile_panel import PAD_SENTENCE, ReconcilePanel
from replay.desktop.session import Session
from replay.errors import Cancelled, CannotEstimate
from replay.review.reconcile_words import PARAMETER_HEADINGS
from replay.review.review import LogReference, Review
from replay.review.whatif_work import WhatIfRequest, solve_reconcile
from replay.sensors.calibration import load_calibration
from replay.units import DEG
from replay.whatif import sample
from replay.whatif.evidence import Apogee, Evidence, Prior, Touchdown, load_evidence, save_evidence
from replay.whatif.unknowns import DEFAULT_FREE, MEMBERS, members_of

REVIEW = Review(
    logs=(LogReference("/nowhere/crooked.csv", 1, "0" * 64),),
    evidence=Evidence(touchdown=Touchdown(30.0, -20.0, 30.0), prior=Prior(accel_bias_mps2=0.4)),
    freed=(*DEFAULT_FREE, "mount rotation"),
)


@pytest.fixture(scope="module")
def flight():
    return sample.make("crooked_bench", seed=11, rate_hz=100.0, pad_s=4.0, rest_s=4.0)


@pytest.fixture(scope="module")
def result(flight):
    """Reconciled once by the call the panel's worker makes."""
    import threading

    return solve_reconcile(WhatIfRequest(flight.log, REVIEW, None), lambda share, text: None, threading.Event())


@pytest.fixture
def panel(qtbot, preferences, flight):
    """A panel in a session of its own that holds the flight."""
    session = Session(preferences, estimating=lambda request, cancel: (_ for _ in ()).throw(Cancelled("not here")))
    made = ReconcilePanel(session, Answers())
    qtbot.addWidget(made)
    session.review_changed.connect(made.show_review)
    made.resize(320, 700)
    session._take(ReadRequest(("crooked.csv",), is_made=True), ReadResult(flight.log, REVIEW, None, (), False, True))
    made.show()
    yield made
    session.close()


def test_asked_it_solves_on_its_own_thread_and_shows_what_came(panel, qtbot, monkeypatch, result):
    """Progress and a stop while it works; afterwards every parameter with what the record gave, and the one thing that would help most."""
    told = []
    panel.background.progressed.connect(lambda share, text: told.append((share, text)))
    panel.background._work = lambda request, progress, cancel: progress(0.4, "step 3") or result
    assert "Nothing solved yet" in panel.state.text() and not panel.result.isVisible()
    panel.run.click()
    assert panel.stop.isVisible() and not panel.run.isEnabled()
    qtbot.waitUntil(lambda: panel.session.reconciliation is not None, timeout=20_000)
    assert told == [(0.4, "step 3")]
    assert f"reconciled {result.pad_tilt_rad / DEG:.2f}°" in panel.state.text(), "beside the button, before anything is scrolled"
    assert not panel.stop.isVisible() and panel.run.isEnabled()
    rows, group = {}, ""
    for row in panel.parameters.texts():
        group = row[0] if not any(row[1:]) else group
        rows[group, row[0]] = row
    assert sum(any(row[1:]) for row in rows.values()) == sum(p.status != "pinned" for p in result.parameters)
    bias = result.parameter("accelerometer bias x")
    assert float(rows["accelerometer bias, m/s²", "x"][3].replace("−", "-")) == pytest.approx(bias.value, abs=0.01)
    assert rows["mount rotation, deg", "z"][PARAMETER_HEADINGS.index("reconciled")] == "undetermined"
    assert "accelerometer scale" in panel.pinned.text() and ("accelerometer scale", "x") not in rows
    assert "What would help most next" in panel.next.text() and "degrees of freedom" in panel.fit.text()
    assert panel.observations.texts()[0][0] == "touchdown"
    assert "can't tell a leaning rail from a biased accelerometer" in PAD_SENTENCE


def test_stopped_it_keeps_the_last_good_result(panel, qtbot, result):
    import threading

    panel.session.set_reconciliation(result, panel.session.review)
    begun = threading.Event()

    def work(request, progress, cancel):
        begun.set()
        cancel.wait(20)
        raise Cancelled("stopped")

    panel.background._work = work
    panel.run.click()
    assert begun.wait(20)
    panel.stop.click()
    assert not panel.background.is_busy and panel.session.reconciliation is result and panel.result.isVisible()


def test_a_doubt_stands_above_what_would_use_the_result(panel, qtbot, result):
    """Where the button is, not at the end of the notes; gone once the result is out of date, or without doubt."""
    panel.session.set_reconciliation(dataclasses.replace(result, doubts=("The fit did not settle.",)), panel.session.review)
    assert panel.doubt.isVisible() and panel.doubt.text() == "The fit did not settle."
    assert panel.doubt.y() < panel.use.y()
    panel.session.set_reconciliation(result, panel.session.review)
    assert not panel.doubt.isVisible()


def test_a_failure_stands_beside_the_last_good_result(panel, qtbot, result):
    panel.session.set_reconciliation(result, panel.session.review)

    def work(request, progress, cancel):
        raise CannotEstimate("reconcile", "the record holds no liftoff")

    panel.background._work = work
    panel.run.click()
    qtbot.waitUntil(lambda: panel.failure.isVisible(), timeout=20_000)
    assert "no liftoff" in panel.failure.text() and panel.result.isVisible()


@pytest.mark.parametrize("group", MEMBERS)
def test_each_group_is_freed_and_pinned_by_the_keyboard_and_undone(panel, group, result):
    """Space on the box; the result is stale by comparison, and undo makes it good again."""
    session = panel.session
    session.set_reconciliation(result, session.review)
    before = panel.free[group].isChecked()
    panel.free[group].setFocus()
    QTest.keyClick(panel.free[group], Qt.Key.Key_Space)
    assert members_of(session.review.freed).issuperset(MEMBERS[group]) is (not before)
    assert "Out of date" in panel.state.text() and not panel.use.isEnabled() and not panel.tables.isEnabled()
    session.undo()
    assert panel.free[group].isChecked() is before and "as it stands" in panel.state.text()


def test_one_member_of_a_group_is_pinned_and_undone(panel):
    """The group's box then says in part; a click on it frees the whole group again."""
    session, group = panel.session, panel.free["gyro scale"]
    panel.free["gyro scale z"].setFocus()
    QTest.keyClick(panel.free["gyro scale z"], Qt.Key.Key_Space)
    assert "gyro scale z" not in members_of(session.review.freed) and "gyro scale x" in members_of(session.review.freed)
    assert group.checkState() == Qt.CheckState.PartiallyChecked
    group.click()
    assert "gyro scale" in session.review.freed and group.checkState() == Qt.CheckState.Checked
    session.undo()
    session.undo()
    assert panel.free["gyro scale z"].isChecked() and session.review.freed == REVIEW.freed


def test_used_as_the_what_if_in_one_step(panel, result):
    session = panel.session
    session.set_reconciliation(result, session.review)
    panel.use.click()
    assert session.review.what_if == result.calibration and session.review.is_whatif_on
    assert "in use as the what-if" in panel.state.text() and not panel.use.isEnabled()
    session.undo()
    assert session.review.what_if is None and panel.use.isEnabled()


def test_evidence_is_added_edited_removed_and_undone(panel):
    """Each a step of its own; a cleared number is no observation and the old one stands again."""
    session, editor = panel.session, panel.editor
    editor.add_actions["apogee"].trigger()
    assert isinstance(session.review.evidence.apogee, Apogee)
    entry = editor.entries["apogee", "height_m"]
    entry.setFocus()
    entry.selectAll()
    QTest.keyClicks(entry, "152,5")
    QTest.keyClick(entry, Qt.Key.Key_Return)
    assert session.review.evidence.apogee.height_m == 152.5
    entry.selectAll()
    QTest.keyClick(entry, Qt.Key.Key_Delete)
    QTest.keyClick(entry, Qt.Key.Key_Return)
    assert session.review.evidence.apogee.height_m == 152.5
    panel.move_cursor(3.0)
    editor.add_actions["sighting"].trigger()
    editor.add_actions["rail"].trigger()
    assert len(session.review.evidence.sightings) == 1 and session.review.evidence.rail is not None
    side = editor.entries["rail", "tilt_azimuth_rad"]
    side.setText("")
    side.setModified(True)
    side.editingFinished.emit()
    assert not session.review.evidence.rail.is_side_known and side.placeholderText() == "not known"
    session.undo()
    assert session.review.evidence.rail.is_side_known and side.text() == "0"
    editor.one_view[0].click()
    assert session.review.evidence.sightings[0].is_one_view
    editor.removers["sighting 0"].click()
    assert session.review.evidence.sightings == ()
    session.undo()
    assert len(session.review.evidence.sightings) == 1
    prior = editor.entries["prior", "gyro_bias_radps"]
    prior.setText("0.3")
    prior.setModified(True)
    prior.editingFinished.emit()
    assert session.review.evidence.prior.gyro_bias_radps == pytest.approx(0.3 * DEG)
    for _ in range(6):
        session.undo()
    assert session.review.evidence == REVIEW.evidence


def test_files_are_read_and_written(panel, tmp_path, result):
    """Evidence in and out, the calibration with its sigmas, and everything as JSON; an unreadable file is said, not swallowed."""
    session, asking = panel.session, panel.asking
    session.set_reconciliation(result, session.review)
    asking.given["save_path"] = str(tmp_path / "c.toml")
    panel.save_calibration.click()
    assert load_calibration(tmp_path / "c.toml").accel_bias_imu_mps2 == pytest.approx(result.calibration.accel_bias_imu_mps2)
    asking.given["save_path"] = str(tmp_path / "all.json")
    panel.save_json.click()
    assert json.loads((tmp_path / "all.json").read_text())["degrees_of_freedom"] == result.degrees_of_freedom
    asking.given["save_path"] = str(tmp_path / "e.toml")
    panel.save.click()
    assert load_evidence(tmp_path / "e.toml") == REVIEW.evidence
    assert session.review.evidence_path == str(tmp_path / "e.toml")
    other = Evidence(apogee=Apogee(99.0, 1.0))
    save_evidence(other, tmp_path / "other.toml")
    asking.given["open_path"] = str(tmp_path / "other.toml")
    panel.load.click()
    assert session.review.evidence == other
    session.undo()
    assert session.review.evidence == REVIEW.evidence
    (tmp_path / "other.toml").write_text("format = 1\n[apogie]\n")
    panel.load.click()
    assert "apogie" in panel.failure.text() and session.review.evidence == REVIEW.evidence


@pytest.mark.parametrize("width", [300, 640])
def test_nothing_is_clipped(panel, width, result):
    """The panel never needs more width than it has: it wraps and scrolls, and the wide table scrolls by itself."""
    panel.session.set_reconciliation(result, panel.session.review)
    panel.resize(width, 500)
    area = panel.findChild(QScrollArea)
    wide = [(w.__class__.__name__, getattr(w, "text", str)(), w.minimumSizeHint().width()) for w in area.widget().findChildren(QWidget)]
    too_wide = [w for w in wide if w[2] > area.viewport().width() - 30]
    assert area.widget().minimumSizeHint().width() <= area.viewport().width(), too_wide
