"""Bytes of a text log to a table of columns. No row is padded, dropped or changed without an `Issue` that names its line.

The sanitiser comes first (encoding, line ends, NUL bytes, torn tail, ragged rows, comments, repeated headers), then the pandas C
engine on lines that all have the same number of fields: no engine is safe on its own.
"""

from __future__ import annotations

import codecs
import hashlib
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, LogReadError
from replay.flightlog.cells import as_array, joined
from replay.flightlog.clock_words import seconds_of
from replay.flightlog.log import Issue
from replay.flightlog.sanitise import Cancel, Lines, Progress, judge_lines, lines_in
from replay.flightlog.sniff import BLANK, Layout, sniff

_HEAD = 1 << 16
_CONTROLS = bytes(i for i in range(1, 32) if i not in b"\t\n\x1a\x1b") + b"\x7f"


@dataclass(frozen=True, eq=False)
class Table:
    """One file's table.

    Parameters
    ----------
    path : str
    sha256 : str
    headers : tuple of str
        Unique; "column 3" where the file has none.
    units : tuple of str
        Unit row under the header; empty strings where there is none.
    columns : tuple of ndarray, shape (n,) each
        float64, int64 or str, one per header.
    rows : ndarray of int, shape (n,)
        1-based line (Parquet: row) of the file each row came from.
    preamble : tuple of str
        Lines above the table.
    i_restart : tuple of int
        The header was repeated just before row i: the logger started again.
    has_header : bool
    issues : tuple of Issue
    """

    path: str
    sha256: str
    headers: tuple[str, ...]
    units: tuple[str, ...]
    columns: tuple[NDArray[Any], ...]
    rows: NDArray[np.int64]
    preamble: tuple[str, ...] = ()
    i_restart: tuple[int, ...] = ()
    has_header: bool = True
    issues: tuple[Issue, ...] = ()

    @property
    def name(self) -> str:
        """File name without its folder."""
        return Path(self.path).name

    def column(self, header: str) -> NDArray[Any]:
        """Values under a header, shape (n,). KeyError where there is no such column."""
        try:
            return self.columns[self.headers.index(header)]
        except ValueError:
            raise KeyError(header) from None


def _quiet(fraction: float, text: str) -> None:
    """No progress wanted."""


def _never() -> bool:
    return False


def read_text(path: str | Path, progress: Progress = _quiet, cancel: Cancel = _never) -> Table:
    """Read one text log. The file is opened for reading only.

    Raises
    ------
    LogReadError
        It can't be opened, is empty, or holds no table of numbers.
    Cancelled
    """
    return parse_text(read_bytes(path), str(path), progress, cancel)


