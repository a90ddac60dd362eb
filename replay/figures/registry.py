"""Every figure by name: what it shows, what it needs, and the function that draws it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from replay.errors import SettingsError
from replay.figures import flight_figures
from replay.figures.export import Draw
from replay.review.snapshot import Snapshot


@dataclass(frozen=True)
class FigureKind:
    """One row. `missing` says in words what a snapshot lacks for it, or gives None."""

    name: str
    title: str
    draw: Draw
    missing: Callable[[Snapshot], str | None]


def _nothing(snapshot: Snapshot) -> str | None:
    return None


def _channel(name: str, words: str) -> Callable[[Snapshot], str | None]:
    def missing(snapshot: Snapshot) -> str | None:
        return None if name in snapshot.log else f"the log has no {words}"

    return missing


_KINDS = (
    FigureKind("overview", "flight overview", flight_figures.overview, _nothing),
    FigureKind("attitude", "attitude as flown against what-if", flight_figures.attitude, _nothing),
    FigureKind("plumb-circle", "where the nose pointed around vertical", flight_figures.plumb_circle, _nothing),
    FigureKind("path", "path in plan and elevation", flight_figures.path, _nothing),
    FigureKind("gimbal", "gimbal and response", flight_figures.gimbal, _channel("gimbal_command_rad", "gimbal command")),
    FigureKind("spectrum", "spectrum through the burn", flight_figures.spectrum, _nothing),
    FigureKind("power", "power and temperature", flight_figures.power, _nothing),
    FigureKind("traces", "traces as arranged", flight_figures.traces, _nothing),
)


def figure_kinds() -> dict[str, FigureKind]:
    """Name -> FigureKind, in the order of a write-up."""
    return {kind.name: kind for kind in _KINDS}


def figure_kind(name: str) -> FigureKind:
    """One figure by name; SettingsError names the nearest where there is none."""
    import difflib

    kinds = figure_kinds()
    if name not in kinds:
        near = difflib.get_close_matches(name, kinds, 1)
        raise SettingsError("figure", name, f"one of {', '.join(kinds)}", f"{name}{f' (did you mean {near[0]}?)' if near else ''}")
    return kinds[name]
