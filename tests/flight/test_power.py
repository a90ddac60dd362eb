"""Battery, temperature and timing of sample flights."""

import numpy as np
import pytest
from flight_support import measured

from replay.flight.power import power
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import Calibration
from replay.units import kelvin
from replay.whatif import sample


def explained(name, **options):
    flight = sample.make(name, seed=5)
    _, _, events = measured(flight)
    command = flight.log["gimbal_command_rad"]
    return flight, power(
        flight.log, events.log_time_s("liftoff"), events.log_time_s("touchdown"), flight.truth.calibration,
        activity=(command.log_time_s, command.values), **options,
    )  # fmt: skip


def test_internal_resistance_of_the_tired_battery():
    """Voltage against current gives the scenario's own resistance inside three sigmas."""
    flight, result = explained("soft_gimbal")
    found = result.figures["resistance"]
    truth = 1e3 * flight.scenario.housekeeping.battery_resistance_ohm
    assert abs(found.value - truth) < max(3.0 * found.sd, 0.05 * truth)
    assert result.n_cells == 2
    assert result.figures["sag with gimbal"].value > 0.05


def test_a_sound_battery_keeps_its_margin():
    _, result = explained("clean")
    assert result.figures["battery margin"].value > 0.5
    assert result.figures["battery minimum"].value == pytest.approx(result.figures["battery margin"].value + 6.0, abs=1e-9)


def test_temperature_since_calibration_and_the_shift_it_brings():
    flight, result = explained("hot_day")
    since = result.figures["since calibration"].value
    truth = flight.log["imu_temperature_k"].values[0] - flight.truth.calibration.reference_temperature_k
    assert since > 10.0 and abs(since - truth) < 10.0
    assert result.figures["gyro shift"].value == pytest.approx(np.linalg.norm((0.03, -0.02, 0.015)) * since, rel=1e-6)


def test_without_a_slope_the_size_to_expect_is_said_to_be_from_memory():
    channel = Channel("imu_temperature_k", np.arange(5.0), np.full(5, kelvin(40.0)), "K")
    log = FlightLog(("invented.csv",), "", {channel.name: channel}, None)
    figures = power(log, np.nan, np.nan, Calibration()).figures
    assert "from memory" in figures["accelerometer shift"].note
    assert figures["accelerometer shift"].value == pytest.approx(0.0005 * 9.80665 * 20.0, rel=1e-6)
    assert not figures["battery minimum"].is_known


def test_timing_names_the_longest_step():
    _, result = explained("troubled_logger")
    assert result.figures["longest step"].value > 50.0
