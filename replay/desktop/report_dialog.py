"""Report: choose what the write-up of this flight holds and where it goes, and write it, beside a window that goes on."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QComboBox,
    QDialogButtonBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style
from replay.desktop.asking import Asking
from replay.desktop.background import Background
from replay.desktop.figure_choices import FlightsBeside
from replay.desktop.form import check_box, choose, muted
from replay.desktop.making import Working, WriteButton, WritingDialog, cannot_refly
from replay.desktop.session import Session
from replay.errors import ReplayError
from replay.figures.beside import flight_name, named_beside
from replay.figures.report_work import (
    TABLE_KINDS,
    ReportJob,
    ReportSettings,
    WrittenReport,
    report_command,
    report_settings_of,
    write_report,
)
from replay.review.review import Review, thaw

_TABLES: Final = dict(zip(TABLE_KINDS, ("None", "CSV", "Parquet"), strict=True))
_ALWAYS: Final = (
    "Always in it: the job, key figures, findings with the checklist, every figure this flight can have, the calibration as it stands, "
    "what was assumed, what the record could not tell, your notes, the cautions."
)
_INDENT_PX: Final = 22
_NO_EVIDENCE: Final = "No evidence is stated (panel Reconcile): it is solved for from the record alone, and the report says so."
_HAS_EVIDENCE: Final = "Solved for anew from the record and the evidence stated, with what the record can't determine."
_FLOWN_AGAIN: Final = "By the model with the what-if on board, and an ensemble of flights about it."


class ReportDialog(WritingDialog):
    """A window beside the main one. What is chosen is kept in the review (`report_settings`), so undo takes it back and save keeps it.

    Parameters
    ----------
    session : Session
    asking : Asking
    say : callable (text, tone, choices)
        Where it says that a report is written, or why not, while this window is put away.
    parent : QWidget, optional
    """

    def __init__(self, session: Session, asking: Asking, say: Callable[..., None], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Report")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(660, 500)
        self._session, self._asking, self._say = session, asking, say
        self._settings = ReportSettings()
        self._is_showing = False
        self._page = ""
        """Written last; "" while none is."""
        self._writing = Background(session, write_report, "report", self)
        self._build()
        self._wire()
        self.show_review(session.review)

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.job, self.folder, self.tables = QLineEdit(), QLineEdit(), QComboBox()
        self.job.setToolTip("What the flight was for; left open, your notes on the whole flight say it")
        self.folder.setToolTip("Made if it does not exist")
        for kind, text in _TABLES.items():
            self.tables.addItem(text, kind)
        self.tables.setToolTip("Estimate, channels on one clock, events and findings, units in the names")
        self.reconciled, self.reflown = check_box("&Reconciled calibration"), check_box("Flown a&gain")
        self.of_reconciled, self.of_reflown = muted(wrap=True), muted(wrap=True)
        self.beside = FlightsBeside(self._asking)
        self.choose_folder = QPushButton("C&hoose…")
        self.choose_folder.setAutoDefault(False)
        form = QFormLayout()
        form.setVerticalSpacing(style.GAP)
        place = QHBoxLayout()
        place.addWidget(self.folder, 1)
        place.addWidget(self.choose_folder)
        form.addRow("&Job of the flight", self.job)
        form.addRow("Sections", self._sections())
        form.addRow("Flights &beside", self.beside)
        form.addRow("Tab&les", self.tables)
        form.addRow("Fol&der", place)
        form.labelForField(place).setBuddy(self.folder)
        for widget, name in ((self.job, "What the flight was for"), (self.tables, "Tables"), (self.folder, "Folder")):
            widget.setAccessibleName(name)
        column = QVBoxLayout(self)
        column.setSpacing(style.GAP)
        column.addLayout(form)
        column.addStretch(1)
        column.addLayout(self._bottom())

    def _sections(self) -> QVBoxLayout:
        """What takes longest and can be left out, each with what it is, or why it can't be had; and what is always there."""
        column = QVBoxLayout()
        column.setSpacing(2)
        for box, why in ((self.reconciled, self.of_reconciled), (self.reflown, self.of_reflown)):
            why.setContentsMargins(_INDENT_PX, 0, 0, style.GAP)
            column.addWidget(box)
            column.addWidget(why)
        column.addWidget(muted(_ALWAYS, wrap=True))
        return column

    def _bottom(self) -> QVBoxLayout:
        self.will_write, self.said = muted(wrap=True), QLabel()
        self.said.setWordWrap(True)
        self.said.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard)
        self.said.setAccessibleName("What became of it")
        self.working = Working(self._writing)
        self.write = WriteButton("&Write Report")
        self.open_page = WriteButton("Open the &Page")
        self.open_page.setToolTip("In the program this system reads pages with")
        self.open_page.hide()
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        buttons.button(QDialogButtonBox.StandardButton.Close).setAutoDefault(False)
        doing = QHBoxLayout()
        doing.addWidget(self.write)
        doing.addWidget(self.open_page)
        doing.addStretch(1)
        doing.addWidget(buttons)
        column = QVBoxLayout()
        for widget in (self.will_write, self.said, self.working):
            column.addWidget(widget)
        column.addLayout(doing)
        return column

    def _wire(self) -> None:
        for entry in (self.job, self.folder):
            entry.editingFinished.connect(self._edited)
        for box in (self.reconciled, self.reflown):
            box.toggled.connect(lambda _: self._edited())
        self.tables.activated.connect(lambda _: self._edited())
        self.beside.edited.connect(self._edited)
        self.choose_folder.clicked.connect(self._choose_folder)
        self.write.clicked.connect(self._write)
        self.open_page.clicked.connect(self._open_page)
        self.working.stopped.connect(lambda: self._show_said("Stopped. Nothing was written."))
        self._writing.finished.connect(self._on_written)
        self._writing.failed.connect(self._on_not_written)
        self._writing.busy_changed.connect(self._show_state)
        session = self._session
        session.review_changed.connect(self.show_review)
        session.snapshot_ready.connect(self._on_snapshot)
        session.busy_changed.connect(self._show_state)
        session.opened.connect(self._leave)
        session.closing.connect(self._leave)
        for keys, do in (("Ctrl+Z", session.undo), ("Ctrl+Shift+Z", session.redo), ("Ctrl+S", self._write)):
            QShortcut(QKeySequence(keys), self).activated.connect(do)

    # --- document and form ----------------------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """The form as the document has it."""
        try:
            self._settings = report_settings_of(thaw(review.report_settings))
        except ReplayError as error:
            self._show_said(f"What the review says of its report can't be used: {error}", is_error=True)
            self._settings = ReportSettings()
        settings, snapshot = self._settings, self._session.snapshot
        why_not = "" if snapshot is None else cannot_refly(snapshot, review)
        has_evidence = review.evidence is not None or review.evidence_path is not None
        self._is_showing = True
        self._show_text(self.job, settings.job, "; ".join(review.flight_notes) or "not stated")
        self._show_text(self.folder, settings.folder, self._proposed)
        choose(self.tables, settings.tables)
        self.beside.display(named_beside(review))
        self.reconciled.setChecked(settings.has_reconciled)
        self.of_reconciled.setText(_HAS_EVIDENCE if has_evidence else _NO_EVIDENCE)
        self.reflown.setChecked(settings.has_reflown and not why_not)
        self.reflown.setEnabled(not why_not)
        self.of_reflown.setText(f"{why_not} The report says that it is missing." if why_not else _FLOWN_AGAIN)
        self._is_showing = False
        self._show_state()

    @staticmethod
    def _show_text(entry: QLineEdit, text: str, otherwise: str) -> None:
        """What the document says, unless something else is just being entered."""
        entry.setPlaceholderText(otherwise)
        if entry.text() != text and not (entry.hasFocus() and entry.isModified()):
            entry.setText(text)

    def _on_snapshot(self, _: object) -> None:
        self.show_review(self._session.review)

    def _show_state(self, *_: object) -> None:
        """Whether a report can be written now, and what it would be; or what keeps it."""
        session = self._session
        self.write.setEnabled(session.is_settled and not self._writing.is_busy)
        self.will_write.setHidden(self._writing.is_busy)
        if session.is_settled:
            text = f"Writes {', '.join(self._settings.file_names)} into that folder: all of them, or none."
        elif session.snapshot is None or session.snapshot.error is None:
            text = (
                "The estimate was given up: Edit, Stop Estimating, or Again."
                if session.is_stopped
                else "Estimating: wait for it to settle."
            )
        else:
            text = f"There is no estimate of the review as it stands: {session.snapshot.error}"
        self.will_write.setText(text)

    def _edited(self) -> None:
        """What the form says goes into the document, as one step of undo."""
        if self._is_showing:
            return
        settings = dataclasses.replace(
            self._settings,
            job=self.job.text().strip(),
            has_reconciled=self.reconciled.isChecked(),
            has_reflown=self.reflown.isChecked() if self.reflown.isEnabled() else self._settings.has_reflown,
            tables=self.tables.currentData(),
            folder=self._absolute(self.folder.text()),
        )
        for entry in (self.job, self.folder):
            entry.setModified(False)
        review = self._session.review
        changes: dict[str, Any] = {}
        if settings != self._settings:
            changes["report_settings"] = settings.as_settings()
        if tuple(self.beside.paths) != named_beside(review):  # one list, for the figures and the report
            figures = {key: value for key, value in thaw(review.figure_settings).items() if key != "beside"}
            changes["figure_settings"] = figures | ({"beside": self.beside.paths} if self.beside.paths else {})
        if changes:
            self._session.apply(lambda review: dataclasses.replace(review, **changes), "Report")
        else:
            self.show_review(review)

    @property
    def _proposed(self) -> str:
        """The folder where none is stated: beside what is open."""
        session = self._session
        if session.log is None:
            return ""
        source = Path(session.review_path or session.log.paths[0]).absolute()
        return str(source.parent / f"{flight_name(str(source))}_report")

    def _absolute(self, text: str) -> str:
        """A folder's path as a user enters it, in full; "" stays the proposed one."""
        text = text.strip()
        return os.path.normpath(Path(self._proposed).parent / Path(text).expanduser()) if text else ""

    def _choose_folder(self) -> None:
        chosen = self._asking.folder("Folder for the report", self._settings.folder or str(Path(self._proposed).parent))
        if chosen is not None:
            self.folder.setText(chosen)
            self._edited()

    def _leave(self, *_: object) -> None:
        """Another flight, or the end: what is shown here is no longer what is open."""
        self.done(0)

    # --- writing --------------------------------------------------------------------------------------------------------------

    def _write(self) -> None:
        self._edited()  # what was entered without leaving the field
        session, settings = self._session, self._settings
        snapshot = session.snapshot
        if snapshot is None or not session.is_settled or self._writing.is_busy:
            return
        folder = Path(settings.folder or self._proposed)
        there = [name for name in settings.file_names if (folder / name).exists()]
        if there and not self._asking.may_write_over_in(str(folder), there):
            self._show_said("Nothing was written. Another folder leaves those files as they are.")
            return
        job = ReportJob(snapshot, session.review, settings, folder, beside=named_beside(session.review))
        command = report_command(session.review_path, snapshot.log.paths, job)
        self._page = ""
        self.open_page.hide()
        self._show_said("Writing. The window can be used, and this one put away, meanwhile.")
        self._writing.request(dataclasses.replace(job, command=command))

    def _on_written(self, job: ReportJob, made: WrittenReport) -> None:
        self._page = made.written[0]
        self.open_page.show()
        n_tables = len(made.written) - 2
        words = [f"Written into {job.folder}: page and print{f', {n_tables} tables' if n_tables else ''}."]
        if made.left_from_before:
            words.append(f"Left there from an earlier run: {', '.join(Path(path).name for path in made.left_from_before)}.")
        if self._session.review_path is None or self._session.history.is_changed:
            words.append("Save the review too: the command inside the report makes it again from it.")
        asking, say, page = self._asking, self._say, self._page  # the message may outlive this window
        self._tell(" ".join(words), "hint", (("Open the Page", lambda: asking.show_page(page) or say(_no_reader(page), "warning", ())),))

    def _on_not_written(self, job: ReportJob, error: BaseException) -> None:
        self._tell(f"The report was not written: {error}", "error", ())

    def _tell(self, text: str, tone: str, choices: tuple[tuple[str, Callable[[], None]], ...]) -> None:
        self._show_said(text, is_error=tone == "error")
        if not self.isVisible():
            self._say(text, tone, choices)

    def _show_said(self, text: str, *, is_error: bool = False) -> None:
        self.said.setStyleSheet(f"color: {style.ERROR_INK};" if is_error else "")
        self.said.setText(text)

    def _open_page(self) -> None:
        if not self._asking.show_page(self._page):
            self._show_said(_no_reader(self._page), is_error=True)

    # --- the end --------------------------------------------------------------------------------------------------------------

    def reject(self) -> None:
        """Closed by the user: while a report is being written it is only put away."""
        if self._writing.is_busy:
            self.hide()
            self._say("The report goes on being written. Flight, Report… shows how far it is and stops it.", "hint", ())
        else:
            super().reject()

    def done(self, result: int) -> None:
        """The thread ends with it."""
        self._writing.close()
        super().done(result)


def _no_reader(page: str) -> str:
    return f"This system names no program that opens pages. The page is {page}"
