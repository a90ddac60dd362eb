"""`plumbline reconcile LOG`: the calibration that makes the record agree with itself and with what was observed."""

from __future__ import annotations

import argparse
import json
import sys

from replay.commands._shared import add_common, load_request, new_file
from replay.errors import SettingsError
from replay.whatif.unknowns import DEFAULT_FREE, in_groups, members_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    parser.add_argument("--evidence", metavar="E", help="evidence file (TOML): rail, touchdown, apogee, sightings, priors")
    parser.add_argument(
        "--free",
        metavar="NAME",
        type=_member,
        action="append",
        default=[],
        help="solve for this too: accelerometer scale, accelerometer cross-axis, accelerometer temperature slope, gyro temperature slope, "
        "mount rotation, or one of a group (mount rotation x)",
    )
    parser.add_argument(
        "--pin",
        metavar="NAME",
        type=_member,
        action="append",
        default=[],
        help="leave as flown: pad tilt, accelerometer bias, gyro bias, gyro scale, barometer, or one of a group (gyro scale z)",
    )
    parser.add_argument("--out", metavar="C", help="calibration file to write, with standard deviations")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Solve, print, save."""
    from replay.cautions import CAUTION_LINE
    from replay.sensors.calibration import save_calibration
    from replay.whatif.evidence import load_evidence
    from replay.whatif.reconcile import reconcile
    from replay.whatif.reconcile_report import as_dict, as_text, calibration_file

    request = load_request(args)
    evidence = load_evidence(args.evidence) if args.evidence else None
    free = members_of((*DEFAULT_FREE, *args.free)) - members_of(args.pin)
    result = reconcile(
        request.log, request.vehicle, evidence, request.calibration, free=in_groups(free), site=request.site, settings=request.settings,
        mount=request.mount, progress=_progress if sys.stderr.isatty() else None,
    )  # fmt: skip
    if args.out:
        with new_file(args.out, force=args.force) as temporary:
            save_calibration(calibration_file(result), temporary)
    if args.json:
        print(json.dumps(as_dict(result), indent=2, ensure_ascii=False))
    else:
        print(as_text(result))
        if args.out:
            print(f"\nwritten: {args.out}")
        print(f"\n{CAUTION_LINE}")
    return 0


def _member(text: str) -> str:
    """The name of what can be freed or pinned, wrong usage where it is none."""
    try:
        members_of((text,))
    except SettingsError as error:
        raise argparse.ArgumentTypeError(f"expected {error.expected}, got {error.got}") from None
    return text


def _progress(share: float, text: str) -> None:
    print(f"\r{100 * share:3.0f} % {text:<40}", end="\n" if share >= 1.0 else "", file=sys.stderr)
