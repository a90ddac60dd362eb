"""Clocks: wraps, restarts, stray and repeated stamps, coarse ticks, gaps, against hand-worked truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay.flightlog.timebase import find_gaps, make_clock


def clock_of(stamps, tick_s=1e-3, **more):
    stamps = np.asarray(stamps)
    return make_clock(stamps, tick_s, np.arange(len(stamps)) + 2, **more)


def said(clock, words):
    """The one issue that says `words`."""
    found = [issue for issue in clock.issues if words in issue.text]
    assert len(found) == 1, [issue.text for issue in clock.issues]
    return found[0]


def test_a_plain_clock_says_nothing():
    """Evenly stamped rows: zero at the first, no gap, no issue."""
    clock = clock_of(5000 + 10 * np.arange(100))
    assert_allclose(clock.time_s, 0.01 * np.arange(100), atol=1e-12)
    assert clock.start_s == 5.0
    assert len(clock.i_gap) == 0
    assert clock.issues == ()


def test_a_32_bit_microsecond_counter_wraps_after_71_58_minutes():
    """2^32 µs = 4294.967296 s (check table, sampling); row 2001 of the file is the first after the wrap."""
    n = 4000
    true = 2**32 - 20_000_000 + 10_000 * np.arange(n)
    i_wrap = int(np.searchsorted(true, 2**32))
    clock = clock_of(true % 2**32, 1e-6)
    assert_allclose(clock.time_s, 0.01 * np.arange(n), atol=1e-9)
    issue = said(clock, "wraps at 2^32 (every 71.58 min)")
    assert issue.rows == (i_wrap + 2,)
    assert len(clock.i_gap) == 0


def test_a_16_bit_millisecond_counter_wraps_every_65_536_seconds():
    """Ten minutes at 50 Hz: nine wraps."""
    n = 30_000
    clock = clock_of((20 * np.arange(n) + 1000) % 2**16)
    assert_allclose(clock.time_s, 0.02 * np.arange(n), atol=1e-9)
    assert len(said(clock, "wraps at 2^16 (every 65.536 s): unwrapped 9 times").rows) == 9


def test_a_16_bit_microsecond_counter_wraps_every_few_rows():
    """At 100 Hz every 6.5 rows."""
    n = 3000
    clock = clock_of((10_000 * np.arange(n)) % 2**16, 1e-6)
    assert_allclose(clock.time_s, 0.01 * np.arange(n), atol=1e-9)


def test_seconds_made_of_a_microsecond_counter_wrap_at_4294_967_seconds():
    """The wrap is in the ticks the stamps were made of, not in the column's unit."""
    true = 4294.0 + 0.01 * np.arange(300)
    clock = clock_of(np.round(np.mod(true, 4294.967296), 6), 1.0)
    assert_allclose(clock.time_s, 0.01 * np.arange(300), atol=2e-6)
    assert said(clock, "wraps at 2^32 µs")


def test_a_gap_at_the_wrap_is_still_a_gap():
    """Half a second is missing where the counter wraps: unwrapped, and the gap marked."""
    true = np.delete(2**16 - 1000 + 10 * np.arange(300), slice(95, 145))
    clock = clock_of(true % 2**16)
    assert_allclose(clock.time_s, (true - true[0]) * 1e-3, atol=1e-9)
    assert_array_equal(clock.i_gap, [94])


def test_a_clock_that_starts_anew_is_a_restart_not_a_wrap():
    """Far from any power of two: the pause is unknown, a second is put there and marked as a gap."""
    stamps = np.concatenate((10 * np.arange(500), 10 * np.arange(400)))
    clock = clock_of(stamps)
    assert clock.keep.all()
    assert_array_equal(clock.i_gap, [499])
    assert_allclose(clock.time_s[500] - clock.time_s[499], 1.0)
    assert said(clock, "starts anew 1 time").rows == (502,)


