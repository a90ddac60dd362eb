"""The general-motion filter and smoother on made motion: accuracy, honest standard deviations, broken records, and motion that misleads."""

import dataclasses
import math

import kalman_records
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import estimate_attitude
from replay.motion.kalman import AttitudeFilterSettings, kalman_attitude, smooth_attitude
from replay.units import DEG

METHODS = {"kalman": kalman_attitude, "smoother": smooth_attitude}
both = pytest.mark.parametrize("run", METHODS.values(), ids=METHODS.keys())


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def plain(accel_enu, rate_body, rate_hz=100.0, seed=5):
    """A record from world acceleration and body rate per sample, with small sensor errors."""
    rng = np.random.default_rng(seed)
    n = len(rate_body)
    time_s = np.arange(n) / rate_hz
    q = kalman_records.accumulated(rotation.from_rotvec(0.5 * (rate_body[1:] + rate_body[:-1]) / rate_hz))
    force = rotation.rotate(rotation.conjugate(q), accel_enu + kalman_records.GRAVITY)
    rate = rate_body + np.array([0.3, -0.2, 0.1]) * DEG + 0.05 * DEG * rng.normal(size=(n, 3))
    return kalman_records.Record(time_s, rate, force + np.array([0.02, -0.02, 0.03]) + 0.02 * rng.normal(size=(n, 3)), q)


@both
def test_standard_deviations_are_honest(run):
    """Over ten seeded motions the tilt error in standard deviations has a root mean square near one; never far above."""
    ratios = []
    for seed in range(1, 11):
        made = kalman_records.carried_about(seed, duration_s=40.0, speed=1.0 + 0.06 * seed, lag_s=0.001 * (seed % 3))
        found = run(*made.arrays)
        ratios.append(rms(kalman_records.tilt_errors(found.q_enu_from_body, made.q) / found.tilt_sd_rad[:, None]))
    print("seeds 1 to 10:", np.round(ratios, 2))
    assert 0.4 < rms(ratios) < 1.2
    assert max(ratios) < 2.0


def test_accuracy_on_made_motion():
    """0.5° filtered and 0.35° smoothed, mean over seeds; the smoother is the better of the two."""
    errors = {}
    for name, run in METHODS.items():
        made = [kalman_records.carried_about(seed, duration_s=40.0) for seed in range(21, 27)]
        errors[name] = [rms(kalman_records.inclination(run(*r.arrays).q_enu_from_body, r.q)[300:-300]) / DEG for r in made]
    print({name: np.round(values, 2) for name, values in errors.items()})
    assert np.mean(errors["kalman"]) < 0.6
    assert np.mean(errors["smoother"]) < 0.4
    assert np.mean(errors["smoother"]) < 0.8 * np.mean(errors["kalman"])


def test_the_smoother_is_never_less_sure_than_the_filter():
    """At every sample outside the lag's share; the two see the same rests when rest is never declared."""
    made = kalman_records.carried_about(3, duration_s=30.0)
    settings = AttitudeFilterSettings(rest_s=1e6, gyro_lag_sd_s=0.0)
    filtered, smoothed = (run(*made.arrays, settings) for run in METHODS.values())
    assert (smoothed.tilt_sd_rad <= filtered.tilt_sd_rad * (1.0 + 1e-6)).all()
    assert (smoothed.gyro_bias_sd_radps <= filtered.gyro_bias_sd_radps * (1.0 + 1e-9)).all()
    assert (smoothed.details["accel_bias_sd_mps2"] <= filtered.details["accel_bias_sd_mps2"] * (1.0 + 1e-9)).all()


def test_the_gyros_errors_are_found():
    """Bias, scale with cross-axis, and lag come out of lively turning in place within three standard deviations each."""
    scale = np.array([[0.006, -0.003, 0.002], [0.001, -0.005, 0.004], [-0.004, 0.003, 0.005]])
    made = kalman_records.carried_about(11, duration_s=90.0, lag_s=0.002, travel_m=0.001, errors=False)
    bias = np.array([0.8, -0.5, 0.3]) * DEG
    # the filter takes the error off as raw @ scale, so the raw rate is (1 - scale)⁻¹ of the rest
    raw = np.linalg.solve(np.eye(3) - scale, (made.rate + bias).T).T
    in_place = AttitudeFilterSettings(position_nd_m_rthz=0.02, accel_nd_mps2_rthz=0.02, gyro_rate_noise_rts=5e-5)
    found = smooth_attitude(made.time_s, raw, made.accel, in_place)
    d = found.details
    assert np.abs((found.gyro_bias_body_radps - bias) / found.gyro_bias_sd_radps).max() < 3.0
    assert np.abs((d["gyro_scale"] - scale) / d["gyro_scale_sd"]).max() < 3.0
    assert np.abs((d["gyro_lag_s"] - 0.002) / d["gyro_lag_sd_s"]).max() < 3.0
    # and they are found, not merely covered: 0.5 % was assumed of each entry; turns that show the first column are few here
    assert (d["gyro_scale_sd"][:, 1:] < 0.35 * 0.005).all()
    assert rms(d["gyro_scale"][:, 1:] - scale[:, 1:]) < 0.4 * rms(scale[:, 1:])
    assert (d["gyro_lag_sd_s"] < 0.5 * 0.002).all()
    assert (found.gyro_bias_sd_radps[-1] < 0.1 * DEG).all()


