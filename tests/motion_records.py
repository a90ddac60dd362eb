"""Small measured records for tests: plain arrays made into Measurements."""

import numpy as np

from replay.sensors.measurements import Measurements


def measurements(time_s, accel_body_mps2, rate_body_radps=None, gap=None, **more):
    """Measurements of arrays; no turn where no rate is given."""
    n = len(time_s)
    accel = np.ascontiguousarray(np.broadcast_to(accel_body_mps2, (n, 3)), dtype=float)
    rate = np.zeros((n, 3)) if rate_body_radps is None else np.ascontiguousarray(np.broadcast_to(rate_body_radps, (n, 3)), dtype=float)
    n_bad = int(np.sum(~np.isfinite(accel).all(axis=1)) + np.sum(~np.isfinite(rate).all(axis=1)))
    never = np.zeros(n, dtype=bool)
    fields = {
        "is_accel_clipped_body": np.zeros((n, 3), dtype=bool),
        "is_rate_clipped_body": np.zeros((n, 3), dtype=bool),
        "n_bad": n_bad,
    } | more
    return Measurements(np.ascontiguousarray(time_s, dtype=float), accel, rate, never if gap is None else np.asarray(gap), **fields)


def pad_record(accel_body_mps2, noise_sd=0.0, rate_hz=100.0, duration_s=10.0, seed=0, rate_bias=(0.0, 0.0, 0.0)):
    """Rest on the pad: a constant specific force and rate, white noise on the force."""
    n = round(rate_hz * duration_s)
    rng = np.random.default_rng(seed)
    accel = np.asarray(accel_body_mps2) + noise_sd * rng.standard_normal((n, 3))
    return measurements(np.arange(n) / rate_hz, accel, np.asarray(rate_bias, dtype=float))
