"""A drawn flight with closed-form attitude and path, for tests of what is drawn: nothing is estimated, so every number is known."""

import numpy as np

from replay import rotation
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import Events, Levelling, Solution
from replay.review.snapshot import Snapshot
from replay.sensors.calibration import Calibration
from replay.whatif.vehicle import Vehicle

LIFTOFF_S, BURNOUT_S, APOGEE_S, END_S = 2.0, 5.0, 8.0, 14.0


def tilt_rad(time_s, extra_rad=0.0):
    """Tilt of the drawn vehicle: 2° on the pad, leaning over to 2 + 38·(1 − cos) degrees at the end."""
    t = np.clip(np.asarray(time_s, dtype=float), 0.0, None)
    return np.radians(2.0 + 19.0 * (1.0 - np.cos(np.pi * np.minimum(t / 12.0, 1.0)))) + extra_rad * np.minimum(t, 3.0)


def _solution(time_s, extra_rad, drift_m):
    t = np.clip(time_s, 0.0, None)
    height = np.where(t < 6.0, 150.0 * (1.0 - (1.0 - np.minimum(t / 6.0, 1.0)) ** 2), 150.0 - 12.0 * (t - 6.0))
    pos = np.stack((drift_m * t**2 / 36.0, -12.0 * t / 6.0, height), axis=-1)
    q = rotation.from_tilt(tilt_rad(time_s, extra_rad), np.radians(75.0), np.radians(12.0) * t)
    axial = np.where((time_s >= 0.0) & (time_s < BURNOUT_S - LIFTOFF_S), 22.0 - 3.0 * t, -1.0)
    accel = np.stack((0.0 * t, 0.0 * t, np.where(time_s < 0.0, 9.81, axial)), axis=-1)
    quiet = Levelling(q[0], 1e-3, 0.0, LIFTOFF_S, np.zeros(3), np.full(3, 1e-4), np.array([0.0, 0.0, 9.81]))
    events = Events(LIFTOFF_S, BURNOUT_S, APOGEE_S, APOGEE_S + 1.0, END_S + 1.0, float("nan"))
    return Solution(
        "drawn",
        Calibration(),
        time_s + LIFTOFF_S,
        q,
        pos,
        np.gradient(pos, time_s, axis=0),
        accel,
        np.zeros((len(t), 3)),
        time_s < 0.0,
        events,
        quiet,
    )


def snapshot(*, with_what_if=True, rate_hz=200.0, n_samples=None):
    """A Snapshot whose what-if leans further and drifts further; gimbal command on its own 50 Hz clock."""
    n = n_samples or int(END_S * rate_hz) + 1
    time_s = np.linspace(0.0, END_S, n) - LIFTOFF_S
    gimbal_s = np.arange(0.0, END_S, 0.02)
    gimbal = np.radians(np.stack((3.0 * np.sin(2.0 * gimbal_s), -2.0 * np.cos(gimbal_s)), axis=-1))
    log = FlightLog(("drawn.csv",), "0" * 64, {"gimbal_command_rad": Channel("gimbal_command_rad", gimbal_s, gimbal, "rad")}, ColumnMap())
    what_if = _solution(time_s, np.radians(4.0), 55.0) if with_what_if else None
    return Snapshot(1, log, _solution(time_s, 0.0, 30.0), what_if, vehicle=vehicle())


def vehicle():
    """An invented airframe."""
    return Vehicle("Wren 3", 1.25, 0.11, 0.08, ((0.0, 0.0), (0.1, 30.0), (3.0, 10.0), (3.1, 0.0)))
