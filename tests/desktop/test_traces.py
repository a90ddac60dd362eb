"""The trace stack as a user meets it: real widgets, real pointer and keys, and what is on the screen afterwards."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_flight import dragged, snapshot, solution, with_reflown
from numpy.testing import assert_allclose
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QKeyEvent, QKeySequence, QShortcut, QWheelEvent
from PySide6.QtWidgets import QApplication, QDialogButtonBox, QWidget

from replay.desktop import style
from replay.desktop.time_scale import TimeScale, decimals, number, round_step, significant, ticks
from replay.desktop.trace_chooser import TraceChooser
from replay.desktop.trace_legend import legend_entries
from replay.desktop.trace_style import looks
from replay.desktop.traces import TraceStack
from replay.errors import SettingsError
from replay.flightlog.log import Channel, FlightLog
from replay.review import series
from replay.scene import palette

pytest.importorskip("pyqtgraph")


@pytest.fixture(scope="module")
def drawn():
    return snapshot()


@pytest.fixture
def stack(qtbot, drawn):
    widget = TraceStack()
    qtbot.addWidget(widget)
    widget.resize(1000, 760)
    widget.show()
    widget.show_snapshot(drawn)
    _settle(widget)
    return widget


def _settle(widget):
    """Draw now what waits for the next frame."""
    QApplication.processEvents()
    widget._draw_window()
    widget.grab()


def _wheel(canvas, x_px, notches, modifiers=Qt.KeyboardModifier.NoModifier):
    at = QPointF(x_px, canvas.height() / 2)
    turn = QPoint(0, round(120 * notches))
    buttons, phase = Qt.MouseButton.NoButton, Qt.ScrollPhase.NoScrollPhase
    QApplication.sendEvent(canvas, QWheelEvent(at, canvas.mapToGlobal(at), QPoint(), turn, buttons, modifiers, phase, False))


def _drag(qtbot, canvas, from_px, to_px, modifiers=Qt.KeyboardModifier.NoModifier):
    y = canvas.height() // 2
    qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, modifiers, QPoint(round(from_px), y))
    for x in np.linspace(from_px, to_px, 5)[1:]:
        qtbot.mouseMove(canvas, QPoint(round(x), y))
        QApplication.processEvents()
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, modifiers, QPoint(round(to_px), y))


# the window of time


def test_all_panes_share_one_window_to_the_pixel(stack):
    """Every plot begins and ends at the same times and the same pixels, whatever its labels."""
    places = {
        (pane.canvas.scale.start_log_s, pane.canvas.scale.stop_log_s, pane.canvas.scale.left_px, pane.canvas.scale.right_px)
        for pane in stack.panes
    }
    assert len(places) == 1
    assert len(stack.panes) == 6


def test_the_wheel_zooms_about_the_pointer(stack):
    """The time under the pointer stays where it is, on every pane."""
    canvas = stack.panes[2].canvas
    before = canvas.scale.time(400.0)
    _wheel(canvas, 400.0, 3)
    _settle(stack)
    start, stop = stack.window_log_s
    assert stop - start < 0.6 * 38.0
    for pane in stack.panes:
        assert_allclose(pane.canvas.scale.time(400.0), before, atol=1e-6)


def test_a_drag_pans_by_what_the_pointer_moved(qtbot, stack):
    """A hundred pixels of drag are a hundred pixels of time."""
    stack.set_window(10.0, 20.0)
    _settle(stack)
    canvas = stack.panes[0].canvas
    pixel_s = canvas.scale.pixel_s
    _drag(qtbot, canvas, 500, 400)
    _settle(stack)
    assert_allclose(stack.window_log_s, (10.0 + 100 * pixel_s, 20.0 + 100 * pixel_s), atol=1e-9)


def test_shift_and_drag_choose_the_window(qtbot, stack):
    """From one place to the other, either way round."""
    canvas = stack.panes[0].canvas
    wanted = canvas.scale.time(300.0), canvas.scale.time(600.0)
    _drag(qtbot, canvas, 600, 300, Qt.KeyboardModifier.ShiftModifier)
    assert_allclose(stack.window_log_s, wanted, atol=1e-9)


def test_keys_of_the_traces_go_before_the_window_s_own(qtbot, drawn):
    """Plus zooms the traces while they have the focus, though the window has a use for plus; plain arrows stay the window's."""
    window = QWidget()
    qtbot.addWidget(window)
    stack = TraceStack(window)
    stack.resize(900, 600)
    used = []
    for key in ("+", "Left", "Space"):
        shortcut = QShortcut(QKeySequence(key), window)
        shortcut.activated.connect(lambda key=key: used.append(key))
    window.resize(900, 600)
    with qtbot.waitActive(window):
        window.show()
        window.activateWindow()
    stack.show_snapshot(drawn)
    stack.panes[1].setFocus()
    width = np.diff(stack.window_log_s)[0]
    for key in (Qt.Key.Key_Plus, Qt.Key.Key_Left, Qt.Key.Key_Space):
        qtbot.keyClick(stack.panes[1], key)
    QApplication.processEvents()
    assert np.diff(stack.window_log_s)[0] < 0.7 * width
    assert used == ["Left", "Space"]


