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
from replay.flightlog.unit_table import FAMILIES, TICKS, find_unit


@dataclass(frozen=True)
class Reading:
    """One reading of a header. `stem` is the header without its axis: columns of one sensor share it."""

    channel: str
    component: str
    unit: str | None
    score: float
    stem: str
    reason: str


@dataclass(frozen=True)
class _Rule:
    """Words that name a channel. `helps` go with it, `bars` forbid it, `dims` make it a worse choice; any other word costs a little."""

    channel: str
    names: frozenset[str]
    helps: frozenset[str] = frozenset()
    bars: frozenset[str] = frozenset()
    dims: frozenset[str] = frozenset()
    base: float = 1.0


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_ESTIMATE = _set("est estimated estimate estimator kf ekf ukf kalman fused fusion nav onboard computed")
_DERIVED = _ESTIMATE | _set(
    "linear lin rotated earth world ned enu global pred predicted prediction predictor target setpoint ref reference bias biases offset "
    "std sd var variance cov mean avg average norm magnitude total abs error err residual innovation delta used sim model expected "
    "desired max min maximum minimum peak count counts flag valid ok scale gain gravity vertical"
)
_SECOND = _set("filtered filt lpf lp smoothed corrected corr compensated comp calibrated cal high hg highg secondary backup aux alt 2 b")
_NEUTRAL = _set(
    "raw imu sensor data value reading measured meas axis element component body board chip the of in and main primary 6dof 9dof"
)
_ACCEL = _set("acc accel acce accelerometer accelerometers acceleration accelerations specificforce")
_GYRO = _set("gyr gyro gyros gyroscope gyroscopes omega angrate angvel turnrate rotrate angularrate angularvelocity")
_MAG = _set("mag magn magnetometer magnetic magneticfield magfield compass")
_INERTIAL = _ACCEL | _GYRO | {"imu"}
_PRESSURE = _set("pressure press pres baro barometer barometric bmp")
_HEIGHT = _set("alt altitude height hgt elevation")
_TEMPERATURE = _set("temp temperature tmp temperatur")
_GNSS = _set("gps gnss satellite sat ublox")
_GIMBAL = _set("gimbal servo servos tvc actuator nozzle vane")
_ANGLE_WORDS = _set("angle angles euler attitude orientation ahrs ypr rpy")
_COUNTERS = _set("counter count sample samples sampleno index idx packet packets frame seq sequence n no row line id")

