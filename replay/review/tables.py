"""Data out: estimate, channels on a common clock, events and findings as columns with units in their names, to CSV or Parquet.

    table = tables.estimate_table(solution)          # {"log_time_s": array, ...}: pandas.DataFrame(table) takes it as it is
    tables.write(table, "estimate.parquet")

Angles are in degrees where the name ends in _deg; channels are as in the log, in SI.
"""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flightlog.channels import KINDS
from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import PHASES, Solution
from replay.review.explain import explained_of
from replay.review.logged_traces import attitude_at
from replay.review.snapshot import Snapshot
from replay.review.table_file import is_parquet, write_parquet, write_table
from replay.units import DEG

if TYPE_CHECKING:
    from replay.flight.explained import Explained

Array = NDArray[np.float64]
Table = dict[str, NDArray[Any]]

NAMES: Final = ("estimate", "channels", "events", "findings")
"""The tables of a flight."""

_DIGITS: Final[Mapping[str, int]] = (
    {"log_time_s": 6, "time_s": 6}
    | dict.fromkeys(("q_w", "q_x", "q_y", "q_z"), 9)
    | dict.fromkeys(("tilt_deg", "tilt_azimuth_deg", "roll_deg", "tilt_sd_deg"), 5)
    | dict.fromkeys(("pos_east_m", "pos_north_m", "height_m", "vel_east_mps", "vel_north_mps", "vel_up_mps"), 4)
    | dict.fromkeys(("gnss_latitude_rad", "gnss_longitude_rad"), 10)
    | dict.fromkeys(("pos_east_sd_m", "pos_north_sd_m", "height_sd_m"), 4)
)
_SIGNIFICANT, _MOST_DIGITS = 8, 9
_SMALL_ROWS: Final = 2000
_UNITS: Final = {"m/s^2": "mps2", "°C": "c", "1": "", "a.u.": "au"}
_SPELLED: Final = (
    dict.fromkeys("\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}", "u")
    | dict.fromkeys("\N{OHM SIGN}\N{GREEK CAPITAL LETTER OMEGA}", "ohm")
    | {"°": "deg", "²": "2", "³": "3", "%": "percent", "·": " "}
)
"""Micro and ohm have two signs each in Unicode."""


def estimate_table(solution: Solution) -> Table:
    """The estimate's columns, in the order of `plumbline estimate`; standard deviations only where the method has them."""
    q, pos, vel = solution.q_enu_from_body, solution.pos_enu_m, solution.vel_enu_mps
    columns: Table = {"log_time_s": solution.log_time_s, "time_s": solution.time_s, "phase": np.array(PHASES)[solution.phase]}
    columns |= {name: q[:, i] for i, name in enumerate(("q_w", "q_x", "q_y", "q_z"))}
    columns |= {
        "tilt_deg": solution.tilt_rad / DEG,
        "tilt_azimuth_deg": solution.tilt_azimuth_rad / DEG,
        "roll_deg": solution.roll_rad / DEG,
    }
    columns |= {name: pos[:, i] for i, name in enumerate(("pos_east_m", "pos_north_m", "height_m"))}
    columns |= {name: vel[:, i] for i, name in enumerate(("vel_east_mps", "vel_north_mps", "vel_up_mps"))}
    if solution.tilt_sd_rad is not None:
        columns["tilt_sd_deg"] = solution.tilt_sd_rad / DEG
    if solution.pos_sd_enu_m is not None:
        for i, name in enumerate(("pos_east_sd_m", "pos_north_sd_m", "height_sd_m")):
            if np.isfinite(solution.pos_sd_enu_m[:, i]).any():
                columns[name] = solution.pos_sd_enu_m[:, i]
    return columns


