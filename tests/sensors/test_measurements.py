"""Log and calibration to body axes on one clock, with gaps, clipping and missing rows said."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from replay.errors import CannotEstimate
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import measure, prepare
from replay.sensors.mount import dcm_of_axes
from replay.sensors.noise import measured_on_pad
from replay.units import DEG, kelvin


class Straight:
    """A mount with given axes."""

    note = ""

    def __init__(self, axes=("+x", "+y", "+z")):
        self.dcm_body_from_imu = dcm_of_axes(axes)


def log_of(**channels):
    return FlightLog(("made.csv",), "", channels, ColumnMap())


def channel(name, time_s, values, gaps=(), **more):
    return Channel(name, np.array(time_s, dtype=float), np.array(values, dtype=float), "", np.array(gaps, dtype=np.int64), **more)


def imu(n=100, rate_hz=100.0, accel=(0.1, 0.2, 9.8), rate=(0.01, 0.02, 0.03), gaps=()):
    t = np.arange(n) / rate_hz
    return {
        "accel_raw_imu_mps2": channel("accel_raw_imu_mps2", t, np.tile(accel, (n, 1)), gaps),
        "rate_raw_imu_radps": channel("rate_raw_imu_radps", t, np.tile(rate, (n, 1)), gaps),
    }


def test_order_of_correction():
    """Bias first, then the matrix, then axes and mount: worked by hand."""
    calibration = Calibration(
        accel_bias_imu_mps2=(0.1, 0.0, 0.0), accel_scale=(2.0, 1.0, 1.0), accel_cross_axis=(0.5, 0.0, 0.0),
        gyro_bias_imu_radps=(0.0, 0.02, 0.0), gyro_scale=(1.0, 1.0, 3.0), gyro_misalignment_rad=(0.0, 0.0, np.pi / 2),
    )  # fmt: skip
    found = measure(log_of(**imu()), calibration, Straight(("-y", "+x", "+z")))
    # accel imu: (2·(0.1−0.1) + 0.5·0.2, 0.2, 9.8) = (0.1, 0.2, 9.8); body x = −imu y, body y = imu x
    assert_allclose(found.accel_body_mps2[0], [-0.2, 0.1, 9.8], rtol=0, atol=1e-15)
    # gyro imu: scaled (0.01, 0.0, 0.09), turned a quarter about z: (0, 0.01, 0.09)
    assert_allclose(found.rate_body_radps[0], [-0.01, 0.0, 0.09], rtol=0, atol=1e-15)


def test_temperature_slope():
    """slope · (T − reference), the sensor's temperature interpolated onto the gyro's clock and held at its ends."""
    channels = imu()
    channels["imu_temperature_k"] = channel("imu_temperature_k", [0.2, 0.4], [kelvin(20.0), kelvin(30.0)])
    calibration = Calibration(accel_slope_imu_mps2_per_k=(0.01, 0.0, 0.0), gyro_slope_imu_radps_per_k=(0.0, 0.001, 0.0))
    found = measure(log_of(**channels), calibration, Straight())
    expected_c = np.interp(found.log_time_s, [0.2, 0.4], [20.0, 30.0])
    assert_allclose(found.accel_body_mps2[:, 0], 0.1 - 0.01 * (expected_c - 20.0), rtol=0, atol=1e-12)
    assert_allclose(found.rate_body_radps[:, 1], 0.02 - 0.001 * (expected_c - 20.0), rtol=0, atol=1e-12)
    without = measure(log_of(**imu()), calibration, Straight())
    assert_allclose(without.accel_body_mps2[:, 0], 0.1)
    assert any("no sensor temperature" in note for note in without.notes)


def test_another_clock_is_interpolated_within_segments_only_and_said():
    """A slower accelerometer goes onto the gyro's clock; in its gap and outside it there is nothing."""
    gyro_s = np.arange(100) / 100.0
    accel_s = np.arange(0.105, 0.905, 0.02)
    accel_s[20:] += 0.2
    accel_s = accel_s[accel_s < 0.95]
    accel = np.column_stack((accel_s, accel_s**0, 9.8 + 0.0 * accel_s))
    log = log_of(
        rate_raw_imu_radps=channel("rate_raw_imu_radps", gyro_s, np.zeros((100, 3))),
        accel_raw_imu_mps2=channel("accel_raw_imu_mps2", accel_s, accel, gaps=[19]),
    )
    found = measure(log, Calibration(), Straight())
    inside = ((gyro_s >= accel_s[0]) & (gyro_s <= accel_s[19])) | ((gyro_s >= accel_s[20]) & (gyro_s <= accel_s[-1]))
    assert_array_equal(np.isfinite(found.accel_body_mps2[:, 0]), inside)
    assert_allclose(found.accel_body_mps2[inside, 0], gyro_s[inside], rtol=0, atol=1e-12)
    assert any("onto the gyro's clock" in note for note in found.notes)
    assert found.n_bad == np.count_nonzero(~inside)
    assert any("bridged" in note for note in found.notes)


