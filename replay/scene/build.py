"""A flight and an instant to a Scene. What never changes with time is worked out once, by `prepare`.

The vehicle is drawn with its tail on the path, at true size by the chase camera and enlarged by the wide ones (the picture says so).
Beside the vehicle as flown stand the what-if, translucent, and the re-flown one, hollow, each in its own colour: in the wide cameras at
its own place and in the chase camera at the same place, where only the difference in attitude matters.
"""

from __future__ import annotations

import math
import re
import textwrap
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.solution import PHASES, Solution
from replay.review.series import OVERLAYS, compared_of
from replay.review.snapshot import Snapshot
from replay.scene import palette
from replay.scene.camera import Stage
from replay.scene.compared import compared_noses, compared_paths, compared_rows
from replay.scene.ground import compass_ring, drop_line, grid_step_m, still_items
from replay.scene.mesh import VehicleShape, arrow, place, shape_of, thrust_axis_body, vehicle_mesh
from replay.scene.scene import Corner, Dash, Item, Label, Line, Note, Row, Scene, Solid
from replay.scene.tracks import Pose, Track, pose_at, spread_indices, track_of
from replay.units import DEG

Array = NDArray[np.float64]

_NAMES = {"as_flown": "as flown", "what_if": "what-if", "reflown": "re-flown", "truth": "truth"}
"""Series that are drawn as a vehicle, in this order."""
_GHOST_ALPHA = {"what_if": (0.10, 0.34), "reflown": (0.02, 0.08), "truth": (0.05, 0.2)}
"""Of a twin where it stands in the vehicle as flown, and once it leans or stands clear of it. The what-if is filled, the re-flown one
hollow with its series' dashes for an outline: they differ by more than colour."""
_GHOST_CLEAR_RAD = 5.0 * DEG
_GHOST_CLEAR_DIAMETERS = 3.0
_THRUST_WINDOW_S = 0.04
_ARC_FROM_RAD = 0.4 * DEG
_RING_ALPHA = 0.6
_STRIP = 13.0
_STRIP_LETTERS = 22
"""Room for notes beside a narrow picture: its width in heights of the text, and how many letters a row there has."""


@dataclass(frozen=True, eq=False)
class Flight:
    """What `build_scene` draws from: the track as flown, its twins (what-if, re-flown, truth), other methods' tracks of the same flight,
    the recorded gimbal, the shape and the stage."""

    as_flown: Track
    others: tuple[Track, ...]
    compared: tuple[Track, ...]
    gimbal: tuple[Array, Array] | None
    shape: VehicleShape
    stage: Stage
    peak_thrust_mps2: float

    @property
    def tracks(self) -> tuple[Track, ...]:
        return (self.as_flown, *self.others)


@dataclass(frozen=True)
class SceneOptions:
    """What is shown.

    `is_wide` draws the whole flight with the vehicle enlarged; otherwise the vehicle alone, at true size. `show_readings` puts numbers
    beside the names in the corner notes, and the instant below them. `is_narrow`: the picture is too small for notes over it; they get a
    strip of their own at its left (`strip_px`), with the tilt alone beside the names and the rest in short rows.
    """

    is_wide: bool = False
    show_what_if: bool = True
    show_ground: bool = True
    show_path: bool = True
    show_reference: bool = True
    show_compared: bool = True
    show_notes: bool = True
    show_readings: bool = True
    heading_note: str = "heading declared, not measured"
    background: str | None = "#FBFCFD"
    text_px: float = 12.0
    is_narrow: bool = False

    @property
    def strip_px(self) -> float:
        """Width of what is left to the notes beside the flight."""
        return _STRIP * self.text_px if self.is_narrow and self.show_notes else 0.0


