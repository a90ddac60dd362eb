"""The flight estimator: `kalman` (causal) and `smoother` (forward filter and Rauch–Tung–Striebel backward pass) over a whole flight.

A multiplicative error-state filter over attitude, velocity and position in enu, and over sixteen errors of the sensors (biases and
scales of gyro and accelerometer, and the barometer's bias, scale, lag and port error). Attitude errors stand on the enu side,
R_true = exp(δθ) R, so that a vertical component is a heading error and nothing else.

At rest the attitude stands still, and gyro and accelerometer become measurements: the mean rate is the gyro's bias, the mean specific
force is gravity's reaction and the accelerometer's bias. One static pose can't tell a lean from a bias, and the filter keeps that
correlation: the tilt on the pad is never better known than the accelerometer's bias. Steady descent says that the horizontal velocity is
no more than a wind's; boost and coast say nothing about the vertical.

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
from threading import Event
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import Cancelled, CannotEstimate
from replay.motion import filters
from replay.motion.aiding import FlightModel, arrange, epoch_kinds, sample_edges
from replay.motion.estimator import noise_of
from replay.motion.flight_passes import Problem, is_turn_borne_out, solve
from replay.motion.flight_state import (
    BARO_BIAS,
    BARO_LAG,
    BARO_SCALE,
    BAROMETER,
    KINDS,
    N_PARAMETERS,
    PARAMETERS,
    STATIC,
    STEADY,
    Fit,
    Trajectory,
)
from replay.motion.gates import gates_of
from replay.motion.gravity import height_terms
from replay.motion.inertial import Inertial, prepare_inertial
from replay.motion.phasing import gravity_gate
from replay.motion.preintegration import Preintegrated, preintegrate
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling, Solution
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import Measurements
from replay.sensors.noise import ImuNoise

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_LANDING_FACTOR = 2.25
"""What the samples of a landing hide of its velocity, over what those of other blows do, squared (held to the flight model's landings)."""


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
        False: `kalman`, each sample from what was measured up to it (a gap is bridged and priced from both its sides). True: `smoother`.
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
    noise, gate = noise_of(measurements, levelling, settings), gravity_gate(measurements, events, settings)
    refuted: tuple[str, ...] = ()
    for own in (measurements.own_attitude, None):
        inertial = prepare_inertial(measurements, own)
        tick(0.1)
        problem = _problem(measurements, inertial, events, site, levelling, settings, noise, gate, model)
        tick(0.2)
        fit = solve(problem, backward=backward, max_passes=model.max_passes, tick=tick)
        if is_turn_borne_out(problem, fit, inertial.own_saves_var):
            break
        refuted = ("the computer's own attitude is not used across gaps: where the vehicle came to rest does not bear it out",)
    fit = dataclasses.replace(fit, notes=(*refuted, *fit.notes))
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
) -> Problem:  # fmt: skip
    edges = sample_edges(inertial, events, levelling)
    if len(edges) < 2:
        raise CannotEstimate("flight estimate", "fewer than two samples after the start of the levelling window")
    offset = np.asarray(levelling.gyro_bias_body_radps, dtype=float)
    pre = preintegrate(inertial, edges, offset, noise.gyro_nd_radps_rthz, noise.accel_nd_mps2_rthz)
    kinds = epoch_kinds(pre, events, levelling, settings, noise, gate)
    is_static = kinds & STATIC != 0
    pre.var[is_static] = 0.0
    walk = np.zeros(N_PARAMETERS)
    walk[0:3], walk[3:6] = noise.gyro_walk_radps_rts**2, noise.accel_walk_mps2_rts**2
    walk[BARO_BIAS - PARAMETERS] = model.baro_walk_m_rts**2
    walk_var = pre.duration_s[:, None] * walk
    leaves = np.flatnonzero(is_static[:-1] & ~is_static[1:])
    if len(leaves):
        k = int(leaves[0])
        pre.var[k, 0] = _sway_variance(inertial, levelling, noise)
        # what flight does to a gyro bias read at rest: shocks, supply, load
        walk_var[k, 0:3] += noise.gyro_bias_sd_radps**2
        _add_cross_axis(pre, k + 1, inertial, offset, noise)
    if np.isfinite(events.touchdown_log_s):
        # a motor's blows come back again and again and cancel, those against the ground come once
        pre.var[(pre.log_time_s[1:] > events.touchdown_log_s) & ~is_static, 1:] *= _LANDING_FACTOR
    aiding = arrange(measurements, pre, kinds, levelling, site, settings, noise, model)
    start, prior_sd = _start(levelling, site, settings, noise, model)
    g0, c1, c2 = height_terms(site.latitude_or_default_rad)
    return Problem(
        pre, kinds, aiding, walk_var, np.array([g0, c1, c2, site.ground_height_or_default_m]), start, prior_sd,
        site.pad_azimuth_or_default_rad, model.heading_sd_rad, events.touchdown_log_s,
    )  # fmt: skip


