"""A report as one PDF of A4 pages, by matplotlib alone: text kept as text, fonts embedded, the same bytes every time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from replay import __version__
from replay.figures.export import Drawn
from replay.figures.report import Block, Heading, Items, Mood, Numbering, Paragraph, Picture, Report, Table
from replay.figures.report_pages import Pages
from replay.figures.style import style
from replay.review.snapshot import Snapshot

Progress = Callable[[float, str], None]

_QUIET: Final = "#566169"
_RULES: Final[dict[Mood, str]] = {"warning": "#D55E00", "note": "#0072B2", "good": "#009E73"}
_CAPTION_PT: Final = 7.6
_HEADING_MM, _CAPTION_MM = 14.0, 25.0
_ROWS_MM, _FINDING_MM = 22.0, 30.0


def write_pdf(
    report: Report, snapshot: Snapshot, path: Path, *, numbering: Numbering | None = None, progress: Progress | None = None
) -> None:
    """Set and save the report.

    Parameters
    ----------
    report : Report
    snapshot : Snapshot
        That its figures are drawn from.
    path : Path
    numbering : Numbering, optional
        What `html_of` has filled: without it every figure is drawn twice, because its caption's height is known only when it is drawn.
    progress : callable (share, text), optional
    """
    from matplotlib.backends.backend_pdf import PdfPages

    software = f"Plumbline {__version__}"
    metadata: dict[str, Any] = {
        "Title": report.title, "Subject": report.subtitle, "Keywords": report.record, "Creator": software, "Producer": software,
        "CreationDate": None, "ModDate": None,
    }  # fmt: skip
    n_pictures = max(sum(isinstance(block, Picture) for block in report.blocks), 1)
    said: list[tuple[str, Drawn]] = []
    with PdfPages(path, metadata=metadata) as file:
        pages = Pages(lambda page: file.savefig(page), f"{report.title} — {software}")
        with style("two-column"):
            pages.text(report.title, 16.0, weight="bold", gap_mm=1.0)
            pages.text(report.subtitle, 8.5, colour=_QUIET, gap_mm=3.0)
        for block, after in zip(report.blocks, [*report.blocks[1:], None], strict=True):
            if isinstance(block, Picture) and progress is not None:
                progress(len(said) / n_pictures, f"setting {block.kind.title}")
            with style("two-column"):  # block by block: a figure of another thread's takes its turn in between
                if isinstance(block, Picture):
                    said.append((block.kind.title, _picture(pages, block, snapshot, len(said) + 1, numbering)))
                else:
                    if isinstance(block, Heading) and (room_mm := _room_mm(after)):  # not left alone at the foot of a page
                        pages.need(_HEADING_MM + room_mm)
                    _block(pages, block)
        with style("two-column"):
            _block(pages, Heading("Figures in words"))
            for number, (title, drawn) in enumerate(said, start=1):
                pages.text(drawn.alt, _CAPTION_PT, lead=f"Figure {number}, {title}.")
            pages.close()
            file.close()  # the fonts are put in here


def _room_mm(block: Block | None) -> float:
    """What has to fit below a heading: the figure, the first rows of a table, or most of a finding."""
    if isinstance(block, Picture):
        return block.settings.size_mm[1] + _CAPTION_MM
    if isinstance(block, Table):
        return _ROWS_MM
    return _FINDING_MM if isinstance(block, Paragraph) and block.mood in _RULES else 0.0


def _block(pages: Pages, block: Block) -> None:
    if isinstance(block, Heading):
        is_section = block.level == 1
        pages.need(22.0 if is_section else 14.0)
        pages.y_mm += 4.0 if is_section else 1.5
        if is_section:
            pages.line(pages.y_mm)
            pages.y_mm += 2.0
        pages.text(block.text, 12.0 if is_section else 9.5, weight="bold")
    elif isinstance(block, Paragraph):
        colour = _QUIET if block.mood == "quiet" else "#1F2529"
        pages.text(block.text, lead=block.lead, colour=colour, rule=_RULES.get(block.mood, ""), gap_mm=2.0)
    elif isinstance(block, Items):
        for text in block.texts:
            pages.text(text, indent_mm=5.0, mark="☐" if block.is_checklist else "•", gap_mm=0.7)
    elif isinstance(block, Table):
        pages.table(block.header, block.rows)


def _picture(pages: Pages, block: Picture, snapshot: Snapshot, number: int, numbering: Numbering | None) -> Drawn:
    """Figure and caption together on one page."""
    from replay.figures.export import new_figure
    from replay.figures.report_pages import WIDTH_MM, wrapped

    if numbering is None:
        drawn = block.kind.draw(new_figure(block.settings), snapshot, block.settings)
    else:
        drawn = numbering.said[number - 1][1]
    lead = f"Figure {number}."
    height = block.settings.size_mm[1]
    lines = len(wrapped(f"{lead} {drawn.caption}", WIDTH_MM, _CAPTION_PT))
    pages.need(height + 4.2 * lines + 4.0)
    pages.picture(height, lambda part: block.kind.draw(part, snapshot, block.settings))
    pages.y_mm += 1.5
    pages.text(drawn.caption, _CAPTION_PT, lead=lead, gap_mm=5.0)
    return drawn
