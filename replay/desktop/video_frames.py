"""Frames of the launch video, decoded on a thread of their own: the newest wanted one wins, and the cursor never waits for a picture."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QImage

from replay.desktop.session import Session
from replay.review.launch_video import LaunchVideo
from replay.review.recompute import Outcome, Recomputer


@dataclass(frozen=True, eq=False)
class FrameRequest:
    """One frame, made no larger than it is shown."""

    video: LaunchVideo
    frame: int
    fit_px: tuple[int, int]


class FrameReader(QObject):
    """Holds the open video and is the only one to decode from it. All signals come on the GUI thread."""

    arrived = Signal(int, object)
    """A frame's number and its picture (QImage)."""
    failed = Signal(int, object)
    """A frame's number and why it can't be shown."""

    _came = Signal(object)

    def __init__(self, session: Session, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.video: LaunchVideo | None = None
        self._is_closed = False
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="frames")
        self._recomputer: Recomputer[FrameRequest, QImage] = Recomputer(self._executor, _decode, self._came.emit)
        self._came.connect(self._on_came)
        session.closing.connect(self.close)

    def take(self, video: LaunchVideo | None) -> None:
        """Another video, or none; the one before is let go of when its thread is through with it."""
        old, self.video = self.video, video
        self._recomputer.cancel()
        if old is not None and old is not video:
            self._executor.submit(old.close)

    def request(self, frame: int, fit_px: tuple[int, int]) -> None:
        """Ask for a frame; one that waited is dropped, one being decoded is let finish, or nothing would be seen during a drag."""
        if self.video is not None and not self._is_closed:
            self._recomputer.request(FrameRequest(self.video, frame, fit_px))

    @property
    def is_busy(self) -> bool:
        return self._recomputer.is_busy

    def close(self) -> None:
        """Stop and wait until the thread is gone."""
        if self._is_closed:
            return
        self._recomputer.close()
        self.take(None)
        self._is_closed = True
        self._executor.shutdown(wait=True)

    def _on_came(self, outcome: Outcome[FrameRequest, QImage]) -> None:
        if outcome.request.video is not self.video:
            return
        if outcome.error is not None:
            self.failed.emit(outcome.request.frame, outcome.error)
        else:
            self.arrived.emit(outcome.request.frame, outcome.result)


def _decode(request: FrameRequest, _: threading.Event) -> QImage:
    picture = request.video.picture(request.frame, request.fit_px)
    high, wide, _ = picture.shape
    return QImage(picture.data, wide, high, 3 * wide, QImage.Format.Format_RGB888).copy()
