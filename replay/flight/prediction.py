"""A flight against a prediction: any text table of two columns or more, its misfit phase by phase, and which single change explains it.

The change is looked for with a model of vertical motion (thrust, weight, drag) that is used only as a difference: what it says a
change would have done is added to the prediction, so that what the prediction knows and the model does not stays in.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay.errors import CannotEstimate, LogReadError, SettingsError
from replay.flight.compare import on_axis, own_traces
from replay.flight.explained import Explained
from replay.flight.facts import VehicleFacts
from replay.flight.motor import mass_history
from replay.flight.propulsion import ignition_of_curve
from replay.flight.quantity import Quantity
from replay.motion import atmosphere, gravity
from replay.motion.site import Site
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]

QUANTITIES: Final[Mapping[str, str]] = {
    "time": "s",
    "height": "m",
    "vertical_speed": "m/s",
    "speed": "m/s",
    "vertical_acceleration": "m/s²",
    "axial_force": "m/s²",
    "tilt": "deg",
}
"""What a column of a prediction can be, and the unit it is taken in where none is stated."""
_FACTORS: Final[Mapping[str, float]] = {
    "s": 1.0, "ms": 1e-3, "m": 1.0, "km": 1e3, "ft": 0.3048, "m/s": 1.0, "km/h": 1.0 / 3.6, "ft/s": 0.3048, "mph": 0.44704,
    "m/s²": 1.0, "m/s2": 1.0, "m/s^2": 1.0, "ft/s²": 0.3048, "ft/s2": 0.3048, "g": STANDARD_GRAVITY_MPS2,
    "deg": 1.0, "°": 1.0, "rad": 1.0 / DEG,
}  # fmt: skip
_KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    "s": ("s", "ms"),
    "m": ("m", "km", "ft"),
    "m/s": ("m/s", "km/h", "ft/s", "mph"),
    "m/s²": ("m/s²", "m/s2", "m/s^2", "ft/s²", "ft/s2", "g"),
    "deg": ("deg", "°", "rad"),
}
_WORDS: Final = (
    ("time", ("time", "t")),
    ("height", ("height", "altitude", "alt", "h", "z")),
    ("vertical_acceleration", ("acceleration", "accel", "acc", "a")),
    ("vertical_speed", ("speed", "velocity", "vel", "v")),
    ("tilt", ("tilt", "zenith")),
)
PHASES: Final = (("boost", "liftoff", "burnout"), ("coast", "burnout", "apogee"), ("descent", "apogee", "touchdown"))
CHANGES: Final = ("mass", "impulse", "drag")
_FLOOR: Final[Mapping[str, float]] = {"height": 1.0, "vertical_speed": 0.5, "speed": 0.5, "vertical_acceleration": 1.0, "axial_force": 1.0}
"""Misfit that a prediction is allowed in each quantity before it counts, one standard deviation (common practice, no source)."""
EXPLAINS_SHARE: Final = 0.5
"""A change explains a misfit where it takes away at least this part of its root mean square."""
APART_SHARE: Final = 0.8
"""Two changes can't be told apart where the better leaves more than this part of what the other leaves."""
_STEP_S: Final = 0.01


@dataclass(frozen=True, eq=False)
class Prediction:
    """A predicted flight.

    Parameters
    ----------
    path : str
    time_s : ndarray, shape (n,)
        From liftoff.
    columns : mapping of str to ndarray, shape (n,)
        By quantity, units as in `QUANTITIES`.
    """

    path: str
    time_s: Array
    columns: Mapping[str, Array]


@dataclass(frozen=True)
class PhaseMisfit:
    """Flight less prediction in one phase.

    Parameters
    ----------
    phase, quantity, unit : str
    mean, rms, largest : float
        Mean, root mean square, and the value of largest size, in `unit`.
    """

    phase: str
    quantity: str
    unit: str
    mean: float
    rms: float
    largest: float


@dataclass(frozen=True)
class Change:
    """What one change alone would make of the misfit: its factor with a standard deviation, and the part of the RMS it leaves."""

    name: str
    factor: Quantity
    left_share: float


@dataclass(frozen=True)
class Explanation:
    """The changes, best first, and what can be said of them."""

    changes: tuple[Change, ...]
    said: str


