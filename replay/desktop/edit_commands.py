"""Commands of the Edit menu that change the document: undo, what-if, events and bookmarks."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from replay.review import edits
from replay.review.review import Bookmark

if TYPE_CHECKING:
    from replay.desktop.player import Player
    from replay.desktop.session import Session

_AT_SAME_MOMENT_S = 1e-6


class EditCommands:
    """Its `on_...` methods are the table's commands; each is one step of undo."""

    def __init__(self, session: Session, player: Player) -> None:
        self._session = session
        self._player = player

    def on_undo(self) -> None:
        self._session.undo()

    def on_redo(self) -> None:
        self._session.redo()

    def on_whatif(self, is_on: bool) -> None:
        self._session.apply(lambda review: dataclasses.replace(review, is_whatif_on=is_on), "Show what-if" if is_on else "Show as flown")

    def on_stop_estimating(self) -> None:
        if self._session.is_stopped:
            self._session.estimate_again()
        else:
            self._session.stop_estimating()

    def on_reset_whatif(self) -> None:
        self._session.apply(lambda review: edits.with_whatif(review, None), "Reset what-if")

    def on_release_events(self) -> None:
        self._session.apply(lambda review: dataclasses.replace(review, moved_events={}), "Give back moved events")

    def on_bookmark(self) -> None:
        """Set one at the cursor; where one stands already, take it away."""
        at = self._player.playback.log_time_s
        there = next((b for b in self._session.review.bookmarks if abs(b.log_time_s - at) <= _AT_SAME_MOMENT_S), None)
        if there is not None:
            self._session.apply(lambda review: edits.without_bookmark(review, there.log_time_s), "Take bookmark away")
        else:
            self._session.apply(lambda review: edits.with_bookmark(review, Bookmark(at)), "Bookmark")
