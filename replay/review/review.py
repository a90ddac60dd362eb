"""Review: the saved document of one flight, as frozen values. Equal reviews are the same document; nothing in one is ever executed.

Times of notes, bookmarks and moved events are on the log's clock. Trace arrangement, figure, film and report settings belong to the
views that made them: here they are plain JSON, frozen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any, TypeAlias

from replay.errors import SettingsError
from replay.flightlog.columnmap import ColumnMap
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events
from replay.sensors.calibration import Calibration
from replay.whatif.evidence import Evidence

Json: TypeAlias = bool | int | float | str | tuple["Json", ...] | Mapping[str, "Json"] | None
"""Plain JSON, frozen: tuples for lists, read-only mappings for objects."""

EVENT_NAMES = tuple(event.name for event in fields(Events))
"""Events that can be moved by hand, in the order of a flight."""


def freeze(value: Any, where: str = "settings") -> Json:
    """A deep read-only copy of plain JSON.

    Raises
    ------
    SettingsError
        Anything JSON has no word for (also NaN, infinity, and keys that are not text).
    """
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise SettingsError("review", where, "a finite number", str(value))
        return value
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise SettingsError("review", where, "keys that are text", repr(key))
        return MappingProxyType({key: freeze(item, f"{where}.{key}") for key, item in value.items()})
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return tuple(freeze(item, f"{where}[{i + 1}]") for i, item in enumerate(value))
    raise SettingsError("review", where, "plain JSON", type(value).__name__)


def thaw(value: Any) -> Any:
    """Plain lists and dictionaries again, for writing and for views."""
    if isinstance(value, Mapping):
        return {key: thaw(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [thaw(item) for item in value]
    return value


@dataclass(frozen=True)
class LogReference:
    """One log file: where it was, and what makes it the same file wherever it is found.

    Parameters
    ----------
    path : str
        Absolute while the review is open; in the file, relative to the review where that is possible, with forward slashes.
    size_bytes : int
    sha256 : str
        Of the file's bytes, hexadecimal.
    """

    path: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Bookmark:
    """A moment worth coming back to."""

    log_time_s: float
    text: str = ""


@dataclass(frozen=True)
class Note:
    """What the user has to say, of the whole flight or of a span of it."""

    text: str
    start_log_s: float | None = None
    stop_log_s: float | None = None


@dataclass(frozen=True)
class FindingMark:
    """What the user made of a finding: `rule` and `start_log_s` say which one."""

    rule: str
    start_log_s: float | None = None
    is_pinned: bool = False
    is_resolved: bool = False
    text: str = ""


@dataclass(frozen=True)
class ReflySettings:
    """How the flight is flown again: bandwidth of the logged thrust and of the disturbances shown; members and seed of the ensemble."""

    bandwidth_hz: float = 12.0
    n_members: int = 200
    seed: int = 0


@dataclass(frozen=True)
class VideoCamera:
    """Where the launch video's camera looked. What is None the user has not stated.

    Parameters
    ----------
    azimuth_rad : float or None
        Direction it looked towards, clockwise from true north.
    elevation_rad, roll_rad : float
        Raised above level, and turned clockwise as the photographer sees it.
    distance_m : float or None
        From the pad, for the sound's way.
    """

    azimuth_rad: float | None = None
    elevation_rad: float = 0.0
    roll_rad: float = 0.0
    distance_m: float | None = None


@dataclass(frozen=True)
class ReviewVideo:
    """The launch video, and what lines it up with the log.

    Parameters
    ----------
    file : LogReference
    liftoff_video_s, liftoff_sd_s : float or None
        When the vehicle lifts off, from the video's first frame; None while nobody has said. The video follows the log's liftoff.
    liftoff_by : str
        A key of `LIFTOFF_BY`, or "" while nobody has said.
    camera : VideoCamera
    """

    file: LogReference
    liftoff_video_s: float | None = None
    liftoff_sd_s: float | None = None
    liftoff_by: str = ""
    camera: VideoCamera = field(default_factory=VideoCamera)

    def first_frame_log_s(self, liftoff_log_s: float) -> float | None:
        """Log time of the video's first frame; None while the two are not lined up (the log's liftoff may not be known either)."""
        return None if self.liftoff_video_s is None or not math.isfinite(liftoff_log_s) else liftoff_log_s - self.liftoff_video_s


LIFTOFF_BY = {"frame": "marked on a frame", "sound": "found from the sound"}
"""How a video's liftoff is known."""


