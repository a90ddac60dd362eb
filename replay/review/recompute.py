"""Latest wins: one request running, at most one waiting, never a queue.

The thread is the caller's: any `concurrent.futures` executor with one worker does. A request captures all it needs, so the worker
reads no live state; what it makes is handed to `deliver` on the worker's thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Generic, TypeVar

Q = TypeVar("Q")
R = TypeVar("R")


@dataclass(frozen=True, eq=False)
class Outcome(Generic[Q, R]):
    """What became of a request: a result, or the exception that stopped it. Never both, never neither."""

    request: Q
    result: R | None
    error: BaseException | None


class Recomputer(Generic[Q, R]):
    """Run `work(request, cancel)` for the newest request.

    Parameters
    ----------
    executor : concurrent.futures.Executor
        Stays the caller's to shut down.
    work : callable (request, cancel) -> result
        `cancel` is a `threading.Event` that is set when nobody wants the result any more.
    deliver : callable (Outcome) -> None
        Called on the worker's thread. A request replaced while it waited is never delivered.
    """

    def __init__(self, executor: Executor, work: Callable[[Q, threading.Event], R], deliver: Callable[[Outcome[Q, R]], None]) -> None:
        self._executor = executor
        self._work = work
        self._deliver = deliver
        self._lock = threading.Lock()
        self._running: threading.Event | None = None
        self._waiting: list[Q] = []  # none or one
        self._is_closed = False

    @property
    def is_busy(self) -> bool:
        """A request is being worked on."""
        with self._lock:
            return self._running is not None

    def request(self, request: Q, *, cancel_running: bool = False) -> None:
        """Ask for `request` next. A request that was waiting is dropped; the running one too where `cancel_running` is set.

        During a drag the running one is let finish, or a result would never appear; a slow settled run is cancelled instead.
        """
        with self._lock:
            if self._is_closed:
                return
            self._waiting = [request]
            if self._running is not None:
                if cancel_running:
                    self._running.set()
                return
            self._running = threading.Event()
        self._executor.submit(self._run)

    def cancel(self) -> None:
        """Drop the waiting request and stop the running one; nothing of either is delivered."""
        with self._lock:
            self._waiting = []
            if self._running is not None:
                self._running.set()

    def close(self) -> None:
        """Drop the waiting request and cancel the running one; nothing is delivered from here on."""
        with self._lock:
            self._is_closed = True
            self._waiting = []
            if self._running is not None:
                self._running.set()

    def _run(self) -> None:
        """Work until nothing waits. One submission to the executor serves every request that arrives meanwhile."""
        while True:
            with self._lock:
                if not self._waiting:
                    self._running = None
                    return
                request = self._waiting.pop()
                cancel = self._running = threading.Event()
            outcome = self._outcome(request, cancel)
            with self._lock:
                is_wanted = not self._is_closed and not cancel.is_set()
            if is_wanted:
                self._deliver(outcome)

    def _outcome(self, request: Q, cancel: threading.Event) -> Outcome[Q, R]:
        try:
            return Outcome(request, self._work(request, cancel), None)
        except Exception as error:  # whatever stops an estimate is published, so that the window can say it
            return Outcome(request, None, error)
