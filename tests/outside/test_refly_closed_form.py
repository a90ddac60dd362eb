"""Re-flight of an ideal flight against the closed form of a false vertical (the project's table of check values)."""

import numpy as np
from numpy.testing import assert_allclose

from replay import rotation
from replay.whatif import _kernels_body, _kernels_flight, _kernels_refly, dynamics

TINY = 1e-6


def reflown(period_s):
    """x and vx after 3 s of a vehicle that stood upright and is flown again believing to lean by TINY about body y.

    T = 15 N, m = 1 kg, lever 0.3 m, I = 0.02 kg m2, 8 rad/s, damping 0.7, no gravity of interest, no air.
    """
    one = {"liftoff_mass_kg": 1.0, "inertia_x_kgm2": 0.02, "inertia_y_kgm2": 0.02, "inertia_z_kgm2": 0.002, "gimbal_below_cg_m": 0.3}
    nozzle = {"gimbal_limit_rad": 1.0, "gimbal_rate_limit_radps": 1e9, "gravity_mps2": 9.80665}
    frame = _kernels_body.Airframe(**(dict.fromkeys(_kernels_body.Airframe._fields, 0.0) | one | nozzle))
    lever = 15.0 * 0.3 / 0.02
    guide = _kernels_flight.Guide(64.0 / lever, 11.2 / lever, 0.0, np.inf, np.inf, 0.0)
    time_s = np.arange(round(3.0 / period_s) + 1) * period_s
    n = len(time_s)
    flown, out, nothing = np.zeros((n, 16)), np.zeros((n, _kernels_refly.N_ROW)), np.zeros((n, 2))
    flown[:, 6], flown[:, 5], flown[:, 2] = 1.0, (15.0 - 9.80665) * time_s, 0.5 * (15.0 - 9.80665) * time_s**2
    belief = rotation.from_rotvec((0.0, -TINY, 0.0))
    motor = dynamics.motor_table([(0.0, 15.0), (4.0, 15.0)])
    upright = np.array([0.0, 0.0, 1.0])
    _kernels_refly.refly(time_s, flown, 0, frame, guide, motor, nothing, nothing, np.zeros((n, 3)), np.eye(3), belief, upright, 1, out)
    return np.array([out[-1, 0], out[-1, 3]]) * np.radians(2.0) / TINY


def test_false_vertical():
    """2.0868320 m and 1.4791665 m/s aside for two degrees, in the limit of a continuous loop (Richardson over three periods)."""
    limit = (8.0 * reflown(2e-4) - 6.0 * reflown(4e-4) + reflown(8e-4)) / 3.0
    assert_allclose(limit, (2.0868320, 1.4791665), atol=2e-6)
