"""Vibration: dominant frequencies with their confidence, what kind of oscillation each is, aliases, and clipping that biases the mean.

References
----------
.. [1] P. D. Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE Trans. Audio Electroacoust. 15, 1967.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.motion.solution import Solution

Array = NDArray[np.float64]

_MOST_CELLS = 2e7  # of a spectrogram, 160 MB
PEAK_OVER_FLOOR = 8.0
"""A line must stand this many times above the median of its surroundings: 1 in 10⁴ for a spectrum of eight averages (chi-square)."""
LOOP_TOP_HZ = 6.0
"""A loop around a gimbal of this size swings below this; structure and motor lie above (common practice, no source)."""


@dataclass(frozen=True)
class Tone:
    """One line of a spectrum.

    Parameters
    ----------
    sensor, axis : str
    frequency_hz, frequency_sd_hz : float
    amplitude : float
        Of the sine, unit of the sensor.
    over_floor : float
        Density over the median around it.
    kind : str
        "limit cycle" (of a guided vehicle), "swing" (of one without a loop), "structure or motor", or "may be an alias".
    aliases_hz : tuple of float
        Frequencies above half the sample rate that would show here.
    """

    sensor: str
    axis: str
    frequency_hz: float
    frequency_sd_hz: float
    amplitude: float
    over_floor: float
    kind: str
    aliases_hz: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Density over time, all three axes together.

    Parameters
    ----------
    frequency_hz : ndarray, shape (f,)
    log_time_s : ndarray, shape (t,)
        Evenly spaced.
    density : ndarray, shape (f, t)
        unit²/Hz; a column of NaN is a gap of the record.
    unit : str
    """

    frequency_hz: Array
    log_time_s: Array
    density: Array
    unit: str

    @property
    def is_gap(self) -> NDArray[np.bool_]:
        """Columns without a spectrum, shape (t,)."""
        return np.asarray(np.isnan(self.density[0]))


def alias_hz(frequency_hz: float, rate_hz: float) -> float:
    """Where a frequency shows after sampling: its distance to the nearest multiple of the rate."""
    return abs(frequency_hz - round(frequency_hz / rate_hz) * rate_hz)


def sources_hz(shown_hz: float, rate_hz: float, top_hz: float = 2000.0) -> tuple[float, ...]:
    """Frequencies above half the rate that would show at `shown_hz`."""
    found = [k * rate_hz + sign * shown_hz for k in range(1, math.ceil(top_hz / rate_hz) + 1) for sign in (-1.0, 1.0)]
    return tuple(f for f in found if f <= top_hz)


def stretches(time_s: Array, values: Array) -> list[tuple[int, int]]:
    """First row and row after the last of every stretch without a gap or a NaN, in order of time; `time_s` (n,), `values` (n, w)."""
    step = float(np.median(np.diff(time_s)))
    good = np.all(np.isfinite(values), axis=1)
    broken = np.concatenate(([True], np.diff(time_s) > 1.5 * step)) | ~good
    starts = np.flatnonzero(broken)
    ends = np.append(starts[1:], len(time_s))
    starts = starts + ~good[starts]
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b > a]


def even_samples(time_s: Array, values: Array) -> tuple[Array, float]:
    """The longest stretch of `values` (n, w) without a gap or a NaN, shape (k, w), and its rate in Hz; a spectrum wants even sampling."""
    first, stop = max(stretches(time_s, values), key=lambda span: span[1] - span[0], default=(0, 0))
    return values[first:stop], 1.0 / float(np.median(np.diff(time_s)))


