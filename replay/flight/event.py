"""An event of a flight, and the events of a flight."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from replay.motion.solution import Events

NAMES = ("liftoff", "rail_exit", "burnout", "apogee", "deployment", "touchdown", "rest")
"""In the order of a flight."""


@dataclass(frozen=True)
class FlightEvent:
    """One event. `evidence` says in words what its time rests on; `sd_s` is NaN for one moved by hand."""

    name: str
    log_time_s: float
    sd_s: float
    evidence: str
    is_moved: bool = False


@dataclass(frozen=True, eq=False)
class FlightEvents:
    """Events that are known, and the reasons for those that are not; both read-only, in the order of a flight."""

    events: Mapping[str, FlightEvent]
    unknown: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "events", MappingProxyType(dict(self.events)))
        object.__setattr__(self, "unknown", MappingProxyType(dict(self.unknown)))

    def __contains__(self, name: str) -> bool:
        return name in self.events

    def __getitem__(self, name: str) -> FlightEvent:
        return self.events[name]

    def log_time_s(self, name: str) -> float:
        """Time of an event on the log's clock, NaN where it is not known."""
        return self.events[name].log_time_s if name in self.events else float("nan")

    def bounds(self) -> Events:
        """The times alone, as the estimators take them."""
        return Events(**{f"{f.name[:-6]}_log_s": self.log_time_s(f.name[:-6]) for f in dataclasses.fields(Events)})
