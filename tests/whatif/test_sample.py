"""Sample flights: what their sensors, computer and weather are promised to be."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay import rotation
from replay.flightlog import read_log
from replay.sensors.calibration import Calibration, accel_matrix, gyro_matrix
from replay.units import DEG
from replay.whatif import sample
from replay.whatif.scenarios import SCENARIOS


def phase(flight, first, last):
    """Rows between two of the flight's events."""
    times = flight.truth.log_time_s
    return (times >= getattr(flight.truth.events, first)) & (times < getattr(flight.truth.events, last))


@pytest.mark.parametrize("name", sample.NAMES)
def test_reading_the_file_gives_the_log(fly, tmp_path, name):
    """The log built in memory is what its text file reads as: times, values, units, headers."""
    flight = fly(name)
    path = tmp_path / f"{name}.csv"
    path.write_text(flight.log_text(), encoding="utf-8", newline="\n")
    read = read_log(path)
    assert set(read.channels) == set(flight.log.channels)
    for key, channel in flight.log.channels.items():
        other = read[key]
        assert (other.unit, other.columns) == (channel.unit, channel.columns)
        assert_allclose(other.log_time_s, channel.log_time_s, atol=1e-9)
        if key == "state":
            assert (other.values == channel.values).all()
        else:
            assert_allclose(other.values, channel.values, atol=1e-9)
    assert [(e.column, e.channel, e.component, e.unit) for e in read.column_map.columns] == [
        (e.column, e.channel, e.component, e.unit) for e in flight.log.column_map.columns
    ]


@pytest.mark.parametrize("name", ["crooked_bench", "troubled_logger"])
def test_same_seed_same_flight(fly, name):
    """Bit for bit; and another seed is another flight."""
    again, other = sample.make(name), sample.make(name, seed=1)
    assert again.log_text() == fly(name).log_text()
    assert again.evidence == fly(name).evidence
    assert other.log_text() != again.log_text()


@pytest.mark.parametrize("name", sample.NAMES)
def test_events_come_in_order(fly, name):
    e = fly(name).truth.events
    times = [
        e.liftoff_log_s,
        fly(name).truth.rail_exit_log_s,
        e.burnout_log_s,
        e.apogee_log_s,
        e.deployment_log_s,
        e.touchdown_log_s,
        e.rest_log_s,
    ]
    assert np.all(np.diff(times) > 0.0)
    assert 7.9 < e.liftoff_log_s < 8.2
    truth = fly(name).truth
    assert truth.log_time_s[-1] > e.rest_log_s + 5.5
    rest = truth.log_time_s > e.rest_log_s
    assert np.abs(truth.rate_body_radps[rest]).max() == 0.0
    assert_allclose(np.linalg.norm(truth.accel_body_mps2[rest], axis=1), truth.gravity_mps2, rtol=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_it_comes_to_rest_lying(seed):
    """Whatever the weather: on its side, with another body direction down than on the pad."""
    truth = sample.make("clean", seed=seed, speed_mps=0.4 * seed).truth
    assert np.isfinite(truth.events.rest_log_s)
    assert 70.0 < rotation.tilt(truth.q_enu_from_body[-1]) / DEG < 110.0


@pytest.mark.parametrize("name", ["clean", "crooked_bench", "fast_roll", "hot_day"])
def test_the_true_calibration_gives_back_the_truth(fly, name):
    """Applied to the raw log it leaves noise of the stated size and no mean, on the pad, in boost, in coast and at rest."""
    flight = fly(name)
    truth, c = flight.truth, flight.truth.calibration
    raw_a, raw_g = flight.log["accel_raw_imu_mps2"].values, flight.log["rate_raw_imu_radps"].values
    house = flight.scenario.housekeeping
    warm = (house.temperature_k(truth.log_time_s) - c.reference_temperature_k)[:, None]
    accel = (raw_a - np.array(c.accel_bias_imu_mps2) - np.array(c.accel_slope_imu_mps2_per_k) * warm) @ accel_matrix(c).T
    rate = (raw_g - truth.gyro_turn_on_bias_imu_radps - np.array(c.gyro_slope_imu_radps_per_k) * warm) @ gyro_matrix(c).T
    for rows in (phase(flight, "burnout_log_s", "apogee_log_s"), truth.log_time_s > truth.events.rest_log_s, truth.log_time_s < 7.5):
        a = accel[rows] - truth.accel_body_mps2[rows]
        g = rate[rows] - truth.rate_body_radps[rows]
        n = rows.sum()
        # white noise at the half rate, the converter's step, the digits of the log
        sd_a = np.hypot(100e-6 * 9.80665 * np.sqrt(125.0), 32.0 * 9.80665 / 32768.0 / np.sqrt(12.0))
        sd_g = np.hypot(0.005 * DEG * np.sqrt(125.0), 2000.0 * DEG / 32768.0 / np.sqrt(12.0))
        assert_allclose(a.std(axis=0), sd_a, rtol=0.15)
        assert_allclose(g.std(axis=0), sd_g, rtol=0.15)
        assert np.abs(a.mean(axis=0)).max() < 5.0 * sd_a / np.sqrt(n) + 150e-6 * 9.80665
        assert np.abs(g.mean(axis=0)).max() < 5.0 * sd_g / np.sqrt(n) + 9.0 * DEG / 3600.0
    boost = phase(flight, "liftoff_log_s", "burnout_log_s")
    assert np.abs((accel - truth.accel_body_mps2)[boost].mean(axis=0)).max() < 0.03


def test_rates_and_attitude_agree(fly):
    """Integrating the true rates gives the true attitude, up to the parachute, to a hundredth of a degree."""
    truth = fly("clean").truth
    rows = np.flatnonzero(truth.log_time_s < truth.events.deployment_log_s)
    q = truth.q_enu_from_body[rows[0]]
    for i in rows[:-1]:
        q = rotation.multiply(q, rotation.from_rotvec(0.5 * 0.004 * (truth.rate_body_radps[i] + truth.rate_body_radps[i + 1])))
    left = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q), truth.q_enu_from_body[rows[-1]]))
    assert np.linalg.norm(left) / DEG < 0.01


