"""Traces on matplotlib axes: the same lines, names and dashes as on screen, reduced to their envelope at the final width."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.figures.style import DASHES, MM_PER_INCH, VARIANT_NAMES, FigureSettings, shade_phases
from replay.review.series import Line, Series, of_snapshot
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, BLUE, GREEN, ORANGE, PURPLE, SERIES, SKY, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

_PRINT_DPI = 300
_CYCLE = (
    (BLUE, "solid"),
    (VERMILLION, "dashed"),
    (GREEN, "dashdot"),
    (BLACK, "dotted"),
    (PURPLE, "dashed"),
    (ORANGE, "solid"),
    (SKY, "dashdot"),
)


def zero_log_s(snapshot: Snapshot) -> float:
    """Log time of liftoff, or of the first row where liftoff is unknown."""
    liftoff = snapshot.as_flown.events.liftoff_log_s
    return float(liftoff) if np.isfinite(liftoff) else 0.0


def span_s(snapshot: Snapshot, settings: FigureSettings) -> tuple[float, float]:
    """Span shown, seconds from liftoff: as asked, else from just before liftoff to just after touchdown, else the whole log."""
    solution = snapshot.as_flown
    zero = zero_log_s(snapshot)
    first, last = float(solution.log_time_s[0]) - zero, float(solution.log_time_s[-1]) - zero
    start = max(first, -1.0) if np.isfinite(solution.events.liftoff_log_s) else first
    touchdown = solution.events.touchdown_log_s
    stop = min(last, touchdown - zero + 2.0) if np.isfinite(touchdown) else last
    return (start if settings.start_s is None else settings.start_s), (stop if settings.stop_s is None else settings.stop_s)


def look_of(line: Line, component: str, n_traces: int, place: int) -> tuple[str, str]:
    """Colour and dash of a line: by variant where a pane holds one trace, else by component, else by place."""
    if n_traces == 1 and line.variant in SERIES:
        return SERIES[line.variant]
    if component in SERIES and line.variant in ("as_flown", "logged"):
        return SERIES[component]
    return _CYCLE[place % len(_CYCLE)]


def draw_line(axes: Axes, line: Line, zero: float, start_s: float, stop_s: float, width_px: int, look: tuple[str, str], label: str) -> None:
    """One line as its min/max envelope at `width_px` columns, with its band of one standard deviation."""
    colour, dash = look
    if line.band is not None:
        low_t, low = line.band[0].visible(start_s + zero, stop_s + zero, min(width_px, 1500))
        high_t, high = line.band[1].visible(start_s + zero, stop_s + zero, min(width_px, 1500))
        good_low, good_high = np.isfinite(low), np.isfinite(high)
        if good_low.any() and good_high.any():
            upper = np.interp(low_t, high_t[good_high], high[good_high])
            axes.fill_between(low_t - zero, low, upper, color=colour, alpha=0.22, linewidth=0)
    time, values = line.pyramid.visible(start_s + zero, stop_s + zero, width_px)
    axes.plot(time - zero, values, color=colour, linestyle=DASHES[dash], label=label)


def pane_keys(series: Series, wanted: Sequence[str]) -> list[str]:
    """The trace keys of a pane that this result has."""
    return [key for key in wanted if key in series.catalogue and series.lines(key)]


def draw_pane(axes: Axes, snapshot: Snapshot, settings: FigureSettings, keys: Sequence[str], *, named_phases: bool) -> None:
    """One pane: its traces, phase shading, axis label with unit, legend where there is more than one line."""
    series = of_snapshot(snapshot)
    start, stop = span_s(snapshot, settings)
    zero = zero_log_s(snapshot)
    width_px = round(settings.size_mm[0] / MM_PER_INCH * _PRINT_DPI)
    shade_phases(axes, snapshot.as_flown, start, stop, named=named_phases)
    place = 0
    for key in keys:
        trace = series.catalogue[key]
        for line in series.lines(key):
            own = (trace.component or trace.label) if len(keys) > 1 else ""
            look = look_of(line, trace.component, len(keys), place)
            # beside other traces a what-if keeps its trace's colour, dotted, and takes no room in the legend
            if own and line.variant not in ("as_flown", "logged"):
                look, label = (SERIES.get(trace.component, look)[0], "dotted"), "_"
            else:
                label = own or VARIANT_NAMES.get(line.variant, line.variant)
            draw_line(axes, line, zero, start, stop, width_px, look, label)
            place += 1
    first = series.catalogue[keys[0]]
    label = f"{first.label} {first.component}" if len(keys) == 1 and first.component else first.label
    axes.set_ylabel(f"{label}\n({first.unit})" if first.unit else label)
    axes.set_xlim(start, stop)
    if len(keys) > 1:
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), borderaxespad=0.3)


def draw_stack(figure: Figure, snapshot: Snapshot, settings: FigureSettings, panes: Sequence[Sequence[str]]) -> list[Axes]:
    """Panes over one time axis; panes this result can't fill are left out."""
    series = of_snapshot(snapshot)
    filled = [keys for keys in (pane_keys(series, pane) for pane in panes) if keys]
    stack = figure.subplots(len(filled), 1, sharex=True, squeeze=False)[:, 0]
    for i, (axes, keys) in enumerate(zip(stack, filled, strict=True)):
        draw_pane(axes, snapshot, settings, keys, named_phases=i == 0)
        axes.label_outer()
    stack[-1].set_xlabel("time from liftoff (s)" if np.isfinite(snapshot.as_flown.events.liftoff_log_s) else "time from start of log (s)")
    figure.align_ylabels(list(stack))
    name_variants(figure, list(stack))
    return list(stack)


def name_variants(figure: Figure, stack: Sequence[Axes]) -> None:
    """One legend above the figure for panes that hold one trace each, so that it covers no data."""
    named: dict[str, Any] = {}
    for axes in stack:
        if axes.get_legend() is None:
            for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
                named.setdefault(label, handle)
    if len(named) > 1:
        figure.legend(list(named.values()), list(named), loc="outside upper right", ncols=len(named))
