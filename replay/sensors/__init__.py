"""FlightLog and Calibration to measurements in body axes; bench and noise work."""

from __future__ import annotations

import importlib
from typing import Any

_PUBLIC = {
    "Calibration": "calibration",
    "CalibrationFile": "calibration",
    "load_calibration": "calibration",
    "load_calibration_file": "calibration",
    "save_calibration": "calibration",
    "Measurements": "measurements",
    "Prepared": "measurements",
    "measure": "measurements",
    "prepare": "measurements",
    "ImuNoise": "noise",
    "measured_on_pad": "noise",
    "Mount": "mount",
    "find_mount": "mount",
}

__all__ = list(_PUBLIC)


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"replay.sensors.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module 'replay.sensors' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
