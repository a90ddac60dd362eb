"""The compiled loops of the flight smoother on a linear example against dense least squares over the whole record at once.

The smoothed estimate of a linear system is the least-squares one, and its covariance the inverse of the normal matrix: H. E. Rauch,
F. Tung, C. T. Striebel, Maximum likelihood estimates of linear dynamic systems, AIAA J. 3(8), 1965.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.motion.aiding import Aiding
from replay.motion.flight_passes import Passes, Problem
from replay.motion.flight_state import N_PARAMETERS, POS, VEL, Trajectory
from replay.motion.preintegration import Preintegrated

G, M = 9.8, 40
VEL_SD, POS_SD, HEIGHT_SD, PUSH_VAR = 0.7, 1.3, 0.4, 0.05


def made(seed):
    """A climb along the vertical, nothing of it unknown but where it begins, how fast, and what pushes it; heights read in two of three
    epochs. Times, pushes, heights with the edges they are read at, and the problem.
    """
    rng = np.random.default_rng(seed)
    time_s = np.concatenate(([0.0], np.cumsum(rng.uniform(0.03, 0.2, M))))
    step = np.diff(time_s)
    push = rng.normal(0.0, 2.0, M)
    read = np.flatnonzero(np.arange(M) % 3 != 1) + 1
    heights = 5.0 * np.sin(time_s[read]) + rng.normal(0.0, HEIGHT_SD, len(read))
    up, zero3 = np.array([0.0, 0.0, 1.0]), np.zeros((M, 3))
    pre = Preintegrated(
        time_s, np.arange(M + 1), np.tile([1.0, 0.0, 0.0, 0.0], (M, 1)), ((G + push) * step)[:, None] * up,
        (0.5 * (G + push) * step**2)[:, None] * up, np.zeros((M, 9, 12)), np.column_stack((np.zeros(M), PUSH_VAR * step, zero3)),
        np.zeros((M, 6)), np.zeros((M, 2)),
    )  # fmt: skip
    variances = np.zeros(14)
    variances[1], variances[12] = HEIGHT_SD**2, 1.0
    first = np.searchsorted(read, np.arange(M + 1), side="right")
    aiding = Aiding(
        time_s[read], heights, first, np.full((M, 3), np.nan), np.full(M, np.nan), np.full((M, 3), np.nan), up, variances,
        np.array([1e9, np.inf, 1e9]), (),
    )  # fmt: skip
    start = Trajectory(np.array([[1.0, 0.0, 0.0, 0.0]]), np.zeros((1, 3)), np.zeros((1, 3)), np.zeros((1, N_PARAMETERS)))
    prior_sd = np.concatenate((np.full(3, VEL_SD), np.full(3, POS_SD), np.zeros(N_PARAMETERS)))
    kinds, walk = np.zeros(M, dtype=np.int64), np.zeros((M, N_PARAMETERS))
    problem = Problem(pre, kinds, aiding, walk, np.array([G, 0.0, 0.0, 0.0]), start, prior_sd, 0.0, 0.0, np.nan)
    return time_s, push, read, heights, problem


def least_squares(time_s, push, read, heights):
    """Height and speed at every edge (m + 1, 2) and their covariances (m + 1, 2, 2): one dense normal equation."""
    rows, values = [], []

    def say(matrix, value, covariance):
        root = np.linalg.inv(np.linalg.cholesky(covariance))
        rows.append(root @ matrix)
        values.append(root @ value)

    whole = np.eye(2 * (M + 1)).reshape(M + 1, 2, -1)  # picks the two unknowns of an edge
    say(whole[0], np.zeros(2), np.diag([POS_SD**2, VEL_SD**2]))
    for k, h in enumerate(np.diff(time_s)):
        moves, noise = np.array([[1.0, h], [0.0, 1.0]]), PUSH_VAR * h * np.array([[h * h / 3.0, h / 2.0], [h / 2.0, 1.0]])
        say(whole[k + 1] - moves @ whole[k], push[k] * np.array([0.5 * h * h, h]), noise)
    for k, height in zip(read, heights, strict=True):
        say(whole[k][:1], np.array([height]), np.array([[HEIGHT_SD**2]]))
    a, b = np.concatenate(rows), np.concatenate(values)
    q, r = np.linalg.qr(a)
    covariance = np.linalg.inv(r) @ np.linalg.inv(r).T
    blocks = np.array([covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(M + 1)])
    return np.linalg.solve(r, q.T @ b).reshape(M + 1, 2), blocks


@pytest.mark.parametrize("seed", range(5))
def test_the_flight_smoother_is_least_squares_over_the_whole_record(seed):
    """Heights, speeds and their covariances at every edge to 1e-9, about a path that is not the answer; never above the filter's."""
    *example, problem = made(seed)
    wanted, covariance = least_squares(*example)
    passes = Passes(problem)
    passes.filtered(problem.start, None)
    path = passes.nominal.moved(np.random.default_rng(seed).normal(size=(M + 1, 25)) * (np.arange(25) == POS + 2))
    fit = passes.filtered(path, path)
    filtered, smoothed = passes.filter_covariance(), passes.smoothed(fit, whole_covariance=True)
    at = np.array([POS + 2, VEL + 2])
    assert np.abs(path.pos[:, 2] - wanted[:, 0]).max() > 0.5
    assert_allclose(np.column_stack((smoothed.trajectory.pos[:, 2], smoothed.trajectory.vel[:, 2])), wanted, rtol=0, atol=1e-9)
    assert_allclose(smoothed.covariance[:, at[:, None], at], covariance, rtol=0, atol=1e-9)
    assert np.linalg.eigvalsh((filtered - smoothed.covariance)[:, at[:, None], at]).min() > -1e-12
