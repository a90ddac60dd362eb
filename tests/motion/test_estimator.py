"""From a log to a Solution: accuracy against the truth of the sample flights, what is said with it, and how it stops."""

import dataclasses
import threading

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

import replay
from replay import rotation
from replay.errors import Cancelled, CannotEstimate
from replay.flightlog.log import FlightLog, Issue
from replay.motion import METHODS, EstimatorSettings, Site, attitude_difference, estimate, onboard_attitude
from replay.motion.onboard import attitude_at
from replay.sensors.measurements import prepare
from replay.sensors.mount import find_mount
from replay.units import DEG
from replay.whatif import sample

# tilt RMS from liftoff to apogee, degrees; distance at apogee, m. `integrate` with the true calibration.
AIM = (0.1, 0.3)


@pytest.fixture(scope="module")
def clean():
    return sample.make("clean")


def solved(flight, method="integrate", **more):
    arm = flight.vehicle.imu_from_cg_m
    return estimate(flight.log, method, calibration=flight.truth.calibration, site=flight.vehicle.site, imu_from_cg_m=arm, **more)


def tilt_error_rad(solution, truth):
    i = np.searchsorted(truth.log_time_s, solution.log_time_s).clip(0, len(truth.log_time_s) - 1)
    nose = np.array([0.0, 0.0, 1.0])
    a, b = rotation.rotate(solution.q_enu_from_body, nose), rotation.rotate(truth.q_enu_from_body[i], nose)
    return np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.sum(a * b, axis=1))


@pytest.mark.parametrize("name", sample.NAMES)
def test_sample_flights_with_their_true_calibration(name):
    """The aim: at most 0.1 degrees of tilt RMS to apogee, 0.3 m at apogee; height as good on all of them."""
    flight = sample.make(name)
    solution, truth = solved(flight), flight.truth
    inside = (solution.log_time_s > truth.events.liftoff_log_s) & (solution.log_time_s < truth.events.apogee_log_s)
    rms_deg = float(np.sqrt(np.mean(tilt_error_rad(solution, truth)[inside] ** 2)) / DEG)
    i = int(np.searchsorted(solution.log_time_s, truth.events.apogee_log_s))
    j = int(np.searchsorted(truth.log_time_s, truth.events.apogee_log_s))
    off = solution.pos_enu_m[i] - truth.pos_enu_m[j]
    print(f"{name} seed {flight.seed}: tilt RMS {rms_deg:.4f} deg, at apogee {np.linalg.norm(off):.3f} m off")
    assert rms_deg <= AIM[0]
    assert np.linalg.norm(off) <= AIM[1]
    assert abs(off[2]) <= 0.3


def test_a_wrong_calibration_shows_as_the_tilt_it_stands_for():
    """The crooked bench: as flown, the vehicle believed itself upright while it was two and a half degrees off."""
    flight = sample.make("crooked_bench")
    as_flown = estimate(flight.log, "integrate", site=flight.vehicle.site)
    true = solved(flight)
    i = int(np.searchsorted(true.log_time_s, true.events.liftoff_log_s - 0.5))
    bias = np.hypot(*flight.truth.calibration.accel_bias_imu_mps2[:2])
    nose = np.array([0.0, 0.0, 1.0])
    apart = np.arccos(rotation.rotate(as_flown.q_enu_from_body[i], nose) @ rotation.rotate(true.q_enu_from_body[i], nose))
    assert_allclose(apart / DEG, np.degrees(np.arctan(bias / 9.81)), atol=0.05)


@pytest.mark.parametrize("method", METHODS)
def test_every_method_gives_a_whole_solution(clean, method):
    """Shapes, unit quaternions, finite path, the calibration it was given, a run time and what it leaned on."""
    found = solved(clean, method)
    n = len(found.log_time_s)
    assert found.method == method
    assert found.calibration == clean.truth.calibration
    assert found.q_enu_from_body.shape == (n, 4) and found.pos_enu_m.shape == found.vel_enu_mps.shape == (n, 3)
    assert np.isfinite(found.pos_enu_m).all() and np.isfinite(found.q_enu_from_body).all()
    assert_allclose(np.linalg.norm(found.q_enu_from_body, axis=1), 1.0, atol=1e-9)
    assert found.run_time_s > 0.0
    assert "heading declared, not measured" in found.assumptions
    assert found.is_gravity_used.any() == (method != "integrate")
    assert tilt_error_rad(found, clean.truth)[found.phase == 1].max() < 0.2 * DEG


