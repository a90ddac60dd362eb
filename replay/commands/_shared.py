"""What several commands share: the common options, loading what they name, and writing files safely."""

from __future__ import annotations

import argparse
import dataclasses
import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from replay.errors import CannotEstimate, SettingsError

if TYPE_CHECKING:
    from replay.flight.event import FlightEvents
    from replay.flightlog.log import FlightLog
    from replay.motion.settings import EstimatorSettings
    from replay.motion.site import Site
    from replay.motion.solution import Solution
    from replay.review.review import Review
    from replay.review.snapshot import Snapshot
    from replay.sensors.calibration import Calibration
    from replay.sensors.mount import Mount
    from replay.whatif.vehicle import Vehicle


def finite(text: str) -> float:
    """An option's number: nan and inf, which `float` takes, are wrong usage."""
    value = float(text)
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"expected a finite number, got {text}")
    return value


def add_common(parser: argparse.ArgumentParser, *, log: bool = True) -> None:
    """The options every command on a log takes."""
    if log:
        parser.add_argument("log", nargs="+", help="log file, several of one flight or their folder (merged), or a .review.json")
    add_stated(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def add_stated(parser: argparse.ArgumentParser) -> None:
    """What may be stated about a log beside it."""
    parser.add_argument("--columns", metavar="MAP", help="column map (TOML); without it the columns are guessed")
    parser.add_argument("--vehicle", metavar="V", help="vehicle file (TOML)")
    parser.add_argument("--calibration", metavar="C", help="calibration file (TOML); without it nothing is corrected")
    parser.add_argument("--pad-azimuth", metavar="DEG", type=finite, help="declared azimuth of body +x on the pad, clockwise from north")


@contextmanager
def new_file(path: str | os.PathLike[str], *, force: bool, option: str = "--out") -> Iterator[Path]:
    """A temporary file beside `path` that takes its name only when the block ends well. Refuses to write over without `force`."""
    target = Path(path)
    if target.exists() and not force:
        raise SettingsError(str(target), option, "a file that does not exist yet (or --force)", "an existing file")
    if target.is_dir():
        raise SettingsError(str(target), option, "the name of a file", "a folder")
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=target.suffix, dir=target.parent or Path())
    except OSError as error:
        raise SettingsError(str(target), option, "a folder that can be written", error.strerror or str(error)) from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(target)
    except OSError as error:
        raise SettingsError(str(target), option, "room and a place that can be written", error.strerror or str(error)) from None
    finally:
        temporary.unlink(missing_ok=True)


@dataclass(frozen=True, eq=False)
class LogRequest:
    """What the options of a command, or a review, ask to be estimated.

    Parameters
    ----------
    log : FlightLog
    mount : Mount
    calibration : Calibration
        Given by `--calibration`; else the review's what-if where it is switched on; else the review's as flown; else neutral.
    calibration_name : str
        Where it is from, in words.
    calibration_note : str
        What the calibration's file says of itself.
    vehicle : Vehicle or None
    site : Site
        Declared in the review, else of the vehicle file; `--pad-azimuth` goes before both.
    settings : EstimatorSettings
    method : str
    moved_events : mapping of str to float
        Event name -> log time, moved by hand in the review.
    review : Review or None
    evidence_path : str or None
        Of `--evidence`, for commands that have it; goes before the review's.
    """

    log: FlightLog
    mount: Mount
    calibration: Calibration
    calibration_name: str
    vehicle: Vehicle | None
    site: Site
    settings: EstimatorSettings
    method: str = "smoother"
    moved_events: Mapping[str, float] = field(default_factory=dict)
    review: Review | None = None
    evidence_path: str | None = None
    calibration_note: str = ""

    @property
    def calibration_words(self) -> tuple[str, ...]:
        """What the file says of itself, as an assumption that whatever is worked out with it leans on."""
        return (f"calibration file: {self.calibration_note}",) if self.calibration_note else ()


