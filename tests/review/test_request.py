"""From a review and its log to a Snapshot, with the real estimator on a sample log."""

import dataclasses
import threading
import types
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay import rotation
from replay.errors import Cancelled
from replay.flightlog import read_log
from replay.flightlog.log import FlightLog
from replay.motion.onboard import comparable_attitude
from replay.motion.site import Site
from replay.review import edits, series, summary
from replay.review.request import PREVIEW_METHOD, EstimateRequest, Estimating, site_of
from replay.review.review import Review
from replay.units import DEG, kelvin
from replay.whatif.vehicle import load_vehicle

HOME = Path(__file__).parents[2] / "sample_logs" / "crooked_bench"
REVIEW = Review(method="integrate")


@pytest.fixture(scope="module")
def log():
    return read_log(HOME / "flight.csv")


@pytest.fixture(scope="module")
def vehicle():
    return load_vehicle(HOME / "vehicle.toml")


@pytest.fixture(scope="module")
def estimating():
    return Estimating()


def _bias(review, value, axis=0):
    return edits.with_calibration_axis(review, "accel_bias_imu_mps2", axis, value)


def test_as_flown_and_what_if_come_from_their_own_calibrations(log, vehicle, estimating):
    """The same call as `replay.estimate`, once for each; nothing edited, no what-if."""
    plain = estimating(EstimateRequest(1, log, REVIEW, vehicle))
    assert plain.what_if is None
    assert plain.as_flown.calibration == REVIEW.as_flown
    edited = estimating(EstimateRequest(2, log, _bias(REVIEW, -0.36), vehicle))
    assert edited.as_flown.q_enu_from_body is plain.as_flown.q_enu_from_body  # not estimated again
    assert edited.what_if.calibration.accel_bias_imu_mps2 == (-0.36, 0.0, 0.0)
    assert edited.what_if.events == edited.as_flown.events
    lean_deg = rotation.tilt([plain.as_flown.levelling.q_enu_from_body, edited.what_if.levelling.q_enu_from_body]) / DEG
    assert abs(lean_deg[1] - lean_deg[0]) > 1.0
    assert edited.revision == 2
    assert edited.onboard is not None
    assert edited.extras[series.EXTRA].ready_keys


def _logged_as(log, turn):
    """The log with another attitude of the computer."""
    channel = log["q_enu_from_body_onboard"]
    other = dataclasses.replace(channel, values=turn(channel.values))
    return FlightLog(log.paths, log.sha256, {**log.channels, channel.name: other}, log.column_map)


def test_the_computers_attitude_is_drawn_in_our_axes_and_heading_or_not_at_all(log, vehicle):
    """A board 43° off in the airframe that logs its own attitude, a heading 25° off: what is drawn lies on ours all the same.

    One whose nose is 60° from ours on the pad is another frame's: it is not drawn as what the computer believed.
    """
    estimating = Estimating()
    plain = estimating(EstimateRequest(1, log, REVIEW, vehicle))
    q_body_from_imu = rotation.from_rotvec(np.array([0.0, 43.0 * DEG, 0.0]))
    heading = rotation.from_rotvec(np.array([0.0, 0.0, 25.0 * DEG]))
    board = _logged_as(log, lambda q: rotation.multiply(heading, rotation.multiply(q, q_body_from_imu)))
    mount = types.SimpleNamespace(dcm_body_from_imu=rotation.to_dcm(q_body_from_imu))
    times, q = comparable_attitude(plain.as_flown, board, mount)
    nose = np.array([0.0, 0.0, 1.0])
    at = np.isin(plain.onboard[0], times)
    assert_allclose(rotation.rotate(q, nose), rotation.rotate(plain.onboard[1][at], nose), atol=1e-6)
    edited = estimating(EstimateRequest(2, log, _bias(REVIEW, -0.36), vehicle))
    assert edited.onboard[1] is plain.onboard[1]  # not worked out again at every move of a slider
    other = _logged_as(log, lambda q: rotation.multiply(q, rotation.from_rotvec(np.array([60.0 * DEG, 0.0, 0.0]))))
    assert estimating(EstimateRequest(3, other, REVIEW, vehicle)).onboard is None


