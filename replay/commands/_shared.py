"""What several commands share: the common options, loading what they name, and writing files safely."""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from replay.errors import SettingsError


def add_common(parser: argparse.ArgumentParser, *, log: bool = True) -> None:
    """The options every command on a log takes."""
    if log:
        parser.add_argument("log", nargs="+", help="log file (several files of one flight are merged), or a .review.json")
    parser.add_argument("--columns", metavar="MAP", help="column map (TOML); without it the columns are guessed")
    parser.add_argument("--vehicle", metavar="V", help="vehicle file (TOML)")
    parser.add_argument("--calibration", metavar="C", help="calibration file (TOML); without it nothing is corrected")
    parser.add_argument("--pad-azimuth", metavar="DEG", type=float, help="declared azimuth of body +x on the pad, clockwise from north")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


@contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool, option: str = "--out") -> Iterator[Path]:
    """A temporary file beside `path` that takes its name only when the block ends well. Refuses to write over without `force`."""
    target = Path(path)
    if target.exists() and not force:
        raise SettingsError(str(target), option, "a file that does not exist yet (or --force)", "an existing file")
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=target.suffix, dir=target.parent or Path())
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
