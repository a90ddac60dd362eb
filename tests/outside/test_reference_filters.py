"""The quick methods against filters that are not ours, on the same arrays.

Sources: the PyPI packages `ahrs` (gradient descent and complementary filter as their authors published them), `imufusion` (the
gradient-descent author's own later C code), `vqf` (its gyro strapdown), and scipy's Rotation and RotationSpline.
"""

import ahrs
import imufusion
import numpy as np
import pytest
import vqf
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation, RotationSpline

from replay import rotation
from replay.motion import estimate_attitude
from replay.units import DEG, STANDARD_GRAVITY_MPS2

FS = 200.0
SEED = 11


def angle_deg(p, q):
    return np.linalg.norm(rotation.to_rotvec(rotation.multiply(rotation.conjugate(p), q)), axis=-1) / DEG


def held_rates(rate, q_start):
    """Each sample's rate held over a step of its own, first sample included."""
    q, path = np.asarray(q_start), []
    for step in rotation.from_rotvec(rate / FS):
        q = rotation.multiply(q, step)
        path.append(q)
    return np.array(path)


@pytest.fixture(scope="module")
def tumble():
    """Ten seconds of smooth turning through random attitudes (scipy's rotation spline), with the gravity it would feel."""
    rng = np.random.default_rng(SEED)
    knots = np.linspace(0.0, 10.0, 21)
    steps = Rotation.from_rotvec(rng.uniform(-0.6, 0.6, (21, 3)))
    path = [Rotation.identity()]
    for step in steps[1:]:
        path.append(path[-1] * step)
    spline = RotationSpline(knots, Rotation.concatenate(path))
    time_s = np.arange(int(10.0 * FS) + 1) / FS
    truth = spline(time_s)
    rate = spline(time_s, 1)
    accel = truth.inv().apply([0.0, 0.0, STANDARD_GRAVITY_MPS2])
    return time_s, rate, accel, truth.as_quat(scalar_first=True)


def test_integrate_follows_a_rotation_spline(tumble):
    """scipy's spline through 21 attitudes, its rates as a gyro: back to the attitude within a thousandth of a degree."""
    time_s, rate, accel, truth = tumble
    found = estimate_attitude(time_s, rate, accel, "integrate", q_start=truth[0]).q_enu_from_body
    assert angle_deg(found, truth).max() < 1e-3


def test_one_step_is_scipys_rotation():
    """A constant rate over one step: Rotation.from_rotvec, to the last digits."""
    rng = np.random.default_rng(SEED)
    for rate in rng.uniform(-20.0, 20.0, (20, 3)):
        start = Rotation.random(rng=rng)
        found = estimate_attitude(
            [0.0, 0.05, 0.1], np.tile(rate, (3, 1)), np.tile([0, 0, 9.8], (3, 1)), "integrate", q_start=start.as_quat(scalar_first=True)
        )
        expected = (start * Rotation.from_rotvec(rate * 0.1)).as_quat(scalar_first=True)
        assert_allclose(angle_deg(found.q_enu_from_body[-1], expected), 0.0, atol=1e-12)


def test_gradient_is_the_published_filter(tumble):
    """`ahrs` steps the published equations in Python: the same attitude at every sample.

    The force is shaken a little: without an error the direction of the step is rounding noise in both.
    """
    time_s, rate, accel, truth = tumble
    accel = accel + np.random.default_rng(SEED).normal(scale=0.3, size=accel.shape)
    for gain in (1e-6, 0.033, 0.3):
        theirs = ahrs.filters.Madgwick(gyr=rate, acc=accel, frequency=FS, gain_imu=gain, q0=truth[0]).Q
        ours = estimate_attitude(time_s, rate, accel, "gradient", q_start=theirs[0], gain_radps=gain).q_enu_from_body
        assert angle_deg(ours, theirs).max() < 1e-5


def test_complementary_is_the_published_filter(tumble):
    """`ahrs` steps the same law to first order: apart by the step's second order and no more, and by less at a finer step."""
    time_s, rate, accel, truth = tumble
    theirs = ahrs.filters.Mahony(gyr=rate, acc=accel, frequency=FS, k_P=0.8, k_I=0.1, q0=truth[0]).Q
    ours = estimate_attitude(
        time_s, rate, accel, "complementary", q_start=theirs[0], gain_per_s=0.8, bias_gain_per_s2=0.1
    ).q_enu_from_body  # fmt: skip
    apart = angle_deg(ours, theirs)
    turned = np.linalg.norm(rate, axis=1).max() / FS
    assert apart.max() < 10.0 * FS * turned**3 / 12.0 / DEG
    assert angle_deg(ours[-400:], truth[-400:]).max() < 2.0


def test_gyro_only_agrees_with_imufusion(tumble):
    """Its gain set to zero: both are gyro only, and differ by its single-precision first-order steps."""
    time_s, rate, accel, truth = tumble
    theirs = imufusion.Ahrs()
    settings = imufusion.AhrsSettings()
    settings.convention = imufusion.CONVENTION_ENU
    settings.gain = 0.0
    theirs.set_settings(settings)
    theirs.set_sample_period(1.0 / FS)
    theirs.skip_startup()
    theirs.set_quaternion(truth[0])
    found = []
    for w, f in zip(rate, accel, strict=True):
        theirs.update_no_magnetometer(w / DEG, f / STANDARD_GRAVITY_MPS2)
        found.append(theirs.get_quaternion())
    found = np.array(found)
    assert angle_deg(held_rates(rate, truth[0]), found).max() < 0.02, "the same held rates, but for single precision"
    ours = estimate_attitude(time_s, rate, accel, "integrate", q_start=truth[0]).q_enu_from_body
    assert angle_deg(ours, found).max() < 1.0, "held rates are half a step late"


def test_gyro_only_agrees_with_vqf(tumble):
    """Its strapdown takes the newest rate over each step: ours with the same held rates is the same to the last digits."""
    time_s, rate, accel, _ = tumble
    theirs = vqf.VQF(1.0 / FS, motionBiasEstEnabled=False, restBiasEstEnabled=False).updateBatchFullState(rate.copy(), accel.copy())[
        "gyrQuat"
    ]
    assert angle_deg(held_rates(rate, [1.0, 0.0, 0.0, 0.0]), theirs).max() < 1e-6
    ours = estimate_attitude(time_s, rate, accel, "complementary", q_start=theirs[0], gain_per_s=0.0).q_enu_from_body
    assert angle_deg(ours, theirs).max() < 1e-6
    smooth = estimate_attitude(time_s, rate, accel, "integrate", q_start=theirs[0]).q_enu_from_body
    assert 1e-3 < angle_deg(smooth, theirs).max() < 1.0, "held rates are half a step late"
