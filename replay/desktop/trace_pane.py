"""TracePane: one plot of the stack, with its title, legend and menu. It knows nothing of the other panes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import pyqtgraph as pg
from PySide6.QtCore import QEvent, QPoint, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QMenu, QSizePolicy, QStyleOptionGraphicsItem, QToolButton, QVBoxLayout, QWidget

from replay.desktop import style
from replay.desktop.pyramid_curve import PyramidBand, PyramidCurve
from replay.desktop.time_scale import TimeScale, decimals, number, round_step, ticks
from replay.desktop.trace_canvas import Dot, TraceCanvas
from replay.desktop.trace_style import Look, draw_swatch, looks, variant_name
from replay.review.catalogue import LOGGED, Trace
from replay.review.marks import Marks
from replay.review.series import Line, Series
from replay.scene import palette

AXIS_PX: Final = 58
"""Width of the vertical axis: the same in every pane, so that times stand exactly under each other."""
RIGHT_PX: Final = 8
_EDGE_PX: Final = 3.0
_HEADROOM: Final = 0.07
_GRID: Final = "#DCE1E5"
_GATE: Final = palette.GREEN
_REJECTED: Final = palette.VERMILLION


class _ValueAxis(pg.AxisItem):
    """Vertical axis with one level of ticks at round steps."""

    def __init__(self, font: QFont) -> None:
        super().__init__("left", maxTickLength=-4)
        self._line_px = QFontMetricsF(font).height()
        self.setWidth(AXIS_PX)
        self.enableAutoSIPrefix(False)
        self.setStyle(maxTickLevel=0, tickFont=font, tickTextOffset=4, hideOverlappingLabels=False)
        self.setPen(QColor(style.LINE))
        self.setTextPen(QColor(style.INK))

    def step(self, low: float, high: float, size_px: float) -> float:
        """Round step with room for its labels."""
        return round_step((high - low) * 1.9 * self._line_px / max(size_px, 1.0))

    def tickSpacing(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, float]]:
        return [(self.step(minVal, maxVal, size), 0.0)]

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        return [number(value, decimals(spacing)) for value in values]


class _Backdrop(pg.GraphicsObject):
    """Phases, grid, gate and refusals behind the lines. One item: a grid of many would cost more than the data."""

    def __init__(self) -> None:
        super().__init__()
        self.setZValue(-20)
        self.marks: Marks | None = None
        self.rect = QRectF(0.0, 0.0, 1.0, 1.0)
        self.times: list[float] = []
        self.values: list[float] = []

    def set_window(self, rect: QRectF, times: list[float], values: list[float]) -> None:
        """View in plot coordinates and where the grid lines go."""
        self.prepareGeometryChange()
        self.rect, self.times, self.values = rect, times, values
        self.update()

    def boundingRect(self) -> QRectF:
        return self.rect

    def paint(self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None) -> None:
        transform = painter.worldTransform()
        inside = transform.mapRect(self.rect)
        painter.save()
        painter.resetTransform()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if self.marks is not None:
            self._paint_phases(painter, inside)
        painter.setPen(QPen(QColor(_GRID), 1.0))
        for t in self.times:
            x = transform.map(QPointF(t, 0.0)).x()
            painter.drawLine(QPointF(x, inside.top()), QPointF(x, inside.bottom()))
        for v in self.values:
            y = transform.map(QPointF(0.0, v)).y()
            painter.drawLine(QPointF(inside.left(), y), QPointF(inside.right(), y))
        if self.marks is not None:
            self._paint_marks(painter, inside)
        painter.restore()

    def _x(self, inside: QRectF, log_time_s: float) -> float:
        share = (log_time_s - self.marks.zero_log_s - self.rect.left()) / self.rect.width()
        return inside.left() + min(max(share, -0.01), 1.01) * inside.width()

    def _paint_phases(self, painter: QPainter, inside: QRectF) -> None:
        for phase in self.marks.phases:
            left, right = self._x(inside, phase.start_log_s), self._x(inside, phase.stop_log_s)
            painter.fillRect(QRectF(left, inside.top(), right - left, inside.height()), QColor(palette.PHASE_SHADES[phase.name]))

    def _paint_marks(self, painter: QPainter, inside: QRectF) -> None:
        """Gate as a bar along the bottom edge, each refused measurement as a tick standing on it."""
        last = -1e9
        for start, stop in self.marks.gravity_used_log_s:
            left, right = self._x(inside, start), self._x(inside, stop)
            if right >= last + 0.5:
                painter.fillRect(QRectF(left, inside.bottom() - 3.0, max(right - left, 1.0), 3.0), QColor(_GATE))
                last = right
        columns = {round(self._x(inside, refused.log_time_s)) for refused in self.marks.rejected}
        for x in columns:
            painter.fillRect(QRectF(x - 0.5, inside.bottom() - 11.0, 1.5, 8.0), QColor(_REJECTED))


class Legend(QWidget):
    """Entries with the line's own colour, dash and marker. What does not fit is counted, and all of it is in the tool tip."""

    _SWATCH_PX = 30.0
    _GAP_PX = 14.0

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[tuple[Look | None, str]] = []
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.setMinimumWidth(40)

    def set_entries(self, entries: list[tuple[Look | None, str]]) -> None:
        """(look, text) of every line; without a look the text is a remark."""
        self._entries = entries
        text = ", ".join(name for _, name in entries)
        self.setToolTip(text)
        self.setAccessibleName(f"Legend: {text}")
        self.update()

    def entries(self) -> list[str]:
        """Texts shown."""
        return [text for _, text in self._entries]

    def sizeHint(self) -> QSize:
        return QSize(200, self.fontMetrics().height() + 4)

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics = QFontMetricsF(self.font())
        widths = [metrics.horizontalAdvance(text) + (self._SWATCH_PX + 6.0 if look else 0.0) for look, text in self._entries]
        x, middle = 0.0, self.height() / 2.0
        for i, ((look, text), width) in enumerate(zip(self._entries, widths, strict=True)):
            is_last = i == len(self._entries) - 1
            more = f"+ {len(self._entries) - i} more"
            if i and x + width + (0.0 if is_last else self._GAP_PX + metrics.horizontalAdvance(more)) > self.width():
                painter.setPen(QColor(style.MUTED))
                painter.drawText(QRectF(x, 0, self.width() - x, self.height()), Qt.AlignmentFlag.AlignVCenter, more)
                break
            at = x
            if look is not None:
                draw_swatch(painter, QRectF(x, middle - 6, self._SWATCH_PX, 12), look)
                at += self._SWATCH_PX + 6.0
            painter.setPen(QColor(style.INK if look is not None else style.MUTED))
            painter.drawText(QRectF(at, 0, width, self.height()), Qt.AlignmentFlag.AlignVCenter, text)
            x += width + self._GAP_PX
        painter.end()


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
        self.setMinimumHeight(74)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.title = QLabel()
        self.title.setObjectName("heading")
        self.legend = Legend()
        self.menu_button = QToolButton()
        self.name = ""
        """Labels of what it shows."""
        self._series: Series | None = None
        self._lines: list[tuple[Line, Look]] = []
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
        self.plot = pg.GraphicsView(background=style.PAPER)
        self.plot.setFrameShape(QFrame.Shape.NoFrame)
        self.plot.setViewportUpdateMode(pg.GraphicsView.ViewportUpdateMode.NoViewportUpdate)
        self.plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._view = pg.ViewBox(enableMenu=False, enableMouse=False)
        self._view.setDefaultPadding(0.0)
        self._view.disableAutoRange()
        self._axis = _ValueAxis(style.small(self, 0.94))
        self._axis.linkToView(self._view)
        for item in (self._view, self._axis):
            self.plot.scene().addItem(item)
        self._backdrop = _Backdrop()
        self._view.addItem(self._backdrop, ignoreBounds=True)
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

    def _open_menu(self, where: QPoint) -> None:
        self.menu_button.menu().popup(where)

    def _render(self, painter: QPainter) -> None:
        rect = self.canvas.rect()
        self.plot.render(painter, QRectF(rect), rect)

    def eventFilter(self, watched: QWidget, event: QEvent) -> bool:
        """The canvas always covers the viewport."""
        if event.type() == QEvent.Type.Resize:
            size = watched.rect()
            self.canvas.setGeometry(size)
            height = max(size.height() - 2.0 * _EDGE_PX, 1.0)
            self._view.setGeometry(QRectF(AXIS_PX, _EDGE_PX, max(size.width() - AXIS_PX - RIGHT_PX, 1.0), height))
            self._axis.setGeometry(QRectF(0.0, _EDGE_PX, AXIS_PX, height))
            self.show_window(*self._window)
        return super().eventFilter(watched, event)

    # what is drawn

    def set_series(self, series: Series, with_bands: bool) -> None:
        """Draw another result. Items are kept where the lines are the same ones."""
        self._series, self._with_bands = series, with_bands
        lines = [line for key in self.keys for line in series.lines(key)]
        self._lines = list(zip(lines, looks(lines), strict=True))
        zero = series.marks.zero_log_s
        banded = [(line, look) for line, look in self._lines if with_bands and line.band is not None]
        self._curves = self._match(self._curves, self._lines, PyramidCurve, zero)
        self._bands = self._match(self._bands, banded, PyramidBand, zero)
        self._backdrop.marks = series.marks
        self._write_head(series)
        self.show_window(*self._window)

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
        title = _common_title(traces) or "nothing chosen"
        self.name = title
        self.title.setText(f"{title} [{unit}]" if unit and unit != "1" else title)
        self.setAccessibleName(f"Trace pane: {title}")
        self.menu_button.setAccessibleName(f"Menu of the pane {title}")
        drawn = {line.key for line, _ in self._lines}
        entries = legend_entries(self._lines, series.catalogue)
        if self.keys and not entries:
            entries = [(None, "not in this log")]
        elif any(key in series.catalogue and key not in drawn for key in self.keys):
            entries.append((None, "rest not estimated"))
        self.legend.set_entries(entries)

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
        value_step = self._axis.step(low, high, inside.height())
        scale = TimeScale(start_log_s, stop_log_s, inside.left(), inside.right())
        _, times = ticks(start_log_s - zero, stop_log_s - zero, 90.0 * scale.pixel_s)
        _, values = ticks(low, high, value_step)
        self._backdrop.set_window(QRectF(start_log_s - zero, low, stop_log_s - start_log_s, high - low), times, values)
        self.canvas.set_geometry_of_plot(scale, inside)
        if self.canvas.cursor_log_s is not None:
            self.move_cursor(self.canvas.cursor_log_s)

    def _inside(self) -> QRectF:
        return self.plot.viewportTransform().mapRect(self._view.sceneBoundingRect())

    def _fitted(self, start_log_s: float, stop_log_s: float) -> tuple[float, float]:
        """Range of the data in view with headroom. Kept as it is while the data still fit and fill it, so that it does not tremble."""
        found = [curve.extremes(start_log_s, stop_log_s, self._with_bands) for curve in self._curves]
        low = min((low for low, _ in found), default=math.inf)
        high = max((high for _, high in found), default=-math.inf)
        if low > high:
            return self._range if self._range[1] > self._range[0] else (0.0, 1.0)
        old_low, old_high = self._range
        width = old_high - old_low
        if old_low <= low and high <= old_high and high - low > 0.72 * width:
            return self._range
        room = max((high - low) * _HEADROOM, 1e-9 * max(abs(low), abs(high)), 1e-9)
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
        for curve in self._curves:
            value = curve.value_at(log_time_s)
            if math.isfinite(value):
                dots.append(Dot(min(max(self.y_px(value), -1e6), 1e6), curve.look.colour))
        self.canvas.move_cursor(log_time_s, tuple(dots))