def test_defaults_leaned_on_are_named(clean):
    """Latitude, ground height, temperature, heading and lever arm where none is given; none of them where they are."""
    bare = " ".join(estimate(clean.log, "integrate").assumptions)
    for words in (
        "latitude not given",
        "ground height not given",
        "ground temperature not given",
        "pad azimuth of body x not given",
        "no lever arm",
    ):
        assert words in bare
    full = " ".join(solved(clean).assumptions)
    assert "not given" not in full and "no lever arm" not in full
    assert "heading declared, not measured" in full


def test_the_tilts_standard_deviation_holds():
    """Twelve seeds of a calm flight with the true calibration: RMS of error over sd at apogee, between a half and one and a half."""
    ratios = []
    settings = EstimatorSettings(gyro_scale_sd=1e-4, accel_bias_sd_mps2=1e-4)
    for seed in range(12):
        flight = sample.make("late_chute", seed)
        found = solved(flight, settings=settings)
        i = int(np.searchsorted(found.log_time_s, flight.truth.events.apogee_log_s))
        ratios.append(tilt_error_rad(found, flight.truth)[i] / (np.sqrt(2.0) * found.tilt_sd_rad[i]))
    assert 0.4 < np.sqrt(np.mean(np.square(ratios))) < 1.5, "seeds 0 to 11"


def test_gaps_and_clipping_are_in_the_standard_deviation(clean):
    """A tenth of a second cut out of the boost: the tilt is less well known from there on, and its error stays within three of it."""
    settings = EstimatorSettings(gyro_scale_sd=1e-4, accel_bias_sd_mps2=1e-4)
    channels = {}
    for name, channel in clean.log.channels.items():
        keep = (channel.log_time_s < 9.5) | (channel.log_time_s > 9.6)
        i_gap = np.flatnonzero(np.diff(keep.astype(int)) == -1)
        channels[name] = dataclasses.replace(
            channel, log_time_s=channel.log_time_s[keep], values=channel.values[keep], i_gap=i_gap
        )  # fmt: skip
    cut = estimate(
        FlightLog(clean.log.paths, "", channels, clean.log.column_map), "integrate", calibration=clean.truth.calibration,
        site=clean.vehicle.site, settings=settings,
    )  # fmt: skip
    whole = solved(clean, settings=settings)
    assert any("gap" in line for line in cut.assumptions)
    before, after = (np.searchsorted(cut.log_time_s, t) for t in (9.4, 9.7))
    assert_allclose(cut.tilt_sd_rad[before], np.interp(9.4, whole.log_time_s, whole.tilt_sd_rad), rtol=0.02)
    assert cut.tilt_sd_rad[after] > 1.5 * np.interp(9.7, whole.log_time_s, whole.tilt_sd_rad)
    flying = cut.phase == 1
    assert (tilt_error_rad(cut, clean.truth)[flying] < 3.0 * np.sqrt(2.0) * cut.tilt_sd_rad[flying]).all()


def test_a_stated_accelerometer_bias_is_in_the_tilt(clean):
    """Levelling can't see it: 20 mg left are 1.1 degrees, stated or by default, and the default says so."""
    for settings, is_said in ((EstimatorSettings(), True), (EstimatorSettings(accel_bias_sd_mps2=0.196), False)):
        found = solved(clean, settings=settings)
        assert found.tilt_sd_rad.min() > 1.1 * DEG
        assert any("accelerometer bias left by the calibration" in line for line in found.assumptions) == is_said


def test_what_is_kept_between_edits_changes_nothing(clean):
    """Prepared log, mount and events given: the same numbers, faster."""
    a = solved(clean)
    b = solved(clean, prepared=prepare(clean.log), mount=find_mount(clean.log, clean.truth.calibration), events=a.events)
    assert_array_equal(a.q_enu_from_body, b.q_enu_from_body)
    assert_array_equal(a.pos_enu_m, b.pos_enu_m)


def test_a_calibration_that_holds_the_whole_gyro_bias(clean):
    """With the turn-on bias stated and pad_bias off: the same attitude, within what the pad's noise can tell apart."""
    bias = tuple(float(x) for x in np.asarray(clean.truth.gyro_turn_on_bias_imu_radps))
    stated = dataclasses.replace(clean.truth.calibration, gyro_bias_imu_radps=bias, gyro_pad_bias=False)
    found = estimate(clean.log, "integrate", calibration=stated, site=clean.vehicle.site)
    assert any("not taken off" in line for line in found.assumptions)
    assert tilt_error_rad(found, clean.truth)[found.phase == 1].max() < 0.2 * DEG


