"""Each compiled loop against its slow twin, on a record with uneven steps, gaps and missing rows."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import CubicHermiteSpline

from replay.motion import _kernels, _kernels_vertical, _reference

SEED = 20260101


@pytest.fixture(scope="module")
def record():
    """300 samples, uneven steps, two gaps, and turned specific force."""
    rng = np.random.default_rng(SEED)
    n = 300
    steps = 0.01 * (1.0 + 0.3 * rng.uniform(-1.0, 1.0, n))
    steps[150:] = 0.01  # the second half is evenly spaced
    gap = np.zeros(n, dtype=bool)
    gap[[90, 201]] = True
    steps[gap] += 0.15
    time_s = np.cumsum(steps)
    rate = np.stack([a * np.sin(f * time_s + p) for a, f, p in ((3.0, 7.0, 0.1), (-2.0, 11.0, 1.0), (9.0, 1.5, 2.0))], axis=1)
    accel = rng.normal(size=(n, 3)) + (0.0, 0.0, 12.0)
    return time_s, rate, accel, gap


def test_curvature(record):
    """The tridiagonal sweeps solve the equations the twin solves densely, even and uneven steps alike."""
    time_s, rate, _, gap = record
    out = np.empty_like(rate)
    _kernels.curvature(time_s, rate, gap, out, np.empty(len(time_s)))
    assert_allclose(out, _reference.curvature(time_s, rate, gap), rtol=0, atol=1e-9)


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4])
def test_curvature_of_short_stretches(n):
    """Nothing to bend below three samples; a parabola's curvature from three on."""
    time_s = 0.1 * np.arange(n) ** 1.1
    rate = np.stack([time_s**2, time_s, 0.0 * time_s], axis=1)
    out = np.full((n, 3), np.nan)
    _kernels.curvature(time_s, rate, np.zeros(n, dtype=bool), out, np.empty(n))
    assert_allclose(out[:, 0], 2.0 if n > 2 else 0.0, atol=1e-10)
    assert_allclose(out[:, 1:], 0.0, atol=1e-10)


@pytest.mark.parametrize("i_start", [0, 120, 299])
def test_integrate(record, i_start):
    """Forward and backward from any sample."""
    time_s, rate, _, gap = record
    bias, q_start = np.array([0.01, -0.02, 0.03]), np.array([0.5, 0.5, -0.5, 0.5])
    bend, out = np.empty_like(rate), np.empty((len(time_s), 4))
    _kernels.curvature(time_s, rate, gap, bend, np.empty(len(time_s)))
    _kernels.integrate(time_s, rate, bend, bias, i_start, q_start, gap, out)
    assert_allclose(out, _reference.integrate(time_s, rate, bias, i_start, q_start, gap), rtol=0, atol=1e-12)


def test_complementary(record):
    """Attitude and the bias it carries on."""
    time_s, rate, accel, _ = record
    used = np.arange(len(time_s)) % 3 != 0
    q_start, bias, out = np.array([1.0, 0.0, 0.0, 0.0]), np.zeros(3), np.empty((len(time_s), 4))
    _kernels.complementary(time_s, rate, accel, used, 0.7, 0.05, bias, 0, q_start, out)
    assert_allclose(out, _reference.complementary(time_s, rate, accel, used, 0.7, 0.05, np.zeros(3), 0, q_start), rtol=0, atol=1e-12)
    assert np.linalg.norm(bias) > 0.0


def test_gradient(record):
    """The same steps down the same slope."""
    time_s, rate, accel, _ = record
    used = np.arange(len(time_s)) % 3 != 0
    q_start, bias, out = np.array([1.0, 0.0, 0.0, 0.0]), np.array([0.01, 0.0, 0.0]), np.empty((len(time_s), 4))
    _kernels.gradient(time_s, rate, accel, used, 0.3, bias, 0, q_start, out)
    assert_allclose(out, _reference.gradient(time_s, rate, accel, used, 0.3, bias, 0, q_start), rtol=0, atol=1e-12)


def test_dead_reckon(record):
    """Zero before the start, held at rest."""
    time_s, rate, accel, gap = record
    q = _reference.integrate(time_s, rate, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), gap)
    gravity = np.array([9.81, 3.14e-7, 7.4e-14])
    vel, pos = np.empty((300, 3)), np.empty((300, 3))
    _kernels.dead_reckon(time_s, q, accel, gravity, 250.0, 40, 270, vel, pos)
    vel_twin, pos_twin = _reference.dead_reckon(time_s, q, accel, gravity, 250.0, 40, 270)
    assert_allclose(vel, vel_twin, rtol=0, atol=1e-11)
    assert_allclose(pos, pos_twin, rtol=0, atol=1e-11)
    assert not vel[:41].any() and not vel[270:].any() and np.ptp(pos[270:], axis=0).max() == 0.0


def test_block_statistics(record):
    """Gaps end a block, missing rows are left out."""
    time_s, rate, accel, gap = record
    accel = accel.copy()
    accel[33:36] = np.nan
    accel[200] = np.nan
    out = np.empty((300, 12))
    k = _kernels.block_statistics(time_s, accel, rate, 0.05, gap, out)
    assert_allclose(out[:k], _reference.block_statistics(time_s, accel, rate, 0.05, gap), rtol=0, atol=1e-10)


@pytest.mark.parametrize("bad", [[], [0, 1, 2], [297, 298, 299], [5, 6, 7, 50], list(range(300))])
def test_fill_rows(record, bad):
    """Inside on a straight line in time, at the ends held, nothing left to fill from: zero."""
    time_s, rate, _, _ = record
    values = rate.copy()
    values[bad, 1] = np.nan
    expected = _reference.fill_rows(time_s, values)
    assert _kernels.fill_rows(time_s, values) == len(bad)
    assert_allclose(values, expected, rtol=0, atol=1e-12)


