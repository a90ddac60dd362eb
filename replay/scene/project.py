"""Scene and camera to an ordered list of flat shapes: shaded, clipped, sorted from far to near. Pure NumPy and deterministic."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from replay.scene.camera import Camera
from replay.scene.drawlist import DrawList, Polygon, Polyline, Primitive, Segments, Text, rgba
from replay.scene.lens import Lens
from replay.scene.scene import Item, Label, Line, Note, Scene, Sheet, Solid, Strokes
from replay.scene.solids import draw_solids

Array = NDArray[np.float64]
Index = NDArray[np.intp]

Pieces = dict[tuple[str, int], list[Primitive]]
"""(layer, slot) -> stretches of line. Slot 0 is behind every solid, k is before the k farthest ones."""

_MANY_POINTS = 64
_THIN_PX = 2.5


def project(scene: Scene, camera: Camera, size_px: tuple[int, int]) -> DrawList:
    """What to draw, from far to near, for a picture of `size_px` (width, height)."""
    lens = Lens(camera, size_px, scene.left_px)
    ground, above, letters = _ground(scene.still, camera, size_px, scene.left_px)
    items = (*above, *scene.items)
    solids = [item for item in items if isinstance(item, Solid)]
    drawn = draw_solids(lens, solids)
    depth = np.array([np.inf if solid.is_first else at for solid, (at, _) in zip(solids, drawn, strict=True)])
    order = np.argsort(-depth, kind="stable")
    sheets, pieces = _flat(lens, items, -depth[order])
    notes = [shape for item in items if isinstance(item, Note) for shape in _note(lens, item)]
    taken = [_field(note) for note in notes if isinstance(note, Text)]
    texts = _labels(lens, [item for item in items if isinstance(item, Label)], letters, taken)
    shapes = [*ground, *sheets]
    for layer in ("ground", "behind"):
        shapes.extend(pieces.get((layer, 0), ()))
        shapes.extend(texts.get(layer, ()))
    shapes.extend(pieces.get(("space", 0), ()))
    for slot, i in enumerate(order, start=1):
        shapes.extend(drawn[i][1])
        shapes.extend(pieces.get(("space", slot), ()))
    shapes.extend(pieces.get(("over", 0), ()))
    shapes.extend(texts.get("space", ()))
    shapes.extend(texts.get("over", ()))
    shapes.extend(notes)
    return DrawList(size_px, tuple(shapes), rgba(scene.background) if scene.background else None, ground)


@lru_cache(maxsize=8)
def _ground(
    still: tuple[Item, ...], camera: Camera, size_px: tuple[int, int], left_px: float
) -> tuple[tuple[Primitive, ...], tuple[Item, ...], list[Label]]:
    """Of what stands still: the shapes on the ground, the items above it, among which the vehicle is, and the letters on the ground."""
    lens = Lens(camera, size_px, left_px)
    is_on_ground = [isinstance(item, Sheet | Strokes) or (isinstance(item, Line | Label) and item.layer == "ground") for item in still]
    on_ground = [item for item, here in zip(still, is_on_ground, strict=True) if here]
    above = tuple(item for item, here in zip(still, is_on_ground, strict=True) if not here)
    letters = [item for item in on_ground if isinstance(item, Label)]
    sheets, pieces = _flat(lens, on_ground, np.empty(0))
    texts = _labels(lens, letters, [item for item in above if isinstance(item, Label)], [])
    return (*sheets, *pieces.get(("ground", 0), ()), *texts.get("ground", ())), above, letters


def _flat(lens: Lens, items: Sequence[Item], steps: Array) -> tuple[list[Primitive], Pieces]:
    """Sheets and strokes, and the lines in pieces. `steps`: minus the solids' depths, rising."""
    strokes = [item for item in items if isinstance(item, Strokes)]
    lines = [item for item in items if isinstance(item, Line) and len(item.points_enu_m) > 1]
    shapes = [shape for item in items if isinstance(item, Sheet) for shape in _sheet(lens, item)]
    if not lines and not strokes:
        return shapes, {}
    grid, pieces = _lines(lens, strokes, lines, steps)
    return [*shapes, *grid], pieces


