"""The whole window, with real widgets: open, drag, scrub, undo, break, close."""

import dataclasses
import threading
from pathlib import Path

import numpy as np
import pytest
from desktop_helpers import Answers, settle, take_drawn
from PySide6.QtCore import QMimeData, QPoint, QPointF, QRect, Qt, QUrl
from PySide6.QtGui import QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QLabel, QPushButton

from replay.desktop import layout, panels, sample_flights
from replay.desktop.column_map_dialog import ColumnMapDialog
from replay.desktop.help_texts import TextWindow
from replay.desktop.marks_key import MarksKey
from replay.desktop.window import MainWindow
from replay.errors import CannotEstimate
from replay.review.log_reference import reference_to
from replay.review.playback import SPEEDS
from replay.review.recovery import RecoveryCopy
from replay.review.review import Note, Review
from replay.review.storage import load_review

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "crooked_bench" / "flight.csv"


def _drag(window, field, axis, by_px, steps=8):
    """Drag a calibration slider's handle as a hand does."""
    track = window.panels["estimator"].rows[field, axis].slider.track
    y = track.height() // 2
    x = round(track._x_of(track.sliderPosition()))
    QTest.mousePress(track, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(x, y))
    for i in range(1, steps + 1):
        QTest.mouseMove(track, QPoint(x + by_px * i // steps, y))
    QTest.mouseRelease(track, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(x + by_px, y))


# --- the real thing, end to end ----------------------------------------------------------------------------------------------------


def test_the_first_start_opens_the_sample_flight_and_a_dragged_bias_moves_the_pad_lean(qtbot, preferences):
    """Nothing stands in: log, estimator and views are the real ones. Dragging the biases to the true ones, which the sample's own
    file states (x −0.36, y +0.26 m/s²), brings the pad lean from 3.55° to the 1.5° towards 40° that the rail really had."""
    window = MainWindow(preferences, Answers(save_changes="discard"))
    qtbot.addWidget(window)
    window.resize(1280, 800)
    window.show()
    window.go_on([])
    settle(qtbot, window.session, timeout=120_000)
    assert window.bar.text == sample_flights.HINTS["crooked_bench"]
    assert window.session.vehicle.name == "Wren 3"
    assert not window.isWindowModified()
    assert preferences.recent == []
    before = window.session.snapshot.as_flown
    _drag(window, "accel_bias_imu_mps2", 0, -25)
    settle(qtbot, window.session)
    dragged = window.session.snapshot
    assert dragged.what_if is not None
    assert window.session.history.undo_text == "Accelerometer bias x"
    assert abs(dragged.what_if.levelling.q_enu_from_body - before.levelling.q_enu_from_body).max() > 1e-4
    row = window.panels["estimator"].rows
    for axis, value in ((0, "-0.36"), (1, "0.26")):
        entry = row["accel_bias_imu_mps2", axis].slider.entry
        entry.setFocus()
        entry.selectAll()
        QTest.keyClicks(entry, value)
        QTest.keyClick(entry, Qt.Key.Key_Return)
    settle(qtbot, window.session)
    assert "leans 3.5" in window.panels["estimator"].pad.text()
    tilt_deg, azimuth_deg = _lean_deg(window.session.snapshot.what_if)
    assert tilt_deg == pytest.approx(1.5, abs=0.1)
    assert azimuth_deg == pytest.approx(40.0, abs=4.0)
    for _ in range(3):
        window.actions["undo"].trigger()
    settle(qtbot, window.session)
    assert window.session.review.what_if is None
    assert window.session.snapshot.what_if is None
    window.close()


def _lean_deg(solution):
    from replay import rotation
    from replay.units import DEG

    q = solution.levelling.q_enu_from_body
    return float(rotation.tilt(q)) / DEG, float(rotation.tilt_azimuth(q)) / DEG


# --- editing -----------------------------------------------------------------------------------------------------------------------


def test_dragging_a_slider_redraws_every_view_and_is_one_undo_step(window, qtbot, estimates):
    """Every view gets the same snapshot; undo puts slider, menu and views back."""
    shown = {id(view): [] for view in window.views}
    for view in window.views:
        _spy(view, "show_snapshot", shown[id(view)])
    _drag(window, "accel_bias_imu_mps2", 0, 30)
    settle(qtbot, window.session)
    assert all(calls and calls[-1] is window.session.snapshot for calls in shown.values())
    assert window.isWindowModified()
    assert window.actions["undo"].text() == "&Undo Accelerometer bias x"
    slider = window.panels["estimator"].rows["accel_bias_imu_mps2", 0].slider
    assert slider.value > 0
    QTest.keySequence(window, "Ctrl+Z")
    settle(qtbot, window.session)
    assert slider.value == 0.0
    assert not window.isWindowModified()
    QTest.keySequence(window, "Ctrl+Y")
    assert slider.value > 0


def _spy(view, name, calls):
    original = getattr(view, name)

    def spied(argument):
        calls.append(argument)
        original(argument)

    setattr(view, name, spied)


def test_the_whatif_toggle_shows_and_hides(window, qtbot):
    """By key, by button and by undo; hiding forgets nothing."""
    _drag(window, "accel_bias_imu_mps2", 1, 30)
    settle(qtbot, window.session)
    assert window.session.snapshot.what_if is not None
    QTest.keySequence(window, "W")
    settle(qtbot, window.session)
    assert window.session.snapshot.what_if is None
    assert window.session.review.what_if is not None
    assert window.panels["estimator"].show_as_flown.isChecked()
    window.panels["estimator"].show_whatif.click()
    settle(qtbot, window.session)
    assert window.session.snapshot.what_if is not None
    assert window.actions["whatif"].isChecked()


def test_a_failed_estimate_is_said_and_the_picture_stays(window, qtbot, estimates):
    """In the panel and the status line, no dialog; the next good one clears both."""
    estimates.error = CannotEstimate("smoother", "too little of it")
    _drag(window, "gyro_bias_imu_radps", 0, 20)
    qtbot.waitUntil(lambda: window.session.snapshot.error is not None)
    assert "too little of it" in window.panels["estimator"].failure.text()
    assert window.panels["estimator"].failure.isVisible()
    assert "too little of it" in window.status.error.text()
    assert "last good result" in window.status.state.text()
    estimates.error = None
    QTest.keySequence(window, "Ctrl+Z")
    settle(qtbot, window.session)
    assert not window.panels["estimator"].failure.isVisible()
    assert window.status.error.text() == ""
    assert "up to date" in window.status.state.text()


def test_events_moved_on_the_timeline_are_edits(window, qtbot):
    """Undoable, marked, and given back by the menu."""
    window.timeline.event_moved.emit("burnout", 8.0)
    assert window.session.review.moved_events == {"burnout_log_s": 8.0}
    assert window.actions["release_events"].isEnabled()
    window.actions["release_events"].trigger()
    assert window.session.review.moved_events == {}
    window.actions["undo"].trigger()
    assert window.session.review.moved_events == {"burnout_log_s": 8.0}


def test_the_trace_arrangement_is_part_of_the_document(window, qtbot):
    """Adding a pane is an edit; undo takes it away again on screen."""
    n = len(window.traces.panes)
    window.traces.add_pane(["roll"])
    window.traces.add_pane(["pitch"])
    assert len(window.session.review.trace_arrangement["panes"]) == n + 2
    window.actions["undo"].trigger()
    assert len(window.traces.panes) == n + 1
    window.actions["undo"].trigger()
    assert len(window.traces.panes) == n


def test_bookmarks_toggle_at_the_cursor(window):
    """B sets one, B there again takes it away; jumps stop at it."""
    window.player.seek(6.3)
    QTest.keySequence(window, "B")
    assert [b.log_time_s for b in window.session.review.bookmarks] == [6.3]
    window.player.seek(5.0)
    QTest.keySequence(window, "Ctrl+Right")
    assert window.player.playback.log_time_s == 6.3
    QTest.keySequence(window, "B")
    assert window.session.review.bookmarks == ()


# --- the cursor --------------------------------------------------------------------------------------------------------------------


def test_scrubbing_the_timeline_moves_every_view_and_estimates_nothing(window, qtbot, estimates):
    """A drag along the timeline with a real pointer."""
    moved = {id(view): [] for view in window.views}
    for view in window.views:
        _spy(view, "move_cursor", moved[id(view)])
    n = len(estimates.requests)
    y = window.timeline.height() // 2
    start, stop = (round(window.timeline.x_px(t)) for t in (10.0, 20.0))
    QTest.mousePress(window.timeline, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(start, y))
    for x in (*range(start, stop, 10), stop):
        QTest.mouseMove(window.timeline, QPoint(x, y))
    QTest.mouseRelease(window.timeline, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(stop, y))
    at = window.player.playback.log_time_s
    assert at == pytest.approx(20.0, abs=0.2)
    assert all(calls[-1] == at for calls in moved.values())
    assert len(estimates.requests) == n
    assert "T+" in window.transport._time.text()


def test_playing_runs_at_the_chosen_rate_and_stops_at_the_end(window, qtbot):
    """At ten times, the last second takes a tenth; then it stands."""
    window.transport.speed.setCurrentIndex(SPEEDS.index(10.0))
    window.transport.speed.activated.emit(SPEEDS.index(10.0))
    stop = window.player.playback.stop_log_s
    window.player.seek(stop - 1.0)
    QTest.keySequence(window, "Space")
    assert window.player.playback.is_playing
    qtbot.waitUntil(lambda: not window.player.playback.is_playing, timeout=10_000)
    assert window.player.playback.log_time_s == stop


def test_a_span_is_looped(window):
    """Set with Shift+Home and Shift+End at the cursor, shown on the timeline, kept while looping, cleared with Escape."""
    window.player.seek(5.0)
    QTest.keySequence(window, "Shift+Home")
    window.player.seek(7.0)
    QTest.keySequence(window, "Shift+End")
    assert window.player.playback.span_log_s == (5.0, 7.0)
    assert window.timeline.span_log_s == (5.0, 7.0)
    QTest.keySequence(window, "Shift+Space")
    assert window.actions["loop"].isChecked()
    window.player.on_play()
    playback = window.player.playback.advanced(1.5)
    assert playback.is_playing
    assert 5.0 <= playback.log_time_s < 7.0
    window.player.stop()
    QTest.keySequence(window, "Esc")
    assert window.timeline.span_log_s is None


def test_cameras_and_windows_answer_to_keys(window, qtbot):
    """Camera, orbit and zoom of Attitude; whole flight and around the cursor of Traces."""
    QTest.keySequence(window, "4")
    assert window.attitude.camera == "top"
    QTest.keySequence(window, "1")
    assert window.attitude.camera == "chase"
    before = window.attitude.canvas.viewpoint
    QTest.keySequence(window, "Ctrl+Shift+Left")
    QTest.keySequence(window, "+")
    assert window.attitude.canvas.viewpoint != before
    window.player.seek(9.0)
    QTest.keySequence(window, "Z")
    assert window.traces.window_log_s == pytest.approx((8.0, 10.0))
    QTest.keySequence(window, "F")
    assert window.traces.window_log_s == pytest.approx((0.0, window.player.playback.stop_log_s), abs=0.2)


# --- opening and failing -----------------------------------------------------------------------------------------------------------


def test_a_broken_file_is_said_in_the_window(window, qtbot, tmp_path):
    """With the file's name and what was expected, in the message bar and the status line; the flight before stays."""
    path = tmp_path / "broken.csv"
    path.write_text("no table\n")
    before = window.session.log
    with qtbot.waitSignal(window.session.failed, timeout=20_000):
        window.files.open_paths([str(path)])
    assert "broken.csv" in window.bar.text
    assert "expected" in window.bar.text
    assert "broken.csv" in window.status.error.toolTip()
    assert window.session.log is before
    assert not window.status.progress.isVisible()


def test_a_log_that_can_t_be_estimated_is_not_shown_with_the_flight_before(window, qtbot, estimates):
    """Opened over another: every view is empty, the reason is said with what to do next, and no number of the old flight is left."""
    estimates.error = CannotEstimate("attitude", "the log has no gyro channel")
    take_drawn(window.session, estimates)
    qtbot.waitUntil(lambda: window.bar.tone == "error", timeout=20_000)
    qtbot.waitUntil(lambda: not window.session._recomputer.is_busy)
    QApplication.processEvents()
    assert window.session.snapshot is None
    assert window.attitude.canvas.picture() is None
    assert "Ctrl+M" in window.attitude.canvas._waiting
    assert window.readout.model.lines == ()
    assert window.timeline.event_names() == ()
    assert window.plumb_circle.face._pointings == ()
    assert all(pane.lines() == [] for pane in window.traces.panes)
    assert window.panels["estimator"].run.text() == ""
    assert "T" not in window.transport._time.text()
    assert [b.text() for b in window.bar.findChildren(QPushButton) if b.isVisible()] == ["Column map…", "What was read"]
    for command in ("sample_on", "frame_on", "event_on", "around_cursor", "whole_flight", "measure", "phases", "traces"):
        window.actions[command].trigger()  # nothing to do, and nothing breaks
    window.player.seek(2.0)
    window.grab()
    estimates.error = None
    window.panels["estimator"].method.activated.emit(0)
    settle(qtbot, window.session)
    assert window.readout.model.lines and window.timeline.event_names()


def test_diagnostics_are_one_key_and_one_click_away_and_undone_in_one_step(window, qtbot, estimates):
    """By the button under the gates and by its key; a method that has none is told from one that was not asked."""
    time_s = np.arange(0.0, 30.0, 0.1)
    found = {"barometer innovation (sigmas)": (time_s, np.ones(len(time_s)))}
    QTest.keySequence(window, "Shift+T")
    assert "kalman or smoother" in window.bar.text
    estimates.base = dataclasses.replace(estimates.base, as_flown=dataclasses.replace(estimates.base.as_flown, diagnostics=found))
    window.session.refresh_traces()
    qtbot.waitUntil(lambda: window.session.snapshot.as_flown.diagnostics == found)
    before = [pane.keys for pane in window.traces.panes]
    window.panels["estimator"].diagnostics.click()
    assert [pane.keys for pane in window.traces.panes] == [*before, ("diagnostic:barometer innovation (sigmas)",)]
    qtbot.waitUntil(lambda: not window.traces.panes[-1].visibleRegion().isEmpty())
    QTest.keySequence(window, "Ctrl+Z")
    assert [pane.keys for pane in window.traces.panes] == before
    QTest.keySequence(window, "Ctrl+Y")
    QTest.keySequence(window, "Shift+T")
    assert [pane.keys for pane in window.traces.panes] == before


def test_a_long_estimate_shows_how_far_it_is_and_is_stopped_by_button_and_key(window, qtbot, estimates):
    """The button comes when it has taken a while; stopped, it asks for the estimate again, and panel and status line say so."""
    status, panel = window.status, window.panels["estimator"]
    status._patience.setInterval(10)
    estimates.gate = threading.Semaphore(0)
    panel.method.activated.emit(0)
    qtbot.waitUntil(status.estimate.isVisible)
    window.session.progressed.emit(0.4)
    assert status.estimate.text() == "Stop estimating" and "estimating… 40%" in status.state.text()
    assert panel.run.text().endswith("integrate follows…")
    status.estimate.click()
    assert status.estimate.isVisible() and status.estimate.text() == "Estimate again"
    assert "stopped" in status.state.text() and panel.run.text().endswith("integrate was stopped")
    estimates.gate.release(50)
    QTest.keySequence(window, "Ctrl+E")
    settle(qtbot, window.session)
    qtbot.waitUntil(lambda: not status.estimate.isVisible())
    assert status.state.text().endswith("up to date") and "stopped" not in panel.run.text()


def test_the_marks_are_explained_beside_the_timeline_at_the_first_size_of_the_window(window):
    """Gate, refusal and gap each with its sign; away where there is no room, never cut off."""
    key = window.transport.findChild(MarksKey)
    words = [label for label in key.findChildren(QLabel) if label.text()]
    assert [label.text() for label in words] == ["gravity used", "measurement rejected", "gap in the log"]
    assert all(label.isVisible() and label.width() >= label.sizeHint().width() for label in words)
    key.resize(120, key.height())
    assert not any(label.isVisible() for label in words)


def test_an_error_in_a_cell_is_said_with_row_and_column(window):
    """As `LogReadError` carries them; the column map is one button away."""
    from replay.errors import LogReadError

    window.session.failed.emit(LogReadError("flight.csv", 10412, "gyro_x", "rad/s below 100", "57295.8 (degrees?)"))
    assert window.bar.text == "flight.csv, row 10412, column 'gyro_x': expected rad/s below 100, got 57295.8 (degrees?)"
    assert [b.text() for b in window.bar.findChildren(QPushButton) if b.isVisible()] == ["Column map…"]


def test_a_file_dropped_on_the_window_is_opened(window, qtbot):
    """The sample log, dropped with a pointer."""
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(SAMPLE))])
    event = QDropEvent(QPointF(300, 300), Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
    with qtbot.waitSignal(window.session.opened, timeout=60_000):
        window.dropEvent(event)
    assert Path(window.session.log.paths[0]).name == "flight.csv"
    assert window.player.playback.stop_log_s == window.session.log.duration_s
    window.files._map_dialog.reject()


def test_a_logger_not_seen_before_brings_up_the_column_map_once(window, qtbot):
    """It is shown over the flight as read, remembered when agreed to, and not shown again."""
    with qtbot.waitSignal(window.session.opened, timeout=60_000):
        window.files.open_paths([str(SAMPLE)])
    dialog = window.files._map_dialog
    assert isinstance(dialog, ColumnMapDialog)
    assert dialog.isVisible()
    assert window.session.log is not None
    dialog.ok.click()
    with qtbot.waitSignal(window.session.opened, timeout=60_000):
        window.files.open_paths([str(SAMPLE)])
    assert window.files._map_dialog is None


def test_a_long_read_shows_how_far_it_is_and_can_be_stopped(window, qtbot, monkeypatch, tmp_path):
    """The read is held half-way: bar and button are there; the button ends it and what was open stays."""
    from replay.errors import Cancelled

    held, go = threading.Event(), threading.Event()

    def slow(request, preferences, progress, cancel):
        progress(0.5, "long.csv: lines")
        held.set()
        assert go.wait(10)
        raise Cancelled

    monkeypatch.setattr("replay.desktop.log_reader.read", slow)
    before = window.session.log
    window.files.open_paths([str(tmp_path / "long.csv")])
    assert held.wait(10)
    qtbot.waitUntil(lambda: window.status.progress.value() == 500)
    assert window.status.progress.isVisible()
    window.status.stop.click()
    go.set()
    qtbot.waitUntil(lambda: not window.status.progress.isVisible())
    assert window.session.log is before


def test_unsaved_changes_are_asked_about_and_cancel_keeps_the_flight(window, qtbot):
    """On opening another and on closing; "cancel" changes nothing."""
    _drag(window, "accel_bias_imu_mps2", 0, 30)
    settle(qtbot, window.session)
    window.files.asking.given["save_changes"] = "cancel"
    assert not window.close()
    window.files.open_paths([str(SAMPLE)])
    assert window.files.asking.asked == ["save_changes", "save_changes"]
    assert window.session.review.what_if is not None
    window.files.asking.given["save_changes"] = "discard"


def test_save_as_writes_the_review_and_clears_the_mark(window, qtbot, tmp_path):
    """The title takes the review's name."""
    _drag(window, "accel_bias_imu_mps2", 0, 30)
    path = str(tmp_path / "wren.review.json")
    window.files.asking.given["save_path"] = path
    assert window.isWindowModified()
    QTest.keySequence(window, "Ctrl+S")
    assert not window.isWindowModified()
    assert window.windowTitle().startswith("wren.review.json")
    assert load_review(path).what_if == window.session.review.what_if
    window.session.apply(lambda review: dataclasses.replace(review, notes=(Note("later"),)), "Note")
    QTest.keySequence(window, "Ctrl+S")
    assert load_review(path).notes == (Note("later"),)
    assert window.files.asking.asked == ["save_path"]


def test_the_whatif_is_saved_as_a_calibration_file(window, qtbot, tmp_path):
    """And the bar says where a calibration is proven."""
    from replay.sensors.calibration import load_calibration

    _drag(window, "gyro_bias_imu_radps", 2, 25)
    window.files.asking.given["save_path"] = str(tmp_path / "c.toml")
    window.actions["export_whatif"].trigger()
    assert load_calibration(tmp_path / "c.toml") == window.session.review.what_if
    assert "proven on the bench" in window.bar.text


def test_as_flown_and_vehicle_files_are_chosen_and_bad_ones_refused(window, tmp_path):
    """A wrong key is said with the nearest right one; nothing changes."""
    good, bad = tmp_path / "good.toml", tmp_path / "bad.toml"
    good.write_text("format = 1\n[accelerometer]\nbias_mps2 = [0.1, 0.0, 0.0]\n")
    bad.write_text("format = 1\n[accelerometer]\nbais_mps2 = [0.1, 0.0, 0.0]\n")
    window.files.asking.given["open_path"] = str(good)
    window.actions["as_flown"].trigger()
    assert window.session.review.as_flown.accel_bias_imu_mps2 == (0.1, 0.0, 0.0)
    window.files.asking.given["open_path"] = str(bad)
    window.actions["as_flown"].trigger()
    assert "bias_mps2" in window.bar.text
    assert window.session.review.as_flown.accel_bias_imu_mps2 == (0.1, 0.0, 0.0)
    window.actions["vehicle"].trigger()
    assert "bad.toml" in window.bar.text


def test_work_left_by_a_crash_is_offered_and_restored(qtbot, preferences, estimates):
    """At a start with nothing named; restored it counts as unsaved, and the old copy goes once ours is written."""
    log = reference_to(SAMPLE)
    RecoveryCopy(preferences.folders.recovery).write(Review(logs=(log,), notes=(Note("cut off"),), method="integrate"), None)
    window = MainWindow(preferences, Answers(save_changes="discard"), estimates)
    qtbot.addWidget(window)
    window.show()
    window.open_first([])
    assert "was cut off" in window.bar.text
    restore = next(b for b in window.bar.findChildren(QPushButton) if b.text() == "Restore")
    with qtbot.waitSignal(window.session.opened, timeout=60_000):
        restore.click()
    assert window.session.review.notes == (Note("cut off"),)
    assert window.isWindowModified()
    assert [f.name for f in preferences.folders.recovery.glob("*.recovery.json")] == [window.session.recovery_file.name]
    window.close()
    assert list(preferences.folders.recovery.glob("*.recovery.json")) == []


def test_the_work_of_a_window_that_lives_is_not_offered(qtbot, preferences, estimates, window):
    """Two windows at once: the second one leaves the first one's copy alone."""
    _drag(window, "accel_bias_imu_mps2", 0, 30)
    window.session.write_recovery()
    assert window.files.offer_recovered() is False
    other = MainWindow(preferences, Answers(save_changes="discard"), estimates)
    qtbot.addWidget(other)
    assert other.files.offer_recovered() is False
    other.close()


def test_closing_while_the_estimator_is_busy_ends_all(window, qtbot, estimates):
    """The window goes at once; the fixture checks that no thread outlives it."""
    estimates.gate = threading.Semaphore(0)
    _drag(window, "accel_bias_imu_mps2", 0, 30)
    threading.Timer(0.2, lambda: estimates.gate.release(10)).start()
    assert window.close()
    assert not window.isVisible()


# --- layout and help ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "screens", "expected"),
    [
        (QRect(100, 100, 1280, 800), [QRect(0, 0, 1920, 1080)], QRect(100, 100, 1280, 800)),
        (QRect(3000, 200, 1280, 800), [QRect(0, 0, 1920, 1080)], QRect(640, 200, 1280, 800)),
        (QRect(-500, -300, 1280, 800), [QRect(0, 0, 1920, 1080)], QRect(0, 0, 1280, 800)),
        (QRect(0, 0, 4000, 3000), [QRect(0, 0, 1366, 768)], QRect(0, 0, 1366, 768)),
        (QRect(2000, 100, 800, 600), [QRect(0, 0, 1920, 1080), QRect(1920, 0, 1920, 1080)], QRect(2000, 100, 800, 600)),
        (QRect(5, 5, 100, 100), [], QRect(5, 5, 100, 100)),
    ],
)
def test_a_window_is_brought_back_onto_a_screen_there_is(wanted, screens, expected):
    """A screen that was unplugged, or a smaller one."""
    assert layout.on_screen(wanted, screens) == expected


