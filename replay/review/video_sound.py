"""Liftoff by ear: when the motor's roar sets in on a launch video's sound, and how surely that says when the vehicle lifted off.

The roar is broad in frequency and lasts, which sets it off from a spoken countdown, a click or clapping: the onset is where every
band stays above what it was before. Its time is then the change point of the signal's power, with the spread of its likelihood.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, CannotEstimate
from replay.flight.changepoint import profile
from replay.review.launch_video import library, opened

Array = NDArray[np.float64]

SOUND_SPEED_MPS: Final = 340.0
"""In air at 14 °C (ISO 9613-1 has 343.2 m/s at 20 °C); 10 °C either way is 2 %, which `liftoff_from_onset` allows for."""
_SOUND_SPEED_SD: Final = 0.02
IGNITION_TO_LIFTOFF_S: Final = 0.05
"""A motor of this size is heard before it lifts the vehicle: this long, and as much uncertain (common practice, no source)."""
USUAL_DISTANCE_M: Final = 30.0
"""Camera from the pad where the user states nothing, and as much uncertain: the usual standoff of small motors (assumption)."""

_RATE_HZ: Final = 16_000
_FINE: Final = 64
"""Samples in one power reading: 4 ms."""
_PER_COARSE: Final = 5
_BANDS_HZ: Final = ((400.0, 1000.0), (1000.0, 2000.0), (2000.0, 4000.0), (4000.0, 7500.0))
_BEFORE_S, _AFTER_S = 1.0, 0.6
_OFTEN, _SELDOM = 60, 10
"""Percentiles: words leave pauses, so that the level before is a pause's; the roar leaves none."""
_LEAST_RISE_DB: Final = 6.0
_ALIKE: Final = 0.75
"""Share of the strongest rise that makes another onset a rival."""
_NEARLY: Final = 0.7
"""Share of the strongest rise at which the onset itself is looked for: the rise stands for a while after it."""
_RAMPS_S: Final = (0.0, 0.02, 0.06, 0.2)
_SHAPE_SD_S: Final = 0.006
"""A roar does not begin in just the shape that is fitted: measured on made ones that swell over 2 to 40 ms."""
_FINE_SPAN_S: Final = 0.3
_TINY_DB: Final = -110.0


@dataclass(frozen=True)
class Onset:
    """When the roar sets in.

    Parameters
    ----------
    video_s, sd_s : float
        From the first frame of the picture; one standard deviation of the onset alone.
    rise_db : float
        How far the roar stands above what was before, in all bands but the weakest.
    """

    video_s: float
    sd_s: float
    rise_db: float


@dataclass(frozen=True)
class HeardLiftoff:
    """Liftoff as the sound has it.

    Parameters
    ----------
    video_s, sd_s : float
    assumptions : tuple of str
        What it leaned on, each one sentence.
    """

    video_s: float
    sd_s: float
    assumptions: tuple[str, ...]


def liftoff_from_onset(onset: Onset, distance_m: float | None) -> HeardLiftoff:
    """Take off the sound's way to the camera, and add the time from ignition to liftoff.

    Parameters
    ----------
    onset : Onset
    distance_m : float or None
        Camera from the pad; None is `USUAL_DISTANCE_M`, as much uncertain.
    """
    distance, distance_sd = (USUAL_DISTANCE_M, USUAL_DISTANCE_M) if distance_m is None else (distance_m, 0.05 * distance_m)
    late = distance / SOUND_SPEED_MPS
    late_sd = math.hypot(distance_sd / SOUND_SPEED_MPS, late * _SOUND_SPEED_SD)
    stated = "stated, to 5 %" if distance_m is not None else f"not stated: ±{USUAL_DISTANCE_M:g} m"
    return HeardLiftoff(
        onset.video_s - late + IGNITION_TO_LIFTOFF_S,
        math.sqrt(onset.sd_s**2 + late_sd**2 + IGNITION_TO_LIFTOFF_S**2),
        (
            f"camera {distance:g} m from the pad ({stated}), so the sound came {late:.3f} s late",
            f"the motor is heard {IGNITION_TO_LIFTOFF_S:g} s before liftoff (common practice, as much uncertain)",
        ),
    )


def find_onset(
    path: str | os.PathLike[str],
    progress: Callable[[float, str], None] | None = None,
    cancel: Callable[[], bool] | None = None,
) -> Onset:
    """The onset of the roar in a video's sound.

    Raises
    ------
    CannotEstimate
        No sound, no clear onset, or several alike: it can't be known from this sound.
    LogReadError
        Not a file with sound or picture in it.
    Cancelled
    """
    start_s, block_s, samples = _sound(os.fspath(path), progress or (lambda *_: None), cancel or (lambda: False))
    onset = onset_of(samples, _RATE_HZ)
    return Onset(onset.video_s + start_s, math.hypot(onset.sd_s, 0.5 * block_s), onset.rise_db)


