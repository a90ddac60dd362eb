"""The compiled loops of the sensor side against their slow twins."""

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from replay.sensors import _kernels, _reference


def test_apply_affine_with_temperature():
    """Bias, slope and matrix in one pass; rows that are not finite are counted."""
    rng = np.random.default_rng(1)
    raw, matrix = rng.normal(size=(50, 3)), rng.normal(size=(3, 3))
    raw[7, 1] = np.nan
    bias, slope, temperature = rng.normal(size=3), rng.normal(size=3), rng.uniform(280.0, 310.0, 50)
    out = np.empty_like(raw)
    n_bad = _kernels.apply_affine(raw, matrix, matrix @ bias, matrix @ slope, temperature, 293.15, out)
    assert n_bad == 1
    assert_allclose(out, _reference.apply_affine(raw, matrix, bias, slope, temperature - 293.15), rtol=0, atol=1e-11)
    _kernels.apply_affine(raw, matrix, matrix @ bias, matrix @ slope, np.empty(0), 293.15, out)
    assert_allclose(out, _reference.apply_affine(raw, matrix, bias, slope, 0.0), rtol=0, atol=1e-11)


def test_interpolate_rows():
    """Between samples on a straight line, on them exactly, in a gap and outside NaN."""
    source_time_s = np.array([0.0, 1.0, 2.0, 5.0, 6.0])
    source = np.column_stack((source_time_s**2, -source_time_s))
    gap = np.array([False, False, False, True, False])
    time_s = np.array([-0.5, 0.0, 0.25, 1.0, 1.5, 2.0, 2.5, 4.9, 5.0, 5.5, 6.0, 6.1])
    out = np.empty((len(time_s), 2))
    _kernels.interpolate_rows(time_s, source_time_s, source, gap, out)
    assert_allclose(out, _reference.interpolate_rows(time_s, source_time_s, source, gap), rtol=0, atol=1e-12)
    assert np.isnan(out[[0, 6, 7, 11]]).all() and np.isfinite(out[[1, 5, 8, 10]]).all()


def test_mark_clipped():
    """Full scale known, full scale seen as a repeated extreme, and a quiet axis whose repeats mean nothing."""
    rng = np.random.default_rng(2)
    values = np.clip(rng.normal(scale=100.0, size=(400, 3)), -156.9, 156.9)
    values[:, 1] = np.round(rng.normal(scale=0.5, size=400))  # coarse and quiet: extremes repeat
    for limit in ((0.0, 18.6), (156.9, 18.6), (120.0, 18.6)):
        out = np.zeros((400, 3), dtype=bool)
        n = _kernels.mark_clipped(values, np.array(limit), out)
        expected = _reference.mark_clipped(values, *limit)
        assert_array_equal(out, expected)
        assert n == expected.sum() > 0
    single = np.array([[0.0], [50.0], [0.0], [20.0]])
    out = np.zeros((4, 1), dtype=bool)
    assert _kernels.mark_clipped(single, np.array([0.0, 18.6]), out) == 0, "one extreme sample is no clipping"


def test_difference_variance():
    """Rows that are not finite are stepped over."""
    rng = np.random.default_rng(3)
    time_s, values = np.cumsum(rng.uniform(0.01, 0.02, 60)), rng.normal(size=(60, 3))
    values[10, 1] = values[59, 0] = np.nan
    out = np.empty(3)
    count, spanned = _kernels.difference_variance(time_s, values, out)
    expected, n, span = _reference.difference_variance(time_s, values)
    assert count == n == 57
    assert_allclose(out, expected, rtol=1e-12)
    assert_allclose(spanned, span, rtol=1e-12)
