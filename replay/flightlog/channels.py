"""The channel vocabulary: every quantity a log can hold that the rest of Plumbline knows by name.

A channel keeps its own clock. Names carry frame and unit as everywhere; columns that are not in this table are kept too, under
the header they had (`Channel.is_extra`), so that they can be drawn but are never computed with.

`q_enu_from_body_onboard` is about the axes as logged (imu): the mount comes after reading. `mag_raw_imu_t` in unit "a.u." has a
direction only.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True)
class ChannelKind:
    """One row of the vocabulary. `width` is the number of components (1 for a scalar), `show` the unit on screen."""

    name: str
    width: int
    unit: str
    show: str
    components: tuple[str, ...]
    label: str


_XYZ = ("x", "y", "z")
_KINDS = (
    ChannelKind("accel_raw_imu_mps2", 3, "m/s²", "m/s²", _XYZ, "specific force, raw"),
    ChannelKind("rate_raw_imu_radps", 3, "rad/s", "deg/s", _XYZ, "angular rate, raw"),
    ChannelKind("mag_raw_imu_t", 3, "T", "µT", _XYZ, "magnetic field, raw"),
    ChannelKind("pressure_pa", 1, "Pa", "hPa", ("",), "pressure"),
    ChannelKind("baro_height_m", 1, "m", "m", ("",), "barometric height as logged"),
    ChannelKind("imu_temperature_k", 1, "K", "°C", ("",), "sensor temperature"),
    ChannelKind("air_temperature_k", 1, "K", "°C", ("",), "air temperature"),
    ChannelKind("battery_v", 1, "V", "V", ("",), "battery voltage"),
    ChannelKind("current_a", 1, "A", "A", ("",), "current"),
    ChannelKind("gimbal_command_rad", 2, "rad", "deg", ("x", "y"), "gimbal command"),
    ChannelKind("gimbal_position_rad", 2, "rad", "deg", ("x", "y"), "gimbal position"),
    ChannelKind("q_enu_from_body_onboard", 4, "1", "1", ("w", "x", "y", "z"), "attitude as the computer had it"),
    ChannelKind("onboard_height_m", 1, "m", "m", ("",), "height as the computer had it"),
    ChannelKind("onboard_vel_up_mps", 1, "m/s", "m/s", ("",), "vertical speed as the computer had it"),
    ChannelKind("state", 1, "", "", ("",), "flight state as logged"),
    ChannelKind("gnss_lat_lon_height", 3, "rad, rad, m", "deg, deg, m", ("latitude", "longitude", "height"), "satellite position"),
)

KINDS: Final = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Read-only mapping, channel name -> ChannelKind."""
