"""Report dialog: what the write-up holds is kept in the document, all of its files or none are written beside a living window."""

import dataclasses
import threading
from pathlib import Path

import pytest
from desktop_helpers import Answers, settle, take_drawn
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QPushButton

from replay.cli import main
from replay.desktop.window import MainWindow
from replay.figures import report_content, report_html, report_pdf
from replay.figures.registry import figure_kinds
from replay.figures.report_pdf import write_pdf
from replay.flightlog import read_log
from replay.review import storage
from replay.review.log_reference import reference_to
from replay.review.review import Note, ReflySettings, Review, thaw
from replay.sensors.calibration import Calibration

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "crooked_bench"
PAGES = ["report.html", "report.pdf"]
TABLES = ["channels.csv", "estimate.csv", "events.csv", "findings.csv"]


@pytest.fixture(autouse=True)
def figures(monkeypatch):
    """Drawing them and setting pages for print is the work of other tests: none here, but one where the bytes are compared."""
    some = {}
    monkeypatch.setattr(report_content, "figure_kinds", lambda: some)
    monkeypatch.setattr(report_pdf, "write_pdf", lambda report, snapshot, path, **_: path.write_text(report.title))
    return some


@pytest.fixture
def dialog(window):
    window.actions["report"].trigger()
    made = window.files._report_dialog
    assert made.isVisible()
    yield made
    if window.files._report_dialog is not None:
        made.done(0)


def kept(window):
    return thaw(window.session.review.report_settings)


def write_in(entry, text):
    """Replace what stands in a field and take it, by keys alone."""
    entry.setFocus()
    entry.selectAll()
    QTest.keyClick(entry, Qt.Key.Key_Delete)
    QTest.keyClicks(entry, text)
    QTest.keyClick(entry, Qt.Key.Key_Return)


def written(qtbot, dialog):
    qtbot.waitUntil(lambda: not dialog.is_writing, timeout=120_000)


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def held(monkeypatch):
    """Holds the work where the page is made until a test lets it go on, or stops it."""
    begun, go_on = threading.Event(), threading.Event()
    html_of = report_html.html_of

    def slow(*args, progress, **kwargs):
        begun.set()
        while not go_on.wait(0.01):
            progress(0.0, "drawing")  # where work that was given up ends
        return html_of(*args, progress=progress, **kwargs)

    monkeypatch.setattr(report_html, "html_of", slow)
    yield begun, go_on
    go_on.set()


