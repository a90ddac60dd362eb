"""What can be drawn of a result, and that a drag only makes anew what it changed."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from drawn_flight import EVENTS, dragged, snapshot, solution
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.spatial.transform import Rotation

from replay import rotation
from replay.flightlog.channels import KINDS
from replay.motion.solution import Events
from replay.review import catalogue, logged_traces, marks, nose, series
from replay.review.trace import DIAGNOSTICS, gaps_on
from replay.units import DEG


@pytest.fixture(scope="module")
def drawn():
    return snapshot()


@pytest.fixture(scope="module")
def ready(drawn):
    return series.prepare(drawn)


def _values(ready, key, variant):
    return next(line for line in ready.lines(key) if line.variant == variant).pyramid.values


def test_every_trace_of_the_catalogue_can_be_drawn(ready):
    """Each key has a line with times, values and as many of one as of the other."""
    for key in ready.catalogue:
        lines = ready.lines(key)
        assert lines, key
        for line in lines:
            assert len(line.pyramid.log_time_s) == len(line.pyramid.values), key
            assert np.isfinite(line.pyramid.values).any(), key


def test_every_logged_channel_is_in_the_catalogue(drawn, ready):
    """Nothing that was read is out of reach, extra columns and words included."""
    for name, channel in drawn.log.channels.items():
        prefix = f"{'column' if channel.is_extra else 'log'}:{name}"
        assert any(key == prefix or key.startswith(f"{prefix}.") for key in ready.catalogue), name


def test_units_on_screen_follow_the_channel_vocabulary(ready):
    """What KINDS says is shown is what is shown: deg/s, °C, deg; numbers turned accordingly."""
    for key, trace in ready.catalogue.items():
        if key.startswith("log:"):
            name = key.removeprefix("log:").split(".")[0]
            shown = [unit.strip() for unit in KINDS[name].show.split(",")]
            assert trace.unit in shown, key
    assert_allclose(_values(ready, "log:imu_temperature_k", "logged")[0], 296.0005 - 273.15, atol=1e-9)
    assert_allclose(logged_traces.shown_unit("rad/s")[1], 57.29577951308232, rtol=1e-15)


def test_attitude_traces_agree_with_scipy(drawn, ready):
    """Reference: scipy's Rotation. Tilt is the angle between the turned nose and up; height and speeds are the arrays themselves."""
    q = drawn.as_flown.q_enu_from_body
    turned = Rotation.from_quat(q, scalar_first=True).apply([0.0, 0.0, 1.0])
    assert_allclose(_values(ready, "tilt", "as_flown"), np.degrees(np.arccos(turned[:, 2])), atol=1e-6)
    assert_allclose(_values(ready, "tilt_azimuth", "as_flown"), np.degrees(np.arctan2(turned[:, 0], turned[:, 1])) % 360.0, atol=1e-9)
    assert_array_equal(_values(ready, "height", "as_flown"), drawn.as_flown.pos_enu_m[:, 2])
    assert_allclose(_values(ready, "speed", "as_flown"), np.linalg.norm(drawn.as_flown.vel_enu_mps, axis=1), rtol=1e-14)


def test_onboard_minus_ours_against_scipy(drawn, ready):
    """Reference: scipy's rotation vector of q_onboard q_ours⁻¹, on the computer's own clock."""
    log_time_s, q = drawn.onboard
    ours = logged_traces.attitude_at(log_time_s, drawn.as_flown.log_time_s, drawn.as_flown.q_enu_from_body)
    turn = (Rotation.from_quat(q, scalar_first=True) * Rotation.from_quat(ours, scalar_first=True).inv()).as_rotvec(degrees=True)
    for i, name in enumerate(("east", "north", "up")):
        assert_allclose(_values(ready, f"onboard_minus.{name}", "as_flown"), turn[:, i], atol=1e-7)


def test_attitude_between_samples_is_on_the_way():
    """A steady turn read halfway between two samples; before and after the record nothing is known."""
    q = rotation.from_rotvec(np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0]]))
    found = logged_traces.attitude_at(np.array([-1.0, 0.5, 2.0]), np.array([0.0, 1.0]), q)
    assert_allclose(rotation.to_rotvec(found[1]), [0.05, 0.0, 0.0], atol=1e-12)
    assert np.isnan(found[[0, 2]]).all()