def test_splitters_are_remembered_and_reset(qtbot, preferences, estimates):
    """The next window stands as the last was left; resetting forgets it."""
    first = MainWindow(preferences, Answers(), estimates)
    qtbot.addWidget(first)
    first.resize(1280, 800)
    first.show()
    first.frame.across.setSizes([360, 540, 360])
    left = first.frame.across.sizes()
    first.close()
    second = MainWindow(preferences, Answers(), estimates)
    qtbot.addWidget(second)
    second.resize(1280, 800)
    second.show()
    assert second.frame.across.sizes() == pytest.approx(left, abs=3)
    second.actions["reset_layout"].trigger()
    assert second.frame.across.sizes() != pytest.approx(left, abs=3)
    assert preferences.layout("across") is None
    second.close()


def test_the_cautions_are_one_click_away(window, qtbot):
    """The button in the status line is always there, and so is the menu entry."""
    assert window.status.cautions.isVisible()
    QTest.mouseClick(window.status.cautions, Qt.MouseButton.LeftButton)
    (text,) = window.findChildren(TextWindow)
    assert "range safety officer" in text.text.toPlainText()
    assert "motor out" in text.text.toPlainText()
    text.close()


def test_no_calibration_can_be_entered_for_no_flight(qtbot, preferences, window):
    """Before anything is open the estimator's controls are grey, not deaf; with a flight they answer."""
    bare = MainWindow(preferences, Answers(save_changes="discard"))
    qtbot.addWidget(bare)
    bare.show()
    row = bare.panels["estimator"].rows["accel_bias_imu_mps2", 0]
    assert not row.slider.entry.isEnabled() and not row.slider.track.isEnabled()
    assert window.panels["estimator"].rows["accel_bias_imu_mps2", 0].slider.entry.isEnabled()


