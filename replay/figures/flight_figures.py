"""Figures of one flight over time and on the ground: overview, attitude, plumb circle, path, gimbal, power, spectrum, traces."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.figures.export import Drawn
from replay.figures.lines import draw_pane, draw_stack, name_variants, pane_keys, span_s, zero_log_s
from replay.figures.style import DASHES, VARIANT_NAMES, FigureSettings
from replay.motion.solution import Solution
from replay.review.catalogue import attitude_at
from replay.review.nose import plane_deg
from replay.review.series import DEFAULT_PANES, of_snapshot
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, SERIES
from replay.units import DEG

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

HEADING_NOTE = "Heading is declared, not measured."


def solutions_of(snapshot: Snapshot) -> dict[str, Solution]:
    """Variant -> Solution, as flown first."""
    both = {"as_flown": snapshot.as_flown}
    if snapshot.what_if is not None:
        both["what_if"] = snapshot.what_if
    return both


def at_event(solution: Solution, name: str) -> int | None:
    """Sample of an event, None where the record can't tell."""
    time = getattr(solution.events, f"{name}_log_s")
    if not np.isfinite(time):
        return None
    return int(np.clip(np.searchsorted(solution.log_time_s, time), 0, len(solution.log_time_s) - 1))


def plus_minus(value: float, sd: Array | None, i: int, unit: str, digits: int = 1, column: int | None = None, factor: float = 1.0) -> str:
    """A number with one standard deviation where there is one."""
    if sd is None:
        return f"{value:.{digits}f} {unit}"
    spread = float(sd[i] if column is None else sd[i, column]) * factor
    return f"{value:.{digits}f} ± {spread:.{digits}f} {unit}" if np.isfinite(spread) else f"{value:.{digits}f} {unit}"


def summary_words(snapshot: Snapshot) -> str:
    """Apogee, tilt at burnout and flight time in one sentence."""
    s = snapshot.as_flown
    words = []
    apogee, burnout = at_event(s, "apogee"), at_event(s, "burnout")
    if apogee is not None:
        height = plus_minus(float(s.pos_enu_m[apogee, 2]), s.pos_sd_enu_m, apogee, "m", 1, 2)
        words.append(f"apogee {height} at {s.time_s[apogee]:.2f} s")
    if burnout is not None:
        tilt = plus_minus(float(s.tilt_rad[burnout]) / DEG, s.tilt_sd_rad, burnout, "deg", 2, None, 1.0 / DEG)
        words.append(f"tilt at burnout {tilt} ({s.time_s[burnout]:.2f} s)")
        if snapshot.what_if is not None:
            other = np.interp(s.log_time_s[burnout], snapshot.what_if.log_time_s, snapshot.what_if.tilt_rad)
            words.append(f"{float(other) / DEG:.2f} deg with the what-if")
    return "; ".join(words) if words else "no liftoff in this log"


def _method_words(snapshot: Snapshot) -> str:
    s = snapshot.as_flown
    bands = "Bands: one standard deviation. " if s.pos_sd_enu_m is not None else ""
    return f"Method: {s.method}. {bands}Lines are the least and greatest value in each column of the print. "


