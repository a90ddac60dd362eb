"""Sculling: rotation θ₀ sin Ωt about x with acceleration A sin Ωt along y means a steady acceleration ½ θ₀ A along z.

Source: P. G. Savage, Strapdown inertial navigation integration algorithm design, part 2, JGCD 21(2), 1998. The rows for increments were
simulated with numpy independently of this project.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.motion.site import Site
from replay.motion.trajectory import dead_reckoned
from replay.units import DEG

THETA, ACCEL, FREQUENCY, FS = 1.0 * DEG, 10.0, 30.0, 300.0
EXACT_MPS2 = 0.0872631  # with the finite angle; ½ θ₀ A is 0.0872665


def increments(n_steps):
    """Exact angle increments about x, and exact velocity increments along y, over steps of 1/FS."""
    omega = 2.0 * np.pi * FREQUENCY
    t = np.arange(n_steps + 1) / FS
    angle = THETA * np.diff(np.sin(omega * t))
    speed = -ACCEL / omega * np.diff(np.cos(omega * t))
    zero = np.zeros(n_steps)
    return np.stack((angle, zero, zero), axis=1), np.stack((zero, speed, zero), axis=1), THETA * np.sin(omega * t)


def mean_z(n, extra):
    """Mean acceleration along z from groups of n increments: turn of the group's start, half of turn × speed, plus a sculling term."""
    angle, speed, start = increments(9000)
    d, v = angle.reshape(-1, n, 3), speed.reshape(-1, n, 3)
    total = v.sum(axis=1) + 0.5 * np.cross(d.sum(axis=1), v.sum(axis=1)) + extra(d, v)
    turn = start[:-1:n]
    return float(np.mean(np.sin(turn) * total[:, 1] + np.cos(turn) * total[:, 2]) * FS / n)


@pytest.mark.parametrize(("n", "expected"), [(1, 0.08163), (2, 0.06604), (3, 0.04403)])
def test_increments_without_a_sculling_term_lose_a_part(n, expected):
    """Rows of the table: the longer the interval, the more is lost."""
    assert_allclose(mean_z(n, lambda d, v: 0.0), expected, rtol=0.005)


def test_increments_with_a_sculling_term():
    """Two samples: ⅔(Δθ₁ × Δv₂ + Δv₁ × Δθ₂) brings 0.08683."""

    def two_sample(d, v):
        return 2.0 / 3.0 * (np.cross(d[:, 0], v[:, 1]) + np.cross(v[:, 0], d[:, 1]))

    assert_allclose(mean_z(2, two_sample), 0.08683, rtol=0.002)


def test_point_samples_turned_first_lose_nothing():
    """Ours: each point sample is turned into enu before it is integrated, so the mean is the exact one."""
    time_s = np.arange(int(30 * FS) + 1) / FS
    omega = 2.0 * np.pi * FREQUENCY
    half = 0.5 * THETA * np.sin(omega * time_s)
    zero = np.zeros_like(half)
    # the same motion turned onto its side, so that gravity has no part in it: about z, along x, mean along y
    q = np.stack((np.cos(half), zero, zero, np.sin(half)), axis=1)
    accel = np.stack((ACCEL * np.sin(omega * time_s), zero, zero), axis=1)
    vel, _ = dead_reckoned(time_s, q, accel, Site(), 0.0, np.inf)
    assert_allclose(vel[-1, 1] / time_s[-1], EXACT_MPS2, rtol=0, atol=1e-6)
    assert_allclose(0.5 * THETA * ACCEL, 0.0872665, rtol=0, atol=1e-7)
