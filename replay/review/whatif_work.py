"""What the what-if panels ask of a worker: reconcile, fly again, and fly an ensemble. Pure calls on what is handed in."""

from __future__ import annotations

import dataclasses
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from replay.errors import Cancelled, CannotEstimate
from replay.flightlog.log import FlightLog
from replay.motion.solution import Events, Solution
from replay.review import edits
from replay.review.catalogue import FLOWN_GIMBAL_ANGLE, GIMBAL_ANGLE
from replay.review.comparison import spread_about
from replay.review.request import site_of
from replay.review.review import Review
from replay.sensors.calibration import Calibration
from replay.whatif.evidence import Evidence, Sighting
from replay.whatif.vehicle import Vehicle

if TYPE_CHECKING:
    from replay.sensors.mount import Mount
    from replay.whatif.descent import Track
    from replay.whatif.ensemble import Ensemble, Posterior
    from replay.whatif.reconciliation import Reconciliation
    from replay.whatif.refly import Reflight

Progress = Callable[[float, str], None]

_PRIOR_OF: Final = {
    "accelerometer bias": ("accel_bias_imu_mps2", "accel_bias_mps2"),
    "accelerometer scale": ("accel_scale", "accel_scale"),
    "accelerometer cross-axis": ("accel_cross_axis", "accel_cross_axis"),
    "gyro bias": ("gyro_bias_imu_radps", "gyro_bias_radps"),
    "gyro scale": ("gyro_scale", "gyro_scale"),
    "mount rotation": ("mount_rotation_rad", "mount_rad"),
    "accelerometer temperature slope": ("accel_slope_imu_mps2_per_k", "accel_slope_mps2_per_k"),
    "gyro temperature slope": ("gyro_slope_imu_radps_per_k", "gyro_slope_radps_per_k"),
}
"""What reconcile can free -> field of Calibration, and its prior in the evidence. The barometer is no part of a calibration."""


@dataclass(frozen=True, eq=False)
class WhatIfRequest:
    """A flight, its document as it stood when asked, and its vehicle."""

    log: FlightLog
    review: Review
    vehicle: Vehicle | None = None


@dataclass(frozen=True, eq=False)
class Spread:
    """What an ensemble draws the true calibration from, and where that comes from in words."""

    posterior: Posterior
    source: str


@dataclass(frozen=True, eq=False)
class EnsembleRun:
    """An ensemble about a flight flown again: what it drew from, what it hangs on (`ensemble_from`), and the overlay with its bands."""

    ensemble: Ensemble
    spread: Spread
    of: tuple[object, ...]
    overlay: Solution


@dataclass(frozen=True, eq=False)
class Reflown:
    """A flight flown again.

    Parameters
    ----------
    review : Review
        As it stood when asked.
    reflight : Reflight
        The model's own result.
    flown : Solution
        What it hangs on: the flown flight with the what-if taken for true.
    overlay : Solution
        The re-flown flight ready to draw, without bands.
    run : EnsembleRun or None
    """

    review: Review
    reflight: Reflight
    flown: Solution
    overlay: Solution
    run: EnsembleRun | None = None

    def is_of(self, review: Review) -> bool:
        """Whether that review would be flown again just so."""
        return flown_from(self.review) == flown_from(review)

    def run_of(self, review: Review, reconciliation: Reconciliation | None) -> EnsembleRun | None:
        """The ensemble, where that review and what is known of its what-if would give the same."""
        return self.run if self.run is not None and self.run.of == ensemble_from(review, reconciliation) else None


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


def with_sighting(review: Review, sighting: Sighting) -> Review:
    """One sighting more among the evidence.

    Raises
    ------
    SettingsError
        As `evidence_of_review`.
    """
    evidence = evidence_of_review(review)
    return edits.with_evidence(review, dataclasses.replace(evidence, sightings=(*evidence.sightings, sighting)))


def flown_from(review: Review) -> tuple[object, ...]:
    """The part of a review that a re-flight hangs on."""
    how = review.method, review.settings, review.site, review.moved_events, review.refly.bandwidth_hz
    return review.as_flown, review.corrected, review.vehicle_path, *how


def ensemble_from(review: Review, reconciliation: Reconciliation | None) -> tuple[object, ...]:
    """What an ensemble hangs on: the re-flight, members and seed, and what is known of the what-if."""
    reconciled = _reconciled(review, reconciliation)
    known = (review.evidence, review.evidence_path, review.freed) if reconciled is None else (reconciled,)
    return *flown_from(review), review.refly, *known


def _reconciled(review: Review, reconciliation: Reconciliation | None) -> Reconciliation | None:
    """A reconciliation that gave just the review's what-if."""
    return reconciliation if reconciliation is not None and reconciliation.calibration == review.corrected else None


