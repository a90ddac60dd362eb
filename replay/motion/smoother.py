"""The flight estimator: `kalman` (causal) and `smoother` (forward filter and Rauch–Tung–Striebel backward pass) over a whole flight.

A multiplicative error-state filter over attitude, velocity and position in enu, and over sixteen errors of the sensors (biases and
scales of gyro and accelerometer, and the barometer's bias, scale, lag and port error). Attitude errors stand on the enu side,
R_true = exp(δθ) R, so that a vertical component is a heading error and nothing else.

At rest the attitude stands still and gyro and accelerometer become measurements: mean rate = gyro bias, mean specific force = reaction to gravity +
accelerometer bias. One static pose can't tell a lean from a bias, and the filter keeps that correlation: the tilt on the pad is never
better known than the accelerometer's bias. Steady descent says that the horizontal velocity is no more than a wind's; boost and coast
say nothing about the vertical.

The smoother linearises the whole flight about its own result again until it stands still (Gauss–Newton on the whole record).

References
----------
.. [1] F. L. Markley, Attitude error representations for Kalman filtering, J. Guidance, Control, Dynamics 26(2), 2003.
.. [2] H. E. Rauch, F. Tung, C. T. Striebel, Maximum likelihood estimates of linear dynamic systems, AIAA J. 3(8), 1965.
.. [3] B. M. Bell, The iterated Kalman smoother as a Gauss-Newton method, SIAM J. Optimization 4(3), 1994.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import Cancelled, CannotEstimate
from replay.motion import filters
from replay.motion.aiding import Aiding, FlightModel, arrange, epoch_kinds, sample_edges
from replay.motion.gravity import height_terms
from replay.motion.phasing import gravity_gate
from replay.motion.preintegration import Inertial, Preintegrated, preintegrate, prepare_inertial
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling, Solution
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise, measured_on_pad
from replay.units import DEG

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_MOST_ROWS = 18
"""Scalar measurements an epoch can carry."""
_STILL_RAD, _STILL_M = 2e-5, 5e-3
"""A pass of the smoother that moves nothing by more than this is the last."""


@dataclass(eq=False)
class Trajectory:
    """Nominal states at the m + 1 edges: the smoother's and the filter's result in turn, moved in place."""

    q: Array
    vel: Array
    pos: Array
    parameters: Array

    def moved(self, delta: Array) -> Trajectory:
        """Errors, shape (m + 1, 25), put onto the states."""
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


@dataclass(frozen=True, eq=False)
class _Problem:
    """Everything the passes share."""

    pre: Preintegrated
    kinds: Index
    aiding: Aiding
    walk_var: Array
    gravity: Array
    start: Trajectory
    prior_sd: Array
    pad_azimuth_rad: float
    heading_sd_rad: float


def filter_flight(
    measurements: Measurements,
    events: Events,
    site: Site,
    levelling: Levelling,
    settings: EstimatorSettings,
    *,
    backward: bool,
    progress: Callable[[float], None] | None = None,
    cancel: Event | None = None,
    model: FlightModel | None = None,
) -> Solution:
    """Attitude, velocity and position of a flight with their standard deviations.

    Parameters
    ----------
    measurements, events, site, levelling, settings
        As everywhere. The levelling window is where the estimate starts; before it the vehicle is taken to stand where it stood then,
        its attitude carried back by the gyro.
    backward : bool
        False: `kalman`, each sample from what was measured up to it. True: `smoother`.
    progress, cancel : optional
        Called with a share of the work done; an event that stops it.
    model : FlightModel, optional

    Returns
    -------
    Solution
        Of the inertial sensor, zero where it stood on the pad. `calibration` is the default one: the caller, who applied it, puts it in.

    Raises
    ------
    CannotEstimate
        Fewer than two samples from the levelling window on.
    Cancelled
    """
    began = time.perf_counter()
    model = model or FlightModel()
    tick = _ticker(progress, cancel)
    inertial = prepare_inertial(measurements)
    noise = dataclasses.replace(measured_on_pad(measurements, levelling.start_log_s, levelling.stop_log_s), **settings.noise_overrides)
    tick(0.1)
    gate = gravity_gate(measurements, events, settings)
    problem = _problem(measurements, inertial, events, site, levelling, settings, noise, gate, model)
    tick(0.2)
    fit = solve(problem, backward=backward, max_passes=model.max_passes, tick=tick)
    solution = _solution(fit, problem, inertial, measurements, events, levelling, noise, settings, model, backward=backward)
    tick(1.0)
    return dataclasses.replace(solution, run_time_s=time.perf_counter() - began)


def _ticker(progress: Callable[[float], None] | None, cancel: Event | None) -> Callable[[float], None]:
    def tick(share: float) -> None:
        if cancel is not None and cancel.is_set():
            raise Cancelled("estimate cancelled")
        if progress is not None:
            progress(share)

    return tick


def _problem(
    measurements: Measurements, inertial: Inertial, events: Events, site: Site, levelling: Levelling, settings: EstimatorSettings,
    noise: ImuNoise, gate: NDArray[np.bool_], model: FlightModel,
) -> _Problem:  # fmt: skip
    from replay.motion import _kernels_smoother as kernels

    edges = sample_edges(inertial, events, levelling)
    if len(edges) < 2:
        raise CannotEstimate("flight estimate", "fewer than two samples after the start of the levelling window")
    offset = np.asarray(levelling.gyro_bias_body_radps, dtype=float)
    pre = preintegrate(inertial, edges, offset, noise.gyro_nd_radps_rthz, noise.accel_nd_mps2_rthz)
    kinds = epoch_kinds(pre, events, levelling, settings, noise, gate)
    is_static = kinds & kernels.STATIC != 0
    pre.var[is_static] = 0.0
    walk = np.zeros(kernels.N_PARAMETERS)
    walk[0:3], walk[3:6] = noise.gyro_walk_radps_rts**2, noise.accel_walk_mps2_rts**2
    walk[kernels.BARO_BIAS - kernels.PARAMETERS] = model.baro_walk_m_rts**2
    walk_var = pre.duration_s[:, None] * walk
    leaves = np.flatnonzero(is_static[:-1] & ~is_static[1:])
    if len(leaves):
        k = int(leaves[0])
        pre.var[k, 0] = _sway_variance(inertial, levelling, noise)
        # what flight does to a gyro bias read at rest: shocks, supply, load
        walk_var[k, 0:3] += noise.gyro_bias_sd_radps**2
    aiding = arrange(measurements, pre, kinds, levelling, site, settings, noise, model)
    start, prior_sd = _start(levelling, site, settings, noise, model)
    g0, c1, c2 = height_terms(site.latitude_or_default_rad)
    return _Problem(
        pre, kinds, aiding, walk_var, np.array([g0, c1, c2, site.ground_height_or_default_m]), start, prior_sd,
        site.pad_azimuth_or_default_rad, model.heading_sd_rad,
    )  # fmt: skip


def _start(levelling: Levelling, site: Site, settings: EstimatorSettings, noise: ImuNoise, model: FlightModel) -> tuple[Trajectory, Array]:
    """State at the first edge and the standard deviations of all but the attitude, shape (22,)."""
    from replay.motion import _kernels_smoother as kernels

    parameters = np.zeros((1, kernels.N_PARAMETERS))
    parameters[0, kernels.BARO_LAG - kernels.PARAMETERS] = model.baro_lag_s
    q = np.array(levelling.q_enu_from_body, dtype=float)
    start = Trajectory(q[None, :], np.zeros((1, 3)), np.zeros((1, 3)), parameters)
    scale_sd = model.baro_scale_default_sd if site.ground_temperature_k is None else model.baro_scale_sd
    sd = np.concatenate(
        (
            np.full(3, 0.1 * model.stop_vel_mps),
            np.zeros(3),
            np.full(3, model.gyro_bias_prior_radps),
            np.full(3, noise.accel_bias_sd_mps2),
            np.full(3, noise.gyro_scale_sd),
            np.full(3, noise.accel_scale_sd),
            [10.0, scale_sd, model.baro_lag_sd_s, settings.baro_port_factor],
        )
    )
    return start, sd


def _sway_variance(inertial: Inertial, levelling: Levelling, noise: ImuNoise) -> float:
    """Of the angle about its mean while the vehicle sways on the rod, rad² per axis; what the gyro's own noise would give is no sway."""
    i, j = np.searchsorted(inertial.log_time_s, (levelling.start_log_s, levelling.stop_log_s))
    time_s = inertial.log_time_s[i : j + 1]
    if len(time_s) < 8:
        return 0.0
    step = np.diff(time_s)[:, None]
    angle = np.cumsum((inertial.rate_body_radps[i:j] - levelling.gyro_bias_body_radps)[: len(step)] * step, axis=0)
    straight = np.vander(time_s[1 : len(angle) + 1] - time_s[0], 2)
    residual = angle - straight @ np.linalg.lstsq(straight, angle, rcond=None)[0]
    variance = float(np.mean(np.var(residual, axis=0)))
    # a random walk about its own straight line: σ² T / 15
    own = noise.gyro_nd_radps_rthz**2 * float(time_s[-1] - time_s[0]) / 15.0
    return variance if variance > 4.0 * own else 0.0


