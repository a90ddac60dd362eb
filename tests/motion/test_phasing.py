"""Events and the gate: from specific force, rate and barometer, on flights, and on records that hold none."""

import numpy as np
import pytest
from motion_records import measurements, pad_record
from shared_data import shared_data

import replay
from replay.flightlog.log import FlightLog
from replay.motion.phasing import find_events, gravity_gate
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import PHASES, Events
from replay.sensors.measurements import measure
from replay.sensors.mount import find_mount
from replay.units import DEG, kelvin
from replay.whatif import sample

G = 9.80665
# how far the basic search may be from the truth, s
WITHIN_S = {"liftoff": 0.03, "burnout": 0.1, "apogee": 0.15, "deployment": 0.25, "touchdown": 0.15, "rest": 0.4}


def measured(flight) -> object:
    return measure(flight.log, flight.truth.calibration, find_mount(flight.log, flight.truth.calibration))


@pytest.fixture(scope="module", params=sample.NAMES)
def flight(request):
    """Every sample flight."""
    return sample.make(request.param)


def test_events_of_every_sample_flight(flight):
    """Each event within a stated time of the truth."""
    found = find_events(measured(flight), flight.vehicle.site)
    off = {k: getattr(found, f"{k}_log_s") - getattr(flight.truth.events, f"{k}_log_s") for k in WITHIN_S}
    assert {k: v for k, v in off.items() if not abs(v) < WITHIN_S[k]} == {}, f"seed {flight.seed}"


def test_the_gate_of_every_sample_flight(flight):
    """Open on the pad and at rest, shut from before liftoff through boost, coast and deployment; part of the descent is steady."""
    record = measured(flight)
    events = find_events(record, flight.vehicle.site)
    gate = gravity_gate(record, events, EstimatorSettings())
    time_s, truth = record.log_time_s, flight.truth.events
    shut = (time_s > truth.liftoff_log_s - 0.4) & (time_s < truth.deployment_log_s + 1.5)
    assert not gate[shut].any()
    pad = (time_s < truth.liftoff_log_s - 0.6) & ~record.is_accel_clipped
    assert gate[pad].all()
    rest = (time_s > truth.rest_log_s + 0.5) & ~record.is_accel_clipped
    assert gate[rest].all()
    descent = (time_s > truth.deployment_log_s + 3.0) & (time_s < truth.touchdown_log_s - 1.0)
    assert 0.2 < gate[descent].mean() <= 1.0


@pytest.mark.parametrize(
    ("change", "phase"), [("use_gravity_on_pad", "pad"), ("use_gravity_in_descent", "descent"), ("use_gravity_landed", "landed")]
)
def test_each_gate_can_be_shut(change, phase):
    """What the Estimator panel switches."""
    flight = sample.make("clean")
    record = measured(flight)
    events = find_events(record, flight.vehicle.site)
    code = events.phase_of(record.log_time_s)
    open_gate = gravity_gate(record, events, EstimatorSettings())
    shut_gate = gravity_gate(record, events, EstimatorSettings(**{change: False}))
    assert open_gate[code == PHASES.index(phase)].any()
    assert not shut_gate[code == PHASES.index(phase)].any()
    always = gravity_gate(record, events, EstimatorSettings(use_gravity_always=True))
    assert always.all(), "a computer without a gate"


def test_without_a_barometer_apogee_is_dead_reckoned():
    """Where the vertical speed from gyro and accelerometer crosses zero."""
    flight = sample.make("clean")
    channels = {k: v for k, v in flight.log.channels.items() if k != "pressure_pa"}
    log = FlightLog(flight.log.paths, "", channels, flight.log.column_map)
    record = measure(log, flight.truth.calibration, find_mount(log, flight.truth.calibration))
    found = find_events(record, flight.vehicle.site)
    assert abs(found.apogee_log_s - flight.truth.events.apogee_log_s) < 0.1
    assert abs(found.touchdown_log_s - flight.truth.events.touchdown_log_s) < 0.5


