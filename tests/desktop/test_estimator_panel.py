"""Estimator panel: real widgets in, edits of the review out; results in, text out."""

import dataclasses
import math

import drawn_flight
import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QScrollArea

from replay.desktop.calibration_row import calibration_fields
from replay.desktop.estimator_panel import EstimatorPanel
from replay.desktop.form import Section
from replay.errors import CannotEstimate
from replay.motion.settings import METHODS, EstimatorSettings
from replay.review.review import Review
from replay.review.series import OVERLAYS
from replay.review.summary import found_bias_text, gate_text, pad_specific_force_imu_mps2, pad_tilt_of_bias_rad
from replay.sensors.calibration import Calibration
from replay.units import DEG, kelvin


@pytest.fixture
def panel(qtbot):
    """A panel whose edits are made on a review of its own."""
    made = EstimatorPanel()
    qtbot.addWidget(made)
    made.resize(330, 700)
    made.review = Review()
    made.log = []

    def apply(edit, text, merge):
        made.review = edit(made.review)
        made.log.append((text, merge))
        made.show_review(made.review)

    made.edited.connect(apply)
    made.show()
    return made


def _enter(entry, text):
    entry.setFocus()
    entry.selectAll()
    QTest.keyClicks(entry, text)
    QTest.keyClick(entry, Qt.Key.Key_Return)


@pytest.mark.parametrize("field", calibration_fields(), ids=lambda f: f.name)
def test_every_component_of_every_calibration_field_can_be_edited_and_reset(panel, field):
    """The number goes in in the unit shown and arrives in SI; the arrow brings back the value as flown."""
    for axis in range(3):
        row = panel.rows[field.name, axis]
        shown = row.slider.value + 3 * field.metadata["step"]
        row.slider._edit(shown)
        expected = panel.review.as_flown.with_axis(field.name, axis, shown * field.metadata["factor"])
        assert panel.review.what_if == expected
        assert panel.log[-1][1] == f"{field.name}[{axis}]"
        row.reset.click()
        assert panel.review.what_if is None


def test_every_field_of_the_calibration_is_on_the_panel(panel):
    """A parameter added to Calibration without a place here would be mute."""
    names = {f.name for f in dataclasses.fields(Calibration)}
    assert {name for name, _ in panel.rows} | {"gyro_pad_bias", "reference_temperature_k"} == names


def test_every_estimator_setting_is_on_the_panel(panel):
    """The same for the settings."""
    assert set(panel.settings.entries) == {f.name for f in dataclasses.fields(EstimatorSettings)}


def test_a_section_s_reset_takes_the_whole_field_back(panel):
    """And only that field."""
    panel.rows["gyro_scale", 0].slider._edit(1.01)
    panel.rows["gyro_scale", 2].slider._edit(1.02)
    panel.rows["accel_scale", 1].slider._edit(0.99)
    panel._field_resets["gyro_scale"].click()
    assert panel.review.what_if == Calibration(accel_scale=(1.0, 0.99, 1.0))
    panel.reset_all.click()
    assert panel.review.what_if is None
    assert not panel.reset_all.isEnabled()


def test_method_and_toggle(panel):
    """The list and the two buttons."""
    panel.method.setCurrentIndex(METHODS.index("gradient"))
    panel.method.activated.emit(METHODS.index("gradient"))
    assert panel.review.method == "gradient"
    panel.show_as_flown.click()
    assert panel.review.is_whatif_on is False
    panel.show_whatif.click()
    assert panel.review.is_whatif_on is True


def test_comparison_methods(panel):
    """Ticked ones are drawn over the chosen one, which can't be ticked itself."""
    panel.compared["integrate"].click()
    panel.compared["kalman"].click()
    assert panel.review.also_drawn == ("integrate", "kalman")
    panel.compared["integrate"].click()
    assert panel.review.also_drawn == ("kalman",)
    assert not panel.compared[panel.review.method].isEnabled()


