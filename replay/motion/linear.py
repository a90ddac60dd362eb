"""A small linear Kalman filter and Rauch–Tung–Striebel smoother in plain NumPy, for short problems and for checks of the compiled ones.

Model: x[k] = F x[k-1] + w, w ~ N(0, Q); z[k] = H x[k] + v, v ~ N(0, R). The prior (x0, P0) is of the first sample's state, before its
measurement.

References
----------
.. [1] H. E. Rauch, F. Tung, C. T. Striebel, Maximum likelihood estimates of linear dynamic systems, AIAA Journal 3(8), 1965.
.. [2] E. K.-W. Chu, H.-Y. Fan, W.-W. Lin, C.-S. Wang, Structure-preserving algorithms for periodic discrete-time algebraic Riccati
   equations, Int. J. Control 77, 2004, for the doubling in `steady_covariance`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.errors import CannotEstimate

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Model:
    """Matrices of a linear model, each constant or one per sample (a leading axis of length n).

    Parameters
    ----------
    F : ndarray, shape (d, d) or (n, d, d)
        `F[k]` leads to sample k from the one before; `F[0]` is not used.
    H : ndarray, shape (m, d) or (n, m, d)
    Q : ndarray, shape (d, d) or (n, d, d)
    R : ndarray, shape (m, m) or (n, m, m)
    """

    F: Array
    H: Array
    Q: Array
    R: Array

    def at(self, k: int) -> tuple[Array, Array, Array, Array]:
        """F, H, Q and R of sample k, shapes (d, d), (m, d), (d, d), (m, m)."""
        return tuple(value[k] if value.ndim == 3 else value for value in (self.F, self.H, self.Q, self.R))  # type: ignore[return-value]


@dataclass(frozen=True, eq=False)
class Track:
    """Means and covariances of n samples of d states.

    Parameters
    ----------
    x, P : ndarray, shape (n, d) and (n, d, d)
    x_prior, P_prior : ndarray, shape (n, d) and (n, d, d)
        Before the measurements of the sample.
    nis : ndarray, shape (n,)
        Normalised innovation squared over the components measured at that sample, NaN where there is none.
    """

    x: Array
    P: Array
    x_prior: Array
    P_prior: Array
    nis: Array


def model(F: ArrayLike, H: ArrayLike, Q: ArrayLike, R: ArrayLike) -> Model:
    """Model from anything array-like; scalars stand for 1 × 1 matrices."""
    matrices = [np.asarray(value, dtype=float) for value in (F, H, Q, R)]
    return Model(*(value if value.ndim >= 2 else value.reshape(1, 1) for value in matrices))


def kalman_filter(m: Model, z: ArrayLike, x0: ArrayLike, P0: ArrayLike) -> Track:
    """Filter measurements `z` (n, m) from the prior `x0` (d,), `P0` (d, d); a NaN component of `z` is not measured.

    The covariance update is Joseph's form, symmetric and positive for any gain.

    Raises
    ------
    CannotEstimate
        Shapes that don't fit.
    """
    z = np.asarray(z, dtype=float)
    x, p = np.array(x0, dtype=float), np.array(P0, dtype=float)
    n, d = len(z), len(x)
    if z.ndim != 2 or p.shape != (d, d):
        raise CannotEstimate("linear filter", f"expected z (n, m) and P0 ({d}, {d}), got {z.shape} and {p.shape}")
    track = Track(np.empty((n, d)), np.empty((n, d, d)), np.empty((n, d)), np.empty((n, d, d)), np.full(n, np.nan))
    for k in range(n):
        F, H, Q, R = m.at(k)
        if k > 0:
            x, p = F @ x, F @ p @ F.T + Q
        track.x_prior[k], track.P_prior[k] = x, p
        seen = np.isfinite(z[k])
        if seen.any():
            H, R = H[seen], R[np.ix_(seen, seen)]
            innovation, S = z[k, seen] - H @ x, H @ p @ H.T + R
            gain = np.linalg.solve(S, H @ p).T
            track.nis[k] = innovation @ np.linalg.solve(S, innovation)
            kept = np.eye(d) - gain @ H
            x, p = x + gain @ innovation, kept @ p @ kept.T + gain @ R @ gain.T
        track.x[k], track.P[k] = x, p
    return track


def rts_smoother(m: Model, filtered: Track) -> Track:
    """Smooth a filtered track; the result's priors and nis are the filter's."""
    x, p = filtered.x.copy(), filtered.P.copy()
    for k in range(len(x) - 2, -1, -1):
        F = m.at(k + 1)[0]
        gain = np.linalg.solve(filtered.P_prior[k + 1], F @ filtered.P[k]).T
        x[k] += gain @ (x[k + 1] - filtered.x_prior[k + 1])
        p[k] += gain @ (p[k + 1] - filtered.P_prior[k + 1]) @ gain.T
    return Track(x, p, filtered.x_prior, filtered.P_prior, filtered.nis)


def steady_covariance(m: Model, steps: int = 60) -> tuple[Array, Array]:
    """Covariance before and after the measurement, shape (d, d) each, that a constant model settles to.

    By doubling: `steps` doublings are 2^steps samples.

    Raises
    ------
    CannotEstimate
        Where it doesn't settle: a growing state that is not measured.
    """
    F, H, Q, R = m.at(0)
    a, g, h = F.T, H.T @ np.linalg.solve(R, H), Q
    identity = np.eye(len(F))
    for _ in range(steps):
        w = identity + g @ h
        turned = np.linalg.solve(w, a)
        g_next = g + a @ np.linalg.solve(w, g) @ a.T
        h_next = h + a.T @ h @ turned
        step = np.abs(h_next - h).max()
        a, g, h = a @ turned, 0.5 * (g_next + g_next.T), 0.5 * (h_next + h_next.T)
        if step <= 1e-15 * np.abs(h).max():
            S = H @ h @ H.T + R
            return h, h - h @ H.T @ np.linalg.solve(S, H @ h)
        if not np.isfinite(h).all():
            break
    raise CannotEstimate("steady covariance", "it does not settle: a state that grows is not measured")
