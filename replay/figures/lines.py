"""Traces on matplotlib axes: the same lines, names and dashes as on screen, reduced to their envelope at the final width."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.figures.style import DASHES, MM_PER_INCH, VARIANT_NAMES, FigureSettings, legend_columns, shade_phases, size_pt, width_em
from replay.review.pyramid import visible_band
from replay.review.series import Line, Series, of_snapshot
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, BLUE, GREEN, ORANGE, OVERLAYS, PURPLE, SERIES, SKY, VERMILLION
from replay.scene.palette import look_of as look_of_variant

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from replay.figures.style import AnyFigure

Array = NDArray[np.float64]

_PRINT_DPI = 300
_MANY_PANES = 5
"""From here on panes are so low that the numbers beside them are set smaller."""
_LOW_EM = 6.0
"""Height of a pane, its name and gap with it, in type sizes, below which three numbers don't fit one over the other."""
LOOKS = (
    (BLUE, "solid"),
    (VERMILLION, "dashed"),
    (GREEN, "dashdot"),
    (BLACK, "dotted"),
    (PURPLE, "dashed"),
    (ORANGE, "solid"),
    (SKY, "dashdot"),
)
"""Colour and dash of the first, the second, ... of several lines that no other rule tells apart."""


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
    if n_traces == 1 and (line.variant in SERIES or line.variant in OVERLAYS):
        return look_of_variant(line.variant)[:2]
    if component in SERIES and line.variant in ("as_flown", "logged"):
        return SERIES[component]
    return LOOKS[place % len(LOOKS)]


def draw_line(
    axes: Axes,
    line: Line,
    zero: float,
    start_s: float,
    stop_s: float,
    width_px: int,
    look: tuple[str, str],
    label: str,
    *,
    has_band: bool = True,
) -> None:
    """One line as its min/max envelope at `width_px` columns, with its band of one standard deviation."""
    colour, dash = look
    if line.band is not None and has_band:
        time, bottom, top = visible_band(*line.band, start_s + zero, stop_s + zero, min(width_px, 1500))
        axes.fill_between(time - zero, bottom, top, color=colour, alpha=0.22, linewidth=0)
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
    is_vector = len({series.catalogue[key].label for key in keys}) == 1
    place = 0
    for key in keys:
        trace = series.catalogue[key]
        for line in series.lines(key):
            own = (trace.component if is_vector else trace.title) if len(keys) > 1 else ""
            look = look_of(line, trace.component, len(keys), place)
            # beside other traces a what-if keeps its trace's colour, dotted, and takes no room in the legend
            if own and line.variant not in ("as_flown", "logged"):
                look, label = (SERIES.get(trace.component, look)[0], "dotted"), "_"
            else:
                label = own or ("_" if line.variant == "logged" else VARIANT_NAMES.get(line.variant, line.variant))
            draw_line(axes, line, zero, start, stop, width_px, look, label, has_band=settings.has_bands)
            place += 1
    name_pane(axes, pane_label(series, keys), is_below_phases=named_phases)
    axes.set_xlim(start, stop)
    if len(keys) > 1:
        name_lines(axes, is_below_phases=named_phases)


def pane_label(series: Series, keys: Sequence[str]) -> str:
    """What a pane shows, with its unit: of one trace its whole title, of one vector its label, else (the legend names them) the unit."""
    traces = [series.catalogue[key] for key in keys]
    names = {trace.label for trace in traces}
    name = traces[0].title if len(keys) == 1 else traces[0].label if len(names) == 1 else ""
    return " ".join(part for part in (name, f"({traces[0].unit})" if traces[0].unit else "") if part)


def name_pane(axes: Axes, label: str, *, is_below_phases: bool = False) -> None:
    """What is shown, written level above a pane at its left end: upright on a narrow print it would not fit beside a low pane."""
    import matplotlib as mpl

    size = float(mpl.rcParams["font.size"])
    axes.set_title(label, pad=(1.65 if is_below_phases else 0.35) * size)


def name_lines(axes: Axes, *, is_below_phases: bool = False) -> None:
    """A legend on the line of the pane's name, at its right end; beside the pane where it would run into the name."""
    handles, labels = axes.get_legend_handles_labels()
    title = axes.get_title(loc="left")
    if 0.62 * len(title) + sum(0.58 * len(label) + 4.4 for label in labels) < 1.1 * width_em(axes.figure):
        pad = 1.5 if is_below_phases else 0.2
        axes.legend(handles, labels, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(labels), borderaxespad=pad, borderpad=0.0)
    else:
        axes.legend(handles, labels, loc="center left", bbox_to_anchor=(1.0, 0.5), borderaxespad=0.3)


def draw_stack(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings, panes: Sequence[Sequence[str]]) -> list[Axes]:
    """Panes over one time axis; panes this result can't fill are left out.

    Raises
    ------
    CannotEstimate
        Not one of the traces is in the log.
    """
    import matplotlib as mpl

    series = of_snapshot(snapshot)
    rows = [(pane_keys(series, pane), i) for i, pane in enumerate(panes)]
    filled = [keys for keys, _ in rows if keys]
    if not filled:
        raise CannotEstimate("figure", f"none of its traces is in this log: {', '.join(key for pane in panes for key in pane)}")
    shares = [settings.pane_shares[i] if i < len(settings.pane_shares) else 1.0 for keys, i in rows if keys]
    stack = figure.subplots(len(filled), 1, sharex=True, squeeze=False, height_ratios=shares)[:, 0]
    for i, (axes, keys) in enumerate(zip(stack, filled, strict=True)):
        draw_pane(axes, snapshot, settings, keys, named_phases=i == 0)
        axes.label_outer()
        if len(filled) >= _MANY_PANES:
            axes.tick_params(axis="y", labelsize=0.75 * mpl.rcParams["font.size"])
    for axes, vertical in zip(stack, (_vertical(settings, i) for keys, i in rows if keys), strict=True):
        if vertical is not None:
            axes.set_ylim(*vertical)
    if size_pt(figure)[1] < _LOW_EM * len(filled) * mpl.rcParams["font.size"]:
        for axes in stack:
            low, high = axes.get_ylim()
            numbers = [at for at in axes.get_yticks() if min(low, high) <= at <= max(low, high)]
            axes.set_yticks([numbers[0], numbers[-1]] if len(numbers) > 2 else numbers)
    stack[-1].set_xlabel(time_label(snapshot))
    name_variants(figure, list(stack))
    return list(stack)


def _vertical(settings: FigureSettings, place: int) -> tuple[float, float] | None:
    return settings.pane_verticals[place] if place < len(settings.pane_verticals) else None


def time_label(snapshot: Snapshot) -> str:
    """Of the time axis."""
    return "time from liftoff (s)" if np.isfinite(snapshot.as_flown.events.liftoff_log_s) else "time from start of log (s)"


def name_variants(figure: AnyFigure, stack: Sequence[Axes]) -> None:
    """One legend above the figure for panes that hold one trace each, so that it covers no data."""
    named: dict[str, Any] = {}
    for axes in stack:
        if axes.get_legend() is None:
            for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
                named.setdefault(label, handle)
    if len(named) > 1:
        figure.legend(list(named.values()), list(named), loc="outside upper right", ncols=legend_columns(figure, list(named)))