@pytest.mark.parametrize(
    ("key", "wanted"), [(Qt.Key.Key_0, (0.0, 37.9975)), (Qt.Key.Key_PageUp, (8.0, 12.0)), (Qt.Key.Key_PageDown, (12.0, 16.0))]
)
def test_keys_move_the_window(qtbot, stack, key, wanted):
    """Whole flight, half a window earlier, half a window later."""
    stack.set_window(10.0, 14.0)
    qtbot.keyClick(stack.panes[0], key)
    assert_allclose(stack.window_log_s, wanted, atol=1e-3)


def test_zoom_to_phase_shows_the_phase(stack):
    """Boost with a little to either side, offered by name in the menu."""
    stack._fill_zoom_menu()
    assert [a.text() for a in stack.tools.zoom_menu.actions()] == ["Flight", "Whole log", "Pad", "Boost", "Coast", "Descent", "Landed"]
    stack.zoom_to_phase("boost")
    start, stop = stack.window_log_s
    assert 3.5 < start < 4.0
    assert 8.5 < stop < 9.0
    stack.set_window(10.0, 14.0)
    stack.tools.zoom_menu.actions()[3].trigger()
    assert stack.window_log_s == (start, stop)
    stack.set_span((6.0, 7.0))
    stack._fill_zoom_menu()
    stack.tools.zoom_menu.actions()[-1].trigger()
    assert_allclose(stack.window_log_s, (6.0, 7.0))


def test_the_window_can_t_run_away(stack):
    """Panned and zoomed without end, the log stays in reach."""
    for _ in range(100):
        stack.pan(50.0)
        stack.zoom(3.0)
    start, stop = stack.window_log_s
    assert start < 38.0
    assert stop - start < 50.0
    for _ in range(200):
        stack.zoom(0.3)
    _settle(stack)
    assert np.diff(stack.window_log_s)[0] >= 0.99e-4


# the cursor


def test_a_double_click_asks_for_the_cursor_there(qtbot, stack):
    """On the log's clock."""
    canvas = stack.panes[3].canvas
    with qtbot.waitSignal(stack.cursor_requested) as got:
        qtbot.mouseDClick(canvas, Qt.MouseButton.LeftButton, pos=QPoint(517, 20))
    assert_allclose(got.args[0], canvas.scale.time(517.0), atol=1e-9)


def test_the_cursor_can_be_dragged(qtbot, stack):
    """Taken hold of where it stands."""
    stack.move_cursor(12.0)
    canvas = stack.panes[0].canvas
    asked = []
    stack.cursor_requested.connect(asked.append)
    _drag(qtbot, canvas, canvas.scale.x(12.0) + 2, 700)
    assert_allclose(asked[-1], canvas.scale.time(700.0), atol=1e-9)
    assert stack.window_log_s == (0.0, 37.9975)


def test_a_cursor_step_copies_strips_and_draws_no_plot(stack):
    """The picture of the plot is the same one; only the line has moved."""
    stack.move_cursor(10.0)
    before = stack.panes[0].canvas.grab().toImage()
    pictures = [pane.canvas._picture for pane in stack.panes]
    stack.move_cursor(15.0)
    after = stack.panes[0].canvas.grab().toImage()
    assert [pane.canvas._picture for pane in stack.panes] == pictures
    scale = stack.panes[0].canvas.scale
    changed = [x for x in range(after.width()) if any(after.pixel(x, y) != before.pixel(x, y) for y in range(after.height()))]
    for x in changed:
        assert min(abs(x - scale.x(10.0)), abs(x - scale.x(15.0))) < 6.0
    near = [round(scale.x(15.0)) + dx for dx in (-1, 0, 1)]
    assert max(sum(QColor(after.pixel(x, y)).lightness() < 90 for y in range(20, 60)) for x in near) > 30


def test_dots_stand_on_the_lines(stack, drawn):
    """At the cursor each line of a pane has a dot at its value."""
    stack.move_cursor(11.0)
    pane = stack.panes[0]
    i = int(np.searchsorted(drawn.as_flown.log_time_s, 11.0, side="right")) - 1
    tilt = np.degrees(drawn.as_flown.tilt_rad[i])
    assert any(abs(dot.y_px - pane.y_px(tilt)) < 1e-6 for dot in pane.canvas.dots)
    assert len(pane.canvas.dots) == 3


def test_a_page_is_turned_when_the_cursor_runs_out_of_view(stack):
    """Playing on in a narrow window; a cursor that was out of view before moves nothing."""
    stack.set_window(5.0, 7.0)
    stack.move_cursor(6.9)
    stack.move_cursor(7.1)
    start, stop = stack.window_log_s
    assert start < 7.1 < stop
    assert_allclose(stop - start, 2.0)
    stack.set_window(20.0, 22.0)
    stack.move_cursor(7.2)
    assert stack.window_log_s == (20.0, 22.0)
    stack.reveal(7.2)
    assert stack.window_log_s[0] < 7.2 < stack.window_log_s[1]


# what is drawn


