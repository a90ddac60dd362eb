"""Wide numeric tables to files: CSV by a compiled writer in chunks, Parquet where the [parquet] extra is installed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate

Array = NDArray[np.float64]

_CHUNK_ROWS = 50_000
_CODED_ROWS = 2000
_LARGEST = 9e17


def is_parquet(path: Path) -> bool:
    """By the suffix."""
    return path.suffix.lower() in (".parquet", ".pq")


def write_table(
    path: Path, columns: Mapping[str, Array], digits: Mapping[str, int], words: tuple[str, NDArray[np.uint8], Sequence[str]] | None = None
) -> None:
    """Write columns of one length by the suffix of `path`: `.parquet` or `.pq` as Parquet, anything else as CSV.

    Parameters
    ----------
    path : Path
    columns : mapping of str to ndarray, shape (n,)
        In order. What is not finite becomes a blank cell.
    digits : mapping of str to int
        Places after the point in CSV; Parquet keeps every bit.
    words : (name, codes, vocabulary), optional
        One column of words, given as codes, put after the first two columns.
    """
    if is_parquet(path):
        both: dict[str, NDArray[Any]] = dict(columns)
        if words:
            first, second, *others = columns
            coded = np.array(words[2])[words[1]]
            both = {first: columns[first], second: columns[second], words[0]: coded, **{key: columns[key] for key in others}}
        write_parquet(path, both)
    else:
        _write_csv(path, columns, digits, words)


def _write_csv(
    path: Path, columns: Mapping[str, Array], digits: Mapping[str, int], words: tuple[str, NDArray[np.uint8], Sequence[str]] | None
) -> None:
    from replay.review._kernels_table import write_rows

    names = list(columns)
    places = np.array([0, *(digits[name] for name in names)], dtype=np.int64)
    vocabulary = [word.encode() for word in words[2]] if words else [b""]
    widths = np.array([len(word) for word in vocabulary], dtype=np.int64)
    letters = np.zeros((len(vocabulary), max(int(widths.max()), 1)), dtype=np.uint8)
    for row, word in zip(letters, vocabulary, strict=True):
        row[: len(word)] = np.frombuffer(word, dtype=np.uint8)
    label_column = 3 if words else len(names) + 2
    n = len(columns[names[0]])
    buffer = np.empty(24 * (len(names) + 2) * min(n, _CHUNK_ROWS) + 64, dtype=np.uint8)
    header = names[:2] + [words[0]] + names[2:] if words else names
    with path.open("wb") as stream:
        stream.write((",".join(header) + "\n").encode())
        for first in range(0, n, _CHUNK_ROWS):
            last = min(first + _CHUNK_ROWS, n)
            values = np.zeros((last - first, len(names) + 1))
            if words:
                values[:, 0] = words[1][first:last]
            for j, name in enumerate(names, start=1):
                values[:, j] = columns[name][first:last]
                largest = np.nanmax(np.abs(values[:, j]), initial=0.0, where=np.isfinite(values[:, j]))
                if largest * 10.0 ** digits[name] > _LARGEST:
                    raise CannotEstimate(f"column {name!r}", f"expected numbers a table can hold, got {largest:.3g}")
            written = write_rows(values, places, letters, widths, label_column, 0, last - first, buffer)
            stream.write(buffer[:written].tobytes())


def write_parquet(path: Path, columns: Mapping[str, NDArray[Any]]) -> None:
    """Numbers with every bit, NaN as null; words as text, coded where there are many rows.

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
