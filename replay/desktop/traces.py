"""Traces: a stack of plots over one window of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from replay.desktop.own_keys import OwnKeys
from replay.desktop.spectrogram import SpectrogramView
from replay.desktop.time_axis import TimeAxis
from replay.desktop.time_scale import TimeScale
from replay.desktop.trace_chooser import ask_traces
from replay.desktop.trace_column import TraceColumn
from replay.desktop.trace_measuring import TraceMeasuring
from replay.desktop.trace_pane import TracePane
from replay.desktop.trace_tools import TraceTools
from replay.desktop.trace_window import TraceWindow
from replay.review.arrangement import checked, default_panes
from replay.review.catalogue import diagnostic_panes
from replay.review.series import DEFAULT_PANES, Series, of_snapshot
from replay.review.snapshot import Snapshot

FRAME_MS: Final = 8
"""Windows asked for within this time are drawn once."""
_ZOOM: Final = 1.6


class TraceStack(OwnKeys, QWidget):
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
        self._is_default = True
        self._time = TraceWindow()
        self._frame = QTimer(self, singleShot=True, interval=FRAME_MS)
        self._frame.timeout.connect(self._draw_window)
        self._build()
        self._replace_panes([{"traces": list(keys)} for keys in DEFAULT_PANES])

    def _build(self) -> None:
        self.column = TraceColumn()
        self.column.shares_dragged.connect(self._edited)
        self.column.resized.connect(self._frame.start)  # with its bar there or not, the time axis stands under the plots
        self.axis = TimeAxis()
        self.spectrogram = SpectrogramView()
        self.spectrogram.hide()
        self.spectrogram.cursor_requested.connect(self.cursor_requested)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self.tools = TraceTools()
        self.measuring = TraceMeasuring(self.column, self.tools.measure)
        self.tools.add.clicked.connect(lambda *_: self._add_by_dialog())
        self.tools.narrower.clicked.connect(lambda *_: self.zoom(1.0 / _ZOOM))
        self.tools.wider.clicked.connect(lambda *_: self.zoom(_ZOOM))
        self.tools.whole.clicked.connect(lambda *_: self.fit())
        self.tools.bands.clicked.connect(lambda *_: self._bands_clicked())
        self.tools.measure.clicked.connect(self.set_measuring)
        self.tools.spectrogram.clicked.connect(lambda *_: self.toggle_spectrogram())
        self.tools.zoom_menu.aboutToShow.connect(self._fill_zoom_menu)
        column.addWidget(self.tools)
        column.addWidget(self.column, 1)
        column.addWidget(self.spectrogram)
        column.addWidget(self.axis)
        column.addWidget(self.measuring.table)

    # the two entry points of a view

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Draw a new result."""
        self._series = of_snapshot(snapshot)
        self.tools.setEnabled(True)
        self._time.take(self._series.marks, snapshot.log.sha256)
        if self._is_default and [list(pane.keys) for pane in self.column.panes] != [pane["traces"] for pane in default_panes(self._series)]:
            self._replace_panes(default_panes(self._series))
        self._fill_panes()
        self.spectrogram.show_snapshot(snapshot)
        self.measuring.show_series(self._series)

    def forget_flight(self) -> None:
        """Empty panes, arranged as they are."""
        self._series = None
        self._frame.stop()
        for pane in self.column.panes:
            pane.clear()
        self.axis.clear()
        self.spectrogram.clear()
        self.measuring.clear()
        self.tools.setEnabled(False)

    def move_cursor(self, log_time_s: float) -> None:
        """Move the cursor; the window turns a page when a cursor that was in view runs out of it."""
        was_seen = self._time.holds(self._time.cursor_log_s)
        self._time.cursor_log_s = log_time_s
        for pane in self.column.panes:
            pane.move_cursor(log_time_s)
        self.spectrogram.move_cursor(log_time_s)
        if was_seen:
            self.reveal(log_time_s)

    def reveal(self, log_time_s: float) -> None:
        """Bring a time into view, the window's width kept."""
        page = self._time.page_with(log_time_s)
        if page is not None:
            self.set_window(*page)

    # the window of time

    @property
    def window_log_s(self) -> tuple[float, float] | None:
        """Log times in view."""
        return self._time.log_s

    def set_window(self, start_log_s: float, stop_log_s: float) -> None:
        """Show [start, stop] on every pane. Many calls within a frame are drawn once."""
        if self._time.set(start_log_s, stop_log_s) and not self._frame.isActive():
            self._frame.start()

    def fit(self) -> None:
        """The flight with some pad and rest around it; where that is in view already, the whole log."""
        self.set_window(*self._time.fitted)

    def zoom(self, factor: float, about_log_s: float | None = None) -> None:
        """Scale the window's width; about the cursor where it is in view, else about the middle."""
        window = self._time.zoomed(factor, about_log_s)
        if window is not None:
            self.set_window(*window)

    def pan(self, by_s: float) -> None:
        """Move the window."""
        if self._time.log_s is not None:
            self.set_window(self._time.log_s[0] + by_s, self._time.log_s[1] + by_s)

    def zoom_to_phase(self, name: str) -> None:
        """Show one phase with a little before and after."""
        window = self._time.phase(name)
        if window is not None:
            self.set_window(*window)

    def _fill_zoom_menu(self) -> None:
        windows = {"Flight": self._time.flight, "Whole log": self._time.whole}
        if self._series is not None:
            windows |= {phase.name.capitalize(): self._time.phase(phase.name) for phase in self._series.marks.phases}
        self.tools.fill_zoom_menu(windows, self.span_log_s, self.set_window)

    def _draw_window(self) -> None:
        self._frame.stop()
        if self._series is None or self._time.log_s is None:
            return
        for pane in self.column.panes:
            pane.show_window(*self._time.log_s)
        self._draw_axis()
        self.window_changed.emit(*self._time.log_s)

    def _draw_axis(self) -> None:
        if self.column.panes and self._series is not None and self._time.log_s is not None:
            pane = self.column.panes[0]
            left = pane.canvas.mapTo(self, pane.canvas.rect().topLeft()).x() - self.axis.x()
            inside = pane.canvas.plot_rect
            scale = TimeScale(*self._time.log_s, left + inside.left(), left + inside.right())
            self.axis.show_window(self._series.marks, scale)
            self.spectrogram.show_window(scale)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._frame.start()

    # panes

    @property
    def panes(self) -> tuple[TracePane, ...]:
        """Panes from top to bottom."""
        return tuple(self.column.panes)

    def wanted_keys(self) -> tuple[str, ...]:
        """Traces on screen, for `series.prepare`."""
        return tuple(dict.fromkeys(key for pane in self.column.panes for key in pane.keys))

    def add_pane(self, keys: Sequence[str], at: int | None = None) -> TracePane:
        """Add a pane; at the bottom unless said otherwise."""
        pane = self._insert(list(keys), len(self.column.panes) if at is None else at)
        self._edited()
        return pane

    def toggle_diagnostics(self) -> bool:
        """Panes of innovations and rest residuals below the others, or away again where all are there; False where there are none."""
        wanted = diagnostic_panes(self._series.catalogue) if self._series is not None else ()
        there = {pane.keys: pane for pane in self.column.panes}
        missing = [keys for keys in wanted if keys not in there]
        for keys in missing:
            pane = self._insert(list(keys), len(self.column.panes))
            QTimer.singleShot(0, pane, lambda pane=pane: self.column.ensureWidgetVisible(pane))  # when it has its place
        if not missing:
            for keys in wanted[: len(there) - 1]:
                self._drop(there[keys])
        if wanted:
            self._edited()
        return bool(wanted)

    def remove_pane(self, i: int) -> None:
        """Remove a pane. The last one stays."""
        if len(self.column.panes) > 1:
            self._drop(self.column.panes[i])
            self._edited()

    def move_pane(self, i: int, by: int) -> None:
        """Move a pane up (-1) or down (+1)."""
        if self.column.shift(i, by):
            self._frame.start()
            self._edited()

    def choose(self, i: int, keys: Sequence[str]) -> None:
        """Change what a pane shows."""
        pane = self.column.panes[i]
        if tuple(keys) != pane.keys:
            pane.keys, pane.vertical = tuple(keys), None
            if self._series is not None:
                pane.set_series(self._series, self.tools.bands.isChecked(), self._time.log_s)
            self._edited()

    def choose_by_dialog(self, i: int | None = None) -> None:
        """Open the chooser for a pane; without a number, for the one that has the focus or the first."""
        if self._series is None:
            return
        if i is None:
            i = self.column.i_focus()
        keys = ask_traces(self._series.catalogue, self.column.panes[i].keys, "Traces of this pane", self)
        if keys:
            self.choose(i, keys)

    def _add_by_dialog(self, at: int | None = None) -> None:
        keys = ask_traces(self._series.catalogue, (), "Traces of the new pane", self) if self._series is not None else None
        if keys:
            self.add_pane(keys, at)

    def _insert(self, keys: list[str], at: int) -> TracePane:
        pane = TracePane(keys)
        self.column.insert(pane, at)
        canvas = pane.canvas
        canvas.cursor_requested.connect(self.cursor_requested)
        canvas.zoom_requested.connect(lambda about, factor: self.zoom(factor, about))
        canvas.pan_requested.connect(self.pan)
        canvas.window_requested.connect(self.set_window)
        canvas.span_dragged.connect(lambda start, stop: self.measuring.set_span((start, stop)))
        canvas.span_released.connect(self._edited)
        canvas.pressed.connect(pane.setFocus)
        pane.choose_requested.connect(lambda: self.choose_by_dialog(self.column.panes.index(pane)))
        pane.add_requested.connect(lambda: self._add_by_dialog(self.column.panes.index(pane) + 1))
        pane.remove_requested.connect(lambda: self.remove_pane(self.column.panes.index(pane)))
        pane.move_requested.connect(lambda by: self.move_pane(self.column.panes.index(pane), by))
        pane.vertical_edited.connect(self._edited)
        canvas.set_span(self.span_log_s)
        if self._series is not None:
            pane.set_series(self._series, self.tools.bands.isChecked(), self._time.log_s)
            if self._time.cursor_log_s is not None:
                pane.move_cursor(self._time.cursor_log_s)
        self._frame.start()
        return pane

    def _drop(self, pane: TracePane) -> None:
        self.column.drop(pane)
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
        if self._series is not None and self._time.log_s is not None:
            self._frame.stop()
            for pane in self.column.panes:
                pane.set_series(self._series, self.tools.bands.isChecked(), self._time.log_s)
            self._draw_axis()

    # the measured span

    @property
    def span_log_s(self) -> tuple[float, float] | None:
        """Both ends of the measured span; None while nothing is measured."""
        return self.measuring.span_log_s

    def set_measuring(self, is_on: bool) -> None:
        """Show or hide the handles; at first they stand at a third and two thirds of the window."""
        if is_on and self._time.log_s is not None:
            start, stop = self._time.log_s
            self.measuring.set_span((start + (stop - start) / 3.0, stop - (stop - start) / 3.0))
        else:
            self.measuring.set_span(None)
        self._edited()

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """Measure between two log times, or stop measuring. Not a user's edit."""
        self.measuring.set_span(None if span_log_s is None else (min(span_log_s), max(span_log_s)))

    # arrangement

    def arrangement(self) -> dict[str, Any]:
        """What the user arranged, as plain JSON: panes with traces, share of the height and vertical range; bands;
        spectrogram; measured span."""
        panes = [
            {"traces": list(pane.keys), "share": share, "vertical": list(pane.vertical) if pane.vertical else None}
            for pane, share in zip(self.column.panes, self.column.shares(), strict=True)
        ]
        return {
            "panes": panes,
            "bands": self.tools.bands.isChecked(),
            "spectrogram": not self.spectrogram.isHidden(),
            "measured_log_s": list(self.span_log_s) if self.span_log_s else None,
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
            wanted["panes"] = default_panes(self._series)
        if wanted["panes"] != self.arrangement()["panes"]:
            self._replace_panes(wanted["panes"])
        self.tools.bands.setChecked(wanted["bands"])
        self._show_spectrogram(wanted["spectrogram"])
        self._fill_panes()
        self.set_span(wanted["measured_log_s"])

    def _replace_panes(self, panes: Sequence[Mapping[str, Any]]) -> None:
        spare = list(self.column.panes)
        for i, wanted in enumerate(panes):
            pane = next((pane for pane in spare if list(pane.keys) == list(wanted["traces"])), None)
            if pane is None:
                self._insert(list(wanted["traces"]), i)
            else:  # one that is there already is kept: making a pane costs more than drawing it
                spare.remove(pane)
                self.column.shift(self.column.panes.index(pane), i - self.column.panes.index(pane))
        for pane in spare:
            self._drop(pane)
        for pane, wanted in zip(self.column.panes, panes, strict=True):
            vertical = wanted.get("vertical")
            pane.vertical = tuple(vertical) if vertical else None
        self.column.set_shares([wanted.get("share") or 1.0 / len(panes) for wanted in panes])
        self._frame.start()

    def _edited(self) -> None:
        self._is_default = False
        self.arrangement_changed.emit(self.arrangement())

    # keys

    def key_action(self, event: QKeyEvent) -> Callable[[], None] | None:
        """Zoom, page, measure, spectrogram."""
        if event.modifiers() & ~(Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier):
            return None
        width = (self._time.log_s[1] - self._time.log_s[0]) if self._time.log_s else 0.0
        actions = {
            Qt.Key.Key_Plus: lambda: self.zoom(1.0 / _ZOOM),
            Qt.Key.Key_Equal: lambda: self.zoom(1.0 / _ZOOM),
            Qt.Key.Key_Minus: lambda: self.zoom(_ZOOM),
            Qt.Key.Key_0: self.fit,
            Qt.Key.Key_M: lambda: self.set_measuring(self.span_log_s is None),
            Qt.Key.Key_S: self.toggle_spectrogram,
            Qt.Key.Key_PageUp: lambda: self.pan(-0.5 * width),
            Qt.Key.Key_PageDown: lambda: self.pan(0.5 * width),
        }
        return actions.get(Qt.Key(event.key()))

    def sizeHint(self) -> QSize:
        return QSize(760, 620)
