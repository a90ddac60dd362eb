"""Column map files: TOML, strict, read back equal to what was written."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from replay.errors import SettingsError
from replay.flightlog.columnmap import (
    ANGLE_ORDERS,
    ANGLES,
    CHANNELS,
    EARTH_Z,
    EXTRA,
    IGNORE,
    SIGNED_AXES,
    TIME,
    TURNS,
    ColumnEntry,
    ColumnMap,
    FileEntry,
    OnboardAttitude,
    Vec3,
    components_of,
    family_of,
    handedness,
    units_of,
)
from replay.flightlog.unit_table import TICKS, find_unit
from replay.settings_file import FORMAT, Unfit, checked, flag, number, read_toml, text, vector, write_toml
from replay.units import DEG


def _axis(value: Any) -> str:
    plain = value if not isinstance(value, str) or value[:1] in "+-" else "+" + value
    return str(text(*SIGNED_AXES)(plain))


def _sign(value: Any) -> int:
    if value in (1, -1) and not isinstance(value, bool):
        return int(value)
    raise Unfit("1 or -1")


_SCHEMA: Final = {
    "imu": {"axes": vector(3, _axis), "rotation_deg": vector(3)},
    "onboard_attitude": {
        "turns": text(*TURNS),
        "earth_z": text(*EARTH_Z),
        "angle_order": text(*ANGLE_ORDERS),
        "rotation_deg": vector(3),
        "guessed": flag(),
    },
    "file": [{"file": text(), "rate_hz": number(above=0.0), "clock_offset_s": number()}],
    "column": [
        {
            "file": text(),
            "column": text(),
            "channel": text(*CHANNELS),
            "component": text(),
            "unit": text(),
            "sign": _sign,
            "zero": number(),
            "scale": number(),
            "rate_hz": number(above=0.0),
            "guessed": flag(),
            "unit_guessed": flag(),
        }
    ],
}


_FOUND_IN_DATA: Final = frozenset({"turns", "earth_z", "rotation_deg"})
"""Of the computer's attitude: what is found in the record where nothing states it."""


def load_column_map(path: str | os.PathLike[str], *, may_be_edited: bool = True) -> ColumnMap:
    """Read a column map. Raises SettingsError for anything it can't mean.

    What the file says of the computer's attitude holds, also where it still says `guessed` of it: it may have been edited since.
    A file that only the program writes, `may_be_edited` False, leaves a guess a guess.
    """
    stated = read_toml(path, _SCHEMA)
    found = _map_of(stated, os.fspath(path))
    if may_be_edited and _FOUND_IN_DATA.intersection(stated.get("onboard_attitude", {})):
        return replace(found, attitude=replace(found.attitude, is_inferred=False))
    return found


def column_map_of(tables: Mapping[str, Any], name: str) -> ColumnMap:
    """The column map of a map file's tables standing inside another document; `name` stands for the file in errors."""
    return _map_of(checked({"format": FORMAT, **tables}, _SCHEMA, name), name)


def _map_of(stated: Mapping[str, Any], name: str) -> ColumnMap:
    imu = stated.get("imu", {})
    axes = imu.get("axes")
    if axes is not None and handedness(axes) == 0:
        raise SettingsError(name, "imu.axes", "each of x, y and z once", repr(list(axes)))
    if axes is not None and handedness(axes) < 0:
        raise SettingsError(name, "imu.axes", "a right-handed set of axes (change one sign, or swap two)", repr(list(axes)))
    rotation = imu.get("rotation_deg")
    attitude = stated.get("onboard_attitude")
    columns = tuple(_entry(name, i, item) for i, item in enumerate(stated.get("column", []), start=1))
    _check_once(name, columns)
    return ColumnMap(
        columns=columns,
        files=tuple(FileEntry(**item) for item in stated.get("file", [])),
        axes=axes,
        rotation_rad=None if rotation is None else _radians(rotation),
        attitude=OnboardAttitude()
        if attitude is None
        else OnboardAttitude(
            turns=attitude.get("turns", TURNS[0]),
            earth_z=attitude.get("earth_z", EARTH_Z[0]),
            angle_order=attitude.get("angle_order", ANGLE_ORDERS[0]),
            rotation_rad=_radians(attitude.get("rotation_deg", (0.0, 0.0, 0.0))),
            is_inferred=attitude.get("guessed", False),
        ),
    )


def _radians(angles_deg: tuple[float, ...]) -> Vec3:
    return (angles_deg[0] * DEG, angles_deg[1] * DEG, angles_deg[2] * DEG)


