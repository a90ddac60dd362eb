"""The one door to the attitude methods: plain arrays in, attitude out; and the same for the measurements of a flight."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import filters
from replay.motion.settings import METHODS, EstimatorSettings
from replay.motion.solution import Levelling
from replay.sensors.measurements import Measurements

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_START_S = 0.1
GAINS = {
    "integrate": {},
    "complementary": {"gain_per_s": "complementary_gain_per_s", "bias_gain_per_s2": "complementary_bias_gain_per_s2"},
    "gradient": {"gain_radps": "gradient_gain_radps"},
}
"""Method -> its gains as `estimate_attitude` names them -> the field of EstimatorSettings."""


@dataclass(frozen=True, eq=False)
class AttitudeEstimate:
    """Attitude of plain arrays, n samples.

    Parameters
    ----------
    method : str
    q_enu_from_body : ndarray, shape (n, 4)
        Heading declared, not measured.
    is_gravity_used : ndarray of bool, shape (n,)
    gyro_bias_body_radps, gyro_bias_sd_radps : ndarray, shape (n, 3), or None
        Where the method estimates one.
    tilt_sd_rad : ndarray, shape (n,), or None
    details : dict
        What else the method found.
    """

    method: str
    q_enu_from_body: Array
    is_gravity_used: Mask
    gyro_bias_body_radps: Array | None = None
    gyro_bias_sd_radps: Array | None = None
    tilt_sd_rad: Array | None = None
    details: dict[str, Any] = field(default_factory=dict)


def estimate_attitude(
    time_s: ArrayLike,
    rate_body_radps: ArrayLike,
    accel_body_mps2: ArrayLike,
    method: str = "kalman",
    *,
    q_start: ArrayLike | None = None,
    gyro_bias_body_radps: ArrayLike = (0.0, 0.0, 0.0),
    is_gravity_used: ArrayLike | None = None,
    is_gap_before: ArrayLike | None = None,
    pad_azimuth_rad: float = 0.5 * np.pi,
    **gains: Any,
) -> AttitudeEstimate:
    """Attitude from gyro and accelerometer by one of the methods, for any motion, no flight assumed and no gate applied.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly increasing; steps may differ.
    rate_body_radps, accel_body_mps2 : array_like, shape (n, 3)
        Point samples. NaN rows are bridged.
    method : str
        "integrate", "complementary", "gradient", "kalman" or "smoother".
    q_start : array_like, shape (4,), optional
        Attitude at the first sample. Without it the first 0.1 s of specific force gives the tilt and `pad_azimuth_rad` the heading.
    gyro_bias_body_radps : array_like, shape (3,)
        Taken off the rate; for the methods that estimate a bias, where they start.
    is_gravity_used : array_like of bool, shape (n,), optional
        Where the accelerometer may correct the attitude; everywhere if not given.
    is_gap_before : array_like of bool, shape (n,), optional
    **gains
        `gain_per_s`, `bias_gain_per_s2` (complementary), `gain_radps` (gradient); for "kalman" and "smoother" `settings`, `mask`, or
        single fields of `kalman.AttitudeFilterSettings`.

    Returns
    -------
    AttitudeEstimate

    Raises
    ------
    CannotEstimate
        Shapes that do not fit, time that does not increase, an unknown method or gain, no usable row.
    """
    if method not in METHODS:
        raise CannotEstimate("attitude", f"no method {method!r}; there are {', '.join(METHODS)}")
    time, rate, accel = _checked(time_s, rate_body_radps, accel_body_mps2)
    q = None if q_start is None else rotation.normalise(q_start)
    bias = np.array(gyro_bias_body_radps, dtype=float)
    if method in ("kalman", "smoother"):
        gains |= {"is_gravity_used": is_gravity_used, "is_gap_before": is_gap_before, "gyro_bias_body_radps": bias}
        return _kalman(method, time, rate, accel, q, pad_azimuth_rad, gains)
    n = len(time)
    is_used = np.ones(n, dtype=bool) if is_gravity_used is None else np.array(is_gravity_used, dtype=bool)
    is_bad = filters.mark_finite(rate, accel, is_used) > 0
    gap = np.zeros(n, dtype=bool) if is_gap_before is None else np.ascontiguousarray(is_gap_before, dtype=bool)
    if is_bad:
        rate, accel = filters.filled(time, rate), filters.filled(time, accel)
    if q is None:
        q = _first_attitude(time, rate, accel, bias, pad_azimuth_rad)
    return _quick(method, time, rate, accel, q, bias, is_used, gap, gains)


def _quick(
    method: str, time: Array, rate: Array, accel: Array, q: Array, bias: Array, is_used: Mask, gap: Mask, gains: dict[str, Any]
) -> AttitudeEstimate:
    settings = EstimatorSettings()
    values: dict[str, Any] = {name: float(getattr(settings, field_name)) for name, field_name in GAINS[method].items()}
    for name, value in gains.items():
        if name not in values:
            raise CannotEstimate(f"attitude by {method!r}", f"no gain {name!r}; there is {', '.join(values) or 'none'}")
        values[name] = float(value)
    q_all = _run(method, time, rate, accel, is_used, bias, 0, q, gap, values)
    return AttitudeEstimate(method, q_all, is_used if method != "integrate" else np.zeros(len(time), dtype=bool))


def _run(
    method: str, time: Array, rate: Array, accel: Array, is_used: Mask, bias: Array, i_start: int, q_start: Array, gap: Mask,
    gains: dict[str, Any],
) -> Array:  # fmt: skip
    if method == "integrate":
        return filters.integrate(time, rate, bias, i_start, q_start, gap)
    run: Any = filters.complementary if method == "complementary" else filters.gradient
    q: Array = run(time, rate, accel, is_used, bias, i_start, q_start, gap, **gains)
    return q


def _kalman(
    method: str, time: Array, rate: Array, accel: Array, q_start: Array | None, pad_azimuth_rad: float, options: dict[str, Any]
) -> AttitudeEstimate:
    """The Kalman methods level their own start and bridge their own gaps, with the uncertainty that brings; only the heading is ours."""
    from replay.motion import kalman

    run = kalman.kalman_attitude if method == "kalman" else kalman.smooth_attitude
    found: AttitudeEstimate = run(time, rate, accel, q_start=q_start, **options)
    turn_rad = 0.5 * np.pi - pad_azimuth_rad
    if q_start is not None or turn_rad == 0.0:
        return found
    turn = np.array([np.cos(0.5 * turn_rad), 0.0, 0.0, np.sin(0.5 * turn_rad)])
    return dataclasses.replace(found, q_enu_from_body=rotation.multiply(turn, found.q_enu_from_body))


def _checked(time_s: ArrayLike, rate: ArrayLike, accel: ArrayLike) -> tuple[Array, Array, Array]:
    time = np.ascontiguousarray(time_s, dtype=float)
    rows = [np.ascontiguousarray(values, dtype=float) for values in (rate, accel)]
    for name, values in zip(("rate_body_radps", "accel_body_mps2"), rows, strict=True):
        if time.ndim != 1 or values.shape != (len(time), 3):
            raise CannotEstimate("attitude", f"{name}: expected shape ({len(time)}, 3), got {values.shape}")
    if not np.isfinite(time).all() or np.any(np.diff(time) <= 0.0):
        i = int(np.flatnonzero(~(np.diff(time) > 0.0))[0]) + 1 if len(time) > 1 else 0
        raise CannotEstimate("attitude", f"time must increase from sample to sample; it does not at sample {i}")
    return time, rows[0], rows[1]


def _first_attitude(time: Array, rate: Array, accel: Array, bias: Array, pad_azimuth_rad: float) -> Array:
    """Tilt at the first sample from the mean specific force of the first tenth of a second, carried back to it by the gyro."""
    if not len(time):
        return np.array([1.0, 0.0, 0.0, 0.0])
    m = max(1, int(np.searchsorted(time, time[0] + _START_S)))
    q_first_from_body = integrated_rows(time[:m], rate[:m], bias, 0, np.array([1.0, 0.0, 0.0, 0.0]))
    up = rotation.rotate(q_first_from_body, accel[:m]).mean(axis=0)
    if not np.linalg.norm(up) > 0.0:
        raise CannotEstimate("attitude", "the first tenth of a second holds no specific force to level on; give q_start")
    return rotation.from_up_body(up, pad_azimuth_rad)


def integrated_rows(time_s: Array, rate: Array, bias: Array, i_start: int, q_start: Array) -> Array:
    """Gyro-only attitude of a stretch without gaps, finite rows, shape (n, 4); `rate` (n, 3) and `bias` (3,) in body axes, rad/s."""
    return filters.integrate(
        np.ascontiguousarray(time_s), np.ascontiguousarray(rate), bias, i_start, q_start, np.zeros(len(time_s), dtype=bool)
    )


def start_of(measurements: Measurements, levelling: Levelling) -> int:
    """Sample at which the levelled attitude holds: the last of the levelling window."""
    i = int(np.searchsorted(measurements.log_time_s, levelling.stop_log_s, side="right")) - 1
    return min(max(i, 0), measurements.n_samples - 1)


def integrated(measurements: Measurements, levelling: Levelling, stop: int | None = None) -> Array:
    """Gyro-only attitude of a flight from its levelling, for the first `stop` samples, shape (stop, 4)."""
    time = measurements.log_time_s[:stop]
    rate = filters.filled(time, measurements.rate_body_radps[:stop])
    i_start = min(start_of(measurements, levelling), len(time) - 1)
    return filters.integrate(
        time, rate, levelling.gyro_bias_body_radps, i_start, levelling.q_enu_from_body, measurements.is_gap_before[:stop]
    )


def quick_attitude(
    method: str, measurements: Measurements, rate: Array, accel: Array, levelling: Levelling, is_used: Mask, settings: EstimatorSettings,
    *, has_flight: bool = True,
) -> Array:  # fmt: skip
    """Attitude of a flight by "integrate", "complementary" or "gradient", shape (n, 4); `rate` and `accel` are filled, bias taken off.

    A flight computer's filter starts where the computer levels, before liftoff; in a record without a flight, at the first sample.
    """
    gains = {name: float(getattr(settings, field_name)) for name, field_name in GAINS[method].items()}
    time, gap = measurements.log_time_s, measurements.is_gap_before
    i_start, q_start = start_of(measurements, levelling), levelling.q_enu_from_body
    if method != "integrate" and not has_flight and i_start > 0:
        m = i_start + 1
        q_start = filters.integrate(time[:m], rate[:m], np.zeros(3), i_start, q_start, gap[:m])[0].copy()
        i_start = 0
    return _run(method, time, rate, accel, is_used, np.zeros(3), i_start, q_start, gap, gains)
