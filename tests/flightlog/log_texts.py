"""Invented logs for the reading tests: one short record of ours, written the way many loggers might."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.units import DEG, STANDARD_GRAVITY_MPS2

G = STANDARD_GRAVITY_MPS2
RATE_HZ = 100.0


@dataclass(frozen=True)
class Record:
    """A board at rest, then turned by hand, SI, imu axes: `q_enu_from_imu` is its true attitude."""

    time_s: NDArray
    accel: NDArray
    rate: NDArray
    q_enu_from_imu: NDArray

    @property
    def n(self) -> int:
        return len(self.time_s)


def hand_held(n: int = 800, seed: int = 4) -> Record:
    """Rest for 2 s, then slow turns about all axes, with the noise of a small sensor."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / RATE_HZ
    moving = np.clip((time_s - 2.0) / 0.5, 0.0, 1.0)
    rate = (
        np.column_stack([a * np.sin(w * time_s + p) for a, w, p in ((1.2, 2.1, 0.3), (0.9, 3.3, 1.1), (1.5, 1.3, 2.0))]) * moving[:, None]
    )
    q = np.empty((n, 4))
    q[0] = rotation.from_tilt(0.3, 0.8, 0.4)
    for i in range(1, n):
        q[i] = rotation.multiply(q[i - 1], rotation.from_rotvec(0.5 * (rate[i - 1] + rate[i]) / RATE_HZ))
    accel = rotation.rotate(rotation.conjugate(q), np.array([0.0, 0.0, G]))
    return Record(time_s, accel + rng.normal(0, 0.03, (n, 3)), rate + rng.normal(0, 0.1 * DEG, (n, 3)), q)


def flown(n: int = 3000, seed: int = 5, nose: int = 2, sign: float = 1.0, turn: NDArray | None = None) -> Record:
    """Pad for 5 s, boost of 4 g for 1.5 s, coast at a tenth of a g, descent of one g; imu axis `nose` points up the vehicle.

    `turn` (3, 3) turns all vectors afterwards: a board mounted at an angle.
    """
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / RATE_HZ
    push = np.select([time_s < 5.0, time_s < 6.5, time_s < 12.0], [1.0, 4.0, -0.1], 1.0) * G
    accel = np.zeros((n, 3))
    accel[:, nose] = sign * push
    rate = np.zeros((n, 3))
    rate[:, nose] = np.where(time_s > 5.0, 2.0 * np.sin(time_s), 0.0)
    if turn is not None:
        accel, rate = accel @ turn.T, rate @ turn.T
    q = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    return Record(time_s, accel + rng.normal(0, 0.05, (n, 3)), rate + rng.normal(0, 0.1 * DEG, (n, 3)), q)


def table_text(columns: dict[str, NDArray | list], delimiter: str = ",", digits: int = 6) -> str:
    """CSV text of named columns; NaN becomes a blank cell, whole numbers stay whole."""

    def cell(value) -> str:
        if isinstance(value, str):
            return value
        if isinstance(value, int | np.integer):
            return str(value)
        return "" if np.isnan(value) else f"{value:.{digits}f}"

    rows = zip(*columns.values(), strict=True)
    return "\n".join([delimiter.join(columns), *(delimiter.join(cell(v) for v in row) for row in rows)]) + "\n"


def imu_columns(record: Record, accel_unit: float = 1.0, rate_unit: float = 1.0, names=("ax", "ay", "az", "gx", "gy", "gz")) -> dict:
    """Accelerometer and gyro columns in given units."""
    values = np.column_stack((record.accel / accel_unit, record.rate / rate_unit))
    return {name: values[:, k] for k, name in enumerate(names)}