def test_a_repeated_header_is_a_gap_even_where_time_runs_on():
    """The logger was off: what lies between is not known."""
    clock = clock_of(10 * np.arange(200), i_restart=(80,))
    assert_array_equal(clock.i_gap, [79])
    assert_array_equal(clock.i_break, [79])
    assert_allclose(clock.time_s, 0.01 * np.arange(200), atol=1e-12)


@pytest.mark.parametrize(
    ("place", "stamp", "words"),
    [(50, 200, "runs backward"), (50, 49_000, "jumps ahead and back"), (50, 485, "runs backward")],
)
def test_a_stray_stamp_costs_its_row(place, stamp, words):
    """Behind or ahead: the row is left out by number, the rest keeps its time."""
    stamps = 10 * np.arange(200)
    stamps[place] = stamp
    clock = clock_of(stamps)
    assert said(clock, words).rows == (place + 2,)
    assert_array_equal(np.flatnonzero(~clock.keep), [place])
    assert_allclose(clock.time_s, np.delete(0.01 * np.arange(200), place), atol=1e-12)


def test_two_rows_that_changed_places():
    """The later one is left out."""
    stamps = 10 * np.arange(200)
    stamps[[90, 91]] = stamps[[91, 90]]
    clock = clock_of(stamps)
    assert np.all(np.diff(clock.time_s) > 0)
    assert said(clock, "runs backward").rows == (93,)


def test_thousands_of_late_rows_are_no_reason_to_give_up():
    """Every twentieth row is written after its successor; each costs one row."""
    stamps = 10 * np.arange(40_000)
    late = np.arange(10, 40_000 - 1, 20)
    stamps[late], stamps[late + 1] = stamps[late + 1].copy(), stamps[late].copy()
    clock = clock_of(stamps)
    assert np.count_nonzero(~clock.keep) == len(late)
    assert not any(issue.severity == "problem" for issue in clock.issues)


def test_blank_stamps_cost_their_rows():
    """A row without a time can't be placed."""
    stamps = 10.0 * np.arange(100)
    stamps[[3, 4]] = np.nan
    clock = clock_of(stamps)
    assert said(clock, "without a time stamp").rows == (5, 6)
    assert_allclose(clock.time_s[:4], [0.0, 0.01, 0.02, 0.05], atol=1e-12)


def test_a_row_written_twice_is_left_out():
    """Same stamp, same values."""
    stamps = np.insert(10 * np.arange(100), 50, 490)
    clock = clock_of(stamps, is_copy=lambda rows, others: np.ones(len(rows), dtype=bool))
    assert said(clock, "repeating the row before").rows == (52,)
    assert_allclose(clock.time_s, 0.01 * np.arange(100), atol=1e-12)


def test_a_stamp_that_stands_twice_over_fresh_values_is_spaced_out():
    """0, 10, 10, 30: the clock was read late once, and the rows lie 10 apart."""
    stamps = 10 * np.arange(100)
    stamps[50] = stamps[49]
    clock = clock_of(stamps, is_copy=lambda rows, others: np.zeros(len(rows), dtype=bool))
    assert clock.keep.all()
    assert said(clock, "with the stamp of the row before").rows == (52,)
    assert_allclose(clock.time_s, 0.01 * np.arange(100), atol=1e-12)


@pytest.mark.parametrize(
    ("spacing_ms", "tick_ms"), [(2.4, 10.0), (1.0, 10.0), (0.7692307, 1.0), (2.5, 1.0), (3.003, 1.0), (1.4, 1.0), (5.0, 15.625)]
)
def test_even_spacing_is_recovered_from_a_coarse_clock(spacing_ms, tick_ms):
    """Rows evenly spaced, stamps cut to ticks: every step comes back to a part in ten thousand."""
    n = 5000
    stamps = np.floor(np.arange(n) * spacing_ms / tick_ms) * tick_ms
    clock = clock_of(stamps)
    assert_allclose(np.diff(clock.time_s), spacing_ms * 1e-3, rtol=1e-4)
    assert said(clock, "coarse clock")


