"""Our emblem: a plumb line beside a vehicle that leans a little. One drawing for window icon, slate and files."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.scene.drawlist import DrawList, Polygon, Polyline, Primitive, rgba
from replay.scene.palette import ORANGE

Array = NDArray[np.float64]

_GROUND, _CHALK, _SHADE = rgba("#12344D"), rgba("#FFFFFF"), rgba("#BFD3E0")
_LEAN_RAD = 0.24


def emblem(size_px: int) -> DrawList:
    """A square picture with rounded corners, transparent outside them."""
    scale = size_px / 64.0
    shapes: list[Primitive] = [Polygon(_rounded_square(64.0, 13.0) * scale, _GROUND)]
    for outline, fill in _vehicle():
        shapes.append(Polygon(outline * scale, fill))
    shapes.extend(plumb_bob(21.0 * scale, 7.0 * scale, 49.0 * scale, _CHALK))
    return DrawList((size_px, size_px), tuple(shapes), None)


def plumb_bob(x_px: float, top_px: float, length_px: float, line: tuple[int, int, int, int]) -> list[Primitive]:
    """A line hanging from (x, top) with its bob's point `length_px` below."""
    bob = length_px * np.array([[0.0, 1.0], [0.115, 0.76], [0.115, 0.69], [0.035, 0.62], [-0.035, 0.62], [-0.115, 0.69], [-0.115, 0.76]])
    hang = np.array([[x_px, top_px], [x_px, top_px + 0.63 * length_px]])
    return [Polyline(hang, line, max(1.0, 0.045 * length_px)), Polygon(bob + [x_px, top_px], rgba(ORANGE))]


def _rounded_square(side: float, radius: float) -> Array:
    angle = np.linspace(0.0, 0.5 * np.pi, 9)
    corner = radius * np.stack((np.cos(angle), np.sin(angle)), axis=-1)
    middle = 0.5 * side
    quarter = corner + (middle - radius)
    turns = [np.array([[c, -s], [s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    return np.concatenate([quarter @ turn.T for turn in turns]) + middle


def _vehicle() -> list[tuple[Array, tuple[int, int, int, int]]]:
    """Nozzle, fins, body and nose of a slender vehicle, upright about its middle, then leaned and put in place."""
    nose = np.array([[0.0, -27.0], [2.4, -21.0], [3.8, -14.0], [4.0, -11.0], [-4.0, -11.0], [-3.8, -14.0], [-2.4, -21.0]])
    body = np.array([[-4.0, -11.5], [4.0, -11.5], [4.0, 20.0], [-4.0, 20.0]])
    fins = np.array([[-4.0, 8.0], [-10.0, 17.0], [-10.0, 23.0], [-4.0, 20.0], [4.0, 20.0], [10.0, 23.0], [10.0, 17.0], [4.0, 8.0]])
    nozzle = np.array([[-2.0, 20.0], [2.0, 20.0], [3.2, 25.0], [-3.2, 25.0]])
    cos, sin = np.cos(_LEAN_RAD), np.sin(_LEAN_RAD)
    turn = np.array([[cos, -sin], [sin, cos]])
    return [
        (part @ turn.T + [42.0, 33.0], fill) for part, fill in ((nozzle, _SHADE), (fins, _SHADE), (body, _CHALK), (nose, rgba("#56B4E9")))
    ]
