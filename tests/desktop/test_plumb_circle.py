"""The plumb circle as a user meets it; its colours against WCAG 2.1 and CIELAB (colorspacious)."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_flight import EVENTS, snapshot, solution, with_reflown
from numpy.testing import assert_allclose
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QApplication

from replay import rotation
from replay.desktop.plumb_circle import PlumbCircle, legend_text, pointings, reading
from replay.desktop.plumb_paint import LOOKS, RING_STEP_DEG, Dial, paint_dial, paint_marks, paint_names, ramp
from replay.review import series
from replay.scene import palette
from replay.units import DEG


@pytest.fixture(scope="module")
def drawn():
    return snapshot()


@pytest.fixture
def circle(qtbot, drawn):
    widget = PlumbCircle()
    qtbot.addWidget(widget)
    widget.resize(380, 440)
    widget.show()
    widget.show_snapshot(drawn)
    QApplication.processEvents()
    return widget


@pytest.mark.parametrize(
    ("has_onboard", "has_what_if", "names"),
    [
        (True, True, ("onboard", "what-if")),
        (True, False, ("onboard", "as flown")),
        (False, True, ("as flown", "what-if")),
        (False, False, ("as flown",)),
    ],
)
def test_what_was_believed_and_what_is_corrected(drawn, has_onboard, has_what_if, names):
    """Believed: the computer's own attitude where logged, else as flown. Corrected: the what-if where there is one, else as flown."""
    shown = replace(drawn, onboard=drawn.onboard if has_onboard else None, what_if=drawn.what_if if has_what_if else None)
    found = pointings(shown, series.prepare(shown))
    assert tuple(pointing.name for pointing in found) == names


def test_directions_on_the_dial_worked_by_hand():
    """East is right, north is up, tilt is the distance: the vehicle seen from above."""
    dial = Dial(QPointF(100.0, 100.0), 50.0, 10.0)
    assert dial.point(10.0, 0.0) == QPointF(150.0, 100.0)
    assert dial.point(0.0, 5.0) == QPointF(100.0, 75.0)
    where, is_outside = dial.on_rim(0.0, -40.0)
    assert (where, is_outside) == (QPointF(100.0, 150.0), True)
    assert not dial.on_rim(3.0, 4.0)[1]


def test_the_points_stand_where_the_nose_points(circle, drawn):
    """At the cursor the corrected disc is at tilt and azimuth of the what-if, read off the screen."""
    circle.move_cursor(11.0)
    image = circle.face.grab().toImage()
    i = int(np.searchsorted(drawn.what_if.log_time_s, 11.0, side="right")) - 1
    q = drawn.what_if.q_enu_from_body[i]
    tilt_deg, azimuth = rotation.tilt(q) / DEG, rotation.tilt_azimuth(q)
    dial = circle.face.dial
    x = dial.centre.x() + dial.radius_px * tilt_deg / dial.range_deg * math.sin(azimuth)
    y = dial.centre.y() - dial.radius_px * tilt_deg / dial.range_deg * math.cos(azimuth)
    assert QColor(image.pixel(round(x), round(y))).name().upper() == palette.VERMILLION


def test_the_circle_is_as_large_as_what_is_drawn(circle):
    """To apogee a few degrees; the whole flight hangs beyond ninety under its parachute. Sizes are round ones."""
    ascent = circle.face.dial.range_deg
    circle.set_span("whole")
    whole = circle.face.dial.range_deg
    assert ascent == 6.0
    assert whole in (120.0, 150.0)
    for size, step in RING_STEP_DEG.items():
        assert 2 <= size / step <= 6.01
        assert size / step == pytest.approx(round(size / step))


def test_a_nose_off_the_circle_is_shown_on_its_rim(circle):
    """With the circle sized for the ascent, the descent's direction is an arrow at the rim, and the numbers are still true."""
    circle.move_cursor(25.0)
    believed = circle.face._pointings[0].place_deg(25.0)
    where, is_outside = circle.face.dial.on_rim(*believed)
    assert is_outside
    assert math.hypot(where.x() - circle.face.dial.centre.x(), where.y() - circle.face.dial.centre.y()) == pytest.approx(
        circle.face.dial.radius_px
    )
    circle.face.grab()


