"""From a bench recording read as a log to a BenchResult: one call for the command and the bench window."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flightlog.log import Channel, FlightLog
from replay.sensors.allan import AllanResult, allan
from replay.sensors.bench import BenchResult, Pose, find_rests, order_faces, pose_of, six_face
from replay.sensors.bench_kinds import KINDS
from replay.sensors.calibration import Calibration, CalibrationFile
from replay.sensors.multiposition import multi_position
from replay.sensors.temperature import SweepRun, temperature_sweep
from replay.sensors.turns import turn_scale
from replay.units import DEG, STANDARD_GRAVITY_MPS2, kelvin

Array = NDArray[np.float64]


_MOST_DRIFT = {"gyro": 3.0 * DEG, "accelerometer": 0.5}
"""Between the means of half seconds: more is no drift of a sensor at rest (common practice, no source)."""


@dataclass(frozen=True)
class BenchOptions:
    """What the recording itself can't say.

    Parameters
    ----------
    gravity_mps2 : float or None
        Local gravity; None: standard gravity, and the result says so.
    turn_rad, turn_sd_rad : float
        The known turn and how well it was stopped at its mark.
    reference_k : float
        Temperature the biases are stated for.
    threshold : float
        Of `bench.find_rests`.
    """

    gravity_mps2: float | None = None
    turn_rad: float = 360.0 * DEG
    turn_sd_rad: float = 0.5 * DEG
    reference_k: float = kelvin(20.0)
    threshold: float = 3.0


def inertial_arrays(log: FlightLog) -> tuple[Array, Array, Array]:
    """Time (n,), raw specific force (n, 3), raw rate (n, 3) on the accelerometer's clock, imu axes, SI; rows with a NaN are left out.

    Raises
    ------
    CannotEstimate
        The log lacks one of the two sensors.
    """
    for name, what in (("accel_raw_imu_mps2", "accelerometer"), ("rate_raw_imu_radps", "gyro")):
        if name not in log:
            raise CannotEstimate("bench work", f"{log.paths[0]} has no {what} columns (state them with --columns)")
    accel, rate = log["accel_raw_imu_mps2"], log["rate_raw_imu_radps"]
    time = accel.log_time_s
    rates = rate.values
    if rate.n_samples != accel.n_samples or not np.array_equal(rate.log_time_s, time):
        rates = np.column_stack([np.interp(time, rate.log_time_s, rate.values[:, axis]) for axis in range(3)])
    good = np.all(np.isfinite(accel.values), axis=1) & np.all(np.isfinite(rates), axis=1)
    return time[good], accel.values[good], rates[good]


def run_bench(kind: str, logs: Sequence[FlightLog], options: BenchOptions = BenchOptions()) -> BenchResult:
    """Do one kind of bench work.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    logs : sequence of FlightLog
        One recording; for "temperature" one for each run.
    options : BenchOptions

    Raises
    ------
    CannotEstimate
        The recording can't carry the request.
    """
    if kind != "temperature" and len(logs) != 1:
        raise CannotEstimate(f"bench {kind}", f"takes one recording, got {len(logs)}")
    gravity = STANDARD_GRAVITY_MPS2 if options.gravity_mps2 is None else options.gravity_mps2
    if kind == "temperature":
        result = temperature_sweep([sweep_run(log) for log in logs], options.reference_k, gravity)
    else:
        time, accel, rate = inertial_arrays(logs[0])
        if kind == "six-face":
            result = _six_face_of(time, accel, rate, gravity, options.threshold)
        elif kind == "multi-position":
            result = multi_position(time, accel, rate, gravity, options.threshold)
        elif kind == "turns":
            result = turn_scale(time, accel, rate, options.turn_rad, options.turn_sd_rad, options.threshold)
        elif kind == "allan":
            result = noise_result(allan_channels(logs[0]))
        else:
            raise CannotEstimate("bench work", f"expected one of {', '.join(KINDS)}, got {kind}")
    if options.gravity_mps2 is None and kind in ("six-face", "multi-position", "temperature"):
        note = f"local gravity not given: standard gravity {STANDARD_GRAVITY_MPS2} m/s² used (off by up to 0.27 % on the ground)"
        result = dataclasses.replace(result, notes=(*result.notes, note))
    return result


def calibration_file(result: BenchResult) -> CalibrationFile:
    """What is saved: the calibration, its standard deviations, what it could not determine, how it was found."""
    sd = {name: (float(v[0]), float(v[1]), float(v[2])) for name, v in result.sd.items()}
    figures = "; ".join(f"{name} {value:.4g}" for name, value in result.figures.items())
    return CalibrationFile(result.calibration, sd, result.undetermined, f"bench {result.kind}: {figures}")


def parameter_rows(result: BenchResult) -> list[tuple[str, str, float, float]]:
    """(name with axis, unit, value, sd) in shown units for every parameter the work solved for; sd NaN where undetermined."""
    rows = []
    for field in dataclasses.fields(Calibration):
        if field.name not in result.sd:
            continue
        factor = field.metadata["factor"]
        axes = ("xy", "xz", "yz") if field.name == "accel_cross_axis" else ("x", "y", "z")
        for axis, value, sd in zip(axes, getattr(result.calibration, field.name), result.sd[field.name], strict=True):
            label = field.metadata["label"].removesuffix(" xy, xz, yz")
            rows.append((f"{label} {axis}", field.metadata["show"], value / factor, sd / factor))
    return rows


def put_onto(calibration: Calibration, result: BenchResult, *, takes_mount: bool = False) -> Calibration:
    """A calibration with every number that the bench work determined put in; all others stay.

    Parameters
    ----------
    calibration : Calibration
    result : BenchResult
    takes_mount : bool
        Also the rotation to the fixture: it holds for the airframe only where the board sat in it.

    Raises
    ------
    CannotEstimate
        The work found noise only, or its recording was in counts: its scales then fit logs in counts only.
    """
    if result.kind == "allan":
        raise CannotEstimate("calibration as flown", "an Allan recording shows noise only: it has nothing to correct with")
    scales = [value for name in ("accel_scale", "gyro_scale") if name in result.sd for value in getattr(result.calibration, name)]
    if any(not 0.5 < value < 2.0 for value in scales):
        raise CannotEstimate("calibration as flown", "the recording is in counts: its scales fit logs in counts only")
    values: dict[str, object] = {}
    for name, sd in result.sd.items():
        if name != "mount_rotation_rad" or takes_mount:
            pairs = zip(getattr(result.calibration, name), getattr(calibration, name), sd, strict=True)
            values[name] = tuple(found if math.isfinite(spread) else old for found, old, spread in pairs)
    if result.kind == "temperature":
        values["reference_temperature_k"] = result.calibration.reference_temperature_k
    return dataclasses.replace(calibration, **values)  # type: ignore[arg-type]


def _six_face_of(time: Array, accel: Array, rate: Array, gravity: float, threshold: float) -> BenchResult:
    spans = find_rests(time, accel, rate, threshold)
    poses = [pose_of(time, accel, rate, span) for span in spans]
    if len(poses) < 6:
        raise CannotEstimate("six-face calibration", f"found {len(poses)} pose{'s' * (len(poses) != 1)} at rest, needs the six faces")
    noise = np.mean([np.std(accel[s], axis=0).max() / math.sqrt(s.stop - s.start) for s in spans])
    result = six_face(order_faces(poses), gravity, float(noise))
    return dataclasses.replace(result, poses=tuple(_with_residuals(poses, result.calibration, gravity)))


def _with_residuals(poses: Sequence[Pose], calibration: Calibration, gravity: float) -> list[Pose]:
    from replay.sensors.calibration import accel_matrix

    corrected = (np.array([p.accel_raw for p in poses]) - calibration.accel_bias_imu_mps2) @ accel_matrix(calibration).T
    left = np.linalg.norm(corrected, axis=1) - gravity
    return [dataclasses.replace(p, residual_mps2=float(r)) for p, r in zip(poses, left, strict=True)]


def sweep_run(log: FlightLog) -> SweepRun:
    """One recording of a temperature sweep on the accelerometer's clock.

    Raises
    ------
    CannotEstimate
        No sensor temperature, or no accelerometer or gyro.
    """
    if "imu_temperature_k" not in log:
        raise CannotEstimate("temperature sweep", f"{log.paths[0]} has no sensor temperature column")
    time, accel, rate = inertial_arrays(log)
    temperature = log["imu_temperature_k"]
    good = np.isfinite(temperature.values)
    return SweepRun(np.interp(time, temperature.log_time_s[good], temperature.values[good]), accel, rate)


def allan_channels(log: FlightLog, step: Callable[[str], None] = lambda _: None) -> dict[str, AllanResult]:
    """Overlapping Allan deviation of each accelerometer and gyro axis of a recording at rest, evenly spaced and without gaps.

    `step` is called with the name of each axis before it is begun; what it raises stops the work.

    Raises
    ------
    CannotEstimate
        A gap, uneven steps, motion, too short a recording, or neither sensor in it.
    """
    results = {}
    for name, title in (("rate_raw_imu_radps", "gyro"), ("accel_raw_imu_mps2", "accelerometer")):
        channel = log.get(name)
        if channel is None:
            continue
        _check_rest(channel, title)
        rate_hz = (channel.n_samples - 1) / float(channel.log_time_s[-1] - channel.log_time_s[0])
        for axis, letter in enumerate("xyz"):
            step(f"{title} {letter}")
            results[f"{title} {letter}"] = allan(channel.values[:, axis], rate_hz)
    if not results:
        raise CannotEstimate("Allan deviation", f"{log.paths[0]} has neither gyro nor accelerometer columns")
    return results


def _check_rest(channel: Channel, title: str) -> None:
    """An unbroken recording of a sensor that lies still, or CannotEstimate."""
    if n := len(channel.i_gap):
        raise CannotEstimate("Allan deviation", f"{title} has {n} gap{'s' * (n > 1)}; cut the recording to one unbroken span")
    if channel.n_samples < 40:
        raise CannotEstimate("Allan deviation", f"{title} needs at least 40 samples, got {channel.n_samples}")
    steps = np.diff(channel.log_time_s)
    uneven = float(np.mean(np.abs(steps / np.median(steps) - 1.0) > 0.4))
    if uneven > 0.02:
        raise CannotEstimate(
            "Allan deviation", f"{title}: {100.0 * uneven:.0f} % of its steps are uneven, and it wants evenly spaced samples"
        )
    n_window = max(round(0.5 * channel.rate_hz), 10)
    k = channel.n_samples // n_window
    means = channel.values[: k * n_window].reshape(k, n_window, -1).mean(axis=1)
    moved = float(np.max(np.ptp(means, axis=0))) if k > 1 else 0.0
    if moved > _MOST_DRIFT[title]:
        shown = f"{moved / DEG:.3g} deg/s" if title == "gyro" else f"{moved:.3g} m/s²"
        raise CannotEstimate("Allan deviation", f"{title} changes by {shown} in the recording: it wants one at rest")


def noise_result(channels: dict[str, AllanResult]) -> BenchResult:
    """The coefficients of every axis as a BenchResult; what the file can hold of them is the in-run wander of each bias."""
    figures: dict[str, float] = {}
    undetermined: list[str] = ["bias, scale, cross-axis and misalignment (a recording at rest in one pose shows noise only)"]
    sd = {}
    for title, field in (("gyro", "gyro_bias_imu_radps"), ("accelerometer", "accel_bias_imu_mps2")):
        own = [channels[f"{title} {a}"] for a in "xyz" if f"{title} {a}" in channels]
        if len(own) == 3:
            sd[field] = tuple(result["B"].value for result in own)
    for name, result in channels.items():
        factor, unit = (1.0 / DEG, "deg/s") if name.startswith("gyro") else (1.0, "m/s²")
        units = {"Q": f"{unit}·s", "N": f"{unit}/√Hz", "B": unit, "K": f"{unit}·√Hz", "R": f"{unit}/s"}
        for c in result.coefficients:
            if c.is_determined:
                figures[f"{name} {c.name} {c.symbol}, {units[c.symbol]}"] = c.value * factor
        unseen = ", ".join(c.name for c in result.coefficients if not c.is_determined)
        if unseen:
            undetermined.append(f"{name}: {unseen} (its term never carries half of the variance in this recording)")
    return BenchResult("allan", Calibration(), sd, tuple(undetermined), (), figures, ())
