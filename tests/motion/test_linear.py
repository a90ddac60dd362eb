"""The small linear filter and smoother against hand examples, dense least squares, and published closed forms."""

import math

import numpy as np
import pytest
from chi_square import MEAN_BOUNDS_95, mean_bounds, nees
from numpy.testing import assert_allclose

from replay.errors import CannotEstimate
from replay.motion import linear

SEED = 4711


def dense_least_squares(m, z, x0, P0):
    """Mean and covariance of all states at once, from the normal equations of prior, transitions and measurements."""
    n, d = len(z), len(x0)
    information, vector = np.zeros((n * d, n * d)), np.zeros(n * d)

    def add(rows, target, weight):
        nonlocal information, vector
        information += rows.T @ weight @ rows
        vector += rows.T @ weight @ target

    first = np.zeros((d, n * d))
    first[:, :d] = np.eye(d)
    add(first, x0, np.linalg.inv(P0))
    for k in range(n):
        F, H, Q, R = m.at(k)
        here = np.zeros((d, n * d))
        here[:, k * d : (k + 1) * d] = np.eye(d)
        if k > 0:
            step = here.copy()
            step[:, (k - 1) * d : k * d] = -F
            add(step, np.zeros(d), np.linalg.inv(Q))
        seen = np.isfinite(z[k])
        if seen.any():
            add(H[seen] @ here, z[k, seen], np.linalg.inv(R[np.ix_(seen, seen)]))
    covariance = np.linalg.inv(information)
    blocks = np.stack([covariance[k * d : (k + 1) * d, k * d : (k + 1) * d] for k in range(n)])
    return np.linalg.solve(information, vector).reshape(n, d), blocks


def random_model(rng, n, d, m):
    """A stable time-varying model with full noise covariances."""

    def spd(k):
        root = rng.normal(size=(n, k, k))
        return root @ root.transpose(0, 2, 1) + 0.1 * np.eye(k)

    F = np.eye(d) + 0.2 * rng.normal(size=(n, d, d))
    return linear.model(F, rng.normal(size=(n, m, d)), spd(d), spd(m))


@pytest.mark.parametrize(("d", "m", "seed"), [(1, 1, 1), (2, 1, 2), (3, 2, 3), (5, 3, 4)])
def test_smoother_is_dense_least_squares(d, m, seed):
    """Mean and covariance of any linear model, missing measurements too, equal the normal equations' (seed printed)."""
    print("seed", seed)
    rng = np.random.default_rng(seed)
    n = 12
    model = random_model(rng, n, d, m)
    z = rng.normal(size=(n, m))
    z[4] = np.nan
    z[7, 0] = np.nan
    x0, P0 = rng.normal(size=d), np.diag(rng.uniform(0.5, 2.0, d))
    filtered = linear.kalman_filter(model, z, x0, P0)
    smoothed = linear.rts_smoother(model, filtered)
    mean, covariance = dense_least_squares(model, z, x0, P0)
    assert_allclose(smoothed.x, mean, rtol=0, atol=1e-9)
    assert_allclose(smoothed.P, covariance, rtol=0, atol=1e-9)
    for before, after in zip(filtered.P, smoothed.P, strict=True):
        assert np.linalg.eigvalsh(before - after).min() >= -1e-12


def test_hand_example_of_a_random_walk():
    """x0 ~ N(0, 10), F = H = Q = R = 1, z = 1, 2, 4. Source: worked by hand and by batch least squares (computed, no source)."""
    m = linear.model(1.0, 1.0, 1.0, 1.0)
    filtered = linear.kalman_filter(m, [[1.0], [2.0], [4.0]], [0.0], [[10.0]])
    smoothed = linear.rts_smoother(m, filtered)
    assert_allclose(filtered.x[:, 0], [0.90909091, 1.625, 3.10588235], atol=5e-9)
    assert_allclose(filtered.P[:, 0, 0], [0.90909091, 0.65625, 0.62352941], atol=5e-9)
    # exact fractions: 26/17, 188/85, 264/85 and 10/17, 42/85, 53/85
    assert_allclose(smoothed.x[:, 0], [26 / 17, 188 / 85, 264 / 85], rtol=0, atol=1e-9)
    assert_allclose(smoothed.P[:, 0, 0], [10 / 17, 42 / 85, 53 / 85], rtol=0, atol=1e-9)


