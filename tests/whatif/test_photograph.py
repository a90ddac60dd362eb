"""Lines on pictures: hand-worked angles, and rods photographed by a camera built from scipy's rotations (the collinearity condition)."""

import math

import numpy as np
import pytest

from replay.errors import SettingsError
from replay.units import DEG
from replay.whatif.photograph import DEFAULT_SD_RAD, Camera, roll_of_horizon, roll_of_plumb_line, sighting_from_line

WIDTH, HEIGHT = 4000.0, 3000.0


def drawn(angle_deg, length_px=500.0, start=(WIDTH / 2, HEIGHT / 2)):
    """A line from the tail up to the nose, turned clockwise by an angle."""
    return start, (start[0] + length_px * math.sin(angle_deg * DEG), start[1] - length_px * math.cos(angle_deg * DEG))


@pytest.mark.parametrize(
    ("camera_deg", "angle_deg", "tilt_deg", "azimuth_deg"),
    [
        (0.0, 6.0, 6.0, 90.0),  # looking north, leaning to the right: east
        (0.0, -6.0, 6.0, 270.0),
        (90.0, 6.0, 6.0, 180.0),  # looking east, to the right: south
        (200.0, -10.0, 10.0, 110.0),
        (0.0, 120.0, 120.0, 90.0),  # nose down to the right
        (0.0, 0.0, 0.0, None),
        (0.0, 90.0, 90.0, 90.0),
    ],
)
def test_a_level_camera_reads_the_angle_in_the_picture(camera_deg, angle_deg, tilt_deg, azimuth_deg):
    tail, nose = drawn(angle_deg)
    found = sighting_from_line(tail, nose, Camera(WIDTH, HEIGHT, camera_deg * DEG), 1.5)
    assert found.tilt_rad / DEG == pytest.approx(tilt_deg, abs=1e-9)
    if azimuth_deg is not None:
        assert found.tilt_azimuth_rad / DEG == pytest.approx(azimuth_deg, abs=1e-6)
    else:  # upright: the azimuth still says along which line nothing leans
        assert abs(math.sin(found.tilt_azimuth_rad)) == pytest.approx(1.0)
    assert (found.time_s, found.sd_rad, found.is_one_view) == (1.5, DEFAULT_SD_RAD, True)


def test_a_turned_camera_is_turned_back():
    """Clockwise by ten degrees: what is upright stands ten degrees to the left in the picture."""
    tail, nose = drawn(-10.0 + 4.0)
    found = sighting_from_line(tail, nose, Camera(WIDTH, HEIGHT, 0.0, roll_rad=10.0 * DEG), 0.0)
    assert (found.tilt_rad / DEG, found.tilt_azimuth_rad / DEG) == pytest.approx((4.0, 90.0))


def photographed(rng, camera, nose_enu=None):
    """Picture coordinates of a rod's ends some way off, and its direction: collinearity with scipy's rotations, none of ours."""
    from scipy.spatial.transform import Rotation

    enu_from_level = Rotation.from_euler("ZXY", [-camera.azimuth_rad, camera.elevation_rad, camera.roll_rad])  # right, ahead, up
    focal = 0.5 * WIDTH / math.tan(0.5 * camera.view_rad)
    if nose_enu is None:
        nose_enu = rng.normal(size=3) * (0.5, 0.5, 0.0) + (0.0, 0.0, 1.0)
        nose_enu /= np.linalg.norm(nose_enu)
    middle = np.array([rng.uniform(-0.3, 0.3), 1.0, rng.uniform(-0.2, 0.2)]) * rng.uniform(30.0, 300.0)
    ends = []
    for half in (-1.0, 1.0):
        right, ahead, up = middle + enu_from_level.inv().apply(half * nose_enu)
        ends.append((0.5 * WIDTH + focal * right / ahead, 0.5 * HEIGHT - focal * up / ahead))
    return ends, nose_enu


def across(sighting):
    """Normal of the plane a one-view sighting stands for, as the fit has it."""
    tilt, azimuth = sighting.tilt_rad, sighting.tilt_azimuth_rad
    return np.array([math.cos(tilt) * math.sin(azimuth), math.cos(tilt) * math.cos(azimuth), -math.sin(tilt)])


def test_any_camera_sees_a_plane_that_holds_the_nose():
    """Two hundred cameras, turned, raised and with the vehicle off the middle: the true nose lies in the plane to rounding."""
    rng = np.random.default_rng(4)
    for _ in range(200):
        camera = Camera(
            WIDTH, HEIGHT, rng.uniform(0, 2 * math.pi), rng.uniform(-0.2, 1.2), rng.uniform(-0.4, 0.4), rng.uniform(20.0, 80.0) * DEG
        )
        (tail, nose), direction = photographed(rng, camera)
        assert abs(across(sighting_from_line(tail, nose, camera, 0.0)) @ direction) < 1e-9


def test_roll_is_found_from_a_plumb_line_and_from_the_horizon():
    """A vertical rod anywhere in the picture gives the camera's roll; so do two far points at the camera's own height."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(5)
    for _ in range(50):
        camera = Camera(
            WIDTH, HEIGHT, rng.uniform(0, 2 * math.pi), rng.uniform(-0.4, 0.4), rng.uniform(-0.5, 0.5), rng.uniform(30.0, 70.0) * DEG
        )
        (low, high), _ = photographed(rng, camera, np.array([0.0, 0.0, 1.0]))
        assert roll_of_plumb_line(low, high, camera) == pytest.approx(camera.roll_rad, abs=1e-9)
        level_from_enu = Rotation.from_euler("ZXY", [-camera.azimuth_rad, camera.elevation_rad, camera.roll_rad]).inv()
        focal = 0.5 * WIDTH / math.tan(0.5 * camera.view_rad)
        far = []
        for off in (-0.2, 0.25):
            right, ahead, up = level_from_enu.apply([math.sin(camera.azimuth_rad + off), math.cos(camera.azimuth_rad + off), 0.0])
            far.append((0.5 * WIDTH + focal * right / ahead, 0.5 * HEIGHT - focal * up / ahead))
        assert roll_of_horizon(*far, camera) == pytest.approx(camera.roll_rad, abs=1e-9)


def test_what_can_not_be_meant_is_refused():
    camera = Camera(WIDTH, HEIGHT, 0.0)
    with pytest.raises(SettingsError, match="two points apart"):
        sighting_from_line((5.0, 5.0), (5.0, 5.0), camera, 0.0)
    straight_up = Camera(WIDTH, HEIGHT, 0.0, elevation_rad=89.0 * DEG, view_rad=60.0 * DEG)
    with pytest.raises(SettingsError, match="can be vertical"):
        roll_of_plumb_line((10.0, 1500.0), (10.0, 1400.0), straight_up)
