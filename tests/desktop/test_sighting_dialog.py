"""A tilt sighting read off a drawn photograph, by pointer and by keys, from the Reconcile panel to the review and back."""

import math
import threading

import numpy as np
import pytest
from desktop_helpers import Answers
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QImage, QImageIOHandler, QImageWriter, QPainter, QPen
from PySide6.QtTest import QTest

from replay.desktop.picture_file import read_picture
from replay.desktop.reconcile_panel import ReconcilePanel
from replay.desktop.session import Session
from replay.desktop.sighting_dialog import ONE_VIEW, SightingDialog
from replay.errors import Cancelled, SettingsError
from replay.units import DEG

WIDE, HIGH, LEAN_DEG = 1600, 1200, 12.0
TAIL = (700.0, 900.0)
NOSE = (TAIL[0] + 600.0 * math.sin(LEAN_DEG * DEG), TAIL[1] - 600.0 * math.cos(LEAN_DEG * DEG))


@pytest.fixture
def picture(tmp_path):
    """A vehicle that leans 12° to the right, before a light sky."""
    image = QImage(WIDE, HIGH, QImage.Format.Format_RGB32)
    image.fill(QColor("#B9D3E6"))
    painter = QPainter(image)
    painter.fillRect(0, 950, WIDE, 250, QColor("#6E8B5A"))
    painter.setPen(QPen(QColor("#3B3F44"), 60))
    painter.drawLine(QPointF(*TAIL), QPointF(*NOSE))
    painter.end()
    path = tmp_path / "pad.png"
    assert image.save(str(path))
    return str(path)


def drag(canvas, start, stop):
    """With the left button, from one point of the whole picture to another."""
    a, b = (canvas._on_screen(p).toPoint() for p in (start, stop))
    QTest.mousePress(canvas, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, a)
    QTest.mouseMove(canvas, QPoint((a + b) / 2))
    QTest.mouseMove(canvas, b)
    QTest.mouseRelease(canvas, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, b)


def enter(field, text):
    field.setFocus()
    field.selectAll()
    QTest.keyClicks(field, text)
    field.editingFinished.emit()


@pytest.fixture
def dialog(qtbot, preferences, picture):
    session = Session(preferences)
    made = SightingDialog(session, Answers(), picture, 1.5)
    made.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose, False)
    qtbot.addWidget(made)
    made.show()
    qtbot.waitUntil(made.ok.isEnabled)
    yield made
    session.close()


def test_dragged_onto_the_vehicle_it_becomes_evidence_in_one_step(qtbot, preferences, picture):
    """Camera looks north, so a lean to the right is towards east; without the camera's azimuth nothing is taken, and that is said."""
    session = Session(preferences)
    panel = ReconcilePanel(session, Answers(open_path=picture))
    qtbot.addWidget(panel)
    session.review_changed.connect(panel.show_review)
    before = session.review
    panel.show()
    panel.editor.photograph.click()
    dialog = panel.findChild(SightingDialog)
    qtbot.waitUntil(dialog.ok.isEnabled)
    canvas = dialog.canvas
    drag(canvas, (WIDE / 2, HIGH / 2), (WIDE / 2 - 40, HIGH / 2 + 30))  # the whole
    assert canvas.line[0] == pytest.approx((WIDE / 2 - 40, 0.75 * HIGH + 30), abs=4.0)
    drag(canvas, canvas.line[0], TAIL)
    drag(canvas, canvas.line[1], NOSE)
    dialog.ok.click()
    assert dialog.isVisible() and "where the camera looked" in dialog.failure.text() and session.review == before
    enter(dialog.fields["azimuth"], "0")
    enter(dialog.fields["time_s"], "1.25")
    assert "across the line of sight" in dialog.note.text() and dialog.note.text() == ONE_VIEW
    dialog.ok.click()
    assert not dialog.isVisible()
    (sighting,) = session.review.evidence.sightings
    assert sighting.tilt_rad / DEG == pytest.approx(LEAN_DEG, abs=0.3)
    assert sighting.tilt_azimuth_rad / DEG == pytest.approx(90.0, abs=1e-6)
    assert (sighting.time_s, sighting.sd_rad, sighting.is_one_view) == (1.25, pytest.approx(1.5 * DEG), True)
    session.history.undo()
    assert session.review == before
    session.close()


def test_keys_move_and_turn_what_is_laid(dialog):
    canvas, shift = dialog.canvas, Qt.KeyboardModifier.ShiftModifier
    (x, y), _ = canvas.line
    QTest.keyClick(canvas, Qt.Key.Key_Right)
    QTest.keyClick(canvas, Qt.Key.Key_Down, shift)
    assert canvas.line[0] == pytest.approx((x + 1, y + 10))
    for key, modifier in (
        (Qt.Key.Key_BracketRight, shift),
        (Qt.Key.Key_BraceRight, shift),
        (Qt.Key.Key_BracketLeft, Qt.KeyboardModifier.NoModifier),
    ):
        QTest.keyClick(canvas, key, modifier)
    enter(dialog.fields["azimuth"], "90")
    assert dialog.sighting().tilt_rad / DEG == pytest.approx(1.9, abs=1e-6)
    assert dialog.sighting().tilt_azimuth_rad / DEG == pytest.approx(180.0, abs=1e-6)


