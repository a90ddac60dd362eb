"""Cameras: what they look at, what is up, and what the user's turning and zooming does."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from replay.scene.camera import CAMERAS, Camera, Stage, Viewpoint, blend, camera_at
from replay.scene.lens import Lens

STAGE = Stage((-10.0, -20.0, 0.0), (40.0, 30.0, 150.0), 0.9)
VEHICLE = np.array([5.0, 6.0, 80.0])
ANGLE = st.floats(-3.1, 3.1)


@given(ANGLE, st.floats(-1.5, 1.5))
def test_axes_are_right_handed_and_level(azimuth_rad, elevation_rad):
    """Right, up, backward form a right-handed frame whose right axis is horizontal: the horizon is never tilted."""
    right, up, forward = Camera((0.0, 0.0, 0.0), azimuth_rad, elevation_rad, 1.0).axes_enu()
    assert_allclose(np.cross(right, up), -forward, atol=1e-12)
    assert_allclose(np.stack((right, up, forward)) @ np.stack((right, up, forward)).T, np.eye(3), atol=1e-12)
    assert right[2] == 0.0 and up[2] >= 0.0


def test_side_view_looks_north_with_east_to_the_right():
    """A point east of the target appears right of the middle, a point above it appears higher, to scale."""
    camera = camera_at(Viewpoint("side"), STAGE, VEHICLE)
    lens = Lens(camera, (600, 600))
    target = np.asarray(camera.target_enu_m)
    east, up = (lens.to_px(lens.to_camera(target + step)) for step in ([10.0, 0.0, 0.0], [0.0, 0.0, 10.0]))
    scale = 600.0 / camera.view_height_m
    assert_allclose(east, [300.0 + 10.0 * scale, 300.0], atol=1e-6)
    assert_allclose(up, [300.0, 300.0 - 10.0 * scale], atol=1e-6)


def test_top_view_has_north_up_and_east_right():
    """As on a map."""
    camera = camera_at(Viewpoint("top"), STAGE, VEHICLE)
    right, up, _ = camera.axes_enu()
    assert_allclose((right, up), ([1, 0, 0], [0, 1, 0]), atol=1e-12)


def test_chase_keeps_the_vehicle_in_the_middle_and_does_not_turn_with_it():
    """The same direction of sight wherever the vehicle is."""
    here, there = (camera_at(Viewpoint("chase"), STAGE, pos) for pos in (VEHICLE, VEHICLE + 30.0))
    lens = Lens(here, (500, 400))
    assert_allclose(lens.to_px(lens.to_camera(VEHICLE)), (250.0, 200.0), atol=1e-9)
    assert_allclose(here.axes_enu(), there.axes_enu(), atol=1e-15)


def test_the_spectator_stands_still_and_stays_above_ground():
    """The pad camera's eye does not move with the vehicle, however it is turned."""
    for viewpoint in (Viewpoint("pad"), Viewpoint("pad").turned(1.0, -5.0)):
        eyes = [camera_at(viewpoint, STAGE, np.array([0.0, 0.0, z])).eye_enu_m() for z in (0.5, 80.0, 150.0)]
        assert_allclose(eyes[0], eyes[1], atol=1e-6)
        assert_allclose(eyes[0], eyes[2], atol=1e-6)
        assert eyes[0][2] >= 1.5


@pytest.mark.parametrize("name", ["side", "top", "orbit"])
@pytest.mark.parametrize("aspect", [0.6, 1.0, 16 / 9])
def test_wide_cameras_hold_pad_and_path(name, aspect):
    """Every corner of the flight's box lies in the picture, whatever its shape."""
    camera = camera_at(Viewpoint(name), STAGE, VEHICLE, aspect)
    lens = Lens(camera, (round(500 * aspect), 500))
    corners = np.array([[x, y, z] for x in (-10.0, 40.0) for y in (-20.0, 30.0) for z in (0.0, 150.0)])
    seen = lens.to_camera(corners)
    px = lens.to_px(seen)
    assert (seen[:, 2] > lens.near_m).all() and (px >= 0.0).all() and (px <= [round(500 * aspect), 500]).all()


@pytest.mark.parametrize("name", CAMERAS)
def test_turning_is_limited_to_what_stands_above_the_ground(name):
    """However hard the user pulls, the eye stays between the horizon and the zenith."""
    for pull in (-9.0, 9.0):
        camera = camera_at(Viewpoint(name).turned(2.0, pull), STAGE, np.array([0.0, 0.0, 1.0]))
        assert -1e-9 <= camera.elevation_rad <= math.pi / 2 + 1e-9


def test_turning_by_a_drag_to_the_right_swings_the_near_side_to_the_right():
    """The picture follows the pointer: what is near the eye moves with the drag."""
    before = camera_at(Viewpoint("orbit"), STAGE, VEHICLE)
    after = camera_at(Viewpoint("orbit").turned(0.1, 0.0), STAGE, VEHICLE)
    near = np.asarray(before.target_enu_m) - 20.0 * before.axes_enu()[2]
    x = [float((lens := Lens(camera, (500, 500))).to_px(lens.to_camera(near))[0]) for camera in (before, after)]
    assert x[1] > x[0] + 1.0


def test_zoom_magnifies_and_is_limited():
    """Twice the zoom is half the height seen; extremes are held."""
    one, two = (camera_at(Viewpoint("chase", zoom=z), STAGE, VEHICLE).view_height_m for z in (1.0, 2.0))
    assert one / two == pytest.approx(2.0)
    assert Viewpoint().zoomed(1e9).zoom == 20.0 and Viewpoint().zoomed(1e-9).zoom == 0.1


def test_a_glide_begins_and_ends_at_its_cameras_and_takes_the_short_way_round():
    """From 350° to 10° the camera turns 20°, not 340°."""
    start = Camera((0.0, 0.0, 0.0), math.radians(350.0), 0.2, 10.0, 0.3)
    stop = Camera((1.0, 2.0, 3.0), math.radians(10.0), 0.4, 40.0, 0.0)
    assert blend(start, stop, 0.0).view_height_m == pytest.approx(10.0)
    assert_allclose(blend(start, stop, 1.0).axes_enu(), stop.axes_enu(), atol=1e-12)
    half = blend(start, stop, 0.5)
    assert math.remainder(half.azimuth_rad, 2 * math.pi) == pytest.approx(0.0, abs=1e-12)
    assert half.view_height_m == pytest.approx(20.0)


def test_enlargement_is_a_round_number_of_about_a_fifth_of_the_extent():
    """150 m with a 0.9 m vehicle: drawn 30 times larger than life, 27 m."""
    assert STAGE.enlargement == 30.0
    assert Stage((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 0.9).enlargement == 2.0
