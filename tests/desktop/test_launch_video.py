"""The launch video beside the replay: opened, lined up, stepped and scrubbed together, and a line on it taken as evidence."""

import dataclasses
import math
import threading
from pathlib import Path

import numpy as np
import pytest
from desktop_helpers import settle
from PySide6.QtCore import QMimeData, QPointF, Qt, QUrl
from PySide6.QtGui import QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QStyle

from replay.desktop.video_rows import VideoRows
from replay.review import edits
from replay.review.review import LogReference
from replay.units import DEG
from replay.whatif.photograph import DEFAULT_SD_RAD

pytest.importorskip("av")
from video_files import even_times, make_video, number_of, roar, uneven_times

LIFTOFF_LOG_S = 4.0  # of the drawn flight
N = 120


@pytest.fixture
def film(tmp_path):
    """Two to six seconds of uneven frames, without sound."""
    return make_video(tmp_path / "launch.mp4", uneven_times(N))


def opened(qtbot, window, path):
    """Open it as the user would, and wait for its first frame."""
    window.files.asking.given["open_path"] = str(path)
    window.launch_video._asking.given["open_path"] = str(path)
    window.actions["launch_video"].trigger()
    qtbot.waitUntil(lambda: window.launch_video.has_video and window.launch_video.shown_frame >= 0, timeout=20_000)
    return window.launch_video


def shown(qtbot, view):
    """Wait until the picture is that of the cursor, and read the number it carries."""
    qtbot.waitUntil(lambda: view.shown_frame == view.frame and not view.reader.is_busy, timeout=20_000)
    image = view.canvas._picture
    rows = np.frombuffer(image.constBits(), dtype=np.uint8).reshape(image.height(), image.bytesPerLine())
    return number_of(rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3))


def test_a_video_is_opened_marked_and_moves_with_the_cursor_frame_by_frame(qtbot, window, film):
    """One undoable edit each; the picture is the very frame; a frame step goes from frame to frame of the video."""
    view = opened(qtbot, window, film)
    assert window.session.review.video.file.path == str(film) and window.video_card.isVisible()
    assert "Not lined up" in view.rows.status
    for _ in range(7):
        window.actions["frame_on"].trigger()
    assert (view.frame, shown(qtbot, view)) == (7, 7)
    assert window.player.playback.log_time_s == LIFTOFF_LOG_S - 2.0  # the video alone
    window.actions["mark_liftoff"].trigger()
    times = np.array(uneven_times(N)) / 1000.0
    video = window.session.review.video
    assert video.liftoff_video_s == pytest.approx(times[7], abs=5e-4) and 0.02 < video.liftoff_sd_s < 0.03
    assert window.player.playback.log_time_s == LIFTOFF_LOG_S and "marked on a frame" in view.rows.status
    for k in (8, 9, 10):
        window.actions["frame_on"].trigger()
        assert window.player.playback.log_time_s == pytest.approx(LIFTOFF_LOG_S + times[k] - times[7], abs=1e-3)
        assert shown(qtbot, view) == k
    window.actions["frame_back"].trigger()
    assert shown(qtbot, view) == 9
    window.player.seek(LIFTOFF_LOG_S + times[60] - times[7] + 0.002)
    assert shown(qtbot, view) == 60
    window.actions["undo"].trigger()
    assert window.session.review.video.liftoff_video_s is None
    window.actions["undo"].trigger()
    assert window.session.review.video is None and not view.has_video and not window.video_card.isVisible()
    window.actions["redo"].trigger()
    qtbot.waitUntil(lambda: view.has_video, timeout=20_000)


def test_numbers_over_the_picture_and_what_is_said_outside_the_video(qtbot, window, film):
    """Time, height, speed and tilt at the frame; before and after, how far away the video is."""
    view = opened(qtbot, window, film)
    window.actions["mark_liftoff"].trigger()
    window.player.seek(LIFTOFF_LOG_S + 1.0)
    shown(qtbot, view)
    texts = view.canvas.texts
    assert [text.split(" ")[0] for text in texts] == ["frame", texts[1].split(" ")[0], "height", "speed", "tilt"]
    assert texts[1].startswith("T+0.9") or texts[1].startswith("T+1.0")
    window.player.seek(LIFTOFF_LOG_S - 3.0)
    assert view.canvas.texts[0] == "The video begins 3.00 s after this moment."
    window.player.seek(30.0)
    assert view.canvas.texts[0].startswith("The video ended 2") and view.frame == N


