"""Recordings made by others, beside the project and never in it. Tests that need one skip, by name, where it is absent."""

from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[1] / "../shared/data"


def shared_data(name: str) -> Path:
    """Path of a recording, or a skip that names it."""
    path = (FOLDER / name).resolve()
    if not path.exists():
        pytest.skip(f"recording {name!r} is not at hand (looked in {FOLDER})")
    return path
