"""The compiled re-fly loop, which integrates a difference, against its slow twin, which flies both."""

import numpy as np
from numpy.testing import assert_allclose

from replay import rotation
from replay.whatif import _kernels_flight, _kernels_refly, dynamics
from replay.whatif import _reference_refly as reference
from replay.whatif.scenarios import WREN

SEED = 6


def test_twin():
    """A short boost in wind along a made-up flown path, with rail, delay, lag and a tilted belief."""
    random = np.random.default_rng(SEED)
    n, frame = 50, dynamics.airframe(WREN)._replace(gimbal_delay_s=0.011)
    time_s = np.arange(n) * 0.02 + 0.001 * np.sin(np.arange(n))
    path = np.column_stack((0.3 * time_s, 0.1 * time_s, 8.0 * time_s**2))
    q = rotation.from_rotvec(np.column_stack((0.05 * np.sin(3.0 * time_s), 0.04 * np.cos(2.0 * time_s), 0.3 * time_s)))
    rate = np.column_stack((0.15 * np.cos(3.0 * time_s), -0.08 * np.sin(2.0 * time_s), np.full(n, 0.3)))
    wind = np.column_stack((2.0 + 0.3 * random.standard_normal((n, 2)), np.zeros(n)))
    flown = np.ascontiguousarray(np.hstack((path, np.gradient(path, time_s, axis=0), q, rate, wind)))
    curve = np.array(WREN.thrust_curve_s_n)
    command, law = 0.02 * random.standard_normal((n, 2)), 0.005 * random.standard_normal((n, 2))
    logged, gain = rate + 0.01 * random.standard_normal((n, 3)), np.eye(3) + 0.02 * random.standard_normal((3, 3))
    belief = rotation.multiply(q[0], rotation.from_rotvec([0.05, -0.03, 0.0]))
    nose = rotation.rotate(belief, [0.0, 0.0, 1.0])
    guide = _kernels_flight.Guide(0.6, 0.17, 0.1, 5.0, 0.5, 0.2)
    out = np.zeros((n, _kernels_refly.N_ROW))
    _kernels_refly.refly(
        time_s, flown, 12, frame, guide, dynamics.motor_table(curve), command, law, logged, gain, belief.copy(), nose.copy(), 4, out
    )
    slow = reference.refly(time_s, flown, 12, frame, guide, curve, command, law, logged, gain, belief, nose, 4)
    assert np.abs(out[-1, 0:3]).max() > 0.01
    assert_allclose(out[:, 0:13], slow["difference"], atol=2e-5)
    assert_allclose(out[:, 13:15], slow["flown"], atol=1e-12)
    assert_allclose(out[:, 15:17], slow["reflown"], atol=2e-6)
    assert_allclose(out[:, 17:21], slow["belief"], atol=2e-6)
    assert_allclose(out[:, 21:23], slow["command"], atol=2e-6)


def test_model_along_is_the_derivative():
    """Specific force and angular acceleration of each row are those of the flight model there, with the servo's own answer."""
    from replay.whatif._reference_flight import derivative

    n, frame, curve = 40, dynamics.airframe(WREN), np.array(WREN.thrust_curve_s_n)
    time_s = np.arange(n) * 0.02
    flown = np.zeros((n, 16))
    flown[:, 5], flown[:, 6], flown[:, 13], flown[:, 10] = 20.0, 1.0, 3.0, 0.1
    command = np.full((n, 2), 0.03)
    felt, alpha, mass, gimbal = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros(n), np.zeros((n, 2))
    _kernels_refly.model_along(time_s, flown, command, frame, dynamics.motor_table(curve), 2, felt, alpha, mass, gimbal)
    # 120 degrees a second at most: 0.03 rad is reached by lag, after a start at the limit
    assert_allclose(gimbal[-1], 0.03, atol=1e-6)
    assert_allclose(gimbal[1], np.clip(0.03 * -np.expm1(-0.02 / 0.035), 0.0, 2.0944 * 0.02), rtol=1e-9)
    state = np.concatenate((flown[5, :13], gimbal[5]))
    slow = derivative(time_s[5], state, np.array([3.0] + [0.0] * 11), command[5], 0.0, 2, frame, curve, np.zeros((0, 3)))
    assert_allclose(felt[5], slow["felt"], atol=1e-12)
    assert_allclose(alpha[5], slow["alpha"], atol=1e-12)
    assert_allclose(mass[5], slow["mass"], atol=1e-12)