def _check_once(name: str, columns: tuple[ColumnEntry, ...]) -> None:
    """A column stands once, and so does each component of each channel."""
    seen: dict[tuple[str, ...], int] = {}
    for i, entry in enumerate(columns, start=1):
        places = [("column", entry.file, entry.column)]
        if entry.channel == TIME:
            places.append((TIME, entry.file, ""))
        elif entry.channel not in (EXTRA, IGNORE):
            places.append(("", entry.channel, entry.component))
        for place in places:
            if place in seen:
                expected = "each column, and each component of a channel, once"
                raise SettingsError(name, f"column[{i}]", expected, f"the same as column[{seen[place]}]")
            seen[place] = i


def _entry(name: str, i: int, item: Mapping[str, Any]) -> ColumnEntry:
    """One [[column]], its component and unit held to its channel."""
    where = f"column[{i}]"
    if "column" not in item:
        raise SettingsError(name, f"{where}.column", "the header of a column", "nothing")
    channel = item.get("channel", EXTRA)
    component = item.get("component", "")
    allowed = components_of(channel)
    if component not in allowed:
        raise SettingsError(name, f"{where}.component", f"one of {', '.join(map(repr, allowed))} for {channel!r}", repr(component))
    family = family_of(channel, component)
    unit = item.get("unit", "")
    if family is not None:
        found = TICKS if family == "time" and unit == TICKS else find_unit(unit, family)
        if unit and found is None:
            raise SettingsError(name, f"{where}.unit", f"one of {', '.join(units_of(channel, component))} for {channel!r}", repr(unit))
        unit = found or ""
    return ColumnEntry(
        column=item["column"],
        channel=channel,
        component=component,
        unit=unit,
        sign=item.get("sign", 1),
        zero=item.get("zero", 0.0),
        scale=item.get("scale", 1.0),
        rate_hz=item.get("rate_hz"),
        file=item.get("file", ""),
        is_inferred=item.get("guessed", False),
        is_unit_inferred=item.get("unit_guessed", False),
    )


def save_column_map(column_map: ColumnMap, path: str | os.PathLike[str]) -> None:
    """Write a column map that `load_column_map` reads back equal."""
    write_toml(path, tables_of(column_map), heading=_HEADING, comments=_COMMENTS)


def tables_of(column_map: ColumnMap) -> dict[str, Any]:
    """The tables of a map file; None for what is not there."""
    attitude = column_map.attitude
    has_attitude = attitude != OnboardAttitude() or column_map.of("q_enu_from_body_onboard") or column_map.of(ANGLES)
    return {
        "imu": {
            "axes": column_map.axes,
            "rotation_deg": None if column_map.rotation_rad is None else _degrees(column_map.rotation_rad),
        },
        "onboard_attitude": {
            "turns": attitude.turns,
            "earth_z": attitude.earth_z,
            "angle_order": attitude.angle_order,
            "rotation_deg": _degrees(attitude.rotation_rad) if any(attitude.rotation_rad) else None,
            "guessed": attitude.is_inferred or None,
        }
        if has_attitude
        else {},
        "file": [{"file": e.file or None, "rate_hz": e.rate_hz, "clock_offset_s": e.clock_offset_s} for e in column_map.files],
        "column": [_saved(entry) for entry in column_map.columns],
    }


def _saved(entry: ColumnEntry) -> dict[str, Any]:
    """Only what differs from the default, so that the file stays short."""
    return {
        "file": entry.file or None,
        "column": entry.column,
        "channel": entry.channel,
        "component": entry.component or None,
        "unit": entry.unit or None,
        "sign": None if entry.sign == 1 else entry.sign,
        "zero": None if entry.zero == 0.0 else float(entry.zero),
        "scale": None if entry.scale == 1.0 else float(entry.scale),
        "rate_hz": entry.rate_hz,
        "guessed": entry.is_inferred or None,
        "unit_guessed": entry.is_unit_inferred or None,
    }


def _degrees(angles_rad: Vec3) -> list[float]:
    return [_tidy(angle / DEG) for angle in angles_rad]


def _tidy(angle_deg: float) -> float:
    """Degrees without the last digits that a trip through radians leaves, where they come back equal."""
    short = float(f"{angle_deg:.12g}")
    return short if short * DEG == angle_deg * DEG else angle_deg


_HEADING = "Column map: which column is which channel, in which unit, with which sign."
_COMMENTS = {
    "imu": "How the sensor sits in the vehicle: the imu axes that are body x, y and z (z towards the nose), then a rotation vector.",
    "onboard_attitude": "How the computer's own attitude is meant: what stands here holds; without this table it is found in the record.",
    "column": "SI value = sign * scale * (raw - zero), then the unit. Channels: " + ", ".join(CHANNELS) + ".",
}
