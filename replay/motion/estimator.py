"""`estimate`: from a log and a calibration to a Solution, by any method."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from threading import Event
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, CannotEstimate
from replay.flightlog.audit import problems
from replay.flightlog.log import FlightLog
from replay.motion import filters, trajectory
from replay.motion.attitude import GAINS, estimate_attitude, quick_attitude, start_of
from replay.motion.flight_gaps import check_gaps
from replay.motion.gaps import bridge, spans
from replay.motion.levelling import level
from replay.motion.phasing import find_flight, gravity_gate
from replay.motion.settings import METHODS, EstimatorSettings
from replay.motion.site import Site
from replay.motion.solution import Events, Levelling, Solution
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import Measurements, Prepared, measure
from replay.sensors.noise import ImuNoise, measured_on_pad
from replay.units import DEG, STANDARD_GRAVITY_MPS2

if TYPE_CHECKING:
    from replay.sensors.mount import Mount

Array = NDArray[np.float64]
Vec3 = tuple[float, float, float]


def estimate(
    log: FlightLog,
    method: str = "smoother",
    *,
    calibration: Calibration | None = None,
    site: Site | None = None,
    settings: EstimatorSettings | None = None,
    events: Events | None = None,
    mount: Mount | None = None,
    imu_from_cg_m: Vec3 = (0.0, 0.0, 0.0),
    prepared: Prepared | None = None,
    progress: Callable[[float, str], None] | None = None,
    cancel: Event | None = None,
) -> Solution:
    """Attitude, velocity and position of a flight.

    Parameters
    ----------
    log : FlightLog
    method : str
        "integrate", "complementary", "gradient", "kalman" or "smoother".
    calibration : Calibration, optional
        Without it nothing is corrected but the gyro bias read on the pad.
    site : Site, optional
        Defaults are named in `Solution.assumptions`.
    settings : EstimatorSettings, optional
    events : Events, optional
        Found in the record where not given.
    mount : Mount, optional
        Found in the record where not given; keep it while only the calibration of a log changes.
    imu_from_cg_m : (float, float, float)
        Lever arm from the centre of gravity to the IMU, body axes.
    prepared : Prepared, optional
        `sensors.prepare(log)`, kept where the calibration of one log is changed again and again.
    progress : callable, optional
        Called with the fraction done, 0 to 1, and what is being done.
    cancel : threading.Event, optional
        Set from elsewhere, it stops the work.

    Returns
    -------
    Solution
        Velocity and position are NaN where the record holds no flight.

    Raises
    ------
    CannotEstimate
        The record can't carry it (`flightlog.audit.problems` says why, or a gap in flight is none that can be bridged), or there is no
        such method.
    Cancelled
    """
    from replay.jit import compiling_s

    begun = time.perf_counter() - compiling_s()
    if method not in METHODS:
        raise CannotEstimate("estimate", f"no method {method!r}; there are {', '.join(METHODS)}")
    calibration, site, settings = calibration or Calibration(), site or Site(), settings or EstimatorSettings()
    _refuse(log)
    step = _Steps(progress, cancel)
    if mount is None:
        from replay.sensors.mount import find_mount

        mount = find_mount(log, calibration)
    step(0.1, "applying the calibration")
    measurements = measure(log, calibration, mount, prepared)
    step(0.3, "finding the events")
    next_log_s = np.nan
    if events is None:
        events, next_log_s = find_flight(measurements, site)
    gaps = check_gaps(measurements, events, site)
    levelling = _with_pad_bias(level(measurements, events, site, settings), calibration)
    step(0.4, f"attitude and trajectory by {method}")
    if method in ("kalman", "smoother") and np.isfinite(events.liftoff_log_s):
        from replay.motion.smoother import filter_flight

        solution = filter_flight(
            measurements, events, site, levelling, settings,
            backward=method == "smoother", progress=lambda share: step(0.4 + 0.5 * share, f"{method} over the flight"), cancel=cancel,
        )  # fmt: skip
    else:
        solution = _by_attitude(method, measurements, events, site, levelling, settings)
    step(0.9, "putting the result together")
    solution = dataclasses.replace(
        _at_cg(solution, measurements, imu_from_cg_m),
        method=method,
        calibration=calibration,
        assumptions=(
            *gaps,
            *_assumptions(measurements, mount, events, site, calibration, imu_from_cg_m),
            *_other_flight(next_log_s),
            *(f"the log's audit doubts {issue.column}: {issue.text}" for issue in log.issues if issue.is_implausible),
            *solution.assumptions,
        ),
        run_time_s=time.perf_counter() - compiling_s() - begun,
    )
    step(1.0, "done")
    return solution


def _other_flight(next_log_s: float) -> tuple[str, ...]:
    if not np.isfinite(next_log_s):
        return ()
    return (f"another flight begins at {next_log_s:.1f} s of the log: touchdown and rest mix the two; cut the log between them",)


def _refuse(log: FlightLog) -> None:
    """No estimate of a log whose own audit says that it can't carry one."""
    found = problems(log)
    if found:
        column = f", column {found[0].column!r}" if found[0].column else ""
        raise CannotEstimate("estimate", f"{', '.join(log.paths)}{column}: {found[0].text}")


