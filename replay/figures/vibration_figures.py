"""Figures of vibration: spectrum with its lines, and how it changes through the burn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.figures.export import Drawn
from replay.figures.lines import name_lines, name_pane, time_label, zero_log_s
from replay.figures.style import AMOUNTS, DASHES, FigureSettings
from replay.figures.words import capital
from replay.flight.quantity import Quantity
from replay.flight.vibration import even_samples, spectrogram, tones
from replay.review.snapshot import Snapshot
from replay.scene.palette import BLACK, SERIES
from replay.units import DEG

if TYPE_CHECKING:
    from replay.figures.style import AnyFigure
    from replay.flight.vibration import Tone

_LEAST_SAMPLES = 64
_NAMED_TONES = 3


def _span(snapshot: Snapshot, settings: FigureSettings) -> tuple[float, float]:
    """The burn, or what the user chose; seconds from liftoff."""
    s = snapshot.as_flown
    burnout = s.events.burnout_log_s - zero_log_s(snapshot)
    start = 0.0 if settings.start_s is None else settings.start_s
    return start, settings.stop_s if settings.stop_s is not None else burnout if np.isfinite(burnout) else float(s.time_s[-1])


def _samples(snapshot: Snapshot, settings: FigureSettings, what: str, beside_s: float = 0.0) -> tuple[float, float, NDArray[np.bool_]]:
    """The span shown, s from liftoff, and which samples lie in it or not far beside it; CannotEstimate where they are too few."""
    start, stop = _span(snapshot, settings)
    time_s = snapshot.as_flown.time_s
    inside = (time_s >= start - beside_s) & (time_s <= stop + beside_s)
    if np.count_nonzero(inside) < _LEAST_SAMPLES:
        raise CannotEstimate(what, f"{start:g} to {stop:g} s holds {np.count_nonzero(inside)} samples, needs {_LEAST_SAMPLES}")
    return start, stop, inside


def spectrum(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Spectral density of specific force and angular rate through the burn (Welch's method, Hann window).

    Raises
    ------
    CannotEstimate
        The span holds too few samples.
    """
    from scipy.signal import welch

    s = snapshot.as_flown
    start, stop, inside = _samples(snapshot, settings, "spectrum")
    panes = figure.subplots(2, 1, sharex=True)
    said, rate_hz = [], float("nan")
    for axes, values, unit, name, sensor in (
        (panes[0], s.accel_body_mps2, "m/s²", "specific force", "accelerometer"),
        (panes[1], s.rate_body_radps / DEG, "deg/s", "angular rate", "gyro"),
    ):
        shown, rate_hz = even_samples(s.log_time_s[inside], values[inside])
        for axis, letter in enumerate("xyz"):
            frequency, density = welch(shown[:, axis], rate_hz, nperseg=min(len(shown), 512), detrend="linear")
            colour, dash = SERIES[letter]
            axes.semilogy(frequency[1:], np.sqrt(density[1:]), color=colour, linestyle=DASHES[dash], label=letter)
        name_pane(axes, f"{name} ({unit}/√Hz)")
        name_lines(axes)
        found = tones(s.log_time_s[inside], values[inside], sensor)[:_NAMED_TONES]
        for tone in found:
            axes.axvline(tone.frequency_hz, color=BLACK, linewidth=0.5, linestyle=":", zorder=0)
        said.append(f"{name}: {', '.join(_tone_words(tone, unit) for tone in found) or 'no line stands clear'}")
    panes[1].set_xlabel("frequency (Hz)")
    words = capital("; ".join(said))
    return Drawn(
        f"Spectral density from {start:.2f} to {stop:.2f} s (Welch, Hann window; above {rate_hz / 2:.0f} Hz folds back). {words}.",
        f"Amplitude spectra of specific force and angular rate on logarithmic axes. {words}.",
    )


def _tone_words(tone: Tone, unit: str) -> str:
    at = Quantity("frequency", tone.frequency_hz, tone.frequency_sd_hz, "Hz").text()
    doubt = " (may be an alias)" if tone.kind == "may be an alias" else ""
    return f"{at} in {tone.axis}, {tone.amplitude:.3g} {unit}{doubt}"


def short_time(figure: AnyFigure, snapshot: Snapshot, settings: FigureSettings) -> Drawn:
    """Short-time spectrum of the specific force over time.

    Raises
    ------
    CannotEstimate
        The span holds too few samples.
    """
    s = snapshot.as_flown
    _, _, inside = _samples(snapshot, settings, "spectrogram", beside_s=0.5)
    found = spectrogram(s.log_time_s[inside], s.accel_body_mps2[inside], "m/s²")
    frequency, time = found.frequency_hz[1:], found.log_time_s - zero_log_s(snapshot)
    level = 10.0 * np.log10(np.maximum(found.density[1:], 1e-12))  # NaN, drawn as nothing, where rows are missing
    axes = figure.subplots()
    low, high = np.nanpercentile(level, [20.0, 99.5])
    picture = axes.pcolormesh(time, frequency, level, cmap=AMOUNTS, vmin=low, vmax=high, shading="nearest", rasterized=True)
    name_pane(axes, "frequency (Hz)")
    axes.set_xlabel(time_label(snapshot))
    bar = figure.colorbar(picture, ax=axes)
    bar.set_label("dB, (m/s²)²/Hz")
    i, j = np.unravel_index(int(np.nanargmax(level)), level.shape)
    words = f"most power at {frequency[i]:.1f} Hz, {round(float(time[j]), 2) + 0.0:.2f} s"
    words += "; white where rows are missing" if found.is_gap.any() else ""
    return Drawn(
        f"Short-time spectrum of the specific force, three axes together (Hann windows of 0.4 s, three quarters overlapping): {words}.",
        f"Map of vibration over time and frequency; {words}.",
    )
