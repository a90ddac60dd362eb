"""The gimbal loop against closed forms: saturation, overshoot and damping, standing offset, reserve, the kick, gain and lag."""

import itertools

import numpy as np
import pytest
from flight_support import explained

from replay import rotation
from replay.errors import CannotEstimate
from replay.flight.actuator import lagged
from replay.flight.control import control, damping_of_overshoot, find_corrections
from replay.flight.event import FlightEvent, FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.propulsion import Propulsion
from replay.motion.solution import Events, Levelling, Solution
from replay.sensors.calibration import Calibration
from replay.units import DEG

STEP_S, LIFTOFF_S, BURNOUT_S = 0.004, 2.0, 7.0
TIME = np.arange(0.0, 10.0, STEP_S)
SINCE = TIME - LIFTOFF_S
FACTS = VehicleFacts(1.0, 0.06, 0.08, transverse_inertia_kgm2=0.02, axial_inertia_kgm2=0.002, gimbal_below_cg_m=0.3)
EVENTS = FlightEvents(
    {n: FlightEvent(n, t, 0.005, "invented") for n, t in (("liftoff", LIFTOFF_S), ("burnout", BURNOUT_S), ("apogee", 9.5))}
)
LIMIT = 5.0 * DEG


def solution(pitch_rad=None, rate_x=None, accel_y=None):
    """A vehicle that only pitches (about body x) through the burn."""
    pitch = np.zeros(len(TIME)) if pitch_rad is None else pitch_rad
    rate = np.zeros((len(TIME), 3))
    rate[:, 0] = np.gradient(pitch, TIME) if rate_x is None else rate_x
    accel = np.zeros((len(TIME), 3))
    accel[:, 2] = 15.0
    accel[:, 1] = 0.0 if accel_y is None else accel_y
    still, up = np.zeros((len(TIME), 3)), np.array([1.0, 0.0, 0.0, 0.0])
    level = Levelling(up, 0.001, 0.0, 1.5, np.zeros(3), np.full(3, 1e-5), np.array([0.0, 0.0, 9.81]))
    q = rotation.from_rotvec(np.column_stack((pitch, np.zeros(len(TIME)), np.zeros(len(TIME)))))
    return Solution(
        "integrate", Calibration(), TIME, q, still, still, accel, rate, np.zeros(len(TIME), dtype=bool),
        Events(liftoff_log_s=LIFTOFF_S, burnout_log_s=BURNOUT_S), level,
    )  # fmt: skip


def motor(thrust=None):
    """Thrust through the burn: 15 N unless given."""
    burning = (SINCE >= 0.0) & (TIME <= BURNOUT_S)
    force = np.where(burning, 15.0 if thrust is None else thrust, 0.0)
    none = np.empty(0)
    return Propulsion(
        TIME, force, 0.01 * force, np.zeros(len(TIME)), np.zeros(len(TIME)), np.full(len(TIME), 1.0), np.full(len(TIME), 20.0),
        none, none, none, 0.0, {}, (),
    )  # fmt: skip


def commanded(about_x, about_y=0.0):
    return TIME, np.column_stack((about_x, np.broadcast_to(about_y, len(TIME))))


def explain(command, flown=None, thrust=None, facts=FACTS, position=None, **options):
    options = {"limit_rad": LIMIT} | options
    return control(flown or solution(), EVENTS, motor(thrust), facts, command, position, **options)


def between(start_s, stop_s):
    """Samples from `start_s` to `stop_s` after liftoff."""
    return (start_s - 1e-9 <= SINCE) & (stop_s + 1e-9 >= SINCE)


def test_spans_at_the_limit_are_where_they_are():
    """Two stretches, one on each side; 97 % of the limit is none."""
    angle = (
        np.where(between(1.0, 1.4), LIMIT, 0.0)
        - np.where(between(3.0, 3.1), 0.99 * LIMIT, 0.0)
        + np.where(between(4.0, 4.5), 0.97 * LIMIT, 0)
    )
    found = explain(commanded(0.3 * DEG * np.sin(SINCE), angle))
    assert [(s.start_s - LIFTOFF_S, s.stop_s - LIFTOFF_S) for s in found.at_limit] == [
        pytest.approx((1.0, 1.4), abs=STEP_S),
        pytest.approx((3.0, 3.1), abs=STEP_S),
    ]
    assert found.figures["time at limit"].value == pytest.approx(0.5, abs=2 * STEP_S)
    assert found.figures["least reserve"].value == pytest.approx(0.0, abs=1e-9)


