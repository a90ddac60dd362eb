"""The Attitude view driven as a user drives it: buttons, keys, drag and wheel on the offscreen platform."""

import dataclasses
import math

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QImage, QWheelEvent
from PySide6.QtWidgets import QApplication, QPushButton
from scene_flight import APOGEE_S, LIFTOFF_S, snapshot

from replay.desktop.attitude import AttitudeView
from replay.desktop.icon import application_icon
from replay.scene.camera import CAMERAS
from replay.scene.drawlist import Text


@pytest.fixture
def view(qtbot):
    widget = AttitudeView()
    qtbot.addWidget(widget)
    widget.resize(500, 540)
    widget.show_snapshot(snapshot())
    widget.move_cursor(LIFTOFF_S + 2.0)
    widget.show()
    qtbot.waitExposed(widget)
    return widget


def _pixels(widget):
    image = widget.grab().toImage().convertToFormat(QImage.Format.Format_RGBA8888)
    return np.frombuffer(image.constBits(), dtype=np.uint8).reshape(image.height(), image.bytesPerLine()).copy()


def _texts(view):
    return [shape.text for shape in view.canvas.picture().shapes if isinstance(shape, Text)]


def _drag(qtbot, widget, start, stop):
    qtbot.mousePress(widget, Qt.MouseButton.LeftButton, pos=start)
    qtbot.mouseMove(widget, pos=QPoint((start.x() + stop.x()) // 2, (start.y() + stop.y()) // 2))
    qtbot.mouseMove(widget, pos=stop)
    qtbot.mouseRelease(widget, Qt.MouseButton.LeftButton, pos=stop)


def test_without_a_flight_it_says_so(qtbot):
    """An empty view paints, and offers no picture."""
    widget = AttitudeView()
    qtbot.addWidget(widget)
    widget.resize(300, 300)
    assert widget.canvas.picture() is None
    assert len(np.unique(_pixels(widget))) > 2
    widget.reset_camera()
    widget.set_camera("top")


def test_moving_the_cursor_redraws_the_vehicle_and_its_numbers(view):
    """Scrubbing changes the picture and the readout in its corner, and nothing else is needed."""
    before, text = _pixels(view), _texts(view)
    view.move_cursor(APOGEE_S + 3.0)
    assert (_pixels(view) != before).mean() > 0.01
    assert any("descent" in t for t in _texts(view)) and not any("descent" in t for t in text)


def test_a_new_result_keeps_cursor_and_camera(view):
    """Dragging a bias must not move what the user looks at."""
    view.set_camera("side")
    view.zoom(2.0)
    before = view.canvas.viewpoint
    view.show_snapshot(dataclasses.replace(snapshot(), revision=2))
    assert view.canvas.viewpoint == before
    assert any(t.startswith("T+2.00 s") for t in _texts(view))


def test_a_preview_that_runs_off_does_not_move_the_camera(view):
    """Through a drag grid, scale and enlargement stay those of the last settled result; letting go takes the new one's."""
    view.set_camera("top")
    settled = snapshot()
    view.show_snapshot(settled)
    before = next(t for t in _texts(view) if "grid" in t)
    far = dataclasses.replace(settled.as_flown, pos_enu_m=8.0 * settled.as_flown.pos_enu_m)
    view.show_snapshot(dataclasses.replace(settled, as_flown=far, is_preview=True))
    assert [t for t in _texts(view) if "grid" in t] == [before]
    view.show_snapshot(dataclasses.replace(settled, as_flown=far))
    assert [t for t in _texts(view) if "grid" in t] != [before]
    view.forget_flight()
    view.show_snapshot(dataclasses.replace(settled, is_preview=True))
    assert [t for t in _texts(view) if "grid" in t] == [before]


def test_showing_neither_emits_nor_edits(view, qtbot):
    """A view only draws: no signal leaves it on a new result or a cursor step."""
    with qtbot.assertNotEmitted(view.camera_changed), qtbot.assertNotEmitted(view.failed):
        view.show_snapshot(snapshot())
        view.move_cursor(1.0)


@pytest.mark.parametrize("name", CAMERAS)
def test_buttons_and_keys_choose_cameras(view, qtbot, name):
    """Each camera has a button that stays down and a digit; both do the same."""
    view.set_camera("pad" if name != "pad" else "top")
    button = next(b for b in view.findChildren(QPushButton) if b.text().lower() == name)
    with qtbot.waitSignal(view.camera_changed) as signal:
        qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert signal.args == [name] and view.camera == name and button.isChecked()
    view.set_camera("chase" if name != "chase" else "top")
    qtbot.keyClick(view.canvas, Qt.Key(Qt.Key.Key_1 + CAMERAS.index(name)))
    assert view.camera == name and button.isChecked()


def test_a_drag_turns_the_camera_and_a_double_click_sets_it_back(view, qtbot):
    """100 pixels to the right turn it 40°; a pull down raises the eye."""
    canvas = view.canvas
    _drag(qtbot, canvas, QPoint(200, 200), QPoint(300, 230))
    assert canvas.viewpoint.turn_rad == pytest.approx(math.radians(40.0))
    assert canvas.viewpoint.raise_rad == pytest.approx(math.radians(12.0))
    qtbot.mouseMove(canvas, pos=QPoint(400, 100))  # no button: no turn
    assert canvas.viewpoint.turn_rad == pytest.approx(math.radians(40.0))
    qtbot.mouseDClick(canvas, Qt.MouseButton.LeftButton, pos=QPoint(250, 250))
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, pos=QPoint(250, 250))
    assert canvas.viewpoint.turn_rad == 0.0


def test_turning_the_camera_does_not_change_the_reading(view):
    """The numbers are the solution's, not the picture's."""
    before = _texts(view)[:1]
    view.orbit(1.0, 0.3)
    assert any(before[0] == t for t in _texts(view)) or before[0] in {"N", "E", "S", "W", "up"}
    assert any(t.startswith("as flown  tilt 4.5°") for t in _texts(view))


def test_wheel_and_keys_zoom_and_orbit(view, qtbot):
    """Wheel up magnifies; plus and minus undo each other; A and D, Shift+W and Shift+S turn and raise."""
    canvas = view.canvas
    where = QPointF(250.0, 250.0)
    event = QWheelEvent(
        where,
        canvas.mapToGlobal(where),
        QPoint(),
        QPoint(0, 240),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(canvas, event)
    assert canvas.viewpoint.zoom == pytest.approx(1.18**2)
    qtbot.keyClick(canvas, Qt.Key.Key_Plus)
    qtbot.keyClick(canvas, Qt.Key.Key_Minus)
    assert canvas.viewpoint.zoom == pytest.approx(1.18**2)
    both = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    qtbot.keyClick(canvas, Qt.Key.Key_Left, both)
    assert canvas.viewpoint.turn_rad > 0.1
    qtbot.keyClick(canvas, Qt.Key.Key_Right, both)
    qtbot.keyClick(canvas, Qt.Key.Key_Up, both)
    assert canvas.viewpoint.turn_rad == pytest.approx(0.0) and canvas.viewpoint.raise_rad > 0.1
    qtbot.keyClick(canvas, Qt.Key.Key_Down, both)
    qtbot.keyClick(canvas, Qt.Key.Key_0)
    assert canvas.viewpoint.zoom == 1.0


def test_each_camera_remembers_its_own_turn(view):
    """Going to the plan and back does not lose the chase view's angle."""
    view.orbit(0.5, 0.1)
    view.set_camera("top")
    assert view.canvas.viewpoint.turn_rad == 0.0
    view.set_camera("chase")
    assert view.canvas.viewpoint.turn_rad == pytest.approx(0.5)


def test_a_glide_between_wide_cameras_ends_and_stops_its_timer(view, qtbot):
    """Smooth, and at rest afterwards: no timer keeps running, also when hidden half way."""
    view.set_camera("side")
    view.set_camera("orbit")
    timer = view.canvas._glide_timer
    assert timer.isActive()
    qtbot.waitUntil(lambda: not timer.isActive(), timeout=2000)
    view.set_camera("side")
    assert timer.isActive()
    view.hide()
    assert not timer.isActive()


def test_the_what_if_can_be_left_out(view):
    """The window's toggle hides the twin and its line in the legend."""
    assert any(t.startswith("what-if") for t in _texts(view))
    view.set_what_if_visible(False)
    assert not any(t.startswith("what-if") for t in _texts(view))


def test_pictures_are_saved_and_failures_are_said(view, qtbot, tmp_path):
    """As shown, to a vector file; a path that can't be written is a message, not a crash."""
    view.canvas.save(view.canvas.picture(), str(tmp_path / "attitude.svg"))
    assert "as flown" in (tmp_path / "attitude.svg").read_text()
    with qtbot.waitSignal(view.failed) as signal:
        view.canvas.save(view.canvas.picture(), str(tmp_path / "missing" / "attitude.svg"))
    assert "missing" in signal.args[0]


def test_it_can_be_reached_and_read_without_a_mouse(view):
    """Accessible names, a line of help, and focus on the picture."""
    assert view.accessibleName() == "Attitude" and "Drag" in view.canvas.accessibleDescription()
    assert view.statusTip() and all(b.statusTip() and b.accessibleName() for b in view.findChildren(QPushButton))
    assert view.canvas.focusPolicy() & Qt.FocusPolicy.TabFocus


def test_the_window_icon_has_every_usual_size(qapp):
    """Drawn for each, not scaled from one."""
    sizes = {size.width() for size in application_icon().availableSizes()}
    assert {16, 24, 32, 48, 256} <= sizes


@pytest.mark.parametrize("camera", ["chase", "side"])
def test_a_ground_that_is_copied_is_the_ground_that_is_drawn(qtbot, view, camera):
    """After steps of the cursor and a turn of the camera, the picture is that of a view that has drawn nothing before."""
    view.set_camera(camera)
    for step in range(4):
        view.move_cursor(LIFTOFF_S + 1.0 + 0.1 * step)
        view.grab()
    assert (view.canvas._ground is not None) is (camera == "side")
    view.orbit(0.3, 0.1)
    view.grab()
    view.move_cursor(LIFTOFF_S + 3.0)
    fresh = AttitudeView()
    qtbot.addWidget(fresh)
    fresh.resize(view.size())
    fresh.show_snapshot(snapshot())
    fresh.set_camera(camera)
    fresh.orbit(0.3, 0.1)
    fresh.move_cursor(LIFTOFF_S + 3.0)
    fresh.show()
    qtbot.waitExposed(fresh)
    drawn, fresh.canvas._still = _pixels(view.canvas), ()
    assert np.array_equal(drawn, _pixels(fresh.canvas))
