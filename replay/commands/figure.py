"""`plumbline figure REVIEW-or-LOG NAME --out F`: one figure as PDF, SVG or PNG, the same bytes every time."""

from __future__ import annotations

import argparse

from replay.commands._figure_input import add_material, command_of, settings_of, snapshot_with
from replay.commands._shared import add_common, as_review, load_request, new_file
from replay.errors import CannotEstimate, SettingsError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command. The name of the figure comes last, after the log."""
    add_common(parser)
    add_material(parser)
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
    from replay.figures.export import Origin, write_figure
    from replay.figures.registry import figure_kind, figure_kinds

    *logs, name = args.log
    if not args.out and name not in figure_kinds():
        return _list(args)
    if not logs:
        raise SettingsError("plumbline figure", "NAME", "a log or a review, then the name of a figure", name)
    args.log = logs
    if not args.out:
        return _list(args)
    kind = figure_kind(name)
    request = load_request(args)
    settings = settings_of(args, request.review, is_arranged=name == "traces")
    snapshot = snapshot_with(request, kind.needs, args.beside, args.method)
    if (why := kind.missing(snapshot)) is not None:
        raise CannotEstimate(f"figure {name}", why)
    with new_file(args.out, force=args.force) as temporary:
        drawn = write_figure(
            kind.draw, name, snapshot, settings, temporary, origin=Origin(_command(args, name), as_review(request, args.method))
        )  # fmt: skip
    print(f"{args.out}\n{drawn.caption}\n(in words: {drawn.alt})")
    return 0


def _list(args: argparse.Namespace) -> int:
    """Every figure by name, and what keeps this flight from having it."""
    from replay.figures.registry import figure_kinds

    snapshot = snapshot_with(load_request(args), (), args.beside, args.method)
    for kind in figure_kinds().values():
        why = None if kind.needs else kind.missing(snapshot)
        print(f"{kind.name:<21}{kind.title}{f' — not here: {why}' if why else ''}{f' ({kind.hint})' if kind.hint else ''}")
    return 0


def _command(args: argparse.Namespace, name: str) -> str:
    """The command that makes this figure again."""
    options = (
        ("--preset", args.preset), ("--width", args.width), ("--height", args.height), ("--dpi", args.dpi), ("--from", args.start),
        ("--to", args.stop), ("--at", args.at), ("--out", args.out),
    )  # fmt: skip
    return command_of(args, ["figure", *args.log, name], options)
