"""Uncertainty of a re-flight: an ensemble over what is known of the calibration and of the vehicle.

Each member draws a true calibration from the posterior and a vehicle from the vehicle file's tolerances, moves the flown motion with the
calibration, and flies again. Draws are seeded member by member, so the result depends neither on the executor nor on how the work is cut.
The flown motion is taken as linear in the calibration: one estimate per principal direction of the posterior, not one per member.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import Cancelled, CannotEstimate
from replay.sensors.calibration import Calibration, CalibrationFile, gyro_matrix
from replay.whatif.descent import Path, path_of, touchdown_of, tracks_of
from replay.whatif.disturbance import Flown, flown_motion, with_vehicle
from replay.whatif.refly import Flight, fly_again, prepare_flight
from replay.whatif.vehicle import Guidance, Vehicle

if TYPE_CHECKING:
    from replay.flightlog.log import FlightLog
    from replay.motion.solution import Solution

Array = NDArray[np.float64]

GRID_HZ = 20.0
_CHUNK = 10
"""Members per piece of work: small enough for progress and for stopping, large enough that sending the flight along is nothing."""


class Cancel(Protocol):
    """What tells a long piece of work to stop: a `threading.Event` does."""

    def is_set(self) -> bool: ...


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known of the true calibration.

    Parameters
    ----------
    calibration : Calibration
        The best estimate.
    components : tuple of (str, int)
        Field of Calibration and axis, k of them.
    covariance : ndarray, shape (k, k)
        SI.
    """

    calibration: Calibration
    components: tuple[tuple[str, int], ...]
    covariance: Array

    @classmethod
    def of_sd(cls, calibration: Calibration, sd: Mapping[str, Sequence[float]]) -> Posterior:
        """From standard deviations alone, taken as independent; components without one are taken as exact."""
        components = tuple(
            (name, axis) for name, values in sd.items() for axis in range(3) if np.isfinite(values[axis]) and values[axis] > 0.0
        )
        return cls(calibration, components, np.diag([sd[name][axis] ** 2 for name, axis in components]))

    @classmethod
    def of_file(cls, file: CalibrationFile) -> Posterior:
        """From a calibration file's standard deviations, and their correlation as far as it states one."""
        alone = cls.of_sd(file.calibration, file.sd)
        correlation = np.eye(len(alone.components))
        places = [alone.components.index(component) for component in file.correlated]
        correlation[np.ix_(places, places)] = file.correlation
        sd = np.sqrt(np.diag(alone.covariance))
        return cls(file.calibration, alone.components, correlation * np.outer(sd, sd))

    def directions(self) -> Array:
        """Principal directions times their standard deviation, shape (k, r): offset = directions @ standard normal draws."""
        if not self.components:
            return np.zeros((0, 0))
        scale = np.sqrt(np.maximum(np.diag(self.covariance), 1e-300))
        values, vectors = np.linalg.eigh(self.covariance / np.outer(scale, scale))
        keep = values > 1e-9 * values.max()
        return np.asarray(scale[:, None] * vectors[:, keep] * np.sqrt(values[keep]))

    def moved(self, offset: Array) -> Calibration:
        """The calibration with an offset, shape (k,), added to its components."""
        changed: dict[str, list[float]] = {}
        for (name, axis), value in zip(self.components, offset, strict=True):
            changed.setdefault(name, list(getattr(self.calibration, name)))[axis] += float(value)
        return replace(self.calibration, **{name: tuple(values) for name, values in changed.items()})  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Ensemble:
    """Members of one ensemble, N of them, on an even grid of m times. NaN where a member does not get there.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
        After liftoff.
    flown_pos_enu_m, reflown_pos_enu_m : ndarray, shape (N, m, 3)
    flown_tilt_rad, reflown_tilt_rad : ndarray, shape (N, m)
    apogee_enu_m, touchdown_enu_m : ndarray, shape (N, 2, 3)
        Flown and re-flown.
    seed : int
    assumptions : tuple of str
    """

    time_s: Array
    flown_pos_enu_m: Array
    reflown_pos_enu_m: Array
    flown_tilt_rad: Array
    reflown_tilt_rad: Array
    apogee_enu_m: Array
    touchdown_enu_m: Array
    seed: int
    assumptions: tuple[str, ...]

    @property
    def n_members(self) -> int:
        """N."""
        return len(self.apogee_enu_m)

    def band(self, values: Array, share: float = 0.9) -> tuple[Array, Array, Array]:
        """Low, middle and high quantile of `values` (N, …) over the members that hold `share` between them, shape (…) each."""
        with np.errstate(all="ignore"):
            low, middle, high = np.nanquantile(values, (0.5 - 0.5 * share, 0.5, 0.5 + 0.5 * share), axis=0)
        return low, middle, high


