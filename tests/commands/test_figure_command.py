"""`plumbline figure` and `plumbline report` as a user types them: written once, made again bit for bit, and what they refuse."""

import json
import re
import shlex
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import pytest

from replay.cli import main
from replay.errors import SettingsError
from replay.figures import report_content
from replay.figures.registry import figure_kinds
from replay.figures.report_work import left_from_before
from replay.review import storage, tables
from replay.review.log_reference import reference_to
from replay.review.review import Review
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.working_folder import new_set


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    """A hop of a few seconds at 50 Hz: pad, push, fall, rest; with a battery. Small, so that every estimate is quick."""
    folder = tmp_path_factory.mktemp("hop")
    t = np.arange(0.0, 20.0, 0.02)
    rng = np.random.default_rng(5)
    up = (t > 6.0) & (t < 8.0)
    fall = (t >= 8.0) & (t < 12.0)
    accel = np.column_stack((0.1 + 0 * t, 0 * t, np.where(up, 29.8, np.where(fall, 0.3, 9.8)))) + 0.02 * rng.standard_normal((len(t), 3))
    gyro = np.column_stack((2.0 * np.sin(3.0 * t) * (up | fall), 0 * t, 0 * t)) + 0.05 * rng.standard_normal((len(t), 3))
    rows = np.column_stack((t, accel, gyro, 8.0 - 0.01 * t))
    header = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2,gyro_x_degps,gyro_y_degps,gyro_z_degps,battery_v"
    for name in ("hop.csv", "second.csv"):
        np.savetxt(folder / name, rows, fmt="%.5f", delimiter=",", header=header, comments="")
    review = Review(
        logs=(reference_to(folder / "hop.csv"),),
        what_if=Calibration(gyro_bias_imu_radps=(0.2 * DEG, 0.0, 0.0)),
        method="integrate",
        trace_arrangement={"panes": [{"traces": ["tilt"]}, {"traces": ["log:battery_v"]}]},
        figure_settings={"preset": "one-column"},
    )
    storage.save_review(review, folder / "hop.review.json")
    return folder


@pytest.fixture(autouse=True)
def _inside(flight, monkeypatch):
    monkeypatch.chdir(flight)


def command_in(path):
    """The command that a figure's own metadata names."""
    said = re.search(r'(\{&quot;command|\{"command).*?\}(?=</dc:description>|$)', path.read_text(encoding="utf-8"), re.DOTALL)[0]
    return json.loads(said.replace("&quot;", '"').replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))


@pytest.mark.parametrize("source", ["hop.csv", "hop.review.json"])
def test_the_command_in_a_figure_makes_it_again_bit_for_bit(flight, source, capsys):
    """Read from the file itself, run as it stands."""
    out = flight / "t.svg"
    out.unlink(missing_ok=True)
    given = ["--method", "integrate", "--preset", "two-column", "--height", "90"] if source == "hop.csv" else []
    assert main(["figure", source, "traces", *given, "--from", "-1", "--to", "5.5", "--out", "t.svg"]) == 0
    first = out.read_bytes()
    record = command_in(out)
    assert record["review"]["estimator"]["method"] == "integrate"
    words = shlex.split(record["command"])
    assert words[0] == "plumbline"
    out.write_text("something else")
    assert main(words[1:]) == 0
    assert out.read_bytes() == first
    said = capsys.readouterr().out.lower()
    if source == "hop.review.json":
        assert "battery voltage" in said
        assert record["settings"]["panes"] == [["tilt"], ["log:battery_v"]]
        assert record["settings"]["preset"] == "one-column"
        assert record["review"]["what_if"]["gyro"]["bias_degps"][0] == pytest.approx(0.2)


def test_figures_are_listed_with_what_they_need(capsys):
    """Without --out; what this log can't give says so, what takes more says which option gives it."""
    assert main(["figure", "hop.csv", "--method", "integrate"]) == 0
    lines = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()}
    assert "not here" in lines["gimbal"]
    assert "not here" not in lines["power"]
    assert "--vehicle" in lines["refly"]
    assert "--beside" in lines["campaign"]
    assert "campaign-differences" in lines, "the longest name has room before its title"


def test_a_figure_that_lacks_its_input_says_what_gives_it(flight, capsys):
    """One line, exit 1, no file."""
    assert main(["figure", "hop.csv", "gimbal", "--method", "integrate", "--out", "g.pdf"]) == 1
    assert "--columns" in capsys.readouterr().err
    assert main(["figure", "hop.csv", "refly", "--method", "integrate", "--out", "g.pdf"]) == 1
    assert "--calibration" in capsys.readouterr().err
    assert main(["figure", "hop.csv", "campaign", "--method", "integrate", "--out", "g.pdf"]) == 1
    assert "--beside" in capsys.readouterr().err
    assert not (flight / "g.pdf").exists()


