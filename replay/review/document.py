"""A review as the plain tables of its file, and back.

Logs and other files are named relative to the review wherever that is possible, with their size and hash. Angles are in degrees and
temperatures in °C, and their names say so.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from replay import __version__
from replay.errors import SettingsError
from replay.flightlog.columnmap_file import column_map_of
from replay.flightlog.columnmap_file import tables_of as column_map_tables
from replay.motion.settings import METHODS, EstimatorSettings
from replay.motion.site import Site
from replay.review.review import (
    EVENT_NAMES,
    LIFTOFF_BY,
    Bookmark,
    FindingMark,
    LogReference,
    Note,
    ReflySettings,
    Review,
    ReviewVideo,
    VideoCamera,
    freeze,
    thaw,
)
from replay.sensors import calibration
from replay.settings_file import Check, Unfit, flag, number, text, whole
from replay.units import DEG, ZERO_CELSIUS_K, celsius, kelvin
from replay.whatif import evidence

FORMAT: Final = 2
"""Version of the file this Plumbline writes."""

_HASH_DIGITS = 64


def document_of(review: Review, folder: Path) -> dict[str, Any]:
    """A review standing in `folder` as plain JSON. What is not there is left out."""
    document: dict[str, Any] = _without_none(
        {
            "format": FORMAT,
            "made_by": f"Plumbline {__version__}",
            "logs": [{**dataclasses.asdict(log), "path": _relative(log.path, folder)} for log in review.logs],
            "column_map": None if review.column_map is None else column_map_tables(review.column_map),
            "as_flown": calibration.tables_of(review.as_flown),
            "what_if": None if review.what_if is None else calibration.tables_of(review.what_if),
            "show_what_if": review.is_whatif_on,
            "estimator": {
                "method": review.method,
                "settings": dataclasses.asdict(review.settings),
                "also_drawn": list(review.also_drawn),
            },
            "site": {
                "latitude_deg": _degrees(review.site.latitude_rad),
                "ground_height_m": review.site.ground_height_m,
                "ground_temperature_c": _celsius(review.site.ground_temperature_k),
                "pad_azimuth_deg": _degrees(review.site.pad_azimuth_rad),
            },
            "vehicle": None if review.vehicle_path is None else _relative(review.vehicle_path, folder),
            "evidence": None if review.evidence_path is None else _relative(review.evidence_path, folder),
            "observed": None if review.evidence is None else {"stated": True, **evidence.tables_of(review.evidence)},
            "freed": None if review.freed is None else list(review.freed),
            "refly": {"bandwidth_hz": review.refly.bandwidth_hz, "members": review.refly.n_members, "seed": review.refly.seed},
            "launch_video": None if review.video is None else _video_tables(review.video, folder),
            "moved_events": dict(review.moved_events),
            "bookmarks": [dataclasses.asdict(bookmark) for bookmark in review.bookmarks],
            "notes": [dataclasses.asdict(note) for note in review.notes],
            "findings": [
                {"rule": m.rule, "start_log_s": m.start_log_s, "pinned": m.is_pinned, "resolved": m.is_resolved, "text": m.text}
                for m in review.finding_marks
            ],
            "traces": thaw(review.trace_arrangement),
            "figures": _moved(thaw(review.figure_settings), lambda path: _relative(path, folder)),
            "film": thaw(review.film_settings),
            "report": _moved(thaw(review.report_settings), lambda path: _relative(path, folder)),
        }
    )
    return document


def _video_tables(video: ReviewVideo, folder: Path) -> dict[str, Any]:
    camera = video.camera
    return {
        **dataclasses.asdict(video.file),
        "path": _relative(video.file.path, folder),
        "liftoff_video_s": video.liftoff_video_s,
        "liftoff_sd_s": video.liftoff_sd_s,
        "liftoff_by": video.liftoff_by or None,
        "camera_azimuth_deg": _degrees(camera.azimuth_rad),
        "camera_elevation_deg": _degrees(camera.elevation_rad),
        "camera_roll_deg": _degrees(camera.roll_rad),
        "camera_distance_m": camera.distance_m,
    }


def estimate_record(review: Review) -> dict[str, Any]:
    """What an estimate hung on, as plain JSON without any path: calibrations, method and settings, site, evidence, moved events."""
    document = document_of(review, Path())
    kept = ("format", "column_map", "as_flown", "what_if", "show_what_if", "estimator", "site", "observed", "freed", "moved_events")
    return {key: document[key] for key in kept if key in document}


def _without_none(value: Any) -> Any:
    """Our own tables without empty places and empty tables; what belongs to a view is left as it is."""
    if isinstance(value, dict):
        opaque = ("traces", "figures", "film", "report")
        kept = {key: item if key in opaque else _without_none(item) for key, item in value.items() if item is not None}
        return {key: item for key, item in kept.items() if item != {}}
    if isinstance(value, list | tuple):
        return [_without_none(item) for item in value]
    return value


def _relative(path: str, folder: Path) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return Path(path).as_posix()


def _absolute(path: str, folder: Path) -> str:
    return os.path.normpath(folder / path)


def _moved(settings: dict[str, Any], moved: Callable[[str], str]) -> dict[str, Any]:
    """A view's settings with the paths in them named anew: from the review's folder in the file, in full while at work.

    They are the other flights of a campaign, and the folder a report goes to.
    """
    beside, folder = settings.get("beside"), settings.get("folder")
    named: dict[str, Any] = {}
    if isinstance(beside, list):
        named["beside"] = [moved(path) if isinstance(path, str) else path for path in beside]
    if isinstance(folder, str) and folder:
        named["folder"] = moved(folder)
    return {**settings, **named}


def _degrees(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else _tidy(angle_rad / DEG, lambda shown: shown * DEG == angle_rad)


def _celsius(temperature_k: float | None) -> float | None:
    return None if temperature_k is None else _tidy(celsius(temperature_k), lambda shown: kelvin(shown) == temperature_k)


def _tidy(shown: float, is_exact: Callable[[float], bool]) -> float:
    """The shortest number that reads back as exactly the same inside."""
    return next((short for digits in range(3, 17) if is_exact(short := float(f"{shown:.{digits}g}"))), shown)


def _plain(value: Any) -> Any:
    """A view's own settings: any JSON object."""
    if not isinstance(value, Mapping):
        raise Unfit("a JSON object")
    return freeze(value)


