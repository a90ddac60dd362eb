"""The drawing order and shading against a depth buffer built by casting rays, and the draw list's own promises."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scene_flight import snapshot

from replay import rotation
from replay.scene.build import SceneOptions, build_scene, prepare
from replay.scene.camera import Camera, Viewpoint, camera_at
from replay.scene.drawlist import Facets, Polygon, Polyline, Segments, Text, to_paths
from replay.scene.lens import Lens
from replay.scene.mesh import VehicleShape, place, vehicle_mesh
from replay.scene.project import project
from replay.scene.scene import Label, Line, Note, Row, Scene, Sheet, Solid, Strokes

N = 110
CAMERA = {"near": Camera((0.0, 0.0, 0.0), 0.4, 0.3, 1.25, 0.3), "flat": Camera((0.0, 0.0, 0.0), -0.7, 0.1, 1.25, 0.0)}


def _vehicle(q, gimbal_rad=(0.06, -0.03)):
    shape = VehicleShape()
    middle = np.array([0.0, 0.0, shape.middle_z_body_m])
    return place(vehicle_mesh(shape), rotation.to_dcm(q), middle, np.zeros(3), 1.0, np.array(gimbal_rad))


def _cast(camera, parts):
    """Index of the part each pixel's ray meets first, −1 for none, shape (N, N): plane by plane, no projection, no sorting."""
    lens = Lens(camera, (N, N))
    at = np.arange(N) + 0.5
    x, y = np.meshgrid(at, at)
    scale = camera.view_height_m / N
    right, up, forward = camera.axes_enu()
    on_target = (x[..., None] - N / 2) * scale * right - (y[..., None] - N / 2) * scale * up
    if camera.lens_rad > 0:
        origin, ray = np.broadcast_to(lens.eye_enu_m, on_target.shape), on_target - lens.eye_enu_m
    else:
        origin, ray = on_target - 10.0 * forward, np.broadcast_to(forward, on_target.shape)
    nearest, owner = np.full((N, N), np.inf), np.full((N, N), -1)
    for i, part in enumerate(parts):
        enter, leave = np.full((N, N), -np.inf), np.full((N, N), np.inf)
        for face, normal in zip(part.faces[: len(part.faces) - part.n_marks], part.normals, strict=False):
            towards = ray @ normal
            distance = (part.vertices_m[face[0]] - origin) @ normal
            share = distance / np.where(towards == 0.0, 1e-30, towards)
            enter = np.where(towards < 0.0, np.maximum(enter, share), enter)
            leave = np.where(towards > 0.0, np.minimum(leave, share), leave)
        is_hit = (enter < leave) & (leave > 0.0) & (enter < nearest)
        nearest[is_hit], owner[is_hit] = enter[is_hit], i
    return owner


def _fill(points, image, value):
    """Pixels whose middle lies in a convex polygon."""
    low = np.clip(np.floor(points.min(axis=0)).astype(int), 0, N)
    high = np.clip(np.ceil(points.max(axis=0)).astype(int), 0, N)
    x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5, np.arange(low[1], high[1]) + 0.5)
    is_in = [np.ones(x.shape, dtype=bool), np.ones(x.shape, dtype=bool)]
    for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
        side = (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])
        is_in[0] &= side >= 0.0
        is_in[1] &= side <= 0.0
    image[low[1] : high[1], low[0] : high[0]][is_in[0] | is_in[1]] = value


def _painted(camera, parts):
    """The same by drawing the outline of every part in the draw list's order."""
    image = np.full((N, N), -1)
    shapes = project(Scene((Solid(parts),)), camera, (N, N)).shapes
    outlines = [shape for shape in shapes if isinstance(shape, Polygon)]
    hulls = {id(shape): shape.points_px for shape in outlines}
    lens = Lens(camera, (N, N))
    for shape in outlines:
        owner = [
            i
            for i, part in enumerate(parts)
            if np.abs(lens.to_px(lens.to_camera(part.vertices_m))[:, None] - hulls[id(shape)][None]).sum(axis=2).min(axis=0).max() < 1e-6
        ]
        assert len(owner) == 1
        _fill(shape.points_px, image, owner[0])
    return image


