"""What can be drawn over time: every trace by key, with its group, label, unit on screen, and how it is read from a result.

A trace has one line for each variant that has it: the flight as flown, the what-if, the computer's own attitude, any overlay, or the
log itself. Nothing is computed until a line is wanted.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.channels import KINDS
from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import Solution
from replay.review.nose import tilt_deg
from replay.review.pyramid import NO_GAPS
from replay.units import DEG, ZERO_CELSIUS_K

Array = NDArray[np.float64]

LOGGED = "logged"
"""Variant of a trace that comes straight from the log."""
GIMBAL_ANGLE, FLOWN_GIMBAL_ANGLE = "gimbal angle (rad)", "gimbal angle as flown (rad)"
"""Diagnostics of a re-flown flight: the gimbal's angle by the model of its servo, flown again and as flown."""


@dataclass(frozen=True, eq=False)
class Source:
    """What traces are read from. `solutions` maps variant to Solution: as_flown first, then what_if, then overlays by name."""

    log: FlightLog
    solutions: Mapping[str, Solution]
    onboard: tuple[Array, Array] | None = None


@dataclass(frozen=True, eq=False)
class RawLine:
    """One line before it is computed.

    Parameters
    ----------
    variant : str
    log_time_s : ndarray, shape (n,)
    compute : callable () -> (values, sd)
        Shapes (n,), (n,) or None, in the unit on screen.
    sources : tuple
        The arrays it is made from: while they are the same objects, so is the line.
    i_gap : ndarray of int
    is_wrapped : bool
        An angle that jumps by a turn; the jump is not drawn.
    is_size : bool
        Never below zero, and no band of it is either.
    """

    variant: str
    log_time_s: Array
    compute: Callable[[], tuple[Array, Array | None]]
    sources: tuple[Any, ...]
    i_gap: NDArray[np.int64] = field(default_factory=lambda: NO_GAPS)
    is_wrapped: bool = False
    is_size: bool = False


Reader = Callable[[Source], Iterator[RawLine]]


@dataclass(frozen=True, eq=False)
class Trace:
    """One row of the catalogue. `key` is what an arrangement stores; `component` tells traces of one vector apart."""

    key: str
    group: str
    label: str
    unit: str
    read: Reader
    component: str = ""

    @property
    def title(self) -> str:
        """Label with its component."""
        return f"{self.label} {self.component}".strip()


ATTITUDE, TRAJECTORY, CORRECTED = "Attitude", "Trajectory", "Measured, corrected"
SPREAD, BIAS, ONBOARD = "Standard deviations", "Biases found in flight", "Computer on board"
SENSORS, GIMBAL, POWER = "Sensors as logged", "Gimbal", "Power and temperature"
DIAGNOSTICS, OTHER = "Diagnostics", "Other columns"
_XYZ, _ENU = ("x", "y", "z"), ("east", "north", "up")


def gaps_on(log_time_s: Array, channel: Channel | None) -> NDArray[np.int64]:
    """Gaps of the channel a solution was made from, as indices into the solution's own times, shape (n,)."""
    if channel is None or not len(channel.i_gap) or len(log_time_s) < 2:
        return NO_GAPS
    if len(log_time_s) == channel.n_samples:
        return channel.i_gap
    before, after = channel.log_time_s[channel.i_gap], channel.log_time_s[channel.i_gap + 1]
    i = np.searchsorted(log_time_s, 0.5 * (before + after)) - 1
    return np.unique(i[(i >= 0) & (i < len(log_time_s) - 1)]).astype(np.int64)


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
    *_vector("position", TRAJECTORY, "position", "m", _POS, _ENU[:2], sd="pos_sd_enu_m"),
    _scalar("distance", TRAJECTORY, "distance from pad over ground", "m", _POS, _horizontal),
    *_vector("velocity", TRAJECTORY, "velocity", "m/s", _VEL, _ENU[:2], sd="vel_sd_enu_mps"),
    *_vector("rate", CORRECTED, "angular rate", "deg/s", "rate_body_radps", _XYZ, 1 / DEG),
    *_vector("accel", CORRECTED, "specific force", "m/s²", "accel_body_mps2", _XYZ),
    _scalar("accel_size", CORRECTED, "specific force, size", "m/s²", "accel_body_mps2", _norm),
    _scalar("tilt_sd", SPREAD, "tilt, standard deviation", "deg", "tilt_sd_rad", partial(_identity, 1 / DEG)),
    *_vector("attitude_sd", SPREAD, "attitude, standard deviation about", "deg", "attitude_sd_rad", _ENU, 1 / DEG),
    *_vector("position_sd", SPREAD, "position, standard deviation", "m", "pos_sd_enu_m", _ENU),
    *_vector("velocity_sd", SPREAD, "velocity, standard deviation", "m/s", "vel_sd_enu_mps", _ENU),
    *_vector("gyro_bias", BIAS, "gyro bias", "deg/s", "gyro_bias_body_radps", _XYZ, 1 / DEG, "gyro_bias_sd_radps"),
    *_vector("accel_bias", BIAS, "accelerometer bias", "m/s²", "accel_bias_body_mps2", _XYZ, 1.0, "accel_bias_sd_mps2"),
)

