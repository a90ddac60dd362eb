"""Slow twins of `_kernels_kalman*.py` in plain NumPy: dense matrices forward, and the textbook Rauch–Tung–Striebel recursion backward.

The compiled code exploits the structure of the transition and runs the smoother in its adjoint form; none of that is repeated here, so
that agreement means something.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion import _kernels_kalman_epochs as epochs
from replay.motion import _kernels_kalman_layout as k

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

FORGOTTEN = (0, 1, 3, 4, 5, 6)  # errors that levelling afresh starts anew
MOVING = (3, 4, 5, 6)  # and those that a thing that has moved off does


def find_flags(time_s: Array, rate: Array, accel: Array, suspect: Mask, is_used: Mask, is_gap: Mask, gap_s: float) -> Bytes:
    """Flags of every sample; empty masks mean none, all, and "found by `gap_s`"."""
    n = len(time_s)
    flags = np.where(np.isfinite(rate).all(axis=1), 0, epochs.RATE_MISSING)
    flags |= np.where(np.isfinite(accel).all(axis=1), 0, epochs.ACCEL_LOST)
    flags |= np.where(is_used, 0, epochs.ACCEL_LOST) if len(is_used) else 0
    flags |= np.where(suspect, epochs.RATE_CLIPPED, 0) if len(suspect) else 0
    gap = is_gap.copy() if len(is_gap) else np.diff(time_s, prepend=time_s[0]) > gap_s
    gap[0] = False
    return np.asarray(flags | np.where(gap, epochs.GAP_BEFORE, 0), dtype=np.uint8).reshape(n)


def split_epochs(time_s: Array, flags: Bytes, epoch_s: float) -> Ints:
    """Sample indices that bound the epochs."""
    stops = [0]
    for i in range(1, len(time_s)):
        is_gap = bool(flags[i] & epochs.GAP_BEFORE)
        if is_gap and stops[-1] < i - 1:
            stops.append(i - 1)
        if is_gap or i == len(time_s) - 1 or time_s[i + 1] - time_s[stops[-1]] > epoch_s * (1.0 + 1e-9):
            stops.append(i)
    return np.array(stops)


def epoch_scatter(rate: Array, accel: Array, flags: Bytes, stops: Ints) -> Array:
    """Mean rate, mean specific force, and their mean squared distance from it, shape (m, 8)."""
    out = np.zeros((len(stops) - 1, 8))
    for e, (first, last) in enumerate(itertools.pairwise(stops)):
        here = slice(first + 1, last + 1)
        if flags[first + 1] & epochs.GAP_BEFORE:
            out[e, 6:] = np.inf
            continue
        bad = np.inf if (flags[here] & (epochs.RATE_MISSING | epochs.RATE_CLIPPED | epochs.ACCEL_LOST)).any() else 0.0
        for j, values in enumerate((rate[here], accel[here])):
            out[e, 3 * j : 3 * j + 3] = values.mean(axis=0)
            out[e, 6 + j] = values.var(axis=0).sum() + bad
    return out


def find_rest(
    time_s: Array, stops: Ints, scatter: Array, rate_limit: float, accel_limit: float, fastest: float, rest_s: float, *, is_acausal: bool
) -> NDArray[np.bool_]:
    """Epochs at rest, shape (m,)."""
    rest = np.zeros(len(scatter), dtype=bool)
    share = epochs.MEAN_SHARE
    stretch: list[int] = []
    for e, row in enumerate(scatter):
        mean = scatter[stretch, :6].mean(axis=0) if stretch else row[:6]
        still = row[6] < rate_limit**2 and row[7] < accel_limit**2 and np.linalg.norm(row[:3]) < fastest
        still = still and np.linalg.norm(row[:3] - mean[:3]) < share * rate_limit
        still = still and np.linalg.norm(row[3:6] - mean[3:]) < share * accel_limit
        stretch = [*stretch, e] if still else []
        if stretch and time_s[stops[e + 1]] - time_s[stops[stretch[0]]] >= rest_s:
            rest[stretch if is_acausal else e] = True
    return rest


@dataclass
class Epoch:
    """One epoch as the backward pass needs it: transition to it, covariances and state before and after its measurements."""

    F: Array
    P_prior: Array
    P: Array
    x: Array
    dx: Array
    q: Array  # of its samples, lags applied
    tilt_sd: Array
    nis: float
    innovation: Array = field(default_factory=lambda: np.full(2, np.nan))
    sigmas: Array = field(default_factory=lambda: np.full(2, np.nan))


@dataclass
class Sums:
    """Pre-integration of one epoch."""

    turn: Array
    force: Array
    double: Array
    lagged: Array
    mean_rate: Array
    turned: float = 0.0
    time: float = 0.0
    no_rate: float = 0.0
    clipped: float = 0.0
    no_accel: float = 0.0
    rough: float = 0.0


def true_rate(rate: Array, x: Array) -> Array:
    """Bias and scale taken off, shape (..., 3)."""
    return np.asarray(rate - x[8:11] - rate @ x[11:20].reshape(3, 3).T)


def step(dt: float, a: Array, b: Array) -> Array:
    """Rotation vector of a step: trapezoid and coning."""
    return np.asarray(0.5 * dt * (a + b) + dt**2 / 12.0 * np.cross(a, b))


def integrate(time_s: Array, rate: Array, first: int, last: int, x: Array) -> Array:
    """Attitudes of samples first to last from the one in `x`."""
    q = [rotation.normalise(x[:4])]
    for i in range(first + 1, last + 1):
        turn = step(time_s[i] - time_s[i - 1], true_rate(rate[i - 1], x), true_rate(rate[i], x))
        q.append(rotation.normalise(rotation.multiply(q[-1], rotation.from_rotvec(turn))))
    return np.array(q)


def preintegrate(time_s: Array, rate: Array, accel: Array, flags: Bytes, first: int, last: int, x: Array) -> tuple[Array, Sums]:
    """Attitudes of the epoch's samples, its first included, and what its transition needs."""
    q = integrate(time_s, rate, first, last, x)
    R = rotation.to_dcm(q)
    w = true_rate(rate[first : last + 1], x)
    f = accel[first : last + 1] - x[21:24]
    crossed = np.cross(w, f)
    force = np.einsum("nij,nj->ni", R, f + x[20] * crossed)
    s = Sums(np.zeros((3, 12)), np.zeros(3), np.zeros(2), np.zeros(2), np.zeros(3))
    velocity = np.zeros(3)
    since, raw_turn, old = 0.0, np.zeros(3), R[0]
    for j in range(1, last - first + 1):
        i = first + j
        dt = time_s[i] - time_s[i - 1]
        both = int(flags[i]) | int(flags[i - 1]) & ~epochs.GAP_BEFORE
        is_gap = bool(flags[i] & epochs.GAP_BEFORE)
        is_lost = bool(both & epochs.ACCEL_LOST) or is_gap
        if not is_lost:
            mean = 0.5 * (force[j - 1] + force[j])
            s.double += dt * (velocity + 0.5 * dt * mean)[:2]
            s.rough += 0.25 * dt**2 * float(((force[j] - force[j - 1])[:2] ** 2).sum())
            velocity = velocity + dt * mean
            s.lagged += dt * (R[j] @ crossed[j])[:2]
        else:
            s.double += dt * velocity[:2]
        s.no_accel += dt if is_lost else 0.0
        s.clipped += dt if both & epochs.RATE_CLIPPED else 0.0
        s.no_rate += dt if not both & epochs.RATE_CLIPPED and (both & epochs.RATE_MISSING or is_gap) else 0.0
        since += dt
        raw_turn = raw_turn + dt * rate[i]
        s.mean_rate += dt * rate[i]
        if since >= k.GROUP_S or i == last:
            R_mean = 0.5 * (old + R[j])
            s.turn -= np.concatenate((R_mean * since, np.einsum("kr,c->krc", R_mean, raw_turn).reshape(3, 9)), axis=1)
            since, raw_turn, old = 0.0, np.zeros(3), R[j]
        s.turned += dt * float(w[j] @ w[j])
        s.time += dt
    s.force, s.mean_rate = velocity, s.mean_rate / s.time
    return q, s


