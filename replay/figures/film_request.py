"""What a film is to be: every choice, checked, and as plain settings that a review can keep. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from replay.errors import CannotEstimate, SettingsError, WrongUsage
from replay.figures.film_clock import FRAME_RATES, FilmClock, Ramp
from replay.figures.lines import span_s, zero_log_s
from replay.figures.style import FigureSettings
from replay.review.series import EXTRA, reflown_of, without_reflown
from replay.review.snapshot import Snapshot
from replay.scene.camera import CAMERAS, Viewpoint
from replay.units import DEG

CODECS: Final = {"h264": (".mp4", ".mov"), "prores": (".mov",), "png": (".mov",), "sequence": ("",)}
"""Codec -> endings it goes with: ProRes 4444 and PNG in a MOV carry alpha; `sequence` is a folder of PNG files."""
DEFAULT_TRACES: Final = ("tilt", "height", "accel.z")


@dataclass(frozen=True, eq=False)
class FilmRequest:
    """All that makes a film.

    Parameters
    ----------
    snapshot : Snapshot
    size_px : (int, int)
        Width and height, both even.
    rate : str
        A key of `FRAME_RATES`.
    start_s, stop_s : float or None
        Seconds from liftoff; None is from just before liftoff, to just after touchdown.
    ramp : tuple of (time from liftoff, speed)
        One pair for an even speed; see `film_clock.Ramp`.
    viewpoint : Viewpoint
    traces : tuple of str
        Keys of the strip along the bottom; empty for none.
    has_readout, has_time, has_what_if : bool
        The numbers at the right, the time burned in at the upper right, the what-if.
    has_reflown : bool
        The flight flown again with the what-if on board, which the snapshot has to carry (`with_reflown`).
    is_transparent : bool
        Nothing behind vehicle and lines, for laying over footage.
    slate_s : float
        How long the slate stands before the picture, in whole frames; 0 leaves it out.
    codec : str
        A key of `CODECS`; "auto" takes the usual one for the ending of the name.
    title : str
        On the slate; the log's name where empty.
    """

    snapshot: Snapshot
    size_px: tuple[int, int] = (1920, 1080)
    rate: str = "30"
    start_s: float | None = None
    stop_s: float | None = None
    ramp: Ramp = ((0.0, 1.0),)
    viewpoint: Viewpoint = field(default_factory=Viewpoint)
    traces: tuple[str, ...] = DEFAULT_TRACES
    has_readout: bool = True
    has_time: bool = True
    has_what_if: bool = True
    has_reflown: bool = False
    is_transparent: bool = False
    slate_s: float = 1.0
    codec: str = "auto"
    title: str = ""

    def __post_init__(self) -> None:
        if self.rate not in FRAME_RATES:
            raise SettingsError("film", "--fps", f"one of {', '.join(FRAME_RATES)}", self.rate)
        width, height = self.size_px
        if width % 2 or height % 2 or not (64 <= width <= 8192 and 64 <= height <= 8192):
            raise SettingsError("film", "--size", "even width and height from 64 to 8192", f"{width}x{height}")
        if self.codec not in ("auto", *CODECS):
            raise SettingsError("film", "--codec", f"auto or one of {', '.join(CODECS)}", self.codec)
        if not 0.0 <= self.slate_s <= 60.0:
            raise SettingsError("film", "--slate", "0 to 60 s", f"{self.slate_s:g}")

    @cached_property
    def shown(self) -> Snapshot:
        """The snapshot without what the film leaves out.

        Raises
        ------
        CannotEstimate
            The re-flown flight is asked for and not there.
        """
        if self.has_reflown and reflown_of(self.snapshot) is None:
            raise CannotEstimate("film", "the flight has not been flown again: its re-flown twin can't be drawn")
        shown = self.snapshot if self.has_reflown else without_reflown(self.snapshot)
        if self.has_what_if or shown.what_if is None:
            return shown
        kept = {name: extra for name, extra in (shown.extras or {}).items() if name != EXTRA}  # lines of what is left out are among them
        return replace(shown, what_if=None, extras=kept)

    def clock(self) -> FilmClock:
        """Frames and instants, on the log's clock."""
        zero = zero_log_s(self.snapshot)
        start, stop = span_s(self.snapshot, FigureSettings())
        start, stop = (start if self.start_s is None else self.start_s), (stop if self.stop_s is None else self.stop_s)
        rate = FRAME_RATES[self.rate]
        ramp = tuple((time + zero, speed) for time, speed in self.ramp)
        return FilmClock(rate, start + zero, stop + zero, ramp, round(self.slate_s * rate))

    def codec_for(self, path: Path) -> str:
        """The codec a name asks for, checked against what was asked.

        Raises
        ------
        WrongUsage
            No film has the name's ending, or none of this codec.
        SettingsError
            The ending and a transparent background don't go together.
        """
        codec = self.codec
        if codec == "auto":
            usual = {".mp4": "h264", ".mov": "prores" if self.is_transparent else "h264", "": "sequence"}
            codec = usual.get(path.suffix.lower(), "none")
        if path.suffix.lower() not in CODECS.get(codec, ()):
            wanted = "a name in .mp4 or .mov, or a folder's name without an ending" if self.codec == "auto" else f"an ending of {codec}"
            raise WrongUsage(str(path), "--out", wanted, path.suffix or "no ending")
        if self.is_transparent and codec == "h264":
            raise SettingsError(
                str(path), "--alpha", "a name in .mov (ProRes 4444), or a folder of PNG files", f"{path.suffix}, which has no alpha"
            )
        return codec

    def as_settings(self) -> dict[str, Any]:
        """Plain JSON of everything but the snapshot, for the review's `film_settings`."""
        view = self.viewpoint
        settings: dict[str, Any] = {name: getattr(self, name) for name in _PLAIN}
        settings |= {"size_px": list(self.size_px), "traces": list(self.traces), "ramp": [list(pair) for pair in self.ramp]}
        camera = {"name": view.name, "turn_deg": view.turn_rad / DEG, "raise_deg": view.raise_rad / DEG, "zoom": view.zoom}
        return settings | {"camera": camera}