def _has_ink(canvas, log_time_s):
    """The column of a time holds a pixel far darker than any shading or grid line; the gate along the bottom edge is left out."""
    image = canvas.grab().toImage()
    inside = canvas.plot_rect
    x = round(canvas.scale.x(log_time_s))
    return any(QColor(image.pixel(x, y)).lightness() < 170 for y in range(round(inside.top()) + 2, round(inside.bottom()) - 13))


def test_a_gap_is_drawn_as_a_gap(stack):
    """No line in the columns of the gap, a line to both sides."""
    stack.choose(0, ("vertical_speed",))
    stack.set_window(19.0, 22.0)
    _settle(stack)
    for t, is_there in ((19.5, True), (20.1, False), (20.3, False), (20.5, False), (21.5, True)):
        assert _has_ink(stack.panes[0].canvas, t) is is_there, t


def test_missing_values_at_both_ends_leave_the_rest_on_screen(qtbot, drawn):
    """NaN in the first and last tenth."""
    height = drawn.as_flown.pos_enu_m.copy()
    height[:1500] = height[-1500:] = np.nan
    flown = replace(drawn.as_flown, pos_enu_m=height, pos_sd_enu_m=None)
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.resize(900, 500)
    stack.show()
    stack.set_arrangement({"panes": [{"traces": ["height"]}]})
    stack.show_snapshot(replace(drawn, as_flown=flown, what_if=None))
    _settle(stack)
    pane = stack.panes[0]
    assert _has_ink(pane.canvas, 12.0)
    assert not _has_ink(pane.canvas, 1.0)
    assert pane._range[1] > 100.0


def test_variants_and_traces_differ_by_more_than_colour(drawn):
    """In every default pane and in mixed ones no two lines share dash and marker."""
    ready = series.prepare(drawn)
    for keys in (*series.DEFAULT_PANES, ("tilt", "pitch", "yaw"), ("log:battery_v",), ("height", "position.east", "log:baro_height_m")):
        lines = [line for key in keys for line in ready.lines(key)]
        signs = [(look.dash, look.marker) for look in looks(lines)]
        assert len(signs) == len(set(signs)), keys
        assert all(look.colour != "#F0E442" for look in looks(lines))


def test_innovations_and_residuals_come_and_go_in_one_step(qtbot, drawn):
    """One pane a kind, below the others; what rest on the pad forces is left to the chooser; a method without any says no."""
    time_s = np.arange(0.0, 30.0, 0.1)
    found = {
        "barometer innovation (sigmas)": (time_s, np.ones(len(time_s))),
        "barometer innovation (m)": (time_s, np.ones(len(time_s))),
        "zero velocity innovation (sigmas)": (time_s, np.ones((len(time_s), 3))),
        "rest rate residual (rad/s)": (time_s, np.ones((len(time_s), 3))),
    }
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.show()
    stack.show_snapshot(replace(drawn, as_flown=replace(drawn.as_flown, diagnostics=found), what_if=None))
    before = [pane.keys for pane in stack.panes]
    with qtbot.waitSignal(stack.arrangement_changed):
        assert stack.toggle_diagnostics()
    assert [pane.title.text() for pane in stack.panes[len(before) :]] == ["barometer innovation [σ]", "rest rate residual [deg/s]"]
    assert all(pane.lines() for pane in stack.panes[len(before) :])
    assert stack.toggle_diagnostics()
    assert [pane.keys for pane in stack.panes] == before
    stack.show_snapshot(drawn)
    assert not stack.toggle_diagnostics()
    assert [pane.keys for pane in stack.panes] == before


def test_the_legend_says_what_the_title_leaves_open(drawn):
    """Variants of one trace; components and variants apart; traces by name where they differ."""
    ready = series.prepare(drawn)

    def texts(*keys):
        lines = [line for key in keys for line in ready.lines(key)]
        return [text for _, text in legend_entries(list(zip(lines, looks(lines), strict=True)), ready.catalogue)]

    assert texts("tilt") == ["as flown", "what-if", "onboard"]
    assert texts("rate.x", "rate.y", "rate.z") == ["x", "y", "z", "as flown", "what-if"]
    assert texts("height", "log:baro_height_m") == ["as flown", "what-if", "barometric height as logged"]
    assert texts("log:gimbal_command_rad.x", "log:gimbal_command_rad.y") == ["x", "y"]


def _compared(drawn, methods=("integrate", "complementary", "gradient", "kalman")):
    """Methods drawn over the smoother's, each a little off."""
    others = {m: solution(drawn.as_flown.log_time_s, extra_tilt_deg=0.3 * (i + 1)) for i, m in enumerate(methods)}
    return replace(drawn, as_flown=replace(drawn.as_flown, method="smoother"), extras={series.OVERLAYS: others})


