"""Hinge fits of all candidates at once against the same fits one by one, by numpy's own least squares."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.flight.changepoint import hinge_misfit, hinge_slopes


@pytest.mark.parametrize("before", [0, 1])
def test_hinges_of_all_candidates_are_those_fitted_one_by_one(before):
    """Also where a candidate leaves one side a single sample or none."""
    rng = np.random.default_rng(4)
    time = 1000.0 + np.arange(0.0, 0.6, 0.004)
    sd = np.where(time < 1000.3, 0.05, 0.4)
    values = 9.8 + 40.0 * np.clip(time - 1000.31, 0.0, None) + sd * rng.standard_normal(len(time))
    candidates = np.concatenate((np.arange(time[0] - 0.01, time[-1] + 0.01, 0.01), [time[-1] - 0.001]))
    found = hinge_misfit(time, values, sd, candidates, before=before, after=1)
    for change, chi_square in zip(candidates, found, strict=True):
        t = time - change
        design = np.stack([np.ones_like(t)] + [np.where(t < 0.0, t, 0.0)] * before + [np.where(t > 0.0, t, 0.0)], axis=1) / sd[:, None]
        residual = values / sd - design @ hinge_slopes(time, values, sd, float(change), before=before, after=1)
        expected = values / sd - design @ np.linalg.lstsq(design, values / sd, rcond=None)[0]
        assert_allclose(chi_square, expected @ expected, rtol=1e-7)
        assert_allclose(residual @ residual, expected @ expected, rtol=1e-7)
    assert candidates[int(np.argmin(found))] == pytest.approx(1000.31, abs=0.021)
