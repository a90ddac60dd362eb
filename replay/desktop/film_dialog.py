"""Film: choose how the replay is filmed, look at any frame of it, write it. Frames are drawn on threads of their own."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Final

from PySide6.QtCore import QSignalBlocker, Qt, QTimer
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QDialogButtonBox, QHBoxLayout, QLabel, QPushButton, QSlider, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.asking import Asking
from replay.desktop.background import Background
from replay.desktop.film_form import OUTPUTS, FilmForm, shown_codec
from replay.desktop.form import OptionalNumber, muted, scrolled
from replay.desktop.making import PictureCard, Working, WriteButton, WritingDialog, cannot_refly
from replay.desktop.player import Player
from replay.desktop.session import Session
from replay.errors import ReplayError
from replay.figures.film_page import moment_text
from replay.figures.film_request import FilmRequest, request_of
from replay.figures.film_work import FilmJob, FilmWork, MadeFilm
from replay.figures.lines import zero_log_s
from replay.review.review import Review, thaw
from replay.review.series import of_snapshot, reflown_of
from replay.review.snapshot import Snapshot
from replay.scene.camera import Viewpoint

_WAIT_MS: Final = 120
"""Edits within this time are drawn once."""
_SIDE_PX: Final = 390


class FilmDialog(WritingDialog):
    """A window beside the main one. What is chosen is kept in the review (`film_settings`), so undo takes it back and save keeps it.

    Parameters
    ----------
    session : Session
    asking : Asking
    player : Player
        Whose cursor and span the film may take.
    viewpoint_of : callable
        () -> the Attitude view's camera.
    say : callable (text)
        Where it says that a film is written, or why not, while this window is put away.
    parent : QWidget, optional
    """

    def __init__(
        self,
        session: Session,
        asking: Asking,
        player: Player,
        viewpoint_of: Callable[[], Viewpoint],
        say: Callable[[str], None],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("Film")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.resize(1180, 720)
        self._session, self._asking, self._player, self._say = session, asking, player, say
        self._request: FilmRequest | None = None
        self._drawn_from: tuple[Snapshot, Snapshot] | None = None
        self._preview = Background(session, FilmWork(), "film-frame", self)
        self._writing = Background(session, FilmWork(), "film", self)
        self._at_log_s: float | None = player.playback.log_time_s
        """Of the frame looked at; None: of the slate."""
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(_WAIT_MS)
        self._timer.timeout.connect(self.draw_now)
        self.form = FilmForm(self._catalogue, self._span, viewpoint_of)
        self._build()
        self._wire()
        self.show_review(session.review)

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        side = QWidget()
        side.setFixedWidth(_SIDE_PX)
        left = QVBoxLayout(side)
        left.setContentsMargins(0, 0, 0, 0)
        left.addWidget(scrolled(self.form), 1)
        left.addLayout(self._bottom())
        row = QHBoxLayout(self)
        row.setSpacing(2 * style.GAP)
        row.addWidget(side)
        row.addLayout(self._right(), 1)

    def _bottom(self) -> QVBoxLayout:
        self.said = muted(wrap=True)
        self.said.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.working = Working(self._preview, self._writing)
        self.write = WriteButton("&Write Film…")
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        buttons.button(QDialogButtonBox.StandardButton.Close).setAutoDefault(False)
        doing = QHBoxLayout()
        doing.addWidget(self.write)
        doing.addWidget(buttons)
        column = QVBoxLayout()
        column.addWidget(self.said)
        column.addWidget(self.working)
        column.addLayout(doing)
        return column

    def _right(self) -> QVBoxLayout:
        self.card = PictureCard("Drawing…")
        self.frame = QSlider(Qt.Orientation.Horizontal)
        self.frame.setAccessibleName("Frame looked at")
        self.at_s = OptionalNumber("Time of the frame looked at, seconds after liftoff", -1e5, 1e5)
        self.at_s.setMaximumWidth(90)
        self.to_cursor = QPushButton("At the &Cursor")
        self.to_cursor.setAutoDefault(False)
        self.to_cursor.setToolTip("The frame that shows the moment of the window's cursor")
        self.which = muted()
        label = QLabel("Frame &at, s")
        label.setBuddy(self.at_s)
        row = QHBoxLayout()
        for widget in (label, self.at_s, self.to_cursor):
            row.addWidget(widget)
        row.addWidget(self.frame, 1)
        column = QVBoxLayout()
        column.addWidget(self.card, 1)
        column.addLayout(row)
        column.addWidget(self.which)
        return column

    def _wire(self) -> None:
        self.form.edited.connect(self._on_edited)
        self.form.refused.connect(self.said.setText)
        self.frame.valueChanged.connect(self._on_frame)
        self.at_s.edited.connect(self._on_time)
        self.to_cursor.clicked.connect(lambda: self._look_at(self._player.playback.log_time_s))
        self.write.clicked.connect(self._write)
        self.working.stopped.connect(lambda: self.said.setText("Stopped. Nothing was written."))
        self.card.resized.connect(self._timer.start)
        self._preview.finished.connect(self._on_drawn)
        self._preview.failed.connect(lambda _, error: self.card.say(str(error)))
        self._writing.finished.connect(self._on_written)
        self._writing.failed.connect(self._on_not_written)
        self._writing.busy_changed.connect(lambda is_busy: self.write.setEnabled(not is_busy and self._request is not None))
        self._session.review_changed.connect(self.show_review)
        self._session.snapshot_ready.connect(self._on_snapshot)
        self._session.opened.connect(self._leave)
        self._session.closing.connect(self._leave)
        for keys, do in (("Ctrl+Z", self._session.undo), ("Ctrl+Shift+Z", self._session.redo), ("Ctrl+S", self._write)):
            QShortcut(QKeySequence(keys), self).activated.connect(do)

    # --- document and form ----------------------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """The form as the document has it; draws where that changed anything."""
        snapshot = self._snapshot()
        self.form.setEnabled(snapshot is not None)
        self.write.setEnabled(snapshot is not None and not self._writing.is_busy)
        if snapshot is None:
            self.card.say("Nothing is estimated yet.")
            return
        saved = thaw(review.film_settings)
        saved.setdefault("has_reflown", reflown_of(snapshot) is not None)  # as on screen, until the user says otherwise
        try:
            self._request = request_of(snapshot, saved)
            self._request.clock()
        except ReplayError as error:
            self.said.setText(f"What the review says of films can't be used: {error}")
            self._request = FilmRequest(snapshot)
        self.form.display(self._request, cannot_refly(snapshot, review))
        self._show_frame()
        self._timer.start()

    def _on_snapshot(self, _: object) -> None:
        self.show_review(self._session.review)

    def _on_edited(self, request: FilmRequest) -> None:
        """What the form says goes into the document, as one step of undo."""
        self.said.setText("")
        self._keep(request)

    def _keep(self, request: FilmRequest) -> None:
        settings = request.as_settings()
        if settings != thaw(self._session.review.film_settings):
            self._session.apply(lambda review: dataclasses.replace(review, film_settings=settings), "Film")

    def _snapshot(self) -> Snapshot | None:
        """What is drawn in the window; with the re-flown flight that was flown for a frame of it."""
        shown = self._session.snapshot
        return self._drawn_from[1] if self._drawn_from is not None and self._drawn_from[0] is shown else shown

    def _catalogue(self) -> dict:
        snapshot = self._snapshot()
        return {} if snapshot is None else dict(of_snapshot(snapshot).catalogue)

    def _span(self) -> tuple[float, float] | None:
        span, snapshot = self._player.playback.span_log_s, self._snapshot()
        if span is None or snapshot is None:
            return None
        zero = zero_log_s(snapshot)
        return span[0] - zero, span[1] - zero

    def _leave(self, *_: object) -> None:
        """Another flight, or the end: what is shown here is no longer what is open."""
        self.done(0)

    # --- the frame looked at --------------------------------------------------------------------------------------------------

    def _look_at(self, log_time_s: float | None) -> None:
        self._at_log_s = log_time_s
        self._show_frame()
        self.draw_now()

    def _on_frame(self, frame: int) -> None:
        if self._request is not None:
            clock = self._request.clock()
            self._look_at(clock.time_of(frame) if frame >= clock.n_slate else None)

    def _on_time(self, time_s: float | None) -> None:
        if self._request is not None and time_s is not None:
            self._look_at(zero_log_s(self._request.snapshot) + time_s)

    def _show_frame(self) -> None:
        """Slider, number and words of the frame that shows the moment looked at."""
        if self._request is None:
            return
        clock = self._request.clock()
        at = None if self._at_log_s is None else min(max(self._at_log_s, clock.start_s), clock.stop_s)
        frame = 0 if at is None and clock.n_slate else clock.frame_of(clock.start_s if at is None else at)
        with QSignalBlocker(self.frame):
            self.frame.setRange(0, clock.n_frames - 1)
            self.frame.setPageStep(max(round(float(clock.rate)), 1))
            self.frame.setValue(frame)
        is_slate = frame < clock.n_slate
        shown_log_s = clock.time_of(frame)
        self.at_s.display(None if is_slate else round(shown_log_s - zero_log_s(self._request.snapshot), 4), "slate")
        what = "slate" if is_slate else moment_text(self._request.snapshot, shown_log_s)
        self.which.setText(f"frame {frame + 1} of {clock.n_frames}: {what}. Arrow keys step by a frame, Page Up and Page Down by a second.")

    def draw_now(self) -> None:
        """Ask the worker for the frame looked at."""
        self._timer.stop()
        if self._request is not None and self.isVisible():
            self._preview.request(self._job(self._request, self.frame.value()))

    def _job(self, request: FilmRequest, frame: int = 0, path: str = "") -> FilmJob:
        return FilmJob(request.snapshot, self._session.review, request.as_settings(), frame, path)

    def _on_drawn(self, job: FilmJob, made: MadeFilm) -> None:
        if made.snapshot is not job.snapshot and job.snapshot is self._session.snapshot:
            self._drawn_from = (job.snapshot, made.snapshot)
            if self._request is not None:
                self._request = dataclasses.replace(self._request, snapshot=made.snapshot)
        self.card.show_image(made.image)

    # --- writing --------------------------------------------------------------------------------------------------------------

    def _write(self) -> None:
        if self._request is None or self._writing.is_busy:
            return
        codec = shown_codec(self._request)
        text, suffix = OUTPUTS[codec]
        kinds = f"{text} (*{suffix})" if suffix else "Folder of pictures (*)"
        path = self._asking.save_path("Write the film", f"film{suffix}", kinds, suffix)
        if path is None:
            return
        request = dataclasses.replace(self._request, codec=codec)
        self._keep(request)
        self.said.setText("Writing. The window can be used, and this one put away, meanwhile.")
        self._writing.request(self._job(request, path=path))

    def _on_written(self, job: FilmJob, made: MadeFilm) -> None:
        report = made.report
        assert report is not None
        self._tell(f"Written: {job.path}: {report.n_frames} frames, {report.duration_s:.1f} s.")

    def _on_not_written(self, job: FilmJob, error: BaseException) -> None:
        self._tell(f"The film was not written: {error}")

    def _tell(self, text: str) -> None:
        self.said.setText(text)
        if not self.isVisible():
            self._say(text)

    # --- the end --------------------------------------------------------------------------------------------------------------

    def reject(self) -> None:
        """Closed by the user: while a film is being written it is only put away."""
        if self._writing.is_busy:
            self._preview.cancel()
            self.hide()
            self._say("The film goes on being written. Flight, Film… shows how far it is and stops it.")
        else:
            super().reject()

    def showEvent(self, event) -> None:
        super().showEvent(event)
        self._timer.start()

    def done(self, result: int) -> None:
        """The threads end with it."""
        self._timer.stop()
        for work in (self._preview, self._writing):
            work.close()
        super().done(result)
