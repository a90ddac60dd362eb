"""What one column header most probably names: channel, component and unit, with a score, from its words alone.

Tolerant on purpose: `AccX`, `acc_x_g`, `Accelerometer X (g)`, `ax [m/s²]`, `raw_acceleration_x_gs` all name the same thing. Words of
the computer's own estimate (`est`, `filtered`, `linear`, ...) keep a column from being taken for the raw sensor.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from replay.flightlog.columnmap import ANGLES, TIME, components_of, family_of
from replay.flightlog.header_words import (
    ACCEL,
    AXIS_LETTERS,
    COMPONENTS,
    DERIVED,
    GLUED,
    GYRO,
    INERTIAL,
    MAG,
    NEUTRAL,
    RULES,
    TIME_UNITS,
    Rule,
)
from replay.flightlog.unit_table import FAMILIES, TICKS, find_unit


@dataclass(frozen=True)
class Reading:
    """One reading of a header.

    Parameters
    ----------
    channel, component : str
        Component "#1" where a number stands for it.
    unit : str or None
        As stated, in our spelling.
    score : float
        About 1 for a sure reading; only for comparing one with another.
    stem : str
        The header without its axis: columns of one sensor share it.
    reason : str
        For the screen.
    """

    channel: str
    component: str
    unit: str | None
    score: float
    stem: str
    reason: str


_UNIT_ONLY: Final = (("accel", "accel_raw_imu_mps2"), ("rate", "rate_raw_imu_radps"), ("mag", "mag_raw_imu_t"))
_UNIT_ONLY_SCALAR: Final = (("temperature", "imu_temperature_k"), ("pressure", "pressure_pa"), ("voltage", "battery_v"))


def words_of(name: str) -> list[str]:
    """Lower-case words of a name: camel case, digits and any punctuation split it; `accx` and `q0` lose their axis as a word of its own."""
    words: list[str] = []
    for piece in re.findall(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-zµ°]+|[A-Z]+|\d+", name):
        word = piece.lower()
        if len(word) == 2 and word[0] in AXIS_LETTERS and word[1] in "xyzw":
            words += [AXIS_LETTERS[word[0]], word[1]]
        elif len(word) > 2 and word[-1] in "xyzw" and word[:-1] in GLUED and word not in GLUED:
            words += [word[:-1], word[-1]]
        elif word in ("qr", "qi", "qj", "qk"):
            words += [AXIS_LETTERS["q"], word[1]]
        elif word in ("rollrate", "pitchrate", "yawrate"):
            words += [word.removesuffix("rate"), "rate"]
        elif len(word) > 2 and word[0] in "xyz" and word[1:] in ACCEL | GYRO | MAG:
            words += [word[1:], word[0]]
        elif word in "xyzw" and words and words[-1] in AXIS_LETTERS:
            words[-1:] = [AXIS_LETTERS[words[-1]], word]
        else:
            words.append(word)
    return words


def split_unit(header: str) -> tuple[str, str | None]:
    """Name and written unit of a header: `Acc X [g]`, `acc_x (g)`, `p / hPa`, `p, hPa`. The unit is None where none is marked off."""
    name, unit = header, None
    for match in re.finditer(r"\[([^\[\]]*)\]|\(((?:[^()]|\([^()]*\))*)\)", header):
        inside = (match.group(1) if match.group(1) is not None else match.group(2)).strip()
        if inside.lower() in ("x", "y", "z", "w", "raw") or inside.isdigit():
            name = name.replace(match.group(0), f" {inside} ")
        else:
            name = name.replace(match.group(0), " ")
            unit = unit or inside
    if unit is None:
        for mark in (",", ":", "/"):
            head, found, tail = name.partition(mark)
            if found and head.strip() and any(find_unit(tail, family) for family in FAMILIES if family not in ("number", "word")):
                return head.strip(), tail.strip()
    return name.strip(), unit


def read_header(header: str, file_name: str = "") -> Reading | None:
    """The best reading of a header, or None where nothing is recognised.

    `file_name` helps only where the header alone names no quantity (`X Axis (g)` in `Accelerometer.csv`).
    """
    readings = all_readings(header, file_name)
    return readings[0] if readings else None


def all_readings(header: str, file_name: str = "") -> list[Reading]:
    """Every reading of a header, best first."""
    name, unit_text = split_unit(header)
    words = words_of(name)
    found = [reading for rule in RULES if (reading := _apply(rule, words, unit_text)) is not None]
    if not found:
        found = _from_unit(words, unit_text)
        stem = re.sub(r"\.\w+$", "", file_name)
        context = words_of(stem)
        with_file = [r for rule in RULES if rule.channel != TIME and (r := _apply(rule, [*context, *words], unit_text)) is not None]
        named = [replace(r, score=0.9 * r.score, reason=f"{r.reason} of the file's name") for r in with_file if r.component or r.unit]
        found = named + found
    return sorted(found, key=lambda reading: -reading.score)


def _apply(rule: Rule, words: Sequence[str], unit_text: str | None) -> Reading | None:
    """How well one rule reads the words; None where it does not."""
    named = [word for word in words if word in rule.names]
    if not named or any(word in rule.bars for word in words):
        return None
    if rule.channel == TIME and set(named) <= TIME_UNITS and not set(words) <= TIME_UNITS:
        return None
    if rule.needs and not any(word in rule.needs for word in words):
        return None
    component, i_component, is_indexed = _component(rule.channel, words)
    if component is None:
        return None
    unit, unit_words = _unit(rule.channel, component, words, unit_text)
    if unit_text and unit is None and _is_other_unit(unit_text, rule.channel, component):
        return None
    rest = [word for i, word in enumerate(words) if i != i_component and i < len(words) - unit_words]
    score = rule.base + (0.2 if unit else 0.0) - (0.1 if is_indexed else 0.0)
    for word in rest:
        if word in rule.dims:
            score -= 0.3
        elif word in INERTIAL and rule.channel == "imu_temperature_k":
            score += 0.05
        elif not (word in rule.names or word in rule.helps or word in NEUTRAL or word.isdigit()):
            score -= 0.15
    score += 0.1 * any(word == "raw" for word in words)
    stem = " ".join(word for i, word in enumerate(words) if i != i_component)
    return Reading(rule.channel, component, unit, score, stem, f"word {named[0]!r}") if score > 0.2 else None


def _component(channel: str, words: Sequence[str]) -> tuple[str | None, int | None, bool]:
    """Component the words name, where it stands, and whether by number. None where a vector's header has no axis."""
    table = COMPONENTS.get(channel)
    if table is None:
        return "", None, False
    for i in range(len(words) - 1, -1, -1):
        if words[i] in table:
            return table[words[i]], i, False
    names = components_of(channel)
    if channel not in (ANGLES, "gnss_lat_lon_height"):
        for i in range(len(words) - 1, -1, -1):
            if words[i].isdigit() and int(words[i]) <= len(names):
                return f"#{int(words[i])}", i, True
    return None, None, False


