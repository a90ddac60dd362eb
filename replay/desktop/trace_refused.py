"""In an innovation trace: the gate as a pair of lines, and every refused value with a mark of its own at its own value."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from replay.desktop import style
from replay.desktop.time_scale import TimeScale
from replay.desktop.trace_style import Look, draw_marker
from replay.review.refusals import Refusals, measurement_of, refusals_of
from replay.review.series import Line, Series
from replay.scene import palette

REFUSED_LOOK: Final = Look(palette.VERMILLION, "", "refused")
GATE_LOOK: Final = Look(style.INK, "dotted")
_FAR: Final = 3.0
"""Refused values of up to so many gates are given room; one farther off stands at the edge, with an arrow."""
_EDGE_PX: Final = 6.0


@dataclass(frozen=True, eq=False)
class Refused:
    """What one drawn line's method refused, and its gate where it is drawn: that of the first line, for all of a pane share it but for
    the moments after a refusal."""

    refusals: Refusals
    colour: str
    has_gate: bool


def refused_in(series: Series, lines: Sequence[tuple[Line, Look]]) -> list[Refused]:
    """Of the lines of one pane; the components of a measurement share theirs."""
    found: list[Refused] = []
    seen: set[tuple[str, str]] = set()
    gated: set[str] = set()
    for line, look in lines:
        measurement = measurement_of(line.key)
        if not measurement or (measurement, line.variant) in seen:
            continue
        seen.add((measurement, line.variant))
        refusals = refusals_of(series.source.solutions[line.variant], measurement)
        if refusals is not None:
            has_gate = len(refusals.gate_log_s) > 0 and measurement not in gated
            found.append(Refused(refusals, look.colour, has_gate))
            gated |= {measurement} if has_gate else set()
    return found


def extremes(refused: Sequence[Refused], start_log_s: float, stop_log_s: float) -> tuple[float, float]:
    """What a window must hold of the gates and of what was refused; (inf, -inf) for nothing."""
    low, high = math.inf, -math.inf
    for each in refused:
        _, gate = each.refusals.gate_steps(start_log_s, stop_log_s)
        _, sigmas = each.refusals.within(start_log_s, stop_log_s)
        if each.has_gate and len(gate):
            low, high = min(low, -float(gate.max())), max(high, float(gate.max()))
        if len(sigmas):
            reach = _FAR * float(each.refusals.gate_sigmas.max()) if len(each.refusals.gate_sigmas) else math.inf
            low, high = min(low, max(float(sigmas.min()), -reach)), max(high, min(float(sigmas.max()), reach))
    return low, high


def entries(refused: Sequence[Refused]) -> list[tuple[Look | None, str]]:
    """For the legend: how many were refused of the first line, and the gate."""
    if not refused:
        return []
    first = refused[0].refusals
    found: list[tuple[Look | None, str]] = [(REFUSED_LOOK, f"{len(first.sigmas)} rejected")] if len(first.sigmas) else []
    if len(first.gate_sigmas):
        found.append((GATE_LOOK, f"gate ±{first.gate_sigmas[0]:g} σ"))
    return found


def paint_gates(painter: QPainter, inside: QRectF, scale: TimeScale, values: tuple[float, float], refused: Sequence[Refused]) -> None:
    """Behind the lines. `inside` is the plot's, `values` (low, high) is over its height."""
    painter.save()
    painter.setClipRect(inside)
    painter.setPen(GATE_LOOK.pen())
    for each in refused:
        times, gate = each.refusals.gate_steps(scale.start_log_s, scale.stop_log_s)
        if each.has_gate and len(times):
            for sign in (-1.0, 1.0):
                y = _y_px(sign * gate, inside, values)
                painter.drawPolyline(QPolygonF([QPointF(scale.x(t), at) for t, at in zip(times.tolist(), y.tolist(), strict=True)]))
    painter.restore()


def paint_refused(painter: QPainter, inside: QRectF, scale: TimeScale, values: tuple[float, float], refused: Sequence[Refused]) -> None:
    """Over the lines: a ring in the line's colour with the timeline's red cross in it; an arrow at the edge for one that is out of view."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    for each in reversed(refused):  # the first line's come to lie on top
        times, sigmas = each.refusals.within(scale.start_log_s, scale.stop_log_s)
        places = {(round(scale.x(t)), round(y)) for t, y in zip(times.tolist(), _y_px(sigmas, inside, values).tolist(), strict=True)}
        for x, y in sorted(places):
            if inside.top() <= y <= inside.bottom():
                draw_marker(painter, REFUSED_LOOK.marker, QPointF(x, y), each.colour)
            else:
                _draw_arrow(painter, x, inside, each.colour, is_up=y < inside.top())
    painter.restore()


def _y_px(sigmas: np.ndarray, inside: QRectF, values: tuple[float, float]) -> np.ndarray:
    low, high = values
    return np.clip(inside.bottom() - (sigmas - low) / (high - low) * inside.height(), -1e6, 1e6)


def _draw_arrow(painter: QPainter, x: float, inside: QRectF, colour: str, *, is_up: bool) -> None:
    """At the edge that the value lies beyond."""
    tip = inside.top() + 1.0 if is_up else inside.bottom() - 1.0
    foot = tip + _EDGE_PX if is_up else tip - _EDGE_PX
    painter.setPen(QPen(QColor(colour), 1.2))
    painter.setBrush(QColor(palette.VERMILLION))
    painter.drawPolygon(QPolygonF([QPointF(x, tip), QPointF(x - 3.5, foot), QPointF(x + 3.5, foot)]))
