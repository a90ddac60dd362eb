"""Recovery copies: what was being worked on when the program or the machine died, to be offered again.

One file a window, in the user's own data folder, rewritten while there are unsaved changes and removed when there are none.
"""

from __future__ import annotations

import datetime
import json
import os
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from replay.errors import SettingsError
from replay.review.review import Review
from replay.review.storage import review_of, review_text
from replay.settings_file import write_whole

SUFFIX: Final = ".recovery.json"


@dataclass(frozen=True)
class Recovered:
    """One copy left behind.

    Parameters
    ----------
    file : Path
        Of the copy.
    review : Review
    review_path : str or None
        Where the review itself is saved; None where it never was.
    written_at : str
        ISO 8601, local time with offset.
    """

    file: Path
    review: Review
    review_path: str | None
    written_at: str


class RecoveryCopy:
    """The copy of one window. `folder` is made when first needed."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / f"{uuid.uuid4().hex}{SUFFIX}"

    def write(self, review: Review, review_path: str | os.PathLike[str] | None) -> None:
        """Put the current state aside. A full disk or a folder that can't be written raises OSError; nothing is lost by it."""
        self.file.parent.mkdir(parents=True, exist_ok=True)
        content = {
            "review_path": None if review_path is None else str(Path(review_path).resolve()),
            "written_at": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
            "review": json.loads(review_text(review, self.file.parent)),
        }
        write_whole(self.file, json.dumps(content, indent=1, ensure_ascii=False))

    def discard(self) -> None:
        """Nothing is unsaved any more."""
        self.file.unlink(missing_ok=True)


def left_behind(folder: Path, but: Path | None = None) -> list[Recovered]:
    """Copies in a folder, newest first, without `but`. One that can't be read (a write cut off, another version) is passed over."""
    found = []
    for file in folder.glob(f"*{SUFFIX}"):
        if file == but:
            continue
        try:
            content = json.loads(file.read_text(encoding="utf-8"))
            review = review_of(json.dumps(content["review"]), str(file), folder)
            found.append(Recovered(file, review, content["review_path"], content["written_at"]))
        except (OSError, ValueError, KeyError, TypeError, SettingsError):
            continue
    return sorted(found, key=lambda recovered: recovered.written_at, reverse=True)