def read_prediction(path: str | os.PathLike[str], column_map: Mapping[str, str] | None = None) -> Prediction:
    """Read a predicted flight from any text table.

    Parameters
    ----------
    path : str or path
    column_map : mapping of str to str, optional
        Quantity -> column, by its header or its number from 1, and its unit in brackets where it is not the usual one:
        {"time": "1", "height": "Altitude [ft]"}. Guessed from the headers where not given; a table without headers is time, height.

    Raises
    ------
    LogReadError
        Not a table, no time or nothing beside it, a cell that is no number, or times that don't increase.
    SettingsError
        The column map names what is not there or can't be.
    """
    from replay.flightlog.text import read_text

    name = os.fspath(path)
    table = read_text(name)
    chosen = _guessed(table.headers, table.units, table.has_header) if column_map is None else _mapped(name, table.headers, column_map)
    if "time" not in chosen or len(chosen) < 2:
        got = ", ".join(table.headers) or "no columns"
        raise LogReadError(name, None, None, "a column of time and one beside it (state them with a column map)", got)
    columns = {}
    own = {table.headers[i] for i, _ in chosen.values()}
    for issue in table.issues:
        if issue.severity == "warning" and issue.column in own and issue.rows:
            # a log forgives a cell that is no number; a prediction is made by a program or by hand, and is put right there
            raise LogReadError(name, issue.rows[0], issue.column, "a number or nothing", issue.found or issue.text)
    for quantity, (i, unit) in chosen.items():
        values = table.columns[i]
        if values.dtype.kind not in "fi":
            raise LogReadError(name, None, table.headers[i], "numbers", "text")
        columns[quantity] = np.asarray(values, dtype=np.float64) * _FACTORS[unit]
    time = columns.pop("time")
    good = np.isfinite(time)
    if np.count_nonzero(good) < 3:
        raise LogReadError(name, None, table.headers[chosen["time"][0]], "at least three times", str(np.count_nonzero(good)))
    back = np.flatnonzero(np.diff(time[good]) <= 0.0)
    if len(back):
        row = int(table.rows[np.flatnonzero(good)[back[0] + 1]])
        raise LogReadError(name, row, table.headers[chosen["time"][0]], "times that increase", f"{time[good][back[0] + 1]:g} s")
    return Prediction(name, time[good], {quantity: values[good] for quantity, values in columns.items()})


def _guessed(headers: Sequence[str], units: Sequence[str], has_header: bool) -> dict[str, tuple[int, str]]:
    from replay.flightlog.headers import split_unit, words_of

    if not has_header:
        return {"time": (0, "s"), "height": (1, "m")} if len(headers) > 1 else {}
    found: dict[str, tuple[int, str]] = {}
    for i, header in enumerate(headers):
        stem, unit = split_unit(header)
        said = units[i] if i < len(units) and units[i] else unit or ""
        words = words_of(stem)
        for quantity, known in _WORDS:
            if quantity not in found and any(word in known for word in words):
                own = QUANTITIES[quantity]
                tail = said or next((w for w in reversed(words) if w in _FACTORS and w not in known), "")
                found[quantity] = (i, tail if tail in _KINDS[own] else own)
                break
    return found


def _mapped(path: str, headers: Sequence[str], column_map: Mapping[str, str]) -> dict[str, tuple[int, str]]:
    found = {}
    for quantity, said in column_map.items():
        if quantity not in QUANTITIES:
            raise SettingsError(path, quantity, f"one of {', '.join(QUANTITIES)}", "an unknown quantity")
        column, _, bracket = said.partition("[")
        column, unit = column.strip(), bracket.rstrip("] ").strip() or QUANTITIES[quantity]
        if said.strip() in headers:  # the header has brackets of its own
            column, unit = said.strip(), unit if unit in _FACTORS else QUANTITIES[quantity]
        if unit not in _KINDS[QUANTITIES[quantity]]:
            raise SettingsError(path, quantity, f"a unit of {', '.join(_KINDS[QUANTITIES[quantity]])}", unit)
        if column in headers:
            found[quantity] = headers.index(column), unit
        elif column.isdigit() and 1 <= int(column) <= len(headers):
            found[quantity] = int(column) - 1, unit
        else:
            raise SettingsError(path, quantity, f"one of the columns {', '.join(headers)}, or its number", column)
    return found


def flown_of(known: Explained, site: Site) -> dict[str, Array]:
    """The flown flight in the quantities a prediction can have, shape (n,) each, on its solution's clock, units as in `QUANTITIES`.

    Raises
    ------
    CannotEstimate
        The flight has no estimate.
    """
    from replay import rotation

    solution = known.solution
    if solution is None:
        raise CannotEstimate("compare", "the flight has no estimate")
    up = rotation.rotate(solution.q_enu_from_body, np.nan_to_num(solution.accel_body_mps2))[:, 2] - _gravity(site)
    return own_traces(known) | {"vertical_acceleration": np.asarray(up)}