def transition(s: Sums) -> Array:
    """F of an epoch, shape (23, 23)."""
    F = np.eye(k.N)
    F[:3, k.BIAS : k.LAG] = s.turn
    # specific force pushes along x where the vertical leans about y, and against y where it leans about x; half way through the epoch
    lean = s.force[2] * np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    speed = np.zeros((2, k.N))
    speed[:, : k.VEL] = lean
    speed[:, k.BIAS : k.LAG] = 0.5 * lean @ s.turn
    speed[:, k.LAG] = s.lagged
    speed[:, k.ACCEL_BIAS :] = s.turn[:2, :3]
    F[k.VEL : k.POS] += speed
    F[k.POS : k.CONSTANTS, k.VEL : k.POS] = s.time * np.eye(2)
    F[k.POS : k.CONSTANTS] += 0.5 * s.time * speed
    return F


def process_noise(s: Sums, noise: Array, *, is_rest: bool) -> Array:
    """Diagonal of Q, shape (23,)."""
    t = s.time
    q = np.zeros(k.N)
    q[:3] = noise[k.GYRO_ND] ** 2 * t + noise[k.GYRO_RATE_NOISE] ** 2 * s.turned
    q[:3] += (noise[k.GAP_RATE_SD] * s.no_rate) ** 2 + (noise[k.RATE_CLIPPED_SD] * s.clipped) ** 2
    nd = noise[k.ACCEL_REST_ND if is_rest else k.ACCEL_ND]
    q[k.VEL : k.POS] = nd**2 * t + s.rough + (noise[k.ACCEL_LOST_SD] * s.no_accel) ** 2
    q[k.POS : k.CONSTANTS] = noise[k.WANDER] ** 2 * t + (0.5 * noise[k.ACCEL_LOST_SD] * s.no_accel * t) ** 2
    q[k.BIAS : k.SCALE], q[k.SCALE : k.LAG] = noise[k.GYRO_WALK] ** 2 * t, noise[k.SCALE_WALK] ** 2 * t
    q[k.ACCEL_BIAS :] = noise[k.ACCEL_WALK] ** 2 * t
    return q


