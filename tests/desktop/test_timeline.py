"""The timeline as a user meets it."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_flight import EVENTS, snapshot
from numpy.testing import assert_allclose
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QHelpEvent, QKeyEvent
from PySide6.QtWidgets import QApplication, QToolTip

from replay.desktop.time_scale import TimeScale
from replay.desktop.timeline import Timeline
from replay.desktop.timeline_paint import Rows, place_events, tip
from replay.flightlog.log import Channel, FlightLog


@pytest.fixture(scope="module")
def drawn():
    return snapshot()


@pytest.fixture
def timeline(qtbot, drawn):
    widget = Timeline()
    qtbot.addWidget(widget)
    widget.resize(1000, 100)
    widget.show()
    widget.show_snapshot(drawn)
    QApplication.processEvents()
    return widget


def _band_y(timeline):
    return round(timeline._rows.band.center().y())


def _drag(qtbot, timeline, start, stop, modifiers=Qt.KeyboardModifier.NoModifier):
    """Between two (x, y), in steps."""
    qtbot.mousePress(timeline, Qt.MouseButton.LeftButton, modifiers, QPoint(*map(round, start)))
    for share in (0.3, 0.7, 1.0):
        at = [a + share * (b - a) for a, b in zip(start, stop, strict=True)]
        qtbot.mouseMove(timeline, QPoint(*map(round, at)))
    qtbot.mouseRelease(timeline, Qt.MouseButton.LeftButton, modifiers, QPoint(*map(round, stop)))


def test_a_press_and_a_drag_scrub(qtbot, timeline):
    """The cursor is asked for under the pointer all the way, and never outside the log."""
    asked = []
    timeline.cursor_requested.connect(asked.append)
    y = _band_y(timeline)
    _drag(qtbot, timeline, (timeline.x_px(15.0), y), (3000, y))
    assert_allclose(asked[0], 15.0, atol=0.05)
    assert_allclose(asked[-1], 37.9975)
    assert asked == sorted(asked)


def test_an_event_is_moved_by_hand_once_when_let_go(qtbot, timeline, drawn):
    """Dragging apogee by its label: nothing is said until the end, then its name and new time."""
    moved, asked = [], []
    timeline.event_moved.connect(lambda name, t: moved.append((name, t)))
    timeline.cursor_requested.connect(asked.append)
    place = next(p for p in timeline._places if p.name == "apogee")
    at = place.label.center()
    shift = timeline.x_px(13.5) - place.x_px
    _drag(qtbot, timeline, (at.x(), at.y()), (place.x_px + shift, at.y()))
    assert [name for name, _ in moved] == ["apogee"]
    assert_allclose(moved[0][1], 13.5, atol=0.03)
    assert asked == []
    assert timeline.event_x_px("apogee") == pytest.approx(timeline.x_px(moved[0][1]))
    timeline.show_snapshot(drawn)
    assert timeline.event_x_px("apogee") == pytest.approx(timeline.x_px(13.0))  # the result decides


def test_a_click_on_an_event_goes_there(qtbot, timeline):
    """It is chosen, and the cursor asked for at it exactly; nothing is moved."""
    moved = []
    timeline.event_moved.connect(lambda *args: moved.append(args))
    place = next(p for p in timeline._places if p.name == "burnout")
    with qtbot.waitSignal(timeline.cursor_requested) as got:
        qtbot.mouseClick(timeline, Qt.MouseButton.LeftButton, pos=place.label.center().toPoint())
    assert got.args == [8.5]
    assert timeline.chosen_event == "burnout"
    assert moved == []


def test_events_are_moved_from_the_keyboard(qtbot, timeline):
    """E chooses, Alt and arrows move by a sample, with Shift by a tenth of a second; Escape lets go."""
    moved = []
    timeline.event_moved.connect(lambda name, t: moved.append((name, t)))
    for _ in range(2):
        qtbot.keyClick(timeline, Qt.Key.Key_E)
    assert timeline.chosen_event == "burnout"
    qtbot.keyClick(timeline, Qt.Key.Key_E, Qt.KeyboardModifier.ShiftModifier)
    assert timeline.chosen_event == "liftoff"
    qtbot.keyClick(timeline, Qt.Key.Key_Right, Qt.KeyboardModifier.AltModifier)
    qtbot.keyClick(timeline, Qt.Key.Key_Left, Qt.KeyboardModifier.AltModifier | Qt.KeyboardModifier.ShiftModifier)
    assert [name for name, _ in moved] == ["liftoff", "liftoff"]
    assert_allclose([t for _, t in moved], [4.0025, 3.9], atol=1e-9)
    qtbot.keyClick(timeline, Qt.Key.Key_Escape)
    assert timeline.chosen_event is None


def test_an_event_moved_by_hand_keeps_its_place_in_the_flight(qtbot, timeline):
    """Dragged or stepped past its neighbours it stops a sample before them; a parachute may open before apogee."""
    at = dict(timeline._series.marks.events)
    names = timeline.event_names()
    assert {"liftoff", "burnout", "apogee", "touchdown"} <= set(names)
    moved = []
    timeline.event_moved.connect(lambda name, log_time_s: moved.append((name, log_time_s)))
    step = timeline._sample_s()
    for name, by_s, wanted in (
        ("liftoff", 1e3, at["burnout"] - step),
        ("burnout", -1e3, at["liftoff"] + step),
        ("apogee", 1e3, at["touchdown"] - step),
        ("liftoff", -1e3, timeline._series.marks.start_log_s),
    ):
        timeline.choose_event(name)
        timeline.nudge_event(by_s)
        assert moved[-1] == (name, pytest.approx(wanted))
    y = round(timeline._rows.band.top()) + 4
    qtbot.mousePress(timeline, Qt.MouseButton.LeftButton, pos=QPoint(round(timeline.event_x_px("burnout")), y))
    for x in (timeline.event_x_px("burnout") + 10, timeline.width() - 5):
        qtbot.mouseMove(timeline, QPoint(round(x), y))
    qtbot.mouseRelease(timeline, Qt.MouseButton.LeftButton, pos=QPoint(timeline.width() - 5, y))
    after = min(at[name] for name in ("apogee", "deployment") if name in at)
    assert moved[-1] == ("burnout", pytest.approx(after - step))


def test_keys_of_the_window_are_left_alone(timeline):
    """Plain arrows, Space, and Escape with nothing chosen."""
    none, alt = Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.AltModifier
    for key, modifiers, is_own in (
        (Qt.Key.Key_Left, none, False),
        (Qt.Key.Key_Right, none, False),
        (Qt.Key.Key_Space, none, False),
        (Qt.Key.Key_Escape, none, False),
        (Qt.Key.Key_Left, alt, False),
        (Qt.Key.Key_E, none, True),
    ):
        override = QKeyEvent(QEvent.Type.ShortcutOverride, key, modifiers)
        override.ignore()
        QApplication.sendEvent(timeline, override)
        assert override.isAccepted() is is_own, key
        if not is_own:
            press = QKeyEvent(QEvent.Type.KeyPress, key, modifiers)
            QApplication.sendEvent(timeline, press)
            assert not press.isAccepted(), key


def test_the_span_is_drawn_out_and_its_ends_dragged(qtbot, timeline):
    """Shift and drag make one; an end dragged past the other becomes the other. Set by program it says nothing."""
    said = []
    timeline.span_changed.connect(said.append)
    timeline.set_span((2.0, 3.0))
    assert said == []
    y = _band_y(timeline)
    _drag(qtbot, timeline, (timeline.x_px(24.0), y), (timeline.x_px(18.0), y), Qt.KeyboardModifier.ShiftModifier)
    assert_allclose(said[-1], (18.0, 24.0), atol=0.05)
    assert timeline.span_log_s == said[-1]
    _drag(qtbot, timeline, (timeline.x_px(18.0), y), (timeline.x_px(27.0), y))
    assert_allclose(said[-1], (24.0, 27.0), atol=0.05)
    timeline.set_span(None)
    assert timeline.span_log_s is None


def test_a_cursor_step_draws_nothing_still_again(timeline):
    """The picture is the same one, and only columns at the two places change."""
    timeline.move_cursor(10.0)
    before = timeline.grab().toImage()
    picture = timeline._picture
    timeline.move_cursor(20.0)
    after = timeline.grab().toImage()
    assert timeline._picture is picture
    changed = [x for x in range(after.width()) if any(after.pixel(x, y) != before.pixel(x, y) for y in range(after.height()))]
    assert changed
    assert all(min(abs(x - timeline.x_px(10.0)), abs(x - timeline.x_px(20.0))) <= 8.0 for x in changed)


def test_what_is_drawn_where(timeline):
    """Phase shades, the gate's bar, refusals and the hatched gap, each at its time."""
    image = timeline.grab().toImage()
    band, marks = timeline._rows.band, timeline._rows.marks

    def colour(t, y):
        return QColor(image.pixel(round(timeline.x_px(t)), round(y)))

    assert colour(6.0, band.top() + 3).name().upper() == "#FBE3D6"
    assert colour(10.5, band.top() + 3).name().upper() == "#E3F0FA"
    assert colour(2.0, marks.top() + 2).name().upper() == "#009E73"
    assert colour(10.0, marks.top() + 2).name().upper() not in ("#009E73", "#D55E00")
    refused = [colour(21.0 + dx * 0.02, marks.top() + 7).red() for dx in range(-2, 3)]
    assert max(refused) > 200
    hatch = [colour(20.3, y).lightness() for y in np.arange(band.top() + 2, band.bottom() - 2)]
    assert min(hatch) < 80
    assert max(hatch) > 240


