"""What stands still round the vehicle: ground with grid and compass letters, the plumb line at the pad, the level compass ring."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from replay.scene.camera import Stage
from replay.scene.mesh import bob
from replay.scene.scene import Item, Label, Line, Sheet, Solid, Strokes

Array = NDArray[np.float64]

_GROUND, _GRID, _INK = "#EEF1EA", "#8C9688", "#5F6A5C"
_N_FADES = 5
_COMPASS = (("N", 0.0, 1.0), ("E", 1.0, 0.0), ("S", 0.0, -1.0), ("W", -1.0, 0.0))


def round_step(wanted: float) -> float:
    """Largest of 1, 2, 5 × 10ⁿ that is not above `wanted`."""
    power = 10.0 ** math.floor(math.log10(max(wanted, 1e-9)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= wanted * (1.0 + 1e-12))


def grid_step_m(stage: Stage) -> float:
    """Grid spacing of the wide cameras."""
    return round_step(stage.extent_m / 6.0)


def _plate(stage: Stage) -> tuple[Array, float]:
    """Middle and radius of the drawn ground, which holds the paths' shadows and the pad."""
    east, north, _ = stage.middle_enu_m
    low, high = stage.low_enu_m, stage.high_enu_m
    reach = 0.5 * math.hypot(high[0] - low[0], high[1] - low[1])
    return np.array([east, north, 0.0]), max(1.15 * reach, 0.4 * stage.extent_m)


@lru_cache(maxsize=8)
def still_items(stage: Stage, *, is_wide: bool, text_px: float) -> tuple[Item, ...]:
    """Ground and plumb line of a stage: the same in every frame."""
    return (*ground(stage, is_wide=is_wide, text_px=text_px), *plumb_line(stage, is_wide=is_wide, text_px=text_px))


def ground(stage: Stage, *, is_wide: bool, text_px: float) -> list[Item]:
    """A round plate with a grid that fades outwards; near the vehicle, a plain that reaches the horizon with a coarser grid on it."""
    step, (middle, radius) = grid_step_m(stage), _plate(stage)
    plain = radius if is_wide else 60.0 * max(stage.extent_m, 100.0)
    items: list[Item] = [Sheet(middle + _circle(plain, 72 if is_wide else 16), _GROUND)]
    items.append(_grid(step, middle, radius, 0.75))
    if not is_wide:
        items.append(_grid(10.0 * step, middle, 8.0 * 10.0 * step, 0.5))
    letter_px = 1.25 * text_px
    if is_wide:
        items.append(Line(middle + _circle(radius, 72), _GRID, 1.0, "solid", 0.9, "ground"))
    for name, east, north in _COMPASS:
        point = middle + 1.07 * radius * np.array([east, north, 0.0])
        items.append(Label(point, name, letter_px, _INK, is_bold=name == "N", layer="ground", is_shy=True))
    pad = 0.05 * step if is_wide else 0.5 * stage.vehicle_m
    items.append(Line(_circle(pad, 72), _INK, 1.0, "solid", 1.0, "ground"))
    return items


def _circle(radius_m: float, n: int) -> Array:
    angle = 2.0 * np.pi * np.arange(n + 1) / n
    return radius_m * np.stack((np.cos(angle), np.sin(angle), np.zeros_like(angle)), axis=-1)


