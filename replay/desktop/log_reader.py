"""LogReader: reads on a thread of its own; the newest wish wins, and what an older one brings is dropped."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from PySide6.QtCore import QObject, Signal

from replay.desktop.preferences import Preferences
from replay.desktop.reading import ReadRequest, read
from replay.errors import Cancelled


class LogReader(QObject):
    """Signals come on the GUI thread, but for `progressed`, which the worker emits (Qt queues it)."""

    progressed = Signal(float, str)
    """Fraction read and what is being done; -1 when it is over."""
    arrived = Signal(object, object)
    """A ReadRequest, or None where making it failed already, and what came of it: ReadResult, LogNotFound or an exception."""
    finished = Signal()
    """Nothing is being read any more, whatever came of it."""

    _came = Signal(object)

    def __init__(self, preferences: Preferences, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._preferences = preferences
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="read")
        self._cancel = threading.Event()
        self._is_closed = self.is_busy = False
        self._came.connect(self._on_came)

    def start(self, wanted: ReadRequest | Callable[[], ReadRequest]) -> None:
        """Read this; a callable is asked on the worker for what to read."""
        if self._is_closed:
            return
        self._cancel.set()  # the newest wins here too
        cancel = self._cancel = threading.Event()
        self.is_busy = True
        self.progressed.emit(0.0, "reading")

        def progress(fraction: float, text: str = "") -> None:
            if not cancel.is_set():
                self.progressed.emit(fraction, text)

        def run() -> None:
            request = None
            try:
                request = wanted() if callable(wanted) else wanted
                came: object = read(request, self._preferences, progress, cancel)
            except Exception as error:
                came = error
            self._came.emit((request, cancel, came))

        self._executor.submit(run)

    def cancel(self) -> None:
        """Stop a long read; nothing comes of it."""
        self._cancel.set()

    def _on_came(self, told: tuple[ReadRequest | None, threading.Event, object]) -> None:
        request, cancel, came = told
        if self._is_closed or cancel is not self._cancel:
            return
        self.is_busy = False
        self.progressed.emit(-1.0, "")
        if not cancel.is_set() and not isinstance(came, Cancelled):
            self.arrived.emit(request, came)
            self.finished.emit()

    def close(self) -> None:
        """Nothing comes from here on; the thread has ended when this returns."""
        self._is_closed = True
        self._cancel.set()
        self._executor.shutdown(wait=True, cancel_futures=True)