def test_every_method_at_once_is_told_apart_without_colour_in_every_kind_of_pane(drawn):
    """One trace, a vector, and two together: no two lines share dash and marker; a method looks the same whichever others are drawn."""
    ready = series.prepare(_compared(drawn))
    for keys in (("tilt",), ("velocity.east", "velocity.north"), ("height", "position.east")):
        lines = [line for key in keys for line in ready.lines(key)]
        signs = [(look.dash, look.marker) for look in looks(lines)]
        assert len(lines) >= 6 and len(signs) == len(set(signs)), keys
    alone = [line for line in ready.lines("tilt") if line.variant in ("as_flown", "kalman")]
    among = dict(zip([line.variant for line in ready.lines("tilt")], looks(ready.lines("tilt")), strict=True))
    assert looks(alone)[1] == among["kalman"]


def test_a_legend_that_grows_pushes_the_plot_down(qapp, stack):
    """A scroll bar makes the panes narrower while they are laid out: no row of a head comes to lie under its plot."""
    before = qapp.style().name(), qapp.palette(), qapp.styleSheet()
    style.apply(qapp)
    try:
        rows = set()
        for width in range(455, 500, 3):
            stack.resize(width, 560)
            _settle(stack)
            n_panes = len(stack.panes)
            for keys in [pane.keys for pane in stack.panes[1:5]]:
                stack.add_pane(keys)
            for _ in range(5):
                QApplication.processEvents()
            rows |= {pane.legend.n_rows for pane in stack.panes}
            assert all(pane.plot.y() >= pane.legend.geometry().bottom() for pane in stack.panes)
            while len(stack.panes) > n_panes:
                stack.remove_pane(n_panes)
        assert len(rows) > 1
    finally:
        qapp.setStyle(before[0])
        qapp.setPalette(before[1])
        qapp.setStyleSheet(before[2])


def test_the_legend_names_the_chosen_method_beside_the_compared_ones_and_takes_the_rows_it_needs(qtbot, drawn):
    """At the width it has in a window of 1280 nothing is left to a tool tip, and the plot keeps its height."""
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.resize(590, 700)
    stack.show()
    stack.show_snapshot(_compared(drawn))
    _settle(stack)
    legend = stack.panes[0].legend
    assert legend.entries()[:2] == ["as flown, smoother", "what-if"]
    assert legend.n_rows > 1
    assert [text for *_, text in legend._places(legend.n_rows)] == legend.entries()
    assert all(pane.plot.height() >= 40 for pane in stack.panes)
    stack.show_snapshot(drawn)
    _settle(stack)
    assert legend.n_rows == 1 and legend.entries() == ["as flown", "what-if", "onboard"]


def test_the_time_axis_stands_under_the_plots_with_a_scroll_bar_too(qtbot, drawn):
    """More panes than there is room for: the axis follows the narrower plots."""
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.resize(590, 700)
    stack.show()
    stack.show_snapshot(drawn)
    _settle(stack)
    for _ in range(6):
        stack.add_pane(["tilt"])
    qtbot.waitUntil(lambda: stack.column.verticalScrollBar().isVisible())
    qtbot.waitUntil(lambda: not stack._frame.isActive())
    canvas = stack.panes[0].canvas
    on_axis = canvas.mapTo(stack, QPoint(0, 0)).x() + canvas.plot_rect.right() - stack.axis.x()
    assert abs(stack.axis._scale.right_px - on_axis) < 1.0


def test_a_small_pane_has_two_numbers_on_its_axis_or_more():
    """One number gives no scale: the step is halved before that (range of a landing's specific force over a pane of 48 pixels)."""
    from replay.desktop.trace_ground import value_ticks

    for low, high in ((-70.0, 95.0), (-1.2, 1.3), (0.4, 1.7), (-260.0, 140.0)):
        _, levels = value_ticks(low, high, 48.0, 14.0)
        assert len(levels) >= 2, (low, high)


def test_a_flight_that_is_forgotten_leaves_nothing_drawn_and_no_dead_control(stack, drawn):
    """Another log is open: no line of the one before, tools greyed; the next result brings both back."""
    stack.forget_flight()
    _settle(stack)
    assert all(pane.lines() == [] and pane.legend.entries() == ["nothing estimated yet"] for pane in stack.panes)
    assert not stack.tools.isEnabled() and not stack.panes[0].menu_button.isEnabled()
    stack.move_cursor(5.0)
    stack.show_snapshot(drawn)
    _settle(stack)
    assert stack.panes[0].lines() and stack.tools.isEnabled() and stack.panes[0].menu_button.isEnabled()


def test_a_trace_this_log_does_not_have_is_said(stack):
    """The pane stays, and says so."""
    stack.choose(1, ("log:current_a",))
    assert stack.panes[1].legend.entries() == ["not in this log"]
    assert stack.panes[1].title.text() == "current"


def test_a_log_gets_only_the_default_panes_it_can_fill(stack, drawn):
    """Another log without a gimbal: that pane is gone, and comes back with it; an arrangement of the user's is left alone."""
    bare = FlightLog(drawn.log.paths, "1", {k: c for k, c in drawn.log.channels.items() if "gimbal" not in k}, drawn.log.column_map)
    stack.show_snapshot(replace(drawn, log=bare))
    assert len(stack.panes) == 5
    stack.show_snapshot(drawn)
    assert len(stack.panes) == 6
    stack.choose(0, ("roll",))
    stack.show_snapshot(replace(drawn, log=bare))
    assert len(stack.panes) == 6


