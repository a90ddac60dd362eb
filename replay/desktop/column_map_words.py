"""What a column map says in words: its channels, how each column was found, what keeps it from being used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from replay.desktop.reading import first_rows
from replay.errors import ReplayError
from replay.flightlog.channels import KINDS
from replay.flightlog.columnmap import ANGLES, EXTRA, IGNORE, SIGNED_AXES, TIME, ColumnEntry, components_of, handedness
from replay.flightlog.log import FlightLog
from replay.flightlog.unit_table import TICKS

FOUND = "found from the data"
AXES = (FOUND, *SIGNED_AXES)
_LABELS = {TIME: "time (clock of the file)", ANGLES: "attitude as angles", EXTRA: "keep, draw only", IGNORE: "leave out"}
_NEEDED = (("accel_raw_imu_mps2", "accelerometer"), ("rate_raw_imu_radps", "gyro"))


def channel_label(channel: str) -> str:
    """A channel in words."""
    return _LABELS.get(channel) or KINDS[channel].label


def barred_by(entries: Sequence[ColumnEntry], axes: Sequence[str]) -> list[str]:
    """What keeps a map from being used; `axes` as chosen of `AXES`."""
    problems = []
    counts = Counter((e.file, e.channel, e.component) for e in entries if e.channel not in (EXTRA, IGNORE))
    for (file, channel, part), n in counts.items():
        if n > 1:
            where = f" in {file}" if file else ""
            problems.append(f"Not possible: {n} columns are {channel_label(channel)} {part}".rstrip() + f"{where}.")
    if FOUND not in axes and handedness(axes) != 1:
        problems.append("Not possible: body x, y and z must be three different imu axes that make a right-handed set.")
    problems += [
        f"Not possible: {entry.column} counts ticks; say how many a second (scale)."
        for entry in entries
        if entry.channel == TIME and entry.unit == TICKS and not entry.rate_hz
    ]
    return problems


def missed_by(entries: Sequence[ColumnEntry]) -> list[str]:
    """What a map can be used without, and what then is not to be had."""
    problems = []
    there = {(entry.channel, entry.component) for entry in entries}
    for channel, label in _NEEDED:
        missing = [part for part in components_of(channel) if (channel, part) not in there]
        if missing:
            problems.append(f"No {label} {', '.join(missing)}: without it there is no estimate.")
    if not any(entry.channel == TIME for entry in entries):
        problems.append("No column is the clock: the rows are spaced evenly, at the rate stated for the file.")
    return problems


def how_found(entry: ColumnEntry) -> str:
    """How a column came to be read as it is."""
    if entry.is_unit_inferred:
        return "unit guessed from the data"
    return "from the header" if entry.is_inferred else "stated"


def first_values(log: FlightLog) -> dict[tuple[str, str], tuple[str, ...]]:
    """(file as in the map, header) -> the first values as they stand in the file."""
    values = {}
    several = len(log.paths) > 1
    for path in log.paths:
        try:
            headers, rows = first_rows(path)
        except (ReplayError, OSError):
            continue
        for i, header in enumerate(headers):
            values[Path(path).name if several else "", header] = tuple(row[i] for row in rows if row[i])
    return values
