"""Levelling: attitude on the pad from a quiet window of specific force, and the gyro bias from the same window.

Only the tilt is measured; the heading is the site's declared one. Levelling is redone with every calibration: a bias that levelled
itself away on the pad comes back in flight, and a what-if that kept the old level would be inconsistent.

References
----------
.. [1] P. D. Groves, Principles of GNSS, Inertial, and Multisensor Integrated Navigation Systems, 2nd ed., 2013, section 5.6.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion.filters import mark_finite
from replay.motion.phasing import Blocks, blocks_of
from replay.motion.settings import EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling
from replay.sensors.measurements import Measurements
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

WINDOW_BLOCK_S = 0.1
LONGEST_WINDOW_S = 20.0
LOOK_BACK_S = 40.0
MOST_BLOCKS = 400
SHORTEST_WINDOW_S = 0.5
GYRO_INSTABILITY_RADPS = 0.003 * DEG
"""Of a bias read over any window, however long: 10 degrees an hour, the middle of what consumer MEMS sensors do (from memory)."""
LEAST_MARGIN_S = 0.05
"""Kept away from liftoff where the record begins so late that the usual margin leaves nothing."""
FEWEST_ROWS = 5
MOVING_TILT_SD_RAD = 3.0 * DEG
MOVING_RATE_SD_RADPS = 0.5 * DEG


def level(
    measurements: Measurements,
    events: Events,
    site: Site,
    settings: EstimatorSettings | None = None,
    window_log_s: tuple[float, float] | None = None,
) -> Levelling:
    """Level on the quiet window before liftoff (anywhere, where no liftoff is known).

    Parameters
    ----------
    measurements : Measurements
    events : Events
        Liftoff bounds the window, `settings.liftoff_margin_s` before it.
    site : Site
        Declared heading.
    window_log_s : (float, float), optional
        Use this window instead of searching one.

    Returns
    -------
    Levelling
        Attitude at the end of the window; the specific force is averaged in a frame carried along by the gyro, so a sway on the rod
        does not tilt it. A record that begins just before liftoff is levelled on what there is, as one in motion: known to 3°.

    Raises
    ------
    CannotEstimate
        Not one row with accelerometer and gyro, or none from before liftoff.
    """
    margin = (settings or EstimatorSettings()).liftoff_margin_s
    liftoff = events.liftoff_log_s
    stop = liftoff - margin if np.isfinite(liftoff) else np.inf
    is_quiet = True
    if window_log_s is None:
        blocks = blocks_of(measurements, WINDOW_BLOCK_S, stop - LOOK_BACK_S if np.isfinite(liftoff) else -np.inf, stop)
        if len(blocks.n):
            window_log_s, is_quiet = _window(blocks, prefers_late=np.isfinite(liftoff))
        elif np.isfinite(liftoff):
            window_log_s, is_quiet = _last_rows_before(measurements, liftoff), False
        else:
            raise CannotEstimate("levelling", "no row has both accelerometer and gyro")
    i = int(np.searchsorted(measurements.log_time_s, window_log_s[0]))
    j = max(int(np.searchsorted(measurements.log_time_s, window_log_s[1], side="right")), i + 1)
    return _levelled(measurements, slice(i, j), site, is_quiet)


def _last_rows_before(measurements: Measurements, liftoff_log_s: float) -> tuple[float, float]:
    """What a record that begins late has before liftoff."""
    time_s = measurements.log_time_s
    start, stop = np.searchsorted(time_s, (liftoff_log_s - LOOK_BACK_S, liftoff_log_s - LEAST_MARGIN_S))
    if stop - start < FEWEST_ROWS:
        reason = (
            f"liftoff at {liftoff_log_s:.2f} s of the log has no record of the pad before it, so nothing shows how the vehicle stood there"
        )
        raise CannotEstimate("levelling", f"{reason}; log from half a second before liftoff, better from ten")
    return float(time_s[start]), float(time_s[stop - 1])


def _window(blocks: Blocks, *, prefers_late: bool) -> tuple[tuple[float, float], bool]:
    """Quiet stretch of at most 20 s and at least half a second: the latest before liftoff, else the first of the record."""
    rate_change = np.linalg.norm(blocks.rate_body_radps - np.median(blocks.rate_body_radps, axis=0), axis=1)
    accel_change = np.linalg.norm(blocks.accel_body_mps2 - np.median(blocks.accel_body_mps2, axis=0), axis=1)
    near_g = np.abs(blocks.accel_norm_mps2 - STANDARD_GRAVITY_MPS2) < 0.25 * STANDARD_GRAVITY_MPS2
    accel_noise = float(np.quantile(blocks.accel_variance, 0.2))
    rate_noise = float(np.quantile(blocks.rate_variance, 0.2))
    quiet_noise = (blocks.accel_variance <= 9.0 * accel_noise + 0.05**2) & (blocks.rate_variance <= 9.0 * rate_noise + (0.5 * DEG) ** 2)
    # the stretch next to liftoff counts, so compare with its own level: the vehicle may have been carried to the pad within the log
    runs = _runs(quiet_noise & near_g, blocks)
    order = reversed(runs) if prefers_late else runs
    for first, last in order:
        part = slice(first, last)
        rate = blocks.rate_body_radps[part]
        still = np.linalg.norm(rate - np.median(rate, axis=0), axis=1) < 3.0 * DEG
        accel = blocks.accel_body_mps2[part]
        still &= np.linalg.norm(accel - np.median(accel, axis=0), axis=1) < 0.5
        inner = _runs(still, blocks, first)
        if inner:
            a, b = inner[-1] if prefers_late else inner[0]
            if prefers_late:
                a = max(a, int(np.searchsorted(blocks.start_log_s, blocks.stop_log_s[b - 1] - LONGEST_WINDOW_S)))
            else:
                b = min(b, int(np.searchsorted(blocks.start_log_s, blocks.start_log_s[a] + LONGEST_WINDOW_S)))
            return (float(blocks.start_log_s[a]), float(blocks.stop_log_s[b - 1])), True
    # never quiet: the calmest half second
    n = max(1, min(len(blocks.n), round(SHORTEST_WINDOW_S / WINDOW_BLOCK_S)))
    unrest = rate_change + accel_change / STANDARD_GRAVITY_MPS2 + np.sqrt(blocks.rate_variance)
    if prefers_late:
        a = len(blocks.n) - n
    else:
        a = int(np.argmin(np.convolve(unrest[: max(n, min(len(unrest), 50))], np.ones(n), "valid")))
    return (float(blocks.start_log_s[a]), float(blocks.stop_log_s[a + n - 1])), False


def _runs(mask: NDArray[np.bool_], blocks: Blocks, offset: int = 0) -> list[tuple[int, int]]:
    """Stretches of True of at least half a second as (first, one past last); `mask[0]` is block `offset`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    pairs = [(int(a) + offset, int(b) + offset) for a, b in edges.reshape(-1, 2)]
    return [(a, b) for a, b in pairs if blocks.stop_log_s[b - 1] - blocks.start_log_s[a] >= SHORTEST_WINDOW_S - WINDOW_BLOCK_S]


