"""Starting and ending the desktop: the shell is painted first, then the plotting library is loaded, then the log is read on a worker.

Nothing heavy is imported here: `plumbline open --help` must not load Qt, and the window must be on screen before numba is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from replay.errors import SettingsError

if TYPE_CHECKING:
    from replay.desktop.window import MainWindow
    from replay.flightlog.columnmap import ColumnMap
    from replay.review.review import Review


def refuse_bad_qt(qt_version: str, python: tuple[int, int]) -> None:
    """PySide6 6.12 on Python 3.11 ends the process after a second of drawing: several QPainter calls drop a reference to None.

    Raises
    ------
    SettingsError
        One line that says which to install.
    """
    major, minor = (int(part) for part in qt_version.split(".")[:2])
    if (major, minor) >= (6, 12) and python < (3, 12):
        raise SettingsError(
            "PySide6",
            "version",
            "PySide6 below 6.12 with Python 3.11 (or Python 3.12 and newer)",
            f"PySide6 {qt_version}, which ends itself there",
        )


def run(
    paths: Sequence[str],
    *,
    column_map: ColumnMap | None = None,
    state: Callable[[Review], Review] | None = None,
    is_layout_reset: bool = False,
) -> int:
    """Show the window and stay until it is closed.

    Parameters
    ----------
    paths : sequence of str
        Log files of one flight, or one review; empty for the sample flight.
    column_map : ColumnMap, optional
    state : callable (Review) -> Review, optional
        As in `ReadRequest`.
    is_layout_reset : bool
        Every panel back to its place.

    Returns
    -------
    int
        Exit code.
    """
    import PySide6

    refuse_bad_qt(PySide6.__version__, sys.version_info[:2])
    from PySide6.QtCore import QCoreApplication, QEvent, QTimer
    from PySide6.QtWidgets import QApplication

    application = QApplication.instance() or QApplication(sys.argv[:1])
    application.setApplicationName("plumbline")
    application.setApplicationDisplayName("Plumbline")
    window = open_window(is_layout_reset=is_layout_reset)
    # twice round the event loop: the shell is painted before anything heavy is loaded
    QTimer.singleShot(0, window, lambda: QTimer.singleShot(0, window, lambda: window.go_on(paths, column_map=column_map, state=state)))
    code = application.exec()
    # a widget still referenced when the interpreter ends takes the process down with it
    window.close()
    window.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    return int(code)


def open_window(*, is_layout_reset: bool = False) -> MainWindow:
    """The shell, shown; `go_on` fills it."""
    from PySide6.QtWidgets import QApplication

    from replay.desktop import style
    from replay.desktop.icon import application_icon
    from replay.desktop.preferences import Preferences
    from replay.desktop.window import MainWindow

    QApplication.setWindowIcon(application_icon())
    preferences = Preferences()
    if is_layout_reset:
        preferences.forget_layout()
    window = MainWindow(preferences)
    style.apply(QApplication.instance())  # once for the whole tree: before it was built, every widget paid on its own
    window.show()
    return window
