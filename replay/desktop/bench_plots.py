"""What is drawn of bench work: the poses on the trace with their residuals, slopes against temperature, or Allan curves."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor

from replay.desktop import style
from replay.desktop.trace_style import Look
from replay.review.bench_work import BenchWork, Recording
from replay.scene import palette
from replay.sensors.allan import term_deviation
from replay.sensors.bench import Pose
from replay.units import DEG, ZERO_CELSIUS_K

_AXIS_PX = 64
_SLOPE_DECADES = 0.6
"""A read-off slope is drawn this far to either side of where it is read."""


def plots() -> pg.GraphicsLayoutWidget:
    """The empty drawing."""
    widget = pg.GraphicsLayoutWidget()
    widget.setBackground(style.PAPER)
    widget.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    widget.setAccessibleName("Drawing of the bench recording")
    return widget


def draw(widget: pg.GraphicsLayoutWidget, work: BenchWork) -> None:
    """Everything anew."""
    widget.clear()
    if work.allan:
        _draw_allan(widget, work)
    elif work.sweep:
        _draw_sweep(widget, work)
    elif work.recording is not None:
        _draw_recording(widget, work, work.recording)


def _plot(widget: pg.GraphicsLayoutWidget, row: int, label: str, below: str = "", *, column: int = 0) -> pg.PlotItem:
    plot = widget.addPlot(row=row, col=column)
    plot.setLabel("left", label, color=style.MUTED)
    if below:
        plot.setLabel("bottom", below, color=style.MUTED)
    for side in ("left", "bottom"):
        axis = plot.getAxis(side)
        axis.setPen(style.LINE)
        axis.setTextPen(style.INK)
        axis.setStyle(maxTickLevel=1, tickFont=style.small(widget))
        axis.enableAutoSIPrefix(False)
    plot.getAxis("left").setWidth(_AXIS_PX)
    plot.hideButtons()
    plot.setMenuEnabled(False)
    return plot


def _legend(plot: pg.PlotItem) -> None:
    legend = plot.addLegend(offset=(-4, 2), brush=QColor(255, 255, 255, 215), labelTextColor=style.INK)
    legend.setColumnCount(3)


def _look(axis: int) -> Look:
    return Look(*palette.SERIES["xyz"[axis]])


# --- poses ------------------------------------------------------------------------------------------------------------------------


def _draw_recording(widget: pg.GraphicsLayoutWidget, work: BenchWork, recording: Recording) -> None:
    is_si = recording.rate_unit == "rad/s"
    force = _plot(widget, 0, f"specific force, {recording.accel_unit}")
    rate = _plot(widget, 1, f"angular rate, {'deg/s' if is_si else recording.rate_unit}")
    _legend(force)
    for plot, values in ((force, recording.accel), (rate, recording.rate / DEG if is_si else recording.rate)):
        for start, stop in recording.rests:
            plot.addItem(_field(start, stop), ignoreBounds=True)
        for axis, letter in enumerate("xyz"):
            plot.addItem(pg.PlotCurveItem(recording.time_s, values[:, axis], pen=_look(axis).pen(), name=letter))
    _number_rests(force, recording)
    for turn in work.turns:
        text = pg.TextItem(f"{'xyz'[turn.axis]} {turn.angle_raw_rad / DEG:+.1f}°".replace("-", "−"), color=style.INK, anchor=(0.5, 0.0))
        text.setPos(0.5 * (turn.start_s + turn.stop_s), float(np.nanmax(rate.getViewBox().childrenBounds()[1])))
        rate.addItem(text, ignoreBounds=True)
    rate.setXLink(force)
    poses = work.result.poses if work.result is not None else ()
    last = rate
    if any(math.isfinite(pose.residual_mps2) for pose in poses):
        last = _draw_residuals(widget, poses)
        last.setXLink(force)
        widget.ci.layout.setRowStretchFactor(0, 3)
        widget.ci.layout.setRowStretchFactor(1, 2)
        widget.ci.layout.setRowStretchFactor(2, 2)
    last.setLabel("bottom", "s from the first row; shaded: at rest", color=style.MUTED)
    for plot in (force, rate, last):
        plot.setXRange(recording.time_s[0], recording.time_s[-1], padding=0.01)


def _field(start: float, stop: float) -> pg.LinearRegionItem:
    field = pg.LinearRegionItem((start, stop), movable=False, brush=QColor(style.HINT_GROUND), pen=pg.mkPen(None))
    field.setZValue(-10)
    return field


def _number_rests(plot: pg.PlotItem, recording: Recording) -> None:
    """As in the table; where they are many, every second, fifth, … only."""
    every = next(n for n in (1, 2, 5, 10, 20, 50, 10**9) if len(recording.rests) <= 24 * n)
    bottom = float(np.nanmin(recording.accel))
    for i, (start, stop) in enumerate(recording.rests, start=1):
        if i % every == 0:
            text = pg.TextItem(str(i), color=style.MUTED, anchor=(0.5, 1.0))
            text.setPos(0.5 * (start + stop), bottom)
            plot.addItem(text, ignoreBounds=True)


def _draw_residuals(widget: pg.GraphicsLayoutWidget, poses: tuple[Pose, ...]) -> pg.PlotItem:
    """What the fit leaves of the length of gravity in each pose."""
    plot = _plot(widget, 2, "residual, mm/s²")
    middle = np.array([0.5 * (pose.start_s + pose.stop_s) for pose in poses])
    left = 1e3 * np.array([pose.residual_mps2 for pose in poses])
    plot.addItem(pg.InfiniteLine(0.0, angle=0, pen=pg.mkPen(style.LINE)))
    stems = np.column_stack((middle, middle)).ravel(), np.column_stack((np.zeros(len(left)), left)).ravel()
    plot.addItem(pg.PlotCurveItem(*stems, connect="pairs", pen=pg.mkPen(palette.BLUE)))
    plot.addItem(pg.ScatterPlotItem(middle, left, size=7, pen=pg.mkPen(palette.BLUE), brush=pg.mkBrush(style.PAPER)))
    return plot


# --- temperature ------------------------------------------------------------------------------------------------------------------


def _draw_sweep(widget: pg.GraphicsLayoutWidget, work: BenchWork) -> None:
    """Bin means less the line's value at the reference, and the line."""
    reference_k = work.request.options.reference_k
    force = _plot(widget, 0, "specific force, m/s²")
    rate = _plot(widget, 1, "angular rate, deg/s", f"sensor temperature, °C; zero at {reference_k - ZERO_CELSIUS_K:g} °C by the line")
    _legend(force)
    for line in work.sweep:
        axis = line.channel % 3
        plot, factor = (force, 1.0) if line.channel < 3 else (rate, 1.0 / DEG)
        celsius = line.temperature_k - ZERO_CELSIUS_K
        look = _look(axis)
        name = "xyz"[axis] if line.run == 0 else None
        points = pg.ScatterPlotItem(
            celsius, factor * (line.value - line.fit.at_reference), size=6, symbol="ostd"[line.run % 4],
            pen=pg.mkPen(look.colour), brush=pg.mkBrush(style.PAPER),
        )  # fmt: skip
        plot.addItem(points)
        fitted = factor * line.fit.slope_per_k * (line.temperature_k - reference_k)
        plot.addItem(pg.PlotDataItem(celsius, fitted, pen=look.pen(), name=name))
    celsius = np.concatenate([line.temperature_k for line in work.sweep]) - ZERO_CELSIUS_K
    for plot in (force, rate):
        plot.setXRange(celsius.min(), celsius.max(), padding=0.02)


