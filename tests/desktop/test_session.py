"""The session: document, estimator and reader joined, with the worker held where a test looks at it."""

import dataclasses
import threading
from pathlib import Path

import pytest
from desktop_helpers import settle, take_drawn

from replay.desktop.session import Session
from replay.errors import CannotEstimate, LogReadError, SettingsError
from replay.flightlog.columnmap import ColumnMap
from replay.review import edits
from replay.review.log_reference import reference_to
from replay.review.recovery import left_behind
from replay.review.review import Bookmark, Note, Review
from replay.review.storage import load_review, save_review

LOG = "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n" + "".join(
    f"{i / 100:.2f},0.01,0.0,{1.0 if i < 300 else 3.0:.2f},0.1,{0.1 * (i % 3):.1f},0.0\n" for i in range(600)
)


@pytest.fixture
def session(qtbot, preferences, estimates):
    """On the drawn flight, settled."""
    made = Session(preferences, estimating=estimates)
    try:
        take_drawn(made, estimates)
        settle(qtbot, made)
        estimates.requests.clear()
        while estimates.started.acquire(blocking=False):
            pass
        yield made
    finally:
        if estimates.gate is not None:
            estimates.gate.release(100)
        made.close()


@pytest.fixture
def log_file(tmp_path):
    """A small log in g and deg/s."""
    path = tmp_path / "wren.csv"
    path.write_text(LOG, encoding="utf-8")
    return path


def _bias(value):
    return lambda review: edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, value)


def _drag(session, values):
    for value in values:
        session.apply(_bias(value), "Accelerometer bias x", "accel x")


def test_a_drag_costs_at_most_one_waiting_request(qtbot, session, estimates):
    """With the worker held in the first of sixty edits, the next run is of the sixtieth, and what is drawn last is the document."""
    estimates.gate = threading.Semaphore(0)
    _drag(session, [0.01])
    assert estimates.started.acquire(timeout=10)
    _drag(session, [0.01 * i for i in range(2, 61)])
    assert session.is_stale
    estimates.gate.release(2)
    qtbot.waitUntil(lambda: not session.is_stale)
    assert [request.review.what_if.accel_bias_imu_mps2[0] for request in estimates.requests] == pytest.approx([0.01, 0.60])
    assert session.snapshot.revision == session.history.revision


def test_letting_go_settles_to_the_chosen_method(qtbot, session, estimates):
    """The drag is previewed; the release asks once more, not previewed; the whole drag is one undo step."""
    _drag(session, [0.1, 0.2, 0.3])
    settle(qtbot, session)
    assert session.snapshot.is_preview
    session.end_edit()
    qtbot.waitUntil(lambda: not session.snapshot.is_preview)
    assert estimates.requests[-1].is_dragging is False
    session.undo()
    settle(qtbot, session)
    assert session.review.what_if is None
    assert session.snapshot.what_if is None


def test_a_flight_opened_by_a_method_fast_enough_settles_without_an_edit(qtbot, preferences, estimates):
    """The first request asks as a drag does; a method that needs no stand-in answers it in full, and the flight still comes to rest."""

    def in_full(request, cancel):
        return dataclasses.replace(estimates(request, cancel), is_preview=False)

    made = Session(preferences, estimating=in_full)
    busy = []
    made.busy_changed.connect(busy.append)
    try:
        take_drawn(made, estimates)
        qtbot.waitUntil(lambda: busy[-1:] == [False])
        assert made.is_settled
        assert [request.is_dragging for request in estimates.requests] == [True, False]
    finally:
        made.close()


def test_a_slow_settled_run_is_not_waited_for(qtbot, session, estimates):
    """The next edit cancels it; its result is never drawn."""
    estimates.gate = threading.Semaphore(0)
    session.apply(lambda review: dataclasses.replace(review, method="kalman"), "Method")
    assert estimates.started.acquire(timeout=10)
    _drag(session, [0.2])
    drawn = []
    session.snapshot_ready.connect(lambda snapshot: drawn.append(snapshot.what_if is not None))
    estimates.gate.release(2)
    settle(qtbot, session)
    assert drawn == [True]