def test_a_name_covers_no_compass_letter_and_no_sign_of_another_track():
    """An apogee at the east rim: its name goes elsewhere, and every letter of the compass can still be read."""
    picture = QImage(300, 300, QImage.Format.Format_ARGB32)
    painter = QPainter(picture)
    dial = Dial(QPointF(150.0, 150.0), 100.0, 15.0)
    taken = paint_dial(painter, dial)
    before = list(taken)
    assert len(before) == 4 + len([ring for ring in np.arange(1, 4) * RING_STEP_DEG[15.0] if ring <= 15.0])
    own = [("apogee", dial.point(14.0, 0.0)), ("burnout", dial.point(3.0, 0.0))]
    other = [("apogee", dial.point(11.0, -1.0))]
    for marks in (own, other):
        paint_marks(painter, marks, taken)
    n_signs = len(taken) - len(before)
    paint_names(painter, own, taken)
    painter.end()
    names, rest = taken[len(before) + n_signs :], taken[: len(before) + n_signs]
    assert n_signs == 3 and len(names) == 2
    assert not any(name.intersects(field) for name in names for field in rest)


def test_a_cursor_step_draws_no_track_again(circle):
    """The picture is the same one; what changes lies about the two points and in the lines below."""
    circle.move_cursor(6.0)
    before = circle.face.grab().toImage()
    picture = circle.face._picture
    touched = circle.face._touched(6.0) + circle.face._touched(10.0)
    circle.move_cursor(10.0)
    after = circle.face.grab().toImage()
    assert circle.face._picture is picture
    changed = [(x, y) for x in range(after.width()) for y in range(after.height()) if after.pixel(x, y) != before.pixel(x, y)]
    assert changed
    assert all(touched.contains(QPoint(x, y)) for x, y in changed)


def test_one_standard_deviation_is_drawn_to_scale(qtbot, drawn):
    """A spread of one degree on a circle of some degrees, and none where the method has none."""
    flown = replace(drawn.as_flown, tilt_sd_rad=np.full(len(drawn.as_flown.log_time_s), DEG))
    widget = PlumbCircle()
    qtbot.addWidget(widget)
    widget.resize(400, 460)
    widget.show()
    shown = replace(drawn, as_flown=flown, what_if=None, onboard=None)
    widget.show_snapshot(shown)
    face = widget.face
    assert face._spread_px(face._pointings[0], 9.0) == pytest.approx(face.dial.radius_px / face.dial.range_deg)
    widget.show_snapshot(replace(shown, as_flown=solution(flown.log_time_s, with_sd=False)))
    assert face._spread_px(face._pointings[0], 9.0) == 0.0


def test_a_flight_flown_again_is_a_third_track(qtbot, drawn):
    """Its own dashes, sign and legend row; its nose is where it is drawn; and without it the circle is as before."""
    widget = PlumbCircle()
    qtbot.addWidget(widget)
    widget.resize(380, 460)
    widget.show()
    shown = with_reflown(drawn)
    widget.show_snapshot(shown)
    widget.move_cursor(8.0)
    image = widget.face.grab().toImage()
    face = widget.face
    assert [legend_text(pointing) for pointing in face._pointings] == ["believed: onboard", "corrected: what-if", "re-flown"]
    assert len(face._drawn) == 3
    bare = replace(drawn, what_if=None)
    assert [legend_text(pointing) for pointing in pointings(bare, series.prepare(bare))] == ["believed: onboard", "estimated: as flown"], (
        "nothing is corrected yet"
    )
    assert len({look.dash for look in LOOKS.values()}) == len({look.sign for look in LOOKS.values()}) == len(LOOKS)
    assert face._spread_px(face._pointings[2], 8.0) > 0.0
    where = face.dial.point(*face._pointings[2].place_deg(8.0))
    assert QColor(image.pixel(round(where.x()), round(where.y()))).name().upper() == palette.PURPLE
    rows = [face._foot(i) for i in range(4)]
    assert all(above.bottom() <= below.top() + 0.5 for above, below in itertools.pairwise(rows))
    assert rows[-1].bottom() <= face.height()
    assert face.dial.centre.y() + face.dial.radius_px < rows[0].top()
    assert face._pointings[2].place_deg(EVENTS.liftoff_log_s - 0.5) is None
    widget.show_snapshot(drawn)
    assert len(face._pointings) == 2


