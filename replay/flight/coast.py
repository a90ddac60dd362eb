"""What the coast shows of the drag: its coefficient, the bias of the accelerometer beside it, and the levels the coefficient went through.

In the coast the accelerometer reads −D/m + b along the axis. One coefficient need not hold all the way to the top: an air brake goes in or
out, a hatch opens, a swing dies down. Where the force asks for it the coast is parted into levels, each with its own coefficient, and the
bias is shared by all of them.

References
----------
.. [1] M. Basseville, I. V. Nikiforov, Detection of Abrupt Changes, Prentice Hall, 1993: the likelihood ratio of a change of level.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate
from replay.flight.event import FlightEvents
from replay.flight.facts import VehicleFacts
from replay.flight.misalignment import autocorrelation_widening
from replay.motion import atmosphere
from replay.motion.site import Site
from replay.motion.solution import Solution
from replay.sensors.measurements import Measurements

Array = NDArray[np.float64]

AXIAL_BIAS_PRIOR_MPS2: Final = 0.4
"""One standard deviation of an accelerometer bias nothing is known of (40 mg, data-sheet size, value from memory)."""
BIAS_SIGMAS: Final = 3.0
"""A bias beyond this many of its prior's deviations is none: the coast holds something else, thrust after a burnout set too early, say."""
SPEED_SD: Final = 0.01
"""Relative standard deviation of the airspeed where the method gives none; the air is taken to be at rest."""
LEAST_SPEED_MPS: Final = 8.0
"""Below this the angle of attack near the top is anything; the coast is fitted above it."""
LEAST_DRAG_RATIO: Final = 3.0
"""D/m at burnout must exceed the bias's standard deviation by this to mean anything."""
MOST_LEVELS: Final = 3
LEAST_LEVEL_S: Final = 0.8
"""A level lasts at least this long: a gust or a single swing is none."""
LEVEL_GAIN: Final = 30.0
"""What a change must take off the chi-square, counted in independent samples (common practice for a change looked for at many places)."""
LEVEL_STEP: Final = 0.25
"""Neighbouring levels differ by at least this part of the smaller one: less is told apart from speed and wind by nobody."""
LEVEL_SIGMAS: Final = 5.0
RAMP_S: Final = 0.5
"""From one level to the next in this time: an air brake or a flap takes some tenths of a second."""
SWINGING: Final = 0.5
"""Force across the axis over the force along it, above which an angle of attack may be in the coefficient (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Axial:
    """From liftoff to apogee, n samples.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        On the log's clock.
    force : ndarray, shape (n,)
        Specific force along the nose, m/s².
    speed, speed_sd, axial_speed : ndarray, shape (n,)
        Airspeed, its standard deviation, and its part along the nose, m/s.
    density : ndarray, shape (n,)
        Of the air, kg/m³.
    across : ndarray, shape (n,)
        Size of the specific force across the nose, m/s².
    """

    time_s: Array
    force: Array
    speed: Array
    speed_sd: Array
    axial_speed: Array
    density: Array
    across: Array


@dataclass(frozen=True)
class DragLevel:
    """A part of the coast with one drag coefficient.

    Parameters
    ----------
    start_log_s, stop_log_s : float
    cd, cd_sd : float
    across_over_axial : float
        Root mean square of the force across the axis over that along it; large where the vehicle flew at an angle of attack.
    """

    start_log_s: float
    stop_log_s: float
    cd: float
    cd_sd: float
    across_over_axial: float = 0.0

    @property
    def is_swinging(self) -> bool:
        """An angle of attack may be in it (or a bias across the axis): the coefficient need not be that of straight flight."""
        return self.across_over_axial > SWINGING


@dataclass(frozen=True)
class DragFit:
    """Drag coefficient, level by level in order of time, and the axial bias.

    `residual_mps2` NaN: the coast shows nothing, `why` says so, and the coefficient is the vehicle file's. `ratio` is the largest drag of
    the coast over the bias's standard deviation: how well the two can be told apart.
    """

    levels: tuple[DragLevel, ...]
    bias_mps2: float
    bias_sd_mps2: float
    residual_mps2: float
    ratio: float
    why: str = ""

    @property
    def lowest(self) -> DragLevel:
        """The level with the least drag: the airframe with the least standing out."""
        return min(self.levels, key=lambda level: level.cd)

    @property
    def boost(self) -> tuple[float, float]:
        """Coefficient for the boost and its standard deviation.

        With several levels nothing says which one held while the motor burnt, the one after burnout or the lowest: half way between
        the two, and the deviation reaches both.
        """
        first, low = self.levels[0], self.lowest
        return 0.5 * (first.cd + low.cd), math.hypot(max(first.cd_sd, low.cd_sd), 0.5 * (first.cd - low.cd))

    def along(self, time_s: Array, burnout_log_s: float) -> tuple[Array, Array]:
        """Coefficient and its standard deviation at each time, shapes (n,): the boost's own up to burnout, then level by level."""
        weights = _level_weights(time_s, [level.start_log_s for level in self.levels[1:]])
        boosting = time_s <= burnout_log_s
        cd, sd = self.boost
        return (
            np.where(boosting, cd, weights @ np.array([level.cd for level in self.levels])),
            np.where(boosting, sd, weights @ np.array([level.cd_sd for level in self.levels])),
        )


