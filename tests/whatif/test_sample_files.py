"""`plumbline sample`: what it writes, that it writes the same again, and that it writes over nothing unasked."""

from pathlib import Path

import numpy as np
import pytest

from replay import cli
from replay.sensors.calibration import load_calibration
from replay.settings_file import number, read_toml
from replay.whatif import sample
from replay.whatif.scenarios import SCENARIOS
from replay.whatif.vehicle import load_vehicle

FILES = {"flight.csv", "truth.csv", "events.csv", "note.txt", "vehicle.toml", "evidence.toml", "true_calibration.toml"}


SOME = ("clean", "crooked_bench", "troubled_logger")


@pytest.fixture(scope="module")
def folder(tmp_path_factory, fly):
    """A folder as the command makes it, of three of the flights."""
    path = tmp_path_factory.mktemp("samples") / "made"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sample, "NAMES", SOME)
        patch.setattr(sample, "make", fly)
        assert cli.main(["sample", str(path), "--compact"]) == 0
    return path


def test_what_is_written(folder):
    """A folder a flight, each with its truth, and a page that says what is wrong with each."""
    assert {path.name for path in folder.iterdir()} == {"README.md", *SOME}
    page = (folder / "README.md").read_text(encoding="utf-8")
    for name in SOME:
        assert {path.name for path in (folder / name).iterdir()} == FILES
        note = (folder / name / "note.txt").read_text(encoding="utf-8")
        assert note.split(": ", 1)[1].strip() in page
        assert (folder / name / "flight.csv").stat().st_size < 2e6


def test_files_read_back(folder, fly):
    """Vehicle and calibration are those of the flight; truth is thinned to some 20 rows a second and agrees with it."""
    flight = fly("crooked_bench")
    assert load_vehicle(folder / "crooked_bench" / "vehicle.toml") == flight.vehicle
    assert load_calibration(folder / "crooked_bench" / "true_calibration.toml") == flight.truth.calibration
    evidence = read_toml(
        folder / "crooked_bench" / "evidence.toml",
        {key: {name: number() for name in table} for key, table in flight.evidence.items()},
    )
    assert evidence == flight.evidence
    truth = np.genfromtxt(folder / "crooked_bench" / "truth.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    assert 18.0 < 1.0 / np.median(np.diff(truth["log_time_s"])) < 22.0
    i = np.searchsorted(flight.truth.log_time_s, truth["log_time_s"] - 1e-6)
    np.testing.assert_allclose(truth["height_m"], flight.truth.pos_enu_m[i, 2], atol=6e-4)
    np.testing.assert_allclose(truth["q_w"], flight.truth.q_enu_from_body[i, 0], atol=6e-7)
    assert set(truth["phase"]) == {"pad", "boost", "coast", "descent", "landed"}


def test_written_again_it_is_the_same(folder, tmp_path, monkeypatch):
    """Byte for byte, one flight for all (each is made by the same code)."""
    monkeypatch.setattr(sample, "NAMES", ("troubled_logger",))
    assert cli.main(["sample", str(tmp_path / "again"), "--compact"]) == 0
    for name in FILES:
        assert (tmp_path / "again" / "troubled_logger" / name).read_bytes() == (folder / "troubled_logger" / name).read_bytes()


def test_nothing_is_written_over(folder, capsys):
    """Without --force a folder that has sample flights is left alone, exit 1, one line."""
    before = (folder / "clean" / "flight.csv").stat().st_mtime_ns
    assert cli.main(["sample", str(folder)]) == 1
    assert (folder / "clean" / "flight.csv").stat().st_mtime_ns == before
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "--force" in error


def test_a_folder_that_cannot_be_made(tmp_path, capsys):
    (tmp_path / "file").write_text("not a folder")
    assert cli.main(["sample", str(tmp_path / "file" / "inside")]) == 1
    assert "folder that can be written" in capsys.readouterr().err


def test_the_sample_logs_beside_the_project_are_these(fly):
    """What lies in sample_logs is what the command writes: notes, files, rows up to ignition (later ones may round otherwise elsewhere)."""
    folder = Path(__file__).resolve().parents[2] / "sample_logs"
    assert {path.name for path in folder.iterdir()} == {"README.md", *sample.NAMES}
    for name in sample.NAMES:
        assert {path.name for path in (folder / name).iterdir()} == FILES
        assert load_vehicle(folder / name / "vehicle.toml") == SCENARIOS[name].vehicle
        assert (folder / name / "note.txt").read_text(encoding="utf-8") == f"{name}: {SCENARIOS[name].note}\n"
    kept = (folder / "clean" / "flight.csv").read_text(encoding="utf-8").splitlines()
    made = fly("clean").log_text().splitlines()
    assert kept[:1900] == made[:1900]
