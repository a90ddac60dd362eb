"""Lens: enu metres to picture pixels, with clipping to the near plane and to the picture's surroundings. Pure NumPy."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from replay.scene.camera import Camera

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_GUARD_PX = 64.0
"""Lines are cut this far outside the picture: dashing a line of a million pixels would stall any painter."""


class Lens:
    """One camera looking through a picture of one size.

    Camera coordinates are right, up and depth (distance along the line of sight, positive before the eye). What the camera looks at
    lies in the middle of the picture, or of what is right of `left_px`.
    """

    def __init__(self, camera: Camera, size_px: tuple[int, int], left_px: float = 0.0) -> None:
        self.width_px, self.height_px = size_px
        self.axes_enu = camera.axes_enu()
        self.eye_enu_m = camera.eye_enu_m()
        self.is_flat = camera.lens_rad <= 0.0
        self._centre = np.array([0.5 * (self.width_px + left_px), 0.5 * self.height_px])
        if self.is_flat:
            self._scale = self.height_px / camera.view_height_m
            self.near_m = -math.inf
        else:
            self._scale = self.height_px / (2.0 * math.tan(0.5 * camera.lens_rad))
            self.near_m = 0.02 * camera.distance_m

    def to_camera(self, points_enu_m: Array) -> Array:
        """Shape (..., 3) to (..., 3): right, up, depth in metres."""
        return np.asarray((points_enu_m - self.eye_enu_m) @ self.axes_enu.T)

    def to_px(self, points_camera_m: Array) -> Array:
        """Shape (..., 3) to (..., 2): x right, y down from the picture's upper left corner. Depth must be beyond the near plane."""
        flat = points_camera_m[..., :2] * np.array([self._scale, -self._scale])
        if not self.is_flat:
            flat = flat / points_camera_m[..., 2:]
        return np.asarray(flat + self._centre)

    def clip_segments(self, start_camera_m: Array, stop_camera_m: Array) -> tuple[Array, Array, Mask]:
        """Cut segments (n, 3) to what lies before the eye and near the picture.

        Returns
        -------
        start_px, stop_px : ndarray, shape (n, 2)
        is_seen : ndarray of bool, shape (n,)
            Where False the other two say nothing.
        """
        start, stop = start_camera_m, stop_camera_m
        is_seen: Mask = np.isfinite((start + stop) @ np.ones(3))
        if not self.is_flat:
            before_start, before_stop = start[:, 2] > self.near_m, stop[:, 2] > self.near_m
            is_seen &= before_start | before_stop
            start, stop = _cut_near(start, stop, is_seen & ~before_start, is_seen & ~before_stop, self.near_m)
        with np.errstate(invalid="ignore", divide="ignore"):
            start_px, stop_px = self.to_px(start), self.to_px(stop)
        low, high = self._guard()
        both_px = np.concatenate((start_px, stop_px))
        below, above = both_px < low, both_px > high
        is_out = (below[:, 0] | below[:, 1] | above[:, 0] | above[:, 1]).reshape(2, -1)
        if not (is_seen & (is_out[0] | is_out[1])).any():
            return start_px, stop_px, is_seen
        n = len(start_px)
        is_beside = (below[:n] & below[n:]) | (above[:n] & above[n:])
        is_seen &= ~(is_beside[:, 0] | is_beside[:, 1])
        i = np.flatnonzero(is_seen & (is_out[0] | is_out[1]))
        start_px[i], stop_px[i], is_seen[i] = _clip_to_box(start_px[i], stop_px[i], low, high)
        return start_px, stop_px, is_seen

    def clip_polygon(self, points_camera_m: Array) -> Array:
        """Cut a polygon (k, 3) to what lies before the eye and near the picture; its outline in px, shape (m, 2), m may be 0."""
        points = points_camera_m
        if not self.is_flat and (points[:, 2] <= self.near_m).any():
            points = np.reshape(cut_by_half_space(points.tolist(), (points[:, 2] - self.near_m).tolist()), (-1, 3))
        if len(points) < 3:
            return np.empty((0, 2))
        whole = self.to_px(points)
        low, high = self._guard()
        if ((whole > low) & (whole < high)).all():
            return whole
        flat = whole.tolist()
        for axis, length_px in ((0, self.width_px), (1, self.height_px)):
            flat = cut_by_half_space(flat, [point[axis] + _GUARD_PX for point in flat])
            flat = cut_by_half_space(flat, [length_px + _GUARD_PX - point[axis] for point in flat])
        return np.array(flat) if len(flat) >= 3 else np.empty((0, 2))

    def _guard(self) -> tuple[Array, Array]:
        return np.array([-_GUARD_PX, -_GUARD_PX]), np.array([self.width_px + _GUARD_PX, self.height_px + _GUARD_PX])


