"""The words by which loggers name their columns, channel by channel. Data only; `headers` weighs them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from replay.flightlog.columnmap import ANGLES, TIME

Words = frozenset[str]


@dataclass(frozen=True)
class Rule:
    """Words that name a channel.

    Parameters
    ----------
    channel : str
    names : set of str
        Any of these names it.
    helps, bars, dims : set of str
        Words that go with it, forbid it, and make it a worse choice; any other word costs a little.
    needs : set of str
        One of these must be there too, where the naming word alone is not enough.
    base : float
        Score of the bare name, up to 1.
    """

    channel: str
    names: Words
    helps: Words = frozenset()
    bars: Words = frozenset()
    dims: Words = frozenset()
    needs: Words = frozenset()
    base: float = 1.0


def _set(words: str) -> Words:
    return frozenset(words.split())


ESTIMATE: Final = _set("est estimated estimate estimator kf ekf ukf kalman fused fusion nav onboard computed")
DERIVED: Final = ESTIMATE | _set(
    "linear lin rotated earth world ned enu global pred predicted prediction predictor target setpoint ref reference bias biases offset "
    "std sd var variance cov mean avg average norm magnitude total abs error err residual innovation delta used sim model expected "
    "desired max min maximum minimum peak count counts flag valid ok scale gain gravity vertical"
)
"""Words of a value that was computed: never the raw sensor."""
SECOND: Final = _set(
    "filtered filt lpf lp smoothed corrected corr compensated comp calibrated cal high hg highg secondary backup aux alt 2 b"
)
"""Words of a second sensor, or of a treated copy: taken only where there is no better."""
NEUTRAL: Final = _set(
    "raw imu sensor data value reading measured meas axis element component body board chip the of in and main primary 6dof 9dof"
)
ACCEL: Final = _set("acc accel acce accelerometer accelerometers acceleration accelerations specificforce")
GYRO: Final = _set("gyr gyro gyros gyroscope gyroscopes omega angrate angvel turnrate rotrate angularrate angularvelocity")
MAG: Final = _set("mag magn magnetometer magnetic magneticfield magfield compass")
INERTIAL: Final = ACCEL | GYRO | {"imu"}
TIME_UNITS: Final = _set("s sec secs seconds ms us ns milliseconds microseconds nanoseconds")
"""Units that name a clock only where the header says nothing else."""
HEIGHT: Final = _set("alt altitude height hgt elevation")
GIMBAL: Final = _set("gimbal servo servos tvc actuator nozzle vane")
GLUED: Final = ACCEL | GYRO | MAG | GIMBAL | _set("q quat quaternion vel velocity pos position rate")
"""Words an axis letter may be glued to: `accx`."""
AXIS_LETTERS: Final[Mapping[str, str]] = MappingProxyType({"a": "acc", "g": "gyro", "w": "omega", "m": "mag", "q": "quat"})
"""One letter that stands for a sensor before an axis: `ax`, `gy`."""

_PRESSURE = _set("pressure press pres baro barometer barometric bmp")
_TEMPERATURE = _set("temp temperature tmp temperatur")
_GNSS = _set("gps gnss satellite sat ublox")
_AIR = _set("air ambient outside external oat outdoor")
_ANGLE_WORDS = _set("angle angles euler attitude orientation ahrs ypr rpy")
_COUNTERS = _set("counter count sample samples sampleno index idx packet packets frame seq sequence n no row line id tick ticks")
_OTHER_OF_SERVO = _set("rate roll current voltage temp temperature error power")
_READ_BACK = _set("position pos actual feedback fb measured meas encoder")

RULES: Final = (
    Rule(
        TIME,
        _set("time timestamp timestamps stamp t ts millis micros nanos clock uptime elapsed epoch utc tow zeit") | TIME_UNITS,
        helps=_set("log logger system sys boot since start mission flight local unix of imu sensor raw device mcu s tick ticks"),
        bars=_set("to delay duration sync until"),
        dims=_set("gps gnss host pc receive received rx update write written"),
    ),
    Rule(TIME, _COUNTERS, helps=_set("number imu"), base=0.45),
    Rule("accel_raw_imu_mps2", ACCEL, bars=DERIVED | _TEMPERATURE | _set("angular rate gyro gyr"), dims=SECOND),
    Rule("rate_raw_imu_radps", GYRO, helps=_set("rate rates angular velocity speed"), bars=DERIVED | _TEMPERATURE, dims=SECOND),
    Rule(
        "rate_raw_imu_radps",
        _set("angular turn rotation rotational rate"),
        helps=_set("rate rates velocity speed"),
        bars=DERIVED | _TEMPERATURE | _set("climb heart sample data descent ascent limit acceleration position"),
        dims=SECOND,
        base=0.8,
    ),
    # the letter alone, or with a unit: any word beside it makes it something else
    Rule("rate_raw_imu_radps", _set("p q r"), base=0.3),
    Rule("mag_raw_imu_t", MAG, helps=_set("field strength"), bars=DERIVED | _TEMPERATURE | _set("heading"), dims=SECOND),
    Rule(
        "pressure_pa",
        _PRESSURE,
        helps=_set("static air absolute abs p ambient atmospheric"),
        bars=(DERIVED - {"abs"}) | _TEMPERATURE | HEIGHT | _set("chamber dynamic pitot differential diff tank humidity"),
        dims=SECOND,
    ),
    Rule(
        "baro_height_m",
        HEIGHT,
        helps=_PRESSURE | _set("agl msl asl amsl relative rel ground above level m"),
        bars=DERIVED | _TEMPERATURE | _GNSS | {"apogee"},
        dims=SECOND - {"alt"},
        base=0.8,
    ),
    Rule(
        "onboard_height_m",
        HEIGHT | _set("position pos"),
        helps=ESTIMATE | _set("filtered filt agl z up msl vertical enu ned position pos"),
        bars=(DERIVED - ESTIMATE - _set("enu vertical")) | _TEMPERATURE | _GNSS | _set("encoder servo apogee acceleration rate error x y"),
        needs=ESTIMATE | _set("filtered filt"),
        base=0.9,
    ),
    Rule(
        "onboard_vel_up_mps",
        _set("vel velocity speed vspeed climb vario vz"),
        helps=ESTIMATE | _set("z up vertical vert rate filtered filt agl baro v"),
        bars=(DERIVED - ESTIMATE - _set("enu vertical"))
        | _GNSS
        | _set("ground air wind motor angular encoder rotation turn apogee x y east north"),
        base=0.8,
    ),
    Rule(
        "imu_temperature_k",
        _TEMPERATURE,
        helps=ACCEL | GYRO | _set("die c t imu"),
        bars=DERIVED | _AIR | _set("motor nozzle esc"),
        dims=_PRESSURE | SECOND | _set("cpu processor mcu core environmental env battery gps mag magnetometer"),
        base=0.9,
    ),
    Rule("air_temperature_k", _TEMPERATURE, helps=_AIR, bars=DERIVED, dims=SECOND, needs=_AIR, base=0.6),
    Rule(
        "battery_v",
        _set("batt battery vbat vbatt bat voltage volt volts vin vcc vsupply lipo"),
        helps=_set("voltage supply main bus pack v"),
        bars=DERIVED | _TEMPERATURE | _set("percent percentage current pyro continuity level servo cell"),
        dims=SECOND | _set("cpu 5v 3v3"),
    ),
    Rule(
        "current_a",
        _set("current curr amps amperage ibat milliamps amperes"),
        helps=_set("battery batt bat total main supply"),
        bars=(DERIVED - {"total"}) | _set("voltage state phase time altitude stage mode pyro"),
        dims=SECOND | _set("servo motor"),
    ),
    Rule(
        "gimbal_command_rad",
        GIMBAL,
        helps=_set("command cmd commanded demand demanded setpoint out output target angle deg x y pulse pwm desired us"),
        bars=_READ_BACK | _OTHER_OF_SERVO,
    ),
    Rule(
        "gimbal_position_rad",
        GIMBAL,
        helps=_READ_BACK | {"angle"},
        bars=_set("command cmd commanded demand setpoint target") | _OTHER_OF_SERVO,
        needs=_READ_BACK,
        base=0.9,
    ),
    Rule(
        "q_enu_from_body_onboard",
        _set("q quat quaternion quaternions orientation"),
        helps=ESTIMATE | _ANGLE_WORDS | _set("filter"),
        bars=_set("target setpoint ref reference desired error err delta"),
    ),
    Rule(
        ANGLES,
        _set("roll pitch yaw heading phi theta psi"),
        helps=ESTIMATE | _ANGLE_WORDS | {"filtered"},
        bars=GYRO
        | GIMBAL
        | _GNSS
        | _set("rate rates target setpoint ref reference desired error err mag magnetic cmd command acc accel bias pid"),
        base=0.8,
    ),
    Rule(
        "state",
        _set("state phase flightstate flightphase fsm stage mode status statename"),
        helps=_set("flight letter name number code id machine vehicle"),
        bars=_GNSS | _set("pyro battery charger charging sd fix of charge servo motor"),
    ),
    Rule("gnss_lat_lon_height", _set("lat latitude"), helps=_GNSS, bars=DERIVED),
    Rule("gnss_lat_lon_height", _set("lon lng long longitude"), helps=_GNSS, bars=DERIVED),
    Rule("gnss_lat_lon_height", HEIGHT, helps=_GNSS | _set("msl asl amsl"), bars=DERIVED | _PRESSURE, base=0.5),
)

_IMU_AXES = {"x": "x", "y": "y", "z": "z"}
_GIMBAL_AXES = {"x": "x", "y": "y", "pitch": "x", "yaw": "y", "a": "x", "b": "y"}
COMPONENTS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "accel_raw_imu_mps2": _IMU_AXES,
        "rate_raw_imu_radps": {**_IMU_AXES, "roll": "x", "pitch": "y", "yaw": "z", "p": "x", "q": "y", "r": "z"},
        "mag_raw_imu_t": _IMU_AXES,
        "gimbal_command_rad": _GIMBAL_AXES,
        "gimbal_position_rad": _GIMBAL_AXES,
        "q_enu_from_body_onboard": {"w": "w", **_IMU_AXES, "s": "w", "r": "w", "real": "w", "scalar": "w", "i": "x", "j": "y", "k": "z"},
        ANGLES: {"roll": "roll", "pitch": "pitch", "yaw": "yaw", "heading": "yaw", "phi": "roll", "theta": "pitch", "psi": "yaw"},
        "gnss_lat_lon_height": {
            **dict.fromkeys(("lat", "latitude"), "latitude"),
            **dict.fromkeys(("lon", "lng", "long", "longitude"), "longitude"),
            **dict.fromkeys(HEIGHT, "height"),
        },
    }
)
"""Vector channel -> word -> component."""
