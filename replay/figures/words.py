"""What captions and alt texts say in common: numbers with their spread, the method, and what is only declared."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from replay.motion.solution import Solution
from replay.review.snapshot import Snapshot
from replay.units import DEG

Array = NDArray[np.float64]

HEADING_NOTE = "Heading is declared, not measured."


def solutions_of(snapshot: Snapshot) -> dict[str, Solution]:
    """Variant -> Solution, as flown first."""
    both = {"as_flown": snapshot.as_flown}
    if snapshot.what_if is not None:
        both["what_if"] = snapshot.what_if
    return both


def at_event(solution: Solution, name: str) -> int | None:
    """Sample of an event, None where the record can't tell."""
    time = getattr(solution.events, f"{name}_log_s")
    if not np.isfinite(time):
        return None
    return int(np.clip(np.searchsorted(solution.log_time_s, time), 0, len(solution.log_time_s) - 1))


def event_of(solution: Solution, name: str) -> tuple[int, float] | None:
    """Sample of an event and the event's own time from liftoff, s; None where the record can't tell."""
    found = at_event(solution, name)
    if found is None:
        return None
    zero = solution.events.liftoff_log_s
    return found, float(getattr(solution.events, f"{name}_log_s")) - (zero if np.isfinite(zero) else 0.0)


def plus_minus(value: float, sd: Array | None, i: int, unit: str, digits: int = 1, column: int | None = None, factor: float = 1.0) -> str:
    """A number with one standard deviation where there is one: `sd` (n,) or (n, w) at row `i`, `column`, times `factor`, all in `unit`."""
    if sd is None:
        return f"{value:.{digits}f} {unit}"
    spread = float(sd[i] if column is None else sd[i, column]) * factor
    return f"{value:.{digits}f} ± {spread:.{digits}f} {unit}" if np.isfinite(spread) else f"{value:.{digits}f} {unit}"


def summary_words(snapshot: Snapshot) -> str:
    """Apogee, tilt at burnout and flight time in one sentence."""
    s = snapshot.as_flown
    words = []
    top, out = event_of(s, "apogee"), event_of(s, "burnout")
    if top is not None and np.isfinite(s.pos_enu_m[top[0], 2]):
        apogee, after_s = top
        height = plus_minus(float(s.pos_enu_m[apogee, 2]), s.pos_sd_enu_m, apogee, "m", 1, 2)
        words.append(f"apogee {height} at {after_s:.2f} s")
    if out is not None:
        burnout, after_s = out
        tilt = plus_minus(float(s.tilt_rad[burnout]) / DEG, s.tilt_sd_rad, burnout, "deg", 2, None, 1.0 / DEG)
        words.append(f"tilt at burnout {tilt} ({after_s:.2f} s)")
        if snapshot.what_if is not None:
            other = np.interp(s.log_time_s[burnout], snapshot.what_if.log_time_s, snapshot.what_if.tilt_rad)
            words.append(f"{float(other) / DEG:.2f} deg with the what-if")
    return "; ".join(words) if words else "no liftoff in this log"


def method_words(snapshot: Snapshot, *, has_bands: bool = True) -> str:
    """Method, what the bands are, and how lines are thinned for print."""
    s = snapshot.as_flown
    bands = "Bands: one standard deviation. " if has_bands and s.pos_sd_enu_m is not None else ""
    return f"Method: {s.method}. {bands}Lines run through the least and greatest value in each column of the print. "


def capital(text: str) -> str:
    """First letter large, the rest as it is."""
    return text[:1].upper() + text[1:]


def true_minus(text: str) -> str:
    """A hyphen before a number, where no word or number ends, as a minus sign."""
    return re.sub(r"(?<![\w.,)-])-(?=\.?\d)", "\N{MINUS SIGN}", text)


def whole(text: str) -> str:
    """One text without blanks at its ends, and with a full stop."""
    text = " ".join(text.split())
    return text if text.endswith((".", "!", "?")) else f"{text}."
