"""Undo and redo by keeping whole frozen reviews: every edit is undoable by construction, and a drag is one step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from replay.review.review import Review

Listener = Callable[["History"], None]
_DEPTH = 500


@dataclass(frozen=True)
class _Step:
    """One undo step: the review on the other side of it, and what the edit between was called."""

    review: Review
    text: str


class History:
    """The one live review of a window.

    `revision` grows with every change, undo and redo included, so a result computed from an older one is known to be stale.
    Listeners are called once per change, after it.
    """

    def __init__(self, review: Review | None = None) -> None:
        self._review = Review() if review is None else review
        self._saved = self._review
        self._past: list[_Step] = []
        self._future: list[_Step] = []
        self._merge: str | None = None
        self._listeners: list[Listener] = []
        self.revision = 0

    @property
    def review(self) -> Review:
        """As it stands."""
        return self._review

    @property
    def is_changed(self) -> bool:
        """Whether anything differs from what was last saved; undoing back to it clears this."""
        return self._review != self._saved

    @property
    def undo_text(self) -> str | None:
        """What `undo` would take back; None where there is nothing."""
        return self._past[-1].text if self._past else None

    @property
    def redo_text(self) -> str | None:
        """What would be done again, in words; None where there is nothing."""
        return self._future[-1].text if self._future else None

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call `listener(self)` after every change; returns what ends that."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def apply(self, review: Review, text: str, merge: str | None = None) -> bool:
        """Make `review` the current one. False, and nothing happens, where it equals the one before.

        Parameters
        ----------
        review : Review
        text : str
            What the edit is called in the Edit menu.
        merge : str or None
            Edits in a row with the same name become one undo step, until `end_merge`.
        """
        if review == self._review:
            return False
        is_merged = merge is not None and merge == self._merge
        if not is_merged:
            self._past.append(_Step(self._review, text))
            del self._past[:-_DEPTH]
        self._future.clear()
        self._merge = merge
        if is_merged and self._past[-1].review == review:
            self._past.pop()  # dragged back to where it began: nothing left to undo
            self._merge = None
        self._become(review)
        return True

    def end_merge(self) -> None:
        """The drag is over: the next edit is a step of its own, whatever its name."""
        self._merge = None

    def undo(self) -> bool:
        """Take the last step back. False where there is none."""
        return self._turn_back(self._past, self._future)

    def redo(self) -> bool:
        """Do again what was taken back last. False where there is nothing."""
        return self._turn_back(self._future, self._past)

    def open(self, review: Review, *, is_saved: bool = True) -> None:
        """Start anew with another document. `is_saved` False marks it as changed (a recovered copy)."""
        self._past.clear()
        self._future.clear()
        self._merge = None
        self._saved = review if is_saved else Review()
        self._become(review)

    def mark_saved(self, review: Review) -> None:
        """`review`, the value that was written, is what the file now holds."""
        self._saved = review
        self._tell()

    def _turn_back(self, source: list[_Step], target: list[_Step]) -> bool:
        if not source:
            return False
        step = source.pop()
        target.append(_Step(self._review, step.text))
        self._merge = None
        self._become(step.review)
        return True

    def _become(self, review: Review) -> None:
        self._review = review
        self.revision += 1
        self._tell()

    def _tell(self) -> None:
        for listener in tuple(self._listeners):
            listener(self)
