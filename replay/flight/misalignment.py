"""Standing misalignment of the thrust line, from the angular acceleration through the burn."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.quantity import Quantity, undetermined
from replay.motion.solution import Solution
from replay.units import DEG

Array = NDArray[np.float64]

SMOOTHING_S = 0.08
"""Window of the line that differentiates the gyro; everything it is compared with is smoothed alike, so no delay enters."""
MODEL_SD_RAD = 0.03 * DEG
"""What gusts through the derivative leave, from the spread over the sample flights against their truth."""
COMMAND_SHARE_SD = 0.1
"""What the lag between command and nozzle leaves at the least: this part of the gimbal's own motion (value from memory)."""
COMMAND_LAG_S = 0.04
"""Lag between command and nozzle that is not taken off (value from memory): fast motion of the command says little of the nozzle's."""


def autocorrelation_widening(residual: Array) -> float:
    """How many samples of a correlated residual, shape (n,), count as one: 1 + 2 Σ of its autocorrelation up to the first zero."""
    centred = residual - residual.mean()
    variance = float(centred @ centred)
    if variance <= 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, len(centred) // 3):
        r = float(centred[lag:] @ centred[:-lag]) / variance
        if r <= 0.05:
            break
        total += 2.0 * r
    return total


def thrust_misalignment(
    solution: Solution,
    events: FlightEvents,
    facts: VehicleFacts,
    boost: tuple[Array, Array, Array, Array],
    gimbal_rad: tuple[Array, Array] | None,
) -> tuple[Quantity, Quantity]:
    """Angle ε of the thrust line about body x and y.

    Turning the thrust line by δ + ε about an axis, L below the centre of gravity, gives I α = −T L (δ + ε) + M, with M the moment of
    the air: its side force, which the accelerometer feels across the axis, times an unknown arm, and a damping by the rate. The loop
    keeps α near zero, so that δ holds against ε and M together; only the side force tells them apart.

    Parameters
    ----------
    solution : Solution
    events : FlightEvents
    facts : VehicleFacts
        Inertia and lever arm are needed.
    boost : (log_time_s, thrust_n, mass_kg, density times speed), each (k,)
    gimbal_rad : (log_time_s, angles (m, 2)) or None
    """
    labels = ("thrust misalignment about x", "thrust misalignment about y")
    lever, inertia = facts.gimbal_below_cg_m, facts.transverse_inertia_kgm2
    start = max(events.log_time_s("liftoff") + 0.4, np.nan_to_num(events.log_time_s("rail_exit"), nan=-np.inf) + 0.1)
    i, j = np.searchsorted(solution.log_time_s, (start, events.log_time_s("burnout") - 0.1))
    why = "inertia or lever arm not given" if inertia is None or lever is None else "the burn is too short" if j - i < 60 else ""
    if not why and not np.all(np.isfinite(solution.rate_body_radps[i:j])):
        why = "the gyro has holes in the burn"
    if why or inertia is None or lever is None:
        return undetermined(labels[0], "deg", why), undetermined(labels[1], "deg", why)
    time = solution.log_time_s[i:j]
    rate, angular, side_accel = smoothed_kinematics(solution, slice(int(i), int(j)), facts, inertia)
    smooth = smoother_of(time)
    thrust, mass, air = (smooth(np.interp(time, boost[0], values)) for values in boost[1:])
    angle, motion = _gimbal(time, gimbal_rad)
    note = "gimbal taken off" if gimbal_rad is not None else "gimbal not logged: what it held against is not taken off"
    found = []
    for axis, label in enumerate(labels):
        # a thrust line turned about x pushes towards −y, about y towards +x: what is left across the axis is the air's side force
        sign = 1.0 if axis == 0 else -1.0
        side = mass * side_accel[:, 1 - axis] + sign * thrust * angle[:, axis]
        driven = angular[:, axis] + thrust * lever / inertia * angle[:, axis]
        design = np.column_stack((thrust / inertia, side / inertia, air * rate[:, axis]))
        solved = np.asarray(np.linalg.lstsq(design, driven, rcond=None)[0], dtype=np.float64)
        left = driven - design @ solved
        spread = np.linalg.inv(design.T @ design) * float(left @ left) / max(len(left) - 3, 1) * autocorrelation_widening(left)
        # ε also hides in the side force, which acts its arm from the centre of gravity
        arm = -lever + sign * float(solved[1])
        # a bias across the axis, as far as the method knows it, reads as a side force
        unknown = float(np.mean(mass) / np.mean(thrust)) * _bias_sd(solution, slice(int(i), int(j)), 1 - axis)
        sd = math.hypot(unknown, math.sqrt(float(spread[0, 0])) / abs(arm), motion[axis], MODEL_SD_RAD)
        found.append(Quantity(label, float(solved[0]) / arm / DEG, sd / DEG, "deg", note))
    return found[0], found[1]