@dataclass(frozen=True, eq=False)
class _Task:
    """All a worker needs; sent along with every piece of work."""

    flight: Flight
    path: Path
    posterior: Posterior
    vehicle: Vehicle
    directions: Array
    states: Array
    accel: Array
    seed: int
    grid_s: Array
    dcm_body_from_imu: Array


def run_ensemble(
    log: FlightLog,
    flown: Solution,
    vehicle: Vehicle,
    *,
    onboard: Calibration,
    posterior: Posterior,
    solve: Callable[[Calibration], Solution],
    as_flown: Calibration | None = None,
    guidance: Guidance | None = None,
    bandwidth_hz: float = 12.0,
    n_members: int = 200,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Callable[[float, str], None] | None = None,
    cancel: Cancel | None = None,
) -> Ensemble:
    """Fly `n_members` times.

    Parameters
    ----------
    log, flown, vehicle, onboard, as_flown, guidance, bandwidth_hz
        As `refly`.
    posterior : Posterior
        Its calibration should be that of `flown`.
    solve : callable
        Estimate that takes a calibration at its word: `lambda c: estimate(log, "integrate", calibration=c, ...)`, whatever method gave
        `flown`. (A smoother would find its own way back from a moved calibration.) Called here, once per principal direction and once.
    n_members, seed : int
    executor : concurrent.futures.Executor, optional
        Any: a process pool, or what a cluster's client gives. Where not given, threads on all cores of this machine: the compiled loops
        let go of the interpreter, and a few hundred members are flown before other processes have loaded. It is not shut down.
    progress : callable, optional
        Called with the fraction done, 0 to 1, and what is being done.
    cancel : object with `is_set()`, optional

    Raises
    ------
    CannotEstimate
        As `refly`; or no members asked for.
    Cancelled
    """
    if n_members < 2:
        raise CannotEstimate("ensemble", f"at least 2 members are needed, {n_members} asked for")
    tell = progress or (lambda fraction, text: None)
    flight = prepare_flight(log, flown, vehicle, onboard=onboard, as_flown=as_flown, guidance=guidance, bandwidth_hz=bandwidth_hz)
    task = _task(log, flown, vehicle, flight, posterior, solve, seed, tell, cancel)
    pieces = [range(i, min(i + _CHUNK, n_members)) for i in range(0, n_members, _CHUNK)]
    if executor is not None:
        parts = _gather(executor, task, pieces, tell, cancel)
    else:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            parts = _gather(pool, task, pieces, tell, cancel)
    pos, tilt, apogee, touchdown = (np.concatenate([part[i] for part in parts]) for i in range(4))
    tell(1.0, "done")
    return Ensemble(
        task.grid_s, pos[:, 0], pos[:, 1], tilt[:, 0], tilt[:, 1], apogee, touchdown, seed, (*_assumptions(posterior, vehicle),)
    )  # fmt: skip