def test_keys_about_and_audit_can_be_read(window):
    """Windows beside the work, not in its way."""
    for name, expected in (("keys", "Ctrl+Z"), ("about", "LGPL"), ("audit", "rate"), ("audit", "\nmount: ")):
        window.actions[name].trigger()
        text = window.findChildren(TextWindow)[-1]
        assert not text.isModal()
        assert expected in text.text.toPlainText()
        text.close()


def test_recent_and_sample_menus_fill_when_opened(window, qtbot, preferences):
    """What was opened; every sample flight; a file that is gone is greyed."""
    preferences.add_recent([str(SAMPLE)])
    preferences.add_recent(["/gone/other.csv"])
    window.submenus["recent"].aboutToShow.emit()
    entries = {a.text(): a.isEnabled() for a in window.submenus["recent"].actions() if a.text()}
    assert entries == {"other.csv": False, "flight.csv": True, "Forget These": True}
    window.submenus["samples"].aboutToShow.emit()
    assert len(window.submenus["samples"].actions()) == len(sample_flights.names())
    assert set(sample_flights.HINTS) == set(sample_flights.names())
    window.submenus["phases"].aboutToShow.emit()
    assert [a.text() for a in window.submenus["phases"].actions()] == ["Pad", "Boost", "Coast", "Descent", "Landed"]