def test_a_record_without_a_flight_has_attitude_only(clean):
    """The first six seconds on the pad: no position, phase pad throughout, and it says so."""
    channels = {}
    for name, channel in clean.log.channels.items():
        keep = channel.log_time_s < 6.0
        channels[name] = dataclasses.replace(channel, log_time_s=channel.log_time_s[keep], values=channel.values[keep])
    log = FlightLog(clean.log.paths, "", channels, clean.log.column_map)
    for method in METHODS:
        found = estimate(log, method, site=clean.vehicle.site, calibration=clean.truth.calibration)
        assert np.isnan(found.pos_enu_m).all() and not found.phase.any()
        assert any("no flight found" in line for line in found.assumptions)
        assert_allclose(np.median(found.tilt_rad) / DEG, 1.5, atol=0.2)


def test_the_computers_own_attitude_is_differenced(clean):
    """On the clean flight the computer, which is right, agrees within its rounding; on the crooked bench it is off by its false level."""
    times, q = onboard_attitude(clean.log)
    assert len(times) == len(q) and np.allclose(np.linalg.norm(q, axis=1), 1.0)
    found = solved(clean)
    log_time_s, tilt, total = attitude_difference(found, clean.log)
    until_apogee = log_time_s < found.events.apogee_log_s
    assert tilt[until_apogee].max() < 0.15 * DEG and total[until_apogee].max() < 0.3 * DEG
    crooked = sample.make("crooked_bench")
    corrected = solved(crooked)
    log_time_s, tilt, _ = attitude_difference(corrected, crooked.log)
    assert_allclose(np.median(tilt[log_time_s < 8.0]) / DEG, 2.6, atol=0.1)
    bare = FlightLog((), "", {k: v for k, v in clean.log.channels.items() if k != "q_enu_from_body_onboard"}, clean.log.column_map)
    assert attitude_difference(found, bare) is None and onboard_attitude(bare) is None


def test_a_turned_heading_frame_is_no_difference(clean):
    """The computer's heading is its own: turning its frame about the vertical changes nothing; leaning it does."""
    found = solved(clean)
    channel = clean.log["q_enu_from_body_onboard"]
    for turn, expected_deg in (([0.0, 0.0, 1.2], 0.0), ([3.0 * DEG, 0.0, 0.0], 3.0)):
        values = rotation.multiply(rotation.from_rotvec(turn), channel.values)
        log = FlightLog((), "", {**clean.log.channels, channel.name: dataclasses.replace(channel, values=values)}, clean.log.column_map)
        log_time_s, tilt, _ = attitude_difference(found, log)
        assert_allclose(np.median(tilt[log_time_s < 8.0]) / DEG, expected_deg, atol=0.05)


def test_attitude_between_samples_goes_the_short_way(clean):
    """Half way between two samples, along one turn."""
    found = solved(clean)
    i = 3000
    middle = attitude_at(found, np.array([0.5 * (found.log_time_s[i] + found.log_time_s[i + 1])]))[0]
    a = rotation.to_rotvec(rotation.multiply(rotation.conjugate(found.q_enu_from_body[i]), middle))
    b = rotation.to_rotvec(rotation.multiply(rotation.conjugate(middle), found.q_enu_from_body[i + 1]))
    assert_allclose(a, b, rtol=0, atol=1e-12)


def test_progress_and_cancel(clean):
    """It tells how far it is, and stops when asked to."""
    told = []
    solved(clean, progress=lambda fraction, text: told.append((fraction, text)))
    assert [fraction for fraction, _ in told] == sorted(fraction for fraction, _ in told)
    assert told[-1] == (1.0, "done")
    stop = threading.Event()
    stop.set()
    with pytest.raises(Cancelled):
        solved(clean, cancel=stop)


def test_an_unknown_method_is_one_clear_error(clean):
    """It names the ones there are."""
    with pytest.raises(CannotEstimate, match="there are integrate, complementary"):
        estimate(clean.log, "integral")


def test_the_public_name_is_the_function():
    """`replay.estimate` and `replay.motion.estimate` are callable however they were reached."""
    assert replay.estimate is estimate and replay.motion.estimate is estimate and callable(estimate)
    assert replay.Site is Site


def cut(flight, from_log_s, gap_at_s=np.inf, gap_s=0.0):
    """The flight's log from some time on, its clock ahead by `gap_s` from another time on."""
    channels = {}
    for name, channel in flight.log.channels.items():
        keep = channel.log_time_s >= from_log_s
        time_s = channel.log_time_s[keep] - from_log_s
        late = np.flatnonzero(channel.log_time_s[keep] >= gap_at_s)
        time_s[late] += gap_s
        i_gap = late[:1] - 1 if gap_s else np.empty(0, dtype=np.int64)
        channels[name] = dataclasses.replace(channel, log_time_s=time_s, values=channel.values[keep].copy(), i_gap=i_gap)
    return dataclasses.replace(flight, log=FlightLog(flight.log.paths, flight.log.sha256, channels, flight.log.column_map))


