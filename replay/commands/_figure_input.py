"""What `figure` and `report` share: the snapshot with what was asked for beside it, figure settings, and the command in full."""

from __future__ import annotations

import argparse
import dataclasses
import shlex
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replay.commands._shared import LogRequest, as_review, load_request, snapshot_of

if TYPE_CHECKING:
    from replay.figures.style import FigureSettings
    from replay.review.review import Review
    from replay.review.snapshot import Snapshot


def add_material(parser: argparse.ArgumentParser) -> None:
    """Options for what goes beside the flight."""
    parser.add_argument("--evidence", metavar="E", help="evidence file (TOML) for the reconciliation")
    parser.add_argument("--beside", metavar="LOG", action="append", default=[], help="another flight of a campaign; may be given again")


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
    if is_arranged and review is not None and not settings.panes:
        settings = arranged(settings, review.trace_arrangement)
    return settings


def snapshot_with(request: LogRequest, wanted: Iterable[str], beside: Sequence[str], method: str | None = None) -> Snapshot:
    """The flight, with what is wanted worked out and the other flights beside it; what can't be had says why in the snapshot."""
    from replay.figures.material import CAMPAIGN, gathered

    snapshot = snapshot_of(request, method)
    names = set(wanted)
    others = [other_flight(path, request, method) for path in beside] if beside and CAMPAIGN in names else []
    flights = [(flight_name(request.log.paths[0]), snapshot), *others] if others else []
    return gathered(snapshot, names, as_review(request, method), beside=told_apart(flights), progress=tell)


def other_flight(path: str, beside: LogRequest, method: str | None = None) -> tuple[str, Snapshot]:
    """Another flight of the campaign, explained: a review as it stands, a bare log with the site and vehicle of the flight it is beside."""
    from replay.figures.material import EXPLAINED, gathered
    from replay.review.storage import is_review

    blank = argparse.Namespace(log=[path], columns=None, vehicle=None, calibration=None, pad_azimuth=None)
    request = load_request(blank)
    if not is_review(path):
        request = dataclasses.replace(request, vehicle=beside.vehicle, site=beside.site)
    return path, gathered(snapshot_of(request, method), (EXPLAINED,), as_review(request, method))


def flight_name(path: str) -> str:
    """What a flight is called beside others: the name of its file."""
    return Path(path).name.removesuffix(".review.json").removesuffix(Path(path).suffix)


def told_apart(flights: Sequence[tuple[str, Snapshot]]) -> list[tuple[str, Snapshot]]:
    """Flights by file name, with the folder's before it where two files are named alike."""
    names = [flight_name(path) for path, _ in flights]
    paths = [flight.log.paths[0] for _, flight in flights]
    if len(set(names)) < len(names):
        names = [f"{Path(path).resolve().parent.name}/{name}" for path, name in zip(paths, names, strict=True)]
    return [(name, flight) for name, (_, flight) in zip(names, flights, strict=True)]


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
