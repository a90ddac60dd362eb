"""A launch video as a row of frames, each with its own exact time, read one at a time wherever the cursor stands. No Qt here.

Times are those the file states for each frame (phones and action cameras film at rates that vary), counted from the first frame. A
frame is decoded from the key frame before it, so what is shown is that very frame and not one near it.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, CannotEstimate, LogReadError

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

SUFFIXES: Final = (".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".mts", ".m2ts", ".mpg", ".mpeg", ".3gp", ".wmv")
"""Endings by which a dropped file is taken for a video; any file may be opened as one."""

LIFTOFF_SEEN_SD_S: Final = 0.02
"""How far from liftoff itself the frame on which one first sees it may lie, besides the frames' spacing (common practice, no source)."""

_CACHE_BYTES: Final = 192 << 20
_SAME_FRAME_S: Final = 1e-6
_PROGRESS_EVERY: Final = 256


def is_video(path: str | os.PathLike[str]) -> bool:
    """Whether a file is named as a video."""
    return os.fspath(path).lower().endswith(SUFFIXES)


@dataclass(frozen=True, eq=False)
class FrameTimes:
    """When each frame is shown.

    Parameters
    ----------
    ticks : ndarray of int64, shape (n,)
        Presentation times as the file has them, rising.
    is_key : ndarray of bool, shape (n,)
        Frames from which decoding can begin.
    tick_s : Fraction
        One tick, s.
    last_ticks : int
        How long the last frame stands.
    """

    ticks: NDArray[np.int64]
    is_key: NDArray[np.bool_]
    tick_s: Fraction
    last_ticks: int

    @property
    def n_frames(self) -> int:
        """How many pictures the stream holds."""
        return len(self.ticks)

    @property
    def time_s(self) -> Array:
        """Of each frame, from the first one, shape (n,)."""
        return np.asarray((self.ticks - self.ticks[0]) * (self.tick_s.numerator / self.tick_s.denominator), dtype=np.float64)

    @property
    def duration_s(self) -> float:
        """To the end of the last frame."""
        return float((int(self.ticks[-1] - self.ticks[0]) + self.last_ticks) * self.tick_s)

    @property
    def usual_frame_s(self) -> float:
        """Median time between frames."""
        return float(np.median(np.diff(self.ticks)) * float(self.tick_s)) if self.n_frames > 1 else float(self.last_ticks * self.tick_s)

    @property
    def is_rate_even(self) -> bool:
        """Whether every frame stands equally long, but for the rounding of the file's ticks."""
        steps = np.diff(self.ticks)
        return len(steps) < 2 or int(steps.max() - steps.min()) <= max(2, round(0.05 * float(np.median(steps))))

    def frame_at(self, video_s: float) -> int:
        """The frame that is on screen at a time from the first one; −1 before it, `n_frames` after the end of the last."""
        if video_s >= self.duration_s:
            return self.n_frames
        # as whole ticks: a time that came from `time_s` by way of another clock is still that frame's
        return int(np.searchsorted(self.ticks - self.ticks[0], (video_s + _SAME_FRAME_S) / float(self.tick_s), side="right")) - 1

    def frame_sd_s(self, frame: int) -> float:
        """One standard deviation of a moment that is only known to fall nearest to a frame: evenly spread over its neighbourhood."""
        i = min(max(frame, 0), self.n_frames - 1)
        around = self.ticks[max(i - 1, 0) : i + 2]
        width = float((around[-1] - around[0]) / max(len(around) - 1, 1)) if len(around) > 1 else float(self.last_ticks)
        return float(width * float(self.tick_s) / 12.0**0.5)


