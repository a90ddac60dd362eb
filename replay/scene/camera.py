"""Cameras: where the eye stands, and how the user turns and zooms it. Pure values; nothing here knows of a widget.

A viewpoint is what the user chose (camera, turn, zoom); a camera is where that puts the eye at one instant of one flight. Axes of
every camera stay level with the horizon, so up on the picture is up at the site and a lean on the picture is a lean of the vehicle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from replay.units import DEG

Array = NDArray[np.float64]

CAMERAS = ("chase", "pad", "side", "top", "orbit")
"""chase: beside the vehicle, not turning with it · pad: a spectator's eye that follows the vehicle · side: elevation, east to the right,
no perspective · top: plan, north up, no perspective · orbit: round the whole flight."""

WIDE = frozenset({"pad", "side", "top", "orbit"})
"""Cameras that show the whole flight and draw the vehicle enlarged."""

_LONG_LENS_RAD = 18.0 * DEG
_WIDE_LENS_RAD = 34.0 * DEG
_PAD_LENS_RAD = 56.0 * DEG
_EYE_HEIGHT_M = 1.7
_LOWEST_RAD, _HIGHEST_RAD = 1.0 * DEG, 90.0 * DEG
_ZOOM_RANGE = (0.1, 20.0)


@dataclass(frozen=True)
class Camera:
    """An eye looking at a point.

    Parameters
    ----------
    target_enu_m : tuple of 3 floats
        The point in the middle of the picture.
    azimuth_rad : float
        Compass direction the eye looks towards, clockwise from north.
    elevation_rad : float
        How far the eye stands above the target's horizon; it looks down by as much.
    view_height_m : float
        Height of the visible window at the target's distance.
    lens_rad : float
        Vertical field of view; 0 is no perspective.
    is_wide : bool
        The vehicle is drawn enlarged.
    """

    target_enu_m: tuple[float, float, float]
    azimuth_rad: float
    elevation_rad: float
    view_height_m: float
    lens_rad: float = 0.0
    is_wide: bool = False

    @property
    def distance_m(self) -> float:
        """Eye to target; infinite without perspective."""
        return self.view_height_m / (2.0 * math.tan(0.5 * self.lens_rad)) if self.lens_rad > 0.0 else math.inf

    def axes_enu(self) -> Array:
        """Rows right, up, forward, shape (3, 3)."""
        sa, ca, se, ce = math.sin(self.azimuth_rad), math.cos(self.azimuth_rad), math.sin(self.elevation_rad), math.cos(self.elevation_rad)
        return np.array([[ca, -sa, 0.0], [sa * se, ca * se, ce], [sa * ce, ca * ce, -se]])

    def eye_enu_m(self) -> Array:
        """Where the eye stands; without perspective, a stand-in far behind everything drawn."""
        back = self.distance_m if self.lens_rad > 0.0 else 1e3 * self.view_height_m
        return np.asarray(np.asarray(self.target_enu_m) - back * self.axes_enu()[2])


@dataclass(frozen=True)
class Viewpoint:
    """What the user chose: a camera by name, turned about its target and zoomed."""

    name: str = "chase"
    turn_rad: float = 0.0
    raise_rad: float = 0.0
    zoom: float = 1.0

    def turned(self, turn_rad: float, raise_rad: float) -> Viewpoint:
        """Orbit: the eye moves clockwise seen from above, and up. Kept above the ground and short of going over the top."""
        home = _HOME[self.name]
        low, high = _LOWEST_RAD - home[1], _HIGHEST_RAD - home[1]
        return replace(
            self,
            turn_rad=math.remainder(self.turn_rad + turn_rad, 2.0 * math.pi),
            raise_rad=min(max(self.raise_rad + raise_rad, min(low, 0.0)), high),
        )

    def zoomed(self, factor: float) -> Viewpoint:
        """Magnify by `factor`, within limits."""
        return replace(self, zoom=min(max(self.zoom * factor, _ZOOM_RANGE[0]), _ZOOM_RANGE[1]))


# camera -> (azimuth looked towards, elevation, lens), rad
_HOME = {
    "chase": (20.0 * DEG, 12.0 * DEG, _LONG_LENS_RAD),
    "pad": (-25.0 * DEG, 3.0 * DEG, _PAD_LENS_RAD),
    "side": (0.0, 0.0, 0.0),
    "top": (0.0, 90.0 * DEG, 0.0),
    "orbit": (-30.0 * DEG, 22.0 * DEG, _WIDE_LENS_RAD),
}


@dataclass(frozen=True)
class Stage:
    """Bounds of what a wide camera has to hold, m.

    `low_enu_m` and `high_enu_m` are the corners of the box round pad and paths; `vehicle_m` the drawn vehicle's length at true size.
    """

    low_enu_m: tuple[float, float, float]
    high_enu_m: tuple[float, float, float]
    vehicle_m: float

    @property
    def middle_enu_m(self) -> tuple[float, float, float]:
        low, high = self.low_enu_m, self.high_enu_m
        return 0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), 0.5 * (low[2] + high[2])

    @property
    def extent_m(self) -> float:
        """Largest side of the box; at least a dozen vehicle lengths, so that a flight that never left the pad has a stage too."""
        sides = (high - low for low, high in zip(self.low_enu_m, self.high_enu_m, strict=True))
        return max(*sides, 12.0 * self.vehicle_m)

    @property
    def enlargement(self) -> float:
        """How much larger than life a wide camera draws the vehicle: a round number that makes it nearly a fifth of the extent."""
        wanted = 0.19 * self.extent_m / self.vehicle_m
        steps = [m * 10.0**e for e in range(5) for m in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)]
        return max((s for s in steps if s <= wanted), default=1.0)


def camera_at(viewpoint: Viewpoint, stage: Stage, vehicle_enu_m: Array, aspect: float = 1.0) -> Camera:
    """The camera of a viewpoint at the instant the vehicle's middle is at `vehicle_enu_m`; `aspect` is picture width over height."""
    azimuth, elevation, lens = _HOME[viewpoint.name]
    azimuth, elevation = azimuth + viewpoint.turn_rad, elevation + viewpoint.raise_rad
    x, y, z = (float(v) for v in vehicle_enu_m)
    if viewpoint.name == "chase":
        return Camera((x, y, z), azimuth, elevation, 1.9 * stage.vehicle_m * max(1.0, 1.0 / aspect) / viewpoint.zoom, lens)
    if viewpoint.name == "pad":
        return _spectator(viewpoint, stage, (x, y, z), azimuth, elevation)
    fit = max(1.0, 1.0 / aspect)
    margin = {"side": 1.36, "top": 1.3, "orbit": 1.5}[viewpoint.name]
    height = margin * fit * _extent_seen(stage, viewpoint.name, aspect * fit) / viewpoint.zoom
    x, y, z = stage.middle_enu_m
    lift = 0.0 if viewpoint.name == "top" else 0.55 * stage.enlargement * stage.vehicle_m  # the vehicle stands on its path
    return Camera((x, y, z + lift), azimuth, elevation, height, lens, is_wide=True)