def test_hand_example_of_constant_velocity():
    """Two states, five positions; computed by an independent batch solution to 5e-14 (printed to eight digits)."""
    F, Q = [[1.0, 1.0], [0.0, 1.0]], 0.1 * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
    m = linear.model(F, [[1.0, 0.0]], Q, 0.25)
    smoothed = linear.rts_smoother(m, linear.kalman_filter(m, np.array([[0.0, 1.1, 1.9, 3.2, 3.9]]).T, [0.0, 0.0], 100.0 * np.eye(2)))
    assert_allclose(smoothed.x[:, 0], [0.03083814, 1.03357167, 2.02937195, 3.01939086, 3.98675028], rtol=0, atol=6e-9)
    assert_allclose(smoothed.x[:, 1], [1.0042924, 0.99911364, 0.99485446, 0.97892612, 0.96157606], rtol=0, atol=6e-9)
    sd = np.sqrt(smoothed.P[:, 0, 0])
    assert_allclose(sd, [0.4149915, 0.29211456, 0.27642767, 0.29222666, 0.4154316], rtol=0, atol=6e-9)


def test_steady_state_of_a_scalar_random_walk():
    """q = r = 1: the golden ratio before, its inverse after, and 1/√5 smoothed, which is classical."""
    m = linear.model(1.0, 1.0, 1.0, 1.0)
    before, after = linear.steady_covariance(m)
    golden = (1.0 + math.sqrt(5.0)) / 2.0
    assert_allclose([before[0, 0], after[0, 0]], [golden, golden - 1.0], rtol=1e-12)
    filtered = linear.kalman_filter(m, np.zeros((81, 1)), [0.0], [[1.0]])
    assert_allclose(linear.rts_smoother(m, filtered).P[40, 0, 0], 1.0 / math.sqrt(5.0), rtol=1e-12)


# gyro noise, bias walk, angle noise, step -> standard deviations before, after, and of the bias before the measurement.
# Source: R. L. Farrenkopf, Analytic steady-state accuracy solutions for two common spacecraft attitude estimators, J. Guidance and
# Control 1(4), 1978; the closed form below as in F. L. Markley, 2000.
FARRENKOPF = [
    ((0.01, 0.001, 0.5, 0.01), (0.02661029, 0.02657269, 0.00376127)),
    ((0.05, 0.01, 1.0, 0.02), (0.10186587, 0.10134144, 0.02703633)),
    ((0.001, 0.0001, 0.01, 0.1), (0.00203051, 0.00198990, 0.00035815)),
]


def farrenkopf_model(sv, su, sn, dt):
    """Angle and gyro bias, angle measured."""
    Q = [[sv**2 * dt + su**2 * dt**3 / 3.0, -(su**2) * dt**2 / 2.0], [-(su**2) * dt**2 / 2.0, su**2 * dt]]
    return linear.model([[1.0, -dt], [0.0, 1.0]], [[1.0, 0.0]], Q, sn**2)


@pytest.mark.parametrize(("given", "printed"), FARRENKOPF)
def test_farrenkopf(given, printed):
    """Attitude from a gyro and an angle: closed form to 1e-8, and the printed rows to their last digit."""
    sv, su, sn, dt = given
    S_u, S_v = su * dt**1.5 / sn, sv * dt**0.5 / sn
    gamma = math.sqrt(1.0 + S_v**2 / 4.0 + S_u**2 / 48.0)
    zeta = gamma + S_u / 4.0 + 0.5 * math.sqrt(2.0 * gamma * S_u + S_v**2 + S_u**2 / 3.0)
    before, after = linear.steady_covariance(farrenkopf_model(*given))
    assert_allclose(before[0, 0], sn**2 * (zeta**2 - 1.0), rtol=1e-8)
    assert_allclose(after[0, 0], sn**2 * (1.0 - zeta**-2), rtol=1e-8)
    assert_allclose(np.sqrt([before[0, 0], after[0, 0], before[1, 1]]), printed, rtol=0, atol=5.1e-9)


def test_steady_covariance_is_where_the_filter_ends():
    """Doubling and stepping reach the same covariance."""
    m = farrenkopf_model(0.05, 0.01, 1.0, 0.1)
    before, after = linear.steady_covariance(m)
    filtered = linear.kalman_filter(m, np.zeros((3000, 1)), np.zeros(2), np.eye(2))
    assert_allclose(filtered.P_prior[-1], before, rtol=1e-9)
    assert_allclose(filtered.P[-1], after, rtol=1e-9)


def test_an_unmeasured_growing_state_does_not_settle():
    """A position that nothing measures has no steady covariance."""
    with pytest.raises(CannotEstimate, match="does not settle"):
        linear.steady_covariance(linear.model([[1.0, 1.0], [0.0, 1.0]], [[0.0, 1.0]], 0.1 * np.eye(2), 1.0))


