"""Session: one open flight. To the document it joins the worker that estimates and the worker that reads; widgets only listen to it."""

from __future__ import annotations

import dataclasses
import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

from replay.desktop.document import Document, Edit
from replay.desktop.log_reader import LogReader
from replay.desktop.preferences import Preferences
from replay.desktop.preparing import Preparing
from replay.desktop.reading import LogNotFound, ReadRequest, ReadResult
from replay.errors import Cancelled, ReplayError
from replay.flightlog.columnmap import ColumnMap
from replay.motion.solution import Solution
from replay.review.recompute import Outcome, Recomputer
from replay.review.recovery import Recovered
from replay.review.request import EstimateRequest, Estimating, warm_up
from replay.review.review import Review
from replay.review.series import REFLOWN
from replay.review.snapshot import Snapshot
from replay.review.whatif_work import reconciled_from

if TYPE_CHECKING:
    from replay.review.whatif_work import Reflown
    from replay.whatif.reconciliation import Reconciliation

_log = logging.getLogger(__name__)


def _estimated(review: Review) -> tuple[Any, ...]:
    """The part of a review an estimate hangs on; two reviews with the same need only one."""
    return (
        review.as_flown, review.drawn_whatif, review.method, review.settings, review.also_drawn, review.site, review.vehicle_path,
        review.moved_events,
    )  # fmt: skip


