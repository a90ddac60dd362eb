"""A hidden folder to work in beside what is being written, and files that take their places together.

What a process that was killed left behind is cleared by the next.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from replay.errors import SettingsError

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


@contextmanager
def new_set(folder: Path, names: Sequence[str]) -> Iterator[Path]:
    """A hidden folder to write files of these names in; all of them take their places in `folder` together when the block ends well.

    Whatever fails before that, or a file that can't take its place, leaves the files of an earlier run as they were, all of them.
    `folder` is made where it is not there, and gone again where nothing came of it.
    """
    made = [path for path in (folder, *folder.parents) if not path.exists()]
    expected = "a folder that can be written"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with working_folder(folder, "plumbline-") as temporary:
            expected = "room and a place that can be written"
            yield temporary
            _take_places(temporary, folder, names)
    except OSError as error:
        raise SettingsError(str(folder), "folder", expected, error.strerror or str(error)) from None
    finally:
        for path in made:
            with suppress(OSError):  # it holds something: it stays
                path.rmdir()


def _take_places(temporary: Path, folder: Path, names: Sequence[str]) -> None:
    """Renames only, so that there is hardly a moment between the first and the last; undone where one of them fails."""
    aside = temporary / "before"
    aside.mkdir()
    taken: list[str] = []
    try:
        for name in names:
            (temporary / name).chmod(0o644)
            if (folder / name).exists():
                shutil.copy2(folder / name, aside / name)
            (temporary / name).replace(folder / name)
            taken.append(name)
    except OSError as error:
        for name in taken:
            (folder / name).unlink(missing_ok=True)
            if (aside / name).exists():
                (aside / name).replace(folder / name)
        raise SettingsError(str(folder / names[len(taken)]), "folder", "a file that can be written", error.strerror or str(error)) from None


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
