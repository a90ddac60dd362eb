"""Levelling: which window, what bias, and a standard deviation that holds."""

import dataclasses

import numpy as np
import pytest
from motion_records import measurements, pad_record
from numpy.testing import assert_allclose

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion.levelling import level
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events
from replay.units import DEG

G = 9.80665
RATE_HZ = 100.0


def record(duration_s=40.0, seed=0, accel_sd=0.05, rate_sd=0.05 * DEG, bias=(0.5, -0.3, 0.2), lean=(0.3, -0.2)):
    """A pad record with noise and gyro bias; returns time, accel, rate, ready to be disturbed."""
    rng = np.random.default_rng(seed)
    n = int(duration_s * RATE_HZ)
    accel = np.array([*lean, G]) + accel_sd * rng.standard_normal((n, 3))
    rate = np.array(bias) * DEG + rate_sd * rng.standard_normal((n, 3))
    return np.arange(n) / RATE_HZ, accel, rate


def test_the_window_lies_before_liftoff_and_away_from_it():
    """Half a second is kept clear of liftoff, or what the settings say; no more than twenty seconds are taken."""
    time_s, accel, rate = record()
    accel[3000:, 2] += 30.0
    found = level(measurements(time_s, accel, rate), Events(liftoff_log_s=30.0), Site())
    assert 29.3 < found.stop_log_s <= 29.5
    assert 9.0 < found.start_log_s < 9.7
    wider = level(measurements(time_s, accel, rate), Events(liftoff_log_s=30.0), Site(), EstimatorSettings(liftoff_margin_s=3.0))
    assert 26.8 < wider.stop_log_s <= 27.0


def test_a_knock_on_the_pad_is_left_out():
    """Someone touches the rail eight seconds before liftoff: the window starts after it, or the tilt would be out by degrees."""
    time_s, accel, rate = record()
    accel[2200:2250, 0] += 6.0
    rate[2200:2250, 1] += 40.0 * DEG
    found = level(measurements(time_s, accel, rate), Events(liftoff_log_s=30.0), Site())
    assert found.start_log_s >= 22.4
    assert_allclose(found.accel_body_mps2[0], 0.3, atol=0.01)
    assert_allclose(found.gyro_bias_body_radps / DEG, [0.5, -0.3, 0.2], atol=0.02)


def test_a_vehicle_laid_down_before_it_was_put_up_is_levelled_as_it_flew():
    """Half a minute lying flat, then put on the rail: the last pose counts."""
    time_s, accel, rate = record()
    accel[:2000] = np.array([G, 0.0, 0.1]) + (accel[:2000] - [0.3, -0.2, G])
    rate[1900:2000, 1] += 90.0 * DEG
    found = level(measurements(time_s, accel, rate), Events(liftoff_log_s=30.0), Site())
    assert rotation.tilt(found.q_enu_from_body) < 3.0 * DEG
    assert found.start_log_s > 19.5


def test_sway_on_the_rod_does_not_tilt_the_level():
    """Half a degree of sway at 0.3 Hz over two and a third periods: averaged where the gyro stands still, it leaves little of it."""
    time_s, accel, rate = record(duration_s=7.8, accel_sd=0.01, lean=(0.0, 0.0), bias=(0.0, 0.0, 0.0), rate_sd=0.0)
    angle = 0.5 * DEG * np.sin(2.0 * np.pi * 0.3 * time_s)
    accel += np.column_stack((-G * np.sin(angle), 0.0 * angle, G * (np.cos(angle) - 1.0)))
    rate[:, 1] += np.gradient(angle, time_s)
    found = level(measurements(time_s, accel, rate), Events(), Site(), window_log_s=(0.0, 7.8))
    swayed = 0.5 * DEG * np.sin(2.0 * np.pi * 0.3 * time_s[-1])
    error = abs(rotation.to_rotvec(found.q_enu_from_body)[1] - swayed)
    assert error < 0.15 * DEG
    assert error < 3.0 * found.tilt_sd_rad, "and the standard deviation knows of the rest"


