"""Short true sentences about a result, for panel, status line and report: gates, and what a bias stands for on the pad."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.solution import PHASES, Solution
from replay.review.snapshot import Snapshot
from replay.units import DEG

GATES: Final = "gates"
"""Under this name `Snapshot.extras` carries the gate text."""


OTHER_LEAN_RAD: Final = 0.05 * DEG
"""A method whose lean on the pad is this far from the levelling is told beside it; less is not seen on the plumb circle."""


def pad_tilt_of_bias_rad(force_imu_mps2: NDArray[np.float64], axis: int, bias_mps2: float) -> float:
    """How far a bias on one imu axis turns the vertical that levelling finds, rad.

    Parameters
    ----------
    force_imu_mps2 : ndarray, shape (3,)
        Specific force on the pad (`pad_specific_force_imu_mps2`), in imu axes, so that the mount plays no part.
    axis : int
    bias_mps2 : float

    Returns
    -------
    float
        Angle between the vertical found with and without it: about bias / g across the vehicle and nothing along it.
    """
    other = np.array(force_imu_mps2, dtype=float)
    other[axis] -= bias_mps2
    return float(np.arctan2(np.linalg.norm(np.cross(force_imu_mps2, other)), force_imu_mps2 @ other))


def pad_specific_force_imu_mps2(snapshot: Snapshot) -> NDArray[np.float64] | None:
    """Mean raw specific force over the quiet window, shape (3,); None where the log has none there."""
    channel = snapshot.log.get("accel_raw_imu_mps2")
    if channel is None:
        return None
    levelling = snapshot.as_flown.levelling
    i, j = np.searchsorted(channel.log_time_s, (levelling.start_log_s, levelling.stop_log_s))
    rows = channel.values[i : max(j, i + 1)]
    rows = rows[np.isfinite(rows).all(axis=1)]
    return rows.mean(axis=0) if len(rows) else None


def found_bias_text(solution: Solution, kind: str) -> str:
    """What the method itself found of a bias in flight, on top of the calibration; "" for methods that find none.

    Parameters
    ----------
    solution : Solution
    kind : str
        "accelerometer" or "gyro".
    """
    values, sd, factor, unit = (
        (solution.accel_bias_body_mps2, solution.accel_bias_sd_mps2, 1.0, "m/s²")
        if kind == "accelerometer"
        else (solution.gyro_bias_body_radps, solution.gyro_bias_sd_radps, DEG, "deg/s")
    )
    if values is None or not len(values):
        return ""
    liftoff = solution.events.liftoff_log_s
    i = int(np.searchsorted(solution.log_time_s, liftoff)) if np.isfinite(liftoff) else 0
    i = min(i, len(values) - 1)
    parts = []
    for axis in range(3):
        spread = "" if sd is None else f" ±{sd[i, axis] / factor:.3f}"
        parts.append(f"{values[i, axis] / factor:+.3f}{spread}".replace("-", "−"))
    return f"{solution.method} found on top, at liftoff, body x, y, z: {', '.join(parts)} {unit}."


def gate_spans(solution: Solution) -> list[tuple[float, float, str]]:
    """Spans (start, stop, phase) on the log's clock in which the accelerometer corrected the attitude, by phase in order."""
    spans = []
    phase = solution.phase
    edges = np.flatnonzero((np.diff(solution.is_gravity_used.astype(np.int8)) != 0) | (np.diff(phase.astype(np.int16)) != 0)) + 1
    for i, j in zip((0, *edges), (*edges, len(phase)), strict=True):
        if j > i and solution.is_gravity_used[i]:
            spans.append((float(solution.log_time_s[i]), float(solution.log_time_s[j - 1]), PHASES[phase[i]]))
    return spans


def gates_of(snapshot: Snapshot) -> str:
    """`gate_text` of what is drawn; the worker has made it ready where the snapshot came from one."""
    ready = (snapshot.extras or {}).get(GATES)
    return ready if isinstance(ready, str) else gate_text(snapshot.what_if or snapshot.as_flown)


def gate_text(solution: Solution) -> str:
    """When the accelerometer corrected the attitude, and what a filter refused."""
    totals: dict[str, list[float]] = {}
    for start, stop, phase in gate_spans(solution):
        first, last, used = totals.get(phase, (start, stop, 0.0))
        totals[phase] = [min(first, start), max(last, stop), used + stop - start]
    if totals:
        parts = [f"{phase} ({start:.1f} to {stop:.1f} s, {used:.1f} s of it)" for phase, (start, stop, used) in totals.items()]
        text = "Accelerometer corrects the attitude on: " + ", ".join(parts) + "."
    else:
        text = "Accelerometer levels on the pad and then never corrects the attitude."
    if solution.rejected:
        names = sorted({name for name, _, _ in solution.rejected})
        text += " Refused: " + ", ".join(f"{sum(n == name for n, _, _ in solution.rejected)} of {name}" for name in names) + "."
    return text


def pad_text(snapshot: Snapshot) -> str:
    """Where the nose leaned on the pad as gravity levels it, as flown and with the what-if; and what the method makes of it, if other."""
    parts = [f"Levelled by gravity on the pad the nose leans {_lean(snapshot.as_flown.levelling.q_enu_from_body)} as flown"]
    if snapshot.what_if is not None:
        parts.append(f"{_lean(snapshot.what_if.levelling.q_enu_from_body)} with the what-if")
    drawn = snapshot.what_if or snapshot.as_flown
    i = int(np.clip(np.searchsorted(drawn.log_time_s, drawn.levelling.stop_log_s), 0, len(drawn.log_time_s) - 1))
    levelled, own = rotation.rotate(np.array([drawn.levelling.q_enu_from_body, drawn.q_enu_from_body[i]]), np.array([0.0, 0.0, 1.0]))
    other = ""
    if np.linalg.norm(own - levelled) > OTHER_LEAN_RAD:
        whence = " from the whole flight" if drawn.method == "smoother" else ""
        other = f" The {drawn.method} finds {_lean(drawn.q_enu_from_body[i])}{whence}."
    return ", ".join(parts) + f".{other}"


def _lean(q_enu_from_body: NDArray[np.float64]) -> str:
    return f"{float(rotation.tilt(q_enu_from_body)) / DEG:.2f}° to {float(rotation.tilt_azimuth(q_enu_from_body)) / DEG:.0f}°"
