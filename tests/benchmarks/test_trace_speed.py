"""Six panes of three curves on a log of 1.5 million rows: a cursor step, a pan, a zoom, and what a drag costs the worker.

Reference in the same run: pyqtgraph's own curves with automatic peak downsampling and clipping to the view, moved by its own
InfiniteLine, in six linked plots of the same size. Times are of this thread's processor, so that other work on the machine does not
count; run with -s to see them.
"""

import time
from dataclasses import replace

import numpy as np
import pytest
from drawn_flight import dragged, snapshot
from PySide6.QtWidgets import QApplication

from replay.review import series

pytestmark = pytest.mark.benchmark

PANES = (
    ("rate.x", "rate.y", "rate.z"),
    ("accel.x", "accel.y", "accel.z"),
    ("log:rate_raw_imu_radps.x", "log:rate_raw_imu_radps.y", "log:rate_raw_imu_radps.z"),
    ("log:accel_raw_imu_mps2.x", "log:accel_raw_imu_mps2.y", "log:accel_raw_imu_mps2.z"),
    ("tilt", "pitch", "yaw"),
    ("velocity.east", "velocity.north", "vertical_speed"),
)
SIZE_PX = (1500, 900)


def _times_ms(step, n):
    """Processor time of each of n steps, repainted."""
    found = []
    for i in range(n):
        start = time.thread_time()
        step(i)
        QApplication.processEvents()
        found.append(1e3 * (time.thread_time() - start))
    return np.array(found)


def _say(what, found):
    print(f"\n{what:44s} median {np.median(found):8.2f}   p95 {np.percentile(found, 95):8.2f} ms", end="")
    return np.median(found), np.percentile(found, 95)


@pytest.fixture(scope="module")
def long_flight():
    shown = snapshot(rate_hz=40_000.0, what_if=False, onboard=False)
    assert len(shown.as_flown.log_time_s) > 1_490_000
    return shown


@pytest.fixture
def stack(qtbot, long_flight):
    from replay.desktop.traces import TraceStack

    widget = TraceStack()
    qtbot.addWidget(widget)
    widget.set_arrangement({"panes": [{"traces": list(keys)} for keys in PANES], "bands": False})
    widget.resize(*SIZE_PX)
    widget.show()
    widget.show_snapshot(replace(long_flight, extras={series.EXTRA: series.prepare(long_flight, widget.wanted_keys())}))
    widget._draw_window()
    QApplication.processEvents()
    return widget


@pytest.fixture
def stock(qtbot, long_flight):
    """The same lines drawn by pyqtgraph alone."""
    import pyqtgraph as pg

    ready = series.prepare(long_flight, [key for pane in PANES for key in pane])
    widget = pg.GraphicsLayoutWidget()
    qtbot.addWidget(widget)
    widget.resize(*SIZE_PX)
    plots, cursors = [], []
    for row, keys in enumerate(PANES):
        plot = widget.addPlot(row=row, col=0)
        for key in keys:
            line = ready.lines(key)[0].pyramid
            curve = pg.PlotDataItem(pen="b")
            plot.addItem(curve)
            curve.setDownsampling(auto=True, method="peak")
            curve.setClipToView(True)
            curve.setData(line.log_time_s, line.values)
        cursors.append(pg.InfiniteLine(10.0))
        plot.addItem(cursors[-1])
        plot.disableAutoRange()
        if plots:
            plot.setXLink(plots[0])
        plots.append(plot)
    widget.show()
    QApplication.processEvents()
    return plots, cursors, widget  # the widget must outlive its plots


def _windows(i, share):
    width = 38.0 * share
    start = 5.0 + 0.1 * width * i % 20.0
    return start, start + width


def test_cursor_pan_and_zoom_against_stock_curves(stack, stock):
    """A cursor step at least ten times faster than the reference and within a frame; pan and zoom faster too."""
    plots, cursors, _ = stock

    def step_stock(i):
        for cursor in cursors:
            cursor.setPos((7.3 * i) % 38.0)

    def pan_stock(i):
        plots[0].setXRange(*_windows(i, 0.1), padding=0.0)

    def window(share):
        def move(i):
            stack.set_window(*_windows(i, share(i)))
            stack._draw_window()

        return move

    plots[0].setXRange(0.0, 38.0, padding=0.0)
    QApplication.processEvents()
    stock_cursor, _ = _say("stock: cursor, whole log", _times_ms(step_stock, 30))
    stock_pan, _ = _say("stock: pan, tenth of the log in view", _times_ms(pan_stock, 15))
    cursor, cursor_p95 = _say("traces: cursor jumps, whole log", _times_ms(lambda i: stack.move_cursor((7.3 * i) % 38.0), 200))
    _say("traces: cursor plays, whole log", _times_ms(lambda i: stack.move_cursor(10.0 + 0.03 * i), 200))
    pan, _ = _say("traces: pan, tenth of the log in view", _times_ms(window(lambda i: 0.1), 40))
    _say("traces: pan, hundredth of the log in view", _times_ms(window(lambda i: 0.01), 40))
    _say("traces: zoom", _times_ms(window(lambda i: 0.95**i), 40))
    print(f"\ncursor {stock_cursor / cursor:.1f}x, pan {stock_pan / pan:.1f}x the reference")
    assert cursor_p95 <= 16.0
    assert stock_cursor / cursor >= 8.0
    assert stock_pan / pan >= 1.5


def test_a_drag_costs_the_worker_only_what_changed(long_flight):
    """With a what-if that moves, lines as flown and logged are taken over: at most three quarters of making everything."""
    shown = dragged(long_flight, 0.5)
    keys = [key for pane in PANES for key in pane]
    start = time.thread_time()
    before = series.prepare(shown, keys)
    everything = time.thread_time() - start
    start = time.thread_time()
    series.prepare(dragged(long_flight, 0.6), keys)
    again = time.thread_time() - start
    edited = dragged(long_flight, 0.7)
    start = time.thread_time()
    series.prepare(edited, keys, before)
    changed = time.thread_time() - start
    print(f"\neverything {1e3 * everything:.0f} ms (first call), {1e3 * again:.0f} ms; only what changed {1e3 * changed:.0f} ms")
    assert changed < 0.75 * again


def test_building_a_pyramid_against_numpy():
    """One curve of 1.5 million samples, compiled against the plain twin."""
    from replay.review import pyramid

    time_s = np.arange(1_500_000) * 1e-3
    values = np.random.default_rng(0).standard_normal(len(time_s))
    pyramid.warm_up()
    found = {}
    for build in (pyramid.build, pyramid.build_slowly):
        found[build] = min(_times_ms(lambda i, build=build: build(time_s, values), 5))
    print(f"\ncompiled {found[pyramid.build]:.1f} ms, plain {found[pyramid.build_slowly]:.1f} ms")
    assert found[pyramid.build] < 0.5 * found[pyramid.build_slowly]
