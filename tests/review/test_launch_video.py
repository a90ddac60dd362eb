"""Launch videos: exact frame times, exactly the frame asked for, the right way up."""

import sys
import threading

import numpy as np
import pytest

from replay.errors import Cancelled, CannotEstimate, LogReadError
from replay.review import launch_video
from replay.review.launch_video import LaunchVideo, is_video

pytest.importorskip("av")
from video_files import even_times, make_video, number_of, turned_on_its_side, uneven_times

N = 60


@pytest.fixture
def opened():
    """Opens videos and lets go of them afterwards."""
    videos = []

    def open_one(path, **options):
        videos.append(LaunchVideo(path, **options))
        return videos[-1]

    yield open_one
    for video in videos:
        video.close()


@pytest.mark.parametrize(
    ("name", "times_ms", "options"),
    [
        ("even.mp4", even_times(N), {}),
        ("uneven.mp4", uneven_times(N), {}),
        ("uneven.mkv", uneven_times(N), {"container_start_ms": 700}),
        ("pictures.mov", uneven_times(N), {"codec": "mjpeg"}),
        ("plain.mp4", uneven_times(N), {"b_frames": 0, "group": 250}),
    ],
)
def test_every_frame_has_the_time_it_was_written_with_and_is_the_one_asked_for(tmp_path, opened, name, times_ms, options):
    """Open groups with pictures stored out of order, even and uneven rates; forwards, backwards and at random."""
    video = opened(make_video(tmp_path / name, times_ms, **options))
    assert video.times.n_frames == N
    assert video.times.time_s == pytest.approx(np.array(times_ms) / 1000.0, abs=5e-4)
    order = [*range(12), *range(30, 18, -1), *np.random.default_rng(1).integers(0, N, 40).tolist(), N - 1, 0]
    assert [number_of(video.picture(i)) for i in order] == order
    assert video.times.is_rate_even == (name == "even.mp4")


def test_a_small_memory_changes_nothing(tmp_path, opened, monkeypatch):
    """Frames are forgotten and decoded again."""
    monkeypatch.setattr(launch_video, "_CACHE_BYTES", 3 * 6144)
    video = opened(make_video(tmp_path / "a.mp4", uneven_times(N)))
    order = np.random.default_rng(2).integers(0, N, 50).tolist()
    assert [number_of(video.picture(i)) for i in order] == order
    assert len(video._kept) <= 3 and video._kept_bytes == sum(map(launch_video._bytes_of, video._kept.values()))


def test_the_frame_on_screen_at_a_time(tmp_path, opened):
    """From its own time until the next one's, also where the time came by another clock; before and after the video it says so."""
    times_ms = uneven_times(N)
    times = opened(make_video(tmp_path / "a.mp4", times_ms)).times
    offset = 1234.567891
    assert [times.frame_at((offset + t) - offset) for t in times.time_s] == list(range(N))
    between = times.time_s[:-1] + 0.6 * np.diff(times.time_s)
    assert [times.frame_at(t) for t in between] == list(range(N - 1))
    assert (times.frame_at(-0.01), times.frame_at(times.duration_s + 0.001)) == (-1, N)
    assert times.frame_at(times.time_s[-1] + 0.001) == N - 1 and times.duration_s > times.time_s[-1]


def test_a_moment_nearest_to_a_frame_is_known_as_well_as_frames_are_apart(tmp_path, opened):
    """One standard deviation of an even spread over one frame time: 33.3 ms / √12."""
    times = opened(make_video(tmp_path / "a.mp4", even_times(N))).times
    assert times.frame_sd_s(10) == pytest.approx(1 / 30 / 12**0.5, abs=5e-4)
    assert times.usual_frame_s == pytest.approx(1 / 30, abs=1e-3)


def test_a_phone_held_upright_gives_an_upright_picture(tmp_path, opened):
    """The quarter turn in the track header is heeded: what was the left edge of the stored picture is the top."""
    path = make_video(tmp_path / "a.mp4", even_times(8), b_frames=0)
    plain = opened(path).picture(5)
    turned_on_its_side(path)
    video = opened(path)
    assert (video.turn_deg, video.size_px) == (270, (32, 128))
    assert np.abs(video.picture(5).astype(int) - np.rot90(plain, -1)).mean() < 2.0  # clockwise
    assert number_of(np.rot90(video.picture(5))) == 5


def test_pictures_are_made_no_larger_than_asked(tmp_path, opened):
    """Smaller with their shape kept; never enlarged."""
    video = opened(make_video(tmp_path / "a.mp4", even_times(8)))
    assert video.picture(3, (64, 64)).shape == (16, 64, 3)
    assert number_of(video.picture(3, (64, 64))) == 3
    assert video.picture(3, (4000, 4000)).shape == (32, 128, 3)
    with pytest.raises(IndexError):
        video.picture(8)


def test_a_damaged_stretch_is_said_and_the_rest_still_shown(tmp_path, opened):
    """Bytes zeroed in the middle: frames of other groups come out right, no wrong frame is shown for another."""
    path = make_video(tmp_path / "a.mp4", even_times(N), codec="mjpeg")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = bytes(3000)
    path.write_bytes(data)
    video = opened(path)
    assert number_of(video.picture(2)) == 2 and number_of(video.picture(N - 2)) == N - 2


@pytest.mark.parametrize("content", [b"", b"time,ax\n0,1\n"])
def test_what_is_no_video_is_said_in_one_line(tmp_path, content):
    """By name."""
    path = tmp_path / "a.mp4"
    path.write_bytes(content)
    with pytest.raises(LogReadError, match=r"a\.mp4: expected a video"):
        LaunchVideo(path)


def test_a_file_that_is_not_there_is_said_in_one_line(tmp_path):
    """By name."""
    with pytest.raises(LogReadError, match=r"gone\.mp4"):
        LaunchVideo(tmp_path / "gone.mp4")


def test_opening_can_be_stopped_and_tells_how_far_it_is(tmp_path):
    """Progress from 0; a stop leaves nothing open."""
    path = make_video(tmp_path / "a.mp4", even_times(8))
    said = []
    LaunchVideo(path, lambda fraction, text: said.append((fraction, text))).close()
    assert said[0] == (0.0, "frame times: 0 of 8")
    stop = threading.Event()
    stop.set()
    with pytest.raises(Cancelled):
        LaunchVideo(path, cancel=stop.is_set)


def test_without_the_video_library_one_line_says_how_to_get_it(tmp_path, monkeypatch):
    """The rest of Plumbline goes on without."""
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(CannotEstimate, match=r"plumbline-replay\[film\]"):
        LaunchVideo(tmp_path / "a.mp4")


def test_videos_are_known_by_their_endings():
    """For files that are dropped."""
    assert is_video("/a/Launch.MP4") and is_video("b.mov") and not is_video("flight.csv") and not is_video("a.review.json")
