"""Wide numeric tables to files: CSV by a compiled writer in chunks, Parquet where the [parquet] extra is installed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate

_CHUNK_ROWS = 50_000
_CODED_ROWS = 2000
_BUFFER_BYTES = 64_000_000
_LARGEST = 9e17


def is_parquet(path: Path) -> bool:
    """By the suffix."""
    return path.suffix.lower() in (".parquet", ".pq")


def write_table(path: Path, columns: Mapping[str, NDArray[Any]], digits: Mapping[str, int]) -> None:
    """Write columns of one length by the suffix of `path`: `.parquet` or `.pq` as Parquet, anything else as CSV (RFC 4180, UTF-8).

    Parameters
    ----------
    path : Path
    columns : mapping of str to ndarray, shape (n,)
        Numbers or words, in order. A number that is not finite becomes a blank cell.
    digits : mapping of str to int
        Places after the point of each number in CSV; Parquet keeps every bit.
    """
    if is_parquet(path):
        write_parquet(path, columns)
    else:
        _write_csv(path, columns, digits)


def _write_csv(path: Path, columns: Mapping[str, NDArray[Any]], digits: Mapping[str, int]) -> None:
    from replay.review._kernels_table import write_rows

    columns = {name: _as_words_if_vast(values, digits.get(name, 0)) for name, values in columns.items()}
    is_number = {name: np.issubdtype(values.dtype, np.number) for name, values in columns.items()}
    places = np.array([digits[name] if is_number[name] else -1 for name in columns], dtype=np.int64)
    coded, letters, starts, longest = _coded({name: values for name, values in columns.items() if not is_number[name]})
    n = len(next(iter(columns.values())))
    row_bytes = 26 * (len(columns) + 1) + longest
    step = max(1, min(n, _CHUNK_ROWS, _BUFFER_BYTES // row_bytes))
    buffer = np.empty(row_bytes * step + 64, dtype=np.uint8)
    with path.open("wb") as stream:
        stream.write((",".join(map(cell, columns)) + "\n").encode())
        for first in range(0, n, step):
            last = min(first + step, n)
            values = np.empty((last - first, len(columns)))
            for j, name in enumerate(columns):
                values[:, j] = (columns[name] if is_number[name] else coded[name])[first:last]
            written = write_rows(values, places, letters, starts, 0, last - first, buffer)
            stream.write(buffer[:written].tobytes())


def _as_words_if_vast(values: NDArray[Any], digits: int) -> NDArray[Any]:
    """Numbers too large for the writer's places, a clock in nanoseconds since 1970 say, as words that say all their digits."""
    if not np.issubdtype(values.dtype, np.number):
        return values
    known = np.isfinite(values)
    if float(np.max(np.abs(values), initial=0.0, where=known)) * 10.0**digits <= _LARGEST:
        return values
    return np.array([np.format_float_positional(v, trim="-") if ok else "" for v, ok in zip(values, known, strict=True)], dtype=str)


def _coded(columns: Mapping[str, NDArray[Any]]) -> tuple[dict[str, NDArray[np.int64]], NDArray[np.uint8], NDArray[np.int64], int]:
    """Columns of words as places in one vocabulary, its letters one after the other, where each begins, and the longest row's letters."""
    coded: dict[str, NDArray[np.int64]] = {}
    cells: list[bytes] = [b""]
    longest = 0
    for name, words in columns.items():
        vocabulary, places = np.unique(words, return_inverse=True)
        coded[name] = places.reshape(-1).astype(np.int64) + len(cells)
        own = [cell(str(word)).encode() for word in vocabulary]
        longest += max(map(len, own), default=0)
        cells += own
    starts = np.concatenate(([0], np.cumsum([len(each) for each in cells]))).astype(np.int64)
    return coded, np.frombuffer(b"".join(cells) or b"\0", dtype=np.uint8).copy(), starts, longest


def cell(text: str) -> str:
    """A cell as RFC 4180 has it: in quotes where a comma, a quote or a line break is in it."""
    return '"' + text.replace('"', '""') + '"' if any(letter in text for letter in ',"\r\n') else text


def write_parquet(path: Path, columns: Mapping[str, NDArray[Any]]) -> None:
    """Columns of shape (n,) each: numbers with every bit, NaN as null; words as text, coded where there are many rows.

    Raises
    ------
    CannotEstimate
        Without the [parquet] extra.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise CannotEstimate("--out", "Parquet needs the [parquet] extra: pip install plumbline-replay[parquet]") from None
    table = {}
    for name, values in columns.items():
        is_number = np.issubdtype(values.dtype, np.number)
        table[name] = pa.array(values, from_pandas=True) if is_number else pa.array(values.tolist(), pa.string())
        if not is_number and len(values) > _CODED_ROWS:
            table[name] = table[name].dictionary_encode()
    pq.write_table(pa.table(table), path)
