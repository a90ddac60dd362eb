"""What lies across the gaps of an inertial record, and how far that can be off.

A gap is bridged in a straight line. Where the flight computer logged its own attitude, which it went on reckoning while rows were lost, the
line of the rate is moved so that it turns as far as that attitude did. How good either is the record shows itself: what the same bridge
misses over as long a time in the seconds around the gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.motion.filters import integrate

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]
Own = tuple[Array, Array]

MOTION_HZ = 5.0
"""A body this size moves at most at about this frequency: bounds what a gap can hide where the record around it does not show more
(check: 200 deg/s, 20 ms → 0.13 deg)."""
LONG_GAP_STEPS, NEAR_GAP_S = 5.0, 0.1
"""A bridge longer than this many steps rests on the last tenth of a second at either end, not on one sample that vibrates."""
AROUND_GAPS, AROUND_S, _SCATTER_S = 8.0, 2.0, 0.25
"""As many lengths of a gap, and no more than this, on either side say what it can hide."""
_FEWEST, _OWN_ROOM, _MOST_SIGMAS, _STALLED_SIGMAS, _SMALL_TURN_RAD = 12, 3.0, 5.0, 0.3, 0.05
_TURN_FLOOR_RAD = 1e-4


@dataclass(frozen=True, eq=False)
class Bridged:
    """n samples with their g gaps bridged.

    Parameters
    ----------
    rate_body_radps, accel_body_mps2 : ndarray, shape (n, 3)
        The samples at the ends of long gaps moved, so that the straight line between them is the bridge.
    angle_var, vel_var : ndarray, shape (g,) and (g, 3)
        Of the whole bridge: angle about each axis, rad²; velocity along body x, y, z, (m/s)².
    is_own : ndarray of bool, shape (g,)
        Turned as far as the computer's own attitude did.
    own_saves_var : float
        Largest variance of an angle that the straight bridge would have had instead, rad²; 0 where there is none.
    """

    rate_body_radps: Array
    accel_body_mps2: Array
    angle_var: Array
    vel_var: Array
    is_own: Mask
    own_saves_var: float = 0.0


def spans(is_gap_before: Mask, is_missing: Mask) -> tuple[Index, Index]:
    """Last sample before and first sample after each stretch without values, shapes (g,), of n samples' marks."""
    is_bridged = is_gap_before.copy()  # the step that ends at this sample
    is_bridged |= is_missing
    is_bridged[1:] |= is_missing[:-1]
    if len(is_bridged):
        is_bridged[0] = False
    change = np.flatnonzero(np.diff(np.concatenate(([False], is_bridged, [False])).astype(np.int8)))
    first, last = change[::2] - 1, change[1::2] - 1
    return first.astype(np.int64), last.astype(np.int64)


