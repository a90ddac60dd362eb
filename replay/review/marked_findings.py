"""Findings with what the user made of them: pinned, resolved, noted; and the next flight's checklist from those open."""

from __future__ import annotations

from typing import Final

from replay.flight.finding import Finding
from replay.review.review import FindingMark, Review


def mark_of(finding: Finding, review: Review) -> FindingMark:
    """What the user made of a finding; an empty mark where nothing. `edits.with_finding_mark` keeps a changed one."""
    same = [m for m in review.finding_marks if m.rule == finding.rule]
    # times move a little with every edit: the mark of a rule goes with the nearest finding of it
    near = [m for m in same if _apart(m.start_log_s, finding.start_log_s) < MARK_REACH_S]
    if near:
        return min(near, key=lambda m: _apart(m.start_log_s, finding.start_log_s))
    return FindingMark(finding.rule, finding.start_log_s)


MARK_REACH_S: Final = 2.0


def _apart(a: float | None, b: float | None) -> float:
    if a is None or b is None:
        return 0.0 if a is b else float("inf")
    return abs(a - b)


def open_findings(findings: tuple[Finding, ...], review: Review) -> tuple[Finding, ...]:
    """Those not marked resolved, the pinned ones first."""
    still = [f for f in findings if not mark_of(f, review).is_resolved]
    return tuple(sorted(still, key=lambda f: not mark_of(f, review).is_pinned))


def next_flight(findings: tuple[Finding, ...], review: Review) -> tuple[str, ...]:
    """The next-flight checklist of a review: the open findings' next steps, the user's own words beside them, the caution line last."""
    from replay.flight.findings import checklist

    lines = checklist(open_findings(findings, review))
    notes = [f"{m.rule}: {m.text}" for m in review.finding_marks if m.text and not m.is_resolved]
    return (*lines[:-1], *notes, lines[-1])
