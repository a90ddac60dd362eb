"""The window of time that the traces show, over one log: numbers alone, no widget."""

from __future__ import annotations

import math

from replay.review.marks import Marks

Span = tuple[float, float]

_LEAST_S = 1e-4
_SLACK = 0.1
"""Of the log's length, by which the window may run past its ends."""
_FIRST_SHARE, _LAST_SHARE = 0.08, 0.92
"""Of the window's width, where the cursor stands after a page was turned forwards or back."""


class TraceWindow:
    """`log_s` is the window, None until there is a flight; `cursor_log_s` the cursor, in it or not."""

    def __init__(self) -> None:
        self.marks: Marks | None = None
        self.log_s: Span | None = None
        self.cursor_log_s: float | None = None
        self._sha = ""

    def take(self, marks: Marks, sha256: str) -> None:
        """A new result: the window stays where it was on the same log, as far as it still lies on it."""
        self.marks = marks
        if self.log_s is None or self._sha != sha256 or not self._is_on_log(*self.log_s):
            self.log_s = self.flight
        self._sha = sha256

    @property
    def whole(self) -> Span:
        """Ends of the log; a second of nothing where it is empty."""
        marks = self.marks
        if marks is None or marks.stop_log_s <= marks.start_log_s:
            return (0.0, 1.0)
        return marks.start_log_s, marks.stop_log_s

    @property
    def flight(self) -> Span:
        """What is shown at first: the flight with some pad and rest around it."""
        start, stop = self.marks.flight_log_s if self.marks is not None else (0.0, 1.0)
        return (start, stop) if stop > start else self.whole

    @property
    def fitted(self) -> Span:
        """The flight; where that is in view already, the whole log."""
        is_flight = self.log_s is not None and max(abs(a - b) for a, b in zip(self.log_s, self.flight, strict=True)) < 1e-9
        return self.whole if is_flight else self.flight

    def set(self, start_log_s: float, stop_log_s: float) -> bool:
        """Take a window, kept near the log; False where there is no flight or an end is not a number."""
        if self.marks is None or not (math.isfinite(start_log_s) and math.isfinite(stop_log_s)):
            return False
        first, last = self.whole
        width = min(max(stop_log_s - start_log_s, _LEAST_S), (1.0 + 2.0 * _SLACK) * (last - first))
        slack = _SLACK * (last - first)
        start = min(max(0.5 * (start_log_s + stop_log_s) - 0.5 * width, first - slack), last + slack - width)
        self.log_s = (start, start + width)
        return True

    def _is_on_log(self, start_log_s: float, stop_log_s: float) -> bool:
        first, last = self.whole
        return start_log_s < last and stop_log_s > first and stop_log_s - start_log_s <= 1.3 * (last - first)

    def holds(self, log_time_s: float | None) -> bool:
        """A time is in view."""
        return self.log_s is not None and log_time_s is not None and self.log_s[0] <= log_time_s <= self.log_s[1]

    def page_with(self, log_time_s: float) -> Span | None:
        """The window of the same width that brings a time into view; None where it is in view."""
        if self.log_s is None or self.holds(log_time_s):
            return None
        start, stop = self.log_s
        begin = log_time_s - (_FIRST_SHARE if log_time_s > stop else _LAST_SHARE) * (stop - start)
        return begin, begin + stop - start

    def zoomed(self, factor: float, about_log_s: float | None = None) -> Span | None:
        """The window scaled about a time; without one, about the cursor where it is in view, else about the middle."""
        if self.log_s is None:
            return None
        start, stop = self.log_s
        if about_log_s is None:
            cursor = self.cursor_log_s
            about_log_s = cursor if cursor is not None and self.holds(cursor) else 0.5 * (start + stop)
        return about_log_s + (start - about_log_s) * factor, about_log_s + (stop - about_log_s) * factor

    def phase(self, name: str) -> Span | None:
        """One phase with a little before and after; None where the flight has none of that name."""
        phase = next((p for p in self.marks.phases if p.name == name), None) if self.marks else None
        if phase is None:
            return None
        room = 0.04 * (phase.stop_log_s - phase.start_log_s)
        return phase.start_log_s - room, phase.stop_log_s + room
