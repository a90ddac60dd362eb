"""A long record in fewer samples, for the preview during a drag: block means that never reach across a gap."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.sensors.measurements import Prepared


def thinned(prepared: Prepared, n_wanted: int) -> Prepared:
    """About `n_wanted` samples, each the mean of as many neighbours; the record itself where it is no longer than that.

    A mean rate over a block is a point sample of a smoother motion: good for a picture that is replaced when the slider is let go.
    """
    n = len(prepared.log_time_s)
    size = n // max(n_wanted, 1)
    if size < 2:
        return prepared
    starts = _block_starts(prepared.is_gap_before, size)
    counts = np.diff(np.append(starts, n)).astype(np.float64)

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        found = np.asarray(np.add.reduceat(values, starts, axis=0) / (counts if values.ndim == 1 else counts[:, None]))
        found.setflags(write=values.flags.writeable)  # as the record's own: the loops compiled for that serve here too
        return found

    def any_of(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.logical_or.reduceat(mask, starts, axis=0)

    return Prepared(
        log_time_s=mean(prepared.log_time_s),
        accel_raw_imu_mps2=mean(prepared.accel_raw_imu_mps2),
        rate_raw_imu_radps=mean(prepared.rate_raw_imu_radps),
        is_gap_before=prepared.is_gap_before[starts],
        is_accel_clipped_imu=any_of(prepared.is_accel_clipped_imu),
        is_rate_clipped_imu=any_of(prepared.is_rate_clipped_imu),
        temperature_k=None if prepared.temperature_k is None else mean(prepared.temperature_k),
        notes=(*prepared.notes, f"preview: means of {size} samples"),
    )


def _block_starts(is_gap_before: NDArray[np.bool_], size: int) -> NDArray[np.int64]:
    """First sample of each block; a gap always begins one."""
    index = np.arange(len(is_gap_before))
    begin = np.maximum.accumulate(np.where(is_gap_before, index, 0))
    return np.flatnonzero((index - begin) % size == 0)
