"""Every figure by name: what it shows, what it needs, and the function that draws it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from replay.errors import WrongUsage
from replay.figures import (
    calibration_figures,
    campaign_differences,
    campaign_figures,
    flight_figures,
    path_figures,
    propulsion_figures,
    scene_figures,
    vibration_figures,
    whatif_figures,
)
from replay.figures.export import Draw
from replay.figures.material import CAMPAIGN, EXPLAINED, RECONCILIATION, REFLOWN, material_of, why_absent
from replay.review.snapshot import Snapshot

Missing = Callable[[Snapshot], str | None]


@dataclass(frozen=True)
class FigureKind:
    """One row.

    Parameters
    ----------
    name, title : str
    draw : callable (figure, snapshot, settings) -> Drawn
    missing : callable (snapshot) -> str or None
        What a snapshot lacks for it, and which option or command gives it; None where nothing is.
    needs : tuple of str
        What `material.gathered` has to work out first.
    """

    name: str
    title: str
    draw: Draw
    missing: Missing
    needs: tuple[str, ...] = ()
    hint: str = ""
    """Which options it takes, for a list."""


def _nothing(snapshot: Snapshot) -> str | None:
    return None


def _channel(words: str, *names: str) -> Missing:
    def missing(snapshot: Snapshot) -> str | None:
        known = any(name in snapshot.log for name in names)
        return None if known else f"the log has no {words}: see what was read with plumbline check, and name a column with --columns"

    return missing


def _material(name: str, otherwise: str) -> Missing:
    def missing(snapshot: Snapshot) -> str | None:
        return why_absent(snapshot, name, otherwise)

    return missing


def _part(name: str, otherwise: str) -> Missing:
    """A part of the explained flight."""

    def missing(snapshot: Snapshot) -> str | None:
        explained = material_of(snapshot, EXPLAINED)
        if explained is None:
            return f"the flight has not been explained: {otherwise}"
        if getattr(explained, name) is not None:
            return None
        return f"{explained.missing.get(name, 'the record does not carry it')} ({otherwise})"

    return missing


_RECONCILED = _material(RECONCILIATION, "nothing has been reconciled: plumbline reconcile does that, or the Reconcile panel")
_FLOWN_AGAIN = _material(REFLOWN, "not flown again: plumbline refly with --vehicle and --calibration does that, or the Re-fly panel")
_CAMPAIGN = _material(CAMPAIGN, "one flight only: name the others with --beside")


def _compared(snapshot: Snapshot) -> str | None:
    return _CAMPAIGN(snapshot) or campaign_differences.why_not_compared(snapshot)


_PROPULSION = _part("propulsion", "a vehicle file gives it: Flight menu, Vehicle File, or --vehicle V")
_GIMBAL = _channel("gimbal command", "gimbal_command_rad")
_POWER = _channel("battery, current or temperature", "battery_v", "current_a", "imu_temperature_k", "air_temperature_k")
_EVIDENCE_HINT, _REFLY_HINT = "with --evidence E where there is one", "with --vehicle V and --calibration C"

_KINDS = (
    FigureKind("overview", "flight overview", flight_figures.overview, _nothing),
    FigureKind("attitude", "attitude as flown against what-if", flight_figures.attitude, _nothing),
    FigureKind("plumb-circle", "where the nose pointed around vertical", path_figures.plumb_circle, _nothing),
    FigureKind("path", "path in plan and elevation", path_figures.path, _nothing),
    FigureKind("path-3d", "path in three dimensions", scene_figures.path_3d, _nothing),
    FigureKind("film-strip", "3D attitudes at chosen times", scene_figures.film_strip, _nothing),
    FigureKind(
        "calibration", "calibration, determined and not", calibration_figures.calibration, _RECONCILED, (RECONCILIATION,), _EVIDENCE_HINT
    ),
    FigureKind(
        "correlation",
        "how what was solved for belongs together",
        calibration_figures.correlation,
        _RECONCILED,
        (RECONCILIATION,),
        _EVIDENCE_HINT,
    ),
    FigureKind("refly", "the flight flown again", whatif_figures.refly, _FLOWN_AGAIN, (REFLOWN,), _REFLY_HINT),
    FigureKind("gimbal", "gimbal and response", flight_figures.gimbal, _GIMBAL),
    FigureKind("thrust", "thrust and drag", propulsion_figures.thrust, _PROPULSION, (EXPLAINED,), "with --vehicle V"),
    FigureKind("spectrum", "spectrum through the burn", vibration_figures.spectrum, _nothing),
    FigureKind("spectrogram", "spectrum over time", vibration_figures.short_time, _nothing),
    FigureKind("power", "power and temperature", flight_figures.power, _POWER),
    FigureKind(
        "campaign",
        "several flights on one time axis",
        campaign_figures.campaign,
        _CAMPAIGN,
        (CAMPAIGN,),
        "with --beside LOG",
    ),
    FigureKind(
        "campaign-differences",
        "several flights, each less the first",
        campaign_differences.differences,
        _compared,
        (CAMPAIGN, EXPLAINED),
        "with --beside LOG",
    ),
    FigureKind(
        "campaign-trends",
        "key figures from flight to flight",
        campaign_differences.trends,
        _compared,
        (CAMPAIGN, EXPLAINED),
        "with --beside LOG",
    ),
    FigureKind("traces", "traces as arranged", flight_figures.traces, _nothing),
)


def figure_kinds() -> dict[str, FigureKind]:
    """Name -> FigureKind, in the order of a write-up."""
    return {kind.name: kind for kind in _KINDS}


def figure_kind(name: str) -> FigureKind:
    """One figure by name; WrongUsage names the nearest where there is none."""
    import difflib

    kinds = figure_kinds()
    if name not in kinds:
        near = difflib.get_close_matches(name, kinds, 1)
        raise WrongUsage("figure", name, f"one of {', '.join(kinds)}", f"{name}{f' (did you mean {near[0]}?)' if near else ''}")
    return kinds[name]