def _sheet(lens: Lens, sheet: Sheet) -> list[Primitive]:
    outline = lens.clip_polygon(lens.to_camera(sheet.points_enu_m))
    return [Polygon(outline, rgba(sheet.colour, sheet.alpha))] if len(outline) else []


def _lines(lens: Lens, strokes: list[Strokes], lines: list[Line], steps: Array) -> tuple[list[Primitive], Pieces]:
    """All strokes and lines, projected and clipped in one go, a row of NaN between the lines. `steps`: minus the solids' depths, rising."""
    gap = np.full((1, 3), np.nan)
    points = lens.to_camera(np.concatenate([gap, *(rows for line in lines for rows in (line.points_enu_m, gap))]))
    flat_ends = np.concatenate([np.empty((0, 2, 3)), *(item.ends_enu_m for item in strokes)]).reshape(-1, 3)
    ends = lens.to_camera(flat_ends).reshape(-1, 2, 3)
    n = len(points) - 1
    start, stop, is_seen = lens.clip_segments(np.concatenate((points[:-1], ends[:, 0])), np.concatenate((points[1:], ends[:, 1])))
    grid = _strokes(strokes, np.stack((start[n:], stop[n:]), axis=1), is_seen[n:])
    first_of = np.cumsum([1] + [len(line.points_enu_m) + 1 for line in lines])
    is_space = np.repeat([False, *(line.layer == "space" for line in lines)], np.diff(first_of, prepend=0))[:n]
    slot = np.where(is_space, np.searchsorted(steps, -0.5 * (points[:-1, 2] + points[1:, 2])), 0)
    return grid, _runs(lines, first_of, start[:n], stop[:n], is_seen[:n], slot)


def _strokes(strokes: list[Strokes], both_px: Array, is_seen: NDArray[np.bool_]) -> list[Primitive]:
    """One batch per alpha, faintest first."""
    batches: list[Primitive] = []
    first = 0
    for item in strokes:
        here = slice(first, first + len(item.alpha))
        first = here.stop
        seen = is_seen[here]
        for level, is_of_level in item.levels:
            drawn = both_px[here][seen & is_of_level]
            if len(drawn):
                batches.append(Segments(drawn, rgba(item.colour, level), item.width_px))
    return batches


def _runs(lines: list[Line], first_of: Index, start: Array, stop: Array, is_seen: NDArray[np.bool_], slot: Index) -> Pieces:
    """Joined stretches in one slot; those of a single solid stroke go together."""
    if not lines:
        return {}
    is_joined = is_seen[:-1] & is_seen[1:] & (slot[:-1] == slot[1:]) & (stop[:-1, 0] == start[1:, 0]) & (stop[:-1, 1] == start[1:, 1])
    bounds = np.concatenate(([0], np.flatnonzero(~is_joined) + 1, [len(start)]))
    i_line = np.searchsorted(first_of, bounds[:-1], side="right") - 1
    step = np.where(is_seen[:, None], stop - start, 0.0)
    along = np.concatenate(([0.0], np.cumsum(np.sqrt(step[:, 0] ** 2 + step[:, 1] ** 2))))
    pieces: Pieces = {}
    single: dict[tuple[str, int, int], list[Array]] = {}
    for k in np.flatnonzero(is_seen[bounds[:-1]]).tolist():
        first, last, line = bounds[k], bounds[k + 1], lines[i_line[k]]
        place = (line.layer, int(slot[first]))
        if last == first + 1 and line.dash == "solid":
            single.setdefault((*place, int(i_line[k])), []).append(np.array((start[first], stop[first])))
            continue
        run = _thinned(np.concatenate((start[first : first + 1], stop[first:last])), along[first + 1 : last + 1] - along[first])
        pieces.setdefault(place, []).append(Polyline(run, rgba(line.colour, line.alpha), line.width_px, line.dash))
    for (layer, at, i), ends in single.items():
        line = lines[i]
        pieces.setdefault((layer, at), []).append(Segments(np.array(ends), rgba(line.colour, line.alpha), line.width_px))
    return pieces