def load_request(args: argparse.Namespace) -> LogRequest:
    """Load the log and all that the common options, or a `.review.json`, say of it.

    Raises
    ------
    ReplayError
        Anything that can't be read; a review whose log is not at hand.
    """
    from replay.flightlog import load_column_map, read_log
    from replay.motion.settings import EstimatorSettings
    from replay.motion.site import Site
    from replay.review import storage
    from replay.review.request import site_of
    from replay.sensors.calibration import Calibration, load_calibration_file
    from replay.sensors.mount import find_mount
    from replay.whatif.vehicle import load_vehicle

    paths, review = list(args.log), None
    if any(storage.is_review(path) for path in paths):
        if len(paths) > 1:
            raise CannotEstimate("reading", "a review holds its own logs: give it alone")
        review = storage.load_review(paths[0])
        paths = _logs_of(review, paths[0])
    column_map = load_column_map(args.columns) if args.columns else review.column_map if review else None
    log = read_log(paths, column_map)
    vehicle_path = args.vehicle or (review.vehicle_path if review else None)
    vehicle = load_vehicle(vehicle_path) if vehicle_path else None
    site = site_of(review, vehicle) if review else vehicle.site if vehicle else Site()
    if args.pad_azimuth is not None:
        from replay.units import DEG

        site = dataclasses.replace(site, pad_azimuth_rad=args.pad_azimuth * DEG)
    calibration, name, note = Calibration(), "none", ""
    if args.calibration:
        file = load_calibration_file(args.calibration)
        calibration, name, note = file.calibration, args.calibration, file.note
    elif review is not None:
        what_if = review.drawn_whatif
        calibration, name = (review.as_flown, "the review's, as flown") if what_if is None else (what_if, "the review's what-if")
    flown = review.as_flown if review else Calibration()
    return LogRequest(
        log=log,
        # as in the window: a bias that is edited must not turn the mount
        mount=find_mount(log, dataclasses.replace(flown, mount_rotation_rad=calibration.mount_rotation_rad)),
        calibration=calibration,
        calibration_name=name,
        calibration_note=note,
        vehicle=vehicle,
        site=site,
        settings=review.settings if review else EstimatorSettings(),
        method=review.method if review else "smoother",
        moved_events=review.moved_events if review else {},
        review=review,
        evidence_path=_readable_evidence(getattr(args, "evidence", None)),
    )


def _readable_evidence(path: str | None) -> str | None:
    """The path, once it is known to hold evidence: a file named on the command line is not left out without a word."""
    if path is not None:
        from replay.whatif.evidence import load_evidence

        load_evidence(path)
    return path


def _logs_of(review: Review, review_path: str) -> list[str]:
    from replay.review.log_reference import find_log

    found = []
    for reference in review.logs:
        path = find_log(reference, review_path)
        if path is None:
            raise SettingsError(review_path, "logs", f"the log {reference.path} as it was", "no file of that size and content")
        found.append(str(path))
    return found


def snapshot_of(request: LogRequest, method: str | None = None) -> Snapshot:
    """What views, figures and films draw: the flight as flown, and beside it the what-if.

    Of a review, as it stands; of a log, as flown with nothing corrected, and with `--calibration` as the what-if.
    """
    from replay.review.request import EstimateRequest, Estimating

    return Estimating()(EstimateRequest(0, request.log, as_review(request, method), request.vehicle))


def as_review(request: LogRequest, method: str | None = None) -> Review:
    """The review itself; of a log, one that says what the options say: flown with nothing corrected, `--calibration` as the what-if."""
    from replay.review.review import Review

    review = request.review or Review(what_if=request.calibration, column_map=request.log.column_map)
    if request.calibration not in (review.as_flown, review.what_if):
        review = dataclasses.replace(review, what_if=request.calibration, is_whatif_on=True)
    if request.evidence_path:
        review = dataclasses.replace(review, evidence_path=request.evidence_path, evidence=None)
    return dataclasses.replace(review, site=request.site, method=method or request.method)


def solve(request: LogRequest, method: str | None = None) -> Solution:
    """Estimate what was asked for, by `method` or the request's own."""
    from replay.motion.estimator import estimate
    from replay.motion.phasing import find_events
    from replay.sensors.calibration import Calibration
    from replay.sensors.measurements import measure, prepare

    prepared, events = prepare(request.log), None
    flown = request.review.as_flown if request.review else Calibration()
    if request.moved_events or flown != request.calibration:
        # as in the window: found with the calibration as flown
        events = find_events(measure(request.log, flown, request.mount, prepared), request.site)
        events = dataclasses.replace(events, **request.moved_events)
    return estimate(
        request.log,
        method or request.method,
        calibration=request.calibration,
        site=request.site,
        settings=request.settings,
        events=events,
        mount=request.mount,
        imu_from_cg_m=request.vehicle.imu_from_cg_m if request.vehicle else (0.0, 0.0, 0.0),
        prepared=prepared,
    )


def solve_for_showing(request: LogRequest, method: str | None = None) -> tuple[Solution, FlightEvents]:
    """`solve`, and the events placed in it; the solution counts from them, as everything does that is drawn of it."""
    from replay.review.happened import place, rail_length_of, told
    from replay.sensors.measurements import measure

    solution = solve(request, method)
    measurements = measure(request.log, request.calibration, request.mount)
    rail = rail_length_of(request.vehicle)
    events = place(request.log, solution, measurements, request.site, rail_length_m=rail, moved=request.moved_events)
    return told(solution, events), events
