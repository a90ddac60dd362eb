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
    h = np.diff(time_s) / parts
    steps = rotation.from_rotvec(h[:, None] * rate_body_radps(time_s[:-1] + 0.5 * h))
    for j in range(1, parts):
        steps = rotation.multiply(steps, rotation.from_rotvec(h[:, None] * rate_body_radps(time_s[:-1] + (j + 0.5) * h)))
    return accumulated(steps)


def accumulated(steps):
    """Products of step quaternions from the identity on, shape (n, 4) to (n + 1, 4); plain floats, for speed."""
    w, x, y, z = 1.0, 0.0, 0.0, 0.0
    q = [(w, x, y, z)]
    for a, b, c, d in steps.tolist():
        w, x, y, z = (
            w * a - x * b - y * c - z * d, w * b + x * a + y * d - z * c, w * c - x * d + y * a + z * b, w * d + x * c - y * b + z * a,
        )  # fmt: skip
        q.append((w, x, y, z))
    return rotation.normalise(q)


def carried_about(seed, duration_s=60.0, rate_hz=100.0, still_s=5.0, jitter=0.0, speed=1.0, lag_s=0.0, travel_m=0.12, errors=True):
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
        return travel_m * moving(t) * wave(t, slice(3, 6))

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