def test_a_click_on_a_track_asks_for_its_time(qtbot, circle):
    """Away from the tracks nothing happens."""
    track = circle.face._drawn[-1]
    i = len(track.x_px) // 2
    with qtbot.waitSignal(circle.cursor_requested) as got:
        qtbot.mouseClick(circle.face, Qt.MouseButton.LeftButton, pos=QPoint(round(track.x_px[i]), round(track.y_px[i])))
    assert EVENTS.liftoff_log_s - 0.1 <= got.args[0] <= EVENTS.apogee_log_s
    with qtbot.assertNotEmitted(circle.cursor_requested):
        qtbot.mouseClick(circle.face, Qt.MouseButton.LeftButton, pos=QPoint(6, 6))


def test_the_track_is_the_colour_of_its_time(circle):
    """Pixels on the corrected track early and late carry the ramp's early and late colours."""
    circle.move_cursor(30.0)
    image = circle.face.grab().toImage()
    start, stop = circle.face.window_log_s
    track = circle.face._drawn[-1]

    def is_near(share):
        wanted = ramp(share)
        i = int(np.searchsorted(track.log_time_s, start + share * (stop - start)))
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                pixel = QColor(image.pixel(round(track.x_px[i]) + dx, round(track.y_px[i]) + dy))
                if abs(pixel.red() - wanted.red()) + abs(pixel.green() - wanted.green()) + abs(pixel.blue() - wanted.blue()) < 45:
                    return True
        return False

    assert sum(is_near(share) for share in (0.2, 0.35, 0.5, 0.65, 0.8)) >= 4


def test_a_gap_parts_the_track(qtbot, drawn):
    """The span without samples is left out of the as-flown track of the whole flight."""
    track = series.prepare(drawn).tracks["as_flown"]
    lost = np.flatnonzero(~np.isfinite(track.east_deg))
    assert len(lost) == 1
    assert track.log_time_s[lost[0] - 1] < 20.01
    assert track.log_time_s[lost[0] + 1] > 20.59


def test_readings_in_words():
    """Three degrees east and four north: five degrees towards 37°."""
    assert reading(3.0, 4.0, None) == "5.00° to 037°"
    assert reading(-1.0, 0.0, 0.05) == "1.00 ±0.05° to 270°"


def test_nothing_known_is_no_reason_to_fail(qtbot, drawn):
    """All attitudes missing, no events, no sample at all."""
    lost = replace(drawn.as_flown, q_enu_from_body=np.full_like(drawn.as_flown.q_enu_from_body, np.nan), events=type(EVENTS)())
    widget = PlumbCircle()
    qtbot.addWidget(widget)
    widget.show()
    for flown in (lost, solution(drawn.as_flown.log_time_s[:0], with_sd=False)):
        widget.show_snapshot(replace(drawn, as_flown=flown, what_if=None, onboard=None))
        widget.move_cursor(5.0)
        widget.grab()
    assert widget.face.dial.range_deg == 0.5


def _luminance(colour):
    """Relative luminance, WCAG 2.1."""
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in palette.rgb(colour)]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def test_the_ramp_of_time_only_gets_lighter_and_stays_legible():
    """Contrast of at least 3 on white for graphics (WCAG 2.1, 1.4.11), lightness J' of CAM02-UCS rising (colorspacious)."""
    colorspacious = pytest.importorskip("colorspacious")
    assert all(1.05 / (_luminance(colour) + 0.05) >= 2.95 for colour in palette.TIME_RAMP)
    lightness = [colorspacious.cspace_convert(palette.rgb(colour), "sRGB1", "CAM02-UCS")[0] for colour in palette.TIME_RAMP]
    assert (np.diff(lightness) > 4.0).all()
    assert ramp(0.0).name().upper() == palette.TIME_RAMP[0]
    assert ramp(1.0).name().upper() == palette.TIME_RAMP[-1]
    assert_allclose(ramp(0.5).red(), QColor(palette.TIME_RAMP[3]).red())