def test_a_hidden_what_if_is_not_drawn_and_coming_back_costs_nothing(log, vehicle, estimating):
    """Toggling and undoing find their solutions kept."""
    shown = _bias(REVIEW, 0.2)
    first = estimating(EstimateRequest(1, log, shown, vehicle))
    hidden = estimating(EstimateRequest(2, log, dataclasses.replace(shown, is_whatif_on=False), vehicle))
    again = estimating(EstimateRequest(3, log, shown, vehicle))
    assert hidden.what_if is None
    assert again.what_if is first.what_if


def test_site_is_the_user_s_then_the_vehicle_s(vehicle):
    """Field by field."""
    declared = Review(site=Site(pad_azimuth_rad=1.0, ground_temperature_k=kelvin(30.0)))
    site = site_of(declared, vehicle)
    assert (site.pad_azimuth_rad, site.ground_temperature_k) == (1.0, kelvin(30.0))
    assert site.latitude_rad == vehicle.site.latitude_rad
    assert site_of(declared, None).latitude_rad is None


def test_moved_events_reach_both_solutions(log, vehicle, estimating):
    """The rest are as found in the record."""
    found = estimating(EstimateRequest(1, log, REVIEW, vehicle)).as_flown.events
    at = found.burnout_log_s - 0.5
    moved = estimating(EstimateRequest(2, log, edits.with_event(_bias(REVIEW, 0.1), "burnout_log_s", at), vehicle))
    assert moved.as_flown.events.burnout_log_s == at
    for name, time in dataclasses.asdict(dataclasses.replace(found, burnout_log_s=at)).items():
        assert getattr(moved.as_flown.events, name) == pytest.approx(time, abs=0.05), name
    assert moved.what_if.events == moved.as_flown.events


def test_a_slow_method_is_previewed_in_a_drag_and_a_fast_one_is_not(log, vehicle):
    """Until a method's time is known it counts as slow; the one that previews needs no preview."""
    estimating = Estimating()
    review = dataclasses.replace(_bias(REVIEW, 0.1), method="smoother")
    dragging = estimating(EstimateRequest(1, log, review, vehicle, is_dragging=True))
    assert dragging.is_preview
    assert dragging.as_flown.method == dragging.what_if.method == PREVIEW_METHOD
    settled = estimating(EstimateRequest(2, log, review, vehicle))
    assert not settled.is_preview
    assert settled.what_if.method == "smoother"
    estimating._run_time_s["smoother"] = 0.01
    assert not estimating(EstimateRequest(3, log, _bias(review, 0.2), vehicle, is_dragging=True)).is_preview
    assert not estimating(EstimateRequest(4, log, _bias(REVIEW, 0.2), vehicle, is_dragging=True)).is_preview


def test_other_methods_are_drawn_over_the_chosen_one(log, vehicle, estimating):
    """With the calibration that is drawn; the chosen one not twice."""
    review = dataclasses.replace(_bias(REVIEW, 0.1), also_drawn=("complementary", "integrate"))
    overlays = estimating(EstimateRequest(1, log, review, vehicle)).extras[series.OVERLAYS]
    assert list(overlays) == ["complementary"]
    assert overlays["complementary"].calibration == review.what_if


def test_methods_drawn_for_comparison_stay_on_screen_through_a_drag(log, vehicle):
    """While a fast method previews they are what they were; once let go, all are of the new calibration. No other log has them."""
    estimating = Estimating()
    review = dataclasses.replace(_bias(REVIEW, 0.1), method="kalman", also_drawn=("smoother", "complementary"))
    before = estimating(EstimateRequest(1, log, review, vehicle)).extras[series.OVERLAYS]
    assert list(before) == ["complementary", "smoother"]
    estimating._run_time_s |= {"kalman": 1.0, "smoother": 1.0}
    dragging = estimating(EstimateRequest(2, log, _bias(review, 0.2), vehicle, is_dragging=True))
    assert dragging.is_preview and dragging.what_if.method == PREVIEW_METHOD
    assert dragging.extras[series.OVERLAYS] == before
    settled = estimating(EstimateRequest(3, log, _bias(review, 0.2), vehicle)).extras[series.OVERLAYS]
    assert all(settled[method].calibration == _bias(review, 0.2).what_if for method in before)
    # a fast method is not held up in a drag by a slow one beside it
    fast = dataclasses.replace(_bias(review, 0.3), method="complementary", also_drawn=("smoother",))
    estimating._run_time_s |= {"complementary": 0.01, "smoother": 1.0}
    dragging = estimating(EstimateRequest(4, log, fast, vehicle, is_dragging=True))
    assert not dragging.is_preview and dragging.extras[series.OVERLAYS] == {"smoother": settled["smoother"]}
    other = dataclasses.replace(log)
    assert series.OVERLAYS not in estimating(EstimateRequest(5, other, review, vehicle, is_dragging=True)).extras