def test_the_strip_moves_both_and_reaches_beyond_the_log(qtbot, window, film):
    """A video that began before the log still shows its first frames; the cursor then stands at the log's start."""
    view = opened(qtbot, window, film)
    window.session.apply(lambda review: edits.with_video_liftoff(review, LIFTOFF_LOG_S + 2.0, 0.02, "frame"), "as if")
    view.rows.slider.setValue(100)
    times = np.array(uneven_times(N)) / 1000.0
    assert window.player.playback.log_time_s == pytest.approx(times[100] - 2.0, abs=1e-3)
    assert shown(qtbot, view) == 100
    view.rows.slider.setValue(3)
    assert shown(qtbot, view) == 3 and window.player.playback.log_time_s == 0.0
    assert "before the log begins" in view.canvas.texts


def test_a_moved_liftoff_takes_the_video_along(qtbot, window, film, estimates):
    """The mark says where the video lifts off; where that is on the log's clock follows the log's own event."""
    view = opened(qtbot, window, film)
    window.actions["mark_liftoff"].trigger()
    flown = estimates.base.as_flown
    estimates.base = dataclasses.replace(
        estimates.base, as_flown=dataclasses.replace(flown, events=dataclasses.replace(flown.events, liftoff_log_s=5.0))
    )
    window.session.apply(lambda review: edits.with_event(review, "liftoff_log_s", 5.0), "Move liftoff")
    settle(qtbot, window.session)
    assert view._zero_log_s == 5.0


def test_a_decoder_that_hangs_never_holds_the_cursor_and_the_newest_frame_wins(qtbot, window, film, monkeypatch):
    """Thirty frames asked for while one is being decoded: that one and the last are all that is decoded."""
    view = opened(qtbot, window, film)
    video, gate, asked = view.reader.video, threading.Semaphore(0), []
    picture = video.picture

    def slow(frame, fit_px=None):
        asked.append(frame)
        assert gate.acquire(timeout=20)
        return picture(frame, fit_px)

    monkeypatch.setattr(video, "picture", slow)
    view.rows.slider.setValue(20)
    qtbot.waitUntil(lambda: asked == [20], timeout=20_000)
    for frame in range(21, 50):
        view.rows.slider.setValue(frame)
    assert view.frame == 49
    gate.release(40)
    assert shown(qtbot, view) == 49
    # the last one may be decoded again at another size, when the numbers beside the picture get their width
    assert asked[:2] == [20, 49]
    assert set(asked[2:]) <= {49}


def test_liftoff_is_found_from_the_sound(qtbot, window, tmp_path):
    """One undoable edit, with what was assumed said; without sound the button says why it can't be pressed."""
    rate = 44_100
    path = make_video(tmp_path / "loud.mp4", even_times(150), sound=(rate, roar(rate, 5.0, 2.6)))
    view = opened(qtbot, window, path)
    view.rows.fields["distance_m"].setText("34")
    view.rows.fields["distance_m"].setModified(True)
    view.rows.fields["distance_m"].editingFinished.emit()
    assert window.session.review.video.camera.distance_m == 34.0
    window.actions["liftoff_from_sound"].trigger()
    qtbot.waitUntil(lambda: window.session.review.video.liftoff_by == "sound", timeout=20_000)
    video = window.session.review.video
    assert video.liftoff_video_s == pytest.approx(2.6 - 0.1 + 0.05, abs=0.03) and 0.04 < video.liftoff_sd_s < 0.1
    assert "34 m from the pad" in view.rows.note.text()
    window.actions["undo"].trigger()
    assert window.session.review.video.liftoff_video_s is None


