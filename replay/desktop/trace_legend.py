"""What a pane says about its lines: names, and a legend with each line's own colour, dash and marker."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from replay.desktop import style
from replay.desktop.trace_style import Look, draw_swatch, variant_name
from replay.review.catalogue import LOGGED, Trace
from replay.review.series import Line


class Legend(QWidget):
    """Entries with the line's own colour, dash and marker. What does not fit is counted, and all of it is in the tool tip."""

    _SWATCH_PX = 26.0
    _GAP_PX = 12.0

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
        widths = [metrics.horizontalAdvance(text) + (self._SWATCH_PX + 5.0 if look else 0.0) for look, text in self._entries]
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
                at += self._SWATCH_PX + 5.0
            painter.setPen(QColor(style.INK if look is not None else style.MUTED))
            painter.drawText(QRectF(at, 0, width, self.height()), Qt.AlignmentFlag.AlignVCenter, text)
            x += width + self._GAP_PX
        painter.end()


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
