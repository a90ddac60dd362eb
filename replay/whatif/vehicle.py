"""Vehicle: mass, aerodynamics, motor, gimbal, guidance, recovery and site of one airframe, and its file. SI and radians inside."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from replay.errors import LogReadError, SettingsError
from replay.motion.site import Site
from replay.settings_file import Schema, number, read_toml, rows, text, vector, write_toml
from replay.units import DEG, ZERO_CELSIUS_K

Vec3 = tuple[float, float, float]
Curve = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Aero:
    """Drag and normal force on the cross-section of the body tube; damping torque = -1/2 rho V A damping rate.

    `drag_coefficient` and `normal_force_slope_per_rad` go with the area of the tube; the centre of pressure lies behind the centre of
    gravity by `cp_below_cg_m`.
    """

    drag_coefficient: float = 0.55
    normal_force_slope_per_rad: float = 6.0
    cp_below_cg_m: float = 0.10
    pitch_damping_m2: float = 0.12
    roll_damping_m2: float = 0.0012


@dataclass(frozen=True)
class Gimbal:
    """What the nozzle can do: reach, speed, first-order lag, and pure delay before it."""

    limit_rad: float = 5.0 * DEG
    rate_limit_radps: float = 120.0 * DEG
    time_constant_s: float = 0.035
    delay_s: float = 0.0


@dataclass(frozen=True)
class Guidance:
    """Stabilising to vertical only: hold the pad attitude, then (when `upright_from_s` is set) turn back to vertical.

    `proportional` is gimbal angle per attitude error (rad/rad), `rate_s` gimbal angle per body rate; times count from liftoff.
    """

    proportional: float = 0.62
    rate_s: float = 0.17
    start_s: float = 0.12
    upright_from_s: float | None = None
    upright_rate_radps: float = 12.0 * DEG


@dataclass(frozen=True)
class Recovery:
    """Parachute: drag area, and how long after apogee it comes."""

    drag_area_m2: float = 0.55
    delay_after_apogee_s: float = 1.2


@dataclass(frozen=True)
class Tolerance:
    """How well the vehicle is known, one standard deviation: metres and seconds where the name says so, else a share of the value."""

    mass: float = 0.01
    inertia: float = 0.05
    drag_coefficient: float = 0.10
    normal_force_slope: float = 0.15
    cp_below_cg_m: float = 0.01
    gimbal_below_cg_m: float = 0.005
    gimbal_time_constant: float = 0.10
    gimbal_delay_s: float = 0.002


@dataclass(frozen=True)
class Vehicle:
    """One vehicle file. `defaulted` names the keys that were not stated, so that a result can say which it leaned on.

    `thrust_curve_s_n` is ((time after ignition, s; thrust, N), ...). `inertia_kgm2` is about body x, y, z at liftoff, `imu_from_cg_m` in
    body axes. `guidance` is None for an unguided vehicle.
    """

    name: str
    liftoff_mass_kg: float
    propellant_mass_kg: float
    diameter_m: float
    thrust_curve_s_n: Curve
    inertia_kgm2: Vec3 = (0.045, 0.045, 0.0028)
    gimbal_below_cg_m: float = 0.38
    imu_from_cg_m: Vec3 = (0.0, 0.0, 0.0)
    rail_length_m: float = 1.0
    aero: Aero = field(default_factory=Aero)
    gimbal: Gimbal | None = field(default_factory=Gimbal)
    guidance: Guidance | None = None
    recovery: Recovery = field(default_factory=Recovery)
    site: Site = field(default_factory=Site)
    tolerance: Tolerance = field(default_factory=Tolerance)
    defaulted: frozenset[str] = field(default_factory=frozenset)

    def assumptions(self) -> tuple[str, ...]:
        """One line for the defaults leaned on; none where everything was stated. Tolerances matter to ensembles only, which name them."""
        keys = sorted(key for key in self.defaulted if not key.startswith("tolerance."))
        return (f"vehicle file does not state {', '.join(keys)}: defaults used",) if keys else ()


# file key -> (part of the vehicle, field, value inside = factor * value in the file + offset)
_Key = tuple[str, str, float, float]
_KEYS: dict[str, _Key] = {
    "inertia_kgm2": ("", "inertia_kgm2", 1.0, 0.0),
    "gimbal_below_cg_m": ("", "gimbal_below_cg_m", 1.0, 0.0),
    "imu_from_cg_m": ("", "imu_from_cg_m", 1.0, 0.0),
    "rail_length_m": ("", "rail_length_m", 1.0, 0.0),
    "aero.drag_coefficient": ("aero", "drag_coefficient", 1.0, 0.0),
    "aero.normal_force_slope_per_rad": ("aero", "normal_force_slope_per_rad", 1.0, 0.0),
    "aero.cp_below_cg_m": ("aero", "cp_below_cg_m", 1.0, 0.0),
    "aero.pitch_damping": ("aero", "pitch_damping_m2", 1.0, 0.0),
    "aero.roll_damping": ("aero", "roll_damping_m2", 1.0, 0.0),
    "gimbal.limit_deg": ("gimbal", "limit_rad", DEG, 0.0),
    "gimbal.rate_limit_degps": ("gimbal", "rate_limit_radps", DEG, 0.0),
    "gimbal.time_constant_s": ("gimbal", "time_constant_s", 1.0, 0.0),
    "gimbal.delay_s": ("gimbal", "delay_s", 1.0, 0.0),
    "guidance.proportional": ("guidance", "proportional", 1.0, 0.0),
    "guidance.rate": ("guidance", "rate_s", 1.0, 0.0),
    "guidance.start_s": ("guidance", "start_s", 1.0, 0.0),
    "guidance.upright_from_s": ("guidance", "upright_from_s", 1.0, 0.0),
    "guidance.upright_rate_degps": ("guidance", "upright_rate_radps", DEG, 0.0),
    "recovery.drag_area_m2": ("recovery", "drag_area_m2", 1.0, 0.0),
    "recovery.delay_after_apogee_s": ("recovery", "delay_after_apogee_s", 1.0, 0.0),
    **{f"tolerance.{f.name}": ("tolerance", f.name, 1.0, 0.0) for f in fields(Tolerance)},
    "site.latitude_deg": ("site", "latitude_rad", DEG, 0.0),
    "site.ground_height_m": ("site", "ground_height_m", 1.0, 0.0),
    "site.ground_temperature_c": ("site", "ground_temperature_k", 1.0, ZERO_CELSIUS_K),
    "site.pad_azimuth_deg": ("site", "pad_azimuth_rad", DEG, 0.0),
}
# absent means "not so" or "not known" rather than a default value
_NO_DEFAULT = {"guidance.upright_from_s", "site.latitude_deg", "site.ground_height_m", "site.ground_temperature_c", "site.pad_azimuth_deg"}
_REQUIRED = ("name", "liftoff_mass_kg", "propellant_mass_kg", "diameter_m", "motor")
_SCHEMA: Schema = {
    "name": text(),
    "liftoff_mass_kg": number(above=0.0),
    "propellant_mass_kg": number(low=0.0),
    "inertia_kgm2": vector(3, number(above=0.0)),
    "diameter_m": number(above=0.0),
    "gimbal_below_cg_m": number(above=0.0),
    "imu_from_cg_m": vector(3),
    "rail_length_m": number(low=0.0),
    "aero": {
        "drag_coefficient": number(low=0.0),
        "normal_force_slope_per_rad": number(low=0.0),
        "cp_below_cg_m": number(),
        "pitch_damping": number(low=0.0),
        "roll_damping": number(low=0.0),
    },
    "motor": {"thrust_curve_s_n": rows(2), "file": text()},
    "gimbal": {
        "limit_deg": number(low=0.0, high=90.0),
        "rate_limit_degps": number(above=0.0),
        "time_constant_s": number(low=0.0),
        "delay_s": number(low=0.0),
    },
    "guidance": {
        "proportional": number(low=0.0),
        "rate": number(low=0.0),
        "start_s": number(low=0.0),
        "upright_from_s": number(low=0.0),
        "upright_rate_degps": number(low=0.0),
    },
    "recovery": {"drag_area_m2": number(low=0.0), "delay_after_apogee_s": number(low=0.0)},
    "tolerance": {f.name: number(low=0.0, high=0.5) for f in fields(Tolerance)},
    "site": {
        "latitude_deg": number(low=-90.0, high=90.0),
        "ground_height_m": number(low=-500.0, high=9000.0),
        "ground_temperature_c": number(low=-60.0, high=60.0),
        "pad_azimuth_deg": number(low=-360.0, high=360.0),
    },
}


def load_vehicle(path: str | os.PathLike[str]) -> Vehicle:
    """Read a vehicle file.

    Without a [guidance] table the vehicle is unguided, and without [gimbal] too its nozzle is fixed. A motor `file` is looked for
    beside the vehicle file.

    Raises
    ------
    SettingsError
        Unreadable, an unknown or missing key, or a value that can't be meant.
    LogReadError
        The thrust curve's text file has a line that can't be read.
    """
    name = os.fspath(path)
    data = read_toml(path, _SCHEMA, required=_REQUIRED)
    if data["propellant_mass_kg"] >= data["liftoff_mass_kg"]:
        raise SettingsError(name, "propellant_mass_kg", "less than liftoff_mass_kg", f"{data['propellant_mass_kg']:g}")
    parts: dict[str, dict[str, Any]] = {part: {} for part in ("", "aero", "gimbal", "guidance", "recovery", "site", "tolerance")}
    defaulted = set()
    is_there = {"gimbal": "gimbal" in data or "guidance" in data, "guidance": "guidance" in data}
    for key, (part, attribute, factor, offset) in _KEYS.items():
        table, _, entry = key.rpartition(".")
        values = data.get(table, {}) if table else data
        if entry in values:
            parts[part][attribute] = _scaled(values[entry], factor, offset)
        elif is_there.get(part, True) and key not in _NO_DEFAULT:
            defaulted.add(key)
    return Vehicle(
        name=data["name"],
        liftoff_mass_kg=data["liftoff_mass_kg"],
        propellant_mass_kg=data["propellant_mass_kg"],
        diameter_m=data["diameter_m"],
        thrust_curve_s_n=_motor_curve(data["motor"], name),
        aero=Aero(**parts["aero"]),
        gimbal=Gimbal(**parts["gimbal"]) if is_there["gimbal"] else None,
        guidance=Guidance(**parts["guidance"]) if is_there["guidance"] else None,
        recovery=Recovery(**parts["recovery"]),
        site=Site(**parts["site"]),
        tolerance=Tolerance(**parts["tolerance"]),
        defaulted=frozenset(defaulted),
        **parts[""],
    )


def _scaled(value: Any, factor: float, offset: float) -> Any:
    return tuple(v * factor + offset for v in value) if isinstance(value, tuple) else value * factor + offset


def _motor_curve(motor: dict[str, Any], name: str) -> Curve:
    if ("file" in motor) == ("thrust_curve_s_n" in motor):
        raise SettingsError(name, "motor", "either thrust_curve_s_n or file", "both" if motor else "neither")
    if "file" in motor:
        return load_thrust_curve(Path(name).parent / motor["file"])
    curve: Curve = motor["thrust_curve_s_n"]
    problem = _curve_problem(curve)
    if problem:
        raise SettingsError(name, "motor.thrust_curve_s_n", *problem[1:])
    return curve


def _curve_problem(curve: Curve) -> tuple[int, str, str] | None:
    """Index of the first row that can't belong to a thrust curve, what was expected, what is there."""
    if len(curve) < 2:
        return 0, "at least two points", f"{len(curve)}"
    for i, (time, thrust) in enumerate(curve):
        if time < 0.0:
            return i, "times from ignition on, not before it", f"{time:g} s"
        if thrust < 0.0:
            return i, "thrust of at least 0 N", f"{thrust:g} N at {time:g} s"
        if i and time <= curve[i - 1][0]:
            return i, "times that increase", f"{time:g} s after {curve[i - 1][0]:g} s"
    return None if any(thrust > 0.0 for _, thrust in curve) else (0, "some thrust above 0 N", "none")


