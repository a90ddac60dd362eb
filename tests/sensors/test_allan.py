"""Deviations and noise coefficients on recordings whose noise is known."""

import numpy as np
import pytest

from replay.errors import CannotEstimate
from replay.sensors.allan import STATISTICS, allan, deviation


@pytest.mark.parametrize("statistic", STATISTICS)
def test_a_record_too_short_for_the_averaging_gives_nan(statistic):
    values = deviation(np.arange(10.0) % 3, 1.0, [1, 100], statistic)
    assert np.isfinite(values[0]) and np.isnan(values[1])


def test_a_gap_is_refused():
    with pytest.raises(CannotEstimate, match="without gaps"):
        deviation([1.0, np.nan, 2.0], 1.0, [1])


def test_white_noise_interval_holds_its_truth_in_19_of_20_records():
    """Angle random walk of simulated white noise: the 95 % interval covers the truth in 95 ± 4 % of 200 seeds, no other term shows."""
    truth, rate_hz, covered, other = 0.01, 100.0, 0, 0
    for seed in range(200):
        samples = np.random.default_rng(seed).normal(0.0, truth * np.sqrt(rate_hz), 20_000)
        result = allan(samples, rate_hz)
        covered += result["N"].low <= truth <= result["N"].high
        other += any(result[s].is_determined for s in "QBKR")
    assert 182 <= covered <= 198
    assert other <= 10


def test_rate_random_walk_is_seen_beside_white_noise():
    """Rate random walk K = 0.001 under white noise N = 0.001: both intervals hold in at least 18 of 20 seeds."""
    held = {"N": 0, "K": 0}
    for seed in range(20):
        rng = np.random.default_rng(seed)
        samples = rng.normal(0.0, 0.001 * 10.0, 200_000) + np.cumsum(rng.normal(0.0, 0.001 / 10.0, 200_000))
        result = allan(samples, 100.0)
        for symbol in held:
            held[symbol] += result[symbol].low <= 0.001 <= result[symbol].high
    assert min(held.values()) >= 18


def test_quantisation_is_not_taken_for_white_noise():
    """A pure difference of white angle noise has the slope −1: Q is read within 5 %, N is not seen."""
    q, rate_hz = 2e-4, 50.0
    angle = np.random.default_rng(4).normal(0.0, q, 100_001)
    result = allan(np.diff(angle) * rate_hz, rate_hz)
    assert result["Q"].value == pytest.approx(q, rel=0.05)
    assert not result["N"].is_determined
