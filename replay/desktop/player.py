"""Player: moves the cursor, by itself while playing and on command otherwise."""

from __future__ import annotations

import dataclasses

import numpy as np
from PySide6.QtCore import QElapsedTimer, QObject, Qt, QTimer, Signal

from replay.review.playback import Playback
from replay.review.review import Review
from replay.review.snapshot import Snapshot

_TICK_MS = 16
_EVENTS = ("liftoff_log_s", "burnout_log_s", "apogee_log_s", "deployment_log_s", "touchdown_log_s", "rest_log_s")


class Player(QObject):
    """Holds the window's `Playback`. The play commands of the action table are its `on_...` methods."""

    cursor_moved = Signal(float)
    """Log time of the cursor."""
    changed = Signal(object)
    """Anything of the Playback, the cursor included."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.playback = Playback()
        self._clock_log_s = np.empty(0)
        self._jumps_log_s: tuple[float, ...] = ()
        self.liftoff_log_s = float("nan")
        self._frames_log_s: np.ndarray | None = None
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.setInterval(_TICK_MS)
        self._timer.timeout.connect(self._tick)
        self._wall = QElapsedTimer()

    # --- what it plays --------------------------------------------------------------------------------------------------------

    def open(self, start_log_s: float, stop_log_s: float) -> None:
        """Another flight: from its beginning."""
        kept = self.playback
        self._clock_log_s, self._jumps_log_s, self.liftoff_log_s = np.empty(0), (), float("nan")
        self._set(Playback(start_log_s, stop_log_s, start_log_s, speed=kept.speed, frame_rate_hz=kept.frame_rate_hz), is_move=True)

    def show_snapshot(self, snapshot: Snapshot, review: Review) -> None:
        """Clock for steps, events and bookmarks for jumps."""
        self._clock_log_s = snapshot.as_flown.log_time_s
        events = snapshot.as_flown.events
        self.liftoff_log_s = events.liftoff_log_s
        self._jumps_log_s = (*(getattr(events, name) for name in _EVENTS), *(b.log_time_s for b in review.bookmarks))
        self.changed.emit(self.playback)

    def begin(self, before_liftoff_s: float) -> None:
        """A flight just opened begins a little before liftoff, where that is known; not where the user has moved already."""
        if np.isfinite(self.liftoff_log_s) and self.playback.log_time_s == self.playback.start_log_s:
            self.seek(self.liftoff_log_s - before_liftoff_s)

    # --- where it stands ------------------------------------------------------------------------------------------------------

    def seek(self, log_time_s: float) -> None:
        """The user asked for a time; playing goes on from there."""
        self._set(self.playback.at(log_time_s))

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """The span to loop."""
        self._set(self.playback.with_span(span_log_s))

    def set_speed(self, speed: float) -> None:
        """Play rate."""
        self._set(dataclasses.replace(self.playback, speed=speed))

    def set_video_frames(self, frames_log_s: np.ndarray | None) -> None:
        """Log times of the launch video's frames: a step by one frame goes by them. None: by the chosen rate again."""
        self._frames_log_s = frames_log_s

    def set_frame_rate(self, frame_rate_hz: float) -> None:
        """What a step by one frame is."""
        self._set(dataclasses.replace(self.playback, frame_rate_hz=frame_rate_hz))

    def stop(self) -> None:
        """Stand still."""
        self._set(self.playback.stopped())

    # --- commands -------------------------------------------------------------------------------------------------------------

    def on_play(self) -> None:
        self._set(self.playback.stopped() if self.playback.is_playing else self.playback.started())

    def on_loop(self, is_on: bool) -> None:
        self._set(dataclasses.replace(self.playback, is_looping=is_on))

    def on_sample_back(self) -> None:
        self._set(self.playback.stepped_samples(-1, self._clock_log_s))

    def on_sample_on(self) -> None:
        self._set(self.playback.stepped_samples(1, self._clock_log_s))

    def step_frame(self, n: int) -> None:
        """By the launch video's own frames where one is lined up, else by the chosen rate."""
        self._set(self.playback.stepped_frames(n, self._frame_zero_log_s, self._frames_log_s))

    def on_event_back(self) -> None:
        self._set(self.playback.jumped(-1, self._jumps_log_s))

    def on_event_on(self) -> None:
        self._set(self.playback.jumped(1, self._jumps_log_s))

    def on_to_start(self) -> None:
        self._set(self.playback.at(self.playback.start_log_s).stopped())

    def on_to_end(self) -> None:
        self._set(self.playback.at(self.playback.stop_log_s).stopped())

    def on_slower(self) -> None:
        self._set(self.playback.faster(-1))

    def on_faster(self) -> None:
        self._set(self.playback.faster(1))

    def on_span_start(self) -> None:
        stop = self.playback.span_log_s[1] if self.playback.span_log_s else self.playback.stop_log_s
        self.set_span((self.playback.log_time_s, max(stop, self.playback.log_time_s)))

    def on_span_end(self) -> None:
        start = self.playback.span_log_s[0] if self.playback.span_log_s else self.playback.start_log_s
        self.set_span((min(start, self.playback.log_time_s), self.playback.log_time_s))

    def on_span_clear(self) -> None:
        self.set_span(None)

    # --- inside ---------------------------------------------------------------------------------------------------------------

    @property
    def _frame_zero_log_s(self) -> float:
        return self.liftoff_log_s if np.isfinite(self.liftoff_log_s) else 0.0

    def _tick(self) -> None:
        self._set(self.playback.advanced(self._wall.restart() / 1000.0))

    def _set(self, playback: Playback, *, is_move: bool = False) -> None:
        before, self.playback = self.playback, playback
        if playback.is_playing and not self._timer.isActive():
            self._wall.start()
            self._timer.start()
        elif not playback.is_playing:
            self._timer.stop()
        if is_move or playback.log_time_s != before.log_time_s:
            self.cursor_moved.emit(playback.log_time_s)
        if is_move or playback != before:
            self.changed.emit(playback)
