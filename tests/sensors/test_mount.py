"""Mount: the nose is where the boost pushes; only a large angle is taken off, and nothing silently."""

from itertools import permutations, product

import numpy as np
import pytest
from flightlog.log_texts import G, flown, hand_held
from numpy.testing import assert_allclose

from replay import rotation
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import Calibration
from replay.sensors.mount import dcm_of_axes, find_boost, find_mount, nearest_axes
from replay.units import DEG

PLAIN = Calibration()
NOSE = np.array([0.0, 0.0, 1.0])


def log_of(record, column_map=ColumnMap()):  # noqa: B008  (frozen)
    accel = Channel("accel_raw_imu_mps2", record.time_s.copy(), record.accel.copy(), "m/s²")
    rate = Channel("rate_raw_imu_radps", record.time_s.copy(), record.rate.copy(), "rad/s")
    return FlightLog(("x.csv",), "", {c.name: c for c in (accel, rate)}, column_map)


def tilted(angle_deg, axis=(1.0, 0.0, 0.0)):
    """Rotation matrix that turns a board by some degrees about one of its axes."""
    return rotation.to_dcm(rotation.from_rotvec(np.array(axis) * angle_deg * DEG))


def boost_in_body(mount, log):
    accel = log["accel_raw_imu_mps2"]
    start, stop = mount.boost_log_s
    inside = (accel.log_time_s >= start) & (accel.log_time_s < stop)
    mean = accel.values[inside].mean(axis=0) @ mount.dcm_body_from_imu.T
    return mean / np.linalg.norm(mean)


@pytest.mark.parametrize(("nose", "sign"), list(product((0, 1, 2), (1.0, -1.0))))
def test_each_of_six_ways_to_mount_a_board(nose, sign):
    """Whichever imu axis the boost pushes along becomes body z, by a proper rotation; no angle is left."""
    log = log_of(flown(nose=nose, sign=sign))
    mount = find_mount(log, PLAIN)
    assert mount.is_found
    assert mount.axes[2] == ("+" if sign > 0 else "-") + "xyz"[nose]
    assert_allclose(mount.dcm_body_from_imu @ mount.dcm_body_from_imu.T, np.eye(3), atol=1e-12)
    assert_allclose(np.linalg.det(mount.dcm_body_from_imu), 1.0)
    assert mount.rotation_rad == (0.0, 0.0, 0.0)
    assert mount.angle_left_rad < 0.2 * DEG
    assert_allclose(boost_in_body(mount, log), NOSE, atol=0.005)


def test_an_upright_board_is_left_as_it_is():
    """Imu z up: the identity, so that a log in body axes stays one."""
    assert find_mount(log_of(flown()), PLAIN).axes == ("+x", "+y", "+z")
    assert_allclose(find_mount(log_of(flown()), PLAIN).dcm_body_from_imu, np.eye(3))


def test_of_four_ways_to_put_a_nose_the_nearest_to_the_identity_is_taken():
    """Hand-worked: nose along imu x keeps y where it is, and z becomes minus x."""
    assert nearest_axes(np.array([1.0, 0.0, 0.0])) == ("-z", "+y", "+x")
    assert nearest_axes(np.array([0.0, 0.0, 1.0])) == ("+x", "+y", "+z")
    for letters, signs in product(permutations("xyz"), product("+-", repeat=3)):
        axes = tuple(s + c for s, c in zip(signs, letters, strict=True))
        dcm = dcm_of_axes(axes)
        assert abs(abs(np.linalg.det(dcm)) - 1.0) < 1e-12
        assert_allclose(dcm[2] @ np.eye(3)["xyz".index(letters[2])], 1.0 if signs[2] == "+" else -1.0)


@pytest.mark.parametrize("angle_deg", [0.5, 3.0, 9.5])
def test_a_small_angle_is_told_and_left(angle_deg):
    """Below ten degrees it may be what the user is after: a bias, a lean, a misalignment."""
    mount = find_mount(log_of(flown(turn=tilted(angle_deg))), PLAIN)
    assert_allclose(mount.angle_left_rad / DEG, angle_deg, atol=0.2)
    assert mount.rotation_rad == (0.0, 0.0, 0.0)
    assert_allclose(mount.dcm_body_from_imu, np.eye(3))
    assert "left as it is" in mount.note


@pytest.mark.parametrize("axis", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.6, -0.8, 0.0)])
@pytest.mark.parametrize("angle_deg", [10.5, 25.0, 44.0])
def test_a_large_angle_is_taken_off_and_shown(angle_deg, axis):
    """Above ten degrees the mean boost direction is laid on the nose, by the shortest turn."""
    log = log_of(flown(turn=tilted(angle_deg, axis)))
    mount = find_mount(log, PLAIN)
    assert_allclose(mount.angle_left_rad / DEG, angle_deg, atol=0.3)
    assert_allclose(np.linalg.norm(mount.rotation_rad), mount.angle_left_rad, rtol=1e-9)
    assert_allclose(boost_in_body(mount, log), NOSE, atol=1e-9)
    assert_allclose(mount.dcm_body_from_imu, tilted(angle_deg, axis).T, atol=0.006)
    assert "turned by" in mount.note


