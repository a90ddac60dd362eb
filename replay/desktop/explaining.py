"""Explaining: once what is drawn has settled, the flight is explained beside the window, and the snapshot then carries it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QObject

from replay.desktop.background import Background
from replay.desktop.session import Session
from replay.review.snapshot import Snapshot


def _explain(request: Any, progress: Callable[[float, str], None], cancel: threading.Event) -> Any:
    from replay.review.explain import explain_request

    return explain_request(request, cancel)


class Explaining(QObject):
    """Never waits and is never waited for: a new edit stops the explanation that is running, and nothing is explained during a drag.

    Views get the settled snapshot twice: at once, and again with `extras["explained"]` (`review.explain.explained_of`). A snapshot
    without it has not been explained yet. Nothing happens while `is_on` is false.
    """

    def __init__(self, session: Session, parent: QObject | None = None, *, is_on: bool = True) -> None:
        super().__init__(parent)
        self.is_on = is_on
        self._session = session
        self._background = Background(session, _explain, "explain", self)
        self._wanted: tuple[Any, ...] | None = None
        self._last: tuple[tuple[Any, ...], Any] | None = None
        session.snapshot_ready.connect(self._on_snapshot)
        self._background.finished.connect(self._on_finished)

    @property
    def is_busy(self) -> bool:
        """An explanation is being made."""
        return self._background.is_busy

    def _key(self, snapshot: Snapshot) -> tuple[Any, ...]:
        """What an explanation hangs on: equal keys need only one."""
        from replay.review.explain import explained_from

        return id(snapshot.as_flown), id(snapshot.what_if), id(snapshot.vehicle), explained_from(self._session.review)

    def _on_snapshot(self, snapshot: Snapshot) -> None:
        if not self.is_on or not self._session.is_settled:
            self._stop()
            return
        key = self._key(snapshot)
        if self._last is not None and self._last[0] == key:
            self._put(snapshot, self._last[1])
        elif key != self._wanted:
            from replay.review.explain import ExplainRequest

            self._wanted = key
            self._background.request(ExplainRequest(snapshot, self._session.review))

    def _stop(self) -> None:
        self._wanted = None
        self._background.cancel()

    def _on_finished(self, request: Any, explained: Any) -> None:
        key, self._wanted = self._wanted, None
        snapshot = self._session.snapshot
        if key is None or snapshot is None or self._key(snapshot) != key:
            return
        self._last = key, explained  # `explained` holds the solutions, so that their ids stay theirs
        self._put(snapshot, explained)

    def _put(self, snapshot: Snapshot, explained: Any) -> None:
        from replay.review.explain import EXPLAINED

        if (snapshot.extras or {}).get(EXPLAINED) is not explained:
            self._session.add_extra(snapshot, EXPLAINED, explained)
