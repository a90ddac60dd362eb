"""From a drawn figure to a file: PDF and SVG with text kept as text and fonts embedded, PNG at a given dpi, the same bytes every time.

Each file carries in its metadata the version, the log's hash, the settings it was estimated and drawn with, and the command that makes
it again.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replay import __version__
from replay.errors import WrongUsage
from replay.figures.style import MM_PER_INCH, FigureSettings, style
from replay.figures.words import whole
from replay.review.review import Review
from replay.review.snapshot import Snapshot

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from replay.figures.style import AnyFigure

FORMATS = ("pdf", "svg", "png")


@dataclass(frozen=True)
class Drawn:
    """What a figure says in words: a caption for print and a text for those who can't see it, both written from the numbers."""

    caption: str
    alt: str

    def __post_init__(self) -> None:
        for name in ("caption", "alt"):
            object.__setattr__(self, name, whole(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class Origin:
    """Where a figure is from: the command that makes it again, and the review that says with which settings."""

    command: str = ""
    review: Review | None = None


Draw = Callable[["AnyFigure", Snapshot, FigureSettings], Drawn]


def new_figure(settings: FigureSettings) -> Figure:
    """An empty figure of the preset's size, without the interactive half of matplotlib."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from replay.figures.steady_layout import SteadyLayout

    width, height = settings.size_mm
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH), layout=SteadyLayout())
    FigureCanvasAgg(figure)
    return figure


def write_figure(
    draw: Draw, name: str, snapshot: Snapshot, settings: FigureSettings, path: Path, *, origin: Origin = Origin(), format_name: str = ""
) -> Drawn:
    """Draw and save one figure.

    Parameters
    ----------
    draw : callable
    name : str
        Of the figure, for its title.
    snapshot : Snapshot
    settings : FigureSettings
    path : Path
        Written as it is named; `format_name` says which of `FORMATS` where the suffix does not.
    origin : Origin

    Raises
    ------
    WrongUsage
        A name whose suffix is none of `FORMATS`.
    CannotEstimate
        What the figure needs is not there.
    """
    kind = (format_name or path.suffix.lstrip(".")).lower()
    if kind not in FORMATS:
        raise WrongUsage(str(path), "--out", f"a name ending in .{', .'.join(FORMATS)}", path.suffix or "no suffix")
    drawn, content = figure_bytes(draw, name, snapshot, settings, kind, origin=origin)
    path.write_bytes(content)
    return drawn


def figure_bytes(
    draw: Draw, name: str, snapshot: Snapshot, settings: FigureSettings, kind: str, *, origin: Origin = Origin(), has_fonts: bool = True
) -> tuple[Drawn, bytes]:
    """One figure as the bytes of a file of `kind` (one of `FORMATS`), with its words; parameters as `write_figure`.

    `has_fonts` puts the letters into an SVG, which stands alone; where it becomes part of something larger that has them, not.
    """
    from replay.figures.svg_font import with_fonts

    stream = io.BytesIO()
    with style(settings.preset):
        figure = new_figure(settings)
        drawn = draw(figure, snapshot, settings)
        figure.savefig(stream, format=kind, dpi=settings.png_dpi, metadata=_metadata(kind, name, drawn, snapshot, settings, origin))
    content = stream.getvalue()
    return drawn, with_fonts(content.decode("utf-8")).encode("utf-8") if kind == "svg" and has_fonts else content


def record(snapshot: Snapshot, origin: Origin, **more: Any) -> dict[str, Any]:
    """What a file says of where it is from: version, log, method, settings of the estimate, command."""
    from replay.review.document import estimate_record

    return {
        "plumbline": __version__,
        "log_sha256": snapshot.log.sha256,
        "method": snapshot.as_flown.method,
        "review": None if origin.review is None else estimate_record(origin.review),
        "command": origin.command,
        **more,
    }


def _metadata(kind: str, name: str, drawn: Drawn, snapshot: Snapshot, settings: FigureSettings, origin: Origin) -> dict[str, Any]:
    """Standard metadata keys of each format; no dates, so that two runs give the same bytes."""
    said = json.dumps(record(snapshot, origin, figure=name, settings=asdict(settings)), sort_keys=True, ensure_ascii=False)
    software = f"Plumbline {__version__}"
    if kind == "pdf":
        fixed = {"CreationDate": None, "ModDate": None}
        return {"Title": name, "Subject": drawn.caption, "Keywords": said, "Creator": software, "Producer": software, **fixed}
    if kind == "svg":
        return {"Title": name, "Description": f"{drawn.alt}\n{said}", "Creator": software, "Date": None}
    return {"Title": name, "Description": f"{drawn.alt}\n{said}", "Software": software}
