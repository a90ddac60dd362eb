"""Flights over each other, and a flight against a prediction: synthetic truth, closed forms, and tables as they come."""

import dataclasses
import math

import numpy as np
import pytest
from flight_support import explained

from replay import rotation
from replay.errors import CannotEstimate, LogReadError, SettingsError
from replay.flight.compare import FigureRow, compare_flights, largest_differences, on_axis, trend
from replay.flight.event import FlightEvent, FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.prediction import Prediction, explain_misfit, misfits, read_prediction, vertical_flight
from replay.flight.quantity import Quantity, undetermined
from replay.motion.site import Site
from replay.units import DEG

SITE = Site(latitude_rad=50.0 * DEG, ground_height_m=250.0)


def flights(*names):
    return [(name, explained(name)) for name in names]


def test_flights_lie_over_each_other_at_liftoff():
    """Each trace has the flight's own value at its own event, the first differs from itself by nothing."""
    found = compare_flights(flights("clean", "weak_motor", "late_chute"))
    k = int(np.argmin(np.abs(found.time_s)))
    assert np.all(np.abs(found.traces["height"][k]) < 0.5)
    assert np.nanmax(np.abs(found.differences["height"][:, 0])) == 0.0
    for j, (_, known) in enumerate(flights("clean", "weak_motor", "late_chute")):
        top = known.time("apogee") - known.time("liftoff")
        assert np.interp(top, found.time_s, found.traces["vertical_speed"][:, j]) == pytest.approx(0.0, abs=0.3)
    assert {row.label for row in found.figures} >= {
        "height at apogee",
        "total impulse",
        "drag coefficient",
        "descent rate under the parachute",
    }


def test_another_event_may_be_time_zero():
    found = compare_flights(flights("clean", "late_chute"), "apogee")
    k = int(np.argmin(np.abs(found.time_s)))
    assert np.all(np.abs(found.traces["vertical_speed"][k]) < 0.3)
    with pytest.raises(CannotEstimate, match="no such event"):
        compare_flights(flights("clean", "late_chute"), "tea")
    with pytest.raises(CannotEstimate, match="at least two"):
        compare_flights(flights("clean"))


def test_the_largest_difference_is_where_it_is():
    """A hump of 3 m put into a copy of the clean flight comes back with its flight, time and size."""
    known = explained("clean")
    pos = known.solution.pos_enu_m.copy()
    since = known.solution.log_time_s - known.time("liftoff")
    pos[:, 2] += 3.0 * np.exp(-0.5 * ((since - 4.0) / 0.3) ** 2)
    bumped = dataclasses.replace(known, solution=dataclasses.replace(known.solution, pos_enu_m=pos))
    found = compare_flights([("a", known), ("b", bumped)])
    rows = {trace: (name, at, value) for trace, name, at, value in largest_differences(found)}
    name, at, value = rows["height"]
    assert name == "b" and at == pytest.approx(4.0, abs=0.03) and value == pytest.approx(3.0, abs=0.01)


def test_nothing_is_drawn_across_a_gap():
    time = np.concatenate((np.arange(0.0, 1.0, 0.01), np.arange(2.0, 3.0, 0.01)))
    out = on_axis(np.array([-0.5, 0.5, 1.5, 2.5, 3.5]), time, time)
    assert np.isnan(out[[0, 2, 4]]).all() and out[1] == pytest.approx(0.5) and out[3] == pytest.approx(2.5)


def figure(values, sd=0.1):
    return [Quantity("x", v, sd, "m") for v in values]


def test_a_trend_is_the_slope_of_the_line():
    """1 a flight comes back; its standard deviation is that of a slope, σ/√(Σ(x−x̄)²) = 0.1/√10 (closed form)."""
    found = trend(figure([1.0, 2.0, 3.0, 4.0, 5.0]))
    assert found.value == pytest.approx(1.0) and found.sd == pytest.approx(0.1 / math.sqrt(10.0))


def test_no_trend_is_made_up_of_noise_alone():
    """Two hundred campaigns of six flights: the slope is within three of its sigmas in at least 97 of 100 (no trend is made up)."""
    rng = np.random.default_rng(4)
    pulls = [abs(t.value) / t.sd for t in (trend(figure(rng.normal(10.0, 0.1, 6))) for _ in range(200))]
    assert np.mean(np.array(pulls) < 3.0) >= 0.97


def test_scatter_is_not_called_steady():
    """Heights of 166, 85, 157 and 166 m neither rise nor fall for sure; steady they are not."""
    heights = figure([166.0, 85.3, 157.3, 165.6])
    assert FigureRow("height at apogee", "m", tuple(heights), trend(heights)).course == "no clear trend"
    climbing = figure([1.0, 2.0, 3.0])
    assert FigureRow("height", "m", tuple(climbing), trend(climbing)).course == "rising"


