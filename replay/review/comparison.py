"""A flight and the same flight flown again, side by side: what panel, figure and report show of it. Plain data, no drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.units import DEG

if TYPE_CHECKING:
    from replay.motion.solution import Solution
    from replay.whatif.ensemble import Ensemble
    from replay.whatif.refly import Moment, Reflight

Array = NDArray[np.float64]

MOMENTS = ("burnout", "apogee", "touchdown")
MODEL_SHARE = {"burnout": 0.007, "apogee": 0.0065, "touchdown": 0.035}
"""What a re-flight leaves out (other air along another path, the canopy), per axis, one standard deviation, as a share of the shift:
measured against the flight model flown again with the same draws on 16 variants; a test holds it on others."""
HEIGHT_SHARE = 0.5
"""Of that, what is left out of the height: measured likewise on 12 variants."""
NINE_OF_TEN = 1.645
"""Standard deviations that nine tenths of a normal distribution lie within (any table of it)."""


@dataclass(frozen=True)
class Difference:
    """One row of the table: a quantity at a moment, flown and flown again, in `unit`. NaN where the record does not get there.

    `sd` is one standard deviation of the difference over an ensemble, with `MODEL_SHARE` of the shift where it is of a place; NaN without
    an ensemble, or where that does not carry the quantity.
    """

    moment: str
    quantity: str
    unit: str
    flown: float
    reflown: float
    difference: float
    sd: float = math.nan


@dataclass(frozen=True)
class Between:
    """What nine of ten lie between, of one quantity at a moment: low, middle and high, and one standard deviation, in `unit`.

    NaN where the record does not get there, or where the method does not say how well it knows what the members carry along.
    """

    moment: str
    quantity: str
    unit: str
    flown: tuple[float, float, float]
    flown_sd: float
    reflown: tuple[float, float, float]
    reflown_sd: float


@dataclass(frozen=True, eq=False)
class Band:
    """What nine of ten members lie between, on the ensemble's times, shapes (m,) or (m, 3): low, middle, high."""

    low: Array
    middle: Array
    high: Array


def differences(reflight: Reflight, ensemble: Ensemble | None = None) -> tuple[Difference, ...]:
    """Burnout, apogee and touchdown as a table.

    The shift is how far the two places lie apart over ground; the tilt's difference is that of the two angles from up, the azimuth's
    goes the short way round.
    """
    rows = []
    for moment in MOMENTS:
        flown, reflown = reflight.moments[moment]
        values = _values(moment, flown, reflown)
        spread = _spread(ensemble, moment, flown.time_s)
        left_out = MODEL_SHARE[moment] * values["shift"][3]
        spread |= {name: math.hypot(spread[name], left_out) for name in ("east", "north", "shift") if name in spread}
        if "height" in spread:
            spread["height"] = math.hypot(spread["height"], HEIGHT_SHARE * left_out)
        for quantity, (unit, before, after, difference) in values.items():
            rows.append(Difference(moment, quantity, unit, before, after, difference, spread.get(quantity, math.nan)))
    return tuple(rows)


def _values(moment: str, flown: Moment, reflown: Moment) -> dict[str, tuple[str, float, float, float]]:
    """Quantity -> (unit, flown, re-flown, difference), of those that mean something at this moment."""
    names = {"burnout": ("tilt", "towards", "height"), "apogee": ("time", "height"), "touchdown": ("time",)}[moment]
    pairs = {
        "time": ("s", flown.time_s, reflown.time_s),
        "tilt": ("deg", flown.tilt_rad / DEG, reflown.tilt_rad / DEG),
        "towards": ("deg", flown.tilt_azimuth_rad / DEG, reflown.tilt_azimuth_rad / DEG),
        "height": ("m", flown.height_m, reflown.height_m),
    }
    found = {name: (*pairs[name], pairs[name][2] - pairs[name][1]) for name in names}
    if "towards" in found:
        unit, before, after, turn = found["towards"]
        found["towards"] = (unit, before, after, (turn + 180.0) % 360.0 - 180.0)
    east, north = reflown.east_m - flown.east_m, reflown.north_m - flown.north_m
    found["east"] = ("m", flown.east_m, reflown.east_m, east)
    found["north"] = ("m", flown.north_m, reflown.north_m, north)
    found["shift"] = ("m", math.nan, math.nan, math.hypot(east, north))
    return found