def _gravity(site: Site) -> float:
    return float(gravity.gravity_mps2(site.latitude_or_default_rad, site.ground_height_or_default_m))


def misfits(known: Explained, prediction: Prediction, site: Site) -> tuple[PhaseMisfit, ...]:
    """Flight less prediction, phase by phase, for every quantity the prediction has.

    Raises
    ------
    CannotEstimate
        No liftoff to lay the two over each other at.
    """
    liftoff = _liftoff(known)
    flown, clock = flown_of(known, site), known.solution.log_time_s - liftoff if known.solution is not None else np.empty(0)
    found = []
    for phase, first, last in PHASES:
        start, stop = known.time(first) - liftoff, known.time(last) - liftoff
        if not math.isfinite(start) or not math.isfinite(stop):
            continue
        inside = (clock >= start) & (clock <= stop)
        for quantity, values in prediction.columns.items():
            apart = flown[quantity][inside] - on_axis(clock[inside], prediction.time_s, values)
            apart = apart[np.isfinite(apart)]
            if len(apart) > 2:
                rms, largest = float(np.sqrt(np.mean(apart**2))), float(apart[int(np.argmax(np.abs(apart)))])
                found.append(PhaseMisfit(phase, quantity, QUANTITIES[quantity], float(np.mean(apart)), rms, largest))
    return tuple(found)


def _liftoff(known: Explained) -> float:
    if "liftoff" not in known.events:
        raise CannotEstimate("compare", f"the flight has no liftoff: {known.events.unknown.get('liftoff', 'not found')}")
    return known.events["liftoff"].log_time_s


def explain_misfit(known: Explained, prediction: Prediction, site: Site) -> Explanation:
    """Which single change of mass, impulse or drag brings the prediction nearest to the flight, liftoff to apogee.

    Raises
    ------
    CannotEstimate
        No vehicle with a thrust curve, no apogee, or nothing predicted that these change.
    """
    facts, liftoff, apogee = known.facts, _liftoff(known), known.time("apogee")
    if facts is None or not facts.thrust_curve_s_n:
        raise CannotEstimate("what explains the misfit", "needs a vehicle file with a thrust curve")
    if not math.isfinite(apogee):
        raise CannotEstimate("what explains the misfit", f"no apogee: {known.events.unknown.get('apogee', 'not found')}")
    found = known.known("propulsion", "drag coefficient")
    if facts.drag_coefficient is None and found is not None:
        facts = dataclasses.replace(facts, drag_coefficient=found.value)
    time = np.arange(0.0, apogee - liftoff, 0.05)
    flown = flown_of(known, site)
    names = [q for q in prediction.columns if q in _FLOOR and q != "axial_force"]
    clock = known.solution.log_time_s - liftoff if known.solution is not None else np.empty(0)
    gap, keep, sd = [], [], []
    for name in names:
        apart = on_axis(time, clock, flown[name]) - on_axis(time, prediction.time_s, prediction.columns[name])
        keep.append(np.isfinite(apart))
        gap.append(apart)
        sd.append(np.full(len(time), _FLOOR[name]))
    if not names or not np.any(np.concatenate(keep)):
        raise CannotEstimate("what explains the misfit", "the prediction has no height, speed or acceleration on the way up")
    kept = np.concatenate(keep)
    misfit = (np.concatenate(gap) / np.concatenate(sd))[kept]
    modelled = facts
    base = vertical_flight(modelled, site, time)

    def effect(name: str, factor: float) -> Array:
        changed = vertical_flight(modelled, site, time, **{name: factor})
        return np.asarray((np.concatenate([changed[q] - base[q] for q in names]) / np.concatenate(sd))[kept], dtype=np.float64)

    names_tried = [name for name in CHANGES if name != "drag" or facts.drag_coefficient]
    changes = sorted((_fitted(name, misfit, effect) for name in names_tried), key=lambda c: c.left_share)
    return Explanation(tuple(changes), _said(changes, misfit))


