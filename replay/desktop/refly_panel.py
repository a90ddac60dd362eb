"""Re-fly: the guided vehicle flown again with the what-if on board. It shows what is needed, what came of it, and how well it is known."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QProgressBar, QPushButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.background import Background
from replay.desktop.form import OptionalNumber, Section, bring_to_top, fill_panel, muted, quiet_button
from replay.desktop.session import Session
from replay.desktop.small_table import SmallTable
from replay.review import edits, refly_words
from replay.review.comparison import Difference, betweens, differences
from replay.review.readout import with_sd
from replay.review.review import ReflySettings, Review
from replay.review.snapshot import Snapshot
from replay.review.whatif_work import EnsembleRun, Reflown, ReflyRequest, WhatIfRequest, solve_asked

_DIGITS = {"deg": 2, "m": 2, "s": 2}
_SETTINGS = (
    # field, name, low, high, text of the edit
    ("bandwidth_hz", "disturbance bandwidth, Hz", 0.5, 200.0, "Re-fly bandwidth"),
    ("n_members", "members of the ensemble", 2, 5_000, "Ensemble members"),
    ("seed", "seed of the ensemble", 0, 2**31 - 1, "Ensemble seed"),
)


class ReflyPanel(QWidget):
    """A right-hand panel. Results are the session's (`Session.reflown`); whether they are of the document is asked each time."""

    cursor_requested = Signal(float)
    """Log time of a moment in the table."""
    command_requested = Signal(str)
    """Id of a window command the user is offered here."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.session = session
        self.background = Background(session, solve_asked, "refly", self)
        self.fields: dict[str, OptionalNumber] = {}
        self._tabled: tuple[Reflown | None, EnsembleRun | None] | None = None
        self._error: BaseException | None = None
        parts = (self._ask_card, self._difference_section, self._ensemble_section, self._model_section, self._assumed_section)
        fill_panel(self, [build() for build in parts])
        self.background.busy_changed.connect(self._on_busy)
        self.background.progressed.connect(self._on_progress)
        self.background.finished.connect(self._on_finished)
        self.background.failed.connect(self._on_failed)
        session.reconciled.connect(lambda _: self._show())
        session.opened.connect(lambda _: self._forget_error())
        self._on_busy(False)

    # --- the entry points of a panel -----------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """Draw the document's own numbers; emit nothing."""
        defaults = ReflySettings()
        for name, field in self.fields.items():
            value = getattr(review.refly, name)
            field.display(None if value == getattr(defaults, name) else value, f"{getattr(defaults, name):g} (default)")
        self._show()

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Another log or vehicle may be open."""
        self._show()

    def forget_flight(self) -> None:
        """Another log is open."""
        self._show()

    def move_cursor(self, log_time_s: float) -> None:
        """Nothing here hangs on the cursor."""

    # --- what is drawn -------------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        session = self.session
        review, vehicle, log = session.review, session.vehicle, session.log
        lacking = refly_words.missing(log, vehicle)
        self.lacking.setText(lacking)
        self.lacking.setVisible(bool(lacking))
        self.vehicle.setText("none" if vehicle is None else f"{vehicle.name} · {Path(review.vehicle_path or '').name}")
        changes = refly_words.changes_text(review.corrected, review.as_flown)
        self.carried.setText(f"the what-if: {changes}" if changes else "as flown: nothing is changed yet, so it flies as it flew")
        self.guidance.setText("–" if lacking or log is None or vehicle is None else refly_words.guidance_source(log, vehicle))
        is_free = not lacking and not self.background.is_busy
        for button in (self.run, self.run_ensemble):
            button.setEnabled(is_free)
        self._show_result(session.reflown, review)

    def _show_result(self, reflown: Reflown | None, review: Review) -> None:
        run = None if reflown is None else reflown.run_of(review, self.session.reconciliation)
        self.state.setText(self._state_text(reflown, review))
        self.failure.setText("" if self._error is None else str(self._error))
        self.failure.setVisible(self._error is not None)
        self.clear.setVisible(reflown is not None)
        self.ensemble_state.setText(self._ensemble_text(reflown, run))
        self.difference.setEnabled(reflown is not None and reflown.is_of(review))
        if self._tabled == (reflown, run):
            return
        self._tabled = (reflown, run)
        has_result = reflown is not None
        self.difference.setVisible(has_result)
        self.flown_note.setVisible(has_result)
        self.flown_note.setText(refly_words.FLOWN if run is None else f"{refly_words.FLOWN} {refly_words.SPREAD}")
        self.bands.setVisible(run is not None)
        self.touchdown.setVisible(run is not None)
        self.model.setVisible(has_result)
        self.assumed_section.setVisible(has_result)
        if reflown is not None:
            self._fill(reflown, run)

    def _fill(self, reflown: Reflown, run: EnsembleRun | None) -> None:
        reflight = reflown.reflight
        ensemble = None if run is None else run.ensemble
        self.difference.fill(_difference_rows(differences(reflight, ensemble), reflown))
        self.difference.setColumnHidden(4, run is None)
        self.law.setText(refly_words.guidance_text(reflight))
        self.disturbances.setText(refly_words.disturbance_text(reflight))
        lines = list(dict.fromkeys((*reflight.assumptions, *(() if ensemble is None else ensemble.assumptions))))
        self.assumed.setText("\n".join(f"· {line}" for line in lines))
        self.left_out.setText(reflight.left_out)
        if ensemble is not None:
            rows = betweens(ensemble, reflight, reflown.flown)
            self.bands.fill(refly_words.band_rows(rows))
            self.touchdown.setText(refly_words.touchdown_text(reflown.flown, rows))

    def _state_text(self, reflown: Reflown | None, review: Review) -> str:
        if reflown is None:
            return "Nothing flown again yet."
        if not reflown.is_of(review):
            return "Out of date and no longer drawn: calibration, vehicle, method or declarations have changed since. Undo, or fly again."
        if not review.is_whatif_on:
            return "The model says, for the review as it stands. Not drawn while only the flight as flown is shown (W)."
        return "The model says, for the review as it stands:"

    def _ensemble_text(self, reflown: Reflown | None, run: EnsembleRun | None) -> str:
        if run is not None:
            return (
                f"{run.ensemble.n_members} members, seed {run.ensemble.seed}, drawn from {run.spread.source} and from the vehicle file's "
                "tolerances. Drawn as bands of one standard deviation; nine of ten members lie:"
            )
        if reflown is not None and reflown.run is not None:
            return "The ensemble flown last is out of date, and its bands are no longer drawn: fly it again."
        return "Flies many times over what is known of the what-if and of the vehicle, for bands on path, tilt and apogee."

    # --- running -------------------------------------------------------------------------------------------------------------

    def fly(self, *, with_ensemble: bool) -> None:
        """Fly again, and where asked an ensemble about it, for the document as it stands."""
        session = self.session
        if session.log is None or refly_words.missing(session.log, session.vehicle):
            return
        kept = session.reflown if with_ensemble and session.reflown is not None and session.reflown.is_of(session.review) else None
        flight = WhatIfRequest(session.log, session.review, session.vehicle)
        self._forget_error()
        self.background.request(ReflyRequest(flight, with_ensemble, kept, session.reconciliation))

    def _on_busy(self, is_busy: bool) -> None:
        self.progress.setVisible(is_busy)
        self.doing.setVisible(is_busy)
        self.stop.setVisible(is_busy)
        self.progress.setValue(0)
        self.doing.setText("")
        self._show()

    def _on_progress(self, share: float, text: str) -> None:
        self.progress.setValue(round(1000 * share))
        self.doing.setText(text)

    def _on_finished(self, _request: object, reflown: Reflown) -> None:
        self.session.set_reflown(reflown)
        self._show()
        bring_to_top(self.flown_again)

    def _on_failed(self, _request: object, error: BaseException) -> None:
        self._error = error
        self._show()

    def _forget_error(self) -> None:
        self._error = None
        self._show()

    def _on_clear(self) -> None:
        self.session.set_reflown(None)
        self._show()

    def _on_moment(self, moment: str) -> None:
        reflown = self.session.reflown
        at = math.nan if reflown is None else getattr(reflown.flown.events, f"{moment}_log_s")
        if math.isfinite(at):
            self.cursor_requested.emit(at)

    def _on_setting(self, name: str, text: str, value: float | None) -> None:
        default = getattr(ReflySettings(), name)
        wanted = default if value is None else type(default)(value)
        self.session.apply(partial(edits.with_refly, **{name: wanted}), text)

    # --- what it is built of -------------------------------------------------------------------------------------------------

    def _ask_card(self) -> QWidget:
        card = QFrame()
        card.setObjectName("card")
        column = QVBoxLayout(card)
        column.setSpacing(style.GAP)
        column.addWidget(muted(refly_words.PURPOSE, wrap=True))
        grid = QGridLayout()
        grid.setHorizontalSpacing(style.GAP)
        grid.setVerticalSpacing(style.GAP // 2)
        grid.setColumnStretch(1, 1)
        self.vehicle, self.carried, self.guidance = (_fact() for _ in range(3))
        choose = quiet_button("Choose…", "Choose the vehicle file: mass, motor, gimbal, guidance", "choose a vehicle file")
        choose.clicked.connect(lambda: self.command_requested.emit("vehicle"))
        for i, (name, value) in enumerate((("Vehicle", self.vehicle), ("On board", self.carried), ("Guidance", self.guidance))):
            grid.addWidget(muted(name), i, 0, Qt.AlignmentFlag.AlignTop)
            grid.addWidget(value, i, 1, 1, 1 if i == 0 else 2)
        grid.addWidget(choose, 0, 2, Qt.AlignmentFlag.AlignTop)
        column.addLayout(grid)
        self.lacking, self.failure = _failure(), _failure()
        row = QHBoxLayout()
        self.run = _button("Fly again", "One flight with the what-if on board: about a second", partial(self.fly, with_ensemble=False))
        self.run_ensemble = _button(
            "Fly ensemble",
            "Many flights over what is known of calibration and vehicle",
            partial(self.fly, with_ensemble=True),
        )
        self.stop = _button("Stop", "Stop; what was flown last stays", self.background.cancel)
        for button in (self.run, self.run_ensemble, self.stop):
            row.addWidget(button)
        row.addStretch(1)
        self.progress = QProgressBar()
        self.progress.setRange(0, 1000)
        self.progress.setAccessibleName("Share flown")
        self.doing = muted(wrap=True)
        for widget in (self.lacking, self.failure):
            column.addWidget(widget)
        column.addLayout(row)
        column.addWidget(self.progress)
        column.addWidget(self.doing)
        return card

    def _difference_section(self) -> QWidget:
        section = self.flown_again = Section("Flown and flown again", is_open=True)
        self.clear = quiet_button("Take away", "No longer draw the flight flown again")
        self.clear.clicked.connect(self._on_clear)
        section.tail.addWidget(self.clear)
        self.state = QLabel()
        self.state.setWordWrap(True)
        self.difference = SmallTable("Flown and flown again at three moments", ("", "flown", "re-flown", "change", "± sd"))
        self.difference.heading_activated.connect(self._on_moment)
        self.flown_note = muted(wrap=True)
        for widget in (self.state, self.difference, self.flown_note):
            section.body_layout.addWidget(widget)
        return section

    def _ensemble_section(self) -> QWidget:
        section = Section("How well that is known", is_open=True)
        self.ensemble_state = QLabel()
        self.ensemble_state.setWordWrap(True)
        self.bands = SmallTable("What nine of ten members lie between", ("", "flown", "re-flown"))
        section.body_layout.addWidget(self.ensemble_state)
        section.body_layout.addWidget(self.bands)
        self.touchdown = muted(wrap=True)
        section.body_layout.addWidget(self.touchdown)
        section.body_layout.addLayout(self._settings_grid(("n_members", "seed")))
        return section

    def _model_section(self) -> QWidget:
        self.model = Section("Guidance and disturbances", is_open=True)
        self.law, self.disturbances = _fact(), _fact()
        self.model.body_layout.addWidget(self.law)
        self.model.body_layout.addWidget(self.disturbances)
        self.model.body_layout.addLayout(self._settings_grid(("bandwidth_hz",)))
        return self.model

    def _settings_grid(self, names: tuple[str, ...]) -> QGridLayout:
        grid = QGridLayout()
        grid.setColumnStretch(0, 1)
        for i, (field, name, low, high, text) in enumerate(row for row in _SETTINGS if row[0] in names):
            entry = self.fields[field] = OptionalNumber(name, low, high)
            entry.edited.connect(partial(self._on_setting, field, text))
            label = QLabel(name)
            label.setBuddy(entry)
            grid.addWidget(label, i, 0)
            grid.addWidget(entry, i, 1)
        return grid

    def _assumed_section(self) -> QWidget:
        self.assumed_section = Section("Left out and assumed", is_open=True)
        self.left_out, self.assumed = _fact(), muted(wrap=True)
        self.assumed_section.body_layout.addWidget(self.left_out)
        self.assumed_section.body_layout.addWidget(self.assumed)
        return self.assumed_section


def _fact() -> QLabel:
    label = QLabel()
    label.setWordWrap(True)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def _failure() -> QLabel:
    label = _fact()
    label.setObjectName("failure")
    label.hide()
    return label


def _button(text: str, tip: str, action: Callable[[], None]) -> QPushButton:
    button = QPushButton(text)
    button.setToolTip(tip)
    button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    button.clicked.connect(lambda: action())
    return button


def _difference_rows(rows: tuple[Difference, ...], reflown: Reflown) -> list[tuple[str, ...]]:
    """Texts of the table; each moment under a heading with its time in the flown flight."""
    shown: list[tuple[str, ...]] = []
    moment = ""
    for row in rows:
        if row.moment != moment:
            moment = row.moment
            at = reflown.reflight.moments[moment][0].time_s
            when = f"  T+{at:.2f} s" if math.isfinite(at) else ": not in the record"
            shown.append((f"{moment.capitalize()}{when}", moment))
        digits = _DIGITS[row.unit]
        change = with_sd(row.difference, math.nan, digits)
        signed = change if change.startswith(("−", "–")) or row.quantity == "shift" else f"+{change}"
        values = (with_sd(value, math.nan, digits) for value in (row.flown, row.reflown))
        shown.append((f"{row.quantity}, {row.unit}", *values, signed, with_sd(row.sd, math.nan, digits)))
    return shown
