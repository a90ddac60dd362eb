"""FloatSlider: a user's edit and a program's update are different things."""

import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from replay.desktop.float_slider import FloatSlider
from replay.desktop.form import OptionalNumber


@pytest.fixture
def slider(qtbot):
    """Accelerometer bias: −2 to 2 in steps of 0.001, as flown 0.25."""
    made = FloatSlider(-2.0, 2.0, 0.001, "accelerometer bias x")
    qtbot.addWidget(made)
    made.resize(320, 30)
    made.display(0.25, 0.25)
    made.show()
    made.edits, made.releases = [], []
    made.edited.connect(made.edits.append)
    made.released.connect(lambda: made.releases.append(1))
    return made


def _drag(slider, from_px, to_px, steps=10, modifier=Qt.KeyboardModifier.NoModifier):
    track, y = slider.track, slider.track.height() // 2
    QTest.mousePress(track, Qt.MouseButton.LeftButton, modifier, QPoint(from_px, y))
    for i in range(1, steps + 1):
        x = from_px + (to_px - from_px) * i / steps
        _move(track, x, y, modifier)
    QTest.mouseRelease(track, Qt.MouseButton.LeftButton, modifier, QPoint(to_px, y))


def _move(track, x, y, modifier):
    from PySide6.QtCore import QEvent
    from PySide6.QtGui import QMouseEvent

    at = QPointF(x, y)
    button = Qt.MouseButton.LeftButton
    QApplication.sendEvent(track, QMouseEvent(QEvent.Type.MouseMove, at, track.mapToGlobal(at), button, button, modifier))


def _handle_px(slider):
    return round(slider.track._x_of(slider.track.sliderPosition()))


def test_a_program_s_update_never_emits_and_never_rounds(slider):
    """Whatever is displayed, inside the range or out of it."""
    for value in (0.1234567890123, -1.999, 3.7, 0.25, -50.0):
        slider.display(value, 0.25)
        assert slider.value == value
    assert (slider.edits, slider.releases) == ([], [])


def test_a_drag_emits_values_on_the_way_and_one_release(slider):
    """To the right is more; the handle follows the pointer; one undo step ends when it is let go."""
    start = _handle_px(slider)
    _drag(slider, start, start + 60)
    assert len(slider.edits) >= 5
    assert slider.edits == sorted(slider.edits)
    assert slider.edits[-1] == slider.value > 0.25
    assert slider.releases == [1]
    assert abs(_handle_px(slider) - (start + 60)) <= 2


def test_a_drag_to_the_end_reaches_the_end_and_back_reaches_the_value_as_flown(slider):
    """The whole range can be reached; and the mark is found again exactly, not nearly."""
    start = _handle_px(slider)
    _drag(slider, start, slider.track.width() + 50)
    assert slider.value == 2.0
    _drag(slider, _handle_px(slider), -50)
    assert slider.value == -2.0
    _drag(slider, _handle_px(slider), start)
    slider.track.setSliderPosition(slider.track.mark)
    assert slider.value == 0.25


def test_the_travel_is_fine_near_the_value_as_flown(slider):
    """Four pixels from the mark change far less than four pixels at the end of the travel."""
    start = _handle_px(slider)
    _drag(slider, start, start + 4)
    near = slider.value - 0.25
    _drag(slider, _handle_px(slider), slider.track.width())
    top = slider.value
    _drag(slider, _handle_px(slider), _handle_px(slider) - 4)
    assert 0 < near < 0.1 * (top - slider.value)


def test_shift_drags_ten_times_finer(slider):
    """The same pointer travel with Shift moves the handle a tenth of it."""
    start = slider.track.sliderPosition()
    _drag(slider, _handle_px(slider), _handle_px(slider) + 50, modifier=Qt.KeyboardModifier.ShiftModifier)
    fine = slider.track.sliderPosition() - start
    slider.display(0.25, 0.25)
    _drag(slider, _handle_px(slider), _handle_px(slider) + 50)
    coarse = slider.track.sliderPosition() - start
    assert fine == pytest.approx(coarse / 10, rel=0.1)


