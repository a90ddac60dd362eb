"""Reconcile: the calibration that makes the record agree with itself and with what was observed from outside.

One static attitude on the pad can't tell a leaning rail from a biased accelerometer; what parts them is the rest of the flight (zero
velocity at both ends, the barometer, gravity at rest after touchdown with another body axis down) and the evidence. Each number comes
with its standard deviation and how much of it the record gave; what the record does not determine stays at its prior and says so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import FlightLog
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.calibration import Calibration, referred_to
from replay.sensors.measurements import Measurements, measure
from replay.sensors.mount import Mount, find_mount
from replay.whatif.evidence import Evidence, Prior, stated_prior
from replay.whatif.flight_fit import Cancel, FlightFit, Progress, fit_flight
from replay.whatif.flight_record import build_record, pad_temperature_k, warmer_than_pad_k
from replay.whatif.reconcile_result import Warming, error_rows, result_of
from replay.whatif.reconciliation import Reconciliation
from replay.whatif.unknowns import (
    ACCEL_BIAS,
    ACCEL_CROSS,
    ACCEL_SCALE,
    ACCEL_SLOPE,
    BARO,
    DEFAULT_FREE,
    GYRO_BIAS,
    GYRO_SCALE,
    GYRO_SLOPE,
    MOUNT,
    N_ERRORS,
    PAD_TILT,
    PLACES,
    members_of,
)
from replay.whatif.vehicle import Vehicle

Array = NDArray[np.float64]

UNDETERMINED_SHARE = 0.9
"""A parameter that keeps more than this part of its prior standard deviation was not seen by this flight (common practice, no source)."""

_BARO_PRIOR_SD = (10.0, 0.005, 0.05, 0.01)
_BARO_DEFAULT_TEMPERATURE_SD = 0.05
_BARO_LAG_S = 0.05


def reconcile(
    log: FlightLog,
    vehicle: Vehicle | None = None,
    evidence: Evidence | None = None,
    calibration: Calibration | None = None,
    *,
    free: Sequence[str] = DEFAULT_FREE,
    site: Site | None = None,
    settings: EstimatorSettings | None = None,
    mount: Mount | None = None,
    solution: Solution | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> Reconciliation:
    """Solve for the calibration that fits the record and the evidence.

    Parameters
    ----------
    log : FlightLog
    vehicle : Vehicle, optional
        For its site.
    evidence : Evidence, optional
    calibration : Calibration, optional
        As flown: the prior's mean.
    free : sequence of str
        Groups (`MEMBERS`) or single members of them; the rest is pinned at the calibration as flown, the pad tilt as levelled. With a
        temperature slope among them, biases are those at the temperature on the pad, which becomes the calibration's reference.
    site : Site, optional
        Goes before the vehicle's.
    settings : EstimatorSettings, optional
    mount : Mount, optional
    solution : Solution, optional
        A smoother's, with the same calibration; estimated where not given.
    progress, cancel : optional

    Raises
    ------
    CannotEstimate
        No liftoff, or no quiet pad.
    SettingsError
        An unknown name in `free`.
    Cancelled
    """
    from replay.motion.estimator import estimate

    evidence, base = evidence or Evidence(), calibration or Calibration()
    site = site or (vehicle.site if vehicle is not None else Site())
    freed = members_of(free)
    is_free = np.zeros(N_ERRORS, dtype=bool)
    is_free[[place for name, place in PLACES.items() if name in freed]] = True
    if solution is None:
        if progress is not None:
            progress(0.0, "smoothing the flight as calibrated")
        solution = estimate(log, "smoother", calibration=base, site=site, settings=settings, mount=mount)
    mount = mount or find_mount(log, base)
    measurements = measure(log, base, mount)
    record = build_record(measurements, solution, site, np.asarray(mount.dcm_body_from_imu))
    mean, sd = _priors(evidence.prior, site)
    levelled = None if PAD_TILT in freed else np.asarray(solution.levelling.q_enu_from_body, dtype=float)
    fit = fit_flight(record, evidence, mean, sd, is_free, pad_attitude=levelled, progress=_later(progress), cancel=cancel)
    fit, undetermined = _settled(fit, evidence, mean, sd, is_free, levelled, cancel)
    if progress is not None:
        progress(1.0, "done")
    pad_k = pad_temperature_k(measurements, solution)
    if is_free[ACCEL_SLOPE].any() or is_free[GYRO_SLOPE].any():
        base = referred_to(base, pad_k) if np.isfinite(pad_k) else base
    warming = Warming(_warmed_k(measurements, solution), np.isfinite(pad_k), _without_slope(base, is_free))
    return result_of(fit, undetermined, base, mean, sd, evidence, site, solution, mount.note, warming)


def _without_slope(base: Calibration, is_free: NDArray[np.bool_]) -> tuple[str, ...]:
    """The sensors whose drift with temperature neither the calibration takes off nor the fit solves for."""
    sensors = ("accelerometer", base.accel_slope_imu_mps2_per_k, ACCEL_SLOPE), ("gyro", base.gyro_slope_imu_radps_per_k, GYRO_SLOPE)
    return tuple(name for name, slopes, where in sensors if not any(slopes) and not is_free[where].all())


def _warmed_k(measurements: Measurements, solution: Solution) -> float:
    """From the levelling on the pad to where the temperature lies farthest from it before touchdown."""
    time, touchdown = measurements.log_time_s, solution.events.touchdown_log_s
    flown = (time > solution.levelling.stop_log_s) & (time <= (touchdown if np.isfinite(touchdown) else time[-1]))
    off = warmer_than_pad_k(measurements, solution)[flown]
    return float(off[np.argmax(np.abs(off))]) if len(off) else 0.0


def _later(progress: Progress | None) -> Progress | None:
    return None if progress is None else (lambda share, text: progress(0.3 + 0.6 * share, text))


def _priors(prior: Prior, site: Site) -> tuple[Array, Array]:
    p = stated_prior(prior)
    mean, sd = np.zeros(N_ERRORS), np.empty(N_ERRORS)
    for where, value in (
        (ACCEL_BIAS, p.accel_bias_mps2), (ACCEL_SCALE, p.accel_scale), (ACCEL_CROSS, p.accel_cross_axis), (GYRO_BIAS, p.gyro_bias_radps),
        (GYRO_SCALE, p.gyro_scale), (ACCEL_SLOPE, p.accel_slope_mps2_per_k), (GYRO_SLOPE, p.gyro_slope_radps_per_k), (MOUNT, p.mount_rad),
    ):  # fmt: skip
        sd[where] = value
    sd[BARO] = _BARO_PRIOR_SD
    if site.ground_temperature_k is None:
        sd[BARO.start + 1] = _BARO_DEFAULT_TEMPERATURE_SD
    mean[BARO.start + 2] = _BARO_LAG_S
    return mean, sd


def _settled(
    fit: FlightFit, evidence: Evidence, mean: Array, sd: Array, is_free: NDArray[np.bool_], levelled: Array | None, cancel: Cancel | None
) -> tuple[FlightFit, NDArray[np.bool_]]:
    """The fit with undetermined errors put back to their prior; standard deviations stay those with them free."""
    spread = np.sqrt(np.maximum(np.diag(fit.covariance(error_rows(fit))), 0.0))
    undetermined = is_free & (spread > UNDETERMINED_SHARE * sd)
    if not undetermined.any():
        return fit, undetermined
    held = fit_flight(fit.record, evidence, mean, sd, is_free & ~undetermined, pad_attitude=levelled, like=fit, cancel=cancel)
    return dataclasses.replace(fit, states=held.states, residuals=held.residuals, chi_square=held.chi_square), undetermined
