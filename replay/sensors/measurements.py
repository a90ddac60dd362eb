"""FlightLog and Calibration to measurements in body axes, all on the gyro's clock.

`prepare` does what no calibration changes (one clock for accelerometer and gyro, gaps, clipped spans, temperature); `measure` applies
a calibration to that in one compiled pass. Nothing is resampled across a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import Calibration, accel_matrix, gyro_matrix
from replay.sensors.onboard import onboard_attitude
from replay.units import DEG, STANDARD_GRAVITY_MPS2

if TYPE_CHECKING:
    from replay.sensors.mount import Mount

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A repeated extreme is taken for clipping only beyond these: a quiet axis repeats its extremes through coarse quantisation alone.
_ACCEL_CLIP_FLOOR_MPS2 = 1.9 * STANDARD_GRAVITY_MPS2
_RATE_CLIP_FLOOR_RADPS = 100.0 * DEG
_PART_OF_AXIS = 0.1
"""A mount turned by less than six degrees keeps what one axis lost out of the others."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """What of a log no calibration changes: n raw inertial samples on the gyro's clock, and the slower sensors on theirs.

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
    accel_raw_imu_mps2, rate_raw_imu_radps : ndarray, shape (n, 3)
    is_gap_before : ndarray of bool, shape (n,)
    is_accel_clipped_imu, is_rate_clipped_imu : ndarray of bool, shape (n, 3)
    temperature_k : ndarray, shape (n,), or None
    notes : tuple of str
    accel_step_s : float
        Of the accelerometer's own samples, where those here are interpolated between them; else 0.
    """

    log_time_s: Array
    accel_raw_imu_mps2: Array
    rate_raw_imu_radps: Array
    is_gap_before: Mask
    is_accel_clipped_imu: Mask
    is_rate_clipped_imu: Mask
    temperature_k: Array | None
    notes: tuple[str, ...]
    accel_step_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Measurements:
    """Corrected measurements in body axes. n samples on the gyro's clock; the pad gyro bias is *not* taken off yet (levelling does).

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
        Strictly increasing, not evenly spaced.
    accel_body_mps2, rate_body_radps : ndarray, shape (n, 3)
        NaN where the log has none.
    is_gap_before : ndarray of bool, shape (n,)
        A gap lies between samples i - 1 and i.
    is_accel_clipped_body, is_rate_clipped_body : ndarray of bool, shape (n, 3)
        Body axes that a clipped axis of the sensor has a part in.
    temperature_k : ndarray, shape (n,), or None
        Of the sensor.
    n_bad : int
        Rows with a NaN in accelerometer or gyro.
    baro_log_time_s, pressure_pa, baro_height_m : ndarray, shape (m,), or None
        On the barometer's own clock; `baro_height_m` as logged, only where no pressure is.
    baro_is_gap_before : ndarray of bool, shape (m,), or None
    gnss_log_time_s, gnss_lat_lon_height : ndarray, shape (k,) and (k, 3), or None
        rad, rad, m.
    mag_log_time_s, mag_body_t : ndarray, shape (j,) and (j, 3), or None
    mag_is_arbitrary : bool
        The log's unit is unknown: `mag_body_t` has a direction but its length is no field strength.
    own_log_time_s, own_q_enu_from_body : ndarray, shape (l,) and (2, l, 4), or None
        The flight computer's own attitude, read as the vehicle's and read as its board's.
    accel_step_s : float
        As `Prepared.accel_step_s`.
    notes : tuple of str
        What was done to get here.
    """

    log_time_s: Array
    accel_body_mps2: Array
    rate_body_radps: Array
    is_gap_before: Mask
    is_accel_clipped_body: Mask
    is_rate_clipped_body: Mask
    temperature_k: Array | None = None
    n_bad: int = 0
    baro_log_time_s: Array | None = None
    pressure_pa: Array | None = None
    baro_height_m: Array | None = None
    baro_is_gap_before: Mask | None = None
    gnss_log_time_s: Array | None = None
    gnss_lat_lon_height: Array | None = None
    mag_log_time_s: Array | None = None
    mag_body_t: Array | None = None
    mag_is_arbitrary: bool = False
    own_log_time_s: Array | None = None
    own_q_enu_from_body: Array | None = None
    accel_step_s: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def n_samples(self) -> int:
        """Inertial samples."""
        return len(self.log_time_s)

    @property
    def own_attitude(self) -> tuple[Array, Array] | None:
        """`own_log_time_s` and `own_q_enu_from_body`, where the computer logged its attitude."""
        return None if self.own_log_time_s is None or self.own_q_enu_from_body is None else (self.own_log_time_s, self.own_q_enu_from_body)

    @cached_property
    def is_accel_clipped(self) -> Mask:
        """Any axis, shape (n,)."""
        return np.asarray(self.is_accel_clipped_body.any(axis=1))

    @cached_property
    def is_rate_clipped(self) -> Mask:
        """Any axis, shape (n,)."""
        return np.asarray(self.is_rate_clipped_body.any(axis=1))


def gap_mask(channel: Channel) -> Mask:
    """`is_gap_before` of a channel, shape (n,)."""
    mask = np.zeros(channel.n_samples, dtype=bool)
    mask[channel.i_gap + 1] = True
    return mask


def _as_rows(channel: Channel) -> Array:
    return np.ascontiguousarray(channel.values, dtype=np.float64).reshape(channel.n_samples, -1)


def _clipped(channel: Channel, floor: float) -> Mask:
    from replay.sensors import _kernels

    rows = _as_rows(channel)
    mask = np.zeros(rows.shape, dtype=bool)
    _kernels.mark_clipped(rows, np.array([channel.full_scale or 0.0, floor]), mask)
    return mask


def _onto_body(is_clipped_imu: Mask, dcm: Array) -> Mask:
    """Body axes that a marked axis of the sensor has a part in, shape (n, 3)."""
    if not is_clipped_imu.any():
        return is_clipped_imu
    return np.asarray(is_clipped_imu @ (np.abs(dcm.T) > _PART_OF_AXIS))


def _share_clock(a: Channel, b: Channel) -> bool:
    return a.log_time_s is b.log_time_s or np.array_equal(a.log_time_s, b.log_time_s)


def _onto(time_s: Array, channel: Channel, values: Array) -> Array:
    """Rows of a channel on another clock; NaN outside it and inside its gaps."""
    from replay.sensors import _kernels

    out = np.empty((len(time_s), values.shape[1]))
    _kernels.interpolate_rows(time_s, channel.log_time_s, values, gap_mask(channel), out)
    return out


def prepare(log: FlightLog) -> Prepared:
    """The part of `measure` that depends on the log alone; keep it where the calibration of one log is changed again and again.

    Raises
    ------
    CannotEstimate
        No accelerometer or no gyro, or fewer than two samples.
    """
    for name, words in (("rate_raw_imu_radps", "gyro"), ("accel_raw_imu_mps2", "accelerometer")):
        if name not in log or log[name].n_samples < 2:
            raise CannotEstimate("attitude", f"the log has no {words} channel ({', '.join(log.channels) or 'no channels'})")
    gyro, accel = log["rate_raw_imu_radps"], log["accel_raw_imu_mps2"]
    notes, accel_step_s = [], 0.0
    is_gap_before, accel_raw, is_accel_clipped = gap_mask(gyro), _as_rows(accel), _clipped(accel, _ACCEL_CLIP_FLOOR_MPS2)
    if not _share_clock(gyro, accel):
        accel_raw = _onto(gyro.log_time_s, accel, accel_raw)
        accel_step_s = float(np.median(np.diff(accel.log_time_s)))
        nearest = np.clip(np.searchsorted(accel.log_time_s, gyro.log_time_s), 1, accel.n_samples - 1)
        is_accel_clipped = is_accel_clipped[nearest] | is_accel_clipped[nearest - 1]
        notes.append(f"accelerometer ({accel.rate_hz:.0f} Hz) brought onto the gyro's clock ({gyro.rate_hz:.0f} Hz) by interpolation")
    notes += [f"{name} never changes: not used" for name in ("pressure_pa", "baro_height_m") if name in log and _is_stuck(log[name])]
    temperature = log.get("imu_temperature_k")
    temperature_k = None
    if temperature is not None and temperature.n_samples > 0:
        is_good = np.isfinite(temperature.values)
        if is_good.any():  # slow: between samples and over its ends the sensor's temperature is held or interpolated
            temperature_k = np.interp(gyro.log_time_s, temperature.log_time_s[is_good], temperature.values[is_good])
    return Prepared(
        log_time_s=gyro.log_time_s,
        accel_raw_imu_mps2=accel_raw,
        rate_raw_imu_radps=_as_rows(gyro),
        is_gap_before=is_gap_before,
        is_accel_clipped_imu=is_accel_clipped,
        is_rate_clipped_imu=_clipped(gyro, _RATE_CLIP_FLOOR_RADPS),
        temperature_k=temperature_k,
        notes=tuple(notes),
        accel_step_s=accel_step_s,
    )


def measure(log: FlightLog, calibration: Calibration, mount: Mount, prepared: Prepared | None = None) -> Measurements:
    """Apply a calibration and a mount to a log.

    Parameters
    ----------
    log : FlightLog
    calibration : Calibration
    mount : Mount
        `dcm_body_from_imu`: axis assignment and mount rotation.
    prepared : Prepared, optional
        Of the same log; made here where not given.

    Returns
    -------
    Measurements

    Raises
    ------
    CannotEstimate
        As `prepare`.
    """
    prepared = prepared or prepare(log)
    notes = list(prepared.notes)
    dcm = np.asarray(mount.dcm_body_from_imu, dtype=float)
    accel, n_bad_accel = _applied(
        prepared, prepared.accel_raw_imu_mps2, dcm @ accel_matrix(calibration), calibration.accel_bias_imu_mps2,
        calibration.accel_slope_imu_mps2_per_k, calibration.reference_temperature_k,
    )  # fmt: skip
    rate, n_bad_rate = _applied(
        prepared, prepared.rate_raw_imu_radps, dcm @ gyro_matrix(calibration), calibration.gyro_bias_imu_radps,
        calibration.gyro_slope_imu_radps_per_k, calibration.reference_temperature_k,
    )  # fmt: skip
    has_slope = any(calibration.accel_slope_imu_mps2_per_k) or any(calibration.gyro_slope_imu_radps_per_k)
    if has_slope and prepared.temperature_k is None:
        notes.append("temperature slope not applied: the log has no sensor temperature")
    for mask, words in ((prepared.is_accel_clipped_imu, "accelerometer"), (prepared.is_rate_clipped_imu, "gyro")):
        if mask.any():
            n_clipped = int(mask.any(axis=1).sum())
            notes.append(f"{words} clipped on {n_clipped} sample{'s' if n_clipped > 1 else ''}")
    if n_bad_accel or n_bad_rate:
        notes.append(f"no value in {n_bad_accel} accelerometer and {n_bad_rate} gyro rows: bridged")
    if prepared.is_gap_before.any():
        n_gaps = int(prepared.is_gap_before.sum())
        notes.append(f"{n_gaps} gap{'s' if n_gaps > 1 else ''}: bridged")
    return Measurements(
        log_time_s=prepared.log_time_s,
        accel_body_mps2=accel,
        rate_body_radps=rate,
        is_gap_before=prepared.is_gap_before,
        is_accel_clipped_body=_onto_body(prepared.is_accel_clipped_imu, dcm),
        is_rate_clipped_body=_onto_body(prepared.is_rate_clipped_imu, dcm),
        temperature_k=prepared.temperature_k,
        n_bad=n_bad_accel + n_bad_rate,
        accel_step_s=prepared.accel_step_s,
        notes=tuple(notes),
        **_slow_sensors(log, dcm),
    )


def _applied(prepared: Prepared, raw: Array, matrix: Array, bias: object, slope: object, reference_k: float) -> tuple[Array, int]:
    from replay.sensors import _kernels

    slope_imu = np.asarray(slope, dtype=float)
    has_slope = prepared.temperature_k is not None and bool(slope_imu.any())
    temperature = prepared.temperature_k if has_slope and prepared.temperature_k is not None else np.empty(0)
    out = np.empty(raw.shape)
    matrix = np.ascontiguousarray(matrix)
    n_bad = _kernels.apply_affine(raw, matrix, matrix @ np.asarray(bias, dtype=float), matrix @ slope_imu, temperature, reference_k, out)
    return out, int(n_bad)


def _is_stuck(channel: Channel) -> bool:
    """A sensor that never changes measures nothing."""
    good = channel.values[np.isfinite(channel.values)]
    return len(good) > 10 and bool(np.all(good == good[0]))


def _slow_sensors(log: FlightLog, dcm: Array) -> dict[str, Any]:
    """Barometer, satellite, magnetometer and own attitude of Measurements, NaN rows left out."""
    fields: dict[str, Any] = {}
    for name in ("pressure_pa", "baro_height_m"):
        channel = log.get(name)
        if channel is not None and "baro_log_time_s" not in fields and np.isfinite(channel.values).any() and not _is_stuck(channel):
            is_good = np.isfinite(channel.values)
            fields[name] = channel.values[is_good]
            fields["baro_log_time_s"] = channel.log_time_s[is_good]
            stretch = np.cumsum(gap_mask(channel))[is_good]
            fields["baro_is_gap_before"] = np.diff(stretch, prepend=stretch[0]) > 0
    for name, time_name, field_name in (
        ("gnss_lat_lon_height", "gnss_log_time_s", "gnss_lat_lon_height"),
        ("mag_raw_imu_t", "mag_log_time_s", "mag_body_t"),
    ):
        channel = log.get(name)
        if channel is not None:
            is_good = np.isfinite(channel.values).all(axis=1)
            if is_good.any():
                values = channel.values[is_good]
                fields[field_name] = values @ dcm.T if name.startswith("mag") else values
                fields[time_name] = channel.log_time_s[is_good]
                if name == "mag_raw_imu_t":
                    fields["mag_is_arbitrary"] = channel.unit == "a.u."
    own = onboard_attitude(log)
    if own is not None:
        fields["own_log_time_s"] = own[0]
        fields["own_q_enu_from_body"] = np.stack((own[1], rotation.multiply(own[1], rotation.from_dcm(dcm.T))))
    return fields
