"""`plumbline sample`: what it writes, that it writes the same again, and that it writes over nothing unasked."""

import numpy as np
import pytest

from replay import cli
from replay.sensors.calibration import load_calibration
from replay.settings_file import number, read_toml
from replay.whatif import sample
from replay.whatif.vehicle import load_vehicle

FILES = {"flight.csv", "truth.csv", "events.csv", "note.txt", "vehicle.toml", "evidence.toml", "true_calibration.toml"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("samples") / "made"
    assert cli.main(["sample", str(path), "--compact"]) == 0
    return path


def test_what_is_written(folder):
    """A folder a flight, each with its truth, and a page that says what is wrong with each."""
    assert {path.name for path in folder.iterdir()} == {"README.md", *sample.NAMES}
    page = (folder / "README.md").read_text(encoding="utf-8")
    for name in sample.NAMES:
        assert {path.name for path in (folder / name).iterdir()} == FILES
        note = (folder / name / "note.txt").read_text(encoding="utf-8")
        assert note.split(": ", 1)[1].strip() in page
        assert (folder / name / "flight.csv").stat().st_size < 2e6


def test_files_read_back(folder):
    """Vehicle and calibration are those of the flight; truth is thinned to some 20 rows a second and agrees with it."""
    flight = sample.make("crooked_bench")
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
    from replay.whatif import scenarios

    monkeypatch.setattr(sample, "NAMES", ("troubled_logger",))
    assert list(scenarios.NAMES).count("troubled_logger") == 1
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