@pytest.mark.parametrize("camera", ["near", "flat"])
@pytest.mark.parametrize("seed", range(8))
def test_what_is_drawn_last_is_what_a_ray_meets_first(camera, seed):
    """At random attitudes the visible part agrees with ray casting, but for pixels on an edge."""
    rng = np.random.default_rng(seed)
    parts = _vehicle(rotation.normalise(rng.normal(size=4)))
    cast, painted = _cast(CAMERA[camera], parts), _painted(CAMERA[camera], parts)
    is_edge = np.zeros((N, N), dtype=bool)
    for shift, axis in ((1, 0), (-1, 0), (1, 1), (-1, 1)):
        is_edge |= (np.roll(cast, shift, axis) != cast) | (np.roll(painted, shift, axis) != painted)
    assert (cast >= 0).sum() > 100
    assert ((cast != painted) & ~is_edge).sum() <= 0.005 * (cast >= 0).sum(), f"seed {seed}"


def test_faces_tile_the_outline():
    """The shaded faces cover what the outline encloses: no hole in the skin."""
    parts = _vehicle(rotation.from_tilt(0.9, 1.0, 0.4))[:1]
    shapes = project(Scene((Solid(parts),)), CAMERA["near"], (N, N)).shapes
    facets, outline = (next(s for s in shapes if isinstance(s, kind)) for kind in (Facets, Polygon))
    filled, enclosed = np.zeros((N, N), dtype=int), np.zeros((N, N), dtype=int)
    for points in facets.points_px:
        _fill(points, filled, 1)
    _fill(outline.points_px, enclosed, 1)
    assert (enclosed > filled).sum() == 0
    assert (filled > enclosed).sum() < 0.2 * enclosed.sum()  # the faces overlap by a fraction of a pixel


def test_faces_towards_the_light_are_brighter():
    """Light comes over the eye's left shoulder: the left of a white tube is brighter than its right, and nothing is black."""
    shapes = project(Scene((Solid(_vehicle((1.0, 0.0, 0.0, 0.0))[:1]),)), CAMERA["flat"], (N, N)).shapes
    facets = next(s for s in shapes if isinstance(s, Facets))
    x = facets.points_px[:, :, 0].mean(axis=1)
    is_white = np.ptp(facets.fill[:, :3].astype(int), axis=1) < 12
    brightness = facets.fill[:, :3].sum(axis=1)
    tube = is_white & (brightness > 300)
    assert brightness[tube & (x < N / 2 - 1)].min() > brightness[tube & (x > N / 2 + 2)].min() > 300


def test_a_line_through_a_solid_is_drawn_half_before_and_half_after_it():
    """A line along the line of sight: its far part comes before the vehicle in the list, its near part after."""
    camera = CAMERA["near"]
    forward = camera.axes_enu()[2]
    points = np.linspace(2.0, -2.0, 41)[:, None] * forward + 0.3 * camera.axes_enu()[0]
    shapes = project(Scene((Solid(_vehicle((1.0, 0.0, 0.0, 0.0))), Line(points, "#0072B2"))), camera, (N, N)).shapes
    kinds = [type(shape).__name__ for shape in shapes]
    assert kinds[0] == kinds[-1] == "Polyline" and kinds.count("Polyline") == 2
    x_far, x_near = (float(np.abs(shapes[i].points_px[:, 0] - N / 2).mean()) for i in (0, -1))
    assert x_far < x_near  # the same distance to the side looks smaller far away


def test_layers_come_in_order():
    """Ground, behind, solids, over, notes."""
    item = np.array([[-0.5, 0.0, 0.0], [0.5, 0.0, 0.0]])
    scene = Scene(
        (
            Note("top left", (Row("note"),)),
            Line(item, "#000001", layer="over"),
            Solid(_vehicle((1.0, 0.0, 0.0, 0.0))),
            Line(item, "#000002", layer="behind"),
            Line(item, "#000003", layer="ground"),
            Strokes(item[None], np.array([0.5]), "#000004"),
            Sheet(np.array([[-1.0, -1.0, 0.0], [1.0, -1.0, 0.0], [0.0, 1.0, 0.0]]), "#000005"),
        )
    )
    shapes = project(scene, CAMERA["near"], (N, N)).shapes
    blue = [s.colour[2] if isinstance(s, Polyline | Segments) else None for s in shapes]
    assert isinstance(shapes[0], Polygon) and shapes[0].fill == (0, 0, 5, 255)
    assert blue[1:4] == [4, 3, 2]
    assert isinstance(shapes[-1], Text) and blue[-2] == 1


