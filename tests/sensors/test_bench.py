"""Bench calibrations on recordings made here with known errors: they come back, with honest standard deviations."""

import numpy as np
import pytest

from replay import rotation
from replay.errors import CannotEstimate
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.bench import find_rests, order_faces, six_face
from replay.sensors.bench_run import allan_channels
from replay.sensors.calibration import upper_triangular
from replay.sensors.multiposition import fit_norms, multi_position
from replay.sensors.temperature import SweepRun, temperature_sweep
from replay.sensors.turns import turn_scale
from replay.units import DEG, kelvin

GRAVITY = 9.81
RATE_HZ = 100.0
SCALE, CROSS, BIAS = np.array([1.01, 0.985, 1.02]), np.array([0.004, -0.006, 0.008]), np.array([0.15, -0.25, 0.4])
GYRO_SCALE, GYRO_MISALIGNMENT = np.array([1.012, 0.991, 1.003]), np.array([0.004, -0.008, 0.006])


def tumbled(seed, n_poses=24, near_upright=False, turn_rad=None, axis=None):
    """A unit that lies still, is turned, lies still …: time, raw accel, raw rate (n, 3), from known errors and white noise."""
    rng = np.random.default_rng(seed)
    attitude, quaternions, rates = np.array([1.0, 0.0, 0.0, 0.0]), [], []
    for pose in range(n_poses):
        for _ in range(int(2.0 * RATE_HZ)):
            quaternions.append(attitude)
            rates.append(np.zeros(3))
        if axis is not None:
            direction, angle = np.eye(3)[axis] * (-1) ** pose, turn_rad
        elif near_upright:
            direction, angle = np.append(rng.normal(size=2), 0.0) if pose % 2 == 0 else -direction, 0.02
        else:
            direction, angle = rng.normal(size=3), rng.uniform(0.8, 2.6)
        direction = direction / np.linalg.norm(direction)
        n = int(1.0 * RATE_HZ)
        profile = np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 2
        for rate in angle * profile / profile.sum() * RATE_HZ:
            quaternions.append(attitude)
            rates.append(rate * direction)
            attitude = rotation.multiply(attitude, rotation.from_rotvec(rate * direction / RATE_HZ))
    quaternions, rates = np.array(quaternions), np.array(rates)
    # rates are constant over a step: the attitude logged with a rate is the one halfway through the step
    middle = rotation.multiply(quaternions, rotation.from_rotvec(0.5 * rates / RATE_HZ))
    accel = rotation.rotate(rotation.conjugate(middle), [0.0, 0.0, GRAVITY])
    raw = accel @ np.linalg.inv(upper_triangular(SCALE, CROSS)).T + BIAS + rng.normal(0, 0.02, accel.shape)
    gyro = rotation.rotate(rotation.from_rotvec(-GYRO_MISALIGNMENT), rates) / GYRO_SCALE
    gyro = gyro + np.array([0.01, -0.02, 0.005]) + rng.normal(0, 0.0015, rates.shape)
    return np.arange(len(raw)) / RATE_HZ, raw, gyro


def test_rests_are_found_where_the_unit_lay_still():
    time, accel, rate = tumbled(1, n_poses=6)
    spans = find_rests(time, accel, rate)
    assert len(spans) == 6
    for i, span in enumerate(spans):
        assert 3.0 * i - 1.0 < time[span.start] and time[span.stop - 1] < 3.0 * i + 2.0


def test_multi_position_errors_are_inside_their_own_sigmas():
    """Fifteen parameters over 8 seeds: root mean square of error over sigma between 0.6 and 1.5 for the accelerometer."""
    pulls, gyro_errors = [], []
    for seed in range(8):
        result = multi_position(*tumbled(seed), GRAVITY)
        c = result.calibration
        estimate = np.concatenate((c.accel_scale, c.accel_cross_axis, c.accel_bias_imu_mps2))
        sd = np.concatenate([result.sd[k] for k in ("accel_scale", "accel_cross_axis", "accel_bias_imu_mps2")])
        pulls.append((estimate - np.concatenate((SCALE, CROSS, BIAS))) / sd)
        gyro_errors.append(np.abs(np.array(c.gyro_scale) - GYRO_SCALE))
        np.testing.assert_allclose(c.gyro_misalignment_rad, GYRO_MISALIGNMENT, atol=0.002)
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.5
    assert np.max(gyro_errors) < 0.002


