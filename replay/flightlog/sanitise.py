"""Which lines of a text log are rows of its table. Whatever is dropped, padded or rewritten is reported with its line number."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled
from replay.flightlog.log import Issue
from replay.flightlog.sniff import BLANK, MISSING, Layout, comment_signs, count_cells, split_line

Progress = Callable[[float, str], None]
Cancel = Callable[[], bool]

_PIECE = 1 << 25
_HABIT = 0.01  # a length that this share of the rows has is the logger's habit, not damage
_N_TAIL = 20


@dataclass
class Lines:
    """The lines of one file, judged. Indices count from 0 at the top of the file.

    Parameters
    ----------
    data : bytes
        UTF-8, `\\n` line ends.
    pieces : list of (int, int)
        Byte ranges of whole lines, about 32 MB each.
    sizes : list of int
        Lines in each piece.
    counts : ndarray of int, shape (lines,)
        Fields of each line.
    keep : ndarray of bool, shape (lines,)
        The line is a row of the table.
    rewritten : dict of int to bytes
        Lines that are read in another form than they stand in the file (quotes and blank surplus fields taken off).
    repeats : list of int
        Lines that repeat the header.
    padded : list of int
        Lines with fewer fields than the table, kept as a habit of the logger.
    issues : list of Issue
    """

    data: bytes
    layout: Layout
    pieces: list[tuple[int, int]]
    sizes: list[int]
    counts: NDArray[np.int32]
    keep: NDArray[np.bool_]
    rewritten: dict[int, bytes] = field(default_factory=dict)
    repeats: list[int] = field(default_factory=list)
    padded: list[int] = field(default_factory=list)
    issues: list[Issue] = field(default_factory=list)

    def drop(self, lines: Iterable[int], severity: str, text: str) -> None:
        """Take lines out of the table and say so; `{n}` and `{s}` in the text are their number and its plural."""
        mine = [i for i in lines if self.keep[i]]
        self.keep[mine] = False
        if mine and text:
            shown = text.format(n=len(mine), s="" if len(mine) == 1 else "s")
            self.issues.append(Issue(severity, shown, rows=tuple(i + 1 for i in mine)))


def lines_in(data: bytes, piece: tuple[int, int]) -> list[bytes]:
    """The lines of one byte range, without their ends."""
    lines = data[piece[0] : piece[1]].split(b"\n")
    if lines and not lines[-1]:
        lines.pop()
    return lines


def judge_lines(data: bytes, layout: Layout, header: bytes, progress: Progress, cancel: Cancel) -> Lines:
    """Scan every line and decide which are rows.

    Parameters
    ----------
    data : bytes
        UTF-8, `\\n` line ends, no NUL tail.
    layout : Layout
    header : bytes
        The header line, stripped; empty where there is none.

    Raises
    ------
    Cancelled
    """
    lines, special = _scan(data, layout, header, progress, cancel)
    lines.drop(special["nul"], "warning", "{n} line{s} with NUL bytes (power cut?), dropped")
    lines.drop(special["repeat"], "warning", "header repeated {n} time{s} among the data: the logger started again there")
    lines.drop(special["comment"], "note", "{n} comment line{s} among the data, left out")
    lines.drop(special["blank"], "note", "")
    tail = _torn_tail(lines)
    if tail is not None:
        lines.drop([tail], "warning", "last line torn (cut short, no line end), dropped")
    if layout.n_fields > 1:
        lines.drop(special["one"], "warning", "{n} line{s} without the table's delimiter, dropped")
    _judge_long(lines)
    _judge_short(lines)
    return lines


def _pieces(data: bytes) -> list[tuple[int, int]]:
    bounds, start = [], 0
    while start < len(data):
        stop = len(data) if start + _PIECE >= len(data) else (data.find(b"\n", start + _PIECE) + 1 or len(data))
        bounds.append((start, stop))
        start = stop
    return bounds


def _scan(data: bytes, layout: Layout, header: bytes, progress: Progress, cancel: Cancel) -> tuple[Lines, dict[str, list[int]]]:
    """Fields of every line, and the lines that are something else than a plain row."""
    delimiter = layout.delimiter.encode()
    signs = tuple(sign.encode() for sign in comment_signs(layout.delimiter))
    special: dict[str, list[int]] = {"nul": [], "repeat": [], "comment": [], "blank": [], "one": []}
    counts: list[NDArray[np.int32]] = []
    rewritten: dict[int, bytes] = {}
    pieces = _pieces(data)
    first = 0
    for start, stop in pieces:
        if cancel():
            raise Cancelled
        progress(0.3 * start / max(1, len(data)), "looking through the lines")
        body = lines_in(data, (start, stop))
        if layout.delimiter == BLANK:
            counted = np.array([len(line.split()) for line in body], dtype=np.int32)
        else:
            counted = np.array([line.count(delimiter) for line in body], dtype=np.int32) + np.int32(1)
        # each of these is rare: a search through the whole piece costs little, a look at every line only where it finds something
        if data.find(b'"', start, stop) >= 0:
            for i, line in enumerate(body):
                if b'"' in line and first + i >= layout.i_data:
                    rewritten[first + i], counted[i] = _unquoted(line, layout)
        if data.find(b"\0", start, stop) >= 0:
            special["nul"] += [first + i for i, line in enumerate(body) if b"\0" in line]
        if any(data.find(sign, start, stop) >= 0 for sign in signs):
            special["comment"] += [first + i for i, line in enumerate(body) if line.lstrip().startswith(signs)]
        if header and data.find(header, start, stop) >= 0:
            special["repeat"] += [first + i for i, line in enumerate(body) if line[:4] in header and line.strip() == header]
        few = np.flatnonzero(counted <= 1).tolist()
        special["blank"] += [first + i for i in few if not body[i].strip()]
        special["one"] += [first + i for i in few]
        counts.append(counted)
        first += len(body)
    keep = np.zeros(first, dtype=bool)
    keep[layout.i_data :] = True
    lines = Lines(data, layout, pieces, [len(part) for part in counts], np.concatenate(counts), keep, rewritten)
    lines.repeats = [i for i in special["repeat"] if i >= layout.i_data]
    return lines, special


def _unquoted(line: bytes, layout: Layout) -> tuple[bytes, int]:
    """A quoted line without its quotes, and its number of fields."""
    cells = split_line(line.decode("utf-8", "replace"), layout.delimiter)
    inside = r"\s" if layout.delimiter == BLANK else re.escape(layout.delimiter)
    cells = [re.sub(inside, "_", cell).replace('"', "") for cell in cells]
    return layout.delimiter.join(cells).encode(), len(cells)


def texts_of(lines: Lines, wanted: Sequence[int]) -> dict[int, bytes]:
    """The text of some lines, by index."""
    targets = sorted(set(wanted))
    found: dict[int, bytes] = {}
    first, k = 0, 0
    for piece, n_lines in zip(lines.pieces, lines.sizes, strict=True):
        if k == len(targets):
            break
        if targets[k] < first + n_lines:
            body = lines_in(lines.data, piece)
            while k < len(targets) and targets[k] < first + n_lines:
                found[targets[k]] = lines.rewritten.get(targets[k], body[targets[k] - first])
                k += 1
        first += n_lines
    return found


def _torn_tail(lines: Lines) -> int | None:
    """Index of the last line where it has no line end and looks cut: too few fields, or a last cell cut short (`_is_cut`)."""
    last = len(lines.keep) - 1
    if lines.data.endswith(b"\n") or last < 0 or not lines.keep[last]:
        return None
    if lines.counts[last] < np.median(lines.counts[lines.keep]):
        return last
    rows = np.flatnonzero(lines.keep)[-_N_TAIL - 1 :]
    cells = [split_line(text.decode("utf-8", "replace"), lines.layout.delimiter)[-1] for text in texts_of(lines, rows.tolist()).values()]
    return last if len(cells) >= 3 and _is_cut(cells[-1], cells[:-1], is_decimal_comma=lines.layout.is_decimal_comma) else None


def _is_cut(cell: str, before: Sequence[str], *, is_decimal_comma: bool) -> bool:
    """A cell shorter than the rows before it allow: blank or no number under numbers, fewer decimals or digits, the front of a word."""
    if not cell:
        return all(before)
    before = [other for other in before if other and other.lower() not in MISSING]
    if len(before) < 2:
        return False
    n_numbers, _ = count_cells(before, is_decimal_comma)
    if not count_cells([cell], is_decimal_comma)[0]:
        if cell.lower() in MISSING:
            return False
        return n_numbers == len(before) or (cell not in before and any(other.startswith(cell) for other in before))
    if n_numbers < len(before):
        return False
    mark = "," if is_decimal_comma else "."
    decimals = [len(other.partition(mark)[2]) if mark in other else -1 for other in (cell, *before)]
    digits = [len(other.lstrip("+-")) for other in (cell, *before)]
    return decimals[0] < min(decimals[1:]) or (max(decimals) == -1 and digits[0] < min(digits[1:]))


def _judge_long(lines: Lines) -> None:
    """Rows with more fields than the table: kept where the surplus is blank, else dropped."""
    n_fields, delimiter = lines.layout.n_fields, lines.layout.delimiter
    long = np.flatnonzero(lines.keep & (lines.counts > n_fields)).tolist()
    bad = []
    for i, text in texts_of(lines, long).items():
        cells = text.split(None if delimiter == BLANK else delimiter.encode())
        if any(cell.strip() for cell in cells[n_fields:]):
            bad.append(i)
        else:
            lines.rewritten[i] = delimiter.encode().join(cells[:n_fields])
    lines.drop(bad, "warning", f"{{n}} row{{s}} with more than the {n_fields} fields of the table (lines run together?), dropped")


def _judge_short(lines: Lines) -> None:
    """Rows with fewer fields: padded where the logger writes them so by habit, dropped where it is damage."""
    n_named = max((i + 1 for i, name in enumerate(lines.layout.headers) if name), default=lines.layout.n_fields)
    short = np.flatnonzero(lines.keep & (lines.counts < n_named))
    if not len(short):
        return
    tally = Counter(lines.counts[short].tolist())
    least = max(2, _HABIT * int(np.count_nonzero(lines.keep)))
    is_habit = np.isin(lines.counts[short], [count for count, n in tally.items() if n >= least])
    padded = short[is_habit]
    if len(padded):
        text = f"{len(padded)} rows with fewer than {n_named} fields, as this logger often writes them: the rest taken as blank"
        lines.issues.append(Issue("note", text, rows=tuple((padded + 1).tolist())))
        lines.padded = padded.tolist()
    lines.drop(short[~is_habit].tolist(), "warning", f"{{n}} row{{s}} with fewer than the {n_named} fields of the table, dropped")
