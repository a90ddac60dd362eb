"""Playback: where the cursor is and how it moves. Frozen values, no clock and no timer of its own."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
"""Play rates offered, log seconds per second of wall time."""

FRAME_RATES_HZ = (24000 / 1001, 24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60000 / 1001, 60.0, 120.0, 240.0)
"""Frame rates in use for film and video, Hz (SMPTE ST 2036-1 and common practice of cameras)."""

Span = tuple[float, float]


@dataclass(frozen=True)
class Playback:
    """The cursor of one window.

    Parameters
    ----------
    start_log_s, stop_log_s : float
        Of the log.
    log_time_s : float
        The cursor.
    span_log_s : (float, float) or None
        Chosen span; playing with `is_looping` goes round it (or round the whole log).
    speed : float
    frame_rate_hz : float
        What a step by one frame is.
    """

    start_log_s: float = 0.0
    stop_log_s: float = 0.0
    log_time_s: float = 0.0
    span_log_s: Span | None = None
    speed: float = 1.0
    frame_rate_hz: float = 30.0
    is_playing: bool = False
    is_looping: bool = False

    @property
    def bounds_log_s(self) -> Span:
        """What play runs through: the chosen span while looping, else the whole log."""
        return self.span_log_s if self.is_looping and self.span_log_s is not None else (self.start_log_s, self.stop_log_s)

    def at(self, log_time_s: float) -> Playback:
        """Cursor moved, kept inside the log."""
        return dataclasses.replace(self, log_time_s=float(min(max(log_time_s, self.start_log_s), self.stop_log_s)))

    def with_log(self, start_log_s: float, stop_log_s: float) -> Playback:
        """Another log: its ends, the cursor and the span kept where they still fit."""
        span = self.span_log_s if self.span_log_s and self.span_log_s[0] < stop_log_s and self.span_log_s[1] > start_log_s else None
        return dataclasses.replace(self, start_log_s=start_log_s, stop_log_s=stop_log_s, span_log_s=span).at(self.log_time_s)

    def with_span(self, span_log_s: Span | None) -> Playback:
        """Span chosen, ends put in order and kept inside the log; an empty one is none."""
        if span_log_s is None:
            return dataclasses.replace(self, span_log_s=None)
        low, high = sorted(min(max(t, self.start_log_s), self.stop_log_s) for t in span_log_s)
        return dataclasses.replace(self, span_log_s=(low, high) if high > low else None)

    def started(self) -> Playback:
        """Playing; from the beginning where the cursor stands at the end."""
        low, high = self.bounds_log_s
        inside = self if low <= self.log_time_s < high else self.at(low)
        return dataclasses.replace(inside, is_playing=high > low)

    def stopped(self) -> Playback:
        """The same, standing still."""
        return dataclasses.replace(self, is_playing=False)

    def advanced(self, wall_s: float) -> Playback:
        """After `wall_s` of wall time: further on, round the loop, or stopped at the end."""
        if not self.is_playing:
            return self
        low, high = self.bounds_log_s
        wanted = self.log_time_s + self.speed * wall_s
        if wanted < high:
            return self.at(wanted)
        if self.is_looping and high > low:
            return self.at(low + (wanted - low) % (high - low))
        return self.at(high).stopped()

    def stepped_samples(self, n: int, log_time_s: NDArray[np.float64]) -> Playback:
        """Stopped on the sample `n` away on the clock `log_time_s`, shape (k,); between two samples the nearer side counts as one step."""
        if not len(log_time_s):
            return self.stopped()
        if n >= 0:
            i = int(np.searchsorted(log_time_s, self.log_time_s, side="right")) - 1 + n
        else:
            i = int(np.searchsorted(log_time_s, self.log_time_s, side="left")) + n
        return self.at(float(log_time_s[min(max(i, 0), len(log_time_s) - 1)])).stopped()

    def stepped_frames(self, n: int, zero_log_s: float = 0.0, frames_log_s: NDArray[np.float64] | None = None) -> Playback:
        """Stopped on the frame `n` away: of a video's own frames while within them (`frames_log_s`, shape (k,), rising), else of an even
        rate counted from `zero_log_s` (liftoff), so that stepping there and back agrees.
        """
        at, tiny = self.log_time_s, 1e-6  # a frame's time that went through another clock is still that frame's
        if frames_log_s is not None and len(frames_log_s) and frames_log_s[0] - tiny <= at <= frames_log_s[-1] + tiny:
            if n > 0:
                i = int(np.searchsorted(frames_log_s, at + tiny, side="right")) + n - 1
            else:
                i = int(np.searchsorted(frames_log_s, at - tiny, side="left")) + n
            if 0 <= i < len(frames_log_s):
                return self.at(float(frames_log_s[i])).stopped()
        position = (self.log_time_s - zero_log_s) * self.frame_rate_hz
        nearest = round(position)
        is_on_frame = abs(position - nearest) < 1e-6
        frame = nearest + n if is_on_frame else int(np.floor(position)) + (n if n > 0 else n + 1)
        return self.at(zero_log_s + frame / self.frame_rate_hz).stopped()

    def jumped(self, direction: int, times_log_s: Sequence[float]) -> Playback:
        """Stopped on the next (`direction` > 0) or previous of some times; where there is none, at the log's end on that side."""
        known = sorted(t for t in times_log_s if np.isfinite(t))
        tiny = 1e-9
        if direction > 0:
            return self.at(next((t for t in known if t > self.log_time_s + tiny), self.stop_log_s)).stopped()
        return self.at(next((t for t in reversed(known) if t < self.log_time_s - tiny), self.start_log_s)).stopped()

    def faster(self, direction: int) -> Playback:
        """The next play rate up (`direction` > 0) or down."""
        if direction > 0:
            speed = next((s for s in SPEEDS if s > self.speed * (1 + 1e-9)), SPEEDS[-1])
        else:
            speed = next((s for s in reversed(SPEEDS) if s < self.speed * (1 - 1e-9)), SPEEDS[0])
        return dataclasses.replace(self, speed=speed)