def _spread(ensemble: Ensemble | None, moment: str, time_s: float) -> dict[str, float]:
    """Standard deviation over the members of re-flown less flown. Members that do not get there are left out."""
    if ensemble is None:
        return {}
    if moment == "burnout":
        place = at_time(ensemble.time_s, ensemble.reflown_pos_enu_m - ensemble.flown_pos_enu_m, time_s)
        tilt = at_time(ensemble.time_s, ensemble.reflown_tilt_rad - ensemble.flown_tilt_rad, time_s)
    else:
        pair = ensemble.apogee_enu_m if moment == "apogee" else ensemble.touchdown_enu_m
        place, tilt = pair[:, 1] - pair[:, 0], np.full(len(pair), np.nan)
    shift = np.hypot(place[:, 0], place[:, 1])
    columns = {"east": place[:, 0], "north": place[:, 1], "height": place[:, 2], "shift": shift, "tilt": tilt / DEG}
    return {name: _sd(values) for name, values in columns.items()}


def betweens(ensemble: Ensemble, reflight: Reflight, flown: Solution) -> tuple[Between, ...]:
    """Tilt at burnout, place of apogee and touchdown: the members' spread and, in quadrature, what no member carries.

    That is what the method's own standard deviation of the flown place has beyond the members' (they carry the barometer's height along,
    and below the parachute the path as a whole), and of a re-flown place `MODEL_SHARE` of its shift. A method that has none is taken at
    the members' word for the place of apogee, where the calibration's part is nearly all there is, and for nothing else.
    """
    tilts = (ensemble.flown_tilt_rad, ensemble.reflown_tilt_rad)
    tilt = [at_time(ensemble.time_s, values / DEG, reflight.moments["burnout"][0].time_s) for values in tilts]
    rows = [_between("burnout", "tilt", "deg", tilt, (0.0, 0.0))]
    for moment, places in (("apogee", ensemble.apogee_enu_m), ("touchdown", ensemble.touchdown_enu_m)):
        before, after = reflight.moments[moment]
        left_out = MODEL_SHARE[moment] * math.hypot(after.east_m - before.east_m, after.north_m - before.north_m)
        own_sd = _own_sd(flown, getattr(flown.events, f"{moment}_log_s"))
        for axis, quantity in enumerate(("east", "north", "height") if moment == "apogee" else ("east", "north")):
            pair = [places[:, 0, axis], places[:, 1, axis]]
            own = own_sd[axis]
            if math.isnan(own) and moment == "apogee" and quantity != "height":
                own = 0.0
            more = math.sqrt(_beyond(own**2, _sd(pair[0]) ** 2))
            rows.append(_between(moment, quantity, "m", pair, (more, math.hypot(more, left_out * (HEIGHT_SHARE if axis == 2 else 1.0)))))
    return tuple(rows)


def _beyond(own: Any, members: Any) -> Any:
    """Variance of the method's own that the members' does not hold already."""
    return np.maximum(own - members, 0.0)


def _between(moment: str, quantity: str, unit: str, pair: Sequence[Array], more: tuple[float, float]) -> Between:
    (one, one_sd), (two, two_sd) = (_widened(values, sd) for values, sd in zip(pair, more, strict=True))
    return Between(moment, quantity, unit, one, one_sd, two, two_sd)