def spread_of(review: Review, reconciliation: Reconciliation | None = None) -> Spread:
    """What is known of the what-if: the covariance it was reconciled with; of one set by hand, the sensors' priors about it.

    Raises
    ------
    SettingsError
        As `evidence_of_review`.
    """
    from replay.whatif.ensemble import Posterior
    from replay.whatif.evidence import stated_prior
    from replay.whatif.unknowns import DEFAULT_FREE, MEMBERS, members_of

    reconciled = _reconciled(review, reconciliation)
    if reconciled is not None:
        return Spread(reconciled.posterior, "the covariance this what-if was reconciled with")
    prior = evidence_of_review(review).prior
    used = stated_prior(prior)
    freed = members_of(DEFAULT_FREE if review.freed is None else review.freed)
    groups = [group for group in _PRIOR_OF if not freed.isdisjoint(MEMBERS[group])]
    is_stated = [getattr(prior, _PRIOR_OF[group][1]) is not None for group in groups]
    sd = {
        _PRIOR_OF[group][0]: tuple(getattr(used, _PRIOR_OF[group][1]) if name in freed else math.nan for name in MEMBERS[group])
        for group in groups
    }
    origin = "stated" if all(is_stated) else "partly stated" if any(is_stated) else "data-sheet size, none stated"
    return Spread(Posterior.of_sd(review.corrected, sd), f"the sensors' priors ({origin}) about a what-if not reconciled in this session")


def reconciled_from(review: Review) -> tuple[object, ...]:
    """The part of a review that reconciling hangs on; the order in which groups were freed is no part of it."""
    freed = None if review.freed is None else frozenset(review.freed)
    return (
        review.as_flown, review.settings, review.site, review.vehicle_path, review.moved_events, freed,
        review.evidence, review.evidence_path if review.evidence is None else None,
    )  # fmt: skip


def solve_reconcile(request: WhatIfRequest, progress: Progress, cancel: threading.Event) -> Reconciliation:
    """Reconcile what the review says with its evidence; errors as `whatif.reconcile`."""
    from replay.whatif.reconcile import reconcile
    from replay.whatif.unknowns import DEFAULT_FREE

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
    flown = _shown(request, _estimate(request, review.corrected, review.method, cancel, vehicle.imu_from_cg_m))
    _go_on(cancel)
    progress(0.4, "disturbances, then flying again")
    reflight = refly(
        request.log, flown, vehicle, onboard=review.corrected, as_flown=review.as_flown, bandwidth_hz=review.refly.bandwidth_hz
    )
    _go_on(cancel)
    progress(1.0, "done")
    return Reflown(review, reflight, flown, overlay_of(reflight, flown))


def solve_ensemble(
    request: WhatIfRequest, reflown: Reflown, reconciliation: Reconciliation | None, progress: Progress, cancel: threading.Event
) -> Reflown:
    """Fly an ensemble about a flight flown again for the same review, over what is known of its what-if and of the vehicle.

    Raises
    ------
    ReplayError
        As `spread_of` and `whatif.ensemble`.
    """
    from replay.whatif.ensemble import run_ensemble

    review, vehicle = request.review, _vehicle(request)
    spread = spread_of(review, reconciliation)
    ensemble = run_ensemble(
        request.log,
        reflown.flown,
        vehicle,
        onboard=review.corrected,
        posterior=spread.posterior,
        solve=lambda calibration: _estimate(request, calibration, "integrate", cancel, vehicle.imu_from_cg_m),
        as_flown=review.as_flown,
        bandwidth_hz=review.refly.bandwidth_hz,
        n_members=review.refly.n_members,
        seed=review.refly.seed,
        progress=progress,
        cancel=cancel,
    )
    tilt_sd, pos_sd = spread_about(reflown.reflight, ensemble, reflown.flown)
    overlay = dataclasses.replace(reflown.overlay, tilt_sd_rad=tilt_sd, pos_sd_enu_m=pos_sd)
    run = EnsembleRun(ensemble, spread, ensemble_from(review, reconciliation), overlay)
    return dataclasses.replace(reflown, run=run)


@dataclass(frozen=True, eq=False)
class ReflyRequest:
    """A flight to fly again; `kept` is a re-flight of just this review, which then is not flown a second time."""

    flight: WhatIfRequest
    with_ensemble: bool = False
    kept: Reflown | None = None
    reconciliation: Reconciliation | None = None


def solve_asked(request: ReflyRequest, progress: Progress, cancel: threading.Event) -> Reflown:
    """Fly again, then the ensemble where one is asked for; errors as `solve_refly` and `solve_ensemble`."""
    share = 0.1 if request.with_ensemble else 1.0
    reflown = request.kept or solve_refly(request.flight, lambda done, text: progress(share * done, text), cancel)
    if not request.with_ensemble:
        return reflown
    return solve_ensemble(
        request.flight, reflown, request.reconciliation, lambda done, text: progress(share + (1.0 - share) * done, text), cancel
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


def _shown(request: WhatIfRequest, solution: Solution) -> Solution:
    """With its events in their place, so that flown and flown again are counted from the liftoff that everything else is."""
    from replay.review.happened import place, rail_length_of, told
    from replay.sensors.measurements import measure

    review, site = request.review, site_of(request.review, request.vehicle)
    measurements = measure(request.log, solution.calibration, _mount(request, solution.calibration))
    rail = rail_length_of(request.vehicle)
    return told(solution, place(request.log, solution, measurements, site, rail_length_m=rail, moved=review.moved_events))


def _events(request: WhatIfRequest) -> Events:
    """As for what is drawn: found with the calibration as flown, those moved by hand put in."""
    from replay.motion.phasing import find_events
    from replay.sensors.measurements import measure

    flown = request.review.as_flown
    found = find_events(measure(request.log, flown, _mount(request, flown)), site_of(request.review, request.vehicle))
    return dataclasses.replace(found, **request.review.moved_events)
