"""What the user's own machine remembers between sessions: recent files, window layout, and the column map of every logger seen.

Everything lies in one folder of the user's (settings) and one more (recovery copies); tests hand in their own.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from platformdirs import user_config_path, user_data_path
from PySide6.QtCore import QByteArray, QSettings

from replay.errors import ReplayError
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.columnmap_file import load_column_map, save_column_map

_N_RECENT = 12


@dataclass(frozen=True)
class Folders:
    """Where things are remembered."""

    settings: Path
    data: Path

    @staticmethod
    def of_user() -> Folders:
        """The platform's own places."""
        return Folders(user_config_path("plumbline", appauthor=False), user_data_path("plumbline", appauthor=False))

    @property
    def recovery(self) -> Path:
        return self.data / "recovery"

    @property
    def samples(self) -> Path:
        return self.data / "sample_flights"


class Preferences:
    """Reading never fails: what can't be read counts as never remembered."""

    def __init__(self, folders: Folders | None = None) -> None:
        self.folders = folders or Folders.of_user()
        self.folders.settings.mkdir(parents=True, exist_ok=True)
        self._settings = QSettings(str(self.folders.settings / "window.ini"), QSettings.Format.IniFormat)

    # --- recent files ---------------------------------------------------------------------------------------------------------

    @property
    def recent(self) -> list[tuple[str, ...]]:
        """Files opened before, newest first; each entry the files of one flight, or one review."""
        try:
            entries = json.loads(str(self._settings.value("recent", "[]")))
            return [tuple(str(path) for path in entry) for entry in entries]
        except (ValueError, TypeError):
            return []

    def add_recent(self, paths: Sequence[str | os.PathLike[str]]) -> None:
        """Put one at the top."""
        entry = tuple(str(Path(path).resolve()) for path in paths)
        entries = [entry, *(other for other in self.recent if other != entry)]
        self._settings.setValue("recent", json.dumps(entries[:_N_RECENT]))

    def clear_recent(self) -> None:
        """Forget them all."""
        self._settings.remove("recent")

    # --- window layout --------------------------------------------------------------------------------------------------------

    def layout(self, name: str) -> QByteArray | None:
        """A remembered geometry or splitter state."""
        value = self._settings.value(f"layout/{name}")
        return value if isinstance(value, QByteArray) else None

    def keep_layout(self, name: str, state: QByteArray) -> None:
        """Remember one."""
        self._settings.setValue(f"layout/{name}", state)

    def forget_layout(self) -> None:
        """Every panel back to its place at the next start."""
        self._settings.remove("layout")

    def value(self, name: str, default: Any) -> Any:
        """A small choice (text)."""
        return self._settings.value(name, default)

    def keep(self, name: str, value: Any) -> None:
        """Remember a small choice."""
        self._settings.setValue(name, value)

    # --- loggers --------------------------------------------------------------------------------------------------------------

    def _map_file(self, signature: str) -> Path:
        return self.folders.settings / "column_maps" / f"{signature}.toml"

    def column_map_for(self, headers: Sequence[tuple[str, Sequence[str]]]) -> ColumnMap | None:
        """The map the user settled on for a logger with these headers; None at first sight of it.

        Parameters
        ----------
        headers : sequence of (file name, column headers)
            In the order of the files. File names in the remembered map are put on these files, in order.
        """
        path = self._map_file(signature_of(headers))
        if not path.exists():
            return None
        try:
            remembered = load_column_map(path, may_be_edited=False)
            names = json.loads(path.with_suffix(".files").read_text(encoding="utf-8"))
        except (ReplayError, OSError, ValueError):
            return None
        return renamed(remembered, dict(zip(names, (name for name, _ in headers), strict=False)))

    def keep_column_map(self, headers: Sequence[tuple[str, Sequence[str]]], column_map: ColumnMap) -> None:
        """The next flight of this logger is read the same way, unasked."""
        path = self._map_file(signature_of(headers))
        path.parent.mkdir(parents=True, exist_ok=True)
        save_column_map(column_map, path)
        path.with_suffix(".files").write_text(json.dumps([name for name, _ in headers]), encoding="utf-8")


def signature_of(headers: Sequence[tuple[str, Sequence[str]]]) -> str:
    """What tells one logger from another: the headers of its files, in order, whatever the files are called."""
    text = "\x1e".join("\x1f".join(columns) for _, columns in headers)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def renamed(column_map: ColumnMap, names: dict[str, str]) -> ColumnMap:
    """A column map with its files called otherwise; "" (one file) stays."""
    return replace(
        column_map,
        columns=tuple(replace(entry, file=names.get(entry.file, entry.file)) for entry in column_map.columns),
        files=tuple(replace(entry, file=names.get(entry.file, entry.file)) for entry in column_map.files),
    )
