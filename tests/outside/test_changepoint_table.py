"""Run lengths of the cumulative sum against the published table."""

import numpy as np
import pytest

from replay.flight.changepoint import average_run_length, cumulative_sum, first_alarm


# Page, Biometrika 1954; values by an independent Markov chain with 2000 states, agreeing with the familiar 168/465/8.38/10.4 tables
@pytest.mark.parametrize(
    ("level", "shift", "expected"), [(4, 0, 335.37), (4, 1, 8.383), (4, 2, 3.343), (5, 0, 930.89), (5, 1, 10.376), (5, 2, 4.009)]
)
def test_run_lengths_of_the_table(level, shift, expected):
    """One-sided k = 1/2: false-alarm run and delays at one and two standard deviations, to the digits of the table."""
    assert average_run_length(shift, 0.5, level) == pytest.approx(expected, rel=2e-4)


def test_the_sum_itself_runs_as_long_as_its_table():
    """Monte Carlo of the very function the detector uses: 4000 runs at h = 4 under a shift of one sigma, mean 8.383."""
    rng = np.random.default_rng(5)
    lengths = []
    for _ in range(4000):
        alarm = first_alarm(rng.normal(1.0, 1.0, 200), 0.5, 4.0)
        assert alarm is not None
        lengths.append(alarm[0] + 1)
    assert np.mean(lengths) == pytest.approx(8.383, abs=4 * np.std(lengths) / np.sqrt(len(lengths)))


def test_the_sum_without_a_loop_is_the_sum_with_one():
    """s = max(0, s + z − k), step by step."""
    z = np.random.default_rng(1).normal(0.3, 1.0, 500)
    z[100:103] = np.nan
    s, expected = 0.0, []
    for value in z:
        s = max(0.0, s + (value - 0.5 if np.isfinite(value) else 0.0))
        expected.append(s)
    np.testing.assert_allclose(cumulative_sum(z), expected, atol=1e-12)
