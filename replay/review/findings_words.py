"""What the Findings panel says: findings and notes as entries of a list, events and key figures as tables. Text only, no drawing."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable
from typing import Final

from replay.flight.explained import PARTS, Explained
from replay.flight.finding import SEVERITIES, Finding
from replay.review.marked_findings import mark_of
from replay.review.review import Note, Review

MARKS: Final = {"warning": "▲", "note": "●", "good": "✓"}
"""A shape for each severity, so that none is told by colour alone."""
_NAMES: Final = {"warning": ("warning", "warnings"), "note": ("note", "notes"), "good": ("margin held", "margins held")}
Row = tuple[str, ...]


def counts_text(found: Iterable[Finding]) -> str:
    """How many of each severity."""
    severities = [f.severity for f in found]
    counts = [(severities.count(s), _NAMES[s]) for s in SEVERITIES]
    return ", ".join(f"{n} {names[n != 1]}" for n, names in counts if n) or "nothing found"


def span_text(start_log_s: float | None, stop_log_s: float | None, zero_log_s: float) -> str:
    """Where on the flight's clock; "" for the whole record."""
    if start_log_s is None:
        return ""
    start = start_log_s - zero_log_s
    if stop_log_s is None or stop_log_s - start_log_s < 0.01:
        return f"at {start:.2f} s".replace("-", "−")
    return f"{start:.2f} to {stop_log_s - zero_log_s:.2f} s".replace("-", "−")


def entry_text(entry: Finding | Note, review: Review, zero_log_s: float) -> str:
    """Two lines of the list."""
    span = span_text(entry.start_log_s, entry.stop_log_s, zero_log_s)
    if isinstance(entry, Note):
        return f"✎ {entry.text or 'note without words'}\n     {span}".rstrip()
    mark = mark_of(entry, review)
    states = [word for word, is_on in (("pinned", mark.is_pinned), ("resolved", mark.is_resolved), (mark.text, bool(mark.text))) if is_on]
    return f"{MARKS[entry.severity]} {entry.title}\n     {' · '.join(part for part in (entry.severity, span, *states) if part)}"


def detail_html(finding: Finding) -> str:
    """All that is known of one finding."""
    notes = [f" ({html.escape(q.note)})" if q.note and q.is_known else "" for q in finding.evidence]
    numbers = "".join(
        f"<li>{html.escape(q.label)}: <b>{html.escape(q.text())}</b>{note}</li>" for q, note in zip(finding.evidence, notes, strict=True)
    )
    parts = [
        f"<b>{html.escape(finding.title)}</b>",
        f"<ul style='margin-left:-22px'>{numbers}</ul>",
        _labelled("May mean", finding.meaning),
    ]
    if finding.next_step:
        parts.append(_labelled("Next", finding.next_step))
    parts.append(_labelled("Threshold", f"{finding.threshold} ({finding.source})"))
    return "".join(parts)


def _labelled(name: str, text: str) -> str:
    return f"<p><i>{name}:</i> {html.escape(text)}</p>"


def event_rows(known: Explained) -> list[Row]:
    """Event, time from liftoff, standard deviation."""
    zero = known.time("liftoff")
    zero = zero if math.isfinite(zero) else 0.0
    return [
        (
            event.name.replace("_", " ") + (" (by hand)" if event.is_moved else ""),
            f"{event.log_time_s - zero:.3f}",
            f"{event.sd_s:.3f}" if math.isfinite(event.sd_s) else "–",
        )
        for event in known.events.events.values()
    ]


def event_notes(known: Explained) -> str:
    """What each time rests on, and why the others can't be known."""
    lines = [f"· {name.replace('_', ' ')}: {event.evidence}" for name, event in known.events.events.items()]
    lines += [f"· {name.replace('_', ' ')} unknown: {why}" for name, why in known.events.unknown.items()]
    return "\n".join(lines)


def figures_html(known: Explained) -> str:
    """Every key figure under the name of its part, as a table whose words may take several lines."""
    rows = []
    for part in PARTS:
        found = known.figures(part)
        if found:
            rows.append(f"<tr><td colspan='2'><b>{part.capitalize()}</b></td></tr>")
            rows += [
                f"<tr><td>{html.escape(q.label)}</td><td align='right'>{html.escape(q.text() if q.is_known else 'undetermined')}</td></tr>"
                for q in found.values()
            ]
    return f"<table width='100%' cellspacing='0' cellpadding='2'>{''.join(rows)}</table>"


def missing_text(known: Explained) -> str:
    """What could not be had and why, and what was undetermined."""
    lines = [f"· {part}: {why}" for part, why in known.missing.items()]
    for part in PARTS:
        lines += [f"· {q.label}: {q.text()}" for q in known.figures(part).values() if not q.is_known]
    if known.vibration is not None:
        lines += [
            f"· line in the {tone.sensor}, {tone.axis}: {tone.frequency_hz:.1f} ± {tone.frequency_sd_hz:.1f} Hz, {tone.kind}"
            for tone in known.vibration.tones
        ]
        lines += [f"· vibration: {note}" for note in known.vibration.notes]
    return "\n".join(lines)