def test_bands_are_one_standard_deviation(drawn, ready):
    """Below and above the line by the solution's own figure; a solution without one has no band."""
    line = next(line for line in ready.lines("tilt") if line.variant == "as_flown")
    low, high = line.band
    assert_allclose(high.values - low.values, 2.0 * drawn.as_flown.tilt_sd_rad / DEG, rtol=1e-9)
    bare = series.prepare(replace(drawn, as_flown=solution(drawn.as_flown.log_time_s, with_sd=False), what_if=None))
    assert all(line.band is None for line in bare.lines("tilt"))
    unknown = replace(drawn.as_flown, pos_sd_enu_m=np.full_like(drawn.as_flown.pos_enu_m, np.nan))
    assert all(line.band is None for line in series.prepare(replace(drawn, as_flown=unknown, what_if=None)).lines("height"))
    assert "tilt_sd" not in bare.catalogue


def test_a_band_of_tilt_does_not_reach_below_zero(drawn):
    """Tilt is an angle from up, never negative: nor is what it may be."""
    wide = replace(drawn.as_flown, tilt_sd_rad=np.full_like(drawn.as_flown.tilt_sd_rad, 30.0 * DEG))
    line = next(line for line in series.prepare(replace(drawn, as_flown=wide)).lines("tilt") if line.variant == "as_flown")
    low, high = line.band
    assert low.values.min() == 0.0
    assert_allclose(high.values, line.pyramid.values + 30.0, rtol=1e-12)


def test_diagnostics_are_not_drawn_over_a_span_without_measurements(drawn):
    """Rest on the pad and rest on the ground with the flight between, and a run of refused measurements; one missing sample is bridged."""
    time_s = np.concatenate((np.arange(0.0, 4.0, 0.5), np.arange(34.0, 38.0, 0.5)))
    refused = np.delete(np.arange(0.0, 10.0, 0.05), [40, *range(100, 108)])
    slow_then_fast = np.concatenate((np.arange(0.0, 4.0, 0.5), np.arange(4.0, 8.0, 0.02)))
    diagnostics = {
        "zero velocity innovation (sigmas)": (slow_then_fast, np.ones(len(slow_then_fast))),
        "rest rate residual (rad/s)": (time_s, np.ones((len(time_s), 3))),
        "barometer innovation (m)": (refused, np.ones(len(refused))),
    }
    ready = series.prepare(replace(drawn, as_flown=replace(drawn.as_flown, diagnostics=diagnostics), what_if=None))
    found = {key: next(ready.catalogue[key].read(ready.source)).i_gap for key in ready.catalogue if key.startswith("diagnostic:")}
    assert_array_equal(found["diagnostic:rest rate residual (rad/s).1"], [7])
    assert_array_equal(found["diagnostic:barometer innovation (m)"], [98])
    assert_array_equal(found["diagnostic:zero velocity innovation (sigmas)"], [])
    assert [len(catalogue.pauses(time_s[:k])) for k in range(4)] == [0, 0, 0, 0]


def test_a_gap_of_the_imu_is_a_gap_of_the_solution(drawn, ready):
    """Also of a thinned-out preview, whose samples are not those of the gyro."""
    i = int(_line(ready, "tilt").i_gap[0])
    assert drawn.as_flown.log_time_s[i + 1] - drawn.as_flown.log_time_s[i] > 0.5
    few = drawn.as_flown.log_time_s[::7]
    gaps = gaps_on(few, drawn.log["rate_raw_imu_radps"])
    assert len(gaps) == 1
    assert few[gaps[0]] < 20.3 < few[gaps[0] + 1]


def _line(ready, key, variant="as_flown"):
    return next(line for line in ready.lines(key) if line.variant == variant).pyramid


def test_an_angle_that_wraps_is_not_drawn_across(drawn):
    """Roll passes 180°: the jump is a parting, and the turns counted on have none."""
    ready = series.prepare(drawn, wanted=("roll", "roll_turned"))
    jumps = np.flatnonzero(np.abs(np.diff(_values(ready, "roll", "as_flown"))) > 180.0)
    assert len(jumps)
    assert set(jumps.tolist()) <= set(_line(ready, "roll").i_gap.tolist())
    assert np.abs(np.diff(_values(ready, "roll_turned", "as_flown"))).max() < 30.0


def test_a_drag_makes_only_the_what_if_anew(drawn, ready):
    """Lines whose arrays are the same objects are the same objects; so is the as-flown track of the nose."""
    after = series.prepare(dragged(drawn, 2.0), previous=ready)
    for key in series.DEFAULT_KEYS:
        for line in after.lines(key):
            old = next(o for o in ready.lines(key) if o.variant == line.variant)
            assert (line is old) == (line.variant != "what_if"), (key, line.variant)
    assert after.tracks["as_flown"] is ready.tracks["as_flown"]
    assert after.tracks["what_if"] is not ready.tracks["what_if"]


