"""Gyro scale from turns by a known angle: rest, turn about one axis, rest, as often as you like."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate
from replay.sensors.bench import BenchResult, find_rests, pose_of, vec3
from replay.sensors.calibration import Calibration
from replay.units import DEG

Array = NDArray[np.float64]

_CLEAN_AXIS = 0.98
"""Part of a turn's angle that must lie about one axis of the gyro; beyond it the cosine alone shifts the scale by over 2 %."""


@dataclass(frozen=True)
class Turn:
    """One turn: when, about which axis of the imu, by how much the raw gyro says it turned, and one standard deviation of that."""

    start_s: float
    stop_s: float
    axis: int
    angle_raw_rad: float
    sd_rad: float


def find_turns(time_s: Array, accel_raw: Array, rate_raw: Array, threshold: float = 3.0) -> list[Turn]:
    """Turns between rests, the bias of the neighbouring rests taken off.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    accel_raw, rate_raw : ndarray, shape (n, 3)
        Raw samples; the rate in rad/s.
    threshold : float
        See `bench.find_rests`.
    """
    spans = find_rests(time_s, accel_raw, rate_raw, threshold)
    turns = []
    for before, after in itertools.pairwise(spans):
        i, j = before.stop - 1, after.start
        duration = float(time_s[j] - time_s[i])
        bias = 0.5 * (rate_raw[before].mean(axis=0) + rate_raw[after].mean(axis=0))
        angle = np.trapezoid(rate_raw[i : j + 1] - bias, time_s[i : j + 1], axis=0)
        axis = int(np.argmax(np.abs(angle)))
        if abs(angle[axis]) < _CLEAN_AXIS * float(np.linalg.norm(angle)) or abs(angle[axis]) < 20.0 * DEG:
            continue
        # half the change of the bias between the rests bounds what it did in between; white noise is far below it
        drift = 0.5 * abs(float(rate_raw[after, axis].mean() - rate_raw[before, axis].mean())) * duration
        mean_error = float(np.std(rate_raw[before, axis])) / math.sqrt(before.stop - before.start) * duration
        turns.append(Turn(float(time_s[i]), float(time_s[j]), axis, float(angle[axis]), math.hypot(drift, mean_error)))
    return turns


def turn_scale(
    time_s: ArrayLike, accel_raw: ArrayLike, rate_raw: ArrayLike, turn_rad: float, turn_sd_rad: float = 0.5 * DEG, threshold: float = 3.0
) -> BenchResult:
    """Gyro scale from turns whose true size is a whole multiple of `turn_rad`.

    Parameters
    ----------
    time_s : array_like, shape (n,)
    accel_raw, rate_raw : array_like, shape (n, 3)
        m/s² (or any unit), rad/s.
    turn_rad : float
        The known angle, for example a full circle; a turn of two or three times it is recognised.
    turn_sd_rad : float
        How well each turn was stopped at its mark.
    threshold : float

    Returns
    -------
    BenchResult
        Scale and its standard deviation for each axis that was turned; the others undetermined.

    Raises
    ------
    CannotEstimate
        No turn about a single axis between two rests.
    """
    time, accel, rate = (np.asarray(a, dtype=float) for a in (time_s, accel_raw, rate_raw))
    turns = find_turns(time, accel, rate, threshold)
    if not turns:
        raise CannotEstimate("known turns", "found no turn about a single axis between two rests")
    scale, sd, undetermined, figures = np.ones(3), np.full(3, np.nan), [], {}
    for axis, name in enumerate("xyz"):
        own = [t for t in turns if t.axis == axis]
        if not own:
            undetermined.append(f"gyro scale {name} (no clean turn about it)")
            continue
        measured = np.array([abs(t.angle_raw_rad) for t in own])
        true = np.maximum(np.round(measured / turn_rad), 1.0) * turn_rad
        error = np.array([math.hypot(t.sd_rad, turn_sd_rad) for t in own])
        # least squares of true = scale · measured, the stop at the mark being the error
        weight = (measured / error) ** 2
        scale[axis] = float(np.sum(measured * true / error**2) / np.sum(weight))
        spread = (true - scale[axis] * measured) / error
        inflate = math.sqrt(max(float(spread @ spread) / (len(own) - 1), 1.0)) if len(own) > 1 else 1.0
        sd[axis] = inflate / math.sqrt(float(np.sum(weight)))
        figures[f"turns about {name}"] = float(len(own))
        figures[f"turn residual {name} RMS, deg"] = float(np.sqrt(np.mean((true - scale[axis] * measured) ** 2)) / DEG)
        if abs(scale[axis] - 1.0) * measured.max() > 0.25 * turn_rad:
            undetermined.append(f"gyro scale {name}: the count of turns is ambiguous ({measured.max() / turn_rad:.2f} of the stated angle)")
    poses = tuple(pose_of(time, accel, rate, s) for s in find_rests(time, accel, rate, threshold))
    return BenchResult(
        "turns",
        Calibration(gyro_scale=vec3(scale)),
        {"gyro_scale": tuple(float(s) for s in sd)},
        (*undetermined, "accelerometer, gyro misalignment (turns about single axes don't show them)"),
        poses,
        figures,
        (f"each turn taken as a whole multiple of {turn_rad / DEG:.6g}°, stopped within {turn_sd_rad / DEG:.3g}° (one sigma)",),
    )