@both
def test_rest_is_level_within_the_accelerometers_bias(run):
    """At rest the tilt is gravity's, the bias becomes known, and the standard deviation is that of the accelerometer's bias."""
    made = plain(np.zeros((3000, 3)), np.zeros((3000, 3)))
    found = run(*made.arrays)
    assert found.details["is_rest"][-1]
    assert_allclose(found.gyro_bias_body_radps[-1] / DEG, [0.3, -0.2, 0.1], atol=0.02)
    assert_allclose(kalman_records.tilt_errors(found.q_enu_from_body, made.q)[-1], np.array([0.02, 0.02]) / 9.81, atol=3e-4)
    assert_allclose(found.tilt_sd_rad[-1], 0.03 / 9.81, rtol=0.25)


@both
@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0), (0.3, -0.8, -0.5)])
def test_any_start_is_levelled(run, up):
    """Upright, upside down, lying and askew: the vertical is found from the first epoch, the heading is left at zero turn."""
    up = np.array(up) / np.linalg.norm(up)
    accel = np.tile(9.81 * up, (300, 1))
    found = run(np.arange(300) / 100.0, np.zeros((300, 3)), accel)
    assert_allclose(rotation.rotate(found.q_enu_from_body, up), np.tile([0.0, 0.0, 1.0], (300, 1)), atol=1e-9)


@both
def test_a_given_start_keeps_its_heading(run):
    """The heading given is the heading kept; a wrong tilt given is corrected."""
    made = kalman_records.carried_about(4, duration_s=20.0)
    turned = rotation.from_tilt(0.05, 1.0, 2.0)
    free, given = run(*made.arrays), run(*made.arrays, q_start=turned)
    heading = rotation.roll(rotation.multiply(given.q_enu_from_body, rotation.conjugate(free.q_enu_from_body)))
    assert_allclose(heading, 2.0, atol=0.06)
    assert rms(kalman_records.inclination(given.q_enu_from_body, free.q_enu_from_body)[1000:]) < 0.2 * DEG


@both
def test_the_door_gives_the_same(run):
    """`estimate_attitude` hands plain arrays through, with settings by name."""
    made = kalman_records.carried_about(6, duration_s=12.0)
    name = next(key for key, value in METHODS.items() if value is run)
    ours, door = run(*made.arrays, lag_s=0.003), estimate_attitude(*made.arrays, name, lag_s=0.003)
    assert_array_equal(ours.q_enu_from_body, door.q_enu_from_body)
    assert door.method == name
    assert door.details["settings"].lag_s == 0.003


@both
def test_repeat_runs_are_equal_to_the_last_bit(run):
    """No threads, no state left behind."""
    made = kalman_records.carried_about(6, duration_s=12.0)
    first, second = run(*made.arrays), run(*made.arrays)
    assert_array_equal(first.q_enu_from_body, second.q_enu_from_body)
    assert_array_equal(first.tilt_sd_rad, second.tilt_sd_rad)


def test_the_filter_looks_at_the_past_only():
    """Cutting the record short changes nothing before the cut but the epoch it falls in."""
    made = kalman_records.carried_about(7, duration_s=20.0)
    whole, part = kalman_attitude(*made.arrays), kalman_attitude(*(values[:1234] for values in made.arrays))
    assert_array_equal(whole.q_enu_from_body[:1220], part.q_enu_from_body[:1220])


