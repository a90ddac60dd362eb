"""What the what-if panels ask of a worker: reconcile, fly again, and fly an ensemble. Pure calls on what is handed in."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from replay.errors import Cancelled, CannotEstimate
from replay.flightlog.log import FlightLog
from replay.motion.solution import Events, Solution
from replay.review.catalogue import FLOWN_GIMBAL_ANGLE, GIMBAL_ANGLE
from replay.review.request import site_of
from replay.review.review import Review
from replay.sensors.calibration import Calibration
from replay.whatif.evidence import Evidence
from replay.whatif.vehicle import Vehicle

if TYPE_CHECKING:
    from replay.sensors.mount import Mount
    from replay.whatif.descent import Track
    from replay.whatif.ensemble import Ensemble, Posterior
    from replay.whatif.reconcile import Reconciliation
    from replay.whatif.refly import Reflight

Progress = Callable[[float, str], None]


@dataclass(frozen=True, eq=False)
class WhatIfRequest:
    """A flight, its document as it stood when asked, and its vehicle."""

    log: FlightLog
    review: Review
    vehicle: Vehicle | None = None


@dataclass(frozen=True, eq=False)
class Reflown:
    """A flight flown again: the model's own result, the flown solution it hangs on, and the re-flown flight ready to draw."""

    reflight: Reflight
    flown: Solution
    overlay: Solution


def evidence_of_review(review: Review) -> Evidence:
    """As edited in the review; else of the file it names; else none.

    Raises
    ------
    SettingsError
        The file can't be read, or says what it can't mean.
    """
    from replay.whatif.evidence import load_evidence

    if review.evidence is not None:
        return review.evidence
    return load_evidence(review.evidence_path) if review.evidence_path is not None else Evidence()


def flown_from(review: Review) -> tuple[object, ...]:
    """The part of a review that a re-flight hangs on."""
    return review.as_flown, review.corrected, review.method, review.settings, review.site, review.vehicle_path, review.moved_events


def reconciled_from(review: Review) -> tuple[object, ...]:
    """The part of a review that reconciling hangs on; the order in which groups were freed is no part of it."""
    freed = None if review.freed is None else frozenset(review.freed)
    return (
        review.as_flown, review.settings, review.site, review.vehicle_path, review.moved_events, freed,
        review.evidence, review.evidence_path if review.evidence is None else None,
    )  # fmt: skip


def solve_reconcile(request: WhatIfRequest, progress: Progress, cancel: threading.Event) -> Reconciliation:
    """Reconcile what the review says with its evidence; errors as `whatif.reconcile`."""
    from replay.whatif.reconcile import DEFAULT_FREE, reconcile

    review = request.review
    evidence = evidence_of_review(review)
    progress(0.02, "smoothing the flight as calibrated")
    solution = _estimate(request, review.as_flown, "smoother", cancel, (0.0, 0.0, 0.0))
    _go_on(cancel)
    return reconcile(
        request.log,
        request.vehicle,
        evidence,
        review.as_flown,
        free=DEFAULT_FREE if review.freed is None else review.freed,
        site=site_of(review, request.vehicle),
        settings=review.settings,
        mount=_mount(request, review.as_flown),
        solution=solution,
        progress=progress,
        cancel=cancel.is_set,
    )


def solve_refly(request: WhatIfRequest, progress: Progress, cancel: threading.Event) -> Reflown:
    """Fly again with the review's what-if on board, taken for true.

    Raises
    ------
    CannotEstimate
        No vehicle file, or as `whatif.refly`.
    Cancelled
    """
    from replay.whatif.refly import refly

    review, vehicle = request.review, _vehicle(request)
    progress(0.05, "the flown flight with the what-if calibration")
    flown = _estimate(request, review.corrected, review.method, cancel, vehicle.imu_from_cg_m)
    _go_on(cancel)
    progress(0.4, "disturbances, then flying again")
    reflight = refly(request.log, flown, vehicle, onboard=review.corrected, as_flown=review.as_flown)
    _go_on(cancel)
    progress(1.0, "done")
    return Reflown(reflight, flown, overlay_of(reflight, flown))


