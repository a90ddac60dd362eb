"""One figure as a worker makes it, to look at or to save: a pure call on what is handed in."""

from __future__ import annotations

import dataclasses
import shlex
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from replay.errors import Cancelled, CannotEstimate, SettingsError
from replay.figures.arranged import arranged
from replay.figures.beside import with_flights_beside
from replay.figures.export import FORMATS, Drawn, Origin, figure_bytes
from replay.figures.material import CAMPAIGN, gathered, material_of
from replay.figures.registry import figure_kind
from replay.figures.style import FigureSettings
from replay.review.request import site_of
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.settings_file import write_whole

Progress = Callable[[float, str], None]


@dataclass(frozen=True, eq=False)
class FigureRequest:
    """What is asked for.

    Parameters
    ----------
    snapshot : Snapshot
        May carry material already (`figures.material`).
    review : Review
    name : str
    settings : FigureSettings
    path : str
        Where to save; "" only draws a PNG to look at.
    command : str
        That makes it again.
    beside : tuple of str
        Other flights of a campaign: logs or reviews.
    """

    snapshot: Snapshot
    review: Review
    name: str
    settings: FigureSettings
    path: str = ""
    command: str = ""
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MadeFigure:
    """What came of it: words, the file's bytes, and the snapshot with the material that had to be worked out."""

    drawn: Drawn
    content: bytes
    snapshot: Snapshot


def make_figure(request: FigureRequest, progress: Progress, cancel: threading.Event) -> MadeFigure:
    """Work out what the figure needs, draw it, and save it where that is asked for.

    Raises
    ------
    ReplayError
        What is missing, and what gives it.
    Cancelled
    """
    kind = figure_kind(request.name)
    snapshot = request.snapshot
    if CAMPAIGN in kind.needs and material_of(snapshot, CAMPAIGN) is None:
        site = site_of(request.review, snapshot.vehicle)
        snapshot = with_flights_beside(snapshot, request.beside, site, progress, cancel)
    snapshot = gathered(snapshot, kind.needs, request.review, progress=progress, cancel=cancel)
    if (why := kind.missing(snapshot)) is not None:
        raise CannotEstimate(kind.title, why)
    progress(0.5, f"drawing {kind.title}")
    settings = request.settings
    if request.name == "traces":
        settings = arranged(settings, request.review.trace_arrangement)
    suffix = Path(request.path).suffix.lstrip(".").lower() if request.path else "png"
    if suffix not in FORMATS:
        raise SettingsError(request.path, "file", f"a name ending in .{', .'.join(FORMATS)}", suffix or "no suffix")
    drawn, content = figure_bytes(
        kind.draw, request.name, snapshot, settings, suffix, origin=Origin(request.command, request.review)
    )  # fmt: skip
    if cancel.is_set():
        raise Cancelled("stopped")
    if request.path:
        try:
            write_whole(request.path, content)
        except OSError as error:
            raise SettingsError(request.path, "file", "a place that can be written", error.strerror or str(error)) from None
    progress(1.0, "done")
    return MadeFigure(drawn, content, snapshot)


def to_look_at(settings: FigureSettings, width_px: int, height_px: int) -> FigureSettings:
    """The same figure at the resolution that fills a picture of that size."""
    width, height = settings.size_mm
    dpi = min(width_px / width, height_px / height) * 25.4
    return dataclasses.replace(settings, dpi=round(min(max(dpi, 50), 400)))


def command_for(review_path: str | None, log_paths: tuple[str, ...], name: str, path: str, beside: tuple[str, ...] = ()) -> str:
    """The command that makes a saved figure again: from the review where it has been saved, else from the log alone."""
    source = [review_path] if review_path else list(log_paths)
    others = [word for each in beside for word in ("--beside", each)]
    return shlex.join(["plumbline", "figure", *source, name, *others, "--out", path, "--force"])
