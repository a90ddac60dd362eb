"""The explanation beside the window: after the drag, once for each state of the document, never in the way."""

import dataclasses
import threading
from types import SimpleNamespace

import pytest
from desktop_helpers import settle, take_drawn

from replay.desktop.explaining import Explaining
from replay.desktop.session import Session
from replay.errors import Cancelled
from replay.review import edits, explain
from replay.review.explain import EXPLAINED
from replay.whatif.evidence import Evidence, Lean


@pytest.fixture
def explained(monkeypatch):
    """Stands in for the explanation: says whose it is, and can be held."""
    made = SimpleNamespace(requests=[], gate=None, stopped=0)

    def stand_in(request, cancel):
        made.requests.append(request)
        if made.gate is not None:
            assert made.gate.acquire(timeout=20)
        if cancel.is_set():
            made.stopped += 1
            raise Cancelled("stopped")
        return SimpleNamespace(of=request.snapshot.as_flown, review=request.review)

    monkeypatch.setattr(explain, "explain_request", stand_in)
    return made


@pytest.fixture
def session(qtbot, preferences, estimates, explained):
    made = Session(preferences, estimating=estimates)
    try:
        made.explaining = Explaining(made)
        take_drawn(made, estimates)
        settle(qtbot, made)
        yield made
    finally:
        if explained.gate is not None:
            explained.gate.release(100)
        made.close()


def carried(session):
    return (session.snapshot.extras or {}).get(EXPLAINED)


def test_the_settled_snapshot_comes_again_with_its_explanation(qtbot, session):
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    assert carried(session).of is session.snapshot.as_flown


def test_nothing_is_explained_during_a_drag_and_once_after_it(qtbot, session, explained):
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    before = len(explained.requests)
    for k in range(1, 6):
        session.apply(lambda r, k=k: edits.with_calibration_axis(r, "accel_bias_imu_mps2", 0, 0.1 * k), "bias", "bias x")
        settle(qtbot, session)
    assert len(explained.requests) == before
    session.end_edit()
    settle(qtbot, session)
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    assert len(explained.requests) == before + 1
    assert carried(session).review.what_if == session.review.what_if


def test_an_edit_stops_the_explanation_that_runs(qtbot, session, explained):
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    explained.gate = threading.Semaphore(0)
    session.apply(lambda r: edits.with_calibration_axis(r, "accel_bias_imu_mps2", 0, 0.2), "bias")
    settle(qtbot, session)
    qtbot.waitUntil(lambda: len(explained.requests) == 2, timeout=10_000)
    session.apply(lambda r: edits.with_calibration_axis(r, "accel_bias_imu_mps2", 0, 0.3), "bias")
    settle(qtbot, session)
    explained.gate.release(100)
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    assert explained.stopped == 1
    assert carried(session).review.what_if.accel_bias_imu_mps2[0] == 0.3


def test_evidence_is_explained_anew_and_other_traces_are_not(qtbot, session, explained):
    """Rail evidence changes findings and no solution; a redraw changes neither."""
    qtbot.waitUntil(lambda: carried(session) is not None, timeout=10_000)
    first = carried(session)
    session._publish(dataclasses.replace(session.snapshot, extras={}))
    assert carried(session) is first and len(explained.requests) == 1
    session.apply(lambda r: dataclasses.replace(r, evidence=Evidence(rail=Lean(0.03, 0.5, 0.01))), "evidence")
    qtbot.waitUntil(lambda: len(explained.requests) == 2 and carried(session) is not first, timeout=10_000)
    assert carried(session).review.evidence is not None
