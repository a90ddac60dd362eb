"""Column map editor: real boxes in, a column map out."""

import pytest
import shiboken6
from desktop_helpers import Answers
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel

from replay.desktop.column_map_dialog import _CHANNEL, _HOW, _PART, _SCALE, _SIGN, _UNIT, _VALUES, ColumnMapDialog
from replay.desktop.column_map_words import channel_label
from replay.flightlog import read_log
from replay.flightlog.columnmap import CHANNELS, TIME, units_of
from replay.flightlog.columnmap_file import load_column_map
from replay.flightlog.unit_table import TICKS
from replay.units import DEG

LOG = "t,ax,ay,az,gx,gy,gz,what\n" + "".join(
    f"{i * 10},{0.01 + 0.001 * (i % 2)},0.0,{1.0 if i < 300 else 3.0},{0.1 * (i % 5)},0.2,0.0,{i % 7}\n" for i in range(600)
)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "wren.csv"
    path.write_text(LOG)
    return read_log(path)


@pytest.fixture
def dialog(qtbot, log, tmp_path):
    made = ColumnMapDialog(log, is_first_sight=True, asking=Answers(save_path=str(tmp_path / "m.toml"), open_path=str(tmp_path / "m.toml")))
    made.maps = []
    made.accepted_map.connect(made.maps.append)
    made.show()
    yield made
    if shiboken6.isValid(made):  # agreed to, it is gone already
        made.close()


def _row(dialog, header):
    return next(i for i, entry in enumerate(dialog._entries) if entry.column == header)


def _choose(dialog, header, section, text):
    box = dialog.table.cellWidget(_row(dialog, header), section)
    i = box.findText(text)
    assert i >= 0, (text, [box.itemText(k) for k in range(box.count())])
    box.setCurrentIndex(i)
    box.activated.emit(i)


def test_it_shows_the_log_s_own_map_and_first_values(dialog, log):
    """Untouched it gives back exactly what was read, so agreeing costs no second read."""
    assert dialog.column_map() == log.column_map
    assert dialog.table.item(_row(dialog, "t"), _VALUES).text() == "0, 10, 20, 30, 40"
    assert dialog.table.cellWidget(_row(dialog, "ax"), _CHANNEL).currentText() == channel_label("accel_raw_imu_mps2")
    dialog.ok.click()
    assert dialog.maps == [log.column_map]


def test_channel_part_unit_and_sign_can_be_chosen(dialog):
    """A column that was kept to be drawn becomes the battery, in millivolts; one axis is turned round."""
    _choose(dialog, "what", _CHANNEL, channel_label("battery_v"))
    _choose(dialog, "what", _UNIT, "mV")
    _choose(dialog, "ay", _SIGN, "−")
    columns = {entry.column: entry for entry in dialog.column_map().columns}
    assert (columns["what"].channel, columns["what"].component, columns["what"].unit) == ("battery_v", "", "mV")
    assert not columns["what"].is_inferred
    assert columns["ay"].sign == -1
    assert dialog.table.item(_row(dialog, "ay"), _HOW).text() == "stated"


def test_the_units_offered_are_those_of_the_channel(dialog):
    """For every channel; changing it puts the unit right."""
    row = _row(dialog, "what")
    for channel in CHANNELS:
        dialog._change(row, channel=channel)
        entry = dialog._entries[row]
        box = dialog.table.cellWidget(row, _UNIT)
        assert [box.itemText(i) for i in range(box.count())] == list(units_of(channel, entry.component) or ("",)), channel


def test_two_columns_of_one_part_are_refused(dialog):
    """With what is wrong; and the button is greyed until it is put right."""
    _choose(dialog, "ay", _PART, "x")
    assert "Not possible: 2 columns are specific force, raw x." in dialog.problems.text()
    assert "No accelerometer y" in dialog.problems.text()
    assert not dialog.ok.isEnabled()
    _choose(dialog, "ay", _PART, "y")
    assert dialog.ok.isEnabled()
    assert not dialog.problems.isVisible()


def test_swapping_a_channel_takes_the_free_part(dialog):
    """Giving a column away and another one in: the part that is missing is proposed."""
    _choose(dialog, "gz", _CHANNEL, "leave out")
    assert "No gyro z" in dialog.problems.text()
    _choose(dialog, "what", _CHANNEL, channel_label("rate_raw_imu_radps"))
    assert dialog._entries[_row(dialog, "what")].component == "z"