def load_thrust_curve(path: str | os.PathLike[str]) -> Curve:
    """Read a thrust curve from text: time (s) and thrust (N) on each line, separated by comma, semicolon, tab or blanks.

    Lines that start with # or ; or // are comments, and what follows a # on a line is one too; one line of column names before the
    first number is passed over. Raises LogReadError with file and line.
    """
    name = os.fspath(path)
    try:
        lines = Path(path).read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise LogReadError(name, None, None, "a thrust curve that can be read", error.strerror or str(error)) from None
    except UnicodeDecodeError:
        raise LogReadError(name, None, None, "UTF-8 text", "something else") from None
    curve: list[tuple[float, float]] = []
    where: list[int] = []
    for row, words in _words(lines):
        pair = _pair(words)
        if pair is None:
            if not curve and not any(_is_number(word) for word in words):
                continue
            raise LogReadError(name, row, None, "two numbers, time in s and thrust in N", " ".join(words)[:60])
        curve.append(pair)
        where.append(row)
    problem = _curve_problem(tuple(curve))
    if problem:
        raise LogReadError(name, where[problem[0]] if where else None, None, *problem[1:])
    return tuple(curve)


def _words(lines: list[str]) -> Iterator[tuple[int, list[str]]]:
    """Row number and cells of every line that is not a comment."""
    for row, line in enumerate(lines, start=1):
        content = line.split("#", 1)[0].strip()
        if content and not content.startswith((";", "//")):
            yield row, [word for word in re.split(r"[,;\s]+", content) if word]


