"""The vehicle as a few convex parts, in body axes: body of revolution, fins, gimballed nozzle.

Every part is convex, so culling the faces that look away leaves nothing to sort inside a part; and every part is separated from the
body by a plane, so parts are ordered exactly by asking on which side of it the eye stands (no depth-sort errors at any attitude).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from replay.scene.palette import BLUE, rgb
from replay.whatif.vehicle import Vehicle

Array = NDArray[np.float64]

_FINE, _COARSE = (20, 12, 4), (16, 10, 3)
"""Sides of the body, sides of the nozzle, rings of the nose: where the vehicle fills the picture, and where it is a small part."""
_CG_STATION = 0.44
"""Share of the length that lies below the centre of gravity when only one of the two is known (common practice, no source)."""


@dataclass(frozen=True)
class VehicleShape:
    """Outer dimensions, m. Proportions that no file states are plain defaults for drawing; nothing is computed from them.

    `below_cg_m` is from the centre of gravity down to the gimbal pivot, which is also where the body ends. `guessed` names what
    was not read from a vehicle file.
    """

    diameter_m: float = 0.08
    length_m: float = 0.88
    below_cg_m: float = 0.39
    nose_per_diameter: float = 3.2
    n_fins: int = 4
    fin_root_per_diameter: float = 1.9
    fin_tip_per_diameter: float = 0.9
    fin_span_per_diameter: float = 1.05
    fin_sweep_per_diameter: float = 1.15
    fin_thickness_per_diameter: float = 0.09
    nozzle_length_per_diameter: float = 0.75
    has_gimbal: bool = True
    guessed: tuple[str, ...] = ("diameter", "length")

    @property
    def nozzle_length_m(self) -> float:
        return self.nozzle_length_per_diameter * self.diameter_m

    @property
    def tail_z_body_m(self) -> float:
        """Lowest point of the upright vehicle, the nozzle's exit."""
        return -self.below_cg_m - self.nozzle_length_m

    @property
    def middle_z_body_m(self) -> float:
        """Half way between nozzle exit and nose tip."""
        return -self.below_cg_m + 0.5 * (self.length_m - self.nozzle_length_m)


def shape_of(vehicle: Vehicle | None) -> VehicleShape:
    """Shape of a vehicle file's airframe. No length is stated there: it is guessed from the gimbal's station and kept plausible."""
    if vehicle is None:
        return VehicleShape()
    diameter = vehicle.diameter_m
    if "gimbal_below_cg_m" in vehicle.defaulted:
        length = 11.0 * diameter
        below_cg = _CG_STATION * length
    else:
        below_cg = vehicle.gimbal_below_cg_m
        length = float(np.clip(below_cg / _CG_STATION, 7.0 * diameter, 25.0 * diameter))
        below_cg = min(below_cg, 0.7 * length)
    return VehicleShape(diameter, length, below_cg, has_gimbal=vehicle.gimbal is not None, guessed=("length",))


@dataclass(frozen=True, eq=False)
class Part:
    """One convex piece.

    Parameters
    ----------
    vertices_m : ndarray, shape (v, 3)
        Body axes in the mesh, enu in a scene.
    faces : ndarray of int, shape (f, 4)
        Vertex indices, counter-clockwise seen from outside; a triangle repeats its last one.
    colours : ndarray, shape (f, 3)
        Unshaded, 0 to 1.
    normals : ndarray, shape (f, 3)
        Unit, outward, in the vertices' axes.
    n_marks : int
        The last faces, this many, are painted marks that lie in the faces before them.
    plane : ndarray, shape (4,), or None
        Normal and offset (n · x > offset on the part's own side) of a plane that separates the part from the body. None: is the body.
    """

    vertices_m: Array
    faces: NDArray[np.intp]
    colours: Array
    normals: Array
    n_marks: int = 0
    plane: Array | None = None


def _part(vertices_m: Array, faces: NDArray[np.intp], colours: Array, *, n_marks: int = 0, plane: Array | None = None) -> Part:
    """A part with its normals, from the faces' diagonals, so that a repeated vertex does no harm."""
    corner = vertices_m[faces]
    normal = np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    return Part(vertices_m, faces, colours, normal, n_marks, plane)