def test_labels_never_cover_each_other(timeline, drawn):
    """However close the events and however narrow the bar; a name without room is left to the tool tip."""
    metrics = QFontMetricsF(timeline.font())
    rng = np.random.default_rng(4)
    for width in (240.0, 500.0, 1500.0):
        rows = Rows.of(width, metrics.height())
        scale = TimeScale(0.0, 40.0, rows.band.left(), rows.band.right())
        for _ in range(50):
            times = np.sort(rng.uniform(0.0, 40.0, 6))
            names = ("liftoff", "burnout", "apogee", "deployment", "touchdown", "rest")
            places = [p for p in place_events(list(zip(names, times, strict=True)), scale, rows, metrics) if p.label.width()]
            for i, a in enumerate(places):
                assert a.label.right() <= width
                for b in places[i + 1 :]:
                    assert not a.label.intersects(b.label)


def test_tool_tips_say_what_is_there(timeline, drawn):
    """Event, gap, refusal with its sigmas, gate and bookmark, in seconds from liftoff."""
    timeline.set_bookmarks({7.0: "turning over"})
    marks, rows, scale = timeline._series.marks, timeline._rows, timeline._scale

    def said(t, y):
        return tip(marks, timeline._bookmarks, timeline._places, scale, rows, scale.x(t), y)

    low, band = rows.marks.center().y(), rows.band.center().y()
    assert said(20.3, band) == "gap of 0.605 s in accel_raw_imu_mps2"
    assert "baro rejected at 17.000 s (-4.4 σ)" in said(21.0, low)
    assert said(2.0, low) == "gravity used here to correct the attitude"
    assert said(7.0, low) == "bookmark turning over"
    assert said(13.0, rows.events.bottom()).startswith("apogee at 9.000 s")
    where = QPointF(scale.x(20.3), band)
    QApplication.sendEvent(timeline, QHelpEvent(QEvent.Type.ToolTip, where.toPoint(), timeline.mapToGlobal(where).toPoint()))
    assert "gap" in QToolTip.text()
    QToolTip.hideText()


