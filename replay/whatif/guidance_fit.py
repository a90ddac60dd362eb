"""Steering gains from logged gimbal commands: what law, acting on what the computer believed, would have given them.

The law is the one of `guidance`: proportional to the swing from the reference nose and to the body rate, the reference held as on the
pad or turned back to vertical. Gains by linear least squares for each candidate reference, the reference by search. This describes what
was flown; it recommends nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.units import DEG
from replay.whatif.vehicle import Guidance

Array = NDArray[np.float64]

_LEAST_COMMAND_RAD = 1e-4
_LEAST_ROWS = 50
_WORTH = 0.9  # a reference that turns back must bring the misfit down to this share of a held one to be believed


@dataclass(frozen=True)
class GuidanceFit:
    """The law, and how well it is known.

    Parameters
    ----------
    guidance : Guidance
    misfit_rad : float
        RMS of what it leaves of the logged commands.
    proportional_sd, rate_sd_s : float
        One standard deviation of its two gains, on residuals taken as independent every 0.1 s, not every sample.
    """

    guidance: Guidance
    misfit_rad: float
    proportional_sd: float
    rate_sd_s: float


def identify(time_s: Array, command_rad: Array, q_believed: Array, rate_body_radps: Array, limit_rad: float) -> GuidanceFit:
    """Fit the steering law.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        After liftoff.
    command_rad : ndarray, shape (n, 2)
    q_believed : ndarray, shape (n, 4)
        Attitude as the computer had it.
    rate_body_radps : ndarray, shape (n, 3)
        As the computer had it.
    limit_rad : float
        Saturated rows are left out.

    Raises
    ------
    CannotEstimate
        The commands never move, or hardly.
    """
    from scipy.optimize import minimize

    active = np.flatnonzero(np.abs(command_rad).max(axis=1) > _LEAST_COMMAND_RAD)
    if len(active) < _LEAST_ROWS:
        raise CannotEstimate("guidance", "no guidance to re-fly: the logged gimbal commands hardly move")
    start, stop = float(time_s[active[0]]), float(time_s[active[-1]])
    rows = (time_s >= start) & (time_s <= stop) & (np.abs(command_rad).max(axis=1) < 0.98 * limit_rad)
    rate, command, q = rate_body_radps[rows][:, :2], command_rad[rows], q_believed[rows]
    nose_pad = rotation.rotate(q_believed[0], [0.0, 0.0, 1.0])

    def left(reference: tuple[float, float]) -> tuple[float, Array, Array]:
        error = _swing(q, _reference(time_s[rows], nose_pad, *reference))
        columns = np.column_stack((error.ravel(), rate.ravel()))
        gains, *_ = np.linalg.lstsq(columns, command.ravel(), rcond=None)
        residual = command.ravel() - columns @ gains
        return float(np.sqrt(np.mean(residual**2))), gains, columns

    held = (np.inf, 0.0)
    grid = [(t, r * DEG) for t in np.linspace(start, stop, 24)[:-1] for r in (2.0, 4.0, 8.0, 16.0, 32.0, 90.0)]
    best = min(grid, key=lambda reference: left(reference)[0])
    found = minimize(
        lambda x: left((x[0], np.exp(x[1])))[0], (best[0], np.log(best[1])), method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-9}
    )
    turned = (max(float(found.x[0]), 0.0), float(np.exp(found.x[1])))
    is_turned = left(turned)[0] < _WORTH * left(held)[0]
    misfit, gains, columns = left(turned if is_turned else held)
    spread = misfit * np.sqrt(max(1.0, 0.1 / float(np.median(np.diff(time_s)))))
    sd = spread * np.sqrt(np.diag(np.linalg.pinv(columns.T @ columns)))
    law = Guidance(
        proportional=float(gains[0]),
        rate_s=float(gains[1]),
        start_s=start,
        upright_from_s=turned[0] if is_turned else None,
        upright_rate_radps=turned[1] if is_turned else Guidance.upright_rate_radps,
    )
    return GuidanceFit(law, misfit, float(sd[0]), float(sd[1]))


def _reference(time_s: Array, nose_pad_enu: Array, from_s: float, rate_radps: float) -> Array:
    """Reference nose direction, shape (n, 3): held, then turned towards up along the great circle."""
    angle = np.arctan2(np.hypot(nose_pad_enu[0], nose_pad_enu[1]), nose_pad_enu[2])
    since = np.maximum(time_s - from_s, 0.0) if np.isfinite(from_s) else np.zeros_like(time_s)
    left = np.maximum(angle - rate_radps * since, 0.0)
    azimuth = np.arctan2(nose_pad_enu[1], nose_pad_enu[0])
    return np.column_stack((np.sin(left) * np.cos(azimuth), np.sin(left) * np.sin(azimuth), np.cos(left)))


def _swing(q_believed: Array, nose_ref_enu: Array) -> Array:
    """Swing from the reference nose to the believed nose, about body x and y, shape (n, 2)."""
    reference = rotation.rotate(rotation.conjugate(q_believed), nose_ref_enu)
    across = np.hypot(reference[:, 0], reference[:, 1])
    scale = np.where(across > 1e-12, np.arctan2(across, reference[:, 2]) / np.where(across > 1e-12, across, 1.0), 1.0)
    return np.column_stack((reference[:, 1] * scale, -reference[:, 0] * scale))
