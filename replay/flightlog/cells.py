"""Cells of a table to columns of numbers or of words. What is no number under numbers is made blank and said, with its row."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import Issue
from replay.flightlog.sanitise import Lines, texts_of
from replay.flightlog.sniff import split_line

Columns = list[NDArray[Any]]
Mask = NDArray[np.bool_]

_NUMERIC_SHARE = 0.5  # a column with at least this share of numbers is one of numbers; its other cells are damage
_WORTH_A_WORD = 0.05  # a column of words with this share of numbers may have been meant as one of numbers


def as_array(series: Any) -> NDArray[Any]:
    """A pandas column, n cells, as an array of shape (n,): float64, int64, or object with str and None."""
    import pandas as pd

    if pd.api.types.is_bool_dtype(series):
        return np.asarray(series.to_numpy(dtype=np.float64))
    if pd.api.types.is_integer_dtype(series) and series.dtype != np.uint64:
        return np.asarray(series.to_numpy(dtype=np.int64))
    if pd.api.types.is_numeric_dtype(series):
        return np.asarray(series.to_numpy(dtype=np.float64))
    return np.asarray(series.astype(object).where(series.notna(), None).to_numpy(dtype=object))


def joined(parts: Sequence[Sequence[NDArray[Any]]], lines: Lines) -> tuple[Columns, Mask, list[tuple[int, Issue]]]:
    """Pieces to whole columns: numbers where most cells are numbers, their odd cells reported and made NaN; else words.

    Parameters
    ----------
    parts : sequence of sequences of ndarray
        For each column its pieces, in order.
    lines : Lines
        Rows that turn out to be none are said there.

    Returns
    -------
    columns : list of ndarray, shape (n,)
    is_row : ndarray of bool, shape (k,)
        Which of the k kept lines these n rows are.
    more : list of (int, Issue)
        What was wrong with single cells, with the index of their column.
    """
    line_numbers = np.flatnonzero(lines.keep) + 1
    columns: Columns = []
    odd: dict[int, tuple[Mask, list[str]]] = {}
    for i, part in enumerate(parts):
        column, is_odd, cells = one_column(part, is_decimal_comma=lines.layout.is_decimal_comma)
        columns.append(column)
        if is_odd is not None:
            odd[i] = (is_odd, cells)
    is_row = _without_words(columns, odd, lines, line_numbers)
    columns = columns if is_row.all() else [column[is_row] for column in columns]
    more = []
    for i, (is_odd, cells) in odd.items():
        at = line_numbers[is_odd & is_row]
        if len(at):
            shown = ", ".join(repr(cell) for cell in dict.fromkeys(cells))
            text = _odd_text(len(at), len(line_numbers), shown, columns[i])
            more.append((i, Issue("warning", text, rows=tuple(at.tolist()), found=shown)))
    return columns, is_row, more


def _odd_text(n: int, n_rows: int, shown: str, column: NDArray[Any]) -> str:
    if column.dtype.kind == "U":
        return f"{n} of {n_rows} cells are no numbers ({shown}): a column of words"
    return f"{n} cell{'s' if n > 1 else ''} that {'are' if n > 1 else 'is'} no number ({shown}), taken as blank"


def _without_words(columns: Columns, odd: dict[int, tuple[Mask, list[str]]], lines: Lines, line_numbers: NDArray[np.int64]) -> Mask:
    """Which kept lines are rows: not those of words only, nor short ones with words where numbers belong."""
    suspects = np.zeros(len(line_numbers), dtype=bool)
    for i, (is_odd, _) in odd.items():
        if columns[i].dtype.kind in "fi":
            suspects |= is_odd
    if not suspects.any():
        return ~suspects
    has_number = np.zeros(len(line_numbers), dtype=bool)
    for column in columns:
        if column.dtype.kind in "fi":
            has_number |= np.isfinite(column)
    is_words = suspects & ~has_number
    is_shifted = suspects & has_number & np.isin(line_numbers - 1, lines.padded)
    _say_words(lines, line_numbers[is_words])
    if is_shifted.any():
        text = "fewer fields and words where numbers belong: a field is missing in the middle, dropped"
        _say_rows(lines, line_numbers[is_shifted], text)
    return ~(is_words | is_shifted)


def _say_words(lines: Lines, dropped: NDArray[np.int64]) -> None:
    """Rows of words: the header again, blanks or quotes apart, or something else."""
    names = [name for name in lines.layout.headers if name]
    texts = texts_of(lines, (dropped - 1).tolist()) if names else {}
    delimiter = lines.layout.delimiter
    repeats = [i for i, text in texts.items() if [c for c in split_line(text.decode("utf-8", "replace"), delimiter) if c] == names]
    if repeats:
        lines.repeats = sorted({*lines.repeats, *repeats})
        again = f"header repeated {len(repeats)} time{'s' * (len(repeats) > 1)} among the data: the logger started again there"
        lines.issues.append(Issue("warning", again, rows=tuple(i + 1 for i in repeats)))
    _say_rows(lines, dropped[~np.isin(dropped - 1, repeats)], "words without a number, dropped")


def _say_rows(lines: Lines, rows: NDArray[np.int64], what: str) -> None:
    if len(rows):
        text = f"{len(rows)} row{'s' if len(rows) > 1 else ''} of {what}"
        lines.issues.append(Issue("warning", text, rows=tuple(rows.tolist())))


def one_column(part: Sequence[NDArray[Any]], *, is_decimal_comma: bool = False) -> tuple[NDArray[Any], NDArray[np.bool_] | None, list[str]]:
    """One column of all pieces, where its odd cells are, and the first few of them.

    Parameters
    ----------
    part : sequence of ndarray, shape (n_i,) each
        float64, int64, or object with str and None.
    is_decimal_comma : bool

    Returns
    -------
    column : ndarray, shape (n,)
        float64 or int64 with NaN for a cell that is no number, or str with "" for a blank one.
    is_odd : ndarray of bool, shape (n,), or None
        Cells that are no number, in a column of numbers or one that may have been meant so; None where there are none.
    cells : list of str
        The first three of them.
    """
    import pandas as pd

    if not part:
        return np.empty(0), None, []
    if all(values.dtype.kind in "fi" for values in part):
        numbers = np.concatenate(part)
        is_odd = np.isinf(numbers)
        if not is_odd.any():
            return numbers, None, []
        return np.where(is_odd, np.nan, numbers), is_odd, ["inf"]
    words = np.concatenate([values.astype(object) for values in part])
    text = pd.Series(words, dtype=object).map(lambda cell: cell.strip() if isinstance(cell, str) else cell)
    if is_decimal_comma:
        text = text.map(lambda cell: cell.replace(",", ".") if isinstance(cell, str) else cell)
    is_blank = text.isna() | (text == "")
    numbers = np.array(pd.to_numeric(text, errors="coerce"), dtype=np.float64)
    numbers[np.isinf(numbers)] = np.nan
    is_number = np.isfinite(numbers)
    n_given = int(np.count_nonzero(~is_blank))
    if np.count_nonzero(is_number) >= _NUMERIC_SHARE * max(1, n_given):
        is_odd = np.asarray(~is_blank.to_numpy() & ~is_number)
        return numbers, is_odd, [str(cell) for cell in text[is_odd].head(3)]
    words_only = np.asarray(text.where(~is_blank, "").astype(str).to_numpy(dtype=str))
    if np.count_nonzero(is_number) < _WORTH_A_WORD * max(1, n_given):
        return words_only, None, []
    is_odd = np.asarray(~is_blank.to_numpy() & ~is_number)
    return words_only, is_odd, [str(cell) for cell in text[is_odd].head(3)]
