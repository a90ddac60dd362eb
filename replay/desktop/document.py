"""Document: the review under edit with the vehicle it names. Edits, undo, saving, and the copy kept against a crash."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QLockFile, QObject, QTimer, Signal

from replay.desktop.preferences import Preferences
from replay.errors import ReplayError
from replay.flightlog.log import FlightLog
from replay.review.history import History
from replay.review.recovery import RecoveryCopy
from replay.review.review import Review
from replay.review.storage import save_review
from replay.whatif.vehicle import Vehicle

Edit = Callable[[Review], Review]
_RECOVERY_MS = 2000
_log = logging.getLogger(__name__)


class Document(QObject):
    """What `Session` is before anything is read or estimated."""

    review_changed = Signal(object)
    """The document (Review), after every edit, undo, redo, open and save."""
    saved = Signal(str)
    """The review was written there."""
    failed = Signal(object)
    """What could not be opened, read or saved (an exception); estimates that fail come as a snapshot's error."""

    def __init__(self, preferences: Preferences, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.preferences = preferences
        self.history = History()
        self.log: FlightLog | None = None
        """Of the open flight; None before there is one, and then nothing is worth a recovery copy."""
        self.vehicle: Vehicle | None = None
        self.review_path: str | None = None
        self._vehicle_path: str | None = None
        self._recovery = RecoveryCopy(preferences.folders.recovery)
        self._recovery_lock = QLockFile(f"{self._recovery.file}.lock")  # says to other windows that this one is alive
        self._recovery_timer = QTimer(self)
        self._recovery_timer.setSingleShot(True)
        self._recovery_timer.setInterval(_RECOVERY_MS)
        self._recovery_timer.timeout.connect(self.write_recovery)
        self.history.subscribe(lambda _: self._on_review())

    @property
    def review(self) -> Review:
        return self.history.review

    def apply(self, edit: Edit, text: str, merge: str = "") -> None:
        """One edit; edits in a row with the same `merge` are one undo step until the history's `end_merge`."""
        try:
            self.history.apply(edit(self.review), text, merge or None)
        except ReplayError as error:
            self.failed.emit(error)

    def undo(self) -> None:
        """Take back one step."""
        self.history.undo()

    def redo(self) -> None:
        """Do one step again."""
        self.history.redo()

    def save(self, path: str) -> bool:
        """Save the review; the unsaved mark and the recovery copy go away. False where it could not be written (`failed` says why)."""
        review = self.review
        try:
            save_review(review, path)
        except ReplayError as error:
            self.failed.emit(error)
            return False
        self.review_path = path
        self.preferences.add_recent([path])
        self.history.mark_saved(review)
        self.saved.emit(path)
        return True

    def _on_review(self) -> None:
        self._load_vehicle()
        self.review_changed.emit(self.review)
        if self.log is not None:
            self._recovery_timer.start()

    def _load_vehicle(self) -> None:
        path = self.review.vehicle_path
        if path == self._vehicle_path:
            return
        self._vehicle_path, self.vehicle = path, None
        if path is not None:
            from replay.whatif.vehicle import load_vehicle

            try:
                self.vehicle = load_vehicle(path)
            except ReplayError as error:
                self.failed.emit(error)

    # --- against a crash ------------------------------------------------------------------------------------------------------

    @property
    def recovery_file(self) -> Path:
        return self._recovery.file

    def write_recovery(self) -> None:
        """Put unsaved changes aside now; nothing where there are none."""
        if self.log is None or not self.history.is_changed:
            self._recovery.discard()
            return
        try:
            self._recovery.write(self.review, self.review_path)
            self._recovery_lock.tryLock(0)
        except OSError as error:
            _log.warning("no recovery copy: %s", error)

    def _end_recovery(self) -> None:
        """The copy goes: closing was the user's will."""
        self._recovery_timer.stop()
        self._recovery.discard()
        self._recovery_lock.unlock()
