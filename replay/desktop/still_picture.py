"""A picture drawn once and kept: what of it an event asks for is put on a widget, at the screen's own resolution."""

from __future__ import annotations

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter, QPaintEvent, QPixmap


def put_on(painter: QPainter, event: QPaintEvent, picture: QPixmap) -> None:
    """Only the parts the event names: a cursor that moves uncovers two narrow strips."""
    ratio = picture.devicePixelRatioF()
    for rect in event.region():
        source = QRectF(rect.x() * ratio, rect.y() * ratio, rect.width() * ratio, rect.height() * ratio)
        painter.drawPixmap(QRectF(rect), picture, source)
