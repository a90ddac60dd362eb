"""Constants and conversions. Everything inside is SI and radians; these are used only at the edges."""

from __future__ import annotations

import math
from typing import Final

DEG: Final = math.pi / 180.0
"""Radians in one degree: `x_deg * DEG` is x in radians, `x_rad / DEG` is x in degrees."""
STANDARD_GRAVITY_MPS2: Final = 9.80665
"""Standard gravity, exact by definition (CGPM 1901). The unit "g" of an accelerometer; not the local gravity."""
ZERO_CELSIUS_K: Final = 273.15
STANDARD_PRESSURE_PA: Final = 101325.0


def kelvin(temperature_c: float) -> float:
    """Degrees Celsius to kelvin."""
    return temperature_c + ZERO_CELSIUS_K


def celsius(temperature_k: float) -> float:
    """Kelvin to degrees Celsius."""
    return temperature_k - ZERO_CELSIUS_K
