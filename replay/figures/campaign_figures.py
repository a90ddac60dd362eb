"""Figure of several flights on one time axis, liftoff at zero."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from replay.figures.export import Drawn
from replay.figures.lines import LOOKS, draw_line, name_pane, pane_label, span_s, zero_log_s
from replay.figures.material import CAMPAIGN, material_of
from replay.figures.style import MM_PER_INCH, FigureSettings, legend_columns
from replay.figures.words import at_event, plus_minus
from replay.review.series import of_snapshot
from replay.review.snapshot import Snapshot
from replay.units import DEG

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure

_PANES = ("height", "speed", "accel.z", "tilt")
_PRINT_DPI = 300


def campaign(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Height, speed, axial specific force and tilt of every flight."""
    flights: tuple[tuple[str, Snapshot], ...] = material_of(snapshot, CAMPAIGN)
    spans = [span_s(flight, settings) for _, flight in flights]
    start, stop = min(a for a, _ in spans), max(b for _, b in spans)
    stack = figure.subplots(len(_PANES), 1, sharex=True)
    width_px = round(settings.size_mm[0] / MM_PER_INCH * _PRINT_DPI)
    for axes, key in zip(stack, _PANES, strict=True):
        for i, (name, flight) in enumerate(flights):
            series = of_snapshot(flight)
            line = next((line for line in series.lines(key) if line.variant == "as_flown"), None)
            if line is not None:
                draw_line(axes, line, zero_log_s(flight), start, stop, width_px, LOOKS[i % len(LOOKS)], name, has_band=settings.has_bands)
        name_pane(axes, pane_label(of_snapshot(snapshot), (key,)))
        axes.label_outer()
    stack[-1].set_xlim(start, stop)
    stack[-1].set_xlabel("time from liftoff (s)")
    handles, labels = stack[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=legend_columns(figure, labels))
    said = "; ".join(f"{name}: {_flight_words(flight)}" for name, flight in flights)
    return Drawn(
        f"{len(flights)} flights on one time axis, liftoff at zero, each as flown. {said}. Bands: one standard deviation.",
        f"Height, speed, axial specific force and tilt of {len(flights)} flights over time. {said}.",
    )


def _flight_words(flight: Snapshot) -> str:
    s = flight.as_flown
    words = []
    apogee, burnout = at_event(s, "apogee"), at_event(s, "burnout")
    if apogee is not None and np.isfinite(s.pos_enu_m[apogee, 2]):
        words.append(f"apogee {plus_minus(float(s.pos_enu_m[apogee, 2]), s.pos_sd_enu_m, apogee, 'm', 1, 2)}")
    if burnout is not None:
        words.append(f"tilt at burnout {plus_minus(float(s.tilt_rad[burnout]) / DEG, s.tilt_sd_rad, burnout, 'deg', 1, None, 1.0 / DEG)}")
    return ", ".join(words) or "no liftoff in this log"
