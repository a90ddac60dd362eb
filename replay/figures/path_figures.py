"""Figures of where the nose pointed and where the vehicle went: plumb circle, path in plan and elevation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay.figures.export import Drawn
from replay.figures.lines import name_pane, name_variants, span_s, zero_log_s
from replay.figures.style import DASHES, VARIANT_NAMES, FigureSettings, legend_columns
from replay.figures.words import HEADING_NOTE, at_event, capital, method_words, solutions_of
from replay.motion.solution import Solution
from replay.review.nose import plane_deg
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, SERIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from replay.figures.style import AnyFigure

Array = NDArray[np.float64]


def plumb_circle(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Where the nose pointed around vertical, from liftoff to apogee: believed and corrected."""
    tracks = dict(solutions_of(snapshot))
    axes = figure.subplots()
    axes.set_aspect("equal")
    limit, said = 1.0, []
    curves = [(name, s.log_time_s, s.q_enu_from_body) for name, s in tracks.items()]
    if snapshot.onboard is not None:
        curves.append(("onboard", *snapshot.onboard))
    start = settings.start_s if settings.start_s is not None else 0.0
    end = _end_of_climb(snapshot, settings)
    zero = zero_log_s(snapshot)
    for name, log_time_s, q in curves:
        inside = np.flatnonzero((log_time_s - zero >= start) & (log_time_s - zero <= end))
        if not len(inside):
            continue
        at = plane_deg(q[inside[:: max(1, len(inside) // 4000)]])
        colour, dash = SERIES[name]
        axes.plot(at[:, 0], at[:, 1], color=colour, linestyle=DASHES[dash], label=VARIANT_NAMES[name])
        axes.plot(at[0, 0], at[0, 1], "o", color=colour)
        axes.plot(at[-1, 0], at[-1, 1], "s", color=colour)
        reach = float(np.nanmax(np.hypot(at[:, 0], at[:, 1])))
        limit = max(limit, reach)
        said.append(f"{VARIANT_NAMES[name]} up to {reach:.1f} deg")
    _rings(axes, limit)
    names = [name for name, *_ in curves]
    if len(names) > 1:
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside upper center", ncols=legend_columns(figure, labels))
    return Drawn(
        f"Plumb circle: where the nose pointed around vertical from {start:g} to {end:.1f} s, seen from above, north up; "
        f"{'; '.join(said)}. Circle: start, square: end. {HEADING_NOTE}",
        f"Polar plot of the nose direction around vertical with rings in degrees. {capital('; '.join(said))}.",
    )


def _end_of_climb(snapshot: Snapshot, settings: FigureSettings) -> float:
    if settings.stop_s is not None:
        return settings.stop_s
    s = snapshot.as_flown
    last = s.events.apogee_log_s if np.isfinite(s.events.apogee_log_s) else s.log_time_s[-1]
    # the nose goes over at the top: the last tenth of the climb would fill the circle with it
    climb = last - zero_log_s(snapshot)
    return float(0.9 * climb)


def _rings(axes: Axes, limit_deg: float) -> None:
    """Rings, compass letters and spokes instead of square axes."""
    step = next(s for s in (0.5, 1, 2, 5, 10, 20, 45, 90) if limit_deg / s <= 4.5)
    outer = step * np.ceil(limit_deg / step + 1e-9)
    angle = np.linspace(0.0, 2.0 * np.pi, 181)
    for radius in np.arange(step, outer + 0.5 * step, step):
        axes.plot(radius * np.cos(angle), radius * np.sin(angle), color="#BBBBBB", linewidth=0.5, zorder=-5)
        axes.text(radius * 0.7071, radius * 0.7071, f"{radius:g}°", color="#555555", ha="left", va="bottom", fontsize="small")
    for letter, (x, y) in {"N": (0, 1), "E": (1, 0), "S": (0, -1), "W": (-1, 0)}.items():
        axes.plot([0, x * outer], [0, y * outer], color="#DDDDDD", linewidth=0.5, zorder=-6)
        axes.text(1.07 * x * outer, 1.07 * y * outer, letter, ha="center", va="center", color=BLACK)
    axes.set_xlim(-1.15 * outer, 1.15 * outer)
    axes.set_ylim(-1.15 * outer, 1.15 * outer)
    axes.set_axis_off()


def path(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """The flown path in plan and in elevation along its own drift, with one standard deviation where there is one."""
    plan, elevation = figure.subplots(1, 2)
    s = snapshot.as_flown
    start, stop = span_s(snapshot, settings)
    apogee = at_event(s, "apogee")
    toward = s.pos_enu_m[apogee, :2] if apogee is not None else s.pos_enu_m[-1, :2]
    length = float(np.hypot(*toward))
    along = toward / length if np.isfinite(length) and length > 0.0 else np.array([1.0, 0.0])
    zero, said = zero_log_s(snapshot), []
    for name, solution in solutions_of(snapshot).items():
        colour, dash = SERIES[name]
        inside = np.flatnonzero((solution.log_time_s - zero >= start) & (solution.log_time_s - zero <= stop))
        thin = inside[:: max(1, len(inside) // 3000)]
        at = solution.pos_enu_m[thin]
        plan.plot(at[:, 0], at[:, 1], color=colour, linestyle=DASHES[dash], label=VARIANT_NAMES[name])
        elevation.plot(at[:, :2] @ along, at[:, 2], color=colour, linestyle=DASHES[dash])
        if solution.pos_sd_enu_m is not None and np.isfinite(solution.pos_sd_enu_m[thin, :2]).all():
            sd = solution.pos_sd_enu_m[thin]
            across = np.sqrt((sd[:, :2] ** 2) @ along**2)
            elevation.fill_betweenx(at[:, 2], at[:, :2] @ along - across, at[:, :2] @ along + across, color=colour, alpha=0.22, linewidth=0)
            _ellipses(plan, at, sd, colour)
        said.append(f"{VARIANT_NAMES[name]}: {_landing_words(solution)}")
    plan.plot(0, 0, "^", color=BLACK)
    plan.annotate("pad", (0, 0), textcoords="offset points", xytext=(4, 4))
    name_pane(plan, "north (m)")
    plan.set_xlabel("east (m)")
    plan.set_aspect("equal", adjustable="datalim")
    name_variants(figure, [plan])
    elevation.set_xlabel(f"towards {np.degrees(np.arctan2(along[0], along[1])) % 360:.0f}° (m)")
    name_pane(elevation, "height (m)")
    elevation.set_aspect("equal", adjustable="datalim")
    return Drawn(
        f"Path in plan (left) and elevation towards the apogee (right). {capital('; '.join(said))}. {method_words(snapshot)}{HEADING_NOTE}",
        f"Flown path seen from above and from the side. {capital('; '.join(said))}.",
    )


def _ellipses(axes: Axes, at: Array, sd: Array, colour: str) -> None:
    """One-sigma extents in plan at a few places along the path."""
    from matplotlib.patches import Ellipse

    for i in np.linspace(0, len(at) - 1, 8).astype(int)[1:]:
        axes.add_patch(
            Ellipse((at[i, 0], at[i, 1]), 2 * sd[i, 0], 2 * sd[i, 1], facecolor=colour, edgecolor=colour, alpha=0.25, linewidth=0.5)
        )


def _landing_words(solution: Solution) -> str:
    i = at_event(solution, "touchdown")
    i = len(solution.log_time_s) - 1 if i is None else i
    east, north, _ = solution.pos_enu_m[i]
    if not np.isfinite(east):
        return "position not estimated"
    if solution.pos_sd_enu_m is None or not np.isfinite(solution.pos_sd_enu_m[i, 0]):
        return f"lands {east:.1f} m east, {north:.1f} m north of the pad"
    return (
        f"lands {east:.1f} ± {solution.pos_sd_enu_m[i, 0]:.1f} m east, {north:.1f} ± {solution.pos_sd_enu_m[i, 1]:.1f} m north of the pad"
    )