def test_keys_step_the_value_not_the_handle(slider, qtbot):
    """Up and Down by one step, Page keys by ten; the step ends after a moment."""
    slider.track.setFocus()
    QTest.keyClick(slider.track, Qt.Key.Key_Up)
    QTest.keyClick(slider.track, Qt.Key.Key_PageUp)
    QTest.keyClick(slider.track, Qt.Key.Key_Down)
    assert slider.edits == pytest.approx([0.251, 0.261, 0.260])
    assert slider.releases == []
    qtbot.waitUntil(lambda: slider.releases == [1])


def test_left_and_right_are_left_to_the_window(slider):
    """They scrub, wherever the focus is."""
    slider.track.setFocus()
    QTest.keyClick(slider.track, Qt.Key.Key_Left)
    QTest.keyClick(slider.track, Qt.Key.Key_Right)
    assert slider.edits == []


def test_space_plays_and_does_not_take_a_number_s_place(qtbot):
    """While a number field has the focus, too: it is left to the window, and the number just entered stays."""
    from PySide6.QtGui import QKeySequence, QShortcut
    from PySide6.QtWidgets import QWidget

    window = QWidget()
    qtbot.addWidget(window)
    other = OptionalNumber("declared heading", 0.0, 360.0, window)
    slider = FloatSlider(-2.0, 2.0, 0.001, "accelerometer bias x", window)
    pressed = []
    QShortcut(QKeySequence("Space"), window, activated=lambda: pressed.append(1))
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    for field in (slider.entry, other):
        field.setFocus()
        field.selectAll()
        QTest.keyClicks(field, "-1.5" if field is slider.entry else "15")
        QTest.keyClick(field, Qt.Key.Key_Return)
        before = field.text()
        QTest.keyClick(field, Qt.Key.Key_Space)
        assert field.text() == before
    assert slider.value == -1.5 and other.value == 15.0
    assert pressed == [1, 1]


def _wheel(widget, notches):
    at = QPointF(widget.rect().center())
    event = QWheelEvent(
        at, widget.mapToGlobal(at), QPoint(), QPoint(0, 120 * notches), Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(widget, event)
    return event.isAccepted()


def test_a_wheel_counts_only_with_the_focus(slider, qtbot):
    """Scrolling the panel past a slider must not edit it."""
    slider.track.clearFocus()
    for widget in (slider.track, slider.entry):
        assert not _wheel(widget, 1)
    assert slider.edits == []
    slider.track.setFocus()
    _wheel(slider.track, 2)
    assert slider.edits == pytest.approx([0.252])
    qtbot.waitUntil(lambda: slider.releases == [1])


def test_a_number_typed_is_one_edit_and_one_release(slider):
    """Beyond the slider's range too; typing alone, without Return, is no edit yet."""
    slider.entry.setFocus()
    slider.entry.selectAll()
    QTest.keyClicks(slider.entry, "3.5")
    assert slider.edits == []
    QTest.keyClick(slider.entry, Qt.Key.Key_Return)
    assert (slider.edits, slider.releases, slider.value) == ([3.5], [1], 3.5)


def test_a_number_left_as_it_was_is_no_edit(slider):
    """Walking through the entries with Tab rounds nothing: the model has more digits than the entry shows."""
    slider.display(0.123456789, 0.25)
    slider.entry.setFocus()
    QTest.keyClick(slider.entry, Qt.Key.Key_Return)
    slider.track.setFocus()
    assert slider.edits == []
    assert slider.value == 0.123456789


def test_a_click_on_the_groove_goes_there(slider):
    """As people expect of a slider."""
    QTest.mouseClick(slider.track, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(20, slider.track.height() // 2))
    assert slider.value < 0.25
    assert slider.releases == [1]


def test_an_update_during_a_drag_does_not_take_the_handle_from_the_hand(slider):
    """Results arrive while the user drags; the handle stays under the pointer."""
    track, y = slider.track, slider.track.height() // 2
    start = _handle_px(slider)
    QTest.mousePress(track, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(start, y))
    _move(track, start + 40, y, Qt.KeyboardModifier.NoModifier)
    slider.display(slider.value, 0.25)
    assert abs(_handle_px(slider) - (start + 40)) <= 1
    QTest.mouseRelease(track, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, QPoint(start + 40, y))


def test_a_scale_near_one_has_the_digits_its_step_needs(qtbot):
    """Steps of 0.0001 need five digits to be seen."""
    slider = FloatSlider(0.9, 1.1, 1e-4, "gyro scale z")
    qtbot.addWidget(slider)
    slider.display(1.0143, 1.0)
    assert slider.entry.text() == "1.01430"
