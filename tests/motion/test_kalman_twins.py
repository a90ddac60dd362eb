"""The compiled general-motion filter and smoother against dense matrices and the textbook recursion."""

import kalman_records
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay.motion import _kernels_kalman_epochs as epochs
from replay.motion import _reference_kalman as twin
from replay.motion import filters, kalman

SEED = 81


@pytest.fixture(scope="module")
def record():
    """40 s, uneven steps, rest at both ends, lost rows, clipping, a short and a long gap, a stretch without gravity, a push away."""
    made = kalman_records.carried_about(SEED, duration_s=40.0, jitter=0.3)
    time_s, rate, accel = (values.copy() for values in made.arrays)
    time_s[1500:] += 0.4
    time_s[2500:] += 1.7
    rate[700:703] = np.nan
    accel[1100] = np.nan
    accel[2501:2520] = np.nan  # the levelling after the long gap has to wait
    clipped = np.zeros(len(time_s), dtype=bool)
    clipped[2000:2006] = True
    used = np.ones(len(time_s), dtype=bool)
    used[3000:3100] = False
    accel[3150:3350] += (0.0, 3.0, 0.0)  # pushed away
    return (time_s, rate, accel), {"mask": clipped, "is_gravity_used": used}


SETTINGS = kalman.AttitudeFilterSettings(lag_s=0.004, lag_sd_s=0.002)


def run_twin(p, motion=None):
    """The twin's forward pass over a prepared problem."""
    return twin.forward(p.time, p.rate, p.accel, p.flags, p.stops, p.kind, p.noise, p.x_start, p.p_start, motion)


def prepared(record, is_acausal):
    """The twin's own view of the record: flags, epochs, kinds."""
    (time_s, rate, accel), options = record
    s = SETTINGS
    gap_s = 5.0 * np.median(np.diff(time_s))
    flags = twin.find_flags(time_s, rate, accel, options["mask"], options["is_gravity_used"], np.zeros(0, dtype=bool), gap_s)
    stops = twin.split_epochs(time_s, flags, s.epoch_s)
    rate, accel = filters.filled(time_s, rate), filters.filled(time_s, accel)
    scatter = twin.epoch_scatter(rate, accel, flags, stops)
    fastest = 3.0 * s.gyro_bias_sd_radps + s.rest_rate_radps
    rest = twin.find_rest(time_s, stops, scatter, s.rest_rate_radps, s.rest_accel_mps2, fastest, s.rest_s, is_acausal=is_acausal)
    problem = kalman._prepare(
        *record[0], s, options["mask"], None, (0.0, 0.0, 0.0), options["is_gravity_used"], None, is_acausal=is_acausal
    )
    return problem, flags, stops, scatter, rest


@pytest.mark.parametrize("is_acausal", [False, True])
def test_epochs_and_rest(record, is_acausal):
    """Flags, epoch bounds, scatter and rest are the twin's."""
    problem, flags, stops, scatter, rest = prepared(record, is_acausal)
    assert_array_equal(problem.flags, flags)
    assert_array_equal(problem.stops, stops)
    out = np.empty_like(scatter)
    epochs.epoch_scatter(problem.rate, problem.accel, problem.flags, problem.stops, len(out), out)
    assert_allclose(out, scatter, rtol=0, atol=1e-12)
    assert_array_equal((problem.kind & epochs.REST) != 0, rest)
    assert rest[5] == is_acausal
    assert rest[25]
    assert rest[-5]
    assert not rest[80:200].any()
    gaps = (problem.kind & epochs.GAP) != 0
    assert gaps.sum() == 2
    levelled = np.flatnonzero(problem.kind & epochs.LEVEL)
    assert_array_equal(levelled, [0, np.flatnonzero(gaps)[1] + 1])


@pytest.fixture(scope="module")
def slow_filter(record):
    """The twin's forward pass over the smoother's epochs."""
    problem, *_ = prepared(record, True)
    motion = twin.lasting_motion(problem.time[problem.stops], np.array([e.sigmas for e in run_twin(problem)[1:]]))
    assert motion.max() > 1.5, "the push lasts, and the smoother takes account of it"
    return problem, run_twin(problem, motion)