def test_an_hour_on_the_pad_does_not_hide_the_flight(qtbot, drawn):
    """The window at first is the flight with some pad and rest; asked once more, the whole log."""
    early = drawn.log["battery_v"]
    hour = Channel("battery_v", early.log_time_s - 3600.0, early.values, "V")
    log = FlightLog(drawn.log.paths, "2", {**drawn.log.channels, "battery_v": hour}, drawn.log.column_map)
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.show_snapshot(replace(drawn, log=log))
    assert_allclose(stack.window_log_s, (4.0 - 7.75, 37.9975), atol=1e-9)
    stack.fit()
    assert_allclose(stack.window_log_s, (-3599.99, 37.9975), atol=1e-9)
    stack.fit()
    assert_allclose(stack.window_log_s, (4.0 - 7.75, 37.9975), atol=1e-9)


def test_bands_can_be_taken_away(stack):
    """One band a line that has a standard deviation; none when switched off; an edit of the user's."""
    edits = []
    stack.arrangement_changed.connect(edits.append)
    assert len(stack.panes[0]._bands) == 2
    stack.tools.bands.click()
    assert stack.panes[0]._bands == []
    assert edits[-1]["bands"] is False


def test_a_drag_keeps_the_plot_items(stack, drawn):
    """A new result goes into the items that are there: no item is made or lost while a slider moves."""
    items = [item for pane in stack.panes for item in pane._curves]
    stack.show_snapshot(dragged(drawn, 1.0))
    stack.show_snapshot(dragged(drawn, 2.0))
    assert [item for pane in stack.panes for item in pane._curves] == items
    stack.show_snapshot(replace(drawn, what_if=None))
    assert len(stack.panes[0]._curves) == 2
    scene_items = [i for i in stack.panes[0].plot.scene().items() if i in items]
    assert len(scene_items) == 2


def test_the_vertical_scale_follows_the_data_in_view(stack):
    """Zoomed into boost the tilt of the descent no longer sets the scale; set by hand it stays."""
    pane = stack.panes[0]
    assert pane._range[1] > 100.0
    stack.zoom_to_phase("boost")
    _settle(stack)
    assert pane._range[1] < 12.0
    _wheel(pane.canvas, 300.0, 2, Qt.KeyboardModifier.ControlModifier)
    by_hand = pane.vertical
    stack.fit()
    _settle(stack)
    assert pane._range == by_hand
    pane.fit_vertical()
    assert pane._range[1] > 100.0


def test_a_result_with_other_gates_shows_them(stack, drawn):
    """The bar along the bottom edge is where gravity was used."""
    pane = stack.panes[0]
    green = QColor("#009E73")
    inside = pane.canvas.plot_rect
    image = pane.canvas.grab().toImage()
    y = round(inside.bottom()) - 2

    def is_green(t):
        pixel = QColor(image.pixel(round(pane.canvas.scale.x(t)), y))
        return abs(pixel.red() - green.red()) + abs(pixel.green() - green.green()) < 30

    assert [is_green(t) for t in (2.0, 6.0, 12.0, 25.0)] == [True, False, False, True]


def test_an_empty_log_is_no_reason_to_fail(qtbot, drawn):
    """No sample anywhere: empty panes."""
    arrays = ("log_time_s", "q_enu_from_body", "pos_enu_m", "vel_enu_mps", "accel_body_mps2", "rate_body_radps", "is_gravity_used")
    bare = solution(drawn.as_flown.log_time_s, with_sd=False)
    flown = replace(bare, **{name: getattr(bare, name)[:0] for name in arrays}, diagnostics={})
    log = FlightLog(("none.csv",), "0", {}, drawn.log.column_map)
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.show()
    stack.show_snapshot(replace(drawn, log=log, as_flown=flown, what_if=None, onboard=None))
    stack.move_cursor(0.0)
    _settle(stack)
    assert stack.panes[0].legend.entries() == ["not estimated"]


# panes


def test_panes_can_be_added_moved_and_removed(stack):
    """By method, each one edit; the last pane stays."""
    edits = []
    stack.arrangement_changed.connect(edits.append)
    stack.add_pane(["log:battery_v"])
    stack.move_pane(6, -1)
    assert stack.panes[5].keys == ("log:battery_v",)
    assert stack.column.splitter.indexOf(stack.panes[5]) == 5
    stack.remove_pane(0)
    assert len(edits) == 3
    assert edits[-1] == stack.arrangement()
    while len(stack.panes) > 1:
        stack.remove_pane(0)
    stack.remove_pane(0)
    assert len(stack.panes) == 1


def test_the_pane_menu_does_what_it_says(qtbot, stack):
    """Every entry is reached from the keyboard through the pane's menu button."""
    assert stack.panes[0].menu_button.focusPolicy() != Qt.FocusPolicy.NoFocus
    entries = {a.text(): a for a in stack.panes[1].menu_button.menu().actions() if a.text()}
    assert list(entries) == ["Choose traces…", "Add a pane below…", "Move up", "Move down", "Fit vertical scale", "Remove pane"]
    second = stack.panes[1]
    entries["Move down"].trigger()
    assert stack.panes[2] is second
    entries["Remove pane"].trigger()
    assert second not in stack.panes


