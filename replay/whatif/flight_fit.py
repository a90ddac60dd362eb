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
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled
from replay.flight.misalignment import autocorrelation_widening
from replay.motion.flight_passes import UNEXPECTED
from replay.whatif.evidence import Evidence
from replay.whatif.flight_record import Array, Record, States
from replay.whatif.flight_rows import Rows, all_rows, baro_residual_m
from replay.whatif.unknowns import BARO, BARO_LAG, N_ERRORS

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

CAUCHY = 3.0
"""Sigmas at which a barometric height or a piece of evidence keeps half of its weight."""
COARSE_BARO_M = 5.0
"""One standard deviation of a barometric height in the first round, before its own residuals say."""
MOST_ROUNDS, MOST_STEPS = 6, 15
MOST_LAG_S = 0.5
"""A vented bay follows faster (common practice, no source); none leads."""
RUNAWAY, RUNAWAY_CLEARANCE_S = 10.0, 0.5
"""Robust scatters at which a barometric height shows something other than height, and the time about it that is not used either."""
Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class FlightFit:
    """The solved flight.

    Parameters
    ----------
    record : Record
    states : States
    keep : ndarray of bool, shape (9 knots + 28,)
        Which unknowns were free.
    normal : sparse matrix
        Of the normal equations at the solution.
    residuals : dict of str to ndarray, shape (r,) each
        Whitened, by group, before robust weights.
    chi_square : float
        Their sum of squares with them.
    n_residuals, n_iterations : int
    has_converged : bool
    baro : BaroUse or None
    """

    record: Record
    states: States
    keep: NDArray[np.bool_]
    normal: Any
    residuals: dict[str, Array]
    chi_square: float
    n_residuals: int
    n_iterations: int
    has_converged: bool
    baro: BaroUse | None = None

    @cached_property
    def _factored(self) -> _Factor:
        return _Factor(self.normal, self.keep)

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
    """Factor of the normal equations with what is pinned taken out; gives zeros for it."""

    def __init__(self, normal: Any, keep: NDArray[np.bool_]) -> None:
        from scipy.sparse.linalg import splu

        self.keep = keep
        kept = normal[self.keep][:, self.keep].tocsc()
        self.lu = splu(kept, permc_spec="NATURAL", options={"SymmetricMode": True}, diag_pivot_thresh=0.0)

    def solve(self, right: Array) -> Array:
        out = np.zeros_like(right, dtype=float)
        out[self.keep] = self.lu.solve(np.ascontiguousarray(right[self.keep]))
        return out


@dataclass(frozen=True, eq=False)
class BaroUse:
    """How a fit takes the barometer.

    Parameters
    ----------
    is_used : ndarray of bool, shape (b,)
        Heights used.
    widen : ndarray, shape (b,)
        How many of them count as one, noise beyond the pad's included.
    """

    is_used: NDArray[np.bool_]
    widen: Array