def update(P: Array, dx: Array, j: int, variance: float, value: float) -> tuple[Array, Array, float, float]:
    """Scalar measurement of error j in Joseph's form: covariance, correction, innovation, its variance."""
    H = np.eye(k.N)[j]
    S = P[j, j] + variance
    gain = P[:, j] / S
    kept = np.eye(k.N) - np.outer(gain, H)
    innovation = value - dx[j]
    return kept @ P @ kept.T + variance * np.outer(gain, gain), dx + gain * innovation, innovation, S


def watch_motion(x: Array, P: Array, s: Sums, noise: Array) -> tuple[float, float]:
    """Spread, innovation in sigmas and its persistence into `x`; variance of an epoch's position for lasting motion, and for white."""
    x[k.SPREAD] += (1.0 - math.exp(-s.time / k.SPREAD_S)) * (0.5 * float(x[6:8] @ x[6:8]) - x[k.SPREAD])
    white = max(noise[k.POSITION_ND] ** 2, k.SPREAD_CORRELATION_S * x[k.SPREAD]) / s.time
    share = 1.0 - math.exp(-s.time / k.PERSISTENCE_S)
    most = math.sqrt(k.PLACE_GATE)
    sigmas = np.clip(-x[6:8] / np.sqrt(np.diag(P)[k.POS : k.CONSTANTS] + white), -most, most)
    mean = (1.0 - share) * x[k.PERSISTENT : k.PERSISTENT + 2] + share * sigmas
    x[k.SIGMAS : k.SIGMAS + 2], x[k.PERSISTENT : k.PERSISTENT + 2] = sigmas, mean
    # the variance of such a mean of white noise of variance one is share / (2 - share)
    return white * max(1.0, 0.5 * float(mean @ mean) * (2.0 - share) / share), white


def has_moved(x: Array, P: Array, s: Sums, noise: Array, *, is_rest: bool) -> bool:
    """Too far from its place, or too fast for rest."""
    variance = np.diag(P)
    place = variance[k.POS : k.CONSTANTS].sum() + 2.0 * noise[k.POSITION_ND] ** 2 / s.time
    speed = variance[k.VEL : k.POS].sum() + 2.0 * noise[k.REST_SPEED_SD] ** 2
    return bool(x[6:8] @ x[6:8] > k.PLACE_GATE * place or (is_rest and x[4:6] @ x[4:6] > k.REST_GATE * speed))


def forget_place(x: Array, P: Array, noise: Array) -> Array:
    """Place and velocity taken anew, in `x`; the covariance after it."""
    kept = np.ones(k.N)
    kept[k.VEL : k.CONSTANTS] = 0.0
    anew = np.zeros(k.N)
    anew[k.VEL : k.POS] = noise[k.LEVEL_SPEED_SD] ** 2 + 0.5 * float(x[4:6] @ x[4:6])
    anew[k.POS : k.CONSTANTS] = noise[k.LEVEL_POSITION_SD] ** 2
    x[4:8] = 0.0
    return P * np.outer(kept, kept) + np.diag(anew)


def lasting_motion(time_s: Array, sigmas: Array) -> Array:
    """Persistence of the innovations after each epoch, 1 at least, shape (m,)."""
    mean, found = np.zeros(2), np.ones(len(sigmas))
    for e in range(len(sigmas) - 1, -1, -1):
        share = 1.0 - math.exp(-(time_s[e + 1] - time_s[e]) / k.PERSISTENCE_S)
        mean = (1.0 - share) * mean + share * sigmas[e] if np.isfinite(sigmas[e]).all() else np.zeros(2)
        found[e] = max(1.0, 0.5 * float(mean @ mean) * (2.0 - share) / share)
    return found


