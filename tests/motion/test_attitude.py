"""The door to the attitude methods: what it takes, what it refuses, and the ugly records."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import METHODS, estimate_attitude
from replay.units import DEG

QUICK = ("integrate", "complementary", "gradient")


def steady_turn(n=401, rate_hz=100.0, rate=(0.0, 30.0 * DEG, 0.0)):
    """A turn about one axis with the gravity it feels, and its true attitude."""
    time_s = np.arange(n) / rate_hz
    truth = rotation.from_rotvec(time_s[:, None] * np.array(rate))
    accel = rotation.rotate(rotation.conjugate(truth), [0.0, 0.0, 9.81])
    return time_s, np.tile(rate, (n, 1)), accel, truth


def error_deg(p, q):
    return np.linalg.norm(rotation.to_rotvec(rotation.multiply(rotation.conjugate(p), q)), axis=-1) / DEG


@pytest.mark.parametrize("method", METHODS)
def test_a_steady_turn(method):
    """Every method follows a turn of 30 deg/s through 120 degrees."""
    time_s, rate, accel, truth = steady_turn()
    found = estimate_attitude(time_s, rate, accel, method)
    assert found.method == method
    assert found.q_enu_from_body.shape == (401, 4)
    assert error_deg(found.q_enu_from_body, truth).max() < 1.0
    assert_allclose(np.linalg.norm(found.q_enu_from_body, axis=1), 1.0, atol=1e-12)


def test_the_first_tenth_of_a_second_levels_even_while_turning():
    """Carried back by the gyro: a fast start does not tilt it."""
    time_s, rate, accel, truth = steady_turn(rate=(0.0, 200.0 * DEG, 0.0))
    found = estimate_attitude(time_s, rate, accel, "integrate")
    assert error_deg(found.q_enu_from_body, truth).max() < 0.01


def test_a_wrong_start_is_forgotten_by_the_accelerometer_only():
    """Ten degrees out: integrate keeps them, complementary and gradient lose them at their gain."""
    time_s, rate, accel, truth = steady_turn(n=1001, rate=(0.0, 0.0, 0.0))
    start = rotation.from_tilt(10.0 * DEG, 0.0)
    kept = estimate_attitude(time_s, rate, accel, "integrate", q_start=start).q_enu_from_body
    assert_allclose(rotation.tilt(kept) / DEG, 10.0, atol=1e-9)
    closed = estimate_attitude(time_s, rate, accel, "complementary", q_start=start, gain_per_s=0.5).q_enu_from_body
    # proportional law: tan(tilt/2) decays with exp(−gain·t)
    expected = 2.0 * np.arctan(np.tan(5.0 * DEG) * np.exp(-0.5 * time_s))
    assert_allclose(rotation.tilt(closed), expected, atol=0.003)
    stepped = estimate_attitude(time_s, rate, accel, "gradient", q_start=start, gain_radps=1.0 * DEG).q_enu_from_body
    # a step of fixed length: the quaternion moves by gain·t, the tilt by twice that
    assert_allclose(rotation.tilt(stepped[400]) / DEG, 10.0 - 2.0 * 4.0, atol=0.1)
    assert error_deg(closed[-1], truth[-1]) < 0.1


@pytest.mark.parametrize(("time_constant_s", "left_deg"), [(0.5, 0.183), (1.0, 1.353), (2.0, 3.679), (5.0, 6.703)])
def test_an_accelerometer_left_on_in_boost_makes_a_tilted_vehicle_look_upright(time_constant_s, left_deg):
    """True tilt 10 degrees, thrust along the nose for 2 s: 10·exp(−2/τ) is what is left (first-order loop, from its own equation)."""
    time_s = np.arange(2001) / 1000.0
    # small angles, where the filter is the first-order loop the figure is for; scaled back up
    start = rotation.from_tilt(0.1 * DEG, 90.0 * DEG)
    thrust = np.tile([0.0, 0.0, 25.0], (2001, 1))
    found = estimate_attitude(time_s, np.zeros((2001, 3)), thrust, "complementary", q_start=start, gain_per_s=1.0 / time_constant_s)
    # along the nose there is nothing to correct towards: the computer's reference is the force itself
    assert_allclose(rotation.tilt(found.q_enu_from_body[-1]) / DEG * 100.0, left_deg, rtol=5e-3)
    gated = estimate_attitude(
        time_s, np.zeros((2001, 3)), thrust, "complementary", q_start=start, gain_per_s=1.0 / time_constant_s,
        is_gravity_used=np.zeros(2001, dtype=bool),
    )  # fmt: skip
    assert_allclose(rotation.tilt(gated.q_enu_from_body[-1]) / DEG, 0.1, rtol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_missing_rows_are_bridged(method):
    """A run of NaN rows inside, one at each end, and one with only the accelerometer gone."""
    time_s, rate, accel, truth = steady_turn()
    rate[100:105] = np.nan
    accel[100:105] = np.nan
    accel[200, 1] = np.nan
    rate[0] = rate[-1] = np.nan
    found = estimate_attitude(time_s, rate, accel, method)
    assert np.isfinite(found.q_enu_from_body).all()
    assert error_deg(found.q_enu_from_body, truth).max() < 1.5


@pytest.mark.parametrize("method", METHODS)
def test_uneven_steps_and_a_gap(method):
    """Per-sample steps, and 0.3 s without samples: the rate is bridged in a straight line."""
    rng = np.random.default_rng(8)
    time_s, _, _, _ = steady_turn()
    steps = 0.01 * rng.uniform(0.6, 1.4, 401)
    steps[250] = 0.3
    time_s = np.cumsum(steps)
    rate = np.tile([0.0, 30.0 * DEG, 0.0], (401, 1))
    truth = rotation.from_rotvec((time_s - time_s[0])[:, None] * rate[0])
    accel = rotation.rotate(rotation.conjugate(truth), [0.0, 0.0, 9.81])
    gap = np.zeros(401, dtype=bool)
    gap[250] = True
    found = estimate_attitude(time_s, rate, accel, method, is_gap_before=gap)
    assert error_deg(found.q_enu_from_body, truth).max() < 1.5


def test_no_curve_reaches_over_a_gap():
    """Two stretches apart: what happens after the gap does not change the attitude before it."""
    time_s, rate, accel, _ = steady_turn()
    time_s = np.where(np.arange(401) >= 200, time_s + 1.0, time_s)
    gap = np.arange(401) == 200
    wild = rate.copy()
    wild[200:] *= 5.0
    a = estimate_attitude(time_s, rate, accel, "integrate", is_gap_before=gap).q_enu_from_body
    b = estimate_attitude(time_s, wild, accel, "integrate", is_gap_before=gap).q_enu_from_body
    assert_array_equal(a[:200], b[:200])


@pytest.mark.parametrize("method", QUICK)
@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_the_shortest_records(method, n):
    """No samples, one, two, three."""
    found = estimate_attitude(np.arange(n) / 100.0, np.zeros((n, 3)), np.tile([0.0, 0.0, 9.81], (n, 1)), method)
    assert found.q_enu_from_body.shape == (n, 4)
    assert_allclose(rotation.tilt(found.q_enu_from_body), 0.0, atol=1e-12)


@pytest.mark.parametrize("method", QUICK)
def test_nose_straight_down(method):
    """Upside down is no singularity of the attitude."""
    time_s = np.arange(50) / 100.0
    found = estimate_attitude(time_s, np.zeros((50, 3)), np.tile([0.0, 0.0, -9.81], (50, 1)), method)
    assert_allclose(rotation.tilt(found.q_enu_from_body) / DEG, 180.0, atol=1e-6)


def test_the_declared_heading_turns_everything_and_nothing_else():
    """Pad azimuth 65 instead of 90 degrees: one turn about the vertical, for every method."""
    time_s, rate, accel, _ = steady_turn()
    for method in METHODS:
        a = estimate_attitude(time_s, rate, accel, method).q_enu_from_body
        b = estimate_attitude(time_s, rate, accel, method, pad_azimuth_rad=65.0 * DEG).q_enu_from_body
        turn = rotation.to_rotvec(rotation.multiply(b, rotation.conjugate(a))) / DEG
        assert_allclose(turn, np.tile([0.0, 0.0, 25.0], (401, 1)), rtol=0, atol=1e-6)


def test_a_stated_bias_is_taken_off():
    """The same attitude as with a rate that never had it."""
    time_s, rate, accel, _ = steady_turn()
    bias = np.array([0.01, -0.02, 0.03])
    a = estimate_attitude(time_s, rate, accel, "integrate").q_enu_from_body
    b = estimate_attitude(time_s, rate + bias, accel, "integrate", gyro_bias_body_radps=bias).q_enu_from_body
    assert_allclose(b, a, rtol=0, atol=1e-13)


def test_nothing_given_is_written_to():
    """Arrays of the caller, read-only ones too, stay as they are."""
    time_s, rate, accel, _ = steady_turn()
    rate[5] = np.nan
    for array in (time_s, rate, accel):
        array.flags.writeable = False
    before = rate.copy()
    for method in QUICK:
        estimate_attitude(time_s, rate, accel, method)
    assert_array_equal(rate, before)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"method": "kalmann"}, "there are integrate, complementary, gradient, kalman, smoother"),
        ({"method": "gradient", "gain_per_s": 1.0}, "there is gain_radps"),
        ({"method": "integrate", "gain_radps": 1.0}, "there is none"),
        ({"rate_body_radps": np.zeros((5, 3))}, r"expected shape \(4, 3\), got \(5, 3\)"),
        ({"time_s": [0.0, 0.1, 0.1, 0.2]}, "does not at sample 2"),
        ({"time_s": [0.0, 0.2, 0.1, 0.3]}, "does not at sample 2"),
        ({"time_s": [0.0, 0.1, np.nan, 0.3]}, "time must increase"),
        ({"accel_body_mps2": np.zeros((4, 3))}, "give q_start"),
    ],
)
def test_what_can_not_be_meant_is_one_clear_error(change, says):
    """Shape, time, method and gain."""
    arguments = {
        "time_s": np.arange(4) / 10.0, "rate_body_radps": np.zeros((4, 3)),
        "accel_body_mps2": np.tile([0, 0, 9.8], (4, 1)), "method": "integrate",
    }  # fmt: skip
    with pytest.raises(CannotEstimate, match=says):
        estimate_attitude(**(arguments | change))


@pytest.mark.parametrize(("gap_ms", "bound_deg"), [(10, 0.0164), (20, 0.1316), (50, 2.056)])
def test_a_bridged_gap_stays_within_the_bound_of_its_length(gap_ms, bound_deg):
    """5 Hz motion of 200 deg/s: a straight line over a gap g is at most g³/12·|ω̈| off, wherever in the motion it falls."""
    omega = 2.0 * np.pi * 5.0
    errors = []
    for start in np.arange(0.5, 0.7, 0.01):
        time_s = np.arange(1001) / 1000.0
        keep = (time_s <= start + 1e-9) | (time_s >= start + 1e-3 * gap_ms - 1e-9)
        t = time_s[keep]
        rate = np.column_stack((0.0 * t, 200.0 * DEG * np.sin(omega * t), 0.0 * t))
        gap = np.zeros(len(t), dtype=bool)
        gap[1:] = np.diff(t) > 0.0015
        found = estimate_attitude(t, rate, np.tile([0.0, 0.0, 9.8], (len(t), 1)), "integrate", q_start=[1, 0, 0, 0], is_gap_before=gap)
        truth = 200.0 * DEG / omega * (1.0 - np.cos(omega * t[-1]))
        errors.append(abs(rotation.to_rotvec(found.q_enu_from_body[-1])[1] - truth) / DEG)
    assert max(errors) <= 1.01 * bound_deg
    assert max(errors) > 0.7 * bound_deg, "and the bound is reached"
