"""The application's icon, drawn at every size a desktop asks for."""

from __future__ import annotations

from PySide6.QtGui import QIcon, QPixmap

from replay.scene.emblem import emblem
from replay.scene.paint import to_image

_SIZES_PX = (16, 20, 24, 32, 48, 64, 128, 256)


def application_icon() -> QIcon:
    """Needs a running application, as every pixmap does."""
    icon = QIcon()
    for size in _SIZES_PX:
        icon.addPixmap(QPixmap.fromImage(to_image(emblem(size))))
    return icon
