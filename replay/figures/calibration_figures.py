"""Figures of a calibration: what the flight determined of it and what not, and how what was solved for hangs together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from replay.figures.difference_map import difference_map
from replay.figures.export import Drawn
from replay.figures.material import RECONCILIATION, material_of
from replay.figures.style import FigureSettings, legend_columns
from replay.figures.words import capital
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, BLUE, VERMILLION
from replay.units import DEG

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from replay.figures.style import AnyFigure
    from replay.whatif.reconciliation import Parameter, Reconciliation

_PRIOR_GREY = "#D5DADF"
_NOT_DETERMINED = "not determined: left as before"


def solved(result: Reconciliation) -> list[Parameter]:
    """Sensor parameters that were solved for, in the order of the result."""
    return [p for p in result.parameters if p.status != "pinned" and not p.name.startswith("pad tilt")]


def value_text(p: Parameter) -> str:
    """Value and standard deviation to the digits the latter supports."""
    from replay.flight.quantity import Quantity

    text = Quantity(p.name, p.value, p.sd, p.unit).text()
    number, _, rest = text.partition(" ")
    if float(number) == 0.0:
        text = f"{number.lstrip('-')} {rest}"
    return text.replace("-", "\N{MINUS SIGN}")


def _short(name: str) -> str:
    return name.replace("accelerometer", "accel.").replace("barometer", "baro.")


def calibration(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Every number that was solved for against what was known before, in standard deviations of the latter."""
    result: Reconciliation = material_of(snapshot, RECONCILIATION)
    shown = solved(result)
    axes = figure.subplots()
    rows = np.arange(len(shown))[::-1]
    reach = _draw_rows(axes, shown, rows)
    axes.set_yticks(rows, [_short(p.name) for p in shown])
    axes.set_ylim(-0.7, len(shown) - 0.3)
    axes.set_xlim(-reach, reach)
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("away from what was known before\n(in its standard deviations)")
    beside = axes.secondary_yaxis("right")
    beside.set_yticks(rows, [value_text(p) for p in shown])
    beside.tick_params(length=0)
    beside.spines["right"].set_visible(False)
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper center", ncols=legend_columns(figure, labels))
    levelled = f"{result.levelled_tilt_rad / DEG:.2f} deg as levelled"
    tilt = f"pad tilt {result.pad_tilt_rad / DEG:.2f} ± {result.pad_tilt_sd_rad / DEG:.2f} deg ({levelled})"
    found = ", ".join(f"{p.name} {value_text(p)}" for p in shown if p.status == "determined")
    open_ = ", ".join(result.undetermined) or "nothing"
    return Drawn(
        f"Calibration that makes the record agree with itself and with what was observed: {tilt}. Determined: {found or 'nothing'}. "
        f"Not determined by this flight: {open_}. Grey: what was known before, one standard deviation either way.",
        f"Dots with bars, one row for each of {len(shown)} numbers. {capital(tilt)}; not determined: {open_}.",
    )


def _draw_rows(axes: Axes, shown: list[Parameter], rows: np.ndarray) -> float:
    """Dots and bars; half the width that holds them all."""
    axes.barh(rows, 2.0, left=-1.0, height=0.74, color=_PRIOR_GREY, label="known before", zorder=1)
    axes.axvline(0.0, color=BLACK, linewidth=0.6, zorder=2)
    reach = 1.25
    for status, marker, colour, face, label in (
        ("determined", "o", BLUE, BLUE, "determined"),
        ("undetermined", "D", VERMILLION, "white", _NOT_DETERMINED),
    ):
        mine = [(row, p) for row, p in zip(rows, shown, strict=True) if p.status == status and p.prior_sd > 0.0]
        if not mine:
            continue
        at = np.array([(p.value - p.prior) / p.prior_sd for _, p in mine])
        spread = np.array([p.sd / p.prior_sd for _, p in mine])
        axes.errorbar(at, [row for row, _ in mine], xerr=spread, fmt=marker, color=colour, markerfacecolor=face, label=label, zorder=3)
        reach = max(reach, 1.1 * float(np.max(np.abs(at) + spread)))
    return reach


def correlation(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """How strongly what was solved for hangs together: two numbers at ±1 can't be told apart by this flight."""
    result: Reconciliation = material_of(snapshot, RECONCILIATION)
    names, matrix = _correlation(result)
    axes = figure.subplots()
    picture = axes.imshow(matrix, cmap=difference_map(), vmin=-1.0, vmax=1.0, aspect="equal")
    axes.set_xticks(range(len(names)), names, rotation=90)
    axes.set_yticks(range(len(names)), names)
    axes.tick_params(length=0)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    bar = figure.colorbar(picture, ax=axes, shrink=0.6)
    bar.set_label("correlation")
    off = np.abs(np.where(np.eye(len(names), dtype=bool), 0.0, matrix))
    i, j = np.unravel_index(int(np.argmax(off)), off.shape)
    words = f"strongest between {names[i]} and {names[j]}, {matrix[i, j]:+.2f}".replace("-", "\N{MINUS SIGN}")
    return Drawn(
        f"Correlation of what was solved for: {words}. Two numbers at ±1 can't be told apart by this flight. The map's middle is zero.",
        f"Square map of the correlation of {len(names)} numbers; {words}.",
    )


def _correlation(result: Reconciliation) -> tuple[list[str], np.ndarray]:
    """Names and correlation matrix of the posterior's components."""
    labels = {"accel_bias_imu_mps2": "accel. bias", "accel_scale": "accel. scale", "accel_cross_axis": "accel. cross-axis"}
    labels |= {"gyro_bias_imu_radps": "gyro bias", "gyro_scale": "gyro scale", "mount_rotation_rad": "mount rotation"}
    components, covariance = result.posterior.components, result.posterior.covariance
    sd = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    axes = ("xy", "xz", "yz")
    names = [f"{labels.get(name, name)} {axes[axis] if name == 'accel_cross_axis' else 'xyz'[axis]}" for name, axis in components]
    return names, np.clip(covariance / np.outer(sd, sd), -1.0, 1.0)