def test_aid_vertical_is_the_matrix_smoother():
    """The scalar filter with its adjoint backward pass against matrices and Rauch-Tung-Striebel; an ejection spike is refused."""
    rng = np.random.default_rng(SEED)
    n = 120
    time_s = np.cumsum(rng.uniform(0.01, 0.05, n))
    difference = 0.3 * time_s**2 + rng.normal(scale=0.3, size=n)
    difference[60:63] += 40.0
    sd, nd, walk = rng.uniform(0.2, 0.5, n), rng.uniform(0.05, 0.2, n), np.full(n, 0.02)
    start = np.array([[0.1, -0.2, 0.3], [0.5, 0.6, 0.7]])
    x, cov, is_used, sigmas = np.empty((n, 3)), np.empty((n, 3, 3)), np.empty(n, dtype=bool), np.empty(n)
    _kernels_vertical.aid_vertical(time_s, difference, sd, 1.5 * sd, nd, walk, start, 5.0, 0.5, x, cov, is_used, sigmas)
    assert np.flatnonzero(~is_used).tolist() == [60, 61, 62]
    x_twin, cov_twin = _reference.aid_vertical(time_s, difference, 1.5 * sd, nd, walk, start, is_used)
    assert_allclose(x, x_twin, rtol=0, atol=1e-9)
    assert_allclose(cov, cov_twin, rtol=0, atol=1e-9)


def test_aid_vertical_comes_round_when_it_was_wrong():
    """Refusals that go on for half a second are taken as the filter's own error."""
    n = 200
    time_s = 0.02 * np.arange(n)
    difference = np.where(time_s > 1.0, 30.0, 0.0)
    x, cov, is_used, sigmas = np.empty((n, 3)), np.empty((n, 3, 3)), np.empty(n, dtype=bool), np.empty(n)
    start = np.array([[0.0, 0.0, 0.0], [0.1, 0.1, 0.01]])
    sd, noise = np.full(n, 0.3), np.full(n, 0.01)
    _kernels_vertical.aid_vertical(time_s, difference, sd, sd, noise, noise, start, 5.0, 0.5, x, cov, is_used, sigmas)
    refused = time_s[~is_used]
    assert refused.min() > 1.0 and refused.max() < 1.56
    assert abs(x[-1, 0] - 30.0) < 1.0


def test_take_off_vertical_is_hermite_between_the_knots():
    """Height error is a cubic Hermite curve through knots and speeds (scipy's), speed error a straight line."""
    rng = np.random.default_rng(SEED)
    knots = np.cumsum(rng.uniform(0.1, 0.3, 10))
    x, cov = rng.normal(size=(10, 3)), np.tile(np.diag([0.04, 0.09, 0.01]), (10, 1, 1))
    time_s = np.linspace(knots[0], knots[-1] - 1e-9, 77)
    vel, pos, vel_sd, pos_sd = (np.zeros((77, 3)) for _ in range(4))
    _kernels_vertical.take_off_vertical(time_s, 0, 70, knots, x, cov, 0.1, vel, pos, vel_sd, pos_sd)
    assert_allclose(-pos[:70, 2], CubicHermiteSpline(knots, x[:, 0], x[:, 1])(time_s[:70]), rtol=0, atol=1e-12)
    assert_allclose(-vel[:70, 2], np.interp(time_s[:70], knots, x[:, 1]), rtol=0, atol=1e-12)
    assert np.ptp(pos[69:, 2]) == 0.0
    assert_allclose(pos_sd[:, 2], np.hypot(0.2, 0.1 * pos[:, 2]), atol=1e-12)
    assert np.isnan(pos_sd[:, :2]).all()


def test_grow_tilt_sd(record):
    """Starts at the levelling's own, grows both ways, and steps up at gaps and clipped stretches."""
    time_s, rate, _, gap = record
    q = _reference.integrate(time_s, rate, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), gap)
    clipped = (np.arange(300) > 20) & (np.arange(300) < 25)
    out, args = np.empty(300), (50, 0.001, 0.0002, 0.0003, 0.0001, 0.01)
    _kernels.grow_tilt_sd(time_s, q, rate, gap, clipped, *args, out)
    assert_allclose(out, _reference.grow_tilt_sd(time_s, q, rate, gap, clipped, *args), rtol=1e-9)
    assert out[50] == 0.001 and out.argmin() == 50
    assert out[90] > out[89] + 0.01 and out[20] > out[25]


@pytest.mark.parametrize("size", [1, 7])
def test_carry(record, size):
    """Blocks of means in the axes of the last row; what is left over at the end is carried but not counted."""
    time_s, rate, accel, _ = record
    bias, out = np.array([0.1, -0.2, 0.3]), np.empty((300 // size, 7))
    _kernels.carry(time_s, accel, rate, bias, size, out)
    assert_allclose(out, _reference.carry(time_s, accel, rate, bias, size), rtol=0, atol=1e-11)


def test_mark_finite(record):
    """Only rows that are not finite turn False; the count is of rows."""
    _, rate, accel, _ = record
    rate, accel = rate.copy(), accel.copy()
    rate[3, 1], accel[3, 0], accel[9, 2] = np.nan, np.inf, np.nan
    used = np.ones(300, dtype=bool)
    used[20] = False
    assert _kernels.mark_finite(rate, accel, used) == 2
    assert np.flatnonzero(~used).tolist() == [3, 9, 20]
