"""The attitude the flight computer had, and how far it is from ours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.log import FlightLog
from replay.motion.solution import Solution

Array = NDArray[np.float64]


def onboard_attitude(log: FlightLog) -> tuple[Array, Array] | None:
    """(log_time_s, q_enu_from_body) as logged, unit length, signs continuous; None where the log has none. NaN rows are left out."""
    channel = log.get("q_enu_from_body_onboard")
    if channel is None:
        return None
    is_good = np.isfinite(channel.values).all(axis=1) & (np.linalg.norm(channel.values, axis=1) > 0.5)
    if not is_good.any():
        return None
    return channel.log_time_s[is_good], rotation.make_continuous(rotation.normalise(channel.values[is_good]))


def attitude_at(solution: Solution, log_time_s: Array) -> Array:
    """Our attitude at other times inside the solution, along the shortest turn between samples, shape (k, 4)."""
    own = solution.log_time_s
    i = np.clip(np.searchsorted(own, log_time_s, side="right") - 1, 0, len(own) - 2)
    part = np.clip((log_time_s - own[i]) / (own[i + 1] - own[i]), 0.0, 1.0)
    first, second = solution.q_enu_from_body[i], solution.q_enu_from_body[i + 1]
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(first), second))
    return rotation.multiply(first, rotation.from_rotvec(part[:, None] * turn))


def attitude_difference(solution: Solution, log: FlightLog) -> tuple[Array, Array, Array] | None:
    """How far the computer's own attitude is from ours.

    Heading is declared on our side and the computer's own on the other, and the board may sit turned in the airframe; so both are
    aligned where ours starts from: on the pad (the levelling window), by one fixed turn of the computer's frame about the vertical and
    one of its body axes onto ours.

    Returns
    -------
    log_time_s : ndarray, shape (k,)
    tilt_error_rad : ndarray, shape (k,)
        Angle between the two noses' directions as each has moved since the pad.
    total_angle_rad : ndarray, shape (k,)
        Angle of the whole rotation between the two.
    or None where the log has no attitude.
    """
    logged = onboard_attitude(log)
    if logged is None:
        return None
    times, q_logged = logged
    is_in = (times >= solution.log_time_s[0]) & (times <= solution.log_time_s[-1])
    if not is_in.any():
        return None
    times, q_logged = times[is_in], q_logged[is_in]
    q_own = attitude_at(solution, times)
    reference = int(np.argmin(np.abs(times - solution.levelling.stop_log_s)))
    # logged world from our world: the turn about the vertical that best agrees on the pad; what is left is the board in the airframe
    apart = rotation.multiply(q_logged[reference], rotation.conjugate(q_own[reference]))
    heading = rotation.roll(apart)
    turn = np.array([np.cos(0.5 * heading), 0.0, 0.0, -np.sin(0.5 * heading)])
    q_aligned = rotation.multiply(turn, q_logged)
    q_error = rotation.multiply(q_aligned, rotation.conjugate(q_own))
    total = 2.0 * np.arctan2(np.linalg.norm(q_error[:, 1:], axis=1), np.abs(q_error[:, 0]))
    nose = np.array([0.0, 0.0, 1.0])
    a, b = rotation.rotate(q_aligned, nose), rotation.rotate(q_own, nose)
    between = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))
    return times, between, total
