"""Film dialog: any frame as it will be, choices kept in the document with undo, a film written whole beside a living window."""

import dataclasses

import pytest
from desktop_helpers import settle
from drawn_flight import EVENTS
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest

from replay.figures.film import FilmPainter, render_film
from replay.figures.film_request import FilmRequest, request_of
from replay.review.review import thaw
from replay.review.series import OVERLAYS
from replay.scene.camera import Viewpoint

SHORT = {"size_px": [160, 90], "rate": "24", "start_s": 1.0, "stop_s": 1.5, "slate_s": 0.1, "traces": []}


@pytest.fixture
def dialog(qtbot, window):
    window.player.seek(EVENTS.liftoff_log_s + 2.0)
    window.actions["film"].trigger()
    made = window.files._film_dialog
    assert made.isVisible()
    seen(qtbot, made)
    yield made
    if window.files._film_dialog is not None:
        made.done(0)


def seen(qtbot, dialog):
    """Wait until the frame looked at is on screen."""
    qtbot.waitUntil(lambda: not dialog._timer.isActive() and not dialog._preview.is_busy, timeout=60_000)


def choose(box, wanted):
    box.setCurrentIndex(box.findData(wanted))
    box.activated.emit(box.currentIndex())


def write_in(entry, text):
    """Replace what stands in a number and take it, by keys alone."""
    entry.setFocus()
    entry.selectAll()
    QTest.keyClick(entry, Qt.Key.Key_Delete)
    QTest.keyClicks(entry, text)
    QTest.keyClick(entry, Qt.Key.Key_Return)


def kept(window):
    return thaw(window.session.review.film_settings)


def short(window, qtbot, dialog, **more):
    window.session.apply(lambda review: dataclasses.replace(review, film_settings={**SHORT, **more}), "Film")
    seen(qtbot, dialog)


def test_it_shows_any_frame_as_it_will_be(qtbot, window, dialog):
    """At the cursor first, then by slider, key and number; the slate in front; pixel for pixel what the film holds."""
    assert "T+2.0" in dialog.which.text() and dialog.at_s.value == pytest.approx(2.0, abs=0.02)
    window.actions["film"].trigger()
    assert window.files._film_dialog is dialog  # one at a time
    short(window, qtbot, dialog)
    assert "frame 15 of 15" in dialog.which.text()  # the cursor is after its end
    request = request_of(window.session.snapshot, kept(window))
    painter = FilmPainter(request)
    for frame in (0, 5):
        dialog.frame.setValue(frame)
        seen(qtbot, dialog)
        assert dialog.card._image == painter.image(frame)
    QTest.keyClick(dialog.frame, Qt.Key.Key_Right)
    assert dialog.frame.value() == 6
    write_in(dialog.at_s, "1.25")
    seen(qtbot, dialog)
    assert dialog.frame.value() == request.clock().frame_of(EVENTS.liftoff_log_s + 1.25)
    dialog.frame.setValue(0)
    seen(qtbot, dialog)
    assert dialog.which.text().startswith("frame 1 of 15: slate") and dialog.at_s.value is None
    window.player.seek(EVENTS.liftoff_log_s + 1.1)
    dialog.to_cursor.click()
    seen(qtbot, dialog)
    assert dialog.at_s.value == pytest.approx(1.1, abs=0.03)


def test_choices_are_edits_of_the_document(qtbot, window, dialog):
    """Each one step of undo, and the form shows it; camera and span from the window; what can't be meant is said and not kept."""
    form = dialog.form
    choose(form.rate, "59.94")
    write_in(form.size.lineEdit(), "640 x 360")
    window.attitude.set_camera("orbit")
    window.attitude.orbit(0.5, 0.1)
    form.as_in_view.click()
    window.player.set_span((EVENTS.liftoff_log_s - 0.5, EVENTS.liftoff_log_s + 3.0))
    form.as_in_timeline.click()
    write_in(form.speed, "0:1, 1:0.25, 2:1")
    form.burned_in.click()
    settings = kept(window)
    assert (settings["rate"], settings["size_px"], settings["has_time"]) == ("59.94", [640, 360], False)
    assert (settings["start_s"], settings["stop_s"]) == (-0.5, 3.0)
    assert settings["ramp"] == [[0.0, 1.0], [1.0, 0.25], [2.0, 1.0]]
    assert request_of(window.session.snapshot, settings).viewpoint == Viewpoint("orbit").turned(0.5, 0.1)
    assert f"{request_of(window.session.snapshot, settings).clock().n_frames} frames" in form.lasts.text()
    for entry, text, said in (
        (form.size.lineEdit(), "wide", "expected width"),
        (form.speed, "fast", "half speed"),
        (form.stop_s, "-2", "after"),
    ):
        write_in(entry, text)
        assert said in dialog.said.text()
    write_in(form.size.lineEdit(), "641 x 360")
    assert "even width" in dialog.said.text()
    assert kept(window) == settings
    QTest.keyClick(dialog, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)  # the burned-in time
    QTest.keyClick(dialog, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)  # the ramp
    assert form.burned_in.isChecked() and form.speed.text() == "1"
    while window.session.history.undo_text:
        window.session.undo()
    assert kept(window) == {} and form.rate.currentData() == "30"
    seen(qtbot, dialog)


