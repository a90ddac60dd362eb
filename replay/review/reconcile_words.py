"""What the Reconcile panel says of a reconciliation, as texts and table rows."""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING, Final

from replay.units import DEG
from replay.whatif.unknowns import PAD_TILT

if TYPE_CHECKING:
    from replay.whatif.reconciliation import Parameter, Reconciliation

PARAMETER_HEADINGS: Final = ("", "as flown", "prior ±", "reconciled", "±", "from record", "strongest correlation")
"""The as-flown value is the prior's mean, but for the pad tilt: there it is as levelled, and the prior what the rail showed."""


def tilt_text(result: Reconciliation) -> str:
    """Pad tilt as levelled and reconciled."""
    known = " (pinned)" if PAD_TILT in result.pinned else f" ± {result.pad_tilt_sd_rad / DEG:.2f}°"
    return (
        f"Pad tilt as levelled {result.levelled_tilt_rad / DEG:.2f}° towards {result.levelled_tilt_azimuth_rad / DEG:.0f}°; "
        f"reconciled {result.pad_tilt_rad / DEG:.2f}°{known} towards {result.pad_tilt_azimuth_rad / DEG:.0f}°."
    )


def parameter_rows(result: Reconciliation) -> list[tuple[str, ...]]:
    """Each parameter under the name of its group: as flown, prior, reconciled. What the record does not determine says so in words.

    A row of two texts is a heading (`SmallTable.fill`). What is pinned is left out: `pinned_text` names it.
    """
    rows: list[tuple[str, ...]] = []
    free = [p for p in result.parameters if p.status != "pinned"]
    for group, members in groupby(free, key=group_of):
        same = list(members)
        units = {p.unit for p in same}
        shared = f", {same[0].unit}" if len(units) == 1 and same[0].unit != "1" else ""
        rows.append((f"{group}{shared}", ""))
        rows += [_row(p, result, "" if len(units) == 1 or p.unit == "1" else f", {p.unit}") for p in same]
    return rows


def group_of(p: Parameter) -> str:
    """Name of what the parameter is a component of."""
    return "barometer" if p.name.startswith("barometer") else p.name.rpartition(" ")[0]


def pinned_text(result: Reconciliation) -> str:
    """What was not solved for."""
    return f"Pinned as flown: {', '.join(result.pinned)}." if result.pinned else ""


def _row(p: Parameter, result: Reconciliation, unit: str) -> tuple[str, ...]:
    is_tilt = p.name.startswith("pad tilt")
    flown = _levelled(p.name, result) if is_tilt else p.prior
    prior = f"{p.prior:.{_digits(p.prior_sd)}f} ± {p.prior_sd:.4g}" if is_tilt else f"{p.prior_sd:.4g}"
    before = (f"{p.name.removeprefix(group_of(p)).strip()}{unit}", f"{flown:.{_digits(p.sd)}f}", prior)
    found = "undetermined" if p.status == "undetermined" else f"{p.value:.{_digits(p.sd)}f}"
    told = f"{p.correlation:+.2f} {p.correlated_with}" if p.correlated_with else "–"
    numbers = (*before[1:], found, f"{p.sd:.2g}", f"{p.share:.0%}")
    return (before[0], *(text.replace("-", "−") for text in numbers), told.replace("-", "−", 1) if p.correlation < 0.0 else told)


def _digits(sd: float) -> int:
    """Digits after the point that a standard deviation supports: two of its own."""
    return max(0, min(6, 1 - math.floor(math.log10(sd)))) if sd > 0.0 else 4


def _levelled(name: str, result: Reconciliation) -> float:
    """East or north component of the nose as levelled, in degrees of lean."""
    part = math.sin if name.endswith("east") else math.cos
    return math.sin(result.levelled_tilt_rad) * part(result.levelled_tilt_azimuth_rad) / DEG


def observation_rows(result: Reconciliation) -> list[tuple[str, str]]:
    """Residual of each piece of evidence, in sigmas."""
    return [(o.name, ", ".join(f"{v:+.1f}".replace("-", "−") for v in o.sigmas)) for o in result.observations]


def fit_text(result: Reconciliation) -> str:
    """Overall chi-square."""
    return f"Chi-square {result.chi_square:.0f} on {result.degrees_of_freedom} degrees of freedom."


def next_text(result: Reconciliation) -> str:
    """The single further observation that would help most."""
    if not result.next_observations:
        return ""
    best = result.next_observations[0]
    now, then = best.tilt_sd_now_rad / DEG, best.tilt_sd_then_rad / DEG
    return f"What would help most next: {best.name} (pad tilt ± {now:.2f}° → ± {then:.2f}°, {best.reduction:.0%} less)."
