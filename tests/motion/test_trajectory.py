"""Trajectory: strapdown, the barometer's part in it, and the lever arm."""

import dataclasses

import numpy as np
import pytest
from motion_records import measurements
from numpy.testing import assert_allclose

from replay import rotation
from replay.motion.atmosphere import EXPONENT, LAPSE_K_PER_M
from replay.motion.gravity import gravity_mps2
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling
from replay.motion.trajectory import aid_height, dead_reckoned, specific_force_at_cg, to_cg
from replay.sensors.noise import ImuNoise
from replay.units import DEG, kelvin

SITE = Site(latitude_rad=50.0 * DEG, ground_height_m=250.0, ground_temperature_k=kelvin(8.0), pad_azimuth_rad=0.0)
UP = np.array([1.0, 0.0, 0.0, 0.0])


def test_free_fall_and_thrust_in_closed_form():
    """Two seconds at 20 m/s² of specific force, then free fall: v and h by hand, gravity falling off by 3.1e-6 per second²."""
    time_s = np.arange(1001) / 100.0
    # a sample at the switch belongs half to each side: the mean is what a straight line between samples integrates
    push = np.where(time_s < 2.0, 20.0, 0.0)
    push[200] = 10.0
    vel, pos = dead_reckoned(time_s, np.tile(UP, (1001, 1)), push[:, None] * [0.0, 0.0, 1.0], SITE, 0.0, np.nan)
    g = float(gravity_mps2(50.0 * DEG, 250.0))
    assert_allclose(vel[1000, 2], 40.0 - 10.0 * g, rtol=0, atol=0.01)
    assert_allclose(pos[1000, 2], 20.0 * 2.0**2 / 2.0 + 40.0 * 8.0 - g * 50.0, rtol=0, atol=0.02)
    assert_allclose(vel[:, :2], 0.0)


def test_gravity_falls_off_with_height():
    """A kilometre up, at rest by the specific force of the ground: 0.00309 m/s² too much."""
    time_s = np.arange(2001) / 100.0
    g = float(gravity_mps2(50.0 * DEG, 250.0))
    push = np.full(2001, g)
    high = dataclasses.replace(SITE, ground_height_m=1250.0)
    vel, _ = dead_reckoned(time_s, np.tile(UP, (2001, 1)), push[:, None] * [0.0, 0.0, 1.0], high, 0.0, np.nan)
    assert_allclose(vel[-1, 2] / 20.0, 0.00308, rtol=0, atol=2e-5)


def test_zero_before_the_start_and_held_at_rest():
    """Nothing moves on the pad however long the log, and nothing after rest."""
    time_s = np.arange(1000) / 100.0
    accel = np.tile([0.3, 0.0, 12.0], (1000, 1))
    vel, pos = dead_reckoned(time_s, np.tile(UP, (1000, 1)), accel, SITE, 5.0, 8.0)
    assert not vel[time_s < 4.98].any() and not pos[time_s < 4.98].any()
    assert not vel[time_s >= 8.0].any()
    assert np.ptp(pos[time_s >= 8.0], axis=0).max() == 0.0


