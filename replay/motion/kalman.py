"""General-motion attitude from gyro and accelerometer: `kalman_attitude` (causal) and `smooth_attitude` (the same model, both ways).

Gravity is told from motion by what motion can't do: a thing that stays about where it is has a specific force that, turned into an
almost inertial frame and integrated twice, must stay bounded. So the horizontal position is a state and "about where it was" a soft
measurement of it. That uses the accelerometer all the time, weights long averages against gyro drift as the noise says, and needs
no gate on the norm of the specific force. Beside the gyro's bias its scale, cross-axis and lag behind the accelerometer are estimated,
for it is they, not noise, that make a gyro drift while it is turned fast; and the accelerometer's bias, where turning shows it.

Motion is neither white nor bounded, so what it says of the vertical is weighed by what it is seen to do. Innovations that keep to one
side count as one that lasts, not as many; and a thing that has moved off (a car that pulls away) has its place and velocity taken anew,
for a steady speed can't be told from rest. The smoother looks at both sides.

References
----------
.. [1] E. J. Lefferts, F. L. Markley, M. D. Shuster, Kalman filtering for spacecraft attitude estimation, JGCD 5(5), 1982.
.. [2] A. E. Bryson, M. Frazier, Smoothing for linear and nonlinear dynamic systems, TDR 63-119, Wright-Patterson AFB, 1963, for the
   backward pass; the same estimate as H. E. Rauch, F. Tung, C. T. Striebel, AIAA Journal 3(8), 1965.
.. [3] D. Laidig, T. Seel, VQF, Information Fusion 91, 2023, for the worth of averaging in an almost inertial frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import _kernels_kalman_layout as layout
from replay.motion import filters
from replay.motion.attitude import AttitudeEstimate
from replay.motion.kalman_settings import AttitudeFilterSettings, replaced, with_lag

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BLOCK = 1024
_GAP_STEPS = 5.0
_SCALE_WALK_RTS = 1e-6
_UNKNOWN_TILT_RAD = 1.5
_LASTING = 1.5
"""The smoother takes motion for lasting above this."""


@dataclass(frozen=True, eq=False)
class _Problem:
    """Everything a pass needs, checked and contiguous."""

    time: Array
    rate: Array
    accel: Array
    flags: NDArray[np.uint8]
    stops: NDArray[np.int64]
    kind: NDArray[np.uint8]
    noise: Array
    x_start: Array
    p_start: Array
    settings: AttitudeFilterSettings = field(repr=False)

    @property
    def epoch_time(self) -> Array:
        return self.time[self.stops[1:]]

    @property
    def given(self) -> tuple[NDArray[Any], ...]:
        """The record as the forward pass takes it."""
        return self.time, self.rate, self.accel, self.flags, self.stops, self.kind


def kalman_attitude(
    time_s: ArrayLike,
    rate_body_radps: ArrayLike,
    accel_body_mps2: ArrayLike,
    settings: AttitudeFilterSettings | None = None,
    mask: ArrayLike | None = None,
    *,
    q_start: ArrayLike | None = None,
    gyro_bias_body_radps: ArrayLike = (0.0, 0.0, 0.0),
    is_gravity_used: ArrayLike | None = None,
    is_gap_before: ArrayLike | None = None,
    **gains: float,
) -> AttitudeEstimate:
    """Attitude from past samples only, except that the first epoch (0.15 s) is levelled as a whole.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly increasing; steps may differ. A step above five times the median is a gap.
    rate_body_radps, accel_body_mps2 : array_like, shape (n, 3)
        NaN rows are bridged, with the error that brings.
    settings : AttitudeFilterSettings, optional
    mask : array_like of bool, shape (n,), optional
        Samples whose rate is not to be trusted (clipped); for the specific force, see `is_gravity_used`.
    q_start : array_like, shape (4,), optional
        Attitude at the first sample, within `start_tilt_sd_rad`. Without it the first epoch is levelled and the heading is zero.
    gyro_bias_body_radps : array_like, shape (3,)
        Where the estimated bias starts.
    is_gravity_used, is_gap_before : array_like of bool, shape (n,), optional
        Where the accelerometer may correct the attitude (everywhere), and where a gap lies before the sample (found).
    **gains
        Fields of `settings` to replace.

    Returns
    -------
    AttitudeEstimate
        `tilt_sd_rad` is of one horizontal component. `details`, per epoch: `epoch_time_s`, `innovation_m` (of the horizontal
        position), `nis` (of that, two degrees of freedom), both NaN in a gap and where `has_moved`, `is_rest`,
        `accel_bias_body_mps2` and `gyro_lag_s` with their `_sd`; at the
        end of the record `gyro_scale` (3, 3) with its `_sd`; and `settings`.

    Raises
    ------
    CannotEstimate
    """
    s = replaced(settings or AttitudeFilterSettings(), gains)
    arrays = (time_s, rate_body_radps, accel_body_mps2)
    problem = _prepare(*arrays, s, mask, q_start, gyro_bias_body_radps, is_gravity_used, is_gap_before, is_acausal=False)
    from replay.motion import _kernels_kalman as kernels

    n, m = len(problem.time), len(problem.kind)
    q, tilt_sd, out = np.empty((n, 4)), np.empty(n), np.empty((m, layout.N_OUT))
    x, p = problem.x_start.copy(), problem.p_start.copy()
    kernels.forward(*problem.given, np.empty(0), 0, m, problem.noise, x, p, q, tilt_sd, out, _record(0))
    sd = out[:, layout.OUT_SD : layout.OUT_SIGMAS]
    is_drifting = np.r_[0:3, 12:16]
    return _estimate("kalman", problem, q, tilt_sd, out[:, layout.OUT_X : layout.OUT_SD], sd[:, is_drifting], sd[-1, 3:12], out[:, :3])


def smooth_attitude(
    time_s: ArrayLike,
    rate_body_radps: ArrayLike,
    accel_body_mps2: ArrayLike,
    settings: AttitudeFilterSettings | None = None,
    mask: ArrayLike | None = None,
    *,
    q_start: ArrayLike | None = None,
    gyro_bias_body_radps: ArrayLike = (0.0, 0.0, 0.0),
    is_gravity_used: ArrayLike | None = None,
    is_gap_before: ArrayLike | None = None,
    **gains: float,
) -> AttitudeEstimate:
    """Attitude from the whole record: `kalman_attitude` and its backward pass, in blocks, so that memory stays small.

    Parameters and result as `kalman_attitude`; the per-epoch details are smoothed, innovations and nis are the filter's.
    """
    s = replaced(settings or AttitudeFilterSettings(), gains)
    arrays = (time_s, rate_body_radps, accel_body_mps2)
    problem = _prepare(*arrays, s, mask, q_start, gyro_bias_body_radps, is_gravity_used, is_gap_before, is_acausal=True)
    from replay.motion import _kernels_kalman as kernels
    from replay.motion import _kernels_kalman_back as back

    n, m = len(problem.time), len(problem.kind)
    out = np.empty((m, layout.N_OUT))
    nodes, cov = np.empty((m + 1, layout.N_STATE)), np.empty((m + 1, back.N_COV))
    motion, checkpoints = _filtered(problem, out)
    # each block again, last first, this time recorded
    record, nothing = _record(min(_BLOCK, m)), (np.empty((0, 4)), np.empty(0), np.empty((0, layout.N_OUT)))
    lam, big = np.zeros(layout.WIDTH), np.zeros((layout.N, layout.WIDTH))
    for start, (x, p) in zip(reversed(range(0, m, _BLOCK)), reversed(checkpoints), strict=True):
        stop = min(start + _BLOCK, m)
        kernels.forward(*problem.given, motion, start, stop, problem.noise, x, p, *nothing, record)
        back.backward(record, problem.kind[start:stop], lam, big, nodes[start : stop + 1], cov[start : stop + 1], start == 0)
    q, tilt_sd = np.empty((n, 4)), np.empty(n)
    back.smooth_samples(problem.time, problem.rate, problem.stops, problem.kind, nodes, cov, problem.noise, q, tilt_sd)
    sd = np.sqrt(cov[1:, back.C_BIAS : back.C_LAG_X])
    return _estimate(
        "smoother", problem, q, tilt_sd, nodes[1:, layout.CONSTANTS + 1 : 24], sd, out[-1, layout.OUT_SD + 3 :][:9], out[:, :3]
    )


def _filtered(problem: _Problem, out: Array) -> tuple[Array, list[tuple[Array, Array]]]:
    """Filter the whole record into `out`: how lasting the motion is, shape (m,) or empty, and state and covariance before each block."""
    from replay.motion import _kernels_kalman as kernels
    from replay.motion import _kernels_kalman_epochs as epochs

    m, motion = len(problem.kind), np.empty(0)
    while True:
        x, p = problem.x_start.copy(), problem.p_start.copy()
        checkpoints: list[tuple[Array, Array]] = []
        for start in range(0, m, _BLOCK):
            checkpoints.append((x.copy(), p.copy()))
            stop = min(start + _BLOCK, m)
            kernels.forward(*problem.given, motion, start, stop, problem.noise, x, p, np.empty((0, 4)), np.empty(0), out, _record(0))
        if len(motion):
            return motion, checkpoints
        # motion that lasts shows to the filter only after a while: where it does, the filter is run again, told from the start
        lasting = np.empty(m)
        sigmas = np.ascontiguousarray(out[:, layout.OUT_SIGMAS :])
        if epochs.lasting_motion(problem.time[problem.stops], sigmas, layout.PERSISTENCE_S, lasting) <= _LASTING:
            return motion, checkpoints
        motion = lasting


def _record(n_epochs: int) -> tuple[NDArray[Any], ...]:
    """Room for what the backward pass needs of `n_epochs` epochs; without rows, nothing is recorded."""
    nodes = n_epochs + 1 if n_epochs else 0
    return (
        np.empty((nodes, layout.N_STATE)), np.empty((nodes, layout.N, 24)), np.empty((n_epochs, 3, layout.N_TURN)),
        np.empty((n_epochs, 4)), np.empty((n_epochs, layout.N_UPDATES, 24)), np.empty((n_epochs, layout.N_UPDATES, 2)),
        np.empty((n_epochs, layout.N_UPDATES), dtype=np.int64), np.empty(n_epochs, dtype=np.int64),
    )  # fmt: skip


def _prepare(
    time_s: ArrayLike, rate: ArrayLike, accel: ArrayLike, s: AttitudeFilterSettings, mask: ArrayLike | None, q_start: ArrayLike | None,
    bias: ArrayLike, is_gravity_used: ArrayLike | None, is_gap_before: ArrayLike | None, *, is_acausal: bool,
) -> _Problem:  # fmt: skip
    from replay.motion import _kernels_kalman_epochs as epochs

    time, rate_rows, accel_rows = (np.ascontiguousarray(values, dtype=float) for values in (time_s, rate, accel))
    n = len(time)
    for name, values in (("rate_body_radps", rate_rows), ("accel_body_mps2", accel_rows)):
        if time.ndim != 1 or values.shape != (n, 3):
            raise CannotEstimate("attitude", f"{name}: expected shape ({n}, 3), got {values.shape}")
    steps = np.diff(time)
    if n < 2 or not np.isfinite(time).all() or not (steps > 0.0).all():
        raise CannotEstimate("attitude", "expected at least two samples and a time that increases from each to the next")
    flags = np.empty(n, dtype=np.uint8)
    gap_s = _GAP_STEPS * float(np.median(steps))
    if epochs.find_flags(time, rate_rows, accel_rows, _mask(mask, n), _mask(is_gravity_used, n), _mask(is_gap_before, n), gap_s, flags):
        if not np.isfinite(rate_rows).all(axis=1).any():
            raise CannotEstimate("attitude", "no sample has a rate")
        rate_rows, accel_rows = filters.filled(time, rate_rows), filters.filled(time, accel_rows)
    if q_start is None and (flags & epochs.ACCEL_LOST).all():
        raise CannotEstimate("attitude", "no sample has a specific force to level on; give q_start")
    s = with_lag(s, time)
    stops = np.empty(n, dtype=np.int64)
    m = epochs.split_epochs(time, flags, s.epoch_s, stops)
    stops = stops[: m + 1].copy()
    kind = _kinds(time, rate_rows, accel_rows, flags, stops, s, q_start is None, is_acausal)
    x, p = _start(s, q_start, bias)
    return _Problem(time, rate_rows, accel_rows, flags, stops, kind, _noise(s), x, p, s)


def _mask(values: ArrayLike | None, n: int) -> Mask:
    """A mask of n samples, or an empty one where none is given."""
    mask = np.zeros(0, dtype=bool) if values is None else np.ascontiguousarray(values, dtype=bool)
    if values is not None and mask.shape != (n,):
        raise CannotEstimate("attitude", f"a mask: expected shape ({n},), got {mask.shape}")
    return mask


def _kinds(
    time: Array, rate: Array, accel: Array, flags: NDArray[np.uint8], stops: NDArray[np.int64], s: AttitudeFilterSettings,
    is_levelled: bool, is_acausal: bool,
) -> NDArray[np.uint8]:  # fmt: skip
    """What each epoch is: a gap, at rest, levelled afresh (at the start, and after a gap over which the gyro is worth less)."""
    from replay.motion import _kernels_kalman_epochs as epochs

    m = len(stops) - 1
    kind, scatter = np.zeros(m, dtype=np.uint8), np.empty((m, 8))
    epochs.epoch_scatter(rate, accel, flags, stops, m, scatter)
    fastest = 3.0 * s.gyro_bias_sd_radps + s.rest_rate_radps
    epochs.find_rest(time, stops, m, scatter, s.rest_rate_radps, s.rest_accel_mps2, fastest, s.rest_s, is_acausal, kind)
    bridge_s = s.start_tilt_sd_rad / s.gap_rate_sd_radps if s.gap_rate_sd_radps > 0.0 else math.inf
    epochs.mark_gaps(time, flags, stops, m, bridge_s, is_levelled, kind)
    return kind


def _start(s: AttitudeFilterSettings, q_start: ArrayLike | None, bias: ArrayLike) -> tuple[Array, Array]:
    """Nominal state and covariance at the first sample."""
    x, p = np.zeros(layout.N_STATE), np.zeros((layout.N, 24))
    x[:4] = (1.0, 0.0, 0.0, 0.0) if q_start is None else rotation.normalise(q_start)
    x[8:11], x[20] = np.asarray(bias, dtype=float), s.gyro_lag_s
    sd = np.zeros(layout.N)
    sd[:2] = _UNKNOWN_TILT_RAD if q_start is None else s.start_tilt_sd_rad
    sd[layout.VEL : layout.POS], sd[layout.POS : layout.CONSTANTS] = s.start_speed_sd_mps, s.start_position_sd_m
    sd[layout.BIAS : layout.SCALE], sd[layout.SCALE : layout.LAG] = s.gyro_bias_sd_radps, s.gyro_scale_sd
    sd[layout.LAG], sd[layout.ACCEL_BIAS :] = s.gyro_lag_sd_s, s.accel_bias_sd_mps2
    p[np.arange(layout.N), np.arange(layout.N)] = sd**2
    return x, p


def _noise(s: AttitudeFilterSettings) -> Array:
    """The settings in the order of the kernels' noise vector."""
    return np.array(
        [
            s.gyro_nd_radps_rthz, s.gyro_rate_noise_rts, s.gyro_walk_radps_rts, _SCALE_WALK_RTS if s.gyro_scale_sd > 0.0 else 0.0,
            s.accel_nd_mps2_rthz, s.accel_rest_nd_mps2_rthz, s.accel_walk_mps2_rts, s.position_nd_m_rthz, s.wander_m_rts,
            s.rest_speed_sd_mps, s.rest_rate_sd_radps, s.rate_clipped_sd_radps, s.accel_lost_sd_mps2, s.gap_rate_sd_radps,
            s.start_tilt_sd_rad, s.start_speed_sd_mps, s.start_position_sd_m, s.lag_s or 0.0, s.lag_sd_s or 0.0,
        ]
    )  # fmt: skip