def test_every_drawn_method_has_its_run_time(panel):
    """Beside its box, and the chosen one's at the top; the fold says how many are drawn."""
    drawn = drawn_flight.snapshot(rate_hz=50.0)
    other = dataclasses.replace(drawn.as_flown, method="kalman", run_time_s=0.25)
    chosen = dataclasses.replace(drawn.as_flown, method="smoother", run_time_s=1.5)
    panel.compared["kalman"].click()
    panel.show_snapshot(dataclasses.replace(drawn, as_flown=chosen, what_if=None, extras={OVERLAYS: {"kalman": other}}))
    assert {m: label.text() for m, label in panel.compared_runs.items() if label.text()} == {"kalman": "0.25 s", "smoother": "1.50 s"}
    assert panel.run.text() == "drawn: smoother, 1.50 s"
    assert panel.n_compared.text() == "1 drawn"


def test_methods_kept_through_a_drag_are_said_to_be_of_before_it(panel):
    """Instead of a run time, which would be taken for that of what is drawn; back again once let go."""
    drawn = drawn_flight.snapshot(rate_hz=50.0)
    other = dataclasses.replace(drawn.as_flown, method="kalman", run_time_s=0.25)
    panel.compared["kalman"].click()
    shown = dataclasses.replace(drawn, extras={OVERLAYS: {"kalman": other}})
    track = next(iter(panel.rows.values())).slider.track
    track.setSliderDown(True)
    panel.show_snapshot(dataclasses.replace(shown, is_preview=True))
    assert panel.compared_runs["kalman"].text() == "as before the drag"
    track.setSliderDown(False)
    panel.show_snapshot(shown)
    assert panel.compared_runs["kalman"].text() == "0.25 s"