def fit_flight(
    record: Record,
    evidence: Evidence,
    prior_mean: Array,
    prior_sd: Array,
    free: NDArray[np.bool_],
    *,
    pad_attitude: Array | None = None,
    like: FlightFit | None = None,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> FlightFit:
    """Solve the flight.

    In rounds: first with a coarse barometer whose lag and port error are held, so that a height that runs away (vents, air brakes,
    ejection) is found out before anything bends to follow it; then with the noise and correlation that its own residuals show.

    Parameters
    ----------
    record : Record
    evidence : Evidence
    prior_mean, prior_sd : ndarray, shape (28,)
        Of the errors.
    free : ndarray of bool, shape (28,)
        False: pinned at the prior's mean.
    pad_attitude : ndarray, shape (4,), optional
        Attitude (enu from body) whose tilt the first knot is pinned at; its tilt is free where not given.
    like : FlightFit, optional
        Begin at its states and take the barometer as it did; `record` is its own.
    """
    problem = _Problem(record, evidence, prior_mean, prior_sd, pad_attitude is None, progress, cancel)
    s = record.start if like is None else like.states
    if pad_attitude is not None:
        s = dataclasses.replace(s, q=np.vstack((pad_attitude, s.q[1:])))
    s = dataclasses.replace(s, errors=np.where(free, s.errors, prior_mean))
    if record.baro is None or like is not None:
        s, has_converged = problem.descend(s, free, None if like is None else like.baro)
        return problem.finish(s, free, None if like is None else like.baro, has_converged)
    n = len(record.baro[0])
    baro = BaroUse(np.ones(n, dtype=bool), np.full(n, max((COARSE_BARO_M / record.baro[3]) ** 2, 1.0)))
    held = free.copy()
    held[BARO_LAG : BARO.stop] = False
    s, _ = problem.descend(s, held, baro)
    problem.record = record = _with_landing_weighed(record, problem.rows(s, baro)[0])
    is_settled = False
    for _ in range(MOST_ROUNDS):
        before, baro = baro, _baro_use(record, s)
        s, has_converged = problem.descend(s, free, baro)
        is_same = float(np.mean(baro.is_used != before.is_used)) < 0.01
        is_settled = is_same and float(np.max(np.abs(np.log(baro.widen / before.widen)))) < math.log(1.3)
        if is_settled:
            break
    return problem.finish(s, free, baro, has_converged and is_settled)


@dataclass(eq=False)
class _Problem:
    """What stays the same while the search goes on."""

    record: Record
    evidence: Evidence
    prior_mean: Array
    prior_sd: Array
    is_tilt_free: bool
    progress: Progress | None
    cancel: Cancel | None
    n_iterations: int = 0

    def rows(self, s: States, baro: BaroUse | None) -> list[Rows]:
        heights = 0 if self.record.baro is None else len(self.record.baro[0])
        widen, is_used = (np.ones(heights), None) if baro is None else (baro.widen, baro.is_used)
        return all_rows(self.record, s, self.evidence, self.prior_mean, self.prior_sd, widen, is_used)

    def keep(self, s: States, free: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which unknowns are free: all states but, where pinned, the first knot's turn about east and north."""
        keep = np.concatenate((np.ones(9 * len(s.q), dtype=bool), free))
        keep[:2] = self.is_tilt_free
        return keep

    def descend(self, s: States, free: NDArray[np.bool_], baro: BaroUse | None) -> tuple[States, bool]:
        """Gauss–Newton with step halving until the cost stands still; the second says whether it did."""
        groups = self.rows(s, baro)
        for _ in range(MOST_STEPS):
            self._tell()
            cost = _cost(groups)
            step = _bounded_step(*_system(groups, 9 * len(s.q) + N_ERRORS), s, self.keep(s, free))
            for _ in range(8):
                trial = s.moved(step)
                groups = self.rows(trial, baro)
                if _cost(groups) <= cost * (1.0 + 1e-9) + 1e-9:
                    break
                step = 0.5 * step
            s = trial
            if cost - _cost(groups) < 1e-3 + 1e-5 * cost:
                return s, True
        return s, False

    def _tell(self) -> None:
        if self.cancel is not None and self.cancel():
            raise Cancelled("reconcile stopped")
        self.n_iterations += 1
        if self.progress is not None:
            self.progress(1.0 - 0.93**self.n_iterations, f"step {self.n_iterations}")

    def finish(self, s: States, free: NDArray[np.bool_], baro: BaroUse | None, has_converged: bool) -> FlightFit:
        groups = self.rows(s, baro)
        jacobian, residual = _system(groups, 9 * len(s.q) + N_ERRORS)
        found = {g.name: g.residual for g in groups}
        return FlightFit(
            self.record, s, self.keep(s, free), (jacobian.T @ jacobian).tocsc(), found, float(residual @ residual), len(residual),
            self.n_iterations, has_converged, baro,
        )  # fmt: skip


def _bounded_step(jacobian: Any, residual: Array, s: States, keep: NDArray[np.bool_]) -> Array:
    """The step of least squares; a barometric lag that would leave its bounds stops at them, and the others take that into account."""
    normal = jacobian.T @ jacobian
    step: Array = -_Factor(normal, keep).solve(jacobian.T @ residual)
    place = 9 * len(s.q) + BARO_LAG
    lag = float(s.errors[BARO_LAG])
    wanted = lag + float(step[place])
    if not keep[place] or 0.0 <= wanted <= MOST_LAG_S:
        return step
    held = keep.copy()
    held[place] = False
    fixed = np.zeros(len(step))
    fixed[place] = min(max(wanted, 0.0), MOST_LAG_S) - lag
    return fixed - _Factor(normal, held).solve(jacobian.T @ (residual + jacobian @ fixed))


def _baro_use(record: Record, s: States) -> BaroUse:
    """Heights used, and how many of them count as one.

    Neighbours share their weather, lag and filtering, and in flight all are noisier than on the pad; nose first up to apogee or with the
    body across the air after it, one may be worse than the whole. What lies `RUNAWAY` robust scatters off is not used, nor what is within
    `RUNAWAY_CLEARANCE_S` of it.
    """
    assert record.baro is not None
    knot, share, _, sd = record.baro
    residual = baro_residual_m(record, s)
    scatter = max(1.4826 * float(np.median(np.abs(residual))), sd)
    time = record.pre.log_time_s[knot] + share * record.pre.duration_s[knot]
    far = time[np.abs(residual) > RUNAWAY * scatter]
    is_used = np.ones(len(time), dtype=bool)
    if len(far):
        k = np.searchsorted(far, time)
        near = np.minimum(np.abs(time - far[np.minimum(k, len(far) - 1)]), np.abs(time - far[np.maximum(k - 1, 0)]))
        is_used = near > RUNAWAY_CLEARANCE_S
    inner = is_used & (np.abs(residual) < 2.0 * CAUCHY * scatter)
    split = len(time) if record.apogee_knot is None else int(np.searchsorted(knot, record.apogee_knot))
    whole = _widening(residual[inner] / sd, scatter / sd)
    widen = np.empty(len(time))
    for part in (slice(0, split), slice(split, None)):
        widen[part] = max(whole, _widening(residual[part][inner[part]] / sd, scatter / sd))
    return BaroUse(is_used, widen)


def _widening(residual: Array, scatter: float) -> float:
    """How many of these residuals, in sigmas, count as one; from their `scatter` where they are few."""
    if len(residual) < 30:
        return max(scatter**2, 1.0)
    spread = (1.4826 * float(np.median(np.abs(residual)))) ** 2
    return max(spread * autocorrelation_widening(residual), 1.0)


def _with_landing_weighed(record: Record, process: Rows) -> Record:
    """The record with the blows of the landing taken to hide as much as the rest after it asks for, where that is clearly more than they
    were priced for: what the spans after touchdown don't join by is one velocity of three components.
    """
    if record.touchdown_knot is None:
        return record
    factor = float(np.sum(process.residual.reshape(-1, 9)[record.touchdown_knot :] ** 2)) / 3.0
    if factor < UNEXPECTED:
        return record
    whiten = record.whiten.copy()
    whiten[record.touchdown_knot :] /= np.sqrt(factor)
    note = f"The landing hides {np.sqrt(factor):.2g} times the velocity its samples would: so much is left at rest."
    return dataclasses.replace(record, whiten=whiten, notes=(*record.notes, note))


def runaway_spans_s(fit: FlightFit) -> tuple[tuple[float, float, float], ...]:
    """Start and end after liftoff of each span whose barometric heights were not used, s, and how far they ran off there, m."""
    record, baro = fit.record, fit.baro
    if baro is None or record.baro is None or baro.is_used.all():
        return ()
    knot, share, _, _ = record.baro
    time = record.pre.log_time_s[knot] + share * record.pre.duration_s[knot] - record.liftoff_log_s
    off = np.abs(baro_residual_m(record, fit.states))
    edges = np.flatnonzero(np.diff(np.concatenate(([True], baro.is_used, [True])).astype(np.int8)))
    return tuple((float(time[i]), float(time[j - 1]), float(off[i:j].max())) for i, j in edges.reshape(-1, 2))
