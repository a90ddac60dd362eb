"""The 3D picture on matplotlib axes is the picture on screen."""

import os
import re

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pytest
from PySide6.QtGui import QImage
from scene_flight import snapshot

from replay.figures.scene_axes import draw_on_axes
from replay.figures.style import style
from replay.scene.build import SceneOptions, prepare
from replay.scene.camera import Viewpoint
from replay.scene.drawlist import Text
from replay.scene.paint import to_image
from replay.scene.picture import picture

FLIGHT = prepare(snapshot())
SIZE = (300, 300)


def _figure(draw_list):
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(SIZE[0] / 100, SIZE[1] / 100), dpi=100, layout="none")
    FigureCanvasAgg(figure)
    draw_on_axes(figure.add_axes((0.0, 0.0, 1.0, 1.0)), draw_list, pt_per_px=0.72)
    return figure


@pytest.mark.parametrize("camera", ["chase", "orbit"])
def test_both_painters_draw_the_same_picture(qapp, camera):
    """Pixel by pixel against Qt's, but for how edges are smoothed."""
    draw_list = picture(FLIGHT, 9.0, Viewpoint(camera), SIZE, SceneOptions(show_notes=False))
    with style("two-column"):
        figure = _figure(draw_list)
        figure.canvas.draw()
        ours = np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(float)
    image = to_image(draw_list).convertToFormat(QImage.Format.Format_RGBA8888)
    theirs = np.frombuffer(image.constBits(), dtype=np.uint8).reshape(*SIZE, 4)[..., :3].astype(float)
    apart = np.abs(ours - theirs).max(axis=-1)
    assert np.median(apart) <= 1.0
    assert (apart > 60).mean() < 0.02
    assert (np.abs(theirs - theirs[0, 0]).max(axis=-1) > 40).mean() > 0.03  # there is something to compare


def test_svg_keeps_every_text_and_is_the_same_twice(tmp_path):
    """All words of the draw list are in the file as words."""
    draw_list = picture(FLIGHT, 9.0, Viewpoint("chase"), SIZE)
    contents = []
    for name in ("a.svg", "b.svg"):
        with style("two-column"):
            _figure(draw_list).savefig(tmp_path / name, metadata={"Date": None})
        contents.append((tmp_path / name).read_text())
    assert contents[0] == contents[1]
    words = set(re.findall(r"<text[^>]*>([^<]+)</text>", contents[0]))
    assert {shape.text for shape in draw_list.shapes if isinstance(shape, Text)} <= words