def test_a_clock_in_ticks_wants_a_rate(dialog):
    """Without one it can't be used."""
    assert dialog._entries[_row(dialog, "t")].channel == TIME
    _choose(dialog, "t", _UNIT, TICKS)
    assert "counts ticks" in dialog.problems.text()
    scale = dialog.table.cellWidget(_row(dialog, "t"), _SCALE)
    scale.setFocus()
    QTest.keyClicks(scale, "1000")
    QTest.keyClick(scale, Qt.Key.Key_Tab)
    assert dialog._entries[_row(dialog, "t")].rate_hz == 1000.0
    assert "ticks" not in dialog.problems.text()


@pytest.mark.parametrize(("axes", "is_possible"), [(("+y", "-x", "+z"), True), (("+y", "+x", "+z"), False), (("+x", "+x", "+z"), False)])
def test_axes_must_be_right_handed(dialog, axes, is_possible):
    """A mirrored sensor does not exist; one axis twice neither."""
    for box, axis in zip(dialog._axes, axes, strict=True):
        box.setCurrentText(axis)
        box.activated.emit(box.currentIndex())
    assert dialog.ok.isEnabled() is is_possible
    assert dialog.column_map().axes == axes


def test_a_map_is_saved_and_loaded(dialog, tmp_path):
    """The file is the one `--columns` takes."""
    _choose(dialog, "ax", _SIGN, "−")
    wanted = dialog.column_map()
    dialog._save()
    assert load_column_map(tmp_path / "m.toml") == wanted
    _choose(dialog, "ax", _SIGN, "+")
    assert dialog.column_map() != wanted
    dialog._load()
    assert dialog.column_map() == wanted
    (tmp_path / "m.toml").write_text("format = 1\n[onboard_attitude]\nrotation_deg = [0.0, 0.0, 30.0]\n")
    dialog._load()
    assert dialog.column_map().attitude.rotation_rad[2] == pytest.approx(30.0 * DEG), "what has no box of its own is kept too"
    (tmp_path / "m.toml").write_text("format = 1\n[immu]\n")
    dialog._load()
    assert "immu" in dialog.problems.text()


def test_it_says_why_it_asks_and_enter_agrees(dialog, log, qtbot):
    """One line on top says why and what to do; Enter does it, wherever nothing else was reached first."""
    (head,) = (label.text() for label in dialog.findChildren(QLabel) if "this logger" in label.text())
    assert "not seen this logger before" in head and "press Enter" in head and "\n" not in head
    qtbot.waitUntil(dialog.isActiveWindow)
    assert dialog.focusWidget() is dialog.ok
    QTest.keyClick(dialog.ok, Qt.Key.Key_Return)
    assert dialog.maps == [log.column_map]


def test_tab_goes_from_box_to_box_and_brings_each_into_sight(dialog, qtbot):
    """From the table through every cell that can be edited, on to the mount; a row below the edge is scrolled to."""
    dialog.resize(900, 260)
    qtbot.waitUntil(dialog.isActiveWindow)
    dialog.table.setFocus()
    reached = []
    for _ in range(60):
        QTest.keyClick(dialog.focusWidget(), Qt.Key.Key_Tab)
        reached.append(dialog.focusWidget())
        if reached[-1] is dialog._axes[0]:
            break
    rows = {widget.property("row") for widget in reached[:-1]}
    assert reached[0] is dialog.table.cellWidget(0, _CHANNEL) and rows == set(range(dialog.table.rowCount()))
    last = dialog.table.cellWidget(dialog.table.rowCount() - 1, _CHANNEL)
    assert not dialog.table.viewport().rect().intersected(last.geometry()).isEmpty()


def test_a_clock_that_runs_fast_can_be_scaled(dialog):
    """What the audit asks for where two files' clocks run at different rates: the scale of the time column."""
    scale = dialog.table.cellWidget(_row(dialog, "t"), _SCALE)
    assert scale.isEnabled()
    scale.edited.emit(0.99)
    assert next(entry for entry in dialog.column_map().columns if entry.column == "t").scale == 0.99
    assert not dialog.table.cellWidget(_row(dialog, "t"), _SIGN).isEnabled()
