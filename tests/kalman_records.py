"""Made records for the general-motion filter: a thing carried about, with every sensor error the filter knows, and its truth."""

from dataclasses import dataclass

import numpy as np

from replay import rotation
from replay.units import DEG

GRAVITY = np.array([0.0, 0.0, 9.81])


@dataclass(frozen=True)
class Record:
    time_s: np.ndarray
    rate: np.ndarray
    accel: np.ndarray
    q: np.ndarray

    @property
    def arrays(self):
        return self.time_s, self.rate, self.accel


def true_attitude(time_s, rate_body_radps, parts=8):
    """Attitude of a rate function by small steps of its mid-point values."""
    q = np.empty((len(time_s), 4))
    q[0] = (1.0, 0.0, 0.0, 0.0)
    for i in range(1, len(time_s)):
        here = q[i - 1]
        h = (time_s[i] - time_s[i - 1]) / parts
        middle = time_s[i - 1] + h * (np.arange(parts) + 0.5)
        for turn in rotation.from_rotvec(h * rate_body_radps(middle)):
            here = rotation.multiply(here, turn)
        q[i] = rotation.normalise(here)
    return q


def carried_about(seed, duration_s=60.0, rate_hz=100.0, still_s=5.0, jitter=0.0, speed=1.0, lag_s=0.0, errors=True):
    """Rest, then band-limited random turning and moving, then rest. Bias, scale and lag of the gyro are drawn as the filter assumes."""
    rng = np.random.default_rng(seed)
    steps = np.full(round(duration_s * rate_hz), 1.0 / rate_hz) * (1.0 + jitter * rng.uniform(-1.0, 1.0, round(duration_s * rate_hz)))
    time_s = np.cumsum(steps)
    stop_s = time_s[-1] - still_s
    tones = rng.uniform(0.15, 1.5, (8, 6)) * speed
    phases, sizes = rng.uniform(0.0, 2.0 * np.pi, (8, 6)), rng.normal(size=(8, 6))

    def moving(t):
        # rises and falls over a second, so that everything starts and stops smoothly
        up, down = np.clip(t - still_s, 0.0, 1.0), np.clip(stop_s - t, 0.0, 1.0)
        return (up**3 * (10.0 - 15.0 * up + 6.0 * up**2) * down**3 * (10.0 - 15.0 * down + 6.0 * down**2))[:, None]

    def wave(t, axes):
        arguments = 2.0 * np.pi * tones[:, None, axes] * t[None, :, None] + phases[:, None, axes]
        return (sizes[:, None, axes] * np.sin(arguments)).sum(axis=0)

    def rate(t):
        return 0.5 * speed * moving(t) * wave(t, slice(0, 3))

    def place(t):
        return 0.12 * moving(t) * wave(t, slice(3, 6))

    h = 1e-3
    accel_enu = (place(time_s + h) - 2.0 * place(time_s) + place(time_s - h)) / h**2
    q = true_attitude(time_s, rate)
    force = rotation.rotate(rotation.conjugate(q), accel_enu + GRAVITY)
    measured = rate(time_s - lag_s)
    if errors:
        scale = 0.005 * rng.normal(size=(3, 3))
        measured = measured + measured @ scale.T + 1.0 * DEG * rng.normal(size=3)
        measured = measured + 0.02 * DEG * np.sqrt(rate_hz) * rng.normal(size=measured.shape)
        force = force + 0.03 * rng.normal(size=3) + 0.02 * rng.normal(size=force.shape)
    return Record(time_s, measured, force, q)


def inclination(q_est, q_true):
    """Angle between the estimated and the true vertical, rad."""
    return rotation.tilt(rotation.multiply(q_est, rotation.conjugate(q_true)))


def tilt_errors(q_est, q_true):
    """The two horizontal components of the attitude error, rad, shape (n, 2)."""
    return rotation.to_rotvec(rotation.multiply(q_true, rotation.conjugate(q_est)))[:, :2]