def overview(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Height, speed, axial specific force and tilt with the phases of the flight."""
    draw_stack(figure, snapshot, settings, (("height",), ("speed",), ("accel.z",), ("tilt",)))
    words = summary_words(snapshot)
    return Drawn(
        f"Height, speed, axial specific force and tilt of the flight: {words}. {_method_words(snapshot)}",
        f"Four panels over time from liftoff, phases shaded. {words.capitalize()}.",
    )


def attitude(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Tilt, tilt azimuth and roll, as flown against what-if, and the angle between the two noses."""
    s, w = snapshot.as_flown, snapshot.what_if
    if settings.stop_s is None and np.isfinite(s.events.apogee_log_s):
        settings = _with_span(settings, -1.0, s.events.apogee_log_s - zero_log_s(snapshot) + 1.0)
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
        stride = max(1, np.count_nonzero(shown) // 4000)
        rows[-1].plot(s.log_time_s[shown][::stride] - zero, apart[shown][::stride], color=colour, linestyle=DASHES[dash])
        rows[-1].set_ylabel("noses apart\n(deg)")
        largest = float(np.nanmax(apart[:up])) if up else float("nan")
        words = f"the noses of flight as flown and what-if lie up to {largest:.2f} deg apart before apogee"
    rows[-1].set_xlabel("time from liftoff (s)")
    figure.align_ylabels(list(rows))
    name_variants(figure, list(rows))
    return Drawn(
        f"Attitude as flown against what-if: {words}. {_method_words(snapshot)}{HEADING_NOTE}",
        f"Tilt, tilt azimuth and roll over time; {words}.",
    )


def noses_apart(a: Solution, b: Solution) -> Array:
    """Angle between the two noses at a's samples, rad, shape (n,)."""
    q = attitude_at(a.log_time_s, b.log_time_s, b.q_enu_from_body)
    one, other = (rotation.rotate(each, [0.0, 0.0, 1.0]) for each in (a.q_enu_from_body, q))
    return np.asarray(2.0 * np.arctan2(np.linalg.norm(one - other, axis=1), np.linalg.norm(one + other, axis=1)))


def plumb_circle(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
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
        axes.plot(at[0, 0], at[0, 1], "o", color=colour, markersize=4)
        axes.plot(at[-1, 0], at[-1, 1], "s", color=colour, markersize=4)
        reach = float(np.nanmax(np.hypot(at[:, 0], at[:, 1])))
        limit = max(limit, reach)
        said.append(f"{VARIANT_NAMES[name]} up to {reach:.1f} deg")
    _rings(axes, limit)
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return Drawn(
        f"Plumb circle: where the nose pointed around vertical from {start:g} to {end:.1f} s, seen from above, north up; "
        f"{'; '.join(said)}. Circle: start, square: end. {HEADING_NOTE}",
        f"Polar plot of the nose direction around vertical with rings in degrees. {'; '.join(said).capitalize()}.",
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


def path(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
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
    plan.plot(0, 0, "^", color=BLACK, markersize=5)
    plan.annotate("pad", (0, 0), textcoords="offset points", xytext=(4, 4))
    plan.set_xlabel("east (m)")
    plan.set_ylabel("north (m)")
    plan.set_aspect("equal", adjustable="datalim")
    name_variants(figure, [plan])
    elevation.set_xlabel(f"towards {np.degrees(np.arctan2(along[0], along[1])) % 360:.0f}° (m)")
    elevation.set_ylabel("height (m)")
    elevation.set_aspect("equal", adjustable="datalim")
    return Drawn(
        f"Path in plan (left) and elevation towards the apogee (right). {'; '.join(said)}. {_method_words(snapshot)}{HEADING_NOTE}",
        f"Flown path seen from above and from the side. {'; '.join(said)}.",
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


def gimbal(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Gimbal command and position over the burn with the angular rate that answers."""
    s = snapshot.as_flown
    burnout = s.events.burnout_log_s - zero_log_s(snapshot)
    if settings.stop_s is None and np.isfinite(burnout):
        settings = _with_span(settings, -0.2, burnout + 0.5)
    panes = (
        ("log:gimbal_command_rad.x", "log:gimbal_position_rad.x"),
        ("log:gimbal_command_rad.y", "log:gimbal_position_rad.y"),
        ("rate.x", "rate.y"),
        ("pitch",),
        ("yaw",),
    )
    draw_stack(figure, snapshot, settings, panes)
    said = "the log has no gimbal channel"
    command = snapshot.log.get("gimbal_command_rad")
    if command is not None:
        largest = np.nanmax(np.abs(command.values), axis=0) / DEG
        said = f"largest command {largest[0]:.2f} deg about x, {largest[1]:.2f} deg about y"
    return Drawn(
        f"Gimbal command and the vehicle's response through the burn: {said}.", f"Gimbal angles, angular rates, pitch and yaw; {said}."
    )


def _with_span(settings: FigureSettings, start_s: float, stop_s: float) -> FigureSettings:
    from dataclasses import replace

    return replace(settings, start_s=start_s if settings.start_s is None else settings.start_s, stop_s=stop_s)


def power(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Battery, current and temperatures through the flight."""
    draw_stack(
        figure,
        snapshot,
        settings,
        (("log:battery_v",), ("log:current_a",), ("log:imu_temperature_k", "log:air_temperature_k"), ("log:gimbal_command_rad.x",)),
    )
    said = []
    battery, temperature = snapshot.log.get("battery_v"), snapshot.log.get("imu_temperature_k")
    if battery is not None:
        said.append(f"battery {np.nanmin(battery.values):.2f} to {np.nanmax(battery.values):.2f} V")
    if temperature is not None:
        said.append(f"sensor {np.nanmin(temperature.values) - 273.15:.1f} to {np.nanmax(temperature.values) - 273.15:.1f} °C")
    words = "; ".join(said) or "the log has neither battery nor temperature"
    return Drawn(f"Power and temperature through the flight: {words}.", f"Battery and temperature over time: {words}.")


def traces(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """The trace stack as arranged on screen."""
    panes = settings.panes or DEFAULT_PANES
    draw_stack(figure, snapshot, settings, panes)
    series = of_snapshot(snapshot)
    names = [series.catalogue[k].title for pane in panes for k in pane if k in series.catalogue]
    return Drawn(
        f"{', '.join(names)}: {summary_words(snapshot)}. {_method_words(snapshot)}",
        f"Stack of traces over time from liftoff: {', '.join(names)}.",
    )


def spectrum(figure: Figure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Spectral density of specific force and angular rate through the burn (Welch's method, Hann window)."""
    from scipy.signal import welch

    s = snapshot.as_flown
    zero = zero_log_s(snapshot)
    burnout = s.events.burnout_log_s - zero
    start = 0.0 if settings.start_s is None else settings.start_s
    stop = settings.stop_s if settings.stop_s is not None else (burnout if np.isfinite(burnout) else float(s.time_s[-1]))
    inside = (s.log_time_s - zero >= start) & (s.log_time_s - zero <= stop)
    rate_hz = 1.0 / float(np.median(np.diff(s.log_time_s)))
    top, bottom = figure.subplots(2, 1, sharex=True)
    said = []
    for axes, values, unit, name in (
        (top, s.accel_body_mps2, "m/s²", "specific force"),
        (bottom, s.rate_body_radps / DEG, "deg/s", "angular rate"),
    ):
        shown = values[inside]
        shown = shown[np.all(np.isfinite(shown), axis=1)]
        for axis, letter in enumerate("xyz"):
            f, density = welch(shown[:, axis], rate_hz, nperseg=min(len(shown), 512), detrend="linear")
            colour, dash = SERIES[letter]
            axes.semilogy(f[1:], np.sqrt(density[1:]), color=colour, linestyle=DASHES[dash], label=letter)
            said.append((name, letter, float(f[1 + np.argmax(density[1:])])))
        axes.set_ylabel(f"{name}\n({unit}/√Hz)")
        axes.legend(loc="best", ncols=3)
    bottom.set_xlabel("frequency (Hz)")
    peaks = ", ".join(f"{name} {letter} {f:.1f} Hz" for name, letter, f in said)
    return Drawn(
        f"Spectral density from {start:.2f} to {stop:.2f} s (Welch, Hann window; frequencies above {rate_hz / 2:.0f} Hz fold back): "
        f"strongest at {peaks}.",
        f"Amplitude spectra of specific force and angular rate; strongest at {peaks}.",
    )
