"""A column of stamps to a clock: wraps, restarts, backward and repeated stamps, coarse ticks, jitter, gaps. Each found, said, handled.

Rows are only ever left out or given a better stamp, never resampled; a gap is marked, never filled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.coarse import COARSE_SHARE, recover, spread
from replay.flightlog.log import Issue

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

_GAP = 2.5  # a step this many times the usual step near it is a gap: at least two rows are missing
_MISSED = 1.6  # and this many times: one row is missing, worth a word but no break
_DAY_S = 86400.0
_PAUSE_S = 1.0  # put between two runs of a logger whose clock began anew: the true pause is unknown
_N_GLITCH = 3  # rows; a longer run of backward stamps is a restart
_N_NEAR = 21  # steps around a step that say what is usual there
_MOST_FAULTS = 300
_MOST_SHARING = 32  # rows on one stamp, of which a block written twice may start at any


@dataclass(frozen=True, eq=False)
class Clock:
    """Stamps made good.

    Parameters
    ----------
    keep : ndarray of bool, shape (n,)
        Rows that have a usable stamp.
    time_s : ndarray, shape (k,)
        One per kept row, strictly increasing, zero at the first.
    start_s : float
        The first stamp on the column's own scale, s.
    i_gap : ndarray of int, shape (g,)
        A gap lies between kept rows i and i + 1.
    i_break : ndarray of int, shape (b,)
        Those of them at which the logger started again: gaps for a slower stream too, however short.
    issues : tuple of Issue
    """

    keep: NDArray[np.bool_]
    time_s: Array
    start_s: float
    i_gap: Indices
    i_break: Indices
    issues: tuple[Issue, ...] = ()


def make_clock(
    stamps: NDArray[Any],
    tick_s: float,
    rows: Indices,
    *,
    i_restart: tuple[int, ...] = (),
    is_copy: Callable[[Indices, Indices], NDArray[np.bool_]] | None = None,
    column: str | None = None,
) -> Clock:
    """Turn raw stamps into seconds.

    Parameters
    ----------
    stamps : ndarray, shape (n,)
        As logged, integer or float, NaN where blank.
    tick_s : float
        Seconds in one unit of the stamps.
    rows : ndarray of int, shape (n,)
        Line number of each row, for the issues.
    i_restart : tuple of int
        Rows just before which the header was repeated.
    is_copy : callable(rows, others), optional
        Given two equally long sets of row indices, says which of the first hold in every column what the second hold.
    column : str, optional
        Header, for the issues.

    Returns
    -------
    Clock
        With no kept row where the column never advances.
    """
    work = _Work(rows, tick_s, column)
    raw, first = _relative(stamps)
    work.keep &= np.isfinite(raw)
    work.report(~work.keep, "warning", "{n} row{s} without a time stamp, left out")
    if np.count_nonzero(work.keep) < 2 or not np.any(np.diff(raw[work.keep]) > 0):
        nothing = np.empty(0, dtype=np.int64)
        return Clock(np.zeros(len(raw), dtype=bool), np.empty(0), first * tick_s, nothing, nothing, tuple(work.issues))
    _unwrap(work, raw, first, set(i_restart))
    restarts = _put_in_order(work, raw, is_copy) | _take_back_jumps(work, raw)
    _drop_repeated_rows(work, raw, is_copy)
    kept = np.flatnonzero(work.keep)
    x = raw[kept] * tick_s
    i_break = np.unique(np.searchsorted(kept, sorted(restarts | set(i_restart)))) - 1
    i_break = i_break[(i_break >= 0) & (i_break < len(kept) - 1)]
    x, i_gap = _even_out(work, x, kept, i_break, stamps.dtype.kind in "iu")
    i_gap = np.union1d(i_gap, i_break).astype(np.int64)
    _tell_gaps(work, x, kept, i_gap)
    return Clock(work.keep, x - x[0], float((first + raw[kept[0]]) * tick_s), i_gap, i_break.astype(np.int64), tuple(work.issues))


class _Work:
    """What is kept so far and what there is to say."""

    def __init__(self, rows: Indices, tick_s: float, column: str | None) -> None:
        self.rows = rows
        self.tick_s = tick_s
        self.column = column
        self.keep = np.ones(len(rows), dtype=bool)
        self.issues: list[Issue] = []

    def report(self, mask_or_indices: NDArray[Any], severity: str, text: str) -> None:
        """Say something about rows, given as a mask or as indices; nothing where there are none."""
        rows = self.rows[mask_or_indices]
        if len(rows):
            shown = text.format(n=len(rows), s="" if len(rows) == 1 else "s")
            self.issues.append(Issue(severity, shown, self.column, tuple(int(row) for row in rows)))


def _relative(stamps: NDArray[Any]) -> tuple[Array, float]:
    """Stamps minus the first, exactly for integers, and the first."""
    if stamps.dtype.kind in "iu":
        first = stamps[0] if len(stamps) else 0
        return (stamps - first).astype(np.float64), float(first)
    values = np.asarray(stamps, dtype=np.float64)
    values = np.where(np.isfinite(values), values, np.nan)
    finite = values[np.isfinite(values)]
    first_value = float(finite[0]) if len(finite) else 0.0
    return values - first_value, first_value


def _moduli(tick_s: float) -> list[tuple[float, str]]:
    """(modulus in the column's units, its name): of the column's own ticks, and of the ms or µs they were made of."""
    found = [(2.0**16, "2^16"), (2.0**24, "2^24"), (2.0**32, "2^32")]
    for counter_s, name in ((1e-3, "ms"), (1e-6, "µs")):
        if tick_s in (1.0, 1e-3) and counter_s < tick_s:
            found += [(2.0**16 * counter_s / tick_s, f"2^16 {name}"), (2.0**32 * counter_s / tick_s, f"2^32 {name}")]
    if tick_s == 1.0:
        found.append((86400.0, "midnight"))
    return sorted(found)


def _unwrap(work: _Work, raw: Array, first: float, i_restart: set[int]) -> None:
    """Add the modulus at every wrap of the counter, in place."""
    kept = np.flatnonzero(work.keep)
    step = np.diff(raw[kept])
    typical = float(np.median(step[step > 0]))
    back = np.flatnonzero(step < 0)
    if not len(back):
        return
    absolute = raw[kept] + first
    span = float(absolute.max() - absolute.min())
    best: tuple[int, float, str, Indices] | None = None
    for modulus, name in _moduli(work.tick_s):
        if span >= modulus or absolute.max() >= modulus * (1 + 1e-9) or absolute.min() < -0.5 * modulus:
            continue
        limit = min(max(50.0 * typical, 0.05 * modulus), 0.5 * modulus)
        unwrapped = step[back] + modulus
        reached = np.where(back > 0, step[back - 1], 0.0)  # a stamp that only just jumped there is a stray, not a counter at its end
        wraps = back[(unwrapped > 0) & (unwrapped <= limit) & (reached <= limit)]
        wraps = np.array([i for i in wraps if kept[i + 1] not in i_restart], dtype=np.int64)
        if len(wraps) and (best is None or len(wraps) > best[0]):
            best = (len(wraps), modulus, name, wraps)
    if best is not None:
        _, modulus, name, wraps = best
        turns = np.zeros(len(kept))
        turns[wraps + 1] = 1.0
        raw[kept] += modulus * np.cumsum(turns)
        every = modulus * work.tick_s
        length = f"{every / 60:.2f} min" if every > 120 else f"{every:.6g} s"
        work.report(kept[wraps + 1], "note", f"the counter wraps at {name} (every {length}): unwrapped {{n}} time{{s}}")


def _put_in_order(work: _Work, raw: Array, is_copy: Callable[[Indices, Indices], NDArray[np.bool_]] | None) -> set[int]:
    """Leave out stray stamps and blocks written twice, shift what follows a restart, in place. Returns the rows that start a new run."""
    restarts: set[int] = set()
    kept = np.flatnonzero(work.keep)
    x = raw[kept].copy()
    alive = np.ones(len(x), dtype=bool)
    backward = _strays(x).tolist()
    alive[backward] = False
    forward: list[int] = []
    copies: list[int] = []
    late: list[int] = []
    for _ in range(_MOST_FAULTS):
        index = np.flatnonzero(alive)
        y = x[index]
        drops = np.flatnonzero(np.diff(y) < 0)
        if not len(drops):
            break
        i = int(drops[0]) + 1
        ahead = int(np.argmax(y[i - 1 :: -1] <= y[i])) if np.any(y[:i] <= y[i]) else i
        caught_up = np.flatnonzero(y[i:] >= y[i - 1])
        behind = int(caught_up[0]) if len(caught_up) else len(y) - i
        n_copied = 0 if is_copy is None else _n_copied(y, i, kept[index], is_copy)
        if n_copied:
            alive[index[i : i + n_copied]] = False
            copies += index[i : i + n_copied].tolist()
        elif ahead <= _N_GLITCH and (ahead < behind or (ahead == behind and y[i - 1] - y[i] > 10 * _usual(y))):
            alive[index[i - ahead : i]] = False
            forward += index[i - ahead : i].tolist()
        elif behind <= _N_GLITCH:
            alive[index[i : i + behind]] = False
            backward += index[i : i + behind].tolist()
        elif _fills_a_hole(y, i, behind):
            alive[index[i : i + behind]] = False
            late += index[i : i + behind].tolist()
        else:
            restarts.add(int(kept[index[i]]))
            x[index[i] :] += y[i - 1] - y[i] + _PAUSE_S / work.tick_s
    else:
        work.issues.append(Issue("problem", f"more than {_MOST_FAULTS} stamps run backward: this column is no clock", work.column))
    raw[kept] = x
    work.keep[kept[~alive]] = False
    _tell_order(work, kept, copies, late, backward, forward, restarts)
    return restarts


def _tell_order(
    work: _Work, kept: Indices, copies: list[int], late: list[int], backward: list[int], forward: list[int], restarts: set[int]
) -> None:
    """Say what was put in order and how; all but the restarts as indices into the kept rows."""
    for rows, text in (
        (copies, "{n} row{s} that repeat rows before them, left out: a block written twice"),
        (late, "{n} row{s} written after rows that are later, left out: they are missing where they belong"),
        (backward, "{n} row{s} with a stamp that runs backward, left out"),
        (forward, "{n} row{s} with a stamp that jumps ahead and back, left out"),
    ):
        work.report(kept[sorted(rows)], "warning", text)
    work.report(
        np.array(sorted(restarts), dtype=np.int64),
        "warning",
        f"the clock starts anew {{n}} time{{s}}: the pause is unknown, {_PAUSE_S:g} s is put there as a gap",
    )


def _take_back_jumps(work: _Work, raw: Array) -> set[int]:
    """Shift what follows a jump ahead by more than a day, in place: a clock that was set. Returns the rows after the jumps."""
    kept = np.flatnonzero(work.keep)
    step = np.diff(raw[kept])
    far = np.flatnonzero(step * work.tick_s > _DAY_S)
    if not len(far):
        return set()
    excess = np.zeros(len(kept))
    excess[far + 1] = step[far] - _PAUSE_S / work.tick_s
    raw[kept] -= np.cumsum(excess)
    text = f"the clock jumps ahead by more than a day {{n}} time{{s}}, as if it was set: {_PAUSE_S:g} s is put there as a gap"
    work.report(kept[far + 1], "warning", text)
    return {int(row) for row in kept[far + 1]}


def _n_copied(y: Array, i: int, rows: Indices, is_copy: Callable[[Indices, Indices], NDArray[np.bool_]]) -> int:
    """How many rows from i on, until the stamps pass those before i, are the same as earlier ones; 0 unless all of them are."""
    passed = np.flatnonzero(y[i:] > y[i - 1])
    n = int(passed[0]) if len(passed) else len(y) - i
    first, stop = np.searchsorted(y[:i], y[i], side="left"), np.searchsorted(y[:i], y[i], side="right")
    for start in range(int(first), int(min(stop, first + _MOST_SHARING))):
        if (
            start + n <= i
            and np.array_equal(y[start : start + n], y[i : i + n])
            and is_copy(rows[i : i + n], rows[start : start + n]).all()
        ):
            return n
    return 0


def _fills_a_hole(y: Array, i: int, n: int) -> bool:
    """Whether the n rows from i on lie between two neighbours before them that are far apart: a block written too late, no restart."""
    a = int(np.searchsorted(y[:i], y[i]))
    return 0 < a < i and i + n < len(y) and bool(y[i + n - 1] < y[a]) and bool(y[a] - y[a - 1] > 0.9 * (y[i + n - 1] - y[i]))


def _strays(x: Array) -> Indices:
    """Rows that lag behind a stamp before them by little and for a few rows only: two writers taking turns, a late read."""
    top = np.maximum.accumulate(x)
    is_behind = x < top
    if not is_behind.any():
        return np.empty(0, dtype=np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_behind, [False])).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    lag = np.maximum.reduceat(top - x, starts)
    is_stray = (stops - starts <= _N_GLITCH) & (stops < len(x)) & (lag <= 20.0 * _usual(x))
    return np.asarray(
        np.concatenate([np.empty(0), *(np.arange(a, b) for a, b in zip(starts[is_stray], stops[is_stray], strict=True))]), dtype=np.int64
    )


def _usual(x: Array) -> float:
    step = np.diff(x)
    return float(np.median(step[step > 0])) if np.any(step > 0) else 0.0


def _drop_repeated_rows(work: _Work, raw: Array, is_copy: Callable[[Indices, Indices], NDArray[np.bool_]] | None) -> None:
    """Leave out rows that repeat stamp and values of the row before.

    On a coarse clock every row shares its stamp, and a sensor at rest may read the same twice: there it takes many to be copies.
    """
    if is_copy is None:
        return
    kept = np.flatnonzero(work.keep)
    again = kept[1:][np.diff(raw[kept]) == 0]
    again = again[work.keep[again - 1]]
    if len(again):
        n_shared = len(again)
        again = again[is_copy(again, again - 1)]
        if n_shared >= COARSE_SHARE * len(kept) and len(again) < 0.5 * n_shared:
            return
        work.keep[again] = False
        work.report(again, "warning", "{n} row{s} repeating the row before, left out")


def _even_out(work: _Work, x: Array, kept: Indices, i_break: Indices, is_integer: bool) -> tuple[Array, Indices]:
    """Spread rows that share a stamp; recover even spacing from a coarse clock. Returns times and gaps."""
    found = recover(x, i_break, work.tick_s if is_integer else None)
    if found is not None:
        rows = (int(work.rows[kept[0]]), int(work.rows[kept[-1]]))
        work.issues.append(Issue("warning", found.text, work.column, rows))
        return found.time_s, found.i_gap
    is_same = np.diff(x) == 0
    if is_same.any():
        work.report(kept[1:][is_same], "warning", "{n} row{s} with the stamp of the row before: spaced evenly up to the next stamp")
        x = spread(x)
    return x, find_gaps(x)


def find_gaps(time_s: Array) -> Indices:
    """Each i where the step from row i to i + 1 of `time_s` (n,) is a gap, shape (g,).

    That is a step over 2.5 times the median of the 21 steps around it: a log that is slow on the pad and fast in flight has no gap where
    it changes its rate.
    """
    step = np.diff(time_s)
    if len(step) < 2:
        return np.empty(0, dtype=np.int64)
    floor = float(np.quantile(step, 0.1))
    suspects = np.flatnonzero(step > _GAP * floor)
    if not len(suspects):
        return np.empty(0, dtype=np.int64)
    usual = _usual_near(step, suspects)
    return np.asarray(suspects[step[suspects] > _GAP * usual], dtype=np.int64)


def _usual_near(step: Array, where: Indices) -> Array:
    """Median of the steps around each given step, at the ends of the log those inside it."""
    half = _N_NEAR // 2
    if len(step) <= _N_NEAR:
        return np.full(len(where), float(np.median(step)))
    first = np.clip(where - half, 0, len(step) - _N_NEAR)
    usual = np.empty(len(where))
    for k in range(0, len(where), 100_000):
        window = step[first[k : k + 100_000, None] + np.arange(_N_NEAR)]
        usual[k : k + 100_000] = np.median(window, axis=1)
    return usual


def _shown(span_s: float) -> str:
    return f"{span_s:.3g} s" if span_s < 100.0 else f"{span_s:.1f} s"


def _tell_gaps(work: _Work, x: Array, kept: Indices, i_gap: Indices) -> None:
    """Say what is missing, how uneven the steps are and where the rate changes."""
    step = np.diff(x)
    if len(i_gap):
        longest, total = _shown(float(step[i_gap].max())), _shown(float(step[i_gap].sum()))
        in_all = f", the longest {longest}, {total} in all" if len(i_gap) > 1 else f" of {longest}"
        work.report(kept[i_gap + 1], "warning", f"{{n}} gap{{s}}{in_all}: nothing is filled in")
    inner = np.delete(step, i_gap)
    if len(inner) < 10:
        return
    median = float(np.median(inner))
    spread = float(np.std(inner[inner < _GAP * median])) / median
    is_missed = np.zeros(len(step), dtype=bool)
    suspects = np.flatnonzero(step > _MISSED * np.quantile(inner, 0.1))
    if spread < 0.15 and len(suspects):
        is_missed[suspects] = step[suspects] > _MISSED * _usual_near(step, suspects)
        is_missed[i_gap] = False
    work.report(kept[1:][is_missed], "note", "{n} single row{s} missing: the step there is twice the usual one")
    slow, fast = np.quantile(inner, 0.95), np.quantile(inner, 0.05)
    if slow > 2.0 * fast and spread < 0.15:
        work.issues.append(Issue("note", f"the rate changes along the log: from {1 / slow:.3g} Hz to {1 / fast:.3g} Hz", work.column))
    elif spread > 0.05:
        text = f"uneven steps: {100 * spread:.0f} % (one sd) around {median * 1e3:.4g} ms, used as they are stamped"
        work.issues.append(Issue("note", text, work.column))
