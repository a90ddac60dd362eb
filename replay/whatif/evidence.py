"""Evidence: what was observed from outside the log, each with its own standard deviation; everything optional. SI and radians inside."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from replay.settings_file import Schema, checked, flag, number, read_toml, write_toml
from replay.units import DEG


@dataclass(frozen=True)
class Lean:
    """Tilt and tilt azimuth of the nose, as an inclinometer on the rail or a photograph shows them; azimuth in the declared heading.

    `is_side_known` False: the angle from vertical alone was read; the azimuth then says nothing.
    """

    tilt_rad: float
    tilt_azimuth_rad: float
    sd_rad: float
    is_side_known: bool = field(default=True, kw_only=True)


@dataclass(frozen=True)
class Sighting(Lean):
    """A lean read off a photograph or a video frame, `time_s` after liftoff.

    `is_one_view`: read off one picture taken level, which shows only the lean across the line of sight. `tilt_azimuth_rad` is then the
    side of the picture the nose leans to, and how far it leans towards the camera or away is left open.
    """

    time_s: float = 0.0
    is_one_view: bool = False


@dataclass(frozen=True)
class Touchdown:
    """Where the vehicle lay, paced or by satellite receiver, from the pad."""

    east_m: float
    north_m: float
    sd_m: float


@dataclass(frozen=True)
class Apogee:
    """Height of the top above the pad, by tracking or a second altimeter."""

    height_m: float
    sd_m: float


@dataclass(frozen=True)
class Prior:
    """One standard deviation of each kind of sensor error, from the data sheet, SI; scale and cross-axis are ratios.

    None: the stated default.
    """

    accel_bias_mps2: float | None = None
    accel_scale: float | None = None
    accel_cross_axis: float | None = None
    gyro_bias_radps: float | None = None
    gyro_scale: float | None = None
    mount_rad: float | None = None
    accel_slope_mps2_per_k: float | None = None
    gyro_slope_radps_per_k: float | None = None


@dataclass(frozen=True)
class Evidence:
    """One evidence file."""

    rail: Lean | None = None
    touchdown: Touchdown | None = None
    apogee: Apogee | None = None
    sightings: tuple[Sighting, ...] = ()
    prior: Prior = field(default_factory=Prior)


DEFAULT_PRIOR = Prior(0.4, 0.02, 0.01, 0.5 * DEG, 0.02, 1.0 * DEG, 0.005, 0.03 * DEG)
"""Data-sheet sizes of a consumer sensor, one standard deviation (values from memory), where the evidence states none."""


def stated_prior(prior: Prior) -> Prior:
    """The evidence's prior with the defaults where it states none."""
    stated = {f.name: getattr(prior, f.name) for f in dataclasses.fields(Prior)}
    return dataclasses.replace(DEFAULT_PRIOR, **{k: v for k, v in stated.items() if v is not None})


_POSITIVE = number(above=0.0)
_LEAN: Schema = {"tilt_deg": number(low=0.0, high=180.0), "azimuth_deg": number(low=-360.0, high=360.0), "sd_deg": _POSITIVE}
SCHEMA: Schema = {
    "rail": _LEAN,
    "touchdown": {"east_m": number(), "north_m": number(), "sd_m": _POSITIVE},
    "apogee": {"height_m": _POSITIVE, "sd_m": _POSITIVE},
    "sighting": [{"time_s": number(), **_LEAN, "one_view": flag()}],
    "prior": {
        "accel_bias_mps2": _POSITIVE,
        "accel_scale": _POSITIVE,
        "accel_cross_axis": _POSITIVE,
        "gyro_bias_degps": _POSITIVE,
        "gyro_scale": _POSITIVE,
        "mount_deg": _POSITIVE,
        "accel_temperature_slope_mps2_per_c": _POSITIVE,
        "gyro_temperature_slope_degps_per_c": _POSITIVE,
    },
}
"""Of an evidence file, and of the evidence that a review holds."""
_WHOLE = {"rail": ("tilt_deg", "sd_deg"), "touchdown": ("east_m", "north_m", "sd_m"), "apogee": ("height_m", "sd_m")}


def load_evidence(path: str | os.PathLike[str]) -> Evidence:
    """Read an evidence file.

    Raises
    ------
    SettingsError
        Unreadable, an unknown key (the nearest known one is named), a value that can't be meant, or half an observation.
    """
    return _evidence(read_toml(path, SCHEMA), os.fspath(path))


