"""`plumbline open`: what is stated beside a log is in the document that the window opens."""

import threading
from pathlib import Path

import pytest

from replay.cli import main
from replay.desktop import app
from replay.desktop.preferences import Folders, Preferences
from replay.desktop.reading import ReadRequest, read
from replay.review.review import Review
from replay.sensors.calibration import load_calibration
from replay.units import DEG

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "crooked_bench"
LOG, VEHICLE, TRUE = (str(SAMPLE / name) for name in ("flight.csv", "vehicle.toml", "true_calibration.toml"))


@pytest.fixture
def opened(monkeypatch):
    """Stands in for the window: what it would have been asked."""
    asked = []
    monkeypatch.setattr(app, "run", lambda paths, **stated: asked.append((paths, stated)) or 0)
    return asked


def test_vehicle_calibration_and_heading_go_into_the_document(opened, tmp_path):
    """Read as the window reads it; the calibration is the what-if, as for every command."""
    assert main(["open", LOG, "--vehicle", VEHICLE, "--calibration", TRUE, "--pad-azimuth", "12"]) == 0
    ((paths, stated),) = opened
    request = ReadRequest(tuple(paths), stated["column_map"], state=stated["state"])
    preferences = Preferences(Folders(tmp_path / "settings", tmp_path / "data"))
    review = read(request, preferences, lambda *_: None, threading.Event()).review
    assert review.vehicle_path == VEHICLE
    assert review.drawn_whatif == load_calibration(TRUE)
    assert review.site.pad_azimuth_rad == pytest.approx(12.0 * DEG)


def test_a_log_alone_states_nothing(opened):
    assert main(["open", LOG]) == 0
    assert opened == [([LOG], {"column_map": None, "state": None, "is_layout_reset": False})]


@pytest.mark.parametrize("options", [["--vehicle", "no-such.toml"], ["--calibration", LOG], ["--columns", "no-such.toml"]])
def test_what_can_not_be_read_is_said_before_a_window_shows(opened, capsys, options):
    assert main(["open", LOG, *options]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert not opened


def test_options_without_a_log_are_about_nothing(opened, capsys):
    assert main(["open", "--vehicle", VEHICLE]) == 1
    assert "a log that the options are about" in capsys.readouterr().err


def test_stating_a_vehicle_keeps_the_rest_of_a_review(opened):
    assert main(["open", LOG, "--vehicle", VEHICLE]) == 0
    review = Review(method="kalman", moved_events={"liftoff_log_s": 3.0})
    changed = opened[0][1]["state"](review)
    assert (changed.method, changed.moved_events, changed.vehicle_path) == (review.method, review.moved_events, VEHICLE)
