"""A report as the command and the window make it: what is chosen of it, and one call that writes all of its files or none."""

from __future__ import annotations

import dataclasses
import shlex
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from replay.errors import Cancelled, SettingsError
from replay.figures.beside import with_flights_beside
from replay.figures.material import EXPLAINED, RECONCILIATION, REFLOWN, gathered
from replay.figures.report import Numbering
from replay.review import tables
from replay.review.request import site_of
from replay.review.review import Review
from replay.review.series import EXTRA, OVERLAYS, prepare, without_reflown
from replay.review.snapshot import Snapshot
from replay.review.summary import GATES
from replay.working_folder import new_set

Progress = Callable[[float, str], None]

TABLE_KINDS: Final = ("", "csv", "parquet")
PAGE: Final = "report.html"
PRINT: Final = "report.pdf"


@dataclass(frozen=True)
class ReportSettings:
    """What a review keeps of its report.

    Parameters
    ----------
    job : str
        What the flight was for; "" takes the review's notes on the whole of it.
    has_reconciled, has_reflown : bool
        Work out and tell the reconciled calibration, and the flight flown again.
    tables : str
        One of `TABLE_KINDS`.
    folder : str
        Where it goes; "" until somebody has said.
    """

    job: str = ""
    has_reconciled: bool = True
    has_reflown: bool = True
    tables: str = ""
    folder: str = ""

    def __post_init__(self) -> None:
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            if type(value) is not type(field.default):
                raise SettingsError("report settings", field.name, "yes or no" if field.type == "bool" else "a text", str(value))
        if self.tables not in TABLE_KINDS:
            raise SettingsError("report settings", "tables", "csv, parquet or nothing", self.tables)

    def as_settings(self) -> dict[str, Any]:
        """Plain JSON for the review's `report_settings`: what is not as usual."""
        stated = {field.name: (getattr(self, field.name), field.default) for field in dataclasses.fields(self)}
        return {name: value for name, (value, usual) in stated.items() if value != usual}

    @property
    def file_names(self) -> list[str]:
        """What is written into the folder."""
        return [PAGE, PRINT, *(f"{table}.{self.tables}" for table in (tables.NAMES if self.tables else ()))]


def report_settings_of(saved: Mapping[str, Any]) -> ReportSettings:
    """What `as_settings` made.

    Raises
    ------
    SettingsError
        An unknown key, or a value of the wrong kind.
    """
    known = [field.name for field in dataclasses.fields(ReportSettings)]
    for key in saved:
        if key not in known:
            raise SettingsError("report settings", key, f"one of {', '.join(known)}", "an unknown key")
    return ReportSettings(**saved)


@dataclass(frozen=True, eq=False)
class ReportJob:
    """All that makes the files of a report.

    Parameters
    ----------
    snapshot : Snapshot
        The flight as estimated; what has been worked out of it besides is worked out anew, from the review alone.
    review : Review
        That the snapshot was estimated from.
    settings : ReportSettings
    folder : Path
        Made where it is not there; files of these names are written over.
    command : str
        That makes it again.
    beside : sequence of str
        Other flights of a campaign, logs or reviews; `beside_method` estimates them in place of their own.
    """

    snapshot: Snapshot
    review: Review
    settings: ReportSettings
    folder: Path
    command: str = ""
    beside: Sequence[str] = ()
    beside_method: str | None = None


@dataclass(frozen=True)
class WrittenReport:
    """Paths of what was written, the page first, and of tables that an earlier run left in the folder."""

    written: tuple[str, ...]
    left_from_before: tuple[str, ...]