def test_spans_at_the_rate_limit():
    """A ramp of 200 deg/s over 40 ms against 120 and against 250 deg/s."""
    ramp = 200.0 * DEG * np.clip(SINCE - 2.0, 0.0, 0.04) - 40.0 * DEG * np.clip(SINCE - 3.0, 0.0, 0.2)
    found = explain(commanded(ramp), limit_rad=20 * DEG, rate_limit_radps=120.0 * DEG)
    (span,) = found.at_rate_limit
    assert span.start_s - LIFTOFF_S == pytest.approx(2.0, abs=0.025) and span.stop_s - LIFTOFF_S == pytest.approx(2.05, abs=0.025)
    assert explain(commanded(ramp), limit_rad=20 * DEG, rate_limit_radps=250.0 * DEG).at_rate_limit == ()
    assert explain(commanded(ramp), limit_rad=20 * DEG).at_rate_limit == ()


def test_reserve_through_the_burn():
    """A command that grows in a straight line to 80 % of the limit leaves 1 − 0.8 t/T at the end of each twentieth."""
    found = explain(commanded(0.8 * LIMIT * np.clip(SINCE, 0.0, 5.0) / 5.0))
    expected = 1.0 - 0.8 * np.arange(1, 21) / 20.0
    assert found.reserve == pytest.approx(expected, abs=0.8 * STEP_S / 5.0 * 6)
    assert found.figures["least reserve"].value == pytest.approx(20.0, abs=0.2)


def test_without_a_limit_the_largest_command_stands_for_it_and_that_is_said():
    found = explain(commanded(2.0 * DEG * np.sin(3.0 * SINCE)), limit_rad=None)
    assert any("limit not given" in n for n in found.notes)
    assert found.figures["least reserve"].note == "of 2.00 deg"


@pytest.mark.parametrize(("damping", "percent"), [(0.3, 37.2326), (0.5, 16.3034), (0.7, 4.5988), (0.9, 0.1524)])
def test_damping_of_an_overshoot(damping, percent):
    """Second-order step, rate feedback on the measurement: exp(−πζ/√(1−ζ²)) (computed independently)."""
    assert damping_of_overshoot(percent / 100.0) == pytest.approx(damping, abs=2e-5)


@pytest.mark.parametrize("bad", [0.0, 1.0, 1.2, -0.1])
def test_no_damping_of_what_is_no_overshoot(bad):
    assert np.isnan(damping_of_overshoot(bad))


@pytest.mark.parametrize(("natural", "damping"), list(itertools.product((6.0, 10.0, 15.0), (0.1, 0.25))))
def test_a_swing_that_dies_down_gives_its_damping_period_and_size(natural, damping):
    """θ = A e^(−ζωt) cos(ω_d t) from 1 s on: each extreme is exp(−πζ/√(1−ζ²)) of the one before, half a period π/ω_d later."""
    damped = natural * np.sqrt(1.0 - damping**2)
    pitch = np.where(SINCE > 1.0, 6.0 * DEG * np.exp(-damping * natural * (SINCE - 1.0)) * np.sin(damped * (SINCE - 1.0)), 0.0)
    found = [c for c in find_corrections(solution(pitch), LIFTOFF_S + 0.2, BURNOUT_S) if c.axis == "pitch"]
    inner = [c for c in found if c.start_s > LIFTOFF_S + 1.0 + 0.35]
    assert inner
    assert np.median([c.damping for c in inner]) == pytest.approx(damping, abs=0.03)
    assert np.median([c.period_s for c in inner]) == pytest.approx(2.0 * np.pi / damped, rel=0.05)
    for c in inner:
        assert c.size_rad == pytest.approx(abs(float(np.interp(c.start_s, TIME, pitch))), rel=0.3)


def test_a_slow_turn_and_small_noise_are_no_corrections():
    rng = np.random.default_rng(0)
    pitch = 3.0 * DEG * SINCE / 5.0 + 0.05 * DEG * rng.standard_normal(len(TIME))
    assert find_corrections(solution(pitch), LIFTOFF_S, BURNOUT_S) == ()


def test_standing_offset_that_a_thrust_misalignment_leaves():
    """0.5° of thrust line held by −0.5° of gimbal: attitude error ε/Kp = 0.5/0.28444444 = 1.7578° (computed independently)."""
    found = explain(commanded(-0.5 * DEG + 0.2 * DEG * np.sin(9.0 * SINCE)), proportional=0.28444444)
    offset = found.figures["standing offset about x"]
    assert offset.value == pytest.approx(-0.5, abs=0.02) and offset.sd < 0.05
    assert "-1.7" in offset.note or "-1.8" in offset.note
    assert found.figures["standing offset about y"].value == 0.0


