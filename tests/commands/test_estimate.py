"""`plumbline estimate`: its table, its summary, reviews, and what it refuses."""

import csv
import json
import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.cautions import CAUTION_LINE
from replay.cli import main
from replay.motion.settings import METHODS
from replay.motion.solution import PHASES
from replay.review._kernels_table import write_rows
from replay.review.table_file import write_table
from replay.whatif import sample, sample_files

COLUMNS = [
    *("log_time_s", "time_s", "phase", "q_w", "q_x", "q_y", "q_z", "tilt_deg", "tilt_azimuth_deg", "roll_deg"),
    *("pos_east_m", "pos_north_m", "height_m", "vel_east_mps", "vel_north_mps", "vel_up_mps"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The clean sample flight as files."""
    path = tmp_path_factory.mktemp("clean")
    flight = sample.make("clean")
    for name, write in sample_files.writers(flight, is_compact=True).items():
        write(path / name)
    return path


def run(*arguments):
    return main(["estimate", *map(str, arguments)])


def common(folder, *more):
    return (folder / "flight.csv", "--vehicle", folder / "vehicle.toml", "--calibration", folder / "true_calibration.toml", *more)


def test_the_table_has_the_columns_of_the_conventions(folder, tmp_path, capsys):
    """In their order, standard deviations last, and the values of the solution."""
    out = tmp_path / "e.csv"
    assert run(*common(folder, "--method", "integrate", "--out", out)) == 0
    with out.open() as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0])[:16] == COLUMNS
    assert list(rows[0])[16:] == ["tilt_sd_deg", "height_sd_m"]
    phases = [row["phase"] for row in rows]
    assert list(dict.fromkeys(phases)) == list(PHASES)
    height = np.array([float(row["height_m"]) for row in rows])
    assert height.max() == pytest.approx(166.0, abs=1.0)
    first_boost = next(row for row in rows if row["phase"] == "boost")
    assert float(first_boost["time_s"]) == pytest.approx(0.0, abs=0.005)
    shown = capsys.readouterr().out
    for words in ("events: liftoff at 8.0", "apogee: tilt", "heading declared, not measured", f"written: {out}", "own attitude"):
        assert words in shown


@pytest.mark.parametrize("method", METHODS)
def test_every_method_has_a_summary(folder, capsys, method):
    """With and without standard deviations of its own."""
    assert run(*common(folder, "--method", method)) == 0
    shown = capsys.readouterr().out
    assert f"method {method}," in shown and "pad: tilt 1." in shown and "apogee: tilt" in shown


@pytest.mark.parametrize("method", METHODS)
def test_a_record_without_a_flight_has_a_summary(tmp_path, capsys, method):
    """Attitude only, and it says so; blank cells for what is not known."""
    path, out = tmp_path / "bench.csv", tmp_path / "out.csv"
    rng = np.random.default_rng(1)
    accel, gyro = rng.normal(scale=0.02, size=(400, 3)) + (0.1, 0.0, 9.8), rng.normal(scale=0.05, size=(400, 3))
    rows = np.column_stack((np.arange(400) / 100.0, accel, gyro))
    header = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2,gyro_x_degps,gyro_y_degps,gyro_z_degps"
    np.savetxt(path, rows, fmt="%.5f", delimiter=",", header=header, comments="")
    assert run(path, "--method", method, "--out", out) == 0
    shown = capsys.readouterr().out
    assert "no flight in the record" in shown and "attitude only" in shown and "apogee" not in shown
    with out.open() as stream:
        last = list(csv.DictReader(stream))[-1]
    assert last["height_m"] == "" and float(last["tilt_deg"]) == pytest.approx(0.58, abs=0.3)


def test_json_says_the_same(folder, capsys):
    """One JSON object on standard output, no table asked for."""
    assert run(*common(folder, "--method", "integrate", "--json")) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["method"] == "integrate"
    assert summary["apogee"]["pos_enu_m"][2] == pytest.approx(166.0, abs=1.0)
    assert summary["apogee"]["pos_sd_enu_m"][2] > 0.0
    assert summary["events_log_s"]["liftoff"] == pytest.approx(8.03, abs=0.03)
    liftoff = summary["events"][0]
    assert liftoff["name"] == "liftoff" and 0.0 < liftoff["sd_s"] < 0.02 and "specific force" in liftoff["evidence"]
    assert {f["severity"] for f in summary["findings"]} <= {"warning", "note", "good"}
    assert all(f["evidence"] for f in summary["findings"]) and summary["caution"] == CAUTION_LINE
    assert summary["onboard"]["tilt_error_max_deg"] < 0.2
    assert "written" not in summary


def test_what_is_not_known_is_not_shown_as_if_it_were(folder, tmp_path, capsys):
    """Dead reckoning says so beside its place; an attitude of another frame is not compared; a file's own doubts go with its numbers."""
    calibration = tmp_path / "c.toml"
    calibration.write_text('format = 1\nnote = "doubtful: the fit did not settle"\n', encoding="utf-8")
    columns = tmp_path / "columns.toml"
    assert main(["check", str(folder / "flight.csv"), "--save-columns", str(columns)]) == 0
    before, table, after = columns.read_text(encoding="utf-8").partition("[onboard_attitude]\n")
    assert table
    columns.write_text(f"{before}{table}rotation_deg = [60.0, 0.0, 0.0]\n{after}", encoding="utf-8")
    capsys.readouterr()
    assert run(folder / "flight.csv", "--columns", columns, "--calibration", calibration, "--method", "integrate") == 0
    shown = capsys.readouterr().out
    assert "another frame, not compared" in shown and "in the median" not in shown
    findings = shown.splitlines()[shown.splitlines().index("findings:") + 1 : -1]
    assert findings and all(re.search(r"\(T[+-]\d+\.\d\d s\)$", line) for line in findings), "on the clock the events are told on"
    touchdown = next(line for line in shown.splitlines() if line.startswith("touchdown: "))
    assert "(dead reckoning: how well is not known)" in touchdown
    assert "calibration file: doubtful: the fit did not settle" in shown


def test_parquet(folder, tmp_path):
    """The same columns, every bit kept."""
    parquet = pytest.importorskip("pyarrow.parquet")
    out = tmp_path / "e.parquet"
    assert run(*common(folder, "--method", "integrate", "--out", out)) == 0
    table = parquet.read_table(out)
    assert table.column_names[:16] == COLUMNS
    assert table["phase"].to_pylist()[0] == "pad"


def test_nothing_is_written_over_unless_forced(folder, tmp_path, capsys):
    """Exit code 1 and one line; with --force, done."""
    out = tmp_path / "e.csv"
    out.write_text("mine")
    assert run(*common(folder, "--method", "integrate", "--out", out)) == 1
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert run(*common(folder, "--method", "integrate", "--out", out, "--force")) == 0
    assert out.read_text().startswith("log_time_s,")


def test_pad_azimuth_turns_the_path(folder, capsys):
    """Another declared heading: the same height, east and north turned by the difference."""
    places = []
    for azimuth in (65, 155):
        assert run(*common(folder, "--method", "integrate", "--json", "--pad-azimuth", azimuth)) == 0
        places.append(json.loads(capsys.readouterr().out)["apogee"]["pos_enu_m"])
    (e0, n0, u0), (e1, n1, u1) = places
    assert_allclose((e1, n1, u1), (n0, -e0, u0), atol=1e-6)


def test_a_review_is_estimated_as_it_stands(folder, tmp_path, capsys):
    """Its log, calibration, vehicle, method and moved events; with its log gone, one clear line."""
    from replay.review.log_reference import reference_to
    from replay.review.review import Review
    from replay.review.storage import save_review
    from replay.sensors.calibration import Calibration

    log = tmp_path / "flight.csv"
    log.write_bytes((folder / "flight.csv").read_bytes())
    path = tmp_path / "mine.review.json"
    review = Review(
        logs=(reference_to(log),), method="gradient", vehicle_path=str(folder / "vehicle.toml"),
        what_if=Calibration(accel_bias_imu_mps2=(0.2, 0.0, 0.0)), moved_events={"burnout_log_s": 12.5},
    )  # fmt: skip
    save_review(review, path)
    assert run(path, "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["method"] == "gradient" and summary["calibration"] == "the review's what-if"
    assert summary["events_log_s"]["burnout"] == 12.5
    assert run(path, log) == 1
    assert "give it alone" in capsys.readouterr().err
    log.unlink()
    assert run(path) == 1
    assert "no file of that size and content" in capsys.readouterr().err


def test_what_can_not_carry_an_estimate_is_one_line(tmp_path, capsys):
    """A log without a gyro."""
    path = tmp_path / "bare.csv"
    rows = "\n".join(f"{i / 100:.2f},0.0,0.0,9.81" for i in range(50))
    path.write_text(f"time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n{rows}\n")
    assert run(path, "--method", "integrate") == 1
    error = capsys.readouterr().err
    assert "no gyro channel" in error and len(error.strip().splitlines()) == 1


def test_an_unknown_method_is_wrong_usage(folder, capsys):
    """Exit code 2."""
    with pytest.raises(SystemExit) as caught:
        run(folder / "flight.csv", "--method", "magic")
    assert caught.value.code == 2
    assert "invalid choice" in capsys.readouterr().err


@pytest.mark.parametrize("places", [0, 1, 3, 6, 9])
def test_the_writer_rounds_as_python_does(places):
    """Each number within half a unit of its last place of what Python's own formatting gives; blanks where there is no number."""
    rng = np.random.default_rng(places)
    x = np.concatenate((rng.normal(size=200) * 10.0 ** rng.integers(-8, 6, 200), [0.0, -0.0, 1.0, -1.0, 99.9999, 1e-12, np.nan, np.inf]))
    out = np.zeros(20_000, dtype=np.uint8)
    n = write_rows(x[:, None], np.array([places]), np.zeros(1, dtype=np.uint8), np.array([0, 0]), 0, len(x), out)
    lines = out[:n].tobytes().decode().split("\n")[:-1]
    for text, number in zip(lines, x, strict=True):
        if not np.isfinite(number):
            assert text == ""
            continue
        assert abs(float(text) - number) <= 0.5 * 10.0**-places * (1.0 + 1e-9) + 1e-15 * abs(number)
        expected = f"{number:.{places}f}"
        is_zero = float(expected) == 0.0
        assert len(text) == len(expected.lstrip("-") if is_zero else expected)


def test_a_number_beyond_the_writers_places_keeps_its_digits(tmp_path):
    """Rather than written wrong."""
    write_table(tmp_path / "t.csv", {"log_time_s": np.zeros(2), "height_m": np.array([0.0, 1e16])}, {"log_time_s": 6, "height_m": 4})
    assert [float(line.split(",")[1]) for line in (tmp_path / "t.csv").read_text().splitlines()[1:]] == [0.0, 1e16]


@pytest.mark.parametrize(("name", "got"), [("nowhere/e.csv", "No such file or directory"), (".", "an existing file")])
def test_a_table_that_can_not_be_written_is_one_line(folder, tmp_path, capsys, name, got):
    """A folder that is not there, or a folder where a file should be, is told before anything is estimated."""
    assert run(*common(folder, "--method", "integrate", "--out", tmp_path / name)) == 1
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "'--out': expected" in shown
    assert got in shown
    assert run(*common(folder, "--method", "integrate", "--force", "--out", tmp_path)) == 1
    assert "expected the name of a file, got a folder" in capsys.readouterr().err


@pytest.mark.parametrize("azimuth", ["nan", "inf", "north"])
def test_an_azimuth_that_is_no_number_is_wrong_usage(folder, capsys, azimuth):
    """Exit code 2."""
    with pytest.raises(SystemExit) as exit_info:
        run(*common(folder, "--pad-azimuth", azimuth))
    assert exit_info.value.code == 2
    assert "--pad-azimuth" in capsys.readouterr().err
