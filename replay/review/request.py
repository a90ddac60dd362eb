"""From a review and its log to the Snapshot every view draws: one pure call, for the window's worker, the commands and tests alike."""

from __future__ import annotations

import dataclasses
import importlib
import threading
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from replay.flightlog.log import FlightLog
from replay.motion.settings import METHODS
from replay.motion.site import Site
from replay.motion.solution import Events, Solution
from replay.review import series, summary
from replay.review.happened import Happened, place, rail_length_of
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.review.thin import thinned
from replay.sensors.calibration import Calibration
from replay.whatif.vehicle import Vehicle

if TYPE_CHECKING:
    from replay.flight.event import FlightEvents
    from replay.sensors.measurements import Prepared
    from replay.sensors.mount import Mount

PREVIEW_METHOD: Final = "integrate"
"""Stands in for a slower method while a slider is dragged."""
PREVIEW_ABOVE_S: Final = 0.12
"""A method faster than this needs no stand-in."""
PREVIEW_SAMPLES: Final = 100_000
"""A preview of a longer record is made of block means."""
_KEPT_SAMPLES: Final = 8_000_000
"""Solutions kept for undo and toggling, in samples of all together: about 2 GB at the most."""


@dataclass(frozen=True, eq=False)
class EstimateRequest:
    """All a worker needs to know; it reads no live state.

    Parameters
    ----------
    revision : int
    log : FlightLog
    review : Review
    vehicle : Vehicle or None
        Of the review's vehicle file.
    is_dragging : bool
        A fast method may stand in for a slow one.
    wanted_traces : tuple of str, or None
        Traces to make ready to draw (`series.prepare`).
    overlays : mapping of str to Solution
        Drawn over the rest as they are (a re-flown flight).
    """

    revision: int
    log: FlightLog
    review: Review
    vehicle: Vehicle | None = None
    is_dragging: bool = False
    wanted_traces: tuple[str, ...] | None = None
    overlays: Mapping[str, Solution] = field(default_factory=dict)


def site_of(review: Review, vehicle: Vehicle | None) -> Site:
    """What the user declared; what was left open, from the vehicle file."""
    stated = {f.name: getattr(review.site, f.name) for f in dataclasses.fields(Site) if getattr(review.site, f.name) is not None}
    return dataclasses.replace(Site() if vehicle is None else vehicle.site, **stated)


def warm_up() -> None:
    """Load what an estimate needs (it takes over a second, most of it the compiled loops), so that the first one need not."""
    for module in ("replay.motion.estimator", "replay.sensors.measurements", "replay.sensors.mount"):
        importlib.import_module(module)
    from replay.review import pyramid

    pyramid.warm_up()


@dataclass(eq=False)
class _LogWork:
    """What of one log no edit changes, made once."""

    log: FlightLog
    prepared: Prepared
    thin: Prepared