@dataclass(frozen=True)
class Review:
    """The document.

    Parameters
    ----------
    logs : tuple of LogReference
        The files of the flight, in the order read.
    column_map : ColumnMap or None
        None: as guessed from the headers.
    as_flown : Calibration
        What the flight computer flew with.
    what_if : Calibration or None
        The edited one; None while nothing was edited.
    is_whatif_on : bool
        Whether the what-if is drawn.
    method : str
        Of the chosen estimator.
    settings : EstimatorSettings
    also_drawn : tuple of str
        Other methods drawn over the chosen one for comparison.
    site : Site
        What the user declared; goes before the vehicle file's.
    vehicle_path, evidence_path : str or None
        As `LogReference.path`.
    evidence : Evidence or None
        What was observed from outside the log, as edited here; None: as the file at `evidence_path` has it.
    freed : tuple of str or None
        What reconcile solves for (`whatif.unknowns.MEMBERS`, or one of them); None: its default.
    refly : ReflySettings
    video : ReviewVideo or None
        The launch video.
    moved_events : mapping of str to float
        Event name -> log time, for those moved by hand.
    bookmarks, notes, finding_marks : tuple
    trace_arrangement, figure_settings, film_settings, report_settings : mapping
        Plain JSON of the views.
    """

    logs: tuple[LogReference, ...] = ()
    column_map: ColumnMap | None = None
    as_flown: Calibration = field(default_factory=Calibration)
    what_if: Calibration | None = None
    is_whatif_on: bool = True
    method: str = "smoother"
    settings: EstimatorSettings = field(default_factory=EstimatorSettings)
    also_drawn: tuple[str, ...] = ()
    site: Site = field(default_factory=Site)
    vehicle_path: str | None = None
    evidence_path: str | None = None
    evidence: Evidence | None = None
    freed: tuple[str, ...] | None = None
    refly: ReflySettings = field(default_factory=ReflySettings)
    video: ReviewVideo | None = None
    moved_events: Mapping[str, float] = field(default_factory=dict)
    bookmarks: tuple[Bookmark, ...] = ()
    notes: tuple[Note, ...] = ()
    finding_marks: tuple[FindingMark, ...] = ()
    trace_arrangement: Mapping[str, Json] = field(default_factory=dict)
    figure_settings: Mapping[str, Json] = field(default_factory=dict)
    film_settings: Mapping[str, Json] = field(default_factory=dict)
    report_settings: Mapping[str, Json] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("moved_events", "trace_arrangement", "figure_settings", "film_settings", "report_settings"):
            object.__setattr__(self, name, freeze(getattr(self, name), name))
        unknown = [name for name in self.moved_events if name not in EVENT_NAMES]
        if unknown:
            raise SettingsError("review", f"moved_events.{unknown[0]}", f"one of {', '.join(EVENT_NAMES)}", "an unknown event")

    @property
    def corrected(self) -> Calibration:
        """The what-if, or the one as flown where nothing was edited."""
        return self.as_flown if self.what_if is None else self.what_if

    @property
    def flight_notes(self) -> tuple[str, ...]:
        """What the user has to say of the whole flight: what a report takes for its job where nothing else is stated."""
        return tuple(note.text for note in self.notes if note.start_log_s is None and note.text.strip())

    @property
    def drawn_whatif(self) -> Calibration | None:
        """The what-if that views show: None while it is switched off or the same as the one as flown."""
        return self.what_if if self.is_whatif_on and self.what_if is not None and self.what_if != self.as_flown else None