def flight_with_barometer(seed=0, bias=0.0, noise_m=0.3, ground_c=8.0, spike=True):
    """Twenty seconds up and part of the way down with a vertical accelerometer bias, and pressure from the air's real temperature."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, 20.0, 0.01)
    liftoff = 5.0
    t = np.clip(time_s - liftoff, 0.0, None)
    g = float(gravity_mps2(SITE.latitude_rad, SITE.ground_height_m))
    accel_up = np.where(time_s < liftoff, 0.0, np.where(t < 2.0, 15.0, -g))
    v = np.concatenate(([0.0], np.cumsum(0.5 * (accel_up[1:] + accel_up[:-1]) * 0.01)))
    h = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * 0.01)))
    accel = np.column_stack((0.0 * h, 0.0 * h, accel_up + g + bias))
    baro = slice(None, None, 5)
    ground_k = kelvin(ground_c)
    geopotential = h[baro] * g / 9.80665 + noise_m * rng.standard_normal(len(h[baro]))
    pressure = 98_000.0 * (1.0 - LAPSE_K_PER_M * geopotential / ground_k) ** EXPONENT
    if spike:
        pressure[(time_s[baro] > 11.0) & (time_s[baro] < 11.3)] += 900.0
    record = measurements(time_s, accel, baro_log_time_s=time_s[baro], pressure_pa=pressure)
    events = Events(liftoff_log_s=liftoff, burnout_log_s=liftoff + 2.0, apogee_log_s=liftoff + 2.0 + 30.0 / g)
    levelling = Levelling(UP, 1e-4, 0.0, 4.5, np.zeros(3), np.full(3, 1e-5), np.array([0.0, 0.0, g + bias]))
    return record, events, levelling, v, h


def aided(record, events, levelling, site=SITE, **noise):
    time_s = record.log_time_s
    q = np.tile(UP, (len(time_s), 1))
    vel, pos = dead_reckoned(time_s, q, record.accel_body_mps2, site, events.liftoff_log_s - 0.2, np.nan)
    free = pos[:, 2].copy()
    found = aid_height(record, q, vel, pos, events, site, levelling, dataclasses.replace(ImuNoise(), **noise), EstimatorSettings())
    return found, vel, pos, free


def test_the_barometer_takes_a_bias_out_of_the_height():
    """20 mg for 11 s is 12 m; with the barometer a few decimetres, and the ejection spike is refused."""
    record, events, levelling, v, h = flight_with_barometer(bias=0.2)
    found, vel, pos, free = aided(record, events, levelling)
    top = int(np.argmax(h))
    assert abs(free[top] - h[top]) > 1.5
    assert abs(pos[top, 2] - h[top]) < 0.3
    assert abs(vel[top, 2] - v[top]) < 0.2
    refused = found.log_time_s[~found.is_used]
    assert len(refused) >= 5 and refused.min() > 10.99 and refused.max() < 11.31
    assert abs(np.abs(found.innovation_sigmas[found.is_used]).mean() - 0.6) < 0.4


def test_the_height_holds_what_its_standard_deviation_says():
    """Sixty seeds, bias and the thermometer's error drawn from their stated spread: RMS of error over sd is near one."""
    ratios = []
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        record, events, levelling, _, h = flight_with_barometer(seed, bias=0.2 * rng.standard_normal(), spike=False)
        site = dataclasses.replace(SITE, ground_temperature_k=SITE.ground_temperature_k + 1.5 * rng.standard_normal())
        found, _, pos, _ = aided(record, events, levelling, site)
        i = int(np.argmax(h))
        ratios.append((pos[i, 2] - h[i]) / found.pos_sd_enu_m[i, 2])
    assert 0.7 < np.sqrt(np.mean(np.square(ratios))) < 1.3


@pytest.mark.parametrize("ground_c", [-10.0, 15.0, 35.0])
def test_the_sites_temperature_scales_the_height(ground_c):
    """The same climb through cold and warm air: with the site's temperature it is the same height, with 15 °C it is not."""
    record, events, levelling, _, h = flight_with_barometer(bias=0.3, ground_c=ground_c, noise_m=0.05, spike=False)
    top = int(np.argmax(h))
    _, _, pos, _ = aided(record, events, levelling, dataclasses.replace(SITE, ground_temperature_k=kelvin(ground_c)))
    assert abs(pos[top, 2] - h[top]) < 0.4
    found, _, unknown, _ = aided(record, events, levelling, dataclasses.replace(SITE, ground_temperature_k=None))
    assert found.pos_sd_enu_m[top, 2] > 0.03 * h[top], "an assumed temperature is in the standard deviation"
    assert abs(unknown[top, 2] - h[top]) < 3.0 * found.pos_sd_enu_m[top, 2], "25 K off is two and a half of its sd"


def test_without_a_barometer_there_is_nothing_to_hold_on_to():
    """None, and the heights stay as dead reckoned."""
    record, events, levelling, _, _ = flight_with_barometer()
    bare = dataclasses.replace(record, baro_log_time_s=None, pressure_pa=None)
    found, _, pos, free = aided(bare, events, levelling)
    assert found is None
    assert_allclose(pos[:, 2], free)