def test_specific_force_and_motion_agree():
    """With the sensor at the centre of gravity, integrating force less gravity gives the true velocity and path."""
    truth = sample.make("clean", imu_from_cg_m=(0.0, 0.0, 0.0)).truth
    rows = truth.log_time_s < truth.events.deployment_log_s
    up = np.array([0.0, 0.0, truth.gravity_mps2])
    acceleration = rotation.rotate(truth.q_enu_from_body, truth.accel_body_mps2)[rows] - up
    velocity = np.vstack((np.zeros(3), np.cumsum(0.5 * 0.004 * (acceleration[1:] + acceleration[:-1]), axis=0)))
    assert_allclose(velocity, truth.vel_enu_mps[rows], atol=0.03)
    path = np.vstack((np.zeros(3), np.cumsum(0.5 * 0.004 * (velocity[1:] + velocity[:-1]), axis=0)))
    assert_allclose(path, truth.pos_enu_m[rows], atol=0.15)


@pytest.mark.parametrize(("bias_mg", "tilt_deg"), [(1.0, 0.057296), (5.0, 0.286480), (20.0, 1.145992), (40.0, 2.292443)])
def test_levelling_with_a_bias(bias_mg, tilt_deg):
    """The computer believes to lean by asin(b/g): table of levelling errors (1 mg is 1 mrad)."""
    quiet = {"accel_instability_mps2": 0.0, "rail_tilt_rad": 0.0, "rest_s": 0.2}
    flight = sample.make("clean", accel_bias_imu_mps2=(bias_mg * 9.80665e-3, 0.0, 0.0), **quiet)
    believed = flight.record.q_enu_from_body_onboard[0]
    # the specific force reads b across and g along: the closed form has g for the hypotenuse
    expected = np.degrees(np.arctan(np.sin(np.radians(tilt_deg)) * 9.80665 / flight.truth.gravity_mps2))
    assert_allclose(rotation.tilt(believed) / DEG, expected, atol=0.006)