@both
def test_a_gap_is_bridged_or_levelled_anew(run):
    """A short gap widens the standard deviation, a long one starts tilt anew; the error stays within what is said."""
    made = kalman_records.carried_about(8, duration_s=60.0)
    kept = np.ones(len(made.time_s), dtype=bool)
    kept[2000:2040] = False  # 0.4 s
    kept[4000:4200] = False  # 2 s
    cut = dataclasses.replace(made, **{name: getattr(made, name)[kept] for name in ("time_s", "rate", "accel", "q")})
    found = run(*cut.arrays)
    errors = kalman_records.tilt_errors(found.q_enu_from_body, cut.q) / found.tilt_sd_rad[:, None]
    assert rms(errors) < 1.5
    assert np.abs(errors).max() < 6.0
    if run is kalman_attitude:
        assert found.tilt_sd_rad[2000] > 2.0 * found.tilt_sd_rad[1999]
        assert found.tilt_sd_rad[3961] > 10.0 * found.tilt_sd_rad[3900]
    assert found.tilt_sd_rad[-1] < 1.0 * DEG


@both
def test_lost_and_clipped_rows_cost_certainty_not_the_record(run):
    """NaN rows are bridged; a masked span of wrong rates is covered by its standard deviation, unmasked it is not."""
    made = kalman_records.carried_about(9, duration_s=30.0)
    rate, accel = made.rate.copy(), made.accel.copy()
    rate[900:905] = np.nan
    accel[1500:1503, 1] = np.nan
    clipped = slice(2000, 2025)
    rate[clipped] = 0.3 * rate[clipped]  # reads far too little
    mask = np.zeros(len(rate), dtype=bool)
    mask[clipped] = True
    masked, blind = run(made.time_s, rate, accel, mask=mask), run(made.time_s, rate, accel)
    assert np.isfinite(masked.q_enu_from_body).all()
    assert np.isfinite(masked.tilt_sd_rad).all()
    assert not masked.is_gravity_used[1501]
    after = slice(2030, 2300)
    error = [np.abs(kalman_records.tilt_errors(e.q_enu_from_body, made.q) / e.tilt_sd_rad[:, None])[after].max() for e in (masked, blind)]
    assert error[0] < 4.0
    assert error[1] > 1.5 * error[0]
    if run is kalman_attitude:
        assert masked.tilt_sd_rad[2026] > 1.2 * blind.tilt_sd_rad[2026]


@both
def test_without_gravity_the_gyro_carries_on(run):
    """Where the accelerometer may not be used it changes nothing, however wrong it is; the standard deviation grows."""
    made = kalman_records.carried_about(10, duration_s=40.0)
    used = np.ones(len(made.time_s), dtype=bool)
    used[1500:2500] = False
    wrong = made.accel.copy()
    wrong[1500:2500] += (30.0, -20.0, 10.0)
    right, misled = (run(made.time_s, made.rate, a, is_gravity_used=used) for a in (made.accel, wrong))
    assert_array_equal(right.q_enu_from_body, misled.q_enu_from_body)
    assert_array_equal(right.is_gravity_used, used)
    if run is kalman_attitude:
        assert right.tilt_sd_rad[2499] > 1.5 * right.tilt_sd_rad[1499]


def car(accel_enu_mps2):
    """40 s of rest, a manoeuvre, and cruise."""
    accel = np.zeros((9000, 3))
    accel[4000 : 4000 + len(accel_enu_mps2)] = accel_enu_mps2
    return plain(accel, np.zeros((9000, 3)))


@both
def test_a_car_that_pulls_away_is_not_a_hill(run):
    """5 s of 3 m/s² would be 17° of tilt to an accelerometer alone; rest before it tells that the gyro did not turn."""
    made = car(np.tile([3.0, 0.0, 0.0], (500, 1)))
    found = run(*made.arrays)
    assert math.degrees(math.atan2(3.0, 9.81)) > 17.0
    assert kalman_records.inclination(found.q_enu_from_body, made.q).max() < 5.0 * DEG


@both
def test_a_long_curve_is_not_a_lean(run):
    """15 m/s at 0.3 rad/s for 50 s: 24.6° of apparent lean, which comes round with the heading."""
    time_s = np.arange(9000) / 100.0
    rate, accel = np.zeros((9000, 3)), np.zeros((9000, 3))
    rate[3000:8000, 2] = 0.3
    accel[3000:8000, 0], accel[3000:8000, 1] = (4.5 * f(0.3 * time_s[3000:8000]) for f in (np.cos, np.sin))
    made = plain(accel, rate)
    found = run(*made.arrays)
    assert rms(kalman_records.inclination(found.q_enu_from_body, made.q)[3500:]) < 2.5 * DEG


