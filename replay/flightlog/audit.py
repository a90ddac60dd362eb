"""What was read and what is wrong with it, as short text for a terminal and as plain values for JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from replay.flightlog.channels import KINDS
from replay.flightlog.columnmap import IGNORE, TIME, ColumnEntry
from replay.flightlog.columnmap_file import tables_of
from replay.flightlog.log import Channel, FlightLog, Issue
from replay.units import DEG, ZERO_CELSIUS_K

_SEVERITIES = ("problem", "warning", "note")
_SHOWN: dict[str, tuple[float, float]] = {
    # unit on screen -> (SI value of one, SI value of zero)
    "m/s²": (1.0, 0.0),
    "deg/s": (DEG, 0.0),
    "µT": (1e-6, 0.0),
    "hPa": (100.0, 0.0),
    "°C": (1.0, ZERO_CELSIUS_K),
    "deg": (DEG, 0.0),
}
_N_ROWS = 6
_WIDTH = 150
CONVENTIONS = (
    "accelerometer: specific force, +g towards the sky at rest; axes as logged (imu)",
    "quaternion: scalar first, turns body vectors into east, north, up; body here are the logged axes, the mount comes after",
    "time: zero at the first row; nothing is resampled, gaps split the record",
)


def problems(log: FlightLog) -> tuple[Issue, ...]:
    """What keeps the log from carrying an estimate; empty where nothing does."""
    return tuple(issue for issue in log.issues if issue.severity == "problem")


def as_dict(log: FlightLog) -> dict[str, Any]:
    """The audit as plain values, SI, times in s on the log's clock.

    Keys: files, sha256, duration_s, can_carry_estimate, channels, extras, issues, column_map (as its file has it), conventions.
    """
    return {
        "files": list(log.paths),
        "sha256": log.sha256,
        "duration_s": log.duration_s,
        "can_carry_estimate": not problems(log),
        "channels": [_channel(log, channel) for channel in log.channels.values() if not channel.is_extra],
        "extras": [channel.name for channel in log.channels.values() if channel.is_extra],
        "issues": [
            {"severity": issue.severity, "text": issue.text, "column": issue.column, "rows": list(issue.rows)}
            for issue in ordered(log.issues)
        ],
        "column_map": _without_none(tables_of(log.column_map)),
        "conventions": list(CONVENTIONS),
    }


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    return [_without_none(item) for item in value] if isinstance(value, list | tuple) else value


def _channel(log: FlightLog, channel: Channel) -> dict[str, Any]:
    entries = entries_of(log, channel)
    numbers = channel.values if channel.values.dtype.kind == "f" else None
    finite = numbers[np.isfinite(numbers)] if numbers is not None else np.empty(0)
    starts, stops = channel.log_time_s[channel.i_gap], channel.log_time_s[np.minimum(channel.i_gap + 1, channel.n_samples - 1)]
    return {
        "name": channel.name,
        "columns": list(channel.columns),
        "file": entries[0].file if entries else "",
        "unit_logged": _unit(entries),
        "is_unit_inferred": channel.is_unit_inferred,
        "is_channel_inferred": any(entry.is_inferred for entry in entries),
        "unit": channel.unit,
        "n_samples": channel.n_samples,
        "rate_hz": channel.rate_hz if np.isfinite(channel.rate_hz) else None,
        "gaps_s": [[float(start), float(stop)] for start, stop in zip(starts, stops, strict=True)],
        "lowest": float(finite.min()) if len(finite) else None,
        "highest": float(finite.max()) if len(finite) else None,
        "full_scale": channel.full_scale,
    }


def entries_of(log: FlightLog, channel: Channel) -> list[ColumnEntry]:
    """The column map's entries a channel was made of."""
    found = [entry for entry in log.column_map.columns if entry.column in channel.columns and entry.channel not in (TIME, IGNORE)]
    files = {entry.file for entry in found if entry.channel == channel.name}
    return [entry for entry in found if not files or entry.file in files]


def _unit(entries: Sequence[ColumnEntry]) -> str:
    return ", ".join(dict.fromkeys(entry.unit for entry in entries if entry.unit))


def ordered(issues: Sequence[Issue]) -> list[Issue]:
    """Problems first, then warnings, then notes."""
    return sorted(issues, key=lambda issue: _SEVERITIES.index(issue.severity))