def test_choices_are_edits_of_the_document(window, dialog, tmp_path):
    """Each one step of undo, and the form shows it; the flights beside are those of the figures; the notes stand in for the job."""
    session = window.session
    session.apply(lambda review: dataclasses.replace(review, notes=(Note("A calm morning."),)), "Note")
    assert dialog.job.placeholderText() == "A calm morning."
    write_in(dialog.job, "See whether it rights itself.")
    dialog.reconciled.click()
    dialog.tables.setCurrentIndex(dialog.tables.findData("csv"))
    dialog.tables.activated.emit(1)
    write_in(dialog.folder, "write-up")
    assert kept(window) == {
        "job": "See whether it rights itself.",
        "has_reconciled": False,
        "tables": "csv",
        "folder": str(Path("write-up").absolute()),
    }
    assert "findings.csv" in dialog.will_write.text()
    window.files.asking.given |= {"open_paths": [str(tmp_path / "second.csv")], "folder": str(tmp_path)}
    dialog.beside.add.click()
    assert thaw(session.review.figure_settings) == {"beside": [str(tmp_path / "second.csv")]}
    dialog.choose_folder.click()
    assert dialog.folder.text() == kept(window)["folder"] == str(tmp_path)
    assert not dialog.reflown.isEnabled() and not dialog.reflown.isChecked() and "vehicle file" in dialog.of_reflown.text()
    assert "No evidence" in dialog.of_reconciled.text()
    QTest.keyClick(dialog, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert dialog.folder.text().endswith("write-up")
    while session.history.undo_text:
        session.undo()
    assert kept(window) == {} == thaw(session.review.figure_settings)
    assert (dialog.job.text(), dialog.reconciled.isChecked(), dialog.tables.currentData()) == ("", True, "")
    session.apply(lambda review: dataclasses.replace(review, report_settings={"colour": 1}), "Report")
    assert "'colour'" in dialog.said.text()


def test_every_field_is_reached_by_tab_and_return_writes_on_the_button_alone(qtbot, window, dialog, tmp_path):
    """Round by Tab; Return in a field only takes what stands there; Escape closes."""
    dialog.activateWindow()
    dialog.job.setFocus()
    seen = []
    for _ in range(14):
        seen.append(dialog.focusWidget())
        QTest.keyClick(dialog.focusWidget(), Qt.Key.Key_Tab)
    own = (dialog.job, dialog.reconciled, dialog.beside.list, dialog.beside.add, dialog.tables, dialog.folder, dialog.choose_folder)
    assert {*own, dialog.write} <= set(seen)
    write_in(dialog.folder, str(tmp_path / "a"))
    write_in(dialog.job, "Hop.")
    assert not dialog.is_writing
    dialog.write.setFocus()
    QTest.keyClick(dialog.write, Qt.Key.Key_Return)
    assert dialog.is_writing
    dialog.working.stop.click()
    QTest.keyClick(dialog, Qt.Key.Key_Escape)
    assert window.files._report_dialog is None


def test_it_writes_all_files_and_asks_before_it_writes_over_them(qtbot, window, dialog, tmp_path):
    """Page, print and tables; then it says where and opens the page; files that are there are asked about, those of another kind named."""
    asking, folder = window.files.asking, tmp_path / "deep" / "out"
    settings = {"tables": "csv", "folder": str(folder), "has_reconciled": False}
    window.session.apply(lambda review: dataclasses.replace(review, report_settings=settings), "Report")
    assert dialog.open_page.isHidden()
    QTest.keyClicks(dialog.job, "See <whether> it holds.")  # and the field not left
    dialog.write.click()
    assert not dialog.write.isEnabled() and not dialog.working.isHidden()
    written(qtbot, dialog)
    assert names_in(folder) == sorted([*PAGES, *TABLES])
    assert "See &lt;whether&gt; it holds." in (folder / "report.html").read_text(encoding="utf-8")
    assert str(folder) in dialog.said.text() and "Save the review" in dialog.said.text()
    asking.given |= {"show_page": True, "may_write_over_in": False}
    dialog.open_page.click()
    assert asking.asked == ["show_page"]
    before = {path: path.read_bytes() for path in folder.iterdir()}
    write_in(dialog.job, "Another hop.")
    dialog.write.click()
    assert not dialog.is_writing and "Nothing was written" in dialog.said.text()
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    asking.given["may_write_over_in"] = True
    dialog.tables.setCurrentIndex(0)
    dialog.tables.activated.emit(0)
    dialog.write.click()
    written(qtbot, dialog)
    assert "Another hop." in (folder / "report.html").read_text(encoding="utf-8")
    assert "Left there from an earlier run: estimate.csv" in dialog.said.text()
    asking.given["show_page"] = False
    dialog.open_page.click()
    assert "names no program" in dialog.said.text()


def test_a_folder_that_can_not_be_written_is_said_and_left(qtbot, window, dialog, tmp_path):
    """Before anything is worked out; in the dialog, and in the message bar when that is put away."""
    (tmp_path / "file").write_text("")
    write_in(dialog.folder, str(tmp_path / "file" / "below"))
    dialog.write.click()
    written(qtbot, dialog)
    assert "not written" in dialog.said.text() and "a folder that can be written" in dialog.said.text()
    assert dialog.open_page.isHidden() and dialog.write.isEnabled()
    dialog.write.click()
    dialog.reject()
    assert not dialog.isVisible() and "goes on" in window.bar.text
    written(qtbot, dialog)
    assert "can be written" in window.bar.text and window.bar.tone == "error"
    assert (tmp_path / "file").read_text() == "" and dialog.said.text() == window.bar.text


def test_it_goes_on_while_the_window_is_used_and_leaves_nothing_when_stopped(qtbot, window, dialog, held, tmp_path):
    """Put away it goes on, called back it is there; leaving the flight asks first; stopped, not even the folder is left."""
    begun, go_on = held
    asking, folder = window.files.asking, tmp_path / "deep" / "out"
    settings = {"folder": str(folder), "has_reconciled": False}
    window.session.apply(lambda review: dataclasses.replace(review, report_settings=settings), "Report")
    dialog.write.click()
    qtbot.waitUntil(begun.is_set, timeout=120_000)
    QTest.keyClick(dialog, Qt.Key.Key_Escape)
    assert not dialog.isVisible() and dialog.is_writing and "goes on" in window.bar.text
    window.session.apply(lambda review: dataclasses.replace(review, method="kalman"), "Method")
    settle(qtbot, window.session)  # another estimate meanwhile
    assert dialog.is_writing
    asking.given["may_stop_writing"] = False
    assert not window.files.may_leave()
    window.actions["report"].trigger()
    assert window.files._report_dialog is dialog and dialog.isVisible()
    dialog.working.stop.click()
    assert "Nothing was written" in dialog.said.text() and dialog.write.isEnabled()
    qtbot.waitUntil(lambda: not (tmp_path / "deep").exists(), timeout=20_000)
    begun.clear()
    dialog.write.click()
    qtbot.waitUntil(begun.is_set, timeout=120_000)
    dialog.close()
    go_on.set()
    written(qtbot, dialog)
    assert names_in(folder) == PAGES and f"Written into {folder}" in window.bar.text
    asking.given["show_page"] = True
    next(button for button in window.bar.findChildren(QPushButton) if button.text() == "Open the Page").click()
    assert asking.asked[-1] == "show_page"


def test_another_flight_ends_it(qtbot, window, dialog, estimates, held, tmp_path):
    """Once that is allowed: window and work are gone, and so is what was begun."""
    begun, _ = held
    write_in(dialog.folder, str(tmp_path / "out"))
    dialog.reconciled.click()
    dialog.write.click()
    qtbot.waitUntil(begun.is_set, timeout=120_000)
    window.files.asking.given["may_stop_writing"] = True
    assert window.files.may_leave() and window.files.asking.asked == ["may_stop_writing", "save_changes"]
    take_drawn(window.session, estimates)
    settle(qtbot, window.session)
    assert window.files._report_dialog is None and not (tmp_path / "out").exists()


def test_window_and_command_write_the_same_bytes(qtbot, preferences, figures, monkeypatch, tmp_path):
    """A saved review with everything in it: reconciled, flown again, tables; the command is the one the report names."""
    monkeypatch.setattr(report_pdf, "write_pdf", write_pdf)
    figures["plumb-circle"] = figure_kinds()["plumb-circle"]
    folder, path = tmp_path / "out", tmp_path / "bench.review.json"
    review = Review(
        logs=(reference_to(SAMPLE / "flight.csv"),),
        column_map=read_log(SAMPLE / "flight.csv").column_map,
        what_if=Calibration(accel_bias_imu_mps2=(-0.36, 0.26, 0.0)),
        method="integrate",
        vehicle_path=str(SAMPLE / "vehicle.toml"),
        evidence_path=str(SAMPLE / "evidence.toml"),
        refly=ReflySettings(n_members=4),
        report_settings={"job": "See whether it rights itself.", "tables": "csv", "folder": str(folder)},
    )
    storage.save_review(review, path)
    window = MainWindow(preferences, Answers(save_changes="discard"))
    try:
        qtbot.addWidget(window)
        window.show()
        window.build_plots()
        window.files.open_paths([str(path)])
        qtbot.waitUntil(lambda: window.session.is_settled, timeout=240_000)
        window.actions["report"].trigger()
        dialog = window.files._report_dialog
        assert not window.session.history.is_changed
        assert dialog.reflown.isEnabled() and "evidence stated" in dialog.of_reconciled.text()
        dialog.write.click()
        written(qtbot, dialog)
        assert names_in(folder) == sorted([*PAGES, *TABLES]) and "Save the review" not in dialog.said.text()
        by_window = {each.name: each.read_bytes() for each in folder.iterdir()}
    finally:
        window.close()
    page = by_window["report.html"].decode()
    assert f"plumbline report {path} --out {folder} --force" in page and "nine of ten lie between" in page
    assert main(["report", str(path), "--out", str(folder), "--force"]) == 0
    assert {each.name: each.read_bytes() for each in folder.iterdir()} == by_window
