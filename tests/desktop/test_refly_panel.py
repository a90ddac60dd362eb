"""The Re-fly panel as a user meets it: a short crooked-bench flight, flown again by the real model."""

import dataclasses
import threading

import pytest
from desktop_helpers import Answers, DrawnEstimates, settle
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel, QScrollArea

from replay.cautions import CAUTION_LINE
from replay.desktop.panels import PANELS
from replay.desktop.reading import ReadRequest, ReadResult
from replay.desktop.session import Session
from replay.errors import CannotEstimate
from replay.review import edits, series
from replay.review.comparison import differences
from replay.review.review import LogReference, ReflySettings, Review
from replay.whatif import sample
from replay.whatif.ensemble import Posterior
from replay.whatif.reconciliation import Reconciliation
from replay.whatif.vehicle import save_vehicle


@pytest.fixture(scope="module")
def flight():
    """Soon down: what is below the parachute takes time and is not looked at here."""
    return sample.make("crooked_bench", pad_s=6.0, canopy_scale=0.2, rest_s=2.0)


@pytest.fixture(scope="module")
def vehicle_path(flight, tmp_path_factory):
    path = tmp_path_factory.mktemp("refly") / "wren.toml"
    save_vehicle(flight.vehicle, path)
    return str(path)


@pytest.fixture
def session(qtbot, preferences, flight, vehicle_path):
    """The flight open with its vehicle file, nothing edited."""
    made = Session(preferences, lambda: ("tilt",), DrawnEstimates())
    try:
        log = flight.log
        review = Review(
            logs=(LogReference("/nowhere/flight.csv", 1, "0" * 64),),
            column_map=log.column_map,
            method="integrate",
            vehicle_path=vehicle_path,
        )
        made._take(ReadRequest(("flight.csv",), is_made=True), ReadResult(log, review, None, (), False, True))
        settle(qtbot, made)
        yield made
    finally:
        made.close()


@pytest.fixture
def panel(qtbot, session):
    kind = next(kind for kind in PANELS if kind.id == "refly")
    made = kind.build(session, Answers())
    qtbot.addWidget(made)
    session.review_changed.connect(made.show_review)
    session.snapshot_ready.connect(made.show_snapshot)
    made.show_review(session.review)
    made.resize(330, 700)
    made.show()
    return made


def correct(review):
    """What the bench did to it, taken back."""
    return edits.with_calibration_axis(edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, -0.36), "accel_bias_imu_mps2", 1, 0.26)


def fly(qtbot, panel, button=None):
    qtbot.mouseClick(button or panel.run, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: not panel.background.is_busy, timeout=60_000)
    settle(qtbot, panel.session)


def is_drawn(qtbot, session, overlay):
    """Wait until just this is drawn as the flight flown again (None: nothing is)."""
    qtbot.waitUntil(lambda: series.reflown_of(session.snapshot) is overlay, timeout=20_000)


def enter(field, text):
    field.setFocus()
    field.selectAll()
    QTest.keyClicks(field, text)
    QTest.keyClick(field, Qt.Key.Key_Return)


def test_cautions_stand_below_whatever_is_scrolled(panel):
    """The range safety officer, local codes and licensed practice, outside the part that scrolls."""
    inside = panel.findChild(QScrollArea).widget()
    caution = next(label for label in panel.findChildren(QLabel) if label.text() == CAUTION_LINE)
    assert not inside.isAncestorOf(caution)
    assert caution.isVisible()
    for words in ("range safety officer", "Local codes", "licensed practice"):
        assert words in CAUTION_LINE


def test_without_a_vehicle_it_says_what_to_do(qtbot, panel, session, vehicle_path):
    """No flight can be asked for, and the way to a vehicle file is offered."""
    session.apply(lambda review: dataclasses.replace(review, vehicle_path=None), "Vehicle file")
    assert "No vehicle file" in panel.lacking.text() and panel.lacking.isVisible()
    assert not panel.run.isEnabled() and not panel.run_ensemble.isEnabled()
    with qtbot.waitSignal(panel.command_requested) as asked:
        next(b for b in panel.findChildren(type(panel.clear)) if b.text() == "Choose…").click()
    assert asked.args == ["vehicle"]
    session.undo()
    assert not panel.lacking.isVisible() and panel.run.isEnabled()
    settle(qtbot, session)


def test_an_unguided_vehicle_has_nothing_to_refly(qtbot, panel, session, flight, tmp_path):
    """Said in words, with what would have to be stated."""
    save_vehicle(dataclasses.replace(flight.vehicle, guidance=None, gimbal=None), tmp_path / "fixed.toml")
    session.apply(lambda review: dataclasses.replace(review, vehicle_path=str(tmp_path / "fixed.toml")), "Vehicle file")
    assert "No guidance to re-fly" in panel.lacking.text()
    assert not panel.run.isEnabled()
    settle(qtbot, session)