def test_the_chooser_keeps_to_one_unit(qtbot, drawn):
    """Once a trace in degrees is ticked, one in metres can't be; searching hides the rest."""
    catalogue = series.prepare(drawn).catalogue
    chooser = TraceChooser(catalogue, ("tilt",), "Traces")
    qtbot.addWidget(chooser)
    assert chooser._items["height"].isDisabled()
    assert not chooser._items["pitch"].isDisabled()
    chooser.tick("pitch")
    assert chooser.chosen() == ("tilt", "pitch")
    chooser.tick("tilt", False)
    chooser.tick("pitch", False)
    assert not chooser._items["height"].isDisabled()
    assert not chooser.buttons.button(QDialogButtonBox.StandardButton.Ok).isEnabled()
    chooser.search.setText("baro")
    assert not chooser._items["log:baro_height_m"].isHidden()
    assert chooser._items["tilt"].isHidden()


def test_choosing_by_dialog_changes_the_pane(qtbot, stack, monkeypatch):
    """Accepted it is an edit; cancelled it is none."""
    edits = []
    stack.arrangement_changed.connect(edits.append)
    monkeypatch.setattr(TraceChooser, "exec", lambda self: (self.tick("pitch"), True)[1])
    stack.choose_by_dialog(0)
    assert stack.panes[0].keys == ("tilt", "pitch")
    monkeypatch.setattr(TraceChooser, "exec", lambda self: False)
    stack.choose_by_dialog(1)
    assert len(edits) == 1


def test_an_arrangement_comes_back_as_it_was(qtbot, drawn, stack):
    """Through plain JSON into another stack; setting the same one again changes nothing and is no edit."""
    import json

    stack.choose(0, ("roll", "log:current_a"))
    stack.remove_pane(3)
    stack.panes[1].vertical = (-5.0, 200.0)
    stack.set_span((6.0, 9.0))
    stored = json.loads(json.dumps(stack.arrangement()))
    other = TraceStack()
    qtbot.addWidget(other)
    other.resize(1000, 760)
    other.show()
    edits = []
    other.arrangement_changed.connect(edits.append)
    other.set_arrangement(stored)
    other.show_snapshot(drawn)
    QApplication.processEvents()
    again = other.arrangement()
    for pane, wanted in zip(again["panes"], stored["panes"], strict=True):
        assert (pane["traces"], pane["vertical"]) == (wanted["traces"], wanted["vertical"])
        assert abs(pane["share"] - wanted["share"]) < 0.02
    assert again["measured_log_s"] == [6.0, 9.0]
    panes = other.panes
    other.set_arrangement(other.arrangement())
    assert other.panes == panes
    assert edits == []
    other.set_arrangement({})
    have = series.of_snapshot(drawn).catalogue
    wanted = [tuple(key for key in keys if key in have) for keys in series.DEFAULT_PANES]
    assert [pane.keys for pane in other.panes] == [keys for keys in wanted if keys]


@pytest.mark.parametrize(
    "broken",
    [
        {"pane": []},
        {"panes": [{"traces": "tilt"}]},
        {"panes": [{"traces": [1]}]},
        {"panes": [{"traces": ["tilt"], "share": 3}]},
        {"panes": [{"traces": ["tilt"], "vertical": [2, 1]}]},
        {"measured_log_s": [1.0]},
    ],
)
def test_a_broken_arrangement_is_refused_with_its_place(stack, broken):
    """One error that names the key; the panes stay as they were."""
    before = stack.arrangement()
    with pytest.raises(SettingsError, match="trace_arrangement"):
        stack.set_arrangement(broken)
    assert stack.arrangement() == before


# the measured span


def test_measuring_between_two_handles(qtbot, stack, drawn):
    """The handles can be dragged past each other; the table has every line on screen; numbers against NumPy."""
    qtbot.keyClick(stack.panes[0], Qt.Key.Key_M)
    assert stack.measuring.table.isVisible()
    edits = []
    stack.arrangement_changed.connect(edits.append)
    canvas = stack.panes[2].canvas
    first, last = stack.span_log_s
    _drag(qtbot, canvas, canvas.scale.x(first), canvas.scale.x(last) + 100)
    assert_allclose(stack.span_log_s[0], last, atol=1e-9)
    assert_allclose(stack.span_log_s[1], canvas.scale.time(round(canvas.scale.x(last) + 100)), atol=2 * canvas.scale.pixel_s)
    assert len(edits) == 1
    stack.set_span((5.0, 8.0))
    stack.measuring.fill()
    table = stack.measuring.table.table
    assert table.rowCount() == sum(len(pane.lines()) for pane in stack.panes)
    rows = {table.item(i, 0).text(): [table.item(i, j).text() for j in range(1, 6)] for i in range(table.rowCount())}
    t, v = drawn.as_flown.log_time_s, drawn.as_flown.vel_enu_mps[:, 2]
    inside = (t >= 5.0) & (t <= 8.0)
    mean, slope, low, high, integral = (float(text.split()[0].replace("−", "-")) for text in rows["vertical speed, as flown"])
    assert_allclose(mean, np.trapezoid(v[inside], t[inside]) / 3.0, rtol=1e-3)
    assert_allclose(slope, np.polyfit(t[inside], v[inside], 1)[0], rtol=1e-3)
    assert_allclose((low, high), (v[inside].min(), v[inside].max()), rtol=1e-3)
    assert_allclose(integral, np.trapezoid(v[inside], t[inside]), rtol=1e-3)
    assert rows["vertical speed, as flown"][4].endswith("m/s·s")
    assert stack.measuring.table.span.text().startswith("Δt 3.000 s   from 1.000 s to 4.000 s")
    qtbot.keyClick(stack.panes[0], Qt.Key.Key_M)
    assert stack.span_log_s is None
    assert not stack.measuring.table.isVisible()