def smoothed_kinematics(solution: Solution, rows: slice, facts: VehicleFacts, inertia: float) -> tuple[Array, Array, Array]:
    """Smoothed rate, angular acceleration with the gyroscopic part taken off, and specific force, (n, 3) each, body axes, SI.

    The force is at the centre of gravity, where a solution has it. `inertia` is the transverse one, kg·m².
    """
    from scipy.signal import savgol_filter

    step, window = _window(solution.log_time_s[rows])
    smooth = smoother_of(solution.log_time_s[rows])
    rate = smooth(solution.rate_body_radps[rows])
    angular = savgol_filter(solution.rate_body_radps[rows], window, 2, axis=0, deriv=1, delta=step)
    force = solution.accel_body_mps2[rows]
    if solution.accel_bias_body_mps2 is not None:
        force = force - np.nan_to_num(solution.accel_bias_body_mps2[rows])  # what the method found in flight, on top of the calibration
    accel = smooth(np.nan_to_num(force))
    slender = 1.0 - facts.axial_inertia_kgm2 / inertia
    turned = slender * np.column_stack((rate[:, 1] * rate[:, 2], -rate[:, 0] * rate[:, 2], np.zeros(len(rate))))
    return rate, angular - turned, accel


def _bias_sd(solution: Solution, rows: slice, axis: int) -> float:
    """How well the method knows the accelerometer's bias across the axis; 0 where it takes the calibration for true."""
    sd = None if solution.accel_bias_sd_mps2 is None else solution.accel_bias_sd_mps2[rows, axis]
    return float(np.median(sd)) if sd is not None and np.isfinite(sd).any() else 0.0


def smoother_of(time_s: Array) -> Callable[[Array], Array]:
    """The low-pass that differentiating by the slope of a fitted line implies, for all that is compared with the derivative.

    `time_s` (n,); the result takes and gives an array of shape (n,) or (n, w).
    The slope over 2M + 1 samples is the mean of the derivative under a parabola: smoothing the other side by anything flatter would
    make every gain come out low.
    """
    from scipy.ndimage import convolve1d

    half = _window(time_s)[1] // 2
    weights = half * (half + 1.0) - np.arange(-half, half + 1.0) ** 2
    weights = np.maximum(weights, 0.0) / np.sum(np.maximum(weights, 0.0))
    return lambda values: np.asarray(convolve1d(np.asarray(values, dtype=float), weights, axis=0, mode="nearest"))


def _window(time_s: Array) -> tuple[float, int]:
    step = float(np.median(np.diff(time_s)))
    return step, max(5, 2 * round(0.5 * SMOOTHING_S / step) + 1)


def _gimbal(time_s: Array, gimbal_rad: tuple[Array, Array] | None) -> tuple[Array, tuple[float, float]]:
    """Gimbal angles on these times, shape (n, 2), and how far each may be from the nozzle's own (standard deviation)."""
    if gimbal_rad is None:
        return np.zeros((len(time_s), 2)), (0.0, 0.0)
    smooth = smoother_of(time_s)
    angle = np.column_stack([smooth(np.interp(time_s, gimbal_rad[0], gimbal_rad[1][:, axis])) for axis in range(2)])
    moves, turns = np.std(angle, axis=0), np.std(np.gradient(angle, time_s, axis=0), axis=0)
    off = np.clip(COMMAND_LAG_S * turns, COMMAND_SHARE_SD * moves, moves)
    return angle, (float(off[0]), float(off[1]))
