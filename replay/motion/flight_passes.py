"""Passes of the flight estimator over one flight: forward filter, backward smoother, and their repetition about the smoothed path.

References
----------
.. [1] F. L. Markley, Attitude error representations for Kalman filtering, J. Guidance, Control, Dynamics 26(2), 2003.
.. [2] H. E. Rauch, F. Tung, C. T. Striebel, Maximum likelihood estimates of linear dynamic systems, AIAA J. 3(8), 1965.
.. [3] B. M. Bell, The iterated Kalman smoother as a Gauss-Newton method, SIAM J. Optimization 4(3), 1994.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion.aiding import Aiding
from replay.motion.flight_state import (
    BAROMETER,
    HELD,
    PARAMETERS,
    REST_GRAVITY,
    STATIC,
    STEADY,
    STOPS_AT_END,
    ZERO_VELOCITY,
    Fit,
    N,
    Trajectory,
)
from replay.motion.preintegration import Preintegrated

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_MOST_ROWS = 18
"""Scalar measurements an epoch can carry."""
_STILL_RAD, _STILL_M, _STILL_SHARE = 2e-5, 5e-3, 2e-3
"""A pass of the smoother that moves nothing by more than this, and this share of the filter's standard deviation, is the last."""

_SHRINKS, _LEAST_SHARE = 0.8, 0.25
"""Where turns do not shrink to this share from pass to pass, as in a long tumble, passes overshoot: their step is halved, to no less."""
UNEXPECTED = 4.0
"""Mean normalised square of three innovations that one in a hundred and thirty would reach."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Everything the passes share, for m epochs.

    Parameters
    ----------
    pre : Preintegrated
    kinds : ndarray of int, shape (m,)
        `aiding.epoch_kinds`.
    aiding : Aiding
    walk_var : ndarray, shape (m, 16)
        What each epoch adds to the variances of the parameters.
    gravity : ndarray, shape (4,)
        Gravity at height zero, m/s²; its terms by height and height squared, 1/m and 1/m²; height of the pad, m.
    start : Trajectory
    prior_sd : ndarray, shape (22,)
        Of velocity, position and parameters at the first edge, SI.
    pad_azimuth_rad, heading_sd_rad : float
    touchdown_log_s : float
        NaN where it is not known.
    """

    pre: Preintegrated
    kinds: Index
    aiding: Aiding
    walk_var: Array
    gravity: Array
    start: Trajectory
    prior_sd: Array
    pad_azimuth_rad: float
    heading_sd_rad: float
    touchdown_log_s: float


def start_covariance(q_enu_from_body: Array, prior_sd: Array, pad_azimuth_rad: float, heading_sd_rad: float) -> Array:
    """Covariance of the 25 errors at the first edge, shape (25, 25).

    `q_enu_from_body` (4,), `prior_sd` (22,) of all but the attitude.
    The tilt is free (half a radian), levelling measures it; the twist about the vertical is the declared one. A lean changes both, so
    the two free directions are those in which the declared heading, taken after the lean is undone, stays what it is.
    """
    up_body = rotation.rotate(rotation.conjugate(q_enu_from_body), [0.0, 0.0, 1.0])
    across = np.linalg.svd(up_body[None, :])[2][1:]
    free = np.empty((3, 2))
    eps = 1e-5
    for i in range(2):
        ends = [rotation.from_up_body(up_body + s * eps * across[i], pad_azimuth_rad) for s in (1.0, -1.0)]
        free[:, i] = rotation.to_rotvec(rotation.multiply(ends[0], rotation.conjugate(ends[1]))) / (2.0 * eps)
    covariance = np.zeros((25, 25))
    covariance[:3, :3] = 0.25 * free @ free.T
    covariance[2, 2] += heading_sd_rad**2
    covariance[range(3, 25), range(3, 25)] = prior_sd**2
    return covariance


