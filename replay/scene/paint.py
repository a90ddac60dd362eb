"""Draw list to any Qt painter: widget, image, SVG or PDF. The one module of the scene that knows Qt."""

from __future__ import annotations

import math
import os
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import shiboken6
from numpy.typing import NDArray
from PySide6.QtCore import QLineF, QMarginsF, QPointF, QRect, QRectF, QSize, QSizeF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QImage, QPageSize, QPainter, QPdfWriter, QPen, QPolygonF

from replay.errors import SettingsError
from replay.scene.drawlist import DrawList, Facets, Polygon, Polyline, Rgba, Segments, Text
from replay.scene.palette import DASHES

_PX_PER_INCH = 96
_AROUND = tuple((0.11 * math.cos(k * math.pi / 6.0), 0.11 * math.sin(k * math.pi / 6.0)) for k in range(12))
_FAMILIES = ["DejaVu Sans", "Helvetica", "Arial"]


def paint(draw_list: DrawList, painter: QPainter, *, halo: Rgba | None = None) -> None:
    """Draw everything in order, in the painter's logical pixels; leaves the painter's state as it was.

    `halo` puts a soft edge of that colour round every text, so that it can be read over footage.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setClipRect(QRectF(0.0, 0.0, *draw_list.size_px))
    if draw_list.background is not None:
        painter.fillRect(QRectF(0.0, 0.0, *draw_list.size_px), QColor(*draw_list.background))
    faces: dict[tuple[float, bool], tuple[QFont, QFontMetricsF]] = {}
    for shape in draw_list.shapes:
        if isinstance(shape, Facets):
            _facets(painter, shape)
        elif isinstance(shape, Polygon):
            _polygon(painter, shape)
        elif isinstance(shape, Polyline):
            painter.setPen(_pen(shape.colour, shape.width_px, shape.dash))
            painter.drawPolyline(_outline(shape.points_px))
        elif isinstance(shape, Segments):
            painter.setPen(_pen(shape.colour, shape.width_px))
            painter.drawLines([QLineF(*ends) for ends in shape.points_px.reshape(-1, 4).tolist()])
        else:
            _text(painter, shape, faces, halo)
    painter.restore()


def font(size_px: float, *, is_bold: bool = False) -> QFont:
    """The picture's font: digits of one width, the same on screen and in files."""
    result = QFont(_FAMILIES)
    result.setPixelSize(max(1, round(size_px)))
    result.setBold(is_bold)
    result.setFeature(QFont.Tag("liga"), 0)  # so that a search of the PDF finds "flown"
    return result


def _outline(points_px: NDArray[np.float64]) -> QPolygonF:
    """The points (..., 2) one after the other, copied as one block: a QPointF each would cost more than drawing them does."""
    outline = QPolygonF()
    n = points_px.size // 2
    outline.resize(n)
    if n:
        block: Any = outline.data()  # the stubs call it a point; it is the address of the first one
        np.frombuffer(shiboken6.VoidPtr(block, 16 * n, True), dtype=np.float64)[:] = points_px.ravel()  # type: ignore[call-arg, call-overload]
    return outline


@lru_cache(maxsize=512)
def _brush(red: int, green: int, blue: int, alpha: int) -> QBrush:
    return QBrush(QColor(red, green, blue, alpha))


@lru_cache(maxsize=128)
def _pen(colour: Rgba, width_px: float, dash: str = "solid") -> QPen:
    pen = QPen(QColor(*colour), width_px, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap, Qt.PenJoinStyle.RoundJoin)
    if dash != "solid":
        pen.setDashPattern([length * max(1.0 / width_px, 0.5) for length in DASHES[dash]])  # a pen counts in widths; a broad one's grow
    return pen


def _facets(painter: QPainter, facets: Facets) -> None:
    painter.setPen(Qt.PenStyle.NoPen)
    corners = _outline(facets.points_px)
    last: list[int] | None = None
    for i, fill in enumerate(facets.fill.tolist()):
        if fill != last:
            painter.setBrush(_brush(*fill))
            last = fill
        painter.drawPolygon(corners.sliced(4 * i, 4))


