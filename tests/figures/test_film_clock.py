"""Frame rates and speed ramps: exact, monotonous, and the same forwards and backwards."""

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from replay.errors import SettingsError
from replay.figures.film_clock import FRAME_RATES, FilmClock

SPEEDS = st.floats(0.05, 8.0)


def test_rates_are_the_fractions_of_the_standard():
    """23.976, 29.97 and 59.94 are 24, 30 and 60 divided by 1.001 (SMPTE ST 2036-1), not decimals."""
    for name, nominal in (("23.976", 24), ("29.97", 30), ("59.94", 60)):
        assert FRAME_RATES[name] == Fraction(nominal * 1000, 1001)
        assert f"{float(FRAME_RATES[name]):.3f}".startswith(name)
    assert all(FRAME_RATES[name] == int(name) for name in ("24", "25", "30", "50", "60"))


@pytest.mark.parametrize("name", FRAME_RATES)
def test_real_time_has_a_frame_every_frame_time(name):
    """Frame k shows k / rate; a span of whole frame times has one frame more than frame times."""
    rate = FRAME_RATES[name]
    clock = FilmClock(rate, -1.0, -1.0 + float(100 / rate), n_slate=7)
    assert clock.n_frames == 7 + 101
    for k in (0, 1, 50, 100):
        assert clock.time_of(7 + k) == pytest.approx(-1.0 + float(k / rate), abs=1e-9)
    assert clock.time_of(0) == clock.time_of(6) == -1.0
    assert clock.duration_s == pytest.approx(float(108 / rate))


def test_half_speed_takes_twice_as_long():
    """2 s of flight at half speed: 4 s of film."""
    clock = FilmClock(Fraction(25), 0.0, 2.0, ((0.0, 0.5),))
    assert clock.n_frames == 101 and clock.time_of(50) == pytest.approx(1.0)


def test_a_ramp_is_the_integral_of_one_over_speed():
    """Film time against numerical quadrature of 1 / speed (scipy)."""
    clock = FilmClock(Fraction(30), -1.0, 9.0, ((0.0, 1.0), (2.0, 0.1), (3.0, 0.1), (6.0, 4.0)))
    for stop in (-0.5, 0.7, 2.5, 5.0, 8.5):
        expected = quad(lambda t: 1.0 / clock.speed_at(t), -1.0, stop, points=[0.0, 2.0, 3.0, 6.0], limit=200)[0]
        assert clock.film_s(stop) == pytest.approx(expected, rel=1e-9)


@given(
    st.lists(st.tuples(st.floats(-3.0, 12.0), SPEEDS), min_size=1, max_size=5, unique_by=lambda pair: round(pair[0], 2)),
    st.sampled_from(list(FRAME_RATES)),
)
def test_frames_and_times_are_each_others_inverse(ramp, name):
    """film_s(time_of(k)) is k frame times, and instants rise with frames."""
    ramp = tuple(sorted(ramp))
    clock = FilmClock(FRAME_RATES[name], 0.0, 10.0, ramp, n_slate=3)
    frames = np.unique(np.linspace(3, clock.n_frames - 1, 12).astype(int)).tolist()
    times = [clock.time_of(k) for k in frames]
    assert all(later > earlier for earlier, later in itertools.pairwise(times))
    for k, t in zip(frames, times, strict=True):
        assert clock.film_s(t) == pytest.approx((k - 3) / float(clock.rate), rel=1e-7, abs=1e-7)
        assert clock.frame_of(t) == k
    assert times[-1] <= 10.0 and clock.frame_of(10.5) is None


def test_a_speed_that_hardly_changes_is_continuous_with_one_that_does_not():
    """Both sides of the series' threshold agree."""
    steady = FilmClock(Fraction(30), 0.0, 10.0, ((0.0, 1.0), (10.0, 1.0)))
    for change in (1e-14, 1e-12, 1e-9):
        nearly = FilmClock(Fraction(30), 0.0, 10.0, ((0.0, 1.0), (10.0, 1.0 + change)))
        assert nearly.film_s(10.0) == pytest.approx(steady.film_s(10.0), abs=1e-7)
        assert nearly.time_of(150) == pytest.approx(steady.time_of(150), abs=1e-7)


@pytest.mark.parametrize(
    ("stop", "ramp", "named"),
    [
        (0.0, ((0.0, 1.0),), "--to"),
        (1.0, ((0.0, 0.0),), "--speed"),
        (1.0, ((0.0, math.nan),), "--speed"),
        (1.0, ((1.0, 1.0), (0.5, 2.0)), "--speed"),
        (1.0, (), "--speed"),
    ],
)
def test_impossible_films_are_refused_by_name(stop, ramp, named):
    """An empty span, a standing or unknown speed, times out of order."""
    with pytest.raises(SettingsError, match=named):
        FilmClock(Fraction(30), 0.0, stop, ramp)