def along_the_axis(measurements: Measurements, solution: Solution, events: FlightEvents, site: Site) -> Axial:
    """What thrust and drag are read from, from just before liftoff to apogee.

    Raises
    ------
    CannotEstimate
        Hardly a sample there.
    """
    from replay import rotation

    apogee = events.log_time_s("apogee")
    start = events["liftoff"].log_time_s - 0.25
    stop = apogee if math.isfinite(apogee) else events["burnout"].log_time_s + 10.0
    i, j = np.searchsorted(solution.log_time_s, (start, stop))
    rows = np.arange(i, j)
    rows = rows[np.isfinite(solution.accel_body_mps2[rows, 2]) & np.isfinite(solution.vel_enu_mps[rows, 2])]
    if len(rows) < 20:
        raise CannotEstimate("thrust and drag", "fewer than 20 samples from liftoff to apogee")
    velocity, force = solution.vel_enu_mps[rows], solution.accel_body_mps2[rows]
    nose = rotation.rotate(solution.q_enu_from_body[rows], [0.0, 0.0, 1.0])
    speed = np.linalg.norm(velocity, axis=1)
    sd: Array = SPEED_SD * speed
    if solution.vel_sd_enu_mps is not None:
        own = np.linalg.norm(np.nan_to_num(solution.vel_sd_enu_mps[rows]), axis=1)
        sd = np.asarray(np.maximum(sd, own), dtype=np.float64)
    height = solution.pos_enu_m[rows, 2]
    temperature = site.ground_temperature_or_default_k - atmosphere.LAPSE_K_PER_M * height
    density = atmosphere.density_kgpm3(_pressure(measurements, events, site, height), temperature)
    sideways = force[:, :2]
    if solution.accel_bias_body_mps2 is not None:
        sideways = sideways - np.nan_to_num(solution.accel_bias_body_mps2[rows, :2])  # what the method found in flight
    return Axial(
        solution.log_time_s[rows], force[:, 2], speed, sd, np.einsum("ij,ij->i", velocity, nose), np.asarray(density),
        np.nan_to_num(np.linalg.norm(sideways, axis=1)),
    )  # fmt: skip


def _pressure(measurements: Measurements, events: FlightEvents, site: Site, height_m: Array) -> Array:
    """Air pressure along the path: the pad's own, carried up by the height, so that no lag or port error of the barometer enters."""
    ground = float(atmosphere.standard_pressure_pa(site.ground_height_or_default_m))
    if measurements.baro_log_time_s is not None and measurements.pressure_pa is not None:
        pad = measurements.pressure_pa[measurements.baro_log_time_s < events["liftoff"].log_time_s - 0.2]
        ground = float(np.median(pad)) if len(pad) else ground
    t0 = site.ground_temperature_or_default_k
    return np.asarray(ground * (1.0 - atmosphere.LAPSE_K_PER_M * height_m / t0) ** atmosphere.EXPONENT)


def coast_rows(axial: Axial, events: FlightEvents) -> NDArray[np.bool_]:
    """The part of the coast that shows the drag, shape (n,): after the thrust, before the top and the parachute, and not too slow."""
    apogee, late = events.log_time_s("apogee"), events.log_time_s("deployment")
    stop = apogee - 0.3 if math.isfinite(apogee) else axial.time_s[-1]
    stop = min(stop, late - 0.1) if math.isfinite(late) else stop
    after = events["burnout"].log_time_s + 0.1
    return np.asarray((axial.time_s > after) & (axial.time_s < stop) & (axial.speed > LEAST_SPEED_MPS))