class _Steps:
    """Reports progress, and stops where asked to."""

    def __init__(self, progress: Callable[[float, str], None] | None, cancel: Event | None) -> None:
        self._progress, self._cancel = progress, cancel

    def __call__(self, fraction: float, text: str) -> None:
        if self._cancel is not None and self._cancel.is_set():
            raise Cancelled("estimate stopped")
        if self._progress is not None:
            self._progress(fraction, text)


def _with_pad_bias(levelling: Levelling, calibration: Calibration) -> Levelling:
    """Where the calibration says that it holds the whole gyro bias, the one read on the pad is not taken off."""
    if calibration.gyro_pad_bias:
        return levelling
    return dataclasses.replace(levelling, gyro_bias_body_radps=np.zeros(3))


def noise_of(measurements: Measurements, levelling: Levelling, settings: EstimatorSettings) -> ImuNoise:
    """Noise as set by the user, else as measured in the levelling window, else the stated default."""
    noise = measured_on_pad(measurements, levelling.start_log_s, levelling.stop_log_s)
    overrides = settings.noise_overrides
    return dataclasses.replace(noise, **overrides, defaulted=noise.defaulted - frozenset(overrides))


def _by_attitude(
    method: str, measurements: Measurements, events: Events, site: Site, levelling: Levelling, settings: EstimatorSettings
) -> Solution:
    """The methods that find the attitude first and integrate the trajectory on it."""
    time_s = measurements.log_time_s
    accel = measurements.accel_body_mps2
    rate = measurements.rate_body_radps - levelling.gyro_bias_body_radps
    gate = np.zeros(len(time_s), dtype=bool) if method == "integrate" else gravity_gate(measurements, events, settings)
    extra: dict[str, Any] = {}
    if method in ("kalman", "smoother"):
        found = estimate_attitude(
            time_s, rate, accel, method, is_gravity_used=gate, is_gap_before=measurements.is_gap_before,
            mask=measurements.is_rate_clipped, pad_azimuth_rad=site.pad_azimuth_or_default_rad,
        )  # fmt: skip
        q, gate = found.q_enu_from_body, found.is_gravity_used
        extra = {
            "tilt_sd_rad": found.tilt_sd_rad,
            "gyro_bias_body_radps": found.gyro_bias_body_radps,
            "gyro_bias_sd_radps": found.gyro_bias_sd_radps,
            "diagnostics": {"horizontal position innovation (m)": (found.details["epoch_time_s"], found.details["innovation_m"])},
            "assumptions": (
                f"each sample taken for {1e3 * found.details['settings'].lag_s:.2g} ms late, give or take as much: the mean over its step",
            ),
        }
    if measurements.n_bad:
        accel, rate = filters.filled(time_s, accel), filters.filled(time_s, rate)
    if method in GAINS:
        is_gap = np.asarray(measurements.is_gap_before)
        bridged = bridge(time_s, rate, accel, *spans(is_gap, np.zeros(len(is_gap), dtype=bool)))
        rate, accel = bridged.rate_body_radps, bridged.accel_body_mps2
        has_flight = bool(np.isfinite(events.liftoff_log_s))
        q = quick_attitude(method, measurements, rate, accel, levelling, gate, settings, has_flight=has_flight)
    solution = Solution(
        method=method,
        calibration=Calibration(),
        log_time_s=time_s,
        q_enu_from_body=q,
        pos_enu_m=np.broadcast_to(np.nan, (len(time_s), 3)),
        vel_enu_mps=np.broadcast_to(np.nan, (len(time_s), 3)),
        accel_body_mps2=accel,
        rate_body_radps=rate,
        is_gravity_used=gate,
        events=events,
        levelling=levelling,
        **extra,
    )
    return _with_trajectory(solution, measurements, site, settings) if np.isfinite(events.liftoff_log_s) else solution


def _with_trajectory(solution: Solution, measurements: Measurements, site: Site, settings: EstimatorSettings) -> Solution:
    events, levelling, time_s = solution.events, solution.levelling, solution.log_time_s
    vel, pos = trajectory.dead_reckoned(
        time_s, solution.q_enu_from_body, solution.accel_body_mps2, site,
        events.liftoff_log_s - trajectory.START_MARGIN_S, events.rest_log_s,
    )  # fmt: skip
    noise = noise_of(measurements, levelling, settings)
    vertical = None
    if settings.use_barometer:
        vertical = trajectory.aid_height(
            measurements, solution.q_enu_from_body, vel, pos, events, site, levelling, noise, settings
        )  # fmt: skip
    fields: dict[str, Any] = {"vel_enu_mps": vel, "pos_enu_m": pos}
    if solution.method == "integrate":
        fields["tilt_sd_rad"] = _gyro_only_tilt_sd(solution, measurements, noise)
    lines = _noise_lines(solution.method, noise)
    if measurements.gnss_log_time_s is not None and settings.use_gnss:
        lines.append(f"satellite positions not used: {solution.method!r} takes none")
    if vertical is None:
        lines.append("height not held to a barometer: " + ("none in the log" if settings.use_barometer else "switched off"))
    else:
        fields |= _vertical_fields(vertical)
        if not vertical.is_used.all():
            lines.append(f"{int((~vertical.is_used).sum())} of {len(vertical.is_used)} barometric heights refused")
    return dataclasses.replace(solution, **fields, assumptions=tuple(lines))