def _is_number(word: str) -> bool:
    try:
        return float(word) == float(word)
    except ValueError:
        return False


def _pair(words: list[str]) -> tuple[float, float] | None:
    return (float(words[0]), float(words[1])) if len(words) == 2 and all(map(_is_number, words)) else None


def save_vehicle(vehicle: Vehicle, path: str | os.PathLike[str]) -> None:
    """Write a vehicle file that reads back equal, with every value stated; whether to write over is the caller's question."""
    data: dict[str, Any] = {
        "name": vehicle.name,
        "liftoff_mass_kg": vehicle.liftoff_mass_kg,
        "propellant_mass_kg": vehicle.propellant_mass_kg,
        "diameter_m": vehicle.diameter_m,
    }
    for key, (part, attribute, factor, offset) in _KEYS.items():
        holder = getattr(vehicle, part) if part else vehicle
        value = None if holder is None else getattr(holder, attribute)
        if value is None:
            continue
        table, _, entry = key.rpartition(".")
        shown = tuple(_shown(v, factor, offset) for v in value) if isinstance(value, tuple) else _shown(value, factor, offset)
        (data.setdefault(table, {}) if table else data)[entry] = shown
    data["motor"] = {"thrust_curve_s_n": [list(point) for point in vehicle.thrust_curve_s_n]}
    comments = {
        "inertia_kgm2": "about body x, y, z at liftoff",
        "aero.pitch_damping": "torque = −½ρ·V·A·damping·rate, in m²",
        "guidance": "stabilising to vertical only",
        "tolerance": "how well the vehicle is known, one standard deviation: fractions, but m and s where the name says so",
        "guidance.proportional": "gimbal angle per attitude error, rad/rad",
        "guidance.rate": "gimbal angle per body rate, s",
        "guidance.start_s": "after liftoff",
        "guidance.upright_from_s": "from here the reference turns back to vertical",
    }
    write_toml(path, data, comments=comments, heading="vehicle file")


def _shown(value: float, factor: float, offset: float) -> float:
    """The shortest number in the file's unit that reads back as exactly the same inside."""
    shown = (value - offset) / factor
    for digits in range(1, 17):
        rounded = float(f"{shown:.{digits}g}")
        if rounded * factor + offset == value:
            return rounded
    return shown