def test_baro_inertial_steady_state():
    """Acceleration noise q, position density r: P = √2 r ω0, √2 r ω0³, halved in standard deviation by smoothing.

    Source: the continuous two-state problem (Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation,
    2001, ch. 6, from memory); numbers computed by two routes.
    """
    q, sd, dt = 0.1**2, 0.3, 0.02
    r = sd**2 * dt
    w0 = (q / r) ** 0.25
    m = linear.model([[1.0, dt], [0.0, 1.0]], [[1.0, 0.0]], q * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]]), sd**2)
    _, after = linear.steady_covariance(m)
    assert_allclose(w0, 1.5352598, rtol=1e-7)
    continuous = np.sqrt([math.sqrt(2.0) * r * w0, math.sqrt(2.0) * r * w0**3])
    assert_allclose(continuous, [0.0625151, 0.0959769], rtol=2e-6)
    assert_allclose(np.sqrt(np.diag(after)), [0.0618425, 0.0954583], rtol=2e-6)
    smoothed = linear.rts_smoother(m, linear.kalman_filter(m, np.zeros((1001, 1)), np.zeros(2), np.eye(2)))
    middle = np.sqrt(np.diag(smoothed.P[500]))
    assert_allclose(middle, [0.0312575, 0.0479884], rtol=2e-6)
    assert_allclose(middle, 0.5 * continuous, rtol=0.01)


@pytest.mark.parametrize(("tracking_index", "alpha", "beta"), [(1.0, 0.75, 0.5), (0.008 / 3.0, 0.0704229840, 0.0025710553)])
def test_alpha_beta_gains_of_the_tracking_index(tracking_index, alpha, beta):
    """Source: P. R. Kalata, The tracking index, IEEE TAES 20(2), 1984: closed form against the steady gain."""
    r = (4.0 + tracking_index - math.sqrt(8.0 * tracking_index + tracking_index**2)) / 4.0
    closed_alpha = 1.0 - r**2
    closed = closed_alpha, 2.0 * (2.0 - closed_alpha) - 4.0 * math.sqrt(1.0 - closed_alpha)
    m = linear.model([[1.0, 1.0], [0.0, 1.0]], [[1.0, 0.0]], tracking_index**2 * np.array([[0.25, 0.5], [0.5, 1.0]]), 1.0)
    before, _ = linear.steady_covariance(m)
    gain = before[:, 0] / (before[0, 0] + 1.0)
    assert_allclose(gain, closed, rtol=0, atol=1e-12)
    assert_allclose(gain, (alpha, beta), rtol=0, atol=1e-10)


@pytest.mark.parametrize(("n", "runs", "low", "high"), MEAN_BOUNDS_95)
def test_bounds_of_a_mean_of_chi_squares(n, runs, low, high):
    """The 95 % table (Bar-Shalom et al. 2001, §5.4; n = 2, 50 runs is the textbook's 1.5 to 2.6), to its digits."""
    assert_allclose(mean_bounds(n, runs), (low, high), atol=6e-4)


def test_filter_is_consistent_with_its_model():
    """Mean NEES over 50 seeded runs, and mean NIS in each run's time average, lie inside their 95 % bounds."""
    rng = np.random.default_rng(SEED)
    print("seed", SEED)
    runs, n = 50, 100
    F, Q, R = np.array([[1.0, 0.1], [0.0, 1.0]]), 0.2 * np.array([[1e-3 / 3, 5e-3], [5e-3, 0.1]]), 0.25
    m = linear.model(F, [[1.0, 0.0]], Q, R)
    root = np.linalg.cholesky(Q)
    squared, nis = np.empty((runs, n)), np.empty((runs, n))
    for run in range(runs):
        truth = np.empty((n, 2))
        truth[0] = rng.normal(size=2)
        for k in range(1, n):
            truth[k] = F @ truth[k - 1] + root @ rng.normal(size=2)
        track = linear.kalman_filter(m, truth[:, :1] + math.sqrt(R) * rng.normal(size=(n, 1)), np.zeros(2), np.eye(2))
        squared[run], nis[run] = nees(track.x - truth, track.P), track.nis
    low, high = mean_bounds(2, runs)
    assert low < squared[:, -1].mean() < high
    inside = (squared.mean(axis=0) > low) & (squared.mean(axis=0) < high)
    assert inside.mean() > 0.85
    low, high = mean_bounds(1, n)
    averages = nis.mean(axis=1)
    assert ((averages > low) & (averages < high)).mean() >= 0.88  # 95 % of runs, less what chance takes of 50
