"""Thrust, drag, misalignment and descent of sample flights against truth."""

import dataclasses
import math

import numpy as np
import pytest
from flight_support import facts_of, measured, truth_curve

from replay.errors import CannotEstimate
from replay.flight.coast import Axial, coast_rows, fit_coast, level_changes
from replay.flight.descent import descent
from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.propulsion import propulsion
from replay.flight.quantity import Quantity
from replay.units import DEG
from replay.whatif import sample

NAMES = ("clean", "crooked_bench", "fast_roll", "weak_motor", "late_chute")


@pytest.fixture(scope="module")
def results():
    found = {}
    for name in NAMES:
        flight = sample.make(name, seed=5)
        measurements, solution, events = measured(flight)
        command = flight.log["gimbal_command_rad"]
        result = propulsion(
            measurements, solution, events, facts_of(flight), flight.vehicle.site, gimbal_rad=(command.log_time_s, command.values)
        )
        found[name] = flight, solution, events, result
    return found


@pytest.mark.parametrize("name", NAMES)
def test_motor_figures_against_truth(results, name):
    """Impulse within 2 %, peak within 3 %, burn time within 50 ms, each inside three of its own sigmas."""
    flight, _, events, result = results[name]
    truth, figures = truth_curve(flight, events), result.figures
    for key, value, limit in (
        ("total impulse", truth.total_impulse_ns, 0.02 * truth.total_impulse_ns),
        ("peak thrust", truth.peak_n, 0.03 * truth.peak_n),
        ("burn time", truth.burn_time_s, 0.050),
    ):
        error = figures[key].value - value
        assert abs(error) < limit, f"{key}: {figures[key].text()} against {value:.3f}"
        assert abs(error) < 3.0 * figures[key].sd, key


@pytest.mark.parametrize("name", ["clean", "crooked_bench", "fast_roll", "late_chute"])
def test_drag_coefficient_against_truth(results, name):
    """Within 8 %, and inside three of its own sigmas."""
    flight, _, _, result = results[name]
    truth = flight.vehicle.aero.drag_coefficient * flight.scenario.surroundings.drag_scale
    found = result.figures["drag coefficient"]
    assert abs(found.value / truth - 1.0) < 0.08
    assert abs(found.value - truth) < 3.0 * found.sd


@pytest.mark.parametrize("name", NAMES)
def test_thrust_misalignment_against_truth(results, name):
    """The gimbal holds against it and against the wind; the side force tells them apart, inside three sigmas."""
    flight, _, _, result = results[name]
    for axis, truth in zip("xy", flight.scenario.surroundings.thrust_tilt_rad, strict=True):
        found = result.figures[f"thrust misalignment about {axis}"]
        assert abs(found.value - truth / DEG) < 3.0 * found.sd, found.text()
        assert found.sd < 0.15


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_flights_coast_has_one_level(results, name):
    """Nothing moved on these airframes: gusts and swings are no change of drag."""
    assert len(results[name][3].drag_levels) == 1


@pytest.mark.parametrize("ratio", [1.6, 2.5])
@pytest.mark.parametrize("after_s", [0.9, 1.1, 1.3])
def test_a_brake_that_goes_in_shows_as_two_levels(results, ratio, after_s):
    """More drag for the first second of the coast: both coefficients inside three of their sigmas, the change within 0.25 s, and the
    impulse's interval still holds the truth although the boost's drag is not known."""
    flight, solution, events, plain = results["clean"]
    measurements, _, _ = measured(flight)
    truth, vehicle = flight.vehicle.aero.drag_coefficient, flight.vehicle
    time, begin = plain.log_time_s, events["burnout"].log_time_s
    dry = vehicle.liftoff_mass_kg - vehicle.propellant_mass_kg
    braked = (time > begin) & (time < begin + after_s)
    force = solution.accel_body_mps2.copy()
    rows = np.searchsorted(solution.log_time_s, time)
    force[rows, 2] -= np.where(braked, (ratio - 1.0) * plain.drag_n / dry, 0.0)
    result = propulsion(
        measurements, dataclasses.replace(solution, accel_body_mps2=force), events, facts_of(flight), vehicle.site
    )  # fmt: skip
    first, last = result.drag_levels
    assert abs(last.start_log_s - begin - after_s) < 0.25
    assert abs(first.cd - ratio * truth) < 3.0 * first.cd_sd + 0.01
    assert abs(last.cd - truth) < 3.0 * last.cd_sd
    figure = result.figures["drag coefficient"]
    assert figure.value == last.cd and "where the drag was least" in figure.note
    assert any("another level" in q.note for q in result.figures.values())
    impulse = result.figures["total impulse"]
    assert abs(impulse.value - truth_curve(flight, events).total_impulse_ns) < 2.0 * impulse.sd


