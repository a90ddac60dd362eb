"""The flight estimator's compiled loops against whole matrices, on a flight with gaps, lost rows, clipped samples and refused heights."""

import copy
import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay.motion import _kernels_preintegration as preintegration
from replay.motion import _kernels_samples as samples
from replay.motion import _kernels_smoother as kernels
from replay.motion import _reference_preintegration as gathered
from replay.motion import _reference_smoother as twin
from replay.motion.aiding import FlightModel
from replay.motion.estimator import noise_of
from replay.motion.flight_passes import Passes
from replay.motion.flight_state import (
    BAROMETER,
    HELD,
    MAGNETOMETER,
    REST_GRAVITY,
    SATELLITE,
    STATIC,
    STEADY,
    STOPS_AT_END,
    ZERO_DISPLACEMENT,
)
from replay.motion.inertial import prepare_inertial
from replay.motion.levelling import level
from replay.motion.phasing import find_events, gravity_gate
from replay.motion.smoother import _problem
from replay.sensors.measurements import measure
from replay.sensors.mount import find_mount
from replay.units import STANDARD_GRAVITY_MPS2
from replay.whatif import sample

SEED = 20261125
ROUNDING = 3e-8
"""Standard deviations: the first gravity takes half a radian down to a few millionths squared."""
CUT = slice(8, 110)
"""Edges from the pad to the coast."""


@pytest.fixture(scope="module")
def flight():
    """The troubled logger's record: a clipped accelerometer, lost rows, a pressure spike at the ejection; and its problem."""
    made = sample.make("troubled_logger", accel_range_mps2=3.0 * STANDARD_GRAVITY_MPS2)
    site, calibration, settings = made.vehicle.site, made.truth.calibration, made.stated
    record = measure(made.log, calibration, find_mount(made.log, calibration))
    events = find_events(record, site)
    levelling = level(record, events, site)
    inertial = prepare_inertial(record)
    gate = gravity_gate(record, events, settings)
    problem = _problem(record, inertial, events, site, levelling, settings, noise_of(record, levelling, settings), gate, FlightModel())
    assert record.is_accel_clipped.sum() > 50
    assert record.is_gap_before.sum() > 3
    return inertial, more_aiding(problem)


def more_aiding(problem):
    """With a few satellite positions (one far off, one without east and north), a field, and an epoch held on the pad after a sway."""
    rng = np.random.default_rng(SEED)
    m, aid = problem.pre.n_epochs, problem.aiding
    satellite, back, mag = np.full((m, 3), np.nan), np.full(m, np.nan), np.full((m, 3), np.nan)
    at = [100, 101, 150, 151]
    satellite[at], back[at] = rng.normal(scale=2.0, size=(4, 3)), rng.uniform(0.0, 0.04, 4)
    satellite[150, :2] = np.nan
    satellite[151] += 900.0
    mag[[20, 40, 60]] = rng.normal(size=(3, 3)) * 0.1 + (0.3, 0.1, 0.9)
    kinds = problem.kinds.copy()
    assert (kinds[:12] & STATIC).all()
    kinds[3:5] = HELD
    kinds[4] |= STOPS_AT_END
    variances = aid.variances.copy()
    variances[6:9] = 4.0, 16.0, 0.01
    var = problem.pre.var.copy()
    var[3:5] = (1e-8, 1e-6, 1e-6, 2e-6, 3e-6)
    var[10, 0] = 1e-6  # a sway while it rests
    aid = dataclasses.replace(
        aid, satellite_enu_m=satellite, satellite_back_s=back, mag_body=mag, mag_ref_enu=np.array([0.3, 0.2, 0.93]), variances=variances
    )
    return dataclasses.replace(problem, kinds=kinds, aiding=aid, pre=dataclasses.replace(problem.pre, var=var))


@pytest.fixture(scope="module")
def passes(flight):
    """The first forward pass, and one about the smoothed result: arguments as given to the compiled loop and as it left them."""
    given = []
    original = kernels.forward

    def watched(*arguments):
        given.append(copy.deepcopy(arguments))
        original(*arguments)
        given.append(copy.deepcopy(arguments))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernels, "forward", watched)
        run = Passes(flight[1])
        run.filtered(flight[1].start, None)
        nominal = run.nominal.moved(run.smoothing())
        run.filtered(nominal, nominal)
    return {"closed loop": tuple(given[:2]), "about a path": tuple(given[2:])}


