"""Finding: one thing worth knowing before the next flight, and the rule that looks for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from replay.flight.quantity import Quantity

if TYPE_CHECKING:
    from replay.flight.explained import Explained

Severity = Literal["warning", "note", "good"]
SEVERITIES: Final[tuple[Severity, ...]] = ("warning", "note", "good")
"""To be settled before the next flight; worth knowing; a margin that held."""

PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True)
class Finding:
    """One finding.

    Parameters
    ----------
    severity : "warning", "note" or "good"
    title : str
        Half a line.
    start_log_s, stop_log_s : float or None
        Span on the log's clock; None where it is about the whole record.
    evidence : tuple of Quantity
        The numbers it rests on, each with its standard deviation.
    meaning : str
        What it may mean.
    next_step : str
        What to check or change before the next flight; "" with good news.
    rule, threshold, source : str
        Filled from the rule that found it.
    """

    severity: Severity
    title: str
    start_log_s: float | None
    stop_log_s: float | None
    evidence: tuple[Quantity, ...]
    meaning: str
    next_step: str = ""
    rule: str = ""
    threshold: str = ""
    source: str = ""

    def evidence_text(self) -> str:
        """The numbers in one line."""
        return "; ".join(f"{q.label} {q.text()}" + (f" ({q.note})" if q.note and q.is_known else "") for q in self.evidence)


@dataclass(frozen=True)
class Rule:
    """One row of the table: what is looked for, beyond which threshold, and where that is from.

    `find` is pure: Explained -> the findings, none where the record does not show it or can't.
    """

    name: str
    subject: str
    threshold: str
    source: str
    find: Callable[[Explained], tuple[Finding, ...]]


def is_beyond(found: Quantity, limit: float, sigmas: float = 3.0) -> bool:
    """The value is above `limit`, and `sigmas` of its own standard deviation (where it has one) away from nothing."""
    sd = found.sd if math.isfinite(found.sd) else 0.0
    return found.is_known and found.value > limit and found.value > sigmas * sd


def place(start_s: float, stop_s: float | None = None) -> tuple[float | None, float | None]:
    """A span with unknown ends as None."""
    stop = start_s if stop_s is None else stop_s
    return (start_s if math.isfinite(start_s) else None, stop if math.isfinite(stop) else None)
