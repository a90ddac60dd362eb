"""What can be drawn over time: every trace by key, with its group, label, unit on screen, and how it is read from a result.

A trace has one line for each variant that has it: the flight as flown, the what-if, the computer's own attitude, any overlay, or the
log itself. Nothing is computed until a line is wanted.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.channels import KINDS
from replay.motion.solution import Solution
from replay.review.logged_traces import ONBOARD_TRACES, channel_traces, shown_unit
from replay.review.nose import tilt_deg
from replay.review.trace import (
    ATTITUDE,
    BIAS,
    CORRECTED,
    DIAGNOSTICS,
    ENU,
    GIMBAL,
    SPREAD,
    TRAJECTORY,
    XYZ,
    RawLine,
    Source,
    Trace,
    gaps_on,
)
from replay.units import DEG

Array = NDArray[np.float64]

GIMBAL_ANGLE, FLOWN_GIMBAL_ANGLE = "gimbal angle (rad)", "gimbal angle as flown (rad)"
"""Diagnostics of a re-flown flight: the gimbal's angle by the model of its servo, flown again and as flown."""


def _solution_gaps(source: Source, log_time_s: Array) -> NDArray[np.int64]:
    return gaps_on(log_time_s, source.log.get("rate_raw_imu_radps"))


def _column(i: int, scale: float, values: Array) -> Array:
    return np.asarray(values[:, i] * scale)


def _degrees_azimuth(q: Array) -> Array:
    return rotation.tilt_azimuth(q) / DEG


def _degrees_roll(q: Array) -> Array:
    return rotation.roll(q) / DEG


def _degrees_turned(q: Array) -> Array:
    """Roll without jumps; NaN stays NaN and does not break the count."""
    angle = rotation.roll(q)
    good = np.isfinite(angle)
    angle[good] = np.unwrap(angle[good])
    return angle / DEG


def _degrees_swing(i: int, q: Array) -> Array:
    return np.asarray(rotation.swing_pitch_yaw(q)[:, i] / DEG)