class Session(Document):
    """Everything happens on the GUI thread but `read` and `estimating`, which get all they need handed in.

    Parameters
    ----------
    preferences : Preferences
    wanted_traces : callable () -> tuple of str or None
        Asked when a request is made: which traces the worker makes ready.
    estimating : callable (request, cancel) -> Snapshot
        Tests hand in their own.
    """

    snapshot_ready = Signal(object)
    """A result to draw (Snapshot)."""
    busy_changed = Signal(bool)
    """The estimator has begun or has nothing left to do."""
    progressed = Signal(float)
    """Share of the running estimate that is done."""
    reading = Signal(float, str)
    """Fraction read and what is being done; -1 when it is over."""
    opened = Signal(object)
    """ReadResult of another log."""
    log_wanted = Signal(object)
    """LogNotFound: the user is asked where the log is."""
    reconciled = Signal(object)
    """A new Reconciliation is kept."""
    closing = Signal()
    """The window is going: whoever works on a thread of its own ends it now."""
    _arrived = Signal(object)
    _warm = Signal()

    def __init__(
        self,
        preferences: Preferences,
        wanted_traces: Callable[[], tuple[str, ...] | None] = lambda: None,
        estimating: Callable[[EstimateRequest, threading.Event], Snapshot] | None = None,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(preferences, parent)
        self.snapshot: Snapshot | None = None
        self.headers: tuple[tuple[str, tuple[str, ...]], ...] = ()
        self._wanted_traces = wanted_traces
        self._read_map: ColumnMap | None = None
        self._last: EstimateRequest | None = None
        self._first: EstimateRequest | None = None
        self._is_dragging = False
        self._is_closed = self._is_stopped = False
        self._reconciled: tuple[object, Reconciliation] | None = None
        self._reflown: Reflown | None = None
        self._estimator = ThreadPoolExecutor(1, thread_name_prefix="estimate")
        self._recomputer: Recomputer[EstimateRequest, Snapshot] = Recomputer(
            self._estimator, estimating or Estimating(self.progressed.emit), self._arrived.emit
        )
        self.preparing = Preparing(parent=self)
        self.preparing.finished.connect(self._settle)
        self._reader = LogReader(preferences, self)
        self._reader.progressed.connect(self.reading)
        self._reader.arrived.connect(self._on_read)
        self._reader.finished.connect(self._prepare_rest)
        self._arrived.connect(self._on_arrived)
        self._warm.connect(self._prepare_rest)

    # --- the document ---------------------------------------------------------------------------------------------------------

    @property
    def is_stale(self) -> bool:
        """What is drawn is of an older revision than the document."""
        return self.snapshot is not None and self.snapshot.revision < self.history.revision

    def apply(self, edit: Edit, text: str, merge: str = "") -> None:
        """One edit; edits in a row with the same `merge` are one undo step until `end_edit`, and are previewed."""
        self._is_dragging = bool(merge)
        try:
            super().apply(edit, text, merge)
        finally:
            self._is_dragging = False

    def end_edit(self) -> None:
        """The drag is over: the chosen method takes the place of a preview."""
        self.history.end_merge()
        self._settle()

    def _settle(self) -> None:
        """The chosen method, where a fast one stood in for it."""
        if self._last is not None and self._last.is_dragging:
            self._request()

    def _on_review(self) -> None:
        super()._on_review()
        if self.log is None:
            return
        if self.review.column_map != self._read_map:
            self.read_again(self.review.column_map)  # undo or redo across another column map
        else:
            self._refresh()

    def warm_up(self) -> None:
        """Load what the estimator needs on its own worker, while a log is being read."""

        def load() -> None:
            self.preparing.watch()
            warm_up()
            self._warm.emit()

        self._estimator.submit(load)

    def _prepare_rest(self) -> None:
        """Every other compiled loop, where nothing is being read or about to be drawn."""
        if not self._reader.is_busy and not self._recomputer.is_busy:
            self.preparing.go_on()

    # --- estimating -----------------------------------------------------------------------------------------------------------

    def _refresh(self) -> None:
        """A new request, or the old picture with the new revision where the edit is of no consequence to it."""
        last = self._last
        is_same = last is not None and _estimated(last.review) == _estimated(self.review) and last.overlays == self._overlays()
        if is_same and not self._last_has_failed():
            if not self._recomputer.is_busy and self.snapshot is not None:
                self._publish(dataclasses.replace(self.snapshot, revision=self.history.revision))
            return
        self._request()

    @property
    def reconciliation(self) -> Reconciliation | None:
        """The last good one of this log, stale or not."""
        return None if self._reconciled is None else self._reconciled[1]

    @property
    def is_reconciliation_stale(self) -> bool:
        """The document asks for another one than the last good one."""
        return self._reconciled is not None and self._reconciled[0] != reconciled_from(self.review)

    def set_reconciliation(self, reconciliation: Reconciliation, review: Review) -> None:
        """Keep the one that was solved for `review`."""
        self._reconciled = (reconciled_from(review), reconciliation)
        self.reconciled.emit(reconciliation)

    @property
    def reflown(self) -> Reflown | None:
        """The flight flown again, as last flown, whatever became of the document since (`Reflown.is_of` tells)."""
        return self._reflown

    def set_reflown(self, reflown: Reflown | None) -> None:
        """Draw a flight flown again beside the others, for as long as the document asks for the same one."""
        self._reflown = reflown
        self._request()

    def _overlays(self) -> dict[str, Solution]:
        """Nothing stale, and nothing where only the flight as flown is wanted."""
        reflown, review = self._reflown, self.review
        if reflown is None or not review.is_whatif_on or not reflown.is_of(review):
            return {}
        run = reflown.run_of(review, self.reconciliation)
        return {REFLOWN: reflown.overlay if run is None else run.overlay}

    def _last_has_failed(self) -> bool:
        return self.snapshot is not None and self.snapshot.error is not None

    def refresh_traces(self) -> None:
        """Other traces were chosen: have them made ready."""
        self._request()

    @property
    def is_stopped(self) -> bool:
        """The user gave the last estimate up, and has asked for none since."""
        return self._is_stopped

    def stop_estimating(self) -> None:
        """Give up what is running; what is drawn stays. The next edit estimates again, or `estimate_again`."""
        if self._recomputer.is_busy and not self._is_closed:
            self._recomputer.cancel()
            self._last, self._is_stopped = None, True
            self.busy_changed.emit(False)
            self.preparing.go_on()

    def estimate_again(self) -> None:
        """What was given up, from its beginning."""
        if self._is_stopped:
            self._request()

    def _request(self) -> None:
        if self.log is None or self._is_closed:
            return
        self._is_stopped = False
        # nothing is drawn yet: a fast method shows the flight while a slow one still works
        is_first = self.snapshot is None and self._first is None
        is_fast = self._is_dragging or is_first or self.preparing.is_running
        request = EstimateRequest(
            self.history.revision, self.log, self.review, self.vehicle, is_fast, self._wanted_traces(), self._overlays()
        )
        if is_first:
            self._first = request
        # a drag's own preview is let finish, or nothing would be drawn while it lasts; a slow settled run is not waited for
        is_superseded = self._last is not None and not self._last.is_dragging
        self._last = request
        self.busy_changed.emit(True)
        self._recomputer.request(request, cancel_running=is_superseded)

    def _on_arrived(self, outcome: Outcome[EstimateRequest, Snapshot]) -> None:
        if self._is_closed or outcome.request.log is not self.log:
            return
        is_newest = outcome.request is self._last
        if outcome.error is not None:
            if not isinstance(outcome.error, Cancelled):
                self._publish_failure(outcome.error)
        elif outcome.result is not None:
            snapshot = outcome.result
            if _estimated(outcome.request.review) == _estimated(self.review):
                snapshot = dataclasses.replace(snapshot, revision=self.history.revision)
            self._publish(snapshot)
        # the first was asked for as in a drag, also where its method turned out fast enough to be no preview
        is_first = outcome.request is self._first and outcome.result is not None
        if is_newest and is_first and not self.preparing.is_running:
            self._request()
        elif is_newest:
            self.busy_changed.emit(False)
            self.preparing.go_on()

    @property
    def is_settled(self) -> bool:
        """What is drawn is of the document as it is, by the method chosen, and no drag goes on."""
        return (
            self.snapshot is not None
            and not self.is_stale
            and not self.snapshot.is_preview
            and self.snapshot.error is None
            and not self._is_stopped
            and (self._last is None or not self._last.is_dragging)
        )

    def add_extra(self, snapshot: Snapshot, name: str, result: object) -> None:
        """A later stage's result goes with the snapshot it was made from; nothing where another one is drawn by now."""
        if snapshot is self.snapshot and not self._is_closed:
            self._publish(dataclasses.replace(snapshot, extras={**(snapshot.extras or {}), name: result}))

    def _publish(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self.snapshot_ready.emit(snapshot)

    def _publish_failure(self, error: BaseException) -> None:
        """Beside the last good result; where there was none yet, as a failure of its own."""
        if not isinstance(error, ReplayError):
            _log.error("estimate failed", exc_info=error)
        if self.snapshot is not None:
            self._publish(dataclasses.replace(self.snapshot, error=error))
        else:
            self.failed.emit(error)

    # --- reading --------------------------------------------------------------------------------------------------------------

    def open(self, paths: Sequence[str], *, column_map: ColumnMap | None = None, is_known: bool = False, state: Edit | None = None) -> None:
        """Open another flight: log files, or one review; `state` puts onto the document what was stated beside it."""
        self._reader.start(ReadRequest(tuple(paths), column_map, is_known=is_known, state=state))

    def open_made(self, make: Callable[[], ReadRequest]) -> None:
        """Open what `make`, called on the worker, first writes (a sample flight)."""
        self._reader.start(make)

    def read_again(self, column_map: ColumnMap | None) -> None:
        """The same files with other columns; the document goes on."""
        if self.review.logs:
            paths = tuple(log.path for log in self.review.logs)
            self._reader.start(ReadRequest(paths, column_map, self.review, self.review_path, is_known=True, is_same_document=True))

    def open_with_log(self, wanted: LogNotFound, paths: Sequence[str]) -> None:
        """A review whose log the user has found."""
        self._reader.start(ReadRequest(tuple(paths), None, wanted.review, wanted.review_path, is_known=True))

    def open_recovered(self, recovered: Recovered) -> None:
        """What a crash left behind; it counts as unsaved."""
        self._reader.start(ReadRequest((), None, recovered.review, recovered.review_path, is_known=True))

    def cancel_reading(self) -> None:
        """Stop a long read; what was open stays."""
        self._reader.cancel()

    def _on_read(self, request: ReadRequest, came: object) -> None:
        if isinstance(came, LogNotFound):
            self.log_wanted.emit(came)
        elif isinstance(came, ReadResult):
            self._take(request, came)
        elif isinstance(came, BaseException):
            if not isinstance(came, ReplayError):
                _log.error("reading failed", exc_info=came)
            self.failed.emit(came)

    def _take(self, request: ReadRequest, result: ReadResult) -> None:
        """Another log is open from here on; with only its columns read otherwise, the document and its history go on."""
        goes_on = self.log is not None and request.is_same_document
        self.log, self.headers = result.log, result.headers
        self._last = self._first = self.snapshot = self._reconciled = self._reflown = None
        self._is_stopped = False
        self.review_path = result.review_path
        self._read_map = result.review.column_map
        if not request.is_made:
            self.preferences.add_recent([result.review_path] if result.review_path else request.paths)
        if not goes_on:
            self.history.open(result.review, is_saved=result.is_saved)
        elif not self.history.apply(result.review, "Column map"):
            self._request()  # undone or redone: the document says so already
        self.opened.emit(result)

    # --- the end --------------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Stop in order: nothing waiting, nothing running, no thread left; last the recovery copy goes."""
        if self._is_closed:
            return
        self._is_closed = True
        self.closing.emit()
        self._recomputer.close()
        self.preparing.stop()
        self._reader.close()
        self._estimator.shutdown(wait=True, cancel_futures=True)
        self.preparing.close()
        self._end_recovery()
