"""A first start on a machine: what is being compiled is said, the fast method draws meanwhile, and closing does not wait for the rest."""

import dataclasses
import subprocess
import sys
import threading

import pytest
from desktop_helpers import settle

from replay.desktop.preparing import Preparing, preparing_line
from replay.errors import Cancelled
from replay.review import preparation


class Compiler:
    """Stands in for the compiled loops: waits on a gate between them."""

    def __init__(self):
        self.gate = threading.Event()
        self.preparing = None
        self.is_stopped = False

    def __call__(self, cancel):
        try:
            self.preparing.begin("replay.motion._kernels.second")
            assert self.gate.wait(20)
            self.preparing.begin("replay.motion._kernels.third")
        except Cancelled:
            self.is_stopped = True
            raise


@pytest.fixture
def cold(window):
    """The window on a machine that has compiled nothing yet."""
    compiler = Compiler()
    compiler.preparing = window.session.preparing
    compiler.preparing._prepare, compiler.preparing._count = compiler, lambda: 3
    compiler.preparing._patience.setInterval(1)
    yield compiler
    compiler.gate.set()


def test_what_is_prepared_is_counted_where_the_progress_is(qtbot, window, cold):
    """A line with numbers, a bar, and the chosen method at the end."""
    session = window.session
    session.preparing.begin("replay.motion._kernels.first")
    qtbot.waitUntil(lambda: session.preparing.is_running)
    session.apply(lambda review: dataclasses.replace(review, method="kalman"), "Method")
    settle(qtbot, session)
    assert session.snapshot.is_preview
    qtbot.waitUntil(lambda: window.status.progress.format() == preparing_line(2, 3))
    assert not window.status.progress.isHidden()
    assert "the chosen method follows" in window.status.state.text()
    cold.gate.set()
    qtbot.waitUntil(lambda: not session.preparing.is_running)
    qtbot.waitUntil(lambda: not session.snapshot.is_preview)
    settle(qtbot, session)
    assert window.status.progress.isHidden()


def test_nothing_to_compile_is_nothing_said(qtbot, window):
    """The usual start: no thread, no bar."""
    settle(qtbot, window.session)
    assert not window.session.preparing.is_running
    assert window.session.preparing._executor is None
    assert window.status.progress.isHidden()


def test_closing_stops_before_the_next_loop(qtbot, window, cold):
    """The one in hand is waited for, the rest is left."""
    window.session.preparing.begin("replay.motion._kernels.first")
    qtbot.waitUntil(lambda: window.session.preparing.is_running)
    window.session.preparing.go_on()
    window.session.preparing.stop()
    cold.gate.set()
    window.close()
    assert cold.is_stopped


def test_a_failure_leaves_the_window_usable(qtbot, caplog):
    """It is logged; the estimate that needs the loop says it in its own place."""

    def fail(cancel):
        raise ValueError("no room in the cache")

    preparing = Preparing(fail, lambda: 1)
    preparing.begin("replay.motion._kernels.first")
    qtbot.waitUntil(lambda: preparing.is_running)
    with qtbot.waitSignal(preparing.finished):
        preparing.go_on()
    preparing.close()
    assert "no room in the cache" in caplog.text


def test_every_method_is_prepared():
    """After it no estimate of a real flight meets a loop that is not ready (counted in a process of its own)."""
    code = """
import sys
from numba.core.dispatcher import Dispatcher
from pathlib import Path
from replay.flightlog import read_log
from replay.review.preparation import METHODS, prepare
from replay.review.request import EstimateRequest, Estimating
from replay.review.review import Review

def versions():
    modules = [m for name, m in list(sys.modules.items()) if name.startswith("replay.")]
    return {(f.py_func.__qualname__, s) for m in modules for f in vars(m).values() if isinstance(f, Dispatcher) for s in f.signatures}

prepare()
before = versions()
log = read_log([sys.argv[1]])
for method in METHODS:
    Estimating()(EstimateRequest(0, log, Review(method=method)))
print(sorted(name for name, _ in versions() - before))
"""
    flight = preparation.__file__.split("replay/review")[0] + "sample_logs/crooked_bench/flight.csv"
    assert subprocess.check_output([sys.executable, "-c", code, flight], text=True).strip() == "[]"


def test_the_count_is_of_the_loops_there_are():
    """Every kernel module is counted."""
    from replay.motion import _kernels

    own = sum(getattr(loop, "py_func", None) is not None and loop.__module__ == _kernels.__name__ for loop in vars(_kernels).values())
    assert own < preparation.n_loops() < 400
