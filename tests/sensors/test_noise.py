"""Noise read on the pad, and defaults that are named."""

import numpy as np
import pytest
from motion_records import measurements

from replay.sensors.noise import ImuNoise, measured_on_pad, white_density
from replay.units import DEG


@pytest.mark.parametrize("rate_hz", [50.0, 1000.0])
def test_white_density_does_not_depend_on_the_rate(rate_hz):
    """sd √dt, seen through a slow sway that is no noise."""
    rng = np.random.default_rng(4)
    time_s = np.arange(int(20.0 * rate_hz)) / rate_hz
    values = 0.01 * np.sqrt(rate_hz) * rng.standard_normal((len(time_s), 3)) + 0.05 * np.sin(time_s)[:, None]
    assert white_density(time_s, values) == pytest.approx(0.01, rel=0.1)


def test_measured_where_the_pad_shows_it_and_named_where_not():
    """Densities and barometer from the window; what a window can't show stays a named default."""
    rng = np.random.default_rng(5)
    time_s = np.arange(2000) / 200.0
    record = measurements(
        time_s, rng.normal(scale=0.02, size=(2000, 3)) + (0, 0, 9.8), rng.normal(scale=0.1 * DEG, size=(2000, 3)),
        baro_log_time_s=time_s[::4], pressure_pa=101325.0 + rng.normal(scale=4.0, size=500),
    )  # fmt: skip
    noise = measured_on_pad(record, 1.0, 9.0)
    assert noise.gyro_nd_radps_rthz == pytest.approx(0.1 * DEG / np.sqrt(200.0), rel=0.1)
    assert noise.accel_nd_mps2_rthz == pytest.approx(0.02 / np.sqrt(200.0), rel=0.1)
    assert noise.baro_sd_m == pytest.approx(4.0 * 0.0843, rel=0.15)
    assert "accel_bias_sd_mps2" in noise.defaulted
    assert not {"gyro_nd_radps_rthz", "accel_nd_mps2_rthz", "baro_sd_m"} & noise.defaulted


def test_too_short_a_window_keeps_the_defaults():
    """Nineteen samples are no spectrum."""
    record = measurements(np.arange(19) / 100.0, (0.0, 0.0, 9.8))
    noise = measured_on_pad(record, 0.0, 1.0)
    assert noise.gyro_nd_radps_rthz == ImuNoise().gyro_nd_radps_rthz
    assert "gyro_nd_radps_rthz" in noise.defaulted
