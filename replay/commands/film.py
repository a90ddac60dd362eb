"""`plumbline film LOG --out F`: the replay as a video, or as numbered pictures."""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
from typing import TYPE_CHECKING, Any

from replay.commands._shared import add_common, as_review, finite, load_request, snapshot_of
from replay.errors import SettingsError
from replay.figures.film_clock import FRAME_RATES, Ramp, ramp_from
from replay.motion.settings import METHODS

if TYPE_CHECKING:
    from replay.figures.film import FilmReport

_SETTINGS = (
    *("rate", "size_px", "start_s", "stop_s", "ramp", "is_transparent", "codec", "traces"),
    *("has_readout", "has_time", "has_what_if", "has_reflown", "slate_s", "title"),
)
_CAMERAS = ("chase", "pad", "side", "top", "orbit")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command. What is left out is taken from the review, else as described in `figures.film_request`."""
    add_common(parser)
    add = parser.add_argument
    add("--method", metavar="M", choices=METHODS, help=f"{', '.join(METHODS)} (default: smoother, or the review's)")
    add("--out", metavar="F", required=True, help="video in .mp4 or .mov, or a folder's name without an ending for numbered PNG files")
    add("--force", action="store_true", help="write over an existing file")
    add("--fps", metavar="RATE", dest="rate", choices=tuple(FRAME_RATES), help=f"frames a second: {', '.join(FRAME_RATES)} (default 30)")
    add("--size", metavar="WxH", dest="size_px", type=_size, help="width and height in pixels, both even (default 1920x1080)")
    add("--from", metavar="S", dest="start_s", type=finite, help="start, seconds from liftoff (default: 1 s before)")
    add("--to", metavar="S", dest="stop_s", type=finite, help="end, seconds from liftoff (default: 2 s after touchdown)")
    add("--speed", metavar="V", dest="ramp", type=_ramp, help="0.5 is half speed; ramps as time:speed pairs, e.g. 0:1,2:0.25,4:1")
    add("--alpha", dest="is_transparent", action="store_const", const=True, help="transparent background: .mov (ProRes 4444) or a folder")
    add("--codec", choices=("auto", "h264", "prores", "png", "sequence"), help="png: PNG in a .mov, exact to the pixel")
    add("--camera", choices=_CAMERAS, help="where the eye stands (default chase)")
    add("--turn", metavar="DEG", type=finite, help="turn the camera about what it looks at, clockwise seen from above")
    add("--raise", metavar="DEG", dest="lift", type=finite, help="raise the camera")
    add("--zoom", metavar="F", type=finite, help="magnify")
    add("--traces", metavar="KEYS", type=_keys, help="traces along the bottom, e.g. tilt,height,vertical_speed; none leaves them out")
    add("--no-readout", dest="has_readout", action="store_const", const=False, help="without the numbers at the right")
    add("--no-time", dest="has_time", action="store_const", const=False, help="without the burned-in time")
    add("--no-what-if", dest="has_what_if", action="store_const", const=False, help="without the what-if")
    add("--refly", dest="has_reflown", action=argparse.BooleanOptionalAction, help="fly again with the what-if on board and draw that too")
    add("--slate", metavar="S", dest="slate_s", type=finite, help="seconds of slate before the picture (default 1)")
    add("--title", help="title on the slate (default: the log's name)")


def run(args: argparse.Namespace) -> int:
    """Estimate, draw, encode; say what was written."""
    request = load_request(args)
    saved = request.review.film_settings if request.review else {}
    from replay.figures.film_request import request_of
    from replay.figures.material import with_reflown_drawn

    film = request_of(snapshot_of(request, args.method), {**saved, **_stated(args, saved)})
    tell = None if args.json or not sys.stderr.isatty() else _show
    if film.has_reflown:
        review = as_review(request, args.method)
        film = dataclasses.replace(film, snapshot=with_reflown_drawn(film.snapshot, review, tell))
    from replay.figures.film import render_film

    report = render_film(film, args.out, tell, force=args.force)
    print(json.dumps(_as_dict(report), indent=2) if args.json else _as_text(report))
    return 0


def _stated(args: argparse.Namespace, saved: Any) -> dict[str, Any]:
    """Settings given on the command line."""
    settings = {name: getattr(args, name) for name in _SETTINGS if getattr(args, name) is not None}
    camera = {"name": args.camera, "turn_deg": args.turn, "raise_deg": args.lift, "zoom": args.zoom}
    stated = {name: value for name, value in camera.items() if value is not None}
    return settings | ({"camera": {**saved.get("camera", {}), **stated}} if stated else {})


def _show(fraction: float, text: str) -> None:
    print(f"\r{100.0 * fraction:5.1f} %  {text}", end="" if fraction < 1.0 else "\n", file=sys.stderr, flush=True)


def _as_dict(report: FilmReport) -> dict[str, Any]:
    width, height = report.size_px
    return {
        "written": report.path,
        "codec": report.codec,
        "frames": report.n_frames,
        "slate_frames": report.n_slate,
        "duration_s": round(report.duration_s, 6),
        "frames_per_second": str(report.rate),
        "width_px": width,
        "height_px": height,
    }


def _as_text(report: FilmReport) -> str:
    width, height = report.size_px
    frames = f"{report.n_frames} frames, {report.n_slate} of them slate, {report.duration_s:.3f} s"
    return f"written: {report.path}: {frames} at {float(report.rate):.6g} frames a second, {width} × {height}, {report.codec}"


def _size(text: str) -> tuple[int, int]:
    width, _, height = text.lower().partition("x")
    if not (width.isdigit() and height.isdigit()):
        raise argparse.ArgumentTypeError(f"expected WxH, got {text!r}")
    return int(width), int(height)


def _keys(text: str) -> tuple[str, ...]:
    return () if text == "none" else tuple(key.strip() for key in text.split(",") if key.strip())


def _ramp(text: str) -> Ramp:
    try:
        return ramp_from(text)
    except SettingsError as error:
        raise argparse.ArgumentTypeError(f"expected {error.expected}, got {text!r}") from None
