"""A hidden folder to work in beside what is being written; what a process that was killed left behind is cleared by the next."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

_MARK = ".in-use"


@contextmanager
def working_folder(place: Path, prefix: str) -> Iterator[Path]:
    """A new hidden folder in `place`, gone again afterwards whatever happened.

    A file in it is locked as long as this process lives, by the system, which lets go of it however the process ends. Folders of
    the same prefix whose file nobody holds are removed first.

    Parameters
    ----------
    place : Path
        An existing folder.
    prefix : str
        Begins the folder's name, behind a dot.

    Raises
    ------
    OSError
        `place` can't be written.
    """
    for left in place.glob(f".{_literal(prefix)}*/{_MARK}"):
        _clear(left)
    folder = Path(tempfile.mkdtemp(prefix=f".{prefix}", dir=place))
    try:
        with (folder / _MARK).open("wb") as mark:
            with suppress(OSError):  # a file system without locks: the mark stays empty, and nothing is taken for left behind
                _lock(mark)
                mark.write(b"locked")
                mark.flush()
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _literal(prefix: str) -> str:
    """The prefix as a pattern that stands for itself only."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in prefix)


def _clear(mark: Path) -> None:
    """Remove the folder of a mark that was locked once and that nobody holds now."""
    with suppress(OSError):
        with mark.open("r+b") as file:
            _lock(file)
            if not file.read(1):  # its process is only just about to lock it
                return
        shutil.rmtree(mark.parent, ignore_errors=True)


def _lock(file: IO[bytes]) -> None:
    """Hold an open file for this process alone. OSError where another holds it or the file system has no locks."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