def test_nothing_changed_flies_as_it_flew(qtbot, panel, session):
    """It says beforehand that nothing is changed; afterwards every change is zero."""
    assert "nothing is changed yet" in panel.carried.text()
    fly(qtbot, panel)
    rows = panel.difference.texts()
    assert [row[0].split()[0] for row in rows if not row[1]] == ["Burnout", "Apogee", "Touchdown"]
    assert {row[3] for row in rows if row[1]} == {"+0.00", "0.00"}
    panel.resize(330, 330)  # what the window has for it at 1280 × 800
    fly(qtbot, panel)
    qtbot.waitUntil(lambda: panel.flown_again.visibleRegion().boundingRect().height() > 150)  # not below the edge
    assert panel.difference.isColumnHidden(4)


def test_a_correction_is_flown_drawn_goes_stale_and_comes_back(qtbot, panel, session):
    """The table is the model's own differences; an edit makes it stale, by comparison with the document, and undo fresh again."""
    session.apply(correct, "By hand")
    settle(qtbot, session)
    assert "accelerometer bias x −0.36, y +0.26" in panel.carried.text()
    fly(qtbot, panel)
    wanted = differences(session.reflown.reflight)
    numbers = [row for row in panel.difference.texts() if row[1]]
    assert [row[1] for row in numbers[:2]] == [f"{wanted[0].flown:.2f}", f"{wanted[1].flown:.2f}"]
    assert wanted[0].quantity == "tilt" and wanted[0].flown > 2.0 > 0.8 > wanted[0].reflown
    is_drawn(qtbot, session, session.reflown.overlay)
    assert "The model says" in panel.state.text()
    assert "RMS of the logged commands" in panel.law.text()
    assert "12 Hz" in panel.disturbances.text()
    assert "leaves out" in panel.left_out.text()
    assert "guidance: vehicle file" in panel.assumed.text()
    session.apply(lambda review: edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, -0.1), "Bias x")
    settle(qtbot, session)
    assert panel.state.text().startswith("Out of date")
    assert not panel.difference.isEnabled()
    is_drawn(qtbot, session, None)
    session.undo()
    settle(qtbot, session)
    assert panel.state.text().startswith("The model says")
    is_drawn(qtbot, session, session.reflown.overlay)
    session.apply(lambda review: dataclasses.replace(review, is_whatif_on=False), "Show as flown")
    settle(qtbot, session)
    assert "Not drawn" in panel.state.text()
    is_drawn(qtbot, session, None)
    session.undo()
    settle(qtbot, session)
    panel.clear.click()
    settle(qtbot, session)
    is_drawn(qtbot, session, None)
    assert panel.state.text().startswith("Nothing flown")


def test_a_moment_of_the_table_moves_the_cursor(qtbot, panel, session, flight):
    """By mouse and by key, to the flown event."""
    fly(qtbot, panel)
    row = next(i for i, texts in enumerate(panel.difference.texts()) if texts[0].startswith("Apogee"))
    where = panel.difference.visualItemRect(panel.difference.item(row, 0)).center()
    with qtbot.waitSignal(panel.cursor_requested) as clicked:
        qtbot.mouseClick(panel.difference.viewport(), Qt.MouseButton.LeftButton, pos=where)
    panel.difference.setCurrentCell(row, 0)
    with qtbot.waitSignal(panel.cursor_requested) as entered:
        QTest.keyClick(panel.difference, Qt.Key.Key_Return)
    assert clicked.args == entered.args
    assert clicked.args[0] == pytest.approx(flight.truth.events.apogee_log_s, abs=0.3)


def test_settings_are_edits_of_the_review(qtbot, panel, session):
    """Typed, undone, emptied back to the default; a number that can't be meant is refused."""
    enter(panel.fields["bandwidth_hz"], "8")
    assert session.review.refly == ReflySettings(bandwidth_hz=8.0)
    enter(panel.fields["n_members"], "24")
    enter(panel.fields["seed"], "3")
    assert session.review.refly == ReflySettings(8.0, 24, 3)
    assert isinstance(session.review.refly.n_members, int)
    enter(panel.fields["n_members"], "1")
    assert session.review.refly.n_members == 24
    session.undo()
    session.undo()
    assert session.review.refly == ReflySettings(bandwidth_hz=8.0)
    panel.fields["bandwidth_hz"].setFocus()
    panel.fields["bandwidth_hz"].selectAll()
    QTest.keyClick(panel.fields["bandwidth_hz"], Qt.Key.Key_Delete)
    QTest.keyClick(panel.fields["bandwidth_hz"], Qt.Key.Key_Return)
    assert session.review.refly == ReflySettings()
    settle(qtbot, session)


