"""The whole window: from a slider's edit to every view drawn, and a step of the cursor through every view.

The log is the crooked-bench sample flight, flown at 1 kHz (60 thousand samples) and stretched onto a finer clock (a million). Times of
an edit are wall time, because a worker is waited for; of a cursor step the GUI thread's processor time. Reference in the same run: every
view drawn again from a snapshot that is ready, which no edit can do without. Run with -s to see the numbers.
"""

import dataclasses
import time

import numpy as np
import pytest
from desktop_helpers import Answers
from PySide6.QtWidgets import QApplication

from replay.desktop.preferences import Folders, Preferences
from replay.desktop.reading import ReadRequest, ReadResult
from replay.desktop.window import MainWindow
from replay.flightlog.log import Channel
from replay.review.review import LogReference, Review

pytestmark = pytest.mark.benchmark

SIZES = {"60 thousand": 60_000, "1 million": 1_000_000}


@pytest.fixture(scope="module")
def flight():
    from replay.whatif import sample

    return sample.make("crooked_bench", rate_hz=1000.0)


def _stretched(log, n):
    """The same flight on a clock of n even samples: values between samples on a straight line, plus a little noise."""
    rng = np.random.default_rng(20261125)
    channels = {}
    for name in log.channels:
        channel = log[name]
        if name in ("accel_raw_imu_mps2", "rate_raw_imu_radps"):
            clock = np.linspace(channel.log_time_s[0], channel.log_time_s[-1], n)
            columns = [np.interp(clock, channel.log_time_s, channel.values[:, k]) for k in range(3)]
            noise = 0.2 * np.std(np.diff(channel.values[:200], axis=0), axis=0)
            channel = Channel(name, clock, np.column_stack(columns) + noise * rng.standard_normal((n, 3)), channel.unit)
        channels[name] = channel
    return dataclasses.replace(log, channels=channels)


@pytest.fixture(params=list(SIZES), scope="module")
def window(request, qapp, flight, tmp_path_factory):
    folder = tmp_path_factory.mktemp("window")
    made = MainWindow(Preferences(Folders(folder / "s", folder / "d")), Answers(save_changes="discard"))
    made.resize(1280, 800)
    made.show()
    made.build_plots()
    log = _stretched(flight.log, SIZES[request.param])
    review = Review(logs=(LogReference("/nowhere.csv", 1, "0" * 64),), column_map=log.column_map, method="integrate")
    made.session._take(ReadRequest(("x",), is_made=True), ReadResult(log, review, None, (("x", ("t",)),), False, True))
    made.name_of_size = request.param
    _wait(made)
    yield made
    made.close()
    made.deleteLater()


def _wait(window):
    while window.session.snapshot is None or window.session.is_stale or window.session._recomputer.is_busy:
        QApplication.processEvents()
    for _ in range(5):
        QApplication.processEvents()


def _say(what, ms):
    print(f"\n{what:64s} median {np.median(ms):8.1f}   p95 {np.percentile(ms, 95):8.1f} ms", end="")


def _edits_ms(window, method, n, start):
    """Slider edits one after the other, each waited for until drawn; from `start`, so that none finds a solution kept from before."""
    window.session.apply(lambda review: dataclasses.replace(review, method=method), "Method")
    slider = window.panels["estimator"].rows["accel_bias_imu_mps2", 0].slider
    slider._edit(start)
    slider.released.emit()
    _wait(window)
    found = []
    for i in range(n):
        begun = time.perf_counter()
        slider._edit(start - 0.001 * (i + 1))
        while window.session.is_stale:
            QApplication.processEvents()
        QApplication.processEvents()
        found.append(1e3 * (time.perf_counter() - begun))
    slider.released.emit()
    _wait(window)
    return np.array(found)


def _redraws_ms(window, n):
    found = []
    for _ in range(n):
        begun = time.perf_counter()
        window._show_snapshot(window.session.snapshot)
        QApplication.processEvents()
        QApplication.processEvents()
        found.append(1e3 * (time.perf_counter() - begun))
    return np.array(found)


def test_an_edit_is_drawn_in_every_view(window):
    """By `integrate`, and the preview that stands in for `smoother` during a drag; the reference is drawing alone."""
    n = 20 if SIZES[window.name_of_size] < 100_000 else 8
    edit = _edits_ms(window, "integrate", n, -0.3)
    preview = _edits_ms(window, "smoother", n, -0.2)
    settled = 1e3 * window.session.snapshot.what_if.run_time_s
    redraw = _redraws_ms(window, n)
    _say(f"{window.name_of_size} samples: edit to all views drawn, integrate", edit)
    _say(f"{window.name_of_size} samples: edit to all views drawn, smoother previewed", preview)
    _say(f"{window.name_of_size} samples: all views drawn again (reference)", redraw)
    print(f"\n{window.name_of_size} samples: the smoother's own run {settled:.0f} ms", end="")
    assert np.median(edit) < 8.0 * np.median(redraw)
    assert np.median(preview) < 8.0 * np.median(redraw)


def test_a_cursor_step_through_every_view(window):
    """Attitude, Plumb circle, Traces, Timeline and Readout together, one step of a sixtieth of a second at a time."""
    steps = []
    for i in range(150):
        begun = time.thread_time()
        window.player.seek(8.0 + i / 60.0)
        QApplication.processEvents()
        steps.append(1e3 * (time.thread_time() - begun))
    _say(f"{window.name_of_size} samples: cursor step, all views", np.array(steps))
    redraw = _redraws_ms(window, 5)
    assert np.median(steps) < np.median(redraw)
