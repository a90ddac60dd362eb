"""Units as files write them, and their size in SI."""

import pytest
from numpy.testing import assert_allclose

from replay.flightlog.unit_table import FAMILIES, find_unit, to_si
from replay.units import DEG, STANDARD_GRAVITY_MPS2


@pytest.mark.parametrize(
    ("family", "written", "unit"),
    [
        ("accel", "g", "g"), ("accel", "gs", "g"), ("accel", "[g]", "g"), ("accel", "mg", "mg"), ("accel", "milli-g", "mg"),
        ("accel", "m/s^2", "m/s²"), ("accel", "m/s²", "m/s²"), ("accel", "m/s/s", "m/s²"), ("accel", "mps2", "m/s²"),
        ("accel", "m_s2", "m/s²"), ("accel", "meters per second squared", "m/s²"), ("accel", "metres/s^2", "m/s²"),
        ("rate", "deg/s", "deg/s"), ("rate", "dps", "deg/s"), ("rate", "°/s", "deg/s"), ("rate", "deg_per_s", "deg/s"),
        ("rate", "degrees/second", "deg/s"), ("rate", "rad/s", "rad/s"), ("rate", "rad_s", "rad/s"), ("rate", "mdps", "mdeg/s"),
        ("time", "s", "s"), ("time", "sec", "s"), ("time", "ms", "ms"), ("time", "millis", "ms"), ("time", "us", "µs"),
        ("time", "µs", "µs"),
        ("time", "micros", "µs"), ("time", "ns", "ns"), ("time", "nanoseconds", "ns"), ("time", "ticks", "ticks"),
        ("pressure", "Pa", "Pa"), ("pressure", "pascals", "Pa"), ("pressure", "hPa", "hPa"), ("pressure", "kPa", "kPa"),
        ("pressure", "mbar", "mbar"), ("temperature", "°C", "°C"), ("temperature", "degC", "°C"), ("temperature", "celsius", "°C"),
        ("temperature", "K", "K"), ("temperature", "°F", "°F"), ("voltage", "V", "V"), ("voltage", "mV", "mV"),
        ("current", "milliamps", "mA"), ("mag", "uT", "µT"), ("mag", "microteslas", "µT"), ("mag", "mG", "mG"), ("mag", "gauss", "G"),
        ("mag", "a.u.", "a.u."), ("speed", "ms", "m/s"), ("angle", "deg", "deg"), ("length", "meters", "m"),
    ],
)  # fmt: skip
def test_ways_to_write_a_unit(family, written, unit):
    """Brackets, case, powers and words all lead to one spelling; `ms` and `mG` mean what the quantity makes of them."""
    assert find_unit(written, family) == unit


@pytest.mark.parametrize(
    ("family", "written"), [("accel", "deg/s"), ("rate", "deg"), ("accel", "m/s"), ("pressure", "V"), ("time", ""), ("mag", "V")]
)
def test_a_unit_of_another_quantity_is_none(family, written):
    """A gyro is not in degrees, nor an accelerometer in metres per second."""
    assert find_unit(written, family) is None


def test_every_unit_is_found_by_its_own_spelling():
    """What the map file writes, it reads."""
    for family, units in FAMILIES.items():
        for unit in units:
            if unit:
                assert find_unit(unit, family) == unit


@pytest.mark.parametrize(
    ("family", "unit", "value", "si"),
    [
        ("accel", "g", 1.0, 9.80665),  # exact, CGPM 1901
        ("accel", "mg", 1000.0, STANDARD_GRAVITY_MPS2),
        ("rate", "deg/s", 180.0, 3.141592653589793),
        ("rate", "mdeg/s", 1000.0, DEG),
        ("temperature", "°C", 0.0, 273.15),  # exact, SI brochure 9th ed.
        ("temperature", "°F", 212.0, 373.15),  # NIST SP 811 appendix B
        ("temperature", "°F", 32.0, 273.15),
        ("pressure", "hPa", 1013.25, 101325.0),
        ("pressure", "psi", 1.0, 6894.757),  # NIST SP 811 appendix B
        ("pressure", "inHg", 1.0, 3386.389),  # NIST SP 811 appendix B, conventional
        ("pressure", "mmHg", 1.0, 133.3224),  # NIST SP 811 appendix B, conventional
        ("length", "ft", 1.0, 0.3048),  # exact, international foot
        ("mag", "mG", 500.0, 50e-6),  # 1 G = 1e-4 T, SI brochure
        ("speed", "km/h", 36.0, 10.0),
        ("angle", "1e-7 deg", 480000000.0, 48.0 * DEG),
    ],
)
def test_sizes_in_si(family, unit, value, si):
    """Against the handbook tables named beside each line."""
    factor, offset = to_si(family, unit)
    assert_allclose(factor * value + offset, si, rtol=2e-7)