def test_too_few_values_have_no_trend():
    assert not trend([*figure([1.0, 2.0]), undetermined("x", "m", "not in this record")]).is_known


# --- prediction --------------------------------------------------------------------------------------------------------------

# 0.8 kg, 20 N for 2 s, Cd 0.5 on 74 mm: the closed forms of constant thrust and mass with quadratic drag (tanh, ln cosh, atan)
CONSTANT = VehicleFacts(0.8, 0.0, 0.074, ((0.0, 20.0), (2.0, 20.0), (2.0001, 0.0)), drag_coefficient=0.5)
# nearly the sample vehicle, with a thrust curve that ends
WREN = VehicleFacts(1.0, 0.06, 0.08, ((0.0, 0.0), (0.1, 34.0), (0.5, 18.0), (5.2, 13.0), (5.3, 0.0)), drag_coefficient=0.55)


def test_the_vertical_model_meets_the_closed_form():
    """v and h at burnout 29.4122039 m/s and 29.8930831 m, apogee 71.07668 m after 4.865485 s (computed independently by closed form and
    by an ODE, air of 1.225 kg/m³; the model's air thins by 0.7 % on the way)."""
    time = np.arange(0.0, 4.87, 0.005)
    site = Site(latitude_rad=45.5 * DEG, ground_height_m=0.0)
    flown = vertical_flight(CONSTANT, site, time)
    assert np.interp(2.0, time, flown["vertical_speed"]) == pytest.approx(29.4122, rel=1e-3)
    assert np.interp(2.0, time, flown["height"]) == pytest.approx(29.8931, rel=1e-3)
    assert flown["height"].max() == pytest.approx(71.0767, rel=2e-3)
    assert time[int(np.argmax(flown["height"]))] == pytest.approx(4.8655, abs=0.015)


def synthetic(**changes):
    """A flight that the vertical model flew with changes, explained as far as a comparison needs it."""
    known = explained("clean")
    time = np.arange(0.0, 12.0, 0.01)
    flown = vertical_flight(WREN, SITE, time, **changes)
    k = int(np.argmax(flown["height"]))
    n = len(time)
    up = np.zeros((n, 3))
    pos, vel, accel = up.copy(), up.copy(), up.copy()
    pos[:, 2], vel[:, 2], accel[:, 2] = flown["height"], flown["vertical_speed"], flown["vertical_acceleration"] + 9.81
    solution = dataclasses.replace(
        known.solution, log_time_s=time + 3.0, pos_enu_m=pos, vel_enu_mps=vel, accel_body_mps2=accel,
        q_enu_from_body=np.tile(rotation.from_tilt(0.0, 0.0, 0.0), (n, 1)),
    )  # fmt: skip
    events = {"liftoff": 3.0, "burnout": 8.25, "apogee": 3.0 + time[k]}
    return dataclasses.replace(
        known, solution=solution, facts=WREN, events=FlightEvents({n: FlightEvent(n, t, 0.01, "invented") for n, t in events.items()})
    )


def predicted(**changes):
    time = np.arange(0.0, 10.0, 0.05)
    flown = vertical_flight(WREN, SITE, time, **changes)
    return Prediction("invented", time, {q: flown[q] for q in ("height", "vertical_speed")})


@pytest.mark.parametrize(("name", "factor"), [("mass", 1.06), ("impulse", 0.9), ("impulse", 1.08), ("drag", 1.6), ("drag", 0.7)])
def test_the_change_that_was_made_is_found(name, factor):
    """One thing differs from the prediction: it is named, its factor comes back within a per mille, and nothing is left of the misfit."""
    found = explain_misfit(synthetic(**{name: factor}), predicted(), SITE)
    best = found.changes[0]
    assert best.name == name and best.factor.value == pytest.approx(factor, abs=2e-3)
    assert best.left_share < 0.02
    assert found.said.startswith(f"{name} ×") and "model says" in found.said


def test_what_the_model_does_not_know_stays_in_the_prediction():
    """A prediction with 4 % more height than the model has (another tool, another atmosphere) still shows a lost tenth of impulse."""
    better, time = predicted(), predicted().time_s
    other = Prediction("x", time, {q: 1.04 * v for q, v in better.columns.items()})
    known = synthetic(impulse=0.9)
    scaled = dataclasses.replace(
        known,
        solution=dataclasses.replace(
            known.solution, pos_enu_m=1.04 * known.solution.pos_enu_m, vel_enu_mps=1.04 * known.solution.vel_enu_mps
        ),
    )
    best = explain_misfit(scaled, other, SITE).changes[0]
    assert best.name == "impulse" and best.factor.value == pytest.approx(0.9, abs=0.01)


