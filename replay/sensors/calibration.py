"""Calibration: the numbers that turn raw inertial samples into true ones, with unit, range and step beside each field.

In imu axes (the sensor's own, as logged), for accelerometer and gyro alike::

    accel = M · (raw − bias − slope · (T − T_ref))             M = [[sx, xy, xz], [0, sy, yz], [0, 0, sz]]
    rate  = R(misalignment) · diag(scale) · (raw − pad_bias − bias − slope · (T − T_ref))

then the column map's axis assignment and the mount rotation turn imu axes into body axes (`mount.py`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from replay.units import DEG, kelvin

Vec3 = tuple[float, float, float]
ZERO3: Vec3 = (0.0, 0.0, 0.0)
ONE3: Vec3 = (1.0, 1.0, 1.0)


def _shown(label: str, unit: str, factor: float, low: float, high: float, step: float, key: str) -> Mapping[str, Any]:
    """What panel, file and checks need: value on screen = value inside / factor; low, high and step in the shown unit."""
    return {"label": label, "show": unit, "factor": factor, "low": low, "high": high, "step": step, "key": key}


@dataclass(frozen=True)
class Calibration:
    """One calibration. SI and radians; `metadata` of each field holds label, shown unit, factor, range, step and file key."""

    accel_bias_imu_mps2: Vec3 = field(default=ZERO3, metadata=_shown("accelerometer bias", "m/s²", 1.0, -2.0, 2.0, 0.001, "accelerometer.bias_mps2"))
    accel_scale: Vec3 = field(default=ONE3, metadata=_shown("accelerometer scale", "1", 1.0, 0.9, 1.1, 1e-4, "accelerometer.scale"))
    accel_cross_axis: Vec3 = field(default=ZERO3, metadata=_shown("accelerometer cross-axis xy, xz, yz", "1", 1.0, -0.1, 0.1, 1e-4, "accelerometer.cross_axis"))
    accel_slope_imu_mps2_per_k: Vec3 = field(
        default=ZERO3, metadata=_shown("accelerometer bias slope", "m/s²/°C", 1.0, -0.1, 0.1, 1e-4, "accelerometer.temperature_slope_mps2_per_c")
    )
    gyro_bias_imu_radps: Vec3 = field(default=ZERO3, metadata=_shown("gyro bias", "deg/s", DEG, -10.0, 10.0, 0.005, "gyro.bias_degps"))
    gyro_pad_bias: bool = field(default=True, metadata={"label": "read the gyro bias on the pad", "key": "gyro.pad_bias"})
    gyro_scale: Vec3 = field(default=ONE3, metadata=_shown("gyro scale", "1", 1.0, 0.9, 1.1, 1e-4, "gyro.scale"))
    gyro_misalignment_rad: Vec3 = field(default=ZERO3, metadata=_shown("gyro misalignment", "deg", DEG, -10.0, 10.0, 0.01, "gyro.misalignment_deg"))
    gyro_slope_imu_radps_per_k: Vec3 = field(
        default=ZERO3, metadata=_shown("gyro bias slope", "deg/s/°C", DEG, -0.5, 0.5, 1e-4, "gyro.temperature_slope_degps_per_c")
    )
    reference_temperature_k: float = field(default=kelvin(20.0), metadata={"label": "reference temperature", "show": "°C", "key": "temperature.reference_c"})
    mount_rotation_rad: Vec3 = field(default=ZERO3, metadata=_shown("mount rotation", "deg", DEG, -30.0, 30.0, 0.01, "mount.rotation_deg"))

    def with_axis(self, name: str, axis: int, value: float) -> Calibration:
        """A copy with one component of one field changed."""
        vector = list(getattr(self, name))
        vector[axis] = float(value)
        return dataclasses.replace(self, **{name: tuple(vector)})