def test_a_long_estimate_can_be_given_up_and_asked_for_again(qtbot, session, estimates):
    """What is drawn stays and counts as out of date; nothing of the one given up comes later; the next edit estimates too."""
    drawn = session.snapshot
    estimates.gate = threading.Semaphore(0)
    session.apply(_bias(0.5), "Accelerometer bias x")
    assert estimates.started.acquire(timeout=10)
    busy = []
    session.busy_changed.connect(busy.append)
    session.stop_estimating()
    assert busy == [False] and session.is_stopped and session.is_stale and not session.is_settled
    estimates.gate.release(20)
    qtbot.waitUntil(lambda: not session._recomputer.is_busy)
    qtbot.wait(20)
    assert session.snapshot is drawn
    session.estimate_again()
    settle(qtbot, session)
    assert not session.is_stopped and session.snapshot is not drawn and session.snapshot.what_if is not None
    session.stop_estimating()  # nothing runs
    assert not session.is_stopped


def test_an_edit_of_no_consequence_to_the_estimate_runs_nothing(qtbot, session, estimates):
    """A bookmark gives the picture its new revision; nothing is estimated and nothing is stale."""
    session.apply(lambda review: edits.with_bookmark(review, Bookmark(3.0)), "Bookmark")
    assert not session.is_stale
    assert estimates.requests == []


def test_a_bookmark_set_while_the_estimator_is_busy_does_not_leave_the_picture_stale(qtbot, session, estimates):
    """The running result still fits what the estimate hangs on."""
    estimates.gate = threading.Semaphore(0)
    _drag(session, [0.2])
    assert estimates.started.acquire(timeout=10)
    session.apply(lambda review: edits.with_bookmark(review, Bookmark(3.0)), "Bookmark")
    estimates.gate.release()
    settle(qtbot, session)
    assert len(estimates.requests) == 1


def test_a_failed_estimate_is_published_beside_the_last_good_result(qtbot, session, estimates):
    """The solutions stay, the error is with them, the picture counts as stale; the next good one clears it."""
    good = session.snapshot.as_flown
    estimates.error = CannotEstimate("smoother", "too little of it")
    _drag(session, [0.2])
    qtbot.waitUntil(lambda: session.snapshot.error is not None)
    assert session.snapshot.as_flown is good
    assert session.is_stale
    estimates.error = None
    session.end_edit()
    settle(qtbot, session)
    assert session.snapshot.error is None


def test_a_programming_error_in_the_worker_is_said_too(qtbot, session, estimates, caplog):
    """It is shown and logged with its traceback, and the worker lives on."""
    estimates.error = ZeroDivisionError("a bug")
    _drag(session, [0.2])
    qtbot.waitUntil(lambda: session.snapshot.error is not None)
    assert isinstance(session.snapshot.error, ZeroDivisionError)
    assert "estimate failed" in caplog.text
    estimates.error = None
    session.end_edit()
    settle(qtbot, session)


def test_closing_while_busy_leaves_no_thread(qtbot, session, estimates):
    """The running request is told to stop, the waiting one is dropped, the threads end (the fixture checks that)."""
    estimates.gate = threading.Semaphore(0)
    _drag(session, [0.1])
    assert estimates.started.acquire(timeout=10)
    _drag(session, [0.2])
    threading.Timer(0.2, lambda: estimates.gate.release(5)).start()
    session.close()
    session.close()
    assert len(estimates.requests) == 1


# --- files -------------------------------------------------------------------------------------------------------------------------


def test_a_log_is_read_and_referred_to(qtbot, preferences, estimates, log_file):
    """Size and hash of the file, the column map as it was read, and the file among the recent ones."""
    session = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(session.opened, timeout=20_000) as opened:
        session.open([str(log_file)])
    result = opened.args[0]
    assert result.is_first_sight
    assert session.review.logs[0].size_bytes == log_file.stat().st_size
    assert session.review.column_map == session.log.column_map
    assert not session.history.is_changed
    assert preferences.recent == [(str(log_file),)]
    session.close()


