"""What a method refused of the measurements in an innovation trace, and the gate beyond which it refuses."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.motion.solution import Solution

Array = NDArray[np.float64]

_KEY: Final = re.compile(r"^diagnostic:(?P<measurement>.+) innovation \(sigmas\)(\.\d+)?$")


@dataclass(frozen=True, eq=False)
class Refusals:
    """Of one measurement by one method.

    Parameters
    ----------
    log_time_s, sigmas : ndarray, shape (k,)
        Of what was refused, the innovation in standard deviations; in order of time.
    gate_log_s, gate_sigmas : ndarray, shape (m,)
        From each time on until the next, what is farther from zero is refused.
    """

    log_time_s: Array
    sigmas: Array
    gate_log_s: Array
    gate_sigmas: Array

    def gate_steps(self, start_log_s: float, stop_log_s: float) -> tuple[Array, Array]:
        """Corners of the gate's upper line within a window, from edge to edge; empty before the gate begins."""
        if not len(self.gate_log_s) or stop_log_s <= self.gate_log_s[0]:
            return np.empty(0), np.empty(0)
        start = max(start_log_s, float(self.gate_log_s[0]))
        first = int(np.searchsorted(self.gate_log_s, start, side="right")) - 1
        last = int(np.searchsorted(self.gate_log_s, stop_log_s, side="left"))
        bounds = np.concatenate(([start], self.gate_log_s[first + 1 : last], [stop_log_s]))
        return np.repeat(bounds, 2)[1:-1], np.repeat(self.gate_sigmas[first:last], 2)

    def within(self, start_log_s: float, stop_log_s: float) -> tuple[Array, Array]:
        """Times and values of what was refused within a window."""
        here = slice(*np.searchsorted(self.log_time_s, (start_log_s, np.nextafter(stop_log_s, np.inf))))
        return self.log_time_s[here], self.sigmas[here]


def measurement_of(key: str) -> str:
    """Whose innovation in standard deviations a trace shows, "" for any other trace. The components of one share their refusals: a method
    notes that one was refused, not which."""
    found = _KEY.match(key)
    return found["measurement"] if found else ""


def refusals_of(solution: Solution, measurement: str) -> Refusals | None:
    """None where the method neither gated nor refused such a measurement."""
    found = sorted((time, sigmas) for name, time, sigmas in solution.rejected if name == measurement)
    gate = solution.gates.get(measurement)
    if not found and gate is None:
        return None
    times, sigmas = (np.array(column, dtype=np.float64) for column in (zip(*found, strict=True) if found else ((), ())))
    return Refusals(times, sigmas, *(gate if gate is not None else (np.empty(0), np.empty(0))))
