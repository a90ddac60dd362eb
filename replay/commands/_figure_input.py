"""What `figure` and `report` share: the snapshot with what was asked for beside it, figure settings, and the command in full."""

from __future__ import annotations

import argparse
import dataclasses
import shlex
import sys
import threading
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from replay.commands._shared import LogRequest, as_review, snapshot_of

if TYPE_CHECKING:
    from replay.figures.style import FigureSettings
    from replay.review.review import Review
    from replay.review.snapshot import Snapshot


def add_material(parser: argparse.ArgumentParser) -> None:
    """Options for what goes beside the flight."""
    parser.add_argument("--evidence", metavar="E", help="evidence file (TOML) for the reconciliation")
    parser.add_argument(
        "--beside",
        metavar="LOG",
        action="append",
        default=[],
        help="another flight of a campaign; may be given again (a report takes those of the review where none is given)",
    )


def settings_of(args: argparse.Namespace, review: Review | None, *, is_arranged: bool = False) -> FigureSettings:
    """The review's figure settings, what the command states before them; `is_arranged` takes the panes from the review's traces."""
    from replay.figures.arranged import arranged
    from replay.figures.style import settings_from

    settings = settings_from(review.figure_settings if review is not None else {})
    stated = {
        "preset": args.preset, "width_mm": args.width, "height_mm": args.height, "dpi": args.dpi, "start_s": args.start,
        "stop_s": args.stop, "at_s": tuple(args.at) if args.at else None,
    }  # fmt: skip
    changes: dict[str, Any] = {name: value for name, value in stated.items() if value is not None}
    settings = dataclasses.replace(settings, **changes)
    if is_arranged and review is not None:
        settings = arranged(settings, review.trace_arrangement)
    return settings


def snapshot_with(request: LogRequest, wanted: Iterable[str], beside: Sequence[str], method: str | None = None) -> Snapshot:
    """The flight, with what is wanted worked out and the other flights beside it; what can't be had says why in the snapshot."""
    from replay.figures.beside import with_flights_beside
    from replay.figures.material import CAMPAIGN, gathered

    snapshot = snapshot_of(request, method)
    names = set(wanted)
    if CAMPAIGN in names:
        snapshot = with_flights_beside(snapshot, beside, request.site, tell, threading.Event(), method)
    return gathered(snapshot, names, as_review(request, method), progress=tell)


def command_of(args: argparse.Namespace, words: Sequence[str], options: Iterable[tuple[str, Any]]) -> str:
    """The command that makes something again, with every option that was given."""
    said = ["plumbline", *words]
    common = (
        ("--columns", args.columns), ("--vehicle", args.vehicle), ("--calibration", args.calibration), ("--pad-azimuth", args.pad_azimuth),
        ("--evidence", args.evidence), *(("--beside", path) for path in args.beside), ("--method", args.method),
    )  # fmt: skip
    for option, value in (*common, *options):
        if value is not None:
            said += [option, *(map(str, value) if isinstance(value, list | tuple) else [str(value)])]
    return shlex.join([*said, "--force"])


def tell(share: float, text: str) -> None:
    """Progress on a terminal."""
    if sys.stderr.isatty():
        print(f"\r{100 * share:3.0f} % {text:<60}", end="\n" if share >= 1.0 else "", file=sys.stderr, flush=True)
