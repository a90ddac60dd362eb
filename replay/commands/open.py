"""`plumbline open`: the desktop window."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from replay.commands._shared import add_stated
from replay.errors import LogReadError, SettingsError

if TYPE_CHECKING:
    from replay.review.review import Review


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to open, what is stated about it, and a way back to the first layout."""
    parser.add_argument(
        "paths", nargs="*", metavar="LOG or REVIEW", help="log files of one flight, or a .review.json; none: the sample flight"
    )
    add_stated(parser)
    parser.add_argument("--reset-layout", action="store_true", help="every panel back to its place")


def run(args: argparse.Namespace) -> int:
    """Exit code 1 where a named file is not there or can't be read as what it is named for, before any window is shown."""
    for path in args.paths:
        if not Path(path).exists():
            raise LogReadError(path, None, None, "a file or folder that exists", "nothing of that name")
    stated = stated_of(args)
    if not args.paths and (stated or args.columns):
        raise SettingsError("plumbline open", "LOG", "a log that the options are about", "none")
    column_map = None
    if args.columns:
        from replay.flightlog import load_column_map

        column_map = load_column_map(args.columns)
    from replay.desktop import app

    def state(review: Review) -> Review:
        site = stated.get("site", {})
        return dataclasses.replace(review, **{**stated, "site": dataclasses.replace(review.site, **site)})

    paths = [str(Path(path).resolve()) for path in args.paths]
    return app.run(paths, column_map=column_map, state=state if stated else None, is_layout_reset=args.reset_layout)


def stated_of(args: argparse.Namespace) -> dict[str, Any]:
    """Fields of the review that the options state; a calibration is the what-if, as for every command."""
    found: dict[str, Any] = {}
    if args.vehicle:
        from replay.whatif.vehicle import load_vehicle

        load_vehicle(args.vehicle)
        found["vehicle_path"] = str(Path(args.vehicle).resolve())
    if args.calibration:
        from replay.sensors.calibration import load_calibration

        found |= {"what_if": load_calibration(args.calibration), "is_whatif_on": True}
    if args.pad_azimuth is not None:
        from replay.units import DEG

        found["site"] = {"pad_azimuth_rad": args.pad_azimuth * DEG}
    return found
