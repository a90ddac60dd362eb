"""Values that a slower sensor's column merely repeats until its next sample: found where it is clear, and only the fresh ones kept."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FEWEST_RUNS = 12
_SHARE_USUAL = 0.6
_LEAST_REPEATED = 0.25
_SHARE_SHORT = 0.03


def rows_per_sample(values: Array) -> int:
    """Rows for which the column holds each sample; 1 where it does not, or where that is not clear.

    A held column never changes sooner than the sensor delivers: hardly any run of equal rows is shorter than the usual one. Readings
    that repeat by chance, or through coarse quantisation, come in runs of every length from one up.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, w)
    """
    if _repeated_share(values) < _LEAST_REPEATED:
        return 1
    runs = np.diff(_run_starts(values), append=len(values))[1:-1]
    if len(runs) < _FEWEST_RUNS:
        return 1
    tally = Counter(runs.tolist())
    usual = max(tally, key=lambda length: (tally[length], -length))
    margin = max(1, round(0.1 * usual))
    if usual < 2 or np.mean(np.abs(runs - usual) <= margin) < _SHARE_USUAL:
        return 1
    least = usual - margin if usual > 2 else 2
    return int(usual) if np.mean(runs < least) <= _SHARE_SHORT else 1


def _repeated_share(values: Array) -> float:
    """Share of rows equal to the row before, from rows all over the log."""
    rows = np.unique(np.linspace(1, len(values) - 1, min(len(values) - 1, 20_000)).astype(np.int64)) if len(values) > 1 else np.empty(0)
    if not len(rows):
        return 0.0
    table = values.reshape(len(values), -1)
    return float(np.mean(np.all(table[rows] == table[rows - 1], axis=1)))


def fresh_rows(values: Array, usual: int) -> NDArray[np.bool_]:
    """The rows on which a held column shows a new sample, shape (n,). A sample equal to the one before counts, by the usual run.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, w)
    usual : int
        `rows_per_sample` of them.
    """
    starts = _run_starts(values)
    fresh = np.zeros(len(values), dtype=bool)
    fresh[starts] = True
    lengths = np.diff(starts, append=len(values))
    for start, length in zip(starts[lengths >= 2 * usual], lengths[lengths >= 2 * usual], strict=True):
        fresh[start : start + length - usual + 1 : usual] = True
    return fresh


def _run_starts(values: Array) -> NDArray[np.int64]:
    """First row of each run of equal rows; NaN equals NaN."""
    table = values.reshape(len(values), -1)
    same = (table[1:] == table[:-1]) | (np.isnan(table[1:]) & np.isnan(table[:-1]))
    return np.asarray(np.concatenate(([0], np.flatnonzero(~same.all(axis=1)) + 1)), dtype=np.int64)