_PLAIN = (
    *("rate", "start_s", "stop_s", "has_readout", "has_time", "has_what_if", "has_reflown"),
    *("is_transparent", "slate_s", "codec", "title"),
)

_KINDS: Final[Mapping[str, Any]] = (
    {name: bool for name in _PLAIN if name.startswith(("has_", "is_"))}
    | dict.fromkeys(("rate", "codec", "title"), str)
    | dict.fromkeys(("start_s", "stop_s"), int | float | None)
)


def request_of(snapshot: Snapshot, settings: Mapping[str, Any]) -> FilmRequest:
    """The request that `as_settings` came from; keys that are absent keep their default.

    Raises
    ------
    SettingsError
        An unknown key, or a value of the wrong kind.
    """
    known = {*_PLAIN, "size_px", "traces", "ramp", "camera"}
    unknown = sorted(set(settings) - known)
    if unknown:
        raise SettingsError("film settings", unknown[0], f"one of {', '.join(sorted(known))}", "an unknown key")
    request = FilmRequest(snapshot)
    try:
        values = {name: settings[name] for name in _PLAIN if name in settings}
        if "size_px" in settings:
            width, height = settings["size_px"]
            values["size_px"] = (int(width), int(height))
        if "traces" in settings:
            values["traces"] = tuple(str(key) for key in settings["traces"])
        if "ramp" in settings:
            values["ramp"] = tuple((float(time), float(speed)) for time, speed in settings["ramp"])
        if "camera" in settings:
            values["viewpoint"] = _viewpoint(settings["camera"])
        for name, value in values.items():
            kind = _KINDS.get(name)
            if kind is not None and (not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool)):
                raise TypeError(f"{name} {value!r}")
        return replace(request, **values)
    except (TypeError, ValueError, AttributeError) as error:
        raise SettingsError("film settings", "film", "settings as Plumbline writes them", str(error)) from None


def _viewpoint(camera: Mapping[str, Any]) -> Viewpoint:
    name = camera.get("name", "chase")
    if name not in CAMERAS:
        raise SettingsError("film settings", "camera.name", f"one of {', '.join(CAMERAS)}", str(name))
    turn, lift, zoom = (float(camera.get(key, default)) for key, default in (("turn_deg", 0.0), ("raise_deg", 0.0), ("zoom", 1.0)))
    if not all(map(math.isfinite, (turn, lift, zoom))) or zoom <= 0.0:
        raise SettingsError("film settings", "camera", "finite angles and a zoom above 0", f"{turn:g}, {lift:g}, {zoom:g}")
    return Viewpoint(name).turned(turn * DEG, lift * DEG).zoomed(zoom)
