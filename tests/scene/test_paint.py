"""Painting with Qt: pixels, transparency, and vector files whose text stays text."""

import subprocess
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgRenderer
from scene_flight import snapshot

from replay.errors import SettingsError
from replay.scene import palette
from replay.scene.build import SceneOptions, build_scene, middle_enu_m, prepare
from replay.scene.camera import Viewpoint, camera_at
from replay.scene.emblem import emblem
from replay.scene.paint import save_picture, to_image
from replay.scene.project import project

pytestmark = pytest.mark.usefixtures("qapp")


def _draw_list(background="#FBFCFD", size=(420, 420), **options):
    flight = prepare(snapshot())
    scene = build_scene(flight, 9.0, SceneOptions(background=background, **options))
    return project(scene, camera_at(Viewpoint("chase"), flight.stage, middle_enu_m(flight, 9.0, is_wide=False), size[0] / size[1]), size)


def _pixels(image):
    image = image.convertToFormat(QImage.Format.Format_RGBA8888)
    return (
        np.frombuffer(image.constBits(), dtype=np.uint8)
        .reshape(image.height(), image.bytesPerLine() // 4, 4)[:, : image.width()]
        .astype(int)
    )


def _is_near(pixels, colour, reach=60):
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return np.abs(pixels[..., :3] - [red, green, blue]).max(axis=-1) < reach


def test_the_vehicle_fills_the_middle_of_the_chase_picture():
    """Dark outline, white tube and the accent's blue all appear, and the vehicle spans over half the height."""
    pixels = _pixels(to_image(_draw_list(show_ground=False, show_reference=False, show_notes=False, show_path=False, show_what_if=False)))
    is_vehicle = np.abs(pixels[..., :3] - [251, 252, 253]).max(axis=-1) > 30
    rows = np.flatnonzero(is_vehicle.any(axis=1))
    assert 0.4 * 420 < np.ptp(rows) < 0.8 * 420
    assert _is_near(pixels, palette.BLUE).sum() > 300


def test_no_background_is_seen_through_the_seams_of_the_skin():
    """On magenta, no pixel well inside the vehicle's outline is tinted by it."""
    bare = {"show_ground": False, "show_reference": False, "show_notes": False, "show_path": False, "show_what_if": False}
    on_magenta = _pixels(to_image(_draw_list("#FF00FF", **bare), 2.0))
    on_green = _pixels(to_image(_draw_list("#00FF00", **bare), 2.0))
    differs = np.abs(on_magenta - on_green).max(axis=-1)
    is_body = differs < 200
    inner = is_body.copy()
    for _ in range(4):
        inner[1:-1, 1:-1] &= is_body[:-2, 1:-1] & is_body[2:, 1:-1] & is_body[1:-1, :-2] & is_body[1:-1, 2:]
        is_body = inner.copy()
    assert inner.sum() > 2000
    assert differs[inner].max() < 24


def test_without_a_background_the_picture_is_transparent_around_the_vehicle():
    """Alpha 0 in the corners, 255 on the tube, and in between where the twin stands."""
    alpha = _pixels(to_image(_draw_list(None, show_ground=False, show_reference=False, show_notes=False)))[..., 3]
    assert alpha[0, 0] == 0 and alpha[-1, -1] == 0 and alpha[210, 210] == 255
    assert ((alpha > 40) & (alpha < 140)).sum() > 300


def test_double_density_has_twice_the_pixels_and_the_same_picture():
    """At ratio 2 each 2 × 2 block averages to about the pixel at ratio 1: sharper, not larger."""
    draw_list = _draw_list()
    once, twice = _pixels(to_image(draw_list)), _pixels(to_image(draw_list, 2.0))
    assert twice.shape == (840, 840, 4)
    blocks = twice.reshape(420, 2, 420, 2, 4).mean(axis=(1, 3))
    assert np.abs(blocks - once).mean() < 2.5


def test_svg_keeps_text_as_text_and_is_the_same_bytes_twice(tmp_path):
    """A search in the file finds the words."""
    for name in ("a.svg", "b.svg"):
        save_picture(_draw_list(), tmp_path / name)
    text = (tmp_path / "a.svg").read_text()
    assert "heading declared, not measured" in text and "<text" in text
    assert text == (tmp_path / "b.svg").read_text()


def test_pdf_text_can_be_selected_and_its_fonts_are_embedded(tmp_path):
    """Checked with Poppler's own tools."""
    path = tmp_path / "view.pdf"
    save_picture(_draw_list(), path)
    text = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True).stdout
    assert "as flown" in text and "tilt" in text
    fonts = subprocess.run(["pdffonts", path], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert fonts and all(" yes " in line for line in fonts)
    size = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert "315 x 315 pts" in size


def test_png_and_wrong_endings(tmp_path):
    """A picture of another kind is refused by name, and nothing is left behind."""
    save_picture(_draw_list(), tmp_path / "view.png")
    assert QImage(str(tmp_path / "view.png")).width() == 840
    with pytest.raises(SettingsError, match=r"\.svg, \.pdf or \.png"):
        save_picture(_draw_list(), tmp_path / "view.bmp")
    assert [p.name for p in tmp_path.iterdir()] == ["view.png"]


@pytest.mark.parametrize("size", [16, 64, 256])
def test_the_emblem_is_round_cornered_and_has_its_bob(size):
    """Clear outside its corners, orange bob low on the left, white vehicle on the right, at every size."""
    pixels = _pixels(to_image(emblem(size)))
    assert pixels[0, 0, 3] < 8 and pixels[size // 2, size // 2, 3] == 255
    left, right = pixels[size // 2 :, : size // 2], pixels[:, size // 2 :]
    assert ((left[..., 0] > 120) & (left[..., 2] < 90)).sum() >= 0.01 * size**2
    assert (right[..., :3].min(axis=-1) > 130).sum() >= 0.02 * size**2


def test_the_icon_file_is_the_emblem():
    """The SVG beside the code, read by another renderer, shows what the code draws."""
    kept = Path(__file__).parents[2] / "resources" / "icons" / "plumbline.svg"
    image = QImage(256, 256, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(0)
    painter = QPainter(image)
    QSvgRenderer(str(kept)).render(painter)
    painter.end()
    assert np.abs(_pixels(image) - _pixels(to_image(emblem(256)))).mean() < 2.0
