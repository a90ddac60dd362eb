"""A line drawn along the vehicle on a frame of the launch video, as evidence for reconcile."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np

from replay.errors import CannotEstimate
from replay.motion.solution import Solution
from replay.review.readout import index_at
from replay.review.review import ReviewVideo
from replay.whatif.evidence import Sighting
from replay.whatif.photograph import Camera, Point, sighting_from_line

_REQUEST: Final = "sighting from the launch video"


def video_sighting(
    video: ReviewVideo,
    line_px: tuple[Point, Point],
    size_px: tuple[int, int],
    video_s: float,
    line_sd_rad: float,
    flown: Solution | None = None,
) -> Sighting:
    """The one-view sighting of a line on a frame.

    Parameters
    ----------
    video : ReviewVideo
        Lined up, and its camera's azimuth stated.
    line_px : (tail, nose)
        Each (x, y) on the whole picture, from its upper left corner.
    size_px : (int, int)
        Of the whole picture.
    video_s : float
        The frame's own time.
    line_sd_rad : float
        One standard deviation of the line's angle.
    flown : Solution, optional
        How fast the vehicle turned then: times the doubt of the line-up, that adds to the sighting's standard deviation.

    Raises
    ------
    CannotEstimate
        Not lined up, or the camera's azimuth is not stated.
    SettingsError
        The line has no length.
    """
    if video.liftoff_video_s is None:
        raise CannotEstimate(_REQUEST, "mark liftoff on the video first, or the line has no time")
    if video.camera.azimuth_rad is None:
        raise CannotEstimate(_REQUEST, "state where the camera looked towards (clockwise from north), or the lean has no direction")
    width, height = map(float, size_px)
    camera = Camera(width, height, video.camera.azimuth_rad, video.camera.elevation_rad, video.camera.roll_rad)
    time_s = video_s - video.liftoff_video_s
    sighting = sighting_from_line(*line_px, camera, time_s, line_sd_rad)
    return dataclasses.replace(sighting, sd_rad=math.hypot(line_sd_rad, (video.liftoff_sd_s or 0.0) * _turning_radps(flown, time_s)))


def _turning_radps(flown: Solution | None, time_s: float) -> float:
    """How fast the long axis turns at a time after liftoff; 0 where that is not known."""
    if flown is None or not math.isfinite(flown.events.liftoff_log_s) or not len(flown.log_time_s):
        return 0.0
    rate = flown.rate_body_radps[index_at(flown.log_time_s, time_s + flown.events.liftoff_log_s)]
    across = float(np.hypot(rate[0], rate[1]))
    return across if math.isfinite(across) else 0.0
