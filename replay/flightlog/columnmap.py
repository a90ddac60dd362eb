"""Column map: which column of which file is which channel, in which unit, with which sign; guessed or stated, saved as TOML."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from replay.errors import SettingsError
from replay.flightlog.channels import KINDS
from replay.flightlog.unit_table import FAMILIES, TICKS, find_unit
from replay.settings_file import FORMAT, Unfit, checked, flag, number, read_toml, text, vector, write_toml
from replay.units import DEG

Vec3 = tuple[float, float, float]

TIME: Final = "time"
"""Map-only channel: the clock of its file. At most one column a file."""
ANGLES: Final = "onboard_angles"
"""Map-only channel, components roll, pitch, yaw: becomes `q_enu_from_body_onboard`."""
EXTRA: Final = "extra"
"""Map-only channel: kept under its header and drawn, never computed with."""
IGNORE: Final = "ignore"
"""Map-only channel: not kept."""

# channel -> family of its units, per component where they differ
_FAMILY: Final[Mapping[str, tuple[str, ...]]] = {
    TIME: ("time",),
    "accel_raw_imu_mps2": ("accel",) * 3,
    "rate_raw_imu_radps": ("rate",) * 3,
    "mag_raw_imu_t": ("mag",) * 3,
    "pressure_pa": ("pressure",),
    "baro_height_m": ("length",),
    "imu_temperature_k": ("temperature",),
    "air_temperature_k": ("temperature",),
    "battery_v": ("voltage",),
    "current_a": ("current",),
    "gimbal_command_rad": ("angle",) * 2,
    "gimbal_position_rad": ("angle",) * 2,
    "q_enu_from_body_onboard": ("number",) * 4,
    ANGLES: ("angle",) * 3,
    "onboard_height_m": ("length",),
    "onboard_vel_up_mps": ("speed",),
    "state": ("word",),
    "gnss_lat_lon_height": ("angle", "angle", "length"),
}
_AXES = ("+x", "-x", "+y", "-y", "+z", "-z")


def components_of(channel: str) -> tuple[str, ...]:
    """Names of a channel's components; ("",) for a scalar and for the map-only ones, roll, pitch, yaw for the onboard angles."""
    if channel == ANGLES:
        return ("roll", "pitch", "yaw")
    return KINDS[channel].components if channel in KINDS else ("",)


def family_of(channel: str, component: str = "") -> str | None:
    """Family of units (`unit_table`) of one component; None for a column that is kept as it is."""
    families = _FAMILY.get(channel)
    if families is None:
        return None
    names = components_of(channel)
    return families[names.index(component)] if component in names else families[0]


def units_of(channel: str, component: str = "") -> tuple[str, ...]:
    """The units a column of this channel may be in, for the map and for a chooser on screen."""
    family = family_of(channel, component)
    if family is None:
        return ()
    return (*FAMILIES[family], TICKS) if family == "time" else tuple(FAMILIES[family])


CHANNELS: Final = (TIME, *KINDS, ANGLES, EXTRA, IGNORE)
"""Every channel name a column map may use."""


@dataclass(frozen=True)
class ColumnEntry:
    """One column.

    SI value = sign · scale · (raw − zero), then the unit's own factor and offset.

    Parameters
    ----------
    column : str
        The header as it stands in the file; "column 3" where the file has none.
    channel : str
        One of `CHANNELS`.
    component : str
        x, y, z, w, latitude, ...; "" for a scalar.
    unit : str
        In our spelling (`units_of`); "" for text and for what is kept as it is.
    sign : int
        +1 or -1.
    zero, scale : float
        For counts and servo pulses: raw value that means zero, and units per raw step.
    rate_hz : float or None
        Ticks a second, for a time column in ticks.
    file : str
        Name of the file without its folder; "" where one file was read.
    is_inferred : bool
        The channel was guessed from the header.
    is_unit_inferred : bool
        The unit was guessed from the data: the header does not state it.
    reason : str
        Why it was guessed so, for the screen. Not saved.
    """

    column: str
    channel: str = EXTRA
    component: str = ""
    unit: str = ""
    sign: int = 1
    zero: float = 0.0
    scale: float = 1.0
    rate_hz: float | None = None
    file: str = ""
    is_inferred: bool = False
    is_unit_inferred: bool = False
    reason: str = field(default="", compare=False)


