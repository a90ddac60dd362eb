"""What a trace is: its row in the catalogue, the lines it has, and what they are read from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import Solution
from replay.review.pyramid import NO_GAPS

Array = NDArray[np.float64]

LOGGED = "logged"
"""Variant of a trace that comes straight from the log."""
ATTITUDE, TRAJECTORY, CORRECTED = "Attitude", "Trajectory", "Measured, corrected"
SPREAD, BIAS, ONBOARD = "Standard deviations", "Biases found in flight", "Computer on board"
SENSORS, GIMBAL, POWER = "Sensors as logged", "Gimbal", "Power and temperature"
DIAGNOSTICS, OTHER = "Diagnostics", "Other columns"
XYZ, ENU = ("x", "y", "z"), ("east", "north", "up")


@dataclass(frozen=True, eq=False)
class Source:
    """What traces are read from.

    Parameters
    ----------
    log : FlightLog
    solutions : mapping of str to Solution
        By variant: as_flown first, then what_if, then overlays by name.
    onboard : (log_time_s, q_enu_from_body), shape (n,) and (n, 4), or None
        The computer's own attitude.
    """

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
    i_gap : ndarray of int, shape (g,)
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


def gaps_on(log_time_s: Array, channel: Channel | None) -> NDArray[np.int64]:
    """Gaps of the channel a solution was made from, as indices into the solution's own times, shape (n,)."""
    if channel is None or not len(channel.i_gap) or len(log_time_s) < 2:
        return NO_GAPS
    if len(log_time_s) == channel.n_samples:
        return channel.i_gap
    before, after = channel.log_time_s[channel.i_gap], channel.log_time_s[channel.i_gap + 1]
    i = np.searchsorted(log_time_s, 0.5 * (before + after)) - 1
    return np.unique(i[(i >= 0) & (i < len(log_time_s) - 1)]).astype(np.int64)
