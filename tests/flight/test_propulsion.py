"""Thrust, drag, misalignment and descent of sample flights against truth."""

import math

import numpy as np
import pytest
from flight_support import facts_of, measured, truth_curve

from replay.errors import CannotEstimate
from replay.flight.descent import descent
from replay.flight.facts import VehicleFacts
from replay.flight.phases import FlightEvents
from replay.flight.propulsion import propulsion
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
    from replay.flight.propulsion import _Axial, _coast_rows, fit_coast

    axial = _Axial(
        result.log_time_s, np.zeros(len(result.log_time_s)), result.speed_mps, 0.01 * result.speed_mps, result.speed_mps,
        np.full(len(result.log_time_s), 1.2),
    )  # fmt: skip
    assert abs(fit_coast(axial, _coast_rows(axial, events), facts_of(flight), 0.94).ratio) < 3.0


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


def test_descent_without_touchdown_says_why(results):
    flight, solution, events, _ = results["clean"]
    aloft = FlightEvents(
        {n: e for n, e in events.events.items() if n not in ("touchdown", "rest")}, {"touchdown": "the log ends in the air"}
    )
    figures = descent(solution, aloft, flight.vehicle.site, 0.94)
    assert figures["descent rate"].text() == "undetermined (the log ends in the air)"
