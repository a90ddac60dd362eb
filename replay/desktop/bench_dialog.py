"""Bench window: drop a recording, choose the kind of work, see what was found in it, save the calibration or fly the review with it.

There is no button to begin: a recording, a kind or an option that changes is worked on at once, the newest only.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSplitter,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from replay.cautions import CAUTION_LINE
from replay.desktop import bench_plots, style
from replay.desktop.asking import TOML_FILES, Asking, names_of
from replay.desktop.background import Background
from replay.desktop.bench_text import outcome_html
from replay.desktop.form import OptionalNumber, check_box, muted
from replay.desktop.session import Session
from replay.errors import ReplayError
from replay.review import edits
from replay.review.bench_work import BenchRequest, BenchWork, BenchWorker
from replay.sensors.bench_kinds import KINDS
from replay.sensors.bench_run import BenchOptions, calibration_file, put_onto
from replay.units import DEG, STANDARD_GRAVITY_MPS2, kelvin

RECORDINGS = "Recordings (*.csv *.txt *.tsv *.log *.dat *.parquet);;All files (*)"
_BEGIN = (
    "<p>Drop a bench recording here, or choose <b>Open Recording…</b></p>"
    "<p>The unit lies still and is turned as the chosen kind of work asks. Nothing here needs a motor: leave it out.</p>"
)
_FACTS = ("gravity", "latitude", "turn", "turn_sd", "reference", "stillness")
_ASKED = {
    "six-face": ("gravity", "latitude", "stillness"),
    "multi-position": ("gravity", "latitude", "stillness"),
    "turns": ("turn", "turn_sd", "stillness"),
    "temperature": ("gravity", "latitude", "reference"),
    "allan": (),
}
"""Which facts each kind of work leans on."""


class BenchDialog(QDialog):
    """Stands beside the window; one recording at a time."""

    def __init__(self, session: Session, asking: Asking, say: Callable[[str], None], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Bench work")
        self.setAcceptDrops(True)
        self.resize(1160, 700)
        self._session, self._asking, self._say = session, asking, say
        self._paths: tuple[str, ...] = ()
        self._columns_path: str | None = None
        self._work: BenchWork | None = None
        self.background = Background(session, BenchWorker(), "bench", self)
        self._build()
        self.background.busy_changed.connect(self._show_state)
        self.background.progressed.connect(self._on_progress)
        self.background.finished.connect(lambda _, work: self._show_work(work))
        self.background.failed.connect(lambda _, error: self._show_error(error))
        session.review_changed.connect(self._show_state)
        session.closing.connect(self.close)
        self._show_kind()
        self._show_state()

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        column = QVBoxLayout(self)
        column.setSpacing(style.GAP)
        column.addLayout(self._recording_row())
        column.addLayout(self._facts_row())
        self.plots = bench_plots.plots()
        self.outcome = QTextBrowser()
        self.outcome.setOpenLinks(False)
        self.outcome.setHtml(_BEGIN)
        self.outcome.setAccessibleName("Outcome of the bench work")
        both = QSplitter(Qt.Orientation.Horizontal)
        both.setChildrenCollapsible(False)
        both.addWidget(self.plots)
        both.addWidget(self.outcome)
        both.setSizes([640, 480])
        column.addWidget(both, 1)
        caution = muted(CAUTION_LINE, wrap=True)
        column.addWidget(caution)
        column.addLayout(self._buttons())

    def _recording_row(self) -> QHBoxLayout:
        self.kind = QComboBox()
        for kind, text in KINDS.items():
            self.kind.addItem(f"{kind}: {text}", kind)
        self.kind.setAccessibleName("Kind of bench work")
        self.kind.activated.connect(lambda _: (self._show_kind(), self._begin()))
        self.open = QPushButton("&Open Recording…")
        self.open.setToolTip("For a temperature sweep one recording for each run")
        self.open.clicked.connect(lambda: self.take(self._asking.open_paths("Open a bench recording", self._folder(), RECORDINGS)))
        self.columns = QPushButton("Column &Map…")
        self.columns.setToolTip("A column map file for a recording whose columns can't be guessed")
        self.columns.clicked.connect(lambda _=False: self._choose_columns())
        self.merged = check_box("one recording in several files", "Accelerometer and gyro are in files of their own")
        self.merged.toggled.connect(lambda _: self._begin())
        self.names = muted("no recording yet")
        row = QHBoxLayout()
        for widget in (self.kind, self.open, self.columns, self.names):
            row.addWidget(widget)
        row.addStretch(1)
        row.addWidget(self.merged)
        return row

    def _facts_row(self) -> QHBoxLayout:
        """What the recording itself can't say; empty places name what is used instead."""
        specs = {
            "gravity": ("Gravity here, m/s²", 9.76, 9.84, f"{STANDARD_GRAVITY_MPS2:g}"),
            "latitude": ("or latitude, deg", -90.0, 90.0, "not stated"),
            "turn": ("Each turn, deg", 1.0, 7200.0, "360"),
            "turn_sd": ("stopped within, deg", 0.001, 30.0, "0.5"),
            "reference": ("Reference, °C", -60.0, 120.0, "20"),
            "stillness": ("At rest: times the quietest noise", 1.0, 50.0, "3"),
        }
        self.facts: dict[str, OptionalNumber] = {}
        self._fact_labels: dict[str, QLabel] = {}
        row = QHBoxLayout()
        for name in _FACTS:
            text, low, high, placeholder = specs[name]
            entry = OptionalNumber(text, low, high)
            entry.display(None, placeholder)
            entry.edited.connect(lambda _: self._begin())
            self.facts[name], self._fact_labels[name] = entry, QLabel(text)
            self._fact_labels[name].setBuddy(entry)
            row.addWidget(self._fact_labels[name])
            row.addWidget(entry)
            row.addSpacing(style.GAP)
        row.addStretch(1)
        return row

    def _buttons(self) -> QHBoxLayout:
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setMinimumWidth(260)
        self.stop = QPushButton("S&top")
        self.stop.clicked.connect(lambda _=False: self._stop())
        self.takes_mount = check_box("board sat in the airframe", "Also take the rotation between board and fixture as the mount")
        self.use = QPushButton("&Use as Calibration As Flown")
        self.use.clicked.connect(lambda _=False: self._use())
        self.save = QPushButton("&Save Calibration…")
        self.save.clicked.connect(lambda _=False: self._save())
        close = QPushButton("&Close")
        close.clicked.connect(self.close)
        row = QHBoxLayout()
        row.addWidget(self.progress)
        row.addWidget(self.stop)
        row.addStretch(1)
        for button in (self.open, self.columns, self.stop, self.use, self.save, close):
            button.setAutoDefault(False)
        for widget in (self.takes_mount, self.use, self.save, close):
            row.addWidget(widget)
        return row

    # --- what is asked --------------------------------------------------------------------------------------------------------

    def take(self, paths: Sequence[str]) -> None:
        """Work on these files."""
        if paths:
            self._paths = tuple(paths)
            self._begin()

    def options(self) -> BenchOptions:
        """As entered; what is left open, as the command has it."""
        from replay.motion.gravity import gravity_mps2

        value = {name: entry.value for name, entry in self.facts.items()}
        gravity = value["gravity"]
        if gravity is None and value["latitude"] is not None:
            gravity = float(gravity_mps2(value["latitude"] * DEG, 0.0))
        defaults = BenchOptions()
        return BenchOptions(
            gravity_mps2=gravity,
            turn_rad=defaults.turn_rad if value["turn"] is None else value["turn"] * DEG,
            turn_sd_rad=defaults.turn_sd_rad if value["turn_sd"] is None else value["turn_sd"] * DEG,
            reference_k=defaults.reference_k if value["reference"] is None else kelvin(value["reference"]),
            threshold=defaults.threshold if value["stillness"] is None else value["stillness"],
        )

    def _begin(self) -> None:
        self._show_state()
        if self._paths:
            request = BenchRequest(self.kind.currentData(), self._paths, self.options(), self.merged.isChecked(), self._columns_path)
            self.background.request(request)

    def _stop(self) -> None:
        self.background.cancel()
        self._work = None
        self.plots.clear()
        self.outcome.setHtml("<p>Stopped. Choose a kind of work, or change a fact above, to begin again.</p>")
        self._show_state()

    def _choose_columns(self) -> None:
        path = self._asking.open_path("Choose a column map", self._folder())
        if path is not None:
            self._columns_path = path
            self._begin()

    # --- what is shown --------------------------------------------------------------------------------------------------------

    def _show_kind(self) -> None:
        asked = _ASKED[self.kind.currentData()]
        for name in _FACTS:
            self.facts[name].setVisible(name in asked)
            self._fact_labels[name].setVisible(name in asked)

    def _show_state(self, *_: object) -> None:
        """Buttons and progress as things stand."""
        is_busy = self.background.is_busy
        result = self._work.result if self._work is not None and not is_busy else None
        self.progress.setVisible(is_busy)
        self.stop.setVisible(is_busy)
        self.merged.setVisible(len(self._paths) > 1)
        columns = f"  (columns by {Path(self._columns_path).name})" if self._columns_path else ""
        self.names.setText((names_of(self._paths) if self._paths else "no recording yet") + columns)
        self.names.setToolTip("\n".join(self._paths))
        self.save.setEnabled(result is not None)
        why_not = "" if result is None else self._why_not_used()
        self.use.setEnabled(result is not None and not why_not)
        tip = "What was determined takes the place of the calibration as flown; the rest of it stays. One undo takes it back."
        self.use.setToolTip(why_not or ("Open a recording first" if result is None else tip))
        self.takes_mount.setVisible(result is not None and "mount_rotation_rad" in result.sd)

    def _why_not_used(self) -> str:
        if self._session.log is None:
            return "No flight is open"
        try:
            self._onto_flown()
        except ReplayError as error:
            return str(error)
        return ""

    def _on_progress(self, share: float, text: str) -> None:
        self.progress.setValue(round(1000 * share))
        self.progress.setFormat(f"{text} %p%")

    def _show_work(self, work: BenchWork) -> None:
        self._work = work
        bench_plots.draw(self.plots, work)
        self.outcome.setHtml(outcome_html(work))
        self._show_state()

    def _show_error(self, error: BaseException) -> None:
        """The recording could not even be read."""
        self._work = None
        self.plots.clear()
        text = str(error) if isinstance(error, ReplayError | OSError) else f"Something failed that should not: {error!r}"
        advice = "Where the columns can't be guessed, a column map says what they are (Column Map…)."
        self.outcome.setHtml(f"<p style='color: {style.ERROR_INK}'><b>{html.escape(text)}</b></p><p>{advice}</p>")
        self._show_state()

    # --- what comes of it -----------------------------------------------------------------------------------------------------

    def _onto_flown(self) -> edits.Calibration:
        assert self._work is not None
        assert self._work.result is not None
        return put_onto(self._session.review.as_flown, self._work.result, takes_mount=self.takes_mount.isChecked())

    def _use(self) -> None:
        """One undoable edit of the open review."""
        calibration = self._onto_flown()
        before = self._session.review.as_flown
        self._session.apply(partial(edits.with_as_flown, calibration=calibration), "Calibration from the bench")
        if calibration == before:
            self._say("The calibration as flown holds these numbers already.")
        else:
            self._say(f"Calibration as flown: {self._work.request.kind} of {names_of(self._paths)}. Undo takes it back.")

    def _save(self) -> None:
        from replay.sensors.calibration import save_calibration

        first = Path(self._paths[0])
        proposed = str(first.with_name(f"{first.stem}_{self._work.request.kind}.toml"))
        path = self._asking.save_path("Save calibration", proposed, TOML_FILES, ".toml")
        if path is None:
            return
        try:
            save_calibration(calibration_file(self._work.result), path)
            self._say(f"Calibration saved: {path}")
        except (ReplayError, OSError) as error:
            self._show_error(error)

    def _folder(self) -> str:
        return str(Path(self._paths[0]).parent) if self._paths else ""

    # --- Qt -------------------------------------------------------------------------------------------------------------------

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        event.acceptProposedAction()
        self.take(sorted(url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()))

    def done(self, result: int) -> None:
        """However it closes: Escape, the button, the frame, the window's end."""
        self.background.close()
        super().done(result)