def prepare(snapshot: Snapshot) -> Flight:
    """Tracks, shape and stage of a published result. The stage holds the flight and its twins; a method that runs off it may leave it."""
    shape = shape_of(snapshot.vehicle)
    as_flown = track_of("as_flown", snapshot.as_flown)
    solutions = dict((snapshot.extras or {}).get(OVERLAYS) or {}) | ({"what_if": snapshot.what_if} if snapshot.what_if is not None else {})
    others = tuple(track_of(name, solutions[name]) for name in _NAMES if name in solutions)
    compared = tuple(track_of(method, solution) for method, solution in compared_of(snapshot).items())
    stage = _stage((as_flown, *others), shape)
    return Flight(as_flown, others, compared, _gimbal(snapshot), shape, stage, _peak_thrust(snapshot.as_flown))


def middle_enu_m(flight: Flight, log_time_s: float, *, is_wide: bool) -> Array:
    """Middle of the drawn vehicle as flown, shape (3,): what a camera that follows looks at."""
    return _middle(flight, pose_at(flight.as_flown, log_time_s), is_wide=is_wide)


def _middle(flight: Flight, pose: Pose, *, is_wide: bool) -> Array:
    scale = flight.stage.enlargement if is_wide else 1.0
    along = scale * (flight.shape.middle_z_body_m - flight.shape.tail_z_body_m)
    return np.asarray(pose.pos_enu_m + along * pose.dcm_enu_from_body[:, 2])


def build_scene(flight: Flight, log_time_s: float, options: SceneOptions = SceneOptions()) -> Scene:
    """Everything there is to draw at one instant of the log's clock."""
    tracks = [track for track in flight.tracks if options.show_what_if or track.series != "what_if"]
    pairs = [(track, pose_at(track, log_time_s)) for track in tracks]
    begun = [(track, pose) for track, pose in pairs if track.has_begun(log_time_s)]
    scale = flight.stage.enlargement if options.is_wide else 1.0
    middle = _middle(flight, pairs[0][1], is_wide=options.is_wide)
    compared = flight.compared if options.show_compared else ()
    items: list[Item] = []
    if options.show_path and options.is_wide:
        items.extend(compared_paths(compared, log_time_s, 0.5 * scale * flight.shape.diameter_m))
    if options.show_path:
        for track, pose in pairs if options.is_wide else pairs[:1]:
            items.extend(_path(track, pose, log_time_s, options))
            if options.is_wide and len(track.rings_enu_m):
                items.append(Line(track.rings_enu_m, track.colour, 1.0, "solid", _RING_ALPHA))
            if options.is_wide and track.has_position and track.has_begun(log_time_s):
                items.extend(drop_line(pose.pos_enu_m, 0.3 * scale * flight.shape.diameter_m, track.colour))
    if options.show_reference and not options.is_wide:
        items.extend(compass_ring(middle, 0.66 * flight.stage.vehicle_m, options.text_px))
        items.extend(compared_noses(compared, log_time_s, middle, 0.76 * flight.stage.vehicle_m))
        items.extend(_nose_lines(begun, middle, flight.stage.vehicle_m, options.text_px))
    items.extend(_vehicles(flight, begun, middle, log_time_s, options))
    if flight.as_flown.solution.events.phase_of(np.array(log_time_s)) == PHASES.index("boost"):
        items.extend(_thrust(flight, pairs[0][1], log_time_s, options))
    if options.show_notes:
        items.extend(_notes(flight, pairs, log_time_s, options))
    still = still_items(flight.stage, is_wide=options.is_wide, text_px=options.text_px) if options.show_ground else ()
    if not options.is_wide:  # a camera beside the vehicle goes with it: nothing stands still in its picture
        return Scene((*still, *items), options.background, left_px=options.strip_px)
    return Scene(tuple(items), options.background, still, options.strip_px)


def _gimbal(snapshot: Snapshot) -> tuple[Array, Array] | None:
    """Where the nozzle pointed: its measured position if logged, else what it was told, rad about body x and y."""
    channel = snapshot.log.get("gimbal_position_rad") or snapshot.log.get("gimbal_command_rad")
    if channel is None or channel.values.ndim != 2:
        return None
    return channel.log_time_s, channel.values


