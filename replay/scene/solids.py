"""Solids to shaded faces and outlines, from far to near."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.scene.drawlist import Facets, Polygon, Primitive, rgba
from replay.scene.lens import Lens, outlines_of
from replay.scene.mesh import Part
from replay.scene.palette import rgb
from replay.scene.scene import Solid

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_N_SHADES = 32
_KEY_LIGHT = np.array([-0.52, 0.62, -0.59]) / np.linalg.norm([-0.52, 0.62, -0.59])
"""Towards the light in camera axes (right, up, forward): over the left shoulder, so that a cylinder reads as round in every view."""
_BETWEEN = (_KEY_LIGHT + [0.0, 0.0, -1.0]) / np.linalg.norm(_KEY_LIGHT + [0.0, 0.0, -1.0])
"""Half way between light and eye, where gloss is strongest."""
_AMBIENT, _DIFFUSE, _GLOSS, _GLOSS_POWER = 0.60, 0.44, 0.11, 10.0
_SEAM_PX = 0.3


@dataclass(frozen=True, eq=False)
class _Batch:
    """All parts of all solids end to end: `v`, `f` and `rim` bound each part's vertices, faces and outline.

    `n_front` counts the faces that look at the eye before each face; those faces' corners are `grown_px`, their colours `front_fill`.
    """

    parts: tuple[Part, ...]
    v: list[int]
    f: list[int]
    rim: list[int]
    n_front: list[int]
    vertices_camera_m: Array
    outline_px: Array
    grown_px: Array
    fill: NDArray[np.uint8]
    front_fill: NDArray[np.uint8]
    depth_m: list[float]
    is_out: list[bool]
    is_cut: list[bool]


def draw_solids(lens: Lens, solids: Sequence[Solid]) -> list[tuple[float, list[Primitive]]]:
    """Shapes of every solid with the depth of its body, by which solids are ordered.

    Within a solid: parts beyond the body, the body, parts before it; exact for convex parts that planes separate from the body.
    """
    if not solids:
        return []
    batch = _project(lens, solids)
    drawn = []
    first = 0
    for solid in solids:
        order = []
        for i, part in enumerate(solid.parts, start=first):
            is_beyond = part.plane is not None and part.plane[:3] @ lens.eye_enu_m <= part.plane[3]
            place = -1 if is_beyond else 0 if part.plane is None else 1
            order.append((place, -batch.depth_m[i], i))
        shapes: list[Primitive] = []
        for _, _, i in sorted(order):
            if batch.is_cut[i]:
                shapes.extend(_cut_part(lens, batch, i))
            elif not batch.is_out[i]:
                shapes.extend(_whole_part(solid, batch, i))
        drawn.append((batch.depth_m[first], shapes))
        first += len(solid.parts)
    return drawn


def _project(lens: Lens, solids: Sequence[Solid]) -> _Batch:
    """One pass over all vertices and faces: what costs is the number of array calls, not their length."""
    parts = tuple(part for solid in solids for part in solid.parts)
    v = np.cumsum([0] + [len(part.vertices_m) for part in parts])
    f = np.cumsum([0] + [len(part.faces) for part in parts])
    vertices = lens.to_camera(np.concatenate([part.vertices_m for part in parts]))
    is_cut = np.minimum.reduceat(vertices[:, 2], v[:-1]) <= lens.near_m
    flat = lens.to_px(np.maximum(vertices, [-np.inf, -np.inf, lens.near_m]) if is_cut.any() else vertices)
    faces = np.concatenate([part.faces for part in parts]) + np.repeat(v[:-1], np.diff(f))[:, None]
    corners = flat[faces]
    first, second = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    is_front = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0] < 0.0
    is_seen, is_hidden = np.zeros(len(flat), dtype=bool), np.zeros(len(flat), dtype=bool)
    is_seen[faces[is_front]] = True
    is_hidden[faces[~is_front]] = True
    is_rim = is_seen & is_hidden
    fill = _shade(lens, solids, np.diff(f))
    low, high = np.minimum.reduceat(flat, v[:-1]), np.maximum.reduceat(flat, v[:-1])
    is_out = np.asarray((high < 0.0).any(axis=1) | (low > [lens.width_px, lens.height_px]).any(axis=1))
    return _Batch(
        parts,
        v.tolist(),
        f.tolist(),
        np.concatenate(([0], np.cumsum(is_rim)))[v].tolist(),
        np.concatenate(([0], np.cumsum(is_front))).tolist(),
        vertices,
        outlines_of(flat[is_rim], np.repeat(np.arange(len(parts)), np.diff(v))[is_rim]),
        _grown(corners[is_front]),
        fill,
        fill[is_front],
        (np.add.reduceat(vertices[:, 2], v[:-1]) / np.diff(v)).tolist(),
        is_out.tolist(),
        is_cut.tolist(),
    )


def _whole_part(solid: Solid, batch: _Batch, i: int) -> list[Primitive]:
    """Shaded faces and outline; a translucent part is its outline, filled, and the marks on it."""
    start, stop = batch.f[i], batch.f[i + 1]
    front = slice(batch.n_front[start], batch.n_front[stop])
    if front.start == front.stop:
        return []
    hull = batch.outline_px[batch.rim[i] : batch.rim[i + 1]]
    edge = rgba(solid.edge, min(1.0, solid.alpha + (0.5 if solid.edge_dash == "solid" else 0.9)))
    if solid.alpha >= 1.0:
        faces = Facets(batch.grown_px[front], batch.front_fill[front])
        return [faces, Polygon(hull, None, edge, solid.edge_width_px, solid.edge_dash)]
    first_mark = stop - batch.parts[i].n_marks
    red, green, blue, alpha = (int(v) for v in batch.fill[start:first_mark].mean(axis=0))
    body = Polygon(hull, (red, green, blue, alpha), edge, solid.edge_width_px, solid.edge_dash)
    marks = slice(batch.n_front[first_mark], front.stop)
    return [body, Facets(batch.grown_px[marks], batch.front_fill[marks])] if marks.start < marks.stop else [body]


def _cut_part(lens: Lens, batch: _Batch, i: int) -> list[Primitive]:
    """The eye is inside or against the part: clip face by face, no outline."""
    part, vertices = batch.parts[i], batch.vertices_camera_m[batch.v[i] : batch.v[i + 1]]
    towards_eye = lens.eye_enu_m - part.vertices_m[part.faces].mean(axis=1)
    is_front = np.einsum("ij,ij->i", part.normals, towards_eye) > 0.0
    shapes: list[Primitive] = []
    for k in np.flatnonzero(is_front):
        outline = lens.clip_polygon(vertices[part.faces[k]])
        if len(outline):
            red, green, blue, alpha = (int(v) for v in batch.fill[batch.f[i] + k])
            shapes.append(Polygon(outline, (red, green, blue, alpha)))
    return shapes


def _grown(corners_px: Array) -> Array:
    """Faces that look at the eye, each edge moved outwards a little, so that smoothed edges leave no seams, shape (k, 4, 2)."""
    along = corners_px[:, [1, 2, 3, 0]] - corners_px
    length = np.sqrt(along[..., 0] ** 2 + along[..., 1] ** 2)
    out = _SEAM_PX * (along / np.maximum(length, 1e-9)[..., None])[..., ::-1] * np.array([-1.0, 1.0])
    return np.asarray(corners_px + out + out[:, [3, 0, 1, 2]])


def _shade(lens: Lens, solids: Sequence[Solid], n_faces: Index) -> NDArray[np.uint8]:
    """Shaded bytes per face of all parts, shape (f, 4): ambient and diffuse in steps, plus a little gloss."""
    parts = [(solid, part) for solid in solids for part in solid.parts]
    normal = np.concatenate([part.normals for _, part in parts])
    colour = np.concatenate([part.colours for _, part in parts])
    look = np.array(
        [(*rgb(solid.glow[0]), solid.glow[1], solid.alpha) if solid.glow else (0.0, 0.0, 0.0, 0.0, solid.alpha) for solid, _ in parts]
    )
    look = np.repeat(look, n_faces, axis=0)
    diffuse = np.round((_N_SHADES - 1) * np.clip(normal @ (_KEY_LIGHT @ lens.axes_enu), 0.0, 1.0)) / (_N_SHADES - 1)
    gloss = _GLOSS * np.clip(normal @ (_BETWEEN @ lens.axes_enu), 0.0, 1.0) ** _GLOSS_POWER
    lit = (colour + look[:, 3:4] * (look[:, :3] - colour)) * (_AMBIENT + _DIFFUSE * diffuse)[:, None] + gloss[:, None]
    return np.asarray(np.round(255.0 * np.clip(np.column_stack((lit, look[:, 4])), 0.0, 1.0)), dtype=np.uint8)
