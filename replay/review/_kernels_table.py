"""Tables to text at file speed: rows of decimals and words into one buffer. Slow twin: Python's own `f"{x:.{d}f}"`, in the tests."""

from __future__ import annotations

import numpy as np

from replay.jit import compiled


@compiled
def write_rows(values, digits, letters, starts, first, last, out):  # type: ignore[no-untyped-def]
    """Rows `first` to `last` of `values` (n, k), parted by commas; returns the bytes written, -1 where `out` is too short.

    `digits` (k,) places after the point; what is not finite becomes a blank cell. Where it is negative the column holds words: each
    value is a place c in the vocabulary, whose letters are `letters[starts[c] : starts[c + 1]]`.
    """
    n_columns = values.shape[1]
    buffer = np.empty(24, dtype=np.uint8)
    at = 0
    for i in range(first, last):
        for j in range(n_columns):
            if at + 26 > len(out):
                return -1
            if j > 0:
                out[at] = 44
                at += 1
            x = values[i, j]
            places = digits[j]
            if places < 0:
                begin, end = starts[int(x)], starts[int(x) + 1]
                if at + end - begin + 26 > len(out):
                    return -1
                for c in range(begin, end):
                    out[at] = letters[c]
                    at += 1
                continue
            if not np.isfinite(x):
                continue
            scale = 1
            for _ in range(places):
                scale *= 10
            whole = np.int64(np.rint(abs(x) * scale))
            if x < 0.0 and whole > 0:
                out[at] = 45
                at += 1
            length = 0
            while whole > 0 or length <= places:
                buffer[length] = 48 + whole % 10
                whole //= 10
                length += 1
                if length == places and places > 0:
                    buffer[length] = 46
                    length += 1
                    if whole == 0:
                        buffer[length] = 48
                        length += 1
                        break
            for c in range(length - 1, -1, -1):
                out[at] = buffer[c]
                at += 1
        out[at] = 10
        at += 1
    return at