def bridge(time_s: Array, rate: Array, accel: Array, first: Index, last: Index, own: Own | None = None) -> Bridged:
    """Bridge the gaps between samples `first` and `last`, shapes (g,).

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    rate, accel : ndarray, shape (n, 3)
        rad/s and m/s² in body axes, finite; left as they are.
    first, last : ndarray of int, shape (g,)
        `spans`.
    own : (ndarray (l,), ndarray (2, l, 4)), optional
        Log time and attitude of the flight computer, in the two readings of `Measurements.own_q_enu_from_body`.

    Returns
    -------
    Bridged
        A short gap is bridged as it is. With too little record around it, a gap hides at most g³/12 · |ω̈| [1]_, with ω̈ from the motion
        around it taken to be at `MOTION_HZ`, and no more than that motion over the whole gap; velocity likewise.

    References
    ----------
    .. [1] Error of linear interpolation, any text on numerical analysis.
    """
    n_gaps = len(first)
    angle_var, vel_var, is_own = np.empty(n_gaps), np.empty((n_gaps, 3)), np.zeros(n_gaps, dtype=bool)
    if not n_gaps:
        return Bridged(rate, accel, angle_var, vel_var, is_own)
    out_rate, out_accel = rate.copy(), accel.copy()
    step_s = float(np.median(np.diff(time_s)))
    is_long = time_s[last] - time_s[first] > LONG_GAP_STEPS * step_s
    if not is_long.all():
        short = _short_var(time_s, np.concatenate((rate, accel), axis=1), first, last, ~is_long, step_s)
        angle_var[~is_long], vel_var[~is_long] = np.max(short[:, :3], axis=1), short[:, 3:]
    # a long gap is spoken for by no record beyond its neighbours among them
    opens = np.concatenate(([0], last[is_long]))
    closes = np.concatenate((first[is_long] + 1, [len(time_s)]))
    place, own_saves_var = np.cumsum(is_long), 0.0
    for g in np.flatnonzero(is_long):
        i, j = int(first[g]), int(last[g])
        around = _around(time_s, i, j, int(opens[place[g] - 1]), int(closes[place[g]]))
        is_calm = j == i + 1  # rows without a value lie in a straight line already
        sides = [_Side(time_s[rows], np.concatenate((rate[rows], accel[rows]), axis=1), is_calm=is_calm) for rows in around]
        ends = sides[0].before[-1], sides[1].after[0]
        (out_rate[i], out_accel[i]), (out_rate[j], out_accel[j]) = ((end[:3], end[3:]) for end in ends)
        var = _price(sides, float(time_s[j] - time_s[i]), ends[1] - ends[0])
        is_pause = var is None  # too long for what is around it: no turn is followed through it
        if var is None:
            var = np.concatenate([np.broadcast_to(np.sum(_bound(time_s, values, i, j)), (3,)) for values in (rate, accel)])
        angle_var[g], vel_var[g] = np.max(var[:3]), var[3:]
        found = _own_turn(sides, own) if own is not None and is_calm else None
        if found is not None and found[1] < angle_var[g] and _went_on(time_s, out_rate, i, j, *found, angle_var[g]):
            is_own[g] = _turn_as_far(time_s, out_rate, i, j, found[0])
            if is_own[g]:
                own_saves_var, angle_var[g] = max(own_saves_var, float(angle_var[g])), found[1]
        if is_calm and not is_pause:
            _push_on_the_way(time_s, out_rate, out_accel, i, j)
    return Bridged(out_rate, out_accel, angle_var, vel_var, is_own, own_saves_var)


def _short_var(time_s: Array, values: Array, first: Index, last: Index, is_short: Mask, step_s: float) -> Array:
    """Variance of what bridges over the short gaps, s of g, miss of rate and specific force, (n, 6): shape (s, 6).

    As for long ones by the mean square of what as many steps bridged miss around each, vibration and all.
    """
    n_bridged = np.zeros(len(time_s), dtype=np.int64)  # steps up to each sample
    n_bridged[first + 1] += 1
    n_bridged[last[last + 1 < len(time_s)] + 1] -= 1
    n_bridged = np.cumsum(np.cumsum(n_bridged))
    way = np.zeros(values.shape)
    way[1:] = np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time_s)[:, None], axis=0)
    i, j = first[is_short], last[is_short]
    near = np.searchsorted(time_s, time_s[i] - _SCATTER_S), np.searchsorted(time_s, time_s[j] + _SCATTER_S)
    steps = np.maximum(np.round((time_s[j] - time_s[i]) / step_s).astype(np.int64), 2)
    out = np.empty((len(i), 6))
    for n in np.unique(steps):
        mine = np.flatnonzero(steps == n)
        missed = 0.5 * (time_s[n:] - time_s[:-n])[:, None] * (values[n:] + values[:-n]) - (way[n:] - way[:-n])
        is_whole = n_bridged[n:] == n_bridged[:-n]
        squares = np.concatenate((np.zeros((1, 7)), np.cumsum(np.column_stack((missed**2 * is_whole[:, None], is_whole)), axis=0)))
        a, b = (np.clip(end[mine], 0, len(squares) - 1) for end in near)
        total = squares[b] - squares[a]
        out[mine] = total[:, :6] / np.maximum(total[:, 6:], 1.0)
        for k in mine[total[:, 6] < _FEWEST]:
            bound = [np.sum(_bound(time_s, values[:, c], int(i[k]), int(j[k]))) for c in (slice(0, 3), slice(3, 6))]
            out[k] = np.repeat(bound, 3)
    return out


