"""The flight computer's side of the loop: levelling on the pad, gyro bias, and the steering law's numbers. To vertical only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.sensors.calibration import Calibration, accel_matrix, gyro_matrix
from replay.whatif.vehicle import Guidance

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Onboard:
    """What the flight computer believes at liftoff and how it turns raw gyro samples into body rates.

    Parameters
    ----------
    q_enu_from_body : ndarray, shape (4,)
    nose_ref_enu : ndarray, shape (3,)
        Nose direction it holds.
    rate_gain, rate_offset : ndarray, shape (3, 3) and (n, 3)
        rate_body = rate_gain @ raw + rate_offset, rad/s.
    """

    q_enu_from_body: Array
    nose_ref_enu: Array
    rate_gain: Array
    rate_offset: Array


def level_on_pad(
    calibration: Calibration, dcm_body_from_imu: Array, raw_imu: Array, temperature_k: Array, i_pad: slice, pad_azimuth_rad: float
) -> Onboard:
    """Level and read the gyro bias over a quiet window, as the flight computer does with the calibration it carries.

    Parameters
    ----------
    calibration : Calibration
        The one on board, right or wrong.
    dcm_body_from_imu : ndarray, shape (3, 3)
        Axis assignment as the computer has it.
    raw_imu : ndarray, shape (m, 6)
        Raw specific force (m/s2) and rate (rad/s) that cover `i_pad` at least.
    temperature_k : ndarray, shape (n,)
        Of every sample of the flight.
    i_pad : slice
        The quiet window.
    pad_azimuth_rad : float
        Declared heading of body +x.
    """
    warm = (temperature_k - calibration.reference_temperature_k)[:, None]
    accel = raw_imu[i_pad, :3] - np.array(calibration.accel_bias_imu_mps2)
    accel = accel - np.array(calibration.accel_slope_imu_mps2_per_k) * warm[i_pad]
    up_body = dcm_body_from_imu @ (accel_matrix(calibration) @ accel.mean(axis=0))
    gain = dcm_body_from_imu @ gyro_matrix(calibration)
    zero = np.array(calibration.gyro_bias_imu_radps) + np.array(calibration.gyro_slope_imu_radps_per_k) * warm
    pad_bias = (raw_imu[i_pad, 3:] - zero[i_pad]).mean(axis=0) if calibration.gyro_pad_bias else np.zeros(3)
    q = rotation.from_up_body(up_body, pad_azimuth_rad)
    return Onboard(q, rotation.rotate(q, [0.0, 0.0, 1.0]), gain, -(zero + pad_bias) @ gain.T)


def steering(guidance: Guidance | None, stop_s: float) -> tuple[float, ...]:
    """The loop's steering numbers; centred gimbal where there is no guidance. `stop_s` after liftoff the gimbal is centred again."""
    if guidance is None:
        return (0.0, 0.0, 0.0, -np.inf, np.inf, 0.0)
    upright = np.inf if guidance.upright_from_s is None else guidance.upright_from_s
    return (guidance.proportional, guidance.rate_s, guidance.start_s, stop_s, upright, guidance.upright_rate_radps)
