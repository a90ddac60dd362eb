"""A drawn flight with everything a figure may want beside it: a made-up reconciliation, the flight flown again, two more flights."""

import dataclasses

import numpy as np
from drawn_flight import EVENTS, snapshot, solution

from replay.figures.material import CAMPAIGN, EXPLAINED, RECONCILIATION, REFLOWN, with_material
from replay.flight.event import FlightEvent, FlightEvents
from replay.flight.explained import Explained
from replay.flight.facts import VehicleFacts
from replay.flight.finding import Finding
from replay.flight.propulsion import Propulsion
from replay.flight.quantity import Quantity, undetermined
from replay.review.review import Review
from replay.review.series import EXTRA, prepare
from replay.review.whatif_work import Reflown, overlay_of
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.whatif.descent import Track
from replay.whatif.ensemble import Posterior
from replay.whatif.reconciliation import Parameter, Reconciliation
from replay.whatif.refly import Moment, Reflight


def reconciliation():
    """Fifteen numbers, one of them not determined."""
    names = [f"{group} {axis}" for group in ("accelerometer bias", "gyro bias", "gyro scale") for axis in "xyz"]
    units = ["m/s²"] * 3 + ["deg/s"] * 3 + ["1"] * 3
    parameters = [
        Parameter("pad tilt east", "deg", 0.97, 0.02, 0.0, 28.0, 1.0, "accelerometer bias x", 0.9, "determined"),
        *(
            Parameter(name, unit, 0.3 * (-1) ** i, 0.004, 0.0, 0.4, 0.99, "gyro bias y", -0.4, "undetermined" if i == 2 else "determined")
            for i, (name, unit) in enumerate(zip(names, units, strict=True))
        ),
        Parameter("barometer bias", "m", -0.01, 0.019, 0.0, 10.0, 1.0, "barometer lag", 0.2, "determined"),
        Parameter("barometer port error", "s²/m", -0.00037, 0.0009, 0.0, 0.01, 0.9, "barometer lag", 0.2, "determined"),
        Parameter("mount rotation x", "deg", 0.0, 0.0, 0.0, 1.0, 0.0, "", 0.0, "pinned"),
    ]
    components = tuple((field, axis) for field in ("accel_bias_imu_mps2", "gyro_bias_imu_radps", "gyro_scale") for axis in range(3))
    root = np.random.default_rng(3).standard_normal((9, 9))
    after = Calibration(accel_bias_imu_mps2=(-0.36, 0.26, 0.05))
    posterior = Posterior(after, components, root @ root.T + 3.0 * np.eye(9))
    return Reconciliation(
        Calibration(), after, tuple(parameters), 1.46 * DEG, 42 * DEG, 0.08 * DEG, 3.55 * DEG, 79 * DEG, (), 900.0, 890, (), posterior,
        None, ("a note",), ("an assumption",),
    )  # fmt: skip


def reflown(shot):
    """The what-if's path taken for the flight flown again."""
    up = shot.as_flown.log_time_s >= EVENTS.liftoff_log_s
    time = shot.as_flown.log_time_s[up] - EVENTS.liftoff_log_s
    again = solution(shot.as_flown.log_time_s, extra_tilt_deg=-1.3)
    gimbal = np.column_stack((0.02 * np.sin(time), 0.01 * np.cos(time)))
    tracks = [Track(s.pos_enu_m[up], s.q_enu_from_body[up], gimbal) for s in (shot.as_flown, again)]
    moments = {}
    for name, at in (("burnout", 4.5), ("apogee", 9.0), ("touchdown", 30.0)):
        i = int(np.searchsorted(time, at))
        moments[name] = tuple(
            Moment(at, *map(float, track.pos_enu_m[i]), float(track.tilt_rad[i]), float(track.tilt_azimuth_rad[i])) for track in tracks
        )
    reflight = Reflight(time, *tracks, again.q_enu_from_body[up], moments, None, None, "vehicle file", 0.001, ("an assumption",))
    return Reflown(Review(), reflight, shot.as_flown, overlay_of(reflight, shot.as_flown))


def explained(shot):
    """A rated curve, thrust a little under it, drag as the square of speed, two findings and events."""
    t = np.arange(-0.1, 9.0, 0.02)
    push = np.where((t > 0) & (t < 4.5), 24.0 - 3.0 * t, 0.0)
    speed = np.clip(6.0 * t, 0.0, 27.0)
    bins = np.array([10.0, 15.0, 20.0, 25.0])
    figures = {
        "total impulse": Quantity("total impulse", 77.6, 1.2, "N·s"),
        "rail exit speed": undetermined("rail exit speed", "m/s", "no rail length"),
    }
    found = Propulsion(
        t + EVENTS.liftoff_log_s, push, np.full(len(t), 0.6), 0.01 * speed**2, np.full(len(t), 0.3), np.full(len(t), 1.2), speed,
        bins, np.array([0.52, 0.55, 0.54, 0.56]), np.full(4, 0.04), 0.0, figures, ("drag fitted over the coast",),
    )  # fmt: skip
    events = {
        name: FlightEvent(name, getattr(EVENTS, f"{name}_log_s"), 0.02, "specific force")
        for name in ("liftoff", "burnout", "apogee", "touchdown")
    }
    facts = VehicleFacts(1.25, 0.11, 0.08, ((0.0, 0.0), (0.1, 26.0), (4.4, 10.0), (4.5, 0.0)))
    kick = (Quantity("largest rate", 41.0, 0.5, "deg/s"),)
    findings = (
        Finding("warning", "Early kick", 4.1, 4.6, kick, "Control began inside the start spike.", "Begin later.", "early kick"),
        Finding("good", "Battery held", None, None, (Quantity("least voltage", 7.9, 0.01, "V"),), "It held."),
    )
    return Explained(
        shot.log, FlightEvents(events, {"rail_exit": "no rail length"}), shot.as_flown, shot.as_flown, facts=facts, propulsion=found,
        findings=findings, missing={"control": "the log has no <gimbal> position & command"}, assumptions=("one of the explanation",),
    )  # fmt: skip


def everything(rate_hz=100.0):
    """The snapshot every figure can be drawn from."""
    shot = snapshot(rate_hz)
    shot = with_material(shot, **{EXTRA: prepare(shot)})
    others = []
    for i in (2, 3):
        other = snapshot(rate_hz, seed=i, what_if=False, onboard=False)
        others.append((f"longer name of flight {i}", with_material(other, **{EXPLAINED: explained(other)})))
    return with_material(
        shot,
        **{
            EXPLAINED: explained(shot),
            RECONCILIATION: reconciliation(),
            REFLOWN: reflown(shot),
            CAMPAIGN: (("this flight", dataclasses.replace(shot)), *others),
        },
    )