def test_norms_near_upright_say_what_they_can_not_see():
    """Poses a degree about upright see neither scale nor axial bias apart: undetermined, left near their defaults, and no gyro fit."""
    time, accel, rate = tumbled(3, near_upright=True)
    result = multi_position(time, accel, rate, GRAVITY)
    for name in ("scale x", "scale y", "scale z", "cross-axis xy", "bias z"):
        assert f"accelerometer {name}" in result.undetermined
    assert any("gyro scale" in line for line in result.undetermined)
    assert np.isnan(result.sd["accel_bias_imu_mps2"][2])
    assert abs(result.calibration.accel_scale[0] - 1.0) < 0.05


def test_two_poses_are_too_few():
    with pytest.raises(CannotEstimate, match="found 2 poses"):
        multi_position(*tumbled(1, n_poses=2), GRAVITY)


def test_counts_that_never_saw_both_ends_are_refused():
    """Without a full swing a reading in counts has no scale to be guessed from."""
    with pytest.raises(CannotEstimate, match="both ends"):
        fit_norms(np.array([[1000.0, 10.0, 4000.0], [1010.0, 12.0, 4001.0], [990.0, 8.0, 3999.0], [1000.0, 14.0, 4002.0]]), GRAVITY)


def test_six_faces_of_a_recording_are_put_in_order():
    rng = np.random.default_rng(0)
    faces = [sign * GRAVITY * np.eye(3)[axis] + BIAS for axis in (2, 0, 1) for sign in (-1, 1)]
    raw = np.concatenate([f + rng.normal(0, 0.01, (300, 3)) for f in faces])
    moving = np.zeros((len(raw), 3)) + rng.normal(0, 1e-3, raw.shape)
    for i in range(1, 6):
        moving[300 * i - 40 : 300 * i + 40] += 1.0
    time = np.arange(len(raw)) / RATE_HZ
    from replay.sensors.bench import pose_of

    poses = [pose_of(time, raw, moving, s) for s in find_rests(time, raw, moving)]
    result = six_face(order_faces(poses), GRAVITY, 0.01 / np.sqrt(200))
    np.testing.assert_allclose(result.calibration.accel_bias_imu_mps2, BIAS, atol=0.003)
    np.testing.assert_allclose(result.calibration.accel_scale, 1.0, atol=3e-4)
    with pytest.raises(CannotEstimate, match="no pose with"):
        order_faces(poses[:4])


def test_known_turns_give_the_scale_and_leave_the_others_open():
    """Full circles about z: scale error inside three of its own sigmas on 10 seeds, x and y undetermined."""
    for seed in range(10):
        result = turn_scale(*tumbled(seed, n_poses=9, turn_rad=2 * np.pi, axis=2), turn_rad=2 * np.pi, turn_sd_rad=0.1 * DEG)
        # a turn about true z shows on the gyro's z through its scale and the cosine of its misalignment
        assert abs(result.calibration.gyro_scale[2] - GYRO_SCALE[2]) < 3 * result.sd["gyro_scale"][2] + 1e-4
        assert result.sd["gyro_scale"][2] < 5e-4
        assert np.isnan(result.sd["gyro_scale"][0])
        assert any("gyro scale x" in line for line in result.undetermined)


def sweep(seed, accel_slope, gyro_slope, up=(0.0, 0.0, 1.0), drift=0.0, scale_slope=0.0):
    rng = np.random.default_rng(seed)
    n = 4000
    temperature = kelvin(10.0) + 20.0 * np.linspace(0, 1, n)
    delta = temperature - kelvin(20.0)
    accel = (
        GRAVITY * np.array(up) * (1 + scale_slope * delta[:, None]) + np.array(accel_slope) * delta[:, None] + rng.normal(0, 0.02, (n, 3))
    )
    rate = np.array(gyro_slope) * delta[:, None] + drift * np.linspace(0, 1, n)[:, None] + rng.normal(0, 0.002, (n, 3))
    return SweepRun(temperature, accel, rate)


