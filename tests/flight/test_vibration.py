"""Tones, aliases and clipping."""

import numpy as np
import pytest
from flight_support import measured

from replay.errors import CannotEstimate
from replay.flight.vibration import alias_hz, clipped_gaussian_mean, clipped_mean, sources_hz, spectrogram, tones, vibration
from replay.whatif import sample


@pytest.mark.parametrize(("true", "rate", "shown"), [(440, 200, 40), (120, 200, 80), (390, 400, 10), (1020, 500, 20)])
def test_aliases_of_the_sampling_theorem(true, rate, shown):
    """|f − k·fs| (Shannon; numbers computed independently)."""
    assert alias_hz(true, rate) == shown
    assert any(abs(f - true) < 1e-9 for f in sources_hz(shown, rate))


@pytest.mark.parametrize(("mean", "amplitude", "expected"), [(10.0, 8.0, 9.6959840), (10.0, 20.0, 6.3451), (3.0, 15.0, 2.7793)])
def test_mean_of_a_clipped_sine(mean, amplitude, expected):
    """Limit 16 g-units: closed form, computed independently by two routes."""
    assert clipped_mean(mean, amplitude, 16.0) == pytest.approx(expected, abs=5e-5)
    t = np.linspace(0.0, 1.0, 200_001)
    assert np.mean(np.minimum(mean + amplitude * np.sin(2 * np.pi * t), 16.0)) == pytest.approx(expected, abs=1e-4)


def test_mean_of_clipped_gaussian_vibration():
    """m = 10, σ = 5, limit 16: 9.7194878."""
    assert clipped_gaussian_mean(10.0, 5.0, 16.0) == pytest.approx(9.7194878, abs=1e-7)


def test_two_tones_are_found_where_they_are():
    rng = np.random.default_rng(0)
    t = np.arange(0.0, 8.0, 0.004)
    values = rng.normal(0, 0.3, (len(t), 3))
    values[:, 0] += 1.5 * np.sin(2 * np.pi * 3.2 * t)
    values[:, 2] += 0.8 * np.sin(2 * np.pi * 47.3 * t)
    found = {f"{x.axis}": x for x in tones(t, values, "accelerometer")}
    for axis, frequency, amplitude, kind in (("x", 3.2, 1.5, "limit cycle"), ("z", 47.3, 0.8, "structure or motor")):
        assert abs(found[axis].frequency_hz - frequency) < 4.0 * found[axis].frequency_sd_hz
        assert found[axis].amplitude == pytest.approx(amplitude, rel=0.1)
        assert found[axis].kind == kind
    assert "y" not in found
    unguided = {x.axis: x.kind for x in tones(t, values, "accelerometer", is_guided=False)}
    assert unguided == {"x": "swing", "z": "structure or motor"}, "without a loop there is no limit cycle"


def test_noise_alone_has_no_tones():
    """Twenty white recordings give at most two lines between them."""
    t = np.arange(0.0, 8.0, 0.004)
    count = sum(len(tones(t, np.random.default_rng(s).normal(0, 1, (len(t), 3)), "gyro")) for s in range(20))
    assert count <= 2


def test_a_tone_near_half_the_rate_may_be_an_alias():
    t = np.arange(0.0, 4.0, 0.005)
    values = np.random.default_rng(1).normal(0, 0.1, (len(t), 3))
    values[:, 1] += np.sin(2 * np.pi * 112.0 * t)  # shows at 88 Hz
    tone = tones(t, values, "gyro")[0]
    assert tone.frequency_hz == pytest.approx(88.0, abs=0.3)
    assert tone.kind == "may be an alias"
    assert any(abs(f - 112.0) < 0.3 for f in tone.aliases_hz)


def test_spectrogram_follows_a_tone_that_starts_late():
    t = np.arange(0.0, 6.0, 0.004)
    values = np.random.default_rng(2).normal(0, 0.05, (len(t), 3))
    values[:, 0] += (t > 3.0) * np.sin(2 * np.pi * 30.0 * t)
    picture = spectrogram(t, values, "m/s²")
    k = int(np.argmin(np.abs(picture.frequency_hz - 30.0)))
    early, late = picture.density[k, picture.log_time_s < 2.5], picture.density[k, picture.log_time_s > 3.5]
    assert late.min() > 50.0 * early.max()


def test_spectrogram_covers_every_stretch_and_leaves_gaps_empty():
    """A hum on both sides of a tenth of a second without rows: found on both, nothing in between, the strength that of the whole record."""
    t = np.arange(0.0, 8.0, 0.004)
    hum = np.column_stack([np.sin(2 * np.pi * 30.0 * t), np.zeros(len(t)), np.zeros(len(t))])
    keep = (t < 5.0) | (t > 5.1)
    whole, broken = spectrogram(t, hum, "m/s²"), spectrogram(t[keep], hum[keep], "m/s²")
    assert not whole.is_gap.any()
    k = int(np.argmin(np.abs(whole.frequency_hz - 30.0)))
    at = broken.log_time_s
    sure = ~broken.is_gap
    assert sure[(at > 0.3) & (at < 4.7)].all() and sure[(at > 5.4) & (at < 7.7)].all()
    assert broken.is_gap[(at > 4.9) & (at < 5.2)].all()
    assert np.allclose(broken.density[k, sure], np.median(whole.density[k]), rtol=0.02)
    holed = hum.copy()
    holed[1250:1275] = np.nan
    assert np.array_equal(spectrogram(t, holed, "m/s²").is_gap, broken.is_gap)


def test_spectrogram_keeps_to_the_logs_own_clock():
    """Every fifth step of the logger is a fifth longer, no gap: a hum that starts at 70 s shows there, not where the usual step puts it."""
    steps = np.where(np.arange(7000) % 5 == 0, 0.012, 0.010)
    t = np.cumsum(steps)
    values = np.random.default_rng(4).normal(0, 0.05, (len(t), 3))
    values[:, 0] += (t > 70.0) * np.sin(2 * np.pi * 20.0 * t)
    picture = spectrogram(t, values, "m/s²")
    assert not picture.is_gap.any()
    k = int(np.argmin(np.abs(picture.frequency_hz - 20.0)))
    first = picture.log_time_s[picture.density[k] > 0.1 * np.nanmax(picture.density[k])][0]
    assert abs(first - 70.0) < 0.25


def test_spectrogram_without_a_window_in_one_piece_is_refused():
    t = np.delete(np.arange(0.0, 4.0, 0.004), np.arange(0, 1000, 50))
    with pytest.raises(CannotEstimate, match="no stretch without a gap"):
        spectrogram(t, np.zeros((len(t), 3)), "m/s²")


def test_a_short_stretch_is_refused():
    with pytest.raises(CannotEstimate, match="needs 64"):
        tones(np.arange(40) * 0.01, np.zeros((40, 3)), "gyro")


def test_the_hunting_flight_shows_its_limit_cycle():
    """A slow gimbal swings the vehicle at some 2.5 Hz; the clean flight shows no line of the loop in the gyro that strong."""
    amplitude = {}
    for name in ("soft_gimbal", "clean"):
        flight = sample.make(name, seed=5)
        _, solution, events = measured(flight)
        result = vibration(solution, events["liftoff"].log_time_s + 0.5, events["burnout"].log_time_s, None, None)
        loop = [x.amplitude for x in result.tones if x.sensor == "gyro" and x.kind == "limit cycle"]
        amplitude[name] = max(loop, default=0.0)
    assert amplitude["soft_gimbal"] > 0.15
    assert amplitude["soft_gimbal"] > 5.0 * amplitude["clean"]
