"""Numbers to text at file speed: rows of fixed-point decimals into one buffer. Slow twin: Python's own `f"{x:.{d}f}"`, in the tests."""

from __future__ import annotations

import numpy as np

from replay.jit import compiled


@compiled
def write_rows(values, digits, labels, label_width, label_column, first, last, out):  # type: ignore[no-untyped-def]
    """Rows `first` to `last` of `values` (n, k) as comma-separated decimals; returns the bytes written, -1 where `out` is too short.

    `digits` (k,) places after the point; what is not finite becomes a blank cell. Before column `label_column` a word is put: its
    letters are `labels[code, : label_width[code]]` with the code in column 0 of `values`, which is not written itself.
    """
    n_columns = values.shape[1]
    buffer = np.empty(24, dtype=np.uint8)
    at = 0
    for i in range(first, last):
        if at + 24 * (n_columns + 1) > len(out):
            return -1
        for j in range(1, n_columns):
            if j > 1:
                out[at] = 44
                at += 1
            if j == label_column:
                code = int(values[i, 0])
                for c in range(label_width[code]):
                    out[at] = labels[code, c]
                    at += 1
                out[at] = 44
                at += 1
            x = values[i, j]
            if not np.isfinite(x):
                continue
            places = digits[j]
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