class LaunchVideo:
    """One opened video. Not for two threads at once.

    Parameters
    ----------
    path : path
    progress : callable (fraction, text), optional
    cancel : callable () -> bool, optional
        Opening walks through the whole file once, without decoding it.

    Raises
    ------
    CannotEstimate
        PyAV is not installed.
    LogReadError
        Not a video, or no frame in it can be read.
    Cancelled
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        progress: Callable[[float, str], None] | None = None,
        cancel: Callable[[], bool] | None = None,
    ) -> None:
        self.path = os.fspath(path)
        self._av = library()
        self._container: Any = opened(self._av, self.path)
        try:
            if not self._container.streams.video:
                raise LogReadError(self.path, None, None, "a video", "a file without a picture")
            self._stream: Any = self._container.streams.video[0]
            self._stream.thread_type = "AUTO"
            self.has_sound = bool(self._container.streams.audio)
            self.times = self._index(progress or (lambda *_: None), cancel or (lambda: False))
            self._frame_of = {int(tick): i for i, tick in enumerate(self.times.ticks)}
            self._kept: OrderedDict[int, Any] = OrderedDict()
            self._kept_bytes = 0
            self._running: Iterator[Any] | None = None
            self._next = 0
            first = self._decoded(0)
            self.turn_deg = _quarter_turn(first)
            wide, high = _upright_size(first, self.turn_deg, self._stream.sample_aspect_ratio)
        except BaseException:
            self._container.close()
            raise
        self.size_px: tuple[int, int] = (wide, high)

    def close(self) -> None:
        """Let go of the file."""
        self._running = None
        self._kept.clear()
        self._container.close()

    def picture(self, frame: int, fit_px: tuple[int, int] | None = None) -> Picture:
        """One frame the right way up.

        Parameters
        ----------
        frame : int
            0 to `times.n_frames` − 1.
        fit_px : (int, int), optional
            Made no larger than this, its shape kept; never enlarged.

        Returns
        -------
        ndarray of uint8, shape (height, width, 3)
            Red, green, blue.

        Raises
        ------
        IndexError
        LogReadError
            The frame is damaged.
        """
        if not 0 <= frame < self.times.n_frames:
            raise IndexError(f"frame {frame} of {self.times.n_frames}")
        decoded = self._decoded(frame)
        wide, high = self.size_px
        scale = min(1.0, *(limit / size for limit, size in zip(fit_px, (wide, high), strict=True))) if fit_px else 1.0
        wide, high = max(1, round(wide * scale)), max(1, round(high * scale))
        if self.turn_deg % 180:
            wide, high = high, wide
        straight = decoded.reformat(width=wide, height=high, format="rgb24").to_ndarray()
        return np.ascontiguousarray(np.rot90(straight, self.turn_deg // 90))

    # --- the index ------------------------------------------------------------------------------------------------------------

    def _index(self, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> FrameTimes:
        """Every frame's time, from the packets alone; where they don't state it, from the frames themselves."""
        stream, found = self._stream, {}
        newest, last = None, 0
        total = stream.frames or 0
        is_stated = True
        for n, packet in enumerate(self._container.demux(stream)):
            if n % _PROGRESS_EVERY == 0:
                self._tell(n, total, progress, cancel)
            if packet.size == 0 or packet.is_discard:
                continue
            if packet.pts is None:
                is_stated = False
                break
            found[int(packet.pts)] = bool(packet.is_keyframe)
            if newest is None or packet.pts > newest:
                newest, last = packet.pts, int(packet.duration or 0)
        if not is_stated:
            found = self._index_by_decoding(total, progress, cancel)
        if not found:
            raise LogReadError(self.path, None, None, "a video with frames in it", "none that can be read")
        ticks = np.array(sorted(found), dtype=np.int64)
        usual = int(np.median(np.diff(ticks))) if len(ticks) > 1 else 1
        return FrameTimes(ticks, np.array([found[int(t)] for t in ticks]), Fraction(stream.time_base), last or usual)

    def _index_by_decoding(self, total: int, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> dict[int, bool]:
        found: dict[int, bool] = {}
        self._container.seek(0, stream=self._stream)
        for n, frame in enumerate(self._frames()):
            if n % 16 == 0:
                self._tell(n, total, progress, cancel)
            tick = _tick_of(frame)
            if tick is not None:
                found[tick] = bool(frame.key_frame)
        return found

    def _tell(self, n: int, total: int, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> None:
        if cancel():
            raise Cancelled("opening the video stopped")
        progress(min(n / total, 1.0) if total else 0.0, f"frame times: {n}" + (f" of {total}" if total else ""))

    # --- decoding -------------------------------------------------------------------------------------------------------------

    def _decoded(self, frame: int) -> Any:
        """The frame as decoded, from memory where it is still there."""
        if frame in self._kept:
            self._kept.move_to_end(frame)
            return self._kept[frame]
        starts = np.flatnonzero(self.times.is_key[: frame + 1])
        is_ahead = self._running is not None and self._next <= frame and (not len(starts) or starts[-1] <= self._next)
        if is_ahead and self._reach(frame):
            return self._kept[frame]
        # a seek can land after a frame that is shown before its key frame: then from one earlier, at last from the beginning
        for start in (*starts[::-1][:2].tolist(), 0):
            self._seek(int(start))
            if self._reach(frame):
                return self._kept[frame]
        raise LogReadError(self.path, None, None, f"a picture at frame {frame + 1}", "a damaged one")

    def _seek(self, frame: int) -> None:
        self._container.seek(int(self.times.ticks[frame]), stream=self._stream, backward=True, any_frame=False)
        self._running = self._frames()
        self._next = frame

    def _reach(self, frame: int) -> bool:
        """Decode on until `frame` is kept; False where the decoder passes it by."""
        assert self._running is not None
        for decoded in self._running:
            tick = _tick_of(decoded)
            i = self._frame_of.get(tick) if tick is not None else None
            if i is None:
                continue
            self._keep(i, decoded)
            self._next = i + 1
            if i == frame:
                return True
            if i > frame:
                return False
        self._running = None
        return False

    def _frames(self) -> Iterator[Any]:
        """Frames in the order they are shown; a packet that can't be decoded is passed over."""
        for packet in self._container.demux(self._stream):
            try:
                yield from packet.decode()
            except self._av.error.InvalidDataError:
                continue

    def _keep(self, frame: int, decoded: Any) -> None:
        """The newest ones stay, up to so many bytes: those just before the cursor, so that a step back needs no decoding."""
        if frame not in self._kept:
            self._kept_bytes += _bytes_of(decoded)
        self._kept[frame] = decoded
        self._kept.move_to_end(frame)
        while self._kept_bytes > _CACHE_BYTES and len(self._kept) > 2:
            _, dropped = self._kept.popitem(last=False)
            self._kept_bytes -= _bytes_of(dropped)


