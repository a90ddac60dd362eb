"""Work beside the window: newest wins, stopping, failures, and the session's end, with the worker held at the step looked at."""

import threading

import pytest

from replay.desktop.background import Background
from replay.desktop.session import Session
from replay.errors import Cancelled, CannotEstimate

LONG_MS = 10_000


class HeldWork:
    """Work that tells of itself, then stops until told to go on."""

    def __init__(self):
        self.started = []
        self.may_go = threading.Semaphore(0)
        self.cancels = []

    def __call__(self, request, progress, cancel):
        self.started.append(request)
        self.cancels.append(cancel)
        progress(0.5, f"half of {request}")
        assert self.may_go.acquire(timeout=LONG_MS / 1000)
        if cancel.is_set():
            raise Cancelled("stopped")
        if request == "bad":
            raise CannotEstimate("test", "bad was asked for")
        return f"done {request}"


@pytest.fixture
def made(qtbot, preferences):
    session = Session(preferences, estimating=lambda request, cancel: None)
    work = HeldWork()
    background = Background(session, work, "test", session)
    heard = []
    background.busy_changed.connect(lambda on: heard.append(("busy", on)))
    background.progressed.connect(lambda share, text: heard.append(("progress", share, text)))
    background.finished.connect(lambda request, result: heard.append(("finished", request, result)))
    background.failed.connect(lambda request, error: heard.append(("failed", request, str(error))))
    yield session, work, background, heard, qtbot
    work.may_go.release(10)
    session.close()


def test_a_result_comes_with_its_request_after_its_progress(made):
    _, work, background, heard, qtbot = made
    background.request("one")
    assert background.is_busy
    qtbot.waitUntil(lambda: ("progress", 0.5, "half of one") in heard, timeout=LONG_MS)
    work.may_go.release()
    qtbot.waitUntil(lambda: not background.is_busy, timeout=LONG_MS)
    assert heard == [("busy", True), ("progress", 0.5, "half of one"), ("busy", False), ("finished", "one", "done one")]


def test_a_newer_request_takes_the_place_of_the_running_one(made):
    """Nothing of the older one arrives, and it is told to stop."""
    _, work, background, heard, qtbot = made
    background.request("one")
    qtbot.waitUntil(lambda: work.started == ["one"], timeout=LONG_MS)
    background.request("two")
    assert work.cancels[0].is_set()
    work.may_go.release(2)
    qtbot.waitUntil(lambda: not background.is_busy, timeout=LONG_MS)
    assert [h for h in heard if h[0] in ("finished", "failed")] == [("finished", "two", "done two")]


def test_stopped_by_the_user_it_is_idle_at_once_and_says_nothing(made):
    _, work, background, heard, qtbot = made
    background.request("one")
    qtbot.waitUntil(lambda: work.started == ["one"], timeout=LONG_MS)
    background.cancel()
    assert not background.is_busy and heard[-1] == ("busy", False)
    background.request("two")
    work.may_go.release(2)
    qtbot.waitUntil(lambda: not background.is_busy, timeout=LONG_MS)
    assert [h for h in heard if h[0] in ("finished", "failed")] == [("finished", "two", "done two")]


def test_a_failure_is_told_and_the_next_request_works(made):
    _, work, background, heard, qtbot = made
    work.may_go.release(2)
    background.request("bad")
    qtbot.waitUntil(lambda: not background.is_busy, timeout=LONG_MS)
    assert heard[-1][:2] == ("failed", "bad") and "bad was asked for" in heard[-1][2]
    background.request("good")
    qtbot.waitUntil(lambda: not background.is_busy, timeout=LONG_MS)
    assert heard[-1] == ("finished", "good", "done good")


def test_another_log_stops_what_runs_on_this_one(made):
    session, work, background, _, qtbot = made
    background.request("one")
    qtbot.waitUntil(lambda: work.started == ["one"], timeout=LONG_MS)
    session.opened.emit(None)
    assert not background.is_busy and work.cancels[0].is_set()


def test_the_session_s_end_waits_for_the_thread(made):
    """It is told to stop first; the fixture of all desktop tests would find the thread if it were left."""
    session, work, background, _, qtbot = made
    background.request("one")
    qtbot.waitUntil(lambda: work.started == ["one"], timeout=LONG_MS)
    freeing = threading.Thread(target=lambda: (work.cancels[0].wait(LONG_MS / 1000), work.may_go.release()))
    freeing.start()
    session.close()
    freeing.join()
    assert work.cancels[0].is_set() and not background.is_busy
    background.request("two")
    assert work.started == ["one"]
