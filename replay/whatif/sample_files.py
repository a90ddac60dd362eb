"""Sample flights as files: the log as text, with its logger's troubles, and truth, vehicle, evidence, calibration and note beside it."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import FlightLog

if TYPE_CHECKING:
    from replay.whatif.sample import LogColumn
    from replay.whatif.scenarios import Scenario

Array = NDArray[np.float64]


def log_text(scenario: Scenario, log_time_s: Array, shown: dict[str, Any], columns: tuple[LogColumn, ...]) -> tuple[str, NDArray[np.int64]]:
    """The log's text, and the rows of the record that are in it."""
    trouble = scenario.trouble
    n = len(log_time_s)
    kept = np.ones(n, dtype=bool)
    clock = "time_s"
    stamps = [_short(t, 6) for t in log_time_s]
    if trouble is not None:
        for start, length in trouble.gaps_s:
            kept &= ~((log_time_s >= start) & (log_time_s < start + length))
        if trouble.tick_s > 0.0:
            clock = "time_ms"
            counter = trouble.counter_start + np.floor(log_time_s / trouble.tick_s + 1e-6) * trouble.tick_s * 1e3
            if trouble.counter_bits:
                counter = np.mod(counter, 2.0**trouble.counter_bits)
            stamps = [f"{t:.0f}" for t in counter]
    cells = [stamps]
    for column in columns:
        component = "xyzw".index(column.component) if column.component else 0
        if column.channel == "q_enu_from_body_onboard":
            component = "wxyz".index(column.component)
        values = (shown[column.channel][:, component] - column.offset) / column.factor
        text = [""] * n
        for i in range(0, n, column.every):
            text[i] = _short(values[i], column.digits)
        cells.append(text)
    cells.append(list(shown["state"]))
    header = ",".join([clock, *(column.header for column in columns), "state"])
    lines = [",".join(row) for row in zip(*cells, strict=True)]
    rows = np.flatnonzero(kept)
    body = [lines[i] for i in rows]
    if trouble is not None and trouble.header_again_s is not None:
        body.insert(int(np.searchsorted(log_time_s[rows], trouble.header_again_s)), header)
    text_out = "\n".join([header, *body]) + "\n"
    if trouble is not None and trouble.is_tail_torn:
        text_out = text_out[: -len(body[-1]) // 2]
        rows = rows[:-1]
    return text_out, rows


def _short(value: float, digits: int) -> str:
    """Fixed digits without trailing zeros and without a negative zero."""
    text = f"{np.round(value, digits):.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def log_from_text(text: str, name: str) -> FlightLog:
    """Read a log from its text, the way a file of that name would be."""
    from replay.flightlog import read_log

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(text, encoding="utf-8")
        return read_log(path)
