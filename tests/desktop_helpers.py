"""What desktop tests share: answers to dialogs, an estimator of invented flights, and waiting for a result."""

import dataclasses
import threading

import drawn_flight

from replay.desktop.reading import ReadRequest, ReadResult
from replay.errors import Cancelled
from replay.review import series
from replay.review.review import LogReference, Review


class Answers:
    """Answers the window's dialogs as a test says; one that was not expected fails the test."""

    def __init__(self, **answers):
        self.given = answers
        self.asked: list[str] = []

    def __getattr__(self, question):
        known = ("open_paths", "open_path", "save_path", "folder", "may_write_over", "may_write_over_in", "may_stop_writing")
        if question not in (*known, "save_changes", "show_page"):
            raise AttributeError(question)

        def answer(*_args, **_kwargs):
            self.asked.append(question)
            return self.given[question]

        return answer


class DrawnEstimates:
    """In place of the estimator: the smooth invented flight of `drawn_flight`, its what-if off by the accelerometer bias x."""

    def __init__(self):
        self.base = drawn_flight.snapshot(rate_hz=100.0)
        self.requests = []
        self.error = None
        self.gate: threading.Semaphore | None = None
        self.started = threading.Semaphore(0)

    def __call__(self, request, cancel):
        self.requests.append(request)
        self.started.release()
        if self.gate is not None:
            assert self.gate.acquire(timeout=20)
        if cancel.is_set():
            raise Cancelled("stopped")
        if self.error is not None:
            raise self.error
        what_if = request.review.drawn_whatif
        tilt_deg = None if what_if is None else what_if.accel_bias_imu_mps2[0]
        snapshot = dataclasses.replace(
            self.base,
            revision=request.revision,
            log=request.log,
            as_flown=dataclasses.replace(self.base.as_flown, method=request.review.method),
            what_if=None if tilt_deg is None else drawn_flight.solution(self.base.as_flown.log_time_s, extra_tilt_deg=tilt_deg),
            vehicle=request.vehicle,
            is_preview=request.is_dragging,
            extras={series.OVERLAYS: dict(request.overlays)} if request.overlays else {},
        )
        return dataclasses.replace(snapshot, extras={**snapshot.extras, series.EXTRA: series.prepare(snapshot, request.wanted_traces)})


def take_drawn(session, estimates, **request):
    """Have a session open the drawn flight, as if it had been read."""
    log = estimates.base.log
    review = Review(logs=(LogReference("/nowhere/drawn.csv", 1, "0" * 64),), column_map=log.column_map)
    headers = (("drawn.csv", ("time", "ax")),)
    session._take(ReadRequest(("drawn.csv",), is_made=True, **request), ReadResult(log, review, None, headers, False, True))


def settle(qtbot, session, timeout=120_000):
    """Wait until what is drawn is of the document as it stands; the first time on a machine, the compiled loops are made meanwhile."""
    qtbot.waitUntil(lambda: session.snapshot is not None and not session.is_stale and not session._recomputer.is_busy, timeout=timeout)
