"""Pictures from files, read so that the reading tells how far it is and can be stopped. Needs no GUI thread."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Final

from PySide6.QtCore import QIODevice, Qt
from PySide6.QtGui import QImage, QImageIOHandler, QImageReader

from replay.errors import Cancelled, SettingsError

PICTURE_FILES: Final = "Pictures (*.png *.jpg *.jpeg);;All files (*)"
_LARGEST_PX: Final = 2400
"""A larger picture is made smaller while it is read; lines are kept in pixels of the whole one."""

Picture = tuple[QImage, tuple[int, int]]
Progress = Callable[[float, str], None]


class _Watched(QIODevice):
    """A file that tells with every piece read how far it is, and ends early once reading is no longer wanted."""

    def __init__(self, file: BinaryIO, size: int, told: Callable[[float], None], cancel: threading.Event) -> None:
        super().__init__()
        self._file, self._size, self._told, self._cancel = file, size, told, cancel
        self.open(QIODevice.OpenModeFlag.ReadOnly)

    def go_on(self) -> None:
        """Raises `Cancelled` where the file ended early."""
        if self._cancel.is_set():
            raise Cancelled("reading the picture was stopped")

    def size(self) -> int:
        return self._size

    def isSequential(self) -> bool:
        return False

    def seek(self, pos: int) -> bool:
        self._file.seek(pos)
        return super().seek(pos)

    def readData(self, maxlen: int) -> bytes:
        if self._cancel.is_set():
            return b""
        self._told(self._file.tell() / max(self._size, 1))
        return self._file.read(maxlen)


def read_picture(path: str, progress: Progress | None = None, cancel: threading.Event | None = None) -> Picture:
    """A PNG or JPEG picture the right way up, at most 2400 px on its longer side, and (width, height) of the whole one.

    Raises
    ------
    SettingsError
        There is no such file, or it is not such a picture.
    Cancelled
    """
    cancel = cancel or threading.Event()
    shown = [0]

    def told(share: float) -> None:
        percent = int(100.0 * share)
        if progress is not None and percent > shown[0]:
            shown[0] = percent
            progress(share, f"Reading {Path(path).name}")

    try:
        size = Path(path).stat().st_size
        file = Path(path).open("rb")  # noqa: SIM115 – closed below
    except OSError as error:
        raise SettingsError(path, "photograph", "a PNG or JPEG picture", error.strerror or str(error)) from None
    with file:
        return _read(path, _Watched(file, size, told, cancel))


def _read(path: str, device: _Watched) -> Picture:
    reader = QImageReader(device)
    reader.setDecideFormatFromContent(True)
    reader.setAutoTransform(True)
    whole = reader.size()
    device.go_on()
    kind = bytes(reader.format().data()).decode()
    if kind not in ("png", "jpeg") or not whole.isValid():
        raise SettingsError(path, "photograph", "a PNG or JPEG picture", kind or reader.errorString())
    if max(whole.width(), whole.height()) > _LARGEST_PX:
        reader.setScaledSize(whole.scaled(_LARGEST_PX, _LARGEST_PX, Qt.AspectRatioMode.KeepAspectRatio))
    image = reader.read()
    device.go_on()
    if image.isNull():
        raise SettingsError(path, "photograph", "a whole PNG or JPEG picture", reader.errorString())
    if reader.transformation() & QImageIOHandler.Transformation.TransformationRotate90:
        whole.transpose()
    return image, (whole.width(), whole.height())
