"""Bench calibration against worked numbers and a published recording."""

import numpy as np
from shared_data import shared_data

from replay import rotation
from replay.sensors.bench import six_face
from replay.sensors.calibration import upper_triangular
from replay.sensors.multiposition import fit_norms, multi_position

G0 = 9.80665


def test_six_position_worked_example():
    """Worked example computed independently (numpy), method of IEEE Std 1293: bias exact, inverse matrix to 1e-7."""
    readings = [
        (10.0247165, -0.2107734, 0.3803867),
        (-9.7847165, -0.2892266, 0.4196133),
        (0.1396133, 9.4095502, 0.4294199),
        (0.1003867, -9.9095502, 0.3705801),
        (0.0905800, -0.2401933, 10.4027830),
        (0.1494199, -0.2598067, -9.6027830),
    ]
    c = six_face(readings, G0).calibration
    matrix = rotation.to_dcm(rotation.from_rotvec(c.mount_rotation_rad)) @ upper_triangular(c.accel_scale, c.accel_cross_axis)
    expected = [[0.9901128, -0.0020193, 0.0029141], [-0.0040227, 1.0152397, -0.0010072], [0.0019532, -0.0029900, 0.9804008]]
    np.testing.assert_allclose(matrix, expected, atol=1e-7)
    np.testing.assert_allclose(c.accel_bias_imu_mps2, (0.12, -0.25, 0.40), atol=1e-7)


def test_norms_of_26_directions_lose_the_rotation():
    """The same matrix from lengths only: the symmetric factor comes back, a rotation of 0.0856 degrees is lost (computed independently)."""
    true = np.array([[1.010, 0.002, -0.003], [0.004, 0.985, 0.001], [-0.002, 0.003, 1.020]])
    directions = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)], dtype=float)
    directions *= G0 / np.linalg.norm(directions, axis=1, keepdims=True)
    parameters, _, share, residual = fit_norms(directions @ true.T + (0.12, -0.25, 0.40), G0)
    u = upper_triangular(parameters[:3], parameters[3:6])
    values, vectors = np.linalg.eigh(u.T @ u)
    symmetric = vectors @ np.diag(np.sqrt(values)) @ vectors.T
    np.testing.assert_allclose(np.diag(symmetric), (0.9901152, 1.0152396, 0.9804007), atol=2e-6)
    np.testing.assert_allclose(symmetric[[0, 0, 1], [1, 2, 2]], (-0.0030341, 0.0024350, -0.0019805), atol=2e-6)
    lost = symmetric @ true
    angle = np.degrees(np.linalg.norm(rotation.to_rotvec(rotation.from_dcm(lost))))
    assert abs(angle - 0.0856) < 5e-4
    assert share.max() < 0.1 and np.abs(residual).max() < 1e-4


def test_multi_position_recording_against_its_certificate():
    """Tedaldi, Pretto, Menegatti, ICRA 2014: unit certificate 415/413/415 counts per m/s² and 4778/4758/4766 per rad/s, local g 9.81744."""
    accel = np.loadtxt(shared_data("multiposition/xsens_acc.txt"))
    gyro = np.loadtxt(shared_data("multiposition/xsens_gyro.txt"))
    result = multi_position(accel[:, 0], accel[:, 1:], gyro[:, 1:], 9.81744)
    np.testing.assert_allclose(1.0 / np.array(result.calibration.accel_scale), (415, 413, 415), rtol=0.003)
    np.testing.assert_allclose(1.0 / np.array(result.calibration.gyro_scale), (4778, 4758, 4766), rtol=0.003)
    assert result.figures["norm residual RMS, m/s²"] <= 1.2e-3
    assert 36 <= len(result.poses) <= 42