def audit_text(log: FlightLog) -> str:
    """The audit as a page of text."""
    known = [channel for channel in log.channels.values() if not channel.is_extra]
    extras = [channel.name for channel in log.channels.values() if channel.is_extra]
    names = ", ".join(Path(path).name for path in log.paths)
    lines = [f"{names}: {log.duration_s:.2f} s, sha256 {log.sha256[:12]}", ""]
    lines += _table([_row(log, channel) for channel in known])
    if any(channel.is_unit_inferred for channel in known):
        lines.append("* unit inferred from the data, not stated in the file")
    clocks = [entry for entry in log.column_map.columns if entry.channel == TIME]
    lines += ["", "clock: " + _clocks(clocks)]
    if extras:
        lines.append(_wrapped(f"kept and drawn, never computed with: {', '.join(extras)}"))
    lines += ["", *(_wrapped(_issue(issue)) for issue in ordered(log.issues)), ""]
    lines += CONVENTIONS
    found = problems(log)
    lines += ["", "this log can carry an estimate" if not found else f"this log can't carry an estimate: {found[0].text}"]
    return "\n".join(lines)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)


def _clocks(entries: Sequence[ColumnEntry]) -> str:
    """The clock of each file; said once where all are called the same."""
    said: dict[str, list[str]] = {}
    for entry in entries:
        rate = f" at {entry.rate_hz:g} Hz" if entry.rate_hz else ""
        text = f"{entry.column} in {entry.unit}{rate}{'*' if entry.is_unit_inferred else ''}"
        said.setdefault(text, []).append(entry.file)
    if len(said) == 1:
        return next(iter(said))
    return "; ".join(f"{', '.join(files)}: {text}" for text, files in said.items()) or "rows at the stated rate"


def _row(log: FlightLog, channel: Channel) -> tuple[str, ...]:
    entries = entries_of(log, channel)
    kind = KINDS[channel.name]
    unit = _unit(entries) + ("*" if channel.is_unit_inferred else "")
    gaps = f"{len(channel.i_gap)} gap{'s' * (len(channel.i_gap) != 1)}" if len(channel.i_gap) else ""
    rate = f"{channel.rate_hz:.4g} Hz" if np.isfinite(channel.rate_hz) else "-"
    return kind.label, _shorter(channel.columns), unit, rate, f"{channel.n_samples} samples", gaps, _range(channel)


def _shorter(columns: Sequence[str]) -> str:
    """Column headers, the part they share at the front said once."""
    if len(columns) < 2:
        return "".join(columns)
    n_shared = len(_common(columns))
    return ", ".join([columns[0], *(f"…{column[n_shared:]}" if n_shared >= 4 else column for column in columns[1:])])


def _common(names: Sequence[str]) -> str:
    low, high = min(names), max(names)
    n = next((i for i, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), min(len(low), len(high)))
    return low[:n]


def _range(channel: Channel) -> str:
    """Lowest and highest value in the unit on screen."""
    if channel.values.dtype.kind != "f":
        words = list(dict.fromkeys(channel.values.tolist()))
        return ", ".join(map(str, words[:8])) + (" …" if len(words) > 8 else "")
    if channel.name == "q_enu_from_body_onboard" or not np.isfinite(channel.values).any():
        return ""
    if channel.name == "gnss_lat_lon_height":
        lat, lon = np.nanmean(channel.values[:, :2], axis=0) / DEG
        return f"around {lat:.4f}, {lon:.4f} deg"
    show = channel.unit if channel.unit == "a.u." else KINDS[channel.name].show
    one, zero = _SHOWN.get(show, (1.0, 0.0)) if show != "a.u." else (1.0, 0.0)
    low, high = (np.nanmin(channel.values) - zero) / one, (np.nanmax(channel.values) - zero) / one
    return f"{low:.5g} to {high:.5g} {show}".rstrip()


def _table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    if not rows:
        return ["no channel recognised"]
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [cell.rjust(width) if k in (3, 4) else cell.ljust(width) for k, (cell, width) in enumerate(zip(row, widths, strict=True))]
        lines.append("  ".join(cells).rstrip())
    return lines


def _issue(issue: Issue) -> str:
    where = f" [{issue.column}]" if issue.column else ""
    rows = ""
    if issue.rows:
        shown = ", ".join(str(row) for row in issue.rows[:_N_ROWS])
        rows = f" (row{'s' * (len(issue.rows) > 1)} {shown}{', …' if len(issue.rows) > _N_ROWS else ''})"
    return f"{issue.severity}:{where} {issue.text}{rows}"