def test_kick_is_the_angular_impulse_of_the_spike():
    """40 N for 0.3 s, then 15 N; 2° of gimbal from 0.1 s on: ∫T dt · sin δ · L/I = 40·0.2·sin 2°·0.3/0.02 rad/s = 240.0 deg/s."""
    thrust = np.where(SINCE < 0.3, 40.0, 15.0)
    found = explain(commanded(np.where(SINCE >= 0.1, 2.0 * DEG, 0.0)), thrust=thrust)
    expected = 40.0 * 0.2 * np.sin(2.0 * DEG) * 0.3 / 0.02 / DEG
    assert expected == pytest.approx(240.0, abs=0.1)
    kick = found.figures["kick"]
    assert kick.value == pytest.approx(expected, rel=0.03) and kick.sd > 0.0
    assert "before the spike had passed" in kick.note
    assert found.figures["control starts"].value == pytest.approx(0.1, abs=STEP_S)
    assert found.figures["spike passed"].value == pytest.approx(0.3, abs=0.01)


def test_control_that_waits_for_the_spike_has_no_kick():
    thrust = np.where(SINCE < 0.3, 40.0, 15.0)
    kick = explain(commanded(np.where(SINCE >= 0.5, 2.0 * DEG, 0.0)), thrust=thrust).figures["kick"]
    assert kick.value == 0.0 and "after the spike" in kick.note


def noisy_response(gain, lag_s, delay_s, noise=0.0):
    """Random steps of the command, and the pitch rate of I θ̈ = −gain T L δ with the nozzle lagged and late."""
    rng = np.random.default_rng(2)
    held = np.repeat(rng.choice([-1.0, 1.0], len(TIME) // 25 + 1), 25)[: len(TIME)] * 1.5 * DEG
    command = np.where(between(0.0, 5.0), held, 0.0)
    nozzle = lagged(command, STEP_S, lag_s, delay_s)
    burning = (SINCE >= 0.0) & (TIME <= BURNOUT_S)
    turning = -gain * 15.0 * 0.3 / 0.02 * nozzle * burning
    rate = np.concatenate(([0.0], np.cumsum(0.5 * (turning[1:] + turning[:-1]) * STEP_S)))
    return command, rate + noise * rng.standard_normal(len(TIME)), -15.0 * nozzle * burning


@pytest.mark.parametrize(("gain", "lag_s", "delay_s"), [(1.0, 0.035, 0.0), (0.7, 0.08, 0.03), (1.2, 0.03, 0.012)])
def test_effectiveness_and_lag_of_a_vehicle_that_turns_as_told(gain, lag_s, delay_s):
    """Gain over T·L/I within 4 %, delay and lag together within 3 ms, both inside their sigmas; the correlation peak misleads."""
    command, rate, side = noisy_response(gain, lag_s, delay_s, 0.002)
    found = explain(commanded(command), solution(rate_x=rate, accel_y=side))
    effect, lag = found.figures["effectiveness about x"], found.figures["delay and lag about x"]
    assert effect.value == pytest.approx(gain, rel=0.04) and abs(effect.value - gain) < 3.0 * effect.sd
    assert lag.value == pytest.approx(1e3 * (lag_s + delay_s), abs=3.0) and abs(lag.value - 1e3 * (lag_s + delay_s)) < 3.0 * lag.sd
    assert found.fits[1] is None and not found.figures["effectiveness about y"].is_known
    assert np.isfinite(found.correlation_peak_s[0])


def test_tracking_error_of_a_position_that_lags():
    """A 3 Hz sine of 2° behind by 20 ms: RMS of the difference is √2·2°·sin(π·3·0.02) (closed form, both axes' sum)."""
    w = 2.0 * np.pi * 3.0
    command = commanded(2.0 * DEG * np.sin(w * SINCE))
    position = commanded(2.0 * DEG * np.sin(w * (SINCE - 0.02)))
    found = explain(command, position=position).figures["tracking error"]
    assert found.value == pytest.approx(np.sqrt(2.0) * 2.0 * np.sin(np.pi * 3.0 * 0.02), rel=0.02)


def test_what_is_missing_is_said():
    angle = commanded(np.sin(SINCE) * DEG)
    with pytest.raises(CannotEstimate, match="no burnout"):
        control(solution(), FlightEvents({"liftoff": EVENTS["liftoff"]}, {"burnout": "the log ends"}), motor(), FACTS, angle)
    with pytest.raises(CannotEstimate, match="not commanded"):
        explain(commanded(np.zeros(len(TIME))))
    bare = explain(angle, facts=VehicleFacts(1.0, 0.06, 0.08))
    assert any("inertia or lever arm not given" in n for n in bare.notes)
    assert not bare.figures["kick"].is_known and not bare.figures["effectiveness about x"].is_known
    assert bare.figures["least reserve"].is_known


def test_sample_flights_have_the_lag_of_their_gimbals():
    """35 ms for the sound gimbal; 80 ms and 30 ms of delay for the tired one. Each inside three of its own sigmas."""
    for name, truth_ms in (("fast_roll", 35.0), ("soft_gimbal", 110.0)):
        for axis in "xy":
            lag = explained(name).figures("control")[f"delay and lag about {axis}"]
            assert abs(lag.value - truth_ms) < max(3.0 * lag.sd, 12.0), f"{name} {axis}: {lag.text()}"
