"""Gaps in flight, made in a sample log: a clock that was set, rows that were lost, and how either is said."""

from pathlib import Path

import numpy as np
import pytest

import replay
from replay import rotation
from replay.errors import CannotEstimate
from replay.flightlog import read_log
from replay.motion import estimate
from replay.units import DEG
from replay.whatif.vehicle import load_vehicle

SAMPLE = Path(replay.__file__).parent.parent / "sample_logs" / "clean"
MID_COAST_S, DEPLOYMENT_S = 14.9, 17.664
SAID = "is bridged in a straight line"


@pytest.fixture(scope="module")
def rows():
    """Header, stamps and the rest of each row of the sample flight."""
    header, *lines = (SAMPLE / "flight.csv").read_text(encoding="utf-8").splitlines()
    parts = [line.split(",", 1) for line in lines]
    return header, np.array([float(stamp) for stamp, _ in parts]), [rest for _, rest in parts]


@pytest.fixture
def flight(tmp_path, rows):
    """Write the flight with its clock set by `jump` s, or rows lost or left blank for so long, after a time; and estimate it."""
    header, time_s, rest = rows

    def make(after_s, *, jump=0.0, lost=0.0, blank=0.0, has_barometer=True, method="integrate"):
        is_blank = (time_s > after_s) & (time_s <= after_s + blank)
        keep = (time_s <= after_s) | (time_s > after_s + lost)
        stamps = np.where(time_s > after_s, time_s + jump, time_s)
        wanted = header if has_barometer else header.replace("pressure_Pa", "note")
        cells = ["," * 6 + row.split(",", 6)[6] if gone else row for row, gone in zip(rest, is_blank, strict=True)]
        lines = [f"{stamps[i]:.4f},{cells[i]}" for i in np.flatnonzero(keep)]
        path = tmp_path / "flight.csv"
        path.write_text("\n".join([wanted, *lines]) + "\n", encoding="utf-8")
        return estimate(read_log([path]), method, site=load_vehicle(SAMPLE / "vehicle.toml").site)

    return make


def said(solution):
    """Whether there is something about gaps, and it comes first."""
    lines = [i for i, line in enumerate(solution.assumptions) if SAID in line]
    assert lines == list(range(len(lines)))
    return [solution.assumptions[i] for i in lines]


@pytest.mark.parametrize("jump", [50.0, 15.0, 5.0, 0.2, -5.0, -50.0])
def test_a_clock_set_in_the_coast_is_no_gap(flight, jump):
    """Ahead or back, long or short: the barometer goes on where it was, rising at 16 m/s, and nothing is estimated on such a clock."""
    with pytest.raises(CannotEstimate, match=r"at 14\.90 s of the log \(coast\) is a clock that was set in flight"):
        flight(MID_COAST_S, jump=jump)


@pytest.mark.parametrize("after_s", [9.0, 12.0, 16.3, DEPLOYMENT_S - 0.05, 18.0, 25.0, 45.0])
def test_a_clock_set_anywhere_in_flight_is_found(flight, after_s):
    """In the boost, at the top, where the parachute opens, under it: height and climb go on, or free fall does not slow the climb."""
    with pytest.raises(CannotEstimate, match="a clock that was set in flight"):
        flight(after_s, jump=5.0)


@pytest.mark.parametrize(("after_s", "jump"), [(3.0, 50.0), (3.0, -2.0), (52.8, 50.0), (52.8, -50.0)])
def test_on_the_pad_and_after_landing_a_gap_costs_nothing(flight, after_s, jump):
    """The flight is the same, and nothing is said of it as of one in flight."""
    whole, other = flight(0.0), flight(after_s, jump=jump)
    assert said(other) == []
    for name in ("burnout_log_s", "apogee_log_s", "touchdown_log_s"):
        spans = [getattr(s.events, name) - s.events.liftoff_log_s for s in (whole, other)]
        assert spans[1] == pytest.approx(spans[0], abs=0.05), name
    assert np.nanmax(other.pos_enu_m[:, 2]) == pytest.approx(np.nanmax(whole.pos_enu_m[:, 2]), abs=0.5)


@pytest.mark.parametrize(
    ("after_s", "lost", "phase"), [(10.0, 0.8, "boost"), (14.0, 2.0, "coast"), (16.0, 1.0, "coast"), (25.0, 5.0, "descent")]
)
def test_rows_that_were_lost_are_said_first(flight, after_s, lost, phase):
    """The barometer shows that the time went by, so only what hangs on the bridge is said."""
    (line,) = said(flight(after_s, lost=lost))
    assert f"s of the log ({phase}) is bridged" in line
    assert "nothing shows" not in line


def test_a_loss_in_flight_is_carried_as_well_as_its_deviations_say(flight):
    """Two seconds of the coast: the smoother's tilt and height stay within three of its standard deviations throughout."""
    solution = flight(14.0, lost=2.0, method="smoother")
    truth = np.genfromtxt(SAMPLE / "truth.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    at = np.searchsorted(solution.log_time_s, truth["log_time_s"])
    kept = (at < len(solution.log_time_s)) & (truth["log_time_s"] > 1.0)
    kept &= ~((truth["log_time_s"] > 14.0) & (truth["log_time_s"] <= 16.0)) & (truth["log_time_s"] < 50.0)
    off_tilt = rotation.tilt(solution.q_enu_from_body[at[kept]]) - truth["tilt_deg"][kept] * DEG
    assert np.all(np.abs(off_tilt) < 3.0 * solution.tilt_sd_rad[at[kept]] + 0.2 * DEG)
    off_height = solution.pos_enu_m[at[kept], 2] - truth["height_m"][kept]
    assert np.all(np.abs(off_height) < 3.0 * solution.pos_sd_enu_m[at[kept], 2] + 0.3)


def test_without_a_barometer_nothing_shows_that_the_time_passed(flight):
    """A short one is bridged, and that its length is taken on trust is the first thing said; a long one is refused."""
    (line,) = said(flight(MID_COAST_S, jump=5.0, has_barometer=False))
    assert line.startswith("the gap of 5.004 s at 14.90 s of the log (coast)")
    assert line.endswith("and nothing shows that so much time passed")
    with pytest.raises(CannotEstimate, match=r"gap of 50 s at 14\.90 s of the log \(coast\) is too long to bridge in flight"):
        flight(MID_COAST_S, jump=50.0, has_barometer=False)


def test_a_flight_of_which_too_much_is_lost_is_refused(flight):
    """Twelve seconds under the parachute; what comes before them can be estimated from a log that ends there."""
    for kind in ("lost", "blank"):
        with pytest.raises(CannotEstimate, match=r"at 25\.00 s of the log \(descent\) is too long to bridge in flight; cut the log there"):
            flight(25.0, **{kind: 12.0})
    assert said(flight(25.0, lost=60.0)) == []