def _around(time_s: Array, i: int, j: int, first: int, stop: int) -> tuple[slice, slice]:
    """Rows before the gap and after it that speak for it, no farther than the neighbouring gaps at `first` and `stop`."""
    reach = max(min(AROUND_GAPS * (time_s[j] - time_s[i]), AROUND_S), NEAR_GAP_S)
    a, b = np.searchsorted(time_s, (time_s[i] - reach, time_s[j] + reach))
    return slice(max(int(a), first), i + 1), slice(j, min(int(b), stop))


def _bound(time_s: Array, values: Array, i: int, j: int) -> Array:
    """Variance per axis of what a straight bridge can hide, from the scatter of a quarter of a second on either side, shape (3,)."""
    gap = time_s[j] - time_s[i]
    a, b = np.searchsorted(time_s, (time_s[i] - _SCATTER_S, time_s[j] + _SCATTER_S))
    around = np.concatenate((values[int(a) : i + 1], values[j : int(b)]))
    bend = min((2.0 * np.pi * MOTION_HZ) ** 2 * gap**3 / 12.0, gap)
    return np.asarray((np.var(around, axis=0) + 0.25 * (values[j] - values[i]) ** 2) * bend**2)


class _Side:
    """k samples before or after a gap: rate and specific force, (k, 6), and the ends that a bridge from or to each of them would rest on.

    With `is_calm`, those of straight lines through the last, and the next, `NEAR_GAP_S`, where that holds four samples.
    """

    def __init__(self, time_s: Array, values: Array, *, is_calm: bool) -> None:
        self.time_s, self.values = time_s, values
        n = np.arange(len(time_s))
        self.before = self.after = values
        if is_calm:
            t = (time_s - time_s[len(time_s) // 2])[:, None]
            sums = np.concatenate((t, t * t, values, t * values), axis=1)
            sums = np.concatenate((np.zeros((1, sums.shape[1])), np.cumsum(sums, axis=0)))
            self.before = self._ends(t, sums, np.searchsorted(time_s, time_s - NEAR_GAP_S), n + 1)
            self.after = self._ends(t, sums, n, np.searchsorted(time_s, time_s + NEAR_GAP_S))

    def _ends(self, t: Array, sums: Array, start: Index, stop: Index) -> Array:
        """Of the lines through samples `start` to `stop`, where t is that of each sample."""
        width = self.values.shape[1]
        total, count = sums[stop] - sums[start], (stop - start)[:, None].astype(float)
        t1, t2, v1, tv = total[:, :1], total[:, 1:2], total[:, 2 : 2 + width], total[:, 2 + width :]
        spread = count * t2 - t1**2
        is_line = (count >= 4.0) & (spread > 0.0)
        slope = (count * tv - t1 * v1) / np.where(is_line, spread, 1.0)
        return np.where(is_line, (v1 - slope * t1) / count + slope * t, self.values)

    def missed(self, gap_s: float) -> tuple[Array, Array]:
        """What bridges as long as the gap miss of the integral where there are values, and from what end to end they go: (w, 6) each."""
        time_s, values = self.time_s, self.values
        way = np.zeros(values.shape)
        way[1:] = np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time_s)[:, None], axis=0)
        has_ends = (time_s - time_s[0] >= 0.5 * NEAR_GAP_S) & (time_s + gap_s <= time_s[-1] - 0.5 * NEAR_GAP_S)
        start = np.flatnonzero(has_ends)
        stop = np.searchsorted(time_s, time_s[start] + gap_s * (1.0 - 1e-9))
        bridged = 0.5 * (time_s[stop] - time_s[start])[:, None] * (self.before[start] + self.after[stop])
        return bridged - (way[stop] - way[start]), self.after[stop] - self.before[start]


