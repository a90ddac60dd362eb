"""The cursor: stepping, playing, looping, jumping."""

import dataclasses

import numpy as np
import pytest

from replay.review.playback import FRAME_RATES_HZ, SPEEDS, Playback

CLOCK = np.array([0.0, 0.1, 0.25, 0.3, 1.0])
PLAYBACK = Playback(0.0, 1.0)


@pytest.mark.parametrize(
    ("at", "n", "expected"),
    [(0.1, 1, 0.25), (0.1, -1, 0.0), (0.2, 1, 0.25), (0.2, -1, 0.1), (0.0, -1, 0.0), (1.0, 1, 1.0), (0.1, 3, 1.0), (0.9, -10, 0.0)],
)
def test_a_step_lands_on_a_sample(at, n, expected):
    """On uneven clocks too; between two samples the nearer side is one step."""
    assert PLAYBACK.at(at).stepped_samples(n, CLOCK).log_time_s == expected


def test_a_step_on_an_empty_clock_stays():
    """No samples, no move, no error."""
    assert PLAYBACK.at(0.4).stepped_samples(1, np.empty(0)).log_time_s == 0.4


@pytest.mark.parametrize("rate_hz", FRAME_RATES_HZ)
def test_frames_there_and_back_agree(rate_hz):
    """Fifty frames on and fifty back is where it began, at every frame rate, counted from liftoff."""
    playback = dataclasses.replace(Playback(0.0, 100.0), frame_rate_hz=rate_hz).at(10.0)
    for _ in range(50):
        playback = playback.stepped_frames(1, zero_log_s=10.0)
    assert playback.log_time_s == pytest.approx(10.0 + 50 / rate_hz, abs=1e-9)
    for _ in range(50):
        playback = playback.stepped_frames(-1, zero_log_s=10.0)
    assert playback.log_time_s == pytest.approx(10.0, abs=1e-9)


def test_a_frame_step_from_between_frames_lands_on_the_neighbour():
    """At 10 frames a second from 0.234 s: on to 0.3, back to 0.2."""
    playback = dataclasses.replace(PLAYBACK, frame_rate_hz=10.0).at(0.234)
    assert playback.stepped_frames(1).log_time_s == pytest.approx(0.3)
    assert playback.stepped_frames(-1).log_time_s == pytest.approx(0.2)


def test_a_frame_step_goes_by_a_videos_own_frames():
    """Unevenly apart: exactly on them, there and back; from between two to the neighbour; outside the video by the even rate."""
    frames = np.array([0.2, 0.217, 0.25, 0.3])
    playback, seen = PLAYBACK.at(0.2), []
    for _ in range(3):
        playback = playback.stepped_frames(1, 0.0, frames)
        seen.append(playback.log_time_s)
    for _ in range(3):
        playback = playback.stepped_frames(-1, 0.0, frames)
        seen.append(playback.log_time_s)
    assert seen == [0.217, 0.25, 0.3, 0.25, 0.217, 0.2]
    between = PLAYBACK.at(0.23)
    assert (between.stepped_frames(1, 0.0, frames).log_time_s, between.stepped_frames(-1, 0.0, frames).log_time_s) == (0.25, 0.217)
    even = dataclasses.replace(PLAYBACK, frame_rate_hz=10.0)
    assert even.at(0.3).stepped_frames(1, 0.0, frames).log_time_s == pytest.approx(0.4)
    assert even.at(0.0).stepped_frames(1, 0.0, frames).log_time_s == pytest.approx(0.1)


@pytest.mark.parametrize("speed", SPEEDS)
def test_playing_covers_wall_time_times_the_rate(speed):
    """A hundred ticks of 1/60 s."""
    playback = dataclasses.replace(Playback(0.0, 1000.0), speed=speed).started()
    for _ in range(100):
        playback = playback.advanced(1 / 60)
    assert playback.log_time_s == pytest.approx(speed * 100 / 60)


def test_playing_stops_at_the_end_and_starts_again_from_the_beginning():
    """As a flyer expects of a play button."""
    end = PLAYBACK.at(0.9).started().advanced(0.5)
    assert (end.log_time_s, end.is_playing) == (1.0, False)
    assert end.started().log_time_s == 0.0


def test_looping_goes_round_the_span():
    """1.7 spans on from the start of a span of 0.2 s."""
    playback = dataclasses.replace(PLAYBACK.with_span((0.6, 0.4)), is_looping=True).started()
    assert playback.log_time_s == 0.4
    assert playback.advanced(0.34).log_time_s == pytest.approx(0.4 + 0.14)
    assert playback.advanced(0.34).is_playing


def test_a_span_is_kept_inside_the_log_and_an_empty_one_is_none():
    """Ends in either order."""
    assert PLAYBACK.with_span((2.0, -1.0)).span_log_s == (0.0, 1.0)
    assert PLAYBACK.with_span((0.5, 0.5)).span_log_s is None
    assert PLAYBACK.with_span(None).span_log_s is None


def test_jumps_go_to_the_next_event_and_to_the_ends_beyond():
    """Unknown events (NaN) are passed over."""
    times = [float("nan"), 0.7, 0.2]
    playback = PLAYBACK.at(0.2)
    assert playback.jumped(1, times).log_time_s == 0.7
    assert playback.jumped(1, times).jumped(1, times).log_time_s == 1.0
    assert playback.jumped(-1, times).log_time_s == 0.0


def test_speeds_step_through_the_offered_ones():
    """From the lowest to the highest and no further."""
    playback = dataclasses.replace(PLAYBACK, speed=SPEEDS[0])
    seen = [playback.speed]
    for _ in range(len(SPEEDS) + 2):
        playback = playback.faster(1)
        seen.append(playback.speed)
    assert tuple(seen[: len(SPEEDS)]) == SPEEDS
    assert seen[-1] == SPEEDS[-1]
    assert playback.faster(-1).speed == SPEEDS[-2]


def test_another_log_keeps_what_still_fits():
    """Cursor clamped, a span outside dropped."""
    playback = Playback(0.0, 10.0).with_span((8.0, 9.0)).at(9.5).with_log(0.0, 5.0)
    assert (playback.log_time_s, playback.span_log_s, playback.stop_log_s) == (5.0, None, 5.0)