def test_the_crooked_bench_rights_it_to_a_false_vertical(fly):
    """The computer says upright at burnout; the truth leans by about asin(b/g), and the path has left."""
    crooked, clean = fly("crooked_bench"), fly("clean")
    i = np.searchsorted(crooked.truth.log_time_s, crooked.truth.events.burnout_log_s - 0.2)
    assert rotation.tilt(crooked.record.q_enu_from_body_onboard[i]) / DEG < 0.7
    assert 2.0 < rotation.tilt(crooked.truth.q_enu_from_body[i]) / DEG < 3.3
    assert rotation.tilt(clean.truth.q_enu_from_body[i]) / DEG < 0.7
    apogee = [f.truth.pos_enu_m[np.searchsorted(f.truth.log_time_s, f.truth.events.apogee_log_s)] for f in (crooked, clean)]
    assert np.linalg.norm((apogee[0] - apogee[1])[:2]) > 7.0


def test_the_right_calibration_on_board_rights_it(fly):
    """Same draws with the true calibration on board: upright at burnout."""
    crooked = fly("crooked_bench")
    corrected = sample.make("crooked_bench", onboard_calibration=crooked.truth.calibration)
    i = np.searchsorted(corrected.truth.log_time_s, corrected.truth.events.burnout_log_s - 0.2)
    assert rotation.tilt(corrected.truth.q_enu_from_body[i]) / DEG < 0.8
    assert_allclose(corrected.log["accel_raw_imu_mps2"].values[:1500], crooked.log["accel_raw_imu_mps2"].values[:1500])


def test_the_fast_roll(fly):
    """Two turns a second and more, and a computer that has lost its roll by tens of degrees at apogee."""
    flight = fly("fast_roll")
    assert flight.truth.rate_body_radps[:, 2].max() > 2.0 * np.pi * 2.0
    i = np.searchsorted(flight.truth.log_time_s, flight.truth.events.apogee_log_s)
    turn = rotation.multiply(rotation.conjugate(flight.truth.q_enu_from_body[i]), flight.record.q_enu_from_body_onboard[i])
    assert 15.0 < abs(rotation.roll(turn)) / DEG < 120.0


def test_the_troubled_logger(fly):
    """Every trouble the note promises is found by reading the log, and the truth keeps to the rows that are left."""
    flight = fly("troubled_logger")
    said = " ".join(issue.text for issue in flight.log.issues)
    for word in ("wraps", "coarse clock", "gap", "header repeated", "torn", "clipped"):
        assert word in said
    times = flight.log["rate_raw_imu_radps"].log_time_s
    assert len(times) == len(flight.truth.log_time_s)
    assert np.abs(times - flight.truth.log_time_s).max() < 0.01


def test_positives_for_findings(fly):
    """What the other notes promise is in the flight: tired battery and oscillation, early control, late hard opening, heat."""
    soft, weak, late, hot = (fly(name) for name in ("soft_gimbal", "weak_motor", "late_chute", "hot_day"))
    assert soft.log["battery_v"].values.min() < 6.7
    boost = phase(soft, "liftoff_log_s", "burnout_log_s")
    assert np.ptp(soft.truth.gimbal_rad[boost][-250:], axis=0).max() > 4.0 * DEG
    assert np.abs(weak.record.gimbal_command_rad).max() >= 5.0 * DEG - 1e-12
    assert weak.truth.vel_enu_mps[np.searchsorted(weak.truth.log_time_s, weak.truth.rail_exit_log_s), 2] < 6.0
    assert late.truth.events.deployment_log_s - late.truth.events.apogee_log_s > 3.0
    assert late.truth.vel_enu_mps[np.searchsorted(late.truth.log_time_s, late.truth.events.touchdown_log_s - 1.0), 2] < -6.5
    assert hot.log["imu_temperature_k"].values.min() > 318.0
    clean = fly("clean")
    assert np.abs(clean.record.gimbal_command_rad).max() < 2.5 * DEG
    assert np.abs(clean.truth.accel_body_mps2).max() < 0.85 * 32.0 * 9.80665