def measure(x: Array, P: Array, s: Sums, noise: Array, variance: float, *, is_rest: bool) -> tuple[Array, Array, Array, float]:
    """Covariance and correction after all of an epoch's measurements, position innovation, nis."""
    squared = float(x[6:8] @ x[6:8])
    variance = max(variance, squared / k.SURPRISE - 0.5 * (P[5, 5] + P[6, 6]))
    todo = [(k.POS + i, -x[6 + i], None) for i in range(2)]
    if is_rest:
        todo += [(k.VEL + i, -x[4 + i], noise[k.REST_SPEED_SD]) for i in range(2)]
        todo += [(k.BIAS + i, s.mean_rate[i] - x[8 + i], noise[k.REST_RATE_SD]) for i in range(3)]
    dx, nis, innovations = np.zeros(k.N), 0.0, []
    for j, value, sd in todo:
        r = variance if sd is None else max(sd**2, (value - dx[j]) ** 2 / k.SURPRISE - P[j, j])
        P, dx, innovation, S = update(P, dx, j, r, value)
        if sd is None:
            nis += innovation**2 / S
            innovations.append(innovation)
    return P, dx, np.array(innovations), nis


def relevel(time_s: Array, rate: Array, accel: Array, flags: Bytes, first: int, last: int, x: Array, P: Array, noise: Array) -> bool:
    """Turn `x` so that the epoch's specific force points up and forget what depends on tilt, in place; False where it has none."""
    _, s = preintegrate(time_s, rate, accel, flags, first, last, x)
    if s.no_accel > 0.5 * s.time or not np.linalg.norm(s.force) > 0.0:
        return False
    axis = np.array([s.force[1], -s.force[0], 0.0])
    level = np.linalg.norm(axis)
    turn = axis / level * math.atan2(level, s.force[2]) if level > 0.0 else math.atan2(0.0, s.force[2]) * np.array([1.0, 0.0, 0.0])
    x[:4] = rotation.normalise(rotation.multiply(rotation.from_rotvec(turn), x[:4]))
    x[4:8] = 0.0
    P[list(FORGOTTEN), :] = 0.0
    P[:, list(FORGOTTEN)] = 0.0
    sd = np.repeat(noise[[k.LEVEL_TILT_SD, k.LEVEL_SPEED_SD, k.LEVEL_POSITION_SD]], 2)
    P[FORGOTTEN, FORGOTTEN] = sd**2
    return True


def led(q: Array, rate: Array, x: Array, noise: Array) -> Array:
    """Attitudes carried forward by the lags."""
    return rotation.multiply(q, rotation.from_rotvec((x[20] + noise[k.LAG_S]) * true_rate(rate, x)))


def tilt_sd(P: Array, q: Array, rate: Array, x: Array, noise: Array) -> Array:
    """Of one horizontal component, mean of both, with the lag's share: attitude error plus turn rate times lag error."""
    w = rotation.rotate(q, true_rate(rate, x))
    variance = [P[i, i] + 2.0 * w[..., i] * P[i, k.LAG] + w[..., i] ** 2 * (P[k.LAG, k.LAG] + noise[k.LAG_SD] ** 2) for i in range(2)]
    return np.asarray(np.sqrt(0.5 * (variance[0] + variance[1])))


