"""Units as log files write them, and what one of each is in SI.

A unit is looked up within its family (what kind of quantity the column holds), because the same letters mean different things:
`ms` is a millisecond on a clock and a metre per second on a speed; `mG` is a milli-g on an accelerometer and a milligauss on a compass.
Factors are exact by definition (SI brochure 9th ed.; NIST SP 811 appendix B for foot, psi, mmHg and inHg).
"""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import Final

from replay.units import DEG, STANDARD_GRAVITY_MPS2, STANDARD_PRESSURE_PA, ZERO_CELSIUS_K

# family -> unit as we write it -> (factor, offset): SI = factor * value + offset
_FAMILIES: dict[str, dict[str, tuple[float, float]]] = {
    "time": {"s": (1.0, 0.0), "ms": (1e-3, 0.0), "µs": (1e-6, 0.0), "ns": (1e-9, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0)},
    "accel": {"m/s²": (1.0, 0.0), "g": (STANDARD_GRAVITY_MPS2, 0.0), "mg": (STANDARD_GRAVITY_MPS2 / 1000, 0.0), "ft/s²": (0.3048, 0.0)},
    "rate": {"rad/s": (1.0, 0.0), "deg/s": (DEG, 0.0), "mdeg/s": (DEG / 1000, 0.0), "mrad/s": (1e-3, 0.0)},
    "mag": {"T": (1.0, 0.0), "µT": (1e-6, 0.0), "nT": (1e-9, 0.0), "G": (1e-4, 0.0), "mG": (1e-7, 0.0), "a.u.": (1.0, 0.0)},
    "pressure": {
        "Pa": (1.0, 0.0),
        "hPa": (100.0, 0.0),
        "kPa": (1000.0, 0.0),
        "mbar": (100.0, 0.0),
        "bar": (1e5, 0.0),
        "psi": (6894.757293168361, 0.0),
        "mmHg": (133.322387415, 0.0),
        "inHg": (3386.388640341, 0.0),
        "atm": (STANDARD_PRESSURE_PA, 0.0),
    },
    "length": {"m": (1.0, 0.0), "mm": (1e-3, 0.0), "cm": (1e-2, 0.0), "km": (1e3, 0.0), "ft": (0.3048, 0.0)},
    "speed": {"m/s": (1.0, 0.0), "cm/s": (1e-2, 0.0), "mm/s": (1e-3, 0.0), "km/h": (1 / 3.6, 0.0), "ft/s": (0.3048, 0.0)},
    "temperature": {
        "°C": (1.0, ZERO_CELSIUS_K),
        "K": (1.0, 0.0),
        "°F": (5 / 9, ZERO_CELSIUS_K - 160 / 9),
        "0.01 °C": (0.01, ZERO_CELSIUS_K),
    },
    "voltage": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "current": {"A": (1.0, 0.0), "mA": (1e-3, 0.0)},
    "angle": {"rad": (1.0, 0.0), "deg": (DEG, 0.0), "mrad": (1e-3, 0.0), "0.01 deg": (DEG / 100, 0.0), "1e-7 deg": (DEG * 1e-7, 0.0)},
    "number": {"1": (1.0, 0.0)},
    "word": {"": (1.0, 0.0)},
}
FAMILIES: Final = MappingProxyType({name: MappingProxyType(units) for name, units in _FAMILIES.items()})
"""Read-only mapping, family -> unit -> (factor, offset)."""

TICKS: Final = "ticks"
"""Time unit of a bare counter: it needs a stated rate."""

