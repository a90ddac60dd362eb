"""Pre-integration: the inertial record gathered once between epochs, whatever attitude and sensor errors turn out to be.

Rotation, velocity and position increments of an epoch stand in the body axes at its start, with their derivatives with respect to
constant errors of the sensors, so that the flight can be put together again for other errors without touching the samples.

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
from replay.motion.gaps import LONG_GAP_STEPS
from replay.motion.inertial import Inertial

Array = NDArray[np.float64]
Index = NDArray[np.int64]

ERRORS = ("gyro bias", "accelerometer bias", "gyro scale", "accelerometer scale")
"""Three body components each: the columns of `Preintegrated.jacobian`. Corrected = measured − bias − scale · measured."""

DENSITY_SPAN_S = 1.0


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
    """Noise density squared that each epoch's surroundings show, shape (m, 3). Lost rows between the samples hide nothing from a median."""
    from replay.motion import _kernels_preintegration as kernels

    time_s = inertial.log_time_s
    start, stop = time_s[edges[0]], time_s[edges[-1]]
    spans = np.unique(np.searchsorted(time_s, np.append(np.arange(start, stop, DENSITY_SPAN_S), stop)).astype(np.int64))
    found = np.zeros((max(len(spans) - 1, 1), 3))
    if len(spans) > 1:
        is_long = inertial.is_gap_before.copy()
        is_long[1:] &= np.diff(time_s) > LONG_GAP_STEPS * np.median(np.diff(time_s))
        kernels.noise_density(time_s, values, is_long, spans, found, np.empty((int(np.max(np.diff(spans))), 3)))
    middle = 0.5 * (edges[:-1] + edges[1:])
    return np.asarray(found[np.clip(np.searchsorted(spans, middle, side="right") - 1, 0, len(found) - 1)])


def _raised(shown: Array, floor: float) -> Array:
    """What a span shows, where that is clearly more than the sensor's own noise."""
    return np.where(shown > 2.0 * floor, shown, floor)
