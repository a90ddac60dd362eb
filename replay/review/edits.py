"""Edits as pure functions Review -> Review, wherever an edit is more than one field (`dataclasses.replace` does those)."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from replay.flightlog.columnmap import ColumnMap
from replay.review.review import Bookmark, FindingMark, LogReference, Note, Review, ReviewVideo
from replay.sensors.calibration import Calibration
from replay.whatif.evidence import Evidence
from replay.whatif.unknowns import in_groups, members_of


def with_logs(review: Review, logs: tuple[LogReference, ...], column_map: ColumnMap | None = None) -> Review:
    """The same review of other files (the log was found elsewhere, or its columns were mapped)."""
    return dataclasses.replace(review, logs=logs, column_map=column_map)


def with_calibration_axis(review: Review, field: str, axis: int, value: float) -> Review:
    """One component of one calibration field of the what-if, SI; the what-if is switched on, or the edit would show nothing."""
    return with_whatif(review, review.corrected.with_axis(field, axis, value))


def with_calibration_value(review: Review, field: str, value: Any) -> Review:
    """One whole field of the what-if, SI."""
    return with_whatif(review, dataclasses.replace(review.corrected, **{field: value}))


def with_whatif(review: Review, calibration: Calibration | None) -> Review:
    """The edited calibration; equal to the one as flown it is none. Editing it also draws it."""
    is_same = calibration is None or calibration == review.as_flown
    return dataclasses.replace(review, what_if=None if is_same else calibration, is_whatif_on=True)


def with_as_flown(review: Review, calibration: Calibration) -> Review:
    """What the flight computer flew with; a what-if that now equals it is none."""
    what_if = None if review.what_if == calibration else review.what_if
    return dataclasses.replace(review, as_flown=calibration, what_if=what_if)


def with_field_reset(review: Review, field: str, axis: int | None = None) -> Review:
    """One field of the what-if (or one component of it) as it was flown."""
    flown = getattr(review.as_flown, field)
    if axis is None:
        return with_calibration_value(review, field, flown)
    return with_calibration_axis(review, field, axis, flown[axis])


def with_evidence(review: Review, evidence: Evidence, path: str | None = None) -> Review:
    """What was observed from outside the log, as edited; `path` is the file it was just read from or written to (None: as before)."""
    return dataclasses.replace(review, evidence=evidence, evidence_path=review.evidence_path if path is None else path)


def with_freed(review: Review, group: str, is_free: bool, default: tuple[str, ...]) -> Review:
    """A group of parameters, or one of its members, freed for reconcile or pinned; `default` is what is free where nothing is said."""
    freed, named = members_of(default if review.freed is None else review.freed), members_of((group,))
    return dataclasses.replace(review, freed=in_groups(freed | named if is_free else freed - named))


def with_refly(review: Review, **changes: Any) -> Review:
    """Fields of `ReflySettings`."""
    return dataclasses.replace(review, refly=dataclasses.replace(review.refly, **changes))


def with_event(review: Review, name: str, log_time_s: float | None) -> Review:
    """One event moved by hand; None gives it back to the estimator."""
    moved = {key: value for key, value in review.moved_events.items() if key != name}
    if log_time_s is not None and math.isfinite(log_time_s):
        moved[name] = float(log_time_s)
    return dataclasses.replace(review, moved_events=moved)


def with_bookmark(review: Review, bookmark: Bookmark) -> Review:
    """Added in order of time; one at the same moment is replaced."""
    others = [b for b in review.bookmarks if b.log_time_s != bookmark.log_time_s]
    return dataclasses.replace(review, bookmarks=tuple(sorted([*others, bookmark], key=lambda b: b.log_time_s)))


def without_bookmark(review: Review, log_time_s: float) -> Review:
    """The one at that moment taken away."""
    return dataclasses.replace(review, bookmarks=tuple(b for b in review.bookmarks if b.log_time_s != log_time_s))


def with_note(review: Review, note: Note | None, *, instead_of: Note | None = None) -> Review:
    """A note of the user's own added, put in the place of another, or (None) taken away; in order of time, those of no time first."""
    notes = [n for n in review.notes if n != instead_of]
    if note is not None and note not in notes:
        notes.append(note)
    return dataclasses.replace(review, notes=tuple(sorted(notes, key=lambda n: -math.inf if n.start_log_s is None else n.start_log_s)))


def with_finding_mark(review: Review, mark: FindingMark) -> Review:
    """What the user made of one finding; a mark that says nothing is dropped."""
    others = tuple(m for m in review.finding_marks if (m.rule, m.start_log_s) != (mark.rule, mark.start_log_s))
    says_something = mark.is_pinned or mark.is_resolved or mark.text
    return dataclasses.replace(review, finding_marks=(*others, mark) if says_something else others)


def with_video(review: Review, file: LogReference | None) -> Review:
    """Another launch video, not lined up yet; the same one found elsewhere keeps all that is known of it. None takes it away."""
    if file is None:
        return dataclasses.replace(review, video=None)
    old = review.video
    if old is not None and (old.file.size_bytes, old.file.sha256) == (file.size_bytes, file.sha256):
        return dataclasses.replace(review, video=dataclasses.replace(old, file=file))
    return dataclasses.replace(review, video=ReviewVideo(file))


def with_video_liftoff(review: Review, video_s: float, sd_s: float, by: str) -> Review:
    """When the vehicle lifts off on the launch video, and how that is known (`LIFTOFF_BY`)."""
    if review.video is None:
        return review
    marked = dataclasses.replace(review.video, liftoff_video_s=float(video_s), liftoff_sd_s=float(sd_s), liftoff_by=by)
    return dataclasses.replace(review, video=marked)


def with_video_camera(review: Review, **stated: Any) -> Review:
    """Fields of `VideoCamera`."""
    if review.video is None:
        return review
    camera = dataclasses.replace(review.video.camera, **stated)
    return dataclasses.replace(review, video=dataclasses.replace(review.video, camera=camera))
