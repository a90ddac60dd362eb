"""Every question the window asks in a dialog, in one place, so that a test can answer instead of a person."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QFileDialog, QMessageBox, QWidget

from replay.review.launch_video import SUFFIXES

LOG_FILES = "Logs and reviews (*.csv *.txt *.tsv *.log *.dat *.parquet *.review.json);;All files (*)"
REVIEW_FILES = "Reviews (*.review.json)"
VIDEO_FILES = f"Videos ({' '.join(f'*{suffix}' for suffix in SUFFIXES)});;All files (*)"
TOML_FILES = "TOML (*.toml);;All files (*)"


class Asking:
    """The questions, asked of a person."""

    def __init__(self, parent: QWidget) -> None:
        self._parent = parent

    def open_paths(self, title: str, folder: str = "", kinds: str = LOG_FILES) -> list[str]:
        """Files to open; empty where the user thought better of it."""
        paths, _ = QFileDialog.getOpenFileNames(self._parent, title, folder, kinds)
        return paths

    def open_path(self, title: str, folder: str = "", kinds: str = TOML_FILES) -> str | None:
        """One file to open."""
        path, _ = QFileDialog.getOpenFileName(self._parent, title, folder, kinds)
        return path or None

    def save_path(self, title: str, proposed: str, kinds: str, suffix: str) -> str | None:
        """Where to save; the file dialog has asked already whether to write over."""
        path, _ = QFileDialog.getSaveFileName(self._parent, title, proposed, kinds)
        if path and not path.lower().endswith(suffix):
            path += suffix
            if Path(path).exists() and not self.may_write_over(path):
                return None
        return path or None

    def may_write_over(self, path: str) -> bool:
        """Whether an existing file may be replaced."""
        answer = QMessageBox.question(self._parent, "Write over", f"{path} exists. Write over it?")
        return answer == QMessageBox.StandardButton.Yes

    def may_write_over_in(self, folder: str, names: Sequence[str]) -> bool:
        """Whether files that a folder holds already may be replaced, all of them."""
        text = f"{folder} holds {names_of(names, 6)} already. Write over {'it' if len(names) == 1 else 'them'}?"
        return QMessageBox.question(self._parent, "Write over", text) == QMessageBox.StandardButton.Yes

    def may_stop_writing(self, what: str) -> bool:
        """Whether what is being written ("film", "report") may be given up."""
        text = f"A {what} is still being written. Stop it? Nothing of it is kept."
        return QMessageBox.question(self._parent, what.capitalize(), text) == QMessageBox.StandardButton.Yes

    def folder(self, title: str, proposed: str) -> str | None:
        """A folder to write in; one that is not there can be made in the dialog."""
        return QFileDialog.getExistingDirectory(self._parent, title, proposed) or None

    def show_page(self, path: str) -> bool:
        """Open a page in whatever the system reads pages with; False where there is nothing."""
        return QDesktopServices.openUrl(QUrl.fromLocalFile(path))

    def save_changes(self, name: str) -> str:
        """ "save", "discard" or "cancel" of unsaved changes."""
        buttons = QMessageBox.StandardButton
        answer = QMessageBox.question(
            self._parent,
            "Unsaved changes",
            f"The review of {name} has changes that are not saved.",
            buttons.Save | buttons.Discard | buttons.Cancel,
            buttons.Save,
        )
        return {buttons.Save: "save", buttons.Discard: "discard"}.get(answer, "cancel")


def names_of(paths: Sequence[str], limit: int = 3) -> str:
    """ "a.csv, b.csv and 2 more": files by their names alone."""
    names = [Path(path).name for path in paths]
    return ", ".join(names[:limit]) + (f" and {len(names) - limit} more" if len(names) > limit else "")
