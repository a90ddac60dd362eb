"""How a line looks: colour, dash and marker of every line in a pane.

A pane of one solution trace colours its variants as everywhere (as flown, what-if, onboard). A pane of several gives each trace a
colour and a marker and tells variants apart by dash, so that no two lines differ by colour alone.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QPixmap, QPolygonF
from PySide6.QtWidgets import QWidget

from replay.review.series import Line
from replay.review.trace import LOGGED
from replay.scene import palette

_TRACE_LOOKS: Final = (
    (palette.BLUE, "circle"),
    (palette.VERMILLION, "triangle"),
    (palette.GREEN, "square"),
    (palette.BLACK, "diamond"),
    (palette.PURPLE, "cross"),
    (palette.BLUE, "square"),
    (palette.VERMILLION, "diamond"),
    (palette.GREEN, "circle"),
)
_LOGGED_LOOKS: Final = ((palette.BLACK, "dashdot", "circle"), (palette.PURPLE, "long", "square"), (palette.GREEN, "dashdot", "diamond"))
VARIANT_NAMES: Final = {
    "as_flown": "as flown",
    "what_if": "what-if",
    "onboard": "onboard",
    "reflown": "re-flown",
    "truth": "truth",
    LOGGED: "logged",
}


@dataclass(frozen=True)
class Look:
    """Of one line; without a dash it is a marker alone. `marker` is circle, triangle, square, diamond, cross, refused or empty."""

    colour: str
    dash: str = "solid"
    marker: str = ""

    def pen(self, width_px: float = 1.0) -> QPen:
        """Cosmetic pen; wider than a pixel is slow on dense lines."""
        pen = QPen(QColor(self.colour), width_px)
        pen.setCosmetic(True)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        if palette.DASHES[self.dash]:
            pen.setDashPattern([length / width_px for length in palette.DASHES[self.dash]])
        return pen


def variant_name(variant: str) -> str:
    """As a legend writes it; overlays are called by their own name."""
    return VARIANT_NAMES.get(variant, variant.replace("_", " "))


def looks(lines: Sequence[Line]) -> list[Look]:
    """One look a line, for the lines of one pane in order."""
    solved = list(dict.fromkeys(line.key for line in lines if line.variant != LOGGED))
    logged = list(dict.fromkeys(line.key for line in lines if line.variant == LOGGED))
    found = []
    for line in lines:
        if line.variant == LOGGED:
            i = logged.index(line.key)
            colour, dash, marker = _LOGGED_LOOKS[i % len(_LOGGED_LOOKS)]
            is_alone = not solved
            trace_colour, trace_marker = _TRACE_LOOKS[i % len(_TRACE_LOOKS)]
            only = Look(trace_colour, "solid", trace_marker if len(logged) > 1 else "")
            found.append(only if is_alone else Look(colour, dash, marker))
        elif len(solved) > 1:
            colour, marker = _TRACE_LOOKS[solved.index(line.key) % len(_TRACE_LOOKS)]
            found.append(Look(colour, palette.look_of(line.variant)[1], marker))
        else:
            found.append(Look(*palette.look_of(line.variant)))
    return found


def draw_marker(painter: QPainter, marker: str, centre: QPointF, colour: str, size_px: float = 3.5) -> None:
    """A small sign with a white heart, drawn on top of its line."""
    x, y, r = centre.x(), centre.y(), size_px
    pen = QPen(QColor(colour), 1.2)
    painter.setPen(pen)
    painter.setBrush(QColor("#FFFFFF"))
    if marker == "circle":
        painter.drawEllipse(centre, r, r)
    elif marker == "square":
        painter.drawRect(QRectF(x - 0.9 * r, y - 0.9 * r, 1.8 * r, 1.8 * r))
    elif marker == "triangle":
        painter.drawPolygon(QPolygonF([QPointF(x - r, y + 0.8 * r), QPointF(x + r, y + 0.8 * r), QPointF(x, y - r)]))
    elif marker == "diamond":
        painter.drawPolygon(
            QPolygonF([QPointF(x - 1.15 * r, y), QPointF(x, y - 1.15 * r), QPointF(x + 1.15 * r, y), QPointF(x, y + 1.15 * r)])
        )
    elif marker == "refused":
        painter.drawEllipse(centre, 1.2 * r, 1.2 * r)
        painter.setPen(QPen(QColor(palette.VERMILLION), 1.8))
        painter.drawLine(QPointF(x - 0.6 * r, y - 0.6 * r), QPointF(x + 0.6 * r, y + 0.6 * r))
        painter.drawLine(QPointF(x - 0.6 * r, y + 0.6 * r), QPointF(x + 0.6 * r, y - 0.6 * r))
    elif marker == "cross":
        pen.setWidthF(1.8)
        painter.setPen(pen)
        painter.drawLine(QPointF(x - r, y - r), QPointF(x + r, y + r))
        painter.drawLine(QPointF(x - r, y + r), QPointF(x + r, y - r))


@functools.lru_cache(maxsize=64)
def marker_picture(look: Look, pixel_ratio: float) -> QPixmap:
    """The marker of a look, drawn once: copying it is ten times cheaper than drawing it again at every place."""
    size = 12
    picture = QPixmap(round(size * pixel_ratio), round(size * pixel_ratio))
    picture.setDevicePixelRatio(pixel_ratio)
    picture.fill(Qt.GlobalColor.transparent)
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    draw_marker(painter, look.marker, QPointF(size / 2.0, size / 2.0), look.colour)
    painter.end()
    return picture


class Swatch(QWidget):
    """A piece of a line beside its name."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self.setFixedSize(40, 14)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        draw_swatch(painter, QRectF(self.rect()).adjusted(2, 0, -2, 0), self._look)
        painter.end()


def draw_swatch(painter: QPainter, rect: QRectF, look: Look) -> None:
    """Legend entry: a piece of the line with its dash and marker."""
    middle = rect.center().y()
    if look.dash:
        painter.setPen(look.pen(2.0))
        painter.drawLine(QPointF(rect.left(), middle), QPointF(rect.right(), middle))
    if look.marker:
        draw_marker(painter, look.marker, rect.center(), look.colour)
