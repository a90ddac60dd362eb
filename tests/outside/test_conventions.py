"""Attitude conventions against textbook numbers and scipy, and the traps that make a wrong convention show itself.

Sources: J. Diebel, Representing Attitude, Stanford 2006 (sequences, body rates to angle rates); M. D. Shuster, A Survey of Attitude
Representations, J. Astronautical Sci. 41(4), 1993; J. Sola, arXiv:1711.02508 (Hamilton and flipped products); F. L. Markley et al.,
Averaging Quaternions, JGCD 30(4), 2007. Numbers recomputed with scipy's Rotation, an implementation that is not ours.
"""

import numpy as np
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from replay import rotation
from replay.motion import estimate_attitude
from replay.units import DEG

YPR = np.array([30.0, 20.0, 10.0])
Q_ZYX = (0.9515485246, 0.0381345765, 0.1893078574, 0.2392983377)
DCM_ZYX = [
    [0.8137976813, -0.4409696105, 0.3785223064],
    [0.4698463104, 0.8825641193, 0.0180283112],
    [-0.3420201433, 0.1631759112, 0.9254165784],
]


def about(axis: int, angle_deg: float) -> np.ndarray:
    rotvec = np.zeros(3)
    rotvec[axis] = angle_deg * DEG
    return rotation.from_rotvec(rotvec)


def zyx() -> np.ndarray:
    return rotation.multiply(rotation.multiply(about(2, 30.0), about(1, 20.0)), about(0, 10.0))


def angle_between_deg(p: np.ndarray, q: np.ndarray) -> float:
    return float(np.linalg.norm(rotation.to_rotvec(rotation.multiply(rotation.conjugate(p), q)))) / DEG


def test_the_product_is_hamiltons():
    """Hamilton: ij = k; the flipped order gives another result."""
    p, q = np.array([1.0, 2.0, 3.0, 4.0]), np.array([5.0, 6.0, 7.0, 8.0])
    assert rotation.multiply(p, q).tolist() == [-60.0, 12.0, 30.0, 24.0]
    assert rotation.multiply(q, p).tolist() == [-60.0, 20.0, 14.0, 32.0]


def test_yaw_pitch_roll_to_quaternion_and_matrix():
    """The 3-2-1 sequence of 30, 20, 10 degrees."""
    assert_allclose(zyx(), Q_ZYX, rtol=0, atol=1e-10)
    assert_allclose(rotation.to_dcm(zyx()), DCM_ZYX, rtol=0, atol=1e-10)
    assert_allclose(rotation.from_dcm(DCM_ZYX), Q_ZYX, rtol=0, atol=1e-9)
    assert_allclose(zyx(), Rotation.from_euler("ZYX", YPR, degrees=True).as_quat(scalar_first=True), rtol=0, atol=1e-15)


def test_rotation_vector():
    """Axis times angle of the same rotation."""
    vector = rotation.to_rotvec(zyx())
    assert_allclose(vector, [0.0775253166, 0.3848515688, 0.48647923], rtol=0, atol=1e-8)
    assert_allclose(np.linalg.norm(vector) / DEG, 35.8171012, rtol=0, atol=1e-7)


def test_tilt_azimuth_and_roll_of_the_same_rotation():
    """Swing-twist about body z; the compass azimuth is 90 degrees less the angle from x that textbooks print."""
    assert_allclose(rotation.tilt(zyx()) / DEG, 22.2687447, rtol=0, atol=1e-6)
    assert_allclose(rotation.roll(zyx()) / DEG, 28.2323807, rtol=0, atol=1e-6)
    assert_allclose(rotation.tilt_azimuth(zyx()) / DEG, 90.0 - 2.7268304, rtol=0, atol=1e-6)


def test_the_wrong_order_shows():
    """Intrinsic x-y-z taken for z-y-x is 11.97381 degrees off."""
    wrong = rotation.multiply(rotation.multiply(about(0, 10.0), about(1, 20.0)), about(2, 30.0))
    assert_allclose(angle_between_deg(wrong, zyx()), 11.97381, rtol=0, atol=1e-4)


def test_the_transpose_shows():
    """A matrix taken for its transpose is 71.63420 degrees off."""
    assert_allclose(angle_between_deg(rotation.from_dcm(np.transpose(DCM_ZYX)), zyx()), 71.63420, rtol=0, atol=1e-4)


def test_a_third_of_a_turn_about_the_diagonal():
    """x to y to z to x; the same as a quarter about x after a quarter about y."""
    q = rotation.from_rotvec(np.full(3, 120.0 * DEG / np.sqrt(3.0)))
    assert_allclose(q, [0.5, 0.5, 0.5, 0.5], rtol=0, atol=1e-12)
    assert_allclose(rotation.rotate(q, np.eye(3)), [[0, 1, 0], [0, 0, 1], [1, 0, 0]], rtol=0, atol=1e-12)
    assert_allclose(rotation.multiply(about(0, 90.0), about(1, 90.0)), q, rtol=0, atol=1e-12)


def test_body_rates_turn_the_angles_as_the_handbook_says():
    """Roll 10, pitch 20 degrees, body rates (10, 20, 30) deg/s give angle rates (22.0172766, 14.4867097, 35.1361662) deg/s."""
    step = 1e-5
    q0 = rotation.multiply(about(1, 20.0), about(0, 10.0))
    q1 = rotation.multiply(q0, rotation.from_rotvec(np.array([10.0, 20.0, 30.0]) * DEG * step))
    before, after = (Rotation.from_quat(q, scalar_first=True).as_euler("ZYX", degrees=True) for q in (q0, q1))
    assert_allclose((after - before)[::-1] / step, [22.0172766, 14.4867097, 35.1361662], rtol=0, atol=2e-4)


