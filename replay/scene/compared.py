"""Other methods' tracks of the same flight, beside its own: thin lines under it, each in its method's colour and dash.

They have no vehicle, no shadow and no rings, so that the flight's own solution stays the one that is seen first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.scene.scene import Item, Line, Row
from replay.scene.tracks import Track, pose_at

Array = NDArray[np.float64]

_AXES = np.eye(3)


def compared_paths(tracks: tuple[Track, ...], log_time_s: float, size_m: float) -> list[Item]:
    """Each track as far as it has come, paler what is to come, and a small cross of `size_m` each way where it has the vehicle."""
    items: list[Item] = []
    for track in tracks:
        if not track.has_position:
            continue
        at = pose_at(track, log_time_s).pos_enu_m
        i = int(np.searchsorted(track.path_log_time_s, log_time_s, side="right"))
        gone = np.concatenate((track.path_enu_m[:i], at[None]))
        to_come = np.concatenate((at[None], track.path_enu_m[i:]))
        items += [Line(points, track.colour, width, track.dash, alpha)
                  for points, width, alpha in ((to_come, 1.0, 0.5), (gone, 1.5, 1.0)) if len(points) > 1]  # fmt: skip
        cross = np.full((3, 3, 3), np.nan)
        cross[:, 0], cross[:, 1] = at - size_m * _AXES, at + size_m * _AXES
        items.append(Line(cross.reshape(-1, 3), track.colour, 2.0, layer="over"))
    return items


def compared_noses(tracks: tuple[Track, ...], log_time_s: float, middle_enu_m: Array, length_m: float) -> list[Item]:
    """Where each track has the nose point, from the vehicle's middle."""
    return [
        Line(
            np.array((middle_enu_m, middle_enu_m + length_m * pose_at(track, log_time_s).dcm_enu_from_body[:, 2])),
            track.colour, 1.5, track.dash, 1.0, "behind",
        )
        for track in tracks
    ]  # fmt: skip


def compared_rows(tracks: tuple[Track, ...]) -> tuple[Row, ...]:
    """Which line is which method. Their numbers are in the readout: here they would cover the picture."""
    return tuple(Row(track.series, key=(track.colour, track.dash)) for track in tracks)