def solve_ensemble(
    request: WhatIfRequest, posterior: Posterior, n_members: int, seed: int, progress: Progress, cancel: threading.Event
) -> Ensemble:
    """Fly an ensemble over what is known of the what-if and of the vehicle; errors as `whatif.ensemble`."""
    from replay.whatif.ensemble import run_ensemble

    review, vehicle = request.review, _vehicle(request)
    flown = _estimate(request, review.corrected, review.method, cancel, vehicle.imu_from_cg_m)
    return run_ensemble(
        request.log,
        flown,
        vehicle,
        onboard=review.corrected,
        posterior=posterior,
        solve=lambda calibration: _estimate(request, calibration, "integrate", cancel, vehicle.imu_from_cg_m),
        as_flown=review.as_flown,
        n_members=n_members,
        seed=seed,
        progress=progress,
        cancel=cancel,
    )


def overlay_of(reflight: Reflight, flown: Solution) -> Solution:
    """The re-flown flight as a Solution, so that scene, plumb circle and traces draw it; what it has no measurement of is NaN."""
    n = len(reflight.time_s)
    time = reflight.time_s + flown.events.liftoff_log_s
    nothing = np.full((n, 3), np.nan)
    pos = reflight.reflown.pos_enu_m
    apogee, touchdown = (reflight.moments[name][1].time_s + flown.events.liftoff_log_s for name in ("apogee", "touchdown"))
    return Solution(
        method="re-fly",
        calibration=flown.calibration,
        log_time_s=time,
        q_enu_from_body=reflight.reflown.q_enu_from_body,
        pos_enu_m=pos,
        vel_enu_mps=np.gradient(pos, time, axis=0),
        accel_body_mps2=nothing,
        rate_body_radps=nothing,
        is_gravity_used=np.zeros(n, dtype=bool),
        events=dataclasses.replace(flown.events, apogee_log_s=apogee, touchdown_log_s=touchdown),
        levelling=flown.levelling,
        diagnostics={GIMBAL_ANGLE: (time, _steering(reflight.reflown)), FLOWN_GIMBAL_ANGLE: (time, _steering(reflight.flown))},
        assumptions=reflight.assumptions,
    )


def _steering(track: Track) -> np.ndarray:
    return np.ascontiguousarray(track.gimbal_rad)


def _vehicle(request: WhatIfRequest) -> Vehicle:
    if request.vehicle is None:
        raise CannotEstimate("re-fly", "a vehicle file is needed: the model flies a vehicle (Flight menu, Vehicle File)")
    return request.vehicle


def _go_on(cancel: threading.Event) -> None:
    if cancel.is_set():
        raise Cancelled("stopped")


def _mount(request: WhatIfRequest, calibration: Calibration) -> Mount:
    """As for what is drawn: found with the calibration as flown but for the rotation that is being edited."""
    from replay.sensors.mount import find_mount

    return find_mount(request.log, dataclasses.replace(request.review.as_flown, mount_rotation_rad=calibration.mount_rotation_rad))


def _estimate(
    request: WhatIfRequest, calibration: Calibration, method: str, cancel: threading.Event, arm_m: tuple[float, float, float]
) -> Solution:
    from replay.motion.estimator import estimate

    review = request.review
    return estimate(
        request.log,
        method,
        calibration=calibration,
        site=site_of(review, request.vehicle),
        settings=review.settings,
        events=_events(request),
        mount=_mount(request, calibration),
        imu_from_cg_m=arm_m,
        cancel=cancel,
    )


def _events(request: WhatIfRequest) -> Events:
    """As for what is drawn: found with the calibration as flown, those moved by hand put in."""
    from replay.motion.phasing import find_events
    from replay.sensors.measurements import measure

    flown = request.review.as_flown
    found = find_events(measure(request.log, flown, _mount(request, flown)), site_of(request.review, request.vehicle))
    return dataclasses.replace(found, **request.review.moved_events)
