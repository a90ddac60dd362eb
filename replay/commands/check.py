"""`plumbline check LOG…`: what was read, and what is wrong with it."""

from __future__ import annotations

import argparse
import json
import sys

from replay.commands._shared import add_common, load_request, new_file


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    parser.add_argument(
        "--save-columns", metavar="F", help="write the column map as it was guessed or given, to edit and use with --columns"
    )
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Print the audit. Exit code 1 where the log can't carry an estimate, with one line that says why."""
    from replay.flightlog import save_column_map
    from replay.flightlog.audit import as_dict, audit_text, problems

    request = load_request(args)
    log, mount = request.log, request.mount
    if args.save_columns:
        with new_file(args.save_columns, force=args.force, option="--save-columns") as temporary:
            save_column_map(log.column_map, temporary)
    if args.json:
        print(json.dumps({**as_dict(log), "mount": mount.as_dict()}, indent=2, ensure_ascii=False))
    else:
        print(audit_text(log))
        print(f"mount: {mount.note}")
        if args.save_columns:
            print(f"\nwritten: {args.save_columns}")
    found = problems(log)
    if found:
        column = f", column {found[0].column!r}" if found[0].column else ""
        print(f"plumbline check: {', '.join(log.paths)}{column}: {found[0].text}", file=sys.stderr)
    return 1 if found else 0
