"""The measured span of the trace stack: handles on every pane, and the table below of what the lines do between them."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QToolButton

from replay.desktop.measure_table import MeasureTable
from replay.desktop.trace_column import TraceColumn
from replay.desktop.trace_legend import line_name
from replay.review.pyramid import span_statistics
from replay.review.series import Series

_FILL_MS: Final = 40
"""While a handle is dragged the table is filled no more often."""


class TraceMeasuring:
    """Holds the span; `table` is there while there is one, and `button` is down."""

    def __init__(self, column: TraceColumn, button: QToolButton) -> None:
        self.table = MeasureTable()
        self.table.hide()
        self.span_log_s: tuple[float, float] | None = None
        """Both ends, log time; None while nothing is measured."""
        self._column, self._button = column, button
        self._series: Series | None = None
        self._timer = QTimer(self.table, singleShot=True, interval=_FILL_MS)
        self._timer.timeout.connect(self.fill)

    def show_series(self, series: Series) -> None:
        """Of another result."""
        self._series = series
        if self.span_log_s is not None:
            self._timer.start()

    def clear(self) -> None:
        """Nothing is drawn that could be measured; the span stays."""
        self._series = None
        self.table.show_span(0.0, 0.0, [])

    def set_span(self, span_log_s: tuple[float, float] | None) -> None:
        """Measure between two log times, or stop measuring."""
        self.span_log_s = span_log_s
        self._button.setChecked(span_log_s is not None)
        self.table.setVisible(span_log_s is not None)
        for pane in self._column.panes:
            pane.canvas.set_span(span_log_s)
        if span_log_s is not None and not self._timer.isActive():
            self._timer.start()

    def fill(self) -> None:
        """A row for every line on screen."""
        if self.span_log_s is None or self._series is None:
            return
        rows = []
        for pane in self._column.panes:
            for line, look in pane.lines():
                trace = self._series.catalogue[line.key]
                rows.append((look, line_name(trace, line.variant), trace.unit, span_statistics(line.pyramid, *self.span_log_s)))
        zero = self._series.marks.zero_log_s
        self.table.show_span(self.span_log_s[0] - zero, self.span_log_s[1] - zero, rows)
