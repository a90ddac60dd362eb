"""Figures of how the flights of a campaign differ: each less the first over time, and key figures from flight to flight."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from replay.figures.difference_map import difference_map, hatching, name_differences
from replay.figures.export import Drawn
from replay.figures.lines import name_pane
from replay.figures.material import CAMPAIGN, EXPLAINED, material_of
from replay.figures.style import DASHES, FigureSettings, width_em
from replay.figures.words import true_minus
from replay.flight.compare import TRACES, Comparison, FigureRow, compare_flights, largest_differences, trend_line
from replay.flight.explained import Explained
from replay.flight.quantity import Quantity
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, BLUE, VERMILLION

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure

Array = NDArray[np.float64]

_SHOWN: Final = ("height", "vertical_speed", "axial_force", "tilt")
_TITLES: Final = {"height": "height", "vertical_speed": "vertical speed", "axial_force": "specific force z", "tilt": "tilt"}
_LEAST_SHARE: Final = 0.04
"""Of the greatest difference: what is less below zero than this is not hatched."""
_MOST_FIGURES: Final = {"one-column": 8, "two-column": 12, "slide": 9, "video": 9}
_STEP_S: Final = 0.05
_TOLD: Final = ("rising", "falling")
"""Courses that stand clear of the scatter; the rest is scatter or not told."""


def explained_flights(snapshot: Snapshot) -> list[tuple[str, Explained | None]]:
    """Name and explanation of every flight, the one at hand first."""
    flights: tuple[tuple[str, Snapshot], ...] = material_of(snapshot, CAMPAIGN) or ()
    return [(name, material_of(snapshot if i == 0 else flight, EXPLAINED)) for i, (name, flight) in enumerate(flights)]


def why_not_compared(snapshot: Snapshot) -> str | None:
    """None where the flights can be laid over each other at liftoff; else which can't, and why."""
    for name, known in explained_flights(snapshot):
        if known is None or known.solution is None:
            return f"{name} has not been explained: name the flights with --beside"
        if "liftoff" not in known.events:
            return f"{name} has no liftoff: {known.events.unknown.get('liftoff', 'no such event')}"
    return None


