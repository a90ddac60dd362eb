"""TracePane: one plot of the stack, with its title, legend and menu. It knows nothing of the other panes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPoint, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QMenu, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from replay.desktop import style, trace_refused
from replay.desktop.pyramid_curve import PyramidBand, PyramidCurve
from replay.desktop.time_scale import TimeScale
from replay.desktop.trace_canvas import Dot, TraceCanvas
from replay.desktop.trace_ground import paint_ground
from replay.desktop.trace_legend import Legend, legend_entries
from replay.desktop.trace_refused import Refused, paint_gates, paint_refused, refused_in
from replay.desktop.trace_style import Look, looks
from replay.review.catalogue import label_of
from replay.review.series import Line, Series
from replay.review.trace import LOGGED, Trace

AXIS_PX: Final = 58
"""Width of the vertical axis: the same in every pane, so that times stand exactly under each other."""
RIGHT_PX: Final = 8
_LEAST_PX: Final = 74
_EDGE_PX: Final = 3.0
_HEADROOM: Final = 0.07
_CONSTANT: Final = 1e-7
"""A line that moves by less than this part of its size, or of one unit, is drawn as standing still."""


class TracePane(QFrame):
    """A few traces of one unit over time."""

    choose_requested = Signal()
    remove_requested = Signal()
    move_requested = Signal(int)
    """-1 up, +1 down."""
    add_requested = Signal()
    vertical_edited = Signal()
    """The user set the vertical scale, or gave it back."""

    def __init__(self, keys: Sequence[str], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.keys: tuple[str, ...] = tuple(keys)
        self.vertical: tuple[float, float] | None = None
        """Vertical range set by hand; None follows the data in view."""
        self.setMinimumHeight(_LEAST_PX)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.title = QLabel()
        self.title.setObjectName("heading")
        self.legend = Legend()
        self.legend.rows_changed.connect(self._make_room)
        self.menu_button = QToolButton()
        self.name = ""
        """Labels of what it shows."""
        self._series: Series | None = None
        self._lines: list[tuple[Line, Look]] = []
        self._refused: list[Refused] = []
        self._curves: list[PyramidCurve] = []
        self._bands: list[PyramidBand] = []
        self._with_bands = True
        self._window = (0.0, 1.0)
        self._range = (0.0, 1.0)
        self._build()

    def _build(self) -> None:
        self.menu_button.setObjectName("quiet")
        self.menu_button.setText("Pane")
        self.menu_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QMenu(self)
        menu.addAction("Choose traces…", self.choose_requested.emit)
        menu.addAction("Add a pane below…", self.add_requested.emit)
        menu.addSeparator()
        menu.addAction("Move up", lambda: self.move_requested.emit(-1))
        menu.addAction("Move down", lambda: self.move_requested.emit(1))
        menu.addAction("Fit vertical scale", self._fit_clicked)
        menu.addSeparator()
        menu.addAction("Remove pane", self.remove_requested.emit)
        self.menu_button.setMenu(menu)
        self.plot = pg.GraphicsView(background=None)
        self.plot.setFrameShape(QFrame.Shape.NoFrame)
        self.plot.setViewportUpdateMode(pg.GraphicsView.ViewportUpdateMode.NoViewportUpdate)
        self.plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._view = pg.ViewBox(enableMenu=False, enableMouse=False)
        self._view.setDefaultPadding(0.0)
        self._view.disableAutoRange()
        self.plot.scene().addItem(self._view)
        self._font = style.small(self, 0.94)
        self.canvas = TraceCanvas(self._render, self.plot.viewport())
        self.canvas.menu_requested.connect(self._open_menu)
        self.canvas.vertical_zoom_requested.connect(self._zoom_vertical)
        self.plot.viewport().installEventFilter(self)
        head = QHBoxLayout()
        head.setContentsMargins(style.GAP, 1, RIGHT_PX, 0)
        head.setSpacing(2 * style.GAP)
        head.addWidget(self.title)
        head.addWidget(self.legend, 1)
        head.addWidget(self.menu_button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addLayout(head)
        column.addWidget(self.plot, 1)

    def _make_room(self) -> None:
        """A second row of the legend is not taken from the plot."""
        self.setMinimumHeight(_LEAST_PX + (self.legend.n_rows - 1) * self.legend.sizeHint().height() // self.legend.n_rows)
        QTimer.singleShot(0, self, self._place_again)  # said while a layout was at work, which does not look twice

    def _place_again(self) -> None:
        self.layout().invalidate()
        self.layout().activate()

    def _open_menu(self, where: QPoint) -> None:
        if self.menu_button.isEnabled():
            self.menu_button.menu().popup(where)

    def _render(self, painter: QPainter) -> None:
        inside, scale = self.canvas.plot_rect, self.canvas.scale
        if self._series is not None:
            paint_ground(painter, inside, scale, self._series.marks, self._range, self._font)
            paint_gates(painter, inside, scale, self._range, self._refused)
        rect = self.canvas.rect()
        self.plot.render(painter, QRectF(rect), rect)
        if self._refused:
            paint_refused(painter, inside, scale, self._range, self._refused)

    def eventFilter(self, watched: QWidget, event: QEvent) -> bool:
        """The canvas always covers the viewport."""
        if event.type() == QEvent.Type.Resize:
            size = watched.rect()
            self.canvas.setGeometry(size)
            height = max(size.height() - 2.0 * _EDGE_PX, 1.0)
            self._view.setGeometry(QRectF(AXIS_PX, _EDGE_PX, max(size.width() - AXIS_PX - RIGHT_PX, 1.0), height))
            self.show_window(*self._window)
        return super().eventFilter(watched, event)

    # what is drawn

    def set_series(self, series: Series, with_bands: bool, window_log_s: tuple[float, float]) -> None:
        """Draw another result over a window of time. Items are kept where the lines are the same ones."""
        self._series, self._with_bands = series, with_bands
        self.menu_button.setEnabled(True)
        lines = [line for key in self.keys for line in series.lines(key)]
        self._lines = list(zip(lines, looks(lines), strict=True))
        self._refused = refused_in(series, self._lines)
        zero = series.marks.zero_log_s
        banded = [(line, look) for line, look in self._lines if with_bands and line.band is not None]
        self._curves = self._match(self._curves, self._lines, PyramidCurve, zero)
        self._bands = self._match(self._bands, banded, PyramidBand, zero)
        self._write_head(series)
        self.show_window(*window_log_s)

    def clear(self) -> None:
        """Nothing is drawn; the head says what was asked for."""
        self._series, self._lines, self._refused = None, [], []
        self._curves = self._match(self._curves, [], PyramidCurve, 0.0)
        self._bands = self._match(self._bands, [], PyramidBand, 0.0)
        self._range = (0.0, 0.0)
        self.legend.set_entries([(None, "nothing estimated yet")])
        self.menu_button.setEnabled(False)
        self.canvas.clear()

    def _match(self, items: list, wanted: list[tuple[Line, Look]], make: type, zero: float) -> list:
        """Reuse plot items; make or drop the difference."""
        for item, (line, look) in zip(items, wanted, strict=False):
            item.set_line(line, look, zero)
        for line, look in wanted[len(items) :]:
            item = make(line, look, zero)
            self._view.addItem(item, ignoreBounds=True)
            items.append(item)
        for item in items[len(wanted) :]:
            self._view.removeItem(item)
        return items[: len(wanted)]

    def _write_head(self, series: Series) -> None:
        traces = [series.catalogue[key] for key in self.keys if key in series.catalogue]
        unit = traces[0].unit if traces else ""
        title = self._title(traces)
        self.name = title
        self.title.setText(f"{title} [{unit}]" if unit and unit != "1" else title)
        self.setAccessibleName(f"Trace pane: {title}")
        self.menu_button.setAccessibleName(f"Menu of the pane {title}")
        drawn = {line.key for line, _ in self._lines}
        entries = legend_entries(self._lines, series.catalogue, series.source.solutions["as_flown"].method)
        entries += trace_refused.entries(self._refused)
        if self.keys and not entries:
            is_logged = all(key.startswith(("log:", "column:")) for key in self.keys)
            entries = [(None, "not in this log" if is_logged else "not estimated")]
        elif any(key in series.catalogue and key not in drawn for key in self.keys):
            entries.append((None, "rest not estimated"))
        self.legend.set_entries(entries)

    def _title(self, traces: Sequence[Trace]) -> str:
        """Labels of what is estimated, each once; logged companions are named in the legend. Without any, what was asked for."""
        solved = {line.key for line, _ in self._lines if line.variant != LOGGED}
        named = [trace for trace in traces if trace.key in solved] or traces
        labels = [trace.label for trace in named] or [label_of(key) for key in self.keys]
        return ", ".join(dict.fromkeys(labels))

    def lines(self) -> list[tuple[Line, Look]]:
        """What is drawn."""
        return list(self._lines)

    # time and values

    def show_window(self, start_log_s: float, stop_log_s: float) -> None:
        """Draw [start, stop] of the log's clock."""
        self._window = (start_log_s, stop_log_s)
        if self._series is None or self.plot.viewport().width() < AXIS_PX + 20:
            return
        zero = self._series.marks.zero_log_s
        n_pixels = max(int(self._view.width()), 1)
        for i, curve in enumerate(self._curves):
            curve.show_window(start_log_s, stop_log_s, n_pixels, i / max(len(self._curves), 1))
        for band in self._bands:
            band.show_window(start_log_s, stop_log_s, n_pixels)
        low, high = self._range = self.vertical or self._fitted(start_log_s, stop_log_s)
        self._view.setRange(
            xRange=(start_log_s - zero, stop_log_s - zero), yRange=(low, high), padding=0.0, update=True, disableAutoRange=True
        )
        inside = self._inside()
        self.canvas.set_geometry_of_plot(TimeScale(start_log_s, stop_log_s, inside.left(), inside.right()), inside)
        if self.canvas.cursor_log_s is not None:
            self.move_cursor(self.canvas.cursor_log_s)

    def _inside(self) -> QRectF:
        return self.plot.viewportTransform().mapRect(self._view.sceneBoundingRect())

    def _fitted(self, start_log_s: float, stop_log_s: float) -> tuple[float, float]:
        """Range of the data in view with headroom. Kept as it is while the data still fit and fill it, so that it does not tremble."""
        found = [curve.extremes(start_log_s, stop_log_s, self._with_bands) for curve in self._curves]
        found.append(trace_refused.extremes(self._refused, start_log_s, stop_log_s))
        low = min((low for low, _ in found), default=math.inf)
        high = max((high for _, high in found), default=-math.inf)
        if low > high:
            return self._range if self._range[1] > self._range[0] else (0.0, 1.0)
        old_low, old_high = self._range
        width = old_high - old_low
        if old_low <= low and high <= old_high and high - low > 0.72 * width:
            return self._range
        size = max(abs(low), abs(high))
        is_constant = high - low <= _CONSTANT * max(size, 1.0)  # else its axis would be all decimals
        room = max(0.05 * size, 0.5) if is_constant else (high - low) * _HEADROOM
        return low - room, high + room

    def fit_vertical(self) -> None:
        """Follow the data in view again."""
        self.vertical = None
        self._range = (0.0, 0.0)
        self.show_window(*self._window)

    def _fit_clicked(self) -> None:
        self.fit_vertical()
        self.vertical_edited.emit()

    def _zoom_vertical(self, y_px: float, factor: float) -> None:
        inside = self.canvas.plot_rect
        low, high = self._range
        at = high - (y_px - inside.top()) / max(inside.height(), 1.0) * (high - low)
        self.vertical = (at + (low - at) * factor, at + (high - at) * factor)
        self.show_window(*self._window)
        self.vertical_edited.emit()

    def y_px(self, value: float) -> float:
        """Pixel of a value on the canvas."""
        low, high = self._range
        return self.canvas.plot_rect.bottom() - (value - low) / (high - low) * self.canvas.plot_rect.height()

    def move_cursor(self, log_time_s: float) -> None:
        """Move the line and its dots; nothing else is drawn."""
        dots = []
        for curve in sorted(self._curves, key=lambda curve: curve.zValue()):
            value = curve.value_at(log_time_s)
            if math.isfinite(value):
                dots.append(Dot(min(max(self.y_px(value), -1e6), 1e6), curve.look.colour))
        self.canvas.move_cursor(log_time_s, tuple(dots))
