"""Nanoseconds per sample of the quick attitude methods and of a whole live estimate, in one run on one array.

Reference: the C++ batch call of the PyPI package `vqf` (accelerometer and gyro, its defaults). `imufusion` (C, called per sample) and
`ahrs` (Python) run on the first part of the same array, for comparison. Times are of this thread's processor, best of three, so that
other work on the machine does not count; run with -s to see them.
"""

import time

import ahrs
import imufusion
import numpy as np
import pytest
import vqf

from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.motion import Events, Site, estimate, estimate_attitude
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import prepare
from replay.units import DEG, STANDARD_GRAVITY_MPS2

pytestmark = pytest.mark.benchmark
FS = 286.0


def spent(run, repeats=3):
    """Processor seconds of this thread, best of a few."""
    best = np.inf
    for _ in range(repeats):
        start = time.thread_time()
        run()
        best = min(best, time.thread_time() - start)
    return best


def motion(n):
    """Smooth turning of up to 3 rad/s with the gravity it roughly feels, and noise."""
    rng = np.random.default_rng(1)
    time_s = np.arange(n) / FS
    phase = rng.uniform(0.0, 6.0, (6, 3))
    rate = sum(0.5 * np.sin(2.0 * np.pi * f * time_s[:, None] + p) for f, p in zip((0.11, 0.23, 0.47, 0.9, 1.7, 3.1), phase, strict=True))
    accel = rng.normal(scale=0.5, size=(n, 3)) + (0.0, 0.0, STANDARD_GRAVITY_MPS2)
    return time_s, np.ascontiguousarray(rate + 0.01 * rng.normal(size=(n, 3))), np.ascontiguousarray(accel)


def test_quick_methods_against_reference_filters():
    """At least three times the samples per second of vqf's batch call, door and checks included."""
    n = 1_000_000
    time_s, rate, accel = motion(n)
    estimate_attitude(time_s[:1000], rate[:1000], accel[:1000], "integrate")
    ours = {}
    for method in ("integrate", "complementary", "gradient"):
        estimate_attitude(time_s[:1000], rate[:1000], accel[:1000], method)
        ours[method] = spent(lambda method=method: estimate_attitude(time_s, rate, accel, method)) / n * 1e9
    reference = spent(lambda: vqf.VQF(1.0 / FS).updateBatch(rate, accel)) / n * 1e9
    part = 20_000

    def fusion():
        filter_ = imufusion.Ahrs()
        filter_.set_sample_period(1.0 / FS)
        for w, f in zip(rate[:part] / DEG, accel[:part] / STANDARD_GRAVITY_MPS2, strict=True):
            filter_.update_no_magnetometer(w, f)
            filter_.get_quaternion()

    others = {
        "imufusion": spent(fusion, 1) / part * 1e9,
        "ahrs gradient": spent(lambda: ahrs.filters.Madgwick(gyr=rate[:3000], acc=accel[:3000], frequency=FS), 1) / 3000 * 1e9,
        "ahrs complementary": spent(lambda: ahrs.filters.Mahony(gyr=rate[:3000], acc=accel[:3000], frequency=FS), 1) / 3000 * 1e9,
    }
    shown = ", ".join(f"{name} {value:.0f} ({reference / value:.1f}x vqf)" for name, value in (ours | others).items())
    print(f"\nns a sample: vqf {reference:.0f}; {shown}")
    for method, value in ours.items():
        assert reference / value >= 3.0, method


@pytest.mark.parametrize("method", ["integrate", "complementary", "gradient"])
def test_cost_is_linear_in_samples(method):
    """Ten times the samples, ten times the time, to ten million."""
    per_sample = []
    for n in (100_000, 1_000_000, 10_000_000):
        arrays = motion(n)
        estimate_attitude(*(a[:1000] for a in arrays), method)
        per_sample.append(spent(lambda arrays=arrays: estimate_attitude(*arrays, method)) / n * 1e9)
    print(f"\n{method}: " + ", ".join(f"{value:.0f}" for value in per_sample) + " ns a sample at 0.1, 1 and 10 million")
    assert max(per_sample) < 2.5 * min(per_sample)


def made_log(n, rate_hz):
    """A pad, a boost, a coast, a descent and a rest, n samples, with pressure at a tenth of the rate."""
    time_s = np.arange(n) / rate_hz
    liftoff = 0.4 * time_s[-1]
    t = time_s - liftoff
    along = np.select([t < 0.0, t < 5.0, t < 12.0], [9.81, 25.0, -1.0], 9.81)
    rng = np.random.default_rng(2)
    accel = 0.05 * rng.normal(size=(n, 3))
    accel[:, 2] += along
    rate = 0.002 * rng.normal(size=(n, 3))
    pressure = 98_000.0 - 0.01 * np.clip(t, 0.0, 10.0) + rng.normal(size=n)
    channels = {
        "accel_raw_imu_mps2": Channel("accel_raw_imu_mps2", time_s, accel, "m/s²"),
        "rate_raw_imu_radps": Channel("rate_raw_imu_radps", time_s, rate, "rad/s"),
        "pressure_pa": Channel("pressure_pa", time_s[::10].copy(), pressure[::10].copy(), "Pa"),
    }
    events = Events(liftoff, liftoff + 5.0, liftoff + 17.0, liftoff + 18.0, time_s[-1] - 8.0, time_s[-1] - 5.0)
    return FlightLog(("made",), "", channels, ColumnMap()), events


class Straight:
    dcm_body_from_imu = np.eye(3)
    note = ""


@pytest.mark.parametrize(("n", "rate_hz", "most"), [(60_000, 1000.0, 1.5), (1_500_000, 1000.0, 1.0)])
def test_a_live_what_if(n, rate_hz, most):
    """One slider edit, log, mount and events at hand: from calibration to aided trajectory; against vqf's filter alone."""
    log, events = made_log(n, rate_hz)
    prepared = prepare(log)
    step = iter(np.linspace(0.0, 0.1, 50))

    def edit():
        calibration = Calibration(accel_bias_imu_mps2=(float(next(step)), 0.0, 0.0))
        return estimate(log, "integrate", calibration=calibration, site=Site(), events=events, mount=Straight(), prepared=prepared)

    edit()
    whole = spent(edit)
    rate, accel = (np.ascontiguousarray(log[name].values) for name in ("rate_raw_imu_radps", "accel_raw_imu_mps2"))
    reference = spent(lambda: vqf.VQF(1.0 / rate_hz).updateBatch(rate, accel))
    print(f"\n{n} samples: {1e3 * whole:.1f} ms an edit, {whole / n * 1e9:.0f} ns a sample; vqf alone {1e3 * reference:.1f} ms")
    assert whole < most * reference
