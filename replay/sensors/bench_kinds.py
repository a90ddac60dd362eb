"""The kinds of bench work and what each is for; apart from the work itself, so that a command's help needs no arrays."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

KINDS: Final = MappingProxyType(
    {
        "six-face": "accelerometer from six faces of a square fixture",
        "multi-position": "accelerometer and gyro from many hand-held poses, no equipment",
        "turns": "gyro scale from turns by a known angle",
        "temperature": "bias and scale against temperature, one recording a run",
        "allan": "noise coefficients from a long recording at rest",
    }
)