def _stage(tracks: tuple[Track, ...], shape: VehicleShape) -> Stage:
    points = np.concatenate([np.zeros((1, 3)), *(track.path_enu_m for track in tracks)])
    low, high = points.min(axis=0), points.max(axis=0)
    low[2] = 0.0
    return Stage(
        (float(low[0]), float(low[1]), float(low[2])),
        (float(high[0]), float(high[1]), float(high[2])),
        shape.length_m + shape.nozzle_length_m,
    )


def _peak_thrust(solution: Solution) -> float:
    """Largest smoothed axial specific force of the boost, by which the thrust arrow is scaled; 0 without one."""
    i_near = spread_indices(len(solution.log_time_s))
    is_boost = solution.events.phase_of(solution.log_time_s[i_near]) == PHASES.index("boost")
    axial = solution.accel_body_mps2[i_near[is_boost], 2]
    axial = axial[np.isfinite(axial)]
    return float(np.percentile(axial, 95.0)) if len(axial) else 0.0


def gimbal_at(flight: Flight, log_time_s: float) -> Array:
    """Recorded gimbal angles about body x and y, rad, shape (2,); centred where not logged."""
    return _angles_at(flight.gimbal, log_time_s)


def _angles_at(gimbal: tuple[Array, Array] | None, log_time_s: float) -> Array:
    if gimbal is None:
        return np.zeros(2)
    t, values = gimbal
    i = int(np.searchsorted(t, log_time_s, side="right"))
    if i == 0 or i == len(t):
        return np.asarray(np.nan_to_num(values[max(i - 1, 0)]))
    share = (log_time_s - t[i - 1]) / (t[i] - t[i - 1])
    return np.asarray(np.nan_to_num(values[i - 1] + share * (values[i] - values[i - 1])))


def _path(track: Track, pose: Pose, log_time_s: float, options: SceneOptions) -> list[Item]:
    """Flown so far in full colour, still to come pale, both with a shadow on the ground.

    What is to come begins inside the drawn vehicle (its tail is on the path), so at true size it goes behind it.
    """
    if not track.has_position:
        return []
    i = int(np.searchsorted(track.path_log_time_s, log_time_s, side="right"))
    flown = np.concatenate((track.path_enu_m[:i], pose.pos_enu_m[None]))
    ahead = np.concatenate((pose.pos_enu_m[None], track.path_enu_m[i:]))
    shadow = np.concatenate((flown, ahead[1:])) * np.array([1.0, 1.0, 0.0])
    items: list[Item] = [Line(shadow, "#5B626B", 1.0, track.dash, 0.32, "ground")] if options.show_ground else []
    if len(ahead) > 1:
        items.append(Line(ahead, track.colour, 1.25, track.dash, 0.55, "space" if options.is_wide else "behind"))
    if len(flown) > 1:
        items.append(Line(flown, track.colour, 2.0, track.dash))
    return items