def test_another_panel_is_one_row(qtbot, preferences, estimates, monkeypatch):
    """A row in the table is a tab with a view that gets everything; with one panel there are no tabs."""
    from PySide6.QtWidgets import QLabel

    class Extra(QLabel):
        def __init__(self):
            super().__init__()
            self.got = []

        def show_review(self, review):
            self.got.append("review")

        def show_snapshot(self, snapshot):
            self.got.append("snapshot")

        def move_cursor(self, log_time_s):
            self.got.append("cursor")

        def forget_flight(self):
            self.got.append("forget")

    rows = (*panels.PANELS, panels.PanelKind("extra", "Extra", lambda session, asking: Extra()))
    monkeypatch.setattr("replay.desktop.window.PANELS", rows)
    window = MainWindow(preferences, Answers(), estimates)
    qtbot.addWidget(window)
    window.show()
    from desktop_helpers import take_drawn

    take_drawn(window.session, estimates)
    settle(qtbot, window.session)
    window.player.seek(3.0)
    assert set(window.panels["extra"].got) == {"review", "snapshot", "cursor", "forget"}
    assert window.tabs.tabBar().isVisible()
    window.close()


def test_a_result_that_comes_before_the_plots_is_drawn_when_they_come(qtbot, preferences, estimates):
    """The log can be faster than the plotting library."""
    from desktop_helpers import take_drawn

    window = MainWindow(preferences, Answers(), estimates)
    qtbot.addWidget(window)
    window.show()
    take_drawn(window.session, estimates)
    settle(qtbot, window.session)
    window.build_plots()
    assert window.traces.window_log_s is not None
    window.close()


