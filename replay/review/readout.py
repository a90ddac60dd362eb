"""Readout: every number at the cursor, with its unit and standard deviation, for window, film and figures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.channels import KINDS
from replay.flightlog.log import Channel
from replay.motion.solution import PHASES, Solution
from replay.review.catalogue import FLOWN_GIMBAL_ANGLE, GIMBAL_ANGLE
from replay.review.series import compared_of, reflown_of
from replay.review.snapshot import Snapshot
from replay.units import DEG, celsius

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Row:
    """One line of the readout; text as shown, "" where there is none. What is simply logged stands under as flown."""

    label: str
    unit: str
    as_flown: str = ""
    what_if: str = ""
    reflown: str = ""
    compared: tuple[str, ...] = ()
    """Of the methods drawn for comparison, in the order of `series.compared_of`; empty for what is of no method."""


def rows_at(snapshot: Snapshot, log_time_s: float) -> tuple[Row, ...]:
    """All lines at one time. Each value is that of the last sample at or before the cursor; nothing is interpolated."""
    again = reflown_of(snapshot)
    solutions = (snapshot.as_flown, snapshot.what_if, _reaching(again, log_time_s))
    samples = [None if solution is None else _Sample(solution, log_time_s) for solution in solutions]
    liftoff = snapshot.as_flown.events.liftoff_log_s
    phase, *phases = ("" if sample is None else sample.phase for sample in samples)
    what_if, reflown = ("" if other == phase else other for other in phases)
    others = [_Sample(solution, log_time_s) for solution in compared_of(snapshot).values()]
    rows = [
        Row("time from liftoff", "s", _signed(log_time_s - liftoff, 3) if math.isfinite(liftoff) else "not known"),
        Row("phase", "", phase, what_if, reflown),  # methods share one set of phases
    ]
    for i, (label, unit) in enumerate(_LINES):
        flown, what_if, reflown = ("" if sample is None else sample.lines[i] for sample in samples)
        rows.append(Row(label, unit, flown, what_if, reflown, tuple(other.lines[i] for other in others)))
    return (*rows, *_gimbal_rows(again, log_time_s), *_onboard_rows(snapshot, log_time_s), *_channel_rows(snapshot, log_time_s))


def _reaching(solution: Solution | None, log_time_s: float) -> Solution | None:
    """A flight flown again begins at liftoff: before that there is none."""
    has_begun = solution is not None and len(solution.log_time_s) > 0 and log_time_s >= solution.log_time_s[0]
    return solution if has_begun else None


def _gimbal_rows(again: Solution | None, log_time_s: float) -> list[Row]:
    """Where the nozzle pointed by the model of the servo, in the flown flight and flown again."""
    if again is None or GIMBAL_ANGLE not in again.diagnostics:
        return []
    has_begun = _reaching(again, log_time_s) is not None
    texts = []
    for name in (FLOWN_GIMBAL_ANGLE, GIMBAL_ANGLE):
        times, angle_rad = again.diagnostics[name]
        texts.append([_signed(float(angle) / DEG, 2) if has_begun else "" for angle in angle_rad[index_at(times, log_time_s)]])
    return [Row(f"gimbal {axis} by model", "deg", flown, "", reflown) for axis, flown, reflown in zip("xy", *texts, strict=True)]


def numbers_at(snapshot: Snapshot, log_time_s: float, labels: tuple[str, ...]) -> tuple[Row, ...]:
    """Some lines of the flight as flown, by their labels and in that order: what stands over a picture."""
    flown = _Sample(snapshot.as_flown, log_time_s)
    values = {label: Row(label, unit, text) for (label, unit), text in zip(_LINES, flown.lines, strict=True)}
    return tuple(values[label] for label in labels)


_LINES = (
    ("tilt", "deg"),
    ("tilt azimuth", "deg"),
    ("roll", "deg"),
    ("height", "m"),
    ("east", "m"),
    ("north", "m"),
    ("speed", "m/s"),
    ("vertical speed", "m/s"),
    ("force along", "m/s²"),
    ("force across", "m/s²"),
    ("rate x", "deg/s"),
    ("rate y", "deg/s"),
    ("rate z", "deg/s"),
)
_SOLVED = frozenset({"accel_raw_imu_mps2", "rate_raw_imu_radps", "q_enu_from_body_onboard"})
"""Channels whose meaning the lines above already carry."""


class _Sample:
    """One solution at one time, as text in the order of `_LINES`."""

    def __init__(self, solution: Solution, log_time_s: float) -> None:
        i = index_at(solution.log_time_s, log_time_s)
        q = solution.q_enu_from_body[i]
        pos, vel = solution.pos_enu_m[i], solution.vel_enu_mps[i]
        force, rate = solution.accel_body_mps2[i], solution.rate_body_radps[i]
        pos_sd = (math.nan,) * 3 if solution.pos_sd_enu_m is None else solution.pos_sd_enu_m[i]
        vel_sd = (math.nan,) * 3 if solution.vel_sd_enu_mps is None else solution.vel_sd_enu_mps[i]
        tilt_sd = math.nan if solution.tilt_sd_rad is None else solution.tilt_sd_rad[i]
        self.phase = PHASES[int(solution.events.phase_of(np.array([log_time_s]))[0])]
        self.lines = (
            *_attitude(q, tilt_sd),
            with_sd(pos[2], pos_sd[2], 2),
            with_sd(pos[0], pos_sd[0], 2),
            with_sd(pos[1], pos_sd[1], 2),
            with_sd(float(np.linalg.norm(vel)), math.nan, 2),
            with_sd(vel[2], vel_sd[2], 2),
            _signed(force[2], 2),
            with_sd(math.hypot(force[0], force[1]), math.nan, 2),
            *(_signed(component / DEG, 2) for component in rate),
        )


def _attitude(q_enu_from_body: Array, tilt_sd_rad: float = math.nan) -> tuple[str, str, str]:
    return (
        with_sd(float(rotation.tilt(q_enu_from_body)) / DEG, tilt_sd_rad / DEG, 2),
        with_sd(float(rotation.tilt_azimuth(q_enu_from_body)) / DEG, math.nan, 1),
        _signed(float(rotation.roll(q_enu_from_body)) / DEG, 1),
    )


def _onboard_rows(snapshot: Snapshot, log_time_s: float) -> list[Row]:
    """The computer's own attitude."""
    if snapshot.onboard is None or not len(snapshot.onboard[0]):
        return []
    times, q = snapshot.onboard
    values = _attitude(q[index_at(times, log_time_s)])
    return [Row(f"onboard {label}", unit, value) for (label, unit), value in zip(_LINES[:3], values, strict=True)]


