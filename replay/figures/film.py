"""Replay to video: the picture of the Attitude view, trace strip and readout, frame by frame at real frame rates.

Everything is drawn by the renderer of the window into images, so a film needs no display. H.264 and ProRes go through PyAV (the
`[film]` extra); a sequence of PNG files needs nothing more than Qt.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QGuiApplication, QImage, QPainter

from replay.errors import Cancelled, CannotEstimate, SettingsError
from replay.figures.film_clock import FRAME_RATES, speed_words
from replay.figures.film_page import Layout, TraceStrip, burned_in, readout, slate
from replay.figures.film_request import FilmRequest
from replay.scene.build import SceneOptions, prepare
from replay.scene.drawlist import DrawList, Rgba
from replay.scene.paint import paint, to_image
from replay.scene.picture import picture
from replay.working_folder import working_folder

_PLATE: Final[Rgba] = (255, 255, 255, 205)
_PAPER: Final[Rgba] = (251, 252, 253, 255)


class Cancel(Protocol):
    """What tells the work to stop: a `threading.Event` does."""

    def is_set(self) -> bool: ...


@dataclass(frozen=True)
class FilmReport:
    """What was written."""

    path: str
    codec: str
    n_frames: int
    n_slate: int
    duration_s: float
    rate: Fraction
    size_px: tuple[int, int]


class FilmPainter:
    """Frames of one film as images. Anything that stays the same from frame to frame is drawn once."""

    def __init__(self, request: FilmRequest) -> None:
        self.clock = request.clock()
        self._request = request
        self._snapshot = request.shown
        self._flight = prepare(self._snapshot)
        self._layout = Layout.of(request.size_px, has_traces=bool(request.traces), has_readout=request.has_readout)
        self._strip = TraceStrip(self._snapshot, request.traces, self.clock, self._layout) if request.traces else None
        self._plate = _PLATE if request.is_transparent else _PAPER
        self._halo = _PLATE if request.is_transparent else None
        self._still_strip: QImage | None = None
        self._still_slate: QImage | None = None
        self._options = SceneOptions(
            show_ground=not request.is_transparent,
            show_readings=not request.has_readout,
            background=None if request.is_transparent else SceneOptions().background,
        )
        self._scale = self._layout.text_px / self._options.text_px

    def image(self, frame: int) -> QImage:
        """One frame, premultiplied alpha; the slate first."""
        if frame < self.clock.n_slate:
            if self._still_slate is None:
                self._still_slate = to_image(self._slate())
            return self._still_slate
        image = QImage(*self._request.size_px, QImage.Format.Format_ARGB32_Premultiplied)
        image.fill(Qt.GlobalColor.transparent if self._request.is_transparent else Qt.GlobalColor.white)
        painter = QPainter(image)
        try:
            self._picture(painter, frame)
        finally:
            painter.end()
        return image

    def _slate(self) -> DrawList:
        request, solution = self._request, self._snapshot.as_flown
        log_name = " + ".join(Path(path).name for path in self._snapshot.log.paths)
        title = request.title or " + ".join(Path(path).stem for path in self._snapshot.log.paths) or "flight"
        vehicle = [f"vehicle {self._snapshot.vehicle.name}"] if self._snapshot.vehicle is not None else []
        lines = (
            "   ".join([*vehicle, f"log {log_name}, SHA-256 {self._snapshot.log.sha256[:12]}"]),
            f"method {solution.method}   {request.viewpoint.name} camera   {speed_words(request.ramp)}",
            "heading declared, not measured   a review of a past flight: what the record and the model say",
            *(["re-flown: this flight by the model, with the what-if on board"] if request.has_reflown else []),
        )
        return slate(self._snapshot, self.clock, self._layout, title, request.rate, lines)

    def _picture(self, painter: QPainter, frame: int) -> None:
        layout, log_time_s = self._layout, self.clock.time_of(frame)
        x, y, width, height = layout.scene
        logical = round(width / self._scale), round(height / self._scale)
        scene = picture(self._flight, log_time_s, self._request.viewpoint, logical, self._options)
        self._paint_at(painter, x, y, scene, (width / logical[0], height / logical[1]))
        if layout.readout is not None:
            self._paint_at(painter, *layout.readout[:2], readout(self._snapshot, log_time_s, layout, self._plate))
        if self._strip is not None and layout.strip is not None:
            if self._still_strip is None:
                self._still_strip = to_image(self._strip.still(self._plate))
            painter.drawImage(QPoint(*layout.strip[:2]), self._still_strip)
            self._paint_at(painter, *layout.strip[:2], self._strip.cursor(log_time_s))
        if self._request.has_time:
            block = burned_in(self._snapshot, self.clock, frame, layout, None)
            self._paint_at(painter, x + width - block.size_px[0], y, block)

    def _paint_at(self, painter: QPainter, x: int, y: int, draw_list: DrawList, scale: tuple[float, float] = (1.0, 1.0)) -> None:
        painter.save()
        painter.translate(x, y)
        painter.scale(*scale)
        paint(draw_list, painter, halo=self._halo)
        painter.restore()


def render_film(
    request: FilmRequest,
    path: str | os.PathLike[str],
    progress: Callable[[float, str], None] | None = None,
    cancel: Cancel | None = None,
    *,
    force: bool = False,
) -> FilmReport:
    """Write a film, whole or not at all: it has another name beside `path` until its last frame is in.

    Parameters
    ----------
    request : FilmRequest
    path : path
        `.mp4` or `.mov`, or a name without ending for a folder of PNG files.
    progress : callable, optional
        Called with the fraction done, 0 to 1, and what is being done.
    cancel : object with `is_set()`, optional
    force : bool
        Write over an existing file. A folder is never written over.

    Raises
    ------
    SettingsError
        The request and the name don't go together, or the name is taken.
    CannotEstimate
        PyAV is not installed.
    Cancelled
    """
    target = Path(path)
    codec = request.codec_for(target)
    if target.is_dir() or (target.exists() and not force):
        wanted = "a name that is not taken" if target.is_dir() else "a file that does not exist yet (or --force)"
        raise SettingsError(str(target), "--out", wanted, "an existing folder" if target.is_dir() else "an existing file")
    with _qt(), _beside(target) as temporary:
        painter = FilmPainter(request)
        clock = painter.clock
        with _Sequence(temporary) if codec == "sequence" else _Video(temporary, codec, request) as sink:
            for frame in range(clock.n_frames):
                if cancel is not None and cancel.is_set():
                    raise Cancelled("film stopped; nothing was written")
                sink.add(painter.image(frame), frame)
                if progress is not None:
                    progress((frame + 1) / clock.n_frames, f"frame {frame + 1} of {clock.n_frames}")
        temporary.replace(target)
    return FilmReport(str(target), codec, clock.n_frames, clock.n_slate, clock.duration_s, clock.rate, request.size_px)


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """A name of the same ending in a hidden folder beside `target`, gone again afterwards whatever happened."""
    expected = "a folder that can be written"
    try:
        with working_folder(target.parent, f"{target.name}.") as folder:
            expected = "room and a place that can be written"  # from here on the disk is full, or its cable pulled
            yield folder / target.name
    except OSError as error:
        raise SettingsError(str(target), "--out", expected, error.strerror or str(error)) from None


@contextmanager
def _qt() -> Iterator[None]:
    """Fonts need an application object; where there is none (command line, notebook), one without a display for as long as it lasts."""
    if QGuiApplication.instance() is not None:
        yield
        return
    application = QGuiApplication(["plumbline", "-platform", "offscreen"])
    try:
        yield
    finally:
        application.shutdown()


class _Sequence:
    """Numbered PNG files with straight alpha."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder = folder

    def add(self, image: QImage, frame: int) -> None:
        file = self._folder / f"{self._folder.name}_{frame + 1:06d}.png"
        if not image.save(str(file)):
            raise SettingsError(str(file), "--out", "room to write a picture", "a write that failed")

    def __enter__(self) -> _Sequence:
        return self

    def __exit__(self, *_: object) -> None:
        """Every file is complete as it stands."""