def test_rows_missing_at_random_from_an_exact_clock_are_no_coarse_clock():
    """Five rows of a hundred lost (seed 3): the stamps are right as they are, and nothing is spread over the holes."""
    rng = np.random.default_rng(3)
    stamps = np.delete(10 * np.arange(5000), rng.choice(np.arange(1, 5000), 250, replace=False))
    clock = clock_of(stamps)
    assert_allclose(clock.time_s, stamps * 1e-3, atol=1e-12)
    assert not any("coarse" in issue.text for issue in clock.issues)


def test_batches_of_rows_on_one_stamp():
    """A sensor's queue read out every 10 ms, give or take 0.3 ms (seed 1): five rows each, evenly spaced afterwards."""
    rng = np.random.default_rng(1)
    stamps = np.repeat(10_000 * np.arange(800) + rng.integers(-300, 300, 800), 5)
    clock = clock_of(stamps, 1e-6)
    assert_allclose(np.diff(clock.time_s), 2e-3, rtol=1e-3)


def test_a_coarse_clock_whose_rate_drifts_is_followed():
    """One per cent of slow drift: no stamp is further than a tick from the truth, no step further than one per cent."""
    n = 5000
    step = 2.4e-3 * (1 + 0.01 * np.sin(np.arange(n - 1) / 800))
    true = np.concatenate(([0.0], np.cumsum(step)))
    clock = clock_of(np.floor(true * 100) * 10)
    error = clock.time_s - true
    assert np.ptp(error) < 0.01
    assert np.max(np.abs(np.diff(clock.time_s) / step - 1)) < 0.01


def test_a_gap_in_a_coarse_clock_is_kept_a_gap():
    """Fifty rows missing: even spacing on either side, the gap in its place and of its length, to a tick."""
    true = np.delete(2.4 * np.arange(4000), slice(1500, 1550))
    clock = clock_of(np.floor(true / 10) * 10)
    assert_array_equal(clock.i_gap, [1499])
    inner = np.delete(np.diff(clock.time_s), 1499)
    assert_allclose(inner, 2.4e-3, rtol=2e-3)
    assert abs(clock.time_s[1500] - clock.time_s[1499] - 51 * 2.4e-3) < 0.01


def test_jitter_is_told_and_left_as_stamped():
    """Ten per cent of jitter (seed 2): the stamps are the truth."""
    rng = np.random.default_rng(2)
    stamps = np.cumsum(10_000 + rng.normal(0, 1000, 2000)).astype(np.int64)
    clock = clock_of(stamps, 1e-6)
    assert_allclose(clock.time_s, (stamps - stamps[0]) * 1e-6, atol=1e-12)
    assert said(clock, "uneven steps: 10 %")


def test_gaps_split_and_single_misses_do_not():
    """One row missing is told; two or more are a gap."""
    true = np.delete(10 * np.arange(400), [100, 200, 201, 300, 301, 302])
    clock = clock_of(true)
    assert_array_equal(clock.i_gap, [198, 296])
    assert said(clock, "2 gaps, the longest 0.04 s").rows == (201, 299)
    assert said(clock, "1 single row missing").rows == (102,)


def test_a_change_of_rate_is_no_gap():
    """10 Hz on the pad, 100 Hz in flight: every pad step is longer than ten flight steps, and none is a gap."""
    stamps = np.concatenate((100 * np.arange(300), 30_000 + 10 * np.arange(2000)))
    clock = clock_of(stamps)
    assert len(clock.i_gap) == 0
    assert said(clock, "the rate changes along the log: from 10 Hz to 100 Hz")


def test_nanoseconds_since_1970_lose_nothing():
    """Differences are taken before the stamps become floats."""
    stamps = 1775328038453262073 + 10_000_019 * np.arange(100)
    clock = clock_of(stamps, 1e-9)
    assert_allclose(clock.time_s, 0.010000019 * np.arange(100), atol=1e-13)


