"""Draw list: flat shapes in pixels, in drawing order, that any painter can draw."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from replay.scene.palette import rgb
from replay.scene.scene import Dash

Array = NDArray[np.float64]
Rgba = tuple[int, int, int, int]


@dataclass(frozen=True, eq=False)
class Polygon:
    """Filled and outlined flat shape, points (k, 2) in px."""

    points_px: Array
    fill: Rgba | None
    edge: Rgba | None = None
    edge_width_px: float = 1.0
    edge_dash: Dash = "solid"


@dataclass(frozen=True, eq=False)
class Facets:
    """Four-cornered faces without outline, points (k, 4, 2) in px, fill (k, 4) as red, green, blue, alpha from 0 to 255."""

    points_px: Array
    fill: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Polyline:
    """Points (n, 2) in px."""

    points_px: Array
    colour: Rgba
    width_px: float
    dash: Dash = "solid"


@dataclass(frozen=True, eq=False)
class Segments:
    """Separate lines of one colour, points (n, 2, 2) in px."""

    points_px: Array
    colour: Rgba
    width_px: float


@dataclass(frozen=True)
class Text:
    """Text pinned at a pixel."""

    x_px: float
    y_px: float
    text: str
    size_px: float
    colour: Rgba
    across: Literal["left", "centre", "right"] = "left"
    down: Literal["top", "middle", "bottom"] = "middle"
    is_bold: bool = False


Primitive = Polygon | Facets | Polyline | Segments | Text


@dataclass(frozen=True, eq=False)
class DrawList:
    """Shapes in drawing order, the picture's size in px, and the colour behind them (None: transparent).

    `still` are the first of the shapes: the very same object in the next picture where nothing of them has changed.
    """

    size_px: tuple[int, int]
    shapes: tuple[Primitive, ...]
    background: Rgba | None
    still: tuple[Primitive, ...] = ()

    def split(self) -> tuple[DrawList, DrawList]:
        """What stands still, on the background, and what is drawn over it."""
        rest = self.shapes[len(self.still) :]
        return DrawList(self.size_px, self.still, self.background), DrawList(self.size_px, rest, None)


@lru_cache(maxsize=256)
def rgba(colour: str, alpha: float = 1.0) -> Rgba:
    """Bytes red, green, blue, alpha of "#RRGGBB"."""
    red, green, blue = rgb(colour)
    return round(255 * red), round(255 * green), round(255 * blue), round(255 * alpha)


def to_paths(draw_list: DrawList) -> list[Polygon | Polyline | Text]:
    """The same picture as single polygons, polylines and texts in drawing order, for a painter that knows no batches."""
    paths: list[Polygon | Polyline | Text] = []
    for shape in draw_list.shapes:
        if isinstance(shape, Facets):
            for points, fill in zip(shape.points_px, shape.fill, strict=True):
                red, green, blue, alpha = (int(v) for v in fill)
                paths.append(Polygon(points, (red, green, blue, alpha)))
        elif isinstance(shape, Segments):
            paths.extend(Polyline(points, shape.colour, shape.width_px) for points in shape.points_px)
        else:
            paths.append(shape)
    return paths
