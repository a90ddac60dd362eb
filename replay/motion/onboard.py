"""The attitude the flight computer had, and how far it is from ours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.log import FlightLog
from replay.motion.solution import Solution
from replay.sensors.onboard import onboard_attitude
from replay.units import DEG

if TYPE_CHECKING:
    from replay.sensors.mount import Mount

Array = NDArray[np.float64]

OTHER_FRAME_RAD: Final = 30.0 * DEG
"""A computer whose nose lies farther from ours on the pad than this counts in other axes: no flight levels itself that badly."""


def attitude_at(solution: Solution, log_time_s: Array) -> Array:
    """Our attitude at other times inside the solution, along the shortest turn between samples, shape (k, 4)."""
    own = solution.log_time_s
    i = np.clip(np.searchsorted(own, log_time_s, side="right") - 1, 0, len(own) - 2)
    part = np.clip((log_time_s - own[i]) / (own[i + 1] - own[i]), 0.0, 1.0)
    first, second = solution.q_enu_from_body[i], solution.q_enu_from_body[i + 1]
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(first), second))
    return rotation.multiply(first, rotation.from_rotvec(part[:, None] * turn))


def attitude_difference(solution: Solution, log: FlightLog, mount: Mount | None = None) -> tuple[Array, Array, Array] | None:
    """How far the computer's own attitude is from ours.

    The computer's heading is its own and ours is declared, so the two are turned about the vertical to agree on the pad (where ours
    starts from); a difference in tilt on the pad stays, it may be the very false level looked for. The computer may give the attitude
    of its board or of the vehicle: of the two the one nearer to ours on the pad is taken.

    Parameters
    ----------
    solution : Solution
    log : FlightLog
    mount : Mount, optional
        Found in the log where not given.

    Returns
    -------
    log_time_s : ndarray, shape (k,)
    tilt_error_rad : ndarray, shape (k,)
        Angle between the two directions of the nose.
    total_angle_rad : ndarray, shape (k,)
        Angle of the whole rotation between the two.
    or None where the log has no attitude within the solution's time.
    """
    found = aligned_attitude(solution, log, mount)
    if found is None:
        return None
    times, q_aligned, q_own = found
    return times, *angles_between(q_aligned, q_own)


def angles_between(q_logged: Array, q_own: Array) -> tuple[Array, Array]:
    """Angle between the two noses and angle of the whole rotation between two tracks of attitudes, rad, each (k,)."""
    nose = np.array([0.0, 0.0, 1.0])
    a, b = rotation.rotate(q_logged, nose), rotation.rotate(q_own, nose)
    between = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))
    return between, _angle(q_logged, q_own)


def aligned_attitude(solution: Solution, log: FlightLog, mount: Mount | None = None) -> tuple[Array, Array, Array] | None:
    """(log_time_s (k,), the computer's body attitude in our heading (k, 4), ours (k, 4)), as `attitude_difference` takes them."""
    logged = onboard_attitude(log)
    if logged is None:
        return None
    is_in = (logged[0] >= solution.log_time_s[0]) & (logged[0] <= solution.log_time_s[-1])
    times, q_logged = logged[0][is_in], logged[1][is_in]
    if len(times) < 2:
        return None
    if mount is None:
        from replay.sensors.mount import find_mount

        mount = find_mount(log, solution.calibration)
    q_own = attitude_at(solution, times)
    q_imu_from_body = rotation.from_dcm(np.asarray(mount.dcm_body_from_imu).T)
    start = int(np.argmin(np.abs(times - solution.levelling.stop_log_s)))
    candidates = [_heading_aligned(q, q_own, start) for q in (q_logged, rotation.multiply(q_logged, q_imu_from_body))]
    return times, min(candidates, key=lambda q: float(_angle(q[start], q_own[start]))), q_own


def comparable_attitude(solution: Solution, log: FlightLog, mount: Mount | None = None) -> tuple[Array, Array] | None:
    """(log_time_s (k,), the computer's body attitude in our heading (k, 4)): what may be drawn beside ours.

    None where the log has none, and where its nose lies more than `OTHER_FRAME_RAD` from ours on the pad: another frame than the
    vehicle's, and not what the computer believed of it.
    """
    found = aligned_attitude(solution, log, mount)
    if found is None:
        return None
    times, q_aligned, q_own = found
    start = int(np.argmin(np.abs(times - solution.levelling.stop_log_s)))
    on_pad, _ = angles_between(q_aligned[start : start + 1], q_own[start : start + 1])
    return None if on_pad[0] > OTHER_FRAME_RAD else (times, q_aligned)


def _heading_aligned(q_logged: Array, q_own: Array, start: int) -> Array:
    """The logged attitudes, turned about the vertical by the one angle that brings them nearest to ours at sample `start`."""
    apart = rotation.multiply(q_logged[start], rotation.conjugate(q_own[start]))
    half = np.arctan2(apart[3], apart[0])  # twist about the vertical
    return rotation.multiply([np.cos(half), 0.0, 0.0, -np.sin(half)], q_logged)


def _angle(p: Array, q: Array) -> Array:
    error = rotation.multiply(p, rotation.conjugate(q))
    return np.asarray(2.0 * np.arctan2(np.linalg.norm(error[..., 1:], axis=-1), np.abs(error[..., 0])))
