"""What a pane says about its lines: names, and a legend with each line's own colour, dash and marker."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from replay.desktop import style
from replay.desktop.trace_style import Look, draw_swatch, variant_name
from replay.motion.settings import METHODS
from replay.review.series import Line
from replay.review.trace import LOGGED, Trace


class Legend(QWidget):
    """Entries with the line's own colour, dash and marker, in up to three rows where one is too short.

    What still does not fit is counted, and all of it is in the tool tip.
    """

    rows_changed = Signal()
    """It needs one row more, or less."""

    _GAP_PX = 12.0
    _MOST_ROWS = 3

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[tuple[Look | None, str]] = []
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.setMinimumWidth(40)
        self.n_rows = 1

    def set_entries(self, entries: list[tuple[Look | None, str]]) -> None:
        """(look, text) of every line; without a look the text is a remark."""
        self._entries = entries
        text = ", ".join(name for _, name in entries)
        self.setToolTip(text)
        self.setAccessibleName(f"Legend: {text}")
        self._lay_out()
        self.update()

    def entries(self) -> list[str]:
        """Texts shown."""
        return [text for _, text in self._entries]

    def sizeHint(self) -> QSize:
        return QSize(200, self.n_rows * self._row_px())

    def _row_px(self) -> int:
        return self.fontMetrics().height() + 4

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._lay_out()

    def _lay_out(self) -> None:
        """As many rows as the entries need."""
        n_rows = min(len({row for row, *_ in self._places(self._MOST_ROWS)} | {0}), self._MOST_ROWS)
        if n_rows != self.n_rows or self.minimumHeight() != n_rows * self._row_px():
            self.n_rows = n_rows
            self.setFixedHeight(n_rows * self._row_px())
            self.rows_changed.emit()

    def _places(self, n_rows: int) -> list[tuple[int, float, Look | None, str]]:
        """(row, left edge, look, text) of what is drawn; the last one counts what is left over."""
        metrics = QFontMetricsF(self.font())
        widths = [metrics.horizontalAdvance(text) + (_swatch_px(look) + 5.0 if look else 0.0) for look, text in self._entries]
        places: list[tuple[int, float, Look | None, str]] = []
        row, x = 0, 0.0
        for i, ((look, text), width) in enumerate(zip(self._entries, widths, strict=True)):
            is_last = i == len(self._entries) - 1
            if x and x + width > self.width() and row < n_rows - 1:
                row, x = row + 1, 0.0
            more = f"+ {len(self._entries) - i} more"
            room = 0.0 if is_last or row < n_rows - 1 else self._GAP_PX + metrics.horizontalAdvance(more)
            if x and x + width + room > self.width():
                return [*places, (row, x, None, more)]
            places.append((row, x, look, text))
            x += width + self._GAP_PX
        return places

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        metrics, row_px = QFontMetricsF(self.font()), self.height() / self.n_rows
        for row, x, look, text in self._places(self.n_rows):
            at = x
            if look is not None:
                draw_swatch(painter, QRectF(x, (row + 0.5) * row_px - 6, _swatch_px(look), 12), look)
                at += _swatch_px(look) + 5.0
            painter.setPen(QColor(style.INK if look is not None else style.MUTED))
            field = QRectF(at, row * row_px, self.width() - at, row_px)
            shown = metrics.elidedText(text, Qt.TextElideMode.ElideRight, field.width())
            painter.drawText(field, Qt.AlignmentFlag.AlignVCenter, shown)
        painter.end()


def _swatch_px(look: Look) -> float:
    """A marker alone takes less room than a piece of a line."""
    return 32.0 if look.dash else 12.0


def line_name(trace: Trace, variant: str) -> str:
    """A line's full name, for a table."""
    return trace.title if variant == LOGGED else f"{trace.title}, {variant_name(variant)}"


def legend_entries(lines: Sequence[tuple[Line, Look]], catalogue: Mapping[str, Trace], method: str = "") -> list[tuple[Look | None, str]]:
    """What the title leaves open: variants where there is one trace, traces where there is one variant, else both apart.

    `method` is the one that flight as flown and what-if are estimated by; it is named where other methods are drawn beside it.
    """
    traces = list(dict.fromkeys(line.key for line, _ in lines))
    solved = [line for line, _ in lines if line.variant != LOGGED]
    variants = list(dict.fromkeys(line.variant for line in solved))
    is_compared = any(variant in METHODS for variant in variants)

    def name_of(variant: str) -> str:
        is_chosen = is_compared and bool(method) and variant == "as_flown"
        return f"{variant_name(variant)}, {method}" if is_chosen else variant_name(variant)

    is_one_vector = len({catalogue[key].label for key in traces}) == 1
    names = {key: catalogue[key].component if is_one_vector and len(traces) > 1 else catalogue[key].title for key in traces}
    if len({line.key for line in solved}) <= 1:
        return [(look, name_of(line.variant) if line.variant != LOGGED or len(traces) == 1 else names[line.key]) for line, look in lines]
    entries: list[tuple[Look | None, str]] = []
    for key in traces:
        look = next(look for line, look in lines if line.key == key)
        entries.append((look, names[key]))
    if len(variants) > 1:
        dash_of = {line.variant: look.dash for line, look in lines if line.variant != LOGGED}
        entries += [(Look(style.MUTED, dash_of[variant]), name_of(variant)) for variant in variants]
    return entries
