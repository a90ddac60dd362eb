"""What of the vehicle the explanation of a flight needs, as plain numbers: `whatif.vehicle` lies further down the flow and fills it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class VehicleFacts:
    """What of the vehicle the explanation needs. None: not given, and what needs it is undetermined.

    Defaults of a vehicle file are left out here on purpose: no result is to rest on a number nobody stated. `thrust_curve_s_n` is pairs
    of time from ignition and thrust; `drag_coefficient` goes with the area of `diameter_m`; `proportional` is gimbal angle per attitude
    error, rad/rad.
    """

    liftoff_mass_kg: float
    propellant_mass_kg: float
    diameter_m: float
    thrust_curve_s_n: tuple[tuple[float, float], ...] = ()
    drag_coefficient: float | None = None
    transverse_inertia_kgm2: float | None = None
    axial_inertia_kgm2: float = 0.0
    gimbal_below_cg_m: float | None = None
    cp_below_cg_m: float | None = None
    rail_length_m: float | None = None
    gimbal_limit_rad: float | None = None
    gimbal_rate_limit_radps: float | None = None
    proportional: float | None = None
    is_guided: bool = False
    chute_drag_area_m2: float | None = None
    chute_delay_s: float | None = None

    @property
    def dry_mass_kg(self) -> float:
        """After the burn."""
        return self.liftoff_mass_kg - self.propellant_mass_kg

    @property
    def area_m2(self) -> float:
        """Cross-section the drag coefficient refers to."""
        return 0.25 * math.pi * self.diameter_m**2
