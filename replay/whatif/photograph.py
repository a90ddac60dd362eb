"""What a line drawn along the vehicle in a picture says of where its nose pointed.

A line in a picture and the camera's centre span a plane, and the vehicle's long axis lies in it: how far the nose leans towards the
camera or away stays open. Every such plane is a one-view `Sighting`: its tilt and tilt azimuth are those of the steepest direction in
the plane. With a level camera and the vehicle in the middle of the picture that is just the angle in the picture, to the side it leans.

References
----------
.. [1] P. R. Wolf, B. A. Dewitt, B. E. Wilkinson, Elements of Photogrammetry, 4th ed., McGraw-Hill, 2014: the collinearity condition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import SettingsError
from replay.units import DEG
from replay.whatif.evidence import Sighting

Array = NDArray[np.float64]
Point = tuple[float, float]
"""In pixels from the picture's upper left corner, x to the right, y down."""

DEFAULT_SD_RAD: Final = 1.5 * DEG
"""Of a lean read off a hand-held picture (common practice, no source)."""
_LEVEL_PLANE = 1e-9


@dataclass(frozen=True)
class Camera:
    """Where a camera looked.

    Parameters
    ----------
    width_px, height_px : float
        Of the picture.
    azimuth_rad : float
        Direction it looked towards, clockwise from true north.
    elevation_rad : float
        Of the line of sight above level.
    roll_rad : float
        How far it was turned clockwise about the line of sight, as the photographer sees it (the right-hand side goes down).
    view_rad : float or None
        Angle of view across the picture's width. None: the line is taken to stand in the middle of the picture.
    """

    width_px: float
    height_px: float
    azimuth_rad: float
    elevation_rad: float = 0.0
    roll_rad: float = 0.0
    view_rad: float | None = None


def sighting_from_line(tail_px: Point, nose_px: Point, camera: Camera, time_s: float, sd_rad: float = DEFAULT_SD_RAD) -> Sighting:
    """The one-view sighting of a line drawn from the vehicle's tail to its nose.

    Parameters
    ----------
    tail_px, nose_px : (x, y)
    camera : Camera
    time_s : float
        After liftoff.
    sd_rad : float
        One standard deviation of the angle in the picture.

    Raises
    ------
    SettingsError
        The two points are one.
    """
    normal = _world_from_camera(camera) @ _plane(tail_px, nose_px, camera)
    normal = normal if normal[2] <= 0.0 else -normal
    level = math.hypot(normal[0], normal[1])
    tilt = math.atan2(-float(normal[2]), level)
    along = np.array([nose_px[0] - tail_px[0], tail_px[1] - nose_px[1], 0.0])
    line = _world_from_camera(camera) @ along
    if level > _LEVEL_PLANE:
        side = normal[:2] / level
        steepest = np.array([math.sin(tilt) * side[0], math.sin(tilt) * side[1], math.cos(tilt)])
        if float(line @ steepest) < 0.0:
            side, tilt = -side, math.pi - tilt
    else:  # a level plane: every level nose lies in it
        side = line[:2]
    return Sighting(tilt, math.atan2(side[0], side[1]) % (2.0 * math.pi), sd_rad, time_s, is_one_view=True)


def roll_of_plumb_line(low_px: Point, high_px: Point, camera: Camera) -> float:
    """Roll of the camera in whose picture this line, drawn upwards, is a plumb line; the camera's own roll is not looked at.

    Raises
    ------
    SettingsError
        The two points are one, or no roll makes the line plumb (a camera that looks straight up or down).
    """
    right, up, ahead = (float(v) for v in _plane(low_px, high_px, camera))
    # the plane holds the vertical: cos(elevation) (up cos(roll) − right sin(roll)) + sin(elevation) ahead = 0
    wanted = -math.tan(camera.elevation_rad) * ahead / math.hypot(right, up)
    if abs(wanted) > 1.0:
        raise SettingsError("photograph", "plumb line", "a line that can be vertical with the camera's elevation", "one that can't")
    whole = math.atan2(right, up)
    rolls = [_half_turn(s * math.acos(wanted) - whole) for s in (1.0, -1.0)]
    drawn = math.atan2(high_px[0] - low_px[0], low_px[1] - high_px[1])
    return min(rolls, key=lambda roll: abs(_half_turn(roll + drawn)))


def roll_of_horizon(left_px: Point, right_px: Point, camera: Camera) -> float:
    """Roll of the camera in whose picture this line, drawn from left to right, is the horizon.

    Raises
    ------
    SettingsError
        The two points are one.
    """
    right, up, _ = (float(v) for v in _plane(left_px, right_px, camera))
    return _half_turn(math.atan2(right, -up))


def _plane(start_px: Point, end_px: Point, camera: Camera) -> Array:
    """Unit normal of the plane through a line and the camera's centre: right, up and ahead of the camera."""
    if math.hypot(end_px[0] - start_px[0], end_px[1] - start_px[1]) < 1e-6:
        raise SettingsError("photograph", "line", "two points apart", "one point")
    x, y = end_px[0] - start_px[0], start_px[1] - end_px[1]
    ahead = 0.0
    if camera.view_rad is not None:
        focal_px = 0.5 * camera.width_px / math.tan(0.5 * camera.view_rad)
        right, up = start_px[0] - 0.5 * camera.width_px, 0.5 * camera.height_px - start_px[1]
        ahead = (right * y - up * x) / focal_px
    normal = np.array([y, -x, -ahead])
    return np.asarray(normal / np.linalg.norm(normal))


def _world_from_camera(camera: Camera) -> Array:
    """Columns: right, up and ahead of the camera in enu, shape (3, 3)."""
    azimuth, elevation, roll = camera.azimuth_rad, camera.elevation_rad, camera.roll_rad
    right = np.array([math.cos(azimuth), -math.sin(azimuth), 0.0])
    ahead = np.array([math.sin(azimuth) * math.cos(elevation), math.cos(azimuth) * math.cos(elevation), math.sin(elevation)])
    up = np.cross(right, ahead)
    turned = math.cos(roll) * right - math.sin(roll) * up, math.sin(roll) * right + math.cos(roll) * up
    return np.stack((*turned, ahead), axis=1)


def _half_turn(angle_rad: float) -> float:
    """Within half a turn of zero."""
    return (angle_rad + math.pi) % (2.0 * math.pi) - math.pi
