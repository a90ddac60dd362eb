"""The clocks of several files: each made good on its own, then put on one log clock. How is always said."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import LogReadError
from replay.flightlog import infer
from replay.flightlog.columnmap import EXTRA, TIME, ColumnEntry, ColumnMap
from replay.flightlog.guess import stated_rate
from replay.flightlog.headers import all_readings
from replay.flightlog.log import Channel, Issue
from replay.flightlog.text import Table
from replay.flightlog.timebase import Clock, make_clock
from replay.flightlog.unit_table import TICKS, to_si

Array = NDArray[np.float64]
_DRIFT, _MOST_DRIFT = 0.002, 0.05  # a crystal is far better, a resistor and capacitor hardly worse (common practice, no source)
_EPOCH_S = 1e9  # stamps beyond this count from a date: files that both have them share absolute time


@dataclass(eq=False)
class Source:
    """One file on the log's clock."""

    table: Table
    name: str
    clock: Clock
    offset_s: float = 0.0

    @cached_property
    def log_time_s(self) -> Array:
        """Times of the k kept rows on the log's clock, s, shape (k,): one array for all channels that have every row.

        Settled once clocks are aligned.
        """
        return self.clock.time_s + self.offset_s

    def kept(self, column: str) -> NDArray[Any]:
        """Values of a column on the k kept rows, shape (k,), as logged."""
        values = self.table.column(column)
        return values if self.clock.keep.all() else values[self.clock.keep]


@dataclass(eq=False)
class Merge:
    """Work in progress: sources, the map as it stands, channels so far and what there is to say.

    `unread` holds the entries whose unit could not be found: their columns are kept as extras, as they stand.
    """

    sources: list[Source]
    column_map: ColumnMap
    channels: dict[str, Channel] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)
    unread: list[ColumnEntry] = field(default_factory=list)

    def say(self, severity: str, text: str, column: str | None = None, rows: Sequence[int] = (), file: str = "") -> None:
        """Add an issue; `file` is named in front where several files were read."""
        self.issues.append(Issue(severity, f"{file}: {text}" if file else text, column, tuple(rows)))


def open_sources(tables: Sequence[Table], column_map: ColumnMap) -> Merge:
    """Every file that has a clock, on one log clock that is zero at the earliest row.

    Raises
    ------
    LogReadError
        No file has a clock, or one is no clock (words, a constant, ticks without a rate).
    """
    work = Merge([], column_map)
    several = len(tables) > 1
    for table in tables:
        name = table.name if several else ""
        clock = _clock(work, table, name)
        if clock is not None:
            work.sources.append(Source(table, name, clock))
    if not work.sources:
        named = [header for header in tables[0].headers if any(reading.channel == TIME for reading in all_readings(header)[:1])]
        got = f"column {named[0]!r}, which does not run forward" if named else f"columns {', '.join(tables[0].headers[:8])}"
        raise LogReadError(tables[0].path, None, None, "a time column, or rate_hz in the column map", got)
    _align(work)
    _compare_clocks(work)
    return work


def _clock(work: Merge, table: Table, name: str) -> Clock | None:
    """The clock of one file; None, and a word, where it has none."""
    stated = work.column_map.file(name)
    entry = next(iter(work.column_map.of(TIME, name)), None)
    is_same = _row_compare(table)
    if entry is None:
        rate = stated.rate_hz or stated_rate(table.preamble)
        if rate is None:
            work.say("warning", f"{table.name}: no time column and no stated rate, so it can't be placed in time; left out")
            return None
        work.say("note", f"{table.name}: no time column; rows are taken as evenly spaced at the stated {rate:g} Hz")
        return make_clock(np.arange(len(table.rows)), 1.0 / rate, table.rows, i_restart=table.i_restart)
    stamps = table.column(entry.column)
    if stamps.dtype.kind not in "fi":
        raise LogReadError(table.path, int(table.rows[0]), entry.column, "a time as a number", repr(str(stamps[0])))
    if not entry.unit:
        finite = stamps[np.isfinite(stamps)] if stamps.dtype.kind == "f" else stamps
        found = infer.time_unit(np.diff(finite).astype(np.float64), bool(np.all(finite == np.rint(finite))))
        entry = replace(entry, unit=found.unit, is_unit_inferred=True)
        work.column_map = work.column_map.with_entry(entry)
        if found.unit:
            work.say("note", f"time unit not stated: read as {found.unit} ({found.reason})", entry.column, file=name)
    if entry.unit == TICKS:
        rate = entry.rate_hz or stated.rate_hz or stated_rate(table.preamble)
        if rate is None:
            raise LogReadError(table.path, None, entry.column, "rate_hz in the column map, for a time in ticks", "none stated")
        if entry.rate_hz is None:
            entry = replace(entry, rate_hz=rate)
            work.column_map = work.column_map.with_entry(entry)
        work.say("note", f"time is a counter; its stated rate of {rate:g} Hz turns it into seconds", entry.column, file=name)
        tick_s = 1.0 / rate
    elif entry.unit:
        tick_s = to_si("time", entry.unit)[0]
    else:
        raise LogReadError(table.path, int(table.rows[0]), entry.column, "a time that advances", "a constant")
    clock = make_clock(stamps, tick_s * entry.scale, table.rows, i_restart=table.i_restart, is_copy=is_same, column=entry.column)
    for issue in clock.issues:
        work.say(issue.severity, issue.text, issue.column, issue.rows, name)
    if len(clock.time_s) < 2:
        raise LogReadError(table.path, int(table.rows[0]), entry.column, "a time that advances", "a constant")
    return clock


