"""The whole flight as one robust least-squares problem on the pre-integrated inertial record.

Unknowns are attitude, velocity and position at the knots between pre-integrated spans, and constant errors of the sensors. The record
pays for each span that the states and errors don't join, by its own noise; rest, barometer, evidence and priors pay likewise. Solved
by Gauss–Newton on the sparse normal equations with step halving; Cauchy weights on the barometer and on evidence.

Errors stand in the accelerometer's and gyro's own axes, after the calibration the record was corrected with: true = (I − E) a − β.

References
----------
.. [1] C. Forster, L. Carlone, F. Dellaert, D. Scaramuzza, On-manifold preintegration, IEEE Trans. Robotics 33(1), 2017.
.. [2] P. J. Huber, E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley, 2009: iteratively re-weighted least squares.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled
from replay.flight.misalignment import autocorrelation_widening
from replay.whatif.evidence import Evidence
from replay.whatif.flight_record import Array, Record, States
from replay.whatif.flight_rows import Rows, all_rows
from replay.whatif.unknowns import N_ERRORS

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

CAUCHY = 3.0
"""Sigmas at which a barometric height or a piece of evidence keeps half of its weight."""

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class FlightFit:
    """The solved flight.

    `normal` is the sparse matrix of the normal equations at the solution, `residuals` the whitened residuals by group before
    robust weights, `chi_square` their sum of squares with them.
    """

    record: Record
    states: States
    free: NDArray[np.bool_]
    normal: Any
    residuals: dict[str, Array]
    chi_square: float
    n_residuals: int
    n_iterations: int
    has_converged: bool

    @cached_property
    def _factored(self) -> _Factor:
        return _Factor(self.normal, self.free, len(self.states.q))

    def covariance(self, rows: Array) -> Array:
        """Covariance of linear functions `rows` (k, n) of the unknowns, shape (k, k)."""
        return np.asarray(rows @ self._factored.solve(rows.T))


def _weights(rows: Rows) -> Array:
    """Square roots of the Cauchy weights."""
    if not rows.is_robust:
        return np.ones(len(rows.residual))
    return np.asarray(1.0 / np.sqrt(1.0 + (rows.residual / CAUCHY) ** 2))


def _cost(groups: list[Rows]) -> float:
    total = 0.0
    for rows in groups:
        square = rows.residual**2
        total += float(np.sum(CAUCHY**2 * np.log1p(square / CAUCHY**2) if rows.is_robust else square))
    return total


def _system(groups: list[Rows], n: int) -> tuple[csr_matrix, Array]:
    from scipy.sparse import csr_matrix

    row, column, value, residual, first = [], [], [], [], 0
    for g in groups:
        w = _weights(g)
        row.append(g.row + first)
        column.append(g.column)
        value.append(g.value * w[g.row])
        residual.append(g.residual * w)
        first += len(g.residual)
    jacobian = csr_matrix((np.concatenate(value), (np.concatenate(row), np.concatenate(column))), shape=(first, n))
    return jacobian, np.concatenate(residual)


class _Factor:
    """Factor of the normal equations with the pinned errors taken out; gives zeros for them."""

    def __init__(self, normal: Any, free: NDArray[np.bool_], n_knots: int) -> None:
        from scipy.sparse.linalg import splu

        self.keep = np.concatenate((np.ones(9 * n_knots, dtype=bool), free))
        kept = normal[self.keep][:, self.keep].tocsc()
        self.lu = splu(kept, permc_spec="NATURAL", options={"SymmetricMode": True}, diag_pivot_thresh=0.0)

    def solve(self, right: Array) -> Array:
        out = np.zeros_like(right, dtype=float)
        out[self.keep] = self.lu.solve(np.ascontiguousarray(right[self.keep]))
        return out


def fit_flight(
    record: Record,
    evidence: Evidence,
    prior_mean: Array,
    prior_sd: Array,
    free: NDArray[np.bool_],
    *,
    start: States | None = None,
    most_iterations: int = 25,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> FlightFit:
    """Solve the flight.

    Parameters
    ----------
    record : Record
    evidence : Evidence
    prior_mean, prior_sd : ndarray, shape (22,)
        Of the errors.
    free : ndarray of bool, shape (22,)
        False: pinned at the prior's mean.
    start : States, optional
        Where to begin; the record's own otherwise.
    """
    s = record.start if start is None else start
    s = dataclasses.replace(s, errors=np.where(free, s.errors, prior_mean))
    n_knots = len(s.q)
    n = 9 * n_knots + N_ERRORS
    widen, has_converged, is_settled = 1.0, False, record.baro is None
    groups = all_rows(record, s, evidence, prior_mean, prior_sd, widen)
    for iteration in range(most_iterations):
        if cancel is not None and cancel():
            raise Cancelled("reconcile stopped")
        if progress is not None:
            progress(iteration / most_iterations, f"step {iteration + 1}")
        jacobian, residual = _system(groups, n)
        factor = _Factor(jacobian.T @ jacobian, free, n_knots)
        step = -factor.solve(jacobian.T @ residual)
        cost = _cost(groups)
        for _ in range(8):
            trial = s.moved(step)
            groups = all_rows(record, trial, evidence, prior_mean, prior_sd, widen)
            if _cost(groups) <= cost * (1.0 + 1e-9) + 1e-9:
                break
            step = 0.5 * step
        s = trial
        gained = cost - _cost(groups)
        if iteration in (3, 6) and record.baro is not None:
            widen, before = _baro_widening(groups, widen), widen
            groups = all_rows(record, s, evidence, prior_mean, prior_sd, widen)
            is_settled = widen < 1.2 * before
        if iteration > 3 and is_settled and gained < 1e-3 + 1e-5 * cost:
            has_converged = True
            break
    jacobian, residual = _system(groups, n)
    return FlightFit(
        record, s, free, (jacobian.T @ jacobian).tocsc(), {g.name: g.residual for g in groups}, float(residual @ residual),
        len(residual), iteration + 1, has_converged,
    )  # fmt: skip


def _baro_widening(groups: list[Rows], widen: float) -> float:
    """How many barometric heights count as one: neighbours share their weather, lag and filtering; and how much noisier than on the pad."""
    residual = next(g.residual for g in groups if g.name == "barometer")
    inner = residual[np.abs(residual) < 2.0 * CAUCHY]
    if len(inner) < 30:
        return widen
    scatter = (1.4826 * float(np.median(np.abs(inner)))) ** 2
    return max(widen * scatter * autocorrelation_widening(inner), 1.0)