def library() -> Any:
    """PyAV, or one line that says how to get it.

    Raises
    ------
    CannotEstimate
        It is not installed.
    """
    try:
        import av
    except ImportError:
        raise CannotEstimate("launch video", 'video needs PyAV: pip install "plumbline-replay[film]"') from None
    return av


def opened(av: Any, path: str) -> Any:
    """A container, or one line that says why not.

    Raises
    ------
    LogReadError
        No video, or a file that can't be read.
    """
    try:
        return av.open(path)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise LogReadError(path, None, None, "a video file", getattr(error, "strerror", None) or str(error)) from None


def _tick_of(frame: Any) -> int | None:
    tick = frame.pts if frame.pts is not None else frame.dts
    return None if tick is None else int(tick)


def _bytes_of(frame: Any) -> int:
    return sum(plane.buffer_size for plane in frame.planes)


def _quarter_turn(frame: Any) -> int:
    """By how much the stored picture is turned, counter-clockwise, to stand upright: 0, 90, 180 or 270 degrees.

    Phones film on their side and write the turn into the file (the transformation matrix of the track header, ISO/IEC 14496-12).
    """
    return round(getattr(frame, "rotation", 0) / 90.0) * 90 % 360


def _upright_size(frame: Any, turn_deg: int, pixel_shape: Fraction | None) -> tuple[int, int]:
    """Width and height as shown: square pixels, upright."""
    stretch = float(pixel_shape) if pixel_shape else 1.0
    wide, high = max(1, round(frame.width * stretch)), int(frame.height)
    return (high, wide) if turn_deg % 180 else (wide, high)