@pytest.mark.parametrize(
    ("content", "name"),
    [("", "a.csv"), ("no table here\n", "a.csv"), ("a,b\n", "a.csv"), ("PAR1 cut", "a.parquet"), ("PAR1", "a.pq")],
)
def test_a_broken_file_is_one_error_and_leaves_what_was_open(qtbot, session, tmp_path, content, name):
    """The old flight stays on screen."""
    path = tmp_path / name
    path.write_text(content)
    before = session.log
    with qtbot.waitSignal(session.failed, timeout=20_000) as failed:
        session.open([str(path)])
    assert isinstance(failed.args[0], LogReadError)
    assert str(path) in str(failed.args[0])
    assert session.log is before


def test_a_file_that_changes_while_it_is_read_is_said(qtbot, session, log_file, monkeypatch):
    """A logger still writing: what was read is not what the review would refer to."""
    before = session.log

    def replaced(path, *args):
        with Path(path).open("a") as file:
            file.write("\n")
        return reference_to(path, *args)

    monkeypatch.setattr("replay.desktop.reading.reference_to", replaced)
    with qtbot.waitSignal(session.failed, timeout=20_000) as failed:
        session.open([str(log_file)])
    assert "stays as it is while it is read" in str(failed.args[0])
    assert session.log is before


def test_reading_can_be_stopped(qtbot, session, log_file, monkeypatch):
    """Held in the middle of a read: after cancel what was open stays, and no error is shown."""
    held, go = threading.Event(), threading.Event()

    def slow(request, preferences, progress, cancel):
        progress(0.5, "half")
        held.set()
        assert go.wait(10)
        from replay.errors import Cancelled

        raise Cancelled

    monkeypatch.setattr("replay.desktop.log_reader.read", slow)
    before, failures = session.log, []
    session.failed.connect(failures.append)
    with qtbot.waitSignal(session.reading, check_params_cb=lambda f, _: f < 0, timeout=20_000):
        session.open([str(log_file)])
        assert held.wait(10)
        session.cancel_reading()
        go.set()
    assert session.log is before
    assert failures == []


def test_a_review_is_saved_opened_and_finds_its_log(qtbot, preferences, estimates, log_file, tmp_path):
    """All of it comes back, nothing is marked as changed, and the columns are not asked about."""
    first = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(first.opened, timeout=20_000):
        first.open([str(log_file)])
    first.apply(_bias(0.2), "bias")
    path = str(tmp_path / "wren.review.json")
    assert first.history.is_changed
    assert first.save(path)
    assert not first.history.is_changed
    first.close()
    second = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(second.opened, timeout=20_000) as opened:
        second.open([path])
    assert second.review == first.review
    assert not second.history.is_changed
    assert not opened.args[0].is_first_sight
    assert preferences.recent[0] == (path,)
    second.close()


def test_a_review_whose_log_is_gone_asks_for_it(qtbot, preferences, estimates, log_file, tmp_path):
    """And takes the file the user finds; another file than the one of the review is said to be another."""
    path = tmp_path / "r" / "wren.review.json"
    path.parent.mkdir()

    save_review(Review(logs=(reference_to(log_file),)), path)
    moved = log_file.rename(tmp_path / "elsewhere.csv")
    session = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(session.log_wanted, timeout=20_000) as wanted:
        session.open([str(path)])
    assert [Path(p).name for p in wanted.args[0].missing] == ["wren.csv"]
    with qtbot.waitSignal(session.opened, timeout=20_000) as opened:
        session.open_with_log(wanted.args[0], [str(moved)])
    assert opened.args[0].note == ""
    assert session.history.is_changed  # the review's file still names the old place
    moved.write_text(LOG + LOG.splitlines()[-1].replace("5.99", "6.00") + "\n")
    with qtbot.waitSignal(session.opened, timeout=20_000) as opened:
        session.open_with_log(wanted.args[0], [str(moved)])
    assert "not the one the review was made of" in opened.args[0].note
    session.close()


def test_another_column_map_is_undoable(qtbot, preferences, estimates, log_file):
    """The log is read again with it, undo reads it again as before, and the edits made meanwhile stay in the history."""
    session = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(session.opened, timeout=20_000):
        session.open([str(log_file)])
    session.apply(_bias(0.2), "bias")
    guessed = session.log.column_map
    entry = next(e for e in guessed.columns if e.column == "ax_g")
    turned = guessed.with_entry(dataclasses.replace(entry, sign=-1))
    with qtbot.waitSignal(session.opened, timeout=20_000):
        session.read_again(turned)
    assert session.log["accel_raw_imu_mps2"].values[0, 0] < 0
    assert session.history.undo_text == "Column map"
    with qtbot.waitSignal(session.opened, timeout=20_000):
        session.undo()
    assert session.log["accel_raw_imu_mps2"].values[0, 0] > 0
    assert session.review.what_if is not None
    session.close()


