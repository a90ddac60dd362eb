"""What is known of one flight once it has been explained: the parts that could be had, and one line of why for each of the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.flight.control import Control
from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.finding import Finding
from replay.flight.power import Power
from replay.flight.propulsion import Propulsion
from replay.flight.quantity import Quantity
from replay.flight.vibration import Vibration
from replay.flightlog.log import FlightLog
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements

Array = NDArray[np.float64]

PARTS: Final = ("events", "propulsion", "descent", "control", "vibration", "power", "findings")
"""In the order of a report. Each is in `Explained` under its name, or has a line in `Explained.missing`."""


@dataclass(frozen=True)
class ObservedLean:
    """How the rail leaned, as observed from outside the log; azimuth in the declared heading, None where only the angle was read."""

    tilt_rad: float
    azimuth_rad: float | None
    sd_rad: float


@dataclass(frozen=True, eq=False)
class OnboardTrack:
    """The computer's own attitude beside ours, k samples.

    Parameters
    ----------
    log_time_s, tilt_rad, own_tilt_rad, tilt_error_rad, total_rad : ndarray, shape (k,)
        Its tilt and ours, the angle between the two noses, and the angle of the whole rotation between them.
    """

    log_time_s: Array
    tilt_rad: Array
    own_tilt_rad: Array
    tilt_error_rad: Array
    total_rad: Array


@dataclass(frozen=True, eq=False)
class Explained:
    """One flight explained; all None or empty where the record can't carry it, and `missing` says why.

    Parameters
    ----------
    log : FlightLog
    events : FlightEvents
        Those moved by hand are in it, and everything after it is counted from them.
    solution, flown : Solution or None
        What is explained (the what-if where it is drawn), and the one with the calibration as flown.
    measurements : Measurements or None
    facts : VehicleFacts or None
    propulsion : Propulsion or None
        Thrust, drag, mass, key figures of the motor, thrust misalignment.
    descent : dict of str to Quantity
    control : Control or None
        Response to the command, saturation, corrections, reserve, the kick at the start.
    vibration : Vibration or None
    power : Power or None
        Battery, temperature, timing.
    onboard : OnboardTrack or None
    baro : (log_time_s, height_m) or None
        Barometric height above the pad.
    rail : ObservedLean or None
    findings : tuple of Finding
        Warnings first, then notes, then good news, each in order of time.
    missing : mapping of str to str
        Part -> why it can't be had.
    assumptions : tuple of str
    """

    log: FlightLog
    events: FlightEvents
    solution: Solution | None = None
    flown: Solution | None = None
    measurements: Measurements | None = None
    facts: VehicleFacts | None = None
    propulsion: Propulsion | None = None
    descent: Mapping[str, Quantity] = field(default_factory=dict)
    control: Control | None = None
    vibration: Vibration | None = None
    power: Power | None = None
    onboard: OnboardTrack | None = None
    baro: tuple[Array, Array] | None = None
    rail: ObservedLean | None = None
    findings: tuple[Finding, ...] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    assumptions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "descent", MappingProxyType(dict(self.descent)))
        object.__setattr__(self, "missing", MappingProxyType(dict(self.missing)))

    def figures(self, part: str) -> Mapping[str, Quantity]:
        """Key figures of a part, by name, in the order of a report; empty where the part could not be had."""
        if part == "descent":
            return self.descent
        found = getattr(self, part) if part in ("propulsion", "control", "power") else None
        return {} if found is None else found.figures

    def known(self, part: str, name: str) -> Quantity | None:
        """One figure, None where it is undetermined or the part is missing."""
        found = self.figures(part).get(name)
        return found if found is not None and found.is_known else None

    def time(self, name: str) -> float:
        """Log time of an event, s; NaN where it is not known."""
        return self.events.log_time_s(name)

    @property
    def is_guided(self) -> bool:
        """The gimbal was commanded in this log, or the vehicle file says that the vehicle is guided."""
        return self.control is not None or (self.facts is not None and self.facts.is_guided)
