"""What the general-motion attitude filter assumes of sensors and motion."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.units import DEG

Array = NDArray[np.float64]


@dataclass(frozen=True)
class AttitudeFilterSettings:
    """What the filter assumes of sensors and motion. SI and radians; results move little when any is doubled or halved.

    Parameters
    ----------
    gyro_nd_radps_rthz : float
        White noise of the rate.
    gyro_rate_noise_rts : float
        More of it while turning: angle random walk per √s and rad/s of rate, for what scale and lag leave.
    gyro_walk_radps_rts, gyro_bias_sd_radps, gyro_scale_sd : float
        Bias drift, bias at the start, scale and cross-axis (each of nine).
    gyro_lag_s, gyro_lag_sd_s : float
        Lag of the gyro behind the accelerometer (their low-pass filters differ), and how well it is known; zero holds it.
    lag_s : float, optional
        Lag of both behind their stamps: the attitude is carried forward by it. None: half the median step, for what a sensor delivers
        through its decimation filter is a mean over its last interval, so at least half of one late. Zero for point samples.
    lag_sd_s : float, optional
        How well that is known; it shows in the standard deviation while turning. None: half the median step where `lag_s` is None (the
        filter may reach back farther, or the stamp may have the delay taken off), else zero.
    accel_nd_mps2_rthz, accel_rest_nd_mps2_rthz : float
        White error of the specific force while moving (imperfect scale and timing, too) and at rest.
    accel_walk_mps2_rts, accel_bias_sd_mps2 : float
        Bias drift, bias at the start.
    position_nd_m_rthz : float
        How far things move about: white density of the horizontal position, sd² times twice the correlation time.
    wander_m_rts : float
        How fast the place about which they move may wander.
    rest_s, rest_rate_radps, rest_accel_mps2 : float
        Rest is this long without leaving the stretch's mean by more than these.
    rest_speed_sd_mps, rest_rate_sd_radps : float
        How still rest is, per epoch.
    start_tilt_sd_rad, start_speed_sd_mps, start_position_sd_m : float
        At the start and after a gap too long to bridge.
    gap_rate_sd_radps, rate_clipped_sd_radps, accel_lost_sd_mps2 : float
        Errors while the rate is missing, while it is clipped, and while the specific force is missing or not to be used.
    epoch_s : float
        The covariance is stepped this often; every sample is integrated.
    """

    gyro_nd_radps_rthz: float = 0.02 * DEG
    gyro_rate_noise_rts: float = 5e-4
    gyro_walk_radps_rts: float = 0.002 * DEG
    gyro_bias_sd_radps: float = 1.0 * DEG
    gyro_scale_sd: float = 0.005
    gyro_lag_s: float = 0.0
    gyro_lag_sd_s: float = 0.002
    lag_s: float | None = None
    lag_sd_s: float | None = None
    accel_nd_mps2_rthz: float = 0.1
    accel_rest_nd_mps2_rthz: float = 0.02
    accel_walk_mps2_rts: float = 1e-4
    accel_bias_sd_mps2: float = 0.04
    position_nd_m_rthz: float = 0.5
    wander_m_rts: float = 0.05
    rest_s: float = 1.5
    rest_rate_radps: float = 2.0 * DEG
    rest_accel_mps2: float = 0.5
    rest_speed_sd_mps: float = 0.01
    rest_rate_sd_radps: float = 0.1 * DEG
    start_tilt_sd_rad: float = 0.3
    start_speed_sd_mps: float = 0.5
    start_position_sd_m: float = 1.0
    gap_rate_sd_radps: float = 0.35
    rate_clipped_sd_radps: float = 3.5
    accel_lost_sd_mps2: float = 30.0
    epoch_s: float = 0.15

    def __post_init__(self) -> None:
        for entry in dataclasses.fields(self):
            value = getattr(self, entry.name)
            if value is None and entry.name in ("lag_s", "lag_sd_s"):
                continue
            may_be_zero = entry.name in _MAY_BE_ZERO
            if entry.name == "gyro_lag_s" and math.isfinite(value):
                continue
            if not math.isfinite(value) or value < 0.0 or (value == 0.0 and not may_be_zero):
                least = "a number of at least zero" if may_be_zero else "a number above zero"
                raise CannotEstimate("attitude", f"{entry.name}: expected {least}, got {value!r}")


_MAY_BE_ZERO = (
    "lag_s", "lag_sd_s", "gyro_lag_sd_s", "gyro_scale_sd", "accel_bias_sd_mps2", "accel_walk_mps2_rts", "gyro_walk_radps_rts",
    "gyro_rate_noise_rts", "wander_m_rts", "gap_rate_sd_radps", "rate_clipped_sd_radps", "accel_lost_sd_mps2",
)  # fmt: skip


def replaced(settings: AttitudeFilterSettings, gains: dict[str, float]) -> AttitudeFilterSettings:
    """The settings with those of their fields put in that `gains` names; an error for a name that is none of them."""
    names = [entry.name for entry in dataclasses.fields(settings)]
    for name in gains:
        if name not in names:
            raise CannotEstimate("attitude", f"no setting {name!r}; there are {', '.join(names)}")
    return dataclasses.replace(settings, **gains)


def with_lag(s: AttitudeFilterSettings, time_s: Array) -> AttitudeFilterSettings:
    """The settings with the lag of both sensors put in where it is left to the record: half the median step of `time_s` (n,), ± as much."""
    half = 0.5 * float(np.median(np.diff(time_s)))
    sd = s.lag_sd_s if s.lag_sd_s is not None else half if s.lag_s is None else 0.0
    return dataclasses.replace(s, lag_s=half if s.lag_s is None else s.lag_s, lag_sd_s=sd)