@pytest.mark.parametrize("accel_hz", [83.0, 101.0, 250.0])
def test_noise_of_a_slower_accelerometer_is_its_own(accel_hz):
    """Interpolated samples differ little from their neighbours; the density on the pad is that of the samples that were taken."""
    rng = np.random.default_rng(3)
    gyro_s, accel_s = np.arange(5000) / 250.0, np.arange(round(20.0 * accel_hz)) / accel_hz
    sd = 0.05
    log = log_of(
        rate_raw_imu_radps=channel("rate_raw_imu_radps", gyro_s, 1e-3 * rng.standard_normal((5000, 3))),
        accel_raw_imu_mps2=channel("accel_raw_imu_mps2", accel_s, [0.0, 0.0, 9.8] + sd * rng.standard_normal((len(accel_s), 3))),
    )
    found = measured_on_pad(measure(log, Calibration(), Straight()), 1.0, 19.0)
    assert found.accel_nd_mps2_rthz == pytest.approx(sd / np.sqrt(accel_hz), rel=0.12)


def test_gaps_clipping_and_missing_rows_are_marked_and_said():
    """Nothing is resampled: the rows stay as they are, with marks beside them."""
    channels = imu(n=60, gaps=[29])
    accel = np.tile([0.0, 0.0, 9.8], (60, 1))
    accel[40:44, 2] = 156.9  # the same extreme four times: a limit nobody stated
    accel[50] = np.nan
    channels["accel_raw_imu_mps2"] = channel("accel_raw_imu_mps2", np.arange(60) / 100.0, accel, [29])
    rate = np.zeros((60, 3))
    rate[10, 1] = 1990.0 * DEG
    channels["rate_raw_imu_radps"] = channel("rate_raw_imu_radps", np.arange(60) / 100.0, rate, [29], full_scale=2000.0 * DEG)
    found = measure(log_of(**channels), Calibration(), Straight())
    assert np.flatnonzero(found.is_gap_before).tolist() == [30]
    assert np.flatnonzero(found.is_accel_clipped).tolist() == [40, 41, 42, 43]
    assert np.argwhere(found.is_rate_clipped_body).tolist() == [[10, 1]] and np.flatnonzero(found.is_rate_clipped).tolist() == [10]
    assert found.n_bad == 1 and found.n_samples == 60
    assert {"1 gap", "accelerometer clipped on 4 samples", "gyro clipped on 1 sample"} <= {n.split(":")[0] for n in found.notes}


def test_slow_sensors_keep_their_own_clock_and_lose_their_blank_rows():
    """Barometer, magnetometer and satellite position; a gap survives the row that named it."""
    channels = imu()
    pressure = np.array([101325.0, 101320.0, np.nan, 101300.0, 101290.0])
    channels["pressure_pa"] = channel("pressure_pa", [0.0, 0.2, 0.5, 0.6, 0.8], pressure, gaps=[1])
    channels["mag_raw_imu_t"] = channel("mag_raw_imu_t", [0.0, 0.5], [[1e-5, 2e-5, 3e-5], [np.nan, 0.0, 0.0]])
    channels["gnss_lat_lon_height"] = channel("gnss_lat_lon_height", [0.3], [[0.8, 0.1, 250.0]])
    found = measure(log_of(**channels), Calibration(), Straight(("-y", "+x", "+z")))
    assert found.pressure_pa.tolist() == [101325.0, 101320.0, 101300.0, 101290.0]
    assert found.baro_is_gap_before.tolist() == [False, False, True, False]
    assert_allclose(found.mag_body_t, [[-2e-5, 1e-5, 3e-5]])
    assert not found.mag_is_arbitrary
    channels["mag_raw_imu_t"] = dataclasses.replace(channels["mag_raw_imu_t"], unit="a.u.")
    assert measure(log_of(**channels), Calibration(), Straight()).mag_is_arbitrary  # a direction, no field strength
    assert found.gnss_lat_lon_height.tolist() == [[0.8, 0.1, 250.0]]


@pytest.mark.parametrize("missing", ["accel_raw_imu_mps2", "rate_raw_imu_radps"])
def test_without_gyro_or_accelerometer_there_is_one_clear_error(missing):
    """It says which is missing and what there is."""
    channels = imu()
    del channels[missing]
    with pytest.raises(CannotEstimate, match=r"no (gyro|accelerometer) channel"):
        prepare(log_of(**channels))


def test_prepared_changes_nothing_but_the_time_it_takes():
    """What is kept between edits gives the same arrays."""
    log = log_of(**imu())
    calibration = Calibration(accel_bias_imu_mps2=(0.1, 0.2, 0.3))
    a, b = measure(log, calibration, Straight()), measure(log, calibration, Straight(), prepare(log))
    assert_array_equal(a.accel_body_mps2, b.accel_body_mps2)
    assert a.log_time_s is b.log_time_s is log["rate_raw_imu_radps"].log_time_s
