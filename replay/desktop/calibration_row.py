"""One number of the calibration: slider, entry, the pad tilt it stands for, and the way back to its value as flown."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from replay.desktop import style
from replay.desktop.float_slider import FloatSlider
from replay.desktop.form import muted, quiet_button
from replay.review import edits
from replay.review.review import Review
from replay.sensors.calibration import Calibration

if TYPE_CHECKING:
    from replay.desktop.estimator_panel import EstimatorPanel


def calibration_fields() -> list[dataclasses.Field]:
    """The vector fields of Calibration, each with label, unit, range and step beside it."""
    return [field for field in dataclasses.fields(Calibration) if "factor" in field.metadata]


class AxisRow:
    """One component of one calibration field: slider, number, and a way back to the value as flown."""

    def __init__(self, panel: EstimatorPanel, field: dataclasses.Field, axis: int, grid: QGridLayout) -> None:
        meta = field.metadata
        letter = ("xy", "xz", "yz")[axis] if "cross_axis" in field.name else "xyz"[axis]
        self.field, self.axis, self.factor = field.name, axis, float(meta["factor"])
        name = f"{meta['label'].partition(' xy')[0]} {letter}"
        self.slider = FloatSlider(meta["low"], meta["high"], meta["step"], f"{name}, {meta['show']}")
        self.reset = quiet_button("↺", f"{name} back to its value as flown")
        self.tilt = muted()
        self.tilt.setFont(style.figures(panel))
        self.tilt.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        label = QLabel(letter)
        label.setBuddy(self.slider.track)
        widgets: list[QWidget] = [label, self.slider, self.reset]
        if field.name == "accel_bias_imu_mps2":
            self.tilt.setFixedWidth(self.tilt.fontMetrics().horizontalAdvance("00.00°") + 4)
            self.tilt.setToolTip("The pad tilt this bias stands for: how far it turns the vertical that levelling finds")
            widgets.insert(2, self.tilt)
        for column, widget in enumerate(widgets):
            grid.addWidget(widget, axis, column)
        grid.setColumnStretch(1, 1)
        merge = f"{field.name}[{axis}]"
        self.slider.edited.connect(
            lambda shown: panel.edited.emit(
                lambda review: edits.with_calibration_axis(review, self.field, self.axis, shown * self.factor), name.capitalize(), merge
            )
        )
        self.slider.released.connect(panel.edit_finished)
        self.reset.clicked.connect(
            lambda: panel.edited.emit(lambda review: edits.with_field_reset(review, self.field, self.axis), f"Reset {name}", "")
        )

    def display(self, review: Review) -> None:
        value = getattr(review.corrected, self.field)[self.axis]
        flown = getattr(review.as_flown, self.field)[self.axis]
        self.slider.display(value / self.factor, flown / self.factor)
        self.reset.setEnabled(value != flown)
