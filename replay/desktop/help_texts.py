"""Cautions, keys, what was read, about: windows that are read beside the work and never stop it."""

from __future__ import annotations

import html

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QTextBrowser, QVBoxLayout, QWidget

from replay import __version__
from replay.cautions import CAUTION_LINE, CAUTIONS
from replay.desktop import actions, style

_BUILT_WITH = (
    ("PySide6-Essentials", "Qt for Python, LGPL-3.0"),
    ("pyqtgraph", "MIT"),
    ("superqt", "BSD-3-Clause"),
    ("numpy", "BSD-3-Clause"),
    ("scipy", "BSD-3-Clause"),
    ("pandas", "BSD-3-Clause"),
    ("numba", "BSD-2-Clause"),
    ("matplotlib", "matplotlib licence, BSD-like"),
    ("msgspec", "BSD-3-Clause"),
    ("platformdirs", "MIT"),
)


class TextWindow(QDialog):
    """A text to read; closed with Escape, gone when closed."""

    def __init__(self, title: str, content_html: str, parent: QWidget | None = None, size: tuple[int, int] = (940, 600)) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(*size)
        self.text = QTextBrowser()
        self.text.setOpenExternalLinks(False)
        self.text.setOpenLinks(False)
        self.text.setHtml(content_html)
        self.text.setAccessibleName(title)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.close)
        column = QVBoxLayout(self)
        column.setSpacing(style.GAP)
        column.addWidget(self.text)
        column.addWidget(buttons)


def cautions_html() -> str:
    """The cautions as a list."""
    items = "".join(f"<li style='margin-bottom:8px'>{html.escape(text)}</li>" for text in CAUTIONS)
    return f"<h3>Cautions</h3><ul>{items}</ul><p><b>{html.escape(CAUTION_LINE)}</b></p>"


def keys_html(more: tuple[tuple[str, str], ...] = ()) -> str:
    """The key sheet."""
    return f"<h3>Keys</h3>{actions.sheet_html(more)}"


def about_html() -> str:
    """Version, licences, what it is built with."""
    rows = "".join(f"<tr><td>{name}</td><td>{_version(name)}</td><td>{licence}</td></tr>" for name, licence in _BUILT_WITH)
    return (
        f"<h3>Plumbline {__version__}</h3>"
        "<p>Replays a guided model rocket's flight log, corrects its calibration while you watch, and shows what another calibration "
        "would have meant.</p><p>MIT licence. Built with:</p>"
        f"<table cellspacing='0' cellpadding='3'>{rows}</table>"
        "<p>Qt is used under the LGPL as it was installed: it can be replaced by another build of the same library. "
        "Series colours: M. Okabe and K. Ito, Color Universal Design (2002, revised 2008).</p>"
    )


def preformatted_html(text: str) -> str:
    """A text of fixed width, as a terminal shows it."""
    return f"<pre style='white-space: pre-wrap'>{html.escape(text)}</pre>"


def _version(name: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        return ""
