"""Solution: attitude, velocity and position of one flight by one method, with what it leaned on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.sensors.calibration import Calibration

Array = NDArray[np.float64]

PHASES = ("pad", "boost", "coast", "descent", "landed")
"""Phase names; the phase code of a sample is its index here."""


@dataclass(frozen=True)
class Events:
    """Times of the flight's events on the log's clock, s; NaN where the record can't tell.

    `liftoff` to `touchdown` bound the five phases. The standard deviations are filled by `flight.phases`.
    """

    liftoff_log_s: float = float("nan")
    burnout_log_s: float = float("nan")
    apogee_log_s: float = float("nan")
    deployment_log_s: float = float("nan")
    touchdown_log_s: float = float("nan")
    rest_log_s: float = float("nan")

    def phase_of(self, log_time_s: Array) -> NDArray[np.uint8]:
        """Phase code of each time, shape (n,) for `log_time_s` (n,): pad before liftoff, and so on; an unknown event never begins."""
        code = np.zeros(np.shape(log_time_s), dtype=np.uint8)
        bounds = (self.liftoff_log_s, self.burnout_log_s, self.apogee_log_s, self.touchdown_log_s)
        for i, start in enumerate(bounds, start=1):
            if np.isfinite(start):
                code[np.asarray(log_time_s) >= start] = i
        return code


@dataclass(frozen=True, eq=False)
class Levelling:
    """Attitude on the pad from the specific force of a quiet window.

    Parameters
    ----------
    q_enu_from_body : ndarray, shape (4,)
    tilt_sd_rad : float
        From noise and the calibration's bias uncertainty where known; a bias itself is not seen by levelling.
    start_log_s, stop_log_s : float
        The quiet window.
    gyro_bias_body_radps, gyro_bias_sd_radps : ndarray, shape (3,)
    accel_body_mps2 : ndarray, shape (3,)
        Mean corrected specific force over the window.
    """

    q_enu_from_body: Array
    tilt_sd_rad: float
    start_log_s: float
    stop_log_s: float
    gyro_bias_body_radps: Array
    gyro_bias_sd_radps: Array
    accel_body_mps2: Array


class ShownAngles:
    """The angles by which an attitude is shown, of whatever has one, shape (n, 4)."""

    q_enu_from_body: Array

    @property
    def tilt_rad(self) -> Array:
        """Angle of the nose from up, shape (n,)."""
        return rotation.tilt(self.q_enu_from_body)

    @property
    def tilt_azimuth_rad(self) -> Array:
        """Compass direction the nose leans to, clockwise from north, shape (n,)."""
        return rotation.tilt_azimuth(self.q_enu_from_body)

    @property
    def roll_rad(self) -> Array:
        """Twist about the long axis, shape (n,)."""
        return rotation.roll(self.q_enu_from_body)


@dataclass(frozen=True, eq=False)
class Solution(ShownAngles):
    """What one method makes of one log with one calibration. n samples on the gyro's clock.

    Parameters
    ----------
    method : str
    calibration : Calibration
    log_time_s : ndarray, shape (n,)
    q_enu_from_body : ndarray, shape (n, 4)
    pos_enu_m, vel_enu_mps : ndarray, shape (n, 3)
        Of the centre of gravity (lever arm taken off). NaN where not estimated.
    accel_body_mps2, rate_body_radps : ndarray, shape (n, 3)
        Corrected measurements in body axes, pad gyro bias taken off.
    is_gravity_used : ndarray of bool, shape (n,)
        The gate: the accelerometer corrected the attitude here.
    events : Events
    levelling : Levelling
    tilt_sd_rad : ndarray, shape (n,), or None
    attitude_sd_rad : ndarray, shape (n, 3), or None
        About east, north, up.
    pos_sd_enu_m, vel_sd_enu_mps : ndarray, shape (n, 3), or None
    gyro_bias_body_radps, accel_bias_body_mps2, gyro_bias_sd_radps, accel_bias_sd_mps2 : ndarray, shape (n, 3), or None
        In-flight corrections found by the method, on top of the calibration.
    rejected : tuple of (str, float, float)
        Measurement name, log time, innovation in sigmas: what a filter refused.
    gates : dict of str to (log_time_s, sigmas), shape (m,) each
        Measurement name to its gate: from each time on, until the next, an innovation of more sigmas is refused. A kind that is never
        refused has none.
    diagnostics : dict of str to (log_time_s, values), shape (k,) each
        Innovation and rest-residual traces, SI.
    assumptions : tuple of str
        Defaults and choices the result leaned on.
    run_time_s : float
    """

    method: str
    calibration: Calibration
    log_time_s: Array
    q_enu_from_body: Array
    pos_enu_m: Array
    vel_enu_mps: Array
    accel_body_mps2: Array
    rate_body_radps: Array
    is_gravity_used: NDArray[np.bool_]
    events: Events
    levelling: Levelling
    tilt_sd_rad: Array | None = None
    attitude_sd_rad: Array | None = None
    pos_sd_enu_m: Array | None = None
    vel_sd_enu_mps: Array | None = None
    gyro_bias_body_radps: Array | None = None
    gyro_bias_sd_radps: Array | None = None
    accel_bias_body_mps2: Array | None = None
    accel_bias_sd_mps2: Array | None = None
    rejected: tuple[tuple[str, float, float], ...] = ()
    gates: dict[str, tuple[Array, Array]] = field(default_factory=dict)
    diagnostics: dict[str, tuple[Array, Array]] = field(default_factory=dict)
    assumptions: tuple[str, ...] = ()
    run_time_s: float = 0.0

    @property
    def time_s(self) -> Array:
        """Shape (n,), zero at liftoff; at the log's first row where liftoff is unknown."""
        zero = self.events.liftoff_log_s
        return self.log_time_s - (zero if np.isfinite(zero) else 0.0)

    @property
    def phase(self) -> NDArray[np.uint8]:
        """Index into PHASES, shape (n,)."""
        return self.events.phase_of(self.log_time_s)
