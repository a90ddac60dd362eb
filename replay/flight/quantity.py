"""A number as a report gives it: value, one standard deviation, unit, and what it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One key figure. `value` NaN: undetermined, and `note` says why. `sd` NaN: not estimated."""

    label: str
    value: float
    sd: float
    unit: str
    note: str = ""

    @property
    def is_known(self) -> bool:
        """There is a value."""
        return math.isfinite(self.value)

    def text(self) -> str:
        """Value and standard deviation to the digits the latter supports."""
        if not self.is_known:
            return f"undetermined ({self.note})" if self.note else "undetermined"
        unit = f" {self.unit}" if self.unit not in ("", "1") else ""
        if not math.isfinite(self.sd) or self.sd <= 0.0:
            return f"{self.value:.4g}{unit}"
        digits = max(0, min(6, 1 - math.floor(math.log10(self.sd))))
        if round(self.sd, digits) == 0.0:  # known better than anybody writes it
            return f"{self.value:.7g}{unit}"
        return f"{self.value:.{digits}f} ± {self.sd:.{digits}f}{unit}"


def undetermined(label: str, unit: str, why: str) -> Quantity:
    """A figure the record can't give."""
    return Quantity(label, math.nan, math.nan, unit, why)