@pytest.mark.parametrize("name", ["closed loop", "about a path"])
def test_forward(passes, name):
    """States, transitions, covariances, errors, gains, innovations and refusals."""
    before, ours = passes[name]
    theirs = copy.deepcopy(before)
    twin.forward(*theirs)
    kind, (phi, packed, deltas, prior, up_start), (code, row, gain, value, refused, counts) = ours[2], ours[10], ours[11]
    phi_twin, packed_twin, deltas_twin, prior_twin, up_start_twin = theirs[10]
    m, (n, n_refused) = len(kind), counts
    assert_array_equal(theirs[11][5], counts)
    assert_array_equal(up_start_twin, up_start)
    assert_array_equal(theirs[11][0][:n], code[:n])
    assert {BAROMETER, REST_GRAVITY, ZERO_DISPLACEMENT, SATELLITE, MAGNETOMETER} <= set(code[:n])
    assert {BAROMETER, SATELLITE} <= set(refused[:n_refused, 1])
    assert np.count_nonzero(kind & STEADY) > 100
    for mine, twins in zip(ours[8], theirs[8], strict=True):
        assert_allclose(mine, twins, rtol=1e-9, atol=1e-8)
    assert_allclose(phi, phi_twin, rtol=1e-9, atol=1e-10)
    assert_allclose(row[:n], theirs[11][1][:n], rtol=1e-9, atol=1e-10)
    assert_allclose(value[:n], theirs[11][3][:n], rtol=1e-6, atol=1e-9)
    assert_allclose(refused[:n_refused], theirs[11][4][:n_refused], rtol=1e-9)
    sd = np.sqrt(np.array([np.diag(twin.unpacked(each)) for each in packed_twin]))
    i, j = np.triu_indices(25)
    assert_close_in_sd(packed, packed_twin, sd[:, i] * sd[:, j], ROUNDING)
    assert_close_in_sd(prior[1:, 6:], prior_twin[1:, 6:], prior_twin[1:, 6:], 1e-5)  # a scale not seen before a flight
    assert_close_in_sd(deltas, deltas_twin, sd, ROUNDING)
    edges = np.repeat(np.arange(m + 1), np.diff(up_start))
    assert_close_in_sd(gain[:n] * np.sqrt(value[:n, 1:]), theirs[11][2][:n] * np.sqrt(value[:n, 1:]), sd[edges - 1], 1e-6)


def assert_close_in_sd(ours, theirs, unit, bound):
    """Off by less than `bound` standard deviations (variances by that share); where nothing varies, next to nothing."""
    assert (np.abs(ours - theirs) <= bound * unit + 1e-14).all(), np.max(np.abs(ours - theirs) / (unit + 1e-14))


@pytest.fixture(scope="module")
def smoothed(passes):
    """What `forward` left of the pass about a path, and the twin's backward pass over it."""
    phi, packed, deltas, _, up_start = passes["about a path"][1][10]
    _, row, gain, value, *_ = passes["about a path"][1][11]
    m = len(phi)
    delta, shown, full = np.empty((m + 1, 25)), np.empty((m + 1, 28)), np.empty((m + 1, 25, 25))
    arguments = phi, packed, deltas, up_start, row, gain, value
    twin.backward(True, *arguments, delta, shown, full)
    return arguments, delta, shown, full


@pytest.mark.parametrize("width", [0, 25])
@pytest.mark.parametrize("has_covariance", [True, False])
def test_backward(smoothed, has_covariance, width):
    """Errors and covariances, with and without the whole matrices. At the first edge P − P Λ P is what is left of half a radian squared."""
    arguments, delta, shown, full = smoothed
    n = len(delta) if has_covariance else 1
    out = np.empty_like(delta), np.zeros((n, 28)), np.zeros((n, width, width))
    kernels.backward(has_covariance, *arguments, *out)
    sd = np.sqrt(np.maximum(np.einsum("kii->ki", full), 0.0))
    assert_close_in_sd(out[0], delta, sd, ROUNDING)
    if has_covariance:
        assert_close_in_sd(out[1][1:], shown[1:], np.hstack((sd[1:, [0, 1, 2]], sd[1:, [0, 0, 1]], sd[1:, 3:])) ** 2, 1e-6)
        assert_allclose(out[1][0], shown[0], rtol=1e-6, atol=1e-8)
    if has_covariance and width:
        assert_close_in_sd(out[2][1:], full[1:], sd[1:, :, None] * sd[1:, None, :], 1e-6)
        assert_allclose(out[2][0], full[0], rtol=1e-6, atol=1e-8)