def differences(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Each flight less the first over time: height, vertical speed, axial specific force and tilt, a row for each flight."""
    found = _compared(snapshot)
    start, stop = _up(found, settings)
    inside = (found.time_s >= start) & (found.time_s <= stop)
    time, names = found.time_s[inside], found.names
    rows = np.arange(2, len(names) + 1)
    stack = figure.subplots(len(_SHOWN), 1, sharex=True)
    for axes, key in zip(stack, _SHOWN, strict=True):
        apart = found.differences[key][inside, 1:].T
        most = float(np.nanmax(np.abs(apart))) if np.isfinite(apart).any() else 1.0
        most = most or 1.0
        axes.patch.set(hatch="....", edgecolor="#BBBBBB")  # where there is no value, the ground shows
        picture = axes.pcolormesh(
            time, rows, np.ma.masked_invalid(apart), cmap=difference_map(), vmin=-most, vmax=most, shading="nearest", rasterized=True
        )
        for row, values in zip(rows, apart, strict=True):
            is_less = np.nan_to_num(values) < -_LEAST_SHARE * most
            axes.fill_between(time, row - 0.5, row + 0.5, where=is_less, **hatching())
            if row > rows[0]:
                axes.axhline(row - 0.5, color=BLACK, linewidth=0.4)
        axes.set_ylim(len(names) + 0.5, 1.5)
        axes.set_yticks(rows)
        name_pane(axes, f"{_TITLES[key]}, less that of flight 1")
        name_differences(figure, picture, axes, TRACES[key])
        axes.label_outer()
    stack[-1].set_xlim(start, stop)
    stack[-1].set_xlabel("time from liftoff (s)")
    stack[len(stack) // 2].set_ylabel("flight")
    _number_flights(figure, names)
    said = "; ".join(_apart_words(row) for row in largest_differences(found) if row[0] in _SHOWN)
    numbered = _numbered(names)
    return Drawn(
        f"Each flight less flight 1 over time, aligned at liftoff. {numbered}. {_calibration_words(snapshot)}Farthest from flight 1 before "
        f"the earliest apogee: {said or 'no flight has a value beside it'}. "
        "Hatched: below flight 1. Dotted: no value. Limits are equal on both sides of zero.",
        f"Four maps of time against flight: the difference in height, vertical speed, axial specific force and tilt from flight 1. "
        f"{numbered}. Farthest apart: {said or 'no value'}.",
    )


def trends(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Key figures of every flight in the order given, one standard deviation as bars, and a line where they rise or fall."""
    found = _compared(snapshot)
    rows = found.figures[: _MOST_FIGURES[settings.preset]]
    columns = 2 if settings.preset == "one-column" else 3
    grid = figure.subplots(-(-len(rows) // columns), columns, sharex=True, squeeze=False).ravel()
    for axes in grid[len(rows) :]:
        axes.remove()
    n = len(found.names)
    for i, (axes, row) in enumerate(zip(grid, rows, strict=False)):
        _draw_row(axes, row)
        axes.set_xlim(0.5, n + 0.5)
        axes.set_xticks(range(1, n + 1))
        is_last = i + columns >= len(rows)
        axes.tick_params(labelbottom=is_last)
        axes.set_xlabel("flight" if is_last else "")
        unit = "" if row.unit in ("", "1") else f" ({row.unit})"
        width = max(12, int(width_em(figure) / columns / 0.56))
        name_pane(axes, "\n".join(textwrap.wrap(f"{row.label}{unit}{f': {row.course}' if row.course in _TOLD else ''}", width)))
    _number_flights(figure, found.names)
    said = "; ".join(_row_words(row) for row in rows)
    left = f" {len(found.figures) - len(rows)} more in plumbline compare." if len(found.figures) > len(rows) else ""
    numbered = _numbered(found.names)
    return Drawn(
        f"Key figures from flight to flight, in the order given. {numbered}. {_calibration_words(snapshot)}"
        f"Bars: one standard deviation, where there is one. Dashed, only where a figure rises or falls: weighted line "
        f"through three flights or more with a slope of more than three standard deviations. {said}.{left}",
        f"{len(rows)} small plots of key figures against flight number. {numbered}. {said}.",
    )


def _compared(snapshot: Snapshot) -> Comparison:
    return compare_flights([(name, known) for name, known in explained_flights(snapshot) if known is not None], step_s=_STEP_S)


def _up(found: Comparison, settings: FigureSettings) -> tuple[float, float]:
    """Span shown: as asked, else from just before liftoff to the earliest apogee: what tumbles there differs by far more."""
    first, last = float(found.time_s[0]), float(found.time_s[-1])
    apogees = [q.value for row in found.figures if row.label == "time from liftoff to apogee" for q in row.values if q.is_known]
    start = max(first, -0.5) if settings.start_s is None else settings.start_s
    return start, (min(last, min(apogees, default=last)) if settings.stop_s is None else settings.stop_s)


def _draw_row(axes: Any, row: FigureRow) -> None:
    import matplotlib as mpl

    width = float(mpl.rcParams["lines.linewidth"])
    known = [(i, q) for i, q in enumerate(row.values, start=1) if q.is_known]
    at, values = [i for i, _ in known], [q.value for _, q in known]
    spread = [q.sd if np.isfinite(q.sd) else 0.0 for _, q in known]
    axes.errorbar(at, values, yerr=spread, fmt="o", color=BLUE, markersize=4.0 * width, capsize=2.5 * width, linewidth=width)
    line = trend_line(row.values) if row.course in _TOLD else None
    if line is not None:
        axes.plot(range(1, len(row.values) + 1), line, color=VERMILLION, linestyle=DASHES["dashed"])
    for i, q in enumerate(row.values, start=1):
        if not q.is_known:
            axes.text(i, 0.04, "?", transform=axes.get_xaxis_transform(), ha="center", va="bottom")
    axes.margins(y=0.15)
    axes.locator_params(axis="y", nbins=4)


def _number_flights(figure: AnyFigure, names: tuple[str, ...]) -> None:
    """Which number is which flight, above the panes."""
    width = int(width_em(figure) / 0.8 / 0.56)
    text = "\n".join(textwrap.wrap("   ".join(f"{i}\N{NO-BREAK SPACE}{name}" for i, name in enumerate(names, start=1)), width))
    figure.suptitle(text, x=0.01, ha="left", fontsize="medium")


def _numbered(names: tuple[str, ...]) -> str:
    return f"Flights: {', '.join(f'{i} {name}' for i, name in enumerate(names, start=1))}"


def _apart_words(row: tuple[str, str, float, float]) -> str:
    trace, name, at_s, apart = row
    return f"{name} {_TITLES[trace]} {true_minus(f'{apart:+.3g}')} {TRACES[trace]} at {at_s:.2f} s"


def _row_words(row: FigureRow) -> str:
    values = ", ".join(q.text() if q.is_known else "undetermined" for q in row.values)
    if not row.trend.is_known:
        return true_minus(f"{row.label} {values}")
    return true_minus(
        f"{row.label} {values} ({row.course}, {Quantity('', row.trend.value, row.trend.sd, row.trend.unit).text()} per flight)"
    )


def _calibration_words(snapshot: Snapshot) -> str:
    flights: tuple[tuple[str, Snapshot], ...] = material_of(snapshot, CAMPAIGN)
    corrected = [name for name, flight in flights if flight.what_if is not None]
    return f"With the what-if's calibration: {', '.join(corrected)}; the others as flown. " if corrected else "Each as flown. "
