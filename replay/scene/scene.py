"""Scene: what there is to draw at one instant, in enu metres, with no idea of camera or pixels."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from replay.scene.mesh import Part

Array = NDArray[np.float64]

Layer = Literal["ground", "behind", "space", "over"]
"""ground: under everything · behind: before any solid · space: sorted by depth among the solids · over: after everything."""
Corner = Literal["top left", "top right", "bottom left", "bottom right"]
Dash = Literal["solid", "dashed", "dotted", "dashdot", "long", "dash two dots", "short and far", "long and short", "pairs"]
"""A name in `palette.DASHES`."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """A filled flat polygon, shape (n, 3); always in the ground layer."""

    points_enu_m: Array
    colour: str
    alpha: float = 1.0


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline, shape (n, 3)."""

    points_enu_m: Array
    colour: str
    width_px: float = 1.0
    dash: Dash = "solid"
    alpha: float = 1.0
    layer: Layer = "space"


@dataclass(frozen=True, eq=False)
class Strokes:
    """Many separate short lines of one colour, shape (n, 2, 3), each with its own alpha (n,); always in the ground layer."""

    ends_enu_m: Array
    alpha: Array
    colour: str
    width_px: float = 1.0

    @cached_property
    def levels(self) -> list[tuple[float, NDArray[np.bool_]]]:
        """Every alpha there is, rising, and which lines have it."""
        return [(level, self.alpha == level) for level in np.unique(self.alpha).tolist()]


@dataclass(frozen=True, eq=False)
class Solid:
    """Convex parts, the body first; the others say by their plane on which side of it they lie. Translucent where alpha < 1.

    `edge` and `edge_dash` are the outline's, `glow` an unshaded tint (colour, share) laid over the parts' own colours; `is_first` draws it
    before the other solids whatever the depth (two that stand in the same place have no order).
    """

    parts: tuple[Part, ...]
    alpha: float = 1.0
    edge: str = "#23272E"
    edge_width_px: float = 1.0
    edge_dash: Dash = "solid"
    glow: tuple[str, float] | None = None
    is_first: bool = False


@dataclass(frozen=True, eq=False)
class Label:
    """Text pinned to a point; (x, y) offset in px, y down; `across` and `down` say which part of the text is pinned.

    `is_shy`: left out where another shy label would come to lie on it (compass letters seen edge-on, heights seen from above).
    """

    point_enu_m: Array
    text: str
    size_px: float = 12.0
    colour: str = "#333333"
    offset_px: tuple[float, float] = (0.0, 0.0)
    across: Literal["left", "centre", "right"] = "centre"
    down: Literal["top", "middle", "bottom"] = "middle"
    is_bold: bool = False
    layer: Layer = "over"
    is_shy: bool = False


@dataclass(frozen=True)
class Row:
    """One line of a note; `key` draws a short sample of a line (colour, dash) before the text, as in a legend."""

    text: str
    colour: str = "#2B2F36"
    is_bold: bool = False
    key: tuple[str, Dash] | None = None


@dataclass(frozen=True)
class Note:
    """Rows of text in a corner of the picture."""

    corner: Corner
    rows: tuple[Row, ...]
    size_px: float = 12.0
    line_step: float = 1.5
    """From row to row, in heights of the text."""


Item = Sheet | Line | Strokes | Solid | Label | Note


@dataclass(frozen=True, eq=False)
class Scene:
    """Items, and the colour behind them; None leaves the background transparent.

    `still` holds items that are the same objects from one instant to the next: what lies on the ground is drawn from them first, and kept
    for as long as the camera stands still too. `left_px` of the picture is left to the notes: the flight is drawn right of it.
    """

    items: tuple[Item, ...]
    background: str | None = "#FBFCFD"
    still: tuple[Item, ...] = ()
    left_px: float = 0.0
