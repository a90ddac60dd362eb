"""`plumbline report LOG-or-REVIEW --out DIR`: the write-up of one flight as HTML and PDF, and its tables."""

from __future__ import annotations

import argparse
import json
import threading
from pathlib import Path
from typing import Any

from replay.commands._figure_input import add_material, command_of, tell
from replay.commands._shared import add_common, as_review, load_request, snapshot_of
from replay.errors import SettingsError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    add_material(parser)
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for report.html and report.pdf; made if it does not exist")
    parser.add_argument(
        "--job",
        metavar="TEXT",
        default="",
        help="what the flight was for (default: as chosen in the review, else its notes on the whole flight)",
    )
    parser.add_argument(
        "--data",
        choices=("csv", "parquet", "none"),
        help="also write estimate, channels, events and findings as tables (default: as the review has it, else none)",
    )
    parser.add_argument("--method", metavar="M", help="estimator (default: the review's, else smoother)")
    parser.add_argument("--quick", action="store_true", help="neither reconcile nor fly again: no calibration and re-fly sections")
    parser.add_argument("--force", action="store_true", help="write over existing files")


def run(args: argparse.Namespace) -> int:
    """Estimate, explain, reconcile, fly again; then write what was found."""
    from replay.figures.beside import named_beside
    from replay.figures.report_work import ReportJob, report_settings_of, write_report
    from replay.review.review import thaw

    folder, stated = Path(args.out), _stated(args)
    _check(folder, report_settings_of(stated).file_names, force=args.force)
    request = load_request(args)
    review = as_review(request, args.method)
    settings = report_settings_of({**thaw(review.report_settings), **stated})
    _check(folder, settings.file_names, force=args.force)  # of a review that asks for tables there are more
    beside = args.beside or named_beside(review)
    job = ReportJob(snapshot_of(request, args.method), review, settings, folder, _command(args), beside, args.method)
    made = write_report(job, tell, threading.Event())
    if args.json:
        print(json.dumps({"written": made.written, "left_from_before": made.left_from_before}, indent=2, ensure_ascii=False))
    else:
        left = f"left as they were, of an earlier run: {', '.join(made.left_from_before)}"
        print("\n".join([*made.written, *([left] if made.left_from_before else [])]))
    return 0


def _stated(args: argparse.Namespace) -> dict[str, Any]:
    """Choices given on the command line, which go before those of the review."""
    return {
        **({"job": args.job} if args.job else {}),
        **({"tables": "" if args.data == "none" else args.data} if args.data else {}),
        **({"has_reconciled": False, "has_reflown": False} if args.quick else {}),
    }


def _check(folder: Path, names: list[str], *, force: bool) -> None:
    """Refuse before minutes of work, not after."""
    if folder.exists() and not folder.is_dir():
        raise SettingsError(str(folder), "--out", "a folder", "a file")
    there = [name for name in names if (folder / name).exists()]
    if there and not force:
        raise SettingsError(str(folder / there[0]), "--out", "a file that does not exist yet (or --force)", "an existing file")


def _command(args: argparse.Namespace) -> str:
    options = (("--job", args.job or None), ("--data", args.data), ("--out", args.out))
    return command_of(args, ["report", *args.log, *(["--quick"] if args.quick else [])], options)