def _task(
    log: FlightLog,
    flown: Solution,
    vehicle: Vehicle,
    flight: Flight,
    posterior: Posterior,
    solve: Callable[[Calibration], Solution],
    seed: int,
    tell: Callable[[float, str], None],
    cancel: Cancel | None,
) -> _Task:
    """How the flown motion up to the parachute moves with each principal direction of the posterior, by one standard deviation."""
    directions, motion, path = posterior.directions(), flight.motion, path_of(flown, flight.motion)
    n_directions = directions.shape[1]
    states, accel = np.zeros((n_directions, *motion.states.shape)), np.zeros((n_directions, *motion.accel_body_mps2.shape))

    def solved(calibration: Calibration) -> Flown:
        if cancel is not None and cancel.is_set():
            raise Cancelled("ensemble stopped")
        return flown_motion(replace(solve(calibration), events=flown.events), log, vehicle, motion.bandwidth_hz)

    here = solved(posterior.calibration) if n_directions else motion
    for i in range(n_directions):
        tell(0.2 * i / n_directions, "how the flown motion moves with the calibration")
        away = solved(posterior.moved(directions[:, i]))
        away.states[:, 6:10] *= np.sign(np.einsum("ij,ij->i", away.states[:, 6:10], here.states[:, 6:10]))[:, None]
        states[i], accel[i] = away.states - here.states, away.accel_body_mps2 - here.accel_body_mps2
    if n_directions:  # signs of a rotation's two quaternions: those of the motion that is moved
        states[:, :, 6:10] *= np.sign(np.einsum("ij,ij->i", here.states[:, 6:10], motion.states[:, 6:10]))[:, None]
    grid_s = np.arange(0.0, path.time_s[-1], 1.0 / GRID_HZ)
    return _Task(flight, path, posterior, vehicle, directions, states, accel, seed, grid_s, flight.dcm_body_from_imu)


def _gather(executor: Executor, task: _Task, pieces: list[range], tell: Callable[[float, str], None], cancel: Cancel | None) -> list[Any]:
    """Hand out the pieces, report as they come back, stop where asked to."""
    futures: list[Future[Any]] = [executor.submit(_fly_members, task, piece) for piece in pieces]
    pending, n_members = set(futures), sum(len(piece) for piece in pieces)
    try:
        while pending:
            done, pending = wait(pending, timeout=0.1, return_when="FIRST_COMPLETED")
            if done:
                flown = sum(len(piece) for piece, future in zip(pieces, futures, strict=True) if future not in pending)
                tell(0.2 + 0.8 * flown / n_members, f"{flown} of {n_members} members flown")
            if cancel is not None and cancel.is_set():
                raise Cancelled("ensemble stopped")
            for future in done:
                future.result()
    except BaseException:
        for future in pending:
            future.cancel()
        raise
    return [future.result() for future in futures]


def _fly_members(task: _Task, members: range) -> tuple[Array, Array, Array, Array]:
    """Fly some members: path and tilt on the grid, apogee and touchdown, flown and re-flown each."""
    m, grid = len(task.grid_s), task.grid_s
    pos, tilt = np.full((len(members), 2, m, 3), np.nan), np.full((len(members), 2, m), np.nan)
    apogee, touchdown = np.full((len(members), 2, 3), np.nan), np.full((len(members), 2, 3), np.nan)
    for i, member in enumerate(members):
        random = np.random.default_rng((task.seed, member))
        draw: Array = np.asarray(random.standard_normal(task.directions.shape[1]))
        motion, path, calibration = _moved(task, draw, random)
        mount = rotation.to_dcm(rotation.from_rotvec(calibration.mount_rotation_rad))
        base = rotation.to_dcm(rotation.from_rotvec(task.posterior.calibration.mount_rotation_rad))
        gain = mount @ base.T @ task.dcm_body_from_imu @ gyro_matrix(calibration)
        rows, _ = fly_again(motion, task.flight.law, task.flight.onboard, gain, task.flight.command, task.flight.law_command)
        for j, track in enumerate(tracks_of(path, rows)):
            for axis in range(3):
                pos[i, j, :, axis] = np.interp(grid, path.time_s, track.pos_enu_m[:, axis])
            tilt[i, j] = np.interp(grid, path.time_s, track.tilt_rad)
            apogee[i, j] = track.pos_enu_m[int(np.argmax(track.pos_enu_m[:, 2]))]
            at = path.touchdown_s if j == 0 else touchdown_of(path, track)
            if np.isfinite(at) and at <= path.time_s[-1]:
                touchdown[i, j] = [np.interp(at, path.time_s, track.pos_enu_m[:, axis]) for axis in range(3)]
    return pos, tilt, apogee, touchdown


