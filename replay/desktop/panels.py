"""The right-hand panels: one row each. Another panel is added by another row; the window asks for nothing else.

A panel is a View with one entry point more, `show_review(review)`, that draws the document. It may have a signal
`cursor_requested(float)`, and then the window moves the cursor for it, `window_requested(float, float)`, log times the traces are to
show, and `command_requested(str)`, the id of a window command to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from PySide6.QtWidgets import QWidget

from replay.desktop.asking import Asking
from replay.desktop.session import Session
from replay.review.review import Review
from replay.review.snapshot import View


class Panel(View, Protocol):
    """What a right-hand panel has to be."""

    def show_review(self, review: Review) -> None:
        """Draw the document's own numbers; emit nothing."""


@dataclass(frozen=True)
class PanelKind:
    """One row: its id, the title on its tab, and what builds it: wired to the session, its questions asked by `Asking`."""

    id: str
    title: str
    build: Callable[[Session, Asking], QWidget]


def _estimator(session: Session, _: Asking) -> QWidget:
    from replay.desktop.estimator_panel import EstimatorPanel

    panel = EstimatorPanel()
    panel.edited.connect(session.apply)
    panel.edit_finished.connect(session.end_edit)
    session.busy_changed.connect(lambda is_busy: panel.show_busy(is_busy, is_stopped=session.is_stopped))
    return panel


def _reconcile(session: Session, asking: Asking) -> QWidget:
    from replay.desktop.reconcile_panel import ReconcilePanel

    return ReconcilePanel(session, asking)


def _refly(session: Session, _: Asking) -> QWidget:
    from replay.desktop.refly_panel import ReflyPanel

    return ReflyPanel(session)


def _findings(session: Session, _: Asking) -> QWidget:
    from replay.desktop.findings_panel import FindingsPanel

    return FindingsPanel(session)


PANELS: Final = (
    PanelKind("estimator", "Estimator", _estimator),
    PanelKind("reconcile", "Reconcile", _reconcile),
    PanelKind("refly", "Re-fly", _refly),
    PanelKind("findings", "Findings", _findings),
)
"""In the order of their tabs. With one panel there are no tabs."""
