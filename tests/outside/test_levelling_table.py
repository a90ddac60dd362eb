"""Levelling against worked numbers.

Sources: P. D. Groves, Principles of GNSS, Inertial, and Multisensor Integrated Navigation Systems, 2nd ed. 2013, section 5.6; D. H.
Titterton, J. L. Weston, Strapdown Inertial Navigation Technology, 2nd ed. 2004, chapter 10. Numbers recomputed with numpy.
"""

import numpy as np
import pytest
from motion_records import pad_record
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from replay import rotation
from replay.motion.levelling import level
from replay.motion.site import Site
from replay.motion.solution import Events
from replay.motion.trajectory import dead_reckoned
from replay.units import DEG, STANDARD_GRAVITY_MPS2

G = STANDARD_GRAVITY_MPS2


def levelled(accel_body_mps2, noise_sd=0.0, rate_hz=100.0, duration_s=10.0, seed=0):
    return level(pad_record(accel_body_mps2, noise_sd, rate_hz, duration_s, seed), Events(), Site())


def test_tilt_roll_and_pitch_of_a_measured_vector():
    """f = (0.3, −0.5, 9.78): tilt 3.4120032, and roll −2.9266840, pitch −1.7546981 in the 3-2-1 sequence; length 9.7973670."""
    f = np.array([0.3, -0.5, 9.78])
    found = levelled(f)
    assert_allclose(rotation.tilt(found.q_enu_from_body) / DEG, 3.4120032, rtol=0, atol=1e-6)
    assert_allclose(np.linalg.norm(found.accel_body_mps2), 9.7973670, rtol=0, atol=1e-6)
    _, pitch, roll = Rotation.from_quat(found.q_enu_from_body, scalar_first=True).as_euler("ZYX", degrees=True)
    assert_allclose((roll, pitch), (-2.9266840, -1.7546981), rtol=0, atol=1e-6)
    assert_allclose(rotation.rotate(found.q_enu_from_body, f), [0.0, 0.0, np.linalg.norm(f)], rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("bias_mg", "tilt_deg"), [(1, 0.057296), (5, 0.286480), (10, 0.572967), (20, 1.145992), (40, 2.292443), (60, 3.439813)]
)
def test_a_bias_tilts_the_pad(bias_mg, tilt_deg):
    """asin(b/g): one milli-g is one milliradian, 0.0573 degrees. The bias stands square to the measured force."""
    b = bias_mg * 1e-3 * G
    found = levelled([b, 0.0, np.sqrt(G * G - b * b)])
    assert_allclose(rotation.tilt(found.q_enu_from_body) / DEG, tilt_deg, rtol=0, atol=1e-6)


def test_noise_never_limits_levelling():
    """0.05 m/s² of white noise on 1000 samples: 0.00924 degrees over both axes; the stated one is per axis, and honest."""
    errors, stated = [], []
    for seed in range(60):
        found = levelled([0.0, 0.0, G], noise_sd=0.05, seed=seed)
        errors.append(rotation.to_rotvec(found.q_enu_from_body)[:2] / DEG)
        stated.append(found.tilt_sd_rad / DEG)
    both_axes = float(np.sqrt(np.mean(np.sum(np.square(errors), axis=1))))
    assert_allclose(np.sqrt(2.0) * 0.05 / np.sqrt(1000.0) / 9.8 / DEG * np.sqrt(0.5), 0.00924, rtol=0, atol=5e-5)
    assert_allclose(both_axes / np.sqrt(2.0), 0.00924, rtol=0.2)
    assert 0.8 < np.mean(stated) / 0.00924 < 2.0


def test_a_tilt_error_pushes_sideways_in_powered_flight():
    """f sin ε with f = 30, ε = 1 degree: 0.5236 m/s², 1.047 m/s and 1.047 m after 2 s. Specific force, not net acceleration."""
    time_s = np.linspace(0.0, 2.0, 401)
    q = np.tile(rotation.from_tilt(1.0 * DEG, 90.0 * DEG), (401, 1))
    vel, pos = dead_reckoned(time_s, q, np.tile([0.0, 0.0, 30.0], (401, 1)), Site(), 0.0, np.inf)
    assert_allclose(30.0 * np.sin(DEG), 0.5236, rtol=0, atol=1e-4)
    assert_allclose((vel[-1, 0], pos[-1, 0]), (1.047, 1.047), rtol=0, atol=1e-3)


@pytest.mark.parametrize(("thrust", "residual"), [(9.80665, 0.0), (0.0, 0.3), (25.0, -0.4648), (40.0, -0.9237)])
def test_a_bias_that_levelled_itself_away_comes_back(thrust, residual):
    """Level with a bias of 0.3 m/s² across, then fly: b(1 − f/g) is left along the same axis; nothing on the pad, all of it in coast."""
    # first order in b/g: levelled and flown with a thousandth of it, and scaled back up
    b = 0.3e-3
    found = levelled([b, 0.0, G])
    felt = rotation.rotate(found.q_enu_from_body, [b, 0.0, thrust])
    assert_allclose(felt[0] * 1e3, residual, rtol=0, atol=1e-4)


def test_gyrocompassing_is_out_of_reach():
    """15.0410669 deg/h of Earth; a bias east of 1 deg/h at 45 degrees is 5.395 degrees of heading, 10 deg/h is 70.09: declared, then."""
    from replay.motion.gravity import EARTH_RATE_RADPS

    earth = EARTH_RATE_RADPS / DEG * 3600.0
    assert_allclose(earth, 15.0410669, rtol=0, atol=1e-6)
    assert_allclose(earth / 3600.0, 0.00417807, rtol=0, atol=1e-8)
    for bias, heading in ((1.0, 5.395), (10.0, 70.09)):
        assert_allclose(np.arcsin(bias / (earth * np.cos(45.0 * DEG))) / DEG, heading, rtol=0, atol=0.005)
    assert "heading declared, not measured" in " ".join(Site().assumptions())


def test_heading_is_the_declared_one():
    """The same force, another declared azimuth: the same tilt, turned about the vertical by the difference."""
    record = pad_record([0.3, -0.5, 9.78])
    a, b = (level(record, Events(), Site(pad_azimuth_rad=azimuth * DEG)).q_enu_from_body for azimuth in (90.0, 65.0))
    turn = rotation.to_rotvec(rotation.multiply(b, rotation.conjugate(a))) / DEG
    assert_allclose(turn, [0.0, 0.0, 25.0], rtol=0, atol=1e-9)
