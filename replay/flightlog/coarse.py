"""Coarse clocks: several rows on one stamp, or ticks too long for the rows between them. Even spacing is recovered where there is any."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

COARSE_SHARE = 0.2  # of the rows share their stamp with the row before: the clock is coarse, not faulty
_COARSE_TICK = 0.25  # of a step: a tick this long spoils the steps even where no stamp repeats
_LONG = 2.5  # times the usual step: rows are missing there


@dataclass(frozen=True, eq=False)
class Recovered:
    """A coarse clock made even.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Evenly spaced, s.
    i_gap : ndarray of int, shape (g,)
        A gap lies between rows i and i + 1.
    text : str
        What to say about it.
    """

    time_s: Array
    i_gap: Indices
    text: str


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
    is_plain = step <= _LONG * np.median(step)
    return float(step[is_plain].sum() / max(1, n_rows[is_plain].sum()))


def _is_steady(step: Array, tick: float) -> bool:
    """Steps of k and k + 1 ticks, as evenly spaced rows give. One and two ticks also come of rows that are missing, which are rare."""
    plain = np.rint(step[step <= _LONG * np.median(step)] / tick)
    if len(plain) <= 10 or np.ptp(plain) != 1.0:
        return False
    share = float(np.mean(plain == plain.max()))
    return bool(plain.min() >= 2.0) or 0.1 <= share <= 0.9


def spread(x: Array) -> Array:
    """Rows on one stamp spaced evenly up to the next stamp, shape (n,) for stamps `x` of shape (n,) that never run backward, s.

    After the last stamp, and into a gap, by the usual step.
    """
    typical = _typical_step(x, np.diff(x) == 0)
    starts, counts = _stamps(x)
    stamps = x[starts]
    room = np.append(np.diff(stamps), np.inf)
    each = np.minimum(room / counts, typical)
    within = np.arange(len(x)) - np.repeat(starts, counts)
    return np.asarray(np.repeat(stamps, counts) + within * np.repeat(each, counts))


def recover(x: Array, i_break: Indices, tick_s: float | None) -> Recovered | None:
    """Even spacing of a coarse clock: between gaps, one line through the stamps, or several where the rate drifts by more than a tick.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Stamps in s, never backward.
    i_break : ndarray of int
        The logger started again between rows i and i + 1.
    tick_s : float or None
        Seconds in one unit of whole-number stamps.

    Returns
    -------
    Recovered, or None where the clock is fine enough, or where no stamp repeats and it takes many lines: then the rows are not evenly
    spaced, and the stamps are the better truth.
    """
    all_steps = np.diff(x)
    is_same = all_steps == 0
    is_certain = float(np.mean(is_same)) >= COARSE_SHARE
    tick = _tick(all_steps, tick_s)
    if not is_certain:
        is_long = tick is not None and tick >= _COARSE_TICK * _typical_step(x, is_same)
        if tick is None or not is_long or not _is_steady(all_steps, tick):
            return None
    starts, counts = _stamps(x)
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
    return Recovered(_increasing(out, spacing), i_gap.astype(np.int64), text)


def _stamps(x: Array) -> tuple[Indices, Indices]:
    """First row of each distinct stamp, and how many rows carry it."""
    starts = np.flatnonzero(np.concatenate(([True], np.diff(x) > 0)))
    return starts, np.diff(np.concatenate((starts, [len(x)])))


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
