"""The trace stack of a review as figure settings: the same panes, heights, vertical ranges and bands as on screen."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from replay.figures.style import FigureSettings
from replay.review.arrangement import checked
from replay.review.review import thaw


def arranged(settings: FigureSettings, arrangement: Mapping[str, Any]) -> FigureSettings:
    """Settings with the panes of an arrangement (`review.trace_arrangement`); an empty one gives the default panes.

    Settings that name panes keep those of the arrangement alone, or stand as they are where they name others.
    """
    whole = checked(thaw(arrangement))
    panes = whole["panes"]
    if settings.panes:
        if settings.pane_shares or not set(settings.panes) <= {tuple(pane["traces"]) for pane in panes}:
            return settings
        panes = [pane for pane in panes if tuple(pane["traces"]) in settings.panes]
    shares = [pane.get("share") for pane in panes]
    verticals = [pane.get("vertical") for pane in panes]
    return dataclasses.replace(
        settings,
        panes=tuple(tuple(pane["traces"]) for pane in panes),
        pane_shares=tuple(float(share) for share in shares) if all(share for share in shares) else (),
        pane_verticals=tuple(None if v is None else (float(v[0]), float(v[1])) for v in verticals),
        has_bands=bool(whole["bands"]),
    )
