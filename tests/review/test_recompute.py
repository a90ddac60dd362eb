"""Latest wins, with the worker held on a lock at the step each test looks at: no sleeping."""

import threading
from concurrent.futures import Executor, Future, ThreadPoolExecutor

import pytest

from replay.errors import Cancelled, CannotEstimate
from replay.review.recompute import Recomputer

LONG_S = 10.0
"""How long a test waits for what must happen; it never does where all is well."""


class HeldWork:
    """Work that stops at its start until told to go on."""

    def __init__(self):
        self.started: list[object] = []
        self.has_started = threading.Semaphore(0)
        self.may_go = threading.Semaphore(0)

    def __call__(self, request, cancel):
        self.started.append(request)
        self.has_started.release()
        assert self.may_go.acquire(timeout=LONG_S)
        if cancel.is_set():
            raise Cancelled
        return request * 10


class Results:
    def __init__(self):
        self.outcomes: list = []
        self.arrived = threading.Semaphore(0)

    def __call__(self, outcome):
        self.outcomes.append(outcome)
        self.arrived.release()

    def wait(self, n: int = 1):
        for _ in range(n):
            assert self.arrived.acquire(timeout=LONG_S)


@pytest.fixture
def executor():
    with ThreadPoolExecutor(max_workers=1) as pool:
        yield pool


def test_only_the_newest_waiting_request_is_run(executor):
    """A hundred requests during one run cost one more run, of the last of them."""
    work, results = HeldWork(), Results()
    recomputer = Recomputer(executor, work, results)
    recomputer.request(0)
    assert work.has_started.acquire(timeout=LONG_S)
    for i in range(1, 101):
        recomputer.request(i)
    assert work.started == [0]
    work.may_go.release(2)
    results.wait(2)
    assert work.started == [0, 100]
    assert [(o.request, o.result, o.error) for o in results.outcomes] == [(0, 0, None), (100, 1000, None)]


def test_the_last_result_is_of_the_last_request(executor):
    """However requests and results fall in time, what was drawn last equals the document."""
    results = Results()
    recomputer = Recomputer(executor, lambda request, cancel: request, results)
    for i in range(500):
        recomputer.request(i)
    while not results.outcomes or results.outcomes[-1].request != 499:
        results.wait()
    assert len({o.request for o in results.outcomes}) == len(results.outcomes)


def test_a_superseded_run_can_be_cancelled(executor):
    """A slow settled run is told to stop; its result is never delivered and the newer one is."""
    work, results = HeldWork(), Results()
    recomputer = Recomputer(executor, work, results)
    recomputer.request(1)
    assert work.has_started.acquire(timeout=LONG_S)
    recomputer.request(2, cancel_running=True)
    work.may_go.release(2)
    results.wait()
    assert [o.request for o in results.outcomes] == [2]


def test_a_failure_is_an_outcome(executor):
    """It carries the error, and the next request runs as ever."""
    results = Results()

    def work(request, cancel):
        if request == "bad":
            raise CannotEstimate("smoother", "no gyro")
        return request

    recomputer = Recomputer(executor, work, results)
    recomputer.request("bad")
    results.wait()
    recomputer.request("good")
    results.wait()
    bad, good = results.outcomes
    assert isinstance(bad.error, CannotEstimate)
    assert bad.result is None
    assert (good.result, good.error) == ("good", None)


def test_closing_drops_the_waiting_and_cancels_the_running(executor):
    """After `close` nothing is delivered and nothing begins."""
    work, results = HeldWork(), Results()
    recomputer = Recomputer(executor, work, results)
    recomputer.request(1)
    assert work.has_started.acquire(timeout=LONG_S)
    recomputer.request(2)
    recomputer.close()
    recomputer.request(3)
    work.may_go.release(3)
    executor.shutdown(wait=True)
    assert work.started == [1]
    assert results.outcomes == []
    assert not recomputer.is_busy


class _Inline(Executor):
    """Runs what is submitted at once, on the caller's thread."""

    def submit(self, fn, /, *args, **kwargs):
        future: Future = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def test_any_executor_will_do():
    """The thread is the caller's choice."""
    results = Results()
    Recomputer(_Inline(), lambda request, cancel: request + 1, results).request(1)
    assert results.outcomes[0].result == 2


def test_a_request_made_while_delivering_is_served(executor):
    """No request falls between the end of one run and the start of the next."""
    results = Results()
    holder: list[Recomputer] = []

    def deliver(outcome):
        if outcome.request < 20:
            holder[0].request(outcome.request + 1)
        results(outcome)

    holder.append(Recomputer(executor, lambda request, cancel: request, deliver))
    holder[0].request(0)
    results.wait(21)
    assert [o.request for o in results.outcomes] == list(range(21))
