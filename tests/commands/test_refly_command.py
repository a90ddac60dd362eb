"""`plumbline refly`: the table, the words beside it, and what it refuses."""

import json

import numpy as np
import pytest
from shared_data import shared_data

from replay import cli
from replay.cautions import CAUTION_LINE
from replay.review import storage
from replay.review.log_reference import reference_to
from replay.review.review import ReflySettings, Review
from replay.sensors.calibration import CalibrationFile, save_calibration
from replay.whatif import sample, sample_files


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The crooked bench as files, with a reconciled calibration that has standard deviations."""
    path = tmp_path_factory.mktemp("refly")
    flight = sample.make("crooked_bench", canopy_scale=0.2, rest_s=2.0)
    for name, write in sample_files.writers(flight, is_compact=True).items():
        write(path / name)
    sd = {"accel_bias_imu_mps2": (0.03, 0.03, 0.05)}
    save_calibration(CalibrationFile(flight.truth.calibration, sd), path / "reconciled.toml")
    return path


def arguments(folder, *more):
    return [
        "refly",
        str(folder / "flight.csv"),
        "--vehicle",
        str(folder / "vehicle.toml"),
        "--calibration",
        str(folder / "reconciled.toml"),
        *more,
    ]


def test_table_and_words(folder, tmp_path, capsys):
    """Flown and re-flown side by side; the difference at three moments, what is left out, and the caution."""
    out = tmp_path / "refly.csv"
    assert cli.main(arguments(folder, "--out", str(out), "--method", "integrate")) == 0
    said = capsys.readouterr().out
    for word in (
        "burnout, flown",
        "apogee, re-flown",
        "touchdown, re-flown",
        "shift",
        "leaves out",
        "guidance: vehicle file",
        CAUTION_LINE,
    ):
        assert word in said
    table = np.genfromtxt(out, delimiter=",", names=True)
    assert table.dtype.names[:2] == ("time_s", "flown_east_m")
    assert len(table.dtype.names) == 17
    apogee = np.argmax(table["flown_height_m"])
    assert np.hypot(table["reflown_east_m"] - table["flown_east_m"], table["reflown_north_m"] - table["flown_north_m"])[apogee] > 7.0
    assert cli.main(arguments(folder, "--out", str(out))) == 1
    assert "--force" in capsys.readouterr().err


def test_the_calibration_flown_with_changes_nothing(folder, capsys):
    """Flown with what is kept on board: no shift anywhere."""
    assert cli.main(arguments(folder, "--as-flown", str(folder / "reconciled.toml"), "--method", "integrate", "--json")) == 0
    result = json.loads(capsys.readouterr().out)
    for pair in result["moments"].values():
        assert pair["shift_m"] == [0.0, 0.0, 0.0]


def test_ensemble(folder, capsys):
    """Bands from the calibration file's standard deviations, in the summary."""
    assert cli.main(arguments(folder, "--members", "10", "--seed", "4", "--method", "integrate", "--json")) == 0
    result = json.loads(capsys.readouterr().out)["ensemble"]
    assert (result["members"], result["seed"]) == (10, 4)
    low, middle, high = result["reflown"]["apogee_east_m"]["band"]
    assert low < middle < high
    assert result["reflown"]["burnout_tilt_deg"]["sd"] > 0.0
    assert result["drawn_from"].endswith("reconciled.toml: standard deviations, taken as independent")
    # integration has no deviation of its own: no band without width stands for it
    assert result["flown"]["touchdown_east_m"] == {"band": [None] * 3, "sd": None}
    assert "integrate does not say" in result["touchdown"]


def test_an_ensemble_says_how_well_touchdown_is_known(folder, capsys):
    """Of the smoother: a band with a deviation of metres, in words too, where the members' own spread is decimetres."""
    assert cli.main(arguments(folder, "--members", "8")) == 0
    said = capsys.readouterr().out
    for which in ("flown", "re-flown"):
        line = next(line for line in said.splitlines() if line.startswith(f"  {which} touchdown east: "))
        assert 1.0 < float(line.rpartition("± ")[2]) < 10.0
    assert "place of touchdown is known to ±" in said


def test_a_review_brings_its_bandwidth_and_the_sensors_priors(folder, tmp_path, capsys):
    """Without a calibration file the ensemble draws from the priors of what reconcile frees; `--bandwidth` goes before the review's."""
    log = reference_to(folder / "flight.csv")
    what_if = sample.make("crooked_bench", canopy_scale=0.2, rest_s=2.0).truth.calibration
    review = Review(
        (log,), what_if=what_if, method="integrate", vehicle_path=str(folder / "vehicle.toml"), refly=ReflySettings(bandwidth_hz=6.0)
    )
    storage.save_review(review, tmp_path / "a.review.json")
    assert cli.main(["refly", str(tmp_path / "a.review.json"), "--members", "8", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["disturbance_bandwidth_hz"] == 6.0
    low, _, high = result["ensemble"]["flown"]["apogee_east_m"]["band"]
    assert "sensors' priors (data-sheet size" in result["ensemble"]["drawn_from"]
    assert high - low > 3.0  # an accelerometer bias known to 0.4 m/s2 only
    assert cli.main(["refly", str(tmp_path / "a.review.json"), "--bandwidth", "20", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["disturbance_bandwidth_hz"] == 20.0
    assert cli.main(["refly", str(tmp_path / "a.review.json"), "--bandwidth", "-1"]) == 1
    assert "--bandwidth" in capsys.readouterr().err


def test_refusals(folder, tmp_path, capsys):
    """No vehicle file, or an unguided one: one line, exit 1."""
    assert cli.main(["refly", str(folder / "flight.csv")]) == 1
    assert "vehicle file" in capsys.readouterr().err
    text = (folder / "vehicle.toml").read_text(encoding="utf-8")
    start, stop = text.index("[gimbal]"), text.index("[recovery]")
    (tmp_path / "fixed.toml").write_text(text[:start] + text[stop:], encoding="utf-8")
    assert cli.main(["refly", str(folder / "flight.csv"), "--vehicle", str(tmp_path / "fixed.toml")]) == 1
    error = capsys.readouterr().err
    assert "no guidance to re-fly" in error
    assert error.count("\n") == 1


def test_an_ensemble_is_stopped_from_the_keyboard(folder, tmp_path, monkeypatch, capsys):
    """One line, the shell's own code for it, and no half-written table."""

    def interrupted(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("replay.whatif.ensemble.wait", interrupted)
    out = tmp_path / "refly.csv"
    assert cli.main(arguments(folder, "--members", "20", "--method", "integrate", "--out", str(out))) == 130
    said = capsys.readouterr()
    assert said.err.strip() == "plumbline refly: stopped" and said.out == ""
    assert list(tmp_path.iterdir()) == []


SMALL = """
format = 1
name = "Student"
liftoff_mass_kg = 20.0
propellant_mass_kg = 3.0
diameter_m = 0.15
[motor]
thrust_curve_s_n = [[0.0, 0.0], [0.1, 1500.0], [2.5, 0.0]]
"""


@pytest.mark.parametrize("launch", [1, 3])
def test_a_real_unguided_flight_says_so(launch, tmp_path, capsys):
    """Two student launches: no guidance to re-fly. Vehicle numbers here are made up; they are not used."""
    log = shared_data("student_rocket") / f"jackpot_launch_{launch}.csv"
    (tmp_path / "v.toml").write_text(SMALL, encoding="utf-8")
    assert cli.main(["refly", str(log), "--vehicle", str(tmp_path / "v.toml"), "--method", "integrate"]) == 1
    assert "no guidance to re-fly" in capsys.readouterr().err
