"""Column map editor: which column is which channel, in which unit, with which sign; how the sensor sits in the vehicle."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from replay.desktop import style
from replay.desktop.asking import TOML_FILES, Asking
from replay.desktop.column_map_words import AXES, FOUND, barred_by, channel_label, first_values, how_found, missed_by
from replay.desktop.form import OptionalNumber, muted
from replay.errors import ReplayError
from replay.flightlog.columnmap import (
    ANGLE_ORDERS,
    ANGLES,
    CHANNELS,
    EARTH_Z,
    TIME,
    TURNS,
    ColumnEntry,
    ColumnMap,
    components_of,
    units_of,
)
from replay.flightlog.columnmap_file import load_column_map, save_column_map
from replay.flightlog.log import FlightLog
from replay.flightlog.unit_table import TICKS
from replay.units import DEG

_COLUMN, _CHANNEL, _PART, _UNIT, _SIGN, _ZERO, _SCALE, _VALUES, _HOW = range(9)
_HEADINGS = ("column", "channel", "part", "unit", "sign", "zero", "scale", "first values", "how it was found")


class ColumnMapDialog(QDialog):
    """Edits a copy; `accepted_map` carries it when the user agrees."""

    accepted_map = Signal(object)

    def __init__(self, log: FlightLog, *, is_first_sight: bool, asking: Asking, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Column map")
        self.resize(1120, 640)
        self._log, self._asking = log, asking
        self._as_read = log.column_map
        self._shown_attitude = log.column_map.attitude
        self._entries: list[ColumnEntry] = list(log.column_map.columns)
        self._values = first_values(log)
        column = QVBoxLayout(self)
        column.setSpacing(style.GAP)
        intro = (
            "Plumbline has not seen this logger before: check what was made of its columns, then press Enter to use and remember them "
            "(Esc: asked again next time)."
            if is_first_sight
            else "What each column of this log is. Enter uses it, and remembers it for every log with these headers; Esc changes nothing."
        )
        head = QLabel(intro)
        head.setWordWrap(True)
        column.addWidget(head)
        self.table = self._make_table()
        column.addWidget(self.table, 1)
        column.addLayout(self._mount_row())
        self._attitude = self._attitude_row()
        column.addWidget(self._attitude)
        self.problems = QLabel()
        self.problems.setObjectName("failure")
        self.problems.setWordWrap(True)
        column.addWidget(self.problems)
        column.addLayout(self._buttons())
        self._show_map(log.column_map)
        self.ok.setFocus(Qt.FocusReason.OtherFocusReason)

    # --- what it edits --------------------------------------------------------------------------------------------------------

    def column_map(self) -> ColumnMap:
        """The map as it stands on screen."""
        axes = tuple(box.currentText() for box in self._axes)
        rotation = tuple(entry.value for entry in self._rotation)
        turns, earth_z, order = (box.currentText() for box in self._attitude_boxes)
        attitude = dataclasses.replace(self._shown_attitude, turns=turns, earth_z=earth_z, angle_order=order)
        if attitude != self._shown_attitude:
            attitude = dataclasses.replace(attitude, is_inferred=False)
        return dataclasses.replace(
            self._as_read,
            columns=tuple(self._entries),
            axes=None if FOUND in axes else axes,
            rotation_rad=None if None in rotation else tuple(angle * DEG for angle in rotation),
            attitude=attitude,
        )

    def _show_map(self, column_map: ColumnMap) -> None:
        by_column = {(entry.file, entry.column): entry for entry in column_map.columns}
        self._entries = [by_column.get((entry.file, entry.column), entry) for entry in self._entries]
        for row in range(len(self._entries)):
            self._show_row(row)
        for box, axis in zip(self._axes, column_map.axes or (FOUND,) * 3, strict=True):
            box.setCurrentText(axis)
        for entry, angle in zip(self._rotation, column_map.rotation_rad or (None,) * 3, strict=True):
            entry.display(None if angle is None else angle / DEG, "found")
        attitude = self._shown_attitude = column_map.attitude
        for box, text in zip(self._attitude_boxes, (attitude.turns, attitude.earth_z, attitude.angle_order), strict=True):
            box.setCurrentText(text)
        self._check()

    def _change(self, row: int, **changes: object) -> None:
        """The user's edit of one column: what no longer fits its channel is put right, and it is no longer a guess."""
        entry = dataclasses.replace(self._entries[row], **changes, is_inferred=False, is_unit_inferred=False, reason="stated")
        parts = components_of(entry.channel)
        if entry.component not in parts:
            entry = dataclasses.replace(entry, component=self._free_part(row, entry.channel))
        units = units_of(entry.channel, entry.component)
        if entry.unit not in units:
            entry = dataclasses.replace(entry, unit=units[0] if units else "")
        if entry.unit != TICKS:
            entry = dataclasses.replace(entry, rate_hz=None)
        self._entries[row] = entry
        self._show_row(row)
        self._check()

    def _free_part(self, row: int, channel: str) -> str:
        """The first component of a channel that no other column of the file has."""
        taken = {
            e.component for i, e in enumerate(self._entries) if i != row and e.channel == channel and e.file == self._entries[row].file
        }
        parts = components_of(channel)
        return next((part for part in parts if part not in taken), parts[0])

    # --- checks ---------------------------------------------------------------------------------------------------------------

    def _check(self) -> None:
        barred = barred_by(self._entries, [box.currentText() for box in self._axes])
        problems = [*barred, *missed_by(self._entries)]
        self.problems.setText("\n".join(problems))
        self.problems.setVisible(bool(problems))
        self.ok.setEnabled(not barred)
        has_attitude = any(entry.channel in (ANGLES, "q_enu_from_body_onboard") for entry in self._entries)
        self._attitude.setVisible(has_attitude)

    # --- what it is built of --------------------------------------------------------------------------------------------------

    def _make_table(self) -> QTableWidget:
        table = QTableWidget(len(self._entries), len(_HEADINGS))
        table.setHorizontalHeaderLabels(_HEADINGS)
        table.verticalHeader().hide()
        table.setAlternatingRowColors(True)
        table.setWordWrap(False)
        table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAsNeeded)
        table.setSelectionMode(QTableWidget.SelectionMode.NoSelection)
        table.setAccessibleName("Columns of the log")
        table.setTabKeyNavigation(False)  # Tab goes from box to box, and on to the buttons
        header = table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Interactive)
        for section, width in enumerate((140, 250, 84, 84, 60, 64, 64, 216, 120)):
            table.setColumnWidth(section, width)
        header.setStretchLastSection(True)
        for row, entry in enumerate(self._entries):
            self._build_row(table, row, entry)
        table.resizeRowsToContents()
        return table

    def _build_row(self, table: QTableWidget, row: int, entry: ColumnEntry) -> None:
        name = f"{entry.file}: {entry.column}" if entry.file else entry.column
        values = ", ".join(self._values.get((entry.file, entry.column), ())[:5])
        for section, text in ((_COLUMN, name), (_VALUES, values), (_HOW, "")):
            item = QTableWidgetItem(text)
            item.setFlags(Qt.ItemFlag.ItemIsEnabled)
            item.setToolTip(text)
            table.setItem(row, section, item)
        channel = self._box(f"channel of {name}")
        for value in CHANNELS:
            channel.addItem(channel_label(value), value)
        channel.activated.connect(lambda _, row=row, box=channel: self._change(row, channel=box.currentData()))
        part, unit, sign = self._box(f"part of {name}"), self._box(f"unit of {name}"), self._box(f"sign of {name}")
        part.activated.connect(lambda _, row=row, box=part: self._change(row, component=box.currentText()))
        unit.activated.connect(lambda _, row=row, box=unit: self._change(row, unit=box.currentText()))
        sign.addItem("+", 1)
        sign.addItem("−", -1)
        sign.activated.connect(lambda _, row=row, box=sign: self._change(row, sign=box.currentData()))
        zero = OptionalNumber(f"raw value of {name} that means zero", -1e12, 1e12)
        zero.edited.connect(lambda value, row=row: self._change(row, zero=value or 0.0))
        scale = OptionalNumber(f"units per raw step of {name}", -1e12, 1e12)
        scale.edited.connect(lambda value, row=row: self._change_scale(row, value))
        for section, widget in ((_CHANNEL, channel), (_PART, part), (_UNIT, unit), (_SIGN, sign), (_ZERO, zero), (_SCALE, scale)):
            widget.setProperty("row", row)
            widget.installEventFilter(self)
            table.setCellWidget(row, section, widget)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """A box that Tab leads to is scrolled into sight."""
        if event.type() == QEvent.Type.FocusIn:
            self.table.scrollTo(self.table.model().index(watched.property("row"), 0))
        return super().eventFilter(watched, event)

    @staticmethod
    def _box(name: str) -> QComboBox:
        box = QComboBox()
        box.setAccessibleName(name)
        box.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a wheel over the table scrolls the table
        return box

    def _change_scale(self, row: int, value: float | None) -> None:
        if self._entries[row].unit == TICKS:
            self._change(row, rate_hz=value if value and value > 0 else None)
        else:
            self._change(row, scale=1.0 if value is None else value)

    def _show_row(self, row: int) -> None:
        entry, table = self._entries[row], self.table
        channel, part, unit, sign = (table.cellWidget(row, section) for section in (_CHANNEL, _PART, _UNIT, _SIGN))
        channel.setCurrentIndex(CHANNELS.index(entry.channel))
        _fill(part, components_of(entry.channel), entry.component)
        units = units_of(entry.channel, entry.component)
        _fill(unit, units if entry.unit in units else (entry.unit, *units), entry.unit)
        sign.setCurrentIndex(0 if entry.sign == 1 else 1)
        is_number = bool(units)
        sign.setEnabled(is_number and entry.channel != TIME)
        zero, scale = table.cellWidget(row, _ZERO), table.cellWidget(row, _SCALE)
        zero.setEnabled(is_number and entry.channel != TIME)
        scale.setEnabled(is_number)
        zero.display(None if entry.zero == 0.0 else entry.zero, "0" if zero.isEnabled() else "")
        if entry.unit == TICKS:
            scale.display(entry.rate_hz, "ticks/s")
        else:
            scale.display(None if entry.scale == 1.0 else entry.scale, "1" if scale.isEnabled() else "")
        how = table.item(row, _HOW)
        how.setText(how_found(entry))
        how.setToolTip(entry.reason)
        how.setForeground(QColor(style.ERROR_INK if entry.is_unit_inferred else style.MUTED))

    def _mount_row(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(style.GAP)
        self._axes = []
        for letter in "xyz":
            row.addWidget(QLabel(f"body {letter} is imu" if letter == "x" else letter))
            box = self._box(f"imu axis that is body {letter}")
            box.addItems(AXES)
            box.setToolTip("Body z points towards the nose. Found from the data: the nose is where the boost pushes.")
            box.activated.connect(lambda _: self._check())
            self._axes.append(box)
            row.addWidget(box)
        row.addSpacing(2 * style.GAP)
        row.addWidget(QLabel("then turned by, deg"))
        self._rotation = []
        for letter in "xyz":
            entry = OptionalNumber(f"mount rotation about {letter}, deg", -180.0, 180.0)
            entry.setToolTip("Rotation vector that turns these axes into the vehicle's. Empty: found from the data where it is large.")
            entry.setMaximumWidth(80)
            self._rotation.append(entry)
            row.addWidget(entry)
        row.addStretch(1)
        return row

    def _attitude_row(self) -> QWidget:
        holder = QWidget()
        grid = QGridLayout(holder)
        grid.setContentsMargins(0, 0, 0, 0)
        self._attitude_boxes = []
        for column, (label, choices) in enumerate(
            (("The computer's attitude turns", TURNS), ("its earth z points", EARTH_Z), ("order of its angles", ANGLE_ORDERS))
        ):
            box = self._box(label)
            box.addItems(choices)
            self._attitude_boxes.append(box)
            grid.addWidget(QLabel(label), 0, 2 * column)
            grid.addWidget(box, 0, 2 * column + 1)
        grid.setColumnStretch(6, 1)
        return holder

    def _buttons(self) -> QHBoxLayout:
        row = QHBoxLayout()
        for text, tip, do in (
            ("&Load map…", "Take a saved column map", self._load),
            ("&Save map…", "Save this one as a file, for --columns", self._save),
            ("&As it was read", "Undo every change made here", lambda: self._show_map(self._as_read)),
        ):
            button = QPushButton(text)
            button.setToolTip(tip)
            button.setAutoDefault(False)
            button.clicked.connect(do)
            row.addWidget(button)
        row.addWidget(muted("The log itself is never changed."))
        row.addStretch(1)
        box = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.ok = box.addButton("&Use these columns", QDialogButtonBox.ButtonRole.AcceptRole)
        self.ok.setDefault(True)
        box.accepted.connect(self._accept)
        box.rejected.connect(self.reject)
        row.addWidget(box)
        return row

    # --- what it does ---------------------------------------------------------------------------------------------------------

    def _accept(self) -> None:
        self.accepted_map.emit(self.column_map())
        self.accept()

    def _load(self) -> None:
        path = self._asking.open_path("Load a column map", kinds=TOML_FILES)
        if path is None:
            return
        try:
            self._show_map(load_column_map(path))
        except ReplayError as error:
            self._say(str(error))

    def _save(self) -> None:
        proposed = str(Path(self._log.paths[0]).with_suffix(".columns.toml"))
        path = self._asking.save_path("Save column map", proposed, TOML_FILES, ".toml")
        if path is None:
            return
        try:
            save_column_map(self.column_map(), path)
        except (ReplayError, OSError) as error:
            self._say(str(error))

    def _say(self, text: str) -> None:
        self.problems.setText(text)
        self.problems.setVisible(True)


def _fill(box: QComboBox, texts: tuple[str, ...], chosen: str) -> None:
    if [box.itemText(i) for i in range(box.count())] != list(texts):
        box.clear()
        box.addItems(texts)
    box.setCurrentText(chosen)
    box.setEnabled(len(texts) > 1)
