"""`plumbline check`: a short audit, the same as JSON, exit code 1 with one line where the log can't carry an estimate."""

import json

import numpy as np
import pytest
from flightlog.log_texts import G, flown, hand_held, imu_columns, table_text

from replay.cli import main
from replay.flightlog import load_column_map
from replay.units import DEG

RECORD = flown()
NAMES = ("ax [g]", "ay [g]", "az [g]", "gx [dps]", "gy [dps]", "gz [dps]")


@pytest.fixture
def good(tmp_path):
    """A log that can carry an estimate, with a gap, an inferred unit and an extra."""
    keep = (RECORD.time_s < 8.0) | (RECORD.time_s > 8.2)
    columns = {"time_s": RECORD.time_s, **imu_columns(RECORD, G, DEG, NAMES), "pressure": 1e5 - RECORD.time_s, "pid_term": RECORD.time_s}
    path = tmp_path / "flight.csv"
    path.write_text(table_text({name: np.asarray(values)[keep] for name, values in columns.items()}), encoding="utf-8")
    return path


@pytest.fixture
def bad(tmp_path):
    """A log without a gyro."""
    columns = {"time_s": RECORD.time_s, **dict(list(imu_columns(RECORD, G, DEG, NAMES).items())[:3])}
    path = tmp_path / "nogyro.csv"
    path.write_text(table_text(columns), encoding="utf-8")
    return path


def test_a_good_log(good, capsys):
    """Columns, units, rates, gaps, what is inferred, the mount and the conventions, on one page; exit code 0."""
    assert main(["check", str(good)]) == 0
    out = capsys.readouterr().out
    for words in ("flight.csv", "ax [g]", "deg/s", "100 Hz", "1 gap", "Pa*", "unit inferred", "never computed with: pid_term",
                  "nothing is filled in",
                  "specific force, +g towards the sky", "can carry an estimate", "mount: body x, y, z are imu +x, +y, +z"):  # fmt: skip
        assert words in out, words
    assert max(map(len, out.splitlines())) < 300


def test_a_log_that_can_not_carry_an_estimate(bad, capsys):
    """Exit code 1, and one line on stderr that says why."""
    assert main(["check", str(bad)]) == 1
    captured = capsys.readouterr()
    assert captured.err.count("\n") == 1
    assert "no gyro: the log can't carry an attitude estimate" in captured.err
    assert str(bad) in captured.err
    assert "can't carry an estimate" in captured.out


@pytest.mark.parametrize("content", [b"", b"hello\n", b"a,b\nx,y\n", b"ax,ay\n1.5,2.5\n1.25,2.25\n"])
def test_what_is_no_log(tmp_path, capsys, content):
    """Exit code 1, one line, no trace."""
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    assert main(["check", str(path)]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "expected" in captured.err


def test_a_missing_file(tmp_path, capsys):
    """Named in the one line."""
    assert main(["check", str(tmp_path / "none.csv")]) == 1
    assert "none.csv" in capsys.readouterr().err


def test_json_carries_the_same(good, bad, capsys):
    """Valid JSON without NaN; the same channels, gaps, issues and verdict as the text."""
    assert main(["check", str(good), "--json"]) == 0
    audit = json.loads(capsys.readouterr().out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert audit["can_carry_estimate"] is True
    accel = next(channel for channel in audit["channels"] if channel["name"] == "accel_raw_imu_mps2")
    assert accel["unit_logged"] == "g"
    assert accel["rate_hz"] == pytest.approx(100.0)
    assert accel["gaps_s"] == [pytest.approx([7.99, 8.21])]
    assert audit["extras"] == ["pid_term"]
    assert audit["mount"]["axes"] == ["+x", "+y", "+z"]
    assert next(channel for channel in audit["channels"] if channel["name"] == "pressure_pa")["is_unit_inferred"] is True
    gap = next(issue for issue in audit["issues"] if "gap" in issue["text"])
    assert gap["rows"] == [2 + 800]
    assert main(["check", str(bad), "--json"]) == 1
    audit = json.loads(capsys.readouterr().out)
    assert audit["can_carry_estimate"] is False
    assert audit["issues"][0]["severity"] == "problem"


def test_the_guessed_map_is_saved_edited_and_used(good, tmp_path, capsys):
    """--save-columns writes what --columns reads; an existing file is kept unless --force."""
    saved = tmp_path / "map.toml"
    assert main(["check", str(good), "--save-columns", str(saved)]) == 0
    assert load_column_map(saved).of("pressure_pa")[0].unit == "Pa"
    assert main(["check", str(good), "--save-columns", str(saved)]) == 1
    assert "--save-columns" in capsys.readouterr().err
    assert main(["check", str(good), "--save-columns", str(saved), "--force"]) == 0
    saved.write_text(
        saved.read_text(encoding="utf-8").replace('column = "pid_term"\nchannel = "extra"', 'column = "pid_term"\nchannel = "ignore"')
    )
    assert main(["check", str(good), "--columns", str(saved)]) == 0
    assert "pid_term" not in capsys.readouterr().out.split("sha256")[-1]


def test_a_broken_map_is_one_line(good, tmp_path, capsys):
    """File, key, and the nearest known one."""
    broken = tmp_path / "map.toml"
    broken.write_text("format = 1\n[imu]\naxis = ['x', 'y', 'z']\n", encoding="utf-8")
    assert main(["check", str(good), "--columns", str(broken)]) == 1
    err = capsys.readouterr().err
    assert "imu.axis" in err
    assert "imu.axes" in err
    assert err.count("\n") == 1


def test_several_files_of_one_flight(tmp_path, capsys):
    """Merged, with how their clocks were put together."""
    record = hand_held()
    imu, baro = tmp_path / "imu.csv", tmp_path / "baro.csv"
    imu.write_text(table_text({"t": record.time_s, **imu_columns(record, G, DEG, NAMES)}), encoding="utf-8")
    times = np.arange(0, 8, 0.1)
    baro.write_text(table_text({"t": times, "p_hPa": 1000 - times}), encoding="utf-8")
    assert main(["check", str(imu), str(baro)]) == 0
    out = capsys.readouterr().out
    assert "imu.csv, baro.csv" in out
    assert "baro.csv against imu.csv: their stamps overlap" in out


def test_a_review_stands_for_its_logs(good, tmp_path, capsys):
    """The log a review was made of is checked, with the review's column map."""
    from replay.flightlog import read_log
    from replay.review.log_reference import reference_to
    from replay.review.review import Review
    from replay.review.storage import save_review

    log = read_log(good)
    path = tmp_path / "flight.review.json"
    save_review(Review(logs=(reference_to(str(good)),), column_map=log.column_map), path)
    assert main(["check", str(path)]) == 0
    assert "flight.csv" in capsys.readouterr().out


def test_a_log_named_in_the_wrong_usage_is_exit_code_two(capsys):
    """No log at all."""
    with pytest.raises(SystemExit) as caught:
        main(["check"])
    assert caught.value.code == 2