def onset_of(samples: NDArray[Any], rate_hz: int = _RATE_HZ) -> Onset:
    """The onset of a lasting broad-band sound.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        One channel; NaN where there is none.
    rate_hz : int
        16 kHz is what the bands are made for.

    Returns
    -------
    Onset
        `video_s` counted from the first sample.

    Raises
    ------
    CannotEstimate
    """
    power = _powers(np.nan_to_num(np.asarray(samples, dtype=np.float32)), rate_hz)
    step_s = _FINE / rate_hz
    n = len(power) // _PER_COARSE
    if n * _PER_COARSE * step_s < _BEFORE_S + _AFTER_S:
        raise _unknown(f"it lasts less than {_BEFORE_S + _AFTER_S:g} s")
    coarse = _audible(_decibels(power[: n * _PER_COARSE].reshape(n, _PER_COARSE, -1).mean(axis=1)))
    rise = _lasting_rise(coarse, _PER_COARSE * step_s)
    best = int(np.argmax(rise))
    if rise[best] < _LEAST_RISE_DB:
        raise _unknown(f"no sound sets in that fills all bands and lasts (largest rise {max(float(rise[best]), 0.0):.1f} dB)")
    best -= int(np.argmax(rise[max(best - round(_BEFORE_S / (_PER_COARSE * step_s)), 0) : best + 1][::-1] < _NEARLY * rise[best])) - 1
    near = round(1.0 / (_PER_COARSE * step_s))
    elsewhere = rise.copy()
    elsewhere[max(best - near, 0) : best + near + 1] = 0.0
    rival = int(np.argmax(elsewhere))
    if elsewhere[rival] > max(_ALIKE * rise[best], _LEAST_RISE_DB):
        at = sorted((best * _PER_COARSE * step_s, rival * _PER_COARSE * step_s))
        raise _unknown(f"two onsets alike, at {at[0]:.1f} s and {at[1]:.1f} s of the sound")
    return _refined(power, best * _PER_COARSE, step_s, float(rise[best]))


def _unknown(reason: str) -> CannotEstimate:
    return CannotEstimate("liftoff from the sound", f"can't be known: {reason}; mark it on a frame instead")


def _powers(samples: NDArray[np.float32], rate_hz: int) -> Array:
    """Power in each band, shape (n readings, bands), of readings that don't overlap."""
    n = len(samples) // _FINE
    window = np.hanning(_FINE).astype(np.float32)
    frequency = np.fft.rfftfreq(_FINE, 1.0 / rate_hz)
    out = np.empty((n, len(_BANDS_HZ)))
    for start in range(0, n, 1 << 16):  # a long video's spectrum at once would fill the memory
        stop = min(start + (1 << 16), n)
        lines = np.abs(np.fft.rfft(samples[start * _FINE : stop * _FINE].reshape(-1, _FINE) * window, axis=1)) ** 2
        for band, (low, high) in enumerate(_BANDS_HZ):
            out[start:stop, band] = lines[:, (frequency >= low) & (frequency < high)].sum(axis=1)
    return out


def _decibels(power: Array) -> Array:
    return np.asarray(10.0 * np.log10(power + 10.0 ** (_TINY_DB / 10.0)))


def _audible(level_db: Array) -> Array:
    """Digital silence (a recording that begins muted, a gap) lifted to the quietest sound there is, or its end would be an onset."""
    is_silent = level_db < _TINY_DB + 10.0
    quietest = [
        float(np.percentile(band[~silent], 5)) if not silent.all() else _TINY_DB
        for band, silent in zip(level_db.T, is_silent.T, strict=True)
    ]
    return np.asarray(np.maximum(level_db, np.array(quietest)))


