"""A report as one HTML file: styles, fonts and figures inside it, nothing fetched, nothing executed; prints on A4."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from typing import Final

from replay import __version__
from replay.figures.export import Origin, figure_bytes
from replay.figures.report import Block, Heading, Items, Numbering, Paragraph, Picture, Report, Table
from replay.figures.svg_font import FAMILY, faces, joined, letters_of
from replay.review.snapshot import Snapshot

Progress = Callable[[float, str], None]

_CSS: Final = """
:root { color-scheme: light; }
body { font: .95rem/1.5 "DejaVu Sans", system-ui, sans-serif; color: #1f2529; background: #fff;
  max-width: 52rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; margin: 2.2rem 0 .6rem; border-top: 1px solid #c9d0d6; padding-top: .8rem; }
h3 { font-size: 1rem; margin: 1.4rem 0 .4rem; }
p { margin: .5rem 0; }
.quiet, .subtitle { color: #566169; }
.warning, .note, .good { border-left: 4px solid; padding-left: .7rem; }
.warning { border-color: #d55e00; } .note { border-color: #0072b2; } .good { border-color: #009e73; }
table { border-collapse: collapse; width: 100%; font-size: .87rem; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: .25rem .6rem .25rem 0; border-bottom: 1px solid #e3e8ec; overflow-wrap: anywhere; }
td:nth-child(2) { white-space: nowrap; }
ul { padding-left: 1.2rem; } ul.check { list-style: "\\2610\\00a0\\00a0"; }
figure { margin: 1.6rem 0; } figure svg { width: 100%; height: auto; display: block; }
figcaption { font-size: .87rem; margin-top: .4rem; } .words { font-size: .8rem; color: #566169; margin: .2rem 0 0; }
nav ol { columns: 2; font-size: .87rem; } a { color: #0072b2; }
@page { size: A4; margin: 16mm 15mm; }
@media print {
  html { font-size: 12px; } body { max-width: none; margin: 0; padding: 0; } nav { display: none; }
  figure { margin: .8rem 0; } figure svg { max-height: 96mm; } figure.tall svg { max-height: 160mm; }
  h2, h3, thead, tbody tr:nth-child(-n + 2) { break-after: avoid; } figure, tr, .warning, .note, .good { break-inside: avoid; }
}
"""
_TALL_MM: Final = 130.0
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; font-src data:; img-src data:"


def html_of(report: Report, snapshot: Snapshot, *, numbering: Numbering | None = None, progress: Progress | None = None) -> str:
    """The whole file as text; the same every time.

    Parameters
    ----------
    report : Report
    snapshot : Snapshot
        That its figures are drawn from.
    numbering : Numbering, optional
        Filled with what every figure says, for the PDF of the same report.
    progress : callable (share, text), optional
    """
    numbering = Numbering() if numbering is None else numbering
    parts: list[str] = []
    letters: list[dict[str, str]] = []
    n_pictures = max(sum(isinstance(block, Picture) for block in report.blocks), 1)
    for block in report.blocks:
        if isinstance(block, Picture):
            if progress is not None:
                progress(len(numbering.said) / n_pictures, f"drawing {block.kind.title}")
            text, shown = _picture(block, snapshot, numbering)
            letters.append(shown)
            parts.append(text)
        else:
            parts.append(_block(block))
    sections = [block.text for block in report.blocks if isinstance(block, Heading) and block.level == 1]
    contents = "".join(f'<li><a href="#{_anchor(text)}">{escape(text)}</a></li>' for text in sections)
    body = "\n".join(parts)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="Plumbline {__version__}">
<meta name="description" content="{escape(report.record, quote=True)}">
<link rel="icon" href="data:,">
<title>{escape(report.title)}</title>
<style>
{faces(joined(letters))}
{_CSS}</style>
</head>
<body>
<header><h1>{escape(report.title)}</h1><p class="subtitle">{escape(report.subtitle)}</p></header>
<nav aria-label="Contents"><ol>{contents}</ol></nav>
<main>
{body}
</main>
</body>
</html>
"""


def _anchor(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")


def _block(block: Block) -> str:
    if isinstance(block, Heading):
        return f'<h2 id="{_anchor(block.text)}">{escape(block.text)}</h2>' if block.level == 1 else f"<h3>{escape(block.text)}</h3>"
    if isinstance(block, Paragraph):
        mood = "" if block.mood == "plain" else f' class="{block.mood}"'
        lead = f"<strong>{escape(block.lead)}</strong> " if block.lead else ""
        return f"<p{mood}>{lead}{escape(block.text)}</p>"
    if isinstance(block, Items):
        kind = ' class="check"' if block.is_checklist else ""
        return f"<ul{kind}>" + "".join(f"<li>{escape(text)}</li>" for text in block.texts) + "</ul>"
    assert isinstance(block, Table)
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in block.header)
    rows = "\n".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in block.rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>\n{rows}\n</tbody></table>"


def _picture(block: Picture, snapshot: Snapshot, numbering: Numbering) -> tuple[str, dict[str, str]]:
    """The figure's element, and the letters its fonts need."""
    drawn, content = figure_bytes(block.kind.draw, block.kind.name, snapshot, block.settings, "svg", origin=Origin(), has_fonts=False)
    number = numbering.next(block.kind.title, drawn)
    svg = content.decode("utf-8")
    shown = letters_of(svg)
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    # several pictures share one page: their ids must not meet
    svg = re.sub(r'\bid="([^"]+)"', rf'id="f{number}-\1"', svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#f{number}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#f{number}-\1)", svg)
    label = escape(f"{block.kind.title}. {drawn.alt}", quote=True)
    svg = svg.replace("<svg", f'<svg role="img" aria-label="{label}" style="font-family: \'{FAMILY}\'"', 1)
    caption = f"<strong>Figure {number}.</strong> {escape(drawn.caption)}"
    words = f'<p class="words">In words: {escape(drawn.alt)}</p>'
    tall = ' class="tall"' if block.settings.size_mm[1] > _TALL_MM else ""
    return f'<figure id="figure-{number}"{tall}>\n{svg.strip()}\n<figcaption>{caption}{words}</figcaption></figure>', shown
