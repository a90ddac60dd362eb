"""Column map: which column of which file is which channel, in which unit, with which sign; guessed or stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from replay.flightlog.channels import KINDS
from replay.flightlog.unit_table import FAMILIES, TICKS

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
SIGNED_AXES: Final = ("+x", "-x", "+y", "-y", "+z", "-z")


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


def handedness(axes: Sequence[str]) -> int:
    """+1 where signed axes are a right-handed set of x, y, z, -1 where left-handed, 0 where one is there twice."""
    letters = "".join(axis[1] for axis in axes)
    if set(letters) != set("xyz"):
        return 0
    sign = 1 if letters in "xyzxy" else -1
    for axis in axes:
        sign *= -1 if axis[0] == "-" else 1
    return sign
