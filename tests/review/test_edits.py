"""Edits as pure functions."""

import pytest

from replay.errors import SettingsError
from replay.review import edits
from replay.review.review import EVENT_NAMES, Bookmark, FindingMark, LogReference, Review, ReviewVideo, VideoCamera
from replay.sensors.calibration import Calibration
from replay.whatif.evidence import Apogee, Evidence

FLOWN = Calibration(accel_bias_imu_mps2=(0.1, 0.0, 0.0), gyro_scale=(1.0, 1.0, 1.01))
REVIEW = Review(as_flown=FLOWN)


def test_an_edited_calibration_is_the_what_if_and_is_drawn():
    """Also where the what-if was switched off: an edit that shows nothing would be mute."""
    off = Review(as_flown=FLOWN, is_whatif_on=False)
    edited = edits.with_calibration_axis(off, "gyro_bias_imu_radps", 2, 0.02)
    assert edited.what_if == Calibration(
        accel_bias_imu_mps2=(0.1, 0.0, 0.0), gyro_scale=(1.0, 1.0, 1.01), gyro_bias_imu_radps=(0.0, 0.0, 0.02)
    )
    assert edited.is_whatif_on
    assert edited.as_flown == FLOWN
    assert edited.drawn_whatif == edited.what_if


def test_edited_back_to_as_flown_there_is_no_what_if():
    """By value, by reset of an axis, of a field, of all."""
    edited = edits.with_calibration_axis(REVIEW, "accel_bias_imu_mps2", 0, 0.4)
    assert edits.with_calibration_axis(edited, "accel_bias_imu_mps2", 0, 0.1) == REVIEW
    assert edits.with_field_reset(edited, "accel_bias_imu_mps2", 0) == REVIEW
    assert edits.with_field_reset(edited, "accel_bias_imu_mps2") == REVIEW
    assert edits.with_whatif(edited, None) == REVIEW


def test_a_reset_field_leaves_the_others():
    """Only what was asked."""
    edited = edits.with_calibration_axis(edits.with_calibration_axis(REVIEW, "gyro_scale", 0, 1.02), "gyro_bias_imu_radps", 0, 0.1)
    assert edits.with_field_reset(edited, "gyro_scale").what_if.gyro_bias_imu_radps == (0.1, 0.0, 0.0)


def test_another_as_flown_that_equals_the_what_if_ends_it():
    """What was tried turned out to be what flew."""
    edited = edits.with_calibration_axis(REVIEW, "gyro_scale", 0, 1.02)
    assert edits.with_as_flown(edited, edited.what_if).what_if is None
    assert edits.with_as_flown(edited, Calibration()).what_if == edited.what_if


def test_events_move_and_are_given_back():
    """By name; an unknown name is refused."""
    moved = edits.with_event(edits.with_event(REVIEW, EVENT_NAMES[0], 3.0), EVENT_NAMES[1], 7.0)
    assert moved.moved_events == {EVENT_NAMES[0]: 3.0, EVENT_NAMES[1]: 7.0}
    assert edits.with_event(moved, EVENT_NAMES[0], None).moved_events == {EVENT_NAMES[1]: 7.0}
    with pytest.raises(SettingsError, match="an unknown event"):
        edits.with_event(REVIEW, "lunch_log_s", 1.0)


def test_bookmarks_stay_in_order_and_one_a_moment():
    """Whatever the order they are set in."""
    review = REVIEW
    for t in (5.0, 1.0, 3.0):
        review = edits.with_bookmark(review, Bookmark(t))
    review = edits.with_bookmark(review, Bookmark(3.0, "kick"))
    assert [(b.log_time_s, b.text) for b in review.bookmarks] == [(1.0, ""), (3.0, "kick"), (5.0, "")]
    assert [b.log_time_s for b in edits.without_bookmark(review, 3.0).bookmarks] == [1.0, 5.0]


def test_a_finding_mark_that_says_nothing_is_dropped():
    """And one of the same finding is replaced."""
    pinned = edits.with_finding_mark(REVIEW, FindingMark("gap", 3.0, is_pinned=True))
    resolved = edits.with_finding_mark(pinned, FindingMark("gap", 3.0, is_resolved=True))
    assert resolved.finding_marks == (FindingMark("gap", 3.0, is_resolved=True),)
    assert edits.with_finding_mark(resolved, FindingMark("gap", 3.0)).finding_marks == ()


def test_evidence_is_kept_with_the_file_it_came_from():
    """An edit by hand leaves the path; reading or writing a file sets it."""
    evidence = Evidence(apogee=Apogee(145.0, 2.0))
    read = edits.with_evidence(REVIEW, evidence, "/flights/evidence.toml")
    assert (read.evidence, read.evidence_path) == (evidence, "/flights/evidence.toml")
    edited = edits.with_evidence(read, Evidence())
    assert (edited.evidence, edited.evidence_path) == (Evidence(), "/flights/evidence.toml")


def test_a_group_is_freed_and_pinned_from_the_default_on():
    """What the review does not say is the default; freeing twice is once."""
    default = ("gyro bias", "barometer")
    pinned = edits.with_freed(REVIEW, "barometer", False, default)
    assert pinned.freed == ("gyro bias",)
    freed = edits.with_freed(edits.with_freed(pinned, "gyro scale", True, default), "gyro scale", True, default)
    assert freed.freed == ("gyro bias", "gyro scale")


def test_a_launch_video_is_taken_lined_up_and_moved_without_losing_what_is_known():
    """Another file begins anew; the same one found elsewhere keeps its mark and camera; without a video nothing is marked."""
    film = LogReference("/a/launch.mp4", 7, "ab" * 32)
    review = edits.with_video_liftoff(edits.with_video(REVIEW, film), 12.5, 0.02, "frame")
    review = edits.with_video_camera(review, azimuth_rad=0.5, distance_m=30.0)
    assert review.video == ReviewVideo(film, 12.5, 0.02, "frame", VideoCamera(0.5, distance_m=30.0))
    assert review.video.first_frame_log_s(20.0) == 7.5
    assert review.video.first_frame_log_s(float("nan")) is None and ReviewVideo(film).first_frame_log_s(20.0) is None
    moved = edits.with_video(review, LogReference("/b/launch.mp4", 7, "ab" * 32))
    assert (moved.video.file.path, moved.video.liftoff_video_s) == ("/b/launch.mp4", 12.5)
    assert edits.with_video(review, LogReference("/b/other.mp4", 7, "cd" * 32)).video.liftoff_video_s is None
    assert edits.with_video(review, None) == REVIEW
    assert edits.with_video_liftoff(REVIEW, 1.0, 0.1, "sound") == REVIEW == edits.with_video_camera(REVIEW, roll_rad=0.1)
