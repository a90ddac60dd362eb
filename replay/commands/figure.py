"""`plumbline figure REVIEW-or-LOG NAME --out F`: one figure as PDF, SVG or PNG, the same bytes every time."""

from __future__ import annotations

import argparse
import dataclasses
import shlex
from typing import TYPE_CHECKING

from replay.commands._shared import LogRequest, add_common, load_request, new_file, snapshot_of
from replay.errors import CannotEstimate, SettingsError

if TYPE_CHECKING:
    from replay.figures.style import FigureSettings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command. The name of the figure comes last, after the log."""
    add_common(parser)
    parser.add_argument("--out", metavar="F", help="file to write, .pdf, .svg or .png; without it the figures of this flight are listed")
    parser.add_argument("--preset", help="one-column, two-column, slide or video")
    parser.add_argument("--width", metavar="MM", type=float, help="instead of the preset's, mm")
    parser.add_argument("--height", metavar="MM", type=float, help="instead of the preset's, mm")
    parser.add_argument("--dpi", type=int, help="of a PNG")
    parser.add_argument("--from", dest="start", metavar="S", type=float, help="start of the span shown, s after liftoff")
    parser.add_argument("--to", dest="stop", metavar="S", type=float, help="end of the span shown, s after liftoff")
    parser.add_argument("--at", metavar="S", type=float, nargs="+", help="times of a film strip, s after liftoff")
    parser.add_argument("--method", metavar="M", help="estimator (default: the review's, else smoother)")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Estimate, draw, write; print caption and text for those who can't see it."""
    from replay.figures.export import write_figure
    from replay.figures.registry import figure_kind, figure_kinds

    *logs, name = args.log
    listing = not args.out
    if name not in figure_kinds() and listing:
        logs = args.log
    if not logs:
        raise SettingsError("plumbline figure", "NAME", "a log or a review, then the name of a figure", name)
    args.log = logs
    if listing:
        snapshot = snapshot_of(load_request(args), args.method)
        for kind in figure_kinds().values():
            print(f"{kind.name:<16}{kind.title}{f' — not here: {why}' if (why := kind.missing(snapshot)) else ''}")
        return 0
    kind = figure_kind(name)
    request = load_request(args)
    snapshot = snapshot_of(request, args.method)
    if (why := kind.missing(snapshot)) is not None:
        raise CannotEstimate(f"figure {name}", why)
    settings = _settings(args, request)
    with new_file(args.out, force=args.force) as temporary:
        drawn = write_figure(kind.draw, name, snapshot, settings, temporary, command=_command(args, name))
    print(f"{args.out}\n{drawn.caption}\n(in words: {drawn.alt})")
    return 0


def _settings(args: argparse.Namespace, request: LogRequest) -> FigureSettings:
    """The review's figure settings, what the command states before them."""
    from replay.figures.style import FigureSettings
    from replay.review.review import thaw

    saved = thaw(request.review.figure_settings) if request.review is not None else {}
    names = {f.name for f in dataclasses.fields(FigureSettings)}
    kept = {k: tuple(v) if isinstance(v, list) else v for k, v in dict(saved).items() if k in names}
    stated = {
        "preset": args.preset, "width_mm": args.width, "height_mm": args.height, "dpi": args.dpi, "start_s": args.start,
        "stop_s": args.stop, "at_s": tuple(args.at) if args.at else None,
    }  # fmt: skip
    return FigureSettings(**{**kept, **{k: v for k, v in stated.items() if v is not None}})


def _command(args: argparse.Namespace, name: str) -> str:
    """The command that makes this figure again."""
    words = ["plumbline", "figure", *args.log, name]
    for option, value in (
        ("--columns", args.columns), ("--vehicle", args.vehicle), ("--calibration", args.calibration), ("--pad-azimuth", args.pad_azimuth),
        ("--preset", args.preset), ("--width", args.width), ("--height", args.height), ("--dpi", args.dpi), ("--from", args.start),
        ("--to", args.stop), ("--method", args.method), ("--out", args.out),
    ):  # fmt: skip
        if value is not None:
            words += [option, str(value)]
    if args.at:
        words += ["--at", *map(str, args.at)]
    return shlex.join([*words, "--force"])