def _polygon(painter: QPainter, polygon: Polygon) -> None:
    painter.setBrush(_brush(*polygon.fill) if polygon.fill is not None else Qt.BrushStyle.NoBrush)
    painter.setPen(_pen(polygon.edge, polygon.edge_width_px, polygon.edge_dash) if polygon.edge is not None else Qt.PenStyle.NoPen)
    painter.drawPolygon(_outline(polygon.points_px))


def _text(painter: QPainter, text: Text, faces: dict[tuple[float, bool], tuple[QFont, QFontMetricsF]], halo: Rgba | None) -> None:
    key = (text.size_px, text.is_bold)
    if key not in faces:
        face = font(text.size_px, is_bold=text.is_bold)
        faces[key] = face, QFontMetricsF(face, painter.device())
    face, metrics = faces[key]
    x, y = text.x_px, text.y_px
    if text.across != "left":
        x -= metrics.horizontalAdvance(text.text) * (0.5 if text.across == "centre" else 1.0)
    y += {"top": metrics.ascent(), "middle": 0.5 * metrics.capHeight(), "bottom": -metrics.descent()}[text.down]
    painter.setFont(face)
    if halo is not None:
        painter.setPen(QColor(*halo))
        for dx, dy in _AROUND:  # not a stroked outline: Qt's outlines change once a glyph has been drawn, and two runs would differ
            painter.drawText(QPointF(x + dx * text.size_px, y + dy * text.size_px), text.text)
    painter.setPen(QColor(*text.colour))
    painter.drawText(QPointF(x, y), text.text)


def to_image(draw_list: DrawList, ratio: float = 1.0) -> QImage:
    """Picture at `ratio` device pixels per logical one; transparent where the draw list has no background."""
    width, height = draw_list.size_px
    image = QImage(round(width * ratio), round(height * ratio), QImage.Format.Format_ARGB32_Premultiplied)
    image.setDevicePixelRatio(ratio)
    image.fill(Qt.GlobalColor.transparent)
    painter = QPainter(image)
    paint(draw_list, painter)
    painter.end()
    return image


def save_picture(draw_list: DrawList, path: str | os.PathLike[str], *, title: str = "Plumbline", ratio: float = 2.0) -> None:
    """Write the picture at once or not at all: vector for `.svg` and `.pdf` with text kept as text, pixels at `ratio` for `.png`.

    SVG and PNG are the same bytes every time; Qt dates its PDF and orders the fonts in it as it pleases (figures come from matplotlib).
    """
    target = Path(path)
    kind = target.suffix.lower()
    if kind not in {".svg", ".pdf", ".png"}:
        raise SettingsError(str(target), "file name", "an ending in .svg, .pdf or .png", target.suffix or "none")
    with tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent) as folder:
        temporary = Path(folder) / target.name
        if kind == ".svg":
            _save_svg(draw_list, str(temporary), title)
        elif kind == ".pdf":
            _save_pdf(draw_list, str(temporary), title)
        else:
            to_image(draw_list, ratio).save(str(temporary))
        temporary.replace(target)


def _save_svg(draw_list: DrawList, path: str, title: str) -> None:
    from PySide6.QtSvg import QSvgGenerator

    generator: Any = QSvgGenerator()
    generator.setFileName(path)
    generator.setSize(QSize(*draw_list.size_px))
    generator.setViewBox(QRect(0, 0, *draw_list.size_px))
    generator.setTitle(title)
    painter = QPainter(generator)
    paint(draw_list, painter)
    painter.end()


def _save_pdf(draw_list: DrawList, path: str, title: str) -> None:
    """One page of the picture's own size at 96 px to the inch."""
    writer = QPdfWriter(path)
    width, height = draw_list.size_px
    writer.setResolution(_PX_PER_INCH)
    size_pt = QSizeF(width, height) * (72.0 / _PX_PER_INCH)
    writer.setPageSize(QPageSize(size_pt, QPageSize.Unit.Point, "", QPageSize.SizeMatchPolicy.ExactMatch))
    writer.setPageMargins(QMarginsF())
    writer.setTitle(title)
    writer.setCreator("Plumbline")
    painter = QPainter(writer)
    paint(draw_list, painter)
    painter.end()
