"""Every command that takes a log takes a review in its place, and does what the review says: its vehicle, method and what-if."""

import shutil
from pathlib import Path

import pytest

from replay.cli import COMMANDS, main
from replay.review.log_reference import reference_to
from replay.review.review import Review
from replay.review.storage import save_review
from replay.sensors.calibration import load_calibration

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "crooked_bench"
OF_NO_FLIGHT = {"open", "bench", "sample"}
"""`open` is the window's own test; the other two read no flight."""

# command -> what it is asked beside the review, {out} a path that is not there yet
ASKED = {
    "check": [],
    "estimate": ["--out", "{out}.csv"],
    "reconcile": ["--out", "{out}.toml"],
    "refly": ["--out", "{out}.csv"],
    "compare": ["{review}", "--out", "{out}.csv"],
    "figure": ["plumb-circle", "--out", "{out}.svg"],
    "report": ["--quick", "--out", "{out}"],
    "film": ["--size", "320x180", "--traces", "none", "--from", "0", "--to", "0.1", "--out", "{out}"],
}


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    """A saved review of the crooked bench: vehicle and evidence by path, a what-if, the quick method; log and review side by side."""
    folder = tmp_path_factory.mktemp("reviewed")
    for name in ("flight.csv", "vehicle.toml", "evidence.toml"):
        shutil.copy(SAMPLE / name, folder / name)
    path = folder / "bench.review.json"
    made = Review(
        logs=(reference_to(folder / "flight.csv"),),
        what_if=load_calibration(SAMPLE / "true_calibration.toml"),
        method="integrate",
        vehicle_path=str(folder / "vehicle.toml"),
        evidence_path=str(folder / "evidence.toml"),
    )
    save_review(made, path)
    return path


def test_every_command_that_takes_a_log_is_asked():
    assert set(ASKED) == set(COMMANDS) - OF_NO_FLIGHT


@pytest.mark.parametrize("command", ASKED)
def test_a_review_stands_in_for_its_log(command, review, tmp_path, capsys, qapp):
    """Exit code 0, and what was asked for is there; nothing of the review or its log is touched."""
    before = {path: path.read_bytes() for path in review.parent.iterdir()}
    out = tmp_path / "made"
    arguments = [text.format(out=out, review=review) for text in ASKED[command]]
    assert main([command, str(review), *arguments]) == 0, capsys.readouterr().err
    said = capsys.readouterr()
    assert said.out or said.err
    if "--out" in arguments:
        made = Path(arguments[arguments.index("--out") + 1])
        assert made.is_dir() or made.stat().st_size > 100
    assert {path: path.read_bytes() for path in review.parent.iterdir()} == before


def test_a_review_whose_log_is_gone_says_which_file_and_where_it_was(review, tmp_path, capsys):
    alone = tmp_path / review.name
    shutil.copy(review, alone)
    assert main(["check", str(alone)]) == 1
    assert "flight.csv" in capsys.readouterr().err