def test_what_the_column_map_states_is_kept_to():
    """Axes, rotation, or both; a stated rotation of nothing keeps a large angle."""
    record = flown(turn=tilted(25.0))
    axes = ("+y", "-x", "+z")
    both = find_mount(log_of(record, ColumnMap(axes=axes, rotation_rad=(0.0, 0.0, 0.0))), PLAIN)
    assert_allclose(both.dcm_body_from_imu, dcm_of_axes(axes))
    assert not both.is_found
    assert "as stated" in both.note
    only_axes = find_mount(log_of(record, ColumnMap(axes=axes)), PLAIN)
    assert_allclose(boost_in_body(only_axes, log_of(record)), NOSE, atol=1e-9)
    only_rotation = find_mount(log_of(record, ColumnMap(rotation_rad=(0.3, 0.0, 0.0))), PLAIN)
    assert only_rotation.axes == ("+x", "+y", "+z")
    assert_allclose(only_rotation.dcm_body_from_imu, tilted(0.3 / DEG), atol=1e-12)


def test_the_calibration_s_rotation_comes_last():
    """After axes and rotation; its biases do not move the mount, so that a dragged bias turns nothing else."""
    log = log_of(flown(turn=tilted(25.0)))
    before = find_mount(log, PLAIN)
    after = find_mount(log, Calibration(mount_rotation_rad=(0.0, 0.05, 0.0)))
    assert_allclose(after.dcm_body_from_imu, tilted(0.05 / DEG, (0, 1, 0)) @ before.dcm_body_from_imu, atol=1e-12)
    biased = find_mount(log, Calibration(accel_bias_imu_mps2=(1.0, 0.0, 0.0)))
    assert_allclose(biased.dcm_body_from_imu, before.dcm_body_from_imu)


def test_a_bench_recording_has_no_boost():
    """Turned by hand: the axis that points up at rest is taken, and the note says how sure that is."""
    record = hand_held()
    mount = find_mount(log_of(record), PLAIN)
    assert not mount.is_found
    assert np.isnan(mount.angle_left_rad)
    assert mount.boost_log_s is None
    assert mount.axes[2] == "+z"
    assert "no boost" in mount.note
    flipped = log_of(type(record)(record.time_s, record.accel @ tilted(90.0, (0, 1, 0)).T, record.rate, record.q_enu_from_imu))
    assert find_mount(flipped, PLAIN).axes[2] == "+x"


def test_shaking_and_knocks_are_no_boost():
    """A second of shaking at 3 g and a knock of 20 g (seed 8), no fall after either."""
    rng = np.random.default_rng(8)
    record = hand_held()
    accel = record.accel.copy()
    accel[300:400] += 3 * G * np.sin(40 * record.time_s[300:400, None]) + rng.normal(0, G, (100, 3))
    accel[600:603] += 20 * G
    log = log_of(type(record)(record.time_s, accel, record.rate, record.q_enu_from_imu))
    assert find_boost(log["accel_raw_imu_mps2"]) is None


def test_a_slow_liftoff_is_a_boost():
    """Thrust of one and a half times the weight for four seconds."""
    record = flown()
    accel = record.accel.copy()
    accel[500:900, 2] += 1.5 * G - np.where(record.time_s[500:900] < 6.5, 4.0, -0.1) * G
    found = find_boost(log_of(type(record)(record.time_s, accel, record.rate, record.q_enu_from_imu))["accel_raw_imu_mps2"])
    assert_allclose(found, (5.0, 9.0), atol=0.1)


def test_an_accelerometer_of_the_wrong_sign_on_the_pad_is_told():
    """The pad's specific force must not point against the boost's."""
    record = flown()
    accel = record.accel.copy()
    accel[:480] *= -1.0
    mount = find_mount(log_of(type(record)(record.time_s, accel, record.rate, record.q_enu_from_imu)), PLAIN)
    assert "sign the wrong way round" in mount.note


@pytest.mark.parametrize("n", [0, 1, 5])
def test_hardly_any_samples(n):
    """Axes as logged, said, nothing raised; the same without an accelerometer."""
    record = flown()
    log = log_of(type(record)(record.time_s[:n], record.accel[:n], record.rate[:n], record.q_enu_from_imu[:n]))
    mount = find_mount(log, PLAIN)
    assert_allclose(mount.dcm_body_from_imu, np.eye(3))
    assert "axes taken as logged" in mount.note
    none = FlightLog((), "", {}, ColumnMap())
    assert_allclose(find_mount(none, PLAIN).dcm_body_from_imu, np.eye(3))


def test_missing_values_and_gaps_do_not_hide_the_boost():
    """NaN rows and a lost second on the pad."""
    record = flown()
    accel = record.accel.copy()
    accel[[10, 520, 530]] = np.nan
    keep = (record.time_s < 2.0) | (record.time_s > 3.0)
    log = log_of(type(record)(record.time_s[keep], accel[keep], record.rate[keep], record.q_enu_from_imu[keep]))
    assert_allclose(find_mount(log, PLAIN).boost_log_s, (5.0, 6.5), atol=0.1)


def test_plain_values_for_json():
    """Degrees in the output, no NaN."""
    import json

    for record in (flown(turn=tilted(25.0)), hand_held()):
        json.dumps(find_mount(log_of(record), PLAIN).as_dict(), allow_nan=False)
