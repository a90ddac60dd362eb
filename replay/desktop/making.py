"""Parts of the dialogs that make files: the picture of what will be made, how far the work is and what stops it, what begins it."""

from __future__ import annotations

import time

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QCloseEvent, QColor, QImage, QKeyEvent, QPainter, QPixmap, QResizeEvent
from PySide6.QtWidgets import QDialog, QFrame, QHBoxLayout, QLabel, QProgressBar, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.background import Background
from replay.review.review import Review
from replay.review.series import reflown_of
from replay.review.snapshot import Snapshot

_CHECK_PX = 8
_TELLS_TIME_AFTER_S = 2.0


class PictureCard(QFrame):
    """A picture as large as its place allows, or words in its stead."""

    resized = Signal()

    def __init__(self, text: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("card")
        self.label = QLabel(text)
        self.label.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.label.setWordWrap(True)
        self.label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self.label.setMinimumSize(360, 240)
        inside = QVBoxLayout(self)
        inside.setContentsMargins(style.GAP, style.GAP, style.GAP, style.GAP)
        inside.addWidget(self.label)
        self._image: QImage | None = None

    @property
    def room_px(self) -> QSize:
        """Device pixels there are."""
        ratio = self.devicePixelRatioF()
        return QSize(max(round(self.label.width() * ratio), 1), max(round(self.label.height() * ratio), 1))

    def show_image(self, image: QImage) -> None:
        """What is clear in it shows a chequered ground."""
        self._image = image
        self._fit()

    def say(self, text: str) -> None:
        """Words instead of a picture."""
        self._image = None
        self.label.setText(text)

    def _fit(self) -> None:
        if self._image is None:
            return
        scaled = self._image.scaled(self.room_px, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation)
        shown = QPixmap.fromImage(_on_checks(scaled) if scaled.hasAlphaChannel() else scaled)
        painter = QPainter(shown)
        painter.setPen(QColor(style.LINE))
        painter.drawRect(0, 0, shown.width() - 1, shown.height() - 1)  # where it ends: its paper may be as white as the card
        painter.end()
        shown.setDevicePixelRatio(self.devicePixelRatioF())
        self.label.setPixmap(shown)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()
        self.resized.emit()


def _on_checks(image: QImage) -> QImage:
    """The picture laid over a chequered ground."""
    tile = QPixmap(2 * _CHECK_PX, 2 * _CHECK_PX)
    tile.fill(QColor("#FFFFFF"))
    ground = QImage(image.size(), QImage.Format.Format_RGB32)
    painter = QPainter(tile)
    for x, y in ((0, 0), (_CHECK_PX, _CHECK_PX)):
        painter.fillRect(x, y, _CHECK_PX, _CHECK_PX, QColor("#D9DEE2"))
    painter.end()
    painter = QPainter(ground)
    painter.drawTiledPixmap(ground.rect(), tile)
    painter.drawImage(0, 0, image)
    painter.end()
    return ground


class Working(QWidget):
    """Progress and a button that stops the work; hidden while nothing runs."""

    stopped = Signal()

    def __init__(self, *works: Background, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._works, self._began = works, 0.0
        self.progress = QProgressBar()
        self.progress.setRange(0, 100)
        self.progress.setAccessibleName("Progress")
        self.stop = QPushButton("S&top")
        self.stop.setAutoDefault(False)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.progress, 1)
        row.addWidget(self.stop)
        self.setVisible(False)
        self.stop.clicked.connect(self._stop)
        for work in works:
            work.progressed.connect(self._tell)
            work.busy_changed.connect(self._show_busy)

    @property
    def is_busy(self) -> bool:
        return any(work.is_busy for work in self._works)

    def _tell(self, share: float, text: str) -> None:
        self.progress.setValue(round(100 * share))
        took = time.monotonic() - self._began
        is_told = took > _TELLS_TIME_AFTER_S and 0.02 < share < 1.0
        self.progress.setFormat(f"{text}, {_left_words(took * (1.0 - share) / share)}" if is_told else text)

    def _show_busy(self, _: bool) -> None:
        if self.is_busy and not self.isVisible():
            self._began = time.monotonic()
            self.progress.setValue(0)
            self.progress.setFormat("")
        self.setVisible(self.is_busy)

    def _stop(self) -> None:
        for work in self._works:
            work.cancel()
        self.stopped.emit()


class WriteButton(QPushButton):
    """Begins the writing: Return does so on the button itself, and in no field (there it takes what was entered)."""

    def __init__(self, text: str, parent: QWidget | None = None) -> None:
        super().__init__(text, parent)
        self.setAutoDefault(False)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.click()
        else:
            super().keyPressEvent(event)


class WritingDialog(QDialog):
    """A dialog that is only put away while what it writes, in `_writing`, goes on: its `reject` says so, however it is closed."""

    _writing: Background

    @property
    def is_writing(self) -> bool:
        return self._writing.is_busy

    def closeEvent(self, event: QCloseEvent) -> None:
        if self.is_writing:
            event.ignore()
            self.reject()
        else:
            super().closeEvent(event)


def cannot_refly(snapshot: Snapshot, review: Review) -> str:
    """Why there is nothing to fly again; "" where there is."""
    if reflown_of(snapshot) is not None:
        return ""
    if snapshot.vehicle is None:
        return "Flying again needs a vehicle file: Flight, Vehicle File…"
    return "Flying again needs a what-if: change a calibration number, or reconcile." if review.corrected == review.as_flown else ""


def _left_words(left_s: float) -> str:
    return f"{left_s:.0f} s left" if left_s < 90.0 else f"{left_s / 60.0:.0f} min left"