# Whole-word rewriting before the alias table, so that `meters_per_second`, `metres/s` and `m/s` meet.
_WORDS = {
    "per": "/",
    "meters": "m",
    "metres": "m",
    "meter": "m",
    "metre": "m",
    "mtr": "m",
    "seconds": "s",
    "second": "s",
    "secs": "s",
    "sec": "s",
    "degrees": "deg",
    "degree": "deg",
    "degs": "deg",
    "radians": "rad",
    "radian": "rad",
    "rads": "rad",
    "feet": "ft",
    "foot": "ft",
    "squared": "2",
    "milliseconds": "ms",
    "millisecond": "ms",
    "millis": "ms",
    "msec": "ms",
    "msecs": "ms",
    "microseconds": "us",
    "microsecond": "us",
    "micros": "us",
    "usec": "us",
    "usecs": "us",
    "nanoseconds": "ns",
    "nanosecond": "ns",
    "nanos": "ns",
    "nsec": "ns",
    "minutes": "min",
    "millidegrees": "mdeg",
    "millidegree": "mdeg",
    "millidps": "mdps",
    "celsius": "degc",
    "centigrade": "degc",
    "fahrenheit": "degf",
    "kelvin": "k",
    "kelvins": "k",
    "pascal": "pa",
    "pascals": "pa",
    "hectopascal": "hpa",
    "hectopascals": "hpa",
    "kilopascal": "kpa",
    "kilopascals": "kpa",
    "millibar": "mbar",
    "millibars": "mbar",
    "volt": "v",
    "volts": "v",
    "millivolt": "mv",
    "millivolts": "mv",
    "amp": "a",
    "amps": "a",
    "ampere": "a",
    "amperes": "a",
    "milliamp": "ma",
    "milliamps": "ma",
    "milliamperes": "ma",
    "tesla": "t",
    "teslas": "t",
    "microtesla": "ut",
    "microteslas": "ut",
    "nanotesla": "nt",
    "nanoteslas": "nt",
    "gauss": "gauss",
    "milligauss": "mgauss",
    "gee": "g",
    "gees": "g",
    "gs": "g",
    "millig": "mg",
    "milligs": "mg",
}
_ALIASES: dict[str, dict[str, str]] = {
    "time": {"us": "µs", "hours": "h", "hour": "h", "tick": TICKS, "ticks": TICKS, "samples": TICKS, "sample": TICKS, "counts": TICKS},
    "accel": {
        "m/s2": "m/s²",
        "m/ss": "m/s²",
        "m/s/s": "m/s²",
        "ms2": "m/s²",
        "ms-2": "m/s²",
        "mps2": "m/s²",
        "mpss": "m/s²",
        "mss": "m/s²",
        "ft/s2": "ft/s²",
        "fts2": "ft/s²",
        "m/s**2": "m/s²",
        "milli-g": "mg",
    },
    "rate": {
        "dps": "deg/s",
        "degps": "deg/s",
        "deg/sec": "deg/s",
        "radps": "rad/s",
        "rps": "rad/s",
        "mdps": "mdeg/s",
        "mdegps": "mdeg/s",
        "degs-1": "deg/s",
        "rads-1": "rad/s",
        "degs": "deg/s",
        "rads": "rad/s",
    },
    "mag": {
        "t": "T",
        "ut": "µT",
        "nt": "nT",
        "gauss": "G",
        "g": "G",
        "ga": "G",
        "mgauss": "mG",
        "mg": "mG",
        "mga": "mG",
        "au": "a.u.",
        "a.u": "a.u.",
    },
    "pressure": {"mb": "mbar", "torr": "mmHg"},
    "length": {"masl": "m", "magl": "m", "mamsl": "m"},
    "speed": {"mps": "m/s", "ms": "m/s", "ms-1": "m/s", "kph": "km/h", "kmh": "km/h", "fps": "ft/s", "cmps": "cm/s"},
    "temperature": {"c": "°C", "degc": "°C", "k": "K", "degk": "K", "f": "°F", "degf": "°F", "cdegc": "0.01 °C"},
    "voltage": {},
    "current": {},
    "angle": {"degree7": "1e-7 deg", "dege7": "1e-7 deg", "dege-7": "1e-7 deg", "1e-7deg": "1e-7 deg", "cdeg": "0.01 deg"},
    "number": {"": "1", "-": "1"},
    "word": {},
}


def normalise(text: str) -> str:
    """A unit as written, brought to plain lower-case letters: `[m/s²]`, `m_per_s2` and `M/S^2` all become `m/s2`."""
    text = text.strip().strip("[](){}").strip().lower()
    for old, new in (
        ("²", "2"),
        ("⁻", "-"),
        ("¹", "1"),
        ("·", ""),
        ("*", ""),
        ("^", ""),
        ("µ", "u"),
        ("μ", "u"),
        ("º", "deg"),
        ("°", "deg"),
    ):
        text = text.replace(old, new)
    words = [_WORDS.get(word, word) for word in re.split(r"[\s_]+|(/)", text) if word]
    return "".join(words).replace("deg.", "deg").removesuffix(".")


def find_unit(text: str, family: str) -> str | None:
    """The unit of `family` that `text` writes, in our spelling; None where it is none of them."""
    plain = normalise(text)
    units = FAMILIES[family]
    for unit in units:
        if plain == normalise(unit) and not (family == "mag" and plain in _ALIASES["mag"]):
            return unit
    return _ALIASES[family].get(plain)


def to_si(family: str, unit: str) -> tuple[float, float]:
    """(factor, offset) with SI = factor * value + offset. KeyError for a unit the family does not have."""
    return FAMILIES[family][unit]
