"""Launch video: the film of the launch beside the replay. Lined up on liftoff, both move together, frame by frame."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

from PySide6.QtCore import Signal
from PySide6.QtGui import QDragEnterEvent, QDropEvent, QImage, QShowEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from replay.desktop.asking import VIDEO_FILES, Asking
from replay.desktop.background import Background
from replay.desktop.session import Session
from replay.desktop.video_canvas import Line, VideoCanvas
from replay.desktop.video_frames import FrameReader
from replay.desktop.video_rows import VideoRows
from replay.desktop.video_work import Listen, OpenedVideo, OpenVideo, work
from replay.errors import ReplayError
from replay.review import edits
from replay.review.launch_video import LIFTOFF_SEEN_SD_S, FrameTimes, is_video
from replay.review.review import LogReference, Review, ReviewVideo
from replay.review.snapshot import Snapshot
from replay.review.video_sighting import video_sighting
from replay.review.video_sound import HeardLiftoff
from replay.review.video_texts import frames_text, lean_text, lined_up_text, sighting_text, video_texts
from replay.review.whatif_work import with_sighting
from replay.units import DEG

_NONE_YET: Final = "No launch video yet.\nDrop one here, or open it with Open Video."


class LaunchVideoView(QWidget):
    """A view with `show_review`; its edits go to the session. Its `on_...` methods are commands of the action table.

    Signals
    -------
    cursor_requested(float)
        Log time the user goes to by way of the video.
    frames_changed(object)
        Log time of every frame, shape (n,), or None while there is no video lined up.
    state_changed()
        What can be done with the video has changed.
    """

    cursor_requested = Signal(float)
    frames_changed = Signal(object)
    state_changed = Signal()

    def __init__(self, session: Session, asking: Asking, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAcceptDrops(True)
        self._session, self._asking = session, asking
        self._video: ReviewVideo | None = None
        self._loaded: LogReference | None = None
        self._wanted: LogReference | None = None
        self._times: FrameTimes | None = None
        self._snapshot: Snapshot | None = None
        self._zero_log_s: float | None = None
        self._cursor_log_s = 0.0
        self._frame = 0
        self._shown_frame = -1
        self._trouble = self._opening = ""
        self._is_own_move = False
        self.canvas = VideoCanvas()
        self.rows = VideoRows()
        self.reader = FrameReader(session, self)
        self.background = Background(session, work, "video", self)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(3)
        column.addWidget(self.rows.tools)
        column.addWidget(self.rows.note)
        column.addWidget(self.rows.working)
        column.addWidget(self.canvas, 1)
        column.addWidget(self.rows.drawing)
        column.addWidget(self.rows.strip)
        column.addWidget(self.rows.camera)
        self._wire(session)
        self._show_state()

    def _wire(self, session: Session) -> None:
        rows = self.rows
        rows.open.clicked.connect(self.on_launch_video)
        rows.mark.clicked.connect(self.on_mark_liftoff)
        rows.listen.clicked.connect(self.on_liftoff_from_sound)
        rows.draw.toggled.connect(self._set_drawing)
        rows.take.clicked.connect(self._take_line)
        rows.cancel.clicked.connect(self.background.cancel)
        rows.slider.valueChanged.connect(self._on_slider)
        for name, field in rows.fields.items():
            field.edited.connect(lambda value, name=name: self._on_camera(name, value))
        self.canvas.resized.connect(lambda: self._request_frame(is_again=True))
        self.canvas.line_drawn.connect(self._on_line)
        self.canvas.line_taken.connect(self._take_line)
        self.canvas.line_given_up.connect(lambda: rows.draw.setChecked(False))
        self.reader.arrived.connect(self._on_arrived)
        self.reader.failed.connect(self._on_frame_failed)
        self.background.busy_changed.connect(self._on_busy)
        self.background.progressed.connect(rows.show_progress)
        self.background.finished.connect(self._on_finished)
        self.background.failed.connect(self._on_failed)
        session.opened.connect(self._on_opened)  # after the background's own, which stops what it was doing

    # --- what is drawn --------------------------------------------------------------------------------------------------------

    @property
    def has_video(self) -> bool:
        """A video is open."""
        return self._times is not None

    @property
    def frame(self) -> int:
        """The frame that belongs to the cursor; −1 before the video and its number of frames after it."""
        return self._frame

    @property
    def shown_frame(self) -> int:
        """The frame whose picture is drawn; −1 where none is."""
        return self._shown_frame

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Another liftoff moves the video with it; other numbers stand over the picture."""
        self._snapshot = snapshot
        self._line_up()

    def forget_flight(self) -> None:
        """Where the video stands against the log is not known yet."""
        self._snapshot = None
        self._line_up()

    def show_review(self, review: Review) -> None:
        """The document's video, its mark and its camera."""
        self._video = review.video
        self.rows.show_camera(None if review.video is None else review.video.camera)
        if review.video is None:
            self._wanted = None
            self._take(None)
        elif not _is_same(self._loaded, review.video.file) and not _is_same(self._wanted, review.video.file):
            self._take(None)
            self._wanted = review.video.file
            self._trouble = self._opening = f"Opening {Path(review.video.file.path).name} …"
            self.background.request(OpenVideo(known=review.video.file, review_path=self._session.review_path))
        self._line_up()

    def move_cursor(self, log_time_s: float) -> None:
        """The frame on screen at that time, decoded on its own thread."""
        self._cursor_log_s = log_time_s
        if self._is_own_move or not self.isVisible():
            return
        self._follow()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._follow()

    def _line_up(self) -> None:
        zero = None
        if self._times is not None and self._video is not None:
            zero = self._video.first_frame_log_s(self._liftoff_log_s)
        if zero != self._zero_log_s:
            self._zero_log_s = zero
            self.frames_changed.emit(None if zero is None or self._times is None else zero + self._times.time_s)
        self._show_state()
        self._follow()

    @property
    def _liftoff_log_s(self) -> float:
        return math.nan if self._snapshot is None else float(self._snapshot.as_flown.events.liftoff_log_s)

    def _follow(self) -> None:
        if self._times is not None and self._zero_log_s is not None:
            self._go_to(self._times.frame_at(self._cursor_log_s - self._zero_log_s))
        else:
            self._show_texts()

    def _go_to(self, frame: int) -> None:
        self._frame = frame
        assert self._times is not None
        self.rows.show_frame(min(max(frame, 0), self._times.n_frames - 1))
        self._show_texts()
        self._request_frame()

    def _request_frame(self, *, is_again: bool = False) -> None:
        if self._times is None or not self.isVisible() or not 0 <= self._frame < self._times.n_frames:
            return
        if is_again or self._frame != self._shown_frame or self.reader.is_busy:
            self.reader.request(self._frame, self.canvas.wanted_px)

    def _on_arrived(self, frame: int, picture: QImage) -> None:
        if self.reader.video is not None:
            self._trouble = ""
            self._shown_frame = frame
            self.canvas.show_picture(picture, self.reader.video.size_px)
            self._show_texts()

    def _on_frame_failed(self, frame: int, error: BaseException) -> None:
        if frame == self._frame:
            self._shown_frame = -1
            self._trouble = str(error)
            self._show_texts()

    def _show_texts(self) -> None:
        if self._times is None:
            self.canvas.show_texts((), "", self._trouble or _NONE_YET)
            return
        texts = video_texts(self._times, self._frame, self._cursor_log_s, self._zero_log_s, self._snapshot)
        self.canvas.show_texts(texts.numbers, texts.corner, self._trouble or texts.message)

    def _show_state(self) -> None:
        """Which buttons can be pressed, and how video and log stand to each other."""
        video, rows, has_log = self._video, self.rows, self._session.log is not None
        rows.enable(has_log=has_log, has_video=self.has_video, has_sound=self._has_sound, is_lined_up=self._is_lined_up)
        if self._times is not None and video is not None:
            rows.show_status(lined_up_text(video, self._liftoff_log_s), frames_text(self._times))
        else:
            rows.show_status("", "")
        self.state_changed.emit()

    @property
    def _has_sound(self) -> bool:
        return self.reader.video is not None and self.reader.video.has_sound

    @property
    def _is_lined_up(self) -> bool:
        return self._zero_log_s is not None

    # --- opening --------------------------------------------------------------------------------------------------------------

    def open_video(self, path: str) -> None:
        """Open a video as this flight's; the document takes it when it turns out to be one."""
        if self._session.log is None:
            self.rows.say("Open the flight's log first; the video goes with it.")
            return
        self.rows.say("")
        self.background.request(OpenVideo(path=str(path)))

    def _on_finished(self, request: OpenVideo | Listen, result: OpenedVideo | HeardLiftoff) -> None:
        if isinstance(result, HeardLiftoff):
            self._take_heard(result)
        elif result.video is None:
            name = Path(result.file.path).name
            self._trouble = f"{name} is neither where it was nor beside the review.\nOpen Video finds it again; its mark is kept."
            self._show_texts()
        else:
            self._take(result)
            if isinstance(request, OpenVideo) and request.known is None:
                self._session.apply(lambda review: edits.with_video(review, result.file), "Launch video")
            self._line_up()

    def _take(self, opened: OpenedVideo | None) -> None:
        """Hold an opened video, or none."""
        if opened is None and self._loaded is None:
            self._trouble = ""
            return
        video = None if opened is None else opened.video
        self._loaded = None if opened is None else opened.file
        self._wanted = self._loaded
        self._times = None if video is None else video.times
        self._frame, self._shown_frame, self._trouble = 0, -1, ""
        self.reader.take(video)
        self.rows.draw.setChecked(False)
        self.canvas.set_line(None)
        self.canvas.show_picture(None, (16, 9) if video is None else video.size_px)
        self.rows.show_frames(0 if self._times is None else self._times.n_frames)
        self._zero_log_s = None
        if self._times is None:
            self.frames_changed.emit(None)
        else:
            self._go_to(0)
        self._show_state()

    def _on_failed(self, request: OpenVideo | Listen, error: BaseException) -> None:
        if isinstance(request, OpenVideo) and request.known is not None:
            self._trouble = str(error)
            self._show_texts()
        else:
            self.rows.say(str(error) if isinstance(error, ReplayError) else f"Something failed that should not: {error!r}")

    def _on_busy(self, is_busy: bool) -> None:
        self.rows.show_busy(is_busy)
        if not is_busy and self._opening and self._trouble == self._opening:
            self._trouble = "The launch video was not opened. Open Video opens it."
            self._show_texts()

    def _on_opened(self, _: Any) -> None:
        """Another flight: whatever was being opened belonged to the one before."""
        self._wanted = None if self._loaded is None else self._loaded
        self.rows.say("")
        self.show_review(self._session.review)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() and is_video(url.toLocalFile()) for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile() and is_video(url.toLocalFile())]
        if paths:
            event.acceptProposedAction()
            self.open_video(paths[0])

    # --- moving ---------------------------------------------------------------------------------------------------------------

    def step(self, n: int) -> bool:
        """One frame on or back where the video stands by itself; False where the cursor moves it."""
        if self._times is None or self._is_lined_up or not self.isVisible():
            return False
        self._go_to(min(max(self._frame + n, 0), self._times.n_frames - 1))
        return True

    def _on_slider(self, frame: int) -> None:
        if self._times is None:
            return
        if self._zero_log_s is not None:
            self._is_own_move = True  # the cursor stays inside the log; the video may reach beyond it
            try:
                self.cursor_requested.emit(self._zero_log_s + float(self._times.time_s[frame]))
            finally:
                self._is_own_move = False
        self._go_to(frame)

    # --- lining up ------------------------------------------------------------------------------------------------------------

    def on_launch_video(self) -> None:
        log = self._session.log
        folder = str(Path(self._session.review_path or (log.paths[0] if log else "")).parent)
        path = self._asking.open_path("Open the launch video", folder, VIDEO_FILES)
        if path is not None:
            self.open_video(path)

    def on_close_video(self) -> None:
        self._session.apply(lambda review: edits.with_video(review, None), "Take launch video away")

    def on_mark_liftoff(self) -> None:
        if self._times is None or not 0 <= self._frame < self._times.n_frames:
            return
        at_s = float(self._times.time_s[self._frame])
        sd_s = math.hypot(self._times.frame_sd_s(self._frame), LIFTOFF_SEEN_SD_S)
        self.rows.say("")
        self._session.apply(lambda review: edits.with_video_liftoff(review, at_s, sd_s, "frame"), "Liftoff on the video")
        self._to_liftoff()

    def on_liftoff_from_sound(self) -> None:
        if self._loaded is not None and self._video is not None and self._has_sound:
            self.rows.say("")
            self.background.request(Listen(self._loaded.path, self._video.camera.distance_m))

    def _take_heard(self, heard: HeardLiftoff) -> None:
        self._session.apply(lambda review: edits.with_video_liftoff(review, heard.video_s, heard.sd_s, "sound"), "Liftoff from the sound")
        self.rows.say(f"Liftoff at {heard.video_s:.3f} ±{heard.sd_s:.3f} s of the video. Assumed: {'; '.join(heard.assumptions)}.")
        self._to_liftoff()

    def _to_liftoff(self) -> None:
        if math.isfinite(self._liftoff_log_s):
            self.cursor_requested.emit(self._liftoff_log_s)

    def _on_camera(self, name: str, value: float | None) -> None:
        if name != "distance_m":
            value = None if value is None and name == "azimuth_rad" else (value or 0.0) * DEG
        self._session.apply(lambda review: edits.with_video_camera(review, **{name: value}), "Camera of the video")

    # --- a line along the vehicle ---------------------------------------------------------------------------------------------

    def on_draw_sighting(self) -> None:
        if self.rows.draw.isEnabled():
            self.rows.draw.toggle()

    def _set_drawing(self, is_on: bool) -> None:
        self.rows.drawing.setVisible(is_on)
        if is_on:
            self.rows.say("")
        else:
            self.canvas.set_line(None)
        self.canvas.set_drawing(is_on)

    def _on_line(self, line: Line) -> None:
        self.rows.show_lean(lean_text(line))

    def _take_line(self) -> None:
        """The line as evidence for reconcile: one undoable edit."""
        if self._times is None or self._video is None or self.canvas.line is None or self.reader.video is None:
            return
        flown = None if self._snapshot is None else self._snapshot.as_flown
        frame_s = float(self._times.time_s[min(max(self._frame, 0), self._times.n_frames - 1)])
        try:
            sighting = video_sighting(self._video, self.canvas.line, self.reader.video.size_px, frame_s, self.rows.line_sd_rad, flown)
        except ReplayError as error:
            self.rows.say(str(error))
            return
        self._session.apply(lambda review: with_sighting(review, sighting), "Sighting from the video")
        self.rows.draw.setChecked(False)
        self.rows.say(sighting_text(sighting))


def _is_same(one: LogReference | None, other: LogReference | None) -> bool:
    """The same content, wherever it lies."""
    return one is not None and other is not None and (one.size_bytes, one.sha256) == (other.size_bytes, other.sha256)