def test_filter_is_the_dense_filter(record):
    """Attitudes, standard deviations, constants, innovations of the causal pass."""
    problem, *_ = prepared(record, False)
    found = run_twin(problem)
    assert np.count_nonzero(problem.kind & epochs.MOVED) >= 2
    (time_s, rate, accel), options = record
    ours = kalman.kalman_attitude(time_s, rate, accel, SETTINGS, **options)
    assert_allclose(ours.q_enu_from_body, np.concatenate([e.q for e in found]), rtol=0, atol=1e-9)
    assert_allclose(ours.tilt_sd_rad, np.concatenate([e.tilt_sd for e in found]), rtol=1e-7)
    x, sd = np.array([e.x for e in found[1:]]), np.sqrt([np.diag(e.P) for e in found[1:]])
    assert_allclose(ours.details["accel_bias_body_mps2"], x[:, 21:24], rtol=0, atol=1e-9)
    assert_allclose(ours.details["accel_bias_sd_mps2"], sd[:, 20:23], rtol=1e-7)
    assert_allclose(ours.details["gyro_lag_s"], x[:, 20], rtol=0, atol=1e-11)
    assert_allclose(ours.gyro_bias_body_radps[-1], x[-1, 8:11], rtol=0, atol=1e-11)
    assert_allclose(ours.gyro_bias_sd_radps[-1], sd[-1, 7:10], rtol=1e-7)
    assert_allclose(ours.details["gyro_scale"].ravel(), x[-1, 11:20], rtol=0, atol=1e-11)
    assert_allclose(ours.details["gyro_scale_sd"].ravel(), sd[-1, 10:19], rtol=1e-7)
    assert_allclose(ours.details["innovation_m"], [e.innovation for e in found[1:]], rtol=0, atol=1e-9)
    assert_allclose(ours.details["nis"], [e.nis for e in found[1:]], rtol=1e-7)


@pytest.mark.parametrize("block", [1024, 37])
def test_smoother_is_the_textbook_recursion(record, slow_filter, block, monkeypatch):
    """The adjoint form, in one block and in many, equals Rauch, Tung and Striebel's with its inverted covariances."""
    monkeypatch.setattr(kalman, "_BLOCK", block)
    problem, found = slow_filter
    states, covariances = twin.backward(found)
    q, sd = twin.smooth_samples(problem.time, problem.rate, problem.stops, problem.kind, states, covariances, problem.noise)
    (time_s, rate, accel), options = record
    ours = kalman.smooth_attitude(time_s, rate, accel, SETTINGS, **options)
    assert_allclose(ours.q_enu_from_body, q, rtol=0, atol=1e-8)
    assert_allclose(ours.tilt_sd_rad, sd, rtol=1e-5)
    x, node_sd = np.array(states[1:]), np.sqrt([np.diag(P) for P in covariances[1:]])
    assert_allclose(ours.details["accel_bias_body_mps2"], x[:, 21:24], rtol=0, atol=1e-8)
    assert_allclose(ours.details["accel_bias_sd_mps2"], node_sd[:, 20:23], rtol=1e-6)
    assert_allclose(ours.details["gyro_lag_s"], x[:, 20], rtol=0, atol=1e-10)
    assert_allclose(ours.details["gyro_lag_sd_s"], node_sd[:, 19], rtol=1e-6)
    assert_allclose(ours.details["gyro_scale"].ravel(), x[-1, 11:20], rtol=0, atol=1e-10)


def test_smoothed_covariance_is_never_above_the_filters(slow_filter):
    """Eigenvalues of filter minus smoother are non-negative at every node (scaled by the filter's own standard deviations)."""
    _, found = slow_filter
    _, covariances = twin.backward(found)
    for here, smoothed in zip(found, covariances, strict=True):
        live = np.diag(here.P) > 0.0
        scale = 1.0 / np.sqrt(np.diag(here.P)[live])
        both = (here.P - smoothed)[np.ix_(live, live)] * np.outer(scale, scale)
        assert np.linalg.eigvalsh(both).min() >= -1e-7


def test_the_adjoint_matrix_keeps_the_smoothed_covariance_below(record, monkeypatch):
    """In the compiled form P − P_s = P Λ P, and Λ stays positive semi-definite: eigenvalues at least −1e-12 of its largest."""
    from replay.motion import _kernels_kalman_back as back

    seen = []
    original = back.backward

    def watched(*arguments):
        original(*arguments)
        record_p, big = arguments[0][1], arguments[3]
        P = record_p[0][:, :23]
        seen.append(np.linalg.eigvalsh(P @ big[:, :23] @ P).min())

    monkeypatch.setattr(back, "backward", watched)
    monkeypatch.setattr(kalman, "_BLOCK", 37)
    (time_s, rate, accel), options = record
    kalman.smooth_attitude(time_s, rate, accel, SETTINGS, **options)
    assert len(seen) > 5
    assert min(seen) >= -1e-12
