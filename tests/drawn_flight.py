"""A smooth invented flight as Snapshot, for tests of what is drawn: no estimator, no flight model, any length and rate."""

from dataclasses import replace

import numpy as np

from replay import rotation
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import Events, Levelling, Solution
from replay.review.catalogue import FLOWN_GIMBAL_ANGLE, GIMBAL_ANGLE
from replay.review.series import OVERLAYS, REFLOWN
from replay.review.snapshot import Snapshot
from replay.sensors.calibration import Calibration
from replay.units import DEG

EVENTS = Events(liftoff_log_s=4.0, burnout_log_s=8.5, apogee_log_s=13.0, deployment_log_s=14.2, touchdown_log_s=34.0, rest_log_s=35.0)


def solution(log_time_s, *, extra_tilt_deg=0.0, noise=0.02, seed=1, with_sd=True, events=EVENTS, rejected=()):
    """A nose that wanders on the way up and swings under the parachute."""
    rng = np.random.default_rng(seed)
    t = log_time_s - 4.0
    up = np.clip(t, 0.0, 9.0)
    hang = np.clip(t - 10.0, 0.0, 20.0) / 20.0 * (t < 30.5)
    tilt = (
        1.5
        + 0.35 * up
        + 1.2 * np.sin(2.1 * up)
        + extra_tilt_deg * np.minimum(up, 1.5)
        + 110.0 * hang**0.2 * (hang > 0)
        + 8.0 * np.sin(3.0 * t) * (hang > 0)
    )
    tilt = np.where(t >= 30.5, 92.0, tilt)
    azimuth = 70.0 + 60.0 * np.sin(0.5 * up) + 25.0 * np.clip(t - 10.0, 0.0, 20.5)
    q = rotation.from_tilt(tilt * DEG, azimuth * DEG, (20.0 * np.clip(t, 0.0, 30.0)) * DEG)
    height = np.where(
        t < 0, 0.0, np.where(t < 9.0, 145.0 * np.sin(np.clip(t, 0, 9) / 18.0 * np.pi) ** 2, np.clip(145.0 - 6.9 * (t - 9.0), 0.0, None))
    )
    pos = np.column_stack((1.5 * up + 0.1 * extra_tilt_deg * up**2, -0.8 * up, height))
    vel = np.gradient(pos, log_time_s, axis=0) if len(log_time_s) > 2 else np.zeros_like(pos)
    accel = np.column_stack((0.3 * np.sin(5 * t), 0.2 * np.cos(4 * t), 9.8 + 14.0 * ((t > 0) & (t < 4.5)))) + noise * rng.standard_normal(
        (len(t), 3)
    )
    rate = np.column_stack((0.2 * np.sin(2 * up), 0.15 * np.cos(1.7 * up), 0.35 * (t > 0))) + noise * rng.standard_normal((len(t), 3))
    spread = 0.02 + 0.004 * np.clip(t, 0.0, None)
    n = len(t)
    level = Levelling(
        q[0] if n else np.array([1.0, 0, 0, 0]), 0.05 * DEG, 0.5, 3.5, np.zeros(3), np.full(3, 1e-4), np.array([0.0, 0.0, 9.81])
    )
    return Solution(
        method="smoother",
        calibration=Calibration(),
        log_time_s=log_time_s,
        q_enu_from_body=q,
        pos_enu_m=pos,
        vel_enu_mps=vel,
        accel_body_mps2=accel,
        rate_body_radps=rate,
        is_gravity_used=(t < -0.2) | ((t > 16.0) & (t < 30.0)) | (t > 31.5),
        events=events,
        levelling=level,
        tilt_sd_rad=spread * 15.0 * DEG if with_sd else None,
        attitude_sd_rad=np.repeat(spread[:, None] * DEG, 3, axis=1) if with_sd else None,
        pos_sd_enu_m=np.repeat(spread[:, None] * 20.0, 3, axis=1) if with_sd else None,
        vel_sd_enu_mps=np.repeat(spread[:, None] * 4.0, 3, axis=1) if with_sd else None,
        gyro_bias_body_radps=np.full((n, 3), 0.002) if with_sd else None,
        gyro_bias_sd_radps=np.full((n, 3), 0.0004) if with_sd else None,
        rejected=rejected,
        diagnostics={"barometer innovation (m)": (log_time_s[::50], 0.3 * np.sin(log_time_s[::50]))},
    )


