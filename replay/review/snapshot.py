"""Snapshot: everything a view draws from, of one revision of the review. Views never read anything else, so they can't disagree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from replay.errors import ReplayError
from replay.flight.event import FlightEvents
from replay.flightlog.log import FlightLog
from replay.motion.solution import Solution


@dataclass(frozen=True, eq=False)
class Snapshot:
    """One published result.

    Parameters
    ----------
    revision : int
        Of the review it was computed from; older than the review's own means the picture is stale.
    log : FlightLog
    as_flown : Solution
        With the calibration the flight computer flew with.
    what_if : Solution or None
        With the edited calibration; None while it equals the one as flown.
    events : FlightEvents or None
        When things happened, with standard deviations and evidence; both solutions carry the same times (`Solution.events`).
    onboard : tuple (log_time_s, q_enu_from_body) or None
        The computer's own attitude.
    vehicle : Vehicle or None
    is_preview : bool
        A fast method stood in for the chosen one during a drag.
    error : ReplayError or None
        Why the newest estimate failed; the solutions are then the last good ones.
    extras : dict
        Results of later stages by name (findings, re-fly, ...), so that stages can be added without touching every view.
    """

    revision: int
    log: FlightLog
    as_flown: Solution
    what_if: Solution | None = None
    onboard: tuple[Any, Any] | None = None
    vehicle: Any = None
    is_preview: bool = False
    error: ReplayError | None = None
    extras: Any = None
    events: FlightEvents | None = None


class View(Protocol):
    """The entry points of every view, and no others. None of them writes to the document or emits an edit."""

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result."""

    def move_cursor(self, log_time_s: float) -> None:
        """Playback or scrub: no recompute, no setData."""

    def forget_flight(self) -> None:
        """Another log is open and nothing of it is estimated yet: what was drawn is of another flight."""
