"""Gravity and atmosphere against the standards' own tables and two libraries that are not ours.

Sources: NIMA TR8350.2, WGS-84, 3rd ed. 2000 (normal gravity); ISO 2533:1975 = U.S. Standard Atmosphere 1976 below 11 km, rows checked
with the PyPI packages `ambiance` and `pymap3d`.
"""

import ambiance
import numpy as np
import pymap3d
import pytest
from numpy.testing import assert_allclose

from replay.motion import atmosphere, gravity
from replay.motion.site import Site
from replay.units import DEG, STANDARD_GRAVITY_MPS2, kelvin

GRAVITY = [
    (0.0, 9.7803253359, 9.7787817, 9.7772384, 9.7710688),
    (30.0, 9.7932472692, 9.7917041, 9.7901614, 9.7839939),
    (45.0, 9.8061977694, 9.8046552, 9.8031129, 9.7969476),
    (60.0, 9.8191769531, 9.8176349, 9.8160932, 9.8099301),
    (90.0, 9.8321849379, 9.8306434, 9.8291023, 9.8229413),
]


@pytest.mark.parametrize(("latitude_deg", "surface", "at_500", "at_1000", "at_3000"), GRAVITY)
def test_normal_gravity(latitude_deg, surface, at_500, at_1000, at_3000):
    """On the ellipsoid to ten digits, above it to seven."""
    latitude = latitude_deg * DEG
    assert_allclose(gravity.surface_gravity_mps2(latitude), surface, rtol=0, atol=2e-10)
    for height, value in ((500.0, at_500), (1000.0, at_1000), (3000.0, at_3000)):
        assert_allclose(gravity.gravity_mps2(latitude, height), value, rtol=0, atol=1e-7)
    g0, c1, c2 = gravity.height_terms(latitude)
    assert_allclose(g0 * (1.0 - c1 * 3000.0 + c2 * 3000.0**2), at_3000, rtol=0, atol=1e-7)


@pytest.mark.parametrize(("latitude_deg", "gradient"), [(0.0, -3.0877e-6), (45.0, -3.0855e-6), (90.0, -3.0834e-6)])
def test_free_air_gradient(latitude_deg, gradient):
    """Change of gravity with height, 1/s²."""
    slope = float(gravity.gravity_mps2(latitude_deg * DEG, 1.0) - gravity.gravity_mps2(latitude_deg * DEG, 0.0))
    assert_allclose(slope, gradient, rtol=0, atol=2e-10)


def test_standard_gravity_is_not_the_local_one():
    """g0 is not gravity at 45 degrees, and taking it at the equator reads as a 2.6 mg bias."""
    assert_allclose(gravity.surface_gravity_mps2(45.0 * DEG), 9.80620, rtol=0, atol=5e-6)
    assert_allclose((STANDARD_GRAVITY_MPS2 - gravity.surface_gravity_mps2(0.0)) / STANDARD_GRAVITY_MPS2 * 1e3, 2.6, atol=0.1)


def test_local_east_north_up_agrees_with_pymap3d():
    """Points within 2 km of a pad, in hand and out of it."""
    rng = np.random.default_rng(3)
    latitude, longitude = 50.0 + rng.uniform(-0.02, 0.02, 30), 8.0 + rng.uniform(-0.02, 0.02, 30)
    height = rng.uniform(0.0, 1500.0, 30)
    expected = np.stack(pymap3d.geodetic2enu(latitude, longitude, height, 50.0, 8.0, 250.0), axis=1)
    ours = gravity.enu_from_geodetic(latitude * DEG, longitude * DEG, height, (50.0 * DEG, 8.0 * DEG, 250.0))
    assert_allclose(ours, expected, rtol=0, atol=1e-6)


GEOMETRIC = [
    (0.0, 101325.0, 1.225000, 340.294, 288.150),
    (500.0, 95461.3, 1.167273, 338.370, 284.900),
    (1000.0, 89876.3, 1.111660, 336.435, 281.651),
    (2000.0, 79501.4, 1.006554, 332.532, 275.154),
    (3000.0, 70121.2, 0.909254, 328.584, 268.659),
    (5000.0, 54048.3, 0.736429, 320.545, 255.676),
]


@pytest.mark.parametrize(("height", "pressure", "density", "sound", "temperature"), GEOMETRIC)
def test_standard_atmosphere(height, pressure, density, sound, temperature):
    """Pressure, density, speed of sound and temperature at geometric heights."""
    t = atmosphere.standard_temperature_k(height)
    p = atmosphere.standard_pressure_pa(height)
    assert_allclose(t, temperature, rtol=0, atol=6e-4)
    assert_allclose(p, pressure, rtol=0, atol=0.06)
    assert_allclose(atmosphere.density_kgpm3(p, t), density, rtol=0, atol=6e-7)
    assert_allclose(atmosphere.sound_speed_mps(t), sound, rtol=0, atol=6e-4)


