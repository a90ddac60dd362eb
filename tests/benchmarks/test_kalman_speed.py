"""Nanoseconds per sample of the general-motion filter and smoother, in one run on one array.

Reference: the C++ batch call of the PyPI package `vqf` (accelerometer and gyro, its defaults). Times are of this thread's processor,
median of five taken in turn, so that other work on the machine does not count; run with -s to see them.
"""

import time

import kalman_records
import numpy as np
import pytest
import vqf

from replay.motion import estimate_attitude

pytestmark = pytest.mark.benchmark
RATE_HZ = 286.0


def spent(runs, repeats=5):
    """Processor seconds of this thread, median of a few, the runs taken in turn."""
    seconds = np.empty((len(runs), repeats))
    for k in range(repeats):
        for i, run in enumerate(runs):
            start = time.thread_time()
            run()
            seconds[i, k] = time.thread_time() - start
    return np.median(seconds, axis=1)


def motion(n, rate_hz=RATE_HZ):
    """A carried thing, repeated to n samples."""
    made = kalman_records.carried_about(1, duration_s=20_000 / rate_hz, rate_hz=rate_hz)
    times = -(-n // len(made.rate))
    rate, accel = (np.ascontiguousarray(np.tile(values, (times, 1))[:n]) for values in (made.rate, made.accel))
    return np.arange(n) / rate_hz, rate, accel


@pytest.mark.parametrize("rate_hz", [100.0, RATE_HZ, 1000.0])
def test_filter_and_smoother_against_the_reference(rate_hz):
    """The filter is at least as fast as vqf's batch call, the smoother at least three tenths as fast, door and checks included."""
    n = 500_000
    arrays = motion(n, rate_hz)
    for method in ("kalman", "smoother"):
        estimate_attitude(*(a[:2000] for a in arrays), method)
    runs = [
        lambda: vqf.VQF(1.0 / rate_hz).updateBatch(arrays[1], arrays[2]),
        lambda: estimate_attitude(*arrays, "kalman"),
        lambda: estimate_attitude(*arrays, "smoother"),
    ]
    reference, filtered, smoothed = 1e9 / n * spent(runs)
    ratios = reference / filtered, reference / smoothed
    ours = f"kalman {filtered:.0f} ({ratios[0]:.2f}x), smoother {smoothed:.0f} ({ratios[1]:.2f}x)"
    print(f"\n{rate_hz:.0f} Hz, ns a sample: vqf {reference:.0f}; {ours}")
    assert ratios[0] >= 1.0
    assert ratios[1] >= 0.3


@pytest.mark.parametrize("method", ["kalman", "smoother"])
def test_cost_is_linear_in_samples(method):
    """Cost per sample from a hundred thousand to ten million samples."""
    per_sample = []
    for n in (100_000, 1_000_000, 10_000_000):
        arrays = motion(n)
        estimate_attitude(*(a[:2000] for a in arrays), method)
        per_sample.append(spent([lambda arrays=arrays: estimate_attitude(*arrays, method)], 3 if n < 5_000_000 else 1)[0] / n * 1e9)
    print(f"\n{method}: " + ", ".join(f"{value:.0f}" for value in per_sample) + " ns a sample at 0.1, 1 and 10 million")
    assert max(per_sample) < 2.0 * min(per_sample)