def _price(sides: list[_Side], gap_s: float, jump: Array) -> Array | None:
    """Variance of what a straight bridge over which rate and specific force change by `jump` misses, shapes (6,).

    The mean square of what such bridges miss around it, larger as its own ends lie farther apart than theirs do. None with too little
    record around it.
    """
    missed, jumps = (np.concatenate(both) for both in zip(*(side.missed(gap_s) for side in sides), strict=True))
    room_s = sum(max(float(side.time_s[-1] - side.time_s[0]) - gap_s, 0.0) for side in sides)
    if len(missed) < _FEWEST or room_s < 2.0 * gap_s:
        return None
    square, usual = np.mean(missed**2, axis=0), np.mean(jumps**2, axis=0)
    return np.asarray(square * np.maximum(1.0, jump**2 / np.maximum(usual, 1e-30)))


def _own_turn(sides: list[_Side], own: Own) -> tuple[Array, float, Array] | None:
    """How far the computer's own attitude turned across the gap, as the gyro would have shown it: a rotation vector (3,), its variance, and
    what the gyro would have shown had that stood still (3,).

    The variance from how far the two are apart over as long a time around the gap. What they are apart by throughout, a bias that the
    computer takes off and the rate still has, is put back. None where too little was logged.
    """
    own_s, tracks = own[0], [_track(side.time_s, side.values[:, :3], own[0]) for side in sides]
    (before, at_before, q_before), (after, at_after, q_after) = tracks
    if not (len(before) and len(after)):
        return None
    lasts = float(own_s[after[0]] - own_s[before[-1]])
    apart = np.concatenate([_apart(own_s[k], own[1][:, k], q, lasts) for k, q, _ in tracks], axis=1)
    room_s = sum(max(float(own_s[k[-1]] - own_s[k[0]]) - lasts, 0.0) for k in (before, after))
    if apart.shape[1] < _FEWEST or room_s < _OWN_ROOM * lasts:
        return None
    reading = int(np.argmin(np.mean(apart**2, axis=(1, 2))))
    apart, q_own = apart[reading], own[1][reading]
    always = apart.mean(axis=0)
    to_gap, from_gap = _turned(at_before[-1], q_before[-1]), _turned(q_after[0], at_after[0])
    said = _turned(q_own[before[-1]], q_own[after[0]])
    across = rotation.multiply(rotation.multiply(rotation.conjugate(to_gap), said), rotation.conjugate(from_gap))
    var = float(np.max(np.mean((apart - always) ** 2, axis=0))) + _TURN_FLOOR_RAD**2
    return rotation.to_rotvec(across) - always, var, -always


def _track(time_s: Array, rate: Array, own_s: Array) -> tuple[Index, Array, Array]:
    """Which of the computer's attitudes lie within these samples (k,), and the gyro's own from the first sample on: there (k, 4), and at
    every sample (n, 4).
    """
    k = np.arange(*np.searchsorted(own_s, (time_s[0], time_s[-1] + 1e-9)))
    q = integrate(time_s, rate, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), np.zeros(len(time_s), dtype=bool))
    s = np.searchsorted(time_s, own_s[k] + 1e-9) - 1
    return k, rotation.multiply(q[s], rotation.from_rotvec((own_s[k] - time_s[s])[:, None] * rate[s])), q


def _apart(own_s: Array, q_own: Array, q_gyro: Array, lasts: float) -> Array:
    """From what the gyro turned (k, 4) to what readings of the computer's attitude did (r, k, 4), over every stretch of about `lasts` s:
    rotation vectors, shape (r, w, 3).
    """
    stop = np.searchsorted(own_s, own_s + lasts * (1.0 - 1e-9))
    start = np.flatnonzero(stop < len(own_s))
    stop = stop[start]
    return rotation.to_rotvec(_turned(_turned(q_gyro[start], q_gyro[stop]), _turned(q_own[:, start], q_own[:, stop])))


