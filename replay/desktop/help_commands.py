"""Commands of the Help menu that open a text to read beside the work."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

from replay.desktop import help_texts


class HelpCommands:
    """Its `on_...` methods are the table's commands; the texts lie over `window` and go with it."""

    def __init__(self, window: QWidget) -> None:
        self._window = window

    def on_keys(self) -> None:
        from replay.desktop import photograph_canvas, timeline, trace_tools, video_canvas

        self.read("Keys", help_texts.keys_html((*trace_tools.KEYS, *timeline.KEYS, *video_canvas.KEYS, *photograph_canvas.KEYS)))

    def on_cautions(self) -> None:
        self.read("Cautions", help_texts.cautions_html())

    def on_about(self) -> None:
        self.read("About Plumbline", help_texts.about_html())

    def read(self, title: str, content_html: str) -> None:
        """Any other text."""
        help_texts.TextWindow(title, content_html, self._window).show()