def _unit(channel: str, component: str, words: Sequence[str], unit_text: str | None) -> tuple[str | None, int]:
    """Unit stated in brackets, or by the last words, or (for a clock) by its own name; and how many last words it took."""
    family = family_of(channel, component if not component.startswith("#") else "") or "number"
    if unit_text is not None:
        return (find_unit(unit_text, family), 0)
    if family in ("number", "word"):
        return None, 0
    if family == "time" and words and words[-1] in ("sample", "samples", "counter", "count", "tick", "ticks"):
        return TICKS, 0
    for n in range(min(4, len(words)), 0, -1):
        if n == len(words) and family != "time":
            continue
        unit = find_unit("_".join(words[-n:]), family)
        if unit is not None and unit != TICKS and (n < len(words) or words[0] != "t"):
            return unit, n
    return None, 0


def _is_other_unit(unit_text: str, channel: str, component: str) -> bool:
    """The unit written is one of another kind of quantity, so this is not the channel."""
    family = family_of(channel, component if not component.startswith("#") else "")
    return any(find_unit(unit_text, other) for other in FAMILIES if other not in (family, "number", "word"))


def _from_unit(words: Sequence[str], unit_text: str | None) -> list[Reading]:
    """A header that names no quantity but states a unit only one kind of sensor has: `X (deg/s)`, `Processor (degC)`."""
    if not unit_text:
        return []
    readings = []
    for family, channel in _UNIT_ONLY:
        unit = find_unit(unit_text, family)
        component, i_component, _ = _component(channel, words)
        if unit and component and not component.startswith("#") and not any(word in DERIVED for word in words):
            stem = " ".join(word for i, word in enumerate(words) if i != i_component)
            readings.append(Reading(channel, component, unit, 0.6, stem, f"unit {unit}"))
    for family, channel in _UNIT_ONLY_SCALAR:
        unit = find_unit(unit_text, family)
        if unit and not any(word in DERIVED for word in words):
            score = 0.6 if any(word in INERTIAL for word in words) else 0.3
            readings.append(Reading(channel, "", unit, score, " ".join(words), f"unit {unit}"))
    return readings


def place_numbered(components: Iterable[str], names: Sequence[str]) -> dict[str, str]:
    """Numbered components of one sensor to its names: 0, 1, 2 or 1, 2, 3 become x, y, z. Empty where the numbers don't fit."""
    numbers = sorted(int(component[1:]) for component in components if component.startswith("#"))
    if len(numbers) != len(names) or numbers not in (list(range(len(names))), list(range(1, len(names) + 1))):
        return {}
    return {f"#{number}": name for number, name in zip(numbers, names, strict=True)}