@pytest.mark.parametrize("stamps", [[5, 5, 5, 5], [7], [np.nan, np.nan], []])
def test_a_column_that_never_advances_is_no_clock(stamps):
    """Nothing is kept, nothing raises."""
    clock = clock_of(np.array(stamps, dtype=float))
    assert not clock.keep.any()
    assert len(clock.time_s) == 0


def test_gap_search_on_few_rows():
    """Two rows have no usual step; three have."""
    assert len(find_gaps(np.array([0.0, 1.0]))) == 0
    assert_array_equal(find_gaps(np.array([0.0, 0.01, 0.02, 0.5, 0.51, 0.52])), [2])


def test_equal_readings_on_a_coarse_clock_are_no_copies():
    """At rest a coarsely read sensor gives the same values twice; on a clock of 10 ms over rows of 4 ms that is no row written twice."""
    true = 4 * np.arange(1000)
    chance = {251, 604}
    clock = clock_of(true // 10 * 10, is_copy=lambda rows, others: np.isin(rows, list(chance)))
    assert clock.keep.all()
    assert_allclose(np.diff(clock.time_s), 0.004, atol=2e-6)
    copies = clock_of(np.repeat(10 * np.arange(500), 2), is_copy=lambda rows, others: rows % 2 == 1)
    assert np.count_nonzero(copies.keep) == 500


def test_a_stray_stamp_of_all_ones_is_no_wrap():
    """One stamp of 2^32 - 1 among small ones: left out, and the clock goes on where it was."""
    stamps = 10 * np.arange(400)
    stamps[200] = 2**32 - 1
    clock = clock_of(stamps)
    assert said(clock, "jumps ahead and back").rows == (202,)
    assert not any("wraps" in issue.text for issue in clock.issues)
    assert_allclose(clock.time_s, np.delete(0.01 * np.arange(400), 200), atol=1e-12)


def test_a_block_written_twice_is_left_out():
    """300 rows stand again, all columns the same: no restart, no pause, the time as it was."""
    place = np.concatenate((np.arange(500), np.arange(200, 500), np.arange(500, 900)))
    clock = clock_of(10 * place, is_copy=lambda rows, others: place[rows] == place[others])
    assert said(clock, "a block written twice").rows == tuple(range(502, 802))
    assert_allclose(clock.time_s, 0.01 * np.arange(900), atol=1e-12)
    assert len(clock.i_gap) == 0


def test_a_block_with_the_stamps_of_another_but_other_values_is_a_restart():
    """Only rows that are the same in every column are copies."""
    place = np.concatenate((np.arange(500), np.arange(200, 500), np.arange(500, 900)))
    clock = clock_of(10 * place, is_copy=lambda rows, others: np.zeros(len(rows), dtype=bool))
    assert said(clock, "the clock starts anew 1 time").rows == (502,)


def test_a_24_bit_counter_wraps_every_16_78_seconds():
    """2^24 µs = 16.777216 s; 60 s at 250 Hz wrap three times, and nothing starts anew."""
    true = 4000 * np.arange(15_000)
    clock = clock_of(true % 2**24, 1e-6)
    assert_allclose(clock.time_s, 0.004 * np.arange(15_000), atol=1e-9)
    assert said(clock, "wraps at 2^24 (every 16.7772 s): unwrapped 3 times").rows == (4197, 8391, 12585)
    assert len(clock.i_gap) == 0


def test_a_block_written_too_late_is_left_out_and_no_restart():
    """Two buffers written in the wrong order: the time stays true, the late block is missing where it belongs."""
    true = 10 * np.arange(900)
    clock = clock_of(np.concatenate((true[:300], true[400:500], true[300:400], true[500:])))
    assert said(clock, "written after rows that are later").rows == tuple(range(402, 502))
    assert not any("starts anew" in issue.text for issue in clock.issues)
    assert_allclose(clock.time_s, 0.01 * np.concatenate((np.arange(300), np.arange(400, 900))), atol=1e-12)
    assert clock.i_gap.tolist() == [299]
