"""Traces of what was logged: the channels themselves, and how the computer's own attitude differs from ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.channels import KINDS
from replay.flightlog.log import FlightLog
from replay.review.trace import ENU, GIMBAL, LOGGED, ONBOARD, OTHER, POWER, SENSORS, RawLine, Source, Trace, gaps_on
from replay.units import DEG, ZERO_CELSIUS_K

Array = NDArray[np.float64]

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
    """Distinct words in order of first appearance, and each of the n words' place in that order, shape (n,)."""
    distinct, first, place = np.unique(words.astype(str), return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(order))
    rank[order] = np.arange(len(order))
    return tuple(str(word) for word in distinct[order]), rank[place.reshape(-1)]


def shown_unit(unit: str) -> tuple[str, float, float]:
    """SI unit -> (unit on screen, factor, offset); a unit that is shown as it is comes back unchanged."""
    return _SHOWN.get(unit, (unit, 1.0, 0.0))


def channel_traces(log: FlightLog) -> Iterator[Trace]:
    """A trace for every component of every channel of a log."""
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
    """Attitude at other times, shape (m, 4): straight between neighbouring samples and made unit again; NaN outside the record.

    `our_time_s` (n,) and `our_q` (n, 4) are the attitude as it is; `log_time_s` (m,) the times wanted.
    """
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


ONBOARD_TRACES = (
    Trace("onboard_minus.tilt", ONBOARD, "onboard minus ours, tilt", "deg", _OnboardMinus(_tilt_minus)),
    Trace("onboard_minus.nose", ONBOARD, "onboard and ours, noses apart", "deg", _OnboardMinus(_noses_apart)),
    *(
        Trace(f"onboard_minus.{name}", ONBOARD, "onboard minus ours, turn about", "deg", _OnboardMinus(partial(_turn_minus, i)), name)
        for i, name in enumerate(ENU)
    ),
)
