"""What a report says of one flight: its job, key figures, findings, figures, calibration, assumptions, what the record can't tell."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from replay import __version__
from replay.cautions import CAUTION_LINE, CAUTIONS
from replay.figures.arranged import arranged
from replay.figures.calibration_figures import value_text
from replay.figures.export import Origin, record
from replay.figures.material import ABSENT, CAMPAIGN, EXPLAINED, RECONCILIATION, REFLOWN, material_of
from replay.figures.registry import figure_kinds
from replay.figures.report import Block, Heading, Items, Paragraph, Picture, Report, Table
from replay.figures.style import FigureSettings, settings_from
from replay.figures.whatif_figures import moment_words
from replay.figures.words import HEADING_NOTE, capital, event_of, solutions_of, true_minus, whole
from replay.flight.finding import SEVERITIES
from replay.flight.quantity import Quantity
from replay.motion.solution import Solution
from replay.review import refly_words
from replay.review.comparison import betweens
from replay.review.marked_findings import mark_of, next_flight, open_findings
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.whatif.unknowns import PAD_TILT

if TYPE_CHECKING:
    from replay.flight.explained import Explained
    from replay.whatif.reconciliation import Reconciliation

_WIDTH_MM, _HEIGHT_MM = 180.0, 100.0
_TALLER: Final[Mapping[str, float]] = {"traces": 165.0, "calibration": 115.0, "correlation": 95.0, "refly": 125.0, "film-strip": 115.0}
_PARTS: Final = {"propulsion": "motor and drag", "descent": "descent", "control": "control", "power": "power and timing"}
_WORDS: Final = {"warning": "To be settled", "note": "Worth knowing", "good": "Margin held"}


@dataclass(frozen=True, eq=False)
class ReportRequest:
    """What a report is made of. `job` is what the flight was for, in the user's words; "" takes the review's notes on the whole flight."""

    snapshot: Snapshot
    review: Review
    job: str = ""
    command: str = ""


def report_of(request: ReportRequest) -> Report:
    """The whole report. What the snapshot does not carry (`material.gathered`) is named among what could not be told."""
    snapshot, review = request.snapshot, request.review
    name = Path(snapshot.log.paths[0]).name
    said = json.dumps(record(snapshot, Origin(request.command, review)), sort_keys=True, ensure_ascii=False)
    blocks = [
        *_job(request),
        *_key_figures(snapshot),
        *_findings(snapshot, review),
        *_pictures(snapshot, review),
        *_calibration(snapshot),
        *_flown_again(snapshot),
        *_assumed(snapshot),
        *_not_told(snapshot),
        *_notes(snapshot, review),
        Heading("Cautions"),
        Items(CAUTIONS),
    ]
    blocks = [*map(_with_minus, blocks), Heading("How this report was made"), *_made(request)]
    vehicle = f"{snapshot.vehicle.name}, " if snapshot.vehicle is not None else ""
    return Report(f"Flight review: {name}", f"{vehicle}{_span_words(snapshot)}. {CAUTION_LINE}", tuple(blocks), said)


def _with_minus(block: Block) -> Block:
    """Numbers below zero with a minus as printers have it; a command keeps its hyphens."""
    if isinstance(block, Paragraph):
        return dataclasses.replace(block, text=true_minus(block.text), lead=true_minus(block.lead))
    if isinstance(block, Items):
        return dataclasses.replace(block, texts=tuple(map(true_minus, block.texts)))
    if isinstance(block, Table):
        return dataclasses.replace(block, rows=tuple(tuple(map(true_minus, row)) for row in block.rows))
    return block


def _span_words(snapshot: Snapshot) -> str:
    s = snapshot.as_flown
    return f"{len(s.log_time_s)} samples over {float(s.log_time_s[-1] - s.log_time_s[0]):.1f} s, estimated by {s.method}"


def _job(request: ReportRequest) -> Iterator[Block]:
    """What the flight was for, and in one paragraph what came of it."""
    snapshot = request.snapshot
    yield Heading("The job of this flight")
    stated = (request.job,) if request.job.strip() else request.review.flight_notes
    for text in stated or ("Not stated. Give it with --job, in the window's Report…, or as a note on the whole flight in the review.",):
        yield Paragraph(whole(text), mood="plain" if stated else "quiet")
    yield Paragraph(_outcome(snapshot), lead="What came of it.")


def _outcome(snapshot: Snapshot) -> str:
    words = []
    for name, solution in solutions_of(snapshot).items():
        parts = (_tilt_at(solution, "burnout"), _apogee(solution), _landing(solution))
        said = [text for text in parts if text]
        who = "As flown" if name == "as_flown" else "With the what-if calibration"
        words.append(f"{who}: {', '.join(said)}." if said else f"{who}: no liftoff in this log.")
    explained: Explained | None = material_of(snapshot, EXPLAINED)
    if explained is not None:
        counts = [(severity, sum(f.severity == severity for f in explained.findings)) for severity in SEVERITIES]
        words.append(f"Findings: {', '.join(f'{n} {_WORDS[severity].lower()}' for severity, n in counts)}.")
    return " ".join(words)


def _quantity(label: str, value: float, sd: float, unit: str) -> str:
    return Quantity(label, float(value), float(sd), unit).text()


def _tilt_at(s: Solution, event: str) -> str:
    found = event_of(s, event)
    if found is None:
        return ""
    i, _ = found
    sd = s.tilt_sd_rad[i] / DEG if s.tilt_sd_rad is not None else np.nan
    return f"tilt at {event} {_quantity('tilt', s.tilt_rad[i] / DEG, sd, 'deg')}"


def _apogee(s: Solution) -> str:
    found = event_of(s, "apogee")
    if found is None or not np.isfinite(s.pos_enu_m[found[0], 2]):
        return ""
    i, after_s = found
    sd = s.pos_sd_enu_m[i, 2] if s.pos_sd_enu_m is not None else np.nan
    return f"apogee {_quantity('apogee', s.pos_enu_m[i, 2], sd, 'm')} at {after_s:.2f} s"


def _landing(s: Solution) -> str:
    found = event_of(s, "touchdown")
    if found is None or not np.isfinite(s.pos_enu_m[found[0], 0]):
        return ""
    i, _ = found
    sd = s.pos_sd_enu_m[i] if s.pos_sd_enu_m is not None else np.full(3, np.nan)
    east, north = (_quantity("place", s.pos_enu_m[i, axis], sd[axis], "m") for axis in (0, 1))
    return f"touchdown {east} east and {north} north of the pad"


def _key_figures(snapshot: Snapshot) -> Iterator[Block]:
    yield Heading("Key figures")
    yield Paragraph(f"Each with one standard deviation where there is one. {HEADING_NOTE}", mood="quiet")
    explained: Explained | None = material_of(snapshot, EXPLAINED)
    if explained is None:
        yield Paragraph("The flight has not been explained.", mood="quiet")
        return
    zero = explained.time("liftoff")
    zero = zero if np.isfinite(zero) else 0.0
    rows = [
        (
            event.name.replace("_", " "),
            _quantity("time", event.log_time_s - zero, event.sd_s, "s"),
            event.evidence,
        )
        for event in explained.events.events.values()
    ]
    if rows:
        yield Heading("Events, from liftoff", 2)
        yield Table(("event", "time", "seen in"), tuple(rows))
    for part, title in _PARTS.items():
        figures = [q for q in explained.figures(part).values() if q.is_known]
        if figures:
            yield Heading(capital(title), 2)
            yield Table(("figure", "value", "note"), tuple((q.label, q.text(), q.note) for q in figures))


def _findings(snapshot: Snapshot, review: Review) -> Iterator[Block]:
    """Open ones with their evidence, then those marked as resolved, then the checklist."""
    explained: Explained | None = material_of(snapshot, EXPLAINED)
    yield Heading("Findings")
    if explained is None:
        yield Paragraph("The flight has not been explained.", mood="quiet")
        return
    if not explained.findings:
        yield Paragraph("No rule found anything. That is not a clearance.", mood="quiet")
    for finding in open_findings(explained.findings, review):
        where = "" if finding.start_log_s is None else f" ({_when(explained, finding.start_log_s, finding.stop_log_s)})"
        said = [f"{_WORDS[finding.severity]}{where}: {finding.evidence_text()}.", capital(finding.meaning)]
        said += [f"Next: {finding.next_step}"] if finding.next_step else []
        said += [f"Threshold: {finding.threshold} ({finding.source})."] if finding.threshold else []
        mark = mark_of(finding, review)
        said += [f"Reviewer: {mark.text}"] if mark.text else []
        yield Paragraph(" ".join(whole(text) for text in said if text), lead=f"{finding.title}.", mood=finding.severity)
    resolved = [f for f in explained.findings if mark_of(f, review).is_resolved]
    if resolved:
        yield Heading("Marked as resolved", 2)
        yield Items(tuple(f"{f.title}{f': {text}' if (text := mark_of(f, review).text) else ''}" for f in resolved))
    yield Heading("Before the next flight", 2)
    *steps, caution = next_flight(explained.findings, review)
    if steps:
        yield Items(tuple(steps), is_checklist=True)
    else:
        yield Paragraph("The findings ask for nothing.", mood="quiet")
    yield Paragraph(caution, mood="quiet")


def _when(explained: Explained, start_log_s: float, stop_log_s: float | None) -> str:
    zero = explained.time("liftoff")
    zero = zero if np.isfinite(zero) else 0.0
    if stop_log_s is None or stop_log_s - start_log_s < 5e-3:
        return f"at {start_log_s - zero:.2f} s"
    return f"{start_log_s - zero:.2f} to {stop_log_s - zero:.2f} s"


def _pictures(snapshot: Snapshot, review: Review) -> Iterator[Block]:
    yield Heading("Figures")
    saved = settings_from(review.figure_settings)
    for kind in figure_kinds().values():
        if kind.missing(snapshot) is None:
            settings = FigureSettings("two-column", _WIDTH_MM, _TALLER.get(kind.name, _HEIGHT_MM), at_s=saved.at_s)
            yield Picture(kind, arranged(settings, review.trace_arrangement) if kind.name == "traces" else settings)


def _calibration(snapshot: Snapshot) -> Iterator[Block]:
    """As flown, as drawn beside it, and as the record has it."""
    yield Heading("Calibration before and after")
    result: Reconciliation | None = material_of(snapshot, RECONCILIATION)
    flown = snapshot.as_flown.calibration
    after = snapshot.what_if.calibration if snapshot.what_if is not None else None
    header = ["number", "as flown", *(["what-if"] if after else []), *(["reconciled"] if result else [])]
    rows = [tuple(row) for row in _calibration_rows(flown, after, result)]
    if len(header) == 2:
        yield Paragraph("No what-if is set and nothing has been reconciled: the calibration is as flown throughout.", mood="quiet")
    if rows:
        yield Table(tuple(header), tuple(rows))
    if result is None:
        return
    tilt: object = _quantity("tilt", result.pad_tilt_rad / DEG, result.pad_tilt_sd_rad / DEG, "deg")
    if PAD_TILT in result.pinned:
        tilt = f"pinned at {result.pad_tilt_rad / DEG:.2f} deg"
    yield Paragraph(
        f"Pad tilt {tilt} towards {result.pad_tilt_azimuth_rad / DEG:.0f}°, levelled as {result.levelled_tilt_rad / DEG:.2f} deg towards "
        f"{result.levelled_tilt_azimuth_rad / DEG:.0f}°. "
        f"Chi-square {result.chi_square:.0f} on {result.degrees_of_freedom} degrees of freedom."
    )
    others = [p for p in result.parameters if p.name.startswith("barometer") and p.status != "pinned"]
    if others:
        yield Paragraph("; ".join(f"{p.name} {value_text(p)}" for p in others), lead="Barometer.")
    if result.observations:
        shown = "; ".join(f"{o.name} {', '.join(f'{v:+.1f}' for v in o.sigmas)}" for o in result.observations)
        yield Paragraph(f"{shown} (evidence less flight, in its standard deviations).", lead="Evidence.")
    if result.doubts:
        yield Paragraph(" ".join(result.doubts), lead="Doubtful.", mood="warning")


def _calibration_rows(flown: Calibration, after: Calibration | None, result: Reconciliation | None) -> Iterator[list[str]]:
    """One row for each component that is not neutral, was changed or was solved for."""
    from replay.whatif.unknowns import FIELDS

    solved = {} if result is None else {p.name: p for p in result.parameters}
    names = {field: (group, axes) for group, (field, axes) in FIELDS.items()}
    neutral = Calibration()
    for field in dataclasses.fields(Calibration):
        if "factor" not in field.metadata:
            continue
        group, axes = names.get(field.name, (field.metadata["label"], ("x", "y", "z")))
        factor, unit = field.metadata["factor"], field.metadata["show"]
        for axis, letter in enumerate(axes):
            p = solved.get(f"{group} {letter}")
            values = [getattr(c, field.name)[axis] for c in (flown, after) if c is not None]
            is_solved = p is not None and p.status != "pinned"
            if not is_solved and all(value == getattr(neutral, field.name)[axis] for value in values):
                continue
            row = [f"{group} {letter}{'' if unit == '1' else f', {unit}'}", *(f"{value / factor:.6g}" for value in values)]
            if result is not None:
                row.append("as before" if p is None or not is_solved else _solved_words(p))
            yield row


def _solved_words(p: Any) -> str:
    if p.status == "undetermined":
        return f"not determined (stays {p.prior:.4g} ± {p.prior_sd:.2g})"
    return Quantity(p.name, p.value, p.sd, "").text()


def _assumed(snapshot: Snapshot) -> Iterator[Block]:
    said: list[str] = []
    for name, solution in solutions_of(snapshot).items():
        said += [text if name == "as_flown" else f"{text} (what-if)" for text in solution.assumptions]
    for key in (EXPLAINED, RECONCILIATION):
        found = material_of(snapshot, key)
        said += found.assumptions if found is not None else ()
    reflown = material_of(snapshot, REFLOWN)
    if reflown is not None:
        said += [f"re-fly: {text}" for text in reflown.reflight.assumptions if text not in said]
    yield Heading("What was assumed")
    seen = set(said) - {f"{text} (what-if)" for text in said}
    yield Items(tuple(dict.fromkeys(text for text in said if text in seen)) or ("Nothing beyond the record and the calibration.",))


def _not_told(snapshot: Snapshot) -> Iterator[Block]:
    """Parts, events and numbers that are not there, with the reason; what would help most; figures that could not be drawn."""
    said: list[str] = ["heading: declared, never measured"]
    explained: Explained | None = material_of(snapshot, EXPLAINED)
    if explained is not None:
        said += [f"{part}: {why}" for part, why in explained.missing.items()]
        said += [f"{name.replace('_', ' ')}: {why}" for name, why in explained.events.unknown.items()]
        for part in _PARTS:
            said += [f"{q.label}: {q.note or 'undetermined'}" for q in explained.figures(part).values() if not q.is_known]
    result: Reconciliation | None = material_of(snapshot, RECONCILIATION)
    if result is not None:
        said += [f"{name}: this flight does not determine it" for name in result.undetermined]
        said += (*result.doubts, *result.notes)
    absent = dict(material_of(snapshot, ABSENT) or {})
    said += [why if why.startswith("re-fly: ") else f"{name}: {why}" for name, why in absent.items()]
    wanted = [kind for kind in figure_kinds().values() if CAMPAIGN not in kind.needs]
    said += [f"figure {kind.title}: {why}" for kind in wanted if (why := kind.missing(snapshot)) and why not in absent.values()]
    yield Heading("What the record could not tell")
    yield Items(tuple(dict.fromkeys(capital(text) for text in said)))
    if result is not None and result.next_observations:
        best = result.next_observations[0]
        now, then = best.tilt_sd_now_rad / DEG, best.tilt_sd_then_rad / DEG
        yield Paragraph(f"{best.name} (pad tilt ± {now:.2f} to ± {then:.2f} deg).", lead="What would help most next:")


def _flown_again(snapshot: Snapshot) -> Iterator[Block]:
    """What the model says of the flight with the other calibration on board."""
    reflown = material_of(snapshot, REFLOWN)
    if reflown is not None:
        yield Heading("Flown again")
        moments = "; ".join(moment_words(name, *pair) for name, pair in reflown.reflight.moments.items())
        yield Paragraph(whole(f"{moments}. {whole(reflown.reflight.left_out)} {CAUTION_LINE}"), lead="The model says:")
        if reflown.run is not None:
            bands = betweens(reflown.run.ensemble, reflown.reflight, reflown.flown)
            yield Table(("nine of ten lie between", "flown", "re-flown"), tuple(refly_words.band_rows(bands)))
            yield Paragraph(refly_words.touchdown_text(reflown.flown, bands))


def _notes(snapshot: Snapshot, review: Review) -> Iterator[Block]:
    """The reviewer's own notes on spans and bookmarks, by time."""
    zero = snapshot.as_flown.events.liftoff_log_s
    zero = zero if np.isfinite(zero) else 0.0
    timed = [(note.start_log_s, note.text) for note in review.notes if note.start_log_s is not None]
    timed += [(bookmark.log_time_s, bookmark.text or "bookmark") for bookmark in review.bookmarks]
    if timed:
        yield Heading("Notes")
        yield Items(tuple(f"{at - zero:.2f} s: {text}" for at, text in sorted(timed)))


def _made(request: ReportRequest) -> Iterable[Block]:
    log = request.snapshot.log
    files = ", ".join(Path(path).name for path in log.paths)
    yield Paragraph(f"Plumbline {__version__} from {files} (SHA-256 {log.sha256}).")
    if request.command:
        yield Paragraph(request.command, lead="The command that makes it again:")
