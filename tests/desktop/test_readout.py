"""Readout: the numbers at the cursor are those of the solution there."""

import dataclasses
import itertools

import drawn_flight
import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics, QGuiApplication
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

from replay import rotation
from replay.desktop.readout import Readout, cut_short
from replay.desktop.trace_style import looks
from replay.review import series
from replay.review.readout import index_at, rows_at, shown_value, with_sd
from replay.scene import palette
from replay.units import DEG


@pytest.fixture
def snapshot():
    return drawn_flight.snapshot(rate_hz=200.0)


def _row(snapshot, at_s, label):
    return next(row for row in rows_at(snapshot, at_s) if row.label == label)


@pytest.mark.parametrize("at_s", [0.0, 3.999, 4.0, 9.5, 20.3, 37.995, 99.0, -5.0])
def test_every_line_is_of_the_last_sample_at_or_before_the_cursor(snapshot, at_s):
    """Never interpolated, also in a gap and beyond both ends."""
    flown = snapshot.as_flown
    i = max(np.flatnonzero(flown.log_time_s <= at_s)[-1] if (flown.log_time_s <= at_s).any() else 0, 0)
    assert index_at(flown.log_time_s, at_s) == i
    assert _row(snapshot, at_s, "height").as_flown == with_sd(flown.pos_enu_m[i, 2], flown.pos_sd_enu_m[i, 2], 2)
    tilt_deg = rotation.tilt(flown.q_enu_from_body[i]) / DEG
    assert _row(snapshot, at_s, "tilt").as_flown == f"{tilt_deg:.2f} ±{flown.tilt_sd_rad[i] / DEG:.2f}"
    assert _row(snapshot, at_s, "rate z").as_flown == f"{flown.rate_body_radps[i, 2] / DEG:+.2f}".replace("-", "−")


def test_what_if_onboard_and_channels_have_their_lines(snapshot):
    """Each source once, in the unit of the screen."""
    labels = [row.label for row in rows_at(snapshot, 10.0)]
    assert len(set(labels)) == len(labels)
    assert {
        "tilt",
        "onboard tilt",
        "battery voltage",
        "sensor temperature",
        "gimbal command",
        "flight state as logged",
        "spare [count]",
    } <= set(labels)
    temperature = _row(snapshot, 10.0, "sensor temperature")
    assert temperature.unit == "°C"
    assert float(temperature.as_flown) == pytest.approx(296.0 + 0.05 * 10.0 - 273.15, abs=0.01)
    assert _row(snapshot, 10.0, "tilt").what_if != _row(snapshot, 10.0, "tilt").as_flown


def test_time_is_from_liftoff_and_unknown_is_said(snapshot):
    """Without a known liftoff there is no such time."""
    assert _row(snapshot, 2.5, "time from liftoff").as_flown == "−1.500"
    events = dataclasses.replace(snapshot.as_flown.events, liftoff_log_s=float("nan"))
    blind = dataclasses.replace(snapshot, as_flown=dataclasses.replace(snapshot.as_flown, events=events))
    assert _row(blind, 2.5, "time from liftoff").as_flown == "not known"


def test_what_is_not_known_is_a_dash_and_no_number(snapshot):
    """NaN is not shown as "nan", and a value without a standard deviation has none."""
    flown = snapshot.as_flown
    blind = dataclasses.replace(flown, pos_enu_m=np.full_like(flown.pos_enu_m, np.nan), pos_sd_enu_m=None, tilt_sd_rad=None)
    shown = dataclasses.replace(snapshot, as_flown=blind)
    assert _row(shown, 10.0, "height").as_flown == "–"
    assert "±" not in _row(shown, 10.0, "tilt").as_flown


def test_units_of_the_screen():
    """Degrees, µT, hPa and °C; words stay words."""
    assert shown_value(np.pi, "deg") == pytest.approx(180.0)
    assert shown_value(101325.0, "hPa") == pytest.approx(1013.25)
    assert shown_value(48e-6, "µT") == pytest.approx(48.0)
    assert shown_value(273.15, "°C") == pytest.approx(0.0)
    assert shown_value(np.str_("BURN"), "") == "BURN"


def test_the_table_follows_the_cursor_and_can_be_copied(qtbot, snapshot):
    """The widget shows what `rows_at` says; Ctrl+C copies it with tabs."""
    readout = Readout()
    qtbot.addWidget(readout)
    readout.resize(330, 260)
    readout.show()
    readout.move_cursor(10.0)
    readout.show_snapshot(snapshot)
    lines = rows_at(snapshot, 10.0)
    assert [readout.model.text(i, 1) for i in range(len(lines))] == [line.as_flown for line in lines]
    readout.move_cursor(11.0)
    lines = rows_at(snapshot, 11.0)
    assert [readout.model.text(i, 2) for i in range(len(lines))] == [line.what_if for line in lines]
    readout.table.setFocus()
    QTest.keySequence(readout.table, "Ctrl+C")
    assert QGuiApplication.clipboard().text().splitlines()[2] == f"tilt, deg\t{lines[2].as_flown}\t{lines[2].what_if}"
    readout.show_snapshot(dataclasses.replace(snapshot, what_if=None))
    assert readout.table.isColumnHidden(2)


