"""One frame of the Attitude view against a named reference: 290 smoothed triangles drawn by the same painter in the same run."""

import os
from time import thread_time

import numpy as np
import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QImage, QPainter
from scene_flight import snapshot

from replay.scene.build import SceneOptions, build_scene, middle_enu_m, prepare
from replay.scene.camera import CAMERAS, WIDE, Viewpoint, camera_at
from replay.scene.paint import to_image
from replay.scene.project import project

pytestmark = [pytest.mark.benchmark, pytest.mark.usefixtures("qapp")]
SIZE = (700, 700)


def _triangles():
    image = QImage(*SIZE, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(Qt.GlobalColor.white)
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(Qt.PenStyle.NoPen)
    for k in range(290):
        x, y = 37.0 * k % 600.0, 53.0 * k % 600.0
        painter.setBrush(QColor(k % 255, 100, 100))
        painter.drawConvexPolygon([QPointF(x, y), QPointF(x + 30.0, y + 3.0), QPointF(x + 12.0, y + 40.0)])
    painter.end()


@pytest.mark.parametrize("name", CAMERAS)
def test_a_frame_costs_no_more_than_a_few_hundred_triangles(name):
    """Scene, projection and painting at 700 × 700 with both vehicles: below three times the reference (measured 1.5 to 2.1)."""
    flight = prepare(snapshot())
    frames, reference = [], []
    for k in range(60):
        t = 3.0 + 0.1 * k
        start = thread_time()
        _triangles()
        middle = thread_time()
        scene = build_scene(flight, t, SceneOptions(is_wide=name in WIDE))
        to_image(project(scene, camera_at(Viewpoint(name), flight.stage, middle_enu_m(flight, t, is_wide=name in WIDE)), SIZE))
        frames.append(thread_time() - middle)
        reference.append(middle - start)
    ratio = float(np.median(frames[5:]) / np.median(reference[5:]))
    print(f"{name}: {1e3 * np.median(frames):.1f} ms a frame, reference {1e3 * np.median(reference):.1f} ms, ratio {ratio:.2f}")
    assert ratio < 3.0
