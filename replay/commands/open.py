"""`plumbline open`: the desktop window."""

from __future__ import annotations

import argparse
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What to open, and a way back to the first layout."""
    parser.add_argument(
        "paths", nargs="*", metavar="LOG or REVIEW", help="log files of one flight, or a .review.json; none: the sample flight"
    )
    parser.add_argument("--reset-layout", action="store_true", help="every panel back to its place")


def run(args: argparse.Namespace) -> int:
    """Exit code 1 where a named file is not there, before any window is shown."""
    from replay.errors import LogReadError

    for path in args.paths:
        if not Path(path).exists():
            raise LogReadError(path, None, None, "a file or folder that exists", "nothing of that name")
    from replay.desktop import app

    return app.run([str(Path(path).resolve()) for path in args.paths], is_layout_reset=args.reset_layout)