def test_methods_drawn_for_comparison_have_a_column_each_under_their_own_line(qtbot, snapshot):
    """Their values at the cursor with their spread, in the colour and under the dash of their traces; copied with the rest; gone with
    the comparison. Where there is no room for all of them beside the labels, these stand above the numbers and nothing scrolls."""
    others = {m: drawn_flight.solution(snapshot.as_flown.log_time_s, extra_tilt_deg=k) for k, m in ((1.0, "kalman"), (2.0, "integrate"))}
    shown = dataclasses.replace(snapshot, extras={series.OVERLAYS: others})
    i = index_at(others["kalman"].log_time_s, 9.5)
    texts = [f"{rotation.tilt(others[m].q_enu_from_body[i]) / DEG:.2f}" for m in ("integrate", "kalman")]
    assert [text.partition(" ±")[0] for text in _row(shown, 9.5, "tilt").compared] == texts
    assert _row(shown, 9.5, "battery voltage").compared == ()
    readout = Readout()
    qtbot.addWidget(readout)
    readout.resize(330, 260)
    readout.show()
    readout.move_cursor(9.5)
    readout.show_snapshot(shown)
    assert [readout.model.headerData(c, Qt.Orientation.Horizontal) for c in (4, 5)] == ["integrate", "kalman"]
    assert readout.model.text(2, 5).startswith(texts[1])
    lines = series.prepare(shown).lines("tilt")
    drawn = {line.variant: look for line, look in zip(lines, looks(lines), strict=True)}
    for column, method in ((1, "as_flown"), (2, "what_if"), (4, "integrate"), (5, "kalman")):
        assert readout.model.looks[column] == drawn[method]
        assert readout.model.pens[column].name().upper() == palette.ink(drawn[method].colour).upper()
    header = readout.table.horizontalHeader()
    least = [QFontMetrics(header.font()).horizontalAdvance(readout.model.columns[c]) for c in (1, 2, 4, 5)]
    assert all(header.sectionSize(c) > width for c, width in zip((1, 2, 4, 5), least, strict=True))
    qtbot.waitUntil(lambda: readout.table.horizontalScrollBar().maximum() == 0)
    assert readout.table.is_stacked and readout.table.rowHeight(2) > 2 * readout.table.fontMetrics().height()
    readout.table.setFocus()
    QTest.keySequence(readout.table, "Ctrl+C")
    assert QGuiApplication.clipboard().text().splitlines()[2].split("\t")[3].startswith(texts[0])
    readout.show_snapshot(snapshot)
    assert not readout.table.is_stacked and not readout.table.isColumnHidden(0)
    assert readout.model.columnCount() == 4 and readout.table.horizontalScrollBar().maximum() == 0


@pytest.mark.parametrize("other", ["gradient", "kalman"])
def test_a_method_of_a_long_name_and_another_need_no_scrolling(qtbot, snapshot, other):
    """In the width the table has in a window of 1280 px: the long head is cut short, its tip has the whole, and no number is cut."""
    others = {m: drawn_flight.solution(snapshot.as_flown.log_time_s, extra_tilt_deg=1.0) for m in ("complementary", other)}
    readout = Readout()
    qtbot.addWidget(readout)
    readout.resize(314, 200)
    readout.show()
    readout.move_cursor(9.5)
    readout.show_snapshot(dataclasses.replace(snapshot, what_if=None, extras={series.OVERLAYS: others}))
    qtbot.waitUntil(lambda: readout.table.horizontalScrollBar().maximum() == 0)
    assert readout.model.headerData(4, Qt.Orientation.Horizontal, Qt.ItemDataRole.ToolTipRole) == "complementary"
    metrics = readout.table.fontMetrics()
    label = cut_short("vertical speed, m/s", metrics.horizontalAdvance("vertical s, m/s"), metrics)
    assert label.startswith("vert") and label.endswith("…, m/s")
    for row, column in itertools.product(range(2, 9), (1, 4, 5)):
        number = readout.model.text(row, column).partition(" ±")[0]
        assert metrics.horizontalAdvance(number) <= readout.table.columnWidth(column) - 6


def test_a_flight_flown_again_has_a_column_from_liftoff_on(qtbot, snapshot):
    """Its tilt with its spread, its gimbal angle beside the flown one; nothing of it before liftoff, and no column without it."""
    shown = drawn_flight.with_reflown(snapshot)
    again = series.reflown_of(shown)
    i = index_at(again.log_time_s, 9.5)
    tilt_deg = rotation.tilt(again.q_enu_from_body[i]) / DEG
    assert _row(shown, 9.5, "tilt").reflown == f"{tilt_deg:.2f} ±{again.tilt_sd_rad[i] / DEG:.2f}"
    assert _row(shown, 9.5, "rate z").reflown == "–"
    gimbal = _row(shown, 9.5, "gimbal x by model")
    assert gimbal.as_flown.lstrip("+−") == gimbal.reflown.lstrip("+−") and gimbal.as_flown != gimbal.reflown
    assert all(row.reflown == "" for row in rows_at(shown, 3.0))
    assert [row.label for row in rows_at(shown, 3.0)] == [row.label for row in rows_at(shown, 9.5)]
    readout = Readout()
    qtbot.addWidget(readout)
    readout.resize(330, 260)
    readout.show()
    readout.show_snapshot(shown)
    assert not readout.table.isColumnHidden(3)
    readout.show_snapshot(snapshot)
    assert readout.table.isColumnHidden(3)


def test_tab_leaves_the_table(qtbot, snapshot):
    """No trap for the keyboard: Tab is not spent on going from cell to cell."""
    window = QWidget()
    qtbot.addWidget(window)
    row = QHBoxLayout(window)
    readout, after = Readout(), QPushButton("after")
    row.addWidget(readout)
    row.addWidget(after)
    window.show()
    readout.show_snapshot(snapshot)
    readout.table.setFocus()
    QTest.keyClick(readout.table, Qt.Key.Key_Tab)
    assert window.focusWidget() is after