# numbers and ticks


def test_ticks_are_round_and_inside():
    """Worked by hand."""
    assert ticks(-1.0, 11.0, 1.7) == (2.0, [0.0, 2.0, 4.0, 6.0, 8.0, 10.0])
    assert [round_step(x) for x in (0.011, 0.2, 3.0, 7.0, 1.0)] == [0.02, 0.2, 5.0, 10.0, 1.0]
    assert [decimals(x) for x in (0.02, 0.5, 1.0, 50.0)] == [2, 1, 0, 0]
    assert ticks(0.0, float("nan"), 1.0)[1] == []


def test_numbers_are_written_with_a_true_minus_and_no_minus_zero():
    """As a table or an axis shows them."""
    assert [number(-0.001, 2), number(-1.5, 1), number(2.0, 0)] == ["0.00", "−1.5", "2"]
    assert [significant(v) for v in (1234.567, -0.012345, 0.0, 1.5e9, float("nan"))] == ["1235", "−0.01235", "0", "1.500e9", "–"]


def test_time_and_pixels_are_inverse():
    """Both ways."""
    scale = TimeScale(10.0, 20.0, 50.0, 450.0)
    assert_allclose(scale.time(scale.x(13.3)), 13.3)
    assert scale.clamped(-100.0) == 10.0


def test_shortcut_override_is_only_taken_for_own_keys(stack):
    """Space and arrows are left to the window."""
    for key, is_own in ((Qt.Key.Key_Plus, True), (Qt.Key.Key_Left, False), (Qt.Key.Key_Space, False), (Qt.Key.Key_Home, False)):
        event = QKeyEvent(QEvent.Type.ShortcutOverride, key, Qt.KeyboardModifier.NoModifier)
        event.ignore()
        QApplication.sendEvent(stack, event)
        assert event.isAccepted() is is_own


def test_a_flight_flown_again_is_drawn_over_the_others(qtbot, drawn):
    """Its own dash and its band in the tilt; in the gimbal pane flown and re-flown of each axis, told apart by dash and by legend."""
    shown = with_reflown(drawn)
    widget = TraceStack()
    qtbot.addWidget(widget)
    widget.resize(640, 760)
    widget.show()
    widget.show_snapshot(shown)
    _settle(widget)
    tilt = next(pane for pane in widget.panes if pane.keys == ("tilt",))
    looks_of = {line.variant: (look, line.band) for line, look in tilt.lines()}
    assert {"as_flown", "what_if", "onboard", "reflown"} == set(looks_of)
    assert len({look.dash for look, _ in looks_of.values()}) == 4
    assert looks_of["reflown"][1] is not None
    gimbal = next(pane for pane in widget.panes if pane.keys == ("gimbal.x", "gimbal.y"))
    lines = [(line.key, line.variant, look.dash, look.marker) for line, look in gimbal.lines()]
    assert [line[:2] for line in lines] == [(f"gimbal.{axis}", variant) for axis in "xy" for variant in ("as_flown", "reflown")]
    assert len({line[2:] for line in lines}) == 4
    assert gimbal.legend.entries() == ["x", "y", "as flown", "re-flown"]
    widget.show_snapshot(drawn)
    assert "reflown" not in {line.variant for pane in widget.panes for line, _ in pane.lines()}


def test_a_line_that_stands_still_has_a_plain_axis(qtbot, drawn):
    """All zeros, or all 8.2 V to a few parts in a billion: half a unit of room, not an axis of nothing but decimals."""
    channel = drawn.log.channels["battery_v"]
    for level, room in ((0.0, 0.5), (8.2, 0.5), (400.0, 20.0)):
        still = replace(channel, values=level * (1.0 + 1e-9 * np.sin(channel.log_time_s)))
        shown = replace(drawn, log=replace(drawn.log, channels={**drawn.log.channels, "battery_v": still}), extras=None)
        widget = TraceStack()
        qtbot.addWidget(widget)
        widget.resize(640, 300)
        widget.set_arrangement({"panes": [{"traces": ["log:battery_v"]}]})
        widget.show()
        widget.show_snapshot(shown)
        _settle(widget)
        assert_allclose(widget.panes[0]._range, (level - room, level + room), atol=1e-5)


# what was refused, on the innovation itself


