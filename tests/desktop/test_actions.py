"""The table of commands: one key, one meaning; every key reaches its command wherever the focus is."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence
from PySide6.QtTest import QTest

from replay.desktop import actions, timeline, trace_tools
from replay.desktop.actions import COMMANDS, MENUS, SUBMENUS, Command, clashes

KEYED = [(command.id, key) for command in COMMANDS for key in command.keys]


def test_no_key_is_used_twice():
    """Ambiguous shortcuts do nothing in Qt, silently."""
    assert clashes() == {}


def test_a_key_used_twice_would_be_found():
    """The check itself can fail: same key, other spelling."""
    twice = (*COMMANDS, Command("other", "&Help", "Other", ("ctrl+o",)))
    assert clashes(twice) == {"Ctrl+O": ["open", "other"]}


def test_every_key_is_one_qt_knows():
    """A mistyped key would be an empty sequence."""
    for command, key in KEYED:
        assert not QKeySequence(key).isEmpty(), (command, key)
        assert QKeySequence(key).count() == 1


def test_ids_and_menus_are_known_and_mnemonics_in_a_menu_differ():
    """Every command once, in a menu there is; and no two of a menu have one mnemonic letter."""
    ids = [command.id for command in COMMANDS]
    assert len(set(ids)) == len(ids)
    assert {command.menu for command in COMMANDS} == set(MENUS)
    for menu in MENUS:
        letters = [c.text[c.text.index("&") + 1].lower() for c in COMMANDS if c.menu == menu]
        assert sorted(letters) == sorted(set(letters)), menu


def test_every_command_has_a_tip_and_the_key_sheet_names_every_key():
    """What is in the table is in the help."""
    sheet = actions.sheet_html((*trace_tools.KEYS, *timeline.KEYS))
    for command in COMMANDS:
        assert command.tip, command.id
    for _, key in KEYED:
        assert QKeySequence(key).toString(QKeySequence.SequenceFormat.NativeText) in sheet


def test_every_command_is_in_its_menu(window):
    """Built from the table, nothing left out; submenus fill when they open."""
    for command in COMMANDS:
        menu = next(action.menu() for action in window.menuBar().actions() if action.text() == command.menu)
        assert window.actions[command.id] in menu.actions()
        if command.id not in SUBMENUS:
            shown = [key.toString(QKeySequence.SequenceFormat.PortableText) for key in window.actions[command.id].shortcuts()]
            assert shown == [QKeySequence(key).toString(QKeySequence.SequenceFormat.PortableText) for key in command.keys]


def _focus_places(window):
    row = window.panels["estimator"].rows["accel_bias_imu_mps2", 0]
    return {
        "slider": row.slider.track,
        "method": window.panels["estimator"].method,
        "readout": window.readout.table,
        "timeline": window.timeline,
        "attitude": window.attitude.canvas,
    }


def test_space_and_arrows_are_the_windows_wherever_the_focus_is(window, qtbot):
    """Space plays and pauses, arrows step, with a slider, a list, the table or a view in focus."""
    window.activateWindow()
    qtbot.waitActive(window)
    for place, widget in _focus_places(window).items():
        window.player.seek(5.0)
        widget.setFocus(Qt.FocusReason.OtherFocusReason)
        assert widget.hasFocus(), place
        before = window.player.playback.log_time_s
        QTest.keyClick(widget, Qt.Key.Key_Right)
        assert window.player.playback.log_time_s == pytest.approx(before + 0.01), place
        QTest.keyClick(widget, Qt.Key.Key_Left, Qt.KeyboardModifier.ShiftModifier)
        assert window.player.playback.log_time_s < before + 0.01, place
        QTest.keyClick(widget, Qt.Key.Key_Space)
        assert window.player.playback.is_playing, place
        QTest.keyClick(widget, Qt.Key.Key_Space)
        assert not window.player.playback.is_playing, place


_OPENS_A_DIALOG = ("launch_video", "quit", "open", "save", "save_as", "column_map", "audit", "traces", "keys", "cautions")


def test_every_key_does_its_command_and_no_other(window, qtbot):
    """The key alone, with the focus on a slider, triggers the command of its row; those that would open a dialog are cut off from it."""
    window.activateWindow()
    qtbot.waitActive(window)
    window.panels["estimator"].rows["gyro_bias_imu_radps", 1].slider.track.setFocus()
    fired = []
    for name, action in window.actions.items():
        action.setEnabled(True)
        if name in _OPENS_A_DIALOG:
            action.triggered.disconnect()
        action.triggered.connect(lambda *_, name=name: fired.append(name))
    wrong = []
    for command, key in KEYED:
        fired.clear()
        for action in window.actions.values():
            action.setEnabled(True)
        QTest.keySequence(window, QKeySequence(key))
        if fired != [command]:
            wrong.append((key, command, list(fired)))
    window.player.stop()
    assert wrong == []


def test_letters_typed_into_a_number_are_not_commands(window, qtbot):
    """A number entry keeps what is typed: digits, minus and e don't zoom or move cameras."""
    window.activateWindow()
    qtbot.waitActive(window)
    entry = window.panels["estimator"].rows["accel_bias_imu_mps2", 0].slider.entry
    entry.setFocus()
    entry.selectAll()
    camera = window.attitude.camera
    QTest.keyClicks(entry, "-0.25")
    QTest.keyClick(entry, Qt.Key.Key_Return)
    assert window.session.review.corrected.accel_bias_imu_mps2[0] == -0.25
    assert window.attitude.camera == camera


def test_space_presses_a_button_reached_with_tab(window, qtbot):
    """So that everything can be done without a pointer."""
    window.activateWindow()
    qtbot.waitActive(window)
    box = window.panels["estimator"].pad_bias
    box.setFocus(Qt.FocusReason.TabFocusReason)
    was = window.session.review.corrected.gyro_pad_bias
    QTest.keyClick(box, Qt.Key.Key_Space)
    assert window.session.review.corrected.gyro_pad_bias is not was
    assert not window.player.playback.is_playing
