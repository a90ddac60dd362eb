"""Reading a flight on a worker: files or a review in, log and document out, with progress and cancel. No widget here."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from replay.desktop.preferences import Preferences
from replay.errors import Cancelled, LogReadError
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import FlightLog
from replay.review.log_reference import find_log, reference_to
from replay.review.review import Review
from replay.review.storage import is_review, load_review

_HEAD_BYTES = 1 << 16

Headers = tuple[tuple[str, tuple[str, ...]], ...]
"""(file name, column headers) of each file, in order."""


@dataclass(frozen=True, eq=False)
class ReadRequest:
    """What to read.

    Parameters
    ----------
    paths : tuple of str
        Log files of one flight, or one review.
    column_map : ColumnMap or None
        Stated by the user; None: the review's, else the one remembered for this logger, else guessed.
    review : Review or None
        The document to go on with, where only its log is read again (another column map, a log found elsewhere).
    review_path : str or None
        Where that document is saved.
    is_known : bool
        Don't ask about the columns.
    is_same_document : bool
        The open document goes on, undo and all.
    saved : Review or None
        What the review's file says.
    vehicle_path, method : str or None
        Of a new review.
    is_made : bool
        Made by the program itself (a sample flight): not one of the user's recent files.
    state : callable (Review) -> Review or None
        Puts onto the document what was stated beside it (on the command line).
    """

    paths: tuple[str, ...]
    column_map: ColumnMap | None = None
    review: Review | None = None
    review_path: str | None = None
    is_known: bool = False
    is_same_document: bool = False
    saved: Review | None = None
    vehicle_path: str | None = None
    method: str | None = None
    is_made: bool = False
    state: Callable[[Review], Review] | None = None


@dataclass(frozen=True, eq=False)
class ReadResult:
    """What came of it.

    Parameters
    ----------
    log : FlightLog
    review : Review
    review_path : str or None
    headers : tuple
        `Headers` of the files.
    is_first_sight : bool
        Nothing was remembered or stated about a logger with these headers.
    is_saved : bool
        The document is as its file has it (or there is nothing yet that could be saved).
    note : str
        What the user should be told.
    """

    log: FlightLog
    review: Review
    review_path: str | None
    headers: Headers
    is_first_sight: bool
    is_saved: bool
    note: str = ""


@dataclass(frozen=True, eq=False)
class LogNotFound:
    """A review whose log is not at hand: the user is asked where it is."""

    review: Review
    review_path: str | None
    missing: tuple[str, ...] = ()


def read(
    request: ReadRequest, preferences: Preferences, progress: Callable[[float, str], None], cancel: threading.Event
) -> ReadResult | LogNotFound:
    """Read what was asked for.

    Raises
    ------
    ReplayError
        Of the log or the review, with file, row and column. `Cancelled` where `cancel` was set.
    """
    if len(request.paths) == 1 and is_review(request.paths[0]):
        path = request.paths[0]
        saved = load_review(path)
        return _read_of_review(replace(request, review=saved, saved=saved, review_path=path), saved, preferences, progress, cancel)
    if not request.paths and request.review is not None:
        return _read_of_review(request, request.review, preferences, progress, cancel)
    return _read_log(request, preferences, progress, cancel)


def _read_of_review(
    request: ReadRequest, review: Review, preferences: Preferences, progress: Callable[[float, str], None], cancel: threading.Event
) -> ReadResult | LogNotFound:
    """The log a review names, wherever it is found."""
    found = [find_log(reference, request.review_path) for reference in review.logs]
    if not review.logs or None in found:
        return LogNotFound(review, request.review_path, tuple(log.path for log, at in zip(review.logs, found, strict=True) if at is None))
    return _read_log(replace(request, paths=tuple(map(str, found))), preferences, progress, cancel)


def _read_log(
    request: ReadRequest, preferences: Preferences, progress: Callable[[float, str], None], cancel: threading.Event
) -> ReadResult:
    from replay.flightlog import read_log
    from replay.flightlog.read import digest_of

    headers = headers_of(request.paths)
    stated = request.column_map or (request.review.column_map if request.review is not None else None)
    column_map = stated or preferences.column_map_for(headers)
    log = read_log(request.paths, column_map, progress=progress, cancel=cancel.is_set)
    if cancel.is_set():
        raise Cancelled("reading stopped")
    references = tuple(reference_to(path) for path in log.paths)
    if log.sha256 != digest_of([reference.sha256 for reference in references]):
        raise LogReadError(
            ", ".join(log.paths), None, None, "a file that stays as it is while it is read", "one that changed; open it again"
        )
    review, note = Review(vehicle_path=request.vehicle_path), ""
    if request.method is not None:
        review = replace(review, method=request.method)
    if request.review is not None:
        review = request.review
        if review.logs and {known.sha256 for known in review.logs} != {there.sha256 for there in references}:
            note = "This log is not the one the review was made of: its size or content differs."
    if request.state is not None:
        review = request.state(review)
    # the map as it was read, guesses and all, so that another version's guess can't change what a review means
    review = replace(review, logs=references, column_map=log.column_map)
    is_saved = request.saved == review if request.review is not None else True
    return ReadResult(log, review, request.review_path, headers, column_map is None and not request.is_known, is_saved, note)


def headers_of(paths: Sequence[str]) -> Headers:
    """Column headers of each file, from its first rows only; a file that holds no table is left to `read_log` to complain of."""
    headers = []
    for path in paths:
        inside = sorted(str(p) for p in Path(path).iterdir() if p.is_file()) if Path(path).is_dir() else [path]
        for file in inside:
            try:
                headers.append((Path(file).name, first_rows(file)[0]))
            except LogReadError:
                continue
    return tuple(headers)


def first_rows(path: str, n_rows: int = 12) -> tuple[tuple[str, ...], list[list[str]]]:
    """Headers and the first rows as text, for the column map editor. Only the head of the file is read."""
    from replay.flightlog.read import PARQUET_SUFFIXES, no_parquet
    from replay.flightlog.text import parse_text

    if Path(path).suffix.lower() in PARQUET_SUFFIXES:
        with no_parquet(path):
            return _first_rows_parquet(path, n_rows)
    try:
        with Path(path).open("rb") as stream:
            raw = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise LogReadError(path, None, None, "a file that can be read", error.strerror or str(error)) from None
    cut = raw.rfind(b"\n") + 1 if len(raw) == _HEAD_BYTES else 0
    table = parse_text(raw[:cut] if cut else raw, path)
    n = min(n_rows, len(table.rows))
    return table.headers, [[_cell(column[i]) for column in table.columns] for i in range(n)]


def _cell(value: object) -> str:
    text = f"{value:.9g}" if isinstance(value, float) else str(value)
    return "" if text == "nan" else text


def _first_rows_parquet(path: str, n_rows: int) -> tuple[tuple[str, ...], list[list[str]]]:
    import pyarrow.parquet as parquet

    file = parquet.ParquetFile(path)
    batch = next(file.iter_batches(batch_size=n_rows), None)
    names = tuple(file.schema_arrow.names)
    columns = [] if batch is None else [batch.column(i).to_pylist() for i in range(len(names))]
    return names, [[_cell(column[i]) for column in columns] for i in range(len(columns[0]) if columns else 0)]
