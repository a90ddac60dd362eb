"""Actuator identification against its recipe with known truth (numbers computed independently; method: Ljung 1999)."""

import numpy as np
import pytest

from replay.errors import CannotEstimate
from replay.flight.actuator import correlation_peak_s, identify, lagged

STEP_S = 0.002


def recipe(noise):
    """±5° random steps held for 25 samples, seed 1, 2500 samples, 10 samples of delay, 30 ms of lag."""
    rng = np.random.default_rng(1)
    command = np.repeat(np.concatenate(([0.0], rng.choice([-5.0, 5.0], 99))), 25)
    pole = np.exp(-STEP_S / 0.03)
    response = np.zeros(len(command))
    for k in range(1, len(command)):
        response[k] = pole * response[k - 1] + (1.0 - pole) * (command[k - 11] if k >= 11 else 0.0)
    return command, response + rng.normal(0.0, noise, len(command))


def test_pole_of_the_servo():
    """τ = 30 ms at 2 ms: pole 0.9355069850, input 0.0644930150."""
    step = lagged(np.concatenate(([0.0, 0.0], np.ones(6))), STEP_S, 0.03, 0.0)
    assert step[3] == pytest.approx(0.0644930150, abs=1e-10)
    assert (step[4] - 1.0) / (step[3] - 1.0) == pytest.approx(0.9355069850, abs=1e-9)


def test_output_error_fit_is_not_biased_by_noise():
    """0.05° of noise: 30.0 ms within three of its own sigmas (about 0.02 ms), gain 1 within 0.001, delay 20 ms."""
    fit = identify(*recipe(0.05), STEP_S)
    assert abs(fit.time_constant_s - 0.030) < 3.0 * fit.time_constant_sd_s
    assert 0.005e-3 < fit.time_constant_sd_s < 0.2e-3
    assert fit.gain == pytest.approx(1.0, abs=1e-3)
    assert fit.delay_s == pytest.approx(0.020, abs=2e-4)


def test_correlation_peak_is_neither_delay_nor_delay_plus_lag():
    """It peaks near 39 ms: not the delay of 20 ms, not 50 ms."""
    peak = correlation_peak_s(*recipe(0.05), STEP_S)
    assert 0.033 < peak < 0.046
    assert abs(peak - 0.020) > 0.01 and abs(peak - 0.050) > 0.003


def test_equation_error_is_biased_low():
    """The ARX fit at the true delay is exact without noise and reads too short a lag with it: why it is not used."""
    found = []
    for noise in (0.0, 0.2):
        u, y = recipe(noise)
        design = np.column_stack((y[11:-1], u[1 : len(y) - 11]))
        pole, gain = np.linalg.lstsq(design, y[12:], rcond=None)[0]
        found.append((-STEP_S / np.log(pole), gain))
    assert found[0][0] == pytest.approx(0.030, abs=1e-9) and found[0][1] == pytest.approx(0.0644930150, abs=1e-9)
    assert found[1][0] < 0.0297


def test_errors_lie_inside_their_sigmas_over_seeds():
    """Twenty-four noises: root mean square of error over sigma between 0.7 and 1.4 for lag and gain."""
    command, clean = recipe(0.0)
    pulls = []
    for seed in range(24):
        fit = identify(command[:1000], clean[:1000] + np.random.default_rng(seed).normal(0, 0.2, 1000), STEP_S)
        pulls.append(((fit.time_constant_s - 0.03) / fit.time_constant_sd_s, (fit.gain - 1.0) / fit.gain_sd))
    assert np.all((np.sqrt(np.mean(np.square(pulls), axis=0)) > 0.7) & (np.sqrt(np.mean(np.square(pulls), axis=0)) < 1.4))


def test_a_still_command_is_refused():
    with pytest.raises(CannotEstimate, match="hardly moves"):
        identify(np.zeros(100), np.zeros(100), STEP_S)
