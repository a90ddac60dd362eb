"""The few errors Plumbline raises on purpose, each carrying its parts so that a window, a terminal and a test can all read them."""

from __future__ import annotations

from dataclasses import dataclass


class ReplayError(Exception):
    """Anything the user can act on. `str(error)` is one line that says what was expected, what came, and where."""


@dataclass(eq=False)
class LogReadError(ReplayError):
    """A log file can't be read.

    Parameters
    ----------
    path : str
    row : int or None
        1-based line of the file; None where no single line is to blame.
    column : str or None
    expected, got : str
    """

    path: str
    row: int | None
    column: str | None
    expected: str
    got: str

    def __str__(self) -> str:
        where = [self.path]
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column is not None:
            where.append(f"column {self.column!r}")
        return f"{', '.join(where)}: expected {self.expected}, got {self.got}"


@dataclass(eq=False)
class SettingsError(ReplayError):
    """A calibration, vehicle, evidence, column-map or review file says something it can't mean."""

    path: str
    key: str
    expected: str
    got: str

    def __str__(self) -> str:
        return f"{self.path}, {self.key!r}: expected {self.expected}, got {self.got}"


class WrongUsage(SettingsError):
    """A command was asked for something that no input could give."""


@dataclass(eq=False)
class CannotEstimate(ReplayError):
    """The record can't carry what was asked of it."""

    request: str
    reason: str

    def __str__(self) -> str:
        return f"{self.request}: {self.reason}"


class Cancelled(ReplayError):
    """The user stopped a long piece of work; nothing was changed."""