def _extent_seen(stage: Stage, name: str, aspect: float) -> float:
    """Height the picture needs for the box; the vehicle's own enlarged length is added where it stands upright."""
    east, north, up = (high - low for low, high in zip(stage.low_enu_m, stage.high_enu_m, strict=True))
    vehicle = stage.enlargement * stage.vehicle_m
    if name == "top":
        return max(north, east / aspect, 0.0) + 2.0 * vehicle
    across = math.hypot(east, north) if name == "orbit" else east
    return max(up, across / aspect) + vehicle


def _spectator(viewpoint: Viewpoint, stage: Stage, vehicle_enu_m: tuple[float, float, float], azimuth: float, elevation: float) -> Camera:
    """An eye at a fixed place beside the pad that keeps the vehicle in the middle; the orbit moves it round the pad and up."""
    away = 0.75 * stage.extent_m
    eye = np.array([-math.sin(azimuth), -math.cos(azimuth), 0.0]) * away * math.cos(elevation)
    eye[2] = max(_EYE_HEIGHT_M, away * math.sin(elevation))
    # looking a little below the vehicle keeps the ground in the picture for longer
    target = np.asarray(vehicle_enu_m) * np.array([0.7, 0.7, 0.66])
    sight = target - eye
    distance = float(np.linalg.norm(sight))
    lens = min(2.0 * math.atan(math.tan(0.5 * _PAD_LENS_RAD) / viewpoint.zoom), 120.0 * DEG)
    heading = math.atan2(sight[0], sight[1])
    down = math.asin(max(-1.0, min(1.0, -float(sight[2]) / distance)))
    return Camera(tuple(float(v) for v in target), heading, down, 2.0 * distance * math.tan(0.5 * lens), lens, is_wide=True)  # type: ignore[arg-type]


def blend(start: Camera, stop: Camera, share: float) -> Camera:
    """A camera part way from `start` to `stop`, for a smooth change: shortest turn, even zoom."""
    turn = math.remainder(stop.azimuth_rad - start.azimuth_rad, 2.0 * math.pi)
    x, y, z = (a + share * (b - a) for a, b in zip(start.target_enu_m, stop.target_enu_m, strict=True))
    return Camera(
        (x, y, z),
        start.azimuth_rad + share * turn,
        start.elevation_rad + share * (stop.elevation_rad - start.elevation_rad),
        start.view_height_m ** (1.0 - share) * stop.view_height_m**share,
        start.lens_rad + share * (stop.lens_rad - start.lens_rad),
        stop.is_wide,
    )
