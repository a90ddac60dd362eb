"""The sample flights as files the window can open, and the one line that says what to try with each."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from replay import __version__
from replay.desktop.reading import ReadRequest

FIRST: Final = "crooked_bench"
"""What a first start opens."""

_BESIDE_THE_PACKAGE = Path(__file__).resolve().parents[2] / "sample_logs"
_BY_HAND = ("crooked_bench", "fast_roll", "hot_day")
"""Opened with the gyro alone, so that a calibration number dragged by hand is the only correction there is."""
_LOG, _VEHICLE = "flight.csv", "vehicle.toml"

HINTS: Final = {
    "clean": "Nothing is wrong here: the flight to compare the others with. Space plays it, Left and Right step by one sample.",
    "crooked_bench": (
        "Sample flight, invented: zeroed on a crooked bench. Drag accelerometer bias x to −0.36 and y to +0.26 m/s² and watch the plumb "
        "circle: vertical was 2.6° off. Then fly it again (Re-fly)."
    ),
    "fast_roll": "Sample flight, invented: it rolls fast and its roll gyro reads too little. Drag gyro scale z to 1.014 and watch roll.",
    "troubled_logger": "Sample flight, invented: the logger was in trouble. Ctrl+I shows all that was found and what was done about it.",
    "hot_day": "Sample flight, invented: the sensor was hot and drifting. Open the bias slopes in the Estimator and try them.",
    "late_chute": "Sample flight, invented: the parachute came late. Ctrl+Right jumps from event to event.",
    "soft_gimbal": "Sample flight, invented: the gimbal was slow and tired. Look at gimbal command against rate in the traces.",
    "weak_motor": "Sample flight, invented: the thrust was a fifth below its curve. Look at the specific force along the vehicle in boost.",
}


def names() -> tuple[str, ...]:
    """All sample flights, in the order of the campaign."""
    from replay.whatif.sample import NAMES

    return tuple(NAMES)


def title_of(name: str) -> str:
    """ "Crooked bench"."""
    return name.replace("_", " ").capitalize()


def request_for(name: str, folder: Path) -> ReadRequest:
    """Where a sample flight's files are; made, on the caller's thread, in `folder` where the package does not hold them."""
    home = _BESIDE_THE_PACKAGE / name
    if not (home / _LOG).exists():
        home = folder / f"{__version__}" / name
        if not (home / _VEHICLE).exists():
            _write(name, home)
    method = "integrate" if name in _BY_HAND else None
    return ReadRequest((str(home / _LOG),), is_known=True, vehicle_path=str(home / _VEHICLE), method=method, is_made=True)


def _write(name: str, home: Path) -> None:
    """The log first and the vehicle file last: only with both there is the folder taken for whole."""
    from replay.whatif import sample, sample_files

    home.mkdir(parents=True, exist_ok=True)
    writers = sample_files.writers(sample.make(name), is_compact=True)
    for file in sorted(writers, key=_VEHICLE.__eq__):
        writers[file](home / file)
