"""Speed of the flight model, a re-flight and an ensemble, against integrating the same rates with the attitude loop, in one run.

Reference: `estimate(log, "integrate")` of the same flight. Run with -s to see the figures.
"""

import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from replay.motion import estimate
from replay.whatif import sample
from replay.whatif.ensemble import Posterior, run_ensemble
from replay.whatif.refly import refly

pytestmark = pytest.mark.benchmark


def spent(run, repeats=3):
    """Wall seconds, best of a few, after a first run that compiles."""
    run()
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def test_speed():
    """A flight of a minute costs less than 80 estimates of it, a re-flight less than 40, a member of an ensemble less than 15."""
    flight = sample.make("crooked_bench")
    true, vehicle = flight.truth.calibration, flight.vehicle

    def solve(calibration):
        return estimate(flight.log, "integrate", calibration=calibration, site=vehicle.site, imu_from_cg_m=vehicle.imu_from_cg_m)

    solution = solve(true)
    posterior = Posterior.of_sd(true, {"accel_bias_imu_mps2": (0.04, 0.04, 0.05)})
    reference = spent(lambda: solve(true))
    made = spent(lambda: sample.make("crooked_bench"))
    once = spent(lambda: refly(flight.log, solution, vehicle, onboard=true))
    with ThreadPoolExecutor(2) as pool:
        many = spent(
            lambda: run_ensemble(
                flight.log, solution, vehicle, onboard=true, posterior=posterior, solve=solve, n_members=200, executor=pool
            ),
            repeats=1,
        )
    print(f"estimate {1e3 * reference:.0f} ms, sample flight {1e3 * made:.0f} ms, re-flight {1e3 * once:.0f} ms, 200 members {many:.1f} s")
    assert made < 80.0 * reference
    assert once < 40.0 * reference
    assert many < 200.0 * 15.0 * reference