_SHOWN = {
    "rad/s": ("deg/s", 1 / DEG, 0.0),
    "rad": ("deg", 1 / DEG, 0.0),
    "T": ("µT", 1e6, 0.0),
    "Pa": ("hPa", 0.01, 0.0),
    "K": ("°C", 1.0, -ZERO_CELSIUS_K),
}
"""SI unit -> (unit on screen, factor, offset)."""

_GROUP_OF_CHANNEL = {
    "gimbal_command_rad": GIMBAL,
    "gimbal_position_rad": GIMBAL,
    "imu_temperature_k": POWER,
    "air_temperature_k": POWER,
    "battery_v": POWER,
    "current_a": POWER,
    "q_enu_from_body_onboard": ONBOARD,
    "onboard_height_m": ONBOARD,
    "onboard_vel_up_mps": ONBOARD,
    "state": ONBOARD,
}


@dataclass(frozen=True)
class _FromChannel:
    """Reader of one component of a logged channel."""

    name: str
    column: int
    factor: float
    offset: float

    def __call__(self, source: Source) -> Iterator[RawLine]:
        channel = source.log.get(self.name)
        if channel is not None:
            yield RawLine(LOGGED, channel.log_time_s, partial(self._compute, channel.values), (channel.values,), channel.i_gap)

    def _compute(self, values: NDArray[Any]) -> tuple[Array, None]:
        if not np.issubdtype(values.dtype, np.number):
            return words_as_numbers(values)[1], None
        column = values if values.ndim == 1 else values[:, self.column]
        return column * self.factor + self.offset, None


def words_as_numbers(words: NDArray[Any]) -> tuple[tuple[str, ...], Array]:
    """Words in order of first appearance, and each sample's place in that order, shape (n,)."""
    distinct, first, place = np.unique(words.astype(str), return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(order))
    rank[order] = np.arange(len(order))
    return tuple(str(word) for word in distinct[order]), rank[place.reshape(-1)]


def shown_unit(unit: str) -> tuple[str, float, float]:
    """SI unit -> (unit on screen, factor, offset); a unit that is shown as it is comes back unchanged."""
    return _SHOWN.get(unit, (unit, 1.0, 0.0))


def _channel_traces(log: FlightLog) -> Iterator[Trace]:
    for name, channel in log.channels.items():
        kind = None if channel.is_extra else KINDS.get(name)
        width = 1 if channel.values.ndim == 1 else channel.values.shape[1]
        units = [part.strip() for part in (kind.unit if kind else channel.unit).split(",")]
        components = kind.components if kind else tuple(str(i + 1) for i in range(width)) if width > 1 else ("",)
        group = OTHER if kind is None else _GROUP_OF_CHANNEL.get(name, SENSORS)
        for i in range(width):
            unit, factor, offset = shown_unit(units[min(i, len(units) - 1)])
            key = f"{'column' if kind is None else 'log'}:{name}" + (f".{components[i]}" if width > 1 else "")
            yield Trace(key, group, kind.label if kind else name, unit, _FromChannel(name, i, factor, offset), components[i])