def test_backward_is_the_textbook_recursion(smoothed):
    """Rauch, Tung and Striebel's recursion with its inverse: the same errors and covariances, as far as that inverse carries."""
    (phi, packed, deltas, up_start, _, gain, value), delta, _, full = smoothed
    x, p = twin.rauch_tung_striebel(phi, packed, deltas, up_start, gain, value)
    sd = np.sqrt(np.maximum(np.einsum("kii->ki", full), 0.0))
    assert_close_in_sd(x, delta, sd, 1e-5)
    assert_close_in_sd(p[1:], full[1:], sd[1:, :, None] * sd[1:, None, :], 1e-5)


def test_noise_density(flight):
    """Spans of half a second, those with a gap and those too short at zero."""
    inertial = flight[0]
    time_s = inertial.log_time_s
    edges = np.append(np.arange(0, 3000, 124), 3004)
    for values in (inertial.rate_body_radps, inertial.accel_body_mps2):
        out = np.empty((len(edges) - 1, 3))
        preintegration.noise_density(time_s, values, inertial.is_gap_before, edges, out, np.empty((124, 3)))
        assert_allclose(out, gathered.noise_density(time_s, values, inertial.is_gap_before, edges), rtol=1e-9)
        assert (out > 0.0).any()
        assert (out == 0.0).all(axis=1).any()


def test_price_shocks(flight):
    """Every step beside a blow, none across a gap."""
    inertial = flight[0]
    extra = np.zeros((len(inertial.log_time_s), 3))
    arguments = inertial.log_time_s, inertial.accel_body_mps2, inertial.is_gap_before, 5.0, 0.1
    found = preintegration.price_shocks(*arguments, extra)
    expected = gathered.price_shocks(*arguments)
    assert found == np.count_nonzero(expected) > 10
    assert_allclose(extra, np.repeat(expected[:, None], 3, axis=1), rtol=1e-12)


def test_preintegrate(flight):
    """Increments, derivatives, variances, means and scatter, through gaps and clipped samples."""
    inertial, problem = flight
    edges = problem.pre.edges[CUT]
    m, rng = len(edges) - 1, np.random.default_rng(SEED)
    inside = slice(edges[0], edges[-1])
    assert inertial.is_gap_before[inside].any()
    assert np.count_nonzero(inertial.extra_var[inside, 1:].any(axis=1)) > 50, np.flatnonzero(inertial.extra_var[:, 1:].any(axis=1))[
        ::10
    ].tolist()
    offset, density = np.array([0.02, -0.01, 0.03]), rng.uniform(1e-6, 1e-4, (m, 5))
    arguments = (
        inertial.log_time_s, inertial.rate_body_radps, inertial.accel_body_mps2, inertial.bend, inertial.is_gap_before, inertial.extra_var,
        edges, offset, density,
    )  # fmt: skip
    out = [np.empty((m, *shape)) for shape in ((4,), (3,), (3,), (9, 12), (5,), (6,), (2,))]
    preintegration.preintegrate(*arguments, *out)
    for ours, theirs in zip(out, gathered.preintegrate(*arguments), strict=True):
        assert_allclose(ours, theirs, rtol=1e-9, atol=1e-11)


@pytest.mark.parametrize("is_smoothed", [False, True])
def test_fill_samples(flight, is_smoothed):
    """Every sample between the edges, and its standard deviations."""
    inertial, problem = flight
    pre, rng = problem.pre, np.random.default_rng(SEED)
    edges, kinds = pre.edges[CUT], problem.kinds[CUT][:-1].copy()
    kinds[60] = STATIC
    m = len(kinds)
    q = np.cumsum(rng.normal(scale=0.02, size=(m + 1, 4)), axis=0) + (1.0, 0.0, 0.0, 0.0)
    v, p, params = (np.cumsum(rng.normal(scale=s, size=(m + 1, w)), axis=0) for s, w in ((1.0, 3), (1.0, 3), (1e-3, 16)))
    after, before = rng.uniform(0.1, 1.0, (2, m + 1, 28)) ** 2 * 1e-3
    arguments = (
        is_smoothed, edges, pre.log_time_s[CUT], kinds, inertial.log_time_s, inertial.rate_body_radps, inertial.accel_body_mps2,
        inertial.bend, inertial.is_gap_before, np.array([0.02, -0.01, 0.03]), problem.gravity,
        q / np.linalg.norm(q, axis=1, keepdims=True), v, p, params, after, before,
    )  # fmt: skip
    n = len(inertial.log_time_s)
    out = [np.empty((n, 4)), *(np.empty((n, 3)) for _ in range(2)), np.empty(n), *(np.empty((n, 3)) for _ in range(7))]
    samples.fill_samples(*arguments, *out)
    for ours, theirs in zip(out, gathered.fill_samples(*arguments), strict=True):
        assert_allclose(ours[edges[0] : edges[-1] + 1], theirs, rtol=1e-9, atol=1e-12)