def solve(
    problem: Problem,
    *,
    backward: bool,
    max_passes: int = 4,
    tick: Callable[[float], None] = lambda share: None,
    whole_covariance: bool = False,
) -> Fit:
    """Filter, and with `backward` smooth until the result stands still.

    Raises
    ------
    CannotEstimate
        The record lets the numbers run away: a gap in flight that nothing bridges.
    """
    passes = Passes(problem)
    fit = passes.filtered(problem.start, None)
    _check_bounded(problem, passes.deltas)
    if not backward:
        return fit if not whole_covariance else dataclasses.replace(fit, covariance=passes.filter_covariance())
    delta = passes.smoothing()
    _check_bounded(problem, delta)
    n_passes, share, size, is_settled = 1, 1.0, np.inf, False
    while n_passes < max_passes:
        tick(0.35 + 0.5 * n_passes / max_passes)
        nominal = passes.nominal.moved(share * delta)
        fit = passes.filtered(nominal, nominal)
        if n_passes == 1 and (passes.weigh_barometer(fit) | passes.weigh_landing(fit)):
            fit = passes.filtered(nominal, nominal)
        n_passes += 1
        delta, before = passes.smoothing(), size
        is_settled = passes.stands_still(delta)
        if is_settled:
            break
        size = float(np.max(np.abs(delta[:, :3])))
        if n_passes > 3 and size > _SHRINKS * before:
            share = max(0.5 * share, _LEAST_SHARE)
    fit = dataclasses.replace(fit, n_passes=n_passes, is_settled=is_settled, notes=tuple(passes.notes))
    return passes.smoothed(fit, whole_covariance=whole_covariance)


def is_turn_borne_out(problem: Problem, fit: Fit, saved_var: float) -> bool:
    """Whether turns taken on trust, which would otherwise have had an angle's variance of `saved_var` rad² more, agree with gravity where
    the vehicle comes to rest; and whether gravity could tell. True where nothing was taken on trust (0).
    """
    if saved_var == 0.0:
        return True
    mine = np.flatnonzero((fit.codes == REST_GRAVITY) & (problem.pre.log_time_s[fit.epochs] > problem.touchdown_log_s))[:3]
    if not len(mine):
        return False
    innovation, variance = fit.innovations[mine].T
    could_tell = float(np.median(variance)) < saved_var * float(problem.gravity[0]) ** 2
    return could_tell and float(np.mean(innovation**2 / variance)) < UNEXPECTED


def _check_bounded(problem: Problem, delta: Array) -> None:
    if np.isfinite(delta).all():
        return
    durations = problem.pre.duration_s
    k = int(np.argmax(durations))
    raise CannotEstimate(
        "filtering", f"the gap of {durations[k]:.4g} s at {problem.pre.log_time_s[k]:.2f} s of the log is too long to bridge in flight"
    )