@pytest.mark.parametrize(
    ("geopotential", "pressure", "density", "sound"),
    [(500.0, 95460.84, 1.167269, 338.3695), (1000.0, 89874.57, 1.111643, 336.4340), (5000.0, 54019.91, 0.736116, 320.5294)],
)
def test_standard_atmosphere_at_geopotential_heights(geopotential, pressure, density, sound):
    """The same rows at geopotential heights, turned back into geometric ones."""
    height = atmosphere.EARTH_RADIUS_M * geopotential / (atmosphere.EARTH_RADIUS_M - geopotential)
    assert_allclose(atmosphere.geopotential_m(height), geopotential, rtol=1e-12)
    t, p = atmosphere.standard_temperature_k(height), atmosphere.standard_pressure_pa(height)
    assert_allclose(p, pressure, rtol=0, atol=0.006)
    assert_allclose(atmosphere.density_kgpm3(p, t), density, rtol=0, atol=6e-7)
    assert_allclose(atmosphere.sound_speed_mps(t), sound, rtol=0, atol=6e-5)


def test_standard_atmosphere_agrees_with_ambiance():
    """Every hundred metres to 10 km, to a millionth."""
    height = np.arange(0.0, 10_001.0, 100.0)
    standard = ambiance.Atmosphere(height)
    t, p = atmosphere.standard_temperature_k(height), atmosphere.standard_pressure_pa(height)
    assert_allclose(t, standard.temperature, rtol=1e-6)
    assert_allclose(p, standard.pressure, rtol=1e-6)
    assert_allclose(atmosphere.density_kgpm3(p, t), standard.density, rtol=1e-6)
    assert_allclose(atmosphere.sound_speed_mps(t), standard.speed_of_sound, rtol=1e-6)


@pytest.mark.parametrize(
    ("pressure", "altitude"),
    [(100000.0, 110.8845), (95000.0, 540.3375), (90000.0, 988.5008), (85000.0, 1457.3005), (80000.0, 1948.9892), (70000.0, 3012.1826)],
)
def test_pressure_altitude(pressure, altitude):
    """44330.769 [1 − (p/101325)^0.190263237] metres, and back."""
    assert_allclose(atmosphere.pressure_altitude_m(pressure), altitude, rtol=0, atol=1e-3)
    assert_allclose(atmosphere.pressure_from_altitude_pa(atmosphere.pressure_altitude_m(pressure)), pressure, rtol=1e-12)


@pytest.mark.parametrize(("height", "metres_per_pascal"), [(0.0, 0.083242), (1000.0, 0.091731)])
def test_metres_per_pascal(height, metres_per_pascal):
    """3 Pa of noise is a quarter of a metre near the ground."""
    pressure = float(atmosphere.standard_pressure_pa(height))
    slope = float(atmosphere.pressure_altitude_m(pressure - 0.5) - atmosphere.pressure_altitude_m(pressure + 0.5))
    assert_allclose(slope, metres_per_pascal, rtol=0, atol=2e-6 if height == 0.0 else 5e-6)


@pytest.mark.parametrize(("ground_c", "standard_reads"), [(30.0, 284.44), (40.0, 275.36), (15.0, 299.25), (0.0, 315.68), (-10.0, 327.68)])
def test_the_airs_real_temperature_makes_the_height(ground_c, standard_reads):
    """A true climb of 300 m from 1000 hPa: standard-atmosphere heights differ by 284.44 m at 30 °C; with the real temperature, 300 m."""
    ground_pressure, ground_k = 100_000.0, kelvin(ground_c)
    pressure = ground_pressure * (1.0 - atmosphere.LAPSE_K_PER_M * 300.0 / ground_k) ** atmosphere.EXPONENT
    standard = float(atmosphere.pressure_altitude_m(pressure) - atmosphere.pressure_altitude_m(ground_pressure))
    assert_allclose(standard, standard_reads, rtol=0, atol=0.005)
    assert_allclose(atmosphere.climb_m(pressure, ground_pressure, ground_k), 300.0, rtol=1e-12)


def test_height_above_the_pad_is_hydrostatic():
    """True metres by the site's own gravity: the hydrostatic equation dp = −ρ g dz integrated in fine steps ends on the same pressure."""
    site = Site(latitude_rad=35.0 * DEG, ground_height_m=200.0, ground_temperature_k=kelvin(14.0))
    ground_pressure, top, step = 101_514.0, 1500.0, 0.25
    z = np.arange(0.0, top, step) + 0.5 * step
    g = gravity.gravity_mps2(site.latitude_rad, 200.0 + z)
    # 6.5 K per geopotential kilometre, as in the standard
    climbed = np.cumsum(g * step) / STANDARD_GRAVITY_MPS2 - 0.5 * g * step / STANDARD_GRAVITY_MPS2
    temperature = site.ground_temperature_k - atmosphere.LAPSE_K_PER_M * climbed
    pressure = ground_pressure * np.exp(-np.sum(g * step / (atmosphere.GAS_CONSTANT * temperature)))
    assert_allclose(atmosphere.height_above_pad_m(pressure, ground_pressure, site), top, rtol=0, atol=0.02)
