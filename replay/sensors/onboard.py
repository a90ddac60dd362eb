"""The attitude the flight computer logged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.log import FlightLog

Array = NDArray[np.float64]


def onboard_attitude(log: FlightLog) -> tuple[Array, Array] | None:
    """(log_time_s (n,), q_enu_from_body (n, 4)) as logged, unit length, signs continuous; None where the log has none.

    NaN rows are left out.
    """
    channel = log.get("q_enu_from_body_onboard")
    if channel is None:
        return None
    is_good = np.isfinite(channel.values).all(axis=1) & (np.linalg.norm(channel.values, axis=1) > 0.5)
    if not is_good.any():
        return None
    return channel.log_time_s[is_good], rotation.make_continuous(rotation.normalise(channel.values[is_good]))