def read_bytes(path: str | Path) -> bytes:
    """All bytes of a file, or a LogReadError that says why not."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise LogReadError(str(path), None, None, "a file that can be read", error.strerror or str(error)) from None


def parse_text(raw: bytes, name: str, progress: Progress = _quiet, cancel: Cancel = _never) -> Table:
    """`read_text` on bytes already in memory; `name` stands for the path.

    Raises
    ------
    LogReadError, Cancelled
        As `read_text`.
    """
    issues: list[Issue] = []
    data = _plain_bytes(raw, issues)
    if _is_binary(data):
        raise LogReadError(name, None, None, "a text log (or .parquet)", _kind(raw))
    head = data if len(data) <= _HEAD else data[: data.rfind(b"\n", 0, _HEAD) + 1]
    head_lines = head.decode("utf-8", "replace").split("\n")
    layout = sniff([line.replace("\0", "") for line in head_lines])
    if layout is None:
        got = "an empty file" if not data.strip() else "no row of two or more numbers"
        raise LogReadError(name, None, None, "a table with a time column", got)
    header = head_lines[layout.i_header].strip().encode() if layout.i_header is not None else b""
    lines = judge_lines(data, layout, header, progress, cancel)
    columns, is_row, more = _parse(lines, progress, cancel)
    rows = np.flatnonzero(lines.keep)[is_row] + 1
    if not len(rows):
        raise LogReadError(name, layout.i_data + 1, None, f"rows of {layout.n_fields} fields", "none that can be read")
    i_kept = [i for i, column in enumerate(columns) if layout.headers[i] or not _is_empty(column)]
    headers, units, named = _clocks_read(*_named(layout, columns, i_kept, issues), issues)
    if sum(column.dtype.kind in "fi" for column in named) < 2:
        raise LogReadError(name, layout.i_data + 1, None, "a table with a time column", "fewer than two columns of numbers")
    skipped = [i for i in (layout.i_header, layout.i_units) if i is not None]
    return Table(
        path=name,
        sha256=hashlib.sha256(raw).hexdigest(),
        headers=headers,
        units=units,
        columns=named,
        rows=rows,
        preamble=tuple(line.strip() for i, line in enumerate(head_lines[: layout.i_data]) if i not in skipped and line.strip()),
        i_restart=tuple(int(i) for i in np.searchsorted(rows, np.array(lines.repeats, dtype=np.int64) + 1)),
        has_header=layout.i_header is not None,
        issues=(*issues, *lines.issues, *(replace(issue, column=headers[i_kept.index(i)]) for i, issue in more)),
    )


def _plain_bytes(raw: bytes, issues: list[Issue]) -> bytes:
    """UTF-8 bytes with `\\n` line ends, no blanks but spaces and tabs, no byte order mark and no NUL tail."""
    encoding, data = _utf8(raw)
    if encoding not in ("ASCII", "UTF-8"):
        issues.append(Issue("note", f"read as {encoding}"))
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\f" in data or b"\v" in data:  # bytes.split takes them for blanks, pandas does not
        data = data.translate(bytes.maketrans(b"\f\v", b"  "))
    stripped = data.rstrip(b"\0")
    if len(stripped) < len(data):
        text = f"{len(data) - len(stripped)} NUL bytes at the end of the file (power cut?), left out"
        issues.append(Issue("warning", text, rows=(stripped.count(b"\n") + 1,)))
    return stripped


def _utf8(raw: bytes) -> tuple[str, bytes]:
    """(encoding found, the same text as UTF-8)."""
    for mark, encoding, label in (
        (codecs.BOM_UTF8, "", "UTF-8"),
        (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
        (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
        (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
        (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
    ):
        if raw.startswith(mark):
            body = raw[len(mark) :]
            return label, body if not encoding else body.decode(encoding, "replace").encode()
    # digits and commas in UTF-16 have a zero in every second byte; a few other letters among them have not
    first = raw[:4096]
    half = len(first) // 2
    for encoding, zeros, others in (("utf-16-le", first[1::2], first[::2]), ("utf-16-be", first[::2], first[1::2])):
        if half >= 4 and zeros.count(0) > 0.8 * half and others.count(0) < 0.05 * half:
            return "UTF-16", raw.decode(encoding, "replace").encode()
    if raw.isascii():
        return "ASCII", raw
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        head = raw[:_HEAD]
        if not head.isascii() and not _starts_as_utf8(head):
            return "Latin-1", raw.decode("latin-1").encode()
    return "UTF-8", raw


def _is_binary(data: bytes) -> bool:
    """Control signs are strewn through the head as no logger writes them; NUL bytes do not count, a power cut leaves those."""
    head = data[:_HEAD].replace(b"\0", b"")
    return len(head) - len(head.translate(None, _CONTROLS)) > 0.02 * len(head)


def _kind(raw: bytes) -> str:
    """What a file that is no text is, by its first bytes, as far as it helps."""
    packed = {
        b"\x1f\x8b": "gzip",
        b"PK\x03\x04": "zip",
        b"BZh": "bzip2",
        b"\xfd7zXZ": "xz",
        b"\x28\xb5\x2f\xfd": "zstd",
        b"7z\xbc\xaf": "7z",
    }
    for mark, name in packed.items():
        if raw.startswith(mark):
            return f"a file packed with {name}: unpack it first"
    return "a Parquet file under another name" if raw.startswith(b"PAR1") else "a binary file"


def _starts_as_utf8(head: bytes) -> bool:
    """Valid UTF-8, but for a sign cut at the end."""
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start >= len(head) - 3
    return True


def _parse(lines: Lines, progress: Progress, cancel: Cancel) -> tuple[list[NDArray[Any]], NDArray[np.bool_], list[tuple[int, Issue]]]:
    """Columns of the kept lines; which kept lines hold any number; and what was wrong with single cells, with its column's index."""
    n_fields = lines.layout.n_fields
    parts: list[list[NDArray[Any]]] = [[] for _ in range(n_fields)]
    first = 0
    for piece, n_lines in zip(lines.pieces, lines.sizes, strict=True):
        if cancel():
            raise Cancelled
        progress(0.3 + 0.6 * piece[0] / len(lines.data), "reading the numbers")
        text = _kept_text(lines, piece, first, n_lines)
        first += n_lines
        if text:
            for part, values in zip(parts, _read_piece(text, lines.layout), strict=True):
                part.append(values)
    return joined(parts, lines)


