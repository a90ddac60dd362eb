"""The spectrogram under the traces: a known tone lies where it should, on the traces' own time axis."""

import dataclasses
from types import SimpleNamespace

import drawn_flight
import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QColor
from PySide6.QtTest import QTest

from replay.desktop.spectrogram import shades
from replay.desktop.traces import TraceStack
from replay.flight.event import FlightEvents
from replay.flight.explained import Explained
from replay.flight.vibration import spectrogram
from replay.review import series
from replay.review.explain import EXPLAINED

TONE_HZ, RATE_HZ = 40.0, 200.0


@pytest.fixture
def stack(qtbot):
    """Traces of the drawn flight; its specific force hums at 40 Hz from 10 s on (its rows pause near 20 s)."""
    snapshot = drawn_flight.snapshot(rate_hz=RATE_HZ)
    time = snapshot.as_flown.log_time_s
    middle = 10.0
    hum = np.where(time > middle, np.sin(2.0 * np.pi * TONE_HZ * time), 0.0)
    values = np.column_stack([hum, 1e-3 * np.cos(time), 1e-3 * np.sin(time)])
    found = spectrogram(time, values, "m/s²")
    vibration = SimpleNamespace(spectrogram=found, notes=())
    explained = Explained(snapshot.log, FlightEvents({}), snapshot.as_flown, vibration=vibration)
    made = TraceStack()
    qtbot.addWidget(made)
    made.resize(900, 600)
    made.show()
    made.full = dataclasses.replace(snapshot, extras={series.EXTRA: series.prepare(snapshot, None), EXPLAINED: explained})
    made.show_snapshot(made.full)
    made.middle_log_s = middle
    return made


def _darkness(view, log_time_s, frequency_hz):
    """0 white to 1 black of the picture at a time and a frequency."""
    picture = view.grab().toImage()
    ratio = picture.devicePixelRatio()
    line = view.fontMetrics().height()
    top, bottom = line + 4.0, view.height() - 4.0
    y = bottom - frequency_hz / view.top_hz * (bottom - top)
    colour = QColor(picture.pixel(round(view._scale.x(log_time_s) * ratio), round(y * ratio)))
    return 1.0 - colour.lightnessF()


def test_a_hum_shows_at_its_frequency_and_only_while_it_lasts(stack):
    stack.tools.spectrogram.click()
    stack.set_window(*stack._time.whole)
    stack._draw_window()
    view, middle = stack.spectrogram, stack.middle_log_s
    assert view.top_hz == pytest.approx(RATE_HZ / 2.0)
    assert _darkness(view, 1.5 * middle, TONE_HZ) > 0.6
    assert _darkness(view, 0.5 * middle, TONE_HZ) < 0.3
    assert _darkness(view, 1.5 * middle, 80.0) < 0.3


def test_a_gap_is_hatched_and_the_head_says_so(stack):
    """Where rows are missing there is no paper, which would read as quiet, but hatching; on both sides of it the hum goes on."""
    stack.tools.spectrogram.click()
    stack.set_window(*stack._time.whole)
    stack._draw_window()
    view = stack.spectrogram
    found = view._found
    gap = found.log_time_s[found.is_gap]
    assert len(gap) and gap[0] > stack.middle_log_s
    view.grab()
    assert "hatched: rows missing" in view.toolTip()
    assert _darkness(view, gap[-1] + 1.0, TONE_HZ) > 0.6
    assert _darkness(view, gap[0] - 1.0, TONE_HZ) > 0.6
    picture = view.grab().toImage()
    ratio, x = picture.devicePixelRatio(), view._scale.x(float(np.mean(gap)))
    column = {picture.pixel(round((x + dx) * ratio), round(y * ratio)) for dx in (0, 1) for y in range(60, view.height() - 20)}
    assert len(column) > 1, "plain paper"


def test_button_and_key_show_it_and_the_review_keeps_it(qtbot, stack):
    assert stack.spectrogram.isHidden()
    with qtbot.waitSignal(stack.arrangement_changed) as asked:
        stack.tools.spectrogram.click()
    assert asked.args[0]["spectrogram"]
    stack.setFocus()
    QTest.keyClick(stack, Qt.Key.Key_S)
    assert stack.spectrogram.isHidden()
    stack.set_arrangement(asked.args[0])
    assert not stack.spectrogram.isHidden()
    assert stack.tools.spectrogram.isChecked()


def test_a_press_asks_for_the_cursor_at_that_time(qtbot, stack):
    stack.tools.spectrogram.click()
    stack._draw_window()
    view = stack.spectrogram
    x = round(0.5 * (view._scale.left_px + view._scale.right_px))
    with qtbot.waitSignal(stack.cursor_requested) as asked:
        QTest.mouseClick(view, Qt.MouseButton.LeftButton, pos=QPoint(x, view.height() // 2))
    assert asked.args[0] == pytest.approx(view._scale.time(x), abs=1e-6)


def test_without_one_it_says_why(stack):
    known = dataclasses.replace(stack.full.extras[EXPLAINED], vibration=None, missing={"vibration": "longest stretch has 12 samples"})
    stack.spectrogram.show_snapshot(dataclasses.replace(stack.full, extras={EXPLAINED: known}))
    assert "longest stretch has 12 samples" in stack.spectrogram.text


def test_shades_are_decibels_below_the_strongest():
    """Ten decibels are a factor of ten in power (common practice, no source)."""
    assert shades(np.array([1.0, 0.1, 1e-9]), range_db=20.0).tolist() == [255, 127, 0]
    assert shades(np.zeros((2, 2))).max() == 0
