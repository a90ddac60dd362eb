"""A unit, a convention or a range that the file does not state, read off the numbers themselves.

Every finding says why, and whether it is sure; what leans on one is marked as inferred.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.flightlog.onboard import turned_angle
from replay.flightlog.turning import turn_of_up
from replay.flightlog.unit_table import FAMILIES
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
_G = STANDARD_GRAVITY_MPS2


@dataclass(frozen=True)
class Found:
    """A unit found from the data; `zero` and `scale` as in a column map. `unit` is "" where the data can't tell."""

    unit: str
    reason: str
    is_sure: bool = True
    zero: float = 0.0
    scale: float = 1.0


def thinned(values: Array, n_most: int = 100_000) -> Array:
    """Every k-th row of `values` (n, …), at most about `n_most`, for a median that does not need them all."""
    return values[:: max(1, len(values) // n_most)]


def quiet_windows(values: Array, n_window: int = 50, n_most: int = 10_000) -> tuple[Array, Array]:
    """Means and total standard deviations of windows from all over the record, in the values' own unit; NaN rows left out.

    Parameters
    ----------
    values : ndarray, shape (n,) or (n, w)
    n_window : int
        Samples in a window.
    n_most : int
        Windows taken, about.

    Returns
    -------
    means, spreads : ndarray, shape (k, w) and (k,)
        A spread is the root of the summed variances of all w columns.
    """
    values = values.reshape(len(values), -1)
    good = np.isfinite(values).all(axis=1)
    values = values if good.all() else values[good]
    n_window = max(2, min(n_window, len(values)))
    k = len(values) // n_window
    blocks = values[: k * n_window].reshape(k, n_window, values.shape[1])[:: max(1, k // n_most)]
    return blocks.mean(axis=1), np.sqrt(blocks.var(axis=1).sum(axis=1))


def rest_norm(values: Array) -> float:
    """Length of a vector (n, 3) at rest, in the values' own unit: what most of the quietest third of the windows agree on.

    NaN without values. Pad and ground outnumber what else is quiet: free fall reads next to nothing, a clipped stretch its limit.
    """
    means, spreads = quiet_windows(values)
    norms = np.linalg.norm(means, axis=1)
    norms = np.sort(norms[np.argsort(spreads)[: max(1, len(spreads) // 3)]])
    norms = norms[norms > 0.0]
    if not len(norms):
        return float("nan")
    counts = np.searchsorted(norms, norms * 1.1, side="right") - np.arange(len(norms))
    first = int(np.argmax(counts))
    return float(np.median(norms[first : first + counts[first]]))


def accel_unit(values: Array) -> Found:
    """g, milli-g, m/s² or counts of a power of two, by the one g of the rest; `values` (n, 3) as logged."""
    norm = rest_norm(values)
    for unit, one_g, tolerance in (("g", 1.0, 0.2), ("m/s²", _G, 0.2), ("mg", 1000.0, 0.1)):
        if abs(norm / one_g - 1.0) < tolerance:
            return Found(unit, f"at rest it reads {norm:.4g}, one g in {unit}")
    for power in range(8, 16):
        if abs(norm / 2.0**power - 1.0) < 0.08 and norm != 1000.0 and _is_whole(values):
            return Found("g", f"at rest it reads {norm:.5g} counts: {2**power} counts to one g", is_sure=False, scale=2.0**-power)
    if np.isfinite(norm):
        return Found("", f"at rest it reads {norm:.4g}, which is one g in no unit known here")
    return Found("", "no rest to compare with one g")


def _is_whole(values: Array) -> bool:
    finite = values[np.isfinite(values)]
    return bool(len(finite)) and bool(np.all(finite == np.rint(finite)))


def rate_unit(
    values: Array,
    time_s: Array,
    up: tuple[Array, Array] | None = None,
    attitude: tuple[Array, Array] | None = None,
    is_flight: bool = False,
) -> Found:
    """rad/s, deg/s or milli-deg/s.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        As logged.
    time_s : ndarray, shape (n,)
    up : (time_s, accel_mps2), optional
        The accelerometer: while the record turns slowly, gravity turns against it at the true rate.
    attitude : (time_s, q), optional
        The computer's attitude, either way round: it turns at the true rate.
    is_flight : bool
        The record holds a flight, in which nothing turns at less than 35 deg/s throughout.
    """
    for label, angles in (
        ("the computer's attitude turns", turn_of_attitude(values, time_s, attitude)),
        ("gravity turns", turn_of_up(values, time_s, up)),
    ):
        if angles is None:
            continue
        ratio = angles
        for unit in ("rad/s", "deg/s", "mdeg/s"):
            factor = FAMILIES["rate"][unit][0]
            if abs(np.log(ratio / factor)) < np.log(3.0):
                return Found(unit, f"{label} at {ratio / factor:.2f} of the rate read in {unit}")
    finite = values[np.isfinite(values)]
    if not len(finite):
        return Found("", "no values")
    top = float(np.max(np.abs(finite)))
    if top > 5000.0 and _is_whole(values):
        return Found("", f"whole numbers up to {top:.0f}: counts, whose scale the data can't tell")
    if top > 5000.0:
        return Found("mdeg/s", f"it reaches {top:.4g}")
    if top > 75.0:
        return Found("deg/s", f"it reaches {top:.4g}, too much for rad/s")
    if is_flight and top < 36.0:
        return Found("rad/s", f"it stays below {top:.3g} in a whole flight, too little for deg/s", is_sure=False)
    _, spreads = quiet_windows(values)
    noise = float(np.min(spreads)) if len(spreads) else float("nan")
    if noise < 0.012:
        return Found("rad/s", f"at rest it scatters by {noise:.2g}", is_sure=False)
    return Found("deg/s", f"at rest it scatters by {noise:.2g}", is_sure=False)


def turn_of_attitude(values: Array, time_s: Array, attitude: tuple[Array, Array] | None) -> float | None:
    """True rate per logged rate, from angles between successive attitudes; None where nothing turns enough to tell.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        Angular rate as logged, any unit.
    time_s : ndarray, shape (n,)
    attitude : (time_s (k,), q (k, 4)), or None
        Scalar first, either way round.
    """
    if attitude is None or len(attitude[0]) < 20:
        return None
    at_s, q = attitude
    is_in = (at_s >= time_s[0]) & (at_s <= time_s[-1]) & np.isfinite(q).all(axis=1)
    at_s, q = at_s[is_in], q[is_in]
    if len(at_s) < 20:
        return None
    turn = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q[:-1]), q[1:]))
    true = np.linalg.norm(turn, axis=1)
    logged = np.linalg.norm(np.diff(turned_angle(time_s, values, at_s), axis=0), axis=1)
    if true.sum() < 5.0 * DEG or not logged.any():
        return None
    if np.corrcoef(true, logged)[0, 1] < 0.7:
        return None
    return float((true * logged).sum() / (logged**2).sum())


def time_unit(steps: Array, is_whole: bool) -> Found:
    """s, ms, µs or ns of a bare `time` column, from its usual step: a log runs between a few and some thousand rows a second.

    Parameters
    ----------
    steps : ndarray, shape (n - 1,)
        Differences of the stamps as logged.
    is_whole : bool
        All stamps are whole numbers.
    """
    positive = steps[steps > 0]
    if not len(positive):
        return Found("", "it never advances")
    step = float(np.median(positive))
    if not is_whole and step < 2.0:
        return Found("s", f"steps of {step:.4g} with decimals")
    candidates = [(unit, FAMILIES["time"][unit][0] * step) for unit in ("s", "ms", "µs", "ns")]
    unit, seconds = min(candidates, key=lambda item: abs(np.log(item[1] / 0.01)))
    return Found(unit, f"steps of {step:.6g}: {1 / seconds:.4g} Hz if in {unit}")


def scalar_unit(family: str, values: Array) -> Found:
    """Unit of a scalar by its size: pressure near an atmosphere, temperature near a day's, battery of a few volts.

    Of 50 to 150 the numbers do not tell whether they are a warm sensor's °C or a mild day's °F.

    Parameters
    ----------
    family : str
        A key of `unit_table.FAMILIES`.
    values : ndarray
        As logged, any shape.
    """
    finite = values[np.isfinite(values)]
    if not len(finite):
        return Found("", "no values")
    middle = float(np.median(finite))
    for unit, low, high, is_sure in _SIZES.get(family, ()):
        if low <= middle < high:
            return Found(unit, f"its median is {middle:.5g}", is_sure)
    return Found("", f"its median is {middle:.5g}, which fits no unit known here")


_SIZES: dict[str, tuple[tuple[str, float, float, bool], ...]] = {
    "pressure": (("Pa", 2.0e4, 1.2e5, True), ("hPa", 200.0, 1200.0, True), ("kPa", 20.0, 120.0, True), ("bar", 0.2, 1.2, False)),
    "temperature": (("K", 200.0, 400.0, True), ("°C", -60.0, 50.0, True), ("°C", 50.0, 150.0, False), ("0.01 °C", 400.0, 12000.0, False)),
    "voltage": (("V", 0.0, 100.0, True), ("mV", 100.0, 1e5, True)),
    "current": (("A", -50.0, 50.0, False), ("mA", -1e6, 1e6, False)),
    "length": (("m", -1e6, 1e6, False),),
    "speed": (("m/s", -1e6, 1e6, False),),
}


def latitude_unit(values: Array) -> Found:
    """Degrees, or degrees times ten million as some receivers send them; `values` as logged, any shape."""
    finite = values[np.isfinite(values)]
    if len(finite) and float(np.max(np.abs(finite))) > 1000.0:
        return Found("1e-7 deg", f"it reaches {np.max(np.abs(finite)):.3g}")
    return Found("deg", "the usual unit of a position")


def angle_unit(values: Array) -> Found:
    """Degrees or radians of an attitude angle; `values` as logged, any shape."""
    finite = values[np.isfinite(values)]
    top = float(np.max(np.abs(finite))) if len(finite) else 0.0
    if top > 2.0 * np.pi * 1.01:
        return Found("deg", f"it reaches {top:.4g}")
    return Found("rad", f"it stays within {top:.3g}", is_sure=False)


def servo_unit(values: Array) -> Found:
    """Unit of a gimbal or servo angle, `values` as logged, any shape.

    A pulse of 800 to 2200 µs is read at 0.09 deg/µs around 1500 µs (common practice, no source).
    """
    finite = values[np.isfinite(values)]
    if not len(finite):
        return Found("", "no values")
    low, high = float(np.min(finite)), float(np.max(finite))
    if low >= 400.0 and high <= 2600.0:
        reason = "servo pulses in µs: neutral 1500 and 0.09 deg/µs assumed (common practice, no source); state zero and scale"
        return Found("deg", reason, is_sure=False, zero=1500.0, scale=0.09)
    top = max(-low, high)
    if top > 0.6:
        return Found("deg", f"it reaches {top:.3g}", is_sure=top > np.pi)
    return Found("rad", f"it stays within {top:.3g}", is_sure=False)


def mag_unit(values: Array) -> Found:
    """µT, mG, G, nT or T by the size of the earth's field (25 to 65 µT; common practice, no source), else arbitrary units.

    `values` (n, 3) as logged.
    """
    norm = float(np.nanmedian(np.linalg.norm(values, axis=1))) if len(values) else float("nan")
    for unit, low, high in (("µT", 20.0, 75.0), ("mG", 200.0, 750.0), ("G", 0.2, 0.75), ("nT", 2.0e4, 7.5e4), ("T", 2.0e-5, 7.5e-5)):
        if low <= norm <= high:
            return Found(unit, f"its length is {norm:.3g}, the earth's field in {unit}", is_sure=False)
    return Found("a.u.", f"its length is {norm:.3g}, the earth's field in no unit known here: direction only", is_sure=False)


def full_scale(values: Array, unit_si: float, ranges: tuple[float, ...]) -> float | None:
    """Largest magnitude a sensor can report, in the values' unit, if the record shows it: a run of equal samples at an extreme.

    Parameters
    ----------
    values : ndarray, shape (n, 3)
        SI.
    unit_si : float
        SI value of the unit the usual ranges are stated in.
    ranges : tuple of float
        Usual ranges in that unit: two equal extremes within 2 % of one are enough, elsewhere it takes a run of three.
    """
    found = 0.0
    for column in values.T:
        finite = column[np.isfinite(column)]
        if len(finite) < 10:
            continue
        low, middle, high = np.quantile(thinned(finite), (0.25, 0.5, 0.75))
        spread = float(high - low)
        for extreme in (float(finite.max()), float(finite.min())):
            is_top = finite == extreme
            longest = _longest_run(is_top)
            near_range = any(abs(abs(extreme) / unit_si / usual - 1.0) < 0.025 for usual in ranges)
            is_far = abs(extreme - middle) > 4.0 * spread and abs(extreme) > 0.5 * unit_si * min(ranges)
            if is_far and (longest >= 3 or (near_range and np.count_nonzero(is_top) >= 2)):
                found = max(found, abs(extreme))
    return found or None


ACCEL_RANGES_G = (2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 30.0, 32.0, 64.0, 100.0, 200.0, 400.0)
RATE_RANGES_DEGPS = (125.0, 245.0, 250.0, 300.0, 450.0, 500.0, 1000.0, 2000.0, 4000.0)


def _longest_run(mask: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return int(np.max(edges[1::2] - edges[::2])) if len(edges) else 0
