"""The 3D picture inside a matplotlib figure: the same draw list as on screen, as vector shapes with text kept as text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from replay.figures.style import DASHES
from replay.scene.drawlist import DrawList, Facets, Polygon, Polyline, Primitive, Rgba, Segments, Text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ACROSS = {"left": "left", "centre": "center", "right": "right"}
_DOWN = {"top": "top", "middle": "center_baseline", "bottom": "bottom"}


def draw_on_axes(axes: Axes, draw_list: DrawList, *, pt_per_px: float = 0.75) -> None:
    """Draw a picture on axes of its own, in drawing order.

    Parameters
    ----------
    axes : matplotlib Axes
        Its limits become the picture's pixels, its frame is switched off and its aspect is kept.
    draw_list : DrawList
    pt_per_px : float
        Points for one pixel of line width and text size. With a picture of `size_px` = size of the axes in points / `pt_per_px`,
        lines and text come out as large as they are drawn.
    """
    width, height = draw_list.size_px
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.set_aspect("equal")
    axes.set_axis_off()
    if draw_list.background is not None:
        axes.add_patch(_patch(axes, [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)], draw_list.background))
    for i, shape in enumerate(draw_list.shapes):
        _draw(axes, shape, zorder=1.0 + 1e-3 * i, pt_per_px=pt_per_px)


def _draw(axes: Axes, shape: Primitive, *, zorder: float, pt_per_px: float) -> None:
    from matplotlib.collections import LineCollection, PolyCollection
    from matplotlib.lines import Line2D

    if isinstance(shape, Text):
        weight = "bold" if shape.is_bold else "normal"
        axes.text(
            shape.x_px, shape.y_px, shape.text, fontsize=shape.size_px * pt_per_px, color=_colour(shape.colour), weight=weight,
            ha=_ACROSS[shape.across], va=_DOWN[shape.down], zorder=zorder, clip_on=True,
        )  # fmt: skip
    elif isinstance(shape, Polyline):
        x, y = shape.points_px.T
        dash: Any = DASHES[shape.dash]
        axes.add_line(Line2D(x, y, linewidth=shape.width_px * pt_per_px, linestyle=dash, color=_colour(shape.colour), zorder=zorder))
    elif isinstance(shape, Segments):
        axes.add_collection(
            LineCollection(list(shape.points_px), linewidths=shape.width_px * pt_per_px, colors=[_colour(shape.colour)], zorder=zorder),
            autolim=False,
        )
    elif isinstance(shape, Facets):
        axes.add_collection(
            PolyCollection(list(shape.points_px), facecolors=shape.fill / 255.0, edgecolors="none", zorder=zorder), autolim=False
        )
    elif isinstance(shape, Polygon):
        patch = _patch(axes, shape.points_px.tolist(), shape.fill, shape.edge, shape.edge_width_px * pt_per_px)
        patch.set_linestyle(DASHES[shape.edge_dash])
        patch.set_zorder(zorder)
        axes.add_patch(patch)


def _patch(axes: Axes, points, fill: Rgba | None, edge: Rgba | None = None, width_pt: float = 0.0):  # type: ignore[no-untyped-def]
    from matplotlib.patches import Polygon as Outline

    face = _colour(fill) if fill is not None else "none"
    return Outline(points, closed=True, facecolor=face, edgecolor=_colour(edge) if edge is not None else "none", linewidth=width_pt)


def _colour(colour: Rgba) -> tuple[float, float, float, float]:
    red, green, blue, alpha = colour
    return red / 255.0, green / 255.0, blue / 255.0, alpha / 255.0