def _turned(q_from: Array, q_to: Array) -> Array:
    return rotation.multiply(rotation.conjugate(q_from), q_to)


def _went_on(time_s: Array, rate: Array, i: int, j: int, turn: Array, var: float, still: Array, straight_var: float) -> bool:
    """Whether the computer went on reckoning its attitude in the gap, as its turn (3,) shows, known to `var`; `still` (3,) is none at all.

    One that began anew turned farther than the gap can hide. One that waited for the card as well stood still, or took the rate before
    the gap, the one after it or a straight line for all of it: a turn so near to one of these says nothing.
    """
    gap, straight = float(time_s[j] - time_s[i]), _turn_across(time_s, rate[[i, j]], i, j)
    near = 3.0 * np.sqrt(var) + _STALLED_SIGMAS * np.sqrt(straight_var)
    waited = (still, gap * rate[i], gap * rate[j], straight)
    is_within = float(np.max(np.abs(turn - straight))) < _MOST_SIGMAS * np.sqrt(straight_var)
    return is_within and all(float(np.linalg.norm(turn - w)) > near for w in waited)


def _turn_as_far(time_s: Array, rate: Array, i: int, j: int, turn: Array) -> bool:
    """Move the rates at samples i and j by one amount, in place, so that the bridge between them turns by the rotation vector `turn`; says
    whether that was reached, and leaves them where it was not.

    The steps beside the gap have half of the amount each, and the bridge has that much less of it.
    """
    gap, beside = float(time_s[j] - time_s[i]), _beside(time_s, i, j)
    rates, moved = rate[[i, j]], np.zeros(3)
    for _ in range(6):  # turns about changing axes do not simply add: each look leaves a tenth of the last at most
        lacks = turn - beside * moved - _turn_across(time_s, rates + moved, i, j)
        moved += lacks / (gap + beside)
    is_reached = bool(np.linalg.norm(lacks) < _TURN_FLOOR_RAD)
    if is_reached:
        rate[[i, j]] = rates + moved
    return is_reached


def _push_on_the_way(time_s: Array, rate: Array, accel: Array, i: int, j: int) -> None:
    """Move the specific forces at samples i and j, in place, so that what they add over the gap is what a straight line between them adds
    while it turns: a step takes the force to change in a straight line in axes that stand still, and a roll turns it far in a gap.
    """
    gap = float(time_s[j] - time_s[i])
    n = 2 + int(gap * np.linalg.norm(rate[[i, j]].sum(axis=0)) / (2.0 * _SMALL_TURN_RAD))
    share = np.linspace(0.0, 1.0, n)[:, None]
    rates, forces = ((1.0 - share) * x[i] + share * x[j] for x in (rate, accel))
    q = integrate(gap * share[:, 0], rates, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), np.arange(n) > 0)
    turned = rotation.rotate(q, forces)
    lacks = np.trapezoid(turned, gap * share[:, 0], axis=0) - 0.5 * gap * (turned[0] + turned[-1])
    moved = lacks / (gap + _beside(time_s, i, j))
    accel[i] += moved
    accel[j] += rotation.rotate(rotation.conjugate(q[-1]), moved)


def _beside(time_s: Array, i: int, j: int) -> float:
    """Half of the steps on either side of a gap, s, which feel what its ends are moved by."""
    return 0.5 * float((time_s[i] - time_s[i - 1] if i > 0 else 0.0) + (time_s[j + 1] - time_s[j] if j + 1 < len(time_s) else 0.0))


def _turn_across(time_s: Array, rates: Array, i: int, j: int) -> Array:
    """Rotation vector of the straight line between the rates (2, 3) of samples i and j."""
    q = integrate(time_s[[i, j]], rates, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), np.array([False, True]))
    return rotation.to_rotvec(q[1])
