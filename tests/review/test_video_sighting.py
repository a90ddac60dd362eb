"""Lines on frames of the launch video as evidence."""

import dataclasses
import math

import drawn_flight
import numpy as np
import pytest

from replay.errors import CannotEstimate, SettingsError
from replay.review.review import LogReference, ReviewVideo, VideoCamera
from replay.review.video_sighting import video_sighting
from replay.units import DEG

FILM = LogReference("/a.mp4", 1, "ab" * 32)
VIDEO = ReviewVideo(FILM, 10.0, 0.02, "frame", VideoCamera(0.0))
LEANING = ((960.0, 700.0), (960.0 + 300.0 * math.sin(6 * DEG), 700.0 - 300.0 * math.cos(6 * DEG)))


def test_a_level_camera_looking_north_sees_a_lean_to_the_east():
    """Six degrees to the right in the picture, at the frame's time after liftoff; along the line of sight it says nothing."""
    found = video_sighting(VIDEO, LEANING, (1920, 1080), 11.5, 1.5 * DEG)
    assert (found.time_s, found.is_one_view) == (1.5, True)
    assert (found.tilt_rad / DEG, found.tilt_azimuth_rad / DEG) == (pytest.approx(6.0), pytest.approx(90.0))
    assert found.sd_rad == pytest.approx(1.5 * DEG)


def test_doubt_of_the_line_up_counts_by_how_fast_the_vehicle_turns():
    """20 ms at one radian a second is 1.15°, added in squares; a vehicle that does not turn adds nothing."""
    time_s = np.arange(0.0, 20.0, 0.01)
    flown = drawn_flight.solution(time_s)
    rate = np.zeros_like(flown.rate_body_radps)
    rate[time_s > 5.0] = (0.6, -0.8, 9.0)
    flown = dataclasses.replace(flown, rate_body_radps=rate)
    turning = video_sighting(VIDEO, LEANING, (1920, 1080), 12.0, 1.5 * DEG, flown)
    assert turning.sd_rad == pytest.approx(math.hypot(1.5 * DEG, 0.02))
    assert video_sighting(VIDEO, LEANING, (1920, 1080), 10.5, 1.5 * DEG, flown).sd_rad == pytest.approx(1.5 * DEG)


@pytest.mark.parametrize(
    ("video", "line", "error", "says"),
    [
        (ReviewVideo(FILM, camera=VideoCamera(0.0)), LEANING, CannotEstimate, "mark liftoff"),
        (dataclasses.replace(VIDEO, camera=VideoCamera()), LEANING, CannotEstimate, "where the camera looked"),
        (VIDEO, (LEANING[0], LEANING[0]), SettingsError, "two points apart"),
    ],
)
def test_what_is_missing_is_said(video, line, error, says):
    """One line each, with what to do."""
    with pytest.raises(error, match=says):
        video_sighting(video, line, (1920, 1080), 11.5, 1.5 * DEG)