def fit_coast(axial: Axial, rows: NDArray[np.bool_], facts: VehicleFacts, dry_mass_kg: float) -> DragFit:
    """Weighted least squares of the coast's axial force on dynamic pressure, level by level, and a bias with its prior.

    The residuals of a coast are wobble and gusts, not white noise: the covariance is widened by their autocorrelation.
    `rows` (n,) is `coast_rows`. Where the coast shows nothing, `why` of the result says so.
    """
    if np.count_nonzero(rows) < 10:
        return _nothing(facts, "coast too short or too slow to show drag")
    time, force = axial.time_s[rows], axial.force[rows]
    pull = _pull(axial, rows, facts, dry_mass_kg)
    relative = axial.speed_sd[rows] / axial.speed[rows]
    changes = level_changes(time, force, pull, relative)
    solved, covariance, noise = _fit(time, force, pull, changes)
    if abs(float(solved[-1])) > BIAS_SIGMAS * AXIAL_BIAS_PRIOR_MPS2:
        return _nothing(facts, f"the force of the coast asks for a bias of {solved[-1]:.1f} m/s² and is not drag: thrust may be left in it")
    if float(np.min(solved[:-1])) <= 0.0:
        return _nothing(
            facts, "the force of the coast does not grow with the speed as drag does: it is too weak, or thrust may be left in it"
        )
    edges = [float(time[0]), *changes, float(time[-1])]
    levels = []
    for k, (start, stop) in enumerate(itertools.pairwise(edges)):
        inside = (time >= start) & (time <= stop)
        spread = float(covariance[k, k]) + (2.0 * float(np.median(relative[inside])) * solved[k]) ** 2 + (0.01 * solved[k]) ** 2
        along = float(np.sqrt(np.mean((force[inside] - solved[-1]) ** 2)))
        across = float(np.sqrt(np.mean(axial.across[rows][inside] ** 2)))
        levels.append(DragLevel(start, stop, float(solved[k]), math.sqrt(spread), across / max(along, 1e-9)))  # speed; mass to 1 %
    bias_sd = math.sqrt(float(covariance[-1, -1]))
    weights = _level_weights(time, changes)
    ratio = float(np.max((weights @ solved[:-1]) * pull)) / bias_sd
    return DragFit(tuple(levels), float(solved[-1]), bias_sd, noise, ratio)


def _nothing(facts: VehicleFacts, why: str) -> DragFit:
    level = DragLevel(math.nan, math.nan, facts.drag_coefficient or 0.0, 0.3)
    return DragFit((level,), 0.0, AXIAL_BIAS_PRIOR_MPS2, math.nan, 0.0, why)


def _pull(axial: Axial, rows: NDArray[np.bool_], facts: VehicleFacts, dry_mass_kg: float) -> Array:
    speed = axial.axial_speed[rows]
    return np.asarray(0.5 * axial.density[rows] * speed * np.abs(speed) * facts.area_m2 / dry_mass_kg)


def _level_weights(time_s: Array, changes: list[float]) -> Array:
    """How much of each level holds at each time, shape (n, levels): straight ramps around the changes, the sum is one."""
    past = [np.clip((time_s - change) / RAMP_S + 0.5, 0.0, 1.0) for change in changes]
    steps = [np.ones(len(time_s)), *past, np.zeros(len(time_s))]
    return np.stack([a - b for a, b in itertools.pairwise(steps)], axis=1)


def _fit(time_s: Array, force: Array, pull: Array, changes: list[float]) -> tuple[Array, Array, float]:
    """Coefficients and bias (k + 1,), their covariance, and the residual's root mean square. Every level has its own noise."""
    weights = _level_weights(time_s, changes)
    design = np.column_stack((-pull[:, None] * weights, np.ones(len(pull))))
    owner = np.argmax(weights, axis=1)
    prior = np.zeros((design.shape[1], design.shape[1]))
    prior[-1, -1] = 1.0 / AXIAL_BIAS_PRIOR_MPS2**2
    noise = np.full(len(pull), 0.05)
    widened = noise
    solved, left = np.zeros(design.shape[1]), force
    for _ in range(3):
        scaled = design / noise[:, None]
        solved = np.linalg.solve(scaled.T @ scaled + prior, scaled.T @ (force / noise))
        left = force - design @ solved
        widened = np.empty(len(pull))
        for k in range(weights.shape[1]):
            own = owner == k
            noise[own] = max(float(np.sqrt(np.mean(left[own] ** 2))), 0.01)
            widened[own] = noise[own] * math.sqrt(autocorrelation_widening(left[own]))
    scaled = design / widened[:, None]
    return solved, np.asarray(np.linalg.inv(scaled.T @ scaled + prior)), float(np.sqrt(np.mean(left**2)))


