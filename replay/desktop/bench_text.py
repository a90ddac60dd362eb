"""The outcome of bench work in words and tables."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence

from replay.desktop import style
from replay.review.bench_work import BenchWork
from replay.sensors.bench import BenchResult
from replay.sensors.bench_run import parameter_rows
from replay.units import DEG

_CELL = "style='padding: 1px 8px 1px 0'"


def outcome_html(work: BenchWork) -> str:
    """What was determined, with its standard deviation; what was not; residuals; what was assumed."""
    if work.problem is not None:
        parts = [f"<p style='color: {style.ERROR_INK}'><b>{html.escape(str(work.problem))}</b></p>", _advice(work)]
        return "".join(parts)
    result = work.result
    assert result is not None
    parts = []
    if not work.allan:
        parts += ["<h4>Determined, ± one standard deviation</h4>", _parameters(result)]
    parts += [*_allan(work), *_turns(work)]
    if result.undetermined:
        parts += ["<h4>This recording could not determine</h4>", _list(result.undetermined)]
    if result.notes:
        parts += ["<h4>Taken for granted, and to be careful with</h4>", _list(result.notes)]
    if result.figures and not work.allan:
        rows = [(name, _number(value)) for name, value in result.figures.items()]
        parts += ["<h4>Key figures</h4>", _table((), rows)]
    parts += _poses(result)
    return "".join(parts)


def _advice(work: BenchWork) -> str:
    if work.recording is None:
        return "<p>Where columns can't be guessed, a column map says what they are (Column Map…); or choose another kind of work.</p>"
    seen = f"{len(work.recording.rests)} spans at rest were found; they are shaded on the trace. "
    return (
        f"<p>{seen}Lay the unit down and let go for two seconds or more in each pose; raise “at rest” where touch or "
        "table keeps it from being still; or choose another kind of work.</p>"
    )


def _parameters(result: BenchResult) -> str:
    rows = []
    for name, unit, value, sd in parameter_rows(result):
        shown = f"{value:+.6g} ± {sd:.2g}".replace("-", "−") if math.isfinite(sd) else "not determined"
        rows.append((name, shown, unit if unit != "1" else ""))
    return _table((), rows)


def _allan(work: BenchWork) -> list[str]:
    """Every coefficient with its 95 % interval."""
    if not work.allan:
        return []
    rows = []
    for name, result in work.allan.items():
        factor, unit = (1.0 / DEG, "deg/s") if name.startswith("gyro") else (1.0, "m/s²")
        units = {"Q": f"{unit}·s", "N": f"{unit}/√Hz", "B": unit, "K": f"{unit}·√Hz", "R": f"{unit}/s"}
        for c in result.coefficients:
            if c.is_determined:
                interval = f"{c.low * factor:.3g} … {c.high * factor:.3g}"
                rows.append((name, f"{c.symbol}, {c.name}", f"{c.value * factor:.4g}", interval, units[c.symbol]))
    heading = "<h4>Noise, read at the IEEE 952 slopes, with 95 % interval</h4>"
    return [heading, _table(("axis", "coefficient", "value", "from … to", "unit"), rows)]


def _turns(work: BenchWork) -> list[str]:
    if not work.turns:
        return []
    rows = [
        (f"{t.start_s:.2f} – {t.stop_s:.2f} s", "xyz"[t.axis], f"{t.angle_raw_rad / DEG:+.2f} ± {t.sd_rad / DEG:.2g}°".replace("-", "−"))
        for t in work.turns
    ]
    return ["<h4>Turns found, by the raw gyro</h4>", _table(("when", "about", "angle"), rows)]


def _poses(result: BenchResult) -> list[str]:
    if not result.poses:
        return []
    has_residuals = any(math.isfinite(pose.residual_mps2) for pose in result.poses)
    heading = ("", "from – to, s", "mean specific force, raw", *(("residual, mm/s²",) if has_residuals else ()))
    rows = []
    for i, pose in enumerate(result.poses, start=1):
        force = " ".join(f"{value:.5g}" for value in pose.accel_raw).replace("-", "−")
        residual = (_number(1e3 * pose.residual_mps2, "+.2f"),) if has_residuals else ()
        rows.append((str(i), f"{pose.start_s:.2f} – {pose.stop_s:.2f}", force, *residual))
    return ["<h4>Poses at rest</h4>", _table(heading, rows)]


def _number(value: float, form: str = ".4g") -> str:
    return format(value, form).replace("-", "−") if math.isfinite(value) else "–"


def _list(lines: Iterable[str]) -> str:
    return "<ul style='margin-left: -22px'>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


def _table(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "<tr>" + "".join(f"<td {_CELL}><i>{html.escape(cell)}</i></td>" for cell in heading) + "</tr>" if heading else ""
    body = "".join("<tr>" + "".join(f"<td {_CELL}>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table cellspacing='0'>{head}{body}</table>"
