"""Projection and clipping against independent ways of doing the same."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from replay.scene.camera import Camera
from replay.scene.drawlist import Polygon
from replay.scene.lens import Lens, cut_by_half_space
from replay.scene.mesh import Part, VehicleShape, vehicle_mesh
from replay.scene.scene import Solid
from replay.scene.solids import draw_solids

SIZE = (640, 480)


def _pinhole(camera, points_enu_m):
    """Textbook pinhole K[R|t] in homogeneous coordinates (Hartley & Zisserman, Multiple View Geometry, ch. 6; from memory)."""
    focal = 0.5 * SIZE[1] / math.tan(0.5 * camera.lens_rad)
    calibration = np.array([[focal, 0.0, SIZE[0] / 2], [0.0, focal, SIZE[1] / 2], [0.0, 0.0, 1.0]])
    right, up, forward = camera.axes_enu()
    dcm = np.stack((right, -up, forward))
    extrinsic = np.column_stack((dcm, -dcm @ camera.eye_enu_m()))
    image = (calibration @ extrinsic @ np.column_stack((points_enu_m, np.ones(len(points_enu_m)))).T).T
    return image[:, :2] / image[:, 2:]


def test_perspective_is_the_pinhole_camera():
    """Every point before the eye lands where the camera matrix says."""
    camera = Camera((3.0, -2.0, 40.0), 0.7, 0.3, 12.0, 0.5)
    points = np.random.default_rng(3).uniform(-8.0, 8.0, (200, 3)) + camera.target_enu_m
    lens = Lens(camera, SIZE)
    seen = lens.to_camera(points)
    before = seen[:, 2] > lens.near_m
    assert before.sum() > 150
    assert_allclose(lens.to_px(seen[before]), _pinhole(camera, points[before]), atol=1e-9)


def test_scale_at_the_target_is_the_same_with_and_without_perspective():
    """`view_height_m` is what the picture's height shows at the target."""
    for lens_rad in (0.0, 0.01, 0.9):
        lens = Lens(Camera((0.0, 0.0, 0.0), 0.2, 0.4, 10.0, lens_rad), SIZE)
        up = lens.axes_enu[1]
        y = lens.to_px(lens.to_camera(5.0 * up))[1]
        assert_allclose(y, 0.0, atol=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_clipped_segments_hold_just_what_lies_before_the_eye_and_near_the_picture(seed):
    """Points sampled along random segments: those that project into the guard frame lie on the clipped piece, the others don't."""
    rng = np.random.default_rng(seed)
    lens = Lens(Camera((0.0, 0.0, 0.0), 0.3, 0.2, 4.0, 0.8), SIZE)
    ends = lens.to_camera(rng.uniform(-12.0, 12.0, (1, 2, 3)))
    start, stop, is_seen = lens.clip_segments(ends[:, 0], ends[:, 1])
    share = np.linspace(0.0, 1.0, 2001)[:, None]
    points = ends[0, 0] + share * (ends[0, 1] - ends[0, 0])
    points = points[points[:, 2] > lens.near_m]
    px = lens.to_px(points) if len(points) else np.empty((0, 2))
    low, high = np.array([-64.0, -64.0]), np.array(SIZE) + 64.0
    inside = px[((px >= low) & (px <= high)).all(axis=1)]
    if not is_seen[0]:
        assert len(inside) <= 1
        return
    along = (stop - start)[0]
    length = np.linalg.norm(along)
    for point in (start[0], stop[0]):
        assert (point >= low - 1e-6).all() and (point <= high + 1e-6).all()
    if len(inside) and length > 1e-9:
        position = (inside - start[0]) @ along / length
        assert position.min() >= -1e-5 and position.max() <= length + 1e-5
        across = np.abs(np.cross(np.append(along / length, 0.0), np.column_stack((inside - start[0], np.zeros(len(inside)))))[:, 2])
        assert across.max() < 1e-5


def test_a_missing_point_breaks_a_line():
    """Not-a-number in either end: nothing is drawn, and no warning is given."""
    lens = Lens(Camera((0.0, 0.0, 0.0), 0.0, 0.0, 4.0), SIZE)
    start = np.array([[0.0, 0.0, 1.0], [np.nan, 0.0, 1.0]])
    assert lens.clip_segments(start, start + 0.1)[2].tolist() == [True, False]


@given(st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_outline_of_a_convex_solid_is_its_hull(seed):
    """The rim of the vehicle's body at a random attitude, against scipy's ConvexHull (Qhull) of all its projected points."""
    rng = np.random.default_rng(seed)
    part = vehicle_mesh(VehicleShape()).body
    lens = Lens(Camera((0.0, 0.0, 0.0), rng.uniform(-3, 3), rng.uniform(-1.5, 1.5), 1.5, rng.choice([0.0, 0.3])), SIZE)
    turn = Rotation.random(rng=rng).as_matrix()
    body = Part(part.vertices_m @ turn.T, part.faces, part.colours, part.normals @ turn.T, part.n_marks)
    ((_, shapes),) = draw_solids(lens, [Solid((body,))])
    outline = next(shape.points_px for shape in shapes if isinstance(shape, Polygon))
    hull = ConvexHull(lens.to_px(lens.to_camera(body.vertices_m)))
    x, y = outline.T
    assert_allclose(0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))), hull.volume, rtol=2e-3)
    assert_allclose(np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1).sum(), hull.area, rtol=2e-3)


def test_half_space_cut_keeps_the_area_on_its_side():
    """A unit square cut at x = 0.25 leaves three quarters."""
    square = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]
    x, y = np.array(cut_by_half_space(square, [x - 0.25 for x, _ in square])).T
    assert_allclose(0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))), 0.75, atol=1e-12)
    assert (
        cut_by_half_space(square, [x + 1.0 for x, _ in square]) == square and cut_by_half_space(square, [x - 2.0 for x, _ in square]) == []
    )


def test_ground_under_the_eye_is_cut_at_the_near_plane_and_still_fills_the_lower_picture():
    """A plain that passes below the eye reaches the picture's lower edge and stops at the horizon."""
    camera = Camera((0.0, 100.0, 10.0), 0.0, 0.02, 30.0, 0.6)
    lens = Lens(camera, SIZE)
    plain = 5000.0 * np.array([[-1.0, -1.0, 0.0], [1.0, -1.0, 0.0], [1.0, 1.0, 0.0], [-1.0, 1.0, 0.0]])
    outline = lens.clip_polygon(lens.to_camera(plain))
    assert outline[:, 1].max() > SIZE[1]
    horizon_y = SIZE[1] / 2 - math.tan(0.02) * 0.5 * SIZE[1] / math.tan(0.3)
    assert_allclose(outline[:, 1].min(), horizon_y, atol=4.0)