def _levelled(measurements: Measurements, part: slice, site: Site, is_quiet: bool) -> Levelling:
    time_s = measurements.log_time_s[part]
    accel, rate = measurements.accel_body_mps2[part], measurements.rate_body_radps[part]
    is_good = ~measurements.is_accel_clipped[part]
    mark_finite(rate, accel, is_good)
    if not is_good.any():
        raise CannotEstimate("levelling", f"no usable row between {time_s[0]:.3f} s and {time_s[-1]:.3f} s")
    if not is_good.all():
        time_s, accel, rate = time_s[is_good], np.ascontiguousarray(accel[is_good]), np.ascontiguousarray(rate[is_good])
    if is_quiet:
        bias, bias_sd, up, tilt_sd = _at_rest(time_s, accel, rate)
    else:  # in motion: neither the mean rate is a bias nor the mean specific force the vertical
        bias, bias_sd = np.zeros(3), np.full(3, MOVING_RATE_SD_RADPS)
        up, tilt_sd = accel.mean(axis=0), MOVING_TILT_SD_RAD
    return Levelling(
        q_enu_from_body=rotation.from_up_body(up, site.pad_azimuth_or_default_rad),
        tilt_sd_rad=tilt_sd,
        start_log_s=float(time_s[0]),
        stop_log_s=float(time_s[-1]),
        gyro_bias_body_radps=bias,
        gyro_bias_sd_radps=bias_sd,
        accel_body_mps2=accel.mean(axis=0),
    )


