"""Measurements to a Solution: attitude, velocity and position with standard deviations."""

from __future__ import annotations

import importlib
from typing import Any

_PUBLIC = {
    "AttitudeEstimate": "attitude",
    "EstimatorSettings": "settings",
    "Events": "solution",
    "Levelling": "solution",
    "METHODS": "settings",
    "PHASES": "solution",
    "Site": "site",
    "Solution": "solution",
    "attitude_difference": "onboard",
    "estimate": "estimator",
    "estimate_attitude": "attitude",
    "find_events": "phasing",
    "level": "levelling",
    "onboard_attitude": "onboard",
}

__all__ = list(_PUBLIC)


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"replay.motion.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module 'replay.motion' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