def _innovations(drawn, **rejected):
    """Innovations of a calm barometer, and what the flight as flown and a method drawn over it refused of it."""
    time_s = np.arange(0.0, 30.0, 0.1)
    gates = {"barometer": (np.array([0.0, 20.0, 20.5]), np.array([4.0, 2.0, 4.0]))}

    def with_innovations(solved, refused):
        found = {"barometer innovation (sigmas)": (time_s, np.sin(time_s))}
        return replace(solved, diagnostics=found, gates=gates, rejected=tuple(("barometer", t, s) for t, s in refused))

    others = {method: with_innovations(drawn.as_flown, refused) for method, refused in rejected.items() if method != "as_flown"}
    return replace(drawn, as_flown=with_innovations(drawn.as_flown, rejected["as_flown"]), what_if=None, extras={series.OVERLAYS: others})


def _innovation_pane(qtbot, shot):
    stack = TraceStack()
    qtbot.addWidget(stack)
    stack.resize(900, 400)
    stack.show()
    stack.set_arrangement({"panes": [{"traces": ["diagnostic:barometer innovation (sigmas)"]}]})
    stack.show_snapshot(shot)
    stack.set_window(0.0, 30.0)
    _settle(stack)
    return stack, stack.panes[0]


def _red_near(pane, log_time_s, y_px, reach=2):
    """Pixels of the sign's red about a place."""
    image = pane.canvas.grab().toImage()
    x, y = round(pane.canvas.scale.x(log_time_s)), round(y_px)
    colours = [QColor(image.pixel(x + dx, y + dy)) for dx in range(-reach, reach + 1) for dy in range(-reach, reach + 1)]
    return sum(c.red() > 180 and c.green() < 140 and c.blue() < 90 for c in colours)


def test_a_refused_value_is_marked_at_its_own_value_and_the_gate_is_drawn(qtbot, drawn):
    """At its time and value, and nowhere else; the gate's lines at ±4 and for half a second at ±2; both named in the legend."""
    _, pane = _innovation_pane(qtbot, _innovations(drawn, as_flown=((20.0, -6.0), (25.0, 5.0))))
    low, high = pane._range
    assert low < -6.0 and high > 5.0
    assert _red_near(pane, 20.0, pane.y_px(-6.0)) >= 4
    assert _red_near(pane, 25.0, pane.y_px(5.0)) >= 4
    assert not _red_near(pane, 25.0, pane.y_px(-5.0))
    image = pane.canvas.grab().toImage()

    def darkest(at_s, value):
        x, y = pane.canvas.scale.x(at_s), round(pane.y_px(value))
        return min(QColor(image.pixel(round(x) + dx, y + dy)).lightness() for dx in range(-3, 4) for dy in (-1, 0, 1))

    for sign in (-1.0, 1.0):
        assert darkest(10.3, sign * 4.0) < 120
        assert darkest(20.25, sign * 2.0) < 120
        assert darkest(10.3, sign * 3.0) > 180
    assert pane.legend.entries()[-2:] == ["2 rejected", "gate ±4 σ"]


def test_one_far_off_does_not_flatten_the_rest_and_stands_at_the_edge(qtbot, drawn):
    """Eighty standard deviations off: the range keeps to three gates, an arrow at the edge says there is more."""
    _, pane = _innovation_pane(qtbot, _innovations(drawn, as_flown=((20.0, 80.0),)))
    assert pane._range[1] < 14.0
    assert _red_near(pane, 20.0, pane.canvas.plot_rect.top() + 4.0) >= 3


def test_each_methods_refusals_are_ringed_in_its_own_colour(qtbot, drawn):
    """Beside the flight's own, those of a method drawn for comparison; a method without any has none."""
    shot = _innovations(drawn, as_flown=(), kalman=((12.0, 7.0),))
    _, pane = _innovation_pane(qtbot, shot)
    assert _red_near(pane, 12.0, pane.y_px(7.0)) >= 4
    image = pane.canvas.grab().toImage()
    x, y = round(pane.canvas.scale.x(12.0)), round(pane.y_px(7.0))
    ring = QColor(palette.OVERLAYS["kalman"][0])
    found = [QColor(image.pixel(x + dx, y + dy)) for dx in range(-6, 7) for dy in range(-6, 7)]
    assert any(abs(c.red() - ring.red()) + abs(c.green() - ring.green()) + abs(c.blue() - ring.blue()) < 60 for c in found)
    assert "gate ±4 σ" in pane.legend.entries() and not any("rejected" in text for text in pane.legend.entries())


def test_methods_drawn_for_comparison_lie_under_the_flights_own_line(stack, drawn):
    """Where they agree the flight's own colour is seen, and its dot at the cursor is on top."""
    same = replace(drawn.as_flown)
    stack.show_snapshot(replace(drawn, what_if=None, onboard=None, extras={series.OVERLAYS: {"kalman": same}}))
    stack.move_cursor(15.0)
    _settle(stack)
    tilt = stack.panes[0]
    heights = {curve.line.variant: curve.zValue() for curve in tilt._curves}
    assert heights["kalman"] < heights["as_flown"]
    assert tilt.canvas.dots[-1].colour == palette.SERIES["as_flown"][0]