def start_covariance(q_enu_from_body: Array, prior_sd: Array, pad_azimuth_rad: float, heading_sd_rad: float) -> Array:
    """Covariance of the 25 errors at the first edge, shape (25, 25).

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
    problem: _Problem,
    *,
    backward: bool,
    max_passes: int = 4,
    tick: Callable[[float], None] = lambda share: None,
    whole_covariance: bool = False,
) -> Fit:
    """Filter, and with `backward` smooth until the result stands still."""
    passes = _Passes(problem)
    fit = passes.filtered(problem.start, None)
    if not backward:
        return fit if not whole_covariance else dataclasses.replace(fit, covariance=passes.filter_covariance())
    tick(0.35)
    smoothed = passes.smoothed(whole_covariance=whole_covariance)
    for n in range(1, max_passes):
        tick(0.35 + 0.5 * n / max_passes)
        nominal = smoothed.trajectory
        fit = passes.filtered(nominal, nominal)
        if n == 1 and passes.weigh_barometer(fit):
            fit = passes.filtered(nominal, nominal)
        smoothed = passes.smoothed(whole_covariance=whole_covariance)
        moved = smoothed.trajectory
        turn = rotation.to_rotvec(rotation.multiply(moved.q, rotation.conjugate(nominal.q)))
        if np.max(np.abs(turn)) < _STILL_RAD and np.max(np.abs(moved.pos - nominal.pos)) < _STILL_M:
            break
    return dataclasses.replace(
        smoothed,
        codes=fit.codes,
        epochs=fit.epochs,
        innovations=fit.innovations,
        refused=fit.refused,
        n_passes=n + 1 if max_passes > 1 else 1,
    )


class _Passes:
    """Storage of one flight's filter, written by each forward pass and read by the backward one."""

    def __init__(self, problem: _Problem) -> None:
        from replay.motion import _kernels_smoother as kernels

        m, n = problem.pre.n_epochs, kernels.N
        self.problem = problem
        self.variances = problem.aiding.variances.copy()
        self.phi = (np.zeros((m, 3)), np.zeros((m, 3)), np.zeros((m, 9, 12)))
        self.packed = np.empty((m + 1, n * (n + 1) // 2))
        self.deltas = np.empty((m + 1, n))
        self.prior = np.empty((m + 1, 28))
        rows = _row_count(problem)
        self.up_start = np.zeros(m + 2, dtype=np.int64)
        self.up_code = np.zeros(rows, dtype=np.int64)
        self.up_row, self.up_gain, self.up_value = np.zeros((rows, n)), np.zeros((rows, n)), np.zeros((rows, 2))
        self.refused = np.zeros((rows, 3))

    def filtered(self, at: Trajectory, nominal: Trajectory | None) -> Fit:
        """Forward pass: closed loop from `at`, or about the whole given nominal."""
        from replay.motion import _kernels_smoother as kernels

        p, pre, aid = self.problem, self.problem.pre, self.problem.aiding
        m = pre.n_epochs
        delta = np.zeros(kernels.N)
        if nominal is None:
            nominal = Trajectory(*(np.repeat(a[:1], m + 1, axis=0) for a in (at.q, at.vel, at.pos, at.parameters)))
            is_feedback = True
        else:
            is_feedback = False
            delta[:] = _prior_offset(p, nominal)
        covariance = start_covariance(nominal.q[0], p.prior_sd, p.pad_azimuth_rad, p.heading_sd_rad)
        n_up, n_refused = kernels.forward(
            is_feedback, pre.log_time_s, p.kinds, pre.q_start_from_end, pre.vel_start_mps, pre.pos_start_m, pre.jacobian, pre.var, pre.mean,
            p.walk_var, p.gravity, covariance, delta, nominal.q, nominal.vel, nominal.pos, nominal.parameters,
            aid.baro_log_time_s, aid.baro_height_m, aid.baro_first, aid.satellite_enu_m, aid.satellite_back_s, aid.mag_body, aid.mag_ref_enu,
            self.variances, aid.gates, *self.phi, self.packed, self.deltas, self.prior,
            self.up_start, self.up_code, self.up_row, self.up_gain, self.up_value, self.refused,
        )  # fmt: skip
        self.nominal = nominal
        epochs = np.repeat(np.arange(m + 1), np.diff(self.up_start)) - 1
        after = self.packed[:, _shown_places()]
        if p.kinds[0] & kernels.STATIC:  # nothing is known at the first edge; the first mean at rest stands for its whole epoch
            after[0] = self.prior[1] = after[1]
        return Fit(
            pre, p.kinds, nominal.moved(self.deltas), after, self.prior.copy(), np.empty((0, 25, 25)),
            self.up_code[:n_up].copy(), epochs, self.up_value[:n_up].copy(), self.refused[:n_refused].copy(), 1,
        )  # fmt: skip

    def smoothed(self, *, whole_covariance: bool) -> Fit:
        """Backward pass over the last forward one."""
        from replay.motion import _kernels_smoother as kernels

        pre, m = self.problem.pre, self.problem.pre.n_epochs
        delta, shown = np.empty((m + 1, kernels.N)), np.empty((m + 1, 28))
        whole = np.empty((m + 1 if whole_covariance else 0, kernels.N, kernels.N))
        kernels.backward(
            pre.log_time_s, self.problem.kinds, *self.phi, self.packed, self.deltas, self.up_start, self.up_row, self.up_gain, self.up_value,
            delta, shown, whole,
        )  # fmt: skip
        none = np.empty(0, dtype=np.int64)
        return Fit(
            pre, self.problem.kinds, self.nominal.moved(delta), shown, shown, whole, none, none, np.empty((0, 2)), np.empty((0, 3)), 1
        )

    def filter_covariance(self) -> Array:
        """Whole covariances after the measurements of each edge, shape (m + 1, 25, 25)."""
        i, j = np.triu_indices(25)
        whole = np.empty((len(self.packed), 25, 25))
        whole[:, i, j] = self.packed
        whole[:, j, i] = self.packed
        return whole

    def weigh_barometer(self, fit: Fit) -> bool:
        """Take the barometer for as noisy as its innovations are, where that is clearly more than on the pad; says whether it did.

        Not after the first pass, whose innovations show its own linearisation more than the barometer.
        """
        from replay.motion import _kernels_smoother as kernels

        mine = (fit.codes == kernels.BAROMETER) & (self.problem.kinds[fit.epochs] & kernels.STATIC == 0)
        if np.count_nonzero(mine) < 20:
            return False
        ratio = fit.innovations[mine, 0] / np.sqrt(fit.innovations[mine, 1])
        factor = 1.4826 * float(np.median(np.abs(ratio)))
        if factor > 1.3:
            self.variances[2] *= factor**2
        return factor > 1.3


def _row_count(problem: _Problem) -> int:
    """Room for every scalar measurement there can be."""
    from replay.motion import _kernels_smoother as kernels

    kinds, aid = problem.kinds, problem.aiding
    n = np.count_nonzero(np.diff(aid.baro_first)) + 6 * np.count_nonzero(kinds & kernels.STATIC)
    n += 6 * np.count_nonzero(kinds & (kernels.STOPS_AT_END | kernels.HELD)) + 2 * np.count_nonzero(kinds & kernels.STEADY)
    n += 3 * np.count_nonzero(np.isfinite(aid.satellite_back_s)) + 3 * np.count_nonzero(np.isfinite(aid.mag_body[:, 0]))
    return int(n) + _MOST_ROWS


def _prior_offset(problem: _Problem, nominal: Trajectory) -> Array:
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


def _solution(
    fit: Fit, problem: _Problem, inertial: Inertial, measurements: Measurements, events: Events, levelling: Levelling,
    noise: ImuNoise, settings: EstimatorSettings, model: FlightModel, *, backward: bool,
) -> Solution:  # fmt: skip
    offset = np.asarray(levelling.gyro_bias_body_radps, dtype=float)
    return Solution(
        method="smoother" if backward else "kalman",
        calibration=Calibration(),
        log_time_s=measurements.log_time_s,
        accel_body_mps2=inertial.accel_body_mps2,
        rate_body_radps=inertial.rate_body_radps - offset,
        is_gravity_used=_gravity_used(fit, len(inertial.log_time_s)),
        events=events,
        levelling=levelling,
        rejected=_rejected(fit),
        diagnostics=_diagnostics(fit, problem),
        assumptions=_assumptions(fit, problem, inertial, settings, noise, model, backward=backward),
        **_samples(fit, problem, inertial, offset, noise, is_smoothed=backward),
    )


def _samples(fit: Fit, problem: _Problem, inertial: Inertial, offset: Array, noise: ImuNoise, *, is_smoothed: bool) -> dict[str, Array]:
    """Every sample's estimate: between the edges by the inertial record, before the first edge by the gyro alone."""
    from replay.motion import _kernels_smoother as kernels

    n, state, edges = len(inertial.log_time_s), fit.trajectory, fit.pre.edges
    three = ("vel_enu_mps", "pos_enu_m", "attitude_sd_rad", "vel_sd_enu_mps", "pos_sd_enu_m", "gyro_bias_body_radps",
             "gyro_bias_sd_radps", "accel_bias_body_mps2", "accel_bias_sd_mps2")  # fmt: skip
    out: dict[str, Array] = {"q_enu_from_body": np.empty((n, 4)), "tilt_sd_rad": np.empty(n)} | {name: np.empty((n, 3)) for name in three}
    kernels.fill_samples(
        is_smoothed, edges, fit.pre.log_time_s, fit.kinds, inertial.log_time_s, inertial.rate_body_radps, inertial.accel_body_mps2,
        inertial.bend, inertial.is_gap_before, offset, problem.gravity, state.q, state.vel, state.pos, state.parameters, fit.after, fit.before,
        out["q_enu_from_body"], *(out[name] for name in three[:2]), out["tilt_sd_rad"], *(out[name] for name in three[2:]),
    )  # fmt: skip
    first = int(edges[0])
    if first > 0:
        for name in three:
            out[name][:first] = out[name][first]
        out["vel_enu_mps"][:first] = 0.0
        back = slice(0, first + 1)
        out["q_enu_from_body"][back] = filters.integrate(
            inertial.log_time_s[back], inertial.rate_body_radps[back], offset + state.parameters[0, :3], first, state.q[0],
            inertial.is_gap_before[back],
        )  # fmt: skip
        age = inertial.log_time_s[first] - inertial.log_time_s[:first]
        hidden = np.cumsum(inertial.extra_var[:first, 0][::-1])[::-1]
        bias_sd = out["gyro_bias_sd_radps"][first]
        grown = noise.gyro_nd_radps_rthz**2 * age + hidden + float(np.mean(bias_sd**2)) * age**2
        out["attitude_sd_rad"][:first] = np.sqrt(out["attitude_sd_rad"][first] ** 2 + grown[:, None])
        out["tilt_sd_rad"][:first] = np.sqrt(out["tilt_sd_rad"][first] ** 2 + grown)
    return out


def _gravity_used(fit: Fit, n: int) -> NDArray[np.bool_]:
    from replay.motion import _kernels_smoother as kernels

    used = np.zeros(n, dtype=bool)
    edges = fit.pre.edges
    used[edges[0] : edges[-1]] = np.repeat(fit.kinds & (kernels.STATIC | kernels.STEADY) != 0, np.diff(edges))
    used[edges[-1] :] = bool(fit.kinds[-1] & (kernels.STATIC | kernels.STEADY))
    return used


def _rejected(fit: Fit) -> tuple[tuple[str, float, float], ...]:
    from replay.motion import _kernels_smoother as kernels

    return tuple((kernels.KINDS[int(code)], float(fit.pre.log_time_s[int(k)]), float(sigmas)) for k, code, sigmas in fit.refused)


def _diagnostics(fit: Fit, problem: _Problem) -> dict[str, tuple[Array, Array]]:
    """Innovation of every kind of measurement taken, in sigmas (columns are its components), what rest leaves over, and slow parameters."""
    from replay.motion import _kernels_smoother as kernels

    found: dict[str, tuple[Array, Array]] = {}
    edge_time_s = fit.pre.log_time_s
    for code, kind in enumerate(kernels.KINDS):
        mine = np.flatnonzero(fit.codes == code)
        if not len(mine):
            continue
        width = int(np.max(np.bincount(fit.epochs[mine])))
        mine = mine[np.isin(fit.epochs[mine], np.flatnonzero(np.bincount(fit.epochs[mine]) == width))]
        times = edge_time_s[fit.epochs[mine][::width] + 1]
        innovation, variance = fit.innovations[mine, 0].reshape(-1, width), fit.innovations[mine, 1].reshape(-1, width)
        found[f"{kind} innovation (sigmas)"] = (
            times,
            (innovation / np.sqrt(variance)).squeeze(axis=1) if width == 1 else innovation / np.sqrt(variance),
        )
        if code == kernels.BAROMETER:
            found["barometer innovation (m)"] = (times, innovation[:, 0])
            found["barometer innovation sd (m)"] = (times, np.sqrt(variance[:, 0]))
    rest = (fit.kinds & kernels.STATIC != 0) & (np.diff(fit.pre.edges) > 1)
    if rest.any():
        q, parameters = fit.trajectory.q[1:][rest], fit.trajectory.parameters[1:][rest]
        mean = fit.pre.mean[rest]
        corrected = mean - parameters[:, :6] - parameters[:, 6:12] * mean
        up = np.zeros((len(q), 3))
        up[:, 2] = _gravity_at(problem.gravity, fit.trajectory.pos[1:][rest, 2])
        times = edge_time_s[1:][rest]
        found["rest rate residual (rad/s)"] = (times, corrected[:, :3])
        found["rest specific force residual (m/s²)"] = (times, corrected[:, 3:] - rotation.rotate(rotation.conjugate(q), up))
    for name, first, width in (
        ("gyro scale correction", 6, 3),
        ("accelerometer scale correction", 9, 3),
        ("barometer scale correction", 13, 1),
        ("barometer lag (s)", 14, 1),
    ):
        values = fit.trajectory.parameters[:, first : first + width]
        found[name] = (edge_time_s, values[:, 0] if width == 1 else values)
    return found


def _gravity_at(gravity: Array, height_m: Array) -> Array:
    h = gravity[3] + height_m
    return np.asarray(gravity[0] * (1.0 - gravity[1] * h + gravity[2] * h * h))


def _assumptions(
    fit: Fit, problem: _Problem, inertial: Inertial, settings: EstimatorSettings, noise: ImuNoise, model: FlightModel, *, backward: bool
) -> tuple[str, ...]:
    """Priors and choices the result leaned on, one line each."""
    from replay.motion import _kernels_smoother as kernels

    def source(name: str) -> str:
        return "default" if getattr(settings, name) is None else "as set"

    lines = list(inertial.notes) + list(problem.aiding.notes)
    lines.append(
        f"accelerometer bias left by the calibration: {noise.accel_bias_sd_mps2:.3g} m/s² ({source('accel_bias_sd_mps2')}), "
        f"which a tilt on the pad can't be better than: {np.degrees(noise.accel_bias_sd_mps2 / 9.81):.2g}°"
    )
    lines.append(
        f"scale left by the calibration: gyro {100.0 * noise.gyro_scale_sd:.2g} % ({source('gyro_scale_sd')}), "
        f"accelerometer {100.0 * noise.accel_scale_sd:.2g} % ({source('accel_scale_sd')})"
    )
    names = {"gyro_walk_radps_rts": "gyro bias walk", "accel_walk_mps2_rts": "accelerometer bias walk", "gyro_nd_radps_rthz": "gyro noise",
             "accel_nd_mps2_rthz": "accelerometer noise", "baro_sd_m": "barometer noise"}  # fmt: skip
    defaulted = [words for name, words in names.items() if name in noise.defaulted and getattr(settings, name) is None]
    if defaulted:
        lines.append("default taken for " + ", ".join(defaulted))
    if len(problem.aiding.baro_height_m):
        lines.append(
            f"barometer lag {'taken' if model.baro_lag_sd_s == 0.0 else 'found from'} {model.baro_lag_s:.3g} s, "
            f"scale known to {100.0 * problem.prior_sd[kernels.BARO_SCALE - 3]:.2g} %, port error to {settings.baro_port_factor:.2g} v²/2g"
        )
    last = np.flatnonzero(fit.kinds & kernels.STATIC == 0)
    if len(last) and not np.any(fit.kinds[last[0] :] & kernels.STATIC):
        lines.append("no rest after touchdown in the record: accelerometer bias and end of the path rest on the pad alone")
    if backward:
        lines.append(f"{fit.n_passes} passes of the smoother")
    return tuple(lines)