@pytest.mark.parametrize(("name", "out", "said"), [("overveiw", "o.pdf", "did you mean overview?"), ("path", "o.tiff", ".tiff")])
def test_a_figure_or_an_ending_there_is_not_is_wrong_usage(flight, capsys, name, out, said):
    """Exit 2, no file."""
    assert main(["figure", "hop.csv", name, "--method", "integrate", "--out", out]) == 2
    assert said in capsys.readouterr().err.splitlines()[-1]
    assert not (flight / out).exists()


def test_several_flights_are_drawn_together(flight, capsys):
    """Named by their files."""
    assert main(["figure", "hop.csv", "campaign", "--method", "integrate", "--beside", "second.csv", "--out", "c.svg"]) == 0
    assert "2 flights on one time axis" in capsys.readouterr().out
    assert ">second<" in (flight / "c.svg").read_text(encoding="utf-8")
    assert "--beside second.csv" in command_in(flight / "c.svg")["command"]


def _a_failure_in_between_leaves_the_former_set(folder, arguments, monkeypatch, capsys):
    """A table that can't be written after the pages could: every file is of the run before."""
    former = {path.name: path.read_bytes() for path in folder.iterdir()}
    write = tables.write

    def full_disk(table, path):
        if Path(path).name.startswith("events"):
            raise SettingsError(str(path), "--data", "room", "none")
        write(table, path)

    with monkeypatch.context() as broken:
        broken.setattr(tables, "write", full_disk)
        assert main(["Another hop." if argument == "A short hop." else argument for argument in arguments]) == 1
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == former
    assert capsys.readouterr().err.strip().count("\n") == 0


def test_files_of_one_run_take_their_places_together(tmp_path, monkeypatch):
    """One that can't: the others are put back; a folder made for nothing is gone again; older tables beside new ones are named."""
    folder, names = tmp_path / "deep" / "out", ["a.html", "b.pdf", "c.csv"]
    with pytest.raises(ZeroDivisionError), new_set(folder, names):
        raise ZeroDivisionError
    with pytest.raises(SettingsError, match="No space left"), new_set(folder, names):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []
    for content in ("old", "new"):
        replace = Path.replace

        def locked(self, target):
            if Path(target).name == "c.csv" and content == "new":  # noqa: B023
                raise PermissionError(13, "in use elsewhere")
            return replace(self, target)  # noqa: B023

        with monkeypatch.context() as broken, pytest.raises(SettingsError, match="in use") if content == "new" else nullcontext():
            broken.setattr(Path, "replace", locked)
            with new_set(folder, names) as place:
                for name in names:
                    (place / name).write_text(content)
                assert not (folder / "a.html").exists() or (folder / "a.html").read_text() == "old"
        assert {path.name: path.read_text() for path in folder.iterdir()} == dict.fromkeys(names, "old")
    (folder / "events.parquet").write_text("")
    assert left_from_before(folder, ["events.csv"]) == [str(folder / "events.parquet")]


def test_report_writes_pages_and_tables_and_never_over_another_file(flight, monkeypatch, capsys):
    """Both pages and all tables; a second run is refused before anything is worked out; the command in the page is the one given."""
    few = {name: kind for name, kind in figure_kinds().items() if name in ("plumb-circle", "traces")}
    monkeypatch.setattr(report_content, "figure_kinds", lambda: few)  # drawing all of them is the work of other tests
    arguments = ["report", "hop.review.json", "--quick", "--data", "csv", "--job", "A short hop.", "--out", "write-up"]
    assert main(arguments) == 0
    written = capsys.readouterr().out.split()
    names = ["report.html", "report.pdf", "estimate.csv", "channels.csv", "events.csv", "findings.csv"]
    assert sorted(name.rsplit("/", 1)[1] for name in written) == sorted(names)
    assert sorted(path.name for path in (flight / "write-up").iterdir()) == sorted(names)
    html = (flight / "write-up" / "report.html").read_text(encoding="utf-8")
    assert "A short hop." in html
    assert main(arguments) == 1
    assert "--force" in capsys.readouterr().err
    again = re.search(r"(plumbline report [^<]*--force)</p>", html)[1]
    assert sorted(shlex.split(again.replace("&#x27;", "'"))) == sorted(["plumbline", *arguments, "--force"])
    _a_failure_in_between_leaves_the_former_set(flight / "write-up", [*arguments, "--force"], monkeypatch, capsys)
    (flight / "a_file").write_text("")
    assert main(["report", "hop.csv", "--out", "a_file"]) == 1


@pytest.mark.parametrize("command", [["report", "hop.csv", "--out", "refused"], ["figure", "hop.csv", "overview", "--out", "refused.png"]])
def test_evidence_that_can_not_be_read_is_refused_not_left_out(command, capsys):
    """A file named on the command line is used, or the run ends in one line that names the file and the key."""
    Path("half.toml").write_text("format = 1\n[rail]\ntilt_deg = 20.0\nazimuth_deg = 1.0\n", encoding="utf-8")
    assert main([*command, "--evidence", "half.toml"]) == 1
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) == 1 and "half.toml" in said[0] and "rail.sd_deg" in said[0]
    assert not Path(command[-1]).exists()
