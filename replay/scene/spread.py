"""How well a path is known, drawn: rings of one standard deviation along it, and all three ways about its top."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_RINGS = 14
_N_CORNERS = 24
_ANGLE = np.linspace(0.0, 2.0 * np.pi, _N_CORNERS + 1)
_PLANES = ((0, 1), (0, 2), (1, 2))


def rings(path_enu_m: Array, sd_enu_m: Array) -> Array:
    """Ellipses of one standard deviation with a row of NaN after each, shape (k, 3).

    Level ones at even steps along the path; about its highest point also the two upright ones, so that how well apogee is known can be
    seen from the side. Correlation between the axes is not drawn.

    Parameters
    ----------
    path_enu_m, sd_enu_m : ndarray, shape (m, 3)
        Points without a standard deviation have no ring.
    """
    is_known = np.asarray(np.isfinite(sd_enu_m).all(axis=1) & (sd_enu_m > 0.0).any(axis=1))
    if len(path_enu_m) < 2 or not is_known.any():
        return np.empty((0, 3))
    along = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(path_enu_m, axis=0), axis=1))))
    stations = np.unique(np.searchsorted(along, np.linspace(0.0, along[-1], N_RINGS + 1)[1:]).clip(max=len(path_enu_m) - 1))
    top = int(np.argmax(path_enu_m[:, 2]))
    wanted = [(i, (0, 1)) for i in stations if is_known[i]] + [(top, plane) for plane in _PLANES if is_known[top]]
    out = np.full((len(wanted), _N_CORNERS + 2, 3), np.nan)
    for ring, (i, (a, b)) in zip(out, wanted, strict=True):
        ring[:-1] = path_enu_m[i]
        ring[:-1, a] += sd_enu_m[i, a] * np.cos(_ANGLE)
        ring[:-1, b] += sd_enu_m[i, b] * np.sin(_ANGLE)
    return out.reshape(-1, 3)
