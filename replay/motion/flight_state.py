"""The state of the flight estimator: what its 25 errors are, what an epoch can be, and what a pass over a flight leaves.

Errors stand about a nominal trajectory: attitude (enu side, R_true = exp(δθ) R), velocity and position (enu), then the sixteen
parameters: gyro bias, accelerometer bias, gyro scale, accelerometer scale (body), and four of the barometer, its bias, scale, lag and the
share of the dynamic pressure its port feels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.preintegration import Preintegrated

Array = NDArray[np.float64]
Index = NDArray[np.int64]

N = 25
N_PARAMETERS = 16
N_IMU = 12
VEL, POS, PARAMETERS = 3, 6, 9
GYRO_BIAS, ACCEL_BIAS, GYRO_SCALE, ACCEL_SCALE = 9, 12, 15, 18
BARO_BIAS, BARO_SCALE, BARO_LAG, BARO_PORT = 21, 22, 23, 24

# what an epoch is (bits of `kind`)
STATIC, STOPS_AT_END, HELD, STEADY, ACROSS = 1, 2, 4, 8, 16

# names of the scalar measurements, by code
KINDS = (
    "barometer",
    "rest rate",
    "rest gravity",
    "zero velocity",
    "zero displacement",
    "satellite position",
    "magnetometer",
    "steady descent",
)
BAROMETER, REST_RATE, REST_GRAVITY, ZERO_VELOCITY, ZERO_DISPLACEMENT, SATELLITE, MAGNETOMETER, STEADY_DESCENT = range(8)


@dataclass(eq=False)
class Trajectory:
    """Nominal states at the m + 1 edges: the smoother's and the filter's result in turn, moved in place.

    Parameters
    ----------
    q : ndarray, shape (m + 1, 4)
        `q_enu_from_body`.
    vel, pos : ndarray, shape (m + 1, 3)
        enu, m/s and m.
    parameters : ndarray, shape (m + 1, 16)
        Inertial and barometer errors, SI, in the order of the names above.
    """

    q: Array
    vel: Array
    pos: Array
    parameters: Array

    def moved(self, delta: Array) -> Trajectory:
        """The states with errors `delta`, shape (m + 1, 25), put onto them."""
        return Trajectory(
            rotation.normalise(rotation.multiply(rotation.from_rotvec(delta[:, :3]), self.q)),
            self.vel + delta[:, 3:6],
            self.pos + delta[:, 6:9],
            self.parameters + delta[:, 9:],
        )


@dataclass(frozen=True, eq=False)
class Fit:
    """One flight filtered or smoothed, at the edges of its epochs.

    Parameters
    ----------
    trajectory : Trajectory
    after, before : ndarray, shape (m + 1, 28)
        Variances after and before the measurements of an edge: attitude xx, yy, zz, xy, xz, yz (enu), velocity, position, parameters.
        The same for a smoother.
    covariance : ndarray, shape (m + 1, 25, 25), or (0, 25, 25)
        Whole covariances, where asked for.
    codes : ndarray of int, shape (u,); epochs : ndarray of int, shape (u,); innovations : ndarray, shape (u, 2)
        Kind, epoch, innovation and its variance of each scalar measurement taken, in order.
    refused : ndarray, shape (r, 3)
        Edge, kind, sigmas.
    n_passes : int
    is_settled : bool
        Whether the last pass moved next to nothing; True of a filter.
    notes : tuple of str
        What was weighed anew by what it showed.
    """

    pre: Preintegrated
    kinds: Index
    trajectory: Trajectory
    after: Array
    before: Array
    covariance: Array
    codes: Index
    epochs: Index
    innovations: Array
    refused: Array
    n_passes: int
    is_settled: bool = True
    notes: tuple[str, ...] = ()
