"""From a drawn figure to a file: PDF and SVG with text kept as text, PNG at a given dpi, the same bytes every time.

Each file carries in its metadata the version, the log's hash, the settings, and the command that makes it again.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replay import __version__
from replay.errors import SettingsError
from replay.figures.style import MM_PER_INCH, FigureSettings, style
from replay.review.snapshot import Snapshot

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = ("pdf", "svg", "png")


@dataclass(frozen=True)
class Drawn:
    """What a figure says in words: a caption for print and a text for those who can't see it, both written from the numbers."""

    caption: str
    alt: str


Draw = Callable[["Figure", Snapshot, FigureSettings], Drawn]


def new_figure(settings: FigureSettings) -> Figure:
    """An empty figure of the preset's size, without the interactive half of matplotlib."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = settings.size_mm
    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def write_figure(
    draw: Draw, name: str, snapshot: Snapshot, settings: FigureSettings, path: Path, *, command: str = "", format_name: str = ""
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
    command : str
        What makes it again.
    """
    kind = (format_name or path.suffix.lstrip(".")).lower()
    if kind not in FORMATS:
        raise SettingsError(str(path), "--out", f"a name ending in .{', .'.join(FORMATS)}", path.suffix or "no suffix")
    with style(settings.preset):
        figure = new_figure(settings)
        drawn = draw(figure, snapshot, settings)
        figure.savefig(path, format=kind, dpi=settings.png_dpi, metadata=_metadata(kind, name, drawn, snapshot, settings, command))
    return drawn


def _metadata(kind: str, name: str, drawn: Drawn, snapshot: Snapshot, settings: FigureSettings, command: str) -> dict[str, Any]:
    """Standard metadata keys of each format; no dates, so that two runs give the same bytes."""
    origin = json.dumps(
        {
            "plumbline": __version__,
            "log_sha256": snapshot.log.sha256,
            "method": snapshot.as_flown.method,
            "figure": name,
            "settings": asdict(settings),
            "command": command,
        },
        sort_keys=True,
        ensure_ascii=False,
    )
    software = f"Plumbline {__version__}"
    if kind == "pdf":
        fixed = {"CreationDate": None, "ModDate": None}
        return {"Title": name, "Subject": drawn.caption, "Keywords": origin, "Creator": software, "Producer": software, **fixed}
    if kind == "svg":
        return {"Title": name, "Description": f"{drawn.alt}\n{origin}", "Creator": software, "Date": None}
    return {"Title": name, "Description": f"{drawn.alt}\n{origin}", "Software": software}