def test_sound_that_can_not_tell_is_said(qtbot, window, film, tmp_path):
    """No edit; one line, and what to do instead. Without sound the command is not offered."""
    view = opened(qtbot, window, film)
    assert not window.actions["liftoff_from_sound"].isEnabled() and "no sound" in view.rows.listen.toolTip()
    rate = 44_100
    quiet = make_video(tmp_path / "quiet.mp4", even_times(90), sound=(rate, roar(rate, 3.0, 99.0)))
    view.open_video(quiet)
    qtbot.waitUntil(lambda: window.session.review.video.file.path == str(quiet), timeout=20_000)
    window.actions["liftoff_from_sound"].trigger()
    qtbot.waitUntil(lambda: "can't be known" in view.rows.note.text(), timeout=20_000)
    assert window.session.review.video.liftoff_video_s is None


def test_a_line_by_mouse_becomes_evidence(qtbot, window, film):
    """Drawn leaning ten degrees to the right with the camera looking east: towards the south. Undone in one step."""
    view = opened(qtbot, window, film)
    window.actions["mark_liftoff"].trigger()
    window.session.apply(lambda review: edits.with_video_camera(review, azimuth_rad=90 * DEG), "Camera")
    window.player.seek(LIFTOFF_LOG_S + 1.0)
    shown(qtbot, view)
    window.actions["draw_sighting"].trigger()
    view.canvas.set_line(None)
    middle = view.canvas.picture_rect.center()
    nose = middle + QPointF(40 * math.sin(10 * DEG), -40 * math.cos(10 * DEG))
    QTest.mousePress(view.canvas, Qt.MouseButton.LeftButton, pos=middle.toPoint())
    QTest.mouseMove(view.canvas, nose.toPoint())
    QTest.mouseRelease(view.canvas, Qt.MouseButton.LeftButton, pos=nose.toPoint())
    drawn = nose.toPoint() - middle.toPoint()
    lean = math.atan2(drawn.x(), -drawn.y())
    view.rows.take.click()
    (sighting,) = window.session.review.evidence.sightings
    assert sighting.tilt_rad == pytest.approx(lean, abs=1e-6)
    assert sighting.tilt_azimuth_rad == pytest.approx(180 * DEG) and sighting.is_one_view
    assert sighting.time_s == pytest.approx(view._times.time_s[view.frame], abs=1e-6)
    assert sighting.sd_rad >= DEFAULT_SD_RAD
    assert not view.rows.draw.isChecked() and "Sighting added" in view.rows.note.text()
    window.actions["undo"].trigger()
    assert window.session.review.evidence is None