def _vehicles(flight: Flight, pairs: list[tuple[Track, Pose]], middle: Array, log_time_s: float, options: SceneOptions) -> list[Item]:
    """The vehicle as flown, and its twins: the what-if translucent, the re-flown one hollow."""
    anchor_body_m = np.array([0.0, 0.0, flight.shape.tail_z_body_m])
    recorded = gimbal_at(flight, log_time_s)
    scale = flight.stage.enlargement if options.is_wide else 1.0
    items: list[Item] = []
    for track, pose in pairs:
        is_twin = track.series != "as_flown"
        dcm = pose.dcm_enu_from_body
        anchor = pose.pos_enu_m
        if is_twin and not options.is_wide:
            # about the same middle, so that the two lean apart like the hands of a clock
            half = flight.shape.middle_z_body_m - flight.shape.tail_z_body_m
            anchor = middle - half * dcm[:, 2]
        is_of_record = track.series in ("as_flown", "what_if")  # the record is of the one flight
        gimbal = recorded if is_of_record else _angles_at(track.gimbal, log_time_s)
        parts = place(vehicle_mesh(flight.shape, track.colour, is_coarse=options.is_wide), dcm, anchor_body_m, anchor, scale, gimbal)
        if is_twin:
            nose_apart = math.acos(float(np.clip(dcm[:, 2] @ pairs[0][1].dcm_enu_from_body[:, 2], -1.0, 1.0)))
            apart = float(np.linalg.norm(pose.pos_enu_m - pairs[0][1].pos_enu_m)) / (scale * flight.shape.diameter_m)
            share = max(nose_apart / _GHOST_CLEAR_RAD, apart / _GHOST_CLEAR_DIAMETERS if options.is_wide else 0.0)
            faint, strong = _GHOST_ALPHA[track.series]
            alpha, is_hollow = faint + min(share, 1.0) * (strong - faint), track.series != "what_if"
            edge: tuple[float, Dash] = (1.5, track.dash) if is_hollow else (1.0, "solid")
            items.append(Solid(parts, alpha, track.colour, *edge, glow=(track.colour, 0.3)))
        else:
            items.append(Solid(parts))
    return items


def _thrust(flight: Flight, pose: Pose, log_time_s: float, options: SceneOptions) -> list[Item]:
    """An arrow that pushes on the nozzle along the thrust, as long as the axial specific force of the moment is large."""
    solution = flight.as_flown.solution
    low, high = np.searchsorted(solution.log_time_s, (log_time_s - _THRUST_WINDOW_S, log_time_s + _THRUST_WINDOW_S))
    axial = solution.accel_body_mps2[low : max(high, low + 1), 2]
    if flight.peak_thrust_mps2 <= 0.0 or not np.isfinite(axial).any():
        return []
    share = float(np.clip(np.nanmean(axial) / flight.peak_thrust_mps2, 0.0, 1.3))
    if share < 0.02:
        return []
    scale = flight.stage.enlargement if options.is_wide else 1.0
    dcm = pose.dcm_enu_from_body
    shape = flight.shape
    axis = dcm @ thrust_axis_body(gimbal_at(flight, log_time_s))
    pivot = pose.pos_enu_m + scale * shape.nozzle_length_m * dcm[:, 2]
    tip = pivot - scale * 1.15 * shape.nozzle_length_m * axis
    tail = tip - scale * 0.34 * share * shape.length_m * axis
    parts = arrow(tail, tip, scale * 0.11 * shape.diameter_m, palette.ORANGE)
    arrow_item = Solid(parts, edge="#8A5A00")
    label = Label(tail, "thrust", options.text_px, "#8A5A00", (0.6 * options.text_px, 0.0), "left")
    return [arrow_item] if options.is_wide else [arrow_item, label]


def _nose_lines(pairs: list[tuple[Track, Pose]], middle: Array, vehicle_m: float, text_px: float) -> list[Item]:
    """Up through the vehicle's middle, each nose's own line, and the arc of the tilt between them."""
    up = np.array([0.0, 0.0, 1.0])
    items: list[Item] = [Line(np.array((middle, middle + 0.80 * vehicle_m * up)), "#6A727C", 1.0, "dashed", 1.0, "behind")]
    items.append(Label(middle + 0.80 * vehicle_m * up, "up", text_px, "#6A727C", (0.0, -0.2 * text_px), "centre", "bottom", layer="behind"))
    for i, (track, pose) in enumerate(pairs):
        nose = pose.dcm_enu_from_body[:, 2]
        items.append(Line(np.array((middle, middle + 0.76 * vehicle_m * nose)), track.colour, 1.0, track.dash, 1.0, "behind"))
        level, tilt = math.hypot(nose[0], nose[1]), pose.tilt_rad
        if tilt > _ARC_FROM_RAD:
            lean = nose * (1.0, 1.0, 0.0) / level if level > 1e-9 else np.array([1.0, 0.0, 0.0])
            angle = np.linspace(0.0, tilt, max(3, int(tilt / (2.0 * DEG)) + 2))[:, None]
            arc = middle + (0.63 - 0.06 * i) * vehicle_m * (np.cos(angle) * up + np.sin(angle) * lean)
            items.append(Line(arc, track.colour, 1.0, "solid", 1.0, "over"))
    return items