_RULES: Final = (
    _Rule(TIME, _set("time timestamp timestamps stamp t ts millis micros nanos clock uptime elapsed epoch utc tow seconds sec secs ms us ns "
                     "milliseconds microseconds nanoseconds zeit"),
          _set("log logger system sys boot since start mission flight local unix of imu sensor raw device mcu s tick ticks"),
          _set("to delay duration sync until"), _set("gps gnss host pc receive received rx update write written")),
    _Rule(TIME, _COUNTERS | _set("tick ticks"), _set("number imu"), frozenset(), frozenset(), 0.45),
    _Rule("accel_raw_imu_mps2", _ACCEL, frozenset(), _DERIVED | _TEMPERATURE | _set("angular rate gyro gyr"), _SECOND),
    _Rule("rate_raw_imu_radps", _GYRO, _set("rate rates angular velocity speed"), _DERIVED | _TEMPERATURE, _SECOND),
    _Rule("rate_raw_imu_radps", _set("angular turn rotation rotational rate"), _set("rate rates velocity speed"),
          _DERIVED | _TEMPERATURE | _set("climb heart sample data descent ascent limit acceleration position"), _SECOND, 0.8),
    _Rule("mag_raw_imu_t", _MAG, _set("field strength"), _DERIVED | _TEMPERATURE | _set("heading"), _SECOND),
    _Rule("pressure_pa", _PRESSURE, _set("static air absolute abs p ambient atmospheric"),
          (_DERIVED - _set("abs")) | _TEMPERATURE | _HEIGHT | _set("chamber dynamic pitot differential diff tank humidity"), _SECOND),
    _Rule("baro_height_m", _HEIGHT, _PRESSURE | _set("agl msl asl amsl relative rel ground above level m"),
          _DERIVED | _TEMPERATURE | _GNSS | _set("apogee"), _SECOND - _set("alt"), 0.8),
    _Rule("onboard_height_m", _HEIGHT | _set("position pos"), _ESTIMATE | _set("filtered filt agl z up msl vertical enu ned position pos"),
          (_DERIVED - _ESTIMATE - _set("enu vertical")) | _TEMPERATURE | _GNSS | _set("encoder servo apogee acceleration rate error"), frozenset(), 0.9),
    _Rule("onboard_vel_up_mps", _set("vel velocity speed vspeed climb vario vz"),
          _ESTIMATE | _set("z up vertical vert rate filtered filt agl baro v"),
          (_DERIVED - _ESTIMATE - _set("vertical enu")) | _GNSS | _set("ground air wind motor angular encoder rotation turn apogee"), frozenset(), 0.8),
    _Rule("imu_temperature_k", _TEMPERATURE, _ACCEL | _GYRO | _set("die c t imu"), _DERIVED | _set("air ambient outside external oat outdoor motor nozzle esc"),
          _PRESSURE | _set("cpu processor mcu core environmental env battery gps mag magnetometer") | _SECOND, 0.9),
    _Rule("air_temperature_k", _TEMPERATURE, _set("air ambient outside external oat outdoor"), _DERIVED, _SECOND, 0.6),
    _Rule("battery_v", _set("batt battery vbat vbatt bat voltage volt volts vin vcc vsupply lipo"), _set("voltage supply main bus pack v"),
          _DERIVED | _TEMPERATURE | _set("percent percentage current pyro continuity level servo cell"), _set("cpu 5v 3v3") | _SECOND),
    _Rule("current_a", _set("current curr amps amperage ibat milliamps amperes"), _set("battery batt bat total main supply"),
          _DERIVED - _set("total") | _set("voltage state phase time altitude stage mode pyro"), _set("servo motor") | _SECOND),
    _Rule("gimbal_command_rad", _GIMBAL, _set("command cmd commanded demand demanded setpoint out output target angle deg x y pulse pwm desired"),
          _set("position pos actual feedback fb measured meas encoder rate roll current voltage temp temperature error power"), frozenset()),
    _Rule("gimbal_position_rad", _GIMBAL, _set("position pos actual feedback fb measured meas encoder angle"),
          _set("command cmd commanded demand setpoint target rate roll current voltage temp temperature error power"), frozenset(), 0.9),
    _Rule("q_enu_from_body_onboard", _set("q quat quaternion quaternions"), _ESTIMATE | _ANGLE_WORDS | _set("filter madgwick mahony"),
          _set("target setpoint ref reference desired error err delta")),
    _Rule(ANGLES, _set("roll pitch yaw heading phi theta psi"), _ESTIMATE | _ANGLE_WORDS | _set("filtered"),
          _GYRO | _GIMBAL | _set("rate rates target setpoint ref reference desired error err gps gnss mag magnetic cmd command acc accel bias pid"),
          frozenset(), 0.8),
    _Rule("state", _set("state phase flightstate flightphase fsm stage mode status statename"), _set("flight letter name number code id machine vehicle"),
          _set("gps gnss pyro battery charger charging sd fix of charge servo motor")),
    _Rule("gnss_lat_lon_height", _set("lat latitude"), _GNSS, _DERIVED),
    _Rule("gnss_lat_lon_height", _set("lon lng long longitude"), _GNSS, _DERIVED),
    _Rule("gnss_lat_lon_height", _HEIGHT, _GNSS | _set("msl asl amsl"), _DERIVED | _PRESSURE, frozenset(), 0.5),
)  # fmt: skip
_UNIT_NAMES: Final = _set("s sec secs seconds ms us ns milliseconds microseconds nanoseconds")  # a clock only where nothing else is said
_NEEDS: Final = {
    # a channel whose name word alone is not enough: one of these must be there too
    "onboard_height_m": _ESTIMATE | _set("filtered filt"),
    "air_temperature_k": _set("air ambient outside external oat outdoor"),
    "gimbal_position_rad": _set("position pos actual feedback fb measured meas encoder"),
}
_VECTOR_COMPONENTS: Final = {
    "accel_raw_imu_mps2": {"x": "x", "y": "y", "z": "z"},
    "rate_raw_imu_radps": {"x": "x", "y": "y", "z": "z", "roll": "x", "pitch": "y", "yaw": "z", "p": "x", "q": "y", "r": "z"},
    "mag_raw_imu_t": {"x": "x", "y": "y", "z": "z"},
    "gimbal_command_rad": {"x": "x", "y": "y", "pitch": "x", "yaw": "y", "a": "x", "b": "y"},
    "gimbal_position_rad": {"x": "x", "y": "y", "pitch": "x", "yaw": "y", "a": "x", "b": "y"},
    "q_enu_from_body_onboard": {"w": "w", "x": "x", "y": "y", "z": "z", "s": "w", "real": "w", "i": "x", "j": "y", "k": "z", "scalar": "w"},
    ANGLES: {"roll": "roll", "pitch": "pitch", "yaw": "yaw", "heading": "yaw", "phi": "roll", "theta": "pitch", "psi": "yaw"},
    "gnss_lat_lon_height": {
        **dict.fromkeys(("lat", "latitude"), "latitude"),
        **dict.fromkeys(("lon", "lng", "long", "longitude"), "longitude"),
        **dict.fromkeys(_HEIGHT, "height"),
    },
}
_GLUED: Final = {"a": "acc", "g": "gyro", "w": "omega", "m": "mag", "q": "quat"}
_GLUED_STEMS: Final = _ACCEL | _GYRO | _MAG | _GIMBAL | _set("q quat quaternion vel velocity pos position rate")
_UNIT_ONLY: Final = (("accel", "accel_raw_imu_mps2"), ("rate", "rate_raw_imu_radps"), ("mag", "mag_raw_imu_t"))
_UNIT_ONLY_SCALAR: Final = (("temperature", "imu_temperature_k"), ("pressure", "pressure_pa"), ("voltage", "battery_v"))


