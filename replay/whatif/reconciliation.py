"""What reconciling found: each number with its standard deviation and how much of it the record gave, and the solved flight."""

from __future__ import annotations

from dataclasses import dataclass

from replay.sensors.calibration import Calibration
from replay.whatif.ensemble import Posterior
from replay.whatif.flight_fit import FlightFit


@dataclass(frozen=True)
class Parameter:
    """One solved number. Values and standard deviations in `unit`, as shown.

    Parameters
    ----------
    name, unit : str
    value, sd : float
        `value` is the prior's where undetermined.
    prior, prior_sd : float
    share : float
        Part of the prior variance that this record and the evidence took away, 0 to 1.
    correlated_with, correlation : str, float
        The strongest.
    status : str
        "determined", "undetermined" or "pinned".
    """

    name: str
    unit: str
    value: float
    sd: float
    prior: float
    prior_sd: float
    share: float
    correlated_with: str
    correlation: float
    status: str


@dataclass(frozen=True)
class Observation:
    """One piece of evidence: how far the reconciled flight lies from it, in sigmas (one for each component)."""

    name: str
    sigmas: tuple[float, ...]


@dataclass(frozen=True)
class NextObservation:
    """A single further observation and what it would leave of the pad tilt's standard deviation."""

    name: str
    tilt_sd_now_rad: float
    tilt_sd_then_rad: float

    @property
    def reduction(self) -> float:
        """Share, 0 to 1, of the standard deviation that it would take away."""
        return 1.0 - self.tilt_sd_then_rad / self.tilt_sd_now_rad


@dataclass(frozen=True, eq=False)
class Reconciliation:
    """The result. `fit` holds the whole solved flight; `posterior` is what an ensemble draws from.

    Parameters
    ----------
    as_flown, calibration : Calibration
        Before; reconciled (undetermined parameters at their prior).
    parameters : tuple of Parameter
        Pad tilt first, then the sensors', then the barometer's.
    pad_tilt_rad, pad_tilt_azimuth_rad, pad_tilt_sd_rad : float
        True attitude on the pad, and as levelled.
    observations : tuple of Observation
    chi_square : float
    degrees_of_freedom : int
    next_observations : tuple of NextObservation
        Most helpful first.
    posterior : Posterior
    notes, assumptions : tuple of str
    doubts : tuple of str
        Why the numbers may be wrong by more than their standard deviations say; to be told before them.
    pinned : tuple of str
        Groups and members (`unknowns.MEMBERS`) that were not solved for.
    """

    as_flown: Calibration
    calibration: Calibration
    parameters: tuple[Parameter, ...]
    pad_tilt_rad: float
    pad_tilt_azimuth_rad: float
    pad_tilt_sd_rad: float
    levelled_tilt_rad: float
    levelled_tilt_azimuth_rad: float
    observations: tuple[Observation, ...]
    chi_square: float
    degrees_of_freedom: int
    next_observations: tuple[NextObservation, ...]
    posterior: Posterior
    fit: FlightFit
    notes: tuple[str, ...]
    assumptions: tuple[str, ...]
    pinned: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def parameter(self, name: str) -> Parameter:
        """One parameter by name."""
        return next(p for p in self.parameters if p.name == name)

    @property
    def undetermined(self) -> tuple[str, ...]:
        """Names of the parameters the record does not determine."""
        return tuple(p.name for p in self.parameters if p.status == "undetermined")