def _kept_text(lines: Lines, piece: tuple[int, int], first: int, n_lines: int) -> bytes:
    """The rows of one piece as clean text; `first` is the index of its first line."""
    keep = lines.keep[first : first + n_lines]
    edited = [i for i in range(n_lines) if first + i in lines.rewritten] if lines.rewritten else []
    if keep.all() and not edited:
        return lines.data[piece[0] : piece[1]]
    body = lines_in(lines.data, piece)
    for i in edited:
        body[i] = lines.rewritten[first + i]
    return b"\n".join(line for line, is_kept in zip(body, keep.tolist(), strict=True) if is_kept)


def _read_piece(text: bytes, layout: Layout) -> list[NDArray[Any]]:
    """One run of clean lines through the pandas C engine; columns of words stay words here."""
    import pandas as pd

    frame = pd.read_csv(
        io.BytesIO(text),
        sep=r"\s+" if layout.delimiter == BLANK else layout.delimiter,
        header=None,
        names=list(range(layout.n_fields)),
        index_col=False,
        engine="c",
        low_memory=False,
        quoting=3,
        skipinitialspace=layout.delimiter.encode() + b" " in text,
        skip_blank_lines=False,
        decimal="," if layout.is_decimal_comma else ".",
        encoding="utf-8",
        encoding_errors="replace",
    )
    return [as_array(frame[i]) for i in range(layout.n_fields)]


def _named(
    layout: Layout, columns: list[NDArray[Any]], i_kept: list[int], issues: list[Issue]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[NDArray[Any], ...]]:
    """Unique headers, units and columns of those kept: columns with neither name nor value are not."""
    headers: list[str] = []
    units: list[str] = []
    names, unit_row = _names(layout, columns, issues)
    for i in i_kept:
        name = names[i] or f"column {i + 1}"
        if name in headers:
            again = next(f"{name} ({n})" for n in range(2, len(columns) + 2) if f"{name} ({n})" not in headers)
            row = None if layout.i_header is None else layout.i_header + 1
            issues.append(
                Issue("warning", f"header {name!r} stands twice; the second is called {again!r}", again, rows=(row,) if row else ())
            )
            name = again
        headers.append(name)
        units.append(unit_row[i] if unit_row else "")
    return tuple(headers), tuple(units), tuple(columns[i] for i in i_kept)


def _is_empty(column: NDArray[Any]) -> bool:
    return column.dtype.kind == "f" and bool(np.isnan(column).all())


def _names(layout: Layout, columns: list[NDArray[Any]], issues: list[Issue]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units of the columns; moved by one where the rows begin with a count that the header leaves out."""
    n_named = max((i + 1 for i, name in enumerate(layout.headers) if name), default=0)
    if layout.i_header is None or n_named != len(columns) - 1 or _is_empty(columns[-1]):
        return layout.headers, layout.units
    first, second = columns[0], columns[1]
    is_count = len(first) > 2 and first.dtype.kind == "i" and first[0] in (0, 1) and np.mean(np.diff(first) == 1) > 0.9
    is_moved = is_count and second.dtype.kind in "fi" and bool(np.all(np.diff(second) >= 0))
    how = "the rows begin with a count, the names with the column after it" if is_moved else "names are taken from the left"
    text = f"the header names {n_named} columns, the rows have {len(columns)}: {how}"
    issues.append(Issue("warning", text, rows=(layout.i_header + 1,)))
    return (("", *layout.headers[:-1]), ("", *layout.units[:-1]) if layout.units else ()) if is_moved else (layout.headers, layout.units)


def _clocks_read(
    headers: tuple[str, ...], units: tuple[str, ...], columns: tuple[NDArray[Any], ...], issues: list[Issue]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[NDArray[Any], ...]]:
    """Columns of dates and times of day as seconds."""
    new_units, new_columns = list(units), list(columns)
    for i, column in enumerate(columns):
        seconds = seconds_of(column) if column.dtype.kind == "U" else None
        if seconds is not None:
            new_units[i], new_columns[i] = "s", seconds
            issues.append(Issue("note", f"times as a clock shows them ({str(column[0])!r}), read as seconds", headers[i]))
    return headers, tuple(new_units), tuple(new_columns)