def _norm(values: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", values, values)))


def _horizontal(values: Array) -> Array:
    return np.hypot(values[:, 0], values[:, 1])


@dataclass(frozen=True)
class _FromSolution:
    """Reader of one Solution array. `sd` is (attribute, column or None, scale)."""

    attribute: str
    value: Callable[[Array], Array]
    sd: tuple[str, int | None, float] | None = None
    is_wrapped: bool = False
    is_size: bool = False

    def __call__(self, source: Source) -> Iterator[RawLine]:
        for variant, solution in source.solutions.items():
            array = getattr(solution, self.attribute)
            if array is None:
                continue
            spread = getattr(solution, self.sd[0]) if self.sd else None
            compute = partial(self._compute, array, spread)
            gaps = _solution_gaps(source, solution.log_time_s)
            yield RawLine(variant, solution.log_time_s, compute, (solution.log_time_s, array, spread), gaps, self.is_wrapped, self.is_size)
        if source.onboard is not None and self.attribute == "q_enu_from_body":
            log_time_s, q = source.onboard
            gaps = gaps_on(log_time_s, source.log.get("q_enu_from_body_onboard"))
            yield RawLine("onboard", log_time_s, partial(self._compute, q, None), (log_time_s, q), gaps, self.is_wrapped)

    def _compute(self, array: Array, spread: Array | None) -> tuple[Array, Array | None]:
        if spread is None or self.sd is None:
            return self.value(array), None
        _, column, scale = self.sd
        return self.value(array), (spread if column is None else spread[:, column]) * scale


def _vector(
    key: str, group: str, label: str, unit: str, attribute: str, names: tuple[str, ...], scale: float = 1.0, sd: str = ""
) -> list[Trace]:
    """Traces of the components of one (n, 3) array."""
    return [
        Trace(
            f"{key}.{name}", group, label, unit, _FromSolution(attribute, partial(_column, i, scale), (sd, i, scale) if sd else None), name
        )
        for i, name in enumerate(names)
    ]


def _scalar(key: str, group: str, label: str, unit: str, *reader: Any, component: str = "") -> Trace:
    return Trace(key, group, label, unit, _FromSolution(*reader), component)


def _identity(scale: float, values: Array) -> Array:
    return np.asarray(values * scale)


_Q, _POS, _VEL = "q_enu_from_body", "pos_enu_m", "vel_enu_mps"
_SOLUTION_TRACES: tuple[Trace, ...] = (
    _scalar("tilt", ATTITUDE, "tilt", "deg", _Q, tilt_deg, ("tilt_sd_rad", None, 1 / DEG), False, True),
    _scalar("tilt_azimuth", ATTITUDE, "tilt azimuth", "deg", _Q, _degrees_azimuth, None, True),
    _scalar("roll", ATTITUDE, "roll", "deg", _Q, _degrees_roll, None, True),
    _scalar("roll_turned", ATTITUDE, "roll, turns counted on", "deg", _Q, _degrees_turned),
    _scalar("pitch", ATTITUDE, "pitch", "deg", _Q, partial(_degrees_swing, 0)),
    _scalar("yaw", ATTITUDE, "yaw", "deg", _Q, partial(_degrees_swing, 1)),
    _scalar("height", TRAJECTORY, "height", "m", _POS, partial(_column, 2, 1.0), ("pos_sd_enu_m", 2, 1.0)),
    _scalar("speed", TRAJECTORY, "speed", "m/s", _VEL, _norm),
    _scalar("vertical_speed", TRAJECTORY, "vertical speed", "m/s", _VEL, partial(_column, 2, 1.0), ("vel_sd_enu_mps", 2, 1.0)),
    _scalar("horizontal_speed", TRAJECTORY, "horizontal speed", "m/s", _VEL, _horizontal),
    *_vector("position", TRAJECTORY, "position", "m", _POS, ENU[:2], sd="pos_sd_enu_m"),
    _scalar("distance", TRAJECTORY, "distance from pad over ground", "m", _POS, _horizontal),
    *_vector("velocity", TRAJECTORY, "velocity", "m/s", _VEL, ENU[:2], sd="vel_sd_enu_mps"),
    *_vector("rate", CORRECTED, "angular rate", "deg/s", "rate_body_radps", XYZ, 1 / DEG),
    *_vector("accel", CORRECTED, "specific force", "m/s²", "accel_body_mps2", XYZ),
    _scalar("accel_size", CORRECTED, "specific force, size", "m/s²", "accel_body_mps2", _norm),
    _scalar("tilt_sd", SPREAD, "tilt, standard deviation", "deg", "tilt_sd_rad", partial(_identity, 1 / DEG)),
    *_vector("attitude_sd", SPREAD, "attitude, standard deviation about", "deg", "attitude_sd_rad", ENU, 1 / DEG),
    *_vector("position_sd", SPREAD, "position, standard deviation", "m", "pos_sd_enu_m", ENU),
    *_vector("velocity_sd", SPREAD, "velocity, standard deviation", "m/s", "vel_sd_enu_mps", ENU),
    *_vector("gyro_bias", BIAS, "gyro bias", "deg/s", "gyro_bias_body_radps", XYZ, 1 / DEG, "gyro_bias_sd_radps"),
    *_vector("accel_bias", BIAS, "accelerometer bias", "m/s²", "accel_bias_body_mps2", XYZ, 1.0, "accel_bias_sd_mps2"),
)

_PAUSE_STEPS = 5.0
_UNIT_AT_END = re.compile(r"^(?P<label>.*\S)\s*\((?P<unit>[^()]+)\)$")


def pauses(log_time_s: Array) -> NDArray[np.int64]:
    """Where n measurements pause, as indices of the last one before, shape (g,): no line is drawn over a span in which there were none.

    A pause is longer than five of the steps on either side of it: between rest on the pad and rest on the ground, or where a filter
    refused a run of them. On the pad a filter measures more seldom than in flight, which is no pause.
    """
    steps = np.pad(np.diff(log_time_s), 2, constant_values=np.inf)
    before, after = np.minimum(steps[:-4], steps[1:-3]), np.minimum(steps[3:-1], steps[4:])
    usual = np.where(np.isinf(before), after, np.where(np.isinf(after), before, np.maximum(before, after)))
    return np.flatnonzero(steps[2:-2] > _PAUSE_STEPS * usual).astype(np.int64)


@dataclass(frozen=True)
class _FromDiagnostics:
    name: str
    column: int
    factor: float

    def __call__(self, source: Source) -> Iterator[RawLine]:
        for variant, solution in source.solutions.items():
            if self.name in solution.diagnostics:
                log_time_s, values = solution.diagnostics[self.name]
                if values.ndim == 1 or self.column < values.shape[1]:
                    yield RawLine(variant, log_time_s, partial(self._compute, values), (log_time_s, values), pauses(log_time_s))

    def _compute(self, values: Array) -> tuple[Array, None]:
        return (values if values.ndim == 1 else values[:, self.column]) * self.factor, None


@dataclass(frozen=True)
class _FromGimbal:
    """Reader of one axis of the gimbal angle, flown and flown again, of whichever solution carries both."""

    column: int

    def __call__(self, source: Source) -> Iterator[RawLine]:
        for variant, solution in source.solutions.items():
            for name, drawn_as in ((FLOWN_GIMBAL_ANGLE, "as_flown"), (GIMBAL_ANGLE, variant)):
                if name in solution.diagnostics:
                    log_time_s, angle_rad = solution.diagnostics[name]
                    yield RawLine(drawn_as, log_time_s, partial(self._compute, angle_rad), (log_time_s, angle_rad))

    def _compute(self, angle_rad: Array) -> tuple[Array, None]:
        return angle_rad[:, self.column] / DEG, None


_GIMBAL_TRACES = tuple(
    Trace(f"gimbal.{name}", GIMBAL, "gimbal angle by model", "deg", _FromGimbal(i), name) for i, name in enumerate(XYZ[:2])
)


_ALONG_ENU = ("zero velocity", "zero displacement", "satellite position", "steady descent")
"""Measurements whose components are east, north, up; of the others they are those of the body."""


def _diagnostic_traces(solutions: Mapping[str, Solution]) -> Iterator[Trace]:
    """Innovations and rest residuals of whichever method has them; the unit is read off the end of the name."""
    seen: dict[str, int] = {}
    for solution in solutions.values():
        for name, (_, values) in solution.diagnostics.items():
            if name in (GIMBAL_ANGLE, FLOWN_GIMBAL_ANGLE):
                continue  # one trace of its own, both flights in it
            seen[name] = max(seen.get(name, 0), 1 if values.ndim == 1 else values.shape[1])
    for name, width in seen.items():
        found = _UNIT_AT_END.match(name)
        label, si = (found["label"], found["unit"]) if found else (name, "")
        unit, factor, _ = shown_unit("σ" if si == "sigmas" else si)
        for i in range(width):
            key = f"diagnostic:{name}" + (f".{i + 1}" if width > 1 else "")
            names = ENU if label.startswith(_ALONG_ENU) else XYZ if width == 3 else ()
            component = "" if width == 1 else names[i] if i < len(names) else str(i + 1)
            yield Trace(key, DIAGNOSTICS, label, unit, _FromDiagnostics(name, i, factor), component)


def diagnostic_panes(traces: Mapping[str, Trace]) -> tuple[tuple[str, ...], ...]:
    """What tells whether an estimate can be trusted, a pane each: innovations in standard deviations of what was measured in flight,
    and what rest leaves over; empty for a method that has neither."""
    panes: dict[str, list[str]] = {}
    for key, trace in traces.items():
        is_innovation = trace.label.endswith("innovation") and trace.unit == "σ" and not trace.label.startswith(("rest", "zero"))
        if trace.group == DIAGNOSTICS and (is_innovation or trace.label.endswith("residual")):
            panes.setdefault(trace.label, []).append(key)
    return tuple(tuple(keys) for keys in panes.values())


def label_of(key: str) -> str:
    """Label of a trace by its key alone, for one that a log does not have."""
    for trace in (*_SOLUTION_TRACES, *ONBOARD_TRACES, *_GIMBAL_TRACES):
        if trace.key == key:
            return trace.label
    name = key.partition(":")[2]
    known = KINDS.get(name.partition(".")[0]) if key.startswith("log:") else None
    return known.label if known else name or key


def catalogue(source: Source) -> dict[str, Trace]:
    """Every trace this result can draw, by key, in the order in which a chooser lists them."""
    solutions = source.solutions
    traces = [t for t in _SOLUTION_TRACES if any(True for _ in t.read(source))]
    traces += [t for t in ONBOARD_TRACES if source.onboard is not None]
    traces += [t for t in _GIMBAL_TRACES if any(True for _ in t.read(source))]
    traces += list(channel_traces(source.log)) + list(_diagnostic_traces(solutions))
    return {trace.key: trace for trace in traces}
