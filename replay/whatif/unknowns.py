"""The constant errors that reconcile solves for: their places, their groups, and the calibration fields they become. No heavy imports."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Final

from replay.errors import SettingsError

ACCEL_BIAS, ACCEL_SCALE, ACCEL_CROSS, GYRO_BIAS, GYRO_SCALE, ACCEL_SLOPE, GYRO_SLOPE, BARO, MOUNT = (
    slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12), slice(12, 15), slice(15, 18), slice(18, 21), slice(21, 25), slice(25, 28),
)  # fmt: skip
N_INERTIAL: Final = 21
N_ERRORS: Final = 28
"""Accelerometer bias, scale, cross-axis (xy, xz, yz), gyro bias, gyro scale, accelerometer and gyro temperature slope: the first
`N_INERTIAL`, of the inertial sensors; then barometer bias, scale, lag, port error, and mount rotation."""
BARO_LAG: Final = BARO.start + 2
CROSS_PLACES: Final = ((0, 1), (0, 2), (1, 2))
"""Row and column of the cross-axis errors."""

GROUPS: Final[Mapping[str, slice]] = {
    "accelerometer bias": ACCEL_BIAS,
    "accelerometer scale": ACCEL_SCALE,
    "accelerometer cross-axis": ACCEL_CROSS,
    "gyro bias": GYRO_BIAS,
    "gyro scale": GYRO_SCALE,
    "accelerometer temperature slope": ACCEL_SLOPE,
    "gyro temperature slope": GYRO_SLOPE,
    "barometer": BARO,
    "mount rotation": MOUNT,
}
"""What can be freed or pinned, by name."""
PAD_TILT: Final = "pad tilt"
"""Free or pinned as levelled; no error of a sensor, so in no group."""
DEFAULT_FREE: Final = (PAD_TILT, "accelerometer bias", "gyro bias", "gyro scale", "barometer")

FIELDS: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "accelerometer bias": ("accel_bias_imu_mps2", ("x", "y", "z")),
    "accelerometer scale": ("accel_scale", ("x", "y", "z")),
    "accelerometer cross-axis": ("accel_cross_axis", ("xy", "xz", "yz")),
    "gyro bias": ("gyro_bias_imu_radps", ("x", "y", "z")),
    "gyro scale": ("gyro_scale", ("x", "y", "z")),
    "accelerometer temperature slope": ("accel_slope_imu_mps2_per_k", ("x", "y", "z")),
    "gyro temperature slope": ("gyro_slope_imu_radps_per_k", ("x", "y", "z")),
    "mount rotation": ("mount_rotation_rad", ("x", "y", "z")),
}
"""Group -> calibration field, names of its components."""
BARO_NAMES: Final = (("barometer bias", "m"), ("barometer scale", "1"), ("barometer lag", "s"), ("barometer port error", "1"))
"""Name and unit; the port error is the share of the air's dynamic pressure that the port feels."""

MEMBERS: Final[Mapping[str, tuple[str, ...]]] = {
    PAD_TILT: (PAD_TILT,),
    **{group: tuple(f"{group} {axis}" for axis in axes) for group, (_, axes) in FIELDS.items()},
    "barometer": tuple(name for name, _ in BARO_NAMES),
}
"""Everything that can be freed or pinned: group -> its members, each of which can be alone."""
PLACES: Final[Mapping[str, int]] = {
    name: GROUPS[group].start + i for group, members in MEMBERS.items() if group in GROUPS for i, name in enumerate(members)
}
"""Member -> number of its error."""


def members_of(names: Iterable[str]) -> frozenset[str]:
    """Groups and members by name, as members.

    Raises
    ------
    SettingsError
        A name that is neither; the nearest one is named.
    """
    found: set[str] = set()
    for name in names:
        if name in MEMBERS:
            found.update(MEMBERS[name])
        elif name in PLACES:
            found.add(name)
        else:
            near = difflib.get_close_matches(name, (*MEMBERS, *PLACES), 1)
            said = f"{name}{f' (nearest: {near[0]})' if near else ''}"
            raise SettingsError("reconcile", "free", f"one of {', '.join(MEMBERS)}, or one of their members (gyro scale z)", said)
    return frozenset(found)


def in_groups(members: Iterable[str]) -> tuple[str, ...]:
    """Members by the shortest names, in their order: a whole group by its own."""
    wanted, names = set(members), []
    for group, own in MEMBERS.items():
        names += [group] if wanted.issuperset(own) else [name for name in own if name in wanted]
    return tuple(names)