def snapshot(rate_hz=400.0, duration_s=38.0, *, gap_s=(20.0, 20.6), what_if=True, onboard=True, seed=1, with_sd=True, revision=1):
    """One result: IMU, barometer, gimbal, battery and the computer's own attitude, each on its own clock, with one gap in the IMU."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    i_gap = np.empty(0, dtype=np.int64)
    if gap_s:
        t = t[(t < gap_s[0]) | (t > gap_s[1])]
        i_gap = np.array([np.searchsorted(t, gap_s[0]) - 1])
    slow = np.arange(0.01, duration_s, 0.04)
    rejected = (("baro", 14.25, 6.1), ("baro", 14.3, 5.2), ("baro", 21.0, -4.4))
    flown = solution(t, seed=seed, with_sd=with_sd, rejected=rejected)
    baro = np.interp(slow, t, flown.pos_enu_m[:, 2]) + 0.4 * rng.standard_normal(len(slow))
    board = solution(slow, extra_tilt_deg=0.4, noise=0.0, with_sd=False)

    def channel(name, time_s, values, unit, gaps=(), **more):
        return Channel(name, time_s.copy(), np.ascontiguousarray(values), unit, np.asarray(gaps, dtype=np.int64), (name,), **more)

    channels = [
        channel("accel_raw_imu_mps2", t, flown.accel_body_mps2 + 0.1, "m/s²", i_gap),
        channel("rate_raw_imu_radps", t, flown.rate_body_radps + 0.002, "rad/s", i_gap),
        channel("baro_height_m", slow, baro, "m"),
        channel("imu_temperature_k", slow, 296.0 + 0.05 * slow, "K"),
        channel("battery_v", slow, 8.2 - 0.01 * slow, "V"),
        channel("gimbal_command_rad", slow, np.column_stack((0.03 * np.sin(6 * slow), 0.02 * np.cos(5 * slow))), "rad"),
        channel("q_enu_from_body_onboard", slow, board.q_enu_from_body, "1"),
        channel("state", slow, np.where(slow < 4, "IDLE", np.where(slow < 8.5, "BURN", "DOWN")), ""),
        channel("spare [count]", slow, np.arange(len(slow)) % 7.0, "count", is_extra=True),
    ]
    log = FlightLog(("drawn.csv",), "0" * 64, {c.name: c for c in channels}, ColumnMap())
    return Snapshot(
        revision,
        log,
        flown,
        solution(t, extra_tilt_deg=-1.3, seed=seed, with_sd=with_sd, rejected=rejected) if what_if else None,
        (slow, board.q_enu_from_body) if onboard else None,
    )


def dragged(old, extra_tilt_deg, seed=1):
    """The same log with another what-if: what one slider edit publishes."""
    return replace(old, revision=old.revision + 1, what_if=solution(old.as_flown.log_time_s, extra_tilt_deg=extra_tilt_deg, seed=seed))


def with_reflown(old, extra_tilt_deg=-2.0, *, with_sd=True):
    """The same result with the flight flown again from liftoff on, and the gimbal angles that go with it."""
    whole = solution(old.as_flown.log_time_s, extra_tilt_deg=extra_tilt_deg, with_sd=with_sd)
    after = whole.log_time_s >= EVENTS.liftoff_log_s
    time_s = whole.log_time_s[after]
    angle_rad = np.column_stack((0.04 * np.sin(6 * time_s), 0.03 * np.cos(5 * time_s)))
    nothing = np.full((len(time_s), 3), np.nan)
    again = replace(
        whole,
        method="re-fly",
        log_time_s=time_s,
        q_enu_from_body=whole.q_enu_from_body[after],
        pos_enu_m=whole.pos_enu_m[after],
        vel_enu_mps=whole.vel_enu_mps[after],
        accel_body_mps2=nothing,
        rate_body_radps=nothing,
        is_gravity_used=np.zeros(len(time_s), dtype=bool),
        tilt_sd_rad=whole.tilt_sd_rad[after] if with_sd else None,
        pos_sd_enu_m=whole.pos_sd_enu_m[after] if with_sd else None,
        vel_sd_enu_mps=None,
        attitude_sd_rad=None,
        gyro_bias_body_radps=None,
        gyro_bias_sd_radps=None,
        diagnostics={GIMBAL_ANGLE: (time_s, angle_rad), FLOWN_GIMBAL_ANGLE: (time_s, -angle_rad)},
    )
    return replace(old, extras={OVERLAYS: {REFLOWN: again}})
