"""Figures drawn by the renderer of the screen, as vector shapes: 3D path, and a strip of attitudes at chosen times."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from replay.figures.export import Drawn
from replay.figures.lines import zero_log_s
from replay.figures.scene_axes import draw_on_axes
from replay.figures.style import VARIANT_NAMES, FigureSettings, size_pt
from replay.figures.words import HEADING_NOTE, capital
from replay.review.snapshot import Snapshot
from replay.scene.build import SceneOptions, prepare
from replay.scene.camera import Viewpoint
from replay.scene.picture import picture
from replay.scene.tracks import pose_at
from replay.units import DEG

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure
    from replay.scene.build import Flight

_TEXT_PX = 12.0
_ORBIT_ZOOM, _CHASE_ZOOM = 0.85, 0.92
"""A little further off than on screen: nothing may be cut at the edge of a print."""


def path_3d(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """The whole path from the side and above, with its shadow on the ground."""
    flight = prepare(snapshot)
    zero = zero_log_s(snapshot)
    at = settings.at_s[0] if settings.at_s else _apogee_s(snapshot)
    width, height = _free_size_pt(figure)
    pt_per_px = _pt_per_px()
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    options = SceneOptions(show_readings=False, background=None, text_px=_TEXT_PX)
    size = (round(width / pt_per_px), round(height / pt_per_px))
    draw_on_axes(axes, picture(flight, at + zero, Viewpoint("orbit").zoomed(_ORBIT_ZOOM), size, options), pt_per_px=pt_per_px)
    said = []
    for track in flight.tracks:
        if track.has_position:
            top = track.path_enu_m[int(np.argmax(track.path_enu_m[:, 2]))]
            said.append(f"{VARIANT_NAMES[track.series]}: top at {top[2]:.1f} m, {np.hypot(*top[:2]):.1f} m from the pad over ground")
    if flight.compared:
        said.append(f"for comparison, thin: {', '.join(track.series for track in flight.compared)}")
    words = capital("; ".join(said)) or "No position was estimated"
    return Drawn(
        f"Path in three dimensions with its shadow on the ground, the vehicle drawn enlarged at {at:.2f} s. {words}. {HEADING_NOTE}",
        f"Perspective picture of the flown path above the ground. {words}.",
    )


def film_strip(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """The vehicle's attitude at chosen times, seen from beside it."""
    flight = prepare(snapshot)
    zero = zero_log_s(snapshot)
    times = settings.at_s or _moments(snapshot)
    width, height = _free_size_pt(figure)
    pt_per_px = _pt_per_px()
    caption_pt = 3.1 * _TEXT_PX * pt_per_px
    columns, rows = _grid(len(times), width, height, caption_pt)
    cell = (width / columns, height / rows)
    options = SceneOptions(show_notes=False, show_ground=False, show_path=False, show_compared=False, background=None, text_px=_TEXT_PX)
    size = (round(cell[0] / pt_per_px), round((cell[1] - caption_pt) / pt_per_px))
    said = []
    for k, at in enumerate(times):
        left, top = (k % columns) / columns, 1.0 - (k // columns) / rows
        axes = figure.add_axes((left, top - (cell[1] - caption_pt) / height, 1.0 / columns, (cell[1] - caption_pt) / height))
        draw_on_axes(axes, picture(flight, at + zero, Viewpoint("chase").zoomed(_CHASE_ZOOM), size, options), pt_per_px=pt_per_px)
        tilts = _tilts(flight, at + zero)
        words = [f"{at:.2f} s", f"tilt {', '.join(f'{tilt:.1f}°' for _, tilt in tilts)}"]
        figure.text(left + 0.5 / columns, top - (cell[1] - 0.55 * caption_pt) / height, "\n".join(words), ha="center", va="center")
        said.append(f"{at:.2f} s: {', '.join(f'{VARIANT_NAMES[name]} {tilt:.1f} deg' for name, tilt in tilts)}")
    names = " and ".join(VARIANT_NAMES[track.series] for track in flight.tracks)
    ghost = f" Below each picture the tilt of {names}, in this order." if len(flight.tracks) > 1 else ""
    return Drawn(
        f"Attitude at {len(times)} times, seen from beside the vehicle. Tilt at {'; '.join(said)}.{ghost} {HEADING_NOTE}",
        f"{len(times)} pictures of the vehicle beside a vertical line. Tilt at {'; '.join(said)}.",
    )


def _free_size_pt(figure: AnyFigure) -> tuple[float, float]:
    """Width and height to fill with pictures of one's own: nothing is left for an automatic layout to arrange."""
    if hasattr(figure, "set_layout_engine"):  # a part of a page has no layout of its own
        figure.set_layout_engine("none")
    return size_pt(figure)


def _pt_per_px() -> float:
    """The scene's text comes out at the figure's type size."""
    import matplotlib as mpl

    return float(mpl.rcParams["font.size"]) / _TEXT_PX


def _apogee_s(snapshot: Snapshot) -> float:
    s = snapshot.as_flown
    at = s.events.apogee_log_s if np.isfinite(s.events.apogee_log_s) else float(s.log_time_s[-1])
    return float(at - zero_log_s(snapshot))


def _moments(snapshot: Snapshot) -> tuple[float, ...]:
    """Liftoff, thirds of the burn, burnout, the middle of the coast and apogee; evenly through a log without a flight."""
    s = snapshot.as_flown
    zero = zero_log_s(snapshot)
    burnout, apogee = s.events.burnout_log_s - zero, s.events.apogee_log_s - zero
    if not (np.isfinite(burnout) and np.isfinite(apogee)):
        first, last = float(s.time_s[0]), float(s.time_s[-1])
        return tuple(float(t) for t in np.round(np.linspace(first, last, 6), 2))
    return tuple(round(float(t), 2) for t in (0.0, burnout / 3.0, 2.0 * burnout / 3.0, burnout, 0.5 * (burnout + apogee), apogee))


def _grid(n: int, width: float, height: float, caption: float) -> tuple[int, int]:
    """Columns and rows that give the largest square pictures."""
    best = max(range(1, n + 1), key=lambda columns: min(width / columns, height / math.ceil(n / columns) - caption))
    return best, math.ceil(n / best)


def _tilts(flight: Flight, log_time_s: float) -> list[tuple[str, float]]:
    return [(track.series, pose_at(track, log_time_s).tilt_rad / DEG) for track in flight.tracks]
