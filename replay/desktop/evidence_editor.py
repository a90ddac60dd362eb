"""Evidence as the user edits it: a line for each observation with its own standard deviation, and the sensors' priors."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QMenu, QToolButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.form import OptionalNumber, Section, muted, quiet_button, wrapped_check_box
from replay.units import DEG
from replay.whatif.evidence import Apogee, Evidence, Lean, Prior, Sighting, Touchdown

_LEAN = (("tilt_rad", "tilt, deg", DEG, 0.0, 180.0), ("tilt_azimuth_rad", "towards, deg from north", DEG, -360.0, 360.0))
_SD_DEG = ("sd_rad", "± deg", DEG, 1e-6, 180.0)
_FIELDS: dict[type, tuple[tuple[str, str, float, float, float], ...]] = {
    # field, label, factor to SI, low, high
    Lean: (_LEAN[0], ("tilt_azimuth_rad", "towards, deg from north; empty: not known", DEG, -360.0, 360.0), _SD_DEG),
    Sighting: (("time_s", "s after liftoff", 1.0, -60.0, 7200.0), *_LEAN, _SD_DEG),
    Touchdown: (
        ("east_m", "m east of the pad", 1.0, -1e6, 1e6),
        ("north_m", "m north of the pad", 1.0, -1e6, 1e6),
        ("sd_m", "± m", 1.0, 1e-6, 1e6),
    ),
    Apogee: (("height_m", "m above the pad", 1.0, 1e-6, 1e6), ("sd_m", "± m", 1.0, 1e-6, 1e6)),
}  # fmt: skip
_PRIOR = (
    ("accel_bias_mps2", "accelerometer bias, m/s²", 1.0, "0.4"),
    ("accel_scale", "accelerometer scale", 1.0, "0.02"),
    ("accel_cross_axis", "accelerometer cross-axis", 1.0, "0.01"),
    ("gyro_bias_radps", "gyro bias, deg/s", DEG, "0.5"),
    ("gyro_scale", "gyro scale", 1.0, "0.02"),
    ("mount_rad", "mount rotation, deg", DEG, "1"),
    ("accel_slope_mps2_per_k", "accelerometer temperature slope, m/s²/°C", 1.0, "0.005"),
    ("gyro_slope_radps_per_k", "gyro temperature slope, deg/s/°C", DEG, "0.03"),
)
ADDED = {
    "rail": ("Rail inclinometer", Lean(0.0, 0.0, 0.5 * DEG)),
    "touchdown": ("Touchdown point", Touchdown(0.0, 0.0, 3.0)),
    "apogee": ("Apogee height", Apogee(100.0, 2.0)),
}
"""Kind -> its name, and what a new one begins with: numbers to be replaced by what was observed."""


class EvidenceEditor(QWidget):
    """Shows evidence, emits what the user makes of it; changes nothing itself."""

    edited = Signal(object, str)
    """The new Evidence, and what the edit is called."""

    def __init__(self, now_s: Callable[[], float], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._now_s = now_s
        self._evidence = Evidence()
        self.entries: dict[tuple[str, str], OptionalNumber] = {}
        self.removers: dict[str, QToolButton] = {}
        self._kinds: list[tuple[str, type]] | None = None
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(style.GAP // 2)
        self.add = quiet_button("Add observation", "Add what was observed from outside the log", "Add observation")
        self.add.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QMenu(self.add)
        self.add_actions = {kind: menu.addAction(name, lambda k=kind: self._add(k)) for kind, (name, _) in ADDED.items()}
        self.add_actions["sighting"] = menu.addAction("Tilt sighting at the cursor", self._add_sighting)
        self.add.setMenu(menu)
        self.empty = muted("Nothing observed from outside the log yet: the record is held only against itself.", wrap=True)
        self._rows = QVBoxLayout()
        self.photograph = quiet_button("From a photograph…", "Lay the vehicle onto a photograph: its lean becomes a tilt sighting")
        buttons = QHBoxLayout()
        buttons.addWidget(self.add)
        buttons.addWidget(self.photograph)
        buttons.addStretch(1)
        column.addLayout(buttons)
        column.addWidget(self.empty)
        column.addLayout(self._rows)
        self.priors = self._prior_section()
        column.addWidget(self.priors)

    def show_evidence(self, evidence: Evidence) -> None:
        """Draw it; emits nothing."""
        self._evidence = evidence
        items = _items(evidence)
        kinds = [(key, type(value)) for key, _, value in items]
        if kinds != self._kinds:
            self._kinds = kinds
            self._build(items)
        for key, _, value in items:
            for field, _, factor, _, _ in _FIELDS[type(value)]:
                is_open = field == "tilt_azimuth_rad" and not value.is_side_known
                self.entries[key, field].display(
                    None if is_open else round(getattr(value, field) / factor, 9), "not known" if is_open else ""
                )
        for i, sighting in enumerate(evidence.sightings):
            self.one_view[i].setChecked(sighting.is_one_view)
        for field, _, factor, default in _PRIOR:
            stated = getattr(evidence.prior, field)
            self.entries["prior", field].display(None if stated is None else round(stated / factor, 9), f"{default} (default)")
        self.empty.setVisible(not items)
        for kind in ADDED:
            self.add_actions[kind].setEnabled(getattr(evidence, kind) is None)

    def _build(self, items: list[tuple[str, str, Any]]) -> None:
        while (item := self._rows.takeAt(0)) is not None:
            block = item.widget()
            block.setParent(None)
            block.deleteLater()
        self.entries = {key: entry for key, entry in self.entries.items() if key[0] == "prior"}
        self.removers, self.one_view = {}, []
        for key, name, value in items:
            self._rows.addWidget(self._block(key, name, value))

    def _block(self, key: str, name: str, value: Any) -> QWidget:
        block = QWidget()
        grid = QGridLayout(block)
        grid.setContentsMargins(0, 0, 0, style.GAP)
        grid.setVerticalSpacing(1)
        title = QLabel(name)
        remove = quiet_button("✕", f"Remove {name.lower()}")
        remove.clicked.connect(lambda: self._set(key, None, f"Remove {name.lower()}"))
        self.removers[key] = remove
        grid.addWidget(title, 0, 0)
        grid.addWidget(remove, 0, 1, Qt.AlignmentFlag.AlignRight)
        for row, (field, label, factor, low, high) in enumerate(_FIELDS[type(value)], start=1):
            entry = OptionalNumber(f"{name}: {label}", low, high)
            entry.edited.connect(lambda shown, f=field, s=factor: self._edit(key, name, f, None if shown is None else shown * s))
            self.entries[key, field] = entry
            words = muted(label, wrap=True)
            words.setBuddy(entry)
            grid.addWidget(words, row, 0)
            grid.addWidget(entry, row, 1)
        if isinstance(value, Sighting):
            box, line = wrapped_check_box("one view: the lean along the line of sight stays open")
            box.clicked.connect(lambda on: self._edit(key, name, "is_one_view", on))
            self.one_view.append(box)
            grid.addLayout(line, grid.rowCount(), 0, 1, 2)
        grid.setColumnStretch(0, 1)
        return block

    def _prior_section(self) -> Section:
        section = Section("Sensor priors")
        section.body_layout.addWidget(muted("One standard deviation each, from the data sheet; empty: the default shown.", wrap=True))
        for field, label, factor, _ in _PRIOR:
            entry = OptionalNumber(f"prior, {label}", 1e-9, 1e3)
            entry.edited.connect(lambda shown, f=field, s=factor: self._edit_prior(f, None if shown is None else shown * s))
            self.entries["prior", field] = entry
            row = QHBoxLayout()
            row.addWidget(muted(label, wrap=True), 1)
            row.addWidget(entry)
            section.body_layout.addLayout(row)
        return section

    # --- what it emits -------------------------------------------------------------------------------------------------------

    def _add(self, kind: str) -> None:
        name, value = ADDED[kind]
        self.edited.emit(dataclasses.replace(self._evidence, **{kind: value}), f"Add {name.lower()}")

    def _add_sighting(self) -> None:
        self.add_sighting(Sighting(0.0, 0.0, 1.5 * DEG, round(self._now_s(), 3)))

    def add_sighting(self, sighting: Sighting, text: str = "Add sighting") -> None:
        """One sighting more, in order of time; one edit, which is called `text`."""
        sightings = tuple(sorted((*self._evidence.sightings, sighting), key=lambda s: s.time_s))
        self.edited.emit(dataclasses.replace(self._evidence, sightings=sightings), text)

    def _edit_prior(self, field: str, value: float | None) -> None:
        prior: Prior = dataclasses.replace(self._evidence.prior, **{field: value})
        self.edited.emit(dataclasses.replace(self._evidence, prior=prior), "Prior")

    def _edit(self, key: str, name: str, field: str, value: object) -> None:
        if key == "rail" and field == "tilt_azimuth_rad":  # a tilt read without its side stands alone
            lean = self._evidence.rail
            assert lean is not None
            self._set(key, dataclasses.replace(lean, tilt_azimuth_rad=value or 0.0, is_side_known=value is not None), name)
            return
        if value is None:  # an observation without its number is none: what stood there stands again
            self.show_evidence(self._evidence)
            return
        before = next(item for k, _, item in _items(self._evidence) if k == key)
        self._set(key, dataclasses.replace(before, **{field: value}), name)

    def _set(self, key: str, value: Any, text: str) -> None:
        kind, _, number = key.partition(" ")
        if kind != "sighting":
            self.edited.emit(dataclasses.replace(self._evidence, **{kind: value}), text)
            return
        sightings = list(self._evidence.sightings)
        sightings[int(number) : int(number) + 1] = [] if value is None else [value]
        self.edited.emit(dataclasses.replace(self._evidence, sightings=tuple(sightings)), text)


def _items(evidence: Evidence) -> list[tuple[str, str, Any]]:
    """Key, name and value of every observation stated."""
    single = [(kind, name, getattr(evidence, kind)) for kind, (name, _) in ADDED.items() if getattr(evidence, kind) is not None]
    return [*single, *((f"sighting {i}", f"Sighting {i + 1}", s) for i, s in enumerate(evidence.sightings))]
