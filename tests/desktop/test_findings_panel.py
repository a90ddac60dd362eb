"""The Findings panel as a user meets it: the real explanation of a crooked-bench flight, marks and notes as edits that undo."""

import dataclasses

import pytest
from desktop_helpers import DrawnEstimates, settle
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from replay.cautions import CAUTION_LINE
from replay.desktop.findings_panel import PAGES
from replay.desktop.panels import PANELS
from replay.desktop.reading import ReadRequest, ReadResult
from replay.desktop.session import Session
from replay.flight.finding import Finding
from replay.motion.estimator import estimate
from replay.review import edits
from replay.review.explain import EXPLAINED, explain
from replay.review.marked_findings import next_flight
from replay.review.review import LogReference, Note, Review
from replay.whatif import sample


@pytest.fixture(scope="module")
def explained():
    flight = sample.make("crooked_bench", pad_s=6.0, canopy_scale=0.2, rest_s=2.0)
    vehicle = flight.vehicle
    solution = estimate(flight.log, "smoother", site=vehicle.site, imu_from_cg_m=vehicle.imu_from_cg_m)
    return explain(flight.log, solution, vehicle=vehicle)


@pytest.fixture
def session(qtbot, preferences, explained):
    made = Session(preferences, lambda: ("tilt",), DrawnEstimates())
    try:
        log = explained.log
        review = Review(logs=(LogReference("/nowhere/flight.csv", 1, "0" * 64),), column_map=log.column_map)
        made._take(ReadRequest(("flight.csv",), is_made=True), ReadResult(log, review, None, (), False, True))
        settle(qtbot, made)
        yield made
    finally:
        made.close()


@pytest.fixture
def panel(qtbot, session, explained):
    made = next(kind for kind in PANELS if kind.id == "findings").build(session, None)
    qtbot.addWidget(made)
    session.review_changed.connect(made.show_review)
    session.snapshot_ready.connect(made.show_snapshot)
    made.resize(330, 520)
    made.show()
    session._publish(dataclasses.replace(session.snapshot, as_flown=explained.solution, extras={EXPLAINED: explained}))
    return made


def _row_of(panel, rule):
    return next(i for i, e in enumerate(panel.entries) if isinstance(e, Finding) and e.rule == rule)


def test_the_list_holds_every_finding_warnings_first_and_says_how_many(panel, explained):
    assert panel.entries == list(explained.findings)
    assert explained.findings[0].severity == "warning"
    assert panel.list.item(0).text().startswith(f"▲ {explained.findings[0].title}")
    n_warnings = sum(f.severity == "warning" for f in explained.findings)
    assert panel.state.text().startswith(f"{n_warnings} warning")


def test_the_finding_looked_at_shows_its_numbers_meaning_step_and_threshold(panel):
    panel.list.setCurrentRow(_row_of(panel, "false vertical"))
    finding = panel.chosen()
    text = panel.detail.text()
    for part in (finding.title, finding.evidence[0].text(), finding.meaning, finding.next_step, finding.source):
        assert part.split("'")[0] in text


def test_go_there_takes_cursor_and_traces_to_the_finding(panel):
    panel.list.setCurrentRow(_row_of(panel, "steered away"))
    finding = panel.chosen()
    asked, moments = [], []
    panel.window_requested.connect(lambda start, stop: asked.append((start, stop)))
    panel.cursor_requested.connect(moments.append)
    QTest.keyClick(panel.list, Qt.Key.Key_Return)
    ((start, stop),) = asked
    assert start < finding.start_log_s < finding.stop_log_s < stop
    assert moments == [finding.start_log_s]


def test_resolving_takes_it_off_list_and_checklist_and_undo_brings_it_back(panel, session, explained):
    row = _row_of(panel, "false vertical")
    finding = panel.entries[row]
    panel.list.setCurrentRow(row)
    assert finding.next_step in panel.checklist.text()
    panel.resolve.click()
    assert finding not in panel.entries
    assert finding.next_step not in panel.checklist.text()
    assert panel.with_resolved.isVisible()
    panel.with_resolved.click()
    assert finding in panel.entries
    session.undo()
    assert finding.next_step in panel.checklist.text()
    assert not session.history.is_changed


def test_a_pinned_finding_stands_first(panel, session):
    row = _row_of(panel, "record whole")
    panel.list.setCurrentRow(row)
    panel.pin.click()
    assert panel.entries[0].rule == "record whole"
    assert panel.chosen().rule == "record whole", "what was looked at is still looked at"
    session.undo()
    assert panel.entries[0].rule != "record whole"


def test_words_on_a_finding_are_kept_in_the_review_and_stand_on_the_checklist(panel, session, explained):
    panel.list.setCurrentRow(_row_of(panel, "false vertical"))
    panel.words.setFocus()
    QTest.keyClicks(panel.words, "ask for the bench level")
    QTest.keyClick(panel.words, Qt.Key.Key_Return)
    assert session.review.finding_marks[0].text == "ask for the bench level"
    assert any("ask for the bench level" in line for line in next_flight(explained.findings, session.review))
    assert "ask for the bench level" in panel.list.item(_row_of(panel, "false vertical")).text()


def test_a_note_of_the_user_s_own_is_set_at_the_cursor_worded_and_taken_away(panel, session):
    panel.move_cursor(12.5)
    panel.add_note()
    panel.words.selectAll()
    QTest.keyClicks(panel.words, "whistle heard")
    QTest.keyClick(panel.words, Qt.Key.Key_Return)
    assert session.review.notes == (Note("whistle heard", 12.5),)
    panel.list.setCurrentRow(panel.entries.index(Note("whistle heard", 12.5)))
    assert not panel.pin.isVisible()
    panel.remove.click()
    assert session.review.notes == ()
    session.undo()
    assert session.review.notes == (Note("whistle heard", 12.5),)


def test_a_new_edit_keeps_the_last_list_and_says_that_it_is_being_explained(panel, session):
    before = list(panel.entries)
    session._publish(dataclasses.replace(session.snapshot, extras={}))
    assert panel.entries == before
    assert panel.state.text() == "explaining the edit…"


def test_events_and_key_figures_have_their_pages_with_sd_and_what_is_not_known(panel, explained):
    panel.page.setCurrentIndex(PAGES.index("Events"))
    assert [row[0] for row in panel.events.texts()] == [name.replace("_", " ") for name in explained.events.events]
    assert all(name.replace("_", " ") in panel.event_notes.text() for name in explained.events.events)
    panel.page.setCurrentIndex(PAGES.index("Key figures"))
    for figure in explained.figures("propulsion").values():
        assert figure.label in panel.figures.text()
        assert not figure.is_known or figure.text() in panel.figures.text()


def test_every_page_ends_with_the_caution(panel):
    assert any(label.text() == CAUTION_LINE and label.isVisible() for label in panel.findChildren(type(panel.detail)))


def test_notes_stay_in_order_of_time_and_none_is_doubled():
    late, early, whole = Note("late", 9.0), Note("early", 2.0), Note("whole")
    review = Review()
    for note in (late, whole, early, late):
        review = edits.with_note(review, note)
    assert review.notes == (whole, early, late)
    assert edits.with_note(review, Note("soon", 3.0), instead_of=early).notes == (whole, Note("soon", 3.0), late)
