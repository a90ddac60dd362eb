"""Figure of thrust and drag: against time beside the rated curve, and the drag coefficient against speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from replay.figures.export import Drawn
from replay.figures.lines import name_pane, zero_log_s
from replay.figures.material import EXPLAINED, material_of
from replay.figures.style import DASHES, FigureSettings, legend_columns
from replay.figures.words import capital
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, SERIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from replay.figures.style import AnyFigure
    from replay.flight.explained import Explained
    from replay.flight.propulsion import Propulsion

_MOST_POINTS = 2000


def thrust(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Thrust and drag through burn and coast, and the drag coefficient of the coast."""
    explained: Explained = material_of(snapshot, EXPLAINED)
    found = explained.propulsion
    assert found is not None  # the registry asked
    time = found.log_time_s - zero_log_s(snapshot)
    start = settings.start_s if settings.start_s is not None else float(time[0])
    stop = settings.stop_s if settings.stop_s is not None else float(time[-1])
    upper, lower, coefficient = figure.subplots(3, 1, height_ratios=[1.3, 1.0, 1.0])
    inside = np.flatnonzero((time >= start) & (time <= stop))
    thin = inside[:: max(1, len(inside) // _MOST_POINTS)]
    colour, dash = SERIES["as_flown"]
    for axes, values, sd in ((upper, found.thrust_n, found.thrust_sd_n), (lower, found.drag_n, found.drag_sd_n)):
        axes.fill_between(time[thin], (values - sd)[thin], (values + sd)[thin], color=colour, alpha=0.22, linewidth=0)
        axes.plot(time[thin], values[thin], color=colour, linestyle=DASHES[dash], label="from the record")
        axes.set_xlim(start, stop)
    _rated(upper, explained)
    name_pane(upper, "thrust (N)")
    name_pane(lower, "drag (N)")
    lower.sharex(upper)
    upper.label_outer()
    lower.set_xlabel("time from liftoff (s)")
    _coefficients(coefficient, found)
    handles, labels = upper.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=legend_columns(figure, labels))
    said = "; ".join(f"{q.label} {q.text()}" for q in found.figures.values() if q.is_known)
    notes = " ".join(f"{capital(note)}." for note in found.notes)
    return Drawn(
        f"Thrust and drag along the vehicle, and drag coefficient of the coast: {said}. Bands and bars: one standard deviation. {notes}",
        f"Thrust, drag and drag coefficient: {said}.",
    )


def _rated(axes: Axes, explained: Explained) -> None:
    """The motor's curve of the vehicle file, from liftoff."""
    curve = None if explained.facts is None else explained.facts.thrust_curve_s_n
    if curve:
        at: NDArray[np.float64] = np.asarray(curve)
        axes.plot(at[:, 0], at[:, 1], color=BLACK, linestyle=DASHES["dashed"], label="vehicle file")


def _coefficients(axes: Axes, found: Propulsion) -> None:
    name_pane(axes, "drag coefficient")
    axes.set_xlabel("speed (m/s)")
    good = np.isfinite(found.cd)
    if good.any():
        axes.errorbar(found.cd_speed_mps[good], found.cd[good], yerr=found.cd_sd[good], fmt="o", color=SERIES["as_flown"][0])
    else:
        axes.text(0.5, 0.5, "not determined", transform=axes.transAxes, ha="center", va="center")
    axes.margins(x=0.05)
