"""FlightLog: what was read off the vehicle, in SI, never written to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from replay.flightlog.columnmap import ColumnMap

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Channel:
    """One quantity on its own clock.

    Parameters
    ----------
    name : str
        A name of `channels.KINDS`, or the column header for an extra.
    log_time_s : ndarray, shape (n,)
        Strictly increasing, zero at the first row of the log. NaN values are allowed in `values`, never here.
    values : ndarray, shape (n,) or (n, width)
        SI. Floating, or strings for `state`.
    unit : str
    i_gap : ndarray of int, shape (g,)
        Sample i and i + 1 are separated by a gap for each i listed (found by `timebase`); nothing is interpolated across one.
    columns : tuple of str
        Headers the values came from.
    is_unit_inferred : bool
        The unit was guessed from the data, not stated.
    is_extra : bool
        Not in the vocabulary; drawn, never computed with.
    full_scale : float or None
        Largest magnitude the sensor can report, SI, where known or found.
    """

    name: str
    log_time_s: Array
    values: NDArray[Any]
    unit: str
    i_gap: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    columns: tuple[str, ...] = ()
    is_unit_inferred: bool = False
    is_extra: bool = False
    full_scale: float | None = None

    @property
    def n_samples(self) -> int:
        """How many samples there are."""
        return len(self.log_time_s)

    @property
    def rate_hz(self) -> float:
        """Median sample rate, gaps included for what they are: one long step."""
        return float(1.0 / np.median(np.diff(self.log_time_s))) if self.n_samples > 1 else float("nan")


@dataclass(frozen=True)
class Issue:
    """One line of the audit: what is wrong or was assumed, where, and what was done about it.

    Parameters
    ----------
    severity : str
        "note", "warning" or "problem"; a problem is one that keeps the log from carrying an estimate.
    text : str
        For people; nothing is decided by what it says.
    column : str or None
    rows : tuple of int
    is_implausible : bool
        What the column reads can't well be what the column map says it is: whatever is computed from it is to be doubted.
    found : str
        What stands there instead of what belongs there, where that can be shown.
    """

    severity: str
    text: str
    column: str | None = None
    rows: tuple[int, ...] = ()
    is_implausible: bool = False
    found: str = ""


@dataclass(frozen=True, eq=False)
class FlightLog:
    """All channels of one flight.

    Parameters
    ----------
    paths : tuple of str
        Files read, in order.
    sha256 : str
        Hash of their bytes.
    channels : mapping of str to Channel
        Read-only.
    column_map : ColumnMap
        How columns became channels: guessed, or given by the user.
    issues : tuple of Issue
    """

    paths: tuple[str, ...]
    sha256: str
    channels: Mapping[str, Channel]
    column_map: ColumnMap
    issues: tuple[Issue, ...] = ()

    def __post_init__(self) -> None:
        for channel in self.channels.values():
            channel.log_time_s.flags.writeable = False
            channel.values.flags.writeable = False
        object.__setattr__(self, "channels", MappingProxyType(dict(self.channels)))

    def __contains__(self, name: str) -> bool:
        return name in self.channels

    def __getitem__(self, name: str) -> Channel:
        return self.channels[name]

    def get(self, name: str) -> Channel | None:
        """The channel of a name, None where the log has none."""
        return self.channels.get(name)

    @property
    def duration_s(self) -> float:
        """Log time of the last sample of any channel, s; 0 for an empty log."""
        return max((float(c.log_time_s[-1]) for c in self.channels.values() if c.n_samples), default=0.0)
