"""Fonts inside an SVG: text stays text, and looks the same where the font is not installed.

Only the letters that occur are put in (they are subset with fontTools, which comes with matplotlib), so a figure grows by some 20 kB.
"""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

FAMILY: Final = "DejaVu Sans"
"""Comes with matplotlib, so that every machine draws the same (Bitstream Vera licence: may be embedded and subset)."""

_TEXT = re.compile(r"<text\b([^>]*)>(.*?)</text>", re.DOTALL)
_TAG = re.compile(r"<[^>]+>")
_ENTITIES: Final = {"&lt;": "<", "&gt;": ">", "&amp;": "&", "&quot;": '"', "&apos;": "'"}


def letters_of(svg: str) -> dict[str, str]:
    """Weight ("normal", "bold") -> the letters that an SVG shows in it, sorted."""
    found: dict[str, set[str]] = {}
    for attributes, inside in _TEXT.findall(svg):
        weight = "bold" if re.search(r"font:[^;\"]*\b(bold|700)\b|font-weight:\s*(bold|700)", attributes) else "normal"
        text = _TAG.sub("", inside)
        for entity, letter in _ENTITIES.items():
            text = text.replace(entity, letter)
        found.setdefault(weight, set()).update(text.replace("\n", ""))
    return {weight: "".join(sorted(letters)) for weight, letters in sorted(found.items())}


@lru_cache(maxsize=64)
def font_face(weight: str, letters: str) -> str:
    """A `@font-face` rule that holds the letters of one weight as data; the same bytes every time."""
    from fontTools import subset  # type: ignore[import-untyped]
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]
    from matplotlib.font_manager import FontProperties, findfont

    path = findfont(FontProperties(family=FAMILY, weight=weight), fallback_to_default=False)
    options = subset.Options(layout_features=["kern"], hinting=False, notdef_outline=True, flavor="woff", drop_tables=["FFTM"])
    cutter = subset.Subsetter(options)
    cutter.populate(text=letters + " ")
    stream = io.BytesIO()
    with TTFont(path, recalcTimestamp=False, lazy=False) as font:
        cutter.subset(font)
        font.flavor = "woff"
        font.save(stream, reorderTables=False)
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    return f'@font-face {{ font-family: "{FAMILY}"; font-weight: {weight}; src: url(data:font/woff;base64,{data}) format("woff"); }}'


def faces(letters: dict[str, str]) -> str:
    """The rules for all weights."""
    return "\n".join(font_face(weight, shown) for weight, shown in letters.items())


def joined(parts: Iterable[dict[str, str]]) -> dict[str, str]:
    """The letters of several pictures together."""
    both: dict[str, set[str]] = {}
    for part in parts:
        for weight, letters in part.items():
            both.setdefault(weight, set()).update(letters)
    return {weight: "".join(sorted(letters)) for weight, letters in sorted(both.items())}


def with_fonts(svg: str) -> str:
    """An SVG that carries the fonts it shows."""
    rules = faces(letters_of(svg))
    return re.sub(r"(<svg\b[^>]*>)", lambda found: f'{found[1]}\n <style type="text/css"><![CDATA[\n{rules}\n]]></style>', svg, count=1)