def test_a_long_wait_on_the_pad_does_not_squeeze_the_flight(qtbot, drawn):
    """The bar spans the flight and says how much log lies beyond; a double click, or 0, shows all of it. Scrubbing stays on the bar."""
    early = drawn.log["battery_v"]
    wait = Channel("battery_v", early.log_time_s - 600.0, early.values, "V")
    log = FlightLog(drawn.log.paths, "2", {**drawn.log.channels, "battery_v": wait}, drawn.log.column_map)
    widget = Timeline()
    qtbot.addWidget(widget)
    widget.resize(1000, 100)
    widget.show()
    widget.show_snapshot(replace(drawn, log=log))
    assert_allclose(widget.window_log_s, (-3.75, 37.9975))
    y = _band_y(widget)
    assert "goes on" in tip(widget._series.marks, {}, [], widget._scale, widget._rows, 15.0, y)
    widget.move_cursor(-300.0)
    widget.grab()
    asked = []
    widget.cursor_requested.connect(asked.append)
    _drag(qtbot, widget, (400, y), (-200, y))
    assert_allclose(asked[-1], -3.75)
    qtbot.mouseDClick(widget, Qt.MouseButton.LeftButton, pos=QPoint(500, y))
    assert_allclose(widget.window_log_s, (-599.99, 37.9975))
    qtbot.keyClick(widget, Qt.Key.Key_0)
    assert_allclose(widget.window_log_s, (-3.75, 37.9975))


def test_unknown_events_and_no_height(qtbot, drawn):
    """Nothing found: a bar without names, counted from the first row."""
    bare = replace(drawn.as_flown, events=type(EVENTS)(), pos_enu_m=np.full_like(drawn.as_flown.pos_enu_m, np.nan))
    widget = Timeline()
    qtbot.addWidget(widget)
    widget.resize(600, 100)
    widget.show()
    widget.show_snapshot(replace(drawn, as_flown=bare, what_if=None))
    widget.move_cursor(5.0)
    widget.grab()
    assert widget.event_names() == ()
    widget.choose_next_event()
    widget.nudge_event(1.0)
    assert widget.chosen_event is None


def test_it_can_be_found_without_eyes(timeline):
    """Name and description for a screen reader; reached with Tab."""
    assert timeline.accessibleName() == "Timeline"
    assert "E chooses" in timeline.accessibleDescription()
    assert timeline.focusPolicy() == Qt.FocusPolicy.StrongFocus