def test_a_record_that_ends_in_the_air_has_no_touchdown():
    """Cut two seconds after apogee."""
    flight = sample.make("clean")
    record = measured(flight)
    stop = int(np.searchsorted(record.log_time_s, flight.truth.events.apogee_log_s + 4.0))
    keep = record.baro_log_time_s < record.log_time_s[stop]
    cut = measurements(
        record.log_time_s[:stop], record.accel_body_mps2[:stop], record.rate_body_radps[:stop],
        baro_log_time_s=record.baro_log_time_s[keep], pressure_pa=record.pressure_pa[keep],
    )  # fmt: skip
    found = find_events(cut, flight.vehicle.site)
    assert np.isnan(found.touchdown_log_s) and np.isnan(found.rest_log_s)
    assert abs(found.apogee_log_s - flight.truth.events.apogee_log_s) < 0.15


def test_a_pad_that_never_flew():
    """Rest, and rest with a knock that reads four g for a tenth of a second."""
    assert np.isnan(find_events(pad_record((0.0, 0.0, G), 0.05), Site()).liftoff_log_s)
    time_s = np.arange(4000) / 100.0
    accel = np.tile([0.0, 0.0, G], (4000, 1))
    accel[1000:1010, 2] += 30.0
    accel[1010:1020, 2] -= 30.0
    assert np.isnan(find_events(measurements(time_s, accel), Site()).liftoff_log_s)


def test_a_record_turned_by_hand_is_no_flight():
    """Swings of two g in changing directions."""
    time_s = np.arange(6000) / 100.0
    rng = np.random.default_rng(7)
    swing = np.stack([np.convolve(rng.normal(size=6000), np.ones(30) / 3.0, "same") for _ in range(3)], axis=1)
    found = find_events(measurements(time_s, swing * 4.0 + (0.0, 0.0, G), swing), Site())
    assert found == Events() or np.isnan(found.liftoff_log_s)
    assert (found.phase_of(time_s) == 0).all()


@pytest.mark.parametrize("name", ["data_xsens.txt", "data_xio3", "data_ngimu"])
def test_hand_held_recordings_are_no_flights(name):
    """Three recordings of units turned by hand."""
    log = replay.read_log(shared_data("imu_onboard_attitude") / name)
    record = measure(log, replay.Calibration(), find_mount(log, replay.Calibration()))
    assert np.isnan(find_events(record, Site()).liftoff_log_s)


@pytest.mark.parametrize(
    ("name", "ground_c", "burnout_s", "apogee_s", "landed_s"),
    [("jackpot_launch_1.csv", 14.0, 2.95, 12.9, 55.0), ("jackpot_launch_3.csv", 25.2, 2.9, 15.8, 68.0)],
)
def test_events_of_the_student_rocket(name, ground_c, burnout_s, apogee_s, landed_s):
    """Two real flights, times after liftoff as read off the plotted specific force and pressure."""
    log = replay.read_log(shared_data("student_rocket") / name)
    site = Site(ground_temperature_k=kelvin(ground_c))
    found = find_events(measure(log, replay.Calibration(), find_mount(log, replay.Calibration())), site)
    after = {k: getattr(found, f"{k}_log_s") - found.liftoff_log_s for k in ("burnout", "apogee", "touchdown", "rest")}
    assert after["burnout"] == pytest.approx(burnout_s, abs=0.15)
    assert after["apogee"] == pytest.approx(apogee_s, abs=0.5)
    assert after["touchdown"] == pytest.approx(landed_s, abs=1.5)
    assert after["touchdown"] <= after["rest"]


def test_a_slow_turn_in_a_steady_boost_is_still_found():
    """A liftoff at hardly more than its weight, after a minute on the pad, in a log with a gap in the boost."""
    rate_hz, pad_s = 100.0, 60.0
    time_s = np.arange(int(90 * rate_hz)) / rate_hz
    along = np.where(time_s < pad_s, G, np.where(time_s < pad_s + 4.0, 15.0, np.where(time_s < pad_s + 9.0, -1.0, G)))
    keep = ~((time_s > pad_s + 1.0) & (time_s < pad_s + 1.2))
    accel = np.column_stack((0.0 * along, 0.0 * along, along)) + 0.05 * np.random.default_rng(1).normal(size=(len(along), 3))
    gap = np.zeros(keep.sum(), dtype=bool)
    gap[int((pad_s + 1.0) * rate_hz) + 1] = True
    record = measurements(time_s[keep], accel[keep], np.zeros((keep.sum(), 3)) + 0.1 * DEG, gap)
    found = find_events(record, Site())
    assert found.liftoff_log_s == pytest.approx(pad_s, abs=0.03)
    assert found.burnout_log_s == pytest.approx(pad_s + 4.0, abs=0.05)