def forward(
    time_s: Array,
    rate: Array,
    accel: Array,
    flags: Bytes,
    stops: Ints,
    kind: Bytes,
    noise: Array,
    x: Array,
    P: Array,
    motion: Array | None = None,
) -> list[Epoch]:
    """The filter over all epochs; the first entry is the start. `kind` is changed where levelling has to wait and where it moved off."""
    P = P[:, : k.N].copy()
    x = x.copy()
    found = [Epoch(np.eye(k.N), P, P.copy(), x.copy(), np.zeros(k.N), np.empty((0, 4)), np.empty(0), math.nan)]
    for e, (first, last) in enumerate(itertools.pairwise(stops)):
        forget = np.eye(k.N)
        if kind[e] & epochs.LEVEL:
            if relevel(time_s, rate, accel, flags, first, last, x, P, noise):
                forget[FORGOTTEN, FORGOTTEN] = 0.0
            else:
                kind[e] &= ~np.uint8(epochs.LEVEL)
                later = [j for j in range(e + 1, len(kind)) if not kind[j] & epochs.GAP]
                if later:
                    kind[later[0]] |= epochs.LEVEL
        if e == 0:
            found[0].q = led(x[None, :4], rate[:1], x, noise)
            found[0].tilt_sd = tilt_sd(P, found[0].q, rate[:1], x, noise)
        q, s = preintegrate(time_s, rate, accel, flags, first, last, x)
        F, is_rest = transition(s), bool(kind[e] & epochs.REST)
        x[6:8] += s.time * x[4:6] + s.double
        x[4:6] += s.force[:2]
        x[:4] = q[-1]
        P = F @ P @ F.T + np.diag(process_noise(s, noise, is_rest=is_rest))
        inside = slice(first + 1, last)
        q_out = led(q[1:], rate[first + 1 : last + 1], x, noise)
        sd_out = np.append(tilt_sd(P, q_out[:-1], rate[inside], x, noise), 0.0)
        epoch = Epoch(F @ forget, P, P, x, np.zeros(k.N), q_out, sd_out, math.nan)
        kind[e] &= ~np.uint8(epochs.MOVED)
        if not kind[e] & epochs.GAP:
            variance, white = watch_motion(x, P, s, noise)
            epoch.sigmas = x[k.SIGMAS : k.SIGMAS + 2].copy()
            if has_moved(x, P, s, noise, is_rest=is_rest):
                kind[e] |= epochs.MOVED
                P = forget_place(x, P, noise)
                kept = np.eye(k.N)
                kept[MOVING, MOVING] = 0.0
                epoch.F, epoch.P_prior = kept @ epoch.F, P
            else:
                variance = max(variance, white * (1.0 if motion is None else motion[e]))
                P, epoch.dx, epoch.innovation, epoch.nis = measure(x, P, s, noise, variance, is_rest=is_rest)
                x[:4] = rotation.normalise(rotation.multiply(rotation.from_rotvec(epoch.dx[:3]), x[:4]))
                x[4:24] += epoch.dx[3:]
        q_out[-1] = led(x[:4], rate[last], x, noise)
        sd_out[-1] = tilt_sd(P, q_out[-1], rate[last], x, noise)
        epoch.P, epoch.x = P, x.copy()
        P = P.copy()
        found.append(epoch)
    return found


def backward(found: list[Epoch]) -> tuple[list[Array], list[Array]]:
    """Textbook recursion on the error state: smoothed states and covariances of every node."""
    shift, P_s = np.zeros(k.N), found[-1].P
    states, covariances = [found[-1].x], [P_s]
    for here, after in zip(found[-2::-1], found[:0:-1], strict=True):
        live = np.diag(after.P_prior) > 0.0
        scale = 1.0 / np.sqrt(np.diag(after.P_prior)[live])
        prior = after.P_prior[np.ix_(live, live)] * np.outer(scale, scale)
        gain = np.linalg.solve(prior, scale[:, None] * (after.F @ here.P)[live]).T * scale
        shift = gain @ (after.dx + shift)[live]
        P_s = here.P + gain @ (P_s - after.P_prior)[np.ix_(live, live)] @ gain.T
        x = here.x.copy()
        x[:4] = rotation.normalise(rotation.multiply(rotation.from_rotvec(shift[:3]), x[:4]))
        x[4:24] += shift[3:]
        states.append(x)
        covariances.append(P_s)
    return states[::-1], covariances[::-1]


def smooth_samples(
    time_s: Array, rate: Array, stops: Ints, kind: Bytes, states: list[Array], covariances: list[Array], noise: Array
) -> tuple[Array, Array]:
    """Attitude and tilt standard deviation of every sample between smoothed nodes."""
    q_all, sd_all = np.empty((len(time_s), 4)), np.empty(len(time_s))
    for e, (first, last) in enumerate(itertools.pairwise(stops)):
        raw = integrate(time_s, rate, first, last, states[e])
        left = rotation.to_rotvec(rotation.multiply(states[e + 1][:4], rotation.conjugate(raw[-1])))
        for i in range(first if e == 0 else first + 1, last + 1):
            part = (time_s[i] - time_s[first]) / (time_s[last] - time_s[first])
            is_level = bool(kind[e] & epochs.LEVEL)
            q = rotation.multiply(rotation.from_rotvec((1.0 if is_level else part) * left), raw[i - first])
            x = states[e + 1] if i == last else states[e]
            q_all[i] = led(q, rate[i], x, noise)
            weight = 1.0 if is_level else part
            sd_all[i] = tilt_sd((1.0 - weight) * covariances[e] + weight * covariances[e + 1], q_all[i], rate[i], x, noise)
    return q_all, sd_all
