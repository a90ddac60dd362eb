"""How far off a measurement may be in a flight estimate before it is refused, over the whole flight."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.motion.flight_state import BAROMETER, KINDS, MAGNETOMETER, SATELLITE, Fit

Array = NDArray[np.float64]


def gates_of(fit: Fit, gates_sigmas: Array) -> dict[str, tuple[Array, Array]]:
    """Measurement name to (log_time_s, sigmas), as `Solution.gates`, of the kinds that the flight has.

    `gates_sigmas` as `Aiding.gates`. A height's gate is half as wide for a while after one that was refused; one that is let through
    because heights have been refused for very long is not told apart.
    """
    from replay.motion._kernels_measure import TAIL_S

    height, _, other = gates_sigmas.tolist()
    start = float(fit.pre.log_time_s[0])
    refused_codes = fit.refused[:, 1].astype(np.int64)
    refused_s = np.unique(fit.pre.log_time_s[fit.refused[refused_codes == BAROMETER, 0].astype(np.int64)])
    is_apart = np.diff(refused_s) > TAIL_S
    is_first, is_last = (np.concatenate(parts)[: len(refused_s)] for parts in (([True], is_apart), (is_apart, [True])))
    steps = np.concatenate(([start], np.stack((refused_s[is_first], refused_s[is_last] + TAIL_S), axis=1).ravel()))
    found = {
        BAROMETER: (steps, np.where(np.arange(len(steps)) % 2 == 1, 0.5 * height, height)),
        SATELLITE: (steps[:1], np.array([other])),
        MAGNETOMETER: (steps[:1], np.array([other])),
    }
    there = {*fit.codes.tolist(), *refused_codes.tolist()}
    return {KINDS[code]: gate for code, gate in found.items() if code in there}
