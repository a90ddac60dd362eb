"""A film as a worker makes it: one frame to look at, or the whole of it to a file. Pure calls on what is handed in."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from PySide6.QtGui import QImage

from replay.errors import Cancelled
from replay.figures.film import FilmPainter, FilmReport, render_film
from replay.figures.film_request import FilmRequest, request_of
from replay.figures.material import with_reflown_drawn
from replay.review.review import Review
from replay.review.snapshot import Snapshot

Progress = Callable[[float, str], None]


@dataclass(frozen=True, eq=False)
class FilmJob:
    """What is asked for.

    Parameters
    ----------
    snapshot : Snapshot
    review : Review
        That the snapshot was estimated from; the re-flown flight is flown from it where it is asked for and not there.
    settings : mapping
        As `FilmRequest.as_settings`.
    frame : int
        To look at.
    path : str
        Where to write the whole film; "" only draws the frame.
    """

    snapshot: Snapshot
    review: Review
    settings: Mapping[str, Any]
    frame: int = 0
    path: str = ""


@dataclass(frozen=True, eq=False)
class MadeFilm:
    """A frame, or what was written; and the snapshot with the re-flown flight where it had to be flown."""

    snapshot: Snapshot
    image: QImage | None = None
    report: FilmReport | None = None


class FilmWork:
    """One thread's worth: what is the same from frame to frame of a film is kept between two frames looked at."""

    def __init__(self) -> None:
        self._kept: tuple[Snapshot, Mapping[str, Any], FilmPainter] | None = None

    def __call__(self, job: FilmJob, progress: Progress, cancel: threading.Event) -> MadeFilm:
        """Fly again where that is asked for; then the frame, or the film.

        Raises
        ------
        ReplayError
            As `request_of`, `with_reflown_drawn` and `render_film`.
        Cancelled
        """
        request = request_of(job.snapshot, job.settings)
        if request.has_reflown:
            request = dataclasses.replace(request, snapshot=with_reflown_drawn(job.snapshot, job.review, progress, cancel))
        if cancel.is_set():
            raise Cancelled("stopped")
        if job.path:  # the file dialog has asked whether to write over
            return MadeFilm(request.snapshot, report=render_film(request, job.path, progress, cancel, force=True))
        painter = self._painter(request, job.settings)
        return MadeFilm(request.snapshot, image=painter.image(min(job.frame, painter.clock.n_frames - 1)))

    def _painter(self, request: FilmRequest, settings: Mapping[str, Any]) -> FilmPainter:
        if self._kept is None or self._kept[0] is not request.snapshot or self._kept[1] != settings:
            self._kept = (request.snapshot, settings, FilmPainter(request))
        return self._kept[2]