@dataclass(frozen=True)
class _OnboardMinus:
    """Reader of what separates the computer's own attitude from ours, on the computer's clock."""

    what: Callable[[Array, Array], Array]

    def __call__(self, source: Source) -> Iterator[RawLine]:
        if source.onboard is None:
            return
        log_time_s, q = source.onboard
        gaps = gaps_on(log_time_s, source.log.get("q_enu_from_body_onboard"))
        for variant, solution in source.solutions.items():
            sources = (log_time_s, q, solution.log_time_s, solution.q_enu_from_body)
            yield RawLine(variant, log_time_s, partial(self._compute, *sources), sources, gaps)

    def _compute(self, log_time_s: Array, q: Array, our_time_s: Array, our_q: Array) -> tuple[Array, None]:
        return self.what(q, attitude_at(log_time_s, our_time_s, our_q)), None


def attitude_at(log_time_s: Array, our_time_s: Array, our_q: Array) -> Array:
    """Attitude at other times, shape (m, 4): straight between neighbouring samples and made unit again; NaN outside the record."""
    if len(our_time_s) == len(log_time_s) and np.array_equal(our_time_s, log_time_s):
        return our_q
    if len(our_time_s) < 2:
        return np.full((len(log_time_s), 4), np.nan)
    i = np.clip(np.searchsorted(our_time_s, log_time_s, side="right") - 1, 0, len(our_time_s) - 2)
    share = ((log_time_s - our_time_s[i]) / (our_time_s[i + 1] - our_time_s[i]))[:, None]
    a, b = our_q[i], our_q[i + 1]
    b = np.where(np.einsum("ij,ij->i", a, b)[:, None] < 0.0, -b, b)
    q = rotation.normalise((1.0 - share) * a + share * b)
    q[(log_time_s < our_time_s[0]) | (log_time_s > our_time_s[-1])] = np.nan
    return q


def _tilt_minus(q: Array, ours: Array) -> Array:
    return (rotation.tilt(q) - rotation.tilt(ours)) / DEG


def _noses_apart(q: Array, ours: Array) -> Array:
    """Angle between the two noses, by the exact half-angle form."""
    nose, our_nose = (rotation.rotate(each, [0.0, 0.0, 1.0]) for each in (q, ours))
    return np.asarray(2.0 * np.arctan2(np.linalg.norm(nose - our_nose, axis=1), np.linalg.norm(nose + our_nose, axis=1)) / DEG)


def _turn_minus(i: int, q: Array, ours: Array) -> Array:
    return np.asarray(rotation.to_rotvec(rotation.multiply(q, rotation.conjugate(ours)))[:, i] / DEG)


_ONBOARD_TRACES = (
    Trace("onboard_minus.tilt", ONBOARD, "onboard minus ours, tilt", "deg", _OnboardMinus(_tilt_minus)),
    Trace("onboard_minus.nose", ONBOARD, "onboard and ours, noses apart", "deg", _OnboardMinus(_noses_apart)),
    *(
        Trace(f"onboard_minus.{name}", ONBOARD, "onboard minus ours, turn about", "deg", _OnboardMinus(partial(_turn_minus, i)), name)
        for i, name in enumerate(_ENU)
    ),
)

_PAUSE_STEPS = 5.0
_UNIT_AT_END = re.compile(r"^(?P<label>.*\S)\s*\((?P<unit>[^()]+)\)$")


def pauses(log_time_s: Array) -> NDArray[np.int64]:
    """Where measurements pause, as indices of the last one before: no line is drawn over a span in which there were none.

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
    Trace(f"gimbal.{name}", GIMBAL, "gimbal angle by model", "deg", _FromGimbal(i), name) for i, name in enumerate(_XYZ[:2])
)


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
            component = "" if width == 1 else _XYZ[i] if width == 3 else str(i + 1)
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
    for trace in (*_SOLUTION_TRACES, *_ONBOARD_TRACES, *_GIMBAL_TRACES):
        if trace.key == key:
            return trace.label
    name = key.partition(":")[2]
    known = KINDS.get(name.partition(".")[0]) if key.startswith("log:") else None
    return known.label if known else name or key


def catalogue(source: Source) -> dict[str, Trace]:
    """Every trace this result can draw, by key, in the order in which a chooser lists them."""
    solutions = source.solutions
    traces = [t for t in _SOLUTION_TRACES if any(True for _ in t.read(source))]
    traces += [t for t in _ONBOARD_TRACES if source.onboard is not None]
    traces += [t for t in _GIMBAL_TRACES if any(True for _ in t.read(source))]
    traces += list(_channel_traces(source.log)) + list(_diagnostic_traces(solutions))
    return {trace.key: trace for trace in traces}
