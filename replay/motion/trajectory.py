"""Velocity and position: strapdown integration from liftoff, its height held to the barometer.

Not modelled, because consumer sensors cannot see it: the Earth's rate (0.0042 deg/s at most; the pad bias takes it off in the pad's
attitude) and the Coriolis acceleration (0.015 m/s² at 100 m/s, 1.5 mg).

References
----------
.. [1] P. G. Savage, Strapdown inertial navigation integration algorithm design, part 2, JGCD 21(2), 1998 (sculling).
.. [2] Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, chapters 6 and 8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.gravity import gravity_mps2, height_terms
from replay.motion.phasing import baro_height_m
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import PHASES, Events, Levelling
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise
from replay.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
Vec3 = tuple[float, float, float]

START_MARGIN_S = 0.2
"""Integration starts this long before liftoff: the first push on the rail is inside, a minute of pad noise is not."""
BARO_GATE_SIGMAS = 5.0
KNOWN_TEMPERATURE_SD_K = 1.5
UNKNOWN_TEMPERATURE_SD_K = 10.0
BARO_PATIENCE_S = 10.0
PORT_CORRELATION_S = 1.0
_DESCENT_ACCEL_ND = 1.0
_DESCENT_ACCEL_WALK = 0.3
_SCALE_CORRELATION_S = 1.0
_CLIPPED_ACCEL_ND = 15.0
_GAP_ACCEL_ND = 10.0


@dataclass(frozen=True, eq=False)
class Vertical:
    """What the barometer did to the height: epochs used and refused, innovations in sigmas, and the found errors.

    Parameters
    ----------
    log_time_s : ndarray, shape (k,)
    height_m : ndarray, shape (k,)
        Barometric height above the pad.
    innovation_sigmas : ndarray, shape (k,)
    is_used : ndarray of bool, shape (k,)
    pos_sd_enu_m, vel_sd_enu_mps : ndarray, shape (n, 3)
        At the inertial samples; NaN for the horizontal components, which the barometer says nothing of.
    """

    log_time_s: Array
    height_m: Array
    innovation_sigmas: Array
    is_used: NDArray[np.bool_]
    pos_sd_enu_m: Array
    vel_sd_enu_mps: Array


def dead_reckoned(
    time_s: Array, q_enu_from_body: Array, accel_body_mps2: Array, site: Site, start_log_s: float, rest_log_s: float
) -> tuple[Array, Array]:
    """Velocity and position of the IMU from attitude and specific force; zero up to `start_log_s`, held from `rest_log_s` on.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    q_enu_from_body : ndarray, shape (n, 4)
    accel_body_mps2 : ndarray, shape (n, 3)
        NaN rows are bridged.
    site : Site
        Latitude and ground height, for gravity.

    Returns
    -------
    vel_enu_mps, pos_enu_m : ndarray, shape (n, 3)
    """
    from replay.motion import _kernels
    from replay.motion.filters import filled

    n = len(time_s)
    vel, pos = np.empty((n, 3)), np.empty((n, 3))
    i_start = max(int(np.searchsorted(time_s, start_log_s)) - 1, 0)
    i_rest = int(np.searchsorted(time_s, rest_log_s)) if np.isfinite(rest_log_s) else n
    gravity = np.array(height_terms(site.latitude_or_default_rad))
    accel = filled(time_s, accel_body_mps2)
    _kernels.dead_reckon(time_s, q_enu_from_body, accel, gravity, site.ground_height_or_default_m, i_start, i_rest, vel, pos)
    return vel, pos


def aid_height(
    measurements: Measurements, q_enu_from_body: Array, vel_enu_mps: Array, pos_enu_m: Array, events: Events, site: Site,
    levelling: Levelling, noise: ImuNoise, settings: EstimatorSettings,
) -> Vertical | None:  # fmt: skip
    """Hold height and vertical speed to the barometer: errors of height, speed and acceleration, filtered and smoothed.

    `vel_enu_mps` and `pos_enu_m` (n, 3) are corrected in place, for the attitude `q_enu_from_body` (n, 4) on the measurements' clock.
    The barometer is trusted less where the air moves past its port (`settings.baro_port_factor` of v²/2g) and where the temperature is
    only assumed. What lies beyond the gate (ejection spikes, a bay under pressure) is refused. None without barometer or liftoff.
    """
    from replay.motion import _kernels_vertical

    liftoff, time_s, n = events.liftoff_log_s, measurements.log_time_s, measurements.n_samples
    height = baro_height_m(measurements, site, max(liftoff - 10.0, levelling.start_log_s), liftoff - START_MARGIN_S)
    if height is None or measurements.baro_log_time_s is None:
        return None
    i_start = max(int(np.searchsorted(time_s, liftoff - START_MARGIN_S)) - 1, 0)
    i_rest = int(np.searchsorted(time_s, events.rest_log_s)) if np.isfinite(events.rest_log_s) else n
    knots = measurements.baro_log_time_s
    is_in = (knots >= time_s[i_start]) & (knots <= time_s[max(i_rest - 1, 0)])
    knots, height = knots[is_in], height[is_in]
    if len(knots) < 3:
        return None
    at = np.searchsorted(time_s, knots).clip(0, n - 1)
    temperature_sd_k = UNKNOWN_TEMPERATURE_SD_K if site.ground_temperature_k is None else KNOWN_TEMPERATURE_SD_K
    scale_sd = temperature_sd_k / site.ground_temperature_or_default_k
    speed = np.minimum(np.linalg.norm(vel_enu_mps[at], axis=1), 400.0)
    port = settings.baro_port_factor * speed**2 / (2.0 * STANDARD_GRAVITY_MPS2)
    sd = np.sqrt(noise.baro_sd_m**2 + port**2 + (scale_sd * height) ** 2)
    shared = max(1.0, PORT_CORRELATION_S / float(np.median(np.diff(knots))))  # heights whose port error is one and the same
    weight_sd = np.sqrt(sd**2 + (shared - 1.0) * port**2)
    accel_nd, walk = _vertical_noise(measurements, q_enu_from_body, at, knots, events, levelling, noise)
    bias, bias_sd = _vertical_bias(levelling, site, noise)
    start = np.array([[0.0, 0.0, bias], [0.5 * noise.baro_sd_m, 0.02, bias_sd]])
    k = len(knots)
    x, cov, is_used, sigmas = np.empty((k, 3)), np.empty((k, 3, 3)), np.empty(k, dtype=bool), np.empty(k)
    difference = np.interp(knots, time_s, pos_enu_m[:, 2]) - height
    _kernels_vertical.aid_vertical(
        knots, difference, sd, weight_sd, accel_nd, walk, start, BARO_GATE_SIGMAS, BARO_PATIENCE_S, x, cov, is_used, sigmas
    )
    vel_sd, pos_sd = np.empty((n, 3)), np.empty((n, 3))
    _kernels_vertical.take_off_vertical(time_s, i_start, i_rest, knots, x, cov, scale_sd, vel_enu_mps, pos_enu_m, vel_sd, pos_sd)
    return Vertical(knots, height, sigmas, is_used, pos_sd, vel_sd)


def _vertical_noise(
    measurements: Measurements, q_enu_from_body: Array, at: NDArray[np.int64], knots: Array, events: Events, levelling: Levelling,
    noise: ImuNoise,
) -> tuple[Array, Array]:  # fmt: skip
    """White density of the vertical acceleration's error and walk of its bias for the steps that end at the knots.

    Scale error grows with the push, tilt error with its sideways part; clipped samples and gaps leave the acceleration nearly unknown.
    """
    push_enu = rotation.rotate(q_enu_from_body[at], np.nan_to_num(measurements.accel_body_mps2[at]))
    tilt_sd = np.hypot(levelling.tilt_sd_rad, noise.accel_bias_sd_mps2 / STANDARD_GRAVITY_MPS2)
    lasting = np.hypot(noise.accel_scale_sd * push_enu[:, 2], tilt_sd * np.hypot(push_enu[:, 0], push_enu[:, 1]))
    nd = np.hypot(noise.accel_nd_mps2_rthz, lasting * np.sqrt(_SCALE_CORRELATION_S))
    is_descent = events.phase_of(knots) >= PHASES.index("descent")
    nd = np.where(is_descent, np.maximum(nd, _DESCENT_ACCEL_ND), nd)
    for mask, density in ((measurements.is_accel_clipped, _CLIPPED_ACCEL_ND), (measurements.is_gap_before, _GAP_ACCEL_ND)):
        where = np.flatnonzero(mask)
        count = np.searchsorted(where, at, side="right")
        is_inside = np.diff(count, prepend=np.searchsorted(where, at[0])) > 0
        nd = np.where(is_inside, np.maximum(nd, density), nd)
    return nd, np.where(is_descent, _DESCENT_ACCEL_WALK, noise.accel_walk_mps2_rts)


def _vertical_bias(levelling: Levelling, site: Site, noise: ImuNoise) -> tuple[float, float]:
    """Vertical accelerometer bias and its standard deviation from the length of the pad's specific force, which must be g.

    What is too long there is bias or scale; each has the part its own uncertainty deserves.
    """
    gravity = float(gravity_mps2(site.latitude_or_default_rad, site.ground_height_or_default_m))
    excess = float(np.linalg.norm(levelling.accel_body_mps2)) - gravity
    from_scale = noise.accel_scale_sd * gravity
    share = noise.accel_bias_sd_mps2**2 / (noise.accel_bias_sd_mps2**2 + from_scale**2)
    return share * excess, float(noise.accel_bias_sd_mps2 * np.sqrt(1.0 - share)) + 0.01


def to_cg(q_enu_from_body: Array, rate_body_radps: Array, imu_from_cg_m: Vec3, vel_enu_mps: Array, pos_enu_m: Array) -> tuple[Array, Array]:
    """Velocity and position of the centre of gravity from those of the IMU, shape (n, 3) each, enu; both positions are zero on the pad.

    Exact and free of the noise that differentiating the gyro would bring.

    Parameters
    ----------
    q_enu_from_body : ndarray, shape (n, 4)
    rate_body_radps, vel_enu_mps, pos_enu_m : ndarray, shape (n, 3)
    imu_from_cg_m : (float, float, float)
        Body axes.
    """
    if not any(imu_from_cg_m):
        return vel_enu_mps, pos_enu_m
    from replay.motion import _kernels_lever as lever

    n = len(q_enu_from_body)
    vel, pos = np.empty((n, 3)), np.empty((n, 3))
    rows = (np.ascontiguousarray(values, dtype=np.float64) for values in (q_enu_from_body, rate_body_radps))
    before = (np.ascontiguousarray(values, dtype=np.float64) for values in (vel_enu_mps, pos_enu_m))
    lever.to_cg(*rows, np.asarray(imu_from_cg_m, dtype=np.float64), *before, vel, pos)
    return vel, pos


def specific_force_at_cg(
    time_s: Array, rate_body_radps: Array, accel_body_mps2: Array, imu_from_cg_m: Vec3, is_gap_before: NDArray[np.bool_]
) -> Array:
    """f_cg = f − α × r − ω × (ω × r), shape (n, 3); r from the centre of gravity to the IMU, α by differences over about 10 ms.

    Linear in r and quadratic in the rate: 0.1 m at 10 rad/s is 10 m/s².
    """
    if not any(imu_from_cg_m):
        return accel_body_mps2
    from replay.motion import _kernels_lever as lever

    n = len(time_s)
    step = max(1, round(0.005 / float(np.median(np.diff(time_s[: min(n, 2001)]))))) if n > 2 else 1
    force = np.empty((n, 3))
    rows = (np.ascontiguousarray(values, dtype=np.float64) for values in (time_s, rate_body_radps, accel_body_mps2))
    lever.force_at_cg(*rows, np.asarray(imu_from_cg_m, dtype=np.float64), np.ascontiguousarray(is_gap_before), step, force)
    return force
