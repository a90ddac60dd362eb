"""Traces: a stack of plots over one window of time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from PySide6.QtCore import QEvent, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QFrame, QScrollArea, QSplitter, QVBoxLayout, QWidget

from replay.desktop.measure_table import MeasureTable
from replay.desktop.spectrogram import SpectrogramView
from replay.desktop.time_axis import TimeAxis
from replay.desktop.time_scale import TimeScale
from replay.desktop.trace_chooser import TraceChooser
from replay.desktop.trace_legend import line_name
from replay.desktop.trace_pane import TracePane
from replay.desktop.trace_tools import TraceTools
from replay.review.arrangement import checked
from replay.review.pyramid import span_statistics
from replay.review.series import DEFAULT_PANES, Series, of_snapshot
from replay.review.snapshot import Snapshot

FRAME_MS: Final = 8
"""Windows asked for within this time are drawn once."""
_MEASURE_MS: Final = 40
_ZOOM: Final = 1.6

KEYS: Final = (
    ("+, −", "on the traces: zoom in and out about the cursor"),
    ("Page Up, Page Down", "on the traces: half a window earlier or later"),
    ("0", "on the traces: the flight; once more, the whole log"),
    ("M", "on the traces: measure between two handles"),
    ("S", "on the traces: the spectrogram of the specific force"),
    ("Wheel", "on the traces: zoom about the pointer; with Shift pan, with Control the vertical scale"),
    ("Drag", "on the traces: pan; with Shift choose the window"),
    ("Double click", "on the traces: cursor here"),
)
"""Keys and pointer actions of this widget, for the key sheet. They count only while it has the focus."""


class TraceStack(QWidget):
    """A view: `show_snapshot` draws a result, `move_cursor` moves the line."""

    cursor_requested = Signal(float)
    """Log time the user wants the cursor at."""
    arrangement_changed = Signal(object)
    """The user changed panes, traces, bands or measuring; carries `arrangement()`."""
    window_changed = Signal(float, float)
    """Log times in view."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Traces")
        self._series: Series | None = None
        self._seen_sha = ""
        self._is_default = True
        self._panes: list[TracePane] = []
        self._window: tuple[float, float] | None = None
        self._cursor_log_s: float | None = None
        self._span: tuple[float, float] | None = None
        self._frame = QTimer(self, singleShot=True, interval=FRAME_MS)
        self._frame.timeout.connect(self._draw_window)
        self._measure = QTimer(self, singleShot=True, interval=_MEASURE_MS)
        self._measure.timeout.connect(self._fill_table)
        self._build()
        self._replace_panes([{"traces": list(keys)} for keys in DEFAULT_PANES])

    def _build(self) -> None:
        self.splitter = QSplitter(Qt.Orientation.Vertical)
        self.splitter.setChildrenCollapsible(False)
        self.splitter.setHandleWidth(5)
        self.splitter.splitterMoved.connect(lambda *_: self._edited())
        self.scroll = _Panes()
        self.scroll.setWidgetResizable(True)
        self.scroll.setFrameShape(QFrame.Shape.NoFrame)
        self.scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.scroll.setWidget(self.splitter)
        self.axis = TimeAxis()
        self.spectrogram = SpectrogramView()
        self.spectrogram.hide()
        self.spectrogram.cursor_requested.connect(self.cursor_requested)
        self.table = MeasureTable()
        self.table.hide()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self.tools = TraceTools()
        self.tools.add.clicked.connect(lambda *_: self._add_by_dialog())
        self.tools.narrower.clicked.connect(lambda *_: self.zoom(1.0 / _ZOOM))
        self.tools.wider.clicked.connect(lambda *_: self.zoom(_ZOOM))
        self.tools.whole.clicked.connect(lambda *_: self.fit())
        self.tools.bands.clicked.connect(lambda *_: self._bands_clicked())
        self.tools.measure.clicked.connect(self.set_measuring)
        self.tools.spectrogram.clicked.connect(lambda *_: self.toggle_spectrogram())
        self.tools.zoom_menu.aboutToShow.connect(self._fill_zoom_menu)
        column.addWidget(self.tools)
        column.addWidget(self.scroll, 1)
        column.addWidget(self.spectrogram)
        column.addWidget(self.axis)
        column.addWidget(self.table)

    # the two entry points of a view

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result."""
        self._series = of_snapshot(snapshot)
        if self._window is None or self._seen_sha != snapshot.log.sha256 or not self._fits(*self._window):
            self._window = self._flight()
        self._seen_sha = snapshot.log.sha256
        if self._is_default and [list(pane.keys) for pane in self._panes] != [pane["traces"] for pane in self._default_panes()]:
            self._replace_panes(self._default_panes())
        self._fill_panes()
        self.spectrogram.show_snapshot(snapshot)
        if self._span is not None:
            self._measure.start()

    def move_cursor(self, log_time_s: float) -> None:
        """Move the cursor; the window turns a page when a cursor that was in view runs out of it."""
        was_seen = self._cursor_log_s is not None and self._is_seen(self._cursor_log_s)
        self._cursor_log_s = log_time_s
        for pane in self._panes:
            pane.move_cursor(log_time_s)
        self.spectrogram.move_cursor(log_time_s)
        if was_seen and not self._is_seen(log_time_s):
            self.reveal(log_time_s)

    def reveal(self, log_time_s: float) -> None:
        """Bring a time into view, the window's width kept."""
        if self._window is None or self._is_seen(log_time_s):
            return
        start, stop = self._window
        share = 0.08 if log_time_s > stop else 0.92
        begin = log_time_s - share * (stop - start)
        self.set_window(begin, begin + stop - start)

    def _is_seen(self, log_time_s: float) -> bool:
        return self._window is not None and self._window[0] <= log_time_s <= self._window[1]

    # the window of time

    @property
    def window_log_s(self) -> tuple[float, float] | None:
        """Log times in view."""
        return self._window

    def set_window(self, start_log_s: float, stop_log_s: float) -> None:
        """Show [start, stop] on every pane. Many calls within a frame are drawn once."""
        if self._series is None or not (math.isfinite(start_log_s) and math.isfinite(stop_log_s)):
            return
        first, last = self._whole()
        width = min(max(stop_log_s - start_log_s, 1e-4), 1.2 * (last - first))
        middle = 0.5 * (start_log_s + stop_log_s)
        slack = 0.1 * (last - first)
        start = min(max(middle - 0.5 * width, first - slack), last + slack - width)
        self._window = (start, start + width)
        if not self._frame.isActive():
            self._frame.start()

    def _fits(self, start_log_s: float, stop_log_s: float) -> bool:
        """The window still lies on the log."""
        first, last = self._whole()
        return start_log_s < last and stop_log_s > first and stop_log_s - start_log_s <= 1.3 * (last - first)

    def _whole(self) -> tuple[float, float]:
        """Ends of the log; a second of nothing where it is empty."""
        marks = self._series.marks if self._series is not None else None
        if marks is None or marks.stop_log_s <= marks.start_log_s:
            return (0.0, 1.0)
        return marks.start_log_s, marks.stop_log_s

    def fit(self) -> None:
        """The flight with some pad and rest around it; where that is in view already, the whole log."""
        if self._series is not None:
            is_flight = self._window is not None and max(abs(a - b) for a, b in zip(self._window, self._flight(), strict=True)) < 1e-9
            self.set_window(*(self._whole() if is_flight else self._flight()))

    def _flight(self) -> tuple[float, float]:
        """What is shown at first."""
        start, stop = self._series.marks.flight_log_s if self._series is not None else (0.0, 1.0)
        return (start, stop) if stop > start else self._whole()

    def _default_panes(self) -> list[dict[str, Any]]:
        """The default panes as far as this flight has them."""
        have = self._series.catalogue if self._series is not None else {key: None for keys in DEFAULT_PANES for key in keys}
        panes = [[key for key in keys if key in have] for keys in DEFAULT_PANES]
        return [{"traces": keys} for keys in panes if keys] or [{"traces": list(DEFAULT_PANES[0])}]

    def zoom(self, factor: float, about_log_s: float | None = None) -> None:
        """Scale the window's width; about the cursor where it is in view, else about the middle."""
        if self._window is None:
            return
        start, stop = self._window
        if about_log_s is None:
            about_log_s = (
                self._cursor_log_s if self._cursor_log_s is not None and self._is_seen(self._cursor_log_s) else 0.5 * (start + stop)
            )
        self.set_window(about_log_s + (start - about_log_s) * factor, about_log_s + (stop - about_log_s) * factor)

    def pan(self, by_s: float) -> None:
        """Move the window."""
        if self._window is not None:
            self.set_window(self._window[0] + by_s, self._window[1] + by_s)

    def zoom_to_phase(self, name: str) -> None:
        """Show one phase with a little before and after."""
        phase = next((p for p in self._series.marks.phases if p.name == name), None) if self._series else None
        if phase is not None:
            room = 0.04 * (phase.stop_log_s - phase.start_log_s)
            self.set_window(phase.start_log_s - room, phase.stop_log_s + room)

    def _fill_zoom_menu(self) -> None:
        menu = self.tools.zoom_menu
        menu.clear()
        menu.addAction("Flight", lambda: self.set_window(*self._flight()))
        menu.addAction("Whole log", lambda: self.set_window(*self._whole()))
        if self._series is not None:
            for phase in self._series.marks.phases:
                menu.addAction(phase.name.capitalize(), lambda name=phase.name: self.zoom_to_phase(name))
        if self._span is not None:
            menu.addSeparator()
            menu.addAction("Measured span", lambda: self.set_window(*self._span))

    def _draw_window(self) -> None:
        self._frame.stop()
        if self._series is None or self._window is None:
            return
        for pane in self._panes:
            pane.show_window(*self._window)
        self._draw_axis()
        self.window_changed.emit(*self._window)

    def _draw_axis(self) -> None:
        if self._panes and self._series is not None and self._window is not None:
            pane = self._panes[0]
            left = pane.canvas.mapTo(self, pane.canvas.rect().topLeft()).x() - self.axis.x()
            inside = pane.canvas.plot_rect
            scale = TimeScale(*self._window, left + inside.left(), left + inside.right())
            self.axis.show_window(self._series.marks, scale)
            self.spectrogram.show_window(scale)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._frame.start()

    # panes

    @property
    def panes(self) -> tuple[TracePane, ...]:
        """Panes from top to bottom."""
        return tuple(self._panes)

    def wanted_keys(self) -> tuple[str, ...]:
        """Traces on screen, for `series.prepare`."""
        return tuple(dict.fromkeys(key for pane in self._panes for key in pane.keys))

    def add_pane(self, keys: Sequence[str], at: int | None = None) -> TracePane:
        """Add a pane; at the bottom unless said otherwise."""
        pane = self._insert(list(keys), len(self._panes) if at is None else at)
        self._edited()
        return pane

    def remove_pane(self, i: int) -> None:
        """Remove a pane. The last one stays."""
        if len(self._panes) > 1:
            self._drop(self._panes[i])
            self._edited()

    def move_pane(self, i: int, by: int) -> None:
        """Move a pane up (-1) or down (+1)."""
        j = min(max(i + by, 0), len(self._panes) - 1)
        if j != i:
            pane = self._panes.pop(i)
            self._panes.insert(j, pane)
            self.splitter.insertWidget(j, pane)
            self._frame.start()
            self._edited()

    def choose(self, i: int, keys: Sequence[str]) -> None:
        """Change what a pane shows."""
        pane = self._panes[i]
        if tuple(keys) != pane.keys:
            pane.keys, pane.vertical = tuple(keys), None
            if self._series is not None:
                pane.set_series(self._series, self.tools.bands.isChecked(), self._window)
            self._edited()

    def choose_by_dialog(self, i: int | None = None) -> None:
        """Open the chooser for a pane; without a number, for the one that has the focus or the first."""
        if self._series is None:
            return
        if i is None:
            i = next((k for k, pane in enumerate(self._panes) if pane.isAncestorOf(self.focusWidget() or self) or pane.hasFocus()), 0)
        keys = self._ask(self._panes[i].keys, "Traces of this pane")
        if keys:
            self.choose(i, keys)

    def _add_by_dialog(self, at: int | None = None) -> None:
        keys = self._ask((), "Traces of the new pane") if self._series is not None else None
        if keys:
            self.add_pane(keys, at)

    def _ask(self, chosen: Sequence[str], title: str) -> tuple[str, ...] | None:
        chooser = TraceChooser(self._series.catalogue, chosen, title, self)
        chosen_now = chooser.chosen() if chooser.exec() else None
        chooser.deleteLater()
        return chosen_now

    def _insert(self, keys: list[str], at: int) -> TracePane:
        pane = TracePane(keys)
        self._panes.insert(at, pane)
        self.splitter.insertWidget(at, pane)
        self.splitter.setStretchFactor(at, 1)
        canvas = pane.canvas
        canvas.cursor_requested.connect(self.cursor_requested)
        canvas.zoom_requested.connect(lambda about, factor: self.zoom(factor, about))
        canvas.pan_requested.connect(self.pan)
        canvas.window_requested.connect(self.set_window)
        canvas.span_dragged.connect(lambda start, stop: self._set_span((start, stop)))
        canvas.span_released.connect(self._edited)
        canvas.pressed.connect(pane.setFocus)
        pane.choose_requested.connect(lambda: self.choose_by_dialog(self._panes.index(pane)))
        pane.add_requested.connect(lambda: self._add_by_dialog(self._panes.index(pane) + 1))
        pane.remove_requested.connect(lambda: self.remove_pane(self._panes.index(pane)))
        pane.move_requested.connect(lambda by: self.move_pane(self._panes.index(pane), by))
        pane.vertical_edited.connect(self._edited)
        canvas.set_span(self._span)
        if self._series is not None:
            pane.set_series(self._series, self.tools.bands.isChecked(), self._window)
            if self._cursor_log_s is not None:
                pane.move_cursor(self._cursor_log_s)
        self._frame.start()
        return pane

    def _drop(self, pane: TracePane) -> None:
        self._panes.remove(pane)
        pane.setParent(None)
        pane.deleteLater()
        self._frame.start()

    def toggle_spectrogram(self) -> None:
        """Show or hide the spectrogram, as a user's edit."""
        self._show_spectrogram(self.spectrogram.isHidden())
        self._edited()

    def _show_spectrogram(self, is_shown: bool) -> None:
        self.spectrogram.setVisible(is_shown)
        self.tools.spectrogram.setChecked(is_shown)

    def _bands_clicked(self) -> None:
        self._fill_panes()
        self._edited()

    def _fill_panes(self) -> None:
        """Give every pane the result, drawn over the window in view."""
        if self._series is not None and self._window is not None:
            self._frame.stop()
            for pane in self._panes:
                pane.set_series(self._series, self.tools.bands.isChecked(), self._window)
            self._draw_axis()

    # the measured span

    @property
    def span_log_s(self) -> tuple[float, float] | None:
        """Both ends of the measured span; None while nothing is measured."""
        return self._span

    def set_measuring(self, is_on: bool) -> None:
        """Show or hide the handles; at first they stand at a third and two thirds of the window."""
        if is_on and self._window is not None:
            start, stop = self._window
            self._set_span((start + (stop - start) / 3.0, stop - (stop - start) / 3.0))
        else:
            self._set_span(None)
        self._edited()

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """Measure between two log times, or stop measuring. Not a user's edit."""
        self._set_span(None if span_log_s is None else (min(span_log_s), max(span_log_s)))

    def _set_span(self, span_log_s: tuple[float, float] | None) -> None:
        self._span = span_log_s
        self.tools.measure.setChecked(span_log_s is not None)
        self.table.setVisible(span_log_s is not None)
        for pane in self._panes:
            pane.canvas.set_span(span_log_s)
        if span_log_s is not None and not self._measure.isActive():
            self._measure.start()

    def _fill_table(self) -> None:
        if self._span is None or self._series is None:
            return
        rows = []
        for pane in self._panes:
            for line, look in pane.lines():
                trace = self._series.catalogue[line.key]
                rows.append((look, line_name(trace, line.variant), trace.unit, span_statistics(line.pyramid, *self._span)))
        zero = self._series.marks.zero_log_s
        self.table.show_span(self._span[0] - zero, self._span[1] - zero, rows)

    # arrangement

    def arrangement(self) -> dict[str, Any]:
        """What the user arranged, as plain JSON: panes with traces, share of the height and vertical range; bands;
        spectrogram; measured span."""
        sizes = [max(size, 1) for size in self.splitter.sizes()]
        total = sum(sizes) or 1
        panes = [
            {"traces": list(pane.keys), "share": round(size / total, 3), "vertical": list(pane.vertical) if pane.vertical else None}
            for pane, size in zip(self._panes, sizes, strict=True)
        ]
        return {
            "panes": panes,
            "bands": self.tools.bands.isChecked(),
            "spectrogram": not self.spectrogram.isHidden(),
            "measured_log_s": list(self._span) if self._span else None,
        }

    def set_arrangement(self, arrangement: Mapping[str, Any]) -> None:
        """Bring back an arrangement; an empty one is the default. Not a user's edit.

        Raises
        ------
        SettingsError
            It holds something an arrangement can't.
        """
        wanted = checked(arrangement)
        self._is_default = not arrangement.get("panes")
        if self._is_default:
            wanted["panes"] = self._default_panes()
        if wanted["panes"] != self.arrangement()["panes"]:
            self._replace_panes(wanted["panes"])
        self.tools.bands.setChecked(wanted["bands"])
        self._show_spectrogram(wanted["spectrogram"])
        self._fill_panes()
        self.set_span(wanted["measured_log_s"])

    def _replace_panes(self, panes: Sequence[Mapping[str, Any]]) -> None:
        same = [list(pane.keys) for pane in self._panes] == [list(p["traces"]) for p in panes]
        if not same:
            for pane in list(self._panes):
                self._drop(pane)
            for i, wanted in enumerate(panes):
                self._insert(list(wanted["traces"]), i)
        for pane, wanted in zip(self._panes, panes, strict=True):
            vertical = wanted.get("vertical")
            pane.vertical = tuple(vertical) if vertical else None
        shares = [wanted.get("share") or 1.0 / len(panes) for wanted in panes]
        self.splitter.setSizes([round(10_000 * share) for share in shares])
        self._frame.start()

    def _edited(self) -> None:
        self._is_default = False
        self.arrangement_changed.emit(self.arrangement())

    # keys

    def event(self, event: QEvent) -> bool:
        """Keys of this widget go before the window's own while it has the focus."""
        if event.type() == QEvent.Type.ShortcutOverride and self._action_of(event) is not None:
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        action = self._action_of(event)
        if action is None:
            super().keyPressEvent(event)
        else:
            action()

    def _action_of(self, event: QKeyEvent) -> Any:
        if event.modifiers() & ~(Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier):
            return None
        width = (self._window[1] - self._window[0]) if self._window else 0.0
        actions = {
            Qt.Key.Key_Plus: lambda: self.zoom(1.0 / _ZOOM),
            Qt.Key.Key_Equal: lambda: self.zoom(1.0 / _ZOOM),
            Qt.Key.Key_Minus: lambda: self.zoom(_ZOOM),
            Qt.Key.Key_0: self.fit,
            Qt.Key.Key_M: lambda: self.set_measuring(self._span is None),
            Qt.Key.Key_S: self.toggle_spectrogram,
            Qt.Key.Key_PageUp: lambda: self.pan(-0.5 * width),
            Qt.Key.Key_PageDown: lambda: self.pan(0.5 * width),
        }
        return actions.get(Qt.Key(event.key()))

    def sizeHint(self) -> QSize:
        return QSize(760, 620)


class _Panes(QScrollArea):
    """Scrolls by its bar and by the wheel over it, not by keys: those belong to the traces and the window."""

    def keyPressEvent(self, event: QKeyEvent) -> None:
        event.ignore()
