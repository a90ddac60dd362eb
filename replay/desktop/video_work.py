"""What the launch video's worker does beside the window: find and open a video, and listen for liftoff."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from replay.errors import Cancelled, LogReadError
from replay.review.launch_video import LaunchVideo
from replay.review.log_reference import find_log, reference_to
from replay.review.review import LogReference
from replay.review.video_sound import HeardLiftoff, find_onset, liftoff_from_onset

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class OpenVideo:
    """Open a file the user chose (`path`), or the one a review names (`known`), wherever it is found."""

    path: str | None = None
    known: LogReference | None = None
    review_path: str | None = None


@dataclass(frozen=True, eq=False)
class OpenedVideo:
    """`video` is None where the one a review names is not at hand."""

    file: LogReference
    video: LaunchVideo | None


@dataclass(frozen=True)
class Listen:
    """Find liftoff by ear; `distance_m` as in `VideoCamera`."""

    path: str
    distance_m: float | None


def work(request: OpenVideo | Listen, progress: Progress, cancel: threading.Event) -> OpenedVideo | HeardLiftoff:
    """Do either; errors as `LaunchVideo` and `find_onset`."""
    if isinstance(request, Listen):
        return liftoff_from_onset(find_onset(request.path, progress, cancel.is_set), request.distance_m)
    total = max(request.known.size_bytes if request.known else _size(str(request.path)), 1)

    def on_bytes(n: int) -> None:
        if cancel.is_set():
            raise Cancelled("opening the video stopped")
        progress(0.5 * min(n / total, 1.0), "reading the video")

    if request.known is not None:
        found = find_log(request.known, request.review_path, on_bytes)
        if found is None:
            return OpenedVideo(request.known, None)
        file = LogReference(str(found), request.known.size_bytes, request.known.sha256)
    else:
        file = reference_to(str(request.path), on_bytes)
    return OpenedVideo(file, LaunchVideo(file.path, lambda share, text: progress(0.5 + 0.5 * share, text), cancel.is_set))


def _size(path: str) -> int:
    try:
        return Path(path).stat().st_size
    except OSError as error:
        raise LogReadError(path, None, None, "a video file", error.strerror or str(error)) from None
