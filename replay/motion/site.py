"""Site: where the pad is and how warm the air was. Anything not stated is a default, and a result that leaned on it says so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.units import kelvin


@dataclass(frozen=True)
class Site:
    """Launch site.

    Parameters
    ----------
    latitude_rad : float or None
    ground_height_m : float or None
        Above sea level.
    ground_temperature_k : float or None
        Outside air at the pad, not the warm sensor.
    pad_azimuth_rad : float or None
        Declared azimuth of body +x, clockwise from true north. Never measured.
    """

    latitude_rad: float | None = None
    ground_height_m: float | None = None
    ground_temperature_k: float | None = None
    pad_azimuth_rad: float | None = None

    @property
    def latitude_or_default_rad(self) -> float:
        """As declared, else 45°."""
        return float(np.radians(45.0)) if self.latitude_rad is None else self.latitude_rad

    @property
    def ground_height_or_default_m(self) -> float:
        """As declared, else sea level."""
        return 0.0 if self.ground_height_m is None else self.ground_height_m

    @property
    def ground_temperature_or_default_k(self) -> float:
        """As declared, else 15 °C."""
        return kelvin(15.0) if self.ground_temperature_k is None else self.ground_temperature_k

    @property
    def pad_azimuth_or_default_rad(self) -> float:
        """As declared, else 90°: body x faces east."""
        return float(np.radians(90.0)) if self.pad_azimuth_rad is None else self.pad_azimuth_rad

    def assumptions(self) -> tuple[str, ...]:
        """One line for each default leaned on, and for the heading, which is declared at best."""
        lines = []
        if self.latitude_rad is None:
            lines.append("latitude not given: gravity of 45° used")
        if self.ground_height_m is None:
            lines.append("ground height not given: sea level used for gravity")
        if self.ground_temperature_k is None:
            lines.append("ground temperature not given: 15 °C used for barometric height")
        if self.pad_azimuth_rad is None:
            lines.append("heading declared, not measured: pad azimuth of body x not given, 90° (east) used")
        else:
            lines.append("heading declared, not measured")
        return tuple(lines)