def _moved(task: _Task, draw: Array, random: np.random.Generator) -> tuple[Flown, Path, Calibration]:
    """One member's flown motion and path, and the calibration it takes for true."""
    base, path = task.flight.motion, task.path
    calibration = task.posterior.moved(task.directions @ draw)
    states, accel, n = base.states, base.accel_body_mps2, path.n_free
    pos, vel, q = path.pos_enu_m.copy(), path.vel_enu_mps.copy(), path.q_enu_from_body.copy()
    if len(draw):
        states = states + np.tensordot(draw, task.states, axes=1)
        states[:, 6:10] = rotation.normalise(states[:, 6:10])
        accel = accel + np.tensordot(draw, task.accel, axes=1)
        pos[:n], vel[:n], q[:n] = states[:, 0:3], states[:, 3:6], states[:, 6:10]
        pos[n:] += states[-1, 0:3] - base.states[-1, 0:3]
    motion = with_vehicle(replace(base, states=states, accel_body_mps2=accel), drawn_vehicle(task.vehicle, random), path.burnout_s)
    return motion, replace(path, pos_enu_m=pos, vel_enu_mps=vel, q_enu_from_body=q), calibration


def drawn_vehicle(vehicle: Vehicle, random: np.random.Generator) -> Vehicle:
    """A vehicle drawn from the vehicle file's tolerances. Its guidance is what the computer runs: exact."""
    t, z = vehicle.tolerance, random.standard_normal(8)
    factor = 1.0 + t.inertia * z[1]
    aero = replace(
        vehicle.aero,
        drag_coefficient=vehicle.aero.drag_coefficient * (1.0 + t.drag_coefficient * z[2]),
        normal_force_slope_per_rad=vehicle.aero.normal_force_slope_per_rad * (1.0 + t.normal_force_slope * z[3]),
        cp_below_cg_m=vehicle.aero.cp_below_cg_m + t.cp_below_cg_m * z[4],
    )
    gimbal = vehicle.gimbal and replace(
        vehicle.gimbal,
        time_constant_s=vehicle.gimbal.time_constant_s * max(0.0, 1.0 + t.gimbal_time_constant * z[6]),
        delay_s=max(0.0, vehicle.gimbal.delay_s + t.gimbal_delay_s * z[7]),
    )
    ix, iy, iz = vehicle.inertia_kgm2
    return replace(
        vehicle,
        liftoff_mass_kg=vehicle.liftoff_mass_kg * (1.0 + t.mass * z[0]),
        inertia_kgm2=(ix * factor, iy * factor, iz * factor),
        gimbal_below_cg_m=vehicle.gimbal_below_cg_m + t.gimbal_below_cg_m * z[5],
        aero=aero,
        gimbal=gimbal,
    )


def _assumptions(posterior: Posterior, vehicle: Vehicle) -> list[str]:
    lines = ["ensemble: flown motion up to the parachute linear in the calibration, shifted as a whole below it; the steering law exact"]
    if not posterior.components:
        lines.append("ensemble: no standard deviations of the calibration given, taken as exact")
    default = sorted(key for key in vehicle.defaulted if key.startswith("tolerance."))
    if default:
        lines.append(f"vehicle file does not state {', '.join(default)}: defaults used")
    return lines
