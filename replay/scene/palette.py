"""Colours, dashes and what they stand for: one table for window, figures and film.

References
----------
.. [1] M. Okabe, K. Ito, Color Universal Design (2002, revised 2008). Yellow is never a line on white (contrast 1.3).
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILLION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"

SERIES: Final = MappingProxyType(
    {
        "as_flown": (BLUE, "solid"),
        "what_if": (VERMILLION, "dashed"),
        "onboard": (GREEN, "dotted"),
        "reflown": (PURPLE, "dashdot"),
        "truth": (BLACK, "dotted"),
        "x": (BLUE, "solid"),
        "y": (VERMILLION, "dashed"),
        "z": (GREEN, "dashdot"),
        "w": (BLACK, "dotted"),
    }
)
"""Series name -> (colour, dash). Every series differs by dash as well as colour."""

OVERLAYS: Final = MappingProxyType(
    {
        "integrate": (ORANGE, "long", "triangle"),
        "complementary": (SKY, "dash two dots", "diamond"),
        "gradient": (GREEN, "short and far", "square"),
        "kalman": (PURPLE, "long and short", "circle"),
        "smoother": (BLACK, "pairs", "cross"),
    }
)
"""Method drawn for comparison -> (colour, dash, marker), the same on traces, paths and over its column of numbers. None of the dashes is
that of a series, so that a method is never taken for the flight as flown, the what-if or a re-flown flight."""

DASHES: Final = MappingProxyType(
    {
        "solid": (),
        "dashed": (7.0, 4.0),
        "dotted": (1.5, 3.0),
        "dashdot": (8.0, 3.0, 1.5, 3.0),
        "long": (14.0, 4.0),
        "dash two dots": (8.0, 3.0, 1.5, 3.0, 1.5, 3.0),
        "short and far": (4.0, 8.0),
        "long and short": (14.0, 4.0, 5.0, 4.0),
        "pairs": (4.0, 2.0, 4.0, 8.0),
    }
)
"""Dash name -> lengths on and off, pixels on screen."""

_INKS: Final = MappingProxyType({PURPLE: "#A2447A", ORANGE: "#8A5A00", SKY: "#1B6F9F", GREEN: "#00714F", VERMILLION: "#B04E00"})

PHASE_SHADES: Final = MappingProxyType(
    {"pad": "#FFFFFF", "boost": "#FBE3D6", "coast": "#E3F0FA", "descent": "#E6F4EE", "landed": "#F3F3F3"}
)
"""Phase -> pale background of traces and timeline; the phase's name is always written as well."""

TIME_RAMP: Final = ("#440154", "#482475", "#414487", "#355F8D", "#2A788E", "#21918C", "#22A884")
"""Time along a track, early to late, evenly spaced: the darker six tenths of matplotlib's viridis (CC0). Lightness only rises, and the
last stop still has a contrast of 3 on white (WCAG 2.1, 1.4.11)."""


def look_of(variant: str) -> tuple[str, str, str]:
    """Colour, dash and marker of a series or of a method drawn for comparison; of anything else drawn over the rest, black."""
    if variant in SERIES:
        return (*SERIES[variant], "")
    return OVERLAYS.get(variant, (BLACK, "long", "diamond"))


def ink(colour: str) -> str:
    """The colour as it is written in: of the same hue, and dark enough to be read on white (WCAG 2.1 asks for a contrast of 4.5)."""
    return _INKS.get(colour, colour)


def rgb(colour: str) -> tuple[float, float, float]:
    """Red, green, blue from 0 to 1 of "#RRGGBB"."""
    return int(colour[1:3], 16) / 255.0, int(colour[3:5], 16) / 255.0, int(colour[5:7], 16) / 255.0
