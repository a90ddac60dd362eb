"""The vehicle's parts: closed, convex, seen from outside, and apart by their planes."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.scene.mesh import VehicleShape, arrow, bob, gimbal_dcm, place, shape_of, thrust_axis_body, vehicle_mesh
from replay.scene.palette import rgb
from replay.whatif.vehicle import Vehicle

SHAPE = VehicleShape()
CURVE = ((0.0, 0.0), (0.1, 20.0), (2.0, 0.0))


def _parts():
    mesh = vehicle_mesh(SHAPE)
    return {"body": mesh.body, "nozzle": mesh.nozzle, **{f"fin{i}": fin for i, fin in enumerate(mesh.fins)}, "bob": bob(0.3)}


def _solid_faces(part):
    n = len(part.faces) - part.n_marks
    return part.faces[:n], part.normals[:n]


@pytest.mark.parametrize("name", ["body", "nozzle", "fin0", "fin3", "bob"])
def test_parts_are_convex_and_their_normals_point_outwards(name):
    """No vertex lies outside the plane of any face: what the exact drawing order rests on."""
    part = _parts()[name]
    faces, normals = _solid_faces(part)
    height = np.einsum("fi,fvi->fv", normals, part.vertices_m[None] - part.vertices_m[faces[:, 0]][:, None])
    assert height.max() < 1e-3 * np.ptp(part.vertices_m)


@pytest.mark.parametrize("name", ["body", "nozzle", "fin1", "bob"])
def test_surfaces_are_closed(name):
    """Every edge is shared by exactly two faces, once each way."""
    faces, _ = _solid_faces(_parts()[name])
    edges = {}
    for face in faces.tolist():
        for a, b in zip(face, [*face[1:], face[0]], strict=True):
            if a != b:
                edges[(a, b)] = edges.get((a, b), 0) + 1
    assert set(edges.values()) == {1}
    open_edges = [edge for edge in edges if (edge[1], edge[0]) not in edges]
    tip_radius = 0.05 * np.ptp(_parts()[name].vertices_m)
    rim = _parts()[name].vertices_m[[a for a, _ in open_edges]]
    assert not open_edges or np.hypot(*rim[:, :2].T).max() < tip_radius  # the nose's tip is a point


@pytest.mark.parametrize("name", ["nozzle", "fin0", "fin2"])
def test_planes_part_each_piece_from_the_body(name):
    """All of the body on one side, all of the part on the other."""
    parts = _parts()
    normal, offset = parts[name].plane[:3], parts[name].plane[3]
    assert (parts["body"].vertices_m @ normal).max() <= offset + 1e-9
    assert (parts[name].vertices_m @ normal).min() >= offset - 1e-9 - 0.01 * SHAPE.diameter_m * name.startswith("fin")


def test_volume_of_the_body_is_that_of_tube_and_ogive():
    """Divergence theorem over the faces against cylinder plus tangent ogive, within the facets' shortfall (sin x / x, 20 sides)."""
    faces, normals = _solid_faces(vehicle_mesh(SHAPE).body)
    corner = vehicle_mesh(SHAPE).body.vertices_m[faces]
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1]), axis=1)
    volume = np.sum(area * np.einsum("fi,fi->f", normals, corner.mean(axis=1))) / 3.0
    radius, nose = 0.5 * SHAPE.diameter_m, SHAPE.nose_per_diameter * SHAPE.diameter_m
    x = np.linspace(0.0, nose, 20001)
    rho = (radius**2 + nose**2) / (2.0 * radius)
    profile = np.sqrt(rho**2 - x**2) - (rho - radius)
    exact = np.pi * radius**2 * (SHAPE.length_m - nose) + np.trapezoid(np.pi * profile**2, x)
    assert 0.96 * exact < volume < exact


def test_gimbal_turns_the_nozzle_as_the_flight_model_turns_its_thrust():
    """Thrust along (sin gy, −sin gx cos gy, cos gx cos gy), the flight model's own statement; a proper rotation."""
    gx, gy = 0.07, -0.05
    axis = thrust_axis_body(np.array([gx, gy]))
    assert_allclose(axis, [np.sin(gy), -np.sin(gx) * np.cos(gy), np.cos(gx) * np.cos(gy)], atol=1e-15)
    assert_allclose(gimbal_dcm(np.array([gx, gy])) @ gimbal_dcm(np.array([gx, gy])).T, np.eye(3), atol=1e-15)


def test_placing_keeps_shape_and_puts_the_anchor_where_asked():
    """Rigid but for the scale; the nozzle's exit sits on the given point; planes move along."""
    mesh = vehicle_mesh(SHAPE)
    anchor_body, anchor_enu = np.array([0.0, 0.0, SHAPE.tail_z_body_m]), np.array([10.0, -4.0, 50.0])
    dcm = gimbal_dcm(np.array([0.4, -1.1]))
    parts = place(mesh, dcm, anchor_body, anchor_enu, 20.0, np.zeros(2))
    nozzle_ring = parts[-1].vertices_m[: len(parts[-1].vertices_m) // 2]
    assert_allclose(nozzle_ring.mean(axis=0), anchor_enu, atol=1e-9)
    before, after = (np.linalg.norm(v[0] - v[-1]) for v in (mesh.body.vertices_m, parts[0].vertices_m))
    assert after == pytest.approx(20.0 * before)
    for part in parts[1:]:
        assert (parts[0].vertices_m @ part.plane[:3]).max() <= part.plane[3] + 1e-7
        assert_allclose(np.linalg.norm(part.normals, axis=1), 1.0, atol=1e-9)


def test_roll_is_marked_on_body_x():
    """The accent fin stands on body +x and on no other side."""
    fins = vehicle_mesh(SHAPE, "#D55E00").fins
    accent = [fin for fin in fins if tuple(fin.colours[0]) == rgb("#D55E00")]
    assert len(accent) == 1
    x, y, _ = accent[0].vertices_m.mean(axis=0)
    assert x > SHAPE.diameter_m and abs(y) < 1e-12


def test_shape_says_what_it_guessed():
    """Without a file everything is guessed; with one, the length alone."""
    assert shape_of(None).guessed == ("diameter", "length")
    stated = Vehicle("Wren 3", 1.25, 0.11, 0.1, CURVE, gimbal_below_cg_m=0.5)
    assert shape_of(stated).guessed == ("length",)
    assert shape_of(stated).below_cg_m == 0.5 and shape_of(stated).diameter_m == 0.1
    defaulted = Vehicle("Wren 3", 1.25, 0.11, 0.1, CURVE, defaulted=frozenset({"gimbal_below_cg_m"}))
    assert shape_of(defaulted).length_m == pytest.approx(1.1)


def test_an_arrow_runs_from_tail_to_tip():
    """Head at the tip, whatever the direction."""
    tail, tip = np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 1.0])
    shaft, head = arrow(tail, tip, 0.05, "#E69F00")
    along = (np.concatenate((shaft.vertices_m, head.vertices_m)) - tail) @ (tip - tail) / 4.0
    assert along.min() == pytest.approx(0.0, abs=1e-9) and along.max() == pytest.approx(1.0)
    assert (head.vertices_m @ head.plane[:3]).min() >= head.plane[3] - 1e-9
