"""A long record in fewer samples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.motion import estimate
from replay.review.thin import thinned
from replay.sensors.measurements import Prepared, prepare


def _prepared(n=1000, gaps=(), seed=20261125):
    rng = np.random.default_rng(seed)
    gap = np.zeros(n, dtype=bool)
    gap[list(gaps)] = True
    time_s = np.cumsum(np.where(gap, 0.5, 0.001))
    return Prepared(
        time_s,
        rng.standard_normal((n, 3)),
        rng.standard_normal((n, 3)),
        gap,
        np.zeros((n, 3), dtype=bool),
        np.zeros((n, 3), dtype=bool),
        None,
        (),
    )


def test_a_short_record_is_left_as_it_is():
    """The same object, so that nothing is estimated twice."""
    prepared = _prepared()
    assert thinned(prepared, 1000) is prepared
    assert thinned(prepared, 600) is prepared


def test_each_sample_is_the_mean_of_a_block():
    """Ten by ten, the last one of what is left."""
    prepared = _prepared(1005)
    thin = thinned(prepared, 100)
    assert len(thin.log_time_s) == 101
    assert_allclose(thin.rate_raw_imu_radps[7], prepared.rate_raw_imu_radps[70:80].mean(axis=0))
    assert_allclose(thin.log_time_s[-1], prepared.log_time_s[1000:].mean())


def test_the_preview_needs_no_loops_of_its_own():
    """Its arrays can be written or not as the record's can, for that is part of what a loop is compiled for."""
    prepared = _prepared(1000)
    for array in (prepared.log_time_s, prepared.rate_raw_imu_radps):
        array.setflags(write=False)
    thin = thinned(prepared, 100)
    for name in ("log_time_s", "accel_raw_imu_mps2", "rate_raw_imu_radps", "is_gap_before", "is_accel_clipped_imu", "is_rate_clipped_imu"):
        thick, fine = getattr(prepared, name), getattr(thin, name)
        assert (fine.flags.writeable, fine.flags.c_contiguous, fine.dtype, fine.ndim) == (
            thick.flags.writeable, thick.flags.c_contiguous, thick.dtype, thick.ndim
        ), name  # fmt: skip


def test_no_block_reaches_across_a_gap():
    """A gap begins a block, and stays a gap."""
    prepared = _prepared(gaps=(123, 124, 500))
    thin = thinned(prepared, 100)
    starts = thin.log_time_s[thin.is_gap_before]
    assert len(starts) == 3
    assert starts[1] == pytest.approx(prepared.log_time_s[124:134].mean())
    assert (np.diff(thin.log_time_s) > 0).all()
    edges = prepared.log_time_s[[122, 123, 499, 500]]
    assert not ((thin.log_time_s > edges[0]) & (thin.log_time_s < edges[1])).any()
    assert not ((thin.log_time_s > edges[2]) & (thin.log_time_s < edges[3])).any()


def test_a_clipped_sample_marks_its_block():
    """Clipping is never averaged away."""
    prepared = _prepared()
    prepared.is_rate_clipped_imu[457, 2] = True
    assert np.argwhere(thinned(prepared, 100).is_rate_clipped_imu).tolist() == [[45, 2]]


def test_a_thinned_flight_leans_as_the_whole_one():
    """The clean sample at 1 kHz in a tenth of its samples: the gyro's attitude within 0.05° up to apogee."""
    from replay.sensors.mount import find_mount
    from replay.units import DEG
    from replay.whatif import sample

    flight = sample.make("clean", rate_hz=1000.0)
    prepared = prepare(flight.log)
    mount = find_mount(flight.log, flight.truth.calibration)
    few = thinned(prepared, len(prepared.log_time_s) // 10)
    whole, thin = (estimate(flight.log, "integrate", mount=mount, prepared=p) for p in (prepared, few))
    up = thin.log_time_s < whole.events.apogee_log_s
    tilt = np.interp(thin.log_time_s[up], whole.log_time_s, whole.tilt_rad)
    assert np.abs(thin.tilt_rad[up] - tilt).max() < 0.05 * DEG