def _thinned(points_px: Array, along_px: Array) -> Array:
    """A long polyline without the points that lie closer together than the eye can tell; `along_px` is the way to all but the first."""
    if len(points_px) < _MANY_POINTS:
        return points_px
    cell = (along_px / _THIN_PX).astype(np.intp)
    is_kept = np.ones(len(points_px), dtype=bool)
    is_kept[1:-1] = cell[1:] != cell[:-1]
    return np.asarray(points_px[is_kept])


def _field(text: Text) -> tuple[float, float, float, float]:
    """About the room a text takes: left, top, right, bottom. Without a font at hand a letter counts as six tenths of its height."""
    width, height = 0.6 * text.size_px * len(text.text), text.size_px
    left = text.x_px - {"left": 0.0, "centre": 0.5, "right": 1.0}[text.across] * width
    top = text.y_px - {"top": 0.0, "middle": 0.5, "bottom": 1.0}[text.down] * height
    return left, top, left + width, top + height


def _labels(
    lens: Lens, labels: list[Label], others: list[Label], taken: list[tuple[float, float, float, float]]
) -> dict[str, list[Primitive]]:
    """Texts by layer, of those that lie in the picture and not under a note (`taken`: their fields). Compass letters always stay.

    `others` are drawn elsewhere; a shy label keeps clear of them too.
    """
    if not labels:
        return {}
    both = (*labels, *others)
    points = lens.to_camera(np.array([label.point_enu_m for label in both]))
    is_before = points[:, 2] > lens.near_m
    px = lens.to_px(np.where(is_before[:, None], points, 1.0))
    is_seen = is_before & (px >= 0.0).all(axis=1) & (px <= [lens.width_px, lens.height_px]).all(axis=1)
    px += np.array([label.offset_px for label in both])
    texts: dict[str, list[Primitive]] = {}
    kept = [(label, Text(x, y, label.text, label.size_px, rgba(label.colour), label.across, label.down, label.is_bold))
            for label, (x, y), seen in zip(both, px.tolist(), is_seen.tolist(), strict=True) if seen]  # fmt: skip
    for label, text in kept[: sum(is_seen[: len(labels)].tolist())]:
        left, top, right, bottom = _field(text)
        if label.layer != "ground" and any(left < r and right > le and top < b and bottom > t for le, t, r, b in taken):
            continue
        shy = [other for neighbour, other in kept if other is not text and neighbour.is_shy] if label.is_shy else []
        near = 1.3 * text.size_px
        if not any(abs(other.x_px - text.x_px) < near and abs(other.y_px - text.y_px) < near for other in shy):
            texts.setdefault(label.layer, []).append(text)
    return texts


def _note(lens: Lens, note: Note) -> list[Primitive]:
    """Rows in a corner, with a sample of the line before the text of a key."""
    margin, step = note.size_px, note.line_step * note.size_px
    is_left, is_top = "left" in note.corner, "top" in note.corner
    x = margin if is_left else lens.width_px - margin
    top = margin if is_top else lens.height_px - margin - step * len(note.rows)
    shapes: list[Primitive] = []
    for i, row in enumerate(note.rows):
        y = top + (i + 0.5) * step
        indent = 0.0
        if row.key is not None:
            colour, dash = row.key
            length = 2.6 * note.size_px
            begin = x if is_left else x - length
            shapes.append(Polyline(np.array([[begin, y], [begin + length, y]]), rgba(colour), 2.0, dash))
            indent = length + 0.6 * note.size_px
        at = x + indent if is_left else x - indent
        shapes.append(Text(at, y, row.text, note.size_px, rgba(row.colour), "left" if is_left else "right", "middle", row.is_bold))
    return shapes
