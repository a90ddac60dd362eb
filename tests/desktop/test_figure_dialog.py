"""Figure dialog: seen as it will be saved, kept in the document with undo, saved whole, and everything by the keyboard."""

import json
import re
import threading

import pytest
from desktop_helpers import settle
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtTest import QTest

from replay.figures.figure_request import FigureRequest, make_figure, to_look_at
from replay.figures.style import FigureSettings
from replay.review import edits


@pytest.fixture
def dialog(qtbot, window):
    window.actions["figures"].trigger()
    made = window.files._figure_dialog
    assert made.isVisible()
    drawn(qtbot, made)
    yield made
    if window.files._figure_dialog is not None:
        made.close()


def drawn(qtbot, dialog):
    """Wait until what is chosen is on screen."""
    qtbot.waitUntil(lambda: not dialog._timer.isActive() and not dialog._preview.is_busy and not dialog._saving.is_busy, timeout=60_000)


def choose(box, wanted):
    i = box.findData(wanted)
    assert i >= 0
    box.setCurrentIndex(i)
    box.activated.emit(i)


def test_it_shows_the_figure_with_its_words(window, dialog):
    """A picture that fills its place, a caption with numbers, the words for those who can't see it; Escape ends it."""
    picture = dialog.picture.pixmap()
    assert picture.width() >= 0.9 * dialog.picture.width() or picture.height() >= 0.9 * dialog.picture.height()
    image = picture.toImage()
    colours = {image.pixel(x, y) for x in range(0, image.width(), 7) for y in range(0, image.height(), 7)}
    assert len(colours) > 4
    assert re.search(r"apogee \d+\.\d ± \d", dialog.caption.text())
    assert dialog.alt.text().startswith("Four panels")
    dialog.copy.click()
    assert QGuiApplication.clipboard().text() == dialog.caption.text()
    window.actions["figures"].trigger()
    assert window.files._figure_dialog is dialog  # one at a time
    QTest.keyClick(dialog, Qt.Key.Key_Escape)
    assert window.files._figure_dialog is None


def test_choices_are_edits_of_the_document(qtbot, window, dialog):
    """Each one step of undo, and the form shows it; what can't be meant is said and not kept; an edit in the window draws again."""
    choose(dialog.preset, "slide")
    choose(dialog.figure, "attitude")
    drawn(qtbot, dialog)
    assert "Attitude as flown" in dialog.caption.text()
    kept = window.session.review.figure_settings
    assert (kept["figure"], kept["preset"]) == ("attitude", "slide")
    assert "no what-if is set" in dialog.caption.text()
    window.session.apply(lambda review: edits.with_calibration_axis(review, "accel_bias_imu_mps2", 0, 2.0), "edit")
    settle(qtbot, window.session)
    drawn(qtbot, dialog)
    assert "before apogee" in dialog.caption.text()  # an edit in the window is in the figure here
    dialog.start_s.setFocus()
    QTest.keyClicks(dialog.start_s, "1.5")
    QTest.keyClick(dialog.start_s, Qt.Key.Key_Return)
    assert window.session.review.figure_settings["start_s"] == 1.5
    QTest.keyClicks(dialog.stop_s, "1.2")
    QTest.keyClick(dialog.stop_s, Qt.Key.Key_Return)
    assert "stop_s" not in window.session.review.figure_settings
    assert "a time after the start" in dialog.said.text()
    dialog.times.setText("0 two")
    dialog.times.editingFinished.emit()
    assert "expected numbers" in dialog.said.text()
    window.session.undo()
    assert dialog.start_s.value is None
    QTest.keyClick(dialog, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)  # the what-if
    QTest.keyClick(dialog, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)  # the figure
    assert dialog.figure.currentData() == "overview"
    assert window.session.review.figure_settings["preset"] == "slide"
    settle(qtbot, window.session)
    drawn(qtbot, dialog)
    assert "Height, speed" in dialog.caption.text()


def test_it_saves_what_it_shows(qtbot, window, dialog, tmp_path):
    """A figure that lacks its input says what gives it and can't be saved; else the bytes are those of the call behind it."""
    choose(dialog.figure, "thrust")
    drawn(qtbot, dialog)
    assert "--vehicle" in dialog.picture.text()
    assert not dialog.save.isEnabled()
    path = tmp_path / "out" / "plumb.svg"
    path.parent.mkdir()
    choose(dialog.figure, "plumb-circle")
    choose(dialog.suffix, "svg")
    drawn(qtbot, dialog)
    window.files.asking.given["save_path"] = str(path)
    dialog.save.click()
    drawn(qtbot, dialog)
    assert str(path) in dialog.said.text()
    assert [each.name for each in path.parent.iterdir()] == ["plumb.svg"]
    session = window.session
    record = json.loads(re.search(r'\{"command.*\}', path.read_text().replace("&quot;", '"'))[0])
    assert record["command"].startswith("plumbline figure ")
    assert record["settings"]["preset"] == "two-column"
    again = str(tmp_path / "again.svg")
    request = FigureRequest(session.snapshot, session.review, "plumb-circle", FigureSettings(), again, record["command"])
    make_figure(request, lambda share, text: None, threading.Event())
    assert (tmp_path / "again.svg").read_bytes() == path.read_bytes()


def test_panes_and_other_flights_are_chosen(qtbot, window, dialog):
    """A pane taken out leaves figure and review, undo brings it back; a campaign asks for flights, and draws those added."""
    choose(dialog.figure, "traces")
    drawn(qtbot, dialog)
    assert dialog.panes.isVisible()
    n_panes = dialog.panes.count()
    assert not any(mark in dialog.panes.item(row).text() for row in range(dialog.panes.count()) for mark in ":_.")  # names, no keys
    dialog.panes.item(0).setCheckState(Qt.CheckState.Unchecked)
    assert len(window.session.review.figure_settings["panes"]) == n_panes - 1
    window.session.undo()
    assert dialog.panes.item(0).checkState() == Qt.CheckState.Checked
    choose(dialog.figure, "campaign-differences")
    drawn(qtbot, dialog)
    assert "--beside" in dialog.picture.text()
    path = window.session.snapshot.log.paths[0]
    window.files.asking.given["open_paths"] = [path]
    dialog.beside.add.click()
    drawn(qtbot, dialog)
    assert list(window.session.review.figure_settings["beside"]) == [path]
    assert not dialog.beside.isHidden()


def test_a_preview_fills_its_place():
    """Resolution from the room there is, within bounds."""
    settings = FigureSettings("two-column")
    assert to_look_at(settings, 720, 2000).dpi == pytest.approx(100, abs=1)
    assert to_look_at(settings, 10, 10).dpi == 50
    assert to_look_at(settings, 99_999, 99_999).dpi == 400
