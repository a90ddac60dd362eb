"""Bytes to FlightLog: any logger's text file, read once, never written to."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from replay.flightlog.columnmap import ColumnMap
    from replay.flightlog.columnmap_file import load_column_map, save_column_map
    from replay.flightlog.log import Channel, FlightLog, Issue
    from replay.flightlog.read import read_log

# Loaded on first use: reading a log's vocabulary must not load what reads logs.
_PUBLIC = {
    "read_log": "read",
    "FlightLog": "log",
    "Channel": "log",
    "Issue": "log",
    "ColumnMap": "columnmap",
    "load_column_map": "columnmap_file",
    "save_column_map": "columnmap_file",
}

__all__ = ["Channel", "ColumnMap", "FlightLog", "Issue", "load_column_map", "read_log", "save_column_map"]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"replay.flightlog.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module 'replay.flightlog' has no attribute {name!r}")