class Passes:
    """Storage of one flight's filter, written by each forward pass and read by the backward one."""

    def __init__(self, problem: Problem) -> None:
        m, n = problem.pre.n_epochs, N
        self.problem = problem
        self.variances = problem.aiding.variances.copy()
        self.step_var = problem.pre.var.copy()
        self.notes: list[str] = []
        self.phi = np.zeros((m, PARAMETERS, N))
        self.packed = np.empty((m + 1, n * (n + 1) // 2))
        self.deltas = np.empty((m + 1, n))
        self.prior = np.empty((m + 1, 28))
        rows = _row_count(problem)
        self.up_start = np.zeros(m + 2, dtype=np.int64)
        self.up_code = np.zeros(rows, dtype=np.int64)
        self.up_row, self.up_gain, self.up_value = np.zeros((rows, n)), np.zeros((rows, n)), np.zeros((rows, 2))
        self.refused = np.zeros((rows, 3))
        self.counts = np.zeros(2, dtype=np.int64)

    def filtered(self, at: Trajectory, nominal: Trajectory | None) -> Fit:
        """Forward pass: closed loop from `at`, or about the whole given nominal."""
        from replay.motion import _kernels_smoother as kernels

        p, pre, aid = self.problem, self.problem.pre, self.problem.aiding
        m = pre.n_epochs
        delta = np.zeros(N)
        if nominal is None:
            nominal = Trajectory(*(np.repeat(a[:1], m + 1, axis=0) for a in (at.q, at.vel, at.pos, at.parameters)))
            is_feedback = True
        else:
            is_feedback = False
            delta[:] = _prior_offset(p, nominal)
        covariance = start_covariance(nominal.q[0], p.prior_sd, p.pad_azimuth_rad, p.heading_sd_rad)
        kernels.forward(
            is_feedback, pre.log_time_s, p.kinds,
            (pre.q_start_from_end, pre.vel_start_mps, pre.pos_start_m, pre.jacobian, self.step_var, pre.mean), p.walk_var, p.gravity,
            covariance, delta, (nominal.q, nominal.vel, nominal.pos, nominal.parameters), aid.packed(self.variances),
            (self.phi, self.packed, self.deltas, self.prior, self.up_start),
            (self.up_code, self.up_row, self.up_gain, self.up_value, self.refused, self.counts),
        )  # fmt: skip
        n_up, n_refused = self.counts
        self.nominal = nominal
        epochs = np.repeat(np.arange(m + 1), np.diff(self.up_start)) - 1
        after = self.packed[:, _shown_places()]
        if self._starts_at_rest:
            after[0] = self.prior[1] = after[1]
        return Fit(
            pre, p.kinds, nominal.moved(self.deltas), after, self.prior.copy(), np.empty((0, 25, 25)),
            self.up_code[:n_up].copy(), epochs, self.up_value[:n_up].copy(), self.refused[:n_refused].copy(), 1,
        )  # fmt: skip

    @property
    def _starts_at_rest(self) -> bool:
        """Nothing is known at the first edge then, and the first mean at rest stands for its whole epoch, filter and smoother alike: what
        a half radian of tilt leaves of P − P Λ P there is rounding.
        """
        return bool(self.problem.kinds[0] & STATIC)

    def _backward(self, *, has_covariance: bool, whole_covariance: bool = False) -> tuple[Array, Array, Array]:
        from replay.motion import _kernels_smoother as kernels

        n_edges, width = len(self.packed), N if whole_covariance else 0
        delta, shown = np.empty((n_edges, N)), np.empty((n_edges if has_covariance else 1, 28))
        whole = np.empty((n_edges if has_covariance else 1, width, width))
        kernels.backward(
            has_covariance, self.phi, self.packed, self.deltas, self.up_start, self.up_row, self.up_gain, self.up_value, delta, shown, whole
        )
        return delta, shown, whole

    def smoothing(self) -> Array:
        """What a backward pass over the last forward one adds to its nominal, shape (m + 1, 25)."""
        return self._backward(has_covariance=False)[0]

    def stands_still(self, delta: Array) -> bool:
        """Whether `delta`, shape (m + 1, 25), is next to nothing, or far less than a filter knows it."""
        sd = np.sqrt(self.packed[:, _shown_places()[[0, 1, 2, 9, 10, 11]]])
        turns, moves = np.abs(delta[:, :3]), np.abs(delta[:, 6:9])
        return bool(np.all(turns < _STILL_RAD + _STILL_SHARE * sd[:, :3]) and np.all(moves < _STILL_M + _STILL_SHARE * sd[:, 3:]))

    def smoothed(self, fit: Fit, *, whole_covariance: bool) -> Fit:
        """Backward pass with its covariance over the last forward one, `fit`, whose innovations are handed on."""
        delta, shown, whole = self._backward(has_covariance=True, whole_covariance=whole_covariance)
        if self._starts_at_rest:
            shown[0], whole[0] = shown[1], whole[1]
        return dataclasses.replace(fit, trajectory=self.nominal.moved(delta), after=shown, before=shown, covariance=whole)

    def filter_covariance(self) -> Array:
        """Whole covariances after the measurements of each edge, shape (m + 1, 25, 25)."""
        i, j = np.triu_indices(25)
        whole = np.empty((len(self.packed), 25, 25))
        whole[:, i, j] = self.packed
        whole[:, j, i] = self.packed
        if self._starts_at_rest:
            whole[0] = whole[1]
        return whole

    def weigh_barometer(self, fit: Fit) -> bool:
        """Take the barometer for as noisy as its innovations are, where that is clearly more than on the pad; says whether it did.

        Not after the first pass, whose innovations show its own linearisation more than the barometer.
        """
        mine = (fit.codes == BAROMETER) & (self.problem.kinds[fit.epochs] & STATIC == 0)
        if np.count_nonzero(mine) < 20:
            return False
        ratio = fit.innovations[mine, 0] / np.sqrt(fit.innovations[mine, 1])
        factor = 1.4826 * float(np.median(np.abs(ratio)))
        if factor > 1.3:
            self.variances[1] *= factor**2
            self.notes.append(f"barometer taken for {factor:.2g} times as noisy as on the pad, which its innovations show")
        return factor > 1.3

    def weigh_landing(self, fit: Fit) -> bool:
        """Take the blows of the landing to have hidden as much velocity as is left where the vehicle rests, where that is clearly more than
        they were priced for; says whether it did.
        """
        edge_time_s, down_log_s = self.problem.pre.log_time_s, self.problem.touchdown_log_s
        mine = np.flatnonzero((fit.codes == ZERO_VELOCITY) & (edge_time_s[fit.epochs] > down_log_s))[:3]
        if not len(mine):
            return False
        factor = float(np.mean(fit.innovations[mine, 0] ** 2 / fit.innovations[mine, 1]))
        if factor > UNEXPECTED:
            blows = (edge_time_s[1:] > down_log_s) & (edge_time_s[:-1] <= edge_time_s[fit.epochs[mine[0]]])
            self.step_var[blows, 1:] *= factor
            self.notes.append(f"the landing hides {np.sqrt(factor):.2g} times the velocity its samples would: so much is left at rest")
        return factor > UNEXPECTED


def _row_count(problem: Problem) -> int:
    """Room for every scalar measurement there can be."""
    kinds, aid = problem.kinds, problem.aiding
    n = np.count_nonzero(np.diff(aid.baro_first)) + 6 * np.count_nonzero(kinds & STATIC)
    n += 6 * np.count_nonzero(kinds & (STOPS_AT_END | HELD)) + 2 * np.count_nonzero(kinds & STEADY)
    n += 3 * np.count_nonzero(np.isfinite(aid.satellite_back_s)) + 3 * np.count_nonzero(np.isfinite(aid.mag_body[:, 0]))
    return int(n) + _MOST_ROWS


def _prior_offset(problem: Problem, nominal: Trajectory) -> Array:
    """What the prior says of the error of a nominal at the first edge, shape (25,): declared heading, start, sensors as calibrated."""
    start = problem.start
    delta = np.zeros(25)
    up_body = rotation.rotate(rotation.conjugate(nominal.q[0]), [0.0, 0.0, 1.0])
    declared = rotation.from_up_body(up_body, problem.pad_azimuth_rad)
    delta[:3] = rotation.to_rotvec(rotation.multiply(declared, rotation.conjugate(nominal.q[0])))
    delta[3:6], delta[6:9] = start.vel[0] - nominal.vel[0], start.pos[0] - nominal.pos[0]
    delta[9:] = start.parameters[0] - nominal.parameters[0]
    return delta


def _shown_places() -> Index:
    """Where the shown part of a covariance stands in its packed form."""
    i, j = np.triu_indices(25)
    place = {(int(a), int(b)): k for k, (a, b) in enumerate(zip(i, j, strict=True))}
    wanted = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2), *((c, c) for c in range(3, 25))]
    return np.array([place[key] for key in wanted], dtype=np.int64)
