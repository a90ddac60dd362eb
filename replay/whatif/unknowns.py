"""The constant errors that reconcile solves for: their places, their groups, and the calibration fields they become. No heavy imports."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

ACCEL_BIAS, ACCEL_SCALE, ACCEL_CROSS, GYRO_BIAS, GYRO_SCALE, BARO, MOUNT = (
    slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12), slice(12, 15), slice(15, 19), slice(19, 22),
)  # fmt: skip
N_ERRORS: Final = 22
"""Accelerometer bias, scale, cross-axis (xy, xz, yz), gyro bias, gyro scale, barometer bias, scale, lag, port error, mount rotation."""
BARO_LAG: Final = 17
CROSS_PLACES: Final = ((0, 1), (0, 2), (1, 2))
"""Row and column of the cross-axis errors."""

GROUPS: Final[Mapping[str, slice]] = {
    "accelerometer bias": ACCEL_BIAS,
    "accelerometer scale": ACCEL_SCALE,
    "accelerometer cross-axis": ACCEL_CROSS,
    "gyro bias": GYRO_BIAS,
    "gyro scale": GYRO_SCALE,
    "barometer": BARO,
    "mount rotation": MOUNT,
}
"""What can be freed or pinned, by name."""
DEFAULT_FREE: Final = ("accelerometer bias", "gyro bias", "gyro scale", "barometer")

FIELDS: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "accelerometer bias": ("accel_bias_imu_mps2", ("x", "y", "z")),
    "accelerometer scale": ("accel_scale", ("x", "y", "z")),
    "accelerometer cross-axis": ("accel_cross_axis", ("xy", "xz", "yz")),
    "gyro bias": ("gyro_bias_imu_radps", ("x", "y", "z")),
    "gyro scale": ("gyro_scale", ("x", "y", "z")),
    "mount rotation": ("mount_rotation_rad", ("x", "y", "z")),
}
"""Group -> calibration field, names of its components."""
BARO_NAMES: Final = (("barometer bias", "m"), ("barometer scale", "1"), ("barometer lag", "s"), ("barometer port error", "1"))
"""Name and unit; the port error is the share of the air's dynamic pressure that the port feels."""