def test_the_eye_inside_the_vehicle_is_survived():
    """Near-plane clipping face by face: no shape reaches infinity."""
    inside = Camera((0.0, 0.0, 0.0), 0.2, 0.1, 0.02, 0.8)
    draw_list = project(Scene((Solid(_vehicle((1.0, 0.0, 0.0, 0.0))),)), inside, (N, N))
    for shape in to_paths(draw_list):
        assert np.isfinite(shape.points_px).all() and np.abs(shape.points_px).max() <= N + 65


def test_crowded_labels_step_back_and_lone_ones_stay():
    """Two shy labels on one spot vanish; one that stands apart stays."""
    labels = tuple(Label(np.array([x, 0.0, 0.0]), text, is_shy=True) for x, text in ((0.0, "a"), (0.001, "b"), (0.5, "c")))
    shapes = project(Scene(labels), CAMERA["near"], (400, 400)).shapes
    assert [s.text for s in shapes] == ["c"]


def test_a_label_gives_way_to_a_note():
    """One that would lie across a note's text is left out, shy or not; one beside it stays."""
    note = Note("bottom left", (Row("heading declared, not measured"), Row("T+4.00 s")), 12.0)
    lens = Lens(CAMERA["flat"], (400, 400))
    heights = np.linspace(-0.6, 0.6, 41)
    labels = tuple(Label(np.array([0.0, 0.0, z]), f"{z:.2f}", 12.0, across="right") for z in heights)
    texts = [s for s in project(Scene((*labels, note)), CAMERA["flat"], (400, 400)).shapes if isinstance(s, Text)]
    (long, short), kept = texts[-2:], texts[:-2]
    seen = [label for label in labels if 0.0 <= lens.to_px(lens.to_camera(label.point_enu_m[None]))[0, 1] <= 400.0]
    assert 0 < len(kept) < len(seen)
    assert all(abs(text.y_px - long.y_px) > 11.9 for text in kept)
    assert any(abs(text.y_px - short.y_px) < 7.0 for text in kept)


def test_to_paths_keeps_order_and_counts():
    """Batches become single shapes, in the same order."""
    scene = Scene((Solid(_vehicle((1.0, 0.0, 0.0, 0.0))), Strokes(np.zeros((3, 2, 3)) + [[0.0, 0, 0], [0.1, 0, 0]], np.ones(3), "#000000")))
    draw_list = project(scene, CAMERA["near"], (N, N))
    counts = [len(s.points_px) if isinstance(s, Facets | Segments) else 1 for s in draw_list.shapes]
    paths = to_paths(draw_list)
    assert len(paths) == sum(counts)
    first = next(s for s in draw_list.shapes if isinstance(s, Facets))
    i = sum(counts[: draw_list.shapes.index(first)])
    assert_allclose(paths[i].points_px, first.points_px[0])


def test_what_stands_still_is_kept_while_the_camera_stands_still():
    """The very same shapes at the next instant; others as soon as the camera moves; and split in two the picture is whole."""
    flight = prepare(snapshot())
    camera = camera_at(Viewpoint("side"), flight.stage, np.zeros(3))
    lists = [project(build_scene(flight, t, SceneOptions(is_wide=True)), camera, (N, N)) for t in (2.0, 3.0)]
    assert lists[0].still and lists[0].still is lists[1].still
    moved = camera_at(Viewpoint("side").turned(0.1, 0.0), flight.stage, np.zeros(3))
    assert project(build_scene(flight, 3.0, SceneOptions(is_wide=True)), moved, (N, N)).still is not lists[1].still
    ground, above = lists[1].split()
    assert (*ground.shapes, *above.shapes) == lists[1].shapes and ground.background and above.background is None
