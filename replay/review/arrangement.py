"""The arrangement of the traces as plain JSON: what it may hold, checked part by part when a review is opened.

{"panes": [{"traces": [key, ...], "share": of the height, "vertical": [low, high] or null}, ...],
 "bands": true, "spectrogram": false, "measured_log_s": [start, stop] or null}
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from replay.errors import SettingsError
from replay.review.series import DEFAULT_PANES, Series


def default_panes(series: Series | None) -> list[dict[str, Any]]:
    """The panes a stack shows until the user chooses, as far as this flight has them; all of them where none is open."""
    panes = [[key for key in keys if series is None or key in series.catalogue] for keys in DEFAULT_PANES]
    return [{"traces": keys} for keys in panes if keys] or [{"traces": list(DEFAULT_PANES[0])}]


def checked(arrangement: Mapping[str, Any]) -> dict[str, Any]:
    """An arrangement in full, its parts checked.

    Raises
    ------
    SettingsError
        A key or trace that is not known, or a value that does not fit.
    """
    wanted: dict[str, Any] = {
        "panes": [{"traces": list(keys)} for keys in DEFAULT_PANES],
        "bands": True,
        "spectrogram": False,
        "measured_log_s": None,
    }
    unknown = sorted(set(arrangement) - set(wanted))
    if unknown:
        raise SettingsError("review", f"trace_arrangement.{unknown[0]}", f"one of {', '.join(wanted)}", "an unknown key")
    wanted.update(arrangement)
    panes = []
    for i, pane in enumerate(wanted["panes"]):
        where = f"trace_arrangement.panes[{i + 1}]"
        if not isinstance(pane, Mapping) or not set(pane) <= {"traces", "share", "vertical"}:
            raise SettingsError("review", where, "traces, share and vertical", str(pane))
        traces = pane.get("traces")
        if isinstance(traces, str) or not isinstance(traces, Sequence) or not all(isinstance(key, str) for key in traces):
            raise SettingsError("review", f"{where}.traces", "a list of trace names", str(traces))
        panes.append(
            {
                "traces": list(traces),
                "share": _share(pane.get("share"), where),
                "vertical": _pair(pane.get("vertical"), f"{where}.vertical"),
            }
        )
    wanted["panes"] = panes or [{"traces": list(keys)} for keys in DEFAULT_PANES]
    wanted["bands"], wanted["spectrogram"] = bool(wanted["bands"]), bool(wanted["spectrogram"])
    wanted["measured_log_s"] = _pair(wanted["measured_log_s"], "trace_arrangement.measured_log_s")
    return wanted


def _share(value: Any, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= 1.0:
        raise SettingsError("review", f"{where}.share", "a share of the height between 0 and 1", str(value))
    return float(value)


def _pair(value: Any, where: str) -> list[float] | None:
    if value is None:
        return None
    is_pair = isinstance(value, Sequence) and len(value) == 2 and all(isinstance(v, int | float) and math.isfinite(v) for v in value)
    if not is_pair or value[1] <= value[0]:
        raise SettingsError("review", where, "two increasing numbers", str(value))
    return [float(v) for v in value]