def test_a_failed_save_is_said_and_keeps_the_mark(qtbot, session, tmp_path):
    """The document still counts as unsaved."""
    session.apply(_bias(0.2), "bias")
    with qtbot.waitSignal(session.failed) as failed:
        assert session.save(str(tmp_path / "absent" / "x.review.json")) is False
    assert isinstance(failed.args[0], SettingsError)
    assert session.history.is_changed


# --- recovery ----------------------------------------------------------------------------------------------------------------------


def test_unsaved_work_is_put_aside_and_cleared_when_saved(session, tmp_path):
    """A copy while there are changes, none when there are none."""
    folder = session.preferences.folders.recovery
    session.apply(lambda review: dataclasses.replace(review, notes=(Note("so far"),)), "Note")
    session.write_recovery()
    assert [r.review.notes for r in left_behind(folder)] == [(Note("so far"),)]
    session.save(str(tmp_path / "x.review.json"))
    session.write_recovery()
    assert left_behind(folder) == []
    assert load_review(tmp_path / "x.review.json").notes == (Note("so far"),)


def test_the_recovery_copy_is_written_by_itself(qtbot, session):
    """Within a few seconds of an edit, unasked."""
    session.apply(lambda review: dataclasses.replace(review, notes=(Note("so far"),)), "Note")
    qtbot.waitUntil(lambda: len(left_behind(session.preferences.folders.recovery)) == 1, timeout=10_000)


def test_the_mapped_logger_is_remembered(qtbot, preferences, estimates, log_file, tmp_path):
    """A second log with the same headers is read with the map kept for the first, unasked."""
    session = Session(preferences, estimating=estimates)
    with qtbot.waitSignal(session.opened, timeout=20_000):
        session.open([str(log_file)])
    guessed = session.log.column_map
    entry = next(e for e in guessed.columns if e.column == "az_g")
    preferences.keep_column_map(session.headers, guessed.with_entry(dataclasses.replace(entry, sign=-1)))
    again = tmp_path / "second flight.csv"
    again.write_text(LOG)
    with qtbot.waitSignal(session.opened, timeout=20_000) as opened:
        session.open([str(again)])
    assert not opened.args[0].is_first_sight
    assert session.log["accel_raw_imu_mps2"].values[0, 2] < 0
    assert isinstance(session.review.column_map, ColumnMap)
    session.close()


def test_a_flight_just_opened_is_drawn_by_the_fast_method_until_the_chosen_one_is_done(qtbot, preferences, estimates):
    """The chosen one may be slow, and the first time ever it is compiled too; one request each, then quiet."""
    session = Session(preferences, estimating=estimates)
    drawn = []
    session.snapshot_ready.connect(lambda snapshot: drawn.append(snapshot.is_preview))
    take_drawn(session, estimates)
    qtbot.waitUntil(lambda: drawn == [True, False])
    settle(qtbot, session)
    assert [request.is_dragging for request in estimates.requests] == [True, False]
    session.close()


def test_a_reconciliation_is_stale_by_comparison_only(qtbot, session):
    """Kept with what it hangs on: an edit of that makes it stale, undo makes it fresh again, another edit does neither."""
    assert session.reconciliation is None and not session.is_reconciliation_stale
    result = object()
    with qtbot.waitSignal(session.reconciled):
        session.set_reconciliation(result, session.review)
    assert session.reconciliation is result and not session.is_reconciliation_stale
    session.apply(lambda review: edits.with_freed(review, "gyro scale", False, ("gyro bias", "gyro scale")), "Pin")
    assert session.is_reconciliation_stale and session.reconciliation is result
    session.undo()
    assert not session.is_reconciliation_stale
    session.apply(lambda review: edits.with_bookmark(review, Bookmark(1.0)), "Bookmark")
    assert not session.is_reconciliation_stale