def test_overrides_reach_inside():
    """By the field's own name, wherever it lives; an unknown one is refused."""
    scenario = SCENARIOS["clean"].but(speed_mps=9.0, gyro_scale=(1.0, 1.0, 1.1), proportional=0.4, latitude_rad=0.1)
    assert scenario.surroundings.wind.speed_mps == 9.0
    assert scenario.imu.calibration.gyro_scale == (1.0, 1.0, 1.1)
    assert scenario.vehicle.guidance.proportional == 0.4
    assert scenario.vehicle.site.latitude_rad == 0.1
    with pytest.raises(TypeError, match="wind_speed"):
        SCENARIOS["clean"].but(wind_speed=3.0)
    with pytest.raises(KeyError, match="clean"):
        sample.make("nonsense")


def test_mounting_and_misalignment():
    """A board on its side with scale, cross-axis and misalignment: calibration and axes still give back the truth."""
    c = Calibration(
        accel_bias_imu_mps2=(0.1, -0.2, 0.3), accel_scale=(1.01, 0.99, 1.02), accel_cross_axis=(0.01, -0.02, 0.005),
        gyro_scale=(1.01, 0.98, 1.005), gyro_misalignment_rad=(0.01, -0.005, 0.02), mount_rotation_rad=(0.02, 0.03, -0.01),
    )  # fmt: skip
    flight = sample.make("clean", calibration=c, axes=("-y", "+z", "-x"), rate_hz=200.0)
    truth, to_body = flight.truth, flight.truth.dcm_body_from_imu
    assert_allclose(np.linalg.det(to_body), 1.0)
    pad = truth.log_time_s < 7.5
    accel = (flight.log["accel_raw_imu_mps2"].values - np.array(c.accel_bias_imu_mps2)) @ accel_matrix(c).T @ to_body.T
    rate = (flight.log["rate_raw_imu_radps"].values - truth.gyro_turn_on_bias_imu_radps) @ gyro_matrix(c).T @ to_body.T
    assert_allclose(accel[pad].mean(axis=0), truth.accel_body_mps2[0], atol=2e-3)
    chute = phase(flight, "deployment_log_s", "touchdown_log_s")
    left = (rate - truth.rate_body_radps)[chute]
    assert np.abs(left).mean() < 0.1 * DEG


def test_an_unguided_flight():
    """No guidance: the gimbal stays centred."""
    vehicle = dataclasses.replace(SCENARIOS["clean"].vehicle, guidance=None, gimbal=None)
    flight = sample.make("clean", vehicle=vehicle, speed_mps=0.0, gust_sd_mps=0.0)
    assert np.abs(flight.truth.gimbal_rad).max() == 0.0
    assert flight.truth.pos_enu_m[:, 2].max() > 100.0


def test_evidence_is_honest(fly):
    """Over seeds, what the crew noted scatters about the truth as its standard deviations say."""
    flight, errors = fly("clean"), []
    rest, apogee = flight.truth.pos_enu_m[-1], flight.truth.pos_enu_m[:, 2].max()
    for seed in range(60):
        noted = sample._evidence(flight.scenario, flight.record, (seed, 1))
        east, north = noted["touchdown"]["east_m"], noted["touchdown"]["north_m"]
        errors += [(east - rest[0]) / noted["touchdown"]["sd_m"], (north - rest[1]) / noted["touchdown"]["sd_m"]]
        errors.append((noted["apogee"]["height_m"] - apogee) / noted["apogee"]["sd_m"])
        up = rotation.rotate(rotation.from_tilt(noted["rail"]["tilt_deg"] * DEG, noted["rail"]["azimuth_deg"] * DEG), [0.0, 0.0, 1.0])
        true = rotation.rotate(rotation.from_tilt(flight.scenario.rail_tilt_rad, flight.scenario.rail_azimuth_rad), [0.0, 0.0, 1.0])
        errors += list((up - true)[:2] / (noted["rail"]["sd_deg"] * DEG))
    assert 0.85 < np.sqrt(np.mean(np.square(errors))) < 1.15
