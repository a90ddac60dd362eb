"""Flown and flown again side by side: rows worked by hand, and how an ensemble spreads about what is drawn."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.review.comparison import HEIGHT_SHARE, MODEL_SHARE, at_time, bands, differences, spread_about
from replay.units import DEG
from replay.whatif.ensemble import Ensemble
from replay.whatif.refly import Moment

NOWHERE = Moment(math.nan, *([math.nan] * 5))


def reflight(**moments):
    """Only what the table reads."""
    return SimpleNamespace(moments={name: moments.get(name, (NOWHERE, NOWHERE)) for name in ("burnout", "apogee", "touchdown")})


def ensemble(n_members=400, sd_m=2.0, seed=5):
    """Members whose re-flown path is the straight line up, moved east by a draw of their own; flown ones all on the line."""
    east = np.random.default_rng(seed).normal(0.0, sd_m, n_members)
    time_s = np.arange(0.0, 10.0, 0.05)
    line = np.column_stack((0.0 * time_s, 0.0 * time_s, 15.0 * time_s))
    flown = np.tile(line, (n_members, 1, 1))
    reflown = flown + east[:, None, None] * np.array([1.0, 0.0, 0.0])
    tilt = np.full((n_members, len(time_s)), 2.0 * DEG)
    places = np.zeros((n_members, 2, 3))
    places[:, 1, 0] = east
    down = places.copy()
    down[::2] = np.nan  # every other record ends in the air
    return Ensemble(time_s, flown, reflown, tilt, tilt + east[:, None] * DEG, places, down, seed, ()), east


def test_rows_worked_by_hand():
    """A tilt azimuth goes the short way round north, and a shift of 3 m east and 4 m south is 5 m over ground."""
    pair = (Moment(5.0, 1.0, 2.0, 60.0, 3.0 * DEG, 350.0 * DEG), Moment(5.0, 4.0, -2.0, 61.0, 1.0 * DEG, 10.0 * DEG))
    rows = {row.quantity: row for row in differences(reflight(burnout=pair)) if row.moment == "burnout"}
    assert_allclose([rows["tilt"].difference, rows["towards"].difference, rows["height"].difference], [-2.0, 20.0, 1.0], atol=1e-12)
    assert_allclose([rows["east"].difference, rows["north"].difference, rows["shift"].difference], [3.0, -4.0, 5.0])
    assert all(math.isnan(row.sd) for row in rows.values())


def test_a_moment_not_in_the_record_is_not_a_number():
    """All its rows are there, and all of them say so."""
    rows = [row for row in differences(reflight()) if row.moment == "touchdown"]
    assert {row.quantity for row in rows} == {"time", "east", "north", "shift"}
    assert all(math.isnan(row.difference) for row in rows)


def test_standard_deviations_are_the_members():
    """Of the draw itself, at burnout, apogee and, of those that get there, touchdown; a shift adds what the model leaves out."""
    members, east = ensemble()
    pair = (Moment(5.26, 0.0, 0.0, 78.9, 2.0 * DEG, 0.0),) * 2
    rows = {(row.moment, row.quantity): row.sd for row in differences(reflight(burnout=pair, apogee=pair, touchdown=pair), members)}
    assert_allclose(rows["burnout", "east"], np.std(east, ddof=1), rtol=1e-12)
    assert_allclose(rows["apogee", "east"], np.std(east, ddof=1), rtol=1e-12)
    assert_allclose(rows["touchdown", "east"], np.std(east[1::2], ddof=1), rtol=1e-12)
    assert_allclose(rows["burnout", "tilt"], np.std(east, ddof=1), rtol=1e-9)
    assert rows["burnout", "north"] == 0.0
    assert math.isnan(rows["burnout", "towards"])
    moved = (pair[0], Moment(5.26, 30.0, 40.0, 78.9, 2.0 * DEG, 0.0))
    rows = {row.quantity: row.sd for row in differences(reflight(touchdown=moved), members) if row.moment == "touchdown"}
    assert_allclose(rows["north"], MODEL_SHARE["touchdown"] * 50.0)
    up = {row.quantity: row.sd for row in differences(reflight(apogee=moved), members) if row.moment == "apogee"}
    assert_allclose((up["north"], up["height"]), (MODEL_SHARE["apogee"] * 50.0, HEIGHT_SHARE * MODEL_SHARE["apogee"] * 50.0))
    assert_allclose(rows["east"], math.hypot(np.std(east[1::2], ddof=1), MODEL_SHARE["touchdown"] * 50.0))


def test_a_value_between_two_times():
    """Straight between the samples; nothing outside them."""
    values = np.array([[0.0, 10.0, 20.0], [1.0, 1.0, 4.0]])
    assert_allclose(at_time(np.array([0.0, 1.0, 2.0]), values, 1.5), [15.0, 2.5])
    assert_allclose(at_time(np.array([0.0, 1.0, 2.0]), values, 2.0), [20.0, 4.0])
    assert np.isnan(at_time(np.array([0.0, 1.0, 2.0]), values, 2.1)).all()


def single_flight(time_s, path):
    """Only what the spread reads."""
    return SimpleNamespace(time_s=time_s, reflown=SimpleNamespace(pos_enu_m=path, tilt_rad=np.full_like(time_s, 2.0 * DEG)))


def test_what_the_method_knows_less_well_than_the_members_spread_is_added():
    """By hand: re-flown members 2 m about and a flown path known to 3 m are 3.6 m; where the flown members spread 4 m, 5 m of own add 3."""
    members, east = ensemble()
    time_s = np.arange(0.0, 10.0, 0.01)
    path = np.column_stack((0.0 * time_s, 0.0 * time_s, 15.0 * time_s))
    flown = SimpleNamespace(pos_sd_enu_m=np.full((len(time_s), 3), 3.0), log_time_s=time_s + 4.0, events=SimpleNamespace(liftoff_log_s=4.0))
    _, sd = spread_about(single_flight(time_s, path), members, flown)
    spread = math.sqrt(np.mean(east**2))
    assert_allclose(sd[850], (math.hypot(spread, 3.0), 3.0, 3.0), rtol=1e-9)
    about = 4.0 * np.resize([1.0, -1.0], len(east)) * math.sqrt(399.0 / 400.0)
    members.flown_pos_enu_m[:, :, 1] += about[:, None]
    flown.pos_sd_enu_m[:] = 5.0
    _, sd = spread_about(single_flight(time_s, path), members, flown)
    assert_allclose(sd[850], (math.hypot(spread, 5.0), 3.0, 5.0), rtol=1e-9)


def test_the_spread_drawn_is_about_the_single_reflight():
    """Members that lie 1 m to one side count in full: the root mean square is the hypotenuse of spread and offset."""
    members, east = ensemble()
    time_s = np.arange(0.0, 10.0, 0.01)
    path = np.column_stack((np.full_like(time_s, -1.0), 0.0 * time_s, 15.0 * time_s))
    single = single_flight(time_s, path)
    tilt_sd, pos_sd = spread_about(single, members, SimpleNamespace(pos_sd_enu_m=None))
    assert_allclose(pos_sd[:, 0], math.sqrt(np.mean((east + 1.0) ** 2)), rtol=1e-9)
    assert_allclose(pos_sd[:, 1:], 0.0, atol=1e-9)
    assert_allclose(tilt_sd, math.sqrt(np.mean(east**2)) * DEG, rtol=1e-9)


def test_bands_hold_nine_of_ten():
    """A normal draw: its 5th and 95th percentile at 1.645 sigma (any table of the normal distribution)."""
    members, _ = ensemble(4000)
    band = bands(members)["reflown_pos_enu_m"]
    assert_allclose([band.low[20, 0], band.high[20, 0]], [-3.29, 3.29], atol=0.25)
    assert band.middle.shape == (200, 3)
    assert bands(members)["flown_tilt_deg"].low == pytest.approx(2.0)
