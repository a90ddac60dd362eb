"""A reconciliation written down: as a calibration file, as JSON, and as the report a person reads."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from replay.cautions import CAUTION_LINE
from replay.sensors.calibration import Calibration, CalibrationFile
from replay.units import DEG
from replay.whatif.reconciliation import Reconciliation
from replay.whatif.unknowns import FIELDS, PAD_TILT


def calibration_file(result: Reconciliation) -> CalibrationFile:
    """What is saved: the calibration, standard deviations of what was free with their correlation, and what was not determined."""
    sd: dict[str, tuple[float, float, float]] = {}
    for group, (field, axes) in FIELDS.items():
        own = [result.parameter(f"{group} {a}") for a in axes]
        if all(p.status == "pinned" for p in own):
            continue
        factor = next(f.metadata["factor"] for f in dataclasses.fields(Calibration) if f.name == field)
        x, y, z = (math.nan if p.status == "pinned" else p.sd * factor for p in own)
        sd[field] = (x, y, z)
    known = "pinned" if PAD_TILT in result.pinned else f"± {result.pad_tilt_sd_rad / DEG:.2f} deg"
    doubt = f"doubtful: {' '.join(result.doubts)} " if result.doubts else ""
    note = f"{doubt}reconciled: pad tilt {result.pad_tilt_rad / DEG:.2f} deg, {known}"
    scale = np.sqrt(np.diag(result.posterior.covariance))
    correlation = result.posterior.covariance / np.outer(scale, scale)
    correlation = 0.5 * (correlation + correlation.T)
    np.fill_diagonal(correlation, 1.0)
    return CalibrationFile(result.calibration, sd, result.undetermined, note, result.posterior.components, correlation)


def as_dict(result: Reconciliation) -> dict[str, Any]:
    """Everything, for JSON."""
    return {
        "parameters": [dataclasses.asdict(p) for p in result.parameters],
        "pad_tilt_deg": result.pad_tilt_rad / DEG,
        "pad_tilt_azimuth_deg": result.pad_tilt_azimuth_rad / DEG,
        "pad_tilt_sd_deg": result.pad_tilt_sd_rad / DEG,
        "levelled_tilt_deg": result.levelled_tilt_rad / DEG,
        "levelled_tilt_azimuth_deg": result.levelled_tilt_azimuth_rad / DEG,
        "evidence": [{"name": o.name, "sigmas": list(o.sigmas)} for o in result.observations],
        "chi_square": result.chi_square,
        "degrees_of_freedom": result.degrees_of_freedom,
        "next_observations": [
            {"name": c.name, "tilt_sd_deg": c.tilt_sd_then_rad / DEG, "reduction": c.reduction} for c in result.next_observations
        ],
        "converged": result.fit.has_converged,
        "undetermined": list(result.undetermined),
        "pinned": list(result.pinned),
        "doubts": list(result.doubts),
        "notes": list(result.notes),
        "assumptions": list(result.assumptions),
        "caution": CAUTION_LINE,
    }


def as_text(result: Reconciliation) -> str:
    """The report a person reads."""
    levelled = f"{result.levelled_tilt_rad / DEG:5.2f} deg towards {result.levelled_tilt_azimuth_rad / DEG:3.0f}°"
    true = f"{result.pad_tilt_rad / DEG:5.2f} deg towards {result.pad_tilt_azimuth_rad / DEG:3.0f}°"
    known = "pinned as levelled" if PAD_TILT in result.pinned else f"± {result.pad_tilt_sd_rad / DEG:.2f} deg each way"
    lines = [
        *(f"DOUBTFUL: {doubt}" for doubt in result.doubts),
        *([""] if result.doubts else []),
        "pad tilt (attitude of the nose on the pad)",
        f"  as levelled  {levelled}",
        f"  reconciled   {true}, {known}",
        "",
        f"{'parameter':<35}{'unit':<9}{'value ± sd':>22}{'prior ± sd':>22}{'from record':>13}  strongest correlation",
    ]
    for p in result.parameters:
        if p.status != "pinned":
            name = p.name + (" *" if p.status == "undetermined" else "")
            lines.append(
                f"{name:<35}{p.unit:<9}{_pair(p.value, p.sd):>22}{_pair(p.prior, p.prior_sd):>22}{p.share:>12.0%}   "
                + (f"{p.correlation:+.2f} with {p.correlated_with}" if p.correlated_with else "–")
            )
    if result.undetermined:
        lines.append("* undetermined by this flight: left at its prior")
    if result.observations:
        shown = "; ".join(f"{o.name} {', '.join(f'{v:+.1f}' for v in o.sigmas)}" for o in result.observations)
        lines += ["", f"evidence less flight, in sigmas: {shown}"]
    lines.append(f"chi-square {result.chi_square:.0f} on {result.degrees_of_freedom} degrees of freedom")
    if result.next_observations:
        best = result.next_observations[0]
        now, then = best.tilt_sd_now_rad / DEG, best.tilt_sd_then_rad / DEG
        lines.append(f"what would help most next: {best.name} (pad tilt ± {now:.2f} → ± {then:.2f} deg)")
    return "\n".join([*lines, "", *result.notes, *(f"assumed: {a}" for a in result.assumptions)])


def _pair(value: float, sd: float) -> str:
    """Value and standard deviation to the digits the latter supports."""
    digits = max(0, min(7, 1 - math.floor(math.log10(sd)))) if sd > 0.0 else 4
    return f"{value:.{digits}f} ± {sd:.{digits}f}"
