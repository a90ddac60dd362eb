"""What is said of a flight flown again."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_flight import EVENTS, solution

from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import FlightLog
from replay.review.comparison import MODEL_SHARE, betweens
from replay.review.refly_words import band_rows, changes_text, guidance_source, missing, touchdown_text
from replay.sensors.calibration import Calibration
from replay.units import DEG, kelvin
from replay.whatif.ensemble import Ensemble
from replay.whatif.vehicle import Gimbal, Guidance, Vehicle

SILENT = FlightLog(("a.csv",), "0" * 64, {}, ColumnMap())
FIXED = Vehicle("Wren 3", 1.25, 0.11, 0.08, ((0.0, 0.0), (0.1, 30.0), (3.0, 0.0)), gimbal=None)
MUTE = dataclasses.replace(FIXED, gimbal=Gimbal())
GUIDED = dataclasses.replace(MUTE, guidance=Guidance())


@pytest.mark.parametrize(
    ("log", "vehicle", "words"),
    [
        (None, None, "No flight is open"),
        (SILENT, None, "Choose one"),
        (SILENT, FIXED, "state [gimbal] and [guidance]"),
        (SILENT, MUTE, "map the gimbal command columns"),
    ],
)
def test_what_is_missing_and_how_to_give_it(log, vehicle, words):
    """Each says what to do next."""
    assert words in missing(log, vehicle)


def test_nothing_is_missing_with_a_law():
    """And it says where the law is from."""
    assert missing(SILENT, GUIDED) == ""
    assert guidance_source(SILENT, GUIDED) == "of the vehicle file; no gimbal commands are logged"


def test_changes_in_words():
    """Only what is different, in the unit of the screen, with a true minus."""
    flown = Calibration()
    assert changes_text(flown, flown) == ""
    carried = dataclasses.replace(
        flown,
        accel_bias_imu_mps2=(-0.36, 0.26, 0.0),
        gyro_scale=(1.0, 1.0, 1.014),
        accel_cross_axis=(0.0, -0.002, 0.0),
        gyro_bias_imu_radps=(0.0, 0.5 * DEG, 0.0),
        gyro_pad_bias=False,
        reference_temperature_k=kelvin(25.0),
    )
    text = changes_text(carried, flown)
    for words in (
        "accelerometer bias x −0.36, y +0.26 m/s²",
        "gyro scale z 1.014",
        "accelerometer cross-axis xz −0.002",
        "gyro bias y +0.5 deg/s",
        "read the gyro bias on the pad: no",
        "reference temperature: 25 °C",
    ):
        assert words in text


def members():
    """Twenty of them, all at one place: what spreads is what no member carries."""
    time_s = np.arange(0.0, 10.0, 0.1)
    place, down = np.tile([3.0, -4.0, 160.0], (20, 2, 1)), np.tile([12.0, 90.0, 0.0], (20, 2, 1))
    tilt, path = np.full((20, len(time_s)), 2.0 * DEG), np.zeros((20, len(time_s), 3))
    return Ensemble(time_s, path, path, tilt, tilt, place, down, 0, ())


def flown_again(shift_m=0.0):
    """Only what the bands read: touchdown is moved east."""
    at, moved = (SimpleNamespace(time_s=4.5, east_m=east_m, north_m=0.0) for east_m in (0.0, shift_m))
    return SimpleNamespace(moments={"burnout": (at, at), "apogee": (at, at), "touchdown": (at, moved)})


def known_to(up_m, down_m):
    """The drawn flight whose place is known to the one up to 10 s after liftoff and to the other from there on."""
    flown = solution(np.arange(0.0, 38.0, 0.01))
    is_down = flown.log_time_s > EVENTS.liftoff_log_s + 10.005
    return dataclasses.replace(flown, pos_sd_enu_m=np.where(is_down, down_m, up_m)[:, None] * np.ones(3))


def test_bands_widen_by_what_the_members_do_not_carry():
    """By hand: known to 2 m is 3.29 m to either side, to 4 m 6.58 m (1.645 sigma: any table of the normal distribution)."""
    rows = {row[0]: row[1:] for row in band_rows(betweens(members(), flown_again(), known_to(2.0, 4.0)))}
    assert rows["tilt at burnout, deg"] == ("2.00 to 2.00",) * 2
    assert rows["apogee north, m"] == ("−7.3 to −0.7",) * 2
    assert rows["apogee height, m"] == ("156.7 to 163.3",) * 2
    assert rows["touchdown east, m"] == ("5.4 to 18.6",) * 2
    assert rows["touchdown north, m"] == ("83.4 to 96.6",) * 2


def test_what_the_members_spread_already_is_not_counted_twice():
    """Members 3 m about and a place known to 5 m make 5 m; a place known to 2 m leaves the members' 3 m."""
    spread = members()
    spread.touchdown_enu_m[:, :, 1] += 3.0 * np.resize([1.0, -1.0], 20)[:, None] * np.sqrt(19.0 / 20.0)
    for known, wanted in ((5.0, 5.0), (2.0, 3.0)):
        found = {(b.moment, b.quantity): b for b in betweens(spread, flown_again(), known_to(known, known))}
        assert found["touchdown", "north"].flown_sd == pytest.approx(wanted, rel=1e-9)


def test_a_shifted_touchdown_adds_what_the_model_leaves_out():
    """By hand: a shift that leaves 3 m and the 4 m of dead reckoning are 5 m, of the re-flown place alone."""
    shift_m = 3.0 / MODEL_SHARE["touchdown"]
    found = {(b.moment, b.quantity): b for b in betweens(members(), flown_again(shift_m), known_to(3.0, 4.0))}
    down = found["touchdown", "north"]
    assert down.flown_sd == pytest.approx(4.0, rel=1e-6) and down.reflown_sd == pytest.approx(5.0, rel=1e-6)
    assert found["apogee", "east"].reflown_sd == pytest.approx(3.0, rel=1e-6)


def test_a_method_without_deviations_of_its_own_gives_no_band_it_can_not_know():
    """Height at apogee and place of touchdown: a dash, not a band without width; and it is said why."""
    blind = dataclasses.replace(known_to(2.0, 2.0), method="integrate", pos_sd_enu_m=None)
    found = betweens(members(), flown_again(), blind)
    rows = {row[0]: row[1:] for row in band_rows(found)}
    for name in ("apogee height, m", "touchdown east, m", "touchdown north, m"):
        assert rows[name] == ("–", "–")
    assert rows["apogee east, m"] == ("3.0 to 3.0",) * 2
    assert "integrate does not say" in touchdown_text(blind, found)


def test_how_well_touchdown_is_known_is_said():
    """In metres either way; where the record does not get there, that."""
    flown = known_to(3.0, 4.0)
    assert "±4.0 m east and ±4.0 m north" in touchdown_text(flown, betweens(members(), flown_again(), flown))
    lost = dataclasses.replace(flown, events=dataclasses.replace(EVENTS, touchdown_log_s=float("nan")))
    found = betweens(members(), flown_again(), lost)
    assert "does not get to touchdown" in touchdown_text(lost, found)
    assert band_rows(found)[-1] == ("touchdown north, m", "–", "–")
