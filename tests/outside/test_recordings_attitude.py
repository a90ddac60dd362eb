"""Attitude on recordings made by others: units with their own attitude output, and two flights of a student rocket.

Sources: three recordings bundled with the PyPI package scikit-kinematics 0.10.4 (BSD-3; the units use a magnetometer, so this is
consistency, not truth); flight data of the NCSU High-Powered Rocketry Club (MIT), with what the team states of rail and weather.
"""

import numpy as np
import pytest
from shared_data import shared_data

import replay
from replay import rotation
from replay.motion import EstimatorSettings, Site, attitude_difference, estimate, estimate_attitude, onboard_attitude
from replay.motion.phasing import baro_height_m
from replay.sensors.measurements import measure
from replay.sensors.mount import find_mount
from replay.units import DEG, kelvin


@pytest.mark.parametrize(
    ("name", "median_deg", "max_deg"), [("data_xsens.txt", 2.9, 5.4), ("data_xio3", 2.7, 9.0), ("data_ngimu", 4.6, 8.8)]
)
def test_gyro_only_against_the_units_own_attitude(name, median_deg, max_deg):
    """From the unit's first attitude on, gyro only: the total angle between the two, as tabulated beside the recordings."""
    log = replay.read_log(shared_data("imu_onboard_attitude") / name)
    gyro, accel = log["rate_raw_imu_radps"], log["accel_raw_imu_mps2"]
    times, q_unit = onboard_attitude(log)
    found = estimate_attitude(
        gyro.log_time_s, gyro.values, _on(gyro.log_time_s, accel), "integrate", q_start=q_unit[0]
    ).q_enu_from_body  # fmt: skip
    at = np.searchsorted(gyro.log_time_s, times).clip(0, len(found) - 1)
    error = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q_unit), found[at]))
    angle = np.linalg.norm(error, axis=1) / DEG
    print(f"{name}: median {np.median(angle):.2f}, max {angle.max():.2f} deg")
    assert np.median(angle) == pytest.approx(median_deg, abs=0.4)
    assert angle.max() == pytest.approx(max_deg, abs=0.8)


def _on(time_s, channel):
    return np.column_stack([np.interp(time_s, channel.log_time_s, column) for column in channel.values.T])


@pytest.mark.parametrize("name", ["data_xsens.txt", "data_xio3", "data_ngimu"])
def test_the_accelerometer_brings_the_tilt_nearer_to_the_units_own(name):
    """Complementary and gradient against gyro only, tilt median: not worse, and within three degrees."""
    log = replay.read_log(shared_data("imu_onboard_attitude") / name)
    median = {}
    for method in ("integrate", "complementary", "gradient"):
        found = estimate(log, method)
        assert np.isnan(found.pos_enu_m).all(), "no flight"
        _, tilt, _ = attitude_difference(found, log)
        median[method] = float(np.median(tilt) / DEG)
    print(name, median)
    for method in ("complementary", "gradient"):
        assert median[method] < max(median["integrate"], 1.0)


@pytest.mark.parametrize(
    ("name", "site", "rail_deg", "within_deg"),
    [
        ("jackpot_launch_1.csv", Site(35.17583 * DEG, 5.0, kelvin(14.0)), 20.0, 1.0),
        ("jackpot_launch_3.csv", Site(38.37576 * DEG, 770.0, kelvin(25.2)), 1.0, 1.0),
    ],
)
def test_student_rocket(name, site, rail_deg, within_deg):
    """Pad tilt against the stated rail; height at apogee, from the inertial sensors alone, within 1.5 % of the barometer's."""
    log = replay.read_log(shared_data("student_rocket") / name)
    found = estimate(log, "integrate", site=site)
    alone = estimate(log, "integrate", site=site, settings=EstimatorSettings(use_barometer=False))
    record = measure(log, replay.Calibration(), find_mount(log, replay.Calibration()))
    liftoff = found.events.liftoff_log_s
    height = baro_height_m(record, site, liftoff - 10.0, liftoff - 0.2)
    near = np.abs(record.baro_log_time_s - found.events.apogee_log_s) < 0.5
    apogee_m = float(np.median(np.sort(height[near])[-20:]))
    print(
        f"{name}: pad tilt {rotation.tilt(found.levelling.q_enu_from_body) / DEG:.2f} deg, barometer {apogee_m:.1f} m, "
        f"inertial {alone.pos_enu_m[:, 2].max():.1f} m, aided {found.pos_enu_m[:, 2].max():.1f} m"
    )
    assert rotation.tilt(found.levelling.q_enu_from_body) / DEG == pytest.approx(rail_deg, abs=within_deg)
    assert alone.pos_enu_m[:, 2].max() == pytest.approx(apogee_m, rel=0.015)
    assert found.pos_enu_m[:, 2].max() == pytest.approx(apogee_m, rel=0.01)
    smoothed = estimate(log, "smoother", site=site)
    on_pad = int(np.searchsorted(smoothed.log_time_s, liftoff - 0.5))
    pad_tilt_deg = float(rotation.tilt(smoothed.q_enu_from_body[on_pad]) / DEG)
    print(f"smoother: pad tilt {pad_tilt_deg:.2f} deg, apogee {smoothed.pos_enu_m[:, 2].max():.1f} m, {len(smoothed.rejected)} refused")
    assert smoothed.pos_enu_m[:, 2].max() == pytest.approx(apogee_m, rel=0.015)
    assert pad_tilt_deg == pytest.approx(rail_deg, abs=within_deg)
    # a long tumble at 90 Hz: the passes come to rest all the same, and no guess at the sensors' axes moves them by more than is said
    assert not any("still moved" in line for line in smoothed.assumptions)
    square = estimate(log, "smoother", site=site, settings=EstimatorSettings(cross_axis_sd=0.0))
    turn = rotation.multiply(square.q_enu_from_body[on_pad], rotation.conjugate(smoothed.q_enu_from_body[on_pad]))
    assert float(rotation.tilt(turn)) < 2.0 * smoothed.tilt_sd_rad[on_pad]
    top = int(np.argmax(smoothed.pos_enu_m[:, 2]))
    assert abs(smoothed.pos_enu_m[top, 2] - apogee_m) < 3.0 * smoothed.pos_sd_enu_m[top, 2]
    refused_s = np.array([t for kind, t, _ in smoothed.rejected if kind == "barometer"]) - smoothed.events.burnout_log_s
    assert np.count_nonzero((refused_s > 0.0) & (refused_s < 5.0)) > 20
    # a bay under pressure after burnout read a hundred metres and more too low for seconds: refused
    i = int(np.searchsorted(found.log_time_s, found.events.burnout_log_s + 0.7))
    assert found.pos_enu_m[i, 2] == pytest.approx(alone.pos_enu_m[i, 2], rel=0.08)