def test_a_prediction_that_fits_needs_no_explanation():
    assert "nothing to explain" in explain_misfit(synthetic(), predicted(), SITE).said


def test_a_misfit_of_no_single_change_is_said_to_be_one():
    """A swing of the height that neither mass, impulse nor drag makes."""
    known = synthetic()
    pos = known.solution.pos_enu_m.copy()
    pos[:, 2] += 8.0 * np.sin(2.5 * (known.solution.log_time_s - 3.0))
    swung = dataclasses.replace(known, solution=dataclasses.replace(known.solution, pos_enu_m=pos))
    height = Prediction("x", predicted().time_s, {"height": predicted().columns["height"]})
    assert explain_misfit(swung, height, SITE).said.startswith("none of mass, impulse and drag")


def test_misfit_phase_by_phase():
    """Two metres too high in the coast alone are the coast's misfit alone."""
    prediction = predicted()
    height = prediction.columns["height"] - 2.0 * (prediction.time_s >= 5.25)
    rows = {r.phase: r for r in misfits(synthetic(), Prediction("x", prediction.time_s, {"height": height}), SITE)}
    assert set(rows) == {"boost", "coast"}
    assert rows["coast"].mean == pytest.approx(2.0, abs=0.05) and rows["coast"].largest == pytest.approx(2.0, abs=0.05)
    assert abs(rows["boost"].mean) < 0.02


def test_the_weak_motor_against_the_curve_of_its_file():
    """A sample flight with a fifth less thrust, against its vehicle file's own flight: impulse, and near the truth of 0.8."""
    known = explained("weak_motor")
    time = np.arange(0.0, 7.0, 0.05)
    flown = vertical_flight(known.facts, SITE, time)
    found = explain_misfit(known, Prediction("x", time, {"height": flown["height"], "vertical_speed": flown["vertical_speed"]}), SITE)
    impulse = next(c for c in found.changes if c.name == "impulse")
    assert impulse.factor.value == pytest.approx(0.8, abs=0.04)
    assert impulse.left_share < 0.15
    assert found.changes[0].name in ("impulse", "mass") and found.changes[-1].name == "drag"


@pytest.mark.parametrize(
    ("text", "column_map"),
    [
        ("0,0\n1,10\n2,30\n", None),
        ("# by hand\nTime (s); Altitude (m)\n0;0\n1;10\n2;30\n", None),
        ("t_ms\talt_ft\n0\t0\n1000\t32.808399\n2000\t98.425197\n", None),
        ("step;what;up [ft]\n0;0;0\n1;1;32.808399\n2;2;98.425197\n", {"time": "2", "height": "3 [ft]"}),
        ("a,b\n0,0\n1,10\n2,30\n", {"time": "a", "height": "b"}),
    ],
)
def test_any_table_of_two_columns_or_more_is_a_prediction(tmp_path, text, column_map):
    """Comma, semicolon, tab; with header and without; units in the header, in the map, or the usual ones."""
    path = tmp_path / "p.txt"
    path.write_text(text)
    found = read_prediction(path, column_map)
    assert found.time_s == pytest.approx([0.0, 1.0, 2.0])
    assert found.columns["height"] == pytest.approx([0.0, 10.0, 30.0], abs=1e-5)


def test_a_prediction_that_can_not_be_meant_says_where(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text("t,h\n0,0\n2,10\n1,30\n3,40\n")
    with pytest.raises(LogReadError, match=r"row 4.*times that increase"):
        read_prediction(path)
    with pytest.raises(SettingsError, match="one of the columns t, h"):
        read_prediction(path, {"time": "t", "height": "up"})
    with pytest.raises(SettingsError, match="a unit of m, km, ft"):
        read_prediction(path, {"time": "t", "height": "h [s]"})
    with pytest.raises(SettingsError, match="unknown quantity"):
        read_prediction(path, {"time": "t", "mood": "h"})
    path.write_text("time,height,colour\n0,0,red\n1,5,red\n2,oops,red\n3,7,green\n")
    with pytest.raises(LogReadError, match=r"row 4, column 'height'.*a number or nothing, got 'oops'"):
        read_prediction(path)
    path.write_text("time,height\n0,0\n1,\n2,5\n3,7\n")
    assert np.isnan(read_prediction(path).columns["height"][1])
    path.write_text("mood,colour\n1,2\n2,3\n3,4\n")
    with pytest.raises(LogReadError, match="a column of time"):
        read_prediction(path)


def test_without_a_curve_there_is_no_explanation():
    known = dataclasses.replace(synthetic(), facts=None)
    with pytest.raises(CannotEstimate, match="thrust curve"):
        explain_misfit(known, predicted(), SITE)