def test_a_clear_ground_and_a_codec_that_can_carry_it_go_together(qtbot, window, dialog):
    """One step each: alpha takes ProRes, H.264 takes the ground back; traces may be any, or none."""
    form = dialog.form
    form.clear.click()
    assert (kept(window)["is_transparent"], kept(window)["codec"]) == (True, "prores")
    choose(form.output, "h264")
    assert (kept(window)["is_transparent"], form.clear.isChecked()) == (False, False)
    form.traces.click()
    chooser = next(each for each in form.children() if each.metaObject().className() == "TraceChooser")
    for key in ("tilt", "height", "accel.z"):
        chooser.tick(key, key == "height")
    chooser.tick("vertical_speed")
    chooser.accept()
    assert kept(window)["traces"] == ["height", "vertical_speed"]
    seen(qtbot, dialog)


def test_the_reflown_flight_is_drawn_as_on_screen_until_said_otherwise(qtbot, window, dialog, estimates):
    """Without anything to fly again the box says what is missing; drawn in the window it is drawn here."""
    assert not dialog.form.reflown.isEnabled() and "vehicle file" in dialog.form.reflown.toolTip()
    window.session._overlays = lambda: {"reflown": estimates.base.as_flown}
    window.session.apply(lambda review: dataclasses.replace(review, method="kalman"), "Method")
    settle(qtbot, window.session)
    seen(qtbot, dialog)
    assert "reflown" in window.session.snapshot.extras[OVERLAYS]
    assert dialog.form.reflown.isChecked() and dialog._request.has_reflown
    dialog.form.reflown.click()
    assert kept(window)["has_reflown"] is False
    seen(qtbot, dialog)


def test_it_writes_what_it_shows(qtbot, window, dialog, tmp_path):
    """The same files as the call behind it, nothing beside them; the settings are kept, so that the command makes it again."""
    short(window, qtbot, dialog)
    choose(dialog.form.output, "sequence")
    window.files.asking.given["save_path"] = str(tmp_path / "frames")
    dialog.write.click()
    assert not dialog.write.isEnabled()
    qtbot.waitUntil(lambda: not dialog.is_writing, timeout=60_000)
    assert "15 frames" in dialog.said.text() and dialog.write.isEnabled()
    render_film(request_of(window.session.snapshot, kept(window)), tmp_path / "again")
    written, again = (sorted((tmp_path / name).iterdir()) for name in ("frames", "again"))
    assert [QImage(str(a)) == QImage(str(b)) for a, b in zip(written, again, strict=True)] == [True] * 15
    assert sorted(each.name for each in tmp_path.iterdir() if each.name.startswith(".")) == []
    window.files.asking.given["save_path"] = str(tmp_path / "frames")
    dialog.write.click()
    qtbot.waitUntil(lambda: not dialog.is_writing, timeout=60_000)
    assert "not written" in dialog.said.text() and "existing folder" in dialog.said.text()


def test_a_film_goes_on_while_the_window_is_used_and_can_be_stopped(qtbot, window, dialog, tmp_path):
    """Put away it goes on, called back it is still there; leaving the flight asks first; stopped, nothing is left of it."""
    short(window, qtbot, dialog, stop_s=1000.0)
    choose(dialog.form.output, "sequence")
    window.files.asking.given |= {"save_path": str(tmp_path / "frames"), "may_stop_writing": False}
    dialog.write.click()
    qtbot.waitUntil(lambda: "frame" in dialog.working.progress.format(), timeout=60_000)
    dialog.close()
    assert not dialog.isVisible() and dialog.is_writing and "goes on" in window.bar.text
    for turn in range(8):  # the window answers long before the film is done
        window.player.seek(EVENTS.liftoff_log_s + 0.01 * turn)
        qtbot.wait(1)
        assert window.player.playback.log_time_s == EVENTS.liftoff_log_s + 0.01 * turn and dialog.is_writing
    assert not window.files.may_leave()
    window.actions["film"].trigger()
    assert window.files._film_dialog is dialog and dialog.isVisible()
    dialog.working.stop.click()
    assert "Nothing was written" in dialog.said.text() and dialog.write.isEnabled()
    dialog.reject()
    assert window.files._film_dialog is None
    assert list(tmp_path.glob("*frames*")) == list(tmp_path.glob(".*frames*")) == []


def test_what_a_review_says_that_no_film_can_be_is_said(qtbot, window, dialog):
    """And the usual film is shown instead."""
    window.session.apply(lambda review: dataclasses.replace(review, film_settings={"fps": 7}), "Film")
    assert "'fps'" in dialog.said.text()
    assert dialog._request.as_settings() == FilmRequest(window.session.snapshot).as_settings()
    seen(qtbot, dialog)
