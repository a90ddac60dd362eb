"""Pre-integration: the inertial record gathered once between epochs, whatever attitude and sensor errors turn out to be.

Rotation, velocity and position increments of an epoch stand in the body axes at its start, with their derivatives with respect to
constant errors of the sensors, so that the flight can be put together again for other errors without touching the samples.

A step across a gap, a clipped sample or a row without a value carries extra variance, by what it can hide.

References
----------
.. [1] T. Lupton and S. Sukkarieh, Visual-inertial-aided navigation for high-dynamic motion in built environments without initial
       conditions, IEEE Trans. Robotics 28(1), 2012.
.. [2] C. Forster, L. Carlone, F. Dellaert, D. Scaramuzza, On-manifold preintegration for real-time visual-inertial odometry,
       IEEE Trans. Robotics 33(1), 2017.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.filters import calm_gap_ends, filled
from replay.sensors.measurements import Measurements

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

ERRORS = ("gyro bias", "accelerometer bias", "gyro scale", "accelerometer scale")
"""Three body components each: the columns of `Preintegrated.jacobian`. Corrected = measured − bias − scale · measured."""

MOTION_HZ = 5.0
"""A body this size moves at most at about this frequency: bounds what a gap can hide (check: 200 deg/s, 20 ms → 0.13 deg)."""
CLIPPED_SHARE = 0.5
"""One standard deviation of what a clipped sample lost, as a share of what it shows."""
SHOCK_RADPS, SHOCK_MPS2 = 0.5, 20.0
"""Fourth difference beyond which neighbouring samples miss part of a blow,"""
SHOCK_SHARE = 0.01
"""and how much of it (one standard deviation): that of a spike on one sample sums to a ninth of the spike."""
DENSITY_SPAN_S = 1.0
_NEIGHBOURHOOD_S = 0.25


@dataclass(frozen=True, eq=False)
class Inertial:
    """n inertial samples ready to be integrated: no missing values, each step with the variance of what it can't show.

    Parameters
    ----------
    log_time_s : ndarray, shape (n,)
    rate_body_radps, accel_body_mps2 : ndarray, shape (n, 3)
        Rows without a value are bridged.
    bend : ndarray, shape (n, 3)
        Curvature of the rate.
    is_gap_before : ndarray of bool, shape (n,)
        Also before and after bridged rows.
    extra_var : ndarray, shape (n, 4)
        Of step i → i + 1: angle about each axis, rad²; velocity along body x, y, z, (m/s)². Zero nearly everywhere.
    notes : tuple of str
    """

    log_time_s: Array
    rate_body_radps: Array
    accel_body_mps2: Array
    bend: Array
    is_gap_before: Mask
    extra_var: Array
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Preintegrated:
    """m epochs between m + 1 edges.

    Parameters
    ----------
    log_time_s : ndarray, shape (m + 1,)
    edges : ndarray of int, shape (m + 1,)
        Sample at each edge.
    q_start_from_end : ndarray, shape (m, 4)
    vel_start_mps, pos_start_m : ndarray, shape (m, 3)
        What the specific force adds to velocity and position, body axes at the start of the epoch; gravity is left out.
    jacobian : ndarray, shape (m, 9, 12)
        Of rotation (a rotation vector in the axes at the end), velocity and position, by the errors in the order of `ERRORS`.
    var : ndarray, shape (m, 5)
        Angle per axis, velocity per axis, and further velocity along body x, y, z at the start.
    mean : ndarray, shape (m, 6)
        Rate, then specific force.
    scatter : ndarray, shape (m, 2)
        Variance within the epoch, three axes together, of rate and specific force.
    """

    log_time_s: Array
    edges: Index
    q_start_from_end: Array
    vel_start_mps: Array
    pos_start_m: Array
    jacobian: Array
    var: Array
    mean: Array
    scatter: Array

    @property
    def n_epochs(self) -> int:
        """m."""
        return len(self.edges) - 1

    @property
    def duration_s(self) -> Array:
        """Of each epoch, shape (m,)."""
        return np.diff(self.log_time_s)

    def corrected(self, errors: Array) -> tuple[Array, Array, Array]:
        """Rotation, velocity and position increments with `errors`, shape (12,) or (m, 12), taken off: to first order, per epoch."""
        change = np.einsum("kij,kj->ki", self.jacobian, np.broadcast_to(np.asarray(errors, dtype=float), (self.n_epochs, 12)))
        q = rotation.multiply(self.q_start_from_end, rotation.from_rotvec(change[:, :3]))
        return q, self.vel_start_mps + change[:, 3:6], self.pos_start_m + change[:, 6:9]


def prepare_inertial(measurements: Measurements) -> Inertial:
    """Samples without missing values, with gaps and clipped spans priced.

    A gap of g s is bridged in a straight line; the angle that may hide in it is at most g³/12 · |ω̈| [1]_, with ω̈ from the motion
    around the gap taken to be at `MOTION_HZ`, and no more than that motion over the whole gap. Velocity likewise. What a clipped sample
    lost along an axis goes with the share of that axis in what it shows, and adds up over the span.

    References
    ----------
    .. [1] Error of linear interpolation, any text on numerical analysis.
    """
    from replay.motion import _kernels
    from replay.motion import _kernels_preintegration as kernels

    time_s = np.ascontiguousarray(measurements.log_time_s)
    rate_raw, accel_raw = measurements.rate_body_radps, measurements.accel_body_mps2
    rate = np.ascontiguousarray(filled(time_s, rate_raw))
    accel = np.ascontiguousarray(filled(time_s, accel_raw))
    n = len(time_s)
    extra = np.zeros((n, 4))
    is_gap_before = np.array(measurements.is_gap_before, dtype=bool)
    is_missing = np.zeros(n, dtype=bool)
    if rate is not rate_raw or accel is not accel_raw:
        is_missing[:] = ~(np.isfinite(rate_raw).all(axis=1) & np.isfinite(accel_raw).all(axis=1))
    first, last = _bridges(is_gap_before, is_missing)
    if is_missing.any():
        is_gap_before |= is_missing
        is_gap_before[1:] |= is_missing[:-1]
        is_gap_before[0] = False
    for i, j in zip(first, last, strict=True):
        _price_gap(time_s, rate, accel, int(i), int(j), extra)
    _price_clipped(time_s, rate, measurements.is_rate_clipped, extra[:, :1], is_isotropic=True)
    _price_clipped(time_s, accel, measurements.is_accel_clipped, extra[:, 1:], is_isotropic=False)
    kernels.price_shocks(time_s, rate, is_gap_before, SHOCK_RADPS, SHOCK_SHARE, extra[:, :1])
    kernels.price_shocks(time_s, accel, is_gap_before, SHOCK_MPS2, SHOCK_SHARE, extra[:, 1:])
    rate, accel = (calm_gap_ends(time_s, values, is_gap_before) for values in (rate, accel))
    bend = np.empty((n, 3))
    _kernels.curvature(time_s, rate, is_gap_before, bend, np.empty(n))
    notes = []
    if len(first):
        longest = float(np.max(time_s[last] - time_s[first]))
        gaps = f"{len(first)} gap{'s' if len(first) > 1 else ''}"
        notes.append(f"{gaps} bridged, the longest {longest:.3f} s: the uncertainty is raised by what they can hide")
    for mask, words in ((measurements.is_accel_clipped, "accelerometer"), (measurements.is_rate_clipped, "gyro")):
        if np.any(mask):
            notes.append(f"{words} clipped on {int(np.count_nonzero(mask))} samples: the uncertainty is raised by half of what they show")
    return Inertial(time_s, rate, accel, bend, is_gap_before, extra, tuple(notes))


def _bridges(is_gap_before: Mask, is_missing: Mask) -> tuple[Index, Index]:
    """Last sample before and first sample after each stretch without values."""
    is_bridged = is_gap_before.copy()  # the step that ends at this sample
    is_bridged |= is_missing
    is_bridged[1:] |= is_missing[:-1]
    if len(is_bridged):
        is_bridged[0] = False
    change = np.flatnonzero(np.diff(np.concatenate(([False], is_bridged, [False])).astype(np.int8)))
    first, last = change[::2] - 1, change[1::2] - 1
    return first.astype(np.int64), last.astype(np.int64)


def _price_gap(time_s: Array, rate: Array, accel: Array, i: int, j: int, extra: Array) -> None:
    gap = time_s[j] - time_s[i]
    a, b = np.searchsorted(time_s, (time_s[i] - _NEIGHBOURHOOD_S, time_s[j] + _NEIGHBOURHOOD_S))
    before, after = slice(int(a), i + 1), slice(j, int(b))
    share = np.diff(time_s[i : j + 1]) / gap
    bend = min((2.0 * np.pi * MOTION_HZ) ** 2 * gap**3 / 12.0, gap)
    for values, columns in ((rate, slice(0, 1)), (accel, slice(1, 4))):
        around = np.concatenate((values[before], values[after]))
        size = float(np.sqrt(np.sum(np.var(around, axis=0)) + 0.25 * np.sum((values[j] - values[i]) ** 2)))
        extra[i:j, columns] += ((size * bend) ** 2 * share)[:, None]


def _price_clipped(time_s: Array, values: Array, is_clipped: Mask, extra: Array, *, is_isotropic: bool) -> None:
    if not np.any(is_clipped):
        return
    change = np.flatnonzero(np.diff(np.concatenate(([False], is_clipped, [False])).astype(np.int8)))
    step = np.append(np.diff(time_s), 0.0)
    for i, j in change.reshape(-1, 2):
        # half of the steps on either side belongs to the span
        a, b = max(int(i) - 1, 0), min(int(j), len(time_s) - 1)
        span = float(time_s[b] - time_s[a])
        square = np.mean(values[i:j] ** 2, axis=0)
        lost = CLIPPED_SHARE**2 * (np.sum(square) if is_isotropic else square**2 / max(float(np.sum(square)), 1e-12))
        extra[a:b] += lost * span * step[a:b, None]


def preintegrate(
    inertial: Inertial, edges: Index, offset_body_radps: Array, gyro_nd_radps_rthz: float, accel_nd_mps2_rthz: float
) -> Preintegrated:
    """Gather the samples between edges.

    Parameters
    ----------
    inertial : Inertial
    edges : ndarray of int, shape (m + 1,)
        Strictly increasing sample numbers.
    offset_body_radps : ndarray, shape (3,)
        Taken off the rate: the bias read on the pad.
    gyro_nd_radps_rthz, accel_nd_mps2_rthz : float
        Noise densities of a sensor at rest. One-second spans that scatter more than twice as strongly (motor vibration) count as noisy
        as they are.

    Returns
    -------
    Preintegrated
    """
    from replay.motion import _kernels_preintegration as kernels

    edges = np.ascontiguousarray(edges, dtype=np.int64)
    m = len(edges) - 1
    rate_density = _density(inertial, inertial.rate_body_radps, edges)
    accel_density = _density(inertial, inertial.accel_body_mps2, edges)
    density = np.empty((m, 5))
    density[:, 0] = _raised(rate_density.mean(axis=1), gyro_nd_radps_rthz**2)
    density[:, 1] = accel_nd_mps2_rthz**2
    density[:, 2:] = _raised(accel_density, accel_nd_mps2_rthz**2) - accel_nd_mps2_rthz**2
    q, dv, dp = np.empty((m, 4)), np.empty((m, 3)), np.empty((m, 3))
    jacobian, var, mean, scatter = np.empty((m, 9, 12)), np.empty((m, 5)), np.empty((m, 6)), np.empty((m, 2))
    kernels.preintegrate(
        inertial.log_time_s, inertial.rate_body_radps, inertial.accel_body_mps2, inertial.bend, inertial.is_gap_before, inertial.extra_var,
        edges, np.ascontiguousarray(offset_body_radps, dtype=float), density, q, dv, dp, jacobian, var, mean, scatter,
    )  # fmt: skip
    return Preintegrated(inertial.log_time_s[edges], edges, q, dv, dp, jacobian, var, mean, scatter)


def _density(inertial: Inertial, values: Array, edges: Index) -> Array:
    """Noise density squared that each epoch's surroundings show, shape (m, 3)."""
    from replay.motion import _kernels_preintegration as kernels

    time_s = inertial.log_time_s
    start, stop = time_s[edges[0]], time_s[edges[-1]]
    spans = np.unique(np.searchsorted(time_s, np.append(np.arange(start, stop, DENSITY_SPAN_S), stop)).astype(np.int64))
    found = np.zeros((max(len(spans) - 1, 1), 3))
    if len(spans) > 1:
        kernels.noise_density(time_s, values, inertial.is_gap_before, spans, found, np.empty((int(np.max(np.diff(spans))), 3)))
    middle = 0.5 * (edges[:-1] + edges[1:])
    return np.asarray(found[np.clip(np.searchsorted(spans, middle, side="right") - 1, 0, len(found) - 1)])


def _raised(shown: Array, floor: float) -> Array:
    """What a span shows, where that is clearly more than the sensor's own noise."""
    return np.where(shown > 2.0 * floor, shown, floor)
