"""Long traces are drawn exactly: against plain NumPy on the samples themselves, and against scipy for the measured span."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import trapezoid
from scipy.stats import linregress

from replay.review import pyramid


def _trace(n, seed=0, *, holes=0, infinite=False):
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.5e-3, 1.5e-3, n))
    values = np.cumsum(rng.standard_normal(n))
    if holes:
        values[rng.integers(0, n, holes)] = np.nan
    if infinite:
        values[rng.integers(0, n, 5)] = np.inf
        values[rng.integers(0, n, 5)] = -np.inf
    return time_s, values


@pytest.mark.parametrize("n", [0, 1, 2, 15, 16, 17, 255, 256, 257, 4097, 70_000])
@pytest.mark.parametrize("with_holes", [False, True])
def test_the_builder_agrees_with_its_plain_twin(n, with_holes):
    """Every level, the last partial block included."""
    time_s, values = _trace(n, holes=n // 3 if with_holes and n else 0, infinite=with_holes and n > 10)
    fast, slow = pyramid.build(time_s, values), pyramid.build_slowly(time_s, values)
    assert_array_equal(fast.level_start, slow.level_start)
    assert_array_equal(fast.lowest, slow.lowest)
    assert_array_equal(fast.highest, slow.highest)


@settings(max_examples=60, deadline=None)
@given(n=st.integers(1, 6000), data=st.data())
def test_extremes_of_any_range_are_those_of_its_samples(n, data):
    """No spike is lost and none is made up, whatever the range; missing and infinite values do not count."""
    time_s, values = _trace(n, seed=n, holes=n // 7, infinite=n % 3 == 0)
    a = data.draw(st.integers(0, n - 1))
    b = data.draw(st.integers(a, n - 1))
    low, high = pyramid.build(time_s, values).extremes(time_s[a], time_s[b])
    inside = values[a : b + 1]
    inside = inside[np.isfinite(inside)]
    assert (low, high) == ((inside.min(), inside.max()) if len(inside) else (np.inf, -np.inf))


@settings(max_examples=40, deadline=None)
@given(n=st.integers(40, 5000), n_pixels=st.integers(2, 300), n_gaps=st.integers(0, 6), seed=st.integers(0, 10))
def test_rebinning_agrees_with_its_plain_twin(n, n_pixels, n_gaps, seed):
    """Same bins, same points, same NaN partings."""
    time_s, values = _trace(n, seed=seed, holes=n // 9)
    i_gap = np.unique(np.random.default_rng(seed).integers(0, n - 1, n_gaps)).astype(np.int64)
    for i in i_gap:
        time_s[i + 1 :] += 0.5
    built = pyramid.build(time_s, values, i_gap)
    start, stop = time_s[n // 5], time_s[-1]
    edges, width = built._layout(start, stop, n_pixels)
    if width > 1:
        expected = pyramid.rebin_slowly(built, edges, width)
        actual = built.visible(start, stop, n_pixels)
        assert_array_equal(actual[0], expected[0])
        assert_array_equal(actual[1], expected[1])


def test_few_samples_are_drawn_one_by_one():
    """Zoomed in, the points are the samples."""
    time_s, values = _trace(1000)
    x, y = pyramid.build(time_s, values).visible(time_s[100], time_s[200], 400)
    assert_array_equal(x, time_s[99:202])
    assert_array_equal(y, values[99:202])


def test_two_samples_a_bin_is_still_the_samples_themselves():
    """The order of the two extremes follows the data, so the line is the same as before decimation."""
    time_s = np.arange(800) * 1e-3
    values = np.sin(40 * time_s)
    x, y = pyramid.build(time_s, values).visible(0.0, time_s[-1], 401)
    assert_array_equal(x, time_s)
    assert_array_equal(y, values)


def test_a_spike_of_one_sample_is_drawn_at_full_zoom_out():
    """One sample in a million and a half."""
    n = 1_500_000
    time_s, values = np.arange(n) * 1e-3, np.zeros(n)
    values[777_777] = 42.0
    x, y = pyramid.build(time_s, values).visible(0.0, time_s[-1], 1000)
    assert y.max() == 42.0
    assert abs(x[y.argmax()] - time_s[777_777]) < 2 * time_s[-1] / 1000
    assert 1000 < len(x) < 2300


def test_points_stay_put_while_panning():
    """Bins are counted from the first sample of the log: interior points of two neighbouring windows are the same points."""
    time_s = np.arange(200_000) * 1e-3
    values = np.random.default_rng(3).standard_normal(len(time_s))
    built = pyramid.build(time_s, values)
    before = set(zip(*(a.tolist() for a in built.visible(50.0, 150.0, 700)), strict=True))
    after = [p for p in zip(*(a.tolist() for a in built.visible(50.37, 150.37, 700)), strict=True) if p[0] < 149.0]
    assert len(after) > 1000
    assert set(after) <= before


@pytest.mark.parametrize("n_pixels", [4000, 60])
def test_a_gap_that_can_be_seen_parts_the_line(n_pixels):
    """One NaN point between the two sides; nothing joins them."""
    time_s = np.concatenate((np.arange(1000), np.arange(1500, 2500))) * 1e-3
    built = pyramid.build(time_s, np.ones(2000), np.array([999]))
    x, y = built.visible(0.0, 2.5, n_pixels)
    assert np.isnan(y).sum() == 1
    i = int(np.flatnonzero(np.isnan(y))[0])
    assert x[i - 1] == time_s[999]
    assert x[i + 1] == time_s[1000]


def test_gaps_too_short_to_see_do_not_multiply_the_points():
    """Ten thousand gaps of a thousandth of a pixel cost nothing."""
    time_s = np.arange(200_000) * 1e-3
    built = pyramid.build(time_s, np.ones(200_000), np.arange(5, 199_990, 20))
    x, y = built.visible(0.0, 200.0, 500)
    assert len(x) < 1200
    assert not np.isnan(y).any()


def test_missing_values_at_both_ends_are_passed_over():
    """The rest is drawn, and the extremes are those of the rest."""
    time_s, values = _trace(5000)
    values[:700] = values[-900:] = np.nan
    built = pyramid.build(time_s, values)
    for n_pixels in (100, 20_000):
        _, y = built.visible(time_s[0], time_s[-1], n_pixels)
        assert np.nanmax(y) == np.nanmax(values)
        assert np.nanmin(y) == np.nanmin(values)
    assert np.isnan(built.visible(time_s[0], time_s[600], 50)[1]).all()


@pytest.mark.parametrize(("time_s", "values"), [([], []), ([1.0], [2.0]), ([1.0, 2.0], [np.nan, np.nan])])
def test_hardly_any_samples(time_s, values):
    """None, one, and only missing ones."""
    built = pyramid.build(np.array(time_s), np.array(values))
    x, y = built.visible(0.0, 3.0, 100)
    assert len(x) == len(y) == len(time_s)
    assert built.extremes(0.0, 3.0) == ((2.0, 2.0) if time_s == [1.0] else (np.inf, -np.inf))
    assert pyramid.span_statistics(built, 0.0, 3.0).n_samples == (1 if time_s == [1.0] else 0)


def test_a_burst_does_not_flood_the_screen():
    """Ten seconds at 10 Hz with one second at 20 kHz: bins widen rather than draw every sample of the burst."""
    time_s = np.unique(np.concatenate((np.arange(0, 10, 0.1), np.arange(4, 5, 5e-5))))
    x, _ = pyramid.build(time_s, np.sin(time_s)).visible(0.0, 10.0, 500)
    assert len(x) < 6000


def test_a_band_holds_every_sample_of_both_edges():
    """At every bin the outline reaches the lowest of the lower edge and the highest of the upper one."""
    time_s, values = _trace(30_000, holes=0)
    spread = 1.0 + np.abs(np.sin(time_s))
    values[2000:4000] = np.nan
    low, high = pyramid.build(time_s, values - spread), pyramid.build(time_s, values + spread)
    x, bottom, top = pyramid.visible_band(low, high, time_s[0], time_s[-1], 300)
    good = np.isfinite(values)
    assert (np.interp(time_s[good], x[np.isfinite(bottom)], bottom[np.isfinite(bottom)]) <= (values - spread)[good] + 12.0).all()
    assert np.nanmin(bottom) == np.nanmin(values - spread)
    assert np.nanmax(top) == np.nanmax(values + spread)
    assert (top[np.isfinite(top)] >= bottom[np.isfinite(top)]).all()


@pytest.mark.parametrize(("samples_a_pixel", "width"), [(0.3, 1), (1.0, 1), (1.01, 2), (7.2, 8), (100.0, 104), (1071.4, 1152)])
def test_bins_are_at_least_a_pixel_and_at_most_an_eighth_wider(samples_a_pixel, width):
    """Worked by hand."""
    assert pyramid.bin_width(samples_a_pixel) == width


def test_span_statistics_against_scipy():
    """Mean, slope and integral of an uneven record, ends between samples; reference: scipy's trapezoid and linregress."""
    time_s, values = _trace(4000, seed=5)
    a, b = 0.5 * (time_s[10] + time_s[11]), 0.3 * time_s[3000] + 0.7 * time_s[3001]
    found = pyramid.span_statistics(pyramid.build(time_s, values), b, a)
    inside = slice(11, 3001)
    line_t = np.concatenate(([a], time_s[inside], [b]))
    line_v = np.concatenate(([np.interp(a, time_s, values)], values[inside], [np.interp(b, time_s, values)]))
    assert found.n_samples == 2990
    assert_allclose(found.integral, trapezoid(line_v, line_t), rtol=1e-12)
    assert_allclose(found.mean, trapezoid(line_v, line_t) / (b - a), rtol=1e-12)
    assert_allclose(found.slope_per_s, linregress(time_s[inside], values[inside]).slope, rtol=1e-10)
    assert (found.lowest, found.highest) == (values[inside].min(), values[inside].max())
    assert_allclose(found.covered_s, b - a, rtol=1e-12)


