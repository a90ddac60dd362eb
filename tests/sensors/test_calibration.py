"""Calibration: the numbers, the file, and what the file may not say."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from replay.errors import SettingsError
from replay.sensors.calibration import (
    Calibration,
    CalibrationFile,
    accel_matrix,
    gyro_matrix,
    load_calibration,
    load_calibration_file,
    referred_to,
    save_calibration,
)
from replay.units import DEG, kelvin

FULL = Calibration(
    accel_bias_imu_mps2=(0.31, -0.02, 0.1),
    accel_scale=(1.01, 0.995, 1.002),
    accel_cross_axis=(0.003, -0.004, 0.005),
    accel_slope_imu_mps2_per_k=(0.001, 0.0, -0.002),
    gyro_bias_imu_radps=(0.3 * DEG, -0.7 * DEG, 0.1 * DEG),
    gyro_pad_bias=False,
    gyro_scale=(1.0, 1.014, 0.99),
    gyro_misalignment_rad=(0.5 * DEG, 0.0, -1.5 * DEG),
    gyro_slope_imu_radps_per_k=(0.01 * DEG, 0.0, 0.0),
    reference_temperature_k=kelvin(25.0),
    mount_rotation_rad=(0.0, 2.0 * DEG, 0.0),
)


def test_the_matrix_of_the_accelerometer_is_upper_triangular():
    """Scale on the diagonal; cross-axis xy, xz, yz above it, as the conventions page has it."""
    assert accel_matrix(FULL).tolist() == [[1.01, 0.003, -0.004], [0.0, 0.995, 0.005], [0.0, 0.0, 1.002]]


def test_the_matrix_of_the_gyro_turns_after_scaling():
    """R(misalignment) · diag(scale), the rotation as scipy has it."""
    expected = Rotation.from_rotvec(FULL.gyro_misalignment_rad).as_matrix() @ np.diag(FULL.gyro_scale)
    assert_allclose(gyro_matrix(FULL), expected, rtol=0, atol=1e-15)


def test_another_reference_temperature_changes_no_reading():
    """Bias and slope together take off the same at every temperature, and the way back leads to the same numbers."""
    other = referred_to(FULL, kelvin(47.0))
    for name in ("accel_bias_imu_mps2", "gyro_bias_imu_radps"):
        slope = name.replace("bias", "slope") + "_per_k"
        at = [np.array(getattr(c, name)) + np.array(getattr(c, slope)) * (310.0 - c.reference_temperature_k) for c in (FULL, other)]
        assert_allclose(at[1], at[0], rtol=0, atol=1e-12)
    assert other.accel_bias_imu_mps2 != FULL.accel_bias_imu_mps2
    assert_allclose(referred_to(other, FULL.reference_temperature_k).accel_bias_imu_mps2, FULL.accel_bias_imu_mps2, rtol=0, atol=1e-12)


def test_a_file_reads_back_equal(tmp_path):
    """Every number to the last digit, and in degrees where the file says degrees."""
    path = tmp_path / "c.toml"
    save_calibration(FULL, path)
    assert load_calibration(path) == FULL
    text = path.read_text(encoding="utf-8")
    assert "bias_degps = [0.3, -0.7, 0.1]" in text
    assert "misalignment_deg = [0.5, 0.0, -1.5]" in text
    assert "reference_c = 25.0" in text


@seed(3)
@settings(max_examples=60, deadline=None)
@given(values=st.lists(st.floats(-1.0, 1.0), min_size=6, max_size=6))
def test_any_numbers_read_back_equal(values, tmp_path_factory):
    """What is in SI in the file comes back equal; what goes through degrees, within the last bit."""
    path = tmp_path_factory.mktemp("c") / "c.toml"
    calibration = Calibration(gyro_bias_imu_radps=tuple(values[:3]), accel_bias_imu_mps2=tuple(values[3:]))
    save_calibration(calibration, path)
    back = load_calibration(path)
    assert back.accel_bias_imu_mps2 == calibration.accel_bias_imu_mps2
    assert_allclose(back.gyro_bias_imu_radps, calibration.gyro_bias_imu_radps, rtol=3e-16, atol=0)


def test_standard_deviations_and_what_is_undetermined_are_kept(tmp_path):
    """What a bench writes beside its numbers comes back, in SI, NaN where it did not solve."""
    path = tmp_path / "c.toml"
    file = CalibrationFile(
        FULL, {"gyro_bias_imu_radps": (0.01 * DEG, 0.02 * DEG, float("nan")), "accel_scale": (0.001, 0.001, 0.002)},
        ("gyro.scale[2]", "accelerometer.scale against gravity"), "six faces, \"indoors\"",
    )  # fmt: skip
    save_calibration(file, path)
    back = load_calibration_file(path)
    assert back.calibration == FULL
    assert_allclose(back.sd["gyro_bias_imu_radps"], file.sd["gyro_bias_imu_radps"], rtol=1e-12)
    assert back.sd["accel_scale"] == (0.001, 0.001, 0.002)
    assert set(back.sd) == set(file.sd)
    assert (back.undetermined, back.note) == (file.undetermined, file.note)


def test_how_errors_go_together_is_kept(tmp_path):
    """By name and axis, nine digits."""
    path = tmp_path / "c.toml"
    sd = {"accel_bias_imu_mps2": (0.02, 0.03, float("nan")), "gyro_scale": (float("nan"), 0.002, 0.003)}
    correlated = (("accel_bias_imu_mps2", 1), ("gyro_scale", 1), ("gyro_scale", 2))
    correlation = np.array([[1.0, -0.88, 0.1], [-0.88, 1.0, 0.25], [0.1, 0.25, 1.0]])
    save_calibration(CalibrationFile(FULL, sd, correlated=correlated, correlation=correlation), path)
    assert '"accelerometer.bias_mps2[1]"' in path.read_text(encoding="utf-8")
    back = load_calibration_file(path)
    assert back.correlated == correlated
    assert_allclose(back.correlation, correlation, atol=1e-9)


_SD = "format = 1\n[sd.gyro]\nscale = [0.01, 0.02, nan]\n[correlation]\n"


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('of = ["gyro.scala[0]"]\nrows = [[1.0]]\n', "gyro.scala"),
        ('of = ["gyro.scale[2]"]\nrows = [[1.0]]\n', "under [sd]"),
        ('of = ["gyro.scale[0]", "gyro.scale[0]"]\nrows = [[1.0, 0.5], [0.5, 1.0]]\n', "each number once"),
        ('of = ["gyro.scale[0]", "gyro.scale[1]"]\nrows = [[1.0, 0.5], [0.4, 1.0]]\n', "symmetric"),
        ('of = ["gyro.scale[0]", "gyro.scale[1]"]\nrows = [[1.0]]\n', "a correlation of 2"),
        ('of = ["gyro.scale[0]", "gyro.scale[1]"]\nrows = [[1.0, 1.5], [1.5, 1.0]]\n', "correlation.rows"),
    ],
)
def test_what_is_no_correlation_is_one_clear_error(tmp_path, table, says):
    """It names the file and the key."""
    path = tmp_path / "c.toml"
    path.write_text(_SD + table, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_calibration_file(path)
    assert says in str(caught.value) and "c.toml" in str(caught.value) and "\n" not in str(caught.value)


def test_what_is_absent_stays_neutral(tmp_path):
    """A file with one number changes one number."""
    path = tmp_path / "c.toml"
    path.write_text("format = 1\n[gyro]\nscale = [1.0, 1.0, 1.02]\n", encoding="utf-8")
    assert load_calibration(path) == dataclasses.replace(Calibration(), gyro_scale=(1.0, 1.0, 1.02))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 1\n[gyro]\nbias_degp = [0, 0, 0]\n", "gyro.bias_degps"),
        ("format = 1\n[giro]\nscale = [1, 1, 1]\n", "gyro"),
        ("format = 2\n", "format = 1"),
        ("[gyro]\nscale = [1, 1, 1]\n", "format = 1"),
        ("format = 1\n[gyro]\nscale = [1, 1]\n", "a list of 3"),
        ("format = 1\n[gyro]\nscale = [0, 1, 1]\n", "above 0"),
        ("format = 1\n[gyro]\npad_bias = 1\n", "true or false"),
        ("format = 1\n[temperature]\nreference_c = -300.0\n", "-273.15"),
        ("format = 1\n[sd.gyro]\nscale = [-1.0, 0, 0]\n", "at least 0"),
        ("format = 1\nundetermined = 3\n", "a list of texts"),
        ("format = 1\n[gyro\n", "TOML"),
    ],
)
def test_a_file_that_can_not_be_meant_is_one_clear_error(tmp_path, text, says):
    """The key, what was expected, and the nearest known key."""
    path = tmp_path / "c.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_calibration(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


def test_one_component_changes_by_name():
    """What a slider does."""
    assert Calibration().with_axis("accel_bias_imu_mps2", 1, 0.3).accel_bias_imu_mps2 == (0.0, 0.3, 0.0)
