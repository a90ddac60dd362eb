"""Solids to shaded faces and outlines, from far to near."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.scene.drawlist import Facets, Polygon, Primitive, rgba
from replay.scene.lens import Lens, convex_hull
from replay.scene.mesh import Part
from replay.scene.palette import rgb
from replay.scene.scene import Solid

Array = NDArray[np.float64]

_N_SHADES = 32
_KEY_LIGHT = np.array([-0.52, 0.62, -0.59]) / np.linalg.norm([-0.52, 0.62, -0.59])
"""Towards the light in camera axes (right, up, forward): over the left shoulder, so that a cylinder reads as round in every view."""
_BETWEEN = (_KEY_LIGHT + [0.0, 0.0, -1.0]) / np.linalg.norm(_KEY_LIGHT + [0.0, 0.0, -1.0])
"""Half way between light and eye, where gloss is strongest."""
_AMBIENT, _DIFFUSE, _GLOSS, _GLOSS_POWER = 0.60, 0.44, 0.11, 10.0
_SEAM_PX = 0.3


def solid_depth_m(lens: Lens, solid: Solid) -> float:
    """Depth of the middle of a solid's body, by which solids are ordered."""
    return float(lens.to_camera(solid.parts[0].vertices_m.mean(axis=0))[2])


def draw_solid(lens: Lens, solid: Solid) -> list[Primitive]:
    """Parts beyond the body, the body, parts before it. Exact for convex parts that planes separate from the body."""
    parts = solid.parts
    counts = np.cumsum([0] + [len(part.vertices_m) for part in parts])
    vertices = lens.to_camera(np.concatenate([part.vertices_m for part in parts]))
    is_cut = not (vertices[:, 2] > lens.near_m).all()
    flat = vertices[:, :2] if is_cut else lens.to_px(vertices)
    if not is_cut and lens.is_outside(flat):
        return []
    faces = np.concatenate([part.faces + start for part, start in zip(parts, counts[:-1], strict=True)])
    corners = flat[faces]
    first, second = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    is_front = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0] < 0.0
    fill = _shade(lens, solid)
    depth = np.add.reduceat(vertices[:, 2], counts[:-1]) / np.diff(counts)
    is_beyond = [part.plane is not None and part.plane[:3] @ lens.eye_enu_m <= part.plane[3] for part in parts]
    is_before = [part.plane is not None and not beyond for part, beyond in zip(parts, is_beyond, strict=True)]
    shapes: list[Primitive] = []
    start_of = np.cumsum([0] + [len(part.faces) for part in parts])
    for i in sorted(range(len(parts)), key=lambda i: (not is_beyond[i], is_before[i], -depth[i])):
        here = slice(start_of[i], start_of[i + 1])
        if is_cut:
            shapes.extend(_cut_part(lens, parts[i], vertices[counts[i] : counts[i + 1]], fill[here]))
        else:
            shapes.extend(_whole_part(solid, parts[i], flat[counts[i] : counts[i + 1]], corners[here], fill[here], is_front[here]))
    return shapes


def _whole_part(
    solid: Solid, part: Part, flat: Array, corners: Array, fill: NDArray[np.uint8], is_front: NDArray[np.bool_]
) -> list[Primitive]:
    """Shaded faces and outline; a translucent part is its outline, filled, and the marks on it."""
    if not is_front.any():
        return []
    hull = convex_hull(_rim(part, flat, is_front))
    edge = rgba(solid.edge, min(1.0, solid.alpha + 0.5))
    if solid.alpha >= 1.0:
        return [Facets(_grown(corners[is_front]), fill[is_front]), Polygon(hull, None, edge, solid.edge_width_px)]
    n_plain = len(fill) - part.n_marks
    red, green, blue, alpha = (int(v) for v in fill[:n_plain].mean(axis=0))
    is_mark = is_front & (np.arange(len(fill)) >= n_plain)
    return [Polygon(hull, (red, green, blue, alpha), edge, solid.edge_width_px), Facets(corners[is_mark], fill[is_mark])]


def _rim(part: Part, flat: Array, is_front: NDArray[np.bool_]) -> Array:
    """The points between faces that look at the eye and faces that look away, among which the outline's corners are."""
    if len(flat) <= 8:
        return flat
    is_seen, is_hidden = np.zeros(len(flat), dtype=bool), np.zeros(len(flat), dtype=bool)
    is_seen[part.faces[is_front]] = True
    is_hidden[part.faces[~is_front]] = True
    return np.asarray(flat[is_seen & is_hidden])


def _cut_part(lens: Lens, part: Part, vertices_camera_m: Array, fill: NDArray[np.uint8]) -> list[Primitive]:
    """The eye is inside or against the solid: clip face by face, no outline."""
    towards_eye = lens.eye_enu_m - part.vertices_m[part.faces].mean(axis=1)
    is_front = np.einsum("ij,ij->i", part.normals, towards_eye) > 0.0
    shapes: list[Primitive] = []
    for i in np.flatnonzero(is_front):
        outline = lens.clip_polygon(vertices_camera_m[part.faces[i]])
        if len(outline):
            red, green, blue, alpha = (int(v) for v in fill[i])
            shapes.append(Polygon(outline, (red, green, blue, alpha)))
    return shapes


def _grown(corners_px: Array) -> Array:
    """Faces that look at the eye, each edge moved outwards a little, so that smoothed edges leave no seams, shape (k, 4, 2)."""
    along = corners_px[:, [1, 2, 3, 0]] - corners_px
    length = np.sqrt(along[..., 0] ** 2 + along[..., 1] ** 2)
    out = _SEAM_PX * (along / np.maximum(length, 1e-9)[..., None])[..., ::-1] * np.array([-1.0, 1.0])
    return np.asarray(corners_px + out + out[:, [3, 0, 1, 2]])


def _shade(lens: Lens, solid: Solid) -> NDArray[np.uint8]:
    """Shaded bytes per face of all parts, shape (f, 4): ambient and diffuse in steps, plus a little gloss."""
    normal = np.concatenate([part.normals for part in solid.parts])
    colour = np.concatenate([part.colours for part in solid.parts])
    diffuse = np.round((_N_SHADES - 1) * np.clip(normal @ (_KEY_LIGHT @ lens.axes_enu), 0.0, 1.0)) / (_N_SHADES - 1)
    gloss = _GLOSS * np.clip(normal @ (_BETWEEN @ lens.axes_enu), 0.0, 1.0) ** _GLOSS_POWER
    if solid.glow is not None:
        tint, share = solid.glow
        colour = (1.0 - share) * colour + share * np.asarray(rgb(tint))
    lit = colour * (_AMBIENT + _DIFFUSE * diffuse)[:, None] + gloss[:, None]
    out = np.empty((len(lit), 4), dtype=np.uint8)
    out[:, :3] = np.round(255.0 * np.clip(lit, 0.0, 1.0))
    out[:, 3] = round(255 * solid.alpha)
    return out
