"""Estimator: method and gates, every calibration parameter, what was declared about the site. It emits edits, it makes none."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style
from replay.desktop.calibration_row import AxisRow, calibration_fields
from replay.desktop.estimator_sections import SettingsSection, SiteSection, labelled
from replay.desktop.form import OptionalNumber, Section, check_box, muted, quiet_button, scrolled
from replay.desktop.trace_style import Look, Swatch
from replay.motion.settings import METHODS
from replay.motion.solution import Solution
from replay.review import edits
from replay.review.review import Review
from replay.review.series import OVERLAYS
from replay.review.snapshot import Snapshot
from replay.review.summary import found_bias_text, gates_of, pad_specific_force_imu_mps2, pad_text, pad_tilt_of_bias_rad
from replay.scene import palette
from replay.units import DEG, celsius, kelvin

Edit = Callable[[Review], Review]

METHOD_TIPS = {
    "integrate": "gyro only, from the attitude on the pad",
    "complementary": "gyro, pulled slowly to gravity where the gate is open",
    "gradient": "gyro, one gradient-descent step a sample towards gravity where the gate is open",
    "kalman": "error-state filter, uses only what came before",
    "smoother": "filter forward and backward over the whole flight, with standard deviations",
}
_FOUND = {"accel_bias_imu_mps2": "accelerometer", "gyro_bias_imu_radps": "gyro"}
_OPEN_AT_FIRST = ("accel_bias_imu_mps2", "gyro_bias_imu_radps")


class EstimatorPanel(QWidget):
    """The right-hand panel. `show_review` draws the document, `show_snapshot` what came of it."""

    edited = Signal(object, str, str)
    """An edit (Review -> Review), what it is called, and the name under which edits in a row merge ("" for none)."""
    edit_finished = Signal()
    """The drag is over."""
    command_requested = Signal(str)
    """A command of the window's."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._snapshot: Snapshot | None = None
        self._pad_force: np.ndarray | None = None
        self._is_busy = self._is_stopped = False
        self._review = Review()
        self.rows: dict[tuple[str, int], AxisRow] = {}
        self.site, self.settings = SiteSection(), SettingsSection()
        self.found: dict[str, QLabel] = {}
        self._field_resets: dict[str, QWidget] = {}
        inside = QWidget()
        column = QVBoxLayout(inside)
        column.setContentsMargins(style.GAP, style.GAP, style.GAP, style.GAP)
        column.setSpacing(style.GAP // 2)
        column.addWidget(self._method_card())
        column.addWidget(self._compare_section())
        for field in calibration_fields():
            column.addWidget(self._calibration_section(field))
        column.addWidget(self._temperature_section())
        column.addWidget(self._gates_section())
        for section in (self.site, self.settings):
            section.edited.connect(lambda edit, text: self.edited.emit(edit, text, ""))
            column.addWidget(section)
        column.addWidget(self._assumed_section())
        column.addStretch(1)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(scrolled(inside))
        self.show_review(self._review)

    # --- what is drawn -------------------------------------------------------------------------------------------------------

    def show_review(self, review: Review) -> None:
        """Draw the document's numbers; emits nothing."""
        self._review = review
        self.method.setCurrentIndex(METHODS.index(review.method))
        self.show_whatif.setChecked(review.is_whatif_on)
        self.show_as_flown.setChecked(not review.is_whatif_on)
        for row in self.rows.values():
            row.display(review)
        for name, button in self._field_resets.items():
            is_changed = getattr(review.corrected, name) != getattr(review.as_flown, name)
            button.setEnabled(is_changed)
            button.setText("changed ↺" if is_changed else "")
        self.reset_all.setEnabled(review.what_if is not None)
        for method, box in self.compared.items():
            box.setChecked(method in review.also_drawn)
            box.setEnabled(method != review.method)
        n_drawn = sum(method != review.method for method in review.also_drawn)
        self.n_compared.setText(f"{n_drawn} drawn" if n_drawn else "")
        self.pad_bias.setChecked(review.corrected.gyro_pad_bias)
        self.reference.display(celsius(review.corrected.reference_temperature_k))
        self.site.display(self._review, self._snapshot)
        self.settings.display(review.settings)
        self._show_tilts()
        self._show_run()

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw what came of it: gates, run time, failure, and the pad tilts that biases stand for."""
        before, self._snapshot = self._snapshot, snapshot
        if before is None or before.log is not snapshot.log or _quiet(before) != _quiet(snapshot):
            self._pad_force = pad_specific_force_imu_mps2(snapshot)
        solution = snapshot.what_if or snapshot.as_flown
        self.gates.setText(gates_of(snapshot))
        self._show_found(solution, is_preview=snapshot.is_preview)
        self._show_run()
        self.assumed.setText("\n".join(f"· {line}" for line in solution.assumptions) or "Nothing beyond the record and the settings above.")
        self.failure.setText("" if snapshot.error is None else f"No estimate: {snapshot.error}\nThe last good result is still drawn.")
        self.failure.setVisible(snapshot.error is not None)
        self.site.display(self._review, self._snapshot)
        self._show_tilts()

    def forget_flight(self) -> None:
        """Nothing is estimated yet; a drag that was going on was of the other flight."""
        for row in self.rows.values():
            row.slider.let_go()
        self._snapshot = self._pad_force = None
        self._show_run()
        for label in (self.gates, *self.compared_runs.values(), self.assumed, self.failure, self.pad, *self.found.values()):
            label.clear()
        for widget in (self.failure, *self.found.values()):
            widget.hide()
        for axis in range(3):
            self.rows["accel_bias_imu_mps2", axis].tilt.clear()
        self.site.display(self._review, self._snapshot)

    def move_cursor(self, log_time_s: float) -> None:
        """Nothing here hangs on the cursor."""

    def show_busy(self, is_busy: bool, *, is_stopped: bool = False) -> None:
        """An estimate is on its way, or none is any more, or the user gave it up."""
        self._is_busy, self._is_stopped = is_busy, is_stopped
        self._show_run()

    def _show_found(self, solution: Solution, *, is_preview: bool) -> None:
        """During a drag the words of the chosen method stay, greyed: without them every slider below would jump from under the pointer."""
        for name, label in self.found.items():
            text = found_bias_text(solution, _FOUND[name])
            label.setEnabled(not is_preview)
            if text or not is_preview:
                label.setText(text)
                label.setVisible(bool(text))

    def _show_run(self) -> None:
        """Which method's result is drawn, how long it took, and what is still to come; the same of every method drawn beside it."""
        snapshot = self._snapshot
        if snapshot is None:
            self.run.setText("estimating…" if self._is_busy else "")
            return
        solution = snapshot.what_if or snapshot.as_flown
        drawn = f"{'preview by' if snapshot.is_preview else 'drawn:'} {solution.method}, {solution.run_time_s:.2f} s"
        is_held = any(row.slider.is_held for row in self.rows.values())
        follows = f"\n{self._review.method} follows…" if self._is_busy or snapshot.is_preview else ""
        follows = f"\n{self._review.method} was stopped" if self._is_stopped else follows
        self.run.setText(drawn + ("\nuntil you let go" if snapshot.is_preview and is_held else follows))
        others = (snapshot.extras or {}).get(OVERLAYS) or {}
        for method, label in self.compared_runs.items():
            shown = others.get(method) or (solution if method == solution.method else None)
            is_kept = snapshot.is_preview and method in others
            label.setText("" if shown is None else "as before the drag" if is_kept and is_held else f"{shown.run_time_s:.2f} s")

    def show_failure(self, text: str) -> None:
        """A failure before there was any result."""
        self.failure.setText(text)
        self.failure.setVisible(bool(text))

    def _show_tilts(self) -> None:
        if self._snapshot is None:
            return
        bias = self._review.corrected.accel_bias_imu_mps2
        for axis in range(3):
            tilt_rad = math.nan if self._pad_force is None else pad_tilt_of_bias_rad(self._pad_force, axis, bias[axis])
            self.rows["accel_bias_imu_mps2", axis].tilt.setText("" if math.isnan(tilt_rad) else f"{tilt_rad / DEG:.2f}°")
        self.pad.setText(pad_text(self._snapshot))

    # --- what it is built of -------------------------------------------------------------------------------------------------

    def _method_card(self) -> QWidget:
        card = QFrame()
        card.setObjectName("card")
        column = QVBoxLayout(card)
        column.setSpacing(style.GAP)
        self.show_as_flown, self.show_whatif = QPushButton("As flown"), QPushButton("With what-if")
        group = QButtonGroup(self)
        pair = QHBoxLayout()
        pair.setSpacing(0)
        for button, name, tip in (
            (self.show_as_flown, "segment", "Draw only the flight with the calibration it flew with"),
            (self.show_whatif, "segmentWhatIf", "Draw the edited calibration beside it"),
        ):
            button.setObjectName(name)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            group.addButton(button)
            pair.addWidget(button, 1)
        self.show_whatif.clicked.connect(lambda: self._emit_change("Show what-if", is_whatif_on=True))
        self.show_as_flown.clicked.connect(lambda: self._emit_change("Show as flown", is_whatif_on=False))
        self.reset_all = quiet_button("Reset", "Every calibration number back to its value as flown", "Reset what-if")
        self.reset_all.clicked.connect(lambda: self.edited.emit(lambda review: edits.with_whatif(review, None), "Reset what-if", ""))
        pair.addSpacing(style.GAP)
        pair.addWidget(self.reset_all)
        column.addLayout(pair)
        row = QHBoxLayout()
        self.method = QComboBox()
        self.method.setAccessibleName("Method")
        self.method.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        for i, method in enumerate(METHODS):
            self.method.addItem(method)
            self.method.setItemData(i, METHOD_TIPS[method], Qt.ItemDataRole.ToolTipRole)
        self.method.setToolTip("How attitude and trajectory are estimated:\n" + "\n".join(f"{m}: {t}" for m, t in METHOD_TIPS.items()))
        self.method.activated.connect(lambda i: self._emit_change("Method", method=METHODS[i]))
        self.run = muted()
        self.run.setFont(style.small(self.run, 0.92))
        self.run.setFixedHeight(2 * self.run.fontMetrics().lineSpacing() + 2)  # a second line must not push the sliders down
        self.run.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.run.setAccessibleName("What is drawn")
        row.addWidget(self.method)
        row.addWidget(self.run, 1)
        column.addLayout(row)
        self.failure = QLabel()
        self.failure.setObjectName("failure")
        self.failure.setWordWrap(True)
        self.failure.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.failure.hide()
        self.pad = QLabel()
        self.pad.setWordWrap(True)
        for widget in (self.failure, self.pad):
            column.addWidget(widget)
        return card

    def _calibration_section(self, field: dataclasses.Field) -> QWidget:
        meta = field.metadata
        label = meta["label"].partition(" xy")[0]
        unit = "" if meta["show"] == "1" else f", {meta['show']}"
        section = Section(f"{label.capitalize()}{unit}", is_open=field.name in _OPEN_AT_FIRST)
        reset = quiet_button("", f"{label} back to its values as flown", f"reset {label}")
        reset.clicked.connect(lambda: self.edited.emit(lambda review: edits.with_field_reset(review, field.name), f"Reset {label}", ""))
        section.tail.addWidget(reset)
        self._field_resets[field.name] = reset
        if field.name == "gyro_bias_imu_radps":
            self.pad_bias = check_box(
                "on top of the bias read on the pad", "Read the gyro's bias in the quiet window on the pad and take it off"
            )
            self.pad_bias.clicked.connect(
                lambda on: self.edited.emit(lambda review: edits.with_calibration_value(review, "gyro_pad_bias", on), "Pad gyro bias", "")
            )
            section.body_layout.addWidget(self.pad_bias)
        grid = QGridLayout()
        grid.setHorizontalSpacing(style.GAP)
        grid.setVerticalSpacing(1)
        for axis in range(3):
            self.rows[field.name, axis] = AxisRow(self, field, axis, grid)
        section.body_layout.addLayout(grid)
        if field.name in _FOUND:
            self.found[field.name] = muted(wrap=True)
            section.body_layout.addWidget(self.found[field.name])
        return section

    def _temperature_section(self) -> QWidget:
        section = Section("Reference temperature, °C")
        self.reference = OptionalNumber("reference temperature, °C", -80.0, 150.0)
        self.reference.edited.connect(
            lambda shown: self.edited.emit(
                lambda review: edits.with_calibration_value(review, "reference_temperature_k", kelvin(20.0 if shown is None else shown)),
                "Reference temperature",
                "",
            )
        )
        section.body_layout.addLayout(labelled("the temperature at which the slopes add nothing", self.reference))
        return section

    def _gates_section(self) -> QWidget:
        section = Section("Gates", is_open=True)
        self.gates = muted(wrap=True)
        section.body_layout.addWidget(self.gates)
        self.diagnostics = QPushButton("Innovations and residuals on the traces")
        self.diagnostics.setToolTip("What tells whether the estimate can be trusted, below the other traces; once more, away (Shift+T)")
        self.diagnostics.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.diagnostics.clicked.connect(lambda: self.command_requested.emit("diagnostics"))
        section.body_layout.addWidget(self.diagnostics, 0, Qt.AlignmentFlag.AlignLeft)
        return section

    def _compare_section(self) -> QWidget:
        """Other methods drawn over the chosen one."""
        section = Section("Methods drawn for comparison")
        self.n_compared = muted()
        section.tail.addWidget(self.n_compared)
        section.body_layout.addWidget(
            muted(
                "Each on traces, path and plan in its own colour and dash, with a column in the Readout; with the what-if's calibration "
                "where one is drawn.",
                wrap=True,
            )
        )
        self.compared = {method: check_box(method, METHOD_TIPS[method]) for method in METHODS}
        self.compared_runs = {method: muted() for method in METHODS}
        for method, box in self.compared.items():
            box.clicked.connect(
                lambda: self._emit_change("Methods drawn", also_drawn=tuple(m for m, b in self.compared.items() if b.isChecked()))
            )
            row = QHBoxLayout()
            row.addWidget(box, 1)
            row.addWidget(self.compared_runs[method])
            row.addWidget(Swatch(Look(*palette.look_of(method))))
            self.compared_runs[method].setToolTip(f"How long {method} took")
            section.body_layout.addLayout(row)
        return section

    def _assumed_section(self) -> QWidget:
        section = Section("What the result leaned on", is_open=True)
        self.assumed = muted(wrap=True)
        section.body_layout.addWidget(self.assumed)
        return section

    # --- what it emits -------------------------------------------------------------------------------------------------------

    def _emit_change(self, text: str, **changes: object) -> None:
        self.edited.emit(lambda review: dataclasses.replace(review, **changes), text, "")


def _quiet(snapshot: Snapshot) -> tuple[float, float]:
    return snapshot.as_flown.levelling.start_log_s, snapshot.as_flown.levelling.stop_log_s