def test_nothing_is_integrated_across_a_gap_or_a_missing_value():
    """A constant two: the integral is twice the time the record covers."""
    time_s = np.concatenate((np.arange(100), np.arange(200, 300))) * 0.01
    values = np.full(200, 2.0)
    values[150] = np.nan
    found = pyramid.span_statistics(pyramid.build(time_s, values, np.array([99])), 0.0, 10.0)
    assert_allclose(found.covered_s, 0.99 + 0.49 + 0.48, rtol=1e-12)
    assert_allclose(found.integral, 2.0 * found.covered_s, rtol=1e-12)
    assert_allclose(found.mean, 2.0, rtol=1e-12)
    assert_allclose(found.slope_per_s, 0.0, atol=1e-12)


def test_a_span_between_two_samples_measures_the_line_between_them():
    """From 1 to 3 over a second, measured over its middle half."""
    found = pyramid.span_statistics(pyramid.build(np.array([0.0, 1.0]), np.array([1.0, 3.0])), 0.25, 0.75)
    assert_allclose((found.mean, found.slope_per_s, found.integral, found.lowest, found.highest), (2.0, 2.0, 1.0, 1.5, 2.5))


def test_a_span_inside_a_gap_has_nothing_to_say():
    """Not zero: nothing."""
    found = pyramid.span_statistics(pyramid.build(np.array([0.0, 1.0]), np.array([1.0, 3.0]), np.array([0])), 0.25, 0.75)
    assert found.n_samples == 0
    assert np.isnan([found.mean, found.slope_per_s, found.integral, found.lowest]).all()


def test_slope_is_exact_far_from_zero():
    """A small slope on a large offset late in a log: nothing cancels."""
    time_s = 1e5 + np.arange(100_000) * 1e-3
    values = 1e6 + 1e-4 * (time_s - 1e5)
    assert_allclose(pyramid.span_statistics(pyramid.build(time_s, values), 1e5, 2e5).slope_per_s, 1e-4, rtol=1e-5)
