"""Tracks: solutions ready to draw, and where each of them has the vehicle at an instant."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import cast

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.solution import Solution
from replay.review.catalogue import GIMBAL_ANGLE
from replay.review.series import REFLOWN
from replay.scene import palette
from replay.scene.scene import Dash
from replay.scene.spread import rings

Array = NDArray[np.float64]

_N_PATH, _N_LOOKED_AT = 320, 20_000


@dataclass(frozen=True, eq=False)
class Track:
    """One solution, ready to draw.

    Parameters
    ----------
    series : str
        Key of `palette.SERIES`, or the name of a method drawn for comparison.
    solution : Solution
    path_log_time_s : ndarray, shape (m,)
    path_enu_m : ndarray, shape (m, 3)
        Thinned to even steps along the path; one point where the position was not estimated.
    has_position : bool
    rings_enu_m : ndarray, shape (k, 3)
        One standard deviation of the position along the path (`spread.rings`); empty where there is none.
    """

    series: str
    solution: Solution
    path_log_time_s: Array
    path_enu_m: Array
    has_position: bool
    rings_enu_m: Array = field(default_factory=lambda: np.empty((0, 3)))

    @property
    def gimbal(self) -> tuple[Array, Array] | None:
        """Gimbal angles the solution itself carries, rad about body x and y, with their times: those of a re-flown flight."""
        return self.solution.diagnostics.get(GIMBAL_ANGLE)

    def has_begun(self, log_time_s: float) -> bool:
        """A flight flown again begins at liftoff: before that it has no attitude, as in the readout. Every other track always has one."""
        return self.series != REFLOWN or not len(self.solution.log_time_s) or log_time_s >= self.solution.log_time_s[0]

    @property
    def colour(self) -> str:
        return palette.look_of(self.series)[0]

    @property
    def dash(self) -> Dash:
        return cast("Dash", palette.look_of(self.series)[1])


@dataclass(frozen=True, eq=False)
class Pose:
    """Attitude and place at one instant, shapes (4,) and (3,)."""

    q_enu_from_body: Array
    pos_enu_m: Array

    @cached_property
    def dcm_enu_from_body(self) -> Array:
        """Shape (3, 3); the last column is where the nose points."""
        return rotation.to_dcm(self.q_enu_from_body)

    @cached_property
    def tilt_rad(self) -> float:
        """Angle of the nose from up."""
        return float(rotation.tilt(self.q_enu_from_body))


def track_of(series: str, solution: Solution) -> Track:
    """A solution with its path thinned to even steps."""
    pos = solution.pos_enu_m
    i_near = spread_indices(len(pos))
    i_known = i_near[np.isfinite(pos[i_near]).all(axis=1)]
    if not len(i_known):
        return Track(series, solution, solution.log_time_s[:1], np.zeros((1, 3)), has_position=False)
    step = np.linalg.norm(np.diff(pos[i_known], axis=0), axis=1)
    along = np.concatenate(([0.0], np.cumsum(step)))
    wanted = np.searchsorted(along, np.linspace(0.0, along[-1], _N_PATH))
    rising = np.concatenate(([0], wanted.clip(max=len(i_known) - 1), [len(i_known) - 1]))
    i_kept = i_known[rising[np.concatenate(([True], np.diff(rising) > 0))]]
    path, sd = np.ascontiguousarray(pos[i_kept]), solution.pos_sd_enu_m
    spread = {} if sd is None else {"rings_enu_m": rings(path, sd[i_kept])}
    return Track(series, solution, solution.log_time_s[i_kept], path, has_position=True, **spread)


def spread_indices(n: int) -> NDArray[np.intp]:
    """At most _N_LOOKED_AT indices spread over n samples, both ends among them: enough to shape a path, and the same cost for any log."""
    if not n:
        return np.empty(0, dtype=np.intp)
    i = np.arange(0, n, max(1, -(-n // _N_LOOKED_AT)))
    return i if i[-1] == n - 1 else np.append(i, n - 1)


def pose_at(track: Track, log_time_s: float) -> Pose:
    """Attitude by spherical, position by straight interpolation between the two samples round an instant; held beyond the ends."""
    solution = track.solution
    t = solution.log_time_s
    i = min(max(int(np.searchsorted(t, log_time_s, side="right")) - 1, 0), max(len(t) - 2, 0))
    j = min(i + 1, len(t) - 1)
    share = min(max((log_time_s - float(t[i])) / float(t[j] - t[i]), 0.0), 1.0) if j > i else 0.0
    q = slerp(solution.q_enu_from_body[i], solution.q_enu_from_body[j], share)
    if not track.has_position:
        return Pose(q, np.zeros(3))
    pos = solution.pos_enu_m[i] + share * (solution.pos_enu_m[j] - solution.pos_enu_m[i])
    return Pose(q, np.where(np.isfinite(pos), pos, 0.0))


def slerp(q_first: Array, q_second: Array, share: float) -> Array:
    """The attitude a `share` of the way along the shorter turn from one to the other, shape (4,). Upright where either is not known.

    Plain floats: one pair a frame, where array calls would cost more than the arithmetic.
    """
    a, b = q_first.tolist(), q_second.tolist()
    dot = sum(p * q for p, q in zip(a, b, strict=True))
    if not math.isfinite(dot):
        return np.array([1.0, 0.0, 0.0, 0.0])
    if dot < 0.0:
        b, dot = [-q for q in b], -dot
    angle = math.acos(min(dot, 1.0))
    if angle < 1e-4:
        start, stop = 1.0 - share, share
    else:
        start, stop = math.sin((1.0 - share) * angle) / math.sin(angle), math.sin(share * angle) / math.sin(angle)
    q = [start * p + stop * r for p, r in zip(a, b, strict=True)]
    length = math.sqrt(sum(v * v for v in q))
    return np.array(q) / length
