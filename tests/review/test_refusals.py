"""Refusals: what an innovation trace marks, and the gate's steps."""

import dataclasses

import drawn_flight
import numpy as np
import pytest
from numpy.testing import assert_array_equal

from replay.review.refusals import Refusals, measurement_of, refusals_of


@pytest.mark.parametrize(
    ("key", "measurement"),
    [
        ("diagnostic:barometer innovation (sigmas)", "barometer"),
        ("diagnostic:satellite position innovation (sigmas).2", "satellite position"),
        ("diagnostic:barometer innovation (m)", ""),
        ("diagnostic:rest rate residual (rad/s).1", ""),
        ("tilt", ""),
    ],
)
def test_only_an_innovation_in_standard_deviations_shows_refusals(key, measurement):
    """A refusal is noted in standard deviations; in metres its value is not known."""
    assert measurement_of(key) == measurement


def test_a_methods_refusals_are_its_own_and_in_order_of_time():
    """Of the measurement asked for; none for a method that neither refuses nor gates it."""
    solution = drawn_flight.snapshot().as_flown
    rejected = (("barometer", 14.3, -5.2), ("magnetometer", 3.0, 9.0), ("barometer", 14.25, 6.1))
    gates = {"barometer": (np.array([0.0]), np.array([4.0]))}
    solution = dataclasses.replace(solution, rejected=rejected, gates=gates)
    found = refusals_of(solution, "barometer")
    assert_array_equal(found.log_time_s, [14.25, 14.3])
    assert_array_equal(found.sigmas, [6.1, -5.2])
    assert_array_equal(found.within(14.25, 14.29)[1], [6.1])
    assert len(refusals_of(solution, "magnetometer").gate_log_s) == 0
    assert refusals_of(solution, "rest rate") is None


def test_the_gates_corners_in_a_window():
    """Level between its steps, a corner on either side of each, cut at the window and at its own beginning."""
    gate = Refusals(np.empty(0), np.empty(0), np.array([1.0, 5.0, 5.5]), np.array([4.0, 2.0, 4.0]))
    times, sigmas = gate.gate_steps(0.0, 9.0)
    assert_array_equal(times, [1.0, 5.0, 5.0, 5.5, 5.5, 9.0])
    assert_array_equal(sigmas, [4.0, 4.0, 2.0, 2.0, 4.0, 4.0])
    assert_array_equal(np.stack(gate.gate_steps(5.1, 5.2)), [[5.1, 5.2], [2.0, 2.0]])
    assert_array_equal(np.stack(gate.gate_steps(5.5, 6.0)), [[5.5, 6.0], [4.0, 4.0]])
    assert_array_equal(np.stack(gate.gate_steps(2.0, 5.0)), [[2.0, 5.0], [4.0, 4.0]])
    assert len(gate.gate_steps(-3.0, 1.0)[0]) == 0
