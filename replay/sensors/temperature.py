"""Temperature sweep: how bias and scale move with the sensor's temperature, and whether they do so again on the next run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.sensors.bench import BenchResult, vec3
from replay.sensors.calibration import Calibration
from replay.units import DEG, STANDARD_GRAVITY_MPS2, celsius, kelvin

Array = NDArray[np.float64]

_N_BINS = 24
_LEAST_SPAN_K = 3.0
"""Below this span of temperature a slope is mostly drift of time (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class SweepRun:
    """One recording at rest while the temperature changes, all raw, on one clock, imu axes.

    Parameters
    ----------
    temperature_k : ndarray, shape (n,)
    accel_raw_mps2, rate_raw_radps : ndarray, shape (n, 3)
    """

    temperature_k: Array
    accel_raw_mps2: Array
    rate_raw_radps: Array


@dataclass(frozen=True)
class SlopeFit:
    """Straight line of one channel over one run, in the channel's unit.

    Parameters
    ----------
    at_reference, at_reference_sd : float
        Value at the reference temperature.
    slope_per_k, slope_sd : float
        Per kelvin.
    residual_largest : float
        Of the bins' means.
    """

    at_reference: float
    at_reference_sd: float
    slope_per_k: float
    slope_sd: float
    residual_largest: float


def binned(temperature_k: Array, values: Array) -> tuple[Array, Array]:
    """Mean temperature and mean value, shape (k,) each, of n samples in equal bins of temperature; empty bins are left out.

    `temperature_k` and `values` (any unit) have shape (n,).
    """
    edges = np.linspace(temperature_k.min(), temperature_k.max(), _N_BINS + 1)
    bin_of = np.clip(np.digitize(temperature_k, edges) - 1, 0, _N_BINS - 1)
    count = np.bincount(bin_of, minlength=_N_BINS)
    filled = count > 0
    t = np.bincount(bin_of, temperature_k, _N_BINS)[filled] / count[filled]
    return t, np.bincount(bin_of, values, _N_BINS)[filled] / count[filled]


def fit_slope(temperature_k: Array, values: Array, reference_k: float) -> SlopeFit:
    """Least squares on means in equal temperature bins, of `values` (n,) in any unit over `temperature_k` (n,).

    A recording is long, its noise small, and its wander slow, so the scatter of the bins about the line, not the sample noise, is what
    the slope's standard deviation is made of.

    Raises
    ------
    CannotEstimate
        The temperature hardly moved.
    """
    span = float(np.ptp(temperature_k))
    if span < _LEAST_SPAN_K:
        raise CannotEstimate("temperature sweep", f"temperature moved by {span:.2f} K, needs at least {_LEAST_SPAN_K:g} K")
    t, v = binned(temperature_k, values)
    design = np.column_stack((np.ones(len(t)), t - reference_k))
    solution, *_ = np.linalg.lstsq(design, v, rcond=None)
    residual = v - design @ solution
    variance = float(residual @ residual) / max(len(t) - 2, 1)
    sd = np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
    return SlopeFit(float(solution[0]), float(sd[0]), float(solution[1]), float(sd[1]), float(np.max(np.abs(residual))))


def _combine(fits: Sequence[SlopeFit]) -> tuple[float, float, float]:
    """Weighted mean slope, its sd (inflated where the runs disagree) and the largest disagreement in sigmas."""
    slopes = np.array([f.slope_per_k for f in fits])
    weights = 1.0 / np.maximum([f.slope_sd for f in fits], 1e-12) ** 2
    mean = float(np.sum(weights * slopes) / np.sum(weights))
    sd = 1.0 / math.sqrt(float(np.sum(weights)))
    if len(fits) < 2:
        return mean, sd, 0.0
    pulls = (slopes - mean) * np.sqrt(weights)
    return mean, sd * math.sqrt(max(float(pulls @ pulls) / (len(fits) - 1), 1.0)), float(np.max(np.abs(pulls)))


def _face(run: SweepRun) -> tuple[int, float]:
    """The axis nearest the vertical and its sign."""
    mean = run.accel_raw_mps2.mean(axis=0)
    axis = int(np.argmax(np.abs(mean)))
    return axis, float(np.sign(mean[axis]))


def temperature_sweep(
    runs: Sequence[SweepRun], reference_k: float = kelvin(20.0), gravity_mps2: float = STANDARD_GRAVITY_MPS2
) -> BenchResult:
    """Bias slopes of accelerometer and gyro, and scale slopes where an axis was swept both ways up.

    Parameters
    ----------
    runs : sequence of SweepRun
        Each at rest in one pose; several runs tell whether the slope repeats.
    reference_k : float
    gravity_mps2 : float

    Returns
    -------
    BenchResult
        `accel_slope_imu_mps2_per_k` and `gyro_slope_imu_radps_per_k`. The gyro's bias at the reference is among the figures only: a
        flight reads its own on the pad. The accelerometer's needs known poses.

    Raises
    ------
    CannotEstimate
        No recording, or one in which the temperature hardly moved.
    """
    if not runs:
        raise CannotEstimate("temperature sweep", "no recording given")
    fits = [
        [fit_slope(run.temperature_k, channel, reference_k) for channel in np.hstack((run.accel_raw_mps2, run.rate_raw_radps)).T]
        for run in runs
    ]
    faces = [_face(r) for r in runs]
    notes, figures, undetermined = [], {}, ["accelerometer bias at the reference temperature (needs known poses: six-face)"]
    slopes, sds = np.zeros(6), np.zeros(6)
    for channel in range(6):
        name = f"{'accelerometer' if channel < 3 else 'gyro'} {'xyz'[channel % 3]}"
        own = [f[channel] for f in fits]
        slopes[channel], sds[channel], pull = _combine(own)
        factor, unit = (1.0, "m/s²") if channel < 3 else (1.0 / DEG, "deg/s")
        figures[f"{name} residual largest, {unit}"] = max(f.residual_largest for f in own) * factor
        if channel < 3:
            _scale_slope(channel, own, faces, gravity_mps2, figures, undetermined, slopes)
        same_pose = len({faces[i] for i in range(len(runs))}) == 1
        if pull > 3.0 and (channel >= 3 or same_pose):
            notes.append(f"{name}: the slope does not repeat between runs ({pull:.1f} sigma); correct for it only with care")
    if len(runs) < 2:
        notes.append("one run only: whether the slopes repeat is not known")
    calibration = Calibration(
        accel_slope_imu_mps2_per_k=vec3(slopes[:3]),
        gyro_slope_imu_radps_per_k=vec3(slopes[3:]),
        reference_temperature_k=reference_k,
    )
    for axis, name in enumerate("xyz"):
        figures[f"gyro {name} bias at reference, deg/s"] = float(np.mean([f[3 + axis].at_reference for f in fits])) / DEG
    figures["temperature span, °C"] = float(max(np.ptp(r.temperature_k) for r in runs))
    low = min(float(run.temperature_k.min()) for run in runs)
    high = max(float(run.temperature_k.max()) for run in runs)
    notes.append(f"slopes hold from {celsius(low):.1f} to {celsius(high):.1f} °C")
    return BenchResult(
        "temperature",
        calibration,
        {"accel_slope_imu_mps2_per_k": tuple(sds[:3]), "gyro_slope_imu_radps_per_k": tuple(sds[3:])},
        tuple(undetermined),
        (),
        figures,
        tuple(notes),
    )


def _scale_slope(
    axis: int,
    fits: Sequence[SlopeFit],
    faces: Sequence[tuple[int, float]],
    gravity_mps2: float,
    figures: dict[str, float],
    undetermined: list[str],
    slopes: Array,
) -> None:
    """Part bias slope from scale slope where the axis was swept up and down: reading = ±g·(1 + k·ΔT) + b·ΔT."""
    up = [f.slope_per_k for f, (a, s) in zip(fits, faces, strict=True) if a == axis and s > 0]
    down = [f.slope_per_k for f, (a, s) in zip(fits, faces, strict=True) if a == axis and s < 0]
    flat = [f for f, (a, _) in zip(fits, faces, strict=True) if a != axis]
    if up and down:
        figures[f"accelerometer scale slope {'xyz'[axis]}, ppm/°C"] = 1e6 * float(np.mean(up) - np.mean(down)) / (2.0 * gravity_mps2)
        slopes[axis] = 0.5 * float(np.mean(up) + np.mean(down))
    elif flat:
        # a level axis carries no gravity: its slope is bias alone
        slopes[axis] = _combine(flat)[0]
        undetermined.append(f"accelerometer scale slope {'xyz'[axis]} (sweep it up and down)")
    else:
        undetermined.append(f"accelerometer {'xyz'[axis]}: bias slope and scale slope are one number in this pose (sweep it both ways up)")