def test_temperature_slopes_come_back():
    truth_a, truth_g = (0.004, -0.002, 0.001), (1e-4, -2e-4, 5e-5)
    result = temperature_sweep([sweep(s, truth_a, truth_g) for s in range(3)], gravity_mps2=GRAVITY)
    np.testing.assert_allclose(
        result.calibration.accel_slope_imu_mps2_per_k, truth_a, atol=4 * max(result.sd["accel_slope_imu_mps2_per_k"])
    )
    np.testing.assert_allclose(
        result.calibration.gyro_slope_imu_radps_per_k, truth_g, atol=4 * max(result.sd["gyro_slope_imu_radps_per_k"])
    )
    assert not any("does not repeat" in n for n in result.notes)
    assert any("bias slope and scale slope are one number" in u for u in result.undetermined)


def test_a_slope_that_does_not_repeat_is_told():
    result = temperature_sweep([sweep(1, (0, 0, 0), (1e-4, 0, 0)), sweep(2, (0, 0, 0), (4e-4, 0, 0))])
    assert any("gyro x: the slope does not repeat" in n for n in result.notes)
    assert result.sd["gyro_slope_imu_radps_per_k"][0] > 1e-5


def test_both_ways_up_part_scale_slope_from_bias_slope():
    runs = [sweep(5, (0, 0, 0.003), (0, 0, 0), up=(0, 0, s), scale_slope=200e-6) for s in (1.0, -1.0)]
    result = temperature_sweep(runs, gravity_mps2=GRAVITY)
    assert result.figures["accelerometer scale slope z, ppm/°C"] == pytest.approx(200, abs=10)
    assert result.calibration.accel_slope_imu_mps2_per_k[2] == pytest.approx(0.003, abs=3 * result.sd["accel_slope_imu_mps2_per_k"][2])


def test_a_sweep_that_hardly_warms_is_refused():
    run = sweep(1, (0, 0, 0), (0, 0, 0))
    with pytest.raises(CannotEstimate, match="needs at least 3 K"):
        temperature_sweep([SweepRun(run.temperature_k * 0.001 + 290.0, run.accel_raw_mps2, run.rate_raw_radps)])


def bench_log(time_s, rate_radps, i_gap=()):
    """A gyro alone, as a log."""
    gap = np.asarray(i_gap, dtype=np.int64)
    channel = Channel("rate_raw_imu_radps", np.asarray(time_s), np.array(rate_radps), "rad/s", gap, ("gx", "gy", "gz"))
    return FlightLog(("still.csv",), "", {channel.name: channel}, ColumnMap())


def test_allan_work_wants_an_unbroken_even_recording_at_rest():
    """White noise passes; a turn, a gap, uneven steps and a handful of samples are each refused in words."""
    rng = np.random.default_rng(11)
    n = 4000
    time_s, noise = np.arange(n) / RATE_HZ, rng.normal(0.0, 0.05 * DEG, (n, 3))
    assert sorted(allan_channels(bench_log(time_s, noise))) == ["gyro x", "gyro y", "gyro z"]
    turned = noise.copy()
    turned[2000:2200, 1] += 30.0 * DEG
    slower = np.where(np.arange(n) < 2500, 1.0, 2.0).cumsum() / RATE_HZ
    for log, words in (
        (bench_log(time_s, turned), r"gyro changes by 30(\.\d)? deg/s"),
        (bench_log(time_s, noise, [1000]), "1 gap;"),
        (bench_log(slower, noise), "38 % of its steps are uneven"),
        (bench_log(time_s[:1], noise[:1]), "at least 40 samples, got 1"),
    ):
        with pytest.raises(CannotEstimate, match=words):
            allan_channels(log)