def write_report(job: ReportJob, progress: Progress, cancel: threading.Event) -> WrittenReport:
    """Work out what is asked for, set it as a page and for print, and the tables; all files take their places together.

    Raises
    ------
    ReplayError
        A folder that can't be written (before anything is worked out), a flight beside that can't be read, Parquet that is not installed.
    Cancelled
        Nothing was written, and what was there is as it was.
    """
    from replay.figures.report_content import ReportRequest, report_of
    from replay.figures.report_html import html_of
    from replay.figures.report_pdf import write_pdf

    names = job.settings.file_names
    review = dataclasses.replace(job.review, site=site_of(job.review, job.snapshot.vehicle))
    with new_set(job.folder, names) as place:
        snapshot = _worked_out(job, review, progress, cancel)
        report = report_of(ReportRequest(snapshot, review, job.settings.job, job.command))
        numbering = Numbering()
        page = html_of(report, snapshot, numbering=numbering, progress=_part(progress, cancel, 0.5, 0.73))
        (place / PAGE).write_text(page, encoding="utf-8", newline="\n")
        write_pdf(report, snapshot, place / PRINT, numbering=numbering, progress=_part(progress, cancel, 0.73, 0.95))
        tell = _part(progress, cancel, 0.95, 1.0)
        for i, table in enumerate(tables.NAMES if job.settings.tables else ()):
            tell(i / len(tables.NAMES), f"writing the table of {table}")
            tables.write(tables.table_of(table, snapshot), place / f"{table}.{job.settings.tables}")
        tell(0.99, "putting all files in their places")
    progress(1.0, "done")
    return WrittenReport(tuple(str(job.folder / name) for name in names), tuple(left_from_before(job.folder, names)))


def left_from_before(folder: Path, names: Sequence[str]) -> list[str]:
    """Tables in the folder that are none of these names: of an earlier run, and perhaps of another flight."""
    candidates = (folder / f"{table}.{kind}" for table in tables.NAMES for kind in TABLE_KINDS if kind)
    return [str(path) for path in candidates if path.name not in names and path.exists()]


def report_command(review_path: str | None, log_paths: Sequence[str], job: ReportJob) -> str:
    """The command that makes a report again: from the review, which holds what was chosen, where it has been saved; else from the log."""
    said = ["plumbline", "report", *([review_path] if review_path else log_paths)]
    if not review_path:
        chosen = job.settings
        said += [word for path in job.beside for word in ("--beside", path)]
        said += ["--job", chosen.job] if chosen.job else []
        said += ["--data", chosen.tables] if chosen.tables else []
        said += [] if chosen.has_reconciled or chosen.has_reflown else ["--quick"]
    return shlex.join([*said, "--out", str(job.folder), "--force"])


def _worked_out(job: ReportJob, review: Review, progress: Progress, cancel: threading.Event) -> Snapshot:
    """The snapshot with what the report tells besides; what can't be had says why in it."""
    snapshot = without_reflown(job.snapshot)
    extras = {name: extra for name, extra in (snapshot.extras or {}).items() if name in (GATES, OVERLAYS)}
    snapshot = dataclasses.replace(snapshot, extras=extras)
    snapshot = dataclasses.replace(snapshot, extras={**extras, EXTRA: prepare(snapshot)})
    snapshot = with_flights_beside(snapshot, job.beside, review.site, _part(progress, cancel, 0.0, 0.2), cancel, job.beside_method)
    stages = [(EXPLAINED, 0.1, 0.12)]
    stages += [(RECONCILIATION, 0.12, 0.3)] if job.settings.has_reconciled else []
    stages += [(REFLOWN, 0.3, 0.5)] if job.settings.has_reflown else []
    for name, start, stop in stages:
        snapshot = gathered(snapshot, (name,), review, progress=_part(progress, cancel, start, stop), cancel=cancel)
    return snapshot


def _part(progress: Progress, cancel: threading.Event, start: float, stop: float) -> Progress:
    """Progress of one stage as a part of the whole; where the work is given up, the place it ends."""

    def tell(share: float, text: str) -> None:
        if cancel.is_set():
            raise Cancelled("stopped")
        progress(start + (stop - start) * min(max(share, 0.0), 1.0), text)

    return tell