def _estimate(
    method: str, problem: _Problem, q: Array, tilt_sd: Array, constants: Array, sd: Array, scale_sd: Array, innovations: Array
) -> AttitudeEstimate:
    """`constants` (m, 16) as in the state, `sd` (m, 7) of bias, lag and accelerometer bias, `scale_sd` (9,) at the end."""
    from replay.motion import _kernels_kalman_epochs as epochs

    counts = np.diff(problem.stops)
    counts[0] += 1
    details = {
        "epoch_time_s": problem.epoch_time,
        "innovation_m": innovations[:, :2],
        "nis": innovations[:, 2],
        "is_rest": (problem.kind & epochs.REST) != 0,
        "has_moved": (problem.kind & epochs.MOVED) != 0,
        "accel_bias_body_mps2": constants[:, 13:],
        "accel_bias_sd_mps2": sd[:, 4:],
        "gyro_lag_s": constants[:, 12],
        "gyro_lag_sd_s": sd[:, 3],
        "gyro_scale": constants[-1, 3:12].reshape(3, 3),
        "gyro_scale_sd": scale_sd.reshape(3, 3),
        "settings": problem.settings,
    }
    is_used = (problem.flags & epochs.ACCEL_LOST) == 0
    bias, bias_sd = np.repeat(constants[:, :3], counts, axis=0), np.repeat(sd[:, :3], counts, axis=0)
    return AttitudeEstimate(method, q, is_used, bias, bias_sd, tilt_sd, details)
