"""What an estimate leans on beside the calibration: what was declared about the site, and gains, gates and noise."""

from __future__ import annotations

import dataclasses

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from replay.desktop.form import OptionalNumber, Section, muted, wrapped_check_box
from replay.motion.settings import EstimatorSettings
from replay.review.review import Review
from replay.review.snapshot import Snapshot
from replay.units import DEG, celsius, kelvin

_SITE = (
    # field, label, unit, to shown, from shown, low, high, default
    ("pad_azimuth_rad", "pad azimuth of body x", "deg", lambda v: v / DEG, lambda v: v * DEG, -360.0, 360.0, "90"),
    ("ground_temperature_k", "ground temperature", "°C", celsius, kelvin, -80.0, 70.0, "15"),
    ("latitude_rad", "latitude", "deg", lambda v: v / DEG, lambda v: v * DEG, -90.0, 90.0, "45"),
    ("ground_height_m", "ground above sea level", "m", float, float, -500.0, 9000.0, "0"),
)


class SiteSection(Section):
    """Site and declared heading; what is left open comes from the vehicle file, else is a default, and the field says which."""

    edited = Signal(object, str)
    """An edit (Review -> Review) and what it is called."""

    def __init__(self) -> None:
        super().__init__("Site and declared heading")
        self.entries: dict[str, OptionalNumber] = {}
        self.body_layout.addWidget(muted("The heading is declared, never measured: the record can't tell it.", wrap=True))
        for name, label, unit, _, from_shown, low, high, _ in _SITE:
            entry = OptionalNumber(f"{label}, {unit}", low, high)
            entry.edited.connect(lambda shown, n=name, f=from_shown, t=label: self._emit(n, None if shown is None else f(shown), t))
            self.entries[name] = entry
            self.body_layout.addLayout(labelled(f"{label}, {unit}", entry))

    def display(self, review: Review, snapshot: Snapshot | None) -> None:
        """Draw the document's numbers; emits nothing."""
        vehicle = None if snapshot is None else snapshot.vehicle
        for name, _, _, to_shown, _, _, _, default in _SITE:
            value = getattr(review.site, name)
            stated = None if vehicle is None else getattr(vehicle.site, name)
            instead = f"{default} (default)" if stated is None else f"{to_shown(stated):.6g} (vehicle)"
            self.entries[name].display(None if value is None else round(to_shown(value), 9), instead)

    def _emit(self, name: str, value: float | None, text: str) -> None:
        self.edited.emit(
            lambda review: dataclasses.replace(review, site=dataclasses.replace(review.site, **{name: value})), text.capitalize()
        )


class SettingsSection(Section):
    """Gains, gates and noise: one entry for every field of EstimatorSettings, in the unit it is shown in."""

    edited = Signal(object, str)
    """An edit (Review -> Review) and what it is called."""

    def __init__(self) -> None:
        super().__init__("Gains, gates and noise")
        self.entries: dict[str, QWidget] = {}
        for field in dataclasses.fields(EstimatorSettings):
            meta = field.metadata
            if isinstance(field.default, bool):
                box, row = wrapped_check_box(meta["label"].partition(" (")[0], meta["label"])
                box.clicked.connect(lambda on, n=field.name, t=meta["label"]: self._emit(n, on, t))
                self.body_layout.addLayout(row)
                self.entries[field.name] = box
                continue
            entry = OptionalNumber(f"{meta['label']}, {meta['show']}", meta["low"], meta["high"])
            entry.edited.connect(
                lambda shown, f=field: self._emit(f.name, f.default if shown is None else shown * f.metadata["factor"], f.metadata["label"])
            )
            unit = "" if meta["show"] == "1" else f", {meta['show']}"
            self.body_layout.addLayout(labelled(f"{meta['label']}{unit}", entry))
            self.entries[field.name] = entry

    def display(self, settings: EstimatorSettings) -> None:
        """Draw the document's numbers; emits nothing."""
        for field in dataclasses.fields(EstimatorSettings):
            value, widget = getattr(settings, field.name), self.entries[field.name]
            if not isinstance(widget, OptionalNumber):
                widget.setChecked(value)
                continue
            factor = field.metadata["factor"]
            default = "measured" if field.default is None else f"{field.default / factor:.6g} (default)"
            widget.display(None if value == field.default else value / factor, default)

    def _emit(self, name: str, value: object, text: str) -> None:
        self.edited.emit(
            lambda review: dataclasses.replace(review, settings=dataclasses.replace(review.settings, **{name: value})), text.capitalize()
        )


def labelled(text: str, entry: QWidget) -> QHBoxLayout:
    """A number with its words before it."""
    row = QHBoxLayout()
    label = QLabel(text)
    label.setWordWrap(True)
    label.setBuddy(entry)
    row.addWidget(label, 1)
    row.addWidget(entry)
    return row