def test_the_panel_says_which_method_is_drawn_while_another_is_on_its_way(panel):
    """Chosen but not yet done; a preview during a drag, and after it."""
    drawn = drawn_flight.snapshot(rate_hz=50.0, what_if=False)
    settled = dataclasses.replace(drawn, as_flown=dataclasses.replace(drawn.as_flown, method="smoother", run_time_s=1.5))
    preview = dataclasses.replace(drawn, is_preview=True, as_flown=dataclasses.replace(drawn.as_flown, method="integrate", run_time_s=0.1))
    panel.show_busy(True)
    assert panel.run.text() == "estimating…"
    panel.show_snapshot(settled)
    panel.method.setCurrentIndex(METHODS.index("kalman"))
    panel.method.activated.emit(METHODS.index("kalman"))
    assert panel.run.text() == "drawn: smoother, 1.50 s\nkalman follows…"
    panel.show_snapshot(preview)
    assert panel.run.text() == "preview by integrate, 0.10 s\nkalman follows…"
    panel.show_busy(False)  # while loops are still being compiled
    assert panel.run.text() == "preview by integrate, 0.10 s\nkalman follows…"
    track = panel.rows["accel_bias_imu_mps2", 0].slider.track
    QTest.mousePress(track, Qt.MouseButton.LeftButton, pos=QPoint(round(track._x_of(0)), track.height() // 2))
    panel.show_snapshot(preview)
    assert panel.run.text() == "preview by integrate, 0.10 s\nuntil you let go"
    QTest.mouseRelease(track, Qt.MouseButton.LeftButton, pos=QPoint(round(track._x_of(0)), track.height() // 2))


def test_a_preview_moves_no_slider_from_under_the_pointer(panel):
    """What the chosen method found stays during a drag, greyed, and the line on what is drawn keeps its height."""
    drawn = drawn_flight.snapshot(rate_hz=50.0, what_if=False)
    bias = np.full((len(drawn.as_flown.log_time_s), 3), 0.02)
    found = dataclasses.replace(drawn.as_flown, method="smoother", accel_bias_body_mps2=bias)
    panel.show_snapshot(dataclasses.replace(drawn, as_flown=found))
    QApplication.processEvents()
    slider, label = panel.rows["gyro_bias_imu_radps", 0].slider, panel.found["accel_bias_imu_mps2"]
    before, text = slider.mapTo(panel, QPoint(0, 0)), label.text()
    assert label.isVisible()
    panel.show_snapshot(dataclasses.replace(drawn, is_preview=True, as_flown=dataclasses.replace(drawn.as_flown, method="integrate")))
    panel.show_busy(True)
    QApplication.processEvents()
    assert slider.mapTo(panel, QPoint(0, 0)) == before
    assert label.text() == text and not label.isEnabled()
    panel.show_snapshot(dataclasses.replace(drawn, as_flown=dataclasses.replace(drawn.as_flown, method="integrate")))
    assert not label.isVisible()


def test_a_drag_ends_where_another_flight_is_opened_under_it(panel):
    """A long read is over while a slider is held: the rest of the drag is no edit of the new flight."""
    track = panel.rows["gyro_bias_imu_radps", 0].slider.track
    y, x = track.height() // 2, round(track._x_of(track.sliderPosition()))
    QTest.mousePress(track, Qt.MouseButton.LeftButton, pos=QPoint(x, y))
    QTest.mouseMove(track, QPoint(x + 10, y))
    assert panel.log
    panel.forget_flight()
    panel.review, n_edits = Review(), len(panel.log)
    panel.show_review(panel.review)
    QTest.mouseMove(track, QPoint(x + 30, y))
    QTest.mouseRelease(track, Qt.MouseButton.LeftButton, pos=QPoint(x + 30, y))
    assert len(panel.log) == n_edits
    assert panel.rows["gyro_bias_imu_radps", 0].slider.value == 0.0
    assert track.sliderPosition() == 0


def test_a_forgotten_flight_leaves_no_number_on_the_panel(panel):
    """Another log is open and nothing of it is estimated."""
    panel.show_snapshot(drawn_flight.snapshot(rate_hz=50.0))
    panel.forget_flight()
    assert not any(label.text() for label in (panel.run, panel.gates, panel.assumed, panel.pad, *panel.compared_runs.values()))
    assert panel.rows["accel_bias_imu_mps2", 0].tilt.text() == ""


def test_site_is_declared_in_degrees_and_celsius_and_can_be_left_open(panel):
    """An emptied entry gives back the default, and says which."""
    _enter(panel.site.entries["pad_azimuth_rad"], "65")
    _enter(panel.site.entries["ground_temperature_k"], "8,5")
    assert panel.review.site.pad_azimuth_rad == 65 * DEG
    assert panel.review.site.ground_temperature_k == kelvin(8.5)
    entry = panel.site.entries["pad_azimuth_rad"]
    entry.setFocus()
    entry.selectAll()
    QTest.keyClick(entry, Qt.Key.Key_Delete)
    QTest.keyClick(entry, Qt.Key.Key_Return)
    assert panel.review.site.pad_azimuth_rad is None
    assert entry.placeholderText() == "90 (default)"


@pytest.mark.parametrize("text", ["north", "720", "1e999", "--3", "nan"])
def test_what_is_no_number_in_range_is_not_taken_and_says_so(panel, text):
    """The value before stays in use; the entry is marked, with what was expected."""
    _enter(panel.site.entries["pad_azimuth_rad"], "30")
    _enter(panel.site.entries["pad_azimuth_rad"], text)
    assert panel.review.site.pad_azimuth_rad == 30 * DEG
    assert "expected a number from -360 to 360" in panel.site.entries["pad_azimuth_rad"].toolTip()


def test_settings_are_entered_in_the_unit_shown(panel):
    """A gain in degrees arrives in radians; a switch is a switch; an emptied number is the default again."""
    _enter(panel.settings.entries["gradient_gain_radps"], "3.5")
    assert panel.review.settings.gradient_gain_radps == 3.5 * DEG
    panel.settings.entries["use_barometer"].click()
    assert panel.review.settings.use_barometer is False
    entry = panel.settings.entries["gradient_gain_radps"]
    entry.setFocus()
    entry.selectAll()
    QTest.keyClick(entry, Qt.Key.Key_Backspace)
    QTest.keyClick(entry, Qt.Key.Key_Return)
    assert panel.review.settings.gradient_gain_radps == EstimatorSettings().gradient_gain_radps


def test_pad_bias_and_reference_temperature(panel):
    """The two parts of a calibration that are no vectors."""
    panel.pad_bias.click()
    assert panel.review.corrected.gyro_pad_bias is False
    _enter(panel.reference, "31.5")
    assert panel.review.corrected.reference_temperature_k == kelvin(31.5)


def test_showing_a_review_emits_nothing(panel):
    """Nothing flows back."""
    everything = Review(
        what_if=Calibration(accel_bias_imu_mps2=(0.123456789, 0, 0), gyro_scale=(1.0, 1.0, 1.05)),
        method="kalman",
        is_whatif_on=False,
        settings=EstimatorSettings(use_gnss=False, baro_sd_m=0.7),
    )
    panel.log.clear()
    panel.show_review(everything)
    panel.show_snapshot(drawn_flight.snapshot(rate_hz=50.0))
    assert panel.log == []
    assert panel.rows["accel_bias_imu_mps2", 0].slider.value == 0.123456789
    assert panel.method.currentText() == "kalman"


def test_a_failed_estimate_is_shown_beside_the_last_good_result(panel):
    """And goes away with the next good one."""
    good = drawn_flight.snapshot(rate_hz=50.0)
    panel.show_snapshot(dataclasses.replace(good, error=CannotEstimate("smoother", "too little of it")))
    assert panel.failure.isVisible()
    assert "smoother: too little of it" in panel.failure.text()
    assert "last good result" in panel.failure.text()
    panel.show_snapshot(good)
    assert not panel.failure.isVisible()


# --- what the texts say ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bias_mps2", [0.01, 0.1, -0.36, 1.7])
def test_a_transverse_bias_stands_for_a_pad_tilt_of_arctan_b_over_g(bias_mps2):
    """Levelling reads the vertical off the specific force: an upright sensor at g with a bias b across reads a lean of atan(b/g).

    Groves, Principles of GNSS, Inertial, and Multisensor Integrated Navigation Systems, 2nd ed., section 5.6 (roll and pitch from
    the accelerometers); 1 mg is 0.0573 degrees.
    """
    force = np.array([bias_mps2, 0.0, 9.81])
    assert pad_tilt_of_bias_rad(force, 0, bias_mps2) == pytest.approx(math.atan(abs(bias_mps2) / 9.81), abs=1e-12)
    assert pad_tilt_of_bias_rad(force, 1, 0.0) == 0.0


def test_the_pad_force_is_the_mean_over_the_quiet_window():
    """Rows outside it and rows without a number don't count."""
    snapshot = drawn_flight.snapshot(rate_hz=100.0)
    channel = snapshot.log["accel_raw_imu_mps2"]
    start, stop = snapshot.as_flown.levelling.start_log_s, snapshot.as_flown.levelling.stop_log_s
    values = np.full((channel.n_samples, 3), 100.0)
    inside = (channel.log_time_s >= start) & (channel.log_time_s < stop)
    values[inside] = [0.1, 0.2, 9.8]
    values[np.flatnonzero(inside)[::7]] = np.nan
    log = dataclasses.replace(snapshot.log, channels={"accel_raw_imu_mps2": dataclasses.replace(channel, values=values)})
    assert pad_specific_force_imu_mps2(dataclasses.replace(snapshot, log=log)) == pytest.approx([0.1, 0.2, 9.8])
    without = dataclasses.replace(snapshot.log, channels={})
    assert pad_specific_force_imu_mps2(dataclasses.replace(snapshot, log=without)) is None


def test_one_milli_g_stands_for_0_0573_degrees(panel):
    """Shown beside the slider, rounded to two digits: 10 mg is 0.57°."""
    snapshot = drawn_flight.snapshot(rate_hz=100.0)
    channel = snapshot.log["accel_raw_imu_mps2"]
    values = np.tile([0.0, 0.0, 9.80665], (channel.n_samples, 1))
    log = dataclasses.replace(snapshot.log, channels={"accel_raw_imu_mps2": dataclasses.replace(channel, values=values)})
    panel.show_snapshot(dataclasses.replace(snapshot, log=log))
    _enter(panel.rows["accel_bias_imu_mps2", 1].slider.entry, "0.0980665")
    assert panel.rows["accel_bias_imu_mps2", 1].tilt.text() == "0.57°"
    _enter(panel.rows["accel_bias_imu_mps2", 2].slider.entry, "0.0980665")
    assert panel.rows["accel_bias_imu_mps2", 2].tilt.text() == "0.00°"


def test_gate_text_names_phases_and_refusals():
    """The invented flight's gate: pad, descent and landed; three barometer readings refused."""
    text = gate_text(drawn_flight.snapshot(rate_hz=100.0).as_flown)
    assert "pad (0.0 to 3.8 s, 3.8 s of it)" in text
    assert "descent" in text
    assert "landed" in text
    assert "boost" not in text
    assert "Refused: 3 of baro." in text


def test_gate_text_of_a_method_that_never_looks_at_gravity():
    """Said plainly."""
    flown = drawn_flight.snapshot(rate_hz=100.0).as_flown
    blind = dataclasses.replace(flown, is_gravity_used=np.zeros(len(flown.log_time_s), dtype=bool), rejected=())
    assert gate_text(blind) == "Accelerometer levels on the pad and then never corrects the attitude."


def test_what_a_filter_found_of_a_bias_is_said_in_the_unit_of_the_slider():
    """0.002 rad/s is 0.115 deg/s; a method that finds none says nothing."""
    flown = drawn_flight.snapshot(rate_hz=100.0).as_flown
    assert "+0.115 ±0.023" in found_bias_text(flown, "gyro")
    assert found_bias_text(flown, "accelerometer") == ""


def test_with_every_section_open_nothing_is_wider_than_the_panel(panel):
    """There is no horizontal scrolling: what does not fit would be cut off."""
    panel.resize(316, 700)
    for section in panel.findChildren(Section):
        section.head.setChecked(True)
    panel.show_snapshot(drawn_flight.snapshot(rate_hz=50.0))
    scroll = panel.findChild(QScrollArea)
    assert scroll.widget().minimumSizeHint().width() <= scroll.viewport().width()


def test_what_a_vehicle_file_says_of_the_site_is_shown_where_the_user_left_it_open(panel):
    """In the place of the default, and named."""
    from replay.motion.site import Site
    from replay.whatif.vehicle import Vehicle

    vehicle = Vehicle("Wren 3", 1.0, 0.1, 0.08, ((0.0, 0.0), (1.0, 10.0)), site=Site(pad_azimuth_rad=65 * DEG))
    panel.show_snapshot(dataclasses.replace(drawn_flight.snapshot(rate_hz=50.0), vehicle=vehicle))
    assert panel.site.entries["pad_azimuth_rad"].placeholderText() == "65 (vehicle)"
    assert panel.site.entries["latitude_rad"].placeholderText() == "45 (default)"


def test_a_click_on_the_words_beside_a_check_box_ticks_it(panel):
    """As on any check box, though the words wrap."""
    from PySide6.QtWidgets import QLabel

    section = next(s for s in panel.findChildren(Section) if s.head.text() == "Gains, gates and noise")
    section.head.setChecked(True)
    words = next(label for label in section.findChildren(QLabel) if label.text() == "height from the barometer")
    QTest.mouseClick(words, Qt.MouseButton.LeftButton)
    assert panel.review.settings.use_barometer is False
