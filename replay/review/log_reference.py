"""Log and video files a review is about: told by size and hash, so that they are found again wherever they have been moved to."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

from replay.review.review import LogReference

OnBytes = Callable[[int], None]

_BLOCK_BYTES = 1 << 20


def reference_to(path: str | os.PathLike[str], on_bytes: OnBytes | None = None) -> LogReference:
    """Size and hash of a file, with its absolute path. Reads the whole file once.

    `on_bytes` is called with the number of bytes read so far; what it raises ends the reading.
    """
    absolute = Path(path).resolve()
    digest = hashlib.sha256()
    size = 0
    with absolute.open("rb") as stream:
        while block := stream.read(_BLOCK_BYTES):
            digest.update(block)
            size += len(block)
            if on_bytes is not None:
                on_bytes(size)
    return LogReference(str(absolute), size, digest.hexdigest())


def find_log(reference: LogReference, review_path: str | os.PathLike[str] | None = None, on_bytes: OnBytes | None = None) -> Path | None:
    """The log (or video) a review is about: where it was, else beside the review under the same name, else any file there like it.

    Returns
    -------
    Path or None
        None where no file of that size and hash is at hand: then the user is asked.
    """
    recorded = Path(reference.path)
    candidates = [recorded]
    if review_path is not None:
        folder = Path(review_path).resolve().parent
        candidates.append(folder / recorded.name)
        candidates += sorted(p for p in folder.iterdir() if p.is_file()) if folder.is_dir() else []
    return next((path for path in candidates if is_same_log(reference, path, on_bytes)), None)


def is_same_log(reference: LogReference, path: str | os.PathLike[str], on_bytes: OnBytes | None = None) -> bool:
    """Whether a file has the referenced size and hash; the hash is only taken where the size agrees."""
    try:
        return Path(path).stat().st_size == reference.size_bytes and reference_to(path, on_bytes).sha256 == reference.sha256
    except OSError:
        return False