def test_a_line_by_keys_alone(qtbot, window, film):
    """It stands upright at first; arrows turn it by 0.1 and 1 degree, Alt and arrows move it, Enter takes it, Escape gives it up."""
    view = opened(qtbot, window, film)
    window.actions["mark_liftoff"].trigger()
    window.session.apply(lambda review: edits.with_video_camera(review, azimuth_rad=0.0), "Camera")
    window.activateWindow()
    window.actions["draw_sighting"].trigger()
    at, canvas = window.player.playback.log_time_s, view.canvas
    canvas.setFocus()
    qtbot.waitUntil(canvas.hasFocus, timeout=5000)
    for _ in range(3):
        QTest.keyClick(canvas, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    for _ in range(2):
        QTest.keyClick(canvas, Qt.Key.Key_Left)
    before = canvas.line
    QTest.keyClick(canvas, Qt.Key.Key_Up, Qt.KeyboardModifier.AltModifier)
    QTest.keyClick(canvas, Qt.Key.Key_Plus)
    assert canvas.line != before
    assert window.player.playback.log_time_s == at  # the window's own arrow keys kept still
    QTest.keyClick(canvas, Qt.Key.Key_Return)
    (sighting,) = window.session.review.evidence.sightings
    assert sighting.tilt_rad / DEG == pytest.approx(2.8, abs=1e-6)
    assert sighting.tilt_azimuth_rad / DEG == pytest.approx(90.0)
    window.actions["draw_sighting"].trigger()
    QTest.keyClick(canvas, Qt.Key.Key_Escape)
    assert not view.rows.draw.isChecked() and canvas.line is None


def test_a_line_without_the_cameras_azimuth_says_what_is_missing(qtbot, window, film):
    """And adds nothing."""
    view = opened(qtbot, window, film)
    assert not window.actions["draw_sighting"].isEnabled()  # not lined up: the line would have no time
    window.actions["mark_liftoff"].trigger()
    window.actions["draw_sighting"].trigger()
    view.rows.take.click()
    assert "where the camera looked" in view.rows.note.text() and window.session.review.evidence is None


def drop(target, *paths):
    """Let go of files over a widget."""
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    point = QPointF(target.rect().center())
    target.dropEvent(QDropEvent(point, Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier))


def test_a_video_dropped_on_the_window_is_opened_beside_the_flight(qtbot, window, film):
    """Not read as a log."""
    drop(window, film)
    qtbot.waitUntil(lambda: window.launch_video.has_video, timeout=20_000)
    assert window.session.review.video.file.path == str(film)


def test_what_is_no_video_is_said_and_changes_nothing(qtbot, window, tmp_path):
    """In the view, by name."""
    path = tmp_path / "broken.mp4"
    path.write_bytes(b"not a video")
    window.actions["video_view"].setChecked(True)
    window.launch_video.open_video(str(path))
    qtbot.waitUntil(lambda: "broken.mp4" in window.launch_video.rows.note.text(), timeout=20_000)
    assert window.session.review.video is None and not window.launch_video.has_video


def test_a_reviews_video_is_found_beside_it_or_asked_for(qtbot, window, film, tmp_path):
    """Moved away it is named; found again by hand its mark is kept; the review saved and opened anew shows it lined up."""
    view = opened(qtbot, window, film)
    window.actions["mark_liftoff"].trigger()
    known = window.session.review.video
    elsewhere = tmp_path / "elsewhere" / "renamed.mp4"
    elsewhere.parent.mkdir()
    film.rename(elsewhere)
    gone = dataclasses.replace(known, file=LogReference(str(tmp_path / "nowhere" / "launch.mp4"), *dataclasses.astuple(known.file)[1:]))
    window.session.apply(lambda review: dataclasses.replace(review, video=None), "away")
    window.session.apply(lambda review: dataclasses.replace(review, video=gone), "named again")
    qtbot.waitUntil(lambda: view.canvas.texts and "launch.mp4 is neither where it was" in view.canvas.texts[0], timeout=20_000)
    assert not view.has_video
    opened(qtbot, window, elsewhere)
    assert window.session.review.video == dataclasses.replace(known, file=dataclasses.replace(known.file, path=str(elsewhere)))
    window.session.apply(lambda review: dataclasses.replace(review, video=None), "away")
    window.session.review_path = str(elsewhere.parent / "a.review.json")
    window.session.apply(lambda review: dataclasses.replace(review, video=gone), "named again")
    qtbot.waitUntil(lambda: view.has_video, timeout=20_000)  # under another name beside the review
    assert Path(view._loaded.path) == elsewhere


def test_every_control_of_the_view_says_what_it_does(window):
    """A tip for each button; commands greyed while there is nothing to do them with."""
    rows = window.launch_video.rows
    assert all(button.toolTip() for button in (rows.open, rows.mark, rows.listen, rows.draw, rows.take, rows.cancel))
    greyed = ("mark_liftoff", "liftoff_from_sound", "draw_sighting", "close_video")
    assert not any(window.actions[name].isEnabled() for name in greyed)
    assert window.actions["launch_video"].isEnabled()
    window.actions["video_view"].setChecked(True)
    assert "Drop one here" in window.launch_video.canvas.texts[0]


def test_an_empty_camera_field_says_whole_what_it_stands_for(qtbot):
    """ "not stated" and the widest number fit into their fields."""
    rows = VideoRows()
    qtbot.addWidget(rows.camera)
    rows.show_camera(None)
    for field in rows.fields.values():
        room = field.minimumSize().width() - 2 * field.style().pixelMetric(QStyle.PixelMetric.PM_DefaultFrameWidth) - 4
        assert field.placeholderText() and field.fontMetrics().horizontalAdvance(field.placeholderText()) <= room
