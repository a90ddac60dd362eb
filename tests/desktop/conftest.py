"""Desktop tests: real widgets on the offscreen platform, own folders, and nothing left alive behind a test."""

import os
import threading

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PYTEST_QT_API", "pyside6")

import pytest
from desktop_helpers import Answers, DrawnEstimates, settle, take_drawn
from PySide6.QtCore import QCoreApplication, QEvent, QTimer
from PySide6.QtWidgets import QApplication

from replay.desktop.preferences import Folders, Preferences
from replay.desktop.window import MainWindow


@pytest.fixture
def preferences(tmp_path):
    """Settings and data of nobody."""
    return Preferences(Folders(tmp_path / "settings", tmp_path / "data"))


@pytest.fixture(autouse=True)
def nothing_left_behind():
    """A thread, a running timer or a window that outlives its test is a failure of that test."""
    threads = set(threading.enumerate())
    windows = set(map(id, QApplication.topLevelWidgets())) if QApplication.instance() else set()
    yield
    application = QApplication.instance()
    if application is not None:
        QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        application.processEvents()
        new = [w for w in application.topLevelWidgets() if id(w) not in windows]
        left = [w for w in new if w.isVisible()]
        running = [t for w in new for t in w.findChildren(QTimer) if t.isActive()]
        assert not left, f"windows left open: {left}"
        assert not running, f"timers left running: {running}"
    alive = [t for t in threading.enumerate() if t not in threads and t.is_alive()]
    assert not alive, f"threads left running: {alive}"


@pytest.fixture
def estimates():
    """The stand-in for the estimator."""
    return DrawnEstimates()


@pytest.fixture
def window(qtbot, preferences, estimates):
    """The whole window on the drawn flight, settled."""
    made = MainWindow(preferences, Answers(save_changes="discard"), estimates)
    try:
        qtbot.addWidget(made)
        made.resize(1280, 800)
        made.show()
        made.build_plots()
        take_drawn(made.session, estimates)
        settle(qtbot, made.session)
        yield made
    finally:
        made.close()
