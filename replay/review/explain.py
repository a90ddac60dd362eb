"""The flight explained: one pure call from a log and its solutions to all that is known of the flight, for window, report and commands.

In the window it is the second request of a settled edit: the solutions are drawn first, then `ExplainRequest` goes to a worker of its
own, and what comes back is put into `Snapshot.extras[EXPLAINED]` of the snapshot it was made from. While a slider is dragged nothing is
explained; a snapshot without the extra has not been explained yet.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, CannotEstimate, ReplayError
from replay.flight.event import FlightEvents
from replay.flight.explained import Explained, ObservedLean, OnboardTrack
from replay.flight.facts import VehicleFacts
from replay.flightlog.log import FlightLog
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.review.happened import barometric_height, place, rail_length_of
from replay.review.request import site_of
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.whatif.evidence import Evidence
from replay.whatif.vehicle import Vehicle

if TYPE_CHECKING:
    from replay.flight.finding import Finding
    from replay.flight.propulsion import Propulsion
    from replay.sensors.measurements import Measurements
    from replay.sensors.mount import Mount

Array = NDArray[np.float64]
T = TypeVar("T")

EXPLAINED: Final = "explained"
"""Under this name `Snapshot.extras` carries the Explained."""
NO_VEHICLE: Final = "no vehicle file: mass and diameter are not known"


@dataclass(frozen=True, eq=False)
class ExplainRequest:
    """A drawn result and the document it was drawn from."""

    snapshot: Snapshot
    review: Review


def explain_request(request: ExplainRequest, cancel: threading.Event | None = None) -> Explained:
    """`explain_snapshot`, as a worker takes it."""
    return explain_snapshot(request.snapshot, request.review, cancel)


def explained_from(review: Review) -> tuple[Any, ...]:
    """What of a review an explanation hangs on beside the solutions."""
    return review.moved_events, review.evidence, review.evidence_path, review.site


def explained_of(snapshot: Snapshot) -> Explained | None:
    """The explanation a snapshot carries; None where it has not been made yet."""
    found = (snapshot.extras or {}).get(EXPLAINED)
    return found if isinstance(found, Explained) else None


def explain_snapshot(snapshot: Snapshot, review: Review, cancel: threading.Event | None = None) -> Explained:
    """Explain what a snapshot draws: the what-if where there is one, else the flight as flown."""
    from replay.review.whatif_work import evidence_of_review

    try:
        evidence = evidence_of_review(review)
    except ReplayError:
        evidence = Evidence()  # an evidence file that can't be read is said where it is used
    return explain(
        snapshot.log,
        snapshot.what_if or snapshot.as_flown,
        flown=snapshot.as_flown,
        vehicle=snapshot.vehicle,
        site=site_of(review, snapshot.vehicle),
        moved_events=review.moved_events,
        events=snapshot.events,
        evidence=evidence,
        cancel=cancel,
    )


def facts_of(vehicle: Vehicle) -> VehicleFacts:
    """What the vehicle file states; what it leaves to a default counts as not given."""
    stated = vehicle.defaulted

    def given(key: str, value: T) -> T | None:
        return None if key in stated else value

    gimbal, guidance = vehicle.gimbal, vehicle.guidance
    inertia = given("inertia_kgm2", vehicle.inertia_kgm2)
    return VehicleFacts(
        vehicle.liftoff_mass_kg,
        vehicle.propellant_mass_kg,
        vehicle.diameter_m,
        vehicle.thrust_curve_s_n,
        drag_coefficient=given("aero.drag_coefficient", vehicle.aero.drag_coefficient),
        transverse_inertia_kgm2=None if inertia is None else 0.5 * (inertia[0] + inertia[1]),
        axial_inertia_kgm2=0.0 if inertia is None else inertia[2],
        gimbal_below_cg_m=given("gimbal_below_cg_m", vehicle.gimbal_below_cg_m),
        cp_below_cg_m=given("aero.cp_below_cg_m", vehicle.aero.cp_below_cg_m),
        rail_length_m=rail_length_of(vehicle),
        gimbal_limit_rad=None if gimbal is None else given("gimbal.limit_deg", gimbal.limit_rad),
        gimbal_rate_limit_radps=None if gimbal is None else given("gimbal.rate_limit_degps", gimbal.rate_limit_radps),
        proportional=None if guidance is None else given("guidance.proportional", guidance.proportional),
        is_guided=guidance is not None,
        chute_drag_area_m2=given("recovery.drag_area_m2", vehicle.recovery.drag_area_m2),
        chute_delay_s=given("recovery.delay_after_apogee_s", vehicle.recovery.delay_after_apogee_s),
    )


def explain(
    log: FlightLog,
    solution: Solution | None,
    *,
    flown: Solution | None = None,
    vehicle: Vehicle | None = None,
    site: Site | None = None,
    mount: Mount | None = None,
    moved_events: Mapping[str, float] | None = None,
    events: FlightEvents | None = None,
    evidence: Evidence | None = None,
    brown_out_v: float | None = None,
    cancel: threading.Event | None = None,
) -> Explained:
    """Explain one flight. A part that can't be had never stops the others: `Explained.missing` says why it is not there.

    Parameters
    ----------
    log : FlightLog
    solution : Solution or None
        None for a log without inertial sensors: the barometer alone then shows what it can.
    flown : Solution, optional
        With the calibration as flown, where `solution` is a what-if.
    vehicle : Vehicle, optional
    site : Site, optional
        The vehicle file's where not given.
    mount : Mount, optional
        Found in the log where not given.
    moved_events : mapping of str to float, optional
        As `Review.moved_events`; everything after an event moved by hand is counted from it.
    events : FlightEvents, optional
        Those once placed in the solution (`review.happened`), which then are not placed again.
    evidence : Evidence, optional
    brown_out_v : float, optional
        As `flight.power`.
    cancel : threading.Event, optional

    Raises
    ------
    Cancelled
    """
    work = _Work(log, solution, flown or solution, vehicle, site or (vehicle.site if vehicle else Site()), cancel)
    work.measure(mount)
    work.happened = events or work.place(moved_events or {})
    work.parts(brown_out_v)
    rail = None if evidence is None or evidence.rail is None else evidence.rail
    lean = None if rail is None else ObservedLean(rail.tilt_rad, rail.tilt_azimuth_rad if rail.is_side_known else None, rail.sd_rad)
    known = work.result(lean)
    found = work.attempt("findings", lambda: _findings(known))
    return dataclasses.replace(known, findings=found or (), missing=work.missing)


def _findings(known: Explained) -> tuple[Finding, ...]:
    from replay.flight.findings import find

    return find(known)


class _Work:
    """One explanation in the making; lives for one call."""

    def __init__(
        self,
        log: FlightLog,
        solution: Solution | None,
        flown: Solution | None,
        vehicle: Vehicle | None,
        site: Site,
        cancel: threading.Event | None,
    ) -> None:
        self.log, self.solution, self.flown, self.site, self.cancel = log, solution, flown, site, cancel
        self.facts = None if vehicle is None else facts_of(vehicle)
        self.defaulted = vehicle.defaulted if vehicle is not None else frozenset()
        self.missing: dict[str, str] = {}
        self.found: dict[str, Any] = {}
        self.measurements: Measurements | None = None
        self.mount: Mount | None = None
        self.baro: tuple[Array, Array] | None = None
        self.happened = FlightEvents({})

    def attempt(self, part: str, make: Callable[[], T]) -> T | None:
        """A part, or the reason why it can't be had in `missing`."""
        if self.cancel is not None and self.cancel.is_set():
            raise Cancelled("stopped")
        try:
            return make()
        except Cancelled:
            raise
        except CannotEstimate as error:
            self.missing[part] = error.reason
        except (ReplayError, ArithmeticError, ValueError, IndexError, np.linalg.LinAlgError) as error:
            # numbers no one thought of must not hide the rest of the flight
            self.missing[part] = f"could not be worked out ({str(error) or type(error).__name__})"
        return None

    def measure(self, mount: Mount | None) -> None:
        """Measurements with the calibration that is explained, and the barometer's height."""
        if self.solution is not None:
            calibration = self.solution.calibration
            self.measurements = self.attempt("measurements", lambda: self._measured(calibration, mount))
        self.baro = self.attempt("barometer", self._barometer)

    def _measured(self, calibration: Calibration, mount: Mount | None) -> Measurements:
        from replay.sensors.measurements import measure
        from replay.sensors.mount import find_mount

        flown = calibration if self.flown is None else self.flown.calibration
        turned = dataclasses.replace(flown, mount_rotation_rad=calibration.mount_rotation_rad)
        self.mount = find_mount(self.log, turned) if mount is None else mount
        return measure(self.log, calibration, self.mount)

    def _barometer(self) -> tuple[Array, Array] | None:
        liftoff = self.solution.events.liftoff_log_s if self.solution is not None else float("nan")
        return barometric_height(self.log, liftoff, self.site)

    def place(self, moved: Mapping[str, float]) -> FlightEvents:
        """Events of the flight, those moved by hand in their new place."""
        rail = self.facts.rail_length_m if self.facts is not None else None
        return place(self.log, self.solution, self.measurements, self.site, rail_length_m=rail, moved=moved, baro=self.baro)

    def parts(self, brown_out_v: float | None) -> None:
        """The parts in order; a later one may lean on an earlier one."""
        self.found["onboard"] = self.attempt("onboard", self._onboard)
        self.found["propulsion"] = self.attempt("propulsion", self._propulsion)
        self.found["descent"] = self.attempt("descent", self._descent) or {}
        self.found["control"] = self.attempt("control", self._control)
        self.found["vibration"] = self.attempt("vibration", self._vibration)
        self.found["power"] = self.attempt("power", lambda: self._power(brown_out_v))

    def result(self, rail: ObservedLean | None) -> Explained:
        """All of it but the findings."""
        assumptions = () if self.solution is None else self.solution.assumptions
        if self.defaulted:
            assumptions = (*assumptions, "defaults of the vehicle file are not used to explain the flight: what needs them is undetermined")
        return Explained(
            self.log, self.happened, self.solution, self.flown, self.measurements, self.facts, baro=self.baro, rail=rail,
            missing=self.missing, assumptions=assumptions, **self.found,
        )  # fmt: skip

    def _gimbal(self, names: tuple[str, ...] = ("gimbal_position_rad", "gimbal_command_rad")) -> tuple[Array, Array] | None:
        for name in names:
            channel = self.log.get(name)
            if channel is not None and channel.n_samples > 1:
                good = np.isfinite(channel.values).all(axis=1)
                return channel.log_time_s[good], channel.values[good]
        return None

    def _solved(self, what: str) -> tuple[Solution, Measurements]:
        if self.solution is None or self.measurements is None:
            raise CannotEstimate(what, self.missing.get("measurements", "the log has no inertial sensors"))
        return self.solution, self.measurements

    def _onboard(self) -> OnboardTrack | None:
        from replay import rotation
        from replay.motion.onboard import OTHER_FRAME_RAD, aligned_attitude, angles_between

        found = None if self.solution is None or self.mount is None else aligned_attitude(self.solution, self.log, self.mount)
        if found is None:
            return None
        time, its, ours = found
        between, total = angles_between(its, ours)
        on_pad = float(between[int(np.argmin(np.abs(time - self.solution.levelling.stop_log_s)))]) if self.solution is not None else 0.0
        if on_pad > OTHER_FRAME_RAD:
            raise CannotEstimate(
                "the computer's attitude", f"its nose lies {on_pad / DEG:.0f}° from ours on the pad: another frame, not compared"
            )
        return OnboardTrack(time, rotation.tilt(its), rotation.tilt(ours), between, total)

    def _propulsion(self) -> Propulsion:
        from replay.flight.propulsion import propulsion

        solution, measurements = self._solved("thrust and drag")
        if self.facts is None:
            raise CannotEstimate("thrust and drag", NO_VEHICLE)
        return propulsion(measurements, solution, self.happened, self.facts, self.site, gimbal_rad=self._gimbal())

    def _descent(self) -> Any:
        from replay.flight.descent import descent

        solution, _ = self._solved("descent")
        return descent(solution, self.happened, self.site, self.facts.dry_mass_kg if self.facts else None, self.baro)

    def _control(self) -> Any:
        from replay.flight.control import control

        solution, _ = self._solved("control")
        command = self._gimbal(("gimbal_command_rad",))
        if command is None:
            raise CannotEstimate("control", "the log has no gimbal command")
        if self.facts is None or self.found["propulsion"] is None:
            raise CannotEstimate("control", f"needs thrust: {self.missing.get('propulsion', NO_VEHICLE)}")
        return control(
            solution,
            self.happened,
            self.found["propulsion"],
            self.facts,
            command,
            self._gimbal(("gimbal_position_rad",)),
            limit_rad=self.facts.gimbal_limit_rad,
            rate_limit_radps=self.facts.gimbal_rate_limit_radps,
            proportional=self.facts.proportional,
        )

    def _vibration(self) -> Any:
        from replay.flight.vibration import vibration

        solution, measurements = self._solved("vibration")
        for name in ("liftoff", "burnout"):
            if name not in self.happened:
                raise CannotEstimate("vibration", f"no {name}: {self.happened.unknown.get(name, 'not found')}")
        channel = self.log.get("accel_raw_imu_mps2")
        limit = None if channel is None else channel.full_scale
        if limit is None and measurements.is_accel_clipped.any() and channel is not None:
            limit = float(np.nanmax(np.abs(channel.values)))
        start, stop = self.happened.log_time_s("liftoff"), self.happened.log_time_s("burnout")
        is_guided = self._gimbal() is not None or (self.facts is not None and self.facts.is_guided)
        return vibration(solution, start, stop, measurements.is_accel_clipped, limit, is_guided=is_guided)

    def _power(self, brown_out_v: float | None) -> Any:
        from replay.flight.power import power

        calibration = Calibration() if self.solution is None else self.solution.calibration
        return power(
            self.log,
            self.happened.log_time_s("liftoff"),
            self.happened.log_time_s("touchdown"),
            calibration,
            activity=self._gimbal(),
            brown_out_v=brown_out_v,
        )