def test_a_logged_barometric_height_serves_as_well():
    """A logger that wrote standard-atmosphere heights: turned back into pressure, then into true metres."""
    from replay.motion.atmosphere import pressure_altitude_m

    record, events, levelling, _, h = flight_with_barometer(bias=0.2, ground_c=30.0, spike=False)
    site = dataclasses.replace(SITE, ground_temperature_k=kelvin(30.0))
    logged = dataclasses.replace(record, pressure_pa=None, baro_height_m=pressure_altitude_m(record.pressure_pa))
    _, _, a, _ = aided(record, events, levelling, site)
    _, _, b, _ = aided(logged, events, levelling, site)
    assert_allclose(a, b, rtol=0, atol=1e-6)
    assert abs(b[np.argmax(h), 2] - h.max()) < 0.5


def spun(arm, n=2001):
    """A spinning, wobbling body whose centre of gravity flies a known path; what an IMU at `arm` feels and does."""
    time_s = np.arange(n) / 1000.0
    rate = np.stack((2.0 * np.sin(5.0 * time_s), 1.5 * np.cos(4.0 * time_s), 10.0 + 0.0 * time_s), axis=1)
    alpha = np.stack((10.0 * np.cos(5.0 * time_s), -6.0 * np.sin(4.0 * time_s), 0.0 * time_s), axis=1)
    f_cg = np.tile([0.5, -0.3, 20.0], (n, 1))
    f_imu = f_cg + np.cross(alpha, arm) + np.cross(rate, np.cross(rate, arm))
    return time_s, rate, f_cg, f_imu


def test_lever_arm_of_specific_force():
    """0.1 m at 10 rad/s is 10 m/s²: taken off to within the differences' error."""
    arm = (0.1, 0.0, 0.05)
    time_s, rate, f_cg, f_imu = spun(np.array(arm))
    assert np.abs(f_imu - f_cg).max() > 9.0
    back = specific_force_at_cg(time_s, rate, f_imu, arm, np.zeros(len(time_s), dtype=bool))
    assert_allclose(back[10:-10], f_cg[10:-10], rtol=0, atol=0.002)
    assert specific_force_at_cg(time_s, rate, f_imu, (0.0, 0.0, 0.0), np.zeros(len(time_s), dtype=bool)) is f_imu
    # nothing is differenced across a gap
    gap = np.zeros(len(time_s), dtype=bool)
    gap[1000] = True
    wild = rate.copy()
    wild[1000:] += 100.0
    assert_allclose(specific_force_at_cg(time_s, wild, f_imu, arm, gap)[990:1000], f_cg[990:1000], rtol=0, atol=0.05)


def test_lever_arm_of_the_path():
    """Integrated where the IMU sits and brought to the centre of gravity: the same path as integrating there."""
    arm = (0.1, -0.04, 0.15)
    time_s, rate, f_cg, f_imu = spun(np.array(arm))
    q = rotation.from_rotvec(np.zeros(3))
    from replay.motion import estimate_attitude

    q = estimate_attitude(time_s, rate, f_cg, "integrate", q_start=[1.0, 0.0, 0.0, 0.0]).q_enu_from_body
    vel_cg, pos_cg = dead_reckoned(time_s, q, f_cg, SITE, 0.0, np.nan)
    vel_imu, pos_imu = dead_reckoned(time_s, q, f_imu, SITE, 0.0, np.nan)
    # the IMU starts with the speed its arm sweeps it at
    swept = np.cross(rate[0], arm)
    vel_imu, pos_imu = vel_imu + swept, pos_imu + np.outer(time_s, swept)
    vel, pos = to_cg(q, rate, arm, vel_imu, pos_imu)
    assert_allclose(vel[1:], vel_cg[1:], rtol=0, atol=2e-4)
    assert_allclose(pos[1:], pos_cg[1:], rtol=0, atol=2e-4)
