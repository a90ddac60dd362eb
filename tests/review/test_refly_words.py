"""What is said of a flight flown again."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_flight import EVENTS, solution

from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import FlightLog
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


def test_how_well_touchdown_is_known_is_said_apart():
    """The method's own deviation there, or that it has none; nothing where the record does not get there."""
    flown = solution(np.arange(0.0, 38.0, 0.01))
    i = np.searchsorted(flown.log_time_s, EVENTS.touchdown_log_s)
    assert f"±{flown.pos_sd_enu_m[i, 0]:.1f} m east" in touchdown_text(flown)
    assert "integrate does not say" in touchdown_text(dataclasses.replace(flown, method="integrate", pos_sd_enu_m=None))
    lost = dataclasses.replace(EVENTS, touchdown_log_s=float("nan"))
    assert touchdown_text(dataclasses.replace(flown, events=lost)) == ""


def test_bands_widen_by_what_the_members_do_not_carry():
    """All members at 160 m and a height known to 2 m: nine of ten of a normal distribution are 3.29 m to either side."""
    time_s = np.arange(0.0, 10.0, 0.1)
    place = np.tile([3.0, -4.0, 160.0], (20, 2, 1))
    tilt = np.full((20, len(time_s)), 2.0 * DEG)
    path = np.zeros((20, len(time_s), 3))
    members = Ensemble(time_s, path, path, tilt, tilt, place, place, 0, ())
    flown = solution(np.arange(0.0, 38.0, 0.01))
    flown = dataclasses.replace(flown, pos_sd_enu_m=np.full((len(flown.log_time_s), 3), 2.0))
    moment = SimpleNamespace(moments={"burnout": (SimpleNamespace(time_s=4.5),) * 2})
    rows = {row[0]: row[1:] for row in band_rows(members, moment, flown)}
    assert rows["tilt at burnout, deg"] == ("2.00 to 2.00",) * 2
    assert rows["apogee north, m"] == ("−4.0 to −4.0",) * 2
    assert rows["apogee height, m"] == ("156.7 to 163.3",) * 2
    blind = band_rows(members, moment, dataclasses.replace(flown, pos_sd_enu_m=None))
    assert blind[-1] == ("apogee height, m", "160.0 to 160.0", "160.0 to 160.0")
