"""Where the nose pointed around vertical: its track on a plane whose centre is up, thinned to what a screen can show.

A point lies at its tilt from the centre, towards its tilt azimuth: (tilt sin azimuth, tilt cos azimuth) in degrees, east and north.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from replay import rotation
from replay.review.pyramid import frozen
from replay.units import DEG

Array = NDArray[np.float64]

_ROOM = 20_000


@dataclass(frozen=True, eq=False)
class NoseTrack:
    """Thinned track of p points; NaN points part what is not joined.

    Parameters
    ----------
    log_time_s : ndarray, shape (p,)
    east_deg, north_deg : ndarray, shape (p,)
        Tilt towards east and north.
    sources : tuple of 2 ndarray
        The arrays it was made from.
    """

    log_time_s: Array
    east_deg: Array
    north_deg: Array
    sources: tuple[Array, Array]


def plane_deg(q_enu_from_body: ArrayLike) -> Array:
    """Place on the plane, degrees east and north of up, shape (..., 4) to (..., 2)."""
    q = np.asarray(q_enu_from_body, dtype=float)
    tilt_deg, azimuth = rotation.tilt(q) / DEG, rotation.tilt_azimuth(q)
    return np.stack((tilt_deg * np.sin(azimuth), tilt_deg * np.cos(azimuth)), axis=-1)


def point_deg(q_enu_from_body: Array) -> tuple[float, float]:
    """`plane_deg` of one attitude, shape (4,), on plain floats: a cursor step has no time for small arrays."""
    w, x, y, z = q_enu_from_body.tolist()
    east, north = x * z + w * y, y * z - w * x
    level = math.hypot(east, north)
    if level == 0.0:  # straight up, or straight down, which has no direction: drawn to the north
        return 0.0, 0.0 if w * w + z * z > 0.5 else 180.0
    scale = 2.0 * math.atan2(math.hypot(x, y), math.hypot(w, z)) / DEG / level
    return scale * east, scale * north


def tilt_deg(q_enu_from_body: Array) -> Array:
    """Angle of the nose from up, degrees, shape (n, 4) to (n,): `rotation.tilt`, compiled."""
    from replay.review import _kernels as kernels

    out = np.empty(len(q_enu_from_body))
    kernels.tilt_deg(frozen(q_enu_from_body, np.float64), out)
    return out


def nose_track(log_time_s: Array, q_enu_from_body: Array, i_gap: NDArray[np.int64], apogee_log_s: float) -> NoseTrack:
    """Thin the track of n attitudes: `log_time_s` (n,), `q_enu_from_body` (n, 4), `i_gap` as in `Channel`.

    Up to apogee to a thousandth of the largest tilt there; after it, where the vehicle hangs and tumbles, to 0.2°. The tolerance
    doubles until at most 20 000 points remain.
    """
    from replay.review import _kernels as kernels

    n = len(log_time_s)
    split = int(np.searchsorted(log_time_s, apogee_log_s)) if np.isfinite(apogee_log_s) else n
    tilt = tilt_deg(q_enu_from_body)
    up = tilt[:split]
    largest_deg = float(np.nanmax(up)) if np.isfinite(up).any() else 180.0
    time_s, q, gaps = frozen(log_time_s, np.float64), frozen(q_enu_from_body, np.float64), frozen(i_gap, np.int64)
    parts = []
    for start, stop, tolerance_deg in ((0, split, 1e-3 * max(largest_deg, 0.05)), (max(split - 1, 0), n, 0.2)):
        out = np.empty((3, _ROOM))
        kept = -1
        while kept < 0:
            kept = int(kernels.thin_track(time_s, q, tilt, gaps, start, stop, tolerance_deg, out[0], out[1], out[2]))
            tolerance_deg = 2.0 * tolerance_deg
        parts.append(out[:, :kept])
    track = np.concatenate(parts, axis=1) if split < n else parts[0]
    return NoseTrack(track[0], track[1], track[2], (log_time_s, q_enu_from_body))


def thin_track_slowly(log_time_s: Array, q: Array, i_gap: NDArray[np.int64], tolerance_deg: float) -> Array:
    """Twin of the compiled walk over all samples, shape (3, p)."""
    place = plane_deg(q)
    gaps = set(i_gap.tolist())
    kept: list[tuple[float, float, float]] = []
    last: Array | None = None
    for k, (time_s, point) in enumerate(zip(log_time_s, place, strict=True)):
        is_end = k == len(place) - 1 or k in gaps
        if not np.isfinite(point).all():
            last = None
        else:
            if last is not None and np.hypot(*(point - last)) > 90.0:
                last = None
            if last is None or np.hypot(*(point - last)) > tolerance_deg or is_end:
                if last is None and kept:
                    kept.append((time_s, np.nan, np.nan))
                kept.append((time_s, point[0], point[1]))
                last = point
        if k in gaps:
            last = None
    return np.array(kept).T if kept else np.empty((3, 0))