@pytest.mark.parametrize(("method", "most_m"), [("integrate", 15.0), ("smoother", 5.0)])
def test_a_record_that_begins_just_before_liftoff_is_still_a_flight(clean, method, most_m):
    """A logger that starts at the first push leaves 0.13 s of pad: the flight is the same, known less well, and not zero ± zero.

    So short a rest gives no gyro bias; what 0.4 deg/s turn in the 8 s to apogee, at 20 m/s, is some 10 m.
    """
    solution = solved(cut(clean, 7.9), method)
    truth = clean.truth
    i = int(np.searchsorted(solution.log_time_s, truth.events.apogee_log_s - 7.9))
    off = solution.pos_enu_m[i] - truth.pos_enu_m[int(np.searchsorted(truth.log_time_s, truth.events.apogee_log_s))]
    assert solution.levelling.stop_log_s < 0.1
    assert abs(off[2]) < 1.0
    assert np.linalg.norm(off[:2]) < most_m
    known = np.isfinite(solution.pos_sd_enu_m[i])  # height only by `integrate`
    assert known[2]
    assert np.all(np.abs(off[known]) < 3.0 * solution.pos_sd_enu_m[i][known])
    assert solution.pos_sd_enu_m[i][known].min() > 0.1


@pytest.mark.parametrize("method", METHODS)
def test_a_record_that_begins_in_the_boost_is_refused(clean, method):
    """How fast it already was and how it stood, nothing in the record shows."""
    with pytest.raises(CannotEstimate, match="no record of the pad before it"):
        solved(cut(clean, 9.0), method)


def test_fifty_minutes_in_mid_flight_are_refused_by_name(clean):
    """Under the parachute, which went on sinking where it was: one clear error with the gap's place, not a crash in the algebra."""
    with pytest.raises(CannotEstimate, match=r"the gap of 3000 s at 3[56]\.\d+ s of the log \(descent\) is a clock that was set in flight"):
        solved(cut(clean, 0.0, 36.0, 3000.0), "smoother")


@pytest.mark.parametrize("method", ["integrate", "smoother"])
def test_a_barometer_that_never_changes_is_not_used(clean, method):
    """A stuck sensor is no apogee at burnout and no height of zero; it is named with the result."""
    channels = dict(clean.log.channels)
    pressure = channels["pressure_pa"]
    channels["pressure_pa"] = dataclasses.replace(pressure, values=np.full(pressure.n_samples, 98358.3))
    stuck = dataclasses.replace(clean, log=FlightLog(clean.log.paths, "", channels, clean.log.column_map))
    solution = solved(stuck, method)
    truth = clean.truth
    assert abs(solution.events.apogee_log_s - truth.events.apogee_log_s) < 0.2
    i = int(np.searchsorted(solution.log_time_s, truth.events.apogee_log_s))
    top = truth.pos_enu_m[int(np.searchsorted(truth.log_time_s, truth.events.apogee_log_s)), 2]
    assert abs(solution.pos_enu_m[i, 2] - top) < 2.0
    assert any("pressure_pa never changes: not used" in line for line in solution.assumptions)


def test_what_the_audit_doubts_is_said_with_the_result(clean):
    """A log with a warning of an implausible reading can be estimated, and the doubt goes with it; however it is worded."""
    doubts = Issue("warning", "can't be so and so", "gyro_x", is_implausible=True), Issue("warning", "implausible only in words", "gyro_y")
    log = FlightLog(clean.log.paths, "", clean.log.channels, clean.log.column_map, doubts)
    found = estimate(log, "integrate", site=clean.vehicle.site)
    assert [line for line in found.assumptions if "audit doubts" in line] == ["the log's audit doubts gyro_x: can't be so and so"]


def test_a_second_flight_in_the_same_record_is_said(clean):
    """A logger that appends: the same flight again, 41.9 s after the first; one flight alone says nothing of the kind."""
    channels = {}
    for name, channel in clean.log.channels.items():
        twice = np.concatenate((channel.log_time_s, channel.log_time_s + 100.0))
        values = np.concatenate((channel.values, channel.values))
        i_gap = np.array([channel.n_samples - 1])
        channels[name] = dataclasses.replace(channel, log_time_s=twice, values=values, i_gap=i_gap)
    log = FlightLog(clean.log.paths, "", channels, clean.log.column_map)
    said = [line for line in estimate(log, "integrate", site=clean.vehicle.site).assumptions if "another flight" in line]
    assert len(said) == 1
    assert float(said[0].split(" at ")[1].split(" s of")[0]) == pytest.approx(100.0 + clean.truth.events.liftoff_log_s, abs=0.3)
    assert not any("another flight" in line for line in solved(clean).assumptions)