def _tables(value: Any) -> Any:
    """Tables whose own module checks them."""
    if not isinstance(value, Mapping):
        raise Unfit("a JSON object")
    return value


def _path(value: Any) -> str:
    if not isinstance(value, str) or not value or "\0" in value:  # the system's calls stumble over a NUL
        raise Unfit("the path of a file")
    return value


def _hash(value: Any) -> str:
    if not isinstance(value, str) or len(value) != _HASH_DIGITS or set(value) - set("0123456789abcdef"):
        raise Unfit("64 hexadecimal digits")
    return value


def _methods(value: Any) -> tuple[str, ...]:
    accept = text(*METHODS)
    if not isinstance(value, list):
        raise Unfit("a list of methods")
    return tuple(accept(item) for item in value)


def _freed(value: Any) -> tuple[str, ...]:
    """Names of what reconcile solves for."""
    from replay.whatif.unknowns import MEMBERS, PLACES

    if not isinstance(value, list) or not all(isinstance(item, str) and (item in MEMBERS or item in PLACES) for item in value):
        raise Unfit(f"a list of texts of {', '.join(MEMBERS)}, or of their members")
    return tuple(value)


def _observed(tables: Mapping[str, Any], name: str) -> evidence.Evidence:
    return evidence.evidence_of({key: value for key, value in tables.items() if key != "stated"}, f"{name}, observed")


def _settings_schema() -> dict[str, Check]:
    return {field.name: flag() if isinstance(field.default, bool) else number() for field in dataclasses.fields(EstimatorSettings)}


SCHEMA: Final[dict[str, Any]] = {
    "made_by": text(),
    "logs": [{"path": _path, "size_bytes": whole(low=0), "sha256": _hash}],
    "column_map": _tables,
    "as_flown": _tables,
    "what_if": _tables,
    "show_what_if": flag(),
    "estimator": {"method": text(*METHODS), "settings": _settings_schema(), "also_drawn": _methods},
    "site": {
        "latitude_deg": number(low=-90.0, high=90.0),
        "ground_height_m": number(),
        "ground_temperature_c": number(low=-ZERO_CELSIUS_K),
        "pad_azimuth_deg": number(),
    },
    "vehicle": _path,
    "evidence": _path,
    "observed": {"stated": flag(), **evidence.SCHEMA},
    "freed": _freed,
    "refly": {"bandwidth_hz": number(above=0.0), "members": whole(low=2), "seed": whole(low=0)},
    "launch_video": {
        "path": _path,
        "size_bytes": whole(low=0),
        "sha256": _hash,
        "liftoff_video_s": number(),
        "liftoff_sd_s": number(low=0.0),
        "liftoff_by": text(*LIFTOFF_BY),
        "camera_azimuth_deg": number(low=-360.0, high=360.0),
        "camera_elevation_deg": number(low=-90.0, high=90.0),
        "camera_roll_deg": number(low=-180.0, high=180.0),
        "camera_distance_m": number(low=0.0),
    },
    "moved_events": {name: number() for name in EVENT_NAMES},
    "bookmarks": [{"log_time_s": number(), "text": text()}],
    "notes": [{"text": text(), "start_log_s": number(), "stop_log_s": number()}],
    "findings": [{"rule": text(), "start_log_s": number(), "pinned": flag(), "resolved": flag(), "text": text()}],
    "traces": _plain,
    "figures": _plain,
    "film": _plain,
    "report": _plain,
}

