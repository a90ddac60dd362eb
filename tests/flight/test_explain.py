"""The whole explanation: what can't be had says why and hides nothing, moved events carry everything after them, defaults are not used."""

import dataclasses
import threading

import numpy as np
import pytest
from flight_support import explained, mount_of

from replay.errors import Cancelled
from replay.flight.explained import PARTS, ObservedLean
from replay.flightlog.log import FlightLog
from replay.review.explain import EXPLAINED, ExplainRequest, explain, explain_request, explained_of, facts_of
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.whatif import sample
from replay.whatif.evidence import Evidence, Lean
from replay.whatif.vehicle import load_vehicle


@pytest.fixture(scope="module")
def clean():
    return sample.make("clean", seed=5)


def again(flight, **options):
    """The clean flight explained anew from the solution already made."""
    options = {"vehicle": flight.vehicle, "mount": mount_of(flight)} | options
    return explain(flight.log, explained("clean").solution, **options)


def test_a_whole_flight_has_every_part(clean):
    known = explained("clean")
    assert dict(known.missing) == {}
    for part in PARTS:
        assert getattr(known, part) is not None
    assert known.figures("propulsion")["total impulse"].is_known
    assert known.figures("vibration") == {}
    assert known.rail is None
    assert again(clean, evidence=Evidence(rail=Lean(0.02, 0.7, 0.01))).rail == ObservedLean(0.02, 0.7, 0.01)
    assert again(clean, evidence=Evidence(rail=Lean(0.02, 0.0, 0.01, is_side_known=False))).rail == ObservedLean(0.02, None, 0.01)


def test_without_a_vehicle_the_rest_still_stands(clean):
    """Thrust, drag and control say what they lack; events, descent, vibration and power are there."""
    known = again(clean, vehicle=None, site=clean.vehicle.site)
    assert known.propulsion is None and "vehicle file" in known.missing["propulsion"]
    assert known.control is None and "vehicle file" in known.missing["control"]
    assert known.descent["descent rate"].is_known and not known.descent["drag area"].is_known
    assert known.vibration is not None and known.power is not None
    assert known.events.unknown["rail_exit"] == "rail length not given"
    assert {f.rule for f in known.findings} >= {"record whole", "battery held"}


def test_a_moved_burnout_carries_thrust_and_impulse(clean):
    """Burnout put a second too early takes that second's 11 N·s or more off the impulse (the coast's drag goes wrong too): all follows."""
    whole = explained("clean")
    at = whole.time("burnout") - 1.0
    moved = again(clean, moved_events={"burnout_log_s": at})
    assert moved.events["burnout"].is_moved and moved.time("burnout") == at
    lost = whole.figures("propulsion")["total impulse"].value - moved.figures("propulsion")["total impulse"].value
    assert lost > 13.0 * 0.85  # 0.15 s are kept after burnout
    shorter = whole.figures("propulsion")["burn time"].value - moved.figures("propulsion")["burn time"].value
    assert 0.8 < shorter < 1.1
    assert moved.control.reserve_log_s[-1] < at


def test_a_moved_liftoff_carries_the_rail_exit(clean):
    """The path along the rail begins where the user says that the vehicle lifted."""
    whole = explained("clean")
    moved = again(clean, moved_events={"liftoff_log_s": whole.time("liftoff") + 0.2})
    assert moved.time("rail_exit") > whole.time("rail_exit") + 0.03
    assert np.isfinite(moved.events["rail_exit"].sd_s)
    assert moved.figures("propulsion")["burn time"].value < whole.figures("propulsion")["burn time"].value


def test_a_barometer_alone_is_explained(clean):
    """A log without inertial sensors: events from the height, and one line of why for each of the rest."""
    names = ("pressure_pa", "battery_v")
    log = FlightLog(clean.log.paths, "", {n: clean.log[n] for n in names}, clean.log.column_map)
    known = explain(log, None, vehicle=clean.vehicle)
    assert known.time("apogee") == pytest.approx(clean.truth.events.apogee_log_s, abs=0.15)
    for part in ("propulsion", "control", "vibration", "descent"):
        assert "inertial" in known.missing[part]
    assert known.power.figures["battery minimum"].is_known


def test_numbers_nobody_thought_of_hide_one_part_only(clean, monkeypatch):
    """A part that breaks down says so; the others are there."""
    from replay.flight import vibration

    def broken(*_args, **_options):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(vibration, "vibration", broken)
    known = again(clean)
    assert known.missing == {"vibration": "could not be worked out (division by zero)"}
    assert known.control is not None and known.findings


def test_a_programming_error_is_not_hidden(clean, monkeypatch):
    from replay.flight import vibration

    monkeypatch.setattr(vibration, "vibration", None)
    with pytest.raises(TypeError):
        again(clean)


def test_it_stops_when_asked(clean):
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(Cancelled):
        again(clean, cancel=cancel)


def test_defaults_of_the_vehicle_file_are_not_used(tmp_path):
    """A file that states only what is required: no inertia, no rail, no stated drag, and the explanation says so."""
    path = tmp_path / "v.toml"
    path.write_text(
        'format = 1\nname = "Wren 3"\nliftoff_mass_kg = 1.0\npropellant_mass_kg = 0.06\ndiameter_m = 0.08\n'
        "[motor]\nthrust_curve_s_n = [[0.0, 0.0], [0.1, 30.0], [5.0, 10.0], [5.2, 0.0]]\n"
    )
    vehicle = load_vehicle(path)
    facts = facts_of(vehicle)
    left = [f.name for f in dataclasses.fields(facts) if getattr(facts, f.name) is None]
    assert {"drag_coefficient", "transverse_inertia_kgm2", "gimbal_below_cg_m", "rail_length_m", "chute_drag_area_m2"} <= set(left)
    flight = sample.make("clean", seed=5)
    known = again(flight, vehicle=vehicle)
    assert any("defaults of the vehicle file are not used" in line for line in known.assumptions)
    assert "drag off" not in {f.rule for f in known.findings}
    assert facts_of(flight.vehicle).chute_delay_s == flight.vehicle.recovery.delay_after_apogee_s


def test_the_worker_explains_what_a_snapshot_draws(clean):
    """The what-if where it is drawn, its levelling set against the one as flown; and the extra is found again under its name."""
    known = explained("clean")
    snapshot = Snapshot(1, clean.log, known.solution, vehicle=clean.vehicle)
    made = explain_request(ExplainRequest(snapshot, Review()))
    assert made.solution is known.solution and made.flown is known.solution
    assert explained_of(snapshot) is None
    assert explained_of(dataclasses.replace(snapshot, extras={EXPLAINED: made})) is made
    crooked = explained("crooked_bench").solution
    both = explain_request(ExplainRequest(dataclasses.replace(snapshot, what_if=crooked), Review()))
    assert both.solution is crooked and both.flown is known.solution