def test_traces_added_by_the_user_are_carried_on(drawn, ready):
    """Without a list of wanted traces, those of the result before are made ready."""
    before = series.prepare(drawn, wanted=("pitch",))
    assert set(series.prepare(dragged(drawn, 1.0), previous=before).ready_keys()) == {"pitch", "height"}
    assert series.prepare(drawn, wanted=("no such trace",)).lines("no such trace") == ()


def test_other_methods_are_lines_of_their_own(drawn):
    """Overlays by name, after the two of the review."""
    other = solution(drawn.as_flown.log_time_s, extra_tilt_deg=0.2)
    ready = series.prepare(replace(drawn, extras={series.OVERLAYS: {"kalman": other}}))
    assert [line.variant for line in ready.lines("tilt")] == ["as_flown", "what_if", "kalman", "onboard"]


def test_what_was_not_estimated_is_no_line(drawn):
    """Position all NaN: no height line, and no zero either."""
    flown = replace(drawn.as_flown, pos_enu_m=np.full_like(drawn.as_flown.pos_enu_m, np.nan), pos_sd_enu_m=None)
    ready = series.prepare(replace(drawn, as_flown=flown, what_if=None))
    assert ready.lines("height") == ()


def test_a_snapshot_carries_its_series(drawn, ready):
    """Made by the worker it is used; else it is made where it is asked for."""
    assert series.of_snapshot(replace(drawn, extras={series.EXTRA: ready})) is ready
    assert series.of_snapshot(drawn).marks.zero_log_s == 4.0


def test_words_become_numbers_in_order_of_appearance():
    """IDLE, BURN, IDLE."""
    words, place = logged_traces.words_as_numbers(np.array(["IDLE", "BURN", "IDLE"]))
    assert words == ("IDLE", "BURN")
    assert_array_equal(place, [0.0, 1.0, 0.0])


def test_diagnostics_take_their_unit_from_their_name(drawn):
    """In brackets at its end; angles in degrees on screen; one trace a component."""
    time_s = np.array([0.0, 1.0])
    diagnostics = {
        "barometer innovation (m)": (time_s, np.ones(2)),
        "rest rate residual (rad/s)": (time_s, np.full((2, 3), DEG)),
        "rest gravity innovation (sigmas)": (time_s, np.ones((2, 2))),
        "steady descent innovation (sigmas)": (time_s, np.ones((2, 2))),
        "gyro scale correction": (time_s, np.ones(2)),
    }
    ready = series.prepare(replace(drawn, as_flown=replace(drawn.as_flown, diagnostics=diagnostics), what_if=None))
    found = {key: (t.label, t.unit, t.component) for key, t in ready.catalogue.items() if t.group == DIAGNOSTICS}
    assert found["diagnostic:barometer innovation (m)"] == ("barometer innovation", "m", "")
    assert found["diagnostic:rest rate residual (rad/s).2"] == ("rest rate residual", "deg/s", "y")
    assert found["diagnostic:rest gravity innovation (sigmas).1"] == ("rest gravity innovation", "σ", "1")
    assert found["diagnostic:steady descent innovation (sigmas).2"] == ("steady descent innovation", "σ", "north")
    assert found["diagnostic:gyro scale correction"] == ("gyro scale correction", "", "")
    assert_allclose(_values(ready, "diagnostic:rest rate residual (rad/s).2", "as_flown"), 1.0)


# marks


def test_phases_fill_the_log_from_end_to_end(ready):
    """In order, each beginning where the one before ended."""
    spans = ready.marks.phases
    assert [s.name for s in spans] == ["pad", "boost", "coast", "descent", "landed"]
    assert all(a.stop_log_s == b.start_log_s for a, b in itertools.pairwise(spans))
    assert (spans[0].start_log_s, spans[-1].stop_log_s) == (ready.marks.start_log_s, ready.marks.stop_log_s)


@given(st.lists(st.one_of(st.floats(-5, 45), st.just(float("nan"))), min_size=6, max_size=6))
@settings(max_examples=80, deadline=None)
def test_phase_spans_agree_with_the_phase_of_every_time(times):
    """Whatever is unknown or out of order: the same answer as `Events.phase_of`."""
    events = Events(*times)
    spans = marks.phase_spans(events, 0.0, 40.0)
    at = np.linspace(0.013, 39.987, 391)
    code = events.phase_of(at)
    for t, c in zip(at, code, strict=True):
        assert next(s.name for s in spans if s.start_log_s <= t < s.stop_log_s) == marks.PHASES[c]