@both
def test_vibration_is_weighed_as_noise(run):
    """White vibration of 3 m/s²: half a degree at most, and the standard deviation says so."""
    made = plain(3.0 * np.random.default_rng(12).normal(size=(9000, 3)), np.zeros((9000, 3)))
    found = run(*made.arrays)
    errors = kalman_records.tilt_errors(found.q_enu_from_body, made.q)[1500:]
    assert rms(errors) < 0.5 * DEG
    assert 0.2 < rms(errors / found.tilt_sd_rad[1500:, None]) < 1.2


@both
@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 1000.0])
def test_any_sample_rate(run, rate_hz):
    """From one sample an epoch to a hundred."""
    made = kalman_records.carried_about(13, duration_s=20.0, rate_hz=rate_hz, speed=0.6, errors=False)
    found = run(*made.arrays)
    assert rms(kalman_records.inclination(found.q_enu_from_body, made.q)[len(made.q) // 4 :]) < (1.5 if rate_hz < 20.0 else 0.7) * DEG


@both
def test_two_samples(run):
    """The shortest record there is."""
    found = run([0.0, 0.01], np.zeros((2, 3)), np.tile([0.0, 0.0, 9.81], (2, 1)))
    assert_allclose(found.q_enu_from_body, np.tile([1.0, 0.0, 0.0, 0.0], (2, 1)), atol=1e-12)


@both
def test_what_can_not_be_done_is_said(run):
    """One clear error each."""
    time_s, rate, accel = np.arange(5.0), np.zeros((5, 3)), np.tile([0.0, 0.0, 9.81], (5, 1))
    cases = [
        ((time_s[:1], rate[:1], accel[:1]), {}, "at least two samples"),
        ((time_s[::-1], rate, accel), {}, "increases"),
        ((time_s, rate[:4], accel), {}, r"rate_body_radps: expected shape \(5, 3\)"),
        ((time_s, np.full((5, 3), np.nan), accel), {}, "no sample has a rate"),
        ((time_s, rate, np.full((5, 3), np.nan)), {}, "level"),
        ((time_s, rate, accel), {"mask": [True]}, r"expected shape \(5,\)"),
        ((time_s, rate, accel), {"gyro_nd_radps_rthz": 0.0}, "above zero"),
        ((time_s, rate, accel), {"gyro_scale_sd": -1.0}, "at least zero"),
        ((time_s, rate, accel), {"gyro_noise": 1.0}, "gyro_noise"),
    ]
    for arrays, options, said in cases:
        with pytest.raises(CannotEstimate, match=said):
            run(*arrays, **options)


# gyro noise, bias walk, angle noise, step; source as in test_linear.py (Farrenkopf 1978)
FARRENKOPF = [(0.01, 0.001, 0.5, 0.01), (0.05, 0.01, 1.0, 0.02), (0.001, 0.0001, 0.01, 0.1)]


@pytest.mark.parametrize(("sv", "su", "sn", "dt"), FARRENKOPF)
def test_farrenkopf_by_the_compiled_steps(sv, su, sn, dt):
    """One axis of the compiled filter, an angle measured: steady covariance equal to the closed form to 1e-8."""
    from replay.motion import _kernels_kalman as kernels

    s_u, s_v = su * dt**1.5 / sn, sv * dt**0.5 / sn
    gamma = math.sqrt(1.0 + s_v**2 / 4.0 + s_u**2 / 48.0)
    zeta = gamma + s_u / 4.0 + 0.5 * math.sqrt(2.0 * gamma * s_u + s_v**2 + s_u**2 / 3.0)
    p, work = np.zeros((kernels.N, kernels.WIDTH)), np.zeros((kernels.CONSTANTS, kernels.WIDTH))
    turn, sums, gain = np.zeros((3, kernels.N_TURN)), np.zeros(kernels.N_SUMS), np.zeros(kernels.WIDTH)
    turn[0, 0], sums[kernels.TIME] = -dt, dt
    angle, bias = 0, kernels.BIAS
    p[angle, angle], p[bias, bias] = sn**2, su * sn
    for _ in range(40_000):
        kernels.propagate(p, turn, sums, work)
        p[angle, angle] += sv**2 * dt + su**2 * dt**3 / 3.0
        p[bias, bias] += su**2 * dt
        p[angle, bias] -= su**2 * dt**2 / 2.0
        p[bias, angle] = p[angle, bias]
        before = p[angle, angle]
        kernels.update(p, np.zeros(kernels.WIDTH), angle, sn**2, 0.0, gain)
    assert_allclose(before, sn**2 * (zeta**2 - 1.0), rtol=1e-8)
    assert_allclose(p[angle, angle], sn**2 * (1.0 - zeta**-2), rtol=1e-8)