@dataclass(frozen=True, eq=False)
class Mesh:
    """Parts in body axes: the body first, then fins; the nozzle apart, since it turns about `pivot_body_m`."""

    body: Part
    fins: tuple[Part, ...]
    nozzle: Part
    pivot_body_m: Array

    @property
    def parts(self) -> tuple[Part, ...]:
        """Body, fins, nozzle."""
        return self.body, *self.fins, self.nozzle

    @cached_property
    def rigid(self) -> tuple[Array, Array]:
        """Vertices and normals of all parts but the nozzle, end to end."""
        parts = self.parts[:-1]
        return np.concatenate([part.vertices_m for part in parts]), np.concatenate([part.normals for part in parts])

    @cached_property
    def planes(self) -> Array:
        """Separating planes of all parts but the body, shape (k, 4)."""
        return np.array([part.plane for part in self.parts[1:]])


def thrust_axis_body(gimbal_rad: Array) -> Array:
    """Unit vector the thrust pushes along for gimbal angles about body x and body y, rad; (0, 0, 1) when centred."""
    return gimbal_dcm(gimbal_rad)[:, 2]


def gimbal_dcm(gimbal_rad: Array) -> Array:
    """Rotation of the nozzle, shape (3, 3): Rx(gimbal_x) Ry(gimbal_y), as in the flight model."""
    about_x, about_y = gimbal_rad.tolist()
    cx, sx, cy, sy = math.cos(about_x), math.sin(about_x), math.cos(about_y), math.sin(about_y)
    return np.array([[cy, 0.0, sy], [sx * sy, cx, -sx * cy], [-cx * sy, sx, cx * cy]])


@lru_cache(maxsize=16)
def vehicle_mesh(shape: VehicleShape, accent: str = BLUE, *, is_coarse: bool = False) -> Mesh:
    """Mesh of a shape; `accent` colours the stripe and the fin on body +x, by which roll is seen."""
    n_sides, n_nozzle_sides, n_rings = _COARSE if is_coarse else _FINE
    fins = tuple(_fin(shape, 2.0 * np.pi * i / shape.n_fins, accent if i == 0 else None) for i in range(shape.n_fins))
    return Mesh(_body(shape, accent, n_sides, n_rings), fins, _nozzle(shape, n_nozzle_sides), np.array([0.0, 0.0, -shape.below_cg_m]))


def _revolve(z_m: Array, radius_m: Array, n_sides: int) -> tuple[Array, NDArray[np.intp]]:
    """Vertices (rings from low to high) and side faces of a body of revolution, shapes (r·n, 3) and ((r−1)·n, 4)."""
    angle = 2.0 * np.pi * np.arange(n_sides) / n_sides
    ring = np.stack((np.cos(angle), np.sin(angle)), axis=-1)
    xy = radius_m[:, None, None] * ring
    vertices = np.concatenate((xy, np.broadcast_to(z_m[:, None, None], (*xy.shape[:2], 1))), axis=-1).reshape(-1, 3)
    k = np.arange(n_sides)
    low, high = k, k + n_sides
    along = np.stack((low, (k + 1) % n_sides, (k + 1) % n_sides + n_sides, high), axis=-1)
    faces = (along[None] + n_sides * np.arange(len(z_m) - 1)[:, None, None]).reshape(-1, 4)
    return vertices, faces


def _disc(start: int, n_sides: int, *, is_up: bool) -> NDArray[np.intp]:
    """Quads that close a ring whose vertices begin at `start`, shape ((n−2)/2, 4)."""
    second = np.arange(1, n_sides - 2, 2)
    quads = np.stack((np.zeros_like(second), second, second + 1, second + 2), axis=-1) + start
    return quads if is_up else quads[:, ::-1]