def _lasting_rise(level_db: Array, step_s: float) -> Array:
    """For each reading, in all bands but one (which wind may fill): by how much the level hardly ever fallen below after it stands above
    the one mostly not risen above before it, dB. A word or a click is over too soon, a tone leaves bands empty. Shape (n,).
    """
    from scipy.ndimage import percentile_filter

    n_before, n_after = round(_BEFORE_S / step_s), round(_AFTER_S / step_s)
    steps = np.zeros((level_db.shape[1], len(level_db)))
    for step, band in zip(steps, level_db.T, strict=True):
        before = percentile_filter(band, _OFTEN, size=n_before, origin=(n_before - 1) // 2)  # the readings up to this one
        after = percentile_filter(band, _SELDOM, size=n_after, origin=-(n_after // 2))  # this one and those after
        step[1:] = after[1:] - before[:-1]
    rise = np.sort(steps, axis=0)[1]
    rise[: max(n_before // 2, 1)] = 0.0
    rise[len(rise) - n_after + 1 :] = 0.0
    return np.asarray(rise)


def _refined(power: Array, i_coarse: int, step_s: float, rise_db: float) -> Onset:
    """Change point of the level near a coarse place: flat, then rising for a while that is not known, then flat.

    The bands are added in decibels, so that a loud low band does not drown what the others tell.
    """
    reach = round(_FINE_SPAN_S / step_s)
    low, high = max(i_coarse - 2 * reach, 0), min(i_coarse + 2 * reach, len(power))
    level = _decibels(power[low:high]).mean(axis=1)
    time_s = (low + np.arange(high - low) + 0.5) * step_s
    centre = (i_coarse + 0.5) * step_s
    candidates = np.arange(centre - _FINE_SPAN_S, centre + _FINE_SPAN_S, step_s)

    def minus_two_log(change_s: float) -> float:
        fits: Array = np.array([_misfit(np.asarray(time_s), level, change_s, ramp) for ramp in _RAMPS_S])
        return float(fits.min() - 2.0 * np.log(np.exp(-0.5 * (fits - fits.min())).mean()))

    found = profile(candidates, np.array([minus_two_log(float(t)) for t in candidates]), _SHAPE_SD_S)
    return Onset(found.time_s, found.sd_s, rise_db)


def _misfit(time_s: Array, level_db: Array, change_s: float, ramp_s: float) -> float:
    """−2 log likelihood of level, ramp, level, each side with its own scatter."""
    share = np.clip((time_s - change_s) / ramp_s, 0.0, 1.0) if ramp_s > 0.0 else (time_s >= change_s).astype(float)
    is_after = share > 0.0
    if is_after.sum() < 5 or (~is_after).sum() < 5:
        return math.inf
    before = float(level_db[~is_after].mean())
    risen = share[is_after]
    after = float(risen @ (level_db[is_after] - before) / (risen @ risen))
    total = 0.0
    for residual in (level_db[~is_after] - before, level_db[is_after] - before - after * risen):
        variance = float(residual @ residual) / len(residual) + 0.01
        total += len(residual) * (math.log(variance) + 1.0)
    return total


def _sound(path: str, progress: Callable[[float, str], None], cancel: Callable[[], bool]) -> tuple[float, float, Array]:
    """(time of the first sample from the first frame of the picture, s; length of a coded block, over which an onset is smeared, s; samples
    at `_RATE_HZ`, every piece at the time the file gives it).
    """
    av = library()
    container = opened(av, path)
    try:
        if not container.streams.audio:
            raise CannotEstimate("liftoff from the sound", "can't be known: this video has no sound; mark it on a frame instead")
        stream = container.streams.audio[0]
        block_s = (stream.codec_context.frame_size or 0) / stream.codec_context.sample_rate
        total_s = float(stream.duration * stream.time_base) if stream.duration else 0.0
        resampler = av.AudioResampler(format="flt", layout="mono", rate=_RATE_HZ)
        pieces: list[tuple[float, NDArray[np.float32]]] = []
        for n, frame in enumerate(_audio_frames(av, container, stream)):
            if n % 64 == 0:
                if cancel():
                    raise Cancelled("listening stopped")
                at_s = float(frame.pts * frame.time_base) if frame.pts is not None else 0.0
                progress(min(max(at_s / total_s, 0.0), 1.0) if total_s else 0.0, "listening for the motor")
            pieces += [_piece(part) for part in resampler.resample(frame)]
        pieces += [_piece(part) for part in resampler.resample(None)]
        picture_s = _picture_start_s(container)
    finally:
        container.close()
    pieces = [piece for piece in pieces if len(piece[1])]
    if not pieces:
        raise _unknown("this video's sound is empty")
    start_s = pieces[0][0]
    end = max(round((at - start_s) * _RATE_HZ) + len(data) for at, data in pieces)
    samples = np.full(end, np.nan, dtype=np.float32)
    for at, data in pieces:
        i = max(round((at - start_s) * _RATE_HZ), 0)
        samples[i : i + len(data)] = data
    return start_s - picture_s, block_s, np.asarray(samples)


def _audio_frames(av: Any, container: Any, stream: Any) -> Any:
    for packet in container.demux(stream):
        try:
            yield from packet.decode()
        except av.error.InvalidDataError:
            continue


def _piece(frame: Any) -> tuple[float, NDArray[np.float32]]:
    at_s = float(frame.pts * frame.time_base) if frame.pts is not None else 0.0
    return at_s, np.asarray(frame.to_ndarray(), dtype=np.float32).reshape(-1)


def _picture_start_s(container: Any) -> float:
    """On the file's clock, the time of the first frame shown; zero where there is no picture or it isn't stated."""
    streams = container.streams.video
    if not streams:
        return 0.0
    stream = streams[0]
    container.seek(0)
    ticks = []
    for packet in container.demux(stream):
        if packet.size and not packet.is_discard and packet.pts is not None:
            ticks.append(int(packet.pts))
        if len(ticks) >= 32:  # frames are stored at most a few places out of the order they are shown in
            break
    return float(min(ticks) * stream.time_base) if ticks else 0.0
