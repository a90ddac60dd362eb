"""Re-fly: the guided vehicle flown again through the same disturbances, its computer carrying another calibration.

No change of calibration gives back the flown flight exactly; any difference is the calibration's doing. Stabilising to vertical only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import CannotEstimate
from replay.sensors.calibration import Calibration, gyro_matrix
from replay.units import DEG
from replay.whatif.descent import Path, Track, path_of, touchdown_of, tracks_of
from replay.whatif.disturbance import REFLY, Disturbance, Flown, flown_motion, recover
from replay.whatif.guidance import steering
from replay.whatif.vehicle import Guidance, Vehicle

if TYPE_CHECKING:
    from replay.flightlog.log import FlightLog
    from replay.motion.solution import Solution
    from replay.sensors.measurements import Prepared
    from replay.sensors.mount import Mount

Array = NDArray[np.float64]

LEFT_OUT = (
    "The model leaves out: flex and slosh, how the air differs along another path, canopy dynamics (below the parachute the flown "
    "swing is kept and the path shifts), servo load, and anything the flight computer does beyond this steering law."
)


@dataclass(frozen=True)
class Moment:
    """Where one flight was at an event: s after liftoff, m, rad. NaN where the record does not get there."""

    time_s: float
    east_m: float
    north_m: float
    height_m: float
    tilt_rad: float
    tilt_azimuth_rad: float


@dataclass(frozen=True, eq=False)
class Reflight:
    """The flown flight and the re-flown one on the same rows, from liftoff on.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        After liftoff.
    flown, reflown : Track
    q_enu_from_body_believed : ndarray, shape (m, 4)
        What the computer would have believed in the re-flown flight, up to the parachute (m <= n).
    moments : dict of str to (Moment, Moment)
        Burnout, apogee and touchdown: flown, re-flown.
    disturbance : Disturbance
    guidance : Guidance
    guidance_source : str
    command_misfit_rad : float
        RMS of logged command less the steering law's while steering; NaN where no commands are logged.
    assumptions : tuple of str
    left_out : str
    """

    time_s: Array
    flown: Track
    reflown: Track
    q_enu_from_body_believed: Array
    moments: dict[str, tuple[Moment, Moment]]
    disturbance: Disturbance
    guidance: Guidance
    guidance_source: str
    command_misfit_rad: float
    assumptions: tuple[str, ...]
    left_out: str = LEFT_OUT


@dataclass(frozen=True, eq=False)
class Belief:
    """What the computer makes of the flown record with one calibration.

    Parameters
    ----------
    q_enu_from_body : ndarray, shape (4,)
        On the pad.
    rate_body_radps : ndarray, shape (n, 3)
    rate_gain : ndarray, shape (3, 3)
        Body rate per raw rate.
    """

    q_enu_from_body: Array
    rate_body_radps: Array
    rate_gain: Array


def refly(
    log: FlightLog,
    flown: Solution,
    vehicle: Vehicle,
    *,
    onboard: Calibration,
    as_flown: Calibration | None = None,
    guidance: Guidance | None = None,
    bandwidth_hz: float = 12.0,
    prepared: Prepared | None = None,
) -> Reflight:
    """Fly again with another calibration on board.

    Parameters
    ----------
    log : FlightLog
    flown : Solution
        What was flown, with the best calibration known (the reconciled one).
    vehicle : Vehicle
    onboard : Calibration
        The one the computer is to carry this time.
    as_flown : Calibration, optional
        The one it carried; neutral where not given.
    guidance : Guidance, optional
        Instead of the vehicle file's; where neither is given it is identified from the logged commands.
    bandwidth_hz : float
        Of the disturbance history that is shown, and of the logged thrust.
    prepared : Prepared, optional
        `sensors.prepare(log)`, kept where many calibrations are tried.

    Raises
    ------
    CannotEstimate
        No guidance to re-fly, no liftoff and apogee, or no path.
    """
    flight = prepare_flight(
        log, flown, vehicle, onboard=onboard, as_flown=as_flown, guidance=guidance, bandwidth_hz=bandwidth_hz, prepared=prepared
    )
    motion = flight.motion
    true_gain = np.asarray(flight.dcm_body_from_imu @ gyro_matrix(flown.calibration))
    rows, believed = fly_again(motion, flight.law, flight.onboard, true_gain, flight.command, flight.law_command)
    path = path_of(flown, motion)
    tracks = tracks_of(path, rows)
    return Reflight(
        path.time_s,
        *tracks,
        believed,
        moments_of(path, *tracks),
        recover(motion),
        flight.guidance,
        flight.source,
        flight.misfit_rad,
        (*flown.assumptions, *vehicle.assumptions(), *_assumptions(motion, flight.source)),
    )


@dataclass(frozen=True, eq=False)
class Flight:
    """What does not change while one flight is flown again and again.

    Parameters
    ----------
    motion : Flown
    law : tuple of float
    guidance, source : Guidance and str
        The law, and where it is from.
    onboard : Belief
    command, law_command : ndarray, shape (n, 2)
        Gimbal angles commanded, and the law's own on the flown motion, rad.
    misfit_rad : float
        RMS of their difference; NaN where no commands are logged.
    dcm_body_from_imu : ndarray, shape (3, 3)
    """

    motion: Flown
    law: tuple[float, ...]
    guidance: Guidance
    source: str
    onboard: Belief
    command: Array
    law_command: Array
    misfit_rad: float
    dcm_body_from_imu: Array


def prepare_flight(
    log: FlightLog,
    flown: Solution,
    vehicle: Vehicle,
    *,
    onboard: Calibration,
    as_flown: Calibration | None,
    guidance: Guidance | None,
    bandwidth_hz: float,
    prepared: Prepared | None = None,
) -> Flight:
    """Everything of `refly` that comes before the flying; parameters as there.

    Raises
    ------
    CannotEstimate
        As `refly`.
    """
    as_flown = as_flown or Calibration()
    if vehicle.gimbal is None:
        raise CannotEstimate(REFLY, "no guidance to re-fly: the vehicle file has no [gimbal]; if the vehicle had one, state it there")
    if vehicle.guidance is None and guidance is None and log.get("gimbal_command_rad") is None:
        why = "the vehicle file has no [guidance] and the log has no gimbal commands to identify it from; state one or map the other"
        raise CannotEstimate(REFLY, f"no guidance to re-fly: {why}")
    motion = flown_motion(flown, log, vehicle, bandwidth_hz)
    mount = _mount(log, flown.calibration)
    beliefs = [believe(log, c, flown, mount, prepared) for c in (as_flown, onboard)]
    guidance, source = _guidance(guidance, vehicle, motion, beliefs[0])
    burnout_s = flown.events.burnout_log_s - flown.events.liftoff_log_s
    law = steering(guidance, burnout_s if np.isfinite(burnout_s) else float(motion.time_s[-1]))
    own = _steered(motion, law, beliefs[0])
    command = motion.command_rad if motion.has_commands else own
    is_steering = (motion.time_s >= law[2]) & (motion.time_s < law[3])
    misfit = float(np.sqrt(np.mean((command - own)[is_steering] ** 2))) if motion.has_commands and is_steering.any() else float("nan")
    return Flight(motion, law, guidance, source, beliefs[1], command, own, misfit, np.asarray(mount.dcm_body_from_imu))


def _mount(log: FlightLog, calibration: Calibration) -> Mount:
    from replay.sensors.mount import find_mount

    return find_mount(log, calibration)


def believe(log: FlightLog, calibration: Calibration, flown: Solution, mount: Mount, prepared: Prepared | None) -> Belief:
    """Level and read the gyro bias with a calibration on the window the solution was levelled on, as the computer would."""
    from replay.motion.levelling import level
    from replay.motion.site import Site
    from replay.sensors.measurements import measure

    here = mount if calibration.mount_rotation_rad == flown.calibration.mount_rotation_rad else _mount(log, calibration)
    measurements = measure(log, calibration, here, prepared)
    window = (flown.levelling.start_log_s, flown.levelling.stop_log_s)
    heading = Site(pad_azimuth_rad=_pad_azimuth(flown))
    levelling = level(measurements, flown.events, heading, window_log_s=window)
    bias = levelling.gyro_bias_body_radps if calibration.gyro_pad_bias else np.zeros(3)
    rate = np.nan_to_num(measurements.rate_body_radps - bias)
    return Belief(levelling.q_enu_from_body, rate, np.asarray(here.dcm_body_from_imu @ gyro_matrix(calibration)))


def _pad_azimuth(flown: Solution) -> float:
    """The declared heading, read back from the levelled attitude: with the swing taken off, body x points there."""
    twist = float(rotation.roll(flown.levelling.q_enu_from_body))
    return 0.5 * np.pi - twist


def _guidance(given: Guidance | None, vehicle: Vehicle, motion: Flown, belief: Belief) -> tuple[Guidance, str]:
    if given is not None:
        return given, "as given"
    if vehicle.guidance is not None:
        return vehicle.guidance, "vehicle file"
    from replay.whatif.guidance_fit import identify

    idle = (0.0, 0.0, 0.0, -np.inf, np.inf, 0.0)
    nothing = np.zeros_like(motion.command_rad)
    _, believed = fly_again(motion, idle, belief, np.eye(3), nothing, nothing, is_held=True)
    fit = identify(motion.time_s, motion.command_rad, believed, belief.rate_body_radps[motion.rows], motion.frame.gimbal_limit_rad)
    return fit.guidance, f"identified from the logged commands, misfit {fit.misfit_rad / DEG:.2f} deg RMS"


def _steered(motion: Flown, law: tuple[float, ...], belief: Belief) -> Array:
    """Commands of the steering law on the flown motion with one belief, shape (n, 2)."""
    nothing = np.zeros_like(motion.command_rad)
    rows, _ = fly_again(motion, law, belief, np.eye(3), nothing, nothing, is_held=True)
    return np.ascontiguousarray(rows[:, 21:23])


def fly_again(
    motion: Flown, law: tuple[float, ...], belief: Belief, true_gain: Array, command: Array, law_command: Array, *, is_held: bool = False
) -> tuple[Array, Array]:
    """Rows of the compiled loop, shape (n, N_ROW), and the attitude believed, shape (4,). `is_held`: keep to the flown motion.

    `true_gain` (3, 3): body rate per raw rate of the sensor itself; `command` and `law_command` (n, 2), rad.
    """
    from replay.whatif import _kernels_flight, _kernels_refly

    n = len(motion.time_s)
    out, q = np.zeros((n, _kernels_refly.N_ROW)), np.array(belief.q_enu_from_body)
    # copies: one kind of array, so that the loop is compiled once
    _kernels_refly.refly(
        np.array(motion.time_s),
        motion.table,
        n if is_held else motion.i_free,
        motion.frame,
        _kernels_flight.Guide(*(float(x) for x in law)),
        np.array(motion.motor),
        np.array(command),
        np.array(law_command),
        np.array(belief.rate_body_radps[motion.rows]),
        np.array(belief.rate_gain @ np.linalg.inv(true_gain)),
        q,
        np.array(rotation.rotate(belief.q_enu_from_body, [0.0, 0.0, 1.0])),
        motion.n_sub,
        out,
    )
    return out, out[:, 17:21]


def moments_of(path: Path, flown: Track, reflown: Track) -> dict[str, tuple[Moment, Moment]]:
    """Burnout at the same time; apogee and touchdown each at its own."""
    result = {}
    for name in ("burnout", "apogee", "touchdown"):
        pair = []
        for track in (flown, reflown):
            if name == "burnout":
                at = path.burnout_s
            elif name == "apogee":
                at = float(path.time_s[int(np.argmax(track.pos_enu_m[:, 2]))])
            else:
                at = path.touchdown_s if track is flown else touchdown_of(path, track)
            pair.append(_moment(path.time_s, track, at))
        result[name] = (pair[0], pair[1])
    return result


def _moment(time_s: Array, track: Track, at: float) -> Moment:
    if not np.isfinite(at) or at > time_s[-1]:
        return Moment(at, *([float("nan")] * 5))
    i = min(int(np.searchsorted(time_s, at)), len(time_s) - 1)
    east, north, height = (float(np.interp(at, time_s, track.pos_enu_m[:, j])) for j in range(3))
    return Moment(at, east, north, height, float(track.tilt_rad[i]), float(track.tilt_azimuth_rad[i]))


def _assumptions(motion: Flown, source: str) -> tuple[str, ...]:
    lines = [f"guidance: {source}", f"disturbances and thrust smoothed to {motion.bandwidth_hz:g} Hz"]
    if not motion.has_commands:
        lines.append("no gimbal commands in the log: the flown ones are the steering law's own")
    return tuple(lines)


def columns(reflight: Reflight) -> dict[str, Array]:
    """The re-fly table, shape (n,) each: flown and re-flown side by side, metres and angles in degrees."""
    table = {"time_s": reflight.time_s}
    for name, track in (("flown", reflight.flown), ("reflown", reflight.reflown)):
        values: dict[str, Any] = dict(zip(("east_m", "north_m", "height_m"), track.pos_enu_m.T, strict=True))
        values |= {"tilt_deg": track.tilt_rad / DEG, "tilt_azimuth_deg": track.tilt_azimuth_rad / DEG, "roll_deg": track.roll_rad / DEG}
        values |= {"gimbal_x_deg": track.gimbal_rad[:, 0] / DEG, "gimbal_y_deg": track.gimbal_rad[:, 1] / DEG}
        table |= {f"{name}_{key}": value for key, value in values.items()}
    return table
