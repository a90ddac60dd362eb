"""Findings: what the flight shows, each with its numbers and what to do about it; the next flight's checklist; events and key figures."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from replay.cautions import CAUTION_LINE
from replay.desktop import style
from replay.desktop.form import caution, check_box, muted, quiet_button, scrolled
from replay.desktop.session import Session
from replay.desktop.small_table import SmallTable
from replay.flight.finding import Finding
from replay.review import edits, findings_words
from replay.review.explain import explained_of
from replay.review.marked_findings import mark_of, next_flight
from replay.review.review import Note, Review
from replay.review.snapshot import Snapshot

Entry = Finding | Note
PAGES = ("Findings", "Next flight", "Events", "Key figures")


class FindingsPanel(QWidget):
    """A right-hand panel. It shows the explanation a snapshot carries; pins, ticks and notes are edits of the review."""

    cursor_requested = Signal(float)
    """Log time the user wants every view at."""
    window_requested = Signal(float, float)
    """Log times the traces are to show."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.session = session
        self._snapshot: Snapshot | None = None
        self._cursor_log_s = 0.0
        self.entries: list[Entry] = []
        self.page = QComboBox()
        self.page.addItems(PAGES)
        self.page.setAccessibleName("What the panel shows")
        self.page.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.state = muted()
        head = QHBoxLayout()
        head.setContentsMargins(style.GAP, style.GAP // 2, style.GAP, style.GAP // 2)
        head.addWidget(self.page)
        head.addWidget(self.state, 1, Qt.AlignmentFlag.AlignRight)
        self.pages = QStackedWidget()
        for build in (self._findings_page, self._checklist_page, self._events_page, self._figures_page):
            self.pages.addWidget(build())
        self.page.currentIndexChanged.connect(self.pages.setCurrentIndex)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(head)
        whole.addWidget(self.pages, 1)
        whole.addWidget(caution())
        self._show()

    # --- the entry points of a panel -----------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """Draw the document's own marks and notes; emit nothing."""
        self._show()

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new explanation; until there is one, the last one stays and says so."""
        before = self._snapshot
        is_other = before is None or before.log is not snapshot.log
        if explained_of(snapshot) is not None or is_other:
            self._snapshot = snapshot
            self._show_explained()
        self._show()

    def forget_flight(self) -> None:
        """What was explained is another flight."""
        self._snapshot = None
        self._show_explained()
        self._show()

    def move_cursor(self, log_time_s: float) -> None:
        """A new note is set there."""
        self._cursor_log_s = log_time_s

    # --- what is drawn -------------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        review = self.session.review
        known = None if self._snapshot is None else explained_of(self._snapshot)
        found = () if known is None else known.findings
        shown = [f for f in found if self.with_resolved.isChecked() or not mark_of(f, review).is_resolved]
        shown.sort(key=lambda f: not mark_of(f, review).is_pinned)
        self._fill([*shown, *review.notes], review)
        n_resolved = sum(mark_of(f, review).is_resolved for f in found)
        self.with_resolved.setText(f"show resolved ({n_resolved})")
        self.with_resolved.setVisible(n_resolved > 0)
        self.state.setText(self._state_text(known is not None, found))
        lines = next_flight(found, review)
        self.checklist.setText("\n\n".join(f"☐ {line}" for line in lines[:-1]) or "Nothing is open.")
        self.copy.setEnabled(len(lines) > 1)

    def _state_text(self, is_known: bool, found: tuple[Finding, ...]) -> str:
        if self.session.log is None:
            return "open a flight first"
        if not is_known:
            return "explaining the flight…"
        is_current = self.session.snapshot is not None and explained_of(self.session.snapshot) is not None
        return findings_words.counts_text(found) if is_current else "explaining the edit…"

    def _fill(self, entries: list[Entry], review: Review) -> None:
        chosen = self.chosen()
        self.entries = entries
        self.list.blockSignals(True)
        self.list.clear()
        zero = self._zero_log_s()
        for entry in entries:
            item = QListWidgetItem(findings_words.entry_text(entry, review, zero))
            if isinstance(entry, Finding) and mark_of(entry, review).is_resolved:
                item.setForeground(QColor(style.MUTED))
            self.list.addItem(item)
        self.list.setCurrentRow(_same(chosen, entries))
        self.list.blockSignals(False)
        self._show_chosen()

    def _zero_log_s(self) -> float:
        known = None if self._snapshot is None else explained_of(self._snapshot)
        at = math.nan if known is None else known.time("liftoff")
        return at if math.isfinite(at) else 0.0

    def chosen(self) -> Entry | None:
        """The finding or note that is looked at."""
        row = self.list.currentRow()
        return self.entries[row] if 0 <= row < len(self.entries) else None

    def _show_chosen(self) -> None:
        entry, review = self.chosen(), self.session.review
        is_finding = isinstance(entry, Finding)
        mark = mark_of(entry, review) if is_finding else None
        self.detail.setText(findings_words.detail_html(entry) if is_finding else "" if entry is None else "Your own note.")
        self.go.setEnabled(entry is not None and entry.start_log_s is not None)
        for box, is_on in ((self.pin, mark is not None and mark.is_pinned), (self.resolve, mark is not None and mark.is_resolved)):
            box.setVisible(is_finding)
            box.setChecked(is_on)
        self.remove.setVisible(isinstance(entry, Note))
        self.words.setEnabled(entry is not None)
        if not (self.words.hasFocus() and self.words.isModified()):
            self.words.setText("" if entry is None else mark.text if mark is not None else entry.text)

    def _show_explained(self) -> None:
        known = None if self._snapshot is None else explained_of(self._snapshot)
        self.events.fill([] if known is None else findings_words.event_rows(known))
        self.event_notes.setText("" if known is None else findings_words.event_notes(known))
        self.figures.setText("" if known is None else findings_words.figures_html(known))
        self.figure_notes.setText("" if known is None else findings_words.missing_text(known))

    # --- what the user does --------------------------------------------------------------------------------------------------

    def go_there(self) -> None:
        """Every view to the finding: cursor at its start, the traces about its span."""
        entry = self.chosen()
        if entry is None or entry.start_log_s is None:
            return
        start, stop = entry.start_log_s, entry.start_log_s if entry.stop_log_s is None else entry.stop_log_s
        room = max(0.5, 0.25 * (stop - start))
        self.window_requested.emit(start - room, stop + room)
        self.cursor_requested.emit(start)

    def _mark(self, called: str, **changes: object) -> None:
        entry = self.chosen()
        if isinstance(entry, Finding):
            mark = dataclasses.replace(mark_of(entry, self.session.review), **changes)
            self.session.apply(lambda review: edits.with_finding_mark(review, mark), called)

    def _on_words(self) -> None:
        if not self.words.isModified():
            return
        self.words.setModified(False)
        entry, text = self.chosen(), self.words.text().strip()
        if isinstance(entry, Finding):
            self._mark("Note on a finding", text=text)
        elif isinstance(entry, Note):
            self._replace_note(entry, dataclasses.replace(entry, text=text), "Edit note")

    def add_note(self) -> None:
        """A note of the user's own at the cursor; its words are entered in the field below."""
        if self.session.log is None:
            return
        note = Note("new note", self._cursor_log_s)
        self._replace_note(None, note, "Note")
        self.words.setFocus()
        self.words.selectAll()

    def _replace_note(self, old: Note | None, new: Note | None, text: str) -> None:
        self.session.apply(lambda review: edits.with_note(review, new, instead_of=old), text)
        if new in self.entries:
            self.list.setCurrentRow(self.entries.index(new))

    def _remove_note(self) -> None:
        entry = self.chosen()
        if isinstance(entry, Note):
            self._replace_note(entry, None, "Take note away")

    # --- what it is built of -------------------------------------------------------------------------------------------------

    def _findings_page(self) -> QWidget:
        self.list = QListWidget()
        self.list.setAccessibleName("Findings and notes")
        self.list.setWordWrap(True)
        self.list.setAlternatingRowColors(True)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.currentRowChanged.connect(lambda _: self._show_chosen())
        self.list.itemActivated.connect(lambda _: self.go_there())
        self.detail = _text()
        self.detail.setTextFormat(Qt.TextFormat.RichText)
        self.go = _button("Go there", "Cursor and traces to where this shows (Enter in the list)", self.go_there)
        self.pin = check_box("pinned", "Keep it at the top of the list")
        self.pin.clicked.connect(lambda on: self._mark("Pin finding" if on else "Unpin finding", is_pinned=on))
        self.resolve = check_box("resolved", "Dealt with: off the next flight's checklist")
        self.resolve.clicked.connect(lambda on: self._mark("Resolve finding" if on else "Open finding again", is_resolved=on))
        self.remove = _button("Take note away", "Remove this note of yours", self._remove_note)
        self.words = QLineEdit()
        self.words.setPlaceholderText("your own words on it; Enter keeps them in the review")
        self.words.setAccessibleName("Your own words on the finding")
        self.words.editingFinished.connect(self._on_words)
        self.with_resolved = check_box("show resolved", "Also list what was marked resolved")
        self.with_resolved.clicked.connect(lambda _: self._show())
        note = quiet_button("Note…", "Write a note of your own for the moment at the cursor", "new note at the cursor")
        note.clicked.connect(lambda *_: self.add_note())
        acts = QHBoxLayout()
        for widget in (self.go, self.pin, self.resolve, self.remove):
            acts.addWidget(widget)
        acts.addStretch(1)
        acts.addWidget(note)
        below = QWidget()
        column = QVBoxLayout(below)
        column.setContentsMargins(style.GAP, 0, style.GAP, style.GAP // 2)
        column.setSpacing(style.GAP // 2)
        column.addWidget(scrolled(self.detail), 1)
        column.addLayout(acts)
        column.addWidget(self.words)
        column.addWidget(self.with_resolved)
        both = QSplitter(Qt.Orientation.Vertical)
        both.setChildrenCollapsible(False)
        both.addWidget(self.list)
        both.addWidget(below)
        both.setStretchFactor(0, 2)
        both.setStretchFactor(1, 3)
        both.setSizes([100, 150])
        return both

    def _checklist_page(self) -> QWidget:
        self.checklist = _text()
        self.copy = _button("Copy", "Copy the checklist as text", self._copy_checklist)
        return _page(muted("Before the next flight, from every finding that is not resolved:", wrap=True), self.checklist, self.copy)

    def _copy_checklist(self) -> None:
        QGuiApplication.clipboard().setText(f"{self.checklist.text()}\n\n{CAUTION_LINE}")

    def _events_page(self) -> QWidget:
        self.events = SmallTable("Events", ("event", "time, s", "± sd, s"))
        self.event_notes = muted(wrap=True)
        return _page(
            self.events,
            muted(
                "An event is moved on the Timeline: E chooses it, Alt and arrow keys or the mouse move it; all that follows is redone.",
                wrap=True,
            ),
            self.event_notes,
        )

    def _figures_page(self) -> QWidget:
        self.figures = _text()
        self.figures.setTextFormat(Qt.TextFormat.RichText)
        self.figure_notes = muted(wrap=True)
        return _page(self.figures, self.figure_notes)


def _same(chosen: Entry | None, entries: list[Entry]) -> int:
    """Row of what was looked at before: the same note, or the finding of the same rule nearest in time; else the first row."""
    if isinstance(chosen, Note) and chosen in entries:
        return entries.index(chosen)
    if isinstance(chosen, Finding):
        of_rule = [i for i, e in enumerate(entries) if isinstance(e, Finding) and e.rule == chosen.rule]
        if of_rule:
            at = chosen.start_log_s or 0.0
            return min(of_rule, key=lambda i: abs((entries[i].start_log_s or 0.0) - at))
    return 0 if entries else -1


def _text() -> QLabel:
    label = QLabel()
    label.setWordWrap(True)
    label.setAlignment(Qt.AlignmentFlag.AlignTop)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def _button(text: str, tip: str, action: Callable[[], None]) -> QPushButton:
    button = QPushButton(text)
    button.setToolTip(tip)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    button.clicked.connect(partial(_call, action))
    return button


def _call(action: Callable[[], None], *_: object) -> None:
    action()


def _page(*widgets: QWidget) -> QWidget:
    inside = QWidget()
    column = QVBoxLayout(inside)
    column.setContentsMargins(style.GAP, style.GAP // 2, style.GAP, style.GAP)
    for widget in widgets:
        column.addWidget(widget, 0, Qt.AlignmentFlag.AlignLeft) if isinstance(widget, QPushButton) else column.addWidget(widget)
    column.addStretch(1)
    return scrolled(inside)