def _start(levelling: Levelling, site: Site, settings: EstimatorSettings, noise: ImuNoise, model: FlightModel) -> tuple[Trajectory, Array]:
    """State at the first edge and the standard deviations of all but the attitude, shape (22,)."""
    parameters = np.zeros((1, N_PARAMETERS))
    parameters[0, BARO_LAG - PARAMETERS] = model.baro_lag_s
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


def _add_cross_axis(pre: Preintegrated, first: int, inertial: Inertial, offset: Array, noise: ImuNoise) -> None:
    """Put what cross-axis sensitivities left by the calibration do from epoch `first` on into the variances of `pre`.

    Each is a constant e that turns the attitude by the sum of R e w, w the rate, and pushes by that of R e f, f the specific force, over
    the way there. The mean square of that over all e counts in the steps in which it first reaches a size; that it shrinks again as the
    vehicle turns back is given away. A push lies along the axis that feels it.
    """
    edges = pre.edges[first:]
    flown = slice(int(edges[0]), int(edges[-1]) + 1)
    time_s, rate, is_gap = inertial.log_time_s[flown], inertial.rate_body_radps[flown] - offset, inertial.is_gap_before[flown]
    q = filters.integrate(time_s, rate, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), is_gap)
    step = np.diff(time_s)[:, None]
    accel = inertial.accel_body_mps2[flown]
    for i in range(3):
        axis = rotation.rotate(q, np.eye(3)[i])
        turned, pushed = np.zeros(len(edges)), np.zeros(len(edges))
        for k in {0, 1, 2} - {i}:
            for values, square in ((rate, turned), (accel, pushed)):
                along = axis * values[:, k : k + 1]
                way = np.cumsum(0.5 * (along[1:] + along[:-1]) * step, axis=0)
                square[1:] += np.sum(way[edges[1:] - edges[0] - 1] ** 2, axis=1)
        for column, square, share in ((0, turned, 1.0 / 3.0), (2 + i, pushed, 1.0)):
            pre.var[first:, column] += share * noise.cross_axis_sd**2 * np.diff(np.maximum.accumulate(square))


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


def _solution(
    fit: Fit, problem: Problem, inertial: Inertial, measurements: Measurements, events: Events, levelling: Levelling,
    noise: ImuNoise, settings: EstimatorSettings, model: FlightModel, *, backward: bool,
) -> Solution:  # fmt: skip
    offset = np.asarray(levelling.gyro_bias_body_radps, dtype=float)
    columns: dict[str, Any] = _samples(fit, problem, inertial, offset, noise, is_smoothed=backward)
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
        gates=gates_of(fit, problem.aiding.gates),
        diagnostics=_diagnostics(fit, problem),
        assumptions=_assumptions(fit, problem, inertial, settings, noise, model, backward=backward),
        **columns,
    )