def _fitted(name: str, misfit: Array, effect: Callable[[str, float], Array]) -> Change:
    """Gauss-Newton for one factor; a correlated misfit counts for fewer samples than it has."""
    from replay.flight.misalignment import autocorrelation_widening

    factor, h = 1.0, 0.01
    for _ in range(5):
        now = effect(name, factor)
        slope = (effect(name, factor + h) - now) / h
        size = float(slope @ slope)
        if size <= 0.0:
            break
        factor = float(np.clip(factor + float(slope @ (misfit - now)) / size, 0.3, 3.0))
    left = misfit - effect(name, factor)
    variance = max(float(left @ left) / max(len(left) - 1, 1), 0.01) * autocorrelation_widening(left)
    sd = math.sqrt(variance / size) if size > 0.0 else math.nan
    before = float(np.sqrt(np.mean(misfit**2)))
    share = float(np.sqrt(np.mean(left**2))) / before if before > 0.0 else 1.0
    return Change(name, Quantity(f"{name} over the predicted", factor, sd, "1"), share)


def _said(changes: Sequence[Change], misfit: Array) -> str:
    best, second = changes[0], changes[1]
    if float(np.sqrt(np.mean(misfit**2))) < 1.0:
        return "the prediction fits within what a prediction is allowed: nothing to explain"
    if best.left_share > 1.0 - EXPLAINS_SHARE:
        return f"none of mass, impulse and drag alone explains it: the best ({best.name}) leaves {best.left_share:.0%} of the misfit"
    words = f"{best.name} × {best.factor.text()} explains it best, the model says: {best.left_share:.0%} of the misfit is left"
    if best.left_share > APART_SHARE * second.left_share:
        words += f"; {second.name} × {second.factor.text()} does nearly as well ({second.left_share:.0%}), the two can't be told apart here"
    return words


def vertical_flight(
    facts: VehicleFacts, site: Site, time_s: Array, *, mass: float = 1.0, impulse: float = 1.0, drag: float = 1.0
) -> dict[str, Array]:
    """Straight up from liftoff under thrust, weight and drag: height, vertical speed and acceleration at times from liftoff, each (n,).

    `mass`, `impulse` and `drag` scale the liftoff mass, the thrust and the drag coefficient. Fourth-order Runge-Kutta steps of 10 ms.
    """
    curve = np.array(facts.thrust_curve_s_n)
    liftoff_mass = mass * facts.liftoff_mass_kg
    force = impulse * curve[:, 1]
    ignition = ignition_of_curve(np.column_stack((curve[:, 0], force)), liftoff_mass, 0.0)
    half = np.arange(0.0, float(time_s[-1]) + _STEP_S, 0.5 * _STEP_S)
    thrust = np.interp(half - ignition, curve[:, 0], force, left=0.0, right=0.0)
    masses = mass_history(half, thrust, liftoff_mass, facts.propellant_mass_kg)
    g = _gravity(site)
    area = 0.5 * facts.area_m2 * drag * (facts.drag_coefficient or 0.0)
    ground = float(atmosphere.standard_pressure_pa(site.ground_height_or_default_m))
    air = float(atmosphere.density_kgpm3(ground, site.ground_temperature_or_default_k))

    def accel(i: int, height: float, speed: float) -> float:
        # density falls by about one part in 10 000 a metre near the ground: enough for a difference of two models
        return float((thrust[i] - air * math.exp(-1e-4 * height) * area * speed * abs(speed)) / masses[i] - g)

    n = (len(half) - 1) // 2
    states = np.zeros((n + 1, 3))
    h = v = 0.0
    for k in range(n):
        i = 2 * k
        a1 = accel(i, h, v)
        v2 = v + 0.5 * _STEP_S * a1
        a2 = accel(i + 1, h + 0.5 * _STEP_S * v, v2)
        v3 = v + 0.5 * _STEP_S * a2
        a3 = accel(i + 1, h + 0.5 * _STEP_S * v2, v3)
        v4 = v + _STEP_S * a3
        a4 = accel(i + 2, h + _STEP_S * v3, v4)
        states[k] = h, v, a1
        h += _STEP_S * (v + 2.0 * v2 + 2.0 * v3 + v4) / 6.0
        v += _STEP_S * (a1 + 2.0 * a2 + 2.0 * a3 + a4) / 6.0
        if h < 0.0:  # still on the rail's stop
            h, v = 0.0, max(v, 0.0)
    states[n] = h, v, accel(2 * n, h, v)
    clock = _STEP_S * np.arange(n + 1)
    height, speed, rate = (np.interp(time_s, clock, states[:, j]) for j in range(3))
    return {"height": height, "vertical_speed": speed, "speed": np.abs(speed), "vertical_acceleration": rate}