def test_a_mount_rotation_turns_the_vehicle_and_a_bias_does_not_turn_the_mount(log, vehicle, estimating):
    """Three degrees about body x lean the levelled nose by three degrees, whatever the biases are."""
    turned = edits.with_calibration_axis(REVIEW, "mount_rotation_rad", 0, 3 * DEG)
    snapshot = estimating(EstimateRequest(1, log, turned, vehicle))
    up_flown, up_turned = (s.levelling.accel_body_mps2 for s in (snapshot.as_flown, snapshot.what_if))
    angle = np.arctan2(np.linalg.norm(np.cross(up_flown, up_turned)), up_flown @ up_turned)
    assert angle == pytest.approx(3 * DEG, abs=0.05 * DEG)


def test_cancel_stops_it(log, vehicle):
    """Between the steps of an estimate."""
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(Cancelled):
        Estimating()(EstimateRequest(1, log, REVIEW, vehicle), cancel)


def test_progress_runs_over_every_solution_once(log, vehicle):
    """As flown, what-if and two methods beside them: never back, from the first quarter to the end."""
    told = []
    review = dataclasses.replace(_bias(REVIEW, 0.1), also_drawn=("complementary", "gradient"), method="integrate")
    Estimating(told.append)(EstimateRequest(1, log, review, vehicle))
    assert told == sorted(told) and told[-1] == 1.0
    assert {int(4 * share) for share in told} == {0, 1, 2, 3, 4}


def test_what_is_kept_is_bounded(log, vehicle, monkeypatch):
    """A long session does not fill the memory; what is on screen is always kept."""
    monkeypatch.setattr("replay.review.request._KEPT_SAMPLES", 5 * len(log["rate_raw_imu_radps"].log_time_s))
    estimating = Estimating()
    for i in range(12):
        last = estimating(EstimateRequest(i, log, _bias(REVIEW, 0.01 * (i + 1)), vehicle))
    assert len(estimating._solutions) <= 6
    kept = [solution.q_enu_from_body for solution in estimating._solutions.values()]
    for shown in (last.what_if, last.as_flown):
        assert any(q is shown.q_enu_from_body for q in kept)
    for known in (estimating._happened._placed, estimating._happened._told):
        assert 0 < len(known) <= len(kept)


def test_a_drag_on_a_long_record_is_previewed_in_fewer_samples(log, vehicle, monkeypatch):
    """Also for the method that previews; let go, every sample counts again."""
    n = len(log["rate_raw_imu_radps"].log_time_s)
    monkeypatch.setattr("replay.review.request.PREVIEW_SAMPLES", n // 5)
    estimating = Estimating()
    estimating._run_time_s["integrate"] = 1.0
    preview = estimating(EstimateRequest(1, log, _bias(REVIEW, 0.1), vehicle, is_dragging=True))
    assert preview.is_preview
    assert len(preview.what_if.log_time_s) == len(preview.as_flown.log_time_s) == pytest.approx(n / 5, rel=0.01)
    settled = estimating(EstimateRequest(2, log, _bias(REVIEW, 0.1), vehicle))
    assert not settled.is_preview
    assert len(settled.what_if.log_time_s) == n
    assert settled.what_if.events.apogee_log_s == pytest.approx(preview.what_if.events.apogee_log_s, abs=0.01)


def test_the_lean_that_is_told_is_the_one_that_is_drawn(log, vehicle):
    """Gravity's levelling stands by that name; where the smoother finds another lean, that is told too, as the readout has it."""
    estimating = Estimating()
    levelled = summary.pad_text(estimating(EstimateRequest(1, log, REVIEW, vehicle)))
    assert levelled.startswith("Levelled by gravity on the pad the nose leans 3.55° to 79° as flown") and "from the whole" not in levelled
    smoothed = estimating(EstimateRequest(2, log, dataclasses.replace(REVIEW, method="smoother"), vehicle))
    tilt_deg = smoothed.as_flown.tilt_rad[0] / DEG
    assert f"The smoother finds {tilt_deg:.2f}°" in summary.pad_text(smoothed)