def test_gate_gaps_and_refusals_are_marked(drawn, ready):
    """Runs of the gate, the gap of both IMU channels once, refusals with their names."""
    gate = ready.marks.gravity_used_log_s
    used = drawn.what_if.is_gravity_used
    assert len(gate) == np.count_nonzero(np.diff(np.concatenate(([0], used.astype(int)))) == 1)
    assert [(round(g.start_log_s, 2), round(g.stop_log_s, 2)) for g in ready.marks.gaps] == [(20.0, 20.6)]
    assert [r.measurement for r in ready.marks.rejected] == ["baro"] * 3


def test_unknown_liftoff_counts_from_the_first_row(drawn):
    """And says so."""
    flown = replace(drawn.as_flown, events=Events())
    found = series.prepare(replace(drawn, as_flown=flown, what_if=None)).marks
    assert (found.zero_log_s, found.is_liftoff_known, [p.name for p in found.phases]) == (0.0, False, ["pad"])


# the nose


def test_place_of_the_nose_worked_by_hand():
    """Five degrees to the east lies five to the right; straight up in the middle; straight down on the rim."""
    assert_allclose(nose.plane_deg(rotation.from_tilt(5 * DEG, 90 * DEG, 1.0)), [5.0, 0.0], atol=1e-12)
    assert_allclose(nose.plane_deg(rotation.from_tilt(170 * DEG, 180 * DEG)), [0.0, -170.0], atol=1e-9)
    assert_allclose(nose.plane_deg([1.0, 0.0, 0.0, 0.0]), [0.0, 0.0], atol=1e-12)
    assert_allclose(np.hypot(*nose.plane_deg([0.0, 1.0, 0.0, 0.0])), 180.0)


@given(st.floats(0, 179.9), st.floats(0, 359.9), st.floats(-180, 180))
@settings(max_examples=60, deadline=None)
def test_the_quick_place_of_one_attitude_is_the_place(tilt_deg, azimuth_deg, roll_deg):
    """Plain floats against arrays, and the compiled tilt against `rotation.tilt`."""
    q = rotation.from_tilt(tilt_deg * DEG, azimuth_deg * DEG, roll_deg * DEG)
    assert_allclose(nose.point_deg(q), nose.plane_deg(q), atol=1e-8)
    assert_allclose(nose.tilt_deg(q[None, :]), [tilt_deg], atol=1e-10)


@pytest.mark.parametrize("tolerance_deg", [1e-9, 0.05, 2.0])
def test_thinning_agrees_with_its_plain_twin(drawn, tolerance_deg):
    """On a track with a gap, missing attitudes and a pass straight down."""
    flown = drawn.as_flown
    q = flown.q_enu_from_body[::20].copy()
    log_time_s = flown.log_time_s[::20].copy()
    q[5:9] = np.nan
    q[100:104] = rotation.from_tilt(np.array([178.0, 179.5, 179.5, 178.0]) * DEG, np.array([20.0, 20.0, 200.0, 200.0]) * DEG)
    i_gap = np.array([40, 60])
    from replay.review import _kernels

    out = np.empty((3, 5000))
    n = _kernels.thin_track(log_time_s, q, nose.tilt_deg(q), i_gap, 0, len(q), tolerance_deg, *out)
    expected = nose.thin_track_slowly(log_time_s, q, i_gap, tolerance_deg)
    assert n == expected.shape[1]
    assert_allclose(out[:, :n], expected, atol=1e-9)
    assert np.isnan(expected[1]).sum() >= 4


def test_a_thinned_track_stays_within_its_tolerance(drawn):
    """Every sample up to apogee lies within a thousandth of the largest tilt of a kept point."""
    flown = drawn.as_flown
    track = nose.nose_track(flown.log_time_s, flown.q_enu_from_body, np.empty(0, dtype=np.int64), EVENTS.apogee_log_s)
    up = flown.log_time_s < EVENTS.apogee_log_s
    place = nose.plane_deg(flown.q_enu_from_body[up])
    kept = np.column_stack((track.east_deg, track.north_deg))[np.isfinite(track.east_deg)]
    largest = np.hypot(*place.T).max()
    for point in place[::97]:
        assert np.hypot(*(kept - point).T).min() <= 1.01e-3 * largest
    assert len(kept) < 20_000


def test_a_long_tumble_is_thinned_until_it_fits():
    """A million samples of tumbling: at most twice the room."""
    log_time_s = np.arange(1_000_000) * 1e-3
    q = rotation.from_rotvec(np.outer(log_time_s % 40.0, [2.0, 1.0, 0.3]))
    track = nose.nose_track(log_time_s, q, np.empty(0, dtype=np.int64), float("nan"))
    assert 1000 < len(track.log_time_s) <= 20_000