def _vertical_fields(vertical: trajectory.Vertical) -> dict[str, Any]:
    """Standard deviations of height and vertical speed, refusals and innovations, measured less predicted."""
    is_used, innovation = vertical.is_used, -vertical.innovation_sigmas
    times, sigmas = vertical.log_time_s[~is_used].tolist(), innovation[~is_used].tolist()
    return {
        "pos_sd_enu_m": vertical.pos_sd_enu_m,
        "vel_sd_enu_mps": vertical.vel_sd_enu_mps,
        "rejected": tuple(zip(["barometer"] * len(times), times, sigmas, strict=True)),
        "gates": {"barometer": (vertical.log_time_s[:1], np.array([trajectory.BARO_GATE_SIGMAS]))},
        "diagnostics": {
            "barometer innovation (sigmas)": (vertical.log_time_s[is_used], innovation[is_used]),
            "barometric height (m)": (vertical.log_time_s, vertical.height_m),
        },
    }


def _noise_lines(method: str, noise: ImuNoise) -> list[str]:
    """Defaults that the standard deviations lean on."""
    lines = []
    if "accel_bias_sd_mps2" in noise.defaulted:
        lines.append(
            f"accelerometer bias left by the calibration: {noise.accel_bias_sd_mps2:.3g} m/s² (default), which a tilt levelled on the pad "
            f"can't be better than: {noise.accel_bias_sd_mps2 / STANDARD_GRAVITY_MPS2 / DEG:.1f}°"
        )
    if method == "integrate" and "gyro_scale_sd" in noise.defaulted:
        lines.append(f"gyro scale left by the calibration: {noise.gyro_scale_sd * 100:g} % (default)")
    return lines


def _gyro_only_tilt_sd(solution: Solution, measurements: Measurements, noise: ImuNoise) -> Array:
    """Standard deviation of a gyro-only tilt: levelling, gyro bias and its walk, white noise, scale and gaps, grown from the pad.

    Levelling can't see the accelerometer bias that the calibration leaves, so that goes in at its prior (1 mg is 0.057 degrees).
    """
    from replay.motion import _kernels

    levelling, out = solution.levelling, np.empty(len(solution.log_time_s))
    levelled_sd = float(np.hypot(levelling.tilt_sd_rad, noise.accel_bias_sd_mps2 / STANDARD_GRAVITY_MPS2))
    _kernels.grow_tilt_sd(
        solution.log_time_s, solution.q_enu_from_body, solution.rate_body_radps, measurements.is_gap_before, measurements.is_rate_clipped,
        start_of(measurements, levelling), levelled_sd, float(np.max(levelling.gyro_bias_sd_radps[:2])),
        noise.gyro_nd_radps_rthz, noise.gyro_walk_radps_rts, noise.gyro_scale_sd, out,
    )  # fmt: skip
    return out


def _at_cg(solution: Solution, measurements: Measurements, imu_from_cg_m: Vec3) -> Solution:
    """Velocity, position and specific force of the centre of gravity instead of the IMU's."""
    if not any(imu_from_cg_m):
        return solution
    vel, pos = trajectory.to_cg(
        solution.q_enu_from_body, solution.rate_body_radps, imu_from_cg_m, solution.vel_enu_mps, solution.pos_enu_m
    )  # fmt: skip
    accel = trajectory.specific_force_at_cg(
        solution.log_time_s, solution.rate_body_radps, solution.accel_body_mps2, imu_from_cg_m, measurements.is_gap_before
    )  # fmt: skip
    return dataclasses.replace(solution, vel_enu_mps=vel, pos_enu_m=pos, accel_body_mps2=accel)


def _assumptions(
    measurements: Measurements, mount: Mount, events: Events, site: Site, calibration: Calibration, imu_from_cg_m: Vec3
) -> tuple[str, ...]:
    lines = list(site.assumptions())
    if np.isfinite(events.liftoff_log_s) and not any(imu_from_cg_m):
        lines.append("no lever arm: the IMU is taken to sit at the centre of gravity")
    if mount.note:
        lines.append(mount.note)
    lines += measurements.notes
    if not calibration.gyro_pad_bias:
        lines.append("gyro bias read on the pad not taken off: the calibration says it holds the whole bias")
    if not np.isfinite(events.liftoff_log_s):
        lines.append("no flight found in the record: attitude only")
    return tuple(lines)
