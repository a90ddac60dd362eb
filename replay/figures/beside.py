"""Other flights of a campaign: read, estimated and explained, each by a name that tells it from the others."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from replay.errors import Cancelled, SettingsError
from replay.figures.material import CAMPAIGN, EXPLAINED, Progress, gathered, with_material
from replay.review.review import Review
from replay.review.snapshot import Snapshot

if TYPE_CHECKING:
    from replay.motion.site import Site
    from replay.whatif.vehicle import Vehicle


def other_flight(
    path: str, vehicle: Vehicle | None, site: Site, method: str | None = None, cancel: threading.Event | None = None
) -> Snapshot:
    """Another flight, explained: a review as it stands, a bare log with the vehicle and site of the flight it is beside.

    Raises
    ------
    ReplayError
        What can't be read or estimated, and why.
    Cancelled
    """
    from replay.flightlog import read_log
    from replay.review import storage
    from replay.review.log_reference import find_log
    from replay.review.request import EstimateRequest, Estimating, site_of
    from replay.sensors.calibration import Calibration
    from replay.whatif.vehicle import load_vehicle

    stop = cancel or threading.Event()
    if storage.is_review(path):
        review = storage.load_review(path)
        logs = [_found(find_log(each, path), each.path, path) for each in review.logs]
        log = read_log(logs, review.column_map, cancel=stop.is_set)
        vehicle = load_vehicle(review.vehicle_path) if review.vehicle_path else None
        review = dataclasses.replace(review, site=site_of(review, vehicle), method=method or review.method)
    else:
        log = read_log([path], cancel=stop.is_set)
        review = Review(what_if=Calibration(), column_map=log.column_map)
        review = dataclasses.replace(review, site=site, method=method or "smoother")
    snapshot = Estimating()(EstimateRequest(0, log, review, vehicle), stop)
    return gathered(snapshot, (EXPLAINED,), review, cancel=stop)


def with_flights_beside(
    snapshot: Snapshot, paths: Sequence[str], site: Site, progress: Progress, cancel: threading.Event, method: str | None = None
) -> Snapshot:
    """The snapshot with other flights beside it; it comes first among them.

    Raises
    ------
    ReplayError
        One of them can't be read or estimated.
    Cancelled
    """
    if not paths:
        return snapshot
    others = []
    for i, path in enumerate(paths):
        progress(0.5 * i / len(paths), f"reading {Path(path).name}")
        others.append((path, other_flight(path, snapshot.vehicle, site, method, cancel)))
        if cancel.is_set():
            raise Cancelled("stopped")
    flights = told_apart([(flight_name(snapshot.log.paths[0]), snapshot), *others])
    return with_material(snapshot, **{CAMPAIGN: tuple(flights)})


def named_beside(review: Review) -> tuple[str, ...]:
    """The other flights of the campaign that a review names, for its figures and its report."""
    named = review.figure_settings.get("beside")
    return tuple(path for path in named if isinstance(path, str)) if isinstance(named, tuple) else ()


def flight_name(path: str) -> str:
    """What a flight is called beside others: the name of its file."""
    return Path(path).name.removesuffix(".review.json").removesuffix(Path(path).suffix)


def told_apart(flights: Sequence[tuple[str, Snapshot]]) -> list[tuple[str, Snapshot]]:
    """Flights by file name, with the folder's before it where two files are named alike."""
    names = [flight_name(path) for path, _ in flights]
    paths = [flight.log.paths[0] for _, flight in flights]
    if len(set(names)) < len(names):
        names = [f"{Path(path).resolve().parent.name}/{name}" for path, name in zip(paths, names, strict=True)]
    return [(name, flight) for name, (_, flight) in zip(names, flights, strict=True)]


def _found(path: str | Path | None, wanted: str, review_path: str) -> str:
    if path is None:
        raise SettingsError(review_path, "logs", f"the log {wanted} as it was", "no file of that size and content")
    return str(path)
