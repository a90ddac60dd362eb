"""What the logger's sensors make of the truth: inertial sensor, barometer, battery, temperature. Seeded, one stream of draws per sensor.

The inertial sensor is a *point sample* of the smooth rigid-body motion: the body has nothing above some 20 Hz, so a sensor's own
low-pass would change nothing but its delay, which good loggers take off the stamp. Motor vibration is added as it reads after
sampling: two tones in proportion to thrust, zero-mean, so that they carry no velocity away. Noise figures are those of a good
consumer part; quantisation is that of a 16-bit converter.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.atmosphere import EARTH_RADIUS_M, EXPONENT, LAPSE_K_PER_M
from replay.sensors.calibration import Calibration, accel_matrix, gyro_matrix
from replay.sensors.mount import dcm_of_axes
from replay.units import DEG, STANDARD_GRAVITY_MPS2, kelvin
from replay.whatif.wind import gauss_markov

Array = NDArray[np.float64]
Vec3 = tuple[float, float, float]


@dataclass(frozen=True)
class ImuErrors:
    """Errors of the inertial sensor. `calibration` is the true one: applied to the log it gives back the truth, noise apart.

    `gyro_turn_on_bias_imu_radps` is what the reading on the pad takes off. Noise densities are one-sided; the in-run instabilities
    are the standard deviation of a Gauss-Markov process of 100 s.
    """

    calibration: Calibration = field(default_factory=Calibration)
    axes: tuple[str, str, str] = ("+x", "+y", "+z")
    gyro_turn_on_bias_imu_radps: Vec3 = (0.35 * DEG, -0.22 * DEG, 0.15 * DEG)
    accel_nd_mps2_rthz: float = 100e-6 * STANDARD_GRAVITY_MPS2
    gyro_nd_radps_rthz: float = 0.005 * DEG
    accel_instability_mps2: float = 40e-6 * STANDARD_GRAVITY_MPS2
    gyro_instability_radps: float = 3.0 * DEG / 3600.0
    accel_range_mps2: float = 32.0 * STANDARD_GRAVITY_MPS2
    gyro_range_radps: float = 2000.0 * DEG
    vibration_mps2: float = 2.5
    vibration_radps: float = 1.0 * DEG

    @property
    def dcm_body_from_imu(self) -> Array:
        """Axis assignment, then the true mount rotation, shape (3, 3)."""
        mount = rotation.to_dcm(rotation.from_rotvec(self.calibration.mount_rotation_rad))
        return np.asarray(mount @ dcm_of_axes(self.axes))

    @property
    def resolution(self) -> tuple[float, float, float, float]:
        """Step and range of accelerometer and gyro, SI."""
        return (self.accel_range_mps2 / 32768.0, self.accel_range_mps2, self.gyro_range_radps / 32768.0, self.gyro_range_radps)

    def gains(self) -> tuple[Array, Array]:
        """Matrices from body axes to raw imu axes, accelerometer and gyro, each (3, 3)."""
        imu_from_body = self.dcm_body_from_imu.T
        return np.linalg.inv(accel_matrix(self.calibration)) @ imu_from_body, np.linalg.inv(gyro_matrix(self.calibration)) @ imu_from_body

    def offsets(self, time_s: Array, temperature_k: Array, thrust_share: Array, seed: tuple[int, ...]) -> tuple[Array, Array]:
        """Biases, temperature slopes, noise, instability and vibration of one flight, raw imu axes, each (n, 3).

        `thrust_share` is thrust over its peak, per sample; `seed` picks the draws.
        """
        c, warm = self.calibration, (temperature_k - self.calibration.reference_temperature_k)[:, None]
        turn_on = np.array(self.gyro_turn_on_bias_imu_radps)
        accel = np.array(c.accel_bias_imu_mps2) + np.array(c.accel_slope_imu_mps2_per_k) * warm
        rate = np.array(c.gyro_bias_imu_radps) + turn_on + np.array(c.gyro_slope_imu_radps_per_k) * warm
        accel_noise = (self.accel_nd_mps2_rthz, self.accel_instability_mps2, self.vibration_mps2)
        rate_noise = (self.gyro_nd_radps_rthz, self.gyro_instability_radps, self.vibration_radps)
        return (
            accel + _noise(time_s, *accel_noise, thrust_share, np.random.default_rng((*seed, 0))),
            rate + _noise(time_s, *rate_noise, thrust_share, np.random.default_rng((*seed, 1))),
        )


def _noise(time_s: Array, density: float, instability: float, vibration: float, thrust_share: Array, random: np.random.Generator) -> Array:
    """White noise, in-run instability from zero at power-on, and motor vibration, shape (n, 3)."""
    n, period = len(time_s), float(time_s[1] - time_s[0])
    white = density * np.sqrt(0.5 / period) * random.standard_normal((n, 3))
    drift = instability * gauss_markov(n, period, 100.0, random, width=3)
    phase = random.uniform(0.0, 2.0 * np.pi, (2, 3))
    tones = 0.7 * np.sin(2.0 * np.pi * 143.0 * time_s[:, None] + phase[0]) + 0.3 * np.sin(2.0 * np.pi * 61.0 * time_s[:, None] + phase[1])
    return np.asarray(white + (drift - drift[0]) + vibration * thrust_share[:, None] * tones)


def sensed(truth_body: Array, gain: Array, offset: Array, lsb: float, limit: float) -> Array:
    """Raw samples of many truths at once, shape (n, 3). Slow twin of the loop's own `sense`.

    `truth_body` (n, 3) in body axes, `gain` (3, 3) into imu axes, `offset` (n, 3) or (3,) after it; resolution `lsb` (0 for none) and
    range `limit` in the same SI unit.
    """
    raw = np.clip(truth_body @ gain.T + offset, -limit, limit)
    return np.floor(raw / lsb + 0.5) * lsb if lsb > 0.0 else raw


@dataclass(frozen=True)
class Air:
    """Pressure, temperature and gravity at the pad."""

    pressure_pa: float
    temperature_k: float
    gravity_mps2: float


@dataclass(frozen=True)
class Housekeeping:
    """Temperature, battery and barometer of one logger, in the units of the names (`_rts`: per root second).

    Temperatures go from start to end exponentially with `warm_up_s`. The servo draws current with gimbal speed and holding angle;
    the battery sags over its resistance. The barometer lags to first order, sees the ejection charge, and wanders with the weather.
    """

    temperature_start_k: float = kelvin(20.0)
    temperature_end_k: float = kelvin(21.5)
    warm_up_s: float = 60.0
    battery_open_v: float = 8.12
    battery_resistance_ohm: float = 0.11
    idle_current_a: float = 0.16
    servo_current_a_per_radps: float = 0.55
    holding_current_a_per_rad: float = 3.0
    pressure_noise_pa: float = 1.6
    pressure_walk_pa_rts: float = 0.0
    pressure_lag_s: float = 0.04
    ejection_spike_pa: float = 0.0

    def temperature_k(self, log_time_s: Array) -> Array:
        """Of the sensors, K, shape of `log_time_s`."""
        return self.temperature_end_k + (self.temperature_start_k - self.temperature_end_k) * np.exp(-log_time_s / self.warm_up_s)

    def power(self, gimbal_rad: Array, period_s: float, random: np.random.Generator) -> tuple[Array, Array]:
        """Battery voltage and current, each (n,)."""
        speed = np.abs(np.gradient(gimbal_rad, period_s, axis=0)).sum(axis=1)
        holding = np.abs(gimbal_rad).sum(axis=1)
        current = self.idle_current_a + self.servo_current_a_per_radps * speed + self.holding_current_a_per_rad * holding
        current = current + 0.01 * random.standard_normal(len(current))
        voltage = self.battery_open_v - self.battery_resistance_ohm * current + 0.004 * random.standard_normal(len(current))
        return voltage, current

    def pressure_pa(self, log_time_s: Array, height_m: Array, air: Air, deployment_log_s: float, random: np.random.Generator) -> Array:
        """What the barometer reads, shape (n,): lagged, with noise, drift and the ejection spike. `height_m` is above the pad."""
        from scipy.signal import lfilter

        climb = height_m * (1.0 - height_m / EARTH_RADIUS_M) * (air.gravity_mps2 / STANDARD_GRAVITY_MPS2)
        true = air.pressure_pa * (1.0 - LAPSE_K_PER_M * climb / air.temperature_k) ** EXPONENT
        if np.isfinite(deployment_log_s):
            since = log_time_s - deployment_log_s
            true = true + np.where(since >= 0.0, self.ejection_spike_pa * np.exp(-np.maximum(since, 0.0) / 0.08), 0.0)
        pole = np.exp(-(log_time_s[1] - log_time_s[0]) / self.pressure_lag_s) if self.pressure_lag_s > 0.0 else 0.0
        lagged, _ = lfilter([1.0 - pole], [1.0, -pole], true, zi=[pole * true[0]])
        shown = np.asarray(lagged) + self.pressure_noise_pa * random.standard_normal(len(lagged))
        if self.pressure_walk_pa_rts > 0.0:
            steps = np.sqrt(np.diff(log_time_s, prepend=log_time_s[0])) * random.standard_normal(len(shown))
            shown += self.pressure_walk_pa_rts * np.cumsum(steps)
        return shown