def evidence_of(tables: Mapping[str, Any], name: str = "evidence") -> Evidence:
    """The evidence of an evidence file's tables standing elsewhere; `name` stands for the file in errors."""
    return _evidence(checked({"format": 1, **tables}, SCHEMA, name), name)


def _evidence(data: Mapping[str, Any], name: str) -> Evidence:
    from replay.errors import SettingsError

    for table, keys in _WHOLE.items():
        for key in keys if table in data else ():
            if key not in data[table]:
                raise SettingsError(name, f"{table}.{key}", "a number: an observation is whole, with its standard deviation", "nothing")
    for i, one in enumerate(data.get("sighting", ())):
        for key in ("time_s", "tilt_deg", "azimuth_deg", "sd_deg"):
            if key not in one:
                raise SettingsError(name, f"sighting[{i + 1}].{key}", "a number", "nothing")
    prior = data.get("prior", {})

    def of(key: str, factor: float = 1.0) -> float | None:
        return prior[key] * factor if key in prior else None

    return Evidence(
        rail=Lean(*_lean(data["rail"]), is_side_known="azimuth_deg" in data["rail"]) if "rail" in data else None,
        touchdown=Touchdown(**data["touchdown"]) if "touchdown" in data else None,
        apogee=Apogee(**data["apogee"]) if "apogee" in data else None,
        sightings=tuple(Sighting(*_lean(one), one["time_s"], one.get("one_view", False)) for one in data.get("sighting", ())),
        prior=Prior(
            of("accel_bias_mps2"),
            of("accel_scale"),
            of("accel_cross_axis"),
            of("gyro_bias_degps", DEG),
            of("gyro_scale"),
            of("mount_deg", DEG),
            of("accel_temperature_slope_mps2_per_c"),
            of("gyro_temperature_slope_degps_per_c", DEG),
        ),
    )


def _lean(table: Mapping[str, float]) -> tuple[float, float, float]:
    return table["tilt_deg"] * DEG, table.get("azimuth_deg", 0.0) * DEG, table["sd_deg"] * DEG


def save_evidence(evidence: Evidence, path: str | os.PathLike[str]) -> None:
    """Write an evidence file at once or not at all."""
    write_toml(path, tables_of(evidence), heading="evidence: observed from outside the log, each with its standard deviation")


def tables_of(evidence: Evidence) -> dict[str, Any]:
    """The file's tables, only what is stated."""

    def lean(value: Lean) -> dict[str, float]:
        return {
            "tilt_deg": _round(value.tilt_rad / DEG),
            **({"azimuth_deg": _round(value.tilt_azimuth_rad / DEG)} if value.is_side_known else {}),
            "sd_deg": _round(value.sd_rad / DEG),
        }

    tables: dict[str, Any] = {}
    if evidence.rail is not None:
        tables["rail"] = lean(evidence.rail)
    if evidence.touchdown is not None:
        t = evidence.touchdown
        tables["touchdown"] = {"east_m": t.east_m, "north_m": t.north_m, "sd_m": t.sd_m}
    if evidence.apogee is not None:
        tables["apogee"] = {"height_m": evidence.apogee.height_m, "sd_m": evidence.apogee.sd_m}
    if evidence.sightings:
        tables["sighting"] = [{"time_s": s.time_s, **lean(s), **({"one_view": True} if s.is_one_view else {})} for s in evidence.sightings]
    p = evidence.prior
    stated = {
        "accel_bias_mps2": p.accel_bias_mps2,
        "accel_scale": p.accel_scale,
        "accel_cross_axis": p.accel_cross_axis,
        "gyro_bias_degps": None if p.gyro_bias_radps is None else _round(p.gyro_bias_radps / DEG),
        "gyro_scale": p.gyro_scale,
        "mount_deg": None if p.mount_rad is None else _round(p.mount_rad / DEG),
        "accel_temperature_slope_mps2_per_c": p.accel_slope_mps2_per_k,
        "gyro_temperature_slope_degps_per_c": None if p.gyro_slope_radps_per_k is None else _round(p.gyro_slope_radps_per_k / DEG),
    }
    if any(v is not None for v in stated.values()):
        tables["prior"] = {k: v for k, v in stated.items() if v is not None}
    return tables


def _round(value: float) -> float:
    """Twelve digits: degrees that went to radians and back come out as they went in."""
    return float(f"{value:.12g}")