def channels_table(log: FlightLog, solution: Solution) -> Table:
    """Every logged channel on the solution's clock (the gyro's).

    Between two samples of a slower channel a straight line is drawn; across a gap, before its first sample and after its last one a
    channel is blank (NaN). Words keep the last one logged, and so do numbers that count or name something: a flight state, and whole
    numbers without a unit under a header of the logger's own.
    """
    time = solution.log_time_s
    columns: Table = {"log_time_s": time, "time_s": solution.time_s}
    for channel in sorted(log.channels.values(), key=lambda c: c.name != "state"):
        if not channel.n_samples:
            continue
        if not np.issubdtype(channel.values.dtype, np.number):
            columns[_unused(_column_name(channel, ""), columns)] = _held_words(channel, time)
            continue
        values = _held(channel, time) if _is_code(channel) else _on_clock(channel, time)
        kind = None if channel.is_extra else KINDS.get(channel.name)
        width = 1 if values.ndim == 1 else values.shape[1]
        components = kind.components if kind else tuple(str(i + 1) for i in range(width)) if width > 1 else ("",)
        for i in range(width):
            columns[_unused(_column_name(channel, components[i]), columns)] = values if values.ndim == 1 else values[:, i]
    return columns


def _unused(name: str, columns: Mapping[str, Any]) -> str:
    """Two headers may come down to one name."""
    return name if name not in columns else next(f"{name}_{i}" for i in range(2, 10_000) if f"{name}_{i}" not in columns)


def _column_name(channel: Channel, component: str) -> str:
    """Name with the component before the unit: accel_raw_imu_x_mps2; of a column not known by name, its header and unit."""
    kind = None if channel.is_extra else KINDS.get(channel.name)
    if kind is not None and "," in kind.unit:  # each component has a unit of its own
        units = dict(zip(kind.components, kind.unit.split(", "), strict=True))
        return f"{channel.name.partition('_')[0]}_{component}_{unit_word(units[component])}"
    if kind is not None:
        base, _, unit = channel.name.rpartition("_")
        if kind.unit in ("", "1"):
            base, unit = channel.name, ""
        elif channel.unit == "a.u.":  # a direction only
            unit = "au"
        return "_".join(part for part in (base, component, unit) if part)
    unit = unit_word(channel.unit)
    header = re.sub(rf"[(\[{{]\s*{re.escape(channel.unit)}\s*[)\]}}]\s*$", "", channel.name) if channel.unit else channel.name
    words = re.sub(r"\W+", "_", _spelled(header).lower()).strip("_") or "column"
    return "_".join(part for part in (words, component, "" if words.endswith(f"_{unit}") else unit) if part)


def unit_word(unit: str) -> str:
    """A unit as names carry it: m/s² is mps2, °/s degps, µT ut."""
    if unit in _UNITS:
        return _UNITS[unit]
    return re.sub(r"[^0-9a-z]+", "", _spelled(unit).replace("/", "p").lower())


def _spelled(text: str) -> str:
    """Signs that are no letters, in letters."""
    return "".join(_SPELLED.get(letter, letter) for letter in text)


def column_name(quantity: str, unit: str, flight: str = "") -> str:
    """A column's name: the flight where there are several, the quantity, and the unit as names carry it."""
    tail = unit_word(unit)
    return "_".join(part for part in (re.sub(r"\W+", "_", flight).strip("_"), quantity, tail) if part)


def _on_clock(channel: Channel, time: Array) -> Array:
    """Values at other times, NaN where the channel has nothing to say, shape (n,) or (n, w)."""
    own = channel.log_time_s
    values = np.asarray(channel.values, dtype=np.float64)
    if channel.name == "q_enu_from_body_onboard" and not channel.is_extra:
        found = attitude_at(time, own, values).copy()
    elif values.ndim == 1:
        found = np.interp(time, own, values, left=np.nan, right=np.nan)
    else:
        found = np.column_stack([np.interp(time, own, column, left=np.nan, right=np.nan) for column in values.T])
    for i in channel.i_gap:
        found[(time > own[i]) & (time < own[i + 1])] = np.nan
    return found


def _is_code(channel: Channel) -> bool:
    """Its numbers count or name something: nothing lies between two of them."""
    if channel.name == "state" and not channel.is_extra:
        return True
    known = channel.values[np.isfinite(channel.values)]
    return channel.is_extra and not channel.unit and bool((known == np.rint(known)).all())


def _last_at(channel: Channel, time: Array) -> NDArray[np.intp]:
    """Sample at or before each time; -1 before the first."""
    return np.searchsorted(channel.log_time_s, time, side="right") - 1


