"""Times written as a clock shows them: `2024-05-01T12:00:00.250Z`, `12:00:00.250`."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

_DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?")
_DAY = re.compile(r"\d{1,2}:\d\d:\d\d([.,]\d+)?$")
_LEAST_SHARE = 0.9


def seconds_of(words: NDArray[Any]) -> NDArray[np.float64] | None:
    """Seconds of a column of dates or times of day, shape (n,) for words of shape (n,).

    Since 1970 (ISO 8601 dates) or since midnight (times of day), NaN where a cell is none; None for a column of other words.
    """
    given = words[words != ""]
    if not len(given):
        return None
    first = str(given[0])
    if _DATE.match(first):
        seconds = since_1970(words)
    elif _DAY.match(first):
        seconds = _since_midnight(words)
    else:
        return None
    return seconds if np.count_nonzero(np.isfinite(seconds)) >= _LEAST_SHARE * len(given) else None


def since_1970(dates: Any) -> NDArray[np.float64]:
    """Seconds since 1970, shape (n,), of n dates as words (ISO 8601) or as pandas holds them, UTC where no zone is stated.

    NaN where a cell is no date.
    """
    import pandas as pd

    given = pd.Series(dates)
    stamps = pd.Series(
        pd.to_datetime(given if given.dtype.kind == "M" else given.astype(object), format="ISO8601", utc=True, errors="coerce")
    )
    since = stamps - pd.Timestamp(0, tz="UTC")
    return np.asarray(since.dt.total_seconds().to_numpy(dtype=np.float64))


def _since_midnight(words: NDArray[Any]) -> NDArray[np.float64]:
    seconds = np.full(len(words), np.nan)
    for i, word in enumerate(words.tolist()):
        if _DAY.match(word):
            hours, minutes, rest = word.replace(",", ".").split(":")
            seconds[i] = 3600.0 * int(hours) + 60.0 * int(minutes) + float(rest)
    return seconds