def test_the_mean_of_rotations_is_not_the_mean_of_angles():
    """Markley's mean of 10, 20, 60 degrees about one axis is 29.6782975 degrees: the largest eigenvector of the sum of q qᵀ."""
    q = np.stack([about(2, a) for a in (10.0, 20.0, 60.0)])
    _, vectors = np.linalg.eigh(q.T @ q)
    assert_allclose(np.abs(rotation.roll(vectors[:, -1] * np.sign(vectors[0, -1]))) / DEG, 29.6782975, rtol=0, atol=1e-6)


def test_exact_steps_do_not_lag_where_first_order_ones_do():
    """360 deg/s at 100 Hz for 10 s: first order and renormalise lags N(2 atan(wh/2) − wh) = −1.1836517 degrees, ours nothing."""
    n, h, w = 1000, 0.01, 2.0 * np.pi
    time_s, rate = h * np.arange(n + 1), np.tile([0.0, 0.0, w], (n + 1, 1))
    q = np.array([1.0, 0.0, 0.0, 0.0])
    for _ in range(n):
        q = rotation.normalise(q + 0.5 * h * rotation.multiply(q, [0.0, 0.0, 0.0, w]))
    assert_allclose(rotation.roll(q) / DEG, -1.1836517, rtol=0, atol=1e-6)
    assert_allclose(n * (2.0 * np.arctan(w * h / 2.0) - w * h) / DEG, -1.1836517, rtol=0, atol=1e-7)
    up = np.tile([0.0, 0.0, 9.8], (n + 1, 1))
    ours = estimate_attitude(time_s, rate, up, "integrate").q_enu_from_body
    assert abs(rotation.roll(ours[-1])) / DEG < 1e-9
    # the gradient filter takes first-order steps, as flight computers do: the same lag
    stepped = estimate_attitude(time_s, rate, up, "gradient", gain_radps=0.0).q_enu_from_body
    assert_allclose(rotation.roll(stepped[-1]) / DEG, -1.1836517, rtol=0, atol=1e-6)


def test_the_launch_pad_is_no_singularity():
    """With the long axis on body x the 3-2-1 yaw of a vehicle 0.1 degrees off vertical jumps by 90 degrees; ours does not."""
    yaws, rolls = [], []
    for azimuth in (0.0, 90.0, 180.0, 270.0):
        q = rotation.from_tilt(0.1 * DEG, azimuth * DEG)
        rolls.append(rotation.roll(q) / DEG)
        nose_on_x = rotation.multiply(q, about(1, -90.0))
        yaws.append(Rotation.from_quat(nose_on_x, scalar_first=True).as_euler("ZYX", degrees=True)[0])
    assert np.ptp(np.unwrap(np.radians(yaws))) / DEG > 260.0
    assert_allclose(rolls, 0.0, rtol=0, atol=1e-12)


def test_specific_force_points_up_at_rest():
    """An upright vehicle at rest reads (0, 0, +g), and that levels to the identity; −g would be upside down."""
    time_s = np.arange(20) * 0.01
    for sign, tilt_deg in ((1.0, 0.0), (-1.0, 180.0)):
        accel = np.tile([0.0, 0.0, sign * 9.81], (20, 1))
        q = estimate_attitude(time_s, np.zeros((20, 3)), accel, "integrate").q_enu_from_body
        assert_allclose(rotation.tilt(q[0]) / DEG, tilt_deg, rtol=0, atol=1e-9)


def test_small_angles_by_arctangent():
    """acos(w) of a turn of 1e-9 rad reads nothing; 2 atan2(|v|, w) reads it all."""
    q = rotation.from_rotvec([1e-9, 0.0, 0.0])
    assert 2.0 * np.arccos(q[0]) == 0.0
    assert_allclose(rotation.to_rotvec(q)[0], 1e-9, rtol=1e-12)


unit = st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=3).filter(lambda v: np.linalg.norm(v) > 0.05)


@seed(1)
@settings(max_examples=200, deadline=None)
@given(axis=unit, angle=st.floats(0.0, np.pi), other=unit)
def test_any_rotation_agrees_with_scipy(axis, angle, other):
    """Vector to quaternion, product, rotation, matrix and back."""
    rotvec = np.array(axis) / np.linalg.norm(axis) * angle
    p, q = Rotation.from_rotvec(rotvec), Rotation.from_rotvec(other)
    ours_p, ours_q = rotation.from_rotvec(rotvec), rotation.from_rotvec(other)
    assert_allclose(ours_p, p.as_quat(scalar_first=True), rtol=0, atol=1e-14)
    assert_allclose(rotation.to_dcm(rotation.multiply(ours_p, ours_q)), (p * q).as_matrix(), rtol=0, atol=1e-13)
    assert_allclose(rotation.rotate(ours_p, other), p.apply(other), rtol=0, atol=1e-13)
    assert_allclose(rotation.to_dcm(rotation.from_dcm(p.as_matrix())), p.as_matrix(), rtol=0, atol=1e-12)
    assert_allclose(rotation.from_rotvec(rotation.to_rotvec(ours_p))[0], np.abs(ours_p[0]), rtol=0, atol=1e-13)
