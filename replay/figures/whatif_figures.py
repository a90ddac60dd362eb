"""Figure of the flight flown again: path, tilt and how far the two flights lie apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from replay.cautions import CAUTION_LINE
from replay.figures.export import Drawn
from replay.figures.lines import name_pane
from replay.figures.material import REFLOWN, material_of
from replay.figures.style import DASHES, FigureSettings, legend_columns
from replay.figures.words import HEADING_NOTE, capital, whole
from replay.review.comparison import betweens
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, SERIES
from replay.units import DEG

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure
    from replay.review.whatif_work import Reflown
    from replay.whatif.ensemble import Ensemble
    from replay.whatif.refly import Moment

_NAMES = (("what_if", "flown, as the what-if tells it"), ("reflown", "re-flown"))


def refly(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Plan, elevation, tilt and distance of the flown and the re-flown flight."""
    made: Reflown = material_of(snapshot, REFLOWN)
    reflight = made.reflight
    start = 0.0 if settings.start_s is None else settings.start_s
    panes = figure.subplot_mosaic([["plan", "elevation"], ["tilt", "tilt"], ["apart", "apart"]], height_ratios=[2.0, 1.0, 0.8])
    time = reflight.time_s
    ends = [moment.time_s for moment in reflight.moments.get("apogee", ()) if np.isfinite(moment.time_s)]
    stop = settings.stop_s if settings.stop_s is not None else float(max(ends)) + 1.0 if ends else float(time[-1])
    inside = np.flatnonzero((time >= start) & (time <= stop))
    thin = inside[:: max(1, len(inside) // 3000)]
    toward = reflight.flown.pos_enu_m[inside[-1], :2] if len(inside) else np.zeros(2)
    length = float(np.hypot(*toward))
    along = toward / length if np.isfinite(length) and length > 1.0 else np.array([1.0, 0.0])
    for (series, name), track in zip(_NAMES, (reflight.flown, reflight.reflown), strict=True):
        colour, dash = SERIES[series]
        look: dict[str, Any] = {"color": colour, "linestyle": DASHES[dash]}
        at = track.pos_enu_m[thin]
        panes["plan"].plot(at[:, 0], at[:, 1], label=name, **look)
        panes["elevation"].plot(at[:, :2] @ along, at[:, 2], **look)
        panes["tilt"].plot(time[thin], track.tilt_rad[thin] / DEG, **look)
    if made.run is not None:
        _draw_spread(panes, made, made.run.ensemble, along, stop)
    apart = np.linalg.norm(reflight.reflown.pos_enu_m[thin] - reflight.flown.pos_enu_m[thin], axis=1)
    panes["apart"].plot(time[thin], apart, color=BLACK)
    panes["plan"].plot(0, 0, "^", color=BLACK)
    for pane, title in (("plan", "north (m)"), ("elevation", "height (m)"), ("tilt", "tilt (deg)"), ("apart", "paths apart (m)")):
        name_pane(panes[pane], title)
    panes["plan"].set_xlabel("east (m)")
    panes["elevation"].set_xlabel(f"towards {np.degrees(np.arctan2(along[0], along[1])) % 360:.0f}° (m)")
    for pane in ("plan", "elevation"):
        panes[pane].set_aspect("equal", adjustable="datalim")
    panes["tilt"].sharex(panes["apart"])
    panes["tilt"].label_outer()
    panes["apart"].set_xlabel("time from liftoff (s)")
    panes["apart"].set_xlim(start, stop)
    handles, labels = panes["plan"].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=legend_columns(figure, labels))
    spread = f"{_spread_words(made)} " if made.run is not None else ""
    said = "; ".join(moment_words(name, flown, again) for name, (flown, again) in reflight.moments.items())
    return Drawn(
        f"The flight as flown and, by the model, flown again with the what-if calibration on board: {said}. "
        f"{spread}Guidance: {whole(reflight.guidance_source)} {whole(reflight.left_out)} {HEADING_NOTE} {CAUTION_LINE}",
        f"Flown and re-flown path from above and from the side, and both tilts over time. The model says: {said}.",
    )


def _draw_spread(panes: Any, made: Reflown, ensemble: Ensemble, along: Any, stop: float) -> None:
    """What nine of ten members lie between: tilt over time, the path up to apogee from the side, and apogee both ways."""
    inside = np.flatnonzero(ensemble.time_s <= stop)
    time = ensemble.time_s[inside]
    paths = (ensemble.flown_pos_enu_m, ensemble.reflown_pos_enu_m)
    tilts = (ensemble.flown_tilt_rad, ensemble.reflown_tilt_rad)
    top = next(b for b in betweens(ensemble, made.reflight, made.flown) if (b.moment, b.quantity) == ("apogee", "height"))
    for i, (series, _) in enumerate(_NAMES):
        look: dict[str, Any] = {"color": SERIES[series][0], "alpha": 0.18, "linewidth": 0.0}
        low, _, high = ensemble.band(tilts[i][:, inside] / DEG)
        panes["tilt"].fill_between(time, low, high, **look)
        low, _, high = ensemble.band(paths[i][:, inside, :2] @ along)
        height = ensemble.band(paths[i][:, inside, 2])[1]
        rising = slice(0, int(np.nanargmax(height)) + 1)
        panes["elevation"].fill_betweenx(height[rising], low[rising], high[rising], **look)
        place = ensemble.apogee_enu_m[:, i]
        for pane, values in (("plan", place[:, :2]), ("elevation", np.column_stack((place[:, :2] @ along, place[:, 2])))):
            low, middle, high = ensemble.band(values)
            if pane == "elevation":  # no member carries how well the height itself is known
                low[1], _, high[1] = top.flown if i == 0 else top.reflown
            reach = np.nan_to_num(np.abs(np.array([middle - low, high - middle])))
            panes[pane].errorbar(*middle, xerr=reach[:, :1], yerr=reach[:, 1:], color=SERIES[series][0], elinewidth=1.0, capsize=2.0)


def _spread_words(made: Reflown) -> str:
    """What the bands and crosses are."""
    assert made.run is not None
    ensemble = made.run.ensemble
    return (
        f"Bands, and the crosses at apogee: nine of ten of {ensemble.n_members} members (seed {ensemble.seed}), drawn from "
        f"{made.run.spread.source} and from the vehicle file's tolerances."
    )


def moment_words(name: str, flown: Moment, again: Moment) -> str:
    """Both flights at one moment, and how far apart."""
    words = name
    tilts = (flown.tilt_rad / DEG, again.tilt_rad / DEG)
    if name != "touchdown" and np.isfinite(tilts).all():
        words += f": tilt {tilts[0]:.1f} deg flown, {tilts[1]:.1f} deg re-flown"
    shift = np.hypot(again.east_m - flown.east_m, again.north_m - flown.north_m)
    if np.isfinite(shift):
        words += f"{',' if ':' in words else ':'} {shift:.1f} m apart over ground"
    higher = again.height_m - flown.height_m
    if name == "apogee" and np.isfinite(higher):
        words += f", {abs(higher):.1f} m {'higher' if higher >= 0 else 'lower'}"
    return words if ":" in words else f"{capital(words)}: not reached"