def _cut_near(start: Array, stop: Array, start_behind: Mask, stop_behind: Mask, near_m: float) -> tuple[Array, Array]:
    """Ends in camera coordinates (n, 3), those that lie behind the near plane moved onto it."""
    cut = np.flatnonzero(start_behind | stop_behind)
    if not len(cut):
        return start, stop
    first, along = start[cut], stop[cut] - start[cut]
    point = first + ((near_m - first[:, 2]) / along[:, 2])[:, None] * along
    point[:, 2] = near_m
    start, stop = start.copy(), stop.copy()
    start[cut] = np.where(start_behind[cut, None], point, first)
    stop[cut] = np.where(stop_behind[cut, None], point, stop[cut])
    return start, stop


def _clip_to_box(start_px: Array, stop_px: Array, low: Array, high: Array) -> tuple[Array, Array, Mask]:
    """Parametric (Liang and Barsky) cut of segments (n, 2) to a box."""
    along = stop_px - start_px
    safe = np.where(along == 0.0, 1.0, along)
    first, second = (low - start_px) / safe, (high - start_px) / safe
    is_parallel = along == 0.0
    is_out = is_parallel & ((start_px < low) | (start_px > high))
    enter = np.where(is_parallel, 0.0, np.minimum(first, second)).max(axis=1).clip(min=0.0)
    leave = np.where(is_parallel, 1.0, np.maximum(first, second)).min(axis=1).clip(max=1.0)
    is_seen = ~is_out.any(axis=1) & (enter < leave)
    begin = np.where((enter > 0.0)[:, None], start_px + enter[:, None] * along, start_px)
    end = np.where((leave < 1.0)[:, None], start_px + leave[:, None] * along, stop_px)
    return begin, end, is_seen


def cut_by_half_space(points: list[list[float]], height: list[float]) -> list[list[float]]:
    """Part of a polygon of k points where `height` (k,) is positive (Sutherland and Hodgman). Plain floats: k is a few dozen at most."""
    if not height or min(height) > 0.0:
        return points
    kept: list[list[float]] = []
    for i, here in enumerate(height):
        after, following = height[(i + 1) % len(points)], points[(i + 1) % len(points)]
        if here > 0.0:
            kept.append(points[i])
        if (here > 0.0) != (after > 0.0):
            share = here / (here - after)
            kept.append([a + share * (b - a) for a, b in zip(points[i], following, strict=True)])
    return kept


def outlines_of(points: Array, shape_of: NDArray[np.intp]) -> Array:
    """Points on the rims of convex shapes, shape (n, 2), in order round the middle of each; `shape_of` (n,) numbers the shapes, rising."""
    size = np.maximum(np.bincount(shape_of), 1)
    middle = np.stack([np.bincount(shape_of, points[:, axis]) / size for axis in (0, 1)], axis=-1)
    away = points - middle[shape_of]
    return np.asarray(points[np.lexsort((np.arctan2(away[:, 1], away[:, 0]), shape_of))])
