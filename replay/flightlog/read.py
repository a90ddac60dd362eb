"""`read_log`: files of one flight to a FlightLog. Opened read-only, never altered."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, LogReadError
from replay.flightlog.cells import one_column
from replay.flightlog.checks import check_channels
from replay.flightlog.clock_words import since_1970
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.guess import guess_columns
from replay.flightlog.log import FlightLog, Issue
from replay.flightlog.merge import by_channel, merge
from replay.flightlog.text import Table, read_text

PathLike = str | os.PathLike[str]
TEXT_SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".dat", ".log", ".asc")
PARQUET_SUFFIXES = (".parquet", ".pq")


def read_log(
    paths: PathLike | Iterable[PathLike],
    column_map: ColumnMap | None = None,
    progress: Callable[[float, str], None] | None = None,
    cancel: Callable[[], bool] | None = None,
) -> FlightLog:
    """Read the files of one flight.

    Parameters
    ----------
    paths : path or iterable of paths
        Text or Parquet files, or a folder (all its text and Parquet files; those that hold no table are named in the issues).
    column_map : ColumnMap, optional
        A file whose columns it lists is read as it says, its other columns drawn only; the columns of every other file are guessed.
    progress : callable(fraction, text), optional
        Called with 0 to 1 and what is being done.
    cancel : callable() -> bool, optional

    Returns
    -------
    FlightLog

    Raises
    ------
    LogReadError
        A file can't be read or has no clock. One with tables but no gyro or accelerometer is read: `audit.problems` says what is missing.
    Cancelled
    """
    tell = progress or (lambda fraction, text: None)
    check = cancel or (lambda: False)
    tables, issues = read_tables(paths, lambda fraction, text: tell(0.85 * fraction, text), check)
    tell(0.86, "finding the channels")
    mapped, more = guess_columns(tables, column_map or ColumnMap())
    issues += more
    if check():
        raise Cancelled
    tell(0.9, "putting the clocks in order")
    work = merge(tables, mapped)
    if check():
        raise Cancelled
    tell(0.97, "checking")
    channels = by_channel(work.channels)
    issues += work.issues
    issues += check_channels(channels)
    tell(1.0, "done")
    return FlightLog(
        tuple(table.path for table in tables), digest_of([table.sha256 for table in tables]), channels, work.column_map, tuple(issues)
    )


def digest_of(hashes: Sequence[str]) -> str:
    """The hash of a log by those of its files, in order: of one file its own."""
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("".join(hashes).encode()).hexdigest()


def read_tables(
    paths: PathLike | Iterable[PathLike], progress: Callable[[float, str], None], cancel: Callable[[], bool]
) -> tuple[list[Table], list[Issue]]:
    """Every file's table, and what was found on the way.

    Raises
    ------
    LogReadError
        A named file can't be read, two have the same name, or a folder holds no table.
    Cancelled
    """
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    files = [(Path(path), False) for path in given if not Path(path).is_dir()]
    for path in given:
        if Path(path).is_dir():
            inside = sorted(p for p in Path(path).iterdir() if p.suffix.lower() in TEXT_SUFFIXES + PARQUET_SUFFIXES and p.is_file())
            files += [(p, True) for p in inside]
    if not files:
        expected = "a log file" if not given else f"a log file in this folder ({', '.join(TEXT_SUFFIXES + PARQUET_SUFFIXES)})"
        raise LogReadError(", ".join(map(str, given)) or "nothing", None, None, expected, "none")
    tables: list[Table] = []
    issues: list[Issue] = []
    for i, (path, is_from_folder) in enumerate(files):

        def tell(fraction: float, text: str, i: int = i, path: Path = path) -> None:
            progress((i + fraction) / len(files), f"{path.name}: {text}")

        try:
            table = _read_table(path, tell, cancel)
        except LogReadError as error:
            if not is_from_folder:
                raise
            issues.append(Issue("note", f"{path.name} left out: expected {error.expected}, got {error.got}"))
            continue
        tables.append(_apart(table, tables))
    if not tables:
        raise LogReadError(str(given[0]), None, None, "a file with a table", "none in this folder")
    for table in tables:
        prefix = f"{table.name}: " if len(tables) > 1 else ""
        issues += [replace(issue, text=prefix + issue.text) for issue in table.issues]
    return tables, issues


def _apart(table: Table, others: list[Table]) -> Table:
    """Two files of one name (from two folders) are told apart by a number, since the column map knows them by name."""
    if all(table.name != other.name for other in others):
        return table
    raise LogReadError(table.path, None, None, "files of different names", f"{table.name!r} twice")


def _read_table(path: Path, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> Table:
    if path.suffix.lower() in PARQUET_SUFFIXES:
        return read_parquet(path)
    return read_text(path, progress, cancel)


@contextmanager
def no_parquet(path: PathLike) -> Iterator[None]:
    """What keeps a Parquet file from being read, as a LogReadError of one line."""
    try:
        import pyarrow
    except ImportError:
        raise LogReadError(
            os.fspath(path), None, None, "the [parquet] extra: pip install 'plumbline-replay[parquet]'", "no pyarrow"
        ) from None
    try:
        yield
    except (OSError, pyarrow.ArrowException) as error:
        raise LogReadError(os.fspath(path), None, None, "a Parquet file that can be read", str(error).split("\n")[0]) from None


def read_parquet(path: Path) -> Table:
    """A Parquet file's table; row numbers count from 1.

    Raises
    ------
    LogReadError
        Not readable, or the extra it needs is not installed.
    """
    with no_parquet(path):
        import pyarrow.parquet as parquet

        raw = path.read_bytes()
        frame = parquet.read_table(path).to_pandas()
    if any(name is not None for name in frame.index.names):  # a named index is a column like any other, often the clock
        frame = frame.reset_index()
    columns = [_parquet_column(frame[header]) for header in frame.columns]
    return Table(
        path=str(path),
        sha256=hashlib.sha256(raw).hexdigest(),
        headers=tuple(str(header) for header in frame.columns),
        units=tuple("s" if frame[header].dtype.kind in "mM" else "" for header in frame.columns),
        columns=tuple(columns),
        rows=np.arange(1, len(frame) + 1, dtype=np.int64),
    )


def _parquet_column(series: Any) -> NDArray[Any]:
    """float64, int64 or str; dates and durations in seconds, blank where there is no value."""
    import pandas as pd

    if series.dtype.kind == "M":
        return since_1970(series)
    if series.dtype.kind == "m":
        return np.asarray(series.dt.total_seconds().to_numpy(dtype=np.float64))
    if pd.api.types.is_integer_dtype(series) and not series.hasnans and str(series.dtype).lower() != "uint64":
        return np.asarray(series.to_numpy(dtype=np.int64))
    if pd.api.types.is_numeric_dtype(series):
        return np.asarray(series.to_numpy(dtype=np.float64, na_value=np.nan))
    column, _, _ = one_column([np.array([_plain_cell(cell) for cell in series.to_numpy(dtype=object)], dtype=object)])
    return column


def _plain_cell(cell: Any) -> Any:
    """A number or a text; None for nothing, and anything else (a list, bytes, a date) as it is written."""
    if isinstance(cell, str | int | float):
        return None if cell != cell else cell  # NaN is not equal to itself
    return None if cell is None or str(cell) in ("NaT", "<NA>") else str(cell)