# --- Allan ------------------------------------------------------------------------------------------------------------------------


def _draw_allan(widget: pg.GraphicsLayoutWidget, work: BenchWork) -> None:
    assert work.allan is not None
    sensors = (("gyro", "Allan deviation, deg/s", 1.0 / DEG), ("accelerometer", "Allan deviation, m/s²", 1.0))
    shown = [sensor for sensor in sensors if any(name.startswith(sensor[0]) for name in work.allan)]
    for row, (sensor, label, factor) in enumerate(shown):
        plot = _plot(widget, row, label, "averaging time, s" if row == len(shown) - 1 else "")
        plot.setLogMode(True, True)
        plot.getAxis("left").setStyle(maxTickLevel=0)  # decades: what is between them would crowd
        _legend(plot)
        for axis, letter in enumerate("xyz"):
            result = work.allan.get(f"{sensor} {letter}")
            if result is not None:
                _draw_curve(plot, result, factor, _look(axis), letter)


def _draw_curve(plot: pg.PlotItem, result: Any, factor: float, look: Look, name: str) -> None:
    """The curve with its 95 % interval, and of each coefficient the slope it was read off and its letter."""
    pale = QColor(look.colour)
    pale.setAlpha(40)
    low, high = (pg.PlotDataItem(result.tau_s, factor * bound, pen=pg.mkPen(None)) for bound in (result.low, result.high))
    for edge in (low, high):
        plot.addItem(edge)
    plot.addItem(pg.FillBetweenItem(low, high, brush=pale))
    plot.addItem(pg.PlotDataItem(result.tau_s, factor * result.deviation, pen=look.pen(), name=name))
    for coefficient in result.coefficients:
        if not coefficient.is_determined:
            continue
        at = min(max(coefficient.read_at_s, float(result.tau_s[0])), float(result.tau_s[-1]))
        span = at * 10.0 ** np.array([-_SLOPE_DECADES, _SLOPE_DECADES])
        plot.addItem(pg.PlotDataItem(span, factor * term_deviation(coefficient, span), pen=pg.mkPen(style.MUTED)))
        text = pg.TextItem(coefficient.symbol, color=look.colour, anchor=(0.5, 1.0))
        text.setPos(math.log10(at), math.log10(factor * float(term_deviation(coefficient, at))))
        plot.addItem(text, ignoreBounds=True)