def _common_title(traces: Sequence[Trace]) -> str:
    """Labels of the pane's traces, each once."""
    return ", ".join(dict.fromkeys(trace.label for trace in traces))


def line_name(trace: Trace, variant: str) -> str:
    """A line's full name, for a table."""
    return trace.title if variant == LOGGED else f"{trace.title}, {variant_name(variant)}"


def legend_entries(lines: Sequence[tuple[Line, Look]], catalogue: Mapping[str, Trace]) -> list[tuple[Look | None, str]]:
    """What the title leaves open: variants where there is one trace, traces where there is one variant, else both apart."""
    traces = list(dict.fromkeys(line.key for line, _ in lines))
    solved = [line for line, _ in lines if line.variant != LOGGED]
    variants = list(dict.fromkeys(line.variant for line in solved))
    is_one_vector = len({catalogue[key].label for key in traces}) == 1
    names = {key: catalogue[key].component if is_one_vector and len(traces) > 1 else catalogue[key].title for key in traces}
    if len({line.key for line in solved}) <= 1:
        return [
            (look, variant_name(line.variant) if line.variant != LOGGED or len(traces) == 1 else names[line.key]) for line, look in lines
        ]
    entries: list[tuple[Look | None, str]] = []
    for key in traces:
        look = next(look for line, look in lines if line.key == key)
        entries.append((look, names[key]))
    if len(variants) > 1:
        dash_of = {line.variant: look.dash for line, look in lines if line.variant != LOGGED}
        entries += [(Look(style.MUTED, dash_of[variant]), variant_name(variant)) for variant in variants]
    return entries
