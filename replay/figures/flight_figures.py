"""Figures of one flight over time: overview, attitude, gimbal and response, power and temperature, traces as arranged."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.figures.export import Drawn
from replay.figures.lines import draw_pane, draw_stack, name_pane, name_variants, pane_keys, span_s, time_label, zero_log_s
from replay.figures.style import DASHES, FigureSettings
from replay.figures.words import HEADING_NOTE, capital, method_words, summary_words
from replay.motion.solution import Solution
from replay.review.logged_traces import attitude_at
from replay.review.series import DEFAULT_PANES, of_snapshot
from replay.review.snapshot import Snapshot
from replay.scene.palette import SERIES
from replay.units import DEG, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure

Array = NDArray[np.float64]


def overview(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Height, speed, axial specific force and tilt with the phases of the flight."""
    draw_stack(figure, snapshot, settings, (("height",), ("speed",), ("accel.z",), ("tilt",)))
    words = summary_words(snapshot)
    return Drawn(
        f"Height, speed, axial specific force and tilt of the flight: {words}. {method_words(snapshot)}",
        f"Four panels over time from liftoff, phases shaded. {capital(words)}.",
    )


def attitude(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Tilt, tilt azimuth and roll, as flown against what-if, and the angle between the two noses."""
    s, w = snapshot.as_flown, snapshot.what_if
    if settings.stop_s is None and np.isfinite(s.events.apogee_log_s):
        settings = with_span(settings, -1.0, s.events.apogee_log_s - zero_log_s(snapshot) + 1.0)
    rows = figure.subplots(4 if w is not None else 3, 1, sharex=True)
    series = of_snapshot(snapshot)
    for axes, key in zip(rows, ("tilt", "tilt_azimuth", "roll"), strict=False):
        draw_pane(axes, snapshot, settings, pane_keys(series, (key,)), named_phases=axes is rows[0])
        axes.label_outer()
    words = "no what-if is set"
    if w is not None:
        start, stop = span_s(snapshot, settings)
        zero = zero_log_s(snapshot)
        apart = noses_apart(s, w) / DEG
        shown = (s.log_time_s - zero >= start) & (s.log_time_s - zero <= stop)
        up = np.searchsorted(s.log_time_s, s.events.apogee_log_s) if np.isfinite(s.events.apogee_log_s) else len(apart)
        colour, dash = SERIES["what_if"]
        stride = max(1, np.count_nonzero(shown) // 4000)  # smooth: the difference of two integrals
        rows[-1].plot(s.log_time_s[shown][::stride] - zero, apart[shown][::stride], color=colour, linestyle=DASHES[dash])
        name_pane(rows[-1], "angle between the noses (deg)")
        largest = float(np.nanmax(apart[:up])) if up else float("nan")
        words = f"the noses of flight as flown and what-if lie up to {largest:.2f} deg apart before apogee"
    rows[-1].set_xlabel(time_label(snapshot))
    name_variants(figure, list(rows))
    return Drawn(
        f"Attitude as flown against what-if: {words}. {method_words(snapshot)}{HEADING_NOTE}",
        f"Tilt, tilt azimuth and roll over time; {words}.",
    )


def noses_apart(a: Solution, b: Solution) -> Array:
    """Angle between the two noses at a's samples, rad, shape (n,)."""
    q = attitude_at(a.log_time_s, b.log_time_s, b.q_enu_from_body)
    one, other = (rotation.rotate(each, [0.0, 0.0, 1.0]) for each in (a.q_enu_from_body, q))
    return np.asarray(2.0 * np.arctan2(np.linalg.norm(one - other, axis=1), np.linalg.norm(one + other, axis=1)))


def gimbal(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Gimbal command and position over the burn with the angular rate that answers."""
    s = snapshot.as_flown
    burnout = s.events.burnout_log_s - zero_log_s(snapshot)
    if np.isfinite(burnout):
        settings = with_span(settings, -0.2, burnout + 0.5)
    panes = (
        ("log:gimbal_command_rad.x", "log:gimbal_position_rad.x"),
        ("log:gimbal_command_rad.y", "log:gimbal_position_rad.y"),
        ("rate.x", "rate.y"),
        ("pitch",),
        ("yaw",),
    )
    draw_stack(figure, snapshot, settings, panes)
    said = "the log has no gimbal command"
    command = snapshot.log.get("gimbal_command_rad")
    if command is not None:
        start, stop = span_s(snapshot, settings)
        time = command.log_time_s - zero_log_s(snapshot)
        shown = command.values[(time >= start) & (time <= stop)]
        if np.isfinite(shown).any():
            largest = np.nanmax(np.abs(shown), axis=0) / DEG
            said = f"largest command {largest[0]:.2f} deg about x, {largest[1]:.2f} deg about y"
    return Drawn(
        f"Gimbal command and the vehicle's response through the burn: {said}. {method_words(snapshot)}",
        f"Gimbal angles, angular rates, pitch and yaw over time; {said}.",
    )


def with_span(settings: FigureSettings, start_s: float, stop_s: float) -> FigureSettings:
    """The figure's own span where the user chose none."""
    if settings.start_s is not None or settings.stop_s is not None:
        return settings
    return replace(settings, start_s=start_s, stop_s=stop_s)


def power(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Battery, current and temperatures through the flight."""
    panes = (("log:battery_v",), ("log:current_a",), ("log:imu_temperature_k", "log:air_temperature_k"))
    draw_stack(figure, snapshot, settings, panes)
    said = []
    battery, temperature = snapshot.log.get("battery_v"), snapshot.log.get("imu_temperature_k")
    if battery is not None:
        said.append(f"battery {np.nanmin(battery.values):.2f} to {np.nanmax(battery.values):.2f} V")
    if temperature is not None:
        low, high = np.nanmin(temperature.values) - ZERO_CELSIUS_K, np.nanmax(temperature.values) - ZERO_CELSIUS_K
        said.append(f"sensor {low:.1f} to {high:.1f} °C")
    words = "; ".join(said) or "the log has neither battery nor sensor temperature"
    return Drawn(
        f"Power and temperature through the flight: {words}. Lines run through the least and greatest value in each column of the print.",
        f"Battery and temperature over time: {words}.",
    )


def traces(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """The trace stack as arranged on screen."""
    panes = settings.panes or DEFAULT_PANES
    draw_stack(figure, snapshot, settings, panes)
    series = of_snapshot(snapshot)
    filled = [keys for keys in (pane_keys(series, pane) for pane in panes) if keys]
    names = [series.catalogue[key].title for keys in filled for key in keys]
    is_shared = snapshot.what_if is not None and any(len(keys) > 1 for keys in filled)
    dotted = "Where several traces share a pane, dotted lines are not of the flight as flown. " if is_shared else ""
    return Drawn(
        f"{capital(', '.join(names))}: {summary_words(snapshot)}. {method_words(snapshot, has_bands=settings.has_bands)}{dotted}",
        f"Stack of traces over time from liftoff: {', '.join(names)}.",
    )