def words_of(name: str) -> list[str]:
    """Lower-case words of a name: camel case, digits and any punctuation split it; `accx` and `q0` lose their axis as a word of its own."""
    words: list[str] = []
    for piece in re.findall(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-zµ°]+|[A-Z]+|\d+", name):
        word = piece.lower()
        if len(word) == 2 and word[0] in _GLUED and word[1] in "xyzw":
            words += [_GLUED[word[0]], word[1]]
        elif len(word) > 2 and word[-1] in "xyzw" and word[:-1] in _GLUED_STEMS and word not in _GLUED_STEMS:
            words += [word[:-1], word[-1]]
        elif len(word) > 2 and word[0] in "xyz" and word[1:] in _ACCEL | _GYRO | _MAG:
            words += [word[1:], word[0]]
        elif word in "xyzw" and words and words[-1] in _GLUED:
            words[-1:] = [_GLUED[words[-1]], word]
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
    found = [reading for rule in _RULES if (reading := _apply(rule, words, unit_text)) is not None]
    if not found:
        found = _from_unit(words, unit_text)
        stem = re.sub(r"\.\w+$", "", file_name)
        context = words_of(stem)
        with_file = [r for rule in _RULES if rule.channel != TIME and (r := _apply(rule, [*context, *words], unit_text)) is not None]
        named = [replace(r, score=0.9 * r.score, reason=f"{r.reason} of the file's name") for r in with_file if r.component or r.unit]
        found = named + found
    return sorted(found, key=lambda reading: -reading.score)


def _apply(rule: _Rule, words: Sequence[str], unit_text: str | None) -> Reading | None:
    """How well one rule reads the words; None where it does not."""
    named = [word for word in words if word in rule.names]
    if not named or any(word in rule.bars for word in words):
        return None
    if rule.channel == TIME and set(named) <= _UNIT_NAMES and not set(words) <= _UNIT_NAMES:
        return None
    needs = _NEEDS.get(rule.channel)
    if needs is not None and not any(word in needs for word in words):
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
        elif word in _INERTIAL and rule.channel == "imu_temperature_k":
            score += 0.05
        elif not (word in rule.names or word in rule.helps or word in _NEUTRAL or word.isdigit()):
            score -= 0.15
    score += 0.1 * any(word == "raw" for word in words)
    stem = " ".join(word for i, word in enumerate(words) if i != i_component)
    return Reading(rule.channel, component, unit, score, stem, f"word {named[0]!r}") if score > 0.2 else None


def _component(channel: str, words: Sequence[str]) -> tuple[str | None, int | None, bool]:
    """Component the words name, where it stands, and whether by number. None where a vector's header has no axis."""
    table = _VECTOR_COMPONENTS.get(channel)
    if table is None:
        other = {"onboard_height_m": "xy", "onboard_vel_up_mps": "xy"}.get(channel, "")
        return (None, None, False) if any(word in other.split() or word in tuple(other) for word in words) else ("", None, False)
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
        if unit and component and not component.startswith("#") and not any(word in _DERIVED for word in words):
            stem = " ".join(word for i, word in enumerate(words) if i != i_component)
            readings.append(Reading(channel, component, unit, 0.6, stem, f"unit {unit}"))
    for family, channel in _UNIT_ONLY_SCALAR:
        unit = find_unit(unit_text, family)
        if unit and not any(word in _DERIVED for word in words):
            score = 0.6 if any(word in _INERTIAL for word in words) else 0.3
            readings.append(Reading(channel, "", unit, score, " ".join(words), f"unit {unit}"))
    return readings


def place_numbered(components: Iterable[str], names: Sequence[str]) -> dict[str, str]:
    """Numbered components of one sensor to its names: 0, 1, 2 or 1, 2, 3 become x, y, z. Empty where the numbers don't fit."""
    numbers = sorted(int(component[1:]) for component in components if component.startswith("#"))
    if len(numbers) != len(names) or numbers not in (list(range(len(names))), list(range(1, len(names) + 1))):
        return {}
    return {f"#{number}": name for number, name in zip(numbers, names, strict=True)}
