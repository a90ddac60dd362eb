"""What a text file's first lines say about the rest: delimiter, decimal comma, comments, preamble, header, unit row."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from replay.flightlog.unit_table import FAMILIES, find_unit

BLANK: Final = " "
"""The delimiter "any run of blanks or tabs"."""
DELIMITERS: Final = (",", ";", "\t", "|", BLANK)
COMMENTS: Final = ("#", "//", "%", "!")
MISSING: Final = ("nan", "na", "n/a", "null", "none", "-", "--", "---", "ovf", "inf", "+inf", "-inf", "err", "error", "?", "*", "x")
"""Cells that stand for no value."""

_NUMBER = {
    False: re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"),
    True: re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$"),
}
_N_LINES = 300


@dataclass(frozen=True)
class Layout:
    """How the table is written.

    Parameters
    ----------
    delimiter : str
    is_decimal_comma : bool
    n_fields : int
        Fields of a full row.
    i_data : int
        Index of the first data line.
    i_header, i_units : int or None
        Index of the header line and of a row of units under it.
    headers : tuple of str
        One per field; empty strings where the header is shorter.
    units : tuple of str
        The unit row, or empty.
    """

    delimiter: str
    is_decimal_comma: bool
    n_fields: int
    i_data: int
    i_header: int | None
    i_units: int | None
    headers: tuple[str, ...]
    units: tuple[str, ...]


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of one line, stripped, quotes taken off."""
    if delimiter == BLANK:
        return [cell.strip('"') for cell in re.findall(r'"[^"]*"|[^ \t"]+', line)]
    if '"' in line:
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
            # a comma inside a quoted number is a decimal comma
            return [cell.replace(",", ".") if delimiter == "," and _NUMBER[True].match(cell) else cell for cell in cells]
        except csv.Error:
            pass
    return [cell.strip().strip('"') for cell in line.split(delimiter)]


def comment_signs(delimiter: str) -> tuple[str, ...]:
    """Signs that set a line apart from a table with this delimiter."""
    return COMMENTS if delimiter == ";" else (*COMMENTS, ";")


def is_comment(line: str, signs: tuple[str, ...]) -> bool:
    """A line set apart from the table by its first sign."""
    return line.lstrip().startswith(signs)


def count_cells(cells: Sequence[str], is_decimal_comma: bool) -> tuple[int, int]:
    """(numbers, texts) among the cells; blanks and signs for "no value" are neither."""
    pattern = _NUMBER[is_decimal_comma]
    n_numbers = sum(1 for cell in cells if pattern.match(cell))
    n_neither = sum(1 for cell in cells if not cell or cell.lower() in MISSING)
    return n_numbers, len(cells) - n_numbers - n_neither


def is_data(cells: Sequence[str], is_decimal_comma: bool) -> bool:
    """A row of a log: at least as many numbers as words."""
    n_numbers, n_texts = count_cells(cells, is_decimal_comma)
    return n_numbers > 0 and n_numbers >= n_texts


def sniff(lines: Sequence[str]) -> Layout | None:
    """Layout of the table that starts somewhere in `lines`; None where there is no row of two or more numbers."""
    return _sniff(lines[:_N_LINES]) or (_sniff(lines) if len(lines) > _N_LINES else None)


def _sniff(lines: Sequence[str]) -> Layout | None:
    best: tuple[int, str, bool, int] | None = None
    for delimiter in DELIMITERS:
        signs = comment_signs(delimiter)
        split = [split_line(line, delimiter) for line in lines if line.strip() and not is_comment(line, signs)]
        for is_decimal_comma in (False, True) if delimiter != "," else (False,):
            rows = [cells for cells in split if is_data(cells, is_decimal_comma)]
            n_fields = _usual(len(cells) for cells in rows)
            if n_fields < 2:
                continue
            tally = [count_cells(cells, is_decimal_comma) for cells in rows if len(cells) == n_fields]
            score = sum(n_numbers - 2 * n_texts for n_numbers, n_texts in tally)
            if best is None or score > best[0]:
                best = (score, delimiter, is_decimal_comma, n_fields)
    if best is None:
        return None
    return _layout(lines, best[1], best[2], best[3])


def _usual(counts: object) -> int:
    """The commonest count; the larger of two as common. 0 where there are none."""
    tally = Counter(counts)  # type: ignore[call-overload]
    return max(tally, key=lambda count: (tally[count], count), default=0)


def _layout(lines: Sequence[str], delimiter: str, is_decimal_comma: bool, n_usual: int) -> Layout:
    """Place header, unit row and first data line around the first full row."""
    cells_of = [split_line(_uncommented(line), delimiter) for line in lines]
    plain = [bool(line.strip()) and not is_comment(line, comment_signs(delimiter)) for line in lines]
    first = next(i for i, cells in enumerate(cells_of) if plain[i] and len(cells) == n_usual and is_data(cells, is_decimal_comma))
    above = _text_rows_above(lines, cells_of, plain, first, is_decimal_comma, n_usual)
    i_units = None
    if len(above) >= 2 and _is_unit_row(cells_of[above[-1]]) and not _is_unit_row(cells_of[above[-2]]):
        i_units = above.pop()
    i_header = above[-1] if above else None
    names = cells_of[i_header] if i_header is not None else []
    while names and not names[-1]:
        names = names[:-1]
    n_fields = max(n_usual, len(names))
    i_top = max(i for i in (-1, i_header, i_units) if i is not None)
    i_data = (
        next((i for i in range(i_top + 1, first + 1) if plain[i] and is_data(cells_of[i], is_decimal_comma)), first) if above else first
    )
    units = tuple(cells_of[i_units]) if i_units is not None else ()
    return Layout(
        delimiter,
        is_decimal_comma,
        n_fields,
        i_data,
        i_header,
        i_units,
        (*names, *[""] * (n_fields - len(names))),
        (*units, *[""] * (n_fields - len(units)))[:n_fields] if units else (),
    )


def _text_rows_above(
    lines: Sequence[str], cells_of: Sequence[list[str]], plain: Sequence[bool], first: int, is_decimal_comma: bool, n_usual: int
) -> list[int]:
    """Rows of words above the first full row that have a field for each column, top to bottom; short data rows between are passed over."""
    found: list[int] = []
    for i in range(first - 1, -1, -1):
        cells = [cell for cell in cells_of[i] if cell]
        if not lines[i].strip():
            continue
        if plain[i] and is_data(cells, is_decimal_comma):
            if found:
                break
            continue
        n_numbers, n_texts = count_cells(cells, is_decimal_comma)
        is_row = (
            n_texts > n_numbers and len(cells_of[i]) >= max(2, n_usual - 1) and (plain[i] or len(cells_of[i]) in (n_usual, n_usual + 1))
        )
        if is_row:
            found.insert(0, i)
        elif found or plain[i]:
            break
        if len(found) == 2:
            break
    return found


def _uncommented(line: str) -> str:
    """The line without a leading comment sign: some loggers set their header apart as a comment."""
    start = line.lstrip()
    for sign in COMMENTS:
        if start.startswith(sign):
            return start.lstrip("#/%! ")
    return line


def _is_unit_row(cells: Sequence[str]) -> bool:
    """Most cells are units and nothing else."""
    given = [cell for cell in cells if cell and cell != "-"]
    known = sum(
        1 for cell in given if any(find_unit(cell, family) for family in FAMILIES if family not in ("number", "word")) or cell == "1"
    )
    return bool(given) and known >= 0.6 * len(given)
