"""Background: what a panel has worked out beside the window: one slow call at a time, on a thread that ends with the session."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from PySide6.QtCore import QObject, Signal

from replay.desktop.session import Session
from replay.errors import Cancelled, ReplayError
from replay.review.recompute import Outcome, Recomputer

Progress = Callable[[float, str], None]
Work = Callable[[Any, Progress, threading.Event], Any]
_log = logging.getLogger(__name__)


class Background(QObject):
    """Runs `work` for the newest request only; all signals come on the GUI thread.

    Parameters
    ----------
    session : Session
        Its end ends the thread; another log opened stops what is running.
    work : callable (request, progress, cancel) -> result
        A pure call: it gets all it needs in the request. `progress(share, text)` may be called from the worker.
    """

    busy_changed = Signal(bool)
    """A request is being worked on, or none is any more (done, failed or stopped)."""
    progressed = Signal(float, str)
    """Share done, 0 to 1, and what is being done."""
    finished = Signal(object, object)
    """A request and its result."""
    failed = Signal(object, object)
    """A request and the exception that stopped it; not for one that was stopped by `cancel`."""

    _arrived = Signal(object)
    _told = Signal(object, float, str)

    def __init__(self, session: Session, work: Work, name: str, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._work = work
        self._wanted: object | None = None
        self._executor = ThreadPoolExecutor(1, thread_name_prefix=name)
        self._recomputer: Recomputer[Any, Any] = Recomputer(self._executor, self._run, self._arrived.emit)
        self._arrived.connect(self._on_arrived)
        self._told.connect(self._on_told)
        session.opened.connect(self.cancel)
        session.closing.connect(self.close)

    @property
    def is_busy(self) -> bool:
        """A request is wanted and not answered yet."""
        return self._wanted is not None

    def request(self, request: object) -> None:
        """Work on this one; whatever was asked before is stopped and forgotten."""
        self._wanted = request
        self.busy_changed.emit(True)
        self._recomputer.request(request, cancel_running=True)

    def cancel(self, *_: object) -> None:
        """Stop what is running; nothing of it arrives."""
        if self._wanted is None:
            return
        self._wanted = None
        self._recomputer.cancel()
        self.busy_changed.emit(False)

    def close(self) -> None:
        """Stop and wait until the thread is gone."""
        self._wanted = None
        self._recomputer.close()
        self._executor.shutdown(wait=True, cancel_futures=True)

    def _run(self, request: object, cancel: threading.Event) -> Any:
        def progress(share: float, text: str) -> None:
            if not cancel.is_set():
                self._told.emit(request, share, text)

        return self._work(request, progress, cancel)

    def _on_told(self, request: object, share: float, text: str) -> None:
        if request is self._wanted:
            self.progressed.emit(share, text)

    def _on_arrived(self, outcome: Outcome[Any, Any]) -> None:
        if outcome.request is not self._wanted:
            return
        self._wanted = None
        self.busy_changed.emit(False)
        if outcome.error is None:
            self.finished.emit(outcome.request, outcome.result)
        elif not isinstance(outcome.error, Cancelled):
            if not isinstance(outcome.error, ReplayError):
                _log.error("work beside the window failed", exc_info=outcome.error)
            self.failed.emit(outcome.request, outcome.error)
