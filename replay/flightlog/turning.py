"""Gyro against accelerometer: while a vehicle turns freely, gravity turns in the sensor's axes the other way, at the true rate."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.onboard import turned_angle
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
Up = tuple[Array, Array]
"""(time_s (k,), specific force (k, 3)) in imu axes, m/s²."""

_G = STANDARD_GRAVITY_MPS2
_AGREES = 0.7
# under a parachute the vehicle is pushed about as well as turned: the right reading agrees to 0.7 or 0.8 there, in the hand to 0.99
_DOUBTED, _CLEAR = 0.35, 0.65
_APART, _SURE = 0.3, 0.95
_LEAST_TURN = 60.0 * DEG


def turn_of_up(values: Array, time_s: Array, up: Up | None) -> float | None:
    """True rate per logged rate, from gravity turning in the sensor's axes while its length stays near g; None where it can't be told.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        Angular rate as logged, any unit, imu axes.
    time_s : ndarray, shape (n,)
    up : Up or None
    """
    found = _windows(values, time_s, up)
    if found is None:
        return None
    seen, angle, middle = found
    expected = -np.cross(angle, middle)
    power = float((expected**2).sum())
    cross = float((seen * expected).sum())
    if power == 0.0 or cross / np.sqrt(power * float((seen**2).sum())) < _AGREES:
        return None
    return cross / power


def doubted_axes(values: Array, time_s: Array, up: Up | None) -> tuple[str, float, float] | None:
    """How the gyro's axes would have to be read for gravity to turn as they say, where as logged it does not.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        Angular rate as logged, any unit, imu axes.
    time_s : ndarray, shape (n,)
    up : Up or None

    Returns
    -------
    (axes, agreement, agreement as logged) or None
        Axes as in a column map, "+x, -y, +z"; an agreement is the correlation of what is seen with what is expected. None where the
        record agrees, turns too little to tell, or agrees with no other reading either.
    """
    found = _windows(values, time_s, up)
    if found is None:
        return None
    seen, angle, middle = found
    size = float(np.sqrt((seen**2).sum()))
    if float(np.linalg.norm(seen, axis=1).sum()) < _LEAST_TURN:
        return None
    agreement: dict[str, float] = {}
    changed: dict[str, int] = {}
    for order in permutations(range(3)):
        for signs in product((1.0, -1.0), repeat=3):
            expected = -np.cross(angle[:, order] * np.array(signs), middle)
            name = ", ".join(f"{'+' if sign > 0 else '-'}{'xyz'[axis]}" for axis, sign in zip(order, signs, strict=True))
            agreement[name] = float((seen * expected).sum()) / max(size * float(np.sqrt((expected**2).sum())), 1e-300)
            changed[name] = sum(axis != i for i, axis in enumerate(order)) + signs.count(-1.0)
    as_logged, best = agreement["+x, +y, +z"], max(agreement.values())
    if not ((as_logged < _DOUBTED and best > _CLEAR) or (as_logged < best - _APART and best > _SURE)):
        return None
    name = min((n for n, value in agreement.items() if value > best - 0.05), key=lambda n: changed[n])
    return name, agreement[name], as_logged


def _windows(values: Array, time_s: Array, up: Up | None) -> tuple[Array, Array, Array] | None:
    """Change of gravity's direction, turn and mean direction, shape (w, 3) each, from window to window where nothing pushes."""
    if up is None or len(up[0]) < 50:
        return None
    at_s, accel = up
    span = max(0.15, 3.0 * float(np.median(np.diff(at_s))))
    edges = _edges(at_s, max(at_s[0], time_s[0]), min(at_s[-1], time_s[-1]), span)
    if len(edges) < 20:
        return None
    is_whole = np.diff(edges) < 1.5 * span
    mean = np.diff(turned_angle(at_s, accel, edges), axis=0) / span
    norm = np.linalg.norm(mean, axis=1)
    angle = np.diff(turned_angle(time_s, values, 0.5 * (edges[:-1] + edges[1:])), axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        direction = mean / norm[:, None]
    seen = np.diff(direction, axis=0)
    is_free = is_whole & (np.abs(norm - _G) < 0.06 * _G)
    use = is_free[1:] & is_free[:-1] & np.isfinite(seen).all(axis=1) & (np.linalg.norm(seen, axis=1) < 0.5)
    seen = seen[use]
    if len(seen) < 15 or np.linalg.norm(seen, axis=1).sum() < 20.0 * DEG:
        return None
    return seen, angle[use], (0.5 * (direction[1:] + direction[:-1]))[use]


def _edges(at_s: Array, start_s: float, stop_s: float, span: float) -> Array:
    """Edges of windows of `span` from start to stop wherever there are samples: a gap of years costs nothing."""
    k = np.unique(np.floor((at_s[(at_s >= start_s) & (at_s <= stop_s)] - start_s) / span))
    edges = start_s + span * np.union1d(k, k + 1.0)
    return edges[edges < stop_s]
