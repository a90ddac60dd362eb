"""Preparing: what a first start on a machine waits for, the compiled loops, made visible and kept out of the way.

Nothing happens where the cache on disk holds the loops. Once one has to be compiled, on whichever worker, the session draws by the
fast method; when that has drawn, or there is nothing to draw, `go_on` compiles all the rest on a thread of its own.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from PySide6.QtCore import QObject, QTimer, Signal

from replay.errors import Cancelled
from replay.review.preparation import PREPARING

_log = logging.getLogger(__name__)
_UNSAID_MS = 1000
"""A few loops of a changed version take no longer, and need no word."""


def preparing_line(begun: int, total: int) -> str:
    """How far it is, in one line."""
    return f"{PREPARING}: {begun} of {total}"


def preparing_text(begun: int, total: int) -> str:
    """What stands where the flight will be drawn."""
    line = preparing_line(begun, total)
    return f"{line[0].upper()}{line[1:]}.\nThe flight is drawn by the fast method within half a minute or so; the other methods follow."


def _prepare(cancel: threading.Event) -> None:
    from replay.review import preparation

    preparation.prepare(cancel)


def _count() -> int:
    from replay.review import preparation

    return preparation.n_loops()


class Preparing(QObject):
    """Owned by a session; `watch` is called on a worker, everything else on the GUI thread.

    Parameters
    ----------
    prepare, count : callable
        Tests hand in their own.
    """

    progressed = Signal(int, int)
    """Loops begun, and how many there are. Not before a second has gone by."""
    finished = Signal()

    _begun = Signal(str)
    _ended = Signal()

    def __init__(
        self,
        prepare: Callable[[threading.Event], None] = _prepare,
        count: Callable[[], int] = _count,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._prepare, self._count = prepare, count
        self._cancel = threading.Event()
        self._seen: set[str] = set()
        self._total = 0
        self._executor: ThreadPoolExecutor | None = None
        self._unwatch: Callable[[], None] | None = None
        self._is_running = False
        self._patience = QTimer(self)
        self._patience.setSingleShot(True)
        self._patience.setInterval(_UNSAID_MS)
        self._patience.timeout.connect(self._say)
        self._begun.connect(self._on_begun)
        self._ended.connect(self._on_ended)

    @property
    def is_running(self) -> bool:
        """Loops are being compiled, and a slow method would have to wait for them."""
        return self._is_running

    def watch(self) -> None:
        """Listen from here on; loads the compiler."""
        from replay import jit

        self._unwatch = jit.watch(self.begin)

    def begin(self, name: str) -> None:
        """One loop is about to be compiled; stops the compiler where the window is gone."""
        if self._cancel.is_set():
            raise Cancelled("the window was closed")
        self._begun.emit(name)

    def go_on(self) -> None:
        """Nobody waits for a picture now: compile what is left."""
        if self._is_running and self._executor is None and not self._cancel.is_set():
            self._executor = ThreadPoolExecutor(1, thread_name_prefix="prepare")
            self._executor.submit(self._run)

    def stop(self) -> None:
        """No further loop is compiled, on whichever worker."""
        self._cancel.set()
        self._patience.stop()

    def close(self) -> None:
        """Stop, and wait for the loop in hand."""
        self.stop()
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
        if self._unwatch is not None:
            self._unwatch()
            self._unwatch = None

    def _on_begun(self, name: str) -> None:
        if self._cancel.is_set():
            return
        self._seen.add(name)
        if not self._total:
            self._is_running = True
            self._total = self._count()
            self._patience.start()
        elif self._is_running and not self._patience.isActive():
            self._say()

    def _run(self) -> None:
        try:
            self._prepare(self._cancel)
        except Cancelled:
            pass
        except Exception:  # the estimate itself will say what is wrong, and in its own place
            _log.exception("loops could not be prepared")
        self._ended.emit()

    def _say(self) -> None:
        if self._is_running:
            self.progressed.emit(len(self._seen), max(self._total, len(self._seen)))

    def _on_ended(self) -> None:
        self._patience.stop()
        self._is_running = False
        if not self._cancel.is_set():
            self.finished.emit()
