"""Allan-type deviations against the NIST handbook's printed values, its small set, and the allantools library."""

import math

import allantools
import numpy as np
import pytest

from replay.sensors.allan import BIAS_INSTABILITY_FACTOR, allan, deviation


def thousand_points() -> np.ndarray:
    """The generator of NIST SP 1065 section 12.4: n(i+1) = 16807 n(i) mod 2147483647 from 1234567890, scaled to one."""
    numbers, n = [], 1234567890
    for _ in range(1000):
        numbers.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(numbers)


# NIST SP 1065 (Riley 2008) table 31, averaging times 1, 10, 100
TABLE_31 = {
    "allan": (2.922319e-1, 9.965736e-2, 3.897804e-2),
    "overlapping": (2.922319e-1, 9.159953e-2, 3.241343e-2),
    "modified": (2.922319e-1, 6.172376e-2, 2.170921e-2),
    "time": (1.687202e-1, 3.563623e-1, 1.253382e0),
    "hadamard": (2.943883e-1, 1.052754e-1, 3.910861e-2),
    "overlapping hadamard": (2.943883e-1, 9.581083e-2, 3.237638e-2),
    "total": (2.922319e-1, 9.134743e-2, 3.406530e-2),
}


@pytest.mark.parametrize(("statistic", "printed"), TABLE_31.items())
def test_seven_statistics_of_the_handbooks_thousand_points(statistic, printed):
    """All 21 printed numbers of table 31 to the seven digits printed."""
    np.testing.assert_allclose(deviation(thousand_points(), 1.0, [1, 10, 100], statistic), printed, rtol=5e-7)


def test_the_handbooks_generator_starts_as_printed():
    """NIST SP 1065 section 12.4: first values, extremes, mean and standard deviation."""
    y = thousand_points()
    np.testing.assert_allclose(y[:5], [0.57489047, 0.18418297, 0.56317577, 0.29509234, 0.61695443], atol=5e-9)
    np.testing.assert_allclose(
        [y.min(), y.max(), y.mean(), y.std(ddof=1)], [0.0013717599, 0.9957452943, 0.4897744629, 0.2884663647], atol=1e-9
    )


def test_small_set_of_the_handbook():
    """NIST SP 1065 nine-point set: 892 … 677."""
    y = [892, 809, 823, 798, 671, 644, 883, 903, 677]
    np.testing.assert_allclose(deviation(y, 1.0, [1, 2], "allan"), [91.22945, 115.8082], rtol=1e-6)
    np.testing.assert_allclose(deviation(y, 1.0, [2], "overlapping"), [85.95287], rtol=1e-6)
    np.testing.assert_allclose(deviation(y, 1.0, [2], "modified"), [74.78849], rtol=1e-6)


@pytest.mark.parametrize(
    ("statistic", "function"), [("overlapping", allantools.oadev), ("modified", allantools.mdev), ("hadamard", allantools.hdev)]
)
def test_agrees_with_allantools(statistic, function):
    """allantools (PyPI, 2024.6) on a drifting noise at 100 Hz."""
    rng = np.random.default_rng(11)
    y = rng.normal(size=5000) + np.cumsum(rng.normal(0, 0.02, 5000))
    taus, expected, *_ = function(y, rate=100.0, data_type="freq", taus=[0.01, 0.08, 0.64, 2.56])
    np.testing.assert_allclose(deviation(y, 100.0, np.round(taus * 100).astype(int), statistic), expected, rtol=5e-7)


def test_slopes_at_which_the_standard_reads_its_coefficients():
    """IEEE Std 952-1997 annex C: N at 1 s, B = floor / 0.664, K at 3 s."""
    assert pytest.approx(0.6642825, abs=1e-7) == BIAS_INSTABILITY_FACTOR
    rng = np.random.default_rng(2)
    white = allan(rng.normal(0, 0.01 * math.sqrt(100), 400_000), 100.0)
    np.testing.assert_allclose(np.interp([0.01, 0.64, 1.28], white.tau_s, white.deviation), [0.1, 0.0125, 0.00884], rtol=0.05)
    walk = allan(np.cumsum(rng.normal(0, 0.001 / 10.0, 4_000_000)), 100.0)
    assert walk["K"].value == pytest.approx(0.001, rel=0.15)