@pytest.mark.parametrize("early_s", [0.3, 0.5, 1.0])
def test_a_burnout_moved_into_the_thrust_gives_no_drag_and_says_why(results, early_s):
    """Thrust read as drag would be a negative coefficient or an absurd bias: undetermined, with the reason, and the rest of the burn's
    impulse is what the truth has up to there."""
    flight, solution, events, _ = results["clean"]
    measurements, _, _ = measured(flight)
    at = events["burnout"].log_time_s - early_s
    moved = FlightEvents({**events.events, "burnout": dataclasses.replace(events["burnout"], log_time_s=at, sd_s=math.nan, is_moved=True)})
    result = propulsion(measurements, solution, moved, facts_of(flight), flight.vehicle.site)
    found = result.figures["drag coefficient"]
    assert not found.is_known and "thrust may be left in it" in found.note
    assert any("thrust may be left in it" in note and "assumed" in note for note in result.notes)
    assert result.drag_levels == ()
    truth = flight.truth
    until = truth.log_time_s <= at + 0.15
    given = float(np.trapezoid(truth.thrust_n[until], truth.log_time_s[until]))
    impulse = result.figures["total impulse"]
    assert abs(impulse.value - given) < 3.0 * impulse.sd and impulse.sd < 0.05 * given


def test_a_coast_of_one_level_is_seldom_parted():
    """Coasts of one coefficient with swinging noise (fifty, seeded): none is parted; with a step by half in it nearly all are."""
    time = np.arange(0.0, 8.0, 0.01)
    pull = 15.0 * np.exp(-time / 3.0)
    parted = {1.0: 0, 1.5: 0}
    for seed in range(50):
        rng = np.random.default_rng(seed)
        noise = np.convolve(rng.normal(0.0, 0.3, len(time) + 19), np.ones(20) / math.sqrt(20.0), mode="valid") * (0.2 + pull / pull[0])
        for ratio in parted:
            coefficient = np.where(time < 3.0, 0.5 * ratio, 0.5)
            parted[ratio] += bool(level_changes(time, noise - coefficient * pull + 0.1, pull, np.full(len(time), 0.01)))
    assert parted[1.0] == 0
    assert parted[1.5] >= 45


def test_the_report_states_what_is_usual(results):
    """A small long-burn motor peaks at about three times its mean, drag of a kilogram at such speeds is a few newtons (common practice,
    no source): the sample flight keeps to both, and the report says them beside its own."""
    figures = results["clean"][3].figures
    assert 2.0 < figures["peak to mean"].value < 4.0 and "three times its mean" in figures["peak to mean"].note
    assert 1.0 < figures["largest drag"].value < 5.0 and "a few newtons" in figures["largest drag"].note


def test_thrust_history_lies_inside_its_band(results):
    """Smoothed thrust less truth, over its standard deviation, through the burn."""
    flight, _, events, result = results["clean"]
    inside = (result.log_time_s > events["liftoff"].log_time_s + 0.4) & (result.log_time_s < events["burnout"].log_time_s - 0.1)
    truth = np.interp(result.log_time_s[inside], flight.truth.log_time_s, flight.truth.thrust_n)
    smooth = np.convolve(result.thrust_n[inside] - truth, np.ones(50) / 50, mode="valid")
    assert np.mean(np.abs(smooth) < 2.5 * result.thrust_sd_n[inside][: len(smooth)]) > 0.95


def test_drag_from_a_trusted_curve(results):
    """The reverse: with the thrust curve given, the drag at burnout comes back within a tenth."""
    flight, _, _, _ = results["clean"]
    measurements, solution, events = measured(flight)
    result = propulsion(measurements, solution, events, facts_of(flight), flight.vehicle.site, trust_curve=True)
    k = int(np.searchsorted(result.log_time_s, events["burnout"].log_time_s - 0.5))
    drag = float(np.mean(result.drag_n[k - 50 : k]))
    truth = float(np.interp(result.log_time_s[k - 25], flight.truth.log_time_s, flight.truth.drag_n))
    assert drag == pytest.approx(truth, rel=0.1)
    assert any("drag coefficient in the boost" in n for n in result.notes)


