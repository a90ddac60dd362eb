"""`plumbline sample DIR`: the sample flights as files, with their truth."""

from __future__ import annotations

import argparse
from pathlib import Path

from replay.commands._shared import new_file
from replay.errors import SettingsError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `plumbline sample`."""
    parser.add_argument("folder", metavar="DIR", help="where to write; made if it does not exist")
    parser.add_argument("--compact", action="store_true", help="truth at 20 rows a second instead of every inertial sample")
    parser.add_argument("--force", action="store_true", help="write over files that are there")


def run(args: argparse.Namespace) -> int:
    """Write every sample flight and say what was written."""
    from replay.whatif import sample, sample_files

    folder = Path(args.folder)
    if not args.force:
        for path in (folder / "README.md", *(folder / name for name in sample.NAMES)):
            if path.exists():
                raise SettingsError(str(path), "DIR", "a folder without sample flights (or --force)", "one that has them")
    flights = []
    try:
        for name in sample.NAMES:
            flights.append(sample.make(name))
            (folder / name).mkdir(parents=True, exist_ok=True)
            written = sample_files.writers(flights[-1], is_compact=args.compact)
            for file, write in written.items():
                with new_file(folder / name / file, force=args.force) as path:
                    write(path)
            print(f"{folder / name}: {', '.join(written)}")
        with new_file(folder / "README.md", force=args.force) as path:
            path.write_text(sample_files.readme_text(flights), encoding="utf-8", newline="\n")
    except OSError as error:
        raise SettingsError(str(error.filename or folder), "DIR", "a folder that can be written", error.strerror or str(error)) from None
    print(folder / "README.md")
    return 0
