"""Normal gravity of the WGS-84 ellipsoid.

References
----------
.. [1] NIMA TR8350.2, Department of Defense World Geodetic System 1984, 3rd ed., amendment 1 (2000), eqs. 4-1 and 4-3.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

EQUATOR_GRAVITY_MPS2 = 9.7803253359
SOMIGLIANA = 0.00193185265241
ECCENTRICITY_SQUARED = 0.00669437999013
SEMI_MAJOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
GRAVITY_RATIO = 0.00344978650684
"""m = ω²a²b/GM."""
EARTH_RATE_RADPS = 7.292115e-5


def surface_gravity_mps2(latitude_rad: ArrayLike) -> Array:
    """Normal gravity on the ellipsoid, m/s², shape of the argument (Somigliana's closed formula)."""
    s = np.sin(np.asarray(latitude_rad, dtype=float)) ** 2
    return np.asarray(EQUATOR_GRAVITY_MPS2 * (1.0 + SOMIGLIANA * s) / np.sqrt(1.0 - ECCENTRICITY_SQUARED * s))


def height_terms(latitude_rad: float) -> tuple[float, float, float]:
    """(g0, c1, c2) with gravity(h) = g0 · (1 − c1·h + c2·h²), h in metres above the ellipsoid."""
    s = float(np.sin(latitude_rad)) ** 2
    c1 = 2.0 / SEMI_MAJOR_M * (1.0 + FLATTENING + GRAVITY_RATIO - 2.0 * FLATTENING * s)
    return float(surface_gravity_mps2(latitude_rad)), c1, 3.0 / SEMI_MAJOR_M**2


def gravity_mps2(latitude_rad: ArrayLike, height_m: ArrayLike = 0.0) -> Array:
    """Normal gravity at a height above the ellipsoid, m/s², shape of the arguments together.

    Height above sea level will do: the geoid lies within 110 m of the ellipsoid, 0.0003 m/s².
    """
    s = np.sin(np.asarray(latitude_rad, dtype=float)) ** 2
    h = np.asarray(height_m, dtype=float)
    c1 = 2.0 / SEMI_MAJOR_M * (1.0 + FLATTENING + GRAVITY_RATIO - 2.0 * FLATTENING * s)
    return np.asarray(surface_gravity_mps2(latitude_rad) * (1.0 - c1 * h + 3.0 * h**2 / SEMI_MAJOR_M**2))


def enu_from_geodetic(latitude_rad: ArrayLike, longitude_rad: ArrayLike, height_m: ArrayLike, origin: tuple[float, float, float]) -> Array:
    """East, north, up of points from an origin (latitude, longitude, height), all rad and m: shape (..., 3). Exact, through ECEF."""
    lat0, lon0, _ = origin
    d = _ecef(latitude_rad, longitude_rad, height_m) - _ecef(*origin)
    sin_lat, cos_lat, sin_lon, cos_lon = np.sin(lat0), np.cos(lat0), np.sin(lon0), np.cos(lon0)
    dcm_enu_from_ecef = np.array(
        [
            [-sin_lon, cos_lon, 0.0],
            [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
        ]
    )
    return np.asarray(d @ dcm_enu_from_ecef.T)


def _ecef(latitude_rad: ArrayLike, longitude_rad: ArrayLike, height_m: ArrayLike) -> Array:
    lat, lon, h = np.broadcast_arrays(latitude_rad, longitude_rad, height_m)
    normal = SEMI_MAJOR_M / np.sqrt(1.0 - ECCENTRICITY_SQUARED * np.sin(lat) ** 2)
    return np.stack(
        (
            (normal + h) * np.cos(lat) * np.cos(lon),
            (normal + h) * np.cos(lat) * np.sin(lon),
            (normal * (1.0 - ECCENTRICITY_SQUARED) + h) * np.sin(lat),
        ),
        axis=-1,
    )