def test_a_slow_heavy_flight_says_that_drag_means_little(results):
    """D/m near the accelerometer's bias is no drag coefficient."""
    flight, _, _, _ = results["clean"]
    measurements, solution, events = measured(flight)
    thin = VehicleFacts(1.0, 0.06, 0.002)
    result = propulsion(measurements, solution, events, thin, flight.vehicle.site)
    assert "thrust to weight" in result.figures
    axial = Axial(
        result.log_time_s, np.zeros(len(result.log_time_s)), result.speed_mps, 0.01 * result.speed_mps, result.speed_mps,
        np.full(len(result.log_time_s), 1.2), np.zeros(len(result.log_time_s)),
    )  # fmt: skip
    assert abs(fit_coast(axial, coast_rows(axial, events), facts_of(flight), 0.94).ratio) < 3.0


def test_without_burnout_there_is_no_thrust():
    with pytest.raises(CannotEstimate, match="no liftoff"):
        propulsion(None, None, FlightEvents({}, {"liftoff": "no flight in this log"}), VehicleFacts(1.0, 0.1, 0.08), None)


def test_descent_against_truth(results):
    """Rate and drag area of the canopy within 5 % and 10 %."""
    flight, solution, events, _ = results["clean"]
    v = flight.vehicle
    figures = descent(solution, events, v.site, v.liftoff_mass_kg - v.propellant_mass_kg)
    t = flight.truth
    i, j = np.searchsorted(t.log_time_s, (events["deployment"].log_time_s + 2.5, events["touchdown"].log_time_s - 0.3))
    truth = -(t.pos_enu_m[j, 2] - t.pos_enu_m[i, 2]) / (t.log_time_s[j] - t.log_time_s[i])
    assert figures["descent rate"].value == pytest.approx(truth, rel=0.05)
    assert figures["drag area"].value == pytest.approx(v.recovery.drag_area_m2, rel=0.15)
    assert figures["landing energy"].value == pytest.approx(0.5 * 0.94 * figures["landing speed"].value ** 2, rel=1e-9)
    assert not math.isfinite(figures["wind speed"].value)
    assert "horizontal velocity" in figures["wind speed"].note


def test_the_ground_meets_the_second_canopy_not_the_mean_of_both(results):
    """30 m/s under a small canopy, then 5 m/s: speed and energy at the ground are of the second, the first is told beside it."""
    flight, solution, events, _ = results["clean"]
    start, stop = events["deployment"].log_time_s, events["touchdown"].log_time_s
    time = np.arange(start, stop, 0.02)
    change = stop - 12.0
    height = np.where(time < change, 60.0 + 30.0 * (change - time), 5.0 * (stop - time))
    height += np.random.default_rng(4).normal(0.0, 0.3, len(time))
    figures = descent(solution, events, flight.vehicle.site, 0.94, (time, height))
    assert figures["descent rate"].value == pytest.approx(5.0, abs=0.1)
    assert figures["descent rate above"].value == pytest.approx(30.0, abs=0.3)
    assert figures["landing energy"].value < 0.5 * 0.94 * 6.5**2
    steady = descent(solution, events, flight.vehicle.site, 0.94, (time, 5.0 * (stop - time)))
    assert "descent rate above" not in steady, "one rate is not two"


def test_descent_without_touchdown_says_why(results):
    flight, solution, events, _ = results["clean"]
    aloft = FlightEvents(
        {n: e for n, e in events.events.items() if n not in ("touchdown", "rest")}, {"touchdown": "the log ends in the air"}
    )
    figures = descent(solution, aloft, flight.vehicle.site, 0.94)
    assert figures["descent rate"].text() == "undetermined (the log ends in the air)"


def test_a_deviation_too_small_to_write_is_left_out():
    """Instead of one of zero, which nothing has."""
    assert Quantity("rate", 250.0, 3e-8, "Hz").text() == "250 Hz"
    assert Quantity("rate", 250.0, 3e-4, "Hz").text() == "250.00000 ± 0.00030 Hz"