def _channel_rows(snapshot: Snapshot, log_time_s: float) -> list[Row]:
    """What else the log holds, in the order of the vocabulary, then the extras under their own headers."""
    channels = snapshot.log.channels
    names = [name for name in KINDS if name in channels and name not in _SOLVED]
    names += [name for name, channel in channels.items() if channel.is_extra]
    rows = []
    for name in names:
        channel = channels[name]
        if not channel.n_samples:
            continue
        value = channel.values[index_at(channel.log_time_s, log_time_s)]
        label, units, texts = _channel_text(name, channel, value)
        rows.append(Row(label, units, ", ".join(texts)))
    return rows


def _channel_text(name: str, channel: Channel, value: object) -> tuple[str, str, list[str]]:
    kind = KINDS.get(name)
    if kind is None:
        return name, channel.unit, [_plain(component) for component in np.atleast_1d(np.asarray(value))]
    shown = kind.show.split(", ")
    components = np.atleast_1d(np.asarray(value))
    units = shown * len(components) if len(shown) == 1 else shown
    return kind.label, kind.show, [_plain(shown_value(component, unit)) for component, unit in zip(components, units, strict=False)]


def shown_value(value: object, show: str) -> object:
    """An SI value in the unit it is shown in (`ChannelKind.show`)."""
    if not isinstance(value, float | np.floating):
        return value
    factors = {"deg": 1 / DEG, "deg/s": 1 / DEG, "µT": 1e6, "hPa": 0.01}
    return celsius(float(value)) if show == "°C" else float(value) * factors.get(show, 1.0)


def index_at(log_time_s: Array, at_log_s: float) -> int:
    """Index into `log_time_s` (n,) of the last sample at or before a time; the first one before the beginning."""
    return max(int(np.searchsorted(log_time_s, at_log_s, side="right")) - 1, 0)


def with_sd(value: float, sd: float, digits: int) -> str:
    """A number with its standard deviation, in the same unit, where it has one; "–" where it is not known."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}".replace("-", "−")
    return text if not math.isfinite(sd) else f"{text} ±{sd:.{digits}f}"


def _signed(value: float, digits: int) -> str:
    return f"{value:+.{digits}f}".replace("-", "−") if math.isfinite(value) else "–"


def _plain(value: object) -> str:
    if isinstance(value, float | np.floating):
        return f"{float(value):.5g}".replace("-", "−") if math.isfinite(float(value)) else "–"
    return str(value)
