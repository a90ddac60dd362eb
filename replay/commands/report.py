"""`plumbline report LOG-or-REVIEW --out DIR`: the write-up of one flight as HTML and PDF, and its tables."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from pathlib import Path

from replay.commands._figure_input import add_material, command_of, snapshot_with, tell
from replay.commands._shared import add_common, as_review, load_request, new_set
from replay.errors import SettingsError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    add_material(parser)
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for report.html and report.pdf; made if it does not exist")
    parser.add_argument(
        "--job", metavar="TEXT", default="", help="what the flight was for (default: the review's notes on the whole of it)"
    )
    parser.add_argument("--data", choices=("csv", "parquet"), help="also write estimate, channels, events and findings as tables")
    parser.add_argument("--method", metavar="M", help="estimator (default: the review's, else smoother)")
    parser.add_argument("--quick", action="store_true", help="neither reconcile nor fly again: no calibration and re-fly sections")
    parser.add_argument("--force", action="store_true", help="write over existing files")


def run(args: argparse.Namespace) -> int:
    """Estimate, explain, reconcile, fly again; then write what was found."""
    from replay.figures.material import CAMPAIGN, EXPLAINED, RECONCILIATION, REFLOWN
    from replay.figures.report import Numbering
    from replay.figures.report_content import ReportRequest, report_of
    from replay.figures.report_html import html_of
    from replay.figures.report_pdf import write_pdf
    from replay.review import tables

    folder = Path(args.out)
    names = ["report.html", "report.pdf", *(f"{table}.{args.data}" for table in (tables.NAMES if args.data else ()))]
    _check(folder, names, force=args.force)
    request = load_request(args)
    wanted = [EXPLAINED, CAMPAIGN, *([] if args.quick else [RECONCILIATION, REFLOWN])]
    snapshot = snapshot_with(request, wanted, args.beside, args.method)
    review = as_review(request, args.method)
    report = report_of(ReportRequest(snapshot, review, args.job, _command(args)))
    numbering = Numbering()
    with new_set(folder, names) as place:  # all of one run, or all of the run before
        page = html_of(report, snapshot, numbering=numbering, progress=tell)
        (place / "report.html").write_text(page, encoding="utf-8", newline="\n")
        write_pdf(report, snapshot, place / "report.pdf", numbering=numbering, progress=tell)
        for table in tables.NAMES if args.data else ():
            tables.write(tables.table_of(table, snapshot), place / f"{table}.{args.data}")
    tell(1.0, "done")
    written, older = [str(folder / name) for name in names], _older(folder, names, tables.NAMES)
    if args.json:
        print(json.dumps({"written": written, "left_from_before": older}, indent=2, ensure_ascii=False))
    else:
        print("\n".join([*written, *([f"left as they were, of an earlier run: {', '.join(older)}"] if older else [])]))
    return 0


def _older(folder: Path, names: list[str], tables: Iterable[str]) -> list[str]:
    """Tables in the folder that this run did not write."""
    candidates = (folder / f"{table}.{suffix}" for table in tables for suffix in ("csv", "parquet"))
    return [str(path) for path in candidates if path.name not in names and path.exists()]


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