def _at_rest(time_s: Array, accel: Array, rate: Array) -> tuple[Array, Array, Array, float]:
    """Gyro bias with its standard deviation, up at the last sample in body axes, and the tilt's standard deviation.

    A vehicle that sways ends the window turned a little from where it began, and the mean rate takes that turn for a bias. The
    accelerometer sees it: with the right bias the specific force, carried along by the gyro, does not drift. Both are weighed.
    """
    blocks = _carried(time_s, accel, rate, rate.mean(axis=0))
    bias, bias_sd = _mean_and_sd(blocks[:, 1:4])
    span = float(time_s[-1] - time_s[0])
    if len(blocks) >= 20:
        since, force = blocks[:, 0] - blocks[:, 0].mean(), blocks[:, 4:]
        spread = float(since @ since)
        slope = since @ force / spread
        _, left_sd = _mean_and_sd(force - np.multiply.outer(since, slope))
        length = float(np.linalg.norm(force.mean(axis=0)))
        nose = force.mean(axis=0) / length
        # a bias d too large makes the carried force drift by −d × up; along up it is not seen
        seen = np.maximum(1.0 - nose**2, 1e-9)
        slope_variance = (np.max(left_sd) / length) ** 2 * len(blocks) / spread / seen
        weight = bias_sd**2 / (bias_sd**2 + slope_variance)
        bias = bias + weight * np.cross(nose, slope / length)
        bias_sd = np.sqrt(1.0 / (1.0 / np.maximum(bias_sd, 1e-12) ** 2 + 1.0 / slope_variance))
        blocks = _carried(time_s, accel, rate, bias)
    up, up_sd = _mean_and_sd(blocks[:, 4:])
    up_sd = np.where(np.isfinite(up_sd), up_sd, np.linalg.norm(up))
    tilt_sd = np.hypot(up_sd[0], up_sd[1]) / np.sqrt(2.0) / np.linalg.norm(up)
    # the mean belongs to the window's middle; from there to its end a gyro carries it whose bias is only so well known
    tilt_sd = np.hypot(tilt_sd, 0.5 * span * np.max(bias_sd[:2]) if span > 0.0 else 0.0)
    return bias, np.hypot(bias_sd, GYRO_INSTABILITY_RADPS), up, float(tilt_sd)


def _carried(time_s: Array, accel: Array, rate: Array, bias: Array) -> Array:
    """Blocks of rest, at most a few hundred: mean time, rate (3) and specific force (3), the force carried into the last row's axes."""
    from replay.motion import _kernels

    size = max(1, len(time_s) // MOST_BLOCKS)
    out = np.empty((len(time_s) // size, 7))
    _kernels.carry(time_s, accel, rate, bias, size, out)
    return out


def _mean_and_sd(values: Array) -> tuple[Array, Array]:
    """Mean of each column and its standard deviation, with neighbours that hang together counted for what they are.

    Means of ever longer batches: for white noise each batch length gives the same answer, for a sway of some period the longer ones
    give more; the largest is taken, from batches of at least five to a window.
    """
    mean = values.mean(axis=0)
    n = len(values)
    if n < 2:
        return mean, np.full(values.shape[1], np.inf)
    total = np.concatenate((np.zeros((1, values.shape[1])), np.cumsum(values - mean, axis=0)))
    variance, size = np.zeros(values.shape[1]), 1
    while n // size >= 5 or size == 1:
        batches = np.diff(total[::size], axis=0) / size
        variance = np.maximum(variance, np.sum(batches**2, axis=0) / (len(batches) * max(len(batches) - 1, 1)))
        size *= 2
    return mean, np.sqrt(variance)