def _grid(step_m: float, middle_enu_m: Array, radius_m: float, alpha: float) -> Strokes:
    """Lines both ways through the pad's grid, cut to a circle and into pieces that fade towards its edge."""
    share = np.linspace(-1.0, 1.0, 9)
    lines = []
    for axis in (0, 1):
        low, high = middle_enu_m[axis] - radius_m, middle_enu_m[axis] + radius_m
        at = step_m * np.arange(math.ceil(low / step_m), math.floor(high / step_m) + 1)
        half = np.sqrt(np.maximum(radius_m**2 - (at - middle_enu_m[axis]) ** 2, 0.0))
        points = np.zeros((len(at), len(share), 3))
        points[:, :, axis] = at[:, None]
        points[:, :, 1 - axis] = middle_enu_m[1 - axis] + half[:, None] * share
        lines.append(points)
    both = np.concatenate(lines)
    ends = np.stack((both[:, :-1], both[:, 1:]), axis=2).reshape(-1, 2, 3)
    away = np.linalg.norm(ends.mean(axis=1) - middle_enu_m, axis=1) / radius_m
    level = np.ceil(_N_FADES * np.clip(1.12 - away, 0.1, 1.0)) / _N_FADES
    return Strokes(ends, np.round(alpha * level, 3), _GRID)


def plumb_line(stage: Stage, *, is_wide: bool, text_px: float) -> list[Item]:
    """A vertical line over the pad with a bob whose point touches it, and in the wide cameras a scale of heights.

    A reference, so drawn before the solids: it never runs across the vehicle.
    """
    top = max(stage.high_enu_m[2], 3.0 * stage.vehicle_m)
    step = round_step(max(top, 1e-6) / 2.5)
    size = 0.028 * stage.extent_m if is_wide else 0.28 * stage.vehicle_m
    hang = 1.04 * top
    points = np.zeros((49, 3))
    points[:, 2] = np.linspace(size, hang, 49)
    items: list[Item] = [Line(points, "#3C434C", 1.0, layer="behind"), Solid((bob(size),), is_first=True)]
    if is_wide:
        tick = 0.012 * stage.extent_m
        heights = np.arange(step, hang, step)
        ticks = np.full((len(heights), 3, 3), np.nan)
        for k, height in enumerate(heights):
            ticks[k, :2] = [[-tick, 0.0, height], [tick, 0.0, height]]
            items.append(Label(ticks[k, 0], f"{height:g} m", text_px, _INK, (-0.4 * text_px, 0.0), "right", layer="behind", is_shy=True))
        items.append(Line(ticks.reshape(-1, 3), "#3C434C", 1.0, layer="behind"))
    return items


def drop_line(pos_enu_m: Array, cross_m: float, colour: str) -> list[Item]:
    """From the vehicle straight down to a cross on the ground: places it in depth."""
    foot = np.array([pos_enu_m[0], pos_enu_m[1], 0.0])
    items: list[Item] = []
    if pos_enu_m[2] > cross_m:
        share = np.linspace(0.0, 1.0, 17)[:, None]
        items.append(Line(pos_enu_m + share * (foot - pos_enu_m), colour, 1.0, "dotted", 0.8))
    cross = foot + cross_m * np.array([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [np.nan, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 1.0, 0.0]])
    return [*items, Line(cross, colour, 1.0, "solid", 0.9, "ground")]


@lru_cache(maxsize=1)
def _ring() -> Array:
    """A circle of radius 1 with its ticks inwards, a row of NaN between, shape (n, 3)."""
    azimuth = np.radians(30.0 * np.arange(12))
    out = np.stack((np.sin(azimuth), np.cos(azimuth), np.zeros(12)), axis=-1)
    inner = np.where(np.arange(12) % 3 == 0, 0.93, 0.965)[:, None] * out
    ticks = np.stack((inner, out, np.full_like(out, np.nan)), axis=1).reshape(-1, 3)
    return np.concatenate((_circle(1.0, 72), np.full((1, 3), np.nan), ticks))


def compass_ring(middle_enu_m: Array, radius_m: float, text_px: float) -> list[Item]:
    """A level ring round the vehicle's middle with a tick every 30° and compass letters: what is level, and which way it faces."""
    items: list[Item] = [Line(middle_enu_m + radius_m * _ring(), "#6A727C")]
    for name, east, north in _COMPASS:
        direction = np.array([east, north, 0.0])
        items.append(Label(middle_enu_m + 1.09 * radius_m * direction, name, text_px, "#4A515A", is_bold=name == "N", layer="behind"))
    return items