def test_a_vehicle_file_that_is_gone_is_said_and_the_flight_opens_all_the_same(window, qtbot, tmp_path):
    """A review handed on without its vehicle file."""
    path = tmp_path / "wren.review.json"
    from replay.review.storage import save_review

    save_review(Review(logs=(reference_to(SAMPLE),), vehicle_path=str(tmp_path / "gone.toml"), method="integrate"), path)
    with qtbot.waitSignal(window.session.opened, timeout=60_000):
        window.files.open_paths([str(path)])
    assert "gone.toml" in window.bar.text
    assert window.bar.tone == "error"
    assert window.session.vehicle is None
    settle(qtbot, window.session)
    assert "out of date" not in window.status.state.text()


def test_panels_are_turned_by_key(qtbot, window):
    """Ctrl+Tab goes round the panels from wherever the focus is, and Tab leads on into the one shown."""
    window.activateWindow()
    count = window.tabs.count()
    assert count == len(panels.PANELS) > 1
    window.attitude.canvas.setFocus()
    shown = []
    for _ in range(count):
        QTest.keySequence(window, "Ctrl+Tab")
        shown.append(window.tabs.currentIndex())
    assert shown == [*range(1, count), 0]
    QTest.keySequence(window, "Ctrl+Shift+Tab")
    assert window.tabs.currentIndex() == count - 1
    assert window.tabs.tabBar().hasFocus()
    QTest.keyClick(window.tabs.tabBar(), Qt.Key.Key_Tab)
    assert window.tabs.currentWidget().isAncestorOf(QApplication.focusWidget())
