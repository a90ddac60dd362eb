"""A column of stamps to a clock: wraps, restarts, backward and repeated stamps, coarse ticks, jitter, gaps. Each found, said, handled.

Rows are only ever left out or given a better stamp, never resampled; a gap is marked, never filled.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import Issue

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

_GAP = 2.5  # a step this many times the usual step near it is a gap: at least two rows are missing
_MISSED = 1.6  # and this many times: one row is missing, worth a word but no break
_COARSE_SHARE = 0.2  # of the rows share their stamp with the row before: the clock is coarse, not faulty
_COARSE_TICK = 0.25  # of a step: a tick this long spoils the steps even where no stamp repeats
_PAUSE_S = 1.0  # put between two runs of a logger whose clock began anew: the true pause is unknown
_N_GLITCH = 3  # rows; a longer run of backward stamps is a restart
_N_NEAR = 21  # steps around a step that say what is usual there
_MOST_FAULTS = 300


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
    i_gap : ndarray of int
        A gap lies between kept rows i and i + 1.
    issues : tuple of Issue
    """

    keep: NDArray[np.bool_]
    time_s: Array
    start_s: float
    i_gap: Indices
    issues: tuple[Issue, ...] = ()


def make_clock(
    stamps: NDArray[Any],
    tick_s: float,
    rows: Indices,
    *,
    i_restart: tuple[int, ...] = (),
    same_as_previous: Callable[[Indices], NDArray[np.bool_]] | None = None,
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
    same_as_previous : callable, optional
        Given row indices, says which rows repeat the row before them in every column.
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
        return Clock(np.zeros(len(raw), dtype=bool), np.empty(0), first * tick_s, np.empty(0, dtype=np.int64), tuple(work.issues))
    _unwrap(work, raw, first, set(i_restart))
    restarts = _put_in_order(work, raw)
    _drop_repeated_rows(work, raw, same_as_previous)
    kept = np.flatnonzero(work.keep)
    x = raw[kept] * tick_s
    i_break = np.unique(np.searchsorted(kept, sorted(restarts | set(i_restart)))) - 1
    i_break = i_break[(i_break >= 0) & (i_break < len(kept) - 1)]
    x, i_gap = _even_out(work, x, kept, i_break, stamps.dtype.kind in "iu")
    i_gap = np.union1d(i_gap, i_break).astype(np.int64)
    _tell_gaps(work, x, kept, i_gap)
    return Clock(work.keep, x - x[0], float((first + raw[kept[0]]) * tick_s), i_gap, tuple(work.issues))


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
    """(modulus in the column's units, its name): 2^16 and 2^32 of the column's own ticks, and of the ms or µs they were made of."""
    found = [(2.0**16, "2^16"), (2.0**32, "2^32")]
    for counter_s, name in ((1e-3, "ms"), (1e-6, "µs")):
        if tick_s in (1.0, 1e-3) and counter_s < tick_s:
            found += [(2.0**16 * counter_s / tick_s, f"2^16 {name}"), (2.0**32 * counter_s / tick_s, f"2^32 {name}")]
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
        wraps = back[(unwrapped > 0) & (unwrapped <= limit)]
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


def _put_in_order(work: _Work, raw: Array) -> set[int]:
    """Leave out stray stamps and shift what follows a restart, in place. Returns the rows that start a new run."""
    restarts: set[int] = set()
    kept = np.flatnonzero(work.keep)
    x = raw[kept].copy()
    alive = np.ones(len(x), dtype=bool)
    backward = _strays(x).tolist()
    alive[backward] = False
    forward: list[int] = []
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
        if ahead <= _N_GLITCH and (ahead < behind or (ahead == behind and y[i - 1] - y[i] > 10 * _usual(y))):
            alive[index[i - ahead : i]] = False
            forward += index[i - ahead : i].tolist()
        elif behind <= _N_GLITCH:
            alive[index[i : i + behind]] = False
            backward += index[i : i + behind].tolist()
        else:
            restarts.add(int(kept[index[i]]))
            x[index[i] :] += y[i - 1] - y[i] + _PAUSE_S / work.tick_s
    else:
        work.issues.append(Issue("problem", f"more than {_MOST_FAULTS} stamps run backward: this column is no clock", work.column))
    raw[kept] = x
    work.keep[kept[~alive]] = False
    work.report(kept[sorted(backward)], "warning", "{n} row{s} with a stamp that runs backward, left out")
    work.report(kept[sorted(forward)], "warning", "{n} row{s} with a stamp that jumps ahead and back, left out")
    work.report(
        np.array(sorted(restarts), dtype=np.int64),
        "warning",
        f"the clock starts anew {{n}} time{{s}}: the pause is unknown, {_PAUSE_S:g} s is put there as a gap",
    )
    return restarts


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


def _drop_repeated_rows(work: _Work, raw: Array, same_as_previous: Callable[[Indices], NDArray[np.bool_]] | None) -> None:
    """Leave out rows that repeat stamp and values of the row before."""
    if same_as_previous is None:
        return
    kept = np.flatnonzero(work.keep)
    again = kept[1:][np.diff(raw[kept]) == 0]
    again = again[work.keep[again - 1]]
    if len(again):
        again = again[same_as_previous(again)]
        work.keep[again] = False
        work.report(again, "warning", "{n} row{s} repeating the row before, left out")


def _even_out(work: _Work, x: Array, kept: Indices, i_break: Indices, is_integer: bool) -> tuple[Array, Indices]:
    """Spread rows that share a stamp; recover even spacing from a coarse clock. Returns times and gaps."""
    step = np.diff(x)
    is_same = step == 0
    share = float(np.mean(is_same))
    tick = _tick(step, work.tick_s if is_integer else None)
    typical = _typical_step(x, is_same)
    if share >= _COARSE_SHARE or (tick is not None and tick >= _COARSE_TICK * typical and _is_steady(step, tick)):
        recovered = _recover(work, x, i_break, tick, kept, is_certain=share >= _COARSE_SHARE)
        if recovered is not None:
            return recovered
    if share > 0.0:
        work.report(kept[1:][is_same], "warning", "{n} row{s} with the stamp of the row before: spaced evenly up to the next stamp")
        x = _spread(x, typical)
    return x, find_gaps(x)


def _tick(step: Array, tick_s: float | None) -> float | None:
    """Shortest time the stamps can tell apart, s; None where they are finer than a hundredth of a step."""
    positive = step[step > 0]
    if not len(positive):
        return None
    unit = tick_s if tick_s is not None else 10.0 ** np.floor(np.log10(np.median(positive)) - 3)
    whole = np.rint(positive[:20000] / unit)
    if np.max(np.abs(positive[:20000] / unit - whole)) > 0.02:
        return None
    return float(np.gcd.reduce(whole.astype(np.int64)) * unit)


def _typical_step(x: Array, is_same: NDArray[np.bool_]) -> float:
    """Mean time between rows where the clock advances normally."""
    stamps = x[np.concatenate(([True], ~is_same))]
    n_rows = np.diff(np.flatnonzero(np.concatenate(([True], ~is_same, [True]))))[:-1]
    step = np.diff(stamps)
    is_plain = step <= _GAP * np.median(step)
    return float(step[is_plain].sum() / max(1, n_rows[is_plain].sum()))


def _is_steady(step: Array, tick: float) -> bool:
    """Steps of k and k + 1 ticks, as evenly spaced rows give. One and two ticks also come of rows that are missing, which are rare."""
    plain = np.rint(step[step <= _GAP * np.median(step)] / tick)
    if len(plain) <= 10 or np.ptp(plain) != 1.0:
        return False
    share = float(np.mean(plain == plain.max()))
    return bool(plain.min() >= 2.0) or 0.1 <= share <= 0.9


def _spread(x: Array, typical: float) -> Array:
    """Rows on one stamp spaced evenly up to the next stamp; after the last stamp, and into a gap, by the usual step."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(x) > 0)))
    counts = np.diff(np.concatenate((starts, [len(x)])))
    stamps = x[starts]
    room = np.append(np.diff(stamps), np.inf)
    each = np.minimum(room / counts, typical)
    within = np.arange(len(x)) - np.repeat(starts, counts)
    return np.asarray(np.repeat(stamps, counts) + within * np.repeat(each, counts))


def _recover(
    work: _Work, x: Array, i_break: Indices, tick: float | None, kept: Indices, *, is_certain: bool
) -> tuple[Array, Indices] | None:
    """Even spacing of a coarse clock: between gaps, one line through the stamps, or several where the rate drifts by more than a tick.

    None where no stamp repeats (`is_certain` is false) and it takes many lines: then the rows are not evenly spaced.
    """
    starts = np.flatnonzero(np.concatenate(([True], np.diff(x) > 0)))
    counts = np.diff(np.concatenate((starts, [len(x)])))
    step = np.diff(x[starts])
    plain = step <= np.median(step) * 1.5
    spacing = float(step[plain].sum() / counts[:-1][plain].sum())
    # rows that are evenly spaced leave less than one spacing over when they are counted into ticks; batches may scatter more
    excess = step - counts[:-1] * spacing
    scatter = 1.4826 * float(np.median(np.abs(excess - np.median(excess))))
    is_gap = excess > max(1.5 * spacing, 6.0 * scatter)
    is_gap |= np.isin(starts[1:] - 1, i_break)
    i_gap = starts[1:][is_gap] - 1
    resolution = max(tick or 0.0, float(np.median(step)) if np.median(counts) > 1 else 0.0)
    resolution = resolution or float(np.min(step))
    out = x.copy()
    n_lines = 0
    for a, b in zip(np.append(0, i_gap + 1), np.append(i_gap + 1, len(x)), strict=True):
        out[a:b], n = _line_through(x[a:b], resolution, spacing)
        n_lines += n
    if not is_certain and n_lines > len(i_gap) + max(3, len(x) // 500):
        return None
    moved = float(np.max(np.abs(out - x)))
    text = (
        f"coarse clock: a stamp every {float(np.median(step)) * 1e3:.4g} ms, {len(x) / len(starts):.3g} rows on each; even spacing of "
        f"{spacing * 1e3:.4g} ms recovered, stamps moved by {moved * 1e3:.3g} ms at most"
    )
    work.issues.append(Issue("warning", text, work.column, (int(work.rows[kept[0]]), int(work.rows[kept[-1]]))))
    return _increasing(out, spacing), i_gap.astype(np.int64)


def _line_through(stamps: Array, resolution: float, spacing: float) -> tuple[Array, int]:
    """Evenly spaced times that would give these stamps, and in how many lines: halved until they do, joined without a jump."""
    n = len(stamps)
    pieces: list[tuple[int, int, float, float]] = []
    stack = [(0, n)]
    while stack:
        a, b = stack.pop()
        y = stamps[a:b] - stamps[a]
        i = np.arange(b - a, dtype=np.float64)
        if b - a < 3 or y[-1] == 0.0:
            pieces.append((a, b, float(stamps[a] + y.mean() - spacing * i.mean()), spacing))
            continue
        slope, level = np.polyfit(i, y, 1)
        if np.ptp(y - level - slope * i) <= 1.3 * resolution or b - a < 8:
            pieces.append((a, b, float(stamps[a] + level), float(slope)))
        else:
            stack += [((a + b) // 2, b), (a, (a + b) // 2)]
    at = [0.0]
    t = [pieces[0][2]]
    for (a, b, level, slope), (_, _, next_level, next_slope) in itertools.pairwise(pieces):
        at.append(b - 0.5)
        t.append(0.5 * (level + slope * (b - 0.5 - a) + next_level - 0.5 * next_slope))
    a, b, level, slope = pieces[-1]
    at.append(float(n - 1))
    t.append(level + slope * (n - 1 - a))
    return np.asarray(np.interp(np.arange(n), at, t)), len(pieces)


def _increasing(x: Array, spacing: float) -> Array:
    """Times with any step that is not positive lifted to a thousandth of the spacing."""
    if np.all(np.diff(x) > 0):
        return x
    least = 1e-3 * spacing * np.arange(len(x))
    return np.asarray(np.maximum.accumulate(x - least) + least)


def find_gaps(time_s: Array) -> Indices:
    """i where the step from row i to i + 1 is a gap: more than 2.5 times the median of the 21 steps around it.

    A log that is slow on the pad and fast in flight has no gap where it changes its rate.
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


def _tell_gaps(work: _Work, x: Array, kept: Indices, i_gap: Indices) -> None:
    """Say what is missing, how uneven the steps are and where the rate changes."""
    step = np.diff(x)
    if len(i_gap):
        longest = float(step[i_gap].max())
        total = float(step[i_gap].sum())
        work.report(kept[i_gap + 1], "warning", f"{{n}} gap{{s}}, the longest {longest:.3g} s, {total:.3g} s in all: nothing is filled in")
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
