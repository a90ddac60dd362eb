"""Which instant of the flight each frame of a film shows: exact frame rates, and speed ramps in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from types import MappingProxyType
from typing import Final

from replay.errors import SettingsError

FRAME_RATES: Final = MappingProxyType(
    {
        "23.976": Fraction(24000, 1001),
        "24": Fraction(24),
        "25": Fraction(25),
        "29.97": Fraction(30000, 1001),
        "30": Fraction(30),
        "50": Fraction(50),
        "59.94": Fraction(60000, 1001),
        "60": Fraction(60),
    }
)
"""Name on the camera -> frames a second, exactly (SMPTE ST 2036-1 gives the 1000/1001 family)."""

SPEED_RANGE: Final = (0.01, 100.0)
_WHOLE = 1e-9
"""Frames that end this share of a frame early are whole: sums of decimals are not exact."""

Ramp = tuple[tuple[float, float], ...]
"""(time, speed): flight seconds that pass in one second of film. Between two of them the speed changes evenly with flight time; before
the first and after the last it stays."""


def ramp_from(text: str) -> Ramp:
    """`0.5`, or time:speed pairs such as `0:1, 2:0.25, 4:1`.

    Raises
    ------
    SettingsError
        Anything else.
    """
    words = text.replace("\N{MINUS SIGN}", "-")
    try:
        if ":" not in words:
            return ((0.0, float(words)),)
        pairs = [pair.split(":") for pair in words.split(",")]
        return tuple((float(time), float(speed)) for time, speed in pairs)
    except ValueError:
        raise SettingsError("film", "--speed", "a speed, or time:speed pairs with commas between", repr(text)) from None


def ramp_text(ramp: Ramp) -> str:
    """What `ramp_from` reads back."""
    return f"{ramp[0][1]:.10g}" if len(ramp) == 1 else ", ".join(f"{time:.10g}:{speed:.10g}" for time, speed in ramp)


def speed_words(ramp: Ramp) -> str:
    """As a slate says it."""
    if len(ramp) == 1:
        return "real time" if ramp[0][1] == 1.0 else f"speed ×{ramp[0][1]:g}"
    return "speed " + ", ".join(f"×{speed:g} at T{time:+g} s" for time, speed in ramp).replace("-", "−")


@dataclass(frozen=True)
class FilmClock:
    """Frames and instants of one film.

    Parameters
    ----------
    rate : Fraction
        Frames a second.
    start_s, stop_s : float
        Flight span shown, any clock; `ramp` is on the same one.
    ramp : tuple of (time, speed)
    n_slate : int
        Frames before the picture begins.
    """

    rate: Fraction
    start_s: float
    stop_s: float
    ramp: Ramp = ((0.0, 1.0),)
    n_slate: int = 0

    def __post_init__(self) -> None:
        if not self.stop_s > self.start_s:
            raise SettingsError("film", "--to", f"a time after {self.start_s:g} s", f"{self.stop_s:g} s")
        times = [time for time, _ in self.ramp]
        if not self.ramp or any(later <= earlier for earlier, later in pairwise(times)):
            raise SettingsError("film", "--speed", "a speed, or time:speed pairs with rising times", repr(self.ramp))
        for _, speed in self.ramp:
            if not SPEED_RANGE[0] <= speed <= SPEED_RANGE[1]:
                raise SettingsError("film", "--speed", f"speeds from {SPEED_RANGE[0]:g} to {SPEED_RANGE[1]:g}", f"{speed:g}")

    @property
    def n_frames(self) -> int:
        """Slate and picture."""
        return self.n_slate + self.n_picture

    @property
    def n_picture(self) -> int:
        """Frames that show the flight: one at the start, and one each whole frame time until the end."""
        return math.floor(self.film_s(self.stop_s) * self.rate + _WHOLE) + 1

    @property
    def duration_s(self) -> float:
        """Of the whole film: every frame lasts one frame time."""
        return float(self.n_frames / self.rate)

    def speed_at(self, time_s: float) -> float:
        """Flight seconds in one film second at a flight time."""
        for (low, before), (high, after) in pairwise(self.ramp):
            if low <= time_s <= high:
                return before + (after - before) * (time_s - low) / (high - low)
        return self.ramp[0][1] if time_s < self.ramp[0][0] else self.ramp[-1][1]

    def film_s(self, time_s: float) -> float:
        """Seconds of picture from the start of the span to a flight time: the integral of 1 / speed."""
        return sum(_film_seconds(low, min(high, time_s), *speeds, high) for low, high, speeds in self._pieces() if low < time_s)

    def time_of(self, frame: int) -> float:
        """Flight time a frame shows, s from liftoff; the slate shows the start."""
        left = max(frame - self.n_slate, 0) / float(self.rate)
        for low, high, (before, after) in self._pieces():
            lasts = _film_seconds(low, high, before, after, high)
            if left <= lasts:
                return min(low + _flight_seconds(left, before, after, high - low), self.stop_s)
            left -= lasts
        return self.stop_s

    def frame_of(self, time_s: float) -> int | None:
        """The frame nearest to a flight time, slate counted; None outside the span."""
        if not self.start_s <= time_s <= self.stop_s:
            return None
        return min(self.n_slate + round(self.film_s(time_s) * self.rate), self.n_frames - 1)

    def _pieces(self) -> list[tuple[float, float, tuple[float, float]]]:
        """(start, stop, (speed at start, speed at stop)) over the span, each with evenly changing speed."""
        knots = [time for time, _ in self.ramp if self.start_s < time < self.stop_s]
        bounds = [self.start_s, *knots, self.stop_s]
        return [(low, high, (self.speed_at(low), self.speed_at(high))) for low, high in pairwise(bounds)]


def _film_seconds(low: float, until: float, before: float, after: float, high: float) -> float:
    """Film time from `low` to `until` of a piece that ends at `high`: ∫ dt / (before + slope · t)."""
    share = (until - low) / (high - low)
    return (until - low) / before * _log_ratio(share * (after - before) / before)


def _log_ratio(x: float) -> float:
    """log(1 + x) / x, 1 at zero."""
    return math.log1p(x) / x if abs(x) > 1e-12 else 1.0


def _flight_seconds(film_s: float, before: float, after: float, length: float) -> float:
    """The inverse: flight time passed after `film_s` of a piece of `length`."""
    slope = (after - before) / length
    return math.expm1(slope * film_s) / slope * before if abs(slope * film_s) > 1e-12 else before * film_s
