"""Status line: what is drawn and how it came about, how far a read has got, the last error, and the cautions."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QLabel, QProgressBar, QPushButton, QStatusBar

from replay.cautions import CAUTION_LINE
from replay.desktop import style
from replay.desktop.form import muted
from replay.desktop.preparing import preparing_line
from replay.desktop.session import Session

_READING_PX, _PREPARING_PX = 260, 440
_STOP_AFTER_MS = 1000
"""An estimate that takes no longer needs no button."""


class StatusLine:
    """Fills the window's status bar; `show_state` draws it anew."""

    def __init__(self, bar: QStatusBar, session: Session, on_cautions: Callable[[], None]) -> None:
        self._session = session
        self._is_busy = self._is_reading = False
        self._file_error: BaseException | None = None
        bar.setSizeGripEnabled(False)
        self.error = QLabel()
        self.error.setStyleSheet(f"color: {style.ERROR_INK};")
        self.state = muted()
        self.state.setAccessibleName("State of the estimate")
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setTextVisible(True)
        self.stop = QPushButton("Stop reading")
        self.stop.clicked.connect(session.cancel_reading)
        self.estimate = QPushButton()
        self.estimate.clicked.connect(lambda: session.estimate_again() if session.is_stopped else session.stop_estimating())
        self._patience = QTimer(bar)
        self._patience.setSingleShot(True)
        self._patience.setInterval(_STOP_AFTER_MS)
        self._patience.timeout.connect(self._show_button)
        self._share = 0.0
        self.cautions = QPushButton("Cautions")
        self.cautions.setObjectName("cautions")
        self.cautions.setToolTip(CAUTION_LINE)
        self.cautions.clicked.connect(on_cautions)
        for widget in (self.progress, self.stop, self.error, self.state, self.estimate, self.cautions):
            bar.addPermanentWidget(widget)
        self.progress.hide()
        self.stop.hide()
        self.estimate.hide()
        session.closing.connect(self._patience.stop)
        session.progressed.connect(self._on_progressed)
        session.busy_changed.connect(self._on_busy)
        session.reading.connect(self._on_reading)
        session.preparing.progressed.connect(self._on_preparing)
        session.preparing.finished.connect(lambda: self._on_preparing(-1, 0))
        session.failed.connect(self._on_failed)
        session.opened.connect(lambda _: self._on_failed(None))
        session.saved.connect(lambda _: self._on_failed(None))

    def show_state(self) -> None:
        """Method, run time, and whether the picture is of the document as it stands."""
        snapshot = self._session.snapshot
        if snapshot is None:
            idle = "stopped" if self._session.is_stopped else ""
            self.state.setText(idle if not self._is_busy else "the fast method comes first" if self._is_preparing else self._estimating())
            return
        self._say(snapshot.error or self._file_error)
        solution = snapshot.what_if or snapshot.as_flown
        parts = [f"preview by {solution.method}" if snapshot.is_preview else solution.method, f"{solution.run_time_s:.2f} s"]
        if snapshot.error is not None:
            parts.append("last good result")
        elif self._session.is_stopped:
            parts.append("stopped, out of date")
        elif self._session.is_stale:
            parts.append(self._estimating() if self._is_busy else "out of date")
        elif snapshot.is_preview:
            waits_for = "the chosen method follows" if self._is_preparing else "settles when you let go"
            parts.append(self._estimating() if self._is_busy else waits_for)
        else:
            parts.append("up to date")
        self.state.setText(" · ".join(parts))

    def _on_busy(self, is_busy: bool) -> None:
        if is_busy and not self._is_busy:
            self._share = 0.0
            self._patience.start()
        elif not is_busy:
            self._patience.stop()
        self._is_busy = is_busy
        self._show_button()
        self.show_state()

    def _on_progressed(self, share: float) -> None:
        self._share = share
        if self._is_busy and not self._patience.isActive():
            self.show_state()

    def _estimating(self) -> str:
        """With how far it is, once it takes so long that one asks."""
        return "estimating…" if self._patience.isActive() or not self._share else f"estimating… {self._share:.0%}"

    def _show_button(self) -> None:
        is_stopped = self._session.is_stopped
        self.estimate.setText("Estimate again" if is_stopped else "Stop estimating")
        self.estimate.setToolTip("What is drawn stays until then" + " (Ctrl+E)")
        self.estimate.setVisible(is_stopped or (self._is_busy and not self._patience.isActive()))

    @property
    def _is_preparing(self) -> bool:
        return self._session.preparing.is_running

    def _on_reading(self, fraction: float, text: str) -> None:
        self._is_reading = fraction >= 0.0
        self.stop.setVisible(self._is_reading)
        self._show_progress(fraction, f"{text or 'reading'} %p%", _READING_PX)

    def _on_preparing(self, begun: int, total: int) -> None:
        """Reading a log says more, and is soon over."""
        if not self._is_reading:
            self._show_progress(begun / max(total, 1), preparing_line(begun, total), _PREPARING_PX)
            self.show_state()

    def _show_progress(self, fraction: float, text: str, width_px: int) -> None:
        """Away where the fraction is below zero."""
        self.progress.setVisible(fraction >= 0.0)
        self.progress.setFixedWidth(width_px)
        self.progress.setValue(round(max(fraction, 0.0) * 1000))
        self.progress.setFormat(text)

    def _on_failed(self, error: BaseException | None) -> None:
        """Of a file; it stands until another flight is opened or a review is saved. An estimate's own goes with the next good one."""
        self._file_error = error
        self._say(error)

    def _say(self, error: BaseException | None) -> None:
        """The last error, short; whole in the tip and in the message bar or the panel."""
        text = "" if error is None else f"Last error: {error}"
        self.error.setText(text if len(text) <= 70 else text[:69] + "…")
        self.error.setToolTip(text)