def _row_compare(table: Table) -> Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.bool_]]:
    def is_copy(rows: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.bool_]:
        same = np.ones(len(rows), dtype=bool)
        for column in table.columns:
            here, before = column[rows], column[others]
            same &= (here == before) | ((here != here) & (before != before))  # NaN equals NaN
        return same

    return is_copy


def _align(work: Merge) -> None:
    """Put every file's clock on one log clock, zero at the earliest row; say how."""
    files = {source.name for source in work.sources}
    main_name = next((entry.file for entry in work.column_map.of("rate_raw_imu_radps") if entry.file in files), work.sources[0].name)
    main = next(source for source in work.sources if source.name == main_name)
    start, stop = main.clock.start_s, main.clock.start_s + main.clock.time_s[-1]
    for source in work.sources:
        if source is main:
            continue
        stated = work.column_map.file(source.name).clock_offset_s
        own = source.clock.start_s
        own_stop = own + source.clock.time_s[-1]
        label = f"{source.table.name} against {main.table.name}"
        if stated is not None:
            source.offset_s = own + stated - start
            work.say("note", f"{label}: clock offset of {stated:g} s, as stated")
        elif (own > _EPOCH_S) == (start > _EPOCH_S) and min(stop, own_stop) - max(start, own) >= 0.3 * min(stop - start, own_stop - own):
            source.offset_s = own - start
            kind = "both stamps count from the same date" if own > _EPOCH_S else "their stamps overlap, one clock assumed"
            work.say(*_lengths(source.clock, main.clock, f"{label}: {kind}; first rows {own - start:+.4g} s", own - start, own_stop - stop))
        else:
            source.offset_s = 0.0
            work.say("warning", f"{label}: clocks have nothing in common, first rows put together; state clock_offset_s if they are not")
    earliest = min(source.offset_s for source in work.sources)
    for source in work.sources:
        source.offset_s -= earliest


def _lengths(clock: Clock, main: Clock, said: str, first_s: float, last_s: float) -> tuple[str, str]:
    """(severity, text) with how far the last rows lie apart: files that start together and do not end so may have clocks of two rates."""
    text = f"{said}, last rows {last_s:+.4g} s apart"
    together = 3.0 * max(float(np.median(np.diff(c.time_s))) for c in (clock, main))
    share = (last_s - first_s) / float(main.time_s[-1])
    if abs(first_s) > together or abs(last_s) <= together or not _DRIFT < abs(share) < _MOST_DRIFT:
        return "note", text
    return "warning", f"{text}: if both ran to the end, this clock runs {100 * share:+.2g} % against it; state scale for its time column"


def _compare_clocks(work: Merge) -> None:
    """A second clock in a file is compared with the one used."""
    for source in work.sources:
        used = next(iter(work.column_map.of(TIME, source.name)), None)
        if used is None:
            continue
        for entry in work.column_map.columns:
            if entry.file != source.name or entry.channel != EXTRA:
                continue
            readings = [r for r in all_readings(entry.column) if r.channel == TIME and r.unit not in (None, TICKS)]
            values = source.table.column(entry.column)
            if not readings or values.dtype.kind not in "fi" or readings[0].unit is None:
                continue
            other = (values[source.clock.keep] - values[0]).astype(np.float64) * to_si("time", readings[0].unit)[0]
            if not np.isfinite(other).all() or np.any(np.diff(other) < 0) or not other[-1] > other[0]:
                continue
            slope, level = np.polyfit(source.clock.time_s, other, 1)
            apart = float(np.max(np.abs(other - level - slope * source.clock.time_s)))
            runs = f"runs {1e6 * (slope - 1):+.0f} ppm against it and strays by {apart * 1e3:.3g} ms"
            work.say("note", f"two clocks: {used.column!r} is used; this one {runs}", entry.column, file=source.name)
