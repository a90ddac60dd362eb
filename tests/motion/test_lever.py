"""The compiled loops of the lever arm against their slow twins in plain NumPy."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay import rotation
from replay.motion.trajectory import specific_force_at_cg, to_cg

ARM = (0.012, -0.008, 0.14)
SEED = 20261125


@pytest.fixture(scope="module")
def record():
    """400 samples with uneven steps and two gaps; nothing moves in the first fifty."""
    rng = np.random.default_rng(SEED)
    n = 400
    time_s = np.cumsum(0.002 * (1.0 + 0.2 * rng.uniform(-1.0, 1.0, n)))
    q = rotation.normalise(rng.standard_normal((n, 4)))
    rate, force, vel, pos = (rng.standard_normal((n, 3)) for _ in range(4))
    vel[:50] = pos[:50] = 0.0
    gap = np.zeros(n, dtype=bool)
    gap[[120, 121, 300]] = True
    return time_s, q, rate, force, vel, pos, gap


def _twin_to_cg(q, rate, arm, vel, pos):
    turned, swept = rotation.rotate(q, arm), rotation.rotate(q, np.cross(rate, arm))
    is_moving = np.any(pos != 0.0, axis=1) | np.any(vel != 0.0, axis=1)
    first = int(np.argmax(is_moving)) if is_moving.any() else len(pos) - 1
    return vel - np.where(is_moving[:, None], swept, 0.0), pos - np.where(is_moving[:, None], turned - turned[first], 0.0)


def _twin_force(time_s, rate, force, arm, gap, step):
    out = np.empty_like(force)
    stretch = np.cumsum(gap)
    for i in range(len(time_s)):
        mine = np.flatnonzero(stretch == stretch[i])
        a, b = max(i - step, mine[0]), min(i + step, mine[-1])
        alpha = (rate[b] - rate[a]) / (time_s[b] - time_s[a]) if b > a else np.zeros(3)
        out[i] = force[i] - np.cross(alpha, arm) - np.cross(rate[i], np.cross(rate[i], arm))
    return out


def test_velocity_and_position(record):
    """Before anything moves they stay zero; after that the arm's own turning is taken off."""
    _, q, rate, _, vel, pos, _ = record
    found = to_cg(q, rate, ARM, vel, pos)
    for mine, theirs in zip(found, _twin_to_cg(q, rate, np.array(ARM), vel, pos), strict=True):
        assert_allclose(mine, theirs, rtol=0, atol=1e-13)
    assert not found[0][:50].any()


def test_a_record_in_which_nothing_moves(record):
    """Stays as it was; so does one that is not estimated (NaN)."""
    _, q, rate, *_ = record
    still = np.zeros((len(q), 3))
    assert not to_cg(q, rate, ARM, still, still)[1].any()
    unknown = np.full((len(q), 3), np.nan)
    assert np.isnan(to_cg(q, rate, ARM, unknown, unknown)[0]).all()


def test_specific_force(record):
    """Angular acceleration is never taken across a gap, also where a stretch is one sample long."""
    time_s, _, rate, force, _, _, gap = record
    step = max(1, round(0.005 / float(np.median(np.diff(time_s)))))
    found = specific_force_at_cg(time_s, rate, force, ARM, gap)
    assert_allclose(found, _twin_force(time_s, rate, force, np.array(ARM), gap, step), rtol=0, atol=1e-9)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_short_records(record, n):
    """None, one and two samples."""
    time_s, q, rate, force, vel, pos, gap = (values[:n] for values in record)
    assert specific_force_at_cg(time_s, rate, force, ARM, gap).shape == (n, 3)
    assert to_cg(q, rate, ARM, vel, pos)[0].shape == (n, 3)