def _held_words(channel: Channel, time: Array) -> NDArray[Any]:
    i = _last_at(channel, time)
    return np.where(i >= 0, channel.values.astype(str)[np.maximum(i, 0)], "")


def _held(channel: Channel, time: Array) -> Array:
    i = _last_at(channel, time)
    found = np.asarray(channel.values, dtype=np.float64)[np.maximum(i, 0)]
    found[i < 0] = np.nan
    return found


def events_table(explained: Explained) -> Table:
    """Events in order of time, with standard deviation and what they were seen in."""
    events = list(explained.events.events.values())
    zero = explained.time("liftoff")
    times = np.array([event.log_time_s for event in events], dtype=np.float64)
    return {
        "event": np.array([event.name for event in events], dtype=str),
        "log_time_s": times,
        "time_s": times - (zero if np.isfinite(zero) else 0.0),
        "sd_s": np.array([event.sd_s for event in events], dtype=np.float64),
        "evidence": np.array([event.evidence for event in events], dtype=str),
        "is_moved": np.array(["yes" if event.is_moved else "no" for event in events], dtype=str),
    }


def findings_table(explained: Explained) -> Table:
    """Findings, warnings first. Times are blank (NaN) where a finding is about the whole record."""
    found = explained.findings

    def times(name: str) -> Array:
        return np.array([np.nan if getattr(f, name) is None else getattr(f, name) for f in found], dtype=np.float64)

    def texts(name: str) -> NDArray[Any]:
        return np.array([getattr(f, name) for f in found], dtype=str)

    table: Table = {"severity": texts("severity"), "title": texts("title")}
    table |= {name: times(name) for name in ("start_log_s", "stop_log_s")}
    table["evidence"] = np.array([f.evidence_text() for f in found], dtype=str)
    return table | {name: texts(name) for name in ("meaning", "next_step", "rule", "threshold", "source")}


def table_of(name: str, snapshot: Snapshot) -> Table:
    """One of `NAMES` of a snapshot: of the flight as flown; events and findings of the explanation it carries.

    Raises
    ------
    CannotEstimate
        Events or findings of a snapshot that has not been explained.
    """
    if name == "estimate":
        return estimate_table(snapshot.as_flown)
    if name == "channels":
        return channels_table(snapshot.log, snapshot.as_flown)
    explained = explained_of(snapshot)
    if explained is None:
        raise CannotEstimate(name, "the flight has not been explained")
    return events_table(explained) if name == "events" else findings_table(explained)


def write(table: Mapping[str, NDArray[Any]], path: str | os.PathLike[str]) -> None:
    """Write columns of shape (n,) each: `.parquet` or `.pq` as Parquet (needs the [parquet] extra), anything else as CSV (UTF-8).

    What is not finite becomes a blank cell.
    """
    path = Path(path)
    if is_parquet(path):
        write_parquet(path, table)
    elif len(next(iter(table.values()))) > _SMALL_ROWS:
        numbers = {name: values for name, values in table.items() if np.issubdtype(values.dtype, np.number)}
        write_table(path, table, {name: _digits(name, values) for name, values in numbers.items()})
    else:
        _write_small(table, path)


def _digits(name: str, values: NDArray[Any]) -> int:
    """Places after the point: the column's own, or what shows eight significant digits of its largest value."""
    if name in _DIGITS:
        return _DIGITS[name]
    largest = float(np.nanmax(np.abs(values), initial=0.0, where=np.isfinite(values)))
    whole = math.floor(math.log10(largest)) + 1 if largest > 0.0 else 1
    return min(max(_SIGNIFICANT - whole, 0), _MOST_DIGITS)


def _write_small(table: Mapping[str, NDArray[Any]], path: Path) -> None:
    cells = []
    for name, values in table.items():
        if np.issubdtype(values.dtype, np.number):
            places = _digits(name, values)
            cells.append([f"{value:.{places}f}" if math.isfinite(value) else "" for value in values.tolist()])
        else:
            cells.append(values.tolist())
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(table)
        writer.writerows(zip(*cells, strict=True))