class _Video:
    """One stream at a constant frame rate, tagged BT.709 as picture of that size is read."""

    def __init__(self, path: Path, codec: str, request: FilmRequest) -> None:
        try:
            import av
        except ImportError:
            raise CannotEstimate(
                "film", 'video needs PyAV: pip install "plumbline-replay[film]" (a folder of PNG files does not)'
            ) from None
        self._av = av
        encoder, pixels, options = _ENCODERS[codec]
        self._pixels = pixels
        rate = FRAME_RATES[request.rate]
        ticks = rate.numerator * (1 if rate.denominator > 1 else 1000)  # so that the duration in the header is exact
        container_options = {"fflags": "+bitexact", "movflags": "+faststart", "movie_timescale": str(ticks)}
        self._container: Any = av.open(str(path), "w", format=path.suffix.lower()[1:], options=container_options)
        stream: Any = self._container.add_stream(encoder, rate=rate, options=options)
        stream.width, stream.height = request.size_px
        stream.pix_fmt = pixels
        self._frame_time = 1 / rate
        stream.time_base = self._frame_time
        if codec != "png":
            context = stream.codec_context
            context.color_primaries = context.color_trc = context.colorspace = _BT709
            context.color_range = _LIMITED_RANGE
        self._stream = stream

    def add(self, image: QImage, frame: int) -> None:
        picture = self._av.VideoFrame.from_ndarray(_straight(image), format="rgba")
        if self._pixels != "rgba":
            picture = picture.reformat(format=self._pixels, dst_colorspace="ITU709")
        picture.pts, picture.time_base = frame, self._frame_time
        self._container.mux(self._stream.encode(picture))

    def __enter__(self) -> _Video:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        """Write what the encoder holds back, unless the film failed anyway."""
        try:
            if kind is None:
                self._container.mux(self._stream.encode(None))
        finally:
            self._container.close()


_BT709, _LIMITED_RANGE = 1, 1
_ENCODERS: Final = {
    "h264": ("libx264", "yuv420p", {"crf": "18", "preset": "medium"}),
    "prores": ("prores_ks", "yuva444p10le", {"profile": "4444", "vendor": "apl0", "alpha_bits": "16"}),
    "png": ("png", "rgba", {"pred": "mixed"}),
}


def _straight(image: QImage) -> NDArray[np.uint8]:
    """Red, green, blue and straight alpha, shape (height, width, 4)."""
    plain = image.convertToFormat(QImage.Format.Format_RGBA8888)
    rows = np.frombuffer(plain.constBits(), dtype=np.uint8).reshape(plain.height(), plain.bytesPerLine())
    return rows[:, : 4 * plain.width()].reshape(plain.height(), plain.width(), 4).copy()