def test_the_standard_deviations_hold():
    """Over 80 seeds the errors of tilt and gyro bias stay within what is stated: RMS of error over sd near one, for white noise."""
    tilt_ratio, bias_ratio = [], []
    for seed in range(80):
        time_s, accel, rate = record(duration_s=8.0, seed=seed, lean=(0.0, 0.0))
        found = level(measurements(time_s, accel, rate), Events(), Site())
        tilt_ratio += (rotation.to_rotvec(found.q_enu_from_body)[:2] / found.tilt_sd_rad).tolist()
        bias_ratio += ((found.gyro_bias_body_radps / DEG - [0.5, -0.3, 0.2]) * DEG / found.gyro_bias_sd_radps).tolist()
    assert 0.5 < np.sqrt(np.mean(np.square(tilt_ratio))) < 1.3
    # in-run instability, which white noise has none of, is in the stated one
    assert 0.1 < np.sqrt(np.mean(np.square(bias_ratio))) < 1.3


def test_levelling_follows_the_calibration():
    """A bias taken off moves the level by as much as it tilted it: the same window, another mean."""
    time_s, accel, rate = record(lean=(0.0, 0.0))
    as_flown = level(measurements(time_s, accel, rate), Events(), Site())
    edited = level(measurements(time_s, accel - [0.3, 0.0, 0.0], rate), Events(), Site())
    assert (as_flown.start_log_s, as_flown.stop_log_s) == (edited.start_log_s, edited.stop_log_s)
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(as_flown.q_enu_from_body), edited.q_enu_from_body)) / DEG
    # less force along +x is a nose that leans towards +x
    assert_allclose(turn, [0.0, np.degrees(np.arctan(0.3 / G)), 0.0], rtol=0, atol=0.02)


def test_a_record_that_never_rests_is_levelled_roughly_and_says_so():
    """Hand-held turning all along: a level with degrees of uncertainty, no gyro bias taken from motion."""
    time_s, accel, rate = record()
    rate += 60.0 * DEG * np.sin(2.0 * np.pi * time_s)[:, None]
    accel += 3.0 * np.sin(2.0 * np.pi * 1.3 * time_s)[:, None]
    found = level(measurements(time_s, accel, rate), Events(), Site())
    assert found.tilt_sd_rad >= 3.0 * DEG
    assert found.gyro_bias_body_radps.tolist() == [0.0, 0.0, 0.0]
    assert np.all(found.gyro_bias_sd_radps >= 0.5 * DEG)


def test_missing_and_clipped_rows_do_not_count():
    """NaN rows and clipped ones are left out of the mean."""
    time_s, accel, rate = record(duration_s=10.0, accel_sd=0.01)
    accel[100:110] = np.nan
    clipped = np.zeros((len(time_s), 3), dtype=bool)
    clipped[500:505, 0] = True
    accel[500:505, 0] = 9.0
    found = level(measurements(time_s, accel, rate, is_accel_clipped_body=clipped), Events(), Site(), window_log_s=(0.0, 10.0))
    assert_allclose(found.accel_body_mps2, [0.3, -0.2, G], atol=0.005)


def test_nothing_to_level_on_is_one_clear_error():
    """No row with both sensors."""
    empty = dataclasses.replace(pad_record((0.0, 0.0, G)), accel_body_mps2=np.full((1000, 3), np.nan))
    with pytest.raises(CannotEstimate, match="no row has both"):
        level(empty, Events(), Site())


@pytest.mark.parametrize("n", [1, 2, 5])
def test_a_handful_of_samples_is_enough_to_stand_on(n):
    """The shortest records still give a level, with a large standard deviation."""
    found = level(measurements(np.arange(n) / 100.0, (0.0, 0.0, G)), Events(), Site())
    assert rotation.tilt(found.q_enu_from_body) < 1e-9
    assert np.isfinite(found.tilt_sd_rad)
