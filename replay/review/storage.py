"""Reviews on disk: `.review.json`, versioned, strict, written whole or not at all. Nothing in one is ever executed.

In the file, logs and other files are named relative to the review wherever that is possible, with their size and hash, so that a
review can be moved or handed on together with them. Angles are in degrees and temperatures in °C there, and their names say so.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from replay.errors import SettingsError
from replay.review.document import FORMAT, SCHEMA, document_of, review_of_document
from replay.review.review import Review
from replay.settings_file import FORMAT as _SETTINGS_FORMAT
from replay.settings_file import checked, write_whole

SUFFIX: Final = ".review.json"

Migration = Callable[[dict[str, Any]], dict[str, Any]]
MIGRATIONS: Final[Mapping[int, Migration]] = {
    1: dict
}  # format 2 may hold evidence of its own (`observed`), what is `freed`, `refly`, `launch_video`
"""Version n -> what makes version n + 1 of it. For each there is a sample in `tests/review/samples` that a test keeps opening."""


def is_review(path: str | os.PathLike[str]) -> bool:
    """Whether a file is named as a review."""
    return os.fspath(path).lower().endswith(SUFFIX)


def save_review(review: Review, path: str | os.PathLike[str]) -> None:
    """Write a review whole and wait until the disk has it. Whether a file may be written over is the caller's question.

    Raises
    ------
    SettingsError
        The place can't be written.
    """
    try:
        write_whole(path, review_text(review, Path(path).resolve().parent), is_durable=True)
    except OSError as error:
        raise SettingsError(os.fspath(path), "file", "a place that can be written", error.strerror or str(error)) from None


def load_review(path: str | os.PathLike[str]) -> Review:
    """Read a review; paths in it become absolute.

    Raises
    ------
    SettingsError
        Not readable, not JSON, written by a newer Plumbline, or anything it can't mean (the key is named, and the nearest known one).
    """
    name = os.fspath(path)
    try:
        content = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingsError(name, "file", "a review that can be read", error.strerror or str(error)) from None
    except UnicodeDecodeError as error:
        raise SettingsError(name, "file", "UTF-8 text", f"byte {error.start} that is not") from None
    return review_of(content, name, Path(path).resolve().parent)


def review_text(review: Review, folder: Path) -> str:
    """The file's text, for a review standing in `folder`."""
    return json.dumps(document_of(review, folder), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def review_of(content: str, name: str, folder: Path) -> Review:
    """The review of a file's text; `name` stands for the file in errors, `folder` is what its paths are relative to.

    Raises
    ------
    SettingsError
        Not JSON, a version from the future, or a value that does not fit; the key is named.
    """
    try:
        data = json.loads(content, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise SettingsError(name, "file", "JSON", str(error)) from None
    if not isinstance(data, dict):
        raise SettingsError(name, "file", "a JSON object", type(data).__name__)
    data = upgraded(data, name)
    required = ("logs", "as_flown", "estimator.method")
    # the settings-file checks carry their own format number; the review's has just been held to this version
    return review_of_document(checked({**data, "format": _SETTINGS_FORMAT}, SCHEMA, name, required=required), name, folder)


def upgraded(data: dict[str, Any], name: str, migrations: Mapping[int, Migration] = MIGRATIONS, newest: int = FORMAT) -> dict[str, Any]:
    """A document of any known version as one of the newest; a newer one is refused.

    Raises
    ------
    SettingsError
        No version, or one from the future.
    """
    version = data.get("format")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise SettingsError(name, "format", f"a whole number from 1 to {newest}", "nothing" if version is None else repr(version))
    if version > newest:
        made_by = data.get("made_by", "a newer Plumbline")
        raise SettingsError(
            name, "format", f"{newest} or older: this review was made by {made_by}, please open it with that or a newer one", str(version)
        )
    while version < newest:
        data = {**migrations[version](data), "format": version + 1}
        version += 1
    return data


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number JSON knows")
