"""The general-motion filter and smoother on made motion: accuracy, honest standard deviations, broken records, and motion that misleads."""

import dataclasses
import math
from functools import partial

import kalman_records
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import estimate_attitude
from replay.motion.kalman import kalman_attitude, smooth_attitude
from replay.motion.kalman_settings import AttitudeFilterSettings
from replay.units import DEG

# made records are point samples: nothing lags, and the filter is told so
METHODS = {"kalman": partial(kalman_attitude, lag_s=0.0), "smoother": partial(smooth_attitude, lag_s=0.0)}
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
    found = METHODS["smoother"](made.time_s, raw, made.accel, in_place)
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
    assert_allclose(found.tilt_sd_rad[-1], 0.04 / 9.81, rtol=0.25)


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
    run = METHODS["kalman"]
    whole, part = run(*made.arrays), run(*(values[:1234] for values in made.arrays))
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
    if run is METHODS["kalman"]:
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
    if run is METHODS["kalman"]:
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
    if run is METHODS["kalman"]:
        assert right.tilt_sd_rad[2499] > 1.3 * right.tilt_sd_rad[1499]


def pull_away(time_s, rng):
    """A car at rest pulls away with 3 m/s² for 5 s, which would be 17° of tilt to an accelerometer alone, and cruises."""
    accel = np.zeros((len(time_s), 3))
    accel[(time_s >= 40.0) & (time_s < 45.0), 0] = 3.0
    return accel, np.zeros_like(accel)


def cruise_and_brake(time_s, rng):
    """15 m/s for twenty seconds, then hard on the brake: cruising feels like rest."""
    accel = np.zeros((len(time_s), 3))
    accel[(time_s >= 20.0) & (time_s < 25.0), 0] = 3.0
    accel[(time_s >= 45.0) & (time_s < 47.5), 0] = -6.0
    return accel, np.zeros_like(accel)


def through_town(time_s, rng):
    """Stop and go."""
    accel, speed, t = np.zeros((len(time_s), 3)), 0.0, 15.0
    while t < 75.0:
        push = rng.uniform(1.0, 3.0) * (1.0 if speed < 5.0 else -1.0)
        lasts = rng.uniform(2.0, 6.0) if push > 0.0 else -speed / push
        accel[(time_s >= t) & (time_s < t + lasts), 0] = push
        speed += push * lasts
        t += lasts + rng.uniform(2.0, 15.0)
    return accel, np.zeros_like(accel)


def long_curve(time_s, rng):
    """15 m/s at 0.3 rad/s for 50 s: 24.6° of apparent lean, which comes round with the heading."""
    inside = ((time_s >= 30.0) & (time_s < 80.0))[:, None]
    zero = np.zeros_like(time_s)
    return inside * 4.5 * np.column_stack((np.cos(0.3 * time_s), np.sin(0.3 * time_s), zero)), inside * 0.3 * np.array([0.0, 0.0, 1.0])


def walk(time_s, rng):
    """Walking about at some 1.2 m/s, turning, stopping, every step a jolt."""
    speed, i = np.zeros((len(time_s), 2)), 1000
    while i < len(time_s) - 1500:
        lasts, azimuth = int(rng.uniform(400, 1200)), rng.uniform(0.0, 2.0 * np.pi)
        pace = 0.0 if rng.uniform() < 0.25 else rng.uniform(0.8, 1.6)
        speed[i : i + lasts] = pace * np.array([np.cos(azimuth), np.sin(azimuth)])
        i += lasts
    speed[-1500:] = 0.0
    soft = np.hanning(101) / np.hanning(101).sum()
    speed = np.column_stack([np.convolve(column, soft, "same") for column in speed.T])
    size, step = np.linalg.norm(speed, axis=1)[:, None], 2.0 * np.pi * 1.8 * time_s[:, None]
    accel = size * np.hstack((1.2 * np.sin(step), np.sin(0.5 * step + 1.0), 2.5 * np.sin(step + 2.0)))
    accel[:, :2] += np.gradient(speed, 0.01, axis=0)
    slow = np.sin(2.0 * np.pi * rng.uniform(0.05, 0.4, 3) * time_s[:, None] + rng.uniform(0.0, 6.0, 3))
    return accel, size * (0.4 * slow + 0.5 * np.sin(0.5 * step + (0.0, 1.0, 2.0)))


def swing(time_s, rng):
    """To and fro by a metre in 8 s, which is 3.5° of apparent lean."""
    accel = np.zeros((len(time_s), 3))
    accel[:, 0] = np.where(time_s > 15.0, 0.6 * np.sin(2.0 * np.pi * time_s / 8.0), 0.0)
    return accel, np.zeros_like(accel)


