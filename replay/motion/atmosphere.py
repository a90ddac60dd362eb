"""Standard atmosphere up to 11 km, and heights from pressure with the air's real temperature.

References
----------
.. [1] U.S. Standard Atmosphere, 1976 (NOAA, NASA, USAF); ISO 2533:1975 is the same to a millionth at these heights.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay.motion.gravity import gravity_mps2
from replay.motion.site import Site
from replay.units import STANDARD_GRAVITY_MPS2, STANDARD_PRESSURE_PA

Array = NDArray[np.float64]

SEA_LEVEL_TEMPERATURE_K = 288.15
LAPSE_K_PER_M = 0.0065
GAS_CONSTANT = 287.05287
"""Of dry air, J/(kg·K), as ISO has it: density at sea level is 1.225 exactly."""
HEAT_RATIO = 1.4
EARTH_RADIUS_M = 6356766.0
"""Nominal radius of the standard, for geopotential heights."""
EXPONENT = 5.2558761
"""g0·M/(R*·L) of the 1976 standard; ISO's gas constant makes it 5.2558797, a millionth of the pressure at 10 km."""


def geopotential_m(height_m: ArrayLike) -> Array:
    """Geopotential height of a geometric height, m; shape of the argument."""
    h = np.asarray(height_m, dtype=float)
    return np.asarray(EARTH_RADIUS_M * h / (EARTH_RADIUS_M + h))


def standard_temperature_k(height_m: ArrayLike) -> Array:
    """Temperature at a geometric height in m, K, shape of the argument; below 11 km."""
    return np.asarray(SEA_LEVEL_TEMPERATURE_K - LAPSE_K_PER_M * geopotential_m(height_m))


def standard_pressure_pa(height_m: ArrayLike) -> Array:
    """Pressure at a geometric height in m, Pa, shape of the argument; below 11 km."""
    return np.asarray(STANDARD_PRESSURE_PA * (standard_temperature_k(height_m) / SEA_LEVEL_TEMPERATURE_K) ** EXPONENT)


def density_kgpm3(pressure_pa: ArrayLike, temperature_k: ArrayLike) -> Array:
    """Density of dry air, kg/m³, shape of the arguments together; humidity takes off 0.6 % at most."""
    return np.asarray(np.asarray(pressure_pa, dtype=float) / (GAS_CONSTANT * np.asarray(temperature_k, dtype=float)))


def sound_speed_mps(temperature_k: ArrayLike) -> Array:
    """Speed of sound in dry air, m/s, shape of the argument."""
    return np.asarray(np.sqrt(HEAT_RATIO * GAS_CONSTANT * np.asarray(temperature_k, dtype=float)))


def pressure_altitude_m(pressure_pa: ArrayLike) -> Array:
    """Geopotential height at which the standard atmosphere has this pressure, m, shape of the argument."""
    ratio = np.asarray(pressure_pa, dtype=float) / STANDARD_PRESSURE_PA
    return np.asarray(SEA_LEVEL_TEMPERATURE_K / LAPSE_K_PER_M * (1.0 - ratio ** (1.0 / EXPONENT)))


def climb_m(pressure_pa: ArrayLike, ground_pressure_pa: float, ground_temperature_k: float) -> Array:
    """Geopotential height above the ground, m, shape of `pressure_pa`, from the air temperature at the ground and 6.5 K/km above it.

    The standard atmosphere's own heights are short by the factor of the two temperatures: 300 m at 30 °C would read 284.44 m.
    """
    ratio = np.asarray(pressure_pa, dtype=float) / ground_pressure_pa
    return np.asarray(ground_temperature_k / LAPSE_K_PER_M * (1.0 - ratio ** (1.0 / EXPONENT)))


def height_above_pad_m(pressure_pa: ArrayLike, ground_pressure_pa: float, site: Site) -> Array:
    """Height above the pad in true metres, shape of `pressure_pa`, from the site's temperature and its local gravity.

    A geopotential metre is a joule per kilogram over standard gravity; where gravity is weaker the true metre count is larger:
    0.3 % at the equator, 0.16 m in a kilometre from height alone.
    """
    climb = climb_m(pressure_pa, ground_pressure_pa, site.ground_temperature_or_default_k)
    ground_gravity = float(gravity_mps2(site.latitude_or_default_rad, site.ground_height_or_default_m))
    scaled = climb * (STANDARD_GRAVITY_MPS2 / ground_gravity)
    return np.asarray(scaled * (1.0 + scaled / EARTH_RADIUS_M))


def pressure_from_altitude_pa(pressure_altitude_m: ArrayLike) -> Array:
    """Pressure of a pressure altitude, Pa, shape of the argument: undoes what a logger did that wrote heights and no pressure."""
    ratio = 1.0 - np.asarray(pressure_altitude_m, dtype=float) * (LAPSE_K_PER_M / SEA_LEVEL_TEMPERATURE_K)
    return np.asarray(STANDARD_PRESSURE_PA * ratio**EXPONENT)