def test_an_ensemble_gives_deviations_and_bands(qtbot, panel, session):
    """Its deviations are in the table and on what is drawn; another seed makes it stale but not the re-flight."""
    session.apply(lambda review: edits.with_refly(correct(review), n_members=12), "By hand")
    settle(qtbot, session)
    fly(qtbot, panel, panel.run_ensemble)
    reflown = session.reflown
    assert reflown.run.ensemble.n_members == 12
    assert not panel.difference.isColumnHidden(4)
    sd = {(row.moment, row.quantity): row.sd for row in differences(reflown.reflight, reflown.run.ensemble)}
    east = next(row for row in panel.difference.texts() if row[0] == "east, m")
    assert east[4] == f"{sd['burnout', 'east']:.2f}" and sd["burnout", "east"] > 0.0
    assert panel.bands.isVisibleTo(panel) and panel.bands.texts()[0][0] == "tilt at burnout, deg"
    assert "sensors' priors (data-sheet size" in panel.ensemble_state.text()
    is_drawn(qtbot, session, reflown.run.overlay)
    assert reflown.run.overlay.tilt_sd_rad.max() > 0.0
    enter(panel.fields["seed"], "1")
    settle(qtbot, session)
    assert "out of date" in panel.ensemble_state.text()
    assert panel.state.text().startswith("The model says")
    is_drawn(qtbot, session, reflown.overlay)
    session.undo()
    settle(qtbot, session)
    is_drawn(qtbot, session, reflown.run.overlay)


def test_stopping_keeps_what_was_flown_last(qtbot, panel, session):
    """While it runs there are progress and a way to stop; nothing of a stopped run arrives."""
    fly(qtbot, panel)
    before, begun = session.reflown, threading.Event()

    def wait(_request, progress, cancel):
        progress(0.5, "6 of 12 members flown")
        begun.set()
        assert cancel.wait(20.0)
        return before

    panel.background._work = wait
    qtbot.mouseClick(panel.run, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: begun.is_set() and panel.progress.value() == 500)
    assert panel.progress.isVisible() and panel.doing.text() == "6 of 12 members flown"
    assert panel.stop.isVisible() and not panel.run.isEnabled()
    qtbot.mouseClick(panel.stop, Qt.MouseButton.LeftButton)
    assert not panel.progress.isVisible() and not panel.stop.isVisible() and panel.run.isEnabled()
    assert session.reflown is before


def test_a_failure_is_said_beside_the_last_good_result(qtbot, panel, session):
    """And goes with the next good one."""
    fly(qtbot, panel)
    before, work = session.reflown, panel.background._work

    def fail(_request, _progress, _cancel):
        raise CannotEstimate("re-fly", "the record shows no liftoff and apogee")

    panel.background._work = fail
    fly(qtbot, panel)
    assert "no liftoff" in panel.failure.text() and panel.failure.isVisible()
    assert session.reflown is before and panel.difference.rowCount() > 0
    panel.background._work = work
    fly(qtbot, panel)
    assert not panel.failure.isVisible()


def test_what_reconcile_found_is_what_the_ensemble_draws_from(session):
    """Where it gave just the what-if; a what-if moved by hand since goes back to the priors, and the ensemble is another one."""
    from replay.review.whatif_work import ensemble_from, spread_of

    session.apply(correct, "By hand")
    corrected = session.review.corrected
    posterior = Posterior.of_sd(corrected, {"accel_bias_imu_mps2": (0.03, 0.03, 0.05)})
    found = dataclasses.replace(
        Reconciliation(**dict.fromkeys(f.name for f in dataclasses.fields(Reconciliation))), calibration=corrected, posterior=posterior
    )
    session.set_reconciliation(found, session.review)
    assert spread_of(session.review, session.reconciliation).posterior is posterior
    before = ensemble_from(session.review, session.reconciliation)
    assert before != ensemble_from(session.review, None)
    session.apply(lambda review: edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, -0.1), "Bias x")
    spread = spread_of(session.review, session.reconciliation)
    assert "not reconciled" in spread.source
    assert spread.posterior.calibration == session.review.corrected
    assert dict(zip(spread.posterior.components, spread.posterior.covariance.diagonal(), strict=True))["accel_bias_imu_mps2", 0] == 0.4**2


def test_closing_ends_a_running_ensemble(qtbot, panel, session):
    """However many members are left; that no thread stays behind is every desktop test's own condition."""
    session.apply(lambda review: edits.with_refly(correct(review), n_members=5_000), "By hand")
    settle(qtbot, session)
    qtbot.mouseClick(panel.run_ensemble, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: "of 5000 members flown" in panel.doing.text(), timeout=60_000)
    session.close()
    assert not panel.background.is_busy