class Estimating:
    """The worker's side: `estimating(request, cancel)` makes a Snapshot, and keeps what the next one can use again.

    `progress(share)`, 0 to 1, is called on the worker while it estimates.

    Not for two threads at once.
    """

    def __init__(self, progress: Callable[[float], None] | None = None) -> None:
        self._progress = progress
        self._work: _LogWork | None = None
        self._solutions: dict[Hashable, Solution] = {}
        self._compared: dict[str, Solution] = {}
        self._events: dict[Hashable, Events] = {}
        self._happened = Happened()
        self._mounts: dict[Calibration, Mount] = {}
        self._run_time_s: dict[str, float] = {}
        self._series: series.Series | None = None
        self._onboard: tuple[Solution, tuple[Any, Any] | None] | None = None

    def __call__(self, request: EstimateRequest, cancel: threading.Event | None = None) -> Snapshot:
        """Estimate as flown, what-if and overlaid methods, and make the traces ready.

        Raises
        ------
        ReplayError
            As `motion.estimate`.
        """
        review, work = request.review, self._of_log(request)
        is_slow = self._run_time_s.get(review.method, float("inf")) > PREVIEW_ABOVE_S
        can_be_faster = review.method != PREVIEW_METHOD or work.thin is not work.prepared
        is_preview = request.is_dragging and is_slow and can_be_faster
        method = PREVIEW_METHOD if is_preview else review.method
        prepared = work.thin if is_preview else work.prepared
        used: dict[Hashable, Solution] = {}
        solve = partial(self._solution, request, work, prepared, used, cancel)
        drawn = tuple(m for m in METHODS if m in review.also_drawn and m != review.method)
        is_held = is_preview or (request.is_dragging and any(self._run_time_s.get(m, 0.0) > PREVIEW_ABOVE_S for m in drawn))
        kept = {m: self._compared[m] for m in drawn if m in self._compared} if is_held else {}  # what they said before the drag
        others = () if is_preview else tuple(m for m in drawn if m not in kept)
        shares = self._shares(1 + (review.drawn_whatif is not None) + len(others))
        as_flown = solve(next(shares), method, review.as_flown)
        what_if = None if review.drawn_whatif is None else solve(next(shares), method, review.drawn_whatif)
        corrected = review.drawn_whatif or review.as_flown
        solved = kept | {other: solve(next(shares), other, corrected) for other in others}
        self._compared = {m: solved[m] for m in drawn if m in solved}
        self._forget(used, len(work.prepared.log_time_s))
        events = self._events_in(what_if or as_flown, request, work)
        onboard = self._onboard_beside(as_flown, work, review, is_preview=is_preview)
        as_flown = self._happened.told(as_flown, events)
        what_if = None if what_if is None else self._happened.told(what_if, events)
        overlays = {m: self._happened.told(solution, events) for m, solution in self._compared.items()} | dict(request.overlays)
        snapshot = Snapshot(
            revision=request.revision,
            log=request.log,
            as_flown=as_flown,
            what_if=what_if,
            events=events,
            onboard=onboard,
            vehicle=request.vehicle,
            is_preview=is_preview,
            extras={summary.GATES: summary.gate_text(what_if or as_flown)} | ({series.OVERLAYS: overlays} if overlays else {}),
        )
        self._series = series.prepare(snapshot, request.wanted_traces, self._series)
        return dataclasses.replace(snapshot, extras={**snapshot.extras, series.EXTRA: self._series})

    def _onboard_beside(self, as_flown: Solution, work: _LogWork, review: Review, *, is_preview: bool) -> tuple[Any, Any] | None:
        """The computer's attitude turned to our body axes and heading; kept while what it is turned to stays, and through a drag."""
        from replay.motion.onboard import comparable_attitude

        if self._onboard is None or (self._onboard[0] is not as_flown and not is_preview):
            mount = self._mount(work, review.as_flown, review.as_flown)
            self._onboard = as_flown, comparable_attitude(as_flown, work.log, mount)
        return self._onboard[1]

    def _shares(self, n: int) -> Iterator[Callable[[float, str], None] | None]:
        """For each of `n` solutions what tells how far all of them are, 0 to 1."""
        told = self._progress
        for i in range(n):
            yield None if told is None else lambda share, _, i=i: told((i + share) / n)  # type: ignore[misc]

    def _of_log(self, request: EstimateRequest) -> _LogWork:
        """Kept while the log stays the same."""
        from replay.sensors.measurements import prepare

        log = request.log
        if self._work is None or self._work.log is not log:
            for kept in (self._solutions, self._compared, self._events, self._mounts, self._run_time_s):
                kept.clear()
            self._happened.clear()
            self._series = self._onboard = None
            prepared = prepare(log)
            self._work = _LogWork(log, prepared, thinned(prepared, PREVIEW_SAMPLES))
        return self._work

    def _solution(
        self,
        request: EstimateRequest,
        work: _LogWork,
        prepared: Prepared,
        used: dict[Hashable, Solution],
        cancel: threading.Event | None,
        progress: Callable[[float, str], None] | None,
        method: str,
        calibration: Calibration,
    ) -> Solution:
        from replay.motion import estimate

        review = request.review
        site = site_of(review, request.vehicle)
        arm = (0.0, 0.0, 0.0) if request.vehicle is None else request.vehicle.imu_from_cg_m
        moved = tuple(sorted(review.moved_events.items()))
        key = (prepared is work.thin, method, calibration, review.as_flown, review.settings, site, arm, moved)
        if key not in self._solutions:
            self._solutions[key] = estimate(
                request.log,
                method,
                calibration=calibration,
                site=site,
                settings=review.settings,
                events=self._events_of(review, site, work),
                mount=self._mount(work, review.as_flown, calibration),
                imu_from_cg_m=arm,
                prepared=prepared,
                progress=progress,
                cancel=cancel,
            )
            if prepared is work.prepared:
                self._run_time_s[method] = self._solutions[key].run_time_s
        used[key] = self._solutions[key]
        return self._solutions[key]

    def _mount(self, work: _LogWork, as_flown: Calibration, calibration: Calibration) -> Mount:
        """Found with the calibration as flown but for the rotation that is being edited: a bias must not turn the mount."""
        from replay.sensors.mount import find_mount

        wanted = dataclasses.replace(as_flown, mount_rotation_rad=calibration.mount_rotation_rad)
        if wanted not in self._mounts:
            while len(self._mounts) > 20:
                del self._mounts[next(iter(self._mounts))]
            self._mounts[wanted] = find_mount(work.log, wanted)
        return self._mounts[wanted]

    def _events_of(self, review: Review, site: Site, work: _LogWork) -> Events:
        """Found with the calibration as flown, so that both solutions share one set of phases; those moved by hand put in."""
        from replay.motion.phasing import find_events
        from replay.sensors.measurements import measure

        key = (review.as_flown, site)
        if key not in self._events:
            self._events[key] = find_events(
                measure(work.log, review.as_flown, self._mount(work, review.as_flown, review.as_flown), work.prepared), site
            )
        return dataclasses.replace(self._events[key], **review.moved_events)

    def _events_in(self, drawn: Solution, request: EstimateRequest, work: _LogWork) -> FlightEvents:
        """Placed once in what is drawn of a settled document; in a drag they stay where they were."""
        from replay.sensors.measurements import measure

        review, rail = request.review, rail_length_of(request.vehicle)
        held = self._happened.held(review.moved_events) if request.is_dragging else None
        known = held or self._happened.known(drawn, rail, review.moved_events)
        if known is not None:
            return known
        measurements = measure(work.log, drawn.calibration, self._mount(work, review.as_flown, drawn.calibration), work.prepared)
        site = site_of(review, request.vehicle)
        placed = place(work.log, drawn, measurements, site, rail_length_m=rail, moved=review.moved_events)
        return self._happened.keep(drawn, rail, review.moved_events, placed)

    def _forget(self, used: dict[Hashable, Solution], n_samples: int) -> None:
        """Keep what was just used and the newest of the rest, as far as the memory set aside goes."""
        n_kept = max(len(used), _KEPT_SAMPLES // max(n_samples, 1))
        for key in used:
            self._solutions[key] = self._solutions.pop(key)  # newest last
        for key in list(self._solutions)[: max(0, len(self._solutions) - n_kept)]:
            del self._solutions[key]
        self._happened.forget_all_but([*self._solutions.values(), *self._compared.values()])
