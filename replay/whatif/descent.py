"""The re-flown path beside the flown one, from liftoff to the ground: the model's difference, then the fall below the parachute.

Below the parachute no model of the canopy is flown: the difference in velocity dies out by drag, the path keeps the shift it has by
then, and it ends where it meets the ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.solution import ShownAngles

if TYPE_CHECKING:
    from replay.motion.solution import Solution
    from replay.whatif.disturbance import Flown

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Track(ShownAngles):
    """One of the two flights, n rows.

    Parameters
    ----------
    pos_enu_m : ndarray, shape (n, 3)
    q_enu_from_body : ndarray, shape (n, 4)
    gimbal_rad : ndarray, shape (n, 2)
        About body x and y, by the model of the servo.
    """

    pos_enu_m: Array
    q_enu_from_body: Array
    gimbal_rad: Array


@dataclass(frozen=True, eq=False)
class Path:
    """The flown path from liftoff on, n rows. NaN events are unknown.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        After liftoff.
    pos_enu_m, vel_enu_mps : ndarray, shape (n, 3)
    q_enu_from_body : ndarray, shape (n, 4)
    force_mps2 : ndarray, shape (n,)
        Size of the specific force.
    n_free : int
        So many rows are above the parachute.
    burnout_s, touchdown_s : float
    """

    time_s: Array
    pos_enu_m: Array
    vel_enu_mps: Array
    q_enu_from_body: Array
    force_mps2: Array
    n_free: int
    burnout_s: float
    touchdown_s: float

    @property
    def i_touchdown(self) -> int:
        """Row of the flown touchdown; one past the end where the record does not get there."""
        return int(np.searchsorted(self.time_s, self.touchdown_s)) if np.isfinite(self.touchdown_s) else len(self.time_s)


def path_of(solution: Solution, motion: Flown) -> Path:
    """Cut the path out of a solution."""
    after, events = slice(motion.rows.start, None), solution.events
    return Path(
        solution.log_time_s[after] - events.liftoff_log_s,
        solution.pos_enu_m[after],
        solution.vel_enu_mps[after],
        rotation.make_continuous(solution.q_enu_from_body[after]),
        np.linalg.norm(np.nan_to_num(solution.accel_body_mps2[after]), axis=1),
        len(motion.time_s),
        events.burnout_log_s - events.liftoff_log_s,
        events.touchdown_log_s - events.liftoff_log_s,
    )


def tracks_of(path: Path, rows: Array) -> tuple[Track, Track]:
    """Flown and re-flown track from the rows of the re-fly loop, shape (n_free, 23)."""
    n = path.n_free
    gimbal = np.zeros((2, len(path.time_s), 2))
    gimbal[0, :n], gimbal[1, :n] = rows[:, 13:15], rows[:, 15:17]
    pos, q = path.pos_enu_m.copy(), path.q_enu_from_body.copy()
    pos[:n] += rows[:, 0:3]
    is_turned = np.any(rows[:, 6:10] != 0.0, axis=1)
    q[:n][is_turned] = rotation.normalise(q[:n] + rows[:, 6:10])[is_turned]
    if n < len(pos):
        _descend(path, rows[-1], pos, q)
    return Track(path.pos_enu_m, path.q_enu_from_body, gimbal[0]), Track(pos, q, gimbal[1])


def _descend(path: Path, last: Array, pos: Array, q: Array) -> None:
    """Linearised quadratic drag about the flown descent: f/V across and 2 f/V along the fall, f the specific force, V the speed."""
    n = path.n_free
    step = np.diff(path.time_s[n - 1 :])
    across = np.cumsum(path.force_mps2[n:] / np.maximum(np.abs(path.vel_enu_mps[n:, 2]), 1.0) * step)
    fade = np.exp(-np.column_stack((across, across, 2.0 * across)))
    speed = last[3:6] * np.vstack((np.ones(3), fade))
    shift = last[0:3] + np.cumsum(0.5 * (speed[1:] + speed[:-1]) * step[:, None], axis=0)
    pos[n:] += shift
    if np.any(last[6:10] != 0.0):
        q[n:] = rotation.normalise(q[n:] + last[6:10] * fade[:, :1])
    if path.i_touchdown < len(path.time_s) and np.any(shift):
        _land(path, pos, float(shift[path.i_touchdown - n, 2]))


def _land(path: Path, pos: Array, higher_m: float) -> None:
    """Stop on the ground at the flown touchdown's height; carried on by the last steady descent where the flown one was down before."""
    i_down, ground = path.i_touchdown, path.pos_enu_m[path.i_touchdown, 2]
    if higher_m > 0.0:
        last = (path.time_s > path.touchdown_s - 3.0) & (path.time_s < path.touchdown_s)
        steady = np.nanmean(path.vel_enu_mps[last], axis=0)
        pos[i_down:] = pos[i_down] + (path.time_s[i_down:] - path.time_s[i_down])[:, None] * steady
    below = np.flatnonzero(pos[path.n_free :, 2] <= ground) + path.n_free
    if len(below):
        i = int(below[0])
        # from there it topples and rolls as the flown one did
        rolled = path.pos_enu_m[np.minimum(i_down + np.arange(len(pos) - i), len(pos) - 1)] - path.pos_enu_m[i_down]
        pos[i:] = pos[i] + rolled
        pos[i:, 2] += ground - pos[i, 2]


def touchdown_of(path: Path, track: Track) -> float:
    """When a re-flown track meets the ground, s after liftoff; NaN where the record ends before."""
    if path.i_touchdown >= len(path.time_s):
        return float("nan")
    ground = path.pos_enu_m[path.i_touchdown, 2]
    down = np.flatnonzero(track.pos_enu_m[path.n_free :, 2] <= ground + 1e-6) + path.n_free
    return float(path.time_s[down[0]]) if len(down) else float("nan")
