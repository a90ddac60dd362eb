"""`plumbline film` from a log to a file, and its refusals."""

import json
import math
import os
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pytest
from film_files import decoded, lean_rad
from PySide6.QtGui import QImage

import replay
from replay import rotation
from replay.cli import main
from replay.review.log_reference import reference_to
from replay.review.review import Review
from replay.review.storage import save_review
from replay.whatif.vehicle import load_vehicle

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "crooked_bench"
LOG, VEHICLE, TRUE = (str(SAMPLE / name) for name in ("flight.csv", "vehicle.toml", "true_calibration.toml"))
SMALL = ["--size", "320x180", "--method", "integrate", "--traces", "none"]

pytestmark = pytest.mark.usefixtures("qapp")


def test_a_log_becomes_numbered_pictures_and_json_says_what_was_written(tmp_path, capsys):
    """Four tenths of a second at 24 frames a second: a ramp, a slate, the what-if of a calibration file."""
    out = tmp_path / "frames"
    options = [
        "--vehicle",
        VEHICLE,
        "--calibration",
        TRUE,
        "--from",
        "-0.1",
        "--to",
        "0.3",
        "--speed",
        "0:1,0.2:2",
        "--fps",
        "24",
        "--slate",
        "0.1",
    ]
    assert main(["film", LOG, "--out", str(out), *options, *SMALL, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    files = sorted(out.iterdir())
    assert len(files) == said["frames"] and said["slate_frames"] == 2 and said["frames_per_second"] == "24"
    assert said["codec"] == "sequence" and QImage(str(files[0])).width() == 320
    film_s = 0.1 + 0.2 * math.log(2.0) + 0.05  # real time, a ramp from 1 to 2, double speed
    assert said["frames"] == 2 + math.floor(24 * film_s) + 1


def test_the_film_of_a_sample_flight_shows_its_vehicle_at_its_tilt(tmp_path):
    """Decoded again: frames, duration, a clear background, and the long axis in two frames against the estimate, within half a degree."""
    pytest.importorskip("av")
    out, start, rate = tmp_path / "sample.mov", 8.2, 30
    bare = ["--no-readout", "--no-time", "--no-what-if", "--slate", "0", "--traces", "none", "--method", "integrate"]
    span = ["--from", str(start), "--to", str(start + 0.1), "--fps", str(rate)]
    options = ["--vehicle", VEHICLE, "--alpha", "--codec", "png", "--camera", "side", "--size", "720x720"]
    assert main(["film", LOG, "--out", str(out), *options, *span, *bare]) == 0
    frames, decoded_rate, duration_s = decoded(out)
    assert (len(frames), float(decoded_rate)) == (4, rate) and duration_s == pytest.approx(4 / rate, abs=1e-3)
    assert frames[0][5, 5, 3] == 0
    vehicle = load_vehicle(VEHICLE)
    solution = replay.estimate(replay.read_log(LOG), "integrate", site=vehicle.site, imu_from_cg_m=vehicle.imu_from_cg_m)
    for k in (0, 3):
        i = int(np.searchsorted(solution.log_time_s, solution.events.liftoff_log_s + start + k / rate))
        nose = rotation.rotate(solution.q_enu_from_body[i], np.array([0.0, 0.0, 1.0]))
        assert math.degrees(lean_rad(frames[k][..., 3] > 200)) == pytest.approx(math.degrees(math.atan2(nose[0], nose[2])), abs=0.7)
    assert abs(nose[0]) > 0.2, "a lean worth measuring"


def test_the_flight_is_flown_again_where_asked(tmp_path, capsys):
    """`--refly` draws the model's flight with its own outline; without a what-if one line says what is missing."""
    span = ["--from", "6", "--to", "6.01", "--fps", "24", "--slate", "0", "--vehicle", VEHICLE, "--camera", "side", *SMALL]
    assert main(["film", LOG, "--calibration", TRUE, "--refly", "--out", str(tmp_path / "with"), *span]) == 0
    assert main(["film", LOG, "--calibration", TRUE, "--no-refly", "--out", str(tmp_path / "without"), *span]) == 0
    shown = [QImage(str(tmp_path / name / f"{name}_000001.png")) for name in ("with", "without")]

    def purple(image):
        colours = [image.pixelColor(x, y) for x in range(242) for y in range(60, 180)]
        return sum(c.red() - c.green() > 25 and c.blue() - c.green() > 15 for c in colours)

    assert purple(shown[0]) > 20
    assert purple(shown[1]) == 0
    capsys.readouterr()
    assert main(["film", LOG, "--refly", "--out", str(tmp_path / "third"), *span]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "--calibration" in error and not (tmp_path / "third").exists()


def test_a_review_brings_its_film_settings_and_options_go_before_them(tmp_path, capsys):
    """Camera, size and rate from the review; the rate overruled on the command line."""
    settings = {
        "size_px": [320, 180],
        "rate": "25",
        "traces": [],
        "start_s": 0.0,
        "stop_s": 0.2,
        "slate_s": 0.0,
        "camera": {"name": "side"},
    }
    review = Review(logs=(reference_to(LOG),), method="integrate", vehicle_path=VEHICLE, film_settings=settings)
    path = tmp_path / "flight.review.json"
    save_review(review, path)
    assert main(["film", str(path), "--out", str(tmp_path / "frames"), "--fps", "50", "--zoom", "2", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["frames_per_second"] == "50" and said["width_px"] == 320 and said["frames"] == 11


def test_a_taken_name_is_said_in_one_line(tmp_path, capsys):
    """Exit code 1, the file untouched."""
    out = tmp_path / "a.mp4"
    out.write_bytes(b"old")
    assert main(["film", LOG, "--out", str(out), *SMALL, "--from", "0", "--to", "0.1"]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "--force" in error and out.read_bytes() == b"old"


@pytest.mark.parametrize(
    "options",
    [
        ["--size", "wide"],
        ["--fps", "27"],
        ["--speed", "fast"],
        ["--speed", "0:1:2"],
        ["--camera", "drone"],
        ["--codec", "mpeg"],
        ["--from", "nan"],
    ],
)
def test_wrong_usage_is_exit_code_two(tmp_path, capsys, options):
    """Before anything is read."""
    with pytest.raises(SystemExit) as stop:
        main(["film", "missing.csv", "--out", str(tmp_path / "a.mp4"), *options])
    assert stop.value.code == 2 and options[0] in capsys.readouterr().err


def test_an_ending_no_film_has_is_wrong_usage(tmp_path, capsys):
    """Exit 2, no file."""
    assert main(["film", LOG, "--out", str(tmp_path / "a.avi"), *SMALL]) == 2
    assert ".avi" in capsys.readouterr().err.splitlines()[-1] and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("options", "named"),
    [(["--from", "3", "--to", "2"], "--to"), (["--size", "321x180"], "--size"), (["--alpha", "--out", "a.mp4"], "--alpha")],
)
def test_requests_that_cannot_be_are_refused_in_one_line(tmp_path, capsys, monkeypatch, options, named):
    """Exit code 1, nothing written."""
    monkeypatch.chdir(tmp_path)
    assert main(["film", LOG, "--out", "b.mp4", *SMALL, *options]) == 1
    assert named in capsys.readouterr().err and list(tmp_path.iterdir()) == []
