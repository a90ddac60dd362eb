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

PHASE_SHADES: Final = MappingProxyType({"pad": "#FFFFFF", "boost": "#FBE3D6", "coast": "#E3F0FA", "descent": "#E6F4EE", "landed": "#F3F3F3"})
"""Phase -> pale background of traces and timeline; the phase's name is always written as well."""
