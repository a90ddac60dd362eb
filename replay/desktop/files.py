"""The Flight menu: opening, saving, column maps, vehicle and calibration files. Its `on_...` methods are the table's commands."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import QLockFile, QObject, Signal
from PySide6.QtWidgets import QDialog, QMenu, QWidget

from replay.desktop import sample_flights
from replay.desktop.asking import REVIEW_FILES, TOML_FILES, Asking, names_of
from replay.desktop.message_bar import MessageBar
from replay.desktop.player import Player
from replay.desktop.reading import LogNotFound, ReadResult
from replay.desktop.session import Session
from replay.errors import ReplayError
from replay.flightlog.columnmap import ColumnMap
from replay.review import edits
from replay.review.recovery import Recovered, left_behind
from replay.review.storage import SUFFIX
from replay.scene.camera import Viewpoint


class Files(QObject):
    """Says what goes wrong in the message bar; asks only what it must."""

    text_wanted = Signal(str, str)
    """A text to read (title, HTML)."""

    def __init__(self, session: Session, bar: MessageBar, asking: Asking, window: QWidget) -> None:
        super().__init__(window)
        self.session, self.bar, self.asking = session, bar, asking
        self._window = window
        self._sample: str | None = None
        self._map_dialog: QWidget | None = None
        self._figure_dialog: QDialog | None = None
        self._film_dialog: Any = None
        self._report_dialog: Any = None
        self._bench: QDialog | None = None
        self._restoring: tuple[Recovered, QLockFile] | None = None
        session.opened.connect(self._on_opened)
        session.log_wanted.connect(self._on_log_wanted)
        session.reading.connect(lambda fraction, _: self.bar.hide() if fraction == 0.0 else None)  # what was said is of the flight before
        session.failed.connect(self._on_failed)

    @property
    def sample(self) -> str | None:
        """Name of the sample flight that is open; None for a flight of the user's."""
        return self._sample

    # --- opening --------------------------------------------------------------------------------------------------------------

    def open_paths(self, paths: Sequence[str], **stated: Any) -> bool:
        """Open files dropped, chosen, or named on the command line; False where the user stays with what is open.

        `stated` as for `Session.open`.
        """
        if not paths or not self.may_leave():
            return False
        self._sample = None
        self.session.open([str(path) for path in paths], **stated)
        return True

    def open_sample(self, name: str) -> None:
        """One of the sample flights; written to the user's data folder where the package does not hold it."""
        if self.may_leave():
            self._sample = name
            self.session.open_made(lambda: sample_flights.request_for(name, self.session.preferences.folders.samples))

    def may_leave(self) -> bool:
        """Whether the open document may go: saved, discarded, or nothing to lose."""
        session = self.session
        for what, dialog in (("film", self._film_dialog), ("report", self._report_dialog)):
            if dialog is not None and dialog.is_writing and not self.asking.may_stop_writing(what):
                return False
        if session.log is None or not session.history.is_changed:
            return True
        answer = self.asking.save_changes(self.name)
        return answer == "discard" or (answer == "save" and self._save())

    @property
    def name(self) -> str:
        """What the open document is called."""
        if self.session.review_path:
            return Path(self.session.review_path).name
        return names_of(self.session.log.paths) if self.session.log is not None else "no flight"

    def on_open(self) -> None:
        self.open_paths(self.asking.open_paths("Open a log or a review", self._folder()))

    def fill_recent(self, menu: QMenu) -> None:
        """The submenu, made anew each time it opens."""
        menu.clear()
        for paths in self.session.preferences.recent:
            action = menu.addAction(names_of(paths), lambda paths=paths: self.open_paths(paths))
            action.setToolTip("\n".join(paths))
            action.setStatusTip(", ".join(paths))
            action.setEnabled(all(Path(path).exists() for path in paths))
        if menu.isEmpty():
            menu.addAction("Nothing opened yet").setEnabled(False)
        else:
            menu.addSeparator()
            menu.addAction("Forget These", self.session.preferences.clear_recent)

    def fill_samples(self, menu: QMenu) -> None:
        """The submenu of sample flights."""
        if menu.isEmpty():
            for name in sample_flights.names():
                menu.addAction(sample_flights.title_of(name), lambda name=name: self.open_sample(name))

    # --- saving ---------------------------------------------------------------------------------------------------------------

    def on_save(self) -> None:
        self._save()

    def on_save_as(self) -> None:
        self._save(is_as=True)

    def _save(self, *, is_as: bool = False) -> bool:
        session = self.session
        if session.log is None:
            return False
        path = None if is_as else session.review_path
        if path is None:
            proposed = session.review_path or str(Path(session.log.paths[0]).with_suffix("")) + SUFFIX
            path = self.asking.save_path("Save review", proposed, REVIEW_FILES, SUFFIX)
        if path is None:
            return False
        return session.save(path)

    def on_export_whatif(self) -> None:
        from replay.sensors.calibration import save_calibration

        path = self.asking.save_path("Save what-if calibration", str(Path(self._folder()) / "what_if.toml"), TOML_FILES, ".toml")
        if path is None:
            return
        try:
            save_calibration(self.session.review.corrected, path)
            self.bar.say(f"Calibration saved: {path}. It is proven on the bench with the motor out, not by this flight.", "hint")
        except (ReplayError, OSError) as error:
            self._on_failed(error)

    # --- files a review names -------------------------------------------------------------------------------------------------

    def on_vehicle(self) -> None:
        path = self.asking.open_path("Choose a vehicle file", self._folder())
        if path is not None:
            self.session.apply(lambda review: dataclasses.replace(review, vehicle_path=path), "Vehicle file")

    def on_as_flown(self) -> None:
        from replay.sensors.calibration import load_calibration

        path = self.asking.open_path("Choose the calibration the computer flew with", self._folder())
        if path is None:
            return
        try:
            calibration = load_calibration(path)
        except ReplayError as error:
            self._on_failed(error)
            return
        self.session.apply(lambda review: edits.with_as_flown(review, calibration), "Calibration as flown")

    def on_bench(self) -> None:
        """The bench window, beside the flight."""
        from replay.desktop.bench_dialog import BenchDialog

        self._show_beside("_bench", lambda: BenchDialog(self.session, self.asking, lambda text: self.bar.say(text, "hint"), self._window))

    # --- columns --------------------------------------------------------------------------------------------------------------

    def on_column_map(self) -> None:
        self.show_column_map(is_first_sight=False)

    def on_figures(self) -> None:
        """The figures, beside the window."""
        from replay.desktop.figure_dialog import FigureDialog

        self._show_beside("_figure_dialog", lambda: FigureDialog(self.session, self.asking, self._window))

    def on_report(self) -> None:
        """The report, beside the window."""
        from replay.desktop.report_dialog import ReportDialog

        self._show_beside("_report_dialog", lambda: ReportDialog(self.session, self.asking, self.bar.say, self._window))

    def show_film(self, player: Player, viewpoint_of: Callable[[], Viewpoint]) -> None:
        """The film, beside the window."""
        from replay.desktop.film_dialog import FilmDialog

        def say(text: str) -> None:
            self.bar.say(text, "hint")

        self._show_beside("_film_dialog", lambda: FilmDialog(self.session, self.asking, player, viewpoint_of, say, self._window))

    def _show_beside(self, place: str, make: Callable[[], QDialog]) -> None:
        """One of a kind at a time, kept in the attribute named; back again where it was put away while it works."""
        dialog: QDialog | None = getattr(self, place)
        if dialog is None:
            dialog = make()
            dialog.finished.connect(lambda _: setattr(self, place, None))
            setattr(self, place, dialog)
        dialog.show()
        dialog.raise_()
        dialog.activateWindow()

    def show_column_map(self, *, is_first_sight: bool) -> None:
        """The editor, beside the flight as it was read so far."""
        from replay.desktop.column_map_dialog import ColumnMapDialog

        log = self.session.log
        if log is None or self._map_dialog is not None:
            return
        dialog = ColumnMapDialog(log, is_first_sight=is_first_sight, asking=self.asking, parent=self._window)
        dialog.accepted_map.connect(self._take_map)
        dialog.finished.connect(lambda _: setattr(self, "_map_dialog", None))
        self._map_dialog = dialog
        dialog.open()

    def _take_map(self, column_map: ColumnMap) -> None:
        """Remembered for this logger; the log is read again where anything differs."""
        session = self.session
        session.preferences.keep_column_map(session.headers, column_map)
        if session.log is not None and column_map != session.log.column_map:
            session.read_again(column_map)

    def on_audit(self) -> None:
        from replay.desktop.help_texts import preformatted_html
        from replay.flightlog.audit import audit_text
        from replay.sensors.mount import find_mount

        if self.session.log is not None:
            mount = find_mount(self.session.log, self.session.review.as_flown).note
            text = f"{audit_text(self.session.log)}\n\nmount: {mount}\nIt is stated, or turned, in the column map (Ctrl+M)."
            self.text_wanted.emit(f"What was read: {self.name}", preformatted_html(text))

    # --- what the session says ------------------------------------------------------------------------------------------------

    def _on_opened(self, result: ReadResult) -> None:
        if self._restoring is not None and result.review == self.session.review and self.session.history.is_changed:
            self.session.write_recovery()  # first our own copy, then the old one may go
            self._discard(*self._restoring)
        self._restoring = None
        if self.bar.tone == "error":
            pass  # something the review names could not be opened: that is said already, and matters more
        elif self._sample is not None:
            self.bar.say(sample_flights.HINTS.get(self._sample, ""), "hint")
        elif result.note:
            self.bar.say(result.note, "warning")
        else:
            self._say_issues()
        if result.is_first_sight:
            self.show_column_map(is_first_sight=True)

    def _say_issues(self) -> None:
        """The gravest of what the audit found; the rest is one click away."""
        issues = self.session.log.issues if self.session.log is not None else ()
        grave = [i for i in issues if i.severity == "problem"] or [i for i in issues if i.severity == "warning"]
        if not grave:
            return
        first = grave[0]
        where = f" (column {first.column!r})" if first.column else ""
        more = f"; and {len(grave) - 1} more" if len(grave) > 1 else ""
        tone = "error" if first.severity == "problem" else "warning"
        self.bar.say(f"{self.name}: {first.text}{where}{more}", tone, (("What was read", self.on_audit),))

    def _on_log_wanted(self, wanted: LogNotFound) -> None:
        names = names_of(wanted.missing) or "its log"
        what = Path(wanted.review_path).name if wanted.review_path else "This review"
        self.bar.say(
            f"{what}: {names} is neither where it was nor beside the review.",
            "warning",
            (("Find the log…", lambda: self._find_log(wanted)),),
        )

    def _find_log(self, wanted: LogNotFound) -> None:
        paths = self.asking.open_paths("Find the log of this review", str(Path(wanted.review_path or "").parent))
        if paths and self.may_leave():
            self._sample = None
            self.session.open_with_log(wanted, paths)

    def _on_failed(self, error: BaseException) -> None:
        text = str(error) if isinstance(error, ReplayError | OSError) else f"Something failed that should not: {error!r}"
        session = self.session
        has_column = session.log is not None and bool(getattr(error, "column", None))
        is_bare = session.log is not None and session.snapshot is None  # the log is open, and nothing can be made of it as it was read
        choices = (("Column map…", self.on_column_map),) if has_column or is_bare else ()
        choices += (("What was read", self.on_audit),) if is_bare else ()
        self.bar.say(text, "error", choices)

    # --- after a crash --------------------------------------------------------------------------------------------------------

    def offer_recovered(self) -> bool:
        """Offer the newest copy that a crash left behind; False where there is none."""
        for recovered in left_behind(self.session.preferences.folders.recovery, but=self.session.recovery_file):
            lock = QLockFile(f"{recovered.file}.lock")
            lock.setStaleLockTime(0)
            if not lock.tryLock(0):
                continue  # another window is at work on it
            self._offer(recovered, lock)
            return True
        return False

    def _offer(self, recovered: Recovered, lock: QLockFile) -> None:
        what = Path(recovered.review_path).name if recovered.review_path else names_of([log.path for log in recovered.review.logs])
        self.bar.say(
            f"Work on {what} was cut off on {recovered.written_at[:19].replace('T', ' at ')}, before it was saved.",
            "warning",
            (("Restore", lambda: self._restore(recovered, lock)), ("Discard", lambda: self._discard(recovered, lock))),
        )

    def _restore(self, recovered: Recovered, lock: QLockFile) -> None:
        if self.may_leave():
            self._sample = None
            self._restoring = (recovered, lock)
            self.session.open_recovered(recovered)

    def _discard(self, recovered: Recovered, lock: QLockFile) -> None:
        recovered.file.unlink(missing_ok=True)
        lock.unlock()

    def _folder(self) -> str:
        """Where a dialog opens: beside what is open, else beside what was opened last."""
        if self.session.review_path:
            return str(Path(self.session.review_path).parent)
        paths = self.session.log.paths if self.session.log is not None else next(iter(self.session.preferences.recent), ())
        return str(Path(paths[0]).parent) if paths else ""
