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

PHASE_SHADES: Final = MappingProxyType(
    {"pad": "#FFFFFF", "boost": "#FBE3D6", "coast": "#E3F0FA", "descent": "#E6F4EE", "landed": "#F3F3F3"}
)
"""Phase -> pale background of traces and timeline; the phase's name is always written as well."""

TIME_RAMP: Final = ("#440154", "#482475", "#414487", "#355F8D", "#2A788E", "#21918C", "#22A884")
"""Time along a track, early to late, evenly spaced: the darker six tenths of matplotlib's viridis (CC0). Lightness only rises, and the
last stop still has a contrast of 3 on white (WCAG 2.1, 1.4.11)."""


def rgb(colour: str) -> tuple[float, float, float]:
    """Red, green, blue from 0 to 1 of "#RRGGBB"."""
    return int(colour[1:3], 16) / 255.0, int(colour[3:5], 16) / 255.0, int(colour[5:7], 16) / 255.0
