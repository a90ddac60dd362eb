"""ImuNoise: how noisy the sensors are, measured where the record shows it, a stated default where it does not."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.sensors.measurements import Measurements
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ImuNoise:
    """Noise densities and what is not known of the biases. One number stands for the three axes.

    Parameters
    ----------
    gyro_nd_radps_rthz, accel_nd_mps2_rthz : float
        White noise density. The defaults are the upper middle of consumer MEMS sensors (from memory, no source):
        0.01 deg/s/√Hz and 150 µg/√Hz.
    gyro_walk_radps_rts, accel_walk_mps2_rts : float
        Random walk of the bias, per √s. A minute of flight lets the gyro bias wander by 0.015 deg/s, the accelerometer's by 8 mm/s².
    gyro_bias_sd_radps : float
        Of a gyro bias read in a quiet window: what the window's own scatter can't show (in-run instability).
    accel_bias_sd_mps2 : float
        Left in the accelerometer after calibration: 20 mg where nothing is stated.
    gyro_scale_sd, accel_scale_sd : float
    cross_axis_sd : float
        What one axis of gyro or accelerometer feels of another, left by the calibration: data sheets of MEMS sensors stay within 1 %
        (common practice, no source).
    baro_sd_m : float
        Of one barometric height.
    defaulted : frozenset of str
        Fields that are defaults; a result that leaned on them says so.
    """

    gyro_nd_radps_rthz: float = 0.01 * DEG
    accel_nd_mps2_rthz: float = 150e-6 * STANDARD_GRAVITY_MPS2
    gyro_walk_radps_rts: float = 0.002 * DEG
    accel_walk_mps2_rts: float = 1e-3
    gyro_bias_sd_radps: float = 0.01 * DEG
    accel_bias_sd_mps2: float = 0.02 * STANDARD_GRAVITY_MPS2
    gyro_scale_sd: float = 0.01
    accel_scale_sd: float = 0.01
    cross_axis_sd: float = 0.003
    baro_sd_m: float = 0.3
    defaulted: frozenset[str] = frozenset()


DEFAULTED = frozenset(f.name for f in dataclasses.fields(ImuNoise) if f.name != "defaulted")


def white_density(time_s: Array, values: Array) -> float:
    """White noise density of evenly enough spaced samples of something that does not move, in unit·√s; NaN where too few.

    From the differences of neighbours, so that a slow drift or sway does not count as noise; the median of the axes.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    values : ndarray, shape (n, w)
        Any unit.
    """
    from replay.sensors import _kernels

    variance = np.empty(values.shape[1])
    count, spanned = _kernels.difference_variance(time_s, values, variance)
    if count < 19:
        return float("nan")
    return float(np.sqrt(np.median(variance) / 2.0 * spanned / count))


def measured_on_pad(measurements: Measurements, start_log_s: float, stop_log_s: float) -> ImuNoise:
    """Noise of the sensors in a quiet window on the pad; what such a window can't show keeps its stated default."""
    i, j = np.searchsorted(measurements.log_time_s, (start_log_s, stop_log_s))
    time_s = measurements.log_time_s[i:j]
    found = {
        "gyro_nd_radps_rthz": white_density(time_s, measurements.rate_body_radps[i:j]),
        "accel_nd_mps2_rthz": _accel_density(time_s, measurements.accel_body_mps2[i:j], measurements.accel_step_s),
        "baro_sd_m": _baro_sd(measurements, start_log_s, stop_log_s),
    }
    found = {name: value for name, value in found.items() if np.isfinite(value) and value > 0.0}
    return dataclasses.replace(ImuNoise(), **found, defaulted=DEFAULTED - frozenset(found))


def _accel_density(time_s: Array, accel: Array, own_step_s: float) -> float:
    """White noise density of a specific force (n, 3) that was interpolated between samples `own_step_s` apart (0: it was not).

    Of white noise of variance σ² interpolated at places drawn evenly, samples u own steps apart, 1 ≤ u < 2, have the covariance
    σ² (2 − u)³/6, and each the variance ⅔ σ² (the cubic B-spline).
    """
    if own_step_s == 0.0 or len(time_s) < 2:
        return white_density(time_s, accel)
    step_s = float(np.median(np.diff(time_s)))
    stride = max(int(np.ceil(own_step_s / step_s - 1e-6)), 1)
    apart = stride * step_s / own_step_s
    kept = apart * (2.0 / 3.0 - max(2.0 - apart, 0.0) ** 3 / 6.0)
    return white_density(np.ascontiguousarray(time_s[::stride]), np.ascontiguousarray(accel[::stride])) / float(np.sqrt(kept))


def _baro_sd(measurements: Measurements, start_log_s: float, stop_log_s: float) -> float:
    """Scatter of one barometric height about its neighbours, m; one pascal is 0.0843 m near the ground."""
    if measurements.baro_log_time_s is None:
        return float("nan")
    is_in = (measurements.baro_log_time_s >= start_log_s) & (measurements.baro_log_time_s < stop_log_s)
    values = measurements.baro_height_m if measurements.pressure_pa is None else measurements.pressure_pa * 0.0843
    if values is None or np.count_nonzero(is_in) < 20:
        return float("nan")
    inside = values[is_in]
    return float(max(np.std(np.diff(inside)) / np.sqrt(2.0), 0.5 * np.std(inside)))