@pytest.mark.parametrize("layer", [1, 2])
def test_a_plumb_line_or_the_horizon_says_how_far_the_camera_was_turned(dialog, layer):
    """Both turned 5° clockwise in the picture: so was everything in it, and an upright outline leans 5° to the left of plumb."""
    dialog.layer.setCurrentIndex(layer)
    QTest.keyClick(dialog.canvas, Qt.Key.Key_BracketRight)
    for _ in range(5):
        QTest.keyClick(dialog.canvas, Qt.Key.Key_BracketRight, Qt.KeyboardModifier.ShiftModifier)
    QTest.keyClick(dialog.canvas, Qt.Key.Key_BracketLeft)
    assert dialog.fields["roll"].value == pytest.approx(-5.0, abs=0.01) and "read off" in dialog.roll_note.text()
    enter(dialog.fields["azimuth"], "0")
    assert dialog.sighting().tilt_rad / DEG == pytest.approx(5.0, abs=0.01)
    assert dialog.sighting().tilt_azimuth_rad / DEG == pytest.approx(270.0, abs=1e-6)


def test_what_is_no_picture_is_said_where_it_would_stand(qtbot, dialog, tmp_path):
    path = tmp_path / "notes.jpg"
    path.write_text("no picture")
    dialog.open_picture(str(path))
    assert dialog.canvas.texts[0] == "Reading notes.jpg…"
    qtbot.waitUntil(lambda: dialog.stop.isHidden())
    assert "expected a PNG or JPEG picture" in dialog.canvas.texts[0] and not dialog.ok.isEnabled()


def test_a_large_picture_taken_upright_stands_upright_and_smaller(tmp_path):
    """The turn is written as a camera writes it; lines are laid in pixels of the whole picture."""
    image = QImage(3000, 1500, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.fillRect(0, 0, 1500, 1500, QColor("black"))
    painter.end()
    path = str(tmp_path / "upright.jpg")
    writer = QImageWriter(path)
    writer.setTransformation(QImageIOHandler.Transformation.TransformationRotate90)
    assert writer.write(image)
    read, whole = read_picture(path)
    assert whole == (1500, 3000) and (read.width(), read.height()) == (1200, 2400)
    assert read.pixelColor(600, 100).lightness() < 20 < 235 < read.pixelColor(600, 2300).lightness()


def test_a_picture_is_read_beside_the_window_and_can_be_stopped(dialog, qtbot, picture, monkeypatch):
    """Held after its first piece: the dialog answers, shows how far it is, and after Stop shows no picture until another is opened."""
    held, may_go, heard = threading.Event(), threading.Event(), []

    def slow(path, progress, cancel):
        progress(0.3, "Reading pad.png")
        held.set()
        assert may_go.wait(10.0)
        return read_picture(path, progress, cancel)

    monkeypatch.setattr(dialog._background, "_work", slow)
    dialog._background.progressed.connect(lambda share, _: heard.append(share))
    dialog.open_picture(picture)
    qtbot.waitUntil(lambda: held.is_set() and bool(heard))
    assert dialog.stop.isVisible() and dialog.progress.value() == 30 and not dialog.ok.isEnabled()
    QTest.mouseClick(dialog.stop, Qt.MouseButton.LeftButton)
    may_go.set()
    assert dialog.stop.isHidden() and "Stopped" in dialog.canvas.texts[0] and dialog.another.hasFocus()
    dialog.open_picture(picture)
    qtbot.waitUntil(dialog.ok.isEnabled)


def test_reading_tells_how_far_it_is_and_stops_in_the_middle(tmp_path):
    """A picture of noise, which no method makes small: its file is read in many pieces, and a stop lets no half picture through."""
    noise = np.random.default_rng(5).integers(0, 255, (700, 900, 4), dtype=np.uint8)
    path = str(tmp_path / "noise.jpg")
    assert QImage(noise.tobytes(), 900, 700, QImage.Format.Format_RGB32).save(path, quality=95)
    shares, cancel = [], threading.Event()
    image, whole = read_picture(path, lambda share, _: shares.append(share))
    assert whole == (900, 700) and (image.width(), image.height()) == whole
    assert len(shares) > 20 and shares == sorted(shares) and shares[-1] > 0.9

    def stop_at_half(share, _):
        if share > 0.5:
            cancel.set()

    with pytest.raises(Cancelled):
        read_picture(path, stop_at_half, cancel)
    with pytest.raises(SettingsError, match=r"nowhere\.jpg.*photograph"):
        read_picture(str(tmp_path / "nowhere.jpg"))
