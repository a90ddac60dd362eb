"""The `plumbline` command: one module of `replay.commands` per sub-command, loaded when it is used."""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence
from contextlib import nullcontext

from replay import __version__
from replay.errors import ReplayError, WrongUsage

# command -> one-line help, in the order of a review. The module of the same name has `add_arguments(parser)` and `run(args) -> int`.
COMMANDS = {
    "open": "the desktop window; with nothing, the sample flight",
    "check": "what was read: columns, units, rates, gaps, clipping, stuck channels",
    "estimate": "attitude and trajectory as CSV or Parquet",
    "reconcile": "solve for the calibration that makes the record agree with itself and with what was observed",
    "refly": "the flight as flown and flown again with another calibration, side by side",
    "compare": "flights of a campaign on one time axis, or a flight and a prediction",
    "bench": "calibration and noise work on bench recordings",
    "figure": "one figure of a review as PDF, SVG or PNG",
    "report": "the write-up as HTML and PDF, with tables of the data",
    "film": "the replay as a video",
    "sample": "write the sample flights with their truth",
}


_SPEAK_FOR_THEMSELVES = ("open",)
"""Commands that show by other means what a first start waits for."""


def _parser(command: str | None) -> argparse.ArgumentParser:
    """Parser with the arguments of `command` only, so that `--help` loads nothing heavy."""
    parser = argparse.ArgumentParser(prog="plumbline", description="Flight replay and attitude tool for guided model rockets.")
    parser.add_argument("--version", action="version", version=f"plumbline {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, text in COMMANDS.items():
        subparser = subparsers.add_parser(name, help=text, description=text)
        if name == command:
            importlib.import_module(f"replay.commands.{name}").add_arguments(subparser)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point. Exit codes: 0 done, 1 input lacking or output refused (one line says why), 2 wrong usage, 130 interrupted."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    command = next((a for a in arguments if not a.startswith("-")), None)
    args = _parser(command if command in COMMANDS else None).parse_args(arguments)
    from replay.commands.preparing import saying_what_is_prepared

    try:
        with nullcontext() if args.command in _SPEAK_FOR_THEMSELVES else saying_what_is_prepared(args.command):
            return int(importlib.import_module(f"replay.commands.{args.command}").run(args))
    except WrongUsage as error:
        print(f"plumbline {args.command}: {error}", file=sys.stderr)
        return 2
    except ReplayError as error:
        print(f"plumbline {args.command}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print(f"\nplumbline {args.command}: stopped", file=sys.stderr)
        return 130  # what a shell reports of a command that was interrupted (POSIX: 128 + the signal's number)
    except BrokenPipeError:
        return 0


if __name__ == "__main__":
    sys.exit(main())