def _notes(flight: Flight, pairs: list[tuple[Track, Pose]], log_time_s: float, options: SceneOptions) -> list[Item]:
    readings = [f"  {_reading(track, pose, log_time_s, options)}" if options.show_readings else "" for track, pose in pairs]
    rows = tuple(
        Row(_NAMES[track.series] + reading, key=(track.colour, track.dash)) for (track, _), reading in zip(pairs, readings, strict=True)
    )
    rows += compared_rows(flight.compared if options.show_compared else ())
    solution = flight.as_flown.solution
    liftoff = solution.events.liftoff_log_s
    phase = PHASES[int(solution.events.phase_of(np.array(log_time_s)))]
    moment = f"T{signed(log_time_s - liftoff, 2)} s" if math.isfinite(liftoff) else f"log time {log_time_s:.2f} s"
    height = f"  height {pairs[0][1].pos_enu_m[2]:.1f} m".replace("-", "−") if flight.as_flown.has_position else "  position not estimated"
    guessed = f"vehicle's {' and '.join(flight.shape.guessed)} guessed" if flight.shape.guessed else ""
    grid = f", grid {grid_step_m(flight.stage):g} m" if options.show_ground else ""
    has_rings = options.show_path and any(len(track.rings_enu_m) for track, _ in pairs)
    scale = f"vehicle ×{flight.stage.enlargement:g}{grid}{', rings ±1 sd' if has_rings else ''}" if options.is_wide else ""
    quiet = "#6A727C"
    notes = tuple(Row(text, quiet) for text in (scale, guessed, options.heading_note) if text)
    # one corner for both, so that in a narrow picture they never lie over each other
    bottom = (*notes, Row(f"{moment}  {phase}{height}", is_bold=True)) if options.show_readings else notes
    corners: list[tuple[Corner, tuple[Row, ...]]] = [("top left", rows), ("bottom left", bottom)]
    if options.is_narrow:
        return [Note(corner, _short(lines), options.text_px, 1.3) for corner, lines in corners]
    return [Note(corner, lines, options.text_px) for corner, lines in corners]


def _short(rows: tuple[Row, ...]) -> tuple[Row, ...]:
    """Rows broken between words where they are longer than the strip is wide; a number stays with its unit."""
    short = []
    for row in rows:
        joined = re.sub(r"(height|grid) |(?<=\d) (?=(?:m|s|sd)\b)", "\\1\u00a0", row.text)
        short += [replace(row, text=part.replace("\u00a0", " ")) for part in textwrap.wrap(joined, _STRIP_LETTERS)]
    return tuple(short)


def _reading(track: Track, pose: Pose, log_time_s: float, options: SceneOptions) -> str:
    if not track.has_begun(log_time_s):
        return "from liftoff"
    text = attitude_text(pose)
    return text.partition("  ")[0] if options.is_narrow else text


def attitude_text(pose: Pose) -> str:
    """Tilt, tilt azimuth and roll with units."""
    east, north, _ = pose.dcm_enu_from_body[:, 2].tolist()
    azimuth = round(math.atan2(east, north) / DEG) % 360
    roll = float(rotation.roll(pose.q_enu_from_body)) / DEG
    return f"tilt {pose.tilt_rad / DEG:.1f}°  azimuth {azimuth:03d}°  roll {signed(roll, 1)}°"


def signed(value: float, digits: int) -> str:
    """Number with its sign always shown; a true minus, and no minus before zero."""
    text = f"{value:+.{digits}f}"
    return ("+" + text[1:] if float(text) == 0.0 else text).replace("-", "−")