def _body(shape: VehicleShape, accent: str, n_sides: int, n_rings: int) -> Part:
    """Tube and tangent-ogive nose; on it the accent stripe along body +x and a band of dark and light quarters."""
    radius = 0.5 * shape.diameter_m
    nose = min(shape.nose_per_diameter * shape.diameter_m, 0.5 * shape.length_m)
    tube = shape.length_m - nose
    along = nose * np.sin(0.5 * np.pi * np.arange(n_rings + 1) / n_rings)
    ogive = (radius**2 + nose**2) / (2.0 * radius)
    nose_radius = np.sqrt(ogive**2 - along**2) - (ogive - radius)
    nose_radius[-1] = 1e-4 * radius
    vertices, sides = _revolve(np.concatenate(([0.0], tube + along)), np.concatenate(([radius], nose_radius)), n_sides)
    solid = np.concatenate((sides, _disc(0, n_sides, is_up=False)))
    colours = np.tile(np.asarray(rgb("#F2F4F7")), (len(solid), 1))
    colours[n_sides : len(sides)] = rgb(accent)
    colours[len(sides) :] = rgb("#4A4F57")
    band = min(shape.diameter_m, 0.2 * tube)
    quarter = n_sides // 4
    dark = [k for k in range(n_sides) if (k // quarter) % 2 == 0]
    marks = [
        (_columns(radius, 0.02 * tube, tube - 2.0 * band, [0, n_sides - 1], n_sides), accent),
        (_columns(radius, tube - 1.7 * band, tube - 0.7 * band, dark, n_sides), "#343A43"),
    ]
    n_marks = 0
    for (points, faces), colour in marks:
        solid = np.concatenate((solid, faces + len(vertices)))
        vertices = np.concatenate((vertices, points))
        colours = np.concatenate((colours, np.tile(np.asarray(rgb(colour)), (len(faces), 1))))
        n_marks += len(faces)
    return _part(vertices - np.array([0.0, 0.0, shape.below_cg_m]), solid, colours, n_marks=n_marks)


def _columns(radius_m: float, low_m: float, high_m: float, columns: list[int], n_sides: int) -> tuple[Array, NDArray[np.intp]]:
    """Patches that lie in some of the tube's side faces, between two heights."""
    vertices, sides = _revolve(np.array([low_m, high_m]), np.array([radius_m, radius_m]), n_sides)
    faces = sides[columns]
    return vertices[faces].reshape(-1, 3), np.arange(faces.size).reshape(-1, 4)


def _fin(shape: VehicleShape, angle_rad: float, accent: str | None) -> Part:
    """A swept slab with bevelled outer edges, root on the tube at `angle_rad` from body +x."""
    d = shape.diameter_m
    root, tip = shape.fin_root_per_diameter * d, shape.fin_tip_per_diameter * d
    span, sweep, half = shape.fin_span_per_diameter * d, shape.fin_sweep_per_diameter * d, 0.5 * shape.fin_thickness_per_diameter * d
    base = -shape.below_cg_m + 0.06 * d
    r, top = 0.5 * d, base + root
    outline = np.array([[r, base], [r, top], [r + span, top - sweep], [r + span, top - sweep - tip]])
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    out, side = np.array([cos, sin, 0.0]), np.array([-sin, cos, 0.0])
    flat = outline[:, :1] * out + outline[:, 1:] * np.array([0.0, 0.0, 1.0])
    vertices = np.concatenate((flat - half * side, flat + half * side))
    faces = [[3, 2, 1, 0], [4, 5, 6, 7], *([i, (i + 1) % 4, (i + 1) % 4 + 4, i + 4] for i in range(4))]
    centre = vertices.mean(axis=0)
    corner = vertices[np.array(faces)]
    normal = np.cross(corner[:, 2] - corner[:, 0], corner[:, 3] - corner[:, 1])
    is_inward = np.einsum("ij,ij->i", normal, corner.mean(axis=1) - centre) < 0.0
    oriented = np.array([face[::-1] if inward else face for face, inward in zip(faces, is_inward, strict=True)], dtype=np.intp)
    colour = rgb(accent) if accent else rgb("#D5DAE1")
    return _part(vertices, oriented, np.tile(np.asarray(colour), (len(faces), 1)), plane=np.array([*out, r]))


def _nozzle(shape: VehicleShape, n_sides: int) -> Part:
    """A cone frustum about the pivot, dark inside; lies below the body's end plane."""
    d = shape.diameter_m
    z = np.array([-shape.nozzle_length_m, -0.02 * d])
    vertices, sides = _revolve(z, np.array([0.34 * d, 0.2 * d]), n_sides)
    faces = np.concatenate((sides, _disc(0, n_sides, is_up=False)))
    colours = np.tile(np.asarray(rgb("#7C838D")), (len(faces), 1))
    colours[len(sides) :] = rgb("#22262B")
    vertices[:, 2] -= shape.below_cg_m
    return _part(vertices, faces, colours, plane=np.array([0.0, 0.0, -1.0, shape.below_cg_m]))


def _along(axis_enu: Array) -> Array:
    """A right-handed frame whose third column is the unit vector `axis_enu`, shape (3, 3)."""
    x, y, z = (float(v) for v in axis_enu)
    # the reflection of up into the axis, turned: one formula without a singular direction in the half space it is used in
    sign = math.copysign(1.0, z)
    a = -1.0 / (sign + z)
    b = x * y * a
    return np.array([[1.0 + sign * x * x * a, b, x], [sign * b, sign + y * y * a, y], [-sign * x, -y, z]])


@lru_cache(maxsize=4)
def _turned(profile: tuple[tuple[float, float], ...], n_sides: int, colour: str) -> Part:
    """Closed body of revolution about z of a convex profile of (height, radius)."""
    z, radius = np.array(profile).T
    vertices, sides = _revolve(z, radius, n_sides)
    top = _disc((len(z) - 1) * n_sides, n_sides, is_up=True)
    faces = np.concatenate((sides, _disc(0, n_sides, is_up=False), top))
    return _part(vertices, faces, np.tile(np.asarray(rgb(colour)), (len(faces), 1)))


def arrow(tail_enu_m: Array, tip_enu_m: Array, radius_m: float, colour: str) -> tuple[Part, ...]:
    """Shaft and head in enu; the head's own side is the tip's. A short arrow is a slender one."""
    sight = tip_enu_m - tail_enu_m
    length = math.sqrt(float(sight @ sight))
    radius = min(radius_m, length / 8.0)
    axis = sight / length
    frame = _along(axis)
    neck = length - 5.0 * radius
    shaft, head = _turned(((0.0, 1.0), (1.0, 1.0)), 10, colour), _turned(((0.0, 2.4), (5.0, 0.02)), 10, colour)
    base = tail_enu_m + neck * axis
    return (
        replace(shaft, vertices_m=shaft.vertices_m * (radius, radius, neck) @ frame.T + tail_enu_m, normals=shaft.normals @ frame.T),
        replace(
            head,
            vertices_m=radius * head.vertices_m @ frame.T + base,
            normals=head.normals @ frame.T,
            plane=np.array([*axis, axis @ base]),
        ),
    )


def bob(size_m: float) -> Part:
    """A plumb bob of height `size_m` in enu, its point on the pad."""
    part = _turned(((0.0, 0.004), (0.62, 0.27), (0.80, 0.27), (0.94, 0.12), (1.0, 0.03)), 12, "#C9A24B")
    return replace(part, vertices_m=size_m * part.vertices_m)


def place(
    mesh: Mesh, dcm_enu_from_body: Array, anchor_body_m: Array, anchor_enu_m: Array, scale: float, gimbal_rad: Array
) -> tuple[Part, ...]:
    """Parts in enu: the nozzle turned about its pivot, all enlarged about the anchor, turned, and moved with the anchor to its place."""
    turn = gimbal_dcm(gimbal_rad)
    pivot = mesh.pivot_body_m
    rigid, normals = mesh.rigid
    shift = anchor_enu_m - scale * dcm_enu_from_body @ anchor_body_m
    vertices = np.concatenate((rigid, (mesh.nozzle.vertices_m - pivot) @ turn.T + pivot)) @ (scale * dcm_enu_from_body.T) + shift
    normals = np.concatenate((normals, mesh.nozzle.normals @ turn.T)) @ dcm_enu_from_body.T
    planes = mesh.planes.copy()
    planes[:, :3] = planes[:, :3] @ dcm_enu_from_body.T
    planes[:, 3] = scale * planes[:, 3] + planes[:, :3] @ shift
    placed = []
    v = f = 0
    for part, plane in zip(mesh.parts, (None, *planes), strict=True):
        here, faces = slice(v, v + len(part.vertices_m)), slice(f, f + len(part.faces))
        v, f = here.stop, faces.stop
        placed.append(Part(vertices[here], part.faces, part.colours, normals[faces], part.n_marks, plane))
    return tuple(placed)