def tones(time_s: Array, values: Array, sensor: str, *, most: int = 6, is_guided: bool = True) -> tuple[Tone, ...]:
    """Lines of the spectrum of three axes that stand clear of their surroundings, strongest first.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    values : ndarray, shape (n, 3)
    sensor : str
    most : int
    is_guided : bool
        There is a loop that could swing by itself.

    Raises
    ------
    CannotEstimate
        No stretch of 64 samples without a gap.
    """
    from scipy.signal import welch

    shown, rate = even_samples(time_s, values)
    if len(shown) < 64:
        raise CannotEstimate("spectrum", f"longest stretch without a gap has {len(shown)} samples, needs 64")
    n_window = min(len(shown), 2 ** max(6, int(math.log2(len(shown) / 4))))
    found = []
    for axis, name in enumerate("xyz"):
        frequency, density = welch(shown[:, axis], rate, window="hann", nperseg=n_window, detrend="linear")
        width = max(5, len(frequency) // 16)
        for k in range(2, len(frequency) - 2):
            if density[k] < density[k - 1] or density[k] < density[k + 1]:
                continue
            around = np.r_[density[max(1, k - width) : max(1, k - 2)], density[k + 3 : k + 3 + width]]
            floor = float(np.median(around)) if len(around) else math.inf
            if density[k] < PEAK_OVER_FLOOR * floor:
                continue
            found.append(_tone(sensor, name, frequency, density, k, floor, rate, len(shown), is_guided))
    return tuple(sorted(found, key=lambda t: -t.amplitude)[:most])


def _tone(sensor: str, axis: str, frequency: Array, density: Array, k: int, floor: float, rate: float, n: int, is_guided: bool) -> Tone:
    bin_hz = float(frequency[1])
    logs = np.log(np.maximum(density[k - 1 : k + 2], 1e-300))
    bend = logs[0] - 2.0 * logs[1] + logs[2]
    offset = float(np.clip(0.5 * (logs[0] - logs[2]) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0
    at = float(frequency[k]) + offset * bin_hz
    power = float(np.sum(density[k - 2 : k + 3] - floor)) * bin_hz
    amplitude = math.sqrt(max(2.0 * power, 0.0))
    # Cramér-Rao bound of a sine's frequency in white noise, and no better than a twentieth of a bin for a line that is not pure
    noise = floor * rate / 2.0
    bound = math.sqrt(6.0 * noise / max(amplitude**2 / 2.0, 1e-300) / n) * rate / (math.pi * n)
    near_top = at > 0.4 * rate
    slow = "limit cycle" if is_guided else "swing"
    kind = slow if at < LOOP_TOP_HZ else "may be an alias" if near_top else "structure or motor"
    return Tone(sensor, axis, at, max(bound, 0.05 * bin_hz), amplitude, float(density[k] / floor), kind, sources_hz(at, rate))


def spectrogram(time_s: Array, values: Array, unit: str, window_s: float = 0.4) -> Spectrogram:
    """Short-time spectrum of three axes together, Hann windows overlapping by three quarters, of every stretch that holds a window.

    Columns stand a quarter of a window apart over the whole record; gaps are not bridged: where no window of whole samples lies
    the density is NaN. `time_s` (n,), `values` (n, 3) in `unit`.

    Raises
    ------
    CannotEstimate
        No stretch holds a window, or the record's gaps make it too long to draw.
    """
    rate = 1.0 / float(np.median(np.diff(time_s)))
    n_window = max(32, round(window_s * rate))
    hop = n_window // 4
    spans = [span for span in stretches(time_s, values) if span[1] - span[0] >= n_window]
    if not spans:
        raise CannotEstimate("spectrogram", f"no stretch without a gap holds the {n_window} samples of a window")
    frequency = np.fft.rfftfreq(n_window, 1.0 / rate)
    if (time_s[-1] - time_s[0]) * rate / hop * len(frequency) > _MOST_CELLS:
        raise CannotEstimate("spectrogram", f"its gaps make the record {time_s[-1] - time_s[0]:.0f} s long: choose a span without them")
    at = np.arange(time_s[0] + 0.5 * n_window / rate, time_s[-1] - 0.5 * n_window / rate + 1e-9, hop / rate)
    density = np.full((len(frequency), len(at)), np.nan)
    for first, stop in spans:
        centre, power = _stretch_power(time_s[first:stop], values[first:stop], rate, n_window, hop)
        near = np.rint(np.interp(at, centre, np.arange(len(centre)))).astype(int)
        covered = np.abs(at - centre[near]) <= 0.75 * hop / rate
        density[:, covered] = power[:, near[covered]]
    return Spectrogram(np.asarray(frequency), at, density, unit)


def _stretch_power(time_s: Array, values: Array, rate: float, n_window: int, hop: int) -> tuple[Array, Array]:
    """Window centres on the log's clock (t,) and density (f, t) of one even stretch, its axes together."""
    from scipy.signal import spectrogram as short_time

    found = [short_time(column, rate, window="hann", nperseg=n_window, noverlap=n_window - hop) for column in values.T]
    # by the samples' own times: a logger's mean step is not its usual one, and over a minute the two are far apart
    centre = np.interp(found[0][1] * rate, np.arange(len(time_s)), time_s)
    return np.asarray(centre), np.sum([density for _, _, density in found], axis=0)


def clipped_mean(mean: float, amplitude: float, limit: float) -> float:
    """Mean of a sine of `amplitude` about `mean` when everything above `limit` reads `limit`.

    m − [A cos θ − (c − m)(π/2 − θ)]/π with θ = asin((c − m)/A): what clipped vibration takes off a thrust.
    """
    over = (limit - mean) / amplitude
    if over >= 1.0:
        return mean
    if over <= -1.0:
        return limit
    angle = math.asin(over)
    return mean - (amplitude * math.cos(angle) - (limit - mean) * (0.5 * math.pi - angle)) / math.pi


def clipped_gaussian_mean(mean: float, sd: float, limit: float) -> float:
    """The same for Gaussian vibration of standard deviation `sd` about `mean`, clipped at `limit`, all in one unit."""
    from scipy.special import ndtr

    z = (limit - mean) / sd
    return float(mean * ndtr(z) - sd * math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) + limit * (1.0 - ndtr(z)))


@dataclass(frozen=True, eq=False)
class Vibration:
    """Tones through the burn, the spectrogram of the specific force, and what clipping took off the axial mean (m/s²)."""

    tones: tuple[Tone, ...]
    spectrogram: Spectrogram | None
    clipping_bias_mps2: float
    notes: tuple[str, ...]


def vibration(
    solution: Solution,
    start_log_s: float,
    stop_log_s: float,
    is_clipped: NDArray[np.bool_] | None,
    limit_mps2: float | None,
    *,
    is_guided: bool = True,
) -> Vibration:
    """Vibration between two times, usually the burn.

    Parameters
    ----------
    solution : Solution
    start_log_s, stop_log_s : float
    is_clipped : ndarray of bool, shape (n,), optional
    limit_mps2 : float, optional
        Full scale of the accelerometer.
    is_guided : bool
        As `tones`.
    """
    i, j = np.searchsorted(solution.log_time_s, (start_log_s, stop_log_s))
    time, accel, rate = solution.log_time_s[i:j], solution.accel_body_mps2[i:j], solution.rate_body_radps[i:j]
    notes = []
    try:
        picture = spectrogram(solution.log_time_s, solution.accel_body_mps2, "m/s²")
    except CannotEstimate as error:
        return Vibration((), None, 0.0, (str(error),))
    try:
        found = (*tones(time, accel, "accelerometer", is_guided=is_guided), *tones(time, rate, "gyro", is_guided=is_guided))
    except CannotEstimate as error:
        return Vibration((), picture, 0.0, (str(error),))
    half = 0.5 / float(np.median(np.diff(time)))
    notes.append(f"above {half:.0f} Hz vibration folds back and can't be told from what lies below; look for the sensor's own low-pass")
    bias = 0.0
    if is_clipped is not None and limit_mps2 is not None and np.any(is_clipped[i:j]):
        axial = accel[:, 2]
        mean, sd = float(np.nanmean(axial)), float(np.nanstd(axial))
        bias = clipped_gaussian_mean(mean, sd, limit_mps2) - mean
        notes.append(
            f"clipped vibration takes about {-bias:.2f} m/s² off the axial mean through the burn: thrust reads low by that times the mass"
        )
    return Vibration(found, picture, bias, tuple(notes))