def level_changes(time_s: Array, force: Array, pull: Array, speed_sd_ratio: Array) -> list[float]:
    """Times at which the drag coefficient changes its level, in order; empty where one coefficient will do.

    The change that takes most off the chi-square is looked for; it stands where the gain is beyond chance, counted in independent
    samples, and the levels on both sides differ by a quarter and five sigma. Then the next one is looked for with it in place.

    Parameters
    ----------
    time_s, force, pull, speed_sd_ratio : ndarray, shape (n,)
        Axial specific force, ½ρV²A/m, and the relative standard deviation of the speed.
    """
    changes: list[float] = []
    sd = _local_sd(time_s, force, speed_sd_ratio)
    chi_square, _ = _misfit(time_s, force, pull, sd, changes)
    while len(changes) + 1 < MOST_LEVELS:
        fixed = np.array([time_s[0], *changes, time_s[-1]])
        candidates = np.arange(time_s[0] + LEAST_LEVEL_S, time_s[-1] - LEAST_LEVEL_S + 1e-9, 0.1)
        candidates = candidates[np.min(np.abs(candidates[:, None] - fixed), axis=1) >= LEAST_LEVEL_S - 1e-9]
        if not len(candidates):
            break
        tried = [_misfit(time_s, force, pull, sd, sorted([*changes, float(t)])) for t in candidates]
        best = int(np.argmin([chi for chi, _ in tried]))
        least, left = tried[best]
        proposed = sorted([*changes, float(candidates[best])])
        if (chi_square - least) / autocorrelation_widening(left) < LEVEL_GAIN or not _are_apart(time_s, force, pull, proposed):
            break
        changes, chi_square = proposed, least
    return changes


def _are_apart(time_s: Array, force: Array, pull: Array, changes: list[float]) -> bool:
    """Every level differs from its neighbour by a quarter and by five sigma, the bias they share taken into account."""
    solved, covariance, _ = _fit(time_s, force, pull, changes)
    for k in range(len(changes)):
        a, b = float(solved[k]), float(solved[k + 1])
        sd = math.sqrt(max(float(covariance[k, k] + covariance[k + 1, k + 1] - 2.0 * covariance[k, k + 1]), 0.0))
        least = min(a, b)
        if least <= 0.0 or abs(a - b) < max(LEVEL_STEP * least, LEVEL_SIGMAS * sd):
            return False
    return True


def _misfit(time_s: Array, force: Array, pull: Array, sd: Array, changes: list[float]) -> tuple[float, Array]:
    """Chi-square of the best levels with these changes, and the residuals over their standard deviations."""
    design = np.column_stack((-pull[:, None] * _level_weights(time_s, changes), np.ones(len(pull)))) / sd[:, None]
    prior = np.zeros((1, design.shape[1]))
    prior[0, -1] = 1.0 / AXIAL_BIAS_PRIOR_MPS2
    both, wanted = np.vstack((design, prior)), np.append(force / sd, 0.0)
    left = wanted - both @ np.linalg.solve(both.T @ both, both.T @ wanted)
    return float(left @ left), left[:-1]


def _local_sd(time_s: Array, force: Array, speed_sd_ratio: Array) -> Array:
    """Scatter of the force about its own line over half a second, with what the speed leaves and what a tenth of a bias would."""
    from scipy.ndimage import uniform_filter1d
    from scipy.signal import savgol_filter

    n = min(2 * round(0.25 / float(np.median(np.diff(time_s)))) + 1, 2 * ((len(force) - 1) // 2) + 1)
    if n < 5:
        return np.full(len(force), max(float(np.std(force)), 0.05))
    line = savgol_filter(force, n, 1)
    scatter = np.sqrt(uniform_filter1d((force - line) ** 2, n, mode="nearest"))
    return np.asarray(np.sqrt(scatter**2 + (2.0 * speed_sd_ratio * line) ** 2 + (0.1 * AXIAL_BIAS_PRIOR_MPS2) ** 2))


def cd_against_speed(
    axial: Axial, rows: NDArray[np.bool_], facts: VehicleFacts, dry_mass_kg: float, fit: DragFit
) -> tuple[Array, Array, Array]:
    """Drag coefficient in up to eight bins of speed: bin centre in m/s, value, standard deviation, shapes (k,).

    `rows` (n,) is `coast_rows`.
    """
    if np.count_nonzero(rows) < 40 or math.isnan(fit.residual_mps2):
        return np.empty(0), np.empty(0), np.empty(0)
    speed, force = axial.axial_speed[rows], axial.force[rows]
    pull = _pull(axial, rows, facts, dry_mass_kg)
    edges = np.linspace(speed.min(), speed.max() + 1e-9, 9)
    centre, value, sd = [], [], []
    for low, high in itertools.pairwise(edges):
        inside = (speed >= low) & (speed < high)
        if np.count_nonzero(inside) < 8:
            continue
        p, f = pull[inside], force[inside]
        mean = float(np.sum(-(f - fit.bias_mps2) * p) / np.sum(p * p))
        left = f - fit.bias_mps2 + mean * p
        noise = float(np.sqrt(np.mean(left**2) * autocorrelation_widening(left) / len(p)))
        centre.append(0.5 * (low + high))
        value.append(mean)
        sd.append(math.hypot(noise, fit.bias_sd_mps2) / float(np.sqrt(np.mean(p * p))))
    return np.array(centre), np.array(value), np.array(sd)
