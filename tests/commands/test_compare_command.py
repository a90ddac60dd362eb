"""`plumbline compare`: the campaign's table, the traces written, and a flight against a prediction."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from replay.cautions import CAUTION_LINE
from replay.cli import main
from replay.flight.prediction import vertical_flight
from replay.review.explain import facts_of
from replay.whatif.vehicle import load_vehicle

LOGS = Path(__file__).parents[2] / "sample_logs"
CLEAN, WEAK = str(LOGS / "clean" / "flight.csv"), str(LOGS / "weak_motor" / "flight.csv")
VEHICLE = str(LOGS / "weak_motor" / "vehicle.toml")


def test_two_flights_and_their_table(tmp_path, capsys):
    """Both flights' impulses stand in the JSON, and the written table has both heights and their difference."""
    out = tmp_path / "both.csv"
    assert main(["compare", CLEAN, WEAK, "--vehicle", VEHICLE, "--method", "integrate", "--out", str(out), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    row = next(r for r in found["figures"] if r["label"] == "total impulse")
    assert row["values"][1]["value"] / row["values"][0]["value"] == pytest.approx(0.8, abs=0.02)
    assert row["course"] == "" and row["trend"]["value"] is None
    assert found["caution"] == CAUTION_LINE and found["event"] == "liftoff"
    (shared,) = found["assumptions"]
    assert shared.startswith("one site for 2 flights (clean/flight, weak_motor/flight): latitude, ") and VEHICLE in shared
    with out.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    names = list(rows[0])
    assert names[:3] == ["time_s", "clean_flight_height_m", "weak_motor_flight_height_m"]
    at = next(r for r in rows if float(r["time_s"]) == pytest.approx(5.0))
    apart = float(at["weak_motor_flight_difference_height_m"])
    assert apart == pytest.approx(float(at["weak_motor_flight_height_m"]) - float(at["clean_flight_height_m"]), abs=1e-3)
    assert main(["compare", CLEAN, WEAK, "--vehicle", VEHICLE, "--out", str(out)]) == 1, "nothing is written over without --force"


def test_a_pad_azimuth_given_to_all_flights_is_said(capsys):
    """That of the command line takes the place of the vehicle file's, and each of the two is said of what it gave."""
    arguments = [CLEAN, WEAK, "--vehicle", VEHICLE, "--pad-azimuth", "40", "--method", "integrate"]
    assert main(["compare", *arguments]) == 0
    lines = capsys.readouterr().out.splitlines()
    of_vehicle, of_command = (next(line for line in lines if start in line) for start in ("one site for 2", "one pad azimuth for 2"))
    assert "pad azimuth" not in of_vehicle and VEHICLE in of_vehicle
    assert "(clean/flight, weak_motor/flight): 40° of --pad-azimuth" in of_command


def test_a_flight_against_a_prediction(tmp_path, capsys):
    """The vehicle file's own curve, flown by the vertical model into a table in feet: a fifth of the impulse is missing."""
    vehicle = load_vehicle(VEHICLE)
    time = [0.05 * i for i in range(150)]
    flown = vertical_flight(facts_of(vehicle), vehicle.site, np.array(time))
    table = tmp_path / "predicted.txt"
    lines = [f"{1000 * t:.0f}\t{h / 0.3048:.4f}\t{v:.4f}" for t, h, v in zip(time, flown["height"], flown["vertical_speed"], strict=True)]
    table.write_text("clock\tup\tclimb\n" + "\n".join(lines) + "\n")
    arguments = ["compare", WEAK, "--vehicle", VEHICLE, "--prediction", str(table)]
    arguments += ["--prediction-columns", "time=clock [ms], height=up [ft], vertical_speed=climb"]
    out = tmp_path / "misfit.csv"
    assert main([*arguments, "--json", "--out", str(out)]) == 0
    found = json.loads(capsys.readouterr().out)
    impulse = next(c for c in found["changes"] if c["name"] == "impulse")
    assert impulse["factor"]["value"] == pytest.approx(0.8, abs=0.05)
    assert {r["phase"] for r in found["misfit"]} >= {"boost", "coast"}
    assert out.read_text().splitlines()[0].startswith("time_s,flown_height_m,predicted_height_m,difference_height_m")
    assert main(arguments) == 0
    text = capsys.readouterr().out
    assert "the model says" in text and text.rstrip().endswith(CAUTION_LINE)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([CLEAN], "needs two flights or more"),
        ([CLEAN, WEAK, "--prediction", "x.csv"], "set against one flight"),
        ([CLEAN, WEAK, "--prediction-columns", "time=1"], "a prediction to map"),
        ([CLEAN, "--prediction", "no-such.csv"], "no-such.csv"),
    ],
)
def test_what_can_not_be_compared_is_one_line(arguments, said, capsys):
    assert main(["compare", *arguments]) == 1
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1
