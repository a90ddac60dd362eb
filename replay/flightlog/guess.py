"""Columns of the files at hand to a column map: the clock of each file, then the best set of columns for each channel.

Words decide what a column is (`headers`); its numbers decide only where words leave a choice. Units the headers do not state are found
later (`read`), when there is a clock.
"""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import LogReadError
from replay.flightlog.columnmap import ANGLES, TIME, ColumnEntry, ColumnMap, FileEntry, components_of
from replay.flightlog.headers import Reading, all_readings, place_numbered
from replay.flightlog.log import Issue
from replay.flightlog.text import Table
from replay.flightlog.unit_table import TICKS

_NAMED_RATE = re.compile(r"(?:rate|freq\w*|odr|\bhz)\D{0,20}?(\d+(?:[.,]\d+)?)\s*(k?hz)?", re.IGNORECASE)
_BARE_RATE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k?hz)", re.IGNORECASE)
_NO_RATE = re.compile(r"filter|pass\b|lpf|cut-?off|bandwidth|\bbw\b|baud|\bbus\b|cpu|i2c|\bspi\b|radio|telemetry|gps|gnss", re.IGNORECASE)
_PERIOD = re.compile(r"(?:period|interval|step)\D{0,20}?(\d+(?:[.,]\d+)?)\s*(s|ms|us|µs)\b", re.IGNORECASE)
_RATE_UNITS = {"hz": 1.0, "khz": 1e3, "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}
_OPTIONAL = {"gnss_lat_lon_height": {"height"}, "gimbal_command_rad": {"y"}, "gimbal_position_rad": {"y"}}


def guess_columns(tables: Sequence[Table], stated: ColumnMap) -> tuple[ColumnMap, list[Issue]]:
    """A column map for these tables, and what is to be said about it.

    Files whose columns `stated` lists keep what it says; every other file's are guessed. Each column of each file has an entry.

    Raises
    ------
    LogReadError
        `stated` names a column that carries the estimate (clock, accelerometer, gyro) and the file does not have.
    """
    issues: list[Issue] = []
    several = len(tables) > 1
    names = [table.name if several else "" for table in tables]
    given = _given(tables, names, stated)
    candidates: list[tuple[int, Table, dict[str, Reading]]] = []
    entries: dict[tuple[str, str], ColumnEntry] = {}
    for k, (table, name) in enumerate(zip(tables, names, strict=True)):
        for entry in given.get(k, ()):
            if entry.column in table.headers:
                entries[name, entry.column] = replace(entry, file=name)
            else:
                issues.append(_absent(table, entry))
        if k in given:
            continue
        clock = _clock_column(table, name)
        if clock is not None:
            entries[name, clock.column] = clock
        readings = _readings(table, clock.column if clock else None)
        candidates.append((k, table, readings))
    taken = {entry.channel for entry in entries.values()}
    for channel, chosen in _choose(candidates, taken).items():
        for k, header, component, reading in chosen:
            entries[names[k], header] = ColumnEntry(
                header, channel, component, reading.unit or _only_unit(channel), file=names[k], is_inferred=True, reason=reading.reason
            )
    columns = tuple(
        entries.get((name, header), ColumnEntry(header, file=name, is_inferred=True, reason="not recognised"))
        for table, name in zip(tables, names, strict=True)
        for header in table.headers
    )
    return replace(stated, columns=columns, files=_files(tables, names, stated)), issues


def _absent(table: Table, entry: ColumnEntry) -> Issue:
    """A column the map names and the file lacks: an error where the estimate needs it, else a warning."""
    near = difflib.get_close_matches(entry.column, table.headers, n=1, cutoff=0.0)
    if entry.channel in (TIME, "accel_raw_imu_mps2", "rate_raw_imu_radps"):
        got = f"no such header (nearest: {near[0]!r})" if near else "no such header"
        raise LogReadError(table.path, None, entry.column, "the column that the column map names", got)
    return Issue("warning", f"the column map names a column that {table.name} does not have", entry.column)


def _only_unit(channel: str) -> str:
    return "1" if channel == "q_enu_from_body_onboard" else ""


def _given(tables: Sequence[Table], names: Sequence[str], stated: ColumnMap) -> dict[int, list[ColumnEntry]]:
    """The stated entries of each table they fit: by file name, or, for a map made on other files, by the headers they share."""
    by_file: dict[str, list[ColumnEntry]] = defaultdict(list)
    for entry in stated.columns:
        by_file[entry.file].append(entry)
    given: dict[int, list[ColumnEntry]] = {}
    for k, table in enumerate(tables):
        if by_file.get(table.name):
            given[k] = by_file.pop(table.name)
    for entries in by_file.values():
        headers = {entry.column for entry in entries}
        free = [(len(headers & set(table.headers)), -k) for k, table in enumerate(tables) if k not in given]
        if not free:
            break
        n_shared, minus_k = max(free)
        if n_shared >= max(1, 0.5 * len(headers)) or len(tables) == 1:
            given[-minus_k] = entries
    return given


def _files(tables: Sequence[Table], names: Sequence[str], stated: ColumnMap) -> tuple[FileEntry, ...]:
    """What is stated about each file, and the sample rate that a file without a map states in its preamble."""
    files = []
    for table, name in zip(tables, names, strict=True):
        entry = next((e for e in stated.files if e.file in (table.name, name)), None)
        entry = replace(entry, file=name) if entry is not None else FileEntry(name)
        if entry != FileEntry(name):
            files.append(entry)
    return tuple(files)


def stated_rate(preamble: Sequence[str]) -> float | None:
    """Sample rate a preamble states, Hz: `Sample rate: 50.0Hz`, `ODR=1 kHz`, `period 10 ms`."""
    phrases = [phrase for line in preamble for phrase in re.split(r"[;|]|,\s", line) if not _NO_RATE.search(phrase)]
    for pattern in (_NAMED_RATE, _PERIOD, _BARE_RATE):
        for match in (match for phrase in phrases for match in pattern.finditer(phrase)):
            size = float(match.group(1).replace(",", ".")) * _RATE_UNITS[(match.group(2) or "hz").lower()]
            rate = 1.0 / size if pattern is _PERIOD and size > 0.0 else size
            if 0.1 <= rate <= 1e5:
                return rate
    return None


@dataclass(frozen=True)
class _ClockLook:
    """How much a column looks like a clock."""

    is_advancing: bool
    n_backward: int
    n_repeated: int
    step: float


def _look(values: NDArray[Any]) -> _ClockLook:
    if values.dtype.kind not in "fi":
        return _ClockLook(False, 0, 0, 0.0)
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values
    if len(finite) < 2 or len(finite) < 0.5 * len(values):
        return _ClockLook(False, 0, 0, 0.0)
    steps = np.diff(finite)
    n_forward = int(np.count_nonzero(steps > 0))
    n_backward = int(np.count_nonzero(steps < 0))
    n_repeated = len(steps) - n_forward - n_backward
    # a counter of 16 bits in µs wraps many times a second, and still goes forward three steps of four
    return _ClockLook(
        n_forward > 0 and n_backward <= 0.35 * (n_forward + n_backward),
        n_backward,
        n_repeated,
        float(np.median(steps[steps > 0])) if n_forward else 0.0,
    )


def _clock_column(table: Table, name: str) -> ColumnEntry | None:
    """The column that is the file's clock: named as one and behaving as one; the fewest faults where there are several."""
    best: tuple[float, int, ColumnEntry] | None = None
    rate = stated_rate(table.preamble)
    for i, header in enumerate(table.headers):
        readings = [reading for reading in all_readings(_with_unit(header, table.units[i])) if reading.channel == TIME]
        look = _look(table.columns[i]) if readings else None
        if look is None or not look.is_advancing:
            continue
        reading = readings[0]
        score = reading.score - (look.n_backward + 0.5 * look.n_repeated) / max(1, len(table.rows))
        unit = reading.unit or ""
        rate_hz = None
        if unit == TICKS or (not unit and reading.score < 0.6):
            unit, rate_hz = TICKS, rate
            score -= 0.0 if rate is not None else 0.3
        entry = ColumnEntry(header, TIME, unit=unit, rate_hz=rate_hz, file=name, is_inferred=True, reason=reading.reason)
        if best is None or score > best[0]:
            best = (score, i, entry)
    if best is not None:
        return best[2]
    for i, header in enumerate(table.headers):
        look = _look(table.columns[i])
        is_clock = look.is_advancing and not look.n_backward and look.n_repeated < 0.9 * len(table.rows)
        if is_clock and (not table.has_header or not all_readings(header, table.name)):
            return ColumnEntry(header, TIME, file=name, is_inferred=True, reason="the first column that only ever advances")
    return None


def _with_unit(header: str, unit: str) -> str:
    """Header with the unit row's unit behind it, where it states none itself."""
    return f"{header} [{unit}]" if unit and "[" not in header and "(" not in header else header


def _readings(table: Table, clock: str | None) -> dict[str, Reading]:
    """Best reading of each column but the clock's. Where a file holds a position, its height is the receiver's unless it says otherwise."""
    found: dict[str, list[Reading]] = {}
    spoken = _spoken_headers(table, clock)
    for i, header in enumerate(table.headers):
        if header == clock:
            continue
        readings = all_readings(_with_unit(spoken.get(header, header), table.units[i]), table.name)
        found[header] = [reading for reading in readings if reading.channel != TIME and _fits(reading, table.columns[i])]
    names = {reading.component for readings in found.values() for reading in readings[:1] if reading.channel == "gnss_lat_lon_height"}
    has_pressure = any(readings and readings[0].channel == "pressure_pa" for readings in found.values())
    is_receiver = bool({"latitude", "longitude"} <= names) and (not has_pressure)
    best: dict[str, Reading] = {}
    for header, readings in found.items():
        if is_receiver:
            readings = [replace(r, score=r.score + 0.4 * (r.channel == "gnss_lat_lon_height")) for r in readings]
        if readings:
            best[header] = max(readings, key=lambda reading: reading.score)
    return best


def _spoken_headers(table: Table, clock: str | None) -> dict[str, str]:
    """Without a header, three columns beside the clock are x, y and z of what the file's name says."""
    others = [header for header in table.headers if header != clock]
    if table.has_header or clock is None or len(others) != 3:
        return {}
    return dict(zip(others, "xyz", strict=True))


def _fits(reading: Reading, values: NDArray[Any]) -> bool:
    """Words only for a state, numbers for everything else."""
    return reading.channel == "state" or values.dtype.kind in "fi"


_Chosen = list[tuple[int, str, str, Reading]]


def _choose(candidates: Sequence[tuple[int, Table, dict[str, Reading]]], taken: set[str]) -> dict[str, _Chosen]:
    """For each channel the best complete set of columns of one file and one stem: (table, header, component, reading)."""
    groups: dict[tuple[str, int, str], _Chosen] = defaultdict(list)
    for k, _, readings in candidates:
        for header, reading in readings.items():
            stem = reading.stem if reading.channel != "gnss_lat_lon_height" else ""
            groups[reading.channel, k, stem].append((k, header, reading.component, reading))
    best: dict[str, tuple[float, _Chosen]] = {}
    for (channel, k, _), members in groups.items():
        if channel in taken:
            continue
        chosen = _complete(channel, members)
        if not chosen:
            continue
        score = float(np.mean([reading.score for *_, reading in chosen])) - 1e-6 * k
        if channel not in best or score > best[channel][0]:
            best[channel] = (score, chosen)
    if "q_enu_from_body_onboard" in best or "q_enu_from_body_onboard" in taken:
        best.pop(ANGLES, None)
    return {channel: chosen for channel, (_, chosen) in best.items()}


def _complete(channel: str, members: _Chosen) -> _Chosen:
    """One column per component, the best of each; empty where one is missing. Numbers become names."""
    names = components_of(channel)
    if len(names) == 1:
        return [max(members, key=lambda member: member[3].score)]
    numbered = place_numbered([component for _, _, component, _ in members], names)
    by_name: dict[str, tuple[int, str, str, Reading]] = {}
    for k, header, component, reading in members:
        name = numbered.get(component, component)
        if name in names and (name not in by_name or reading.score > by_name[name][3].score):
            by_name[name] = (k, header, name, reading)
    missing = set(names) - set(by_name) - _OPTIONAL.get(channel, set())
    return [] if missing else [by_name[name] for name in names if name in by_name]