# largest tilt error RMS in degrees, filter and smoother
MISLEADING = dict.fromkeys((pull_away, cruise_and_brake, through_town), (0.4, 0.4))
MISLEADING |= {long_curve: (0.6, 0.4), walk: (1.0, 0.5), swing: (1.0, 0.4)}


@pytest.mark.parametrize("name", METHODS)
@pytest.mark.parametrize("motion", MISLEADING, ids=lambda motion: motion.__name__)
def test_motion_that_lasts_is_neither_tilt_nor_certainty(name, motion):
    """Of an error of two components over the standard deviation of one: mean square at most 2 · 2, nine tenths inside three."""
    time_s = np.arange(9000) / 100.0
    made = plain(*motion(time_s, np.random.default_rng(2)))
    found = METHODS[name](*made.arrays)
    error = np.linalg.norm(kalman_records.tilt_errors(found.q_enu_from_body, made.q), axis=1)
    ratio = error / found.tilt_sd_rad
    moves = int(found.details["has_moved"].sum())
    assert_array_equal(found.details["has_moved"], np.isnan(found.details["nis"]))
    said = f"{motion.__name__}, {name}: {rms(error) / DEG:.2f} deg RMS, mean square {np.mean(ratio**2) / 2.0:.2f}"
    print(f"{said}, largest {ratio.max():.1f}, moved off {moves} times")
    assert np.mean(ratio**2) / 2.0 < 2.0
    assert np.mean(ratio < 3.0) > 0.9
    assert rms(error) < MISLEADING[motion][name == "smoother"] * DEG


@both
def test_the_lag_left_to_the_record_is_half_a_sample(run):
    """Unstated, both sensors are taken for half a step late, give or take as much, which shows while turning; stated, it is what it is."""
    made = kalman_records.carried_about(6, duration_s=12.0)
    stated, open_ = run(*made.arrays), run(*made.arrays, lag_s=None)
    settings = open_.details["settings"]
    half = 0.5 * float(np.median(np.diff(made.time_s)))
    assert (settings.lag_s, settings.lag_sd_s) == (half, half)
    assert (stated.details["settings"].lag_s, stated.details["settings"].lag_sd_s) == (0.0, 0.0)
    lead = rotation.multiply(rotation.conjugate(stated.q_enu_from_body), open_.q_enu_from_body)
    true_rate = made.rate - stated.gyro_bias_body_radps
    assert_allclose(rotation.to_rotvec(lead), half * true_rate, atol=0.05 * half * np.abs(true_rate).max())
    across = np.linalg.norm(rotation.rotate(stated.q_enu_from_body, true_rate)[:, :2], axis=1)
    assert_allclose(open_.tilt_sd_rad**2 - stated.tilt_sd_rad**2, 0.5 * (half * across) ** 2, rtol=0.1, atol=1e-7)


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
        ((time_s, rate, accel), {"lag_s": -1.0}, "at least zero"),
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
    from replay.motion import _kernels_kalman_carry as carry
    from replay.motion import _kernels_kalman_layout as layout

    s_u, s_v = su * dt**1.5 / sn, sv * dt**0.5 / sn
    gamma = math.sqrt(1.0 + s_v**2 / 4.0 + s_u**2 / 48.0)
    zeta = gamma + s_u / 4.0 + 0.5 * math.sqrt(2.0 * gamma * s_u + s_v**2 + s_u**2 / 3.0)
    p, work = np.zeros((layout.N, layout.WIDTH)), np.zeros((layout.CONSTANTS, layout.WIDTH))
    turn, sums, gain = np.zeros((3, layout.N_TURN)), np.zeros(layout.N_SUMS), np.zeros(layout.WIDTH)
    turn[0, 0], sums[layout.TIME] = -dt, dt
    angle, bias = 0, layout.BIAS
    p[angle, angle], p[bias, bias] = sn**2, su * sn
    for _ in range(40_000):
        carry.propagate(p, turn, sums, work)
        p[angle, angle] += sv**2 * dt + su**2 * dt**3 / 3.0
        p[bias, bias] += su**2 * dt
        p[angle, bias] -= su**2 * dt**2 / 2.0
        p[bias, angle] = p[angle, bias]
        before = p[angle, angle]
        kernels.update(p, np.zeros(layout.WIDTH), angle, sn**2, 0.0, gain)
    assert_allclose(before, sn**2 * (zeta**2 - 1.0), rtol=1e-8)
    assert_allclose(p[angle, angle], sn**2 * (1.0 - zeta**-2), rtol=1e-8)