_NEEDED: Final = {"logs": ("path", "size_bytes", "sha256"), "bookmarks": ("log_time_s",), "notes": ("text",), "findings": ("rule",)}

_REFLY_KEYS: Final = {"members": "n_members"}


def review_of_document(data: Mapping[str, Any], name: str, folder: Path) -> Review:
    """The review of a document that `SCHEMA` has checked; `name` stands for the file in errors, `folder` is what its paths are relative to.

    Raises
    ------
    SettingsError
        A key that is needed and not there, or a table its own module refuses.
    """
    for table, keys in _NEEDED.items():
        for i, item in enumerate(data.get(table, []), start=1):
            for key in keys:
                if key not in item:
                    raise SettingsError(name, f"{table}[{i}].{key}", "this key", "nothing")
    estimator = data["estimator"]
    return Review(
        logs=tuple(LogReference(**{**log, "path": _absolute(log["path"], folder)}) for log in data["logs"]),
        column_map=column_map_of(data["column_map"], f"{name}, column_map") if "column_map" in data else None,
        as_flown=calibration.calibration_of(data["as_flown"], f"{name}, as_flown"),
        what_if=calibration.calibration_of(data["what_if"], f"{name}, what_if") if "what_if" in data else None,
        is_whatif_on=data.get("show_what_if", True),
        method=estimator["method"],
        settings=EstimatorSettings(**estimator.get("settings", {})),
        also_drawn=estimator.get("also_drawn", ()),
        site=_site(data.get("site", {})),
        vehicle_path=_absolute(data["vehicle"], folder) if "vehicle" in data else None,
        evidence_path=_absolute(data["evidence"], folder) if "evidence" in data else None,
        evidence=_observed(data["observed"], name) if "observed" in data else None,
        freed=data.get("freed"),
        refly=ReflySettings(**{_REFLY_KEYS.get(key, key): value for key, value in data.get("refly", {}).items()}),
        video=_video(data["launch_video"], name, folder) if "launch_video" in data else None,
        moved_events=data.get("moved_events", {}),
        bookmarks=tuple(Bookmark(**item) for item in data.get("bookmarks", [])),
        notes=tuple(Note(**item) for item in data.get("notes", [])),
        finding_marks=tuple(
            FindingMark(m["rule"], m.get("start_log_s"), m.get("pinned", False), m.get("resolved", False), m.get("text", ""))
            for m in data.get("findings", [])
        ),
        trace_arrangement=data.get("traces", {}),
        figure_settings=_moved(thaw(data.get("figures", {})), lambda path: _absolute(path, folder)),
        film_settings=data.get("film", {}),
        report_settings=_moved(thaw(data.get("report", {})), lambda path: _absolute(path, folder)),
    )


def _site(data: Mapping[str, Any]) -> Site:
    latitude, azimuth, ground_c = data.get("latitude_deg"), data.get("pad_azimuth_deg"), data.get("ground_temperature_c")
    return Site(
        latitude_rad=None if latitude is None else latitude * DEG,
        ground_height_m=data.get("ground_height_m"),
        ground_temperature_k=None if ground_c is None else kelvin(ground_c),
        pad_azimuth_rad=None if azimuth is None else azimuth * DEG,
    )


def _video(data: Mapping[str, Any], name: str, folder: Path) -> ReviewVideo:
    for key in ("path", "size_bytes", "sha256"):
        if key not in data:
            raise SettingsError(name, f"launch_video.{key}", "this key", "nothing")
    marked = [key for key in ("liftoff_video_s", "liftoff_sd_s", "liftoff_by") if key in data]
    if len(marked) not in (0, 3):
        missing = next(key for key in ("liftoff_video_s", "liftoff_sd_s", "liftoff_by") if key not in marked)
        raise SettingsError(
            name, f"launch_video.{missing}", "this key: a liftoff goes with its standard deviation and how it is known", "nothing"
        )
    azimuth = data.get("camera_azimuth_deg")
    return ReviewVideo(
        LogReference(_absolute(data["path"], folder), data["size_bytes"], data["sha256"]),
        data.get("liftoff_video_s"),
        data.get("liftoff_sd_s"),
        data.get("liftoff_by", ""),
        VideoCamera(
            None if azimuth is None else azimuth * DEG,
            data.get("camera_elevation_deg", 0.0) * DEG,
            data.get("camera_roll_deg", 0.0) * DEG,
            data.get("camera_distance_m"),
        ),
    )
