"""The compiled flight loop against its slow twins."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay import rotation
from replay.whatif import _kernels_body as body
from replay.whatif import _kernels_flight as kernels
from replay.whatif import _reference_flight as reference
from replay.whatif import dynamics
from replay.whatif.dynamics import Clock, Loop, Surroundings
from replay.whatif.scenarios import WREN
from replay.whatif.wind import Wind

SEED = 20
FRAME = dynamics.airframe(
    WREN,
    Surroundings(
        wind=Wind(speed_mps=3.0, from_azimuth_rad=1.0),
        thrust_tilt_rad=(0.01, -0.02),
        roll_moment_m=0.004,
        canopy_sway_mps=1.0,
        canopy_spin_radps=0.7,
    ),
)
CURVE = np.array(WREN.thrust_curve_s_n)


def random_state(random, height_m):
    y = random.standard_normal(15)
    y[0:3], y[3:6] = (*(5.0 * y[0:2]), height_m), 15.0 * y[3:6]
    y[6:10] /= np.linalg.norm(y[6:10])
    y[13:15] *= 0.05
    return y


@pytest.mark.parametrize("stage", [0, 1, 2])
@pytest.mark.parametrize("chute_area", [0.0, 0.4])
@pytest.mark.parametrize("height_m", [80.0, 0.2])
def test_derivative(stage, chute_area, height_m):
    """All forces, on random states, high up and on the ground, on the rail and off it."""
    random = np.random.default_rng(SEED)
    points = dynamics.ground_points(WREN)
    for t in (-1.0, 0.0, 0.15, 3.0, 5.32, 9.0):
        y, table, command = random_state(random, height_m), random.standard_normal(12), 0.1 * random.standard_normal(2)
        w, dy = np.zeros(body.N_WORK), np.zeros(15)
        w[body.W_GUST : body.W_GUST + 12] = table
        w[body.W_COMMAND : body.W_COMMAND + 2] = command
        body.derivative(t, y, chute_area, stage, FRAME, dynamics.motor_table(CURVE), points, dy, w)
        slow = reference.derivative(t, y, table, command, chute_area, stage, FRAME, CURVE, points)
        assert_allclose(dy, slow["slope"], rtol=1e-9, atol=1e-9)
        assert_allclose(w[body.W_FORCE : body.W_FORCE + 3], slow["felt"], rtol=1e-9, atol=1e-9)
        assert_allclose(w[body.W_MASS], slow["mass"], rtol=1e-12)
        assert_allclose(w[body.W_WIND : body.W_WIND + 3], slow["wind"], rtol=1e-12)


def test_steering_law():
    """Random attitudes, leaning far, upside down too."""
    random = np.random.default_rng(SEED)
    guide = kernels.Guide(0.6, 0.2, 0.0, 1.0, 2.0, 0.1)
    for _ in range(50):
        q, nose = rotation.normalise(random.standard_normal(4)), random.standard_normal(3)
        nose, rate, out = nose / np.linalg.norm(nose), random.standard_normal(3), np.zeros(2)
        kernels.steer(q, rate[0], rate[1], nose, guide, 0.3, out, 0)
        assert_allclose(out, reference.steer(q, rate, nose, 0.6, 0.2, 0.3), atol=1e-12)
        expected = reference.turn_towards_up(nose, 0.4)
        kernels.turn_towards_up(nose, 0.4)
        assert_allclose(nose, expected, atol=1e-12)


def test_steering_law_straight_on():
    """No error, no command; and a positive gimbal angle is asked for where the nose has turned too far."""
    guide, out = kernels.Guide(1.0, 0.0, 0.0, 1.0, 2.0, 0.1), np.ones(2)
    up = np.array([0.0, 0.0, 1.0])
    kernels.steer(np.array([1.0, 0.0, 0.0, 0.0]), 0.0, 0.0, up, guide, 1.0, out, 0)
    assert_allclose(out, 0.0, atol=0.0)
    kernels.steer(rotation.from_rotvec([0.1, 0.05, 0.0]), 0.0, 0.0, up, guide, 1.0, out, 0)
    assert_allclose(out, (0.1, 0.05), atol=1e-3)


def test_whole_loop():
    """Pad, rail, boost in gusts and steering on a biased gyro: states, the computer's attitude and its commands agree."""
    random = np.random.default_rng(SEED)
    n, period, n_sub = 60, 0.02, 5
    draws = 0.3 * random.standard_normal((n, 12))
    offset = 0.02 * random.standard_normal((n, 3))
    guide = (0.62, 0.17, 0.3, 5.0, 0.8, 0.2)
    q = rotation.from_tilt(0.04, 0.7, 0.3)
    loop = Loop(
        guide=guide,
        gust_enu_mps=draws[:, 0:3],
        canopy_enu_mps=draws[:, 3:6],
        extra_force_body_n=draws[:, 6:9],
        extra_torque_body_nm=0.1 * draws[:, 9:12],
        onboard_offset=offset,
        q_enu_from_body_onboard=q,
        nose_ref_enu=rotation.rotate(q, [0.0, 0.0, 1.0]),
    )
    draws[:, 9:12] *= 0.1
    start = dynamics.initial_state(q)
    record = dynamics.fly(FRAME, CURVE, start, loop, Clock(-0.1, period, n, n_sub))
    slow = reference.fly(
        start.copy(),
        -0.1,
        period,
        n_sub,
        n,
        FRAME,
        kernels.Guide(*guide),
        CURVE,
        draws,
        lambda k, rate: rate + offset[k],
        q,
        loop.nose_ref_enu,
    )
    assert record.pos_enu_m[-1, 2] > 8.0
    assert np.abs(record.gimbal_command_rad).max() > 0.01
    assert_allclose(record.rows[:, :15], slow["state"], atol=1e-10)
    assert_allclose(record.q_enu_from_body_onboard, slow["onboard"], atol=1e-12)
    assert_allclose(record.gimbal_command_rad, slow["command"], atol=1e-11)


def test_sensor_sample():
    """One compiled sample equals the vectorised model: gain, offset, clipping, steps of the converter."""
    from replay.whatif.sensors_model import sensed

    random = np.random.default_rng(SEED)
    truth, offset, gain = (
        30.0 * random.standard_normal((200, 3)),
        random.standard_normal((200, 3)),
        np.eye(3) + 0.1 * random.standard_normal((3, 3)),
    )
    expected = sensed(truth, gain, offset, 0.01, 25.0)
    for i in range(200):
        out = np.zeros(3)
        kernels.sense(*truth[i], gain, offset[i], 0.01, 25.0, out, 0)
        assert_allclose(out, expected[i], atol=1e-12)
    assert np.abs(expected).max() == 25.0