def _widened(values: Array, more_sd: float) -> tuple[tuple[float, float, float], float]:
    """Quantiles and standard deviation of the members, and of what they do not carry as if it were normal."""
    known = values[np.isfinite(values)]
    if len(known) < 2 or not math.isfinite(more_sd):
        return (math.nan,) * 3, math.nan
    low, middle, high = (float(q) for q in np.quantile(known, (0.05, 0.5, 0.95)))
    more = NINE_OF_TEN * more_sd
    return (middle - math.hypot(middle - low, more), middle, middle + math.hypot(high - middle, more)), math.hypot(_sd(known), more_sd)


def _own_sd(flown: Solution, log_time_s: float) -> tuple[float, float, float]:
    """The method's own standard deviation of the place at a time, m; NaN where it has none."""
    if flown.pos_sd_enu_m is None or not math.isfinite(log_time_s):
        return (math.nan,) * 3
    east, north, height = (float(np.interp(log_time_s, flown.log_time_s, column)) for column in flown.pos_sd_enu_m.T)
    return east, north, height


def at_time(time_s: Array, values: Array, at_s: float) -> Array:
    """Values of all members, shape (N, m, ...), interpolated to one time, shape (N, ...), over `time_s` (m,); NaN outside."""
    if not (np.isfinite(at_s) and time_s[0] <= at_s <= time_s[-1]):
        return np.full((len(values), *values.shape[2:]), np.nan)
    i = min(int(np.searchsorted(time_s, at_s, side="right")), len(time_s) - 1)
    share = (at_s - time_s[i - 1]) / (time_s[i] - time_s[i - 1])
    return np.asarray(values[:, i - 1] + share * (values[:, i] - values[:, i - 1]))


def _sd(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.std(known, ddof=1)) if len(known) > 1 else math.nan


def bands(ensemble: Ensemble) -> dict[str, Band]:
    """Nine tenths of the members, flown and flown again: `flown_tilt_deg`, `reflown_tilt_deg` (m,), `…_pos_enu_m` (m, 3)."""
    return {
        "flown_tilt_deg": Band(*ensemble.band(ensemble.flown_tilt_rad / DEG)),
        "reflown_tilt_deg": Band(*ensemble.band(ensemble.reflown_tilt_rad / DEG)),
        "flown_pos_enu_m": Band(*ensemble.band(ensemble.flown_pos_enu_m)),
        "reflown_pos_enu_m": Band(*ensemble.band(ensemble.reflown_pos_enu_m)),
    }


def spread_about(reflight: Reflight, ensemble: Ensemble, flown: Solution) -> tuple[Array, Array]:
    """One standard deviation of the members about the single re-flight, on the re-flight's rows.

    The members carry the flown path along and not how well it was estimated: what the method's own standard deviation has beyond the
    flown members' is added in quadrature, where it has one.

    Returns
    -------
    tilt_sd_rad : ndarray, shape (n,)
    pos_sd_enu_m : ndarray, shape (n, 3)
        Root mean square of member less re-flight, so that members lying to one side of what is drawn count in full.
    """
    grid, rows = ensemble.time_s, reflight.time_s
    tilt = np.interp(grid, rows, reflight.reflown.tilt_rad)
    path = _onto(grid, rows, reflight.reflown.pos_enu_m)
    tilt_sd = np.sqrt(np.nanmean((ensemble.reflown_tilt_rad - tilt) ** 2, axis=0))
    path_sd = _onto(rows, grid, np.sqrt(np.nanmean((ensemble.reflown_pos_enu_m - path) ** 2, axis=0)))
    if flown.pos_sd_enu_m is not None:
        own = np.nan_to_num(_onto(rows, flown.log_time_s - flown.events.liftoff_log_s, flown.pos_sd_enu_m))
        carried = _onto(rows, grid, np.nanstd(ensemble.flown_pos_enu_m, axis=0, ddof=1))
        path_sd = np.sqrt(path_sd**2 + _beyond(own**2, carried**2))
    return np.interp(rows, grid, tilt_sd), path_sd


def _onto(time_s: Array, old_time_s: Array, values: Array) -> Array:
    """Columns interpolated to other times."""
    return np.column_stack([np.interp(time_s, old_time_s, column) for column in values.T])