def _samples(fit: Fit, problem: Problem, inertial: Inertial, offset: Array, noise: ImuNoise, *, is_smoothed: bool) -> dict[str, Array]:
    """Every sample's estimate: between the edges by the inertial record, before the first edge by the gyro alone."""
    from replay.motion import _kernels_samples as kernels

    n, state, edges = len(inertial.log_time_s), fit.trajectory, fit.pre.edges
    three = ("vel_enu_mps", "pos_enu_m", "attitude_sd_rad", "vel_sd_enu_mps", "pos_sd_enu_m", "gyro_bias_body_radps",
             "gyro_bias_sd_radps", "accel_bias_body_mps2", "accel_bias_sd_mps2")  # fmt: skip
    out: dict[str, Array] = {"q_enu_from_body": np.empty((n, 4)), "tilt_sd_rad": np.empty(n)} | {name: np.empty((n, 3)) for name in three}
    kernels.fill_samples(
        is_smoothed, edges, fit.pre.log_time_s, fit.kinds, inertial.log_time_s, inertial.rate_body_radps, inertial.accel_body_mps2,
        inertial.bend, inertial.is_gap_before, offset, problem.gravity, state.q, state.vel, state.pos, state.parameters,
        fit.after, fit.before,
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
    used = np.zeros(n, dtype=bool)
    edges = fit.pre.edges
    used[edges[0] : edges[-1]] = np.repeat(fit.kinds & (STATIC | STEADY) != 0, np.diff(edges))
    used[edges[-1] :] = bool(fit.kinds[-1] & (STATIC | STEADY))
    return used


def _rejected(fit: Fit) -> tuple[tuple[str, float, float], ...]:
    return tuple((KINDS[int(code)], float(fit.pre.log_time_s[int(k)]), float(sigmas)) for k, code, sigmas in fit.refused)


def _diagnostics(fit: Fit, problem: Problem) -> dict[str, tuple[Array, Array]]:
    """Innovation of every kind of measurement taken, in sigmas (columns are its components), what rest leaves over, and slow parameters."""
    found: dict[str, tuple[Array, Array]] = {}
    edge_time_s = fit.pre.log_time_s
    for code, kind in enumerate(KINDS):
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
        if code == BAROMETER:
            found["barometric height (m)"] = (problem.aiding.baro_log_time_s, problem.aiding.baro_height_m)
            found["barometer innovation (m)"] = (times, innovation[:, 0])
            found["barometer innovation sd (m)"] = (times, np.sqrt(variance[:, 0]))
    rest = (fit.kinds & STATIC != 0) & (np.diff(fit.pre.edges) > 1)
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
    fit: Fit, problem: Problem, inertial: Inertial, settings: EstimatorSettings, noise: ImuNoise, model: FlightModel, *, backward: bool
) -> tuple[str, ...]:
    """Priors and choices the result leaned on, one line each."""

    def source(name: str) -> str:
        return "default" if getattr(settings, name) is None else "as set"

    lines = [*inertial.notes, *problem.aiding.notes, *fit.notes]
    lines.append(
        f"accelerometer bias left by the calibration: {noise.accel_bias_sd_mps2:.3g} m/s² ({source('accel_bias_sd_mps2')}), "
        f"which a tilt on the pad can't be better than: {np.degrees(noise.accel_bias_sd_mps2 / 9.81):.2g}°"
    )
    lines.append(
        f"scale left by the calibration: gyro {100.0 * noise.gyro_scale_sd:.2g} % ({source('gyro_scale_sd')}), "
        f"accelerometer {100.0 * noise.accel_scale_sd:.2g} % ({source('accel_scale_sd')}); "
        f"across the axes {100.0 * noise.cross_axis_sd:.2g} % ({source('cross_axis_sd')})"
    )
    names = {"gyro_walk_radps_rts": "gyro bias walk", "accel_walk_mps2_rts": "accelerometer bias walk", "gyro_nd_radps_rthz": "gyro noise",
             "accel_nd_mps2_rthz": "accelerometer noise", "baro_sd_m": "barometer noise"}  # fmt: skip
    defaulted = [words for name, words in names.items() if name in noise.defaulted and getattr(settings, name) is None]
    if defaulted:
        lines.append("default taken for " + ", ".join(defaulted))
    if len(problem.aiding.baro_height_m):
        lines.append(
            f"barometer lag {'taken' if model.baro_lag_sd_s == 0.0 else 'found from'} {model.baro_lag_s:.3g} s, "
            f"scale known to {100.0 * problem.prior_sd[BARO_SCALE - 3]:.2g} %, port error to {settings.baro_port_factor:.2g} v²/2g"
        )
    last = np.flatnonzero(fit.kinds & STATIC == 0)
    if len(last) and not np.any(fit.kinds[last[0] :] & STATIC):
        lines.append("no rest after touchdown in the record: accelerometer bias and end of the path rest on the pad alone")
    if backward:
        still = "" if fit.is_settled else ", the last of which still moved it: its standard deviations are too small"
        lines.append(f"{fit.n_passes} passes of the smoother{still}")
    return tuple(lines)
