"""One call from a prepared flight to a draw list: what window, film and figures share."""

from __future__ import annotations

from dataclasses import replace

from replay.scene.build import Flight, SceneOptions, build_scene, middle_enu_m
from replay.scene.camera import WIDE, Viewpoint, camera_at
from replay.scene.drawlist import DrawList
from replay.scene.project import project


def picture(
    flight: Flight, log_time_s: float, viewpoint: Viewpoint, size_px: tuple[int, int], options: SceneOptions | None = None
) -> DrawList:
    """The flight at an instant through a viewpoint, for a picture of `size_px` (width, height).

    `options.is_wide` is set by the viewpoint's camera.
    """
    is_wide = viewpoint.name in WIDE
    camera = camera_at(viewpoint, flight.stage, middle_enu_m(flight, log_time_s, is_wide=is_wide), size_px[0] / size_px[1])
    return project(build_scene(flight, log_time_s, replace(options or SceneOptions(), is_wide=is_wide)), camera, size_px)