@dataclass(frozen=True)
class FileEntry:
    """What holds for a whole file: its name, a sample rate where it has no time column, and its clock against the gyro's.

    Time on the gyro file's clock = time on this file's own clock + `clock_offset_s`; None where it is not stated.
    """

    file: str = ""
    rate_hz: float | None = None
    clock_offset_s: float | None = None


@dataclass(frozen=True)
class OnboardAttitude:
    """How the computer's own attitude is meant.

    Parameters
    ----------
    turns : str
        "body to earth" (turns vehicle vectors into the earth frame) or "earth to body".
    earth_z : str
        "up" or "down".
    angle_order : str
        For angles: order of the turns about the moving axes, starting from the earth frame; "zyx" is yaw, pitch, roll.
    rotation_rad : tuple of 3 float
        Rotation vector that turns vectors in the logged imu axes into the axes the computer's attitude is about: a computer that turns
        its board's axes before it estimates. Zero for none.
    is_inferred : bool
    """

    turns: str = "body to earth"
    earth_z: str = "up"
    angle_order: str = "zyx"
    rotation_rad: Vec3 = (0.0, 0.0, 0.0)
    is_inferred: bool = True


TURNS: Final = ("body to earth", "earth to body")
EARTH_Z: Final = ("up", "down")
ANGLE_ORDERS: Final = ("zyx", "zxy", "yxz", "yzx", "xyz", "xzy", "zxz", "zyz")


@dataclass(frozen=True)
class ColumnMap:
    """How columns become channels, and how the sensor's axes sit in the vehicle.

    Parameters
    ----------
    columns : tuple of ColumnEntry
    files : tuple of FileEntry
    axes : tuple of 3 str, or None
        The imu axes that are body x, y and z, for instance ("-y", "+z", "-x"); None: found from the data.
    rotation_rad : tuple of 3 float, or None
        Rotation vector that turns axis-assigned vectors into body vectors; None: found from the data.
    attitude : OnboardAttitude
    """

    columns: tuple[ColumnEntry, ...] = ()
    files: tuple[FileEntry, ...] = ()
    axes: tuple[str, str, str] | None = None
    rotation_rad: Vec3 | None = None
    attitude: OnboardAttitude = OnboardAttitude()

    def of(self, channel: str, file: str | None = None) -> tuple[ColumnEntry, ...]:
        """Entries of one channel, of one file where given."""
        return tuple(entry for entry in self.columns if entry.channel == channel and file in (None, entry.file))

    def file(self, name: str) -> FileEntry:
        """What is stated about one file; nothing, where nothing is."""
        return next((entry for entry in self.files if entry.file == name), FileEntry(name))

    def with_entry(self, changed: ColumnEntry) -> ColumnMap:
        """A copy in which one column (by file and header) is changed, or added."""
        entries = list(self.columns)
        for i, entry in enumerate(entries):
            if (entry.file, entry.column) == (changed.file, changed.column):
                entries[i] = changed
                return replace(self, columns=tuple(entries))
        return replace(self, columns=(*entries, changed))


def _axis(value: Any) -> str:
    plain = value if not isinstance(value, str) or value[:1] in "+-" else "+" + value
    return str(text(*_AXES)(plain))


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


def load_column_map(path: str | os.PathLike[str]) -> ColumnMap:
    """Read a column map. Raises SettingsError for anything it can't mean."""
    return _map_of(read_toml(path, _SCHEMA), os.fspath(path))


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


def handedness(axes: Sequence[str]) -> int:
    """+1 where signed axes are a right-handed set of x, y, z, -1 where left-handed, 0 where one is there twice."""
    letters = "".join(axis[1] for axis in axes)
    if set(letters) != set("xyz"):
        return 0
    sign = 1 if letters in "xyzxy" else -1
    for axis in axes:
        sign *= -1 if axis[0] == "-" else 1
    return sign


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
    "onboard_attitude": "How the computer's own attitude is meant.",
    "column": "SI value = sign * scale * (raw - zero), then the unit. Channels: " + ", ".join(CHANNELS) + ".",
}
