"""Reconcile: the calibration that makes the record agree with itself and with what was observed. What is free, evidence, run, result."""

from __future__ import annotations

import json
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QCheckBox, QFrame, QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.asking import Asking
from replay.desktop.background import Background
from replay.desktop.evidence_editor import EvidenceEditor
from replay.desktop.form import Section, check_box, fill_panel, muted, quiet_button
from replay.desktop.session import Session
from replay.desktop.small_table import SmallTable
from replay.errors import ReplayError
from replay.review import edits, reconcile_words
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.review.whatif_work import WhatIfRequest, evidence_of_review, solve_reconcile
from replay.whatif.evidence import Evidence, load_evidence, save_evidence
from replay.whatif.unknowns import DEFAULT_FREE, MEMBERS, members_of

PAD_SENTENCE = (
    "One attitude at rest on the pad can't tell a leaning rail from a biased accelerometer: only the rest of the flight and what was "
    "observed from outside part them."
)
_JSON_FILES = "JSON (*.json)"


class ReconcilePanel(QWidget):
    """A right-hand panel. The result is the session's (`Session.reconciliation`); whether it is stale is asked each time."""

    def __init__(self, session: Session, asking: Asking, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.session, self.asking = session, asking
        self.background = Background(session, solve_reconcile, "reconcile", self)
        self._error: BaseException | None = None
        self._cursor_log_s = 0.0
        self._read: tuple[str, Evidence] | None = None
        parts = (self._ask_card, self._free_section, self._evidence_section, self._result_section, self._assumed_section)
        fill_panel(self, [build() for build in parts])
        self.background.busy_changed.connect(self._on_busy)
        self.background.progressed.connect(self._on_progress)
        self.background.finished.connect(self._on_finished)
        self.background.failed.connect(self._on_failed)
        session.reconciled.connect(lambda _: self._show())
        session.opened.connect(lambda _: self._on_opened())
        self._on_busy(False)

    # --- the entry points of a panel -----------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """Draw the document's own numbers; emit nothing."""
        freed = members_of(DEFAULT_FREE if review.freed is None else review.freed)
        for name, box in self.free.items():
            own = MEMBERS.get(name, (name,))
            state = Qt.CheckState.PartiallyChecked if not freed.isdisjoint(own) else Qt.CheckState.Unchecked
            box.setCheckState(Qt.CheckState.Checked if freed.issuperset(own) else state)
        self.editor.show_evidence(self._evidence_of(review))
        self.evidence_file.setText(f"file: {Path(review.evidence_path).name}" if review.evidence_path else "")
        self.evidence_file.setVisible(bool(review.evidence_path))
        self._show()

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Another log may be open."""
        self._show()

    def forget_flight(self) -> None:
        """Another log is open."""
        self._show()

    def move_cursor(self, log_time_s: float) -> None:
        """A new sighting is made there."""
        self._cursor_log_s = log_time_s

    def _evidence_of(self, review: Review) -> Evidence:
        """As the review has it; a file it only names is read once."""
        if review.evidence is not None or review.evidence_path is None:
            return review.evidence or Evidence()
        if self._read is None or self._read[0] != review.evidence_path:
            try:
                self._read = (review.evidence_path, evidence_of_review(review))
            except ReplayError as error:
                self._error = error
                self._read = (review.evidence_path, Evidence())
        return self._read[1]

    def _now_s(self) -> float:
        """The cursor, after liftoff."""
        snapshot = self.session.snapshot
        liftoff = float("nan") if snapshot is None else snapshot.as_flown.events.liftoff_log_s
        return self._cursor_log_s - liftoff if liftoff == liftoff else 0.0

    # --- what is drawn -------------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        session = self.session
        result = session.reconciliation
        is_busy = self.background.is_busy
        self.run.setEnabled(session.log is not None and not is_busy)
        self.failure.setText("" if self._error is None else f"{self._error}")
        self.failure.setVisible(self._error is not None)
        self.doubt.setText("\n".join(result.doubts) if result is not None else "")
        self.doubt.setVisible(result is not None and bool(result.doubts) and not session.is_reconciliation_stale)
        self.state.setText(self._state_text())
        is_good = result is not None and not session.is_reconciliation_stale
        self.use.setEnabled(is_good and result is not None and session.review.corrected != result.calibration)
        for button in (self.save_calibration, self.save_json):
            button.setEnabled(is_good)
        self.result.setVisible(result is not None)
        self.assumed_section.setVisible(result is not None)
        self.tables.setEnabled(is_good)
        if result is None or result is self._drawn:
            return
        self._drawn = result
        self.tilt.setText(reconcile_words.tilt_text(result))
        rows = reconcile_words.parameter_rows(result)
        self.parameters.fill(rows)
        widest = max(self.parameters.fontMetrics().horizontalAdvance(row[0]) for row in rows if row[1:] != ("",))
        self.parameters.horizontalHeader().resizeSection(0, widest + 2 * style.GAP)
        self.pinned.setText(reconcile_words.pinned_text(result))
        self.observations.setVisible(bool(result.observations))
        self.observations.fill(reconcile_words.observation_rows(result))
        self.fit.setText(reconcile_words.fit_text(result))
        self.next.setText(reconcile_words.next_text(result))
        self.notes.setText("\n".join(f"· {line}" for line in result.notes))
        self.assumed.setText("\n".join(f"· {line}" for line in result.assumptions))
        for table in (self.parameters, self.observations):
            table.setFixedHeight(table.sizeHint().height() + table.horizontalScrollBar().sizeHint().height())

    def _state_text(self) -> str:
        session = self.session
        if session.log is None:
            return "Open a flight first."
        if self.background.is_busy:
            return "The last good result stays below until the new one is there." if session.reconciliation else ""
        if session.reconciliation is None:
            return "Nothing solved yet: choose what is free, add what was observed, then Reconcile."
        if session.is_reconciliation_stale:
            return "Out of date: calibration, evidence, what is free or declarations have changed since. Undo, or reconcile again."
        said = reconcile_words.tilt_text(session.reconciliation)
        if session.review.corrected == session.reconciliation.calibration:
            return f"Solved for the review as it stands, and in use as the what-if. {said} Every number is below."
        return f"Solved for the review as it stands. {said} Every number is below."

    # --- running -------------------------------------------------------------------------------------------------------------

    def reconcile(self) -> None:
        """Solve for the document as it stands."""
        session = self.session
        if session.log is not None:
            self._error = None
            self.background.request(WhatIfRequest(session.log, session.review, session.vehicle))

    def _on_busy(self, is_busy: bool) -> None:
        for widget in (self.progress, self.doing, self.stop):
            widget.setVisible(is_busy)
        self.progress.setValue(0)
        self.doing.setText("")
        self._show()

    def _on_progress(self, share: float, text: str) -> None:
        self.progress.setValue(round(1000 * share))
        self.doing.setText(text)

    def _on_finished(self, request: WhatIfRequest, result: object) -> None:
        self.session.set_reconciliation(result, request.review)  # type: ignore[arg-type]

    def _on_failed(self, _request: object, error: BaseException) -> None:
        self._error = error
        self._show()

    def _on_opened(self) -> None:
        self._error = self._drawn = self._read = None
        self._show()

    def use_result(self) -> None:
        """The reconciled calibration becomes the what-if, in one step that can be undone."""
        result = self.session.reconciliation
        if result is not None:
            self.session.apply(lambda review: edits.with_whatif(review, result.calibration), "Use reconciled calibration")

    def open_photograph(self) -> None:
        """A tilt sighting read off a photograph, in a dialog; what is wrong with the picture is said there."""
        from replay.desktop.picture_file import PICTURE_FILES
        from replay.desktop.sighting_dialog import SightingDialog

        path = self.asking.open_path("Photograph of the flight", "", PICTURE_FILES)
        if path is not None:
            dialog = SightingDialog(self.session, self.asking, path, self._now_s(), self)
            dialog.taken.connect(lambda sighting: self.editor.add_sighting(sighting, "Sighting from a photograph"))
            dialog.open()

    # --- files ---------------------------------------------------------------------------------------------------------------

    def load_file(self) -> None:
        """Evidence from a file, in the place of what stands here."""
        path = self.asking.open_path("Evidence file")
        if path is not None:
            self._try(lambda: self._take_evidence(load_evidence(path), path, "Load evidence"))

    def save_file(self) -> None:
        """Evidence to a file, which the review then names."""
        path = self.asking.save_path("Save evidence", "evidence.toml", "TOML (*.toml)", ".toml")
        if path is not None:
            evidence = self._evidence_of(self.session.review)
            self._try(lambda: (save_evidence(evidence, path), self._take_evidence(evidence, path, "Save evidence")))

    def save_calibration_file(self) -> None:
        """The reconciled calibration with its standard deviations."""
        from replay.sensors.calibration import save_calibration
        from replay.whatif.reconcile_report import calibration_file

        result = self.session.reconciliation
        path = self.asking.save_path("Save reconciled calibration", "reconciled.toml", "TOML (*.toml)", ".toml")
        if path is not None and result is not None:
            self._try(lambda: save_calibration(calibration_file(result), path))

    def save_json_file(self) -> None:
        """Everything found, as JSON."""
        from replay.settings_file import write_whole
        from replay.whatif.reconcile_report import as_dict

        result = self.session.reconciliation
        path = self.asking.save_path("Save everything found", "reconciled.json", _JSON_FILES, ".json")
        if path is not None and result is not None:
            self._try(lambda: write_whole(path, json.dumps(as_dict(result), indent=2, ensure_ascii=False) + "\n"))

    def _take_evidence(self, evidence: Evidence, path: str, text: str) -> None:
        self.session.apply(lambda review: edits.with_evidence(review, evidence, path), text)

    def _try(self, action: object) -> None:
        self._error = None
        try:
            action()  # type: ignore[operator]
        except (ReplayError, OSError) as error:
            self._error = error
        self._show()

    # --- what it is built of -------------------------------------------------------------------------------------------------

    def _ask_card(self) -> QWidget:
        card = QFrame()
        card.setObjectName("card")
        column = QVBoxLayout(card)
        sentence = QLabel(PAD_SENTENCE)
        sentence.setWordWrap(True)
        self.run = QPushButton("Reconcile")
        self.run.setToolTip("Solve for the calibration that makes the record agree with itself and with the evidence")
        self.stop = QPushButton("Stop")
        for button, call in ((self.run, self.reconcile), (self.stop, self.background.cancel)):
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(lambda _=False, c=call: c())
        row = QHBoxLayout()
        row.addWidget(self.run, 1)
        row.addWidget(self.stop)
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedHeight(8)
        self.doing = muted(wrap=True)
        self.state = muted(wrap=True)
        self.failure = QLabel()
        self.failure.setObjectName("failure")
        self.failure.setWordWrap(True)
        self.failure.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        column.addWidget(sentence)
        column.addLayout(row)
        self.doubt = QLabel()
        self.doubt.setObjectName("failure")
        self.doubt.setWordWrap(True)
        self.doubt.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        for widget in (self.progress, self.doing, self.failure, self.state, self.doubt):
            column.addWidget(widget)
        self.use = QPushButton("Use as the what-if")
        self.use.setToolTip("The reconciled calibration becomes the what-if; one step, which can be undone")
        self.use.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.use.clicked.connect(self.use_result)
        self.save_calibration = quiet_button("Save calibration…", "Save the reconciled calibration with its standard deviations")
        self.save_calibration.clicked.connect(self.save_calibration_file)
        self.save_json = quiet_button("Save JSON…", "Save everything found as JSON")
        self.save_json.clicked.connect(self.save_json_file)
        column.addWidget(self.use)
        files = QHBoxLayout()
        files.addWidget(self.save_calibration)
        files.addWidget(self.save_json)
        files.addStretch(1)
        column.addLayout(files)
        return card

    def _free_section(self) -> QWidget:
        section = Section("Solved for", is_open=True)
        section.body_layout.addWidget(muted("What is not ticked is pinned: as flown, the pad tilt as levelled.", wrap=True))
        self.free: dict[str, QCheckBox] = {}
        for group, members in MEMBERS.items():
            self.free[group] = check_box(group)
            section.body_layout.addWidget(self.free[group])
            if members != (group,):
                row = QHBoxLayout()
                row.setContentsMargins(3 * style.GAP, 0, 0, 0)
                for name in members:
                    self.free[name] = check_box(name.removeprefix(group).strip(), name)
                    self.free[name].setAccessibleName(name)
                    row.addWidget(self.free[name])
                row.addStretch(1)
                section.body_layout.addLayout(row)
        for name, box in self.free.items():
            box.clicked.connect(lambda _=False, n=name: self._free_or_pin(n))
        return section

    def _free_or_pin(self, group: str) -> None:
        """What is wholly free is pinned; what is pinned, or free in part, is freed."""
        review = self.session.review
        freed = members_of(DEFAULT_FREE if review.freed is None else review.freed)
        is_free = not freed.issuperset(MEMBERS.get(group, (group,)))
        self.session.apply(lambda review: edits.with_freed(review, group, is_free, DEFAULT_FREE), f"{'Free' if is_free else 'Pin'} {group}")

    def _evidence_section(self) -> QWidget:
        section = Section("Evidence", is_open=True)
        self.load, self.save = quiet_button("Load…", "Read an evidence file"), quiet_button("Save…", "Write an evidence file")
        self.load.clicked.connect(self.load_file)
        self.save.clicked.connect(self.save_file)
        section.tail.addWidget(self.load)
        section.tail.addWidget(self.save)
        self.evidence_file = muted(wrap=True)
        self.editor = EvidenceEditor(self._now_s)
        self.editor.edited.connect(lambda evidence, text: self.session.apply(lambda review: edits.with_evidence(review, evidence), text))
        self.editor.photograph.clicked.connect(self.open_photograph)
        section.body_layout.addWidget(self.evidence_file)
        section.body_layout.addWidget(self.editor)
        return section

    def _result_section(self) -> QWidget:
        self._drawn: object | None = None
        self.result = Section("As flown, prior and reconciled", is_open=True)
        self.tables = QWidget()
        column = QVBoxLayout(self.tables)
        column.setContentsMargins(0, 0, 0, 0)
        self.tilt = QLabel()
        self.tilt.setWordWrap(True)
        self.parameters = SmallTable("parameters", reconcile_words.PARAMETER_HEADINGS)
        self.observations = SmallTable("evidence against the reconciled flight", ("evidence less flight", "sigmas"))
        self.parameters.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
        header = self.parameters.horizontalHeader()
        header.setSectionResizeMode(0, header.ResizeMode.Fixed)  # a heading spans the table and must not widen the column
        self.pinned, self.fit, self.next, self.notes = muted(wrap=True), muted(wrap=True), QLabel(), muted(wrap=True)
        self.next.setWordWrap(True)
        for widget in (self.tilt, self.parameters, self.pinned, self.observations, self.fit, self.next, self.notes):
            column.addWidget(widget)
        self.result.body_layout.addWidget(self.tables)
        return self.result

    def _assumed_section(self) -> QWidget:
        self.assumed_section = Section("What the result leaned on")
        self.assumed = muted(wrap=True)
        self.assumed_section.body_layout.addWidget(self.assumed)
        return self.assumed_section
