"""Time along a widget's width: log time to pixels and back, round tick steps, and how a time is written."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class TimeScale:
    """Linear map of [start_log_s, stop_log_s] onto pixels left to right, logical pixels."""

    start_log_s: float
    stop_log_s: float
    left_px: float
    right_px: float

    @property
    def pixel_s(self) -> float:
        """Seconds in one pixel."""
        return (self.stop_log_s - self.start_log_s) / max(self.right_px - self.left_px, 1.0)

    def x(self, log_time_s: float) -> float:
        """Pixel of a time."""
        return self.left_px + (log_time_s - self.start_log_s) / (self.pixel_s or 1.0)

    def time(self, x_px: float) -> float:
        """Time of a pixel."""
        return self.start_log_s + (x_px - self.left_px) * self.pixel_s

    def clamped(self, x_px: float) -> float:
        """Time of a pixel, kept between the ends."""
        return min(max(self.time(x_px), self.start_log_s), self.stop_log_s)


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is at least `least`."""
    if not (least > 0.0 and math.isfinite(least)):
        return 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next((m * power for m in (1.0, 2.0, 5.0) if m * power >= least * (1.0 - 1e-9)), 10.0 * power)


def ticks(low: float, high: float, least_step: float) -> tuple[float, list[float]]:
    """Round step of at least `least_step`, and its multiples inside [low, high]."""
    step = round_step(least_step)
    if not (math.isfinite(low) and math.isfinite(high)) or (high - low) / step > 1000.0:
        return step, []
    first = math.ceil(low / step - 1e-9)
    return step, [float(k * step) for k in np.arange(first, math.floor(high / step + 1e-9) + 1)]


def decimals(step: float) -> int:
    """Digits after the point that tell multiples of `step` apart."""
    return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0.0 else 0


def number(value: float, n_decimals: int) -> str:
    """A number with a true minus sign, and no minus before zero."""
    text = f"{value:.{n_decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "−")


def significant(value: float, digits: int = 4) -> str:
    """A number of any size in a table: `digits` significant digits, powers of ten only where zeros would pile up."""
    if not math.isfinite(value):
        return "–"
    if value == 0.0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if -4 <= size < digits + 3:
        return number(value, max(0, digits - 1 - size))
    mantissa, power = f"{value:.{digits - 1}e}".split("e")
    return f"{mantissa}e{int(power)}".replace("-", "−")
