"""Liftoff by ear: synthetic launches whose onset is known, and sounds that can't tell."""

import numpy as np
import pytest

from replay.errors import CannotEstimate
from replay.review.video_sound import IGNITION_TO_LIFTOFF_S, Onset, find_onset, liftoff_from_onset, onset_of

pytest.importorskip("av")
from video_files import even_times, make_video, roar, uneven_times

RATE = 16_000


def test_the_onset_and_its_standard_deviation_hold_over_many_launches():
    """Ten roars that set in at any moment, sharply or over 40 ms, behind a spoken countdown: errors within the stated deviation."""
    errors, sds = [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        onset_s, rise_s = 3.0 + rng.uniform(0.0, 1.0), rng.choice([0.002, 0.02, 0.04])
        found = onset_of(roar(RATE, 7.0, onset_s, seed=seed, rise_s=rise_s, talk_until_s=2.9))
        errors.append(found.video_s - onset_s)
        sds.append(found.sd_s)
    errors, sds = np.array(errors), np.array(sds)
    assert np.abs(errors).max() < 0.02
    assert 0.4 < np.sqrt(np.mean((errors / sds) ** 2)) < 2.0


@pytest.mark.parametrize("video", [uneven_times(180)])
def test_the_onset_in_a_video_file_is_on_the_pictures_clock(tmp_path, video):
    """Through AAC, to a block of 1024 samples (23 ms), its own delay taken off; from the first frame, wherever the file's clock begins."""
    rate = 44_100
    path = make_video(tmp_path / "a.mp4", video, sound=(rate, roar(rate, 6.0, 3.21, talk_until_s=2.5)))
    assert find_onset(path).video_s == pytest.approx(3.21, abs=0.024)
    later = make_video(tmp_path / "b.mkv", video, sound=(rate, roar(rate, 6.0, 3.21)), container_start_ms=500)
    assert find_onset(later).video_s == pytest.approx(2.71, abs=0.024)


def test_no_sound_can_not_tell(tmp_path):
    """Said, with what to do instead."""
    path = make_video(tmp_path / "a.mp4", even_times(30))
    with pytest.raises(CannotEstimate, match=r"can't be known: this video has no sound; mark it on a frame"):
        find_onset(path)


@pytest.mark.parametrize(
    ("sound", "why"),
    [
        (lambda: roar(RATE, 8.0, 99.0), "no sound sets in"),
        (lambda: roar(RATE, 8.0, 99.0, talk_until_s=7.0), "no sound sets in"),
        (lambda: np.zeros(8 * RATE), "no sound sets in"),
        (lambda: roar(RATE, 9.0, 2.0) * (np.arange(9 * RATE) < 3.5 * RATE) + roar(RATE, 9.0, 6.0, seed=2), "two onsets alike"),
        (lambda: roar(RATE, 1.0, 0.5), "less than"),
    ],
)
def test_sounds_without_one_clear_onset_can_not_tell(sound, why):
    """Wind, talk, silence, two motors, too short."""
    with pytest.raises(CannotEstimate, match=why):
        onset_of(sound())


def test_a_click_a_tone_and_a_muted_beginning_are_no_liftoff():
    """The roar is found behind them all."""
    sound = roar(RATE, 9.0, 6.0)
    sound[: RATE // 2 * 2] = 0.0
    sound[2 * RATE : 2 * RATE + 400] = 0.9
    sound[3 * RATE : 4 * RATE] += 0.3 * np.sin(2 * np.pi * 2500 * np.arange(RATE) / RATE)
    assert onset_of(sound).video_s == pytest.approx(6.0, abs=0.02)


def test_the_sounds_way_to_the_camera_is_taken_off_and_its_doubt_kept():
    """340 m away it comes a second late; a distance that is not stated costs its whole doubt, and both are said."""
    onset = Onset(10.0, 0.004, 20.0)
    far = liftoff_from_onset(onset, 340.0)
    assert far.video_s == pytest.approx(9.0 + IGNITION_TO_LIFTOFF_S)
    assert far.sd_s == pytest.approx(np.sqrt(0.004**2 + 0.05**2 + 0.02**2 + IGNITION_TO_LIFTOFF_S**2), rel=1e-6)
    unknown = liftoff_from_onset(onset, None)
    assert unknown.sd_s > 0.09 and "not stated" in unknown.assumptions[0] and "340 m" in far.assumptions[0]
