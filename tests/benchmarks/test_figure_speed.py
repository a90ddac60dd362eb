"""A print of six panels of 250 thousand samples each: small, quick beside drawing every sample, and the same picture."""

import time

import numpy as np
import pytest
from drawn_flight import snapshot

from replay.figures.export import figure_bytes, new_figure
from replay.figures.registry import figure_kind
from replay.figures.style import FigureSettings, style
from replay.review import series as series_module
from replay.review.pyramid import Pyramid

pytestmark = pytest.mark.benchmark

PANES = tuple((key,) for key in ("accel.x", "accel.y", "accel.z", "rate.x", "rate.y", "rate.z"))
SETTINGS = FigureSettings("two-column", panes=PANES, start_s=-4.0, stop_s=34.0)


@pytest.fixture(scope="module")
def shot():
    made = snapshot(6600.0, what_if=False, onboard=False)
    assert len(made.as_flown.log_time_s) > 245_000
    keys = tuple(key for pane in PANES for key in pane)
    return type(made)(**{**made.__dict__, "extras": {series_module.EXTRA: series_module.prepare(made, keys)}})


def _pdf(shot):
    start = time.perf_counter()
    content = figure_bytes(figure_kind("traces").draw, "traces", shot, SETTINGS, "pdf")[1]
    return content, time.perf_counter() - start


def _every_sample(monkeypatch):
    """The reference: every sample as it is, nothing thinned by us or by matplotlib."""
    from matplotlib.path import Path

    monkeypatch.setattr(Path, "should_simplify", property(lambda self: False, lambda self, value: None))
    monkeypatch.setattr(Pyramid, "visible", lambda self, start_s, stop_s, n_pixels: (self.log_time_s, self.values))


def _picture(shot):
    with style("two-column"):
        figure = new_figure(SETTINGS)
        figure.set_dpi(100)
        figure_kind("traces").draw(figure, shot, SETTINGS)
        figure.canvas.draw()
        return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(float).mean(axis=2)


def test_a_quarter_of_a_million_samples_in_six_panels(shot, monkeypatch):
    """Under 1 MB, several times quicker than drawing every sample; a picture of it at 100 dpi is the same to the eye.

    A quiet machine of two cores takes 1.4 s for what may take 3 s; the ratio holds on a busy one too.
    """
    _pdf(shot)  # imports, fonts
    content, taken_s = min((_pdf(shot) for _ in range(3)), key=lambda made: made[1])
    ours = _picture(shot)
    _every_sample(monkeypatch)
    whole, whole_s = _pdf(shot)
    every = _picture(shot)
    print(f"envelope {taken_s:.2f} s, {len(content) / 1e3:.0f} kB; every sample {whole_s:.2f} s, {len(whole) / 1e3:.0f} kB")
    print(f"pixels that differ by more than a tenth of full scale: {np.mean(np.abs(ours - every) > 25.5):.2%}")
    assert taken_s < 0.6 * whole_s
    assert len(content) < 1_000_000
    assert len(whole) > 10 * len(content)
    assert np.mean(np.abs(ours - every) > 25.5) < 0.02
