"""Calibration: the numbers that turn raw inertial samples into true ones, with unit, range and step beside each field.

In imu axes (the sensor's own, as logged), for accelerometer and gyro alike::

    accel = M · (raw − bias − slope · (T − T_ref))             M = [[sx, xy, xz], [0, sy, yz], [0, 0, sz]]
    rate  = R(misalignment) · diag(scale) · (raw − pad_bias − bias − slope · (T − T_ref))

then the column map's axis assignment and the mount rotation turn imu axes into body axes (`mount.py`).

A calibration file is the TOML of the conventions page. What a bench or a reconcile found out about its own numbers goes in the same
file and is read back, never dropped::

    note = "six faces, indoors"                   # one line, free
    undetermined = ["gyro.scale[2]"]              # what the work could not determine; the value stands as it was before
    [sd.accelerometer]                            # one standard deviation of each number, in the unit of the value;
    bias_mps2 = [0.004, 0.004, nan]               # nan, or an absent key, was not solved for
    [correlation]                                 # of the errors of numbers that have a standard deviation; absent: independent
    of = ["accelerometer.bias_mps2[0]", "gyro.scale[1]"]
    rows = [[1.0, -0.88], [-0.88, 1.0]]
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.errors import SettingsError
from replay.settings_file import FORMAT, Check, Unfit, checked, flag, number, read_toml, rows, text, vector, write_toml
from replay.units import DEG, ZERO_CELSIUS_K, kelvin

Vec3 = tuple[float, float, float]
ZERO3: Vec3 = (0.0, 0.0, 0.0)
ONE3: Vec3 = (1.0, 1.0, 1.0)


def _shown(label: str, unit: str, factor: float, low: float, high: float, step: float, key: str) -> Mapping[str, Any]:
    """What panel, file and checks need: value on screen = value inside / factor; low, high and step in the shown unit."""
    return {"label": label, "show": unit, "factor": factor, "low": low, "high": high, "step": step, "key": key}


@dataclass(frozen=True)
class Calibration:
    """One calibration. SI and radians; `metadata` of each field holds label, shown unit, factor, range, step and file key.

    corrected = M · (raw − bias − slope · (temperature − reference)), M of scale and cross-axis; each in the order of the imu's x, y, z.

    Parameters
    ----------
    accel_bias_imu_mps2, accel_slope_imu_mps2_per_k : (float, float, float)
    accel_scale, accel_cross_axis : (float, float, float)
        Diagonal of M, and its xy, xz, yz.
    gyro_bias_imu_radps, gyro_slope_imu_radps_per_k : (float, float, float)
        The bias on top of the one read on the pad, where `gyro_pad_bias`.
    gyro_pad_bias : bool
    gyro_scale : (float, float, float)
    gyro_misalignment_rad : (float, float, float)
        Rotation vector from the gyro's axes to the accelerometer's.
    reference_temperature_k : float
    mount_rotation_rad : (float, float, float)
        Rotation vector, imu to body, after the column map's axis assignment.
    """

    accel_bias_imu_mps2: Vec3 = field(
        default=ZERO3, metadata=_shown("accelerometer bias", "m/s²", 1.0, -2.0, 2.0, 0.001, "accelerometer.bias_mps2")
    )
    accel_scale: Vec3 = field(default=ONE3, metadata=_shown("accelerometer scale", "1", 1.0, 0.9, 1.1, 1e-4, "accelerometer.scale"))
    accel_cross_axis: Vec3 = field(
        default=ZERO3, metadata=_shown("accelerometer cross-axis xy, xz, yz", "1", 1.0, -0.1, 0.1, 1e-4, "accelerometer.cross_axis")
    )
    accel_slope_imu_mps2_per_k: Vec3 = field(
        default=ZERO3,
        metadata=_shown("accelerometer bias slope", "m/s²/°C", 1.0, -0.1, 0.1, 1e-4, "accelerometer.temperature_slope_mps2_per_c"),
    )
    gyro_bias_imu_radps: Vec3 = field(default=ZERO3, metadata=_shown("gyro bias", "deg/s", DEG, -10.0, 10.0, 0.005, "gyro.bias_degps"))
    gyro_pad_bias: bool = field(default=True, metadata={"label": "read the gyro bias on the pad", "key": "gyro.pad_bias"})
    gyro_scale: Vec3 = field(default=ONE3, metadata=_shown("gyro scale", "1", 1.0, 0.9, 1.1, 1e-4, "gyro.scale"))
    gyro_misalignment_rad: Vec3 = field(
        default=ZERO3, metadata=_shown("gyro misalignment", "deg", DEG, -10.0, 10.0, 0.01, "gyro.misalignment_deg")
    )
    gyro_slope_imu_radps_per_k: Vec3 = field(
        default=ZERO3, metadata=_shown("gyro bias slope", "deg/s/°C", DEG, -0.5, 0.5, 1e-4, "gyro.temperature_slope_degps_per_c")
    )
    reference_temperature_k: float = field(
        default=kelvin(20.0), metadata={"label": "reference temperature", "show": "°C", "key": "temperature.reference_c"}
    )
    mount_rotation_rad: Vec3 = field(default=ZERO3, metadata=_shown("mount rotation", "deg", DEG, -30.0, 30.0, 0.01, "mount.rotation_deg"))

    def with_axis(self, name: str, axis: int, value: float) -> Calibration:
        """A copy with one component (0, 1, 2 for x, y, z) of one field changed; `value` in the field's SI unit."""
        vector = list(getattr(self, name))
        vector[axis] = float(value)
        change: dict[str, Any] = {name: tuple(vector)}
        return dataclasses.replace(self, **change)


@dataclass(frozen=True, eq=False)
class CalibrationFile:
    """A calibration with what is known about it.

    Parameters
    ----------
    calibration : Calibration
    sd : mapping of str to Vec3
        Field name of Calibration -> one standard deviation per component, SI; NaN where that component was not solved for.
    undetermined : tuple of str
        What the work that wrote the file could not determine, in its own words or as `table.key[axis]`.
    note : str
    correlated : tuple of (str, int)
        Field and axis of the numbers whose errors' correlation is known, k of them; the rest is taken as independent.
    correlation : ndarray, shape (k, k)
    """

    calibration: Calibration
    sd: Mapping[str, Vec3] = field(default_factory=lambda: MappingProxyType({}))
    undetermined: tuple[str, ...] = ()
    note: str = ""
    correlated: tuple[tuple[str, int], ...] = ()
    correlation: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0)))


def referred_to(calibration: Calibration, temperature_k: float) -> Calibration:
    """The same calibration with its biases at another reference temperature."""
    warmer = temperature_k - calibration.reference_temperature_k
    return dataclasses.replace(
        calibration,
        reference_temperature_k=temperature_k,
        accel_bias_imu_mps2=_warmed(calibration.accel_bias_imu_mps2, calibration.accel_slope_imu_mps2_per_k, warmer),
        gyro_bias_imu_radps=_warmed(calibration.gyro_bias_imu_radps, calibration.gyro_slope_imu_radps_per_k, warmer),
    )


def _warmed(bias: Vec3, slope: Vec3, warmer_k: float) -> Vec3:
    return bias[0] + slope[0] * warmer_k, bias[1] + slope[1] * warmer_k, bias[2] + slope[2] * warmer_k


def accel_matrix(calibration: Calibration) -> NDArray[np.float64]:
    """M of the accelerometer, shape (3, 3): scale on the diagonal, cross-axis above it."""
    return upper_triangular(calibration.accel_scale, calibration.accel_cross_axis)


def upper_triangular(diagonal: Sequence[float] | NDArray[np.float64], above: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Matrix, shape (3, 3), from its diagonal (3,) and what stands above it: xy, xz, yz (3,)."""
    (sx, sy, sz), (xy, xz, yz) = diagonal, above
    return np.array([[sx, xy, xz], [0.0, sy, yz], [0.0, 0.0, sz]])


def gyro_matrix(calibration: Calibration) -> NDArray[np.float64]:
    """R(misalignment) · diag(scale) of the gyro, shape (3, 3)."""
    turn = rotation.to_dcm(rotation.from_rotvec(calibration.gyro_misalignment_rad))
    return np.asarray(turn * np.asarray(calibration.gyro_scale))


def _vector_fields() -> dict[str, tuple[str, float]]:
    """File key -> (field name, factor of the file's unit) for every field of three components."""
    return {f.metadata["key"]: (f.name, f.metadata["factor"]) for f in dataclasses.fields(Calibration) if "factor" in f.metadata}


def _sd_number() -> Check:
    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or value < 0.0 or math.isinf(value):
            raise Unfit("at least 0, or nan")
        return float(value)

    return check


def _texts(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise Unfit("a list of texts")
    return tuple(value)


def _square(value: Any) -> Any:
    return rows(len(value) if isinstance(value, list) else 0, number(low=-1.0, high=1.0))(value)


def _nest(flat: Mapping[str, Any]) -> dict[str, Any]:
    nested: dict[str, Any] = {}
    for key, value in flat.items():
        table, _, name = key.partition(".")
        nested.setdefault(table, {})[name] = value
    return nested


def _schema() -> dict[str, Any]:
    flat: dict[str, Check] = {key: vector(3) for key in _vector_fields()}
    sd = {key: vector(3, _sd_number()) for key in _vector_fields()}
    flat |= {"gyro.pad_bias": flag(), "temperature.reference_c": number(low=-ZERO_CELSIUS_K)}
    for key in ("accelerometer.scale", "gyro.scale"):
        flat[key] = vector(3, number(above=0.0))
    return {**_nest(flat), "note": text(), "undetermined": _texts, "sd": _nest(sd), "correlation": {"of": _texts, "rows": _square}}


def load_calibration_file(path: str | os.PathLike[str]) -> CalibrationFile:
    """Read a calibration file with its standard deviations.

    Raises
    ------
    SettingsError
        Unreadable, an unknown key (the nearest known one is named), or a value that can't be meant.
    """
    return _file_of(read_toml(path, _schema()), os.fspath(path))


def calibration_of(tables: Mapping[str, Any], name: str) -> Calibration:
    """The calibration of a calibration file's tables standing inside another document; `name` stands for the file in errors."""
    return _file_of(checked({"format": FORMAT, **tables}, _schema(), name), name).calibration


def _file_of(data: Mapping[str, Any], path: str) -> CalibrationFile:
    values: dict[str, Any] = {}
    sd: dict[str, Vec3] = {}
    for key, (name, factor) in _vector_fields().items():
        table, _, entry = key.partition(".")
        if entry in data.get(table, {}):
            values[name] = tuple(component * factor for component in data[table][entry])
        if entry in data.get("sd", {}).get(table, {}):
            x, y, z = data["sd"][table][entry]
            sd[name] = (x * factor, y * factor, z * factor)
    if "pad_bias" in data.get("gyro", {}):
        values["gyro_pad_bias"] = data["gyro"]["pad_bias"]
    if "reference_c" in data.get("temperature", {}):
        values["reference_temperature_k"] = kelvin(data["temperature"]["reference_c"])
    known = _correlation_of(data["correlation"], sd, path) if "correlation" in data else ((), np.zeros((0, 0)))
    return CalibrationFile(Calibration(**values), MappingProxyType(sd), data.get("undetermined", ()), data.get("note", ""), *known)


def _correlation_of(table: Mapping[str, Any], sd: Mapping[str, Vec3], path: str) -> tuple[tuple[tuple[str, int], ...], NDArray[np.float64]]:
    """Which numbers, and how their errors go together; an error where it is not a correlation of numbers with a standard deviation."""
    places = {f"{key}[{axis}]": (name, axis) for key, (name, _) in _vector_fields().items() for axis in range(3)}
    of, matrix = table.get("of", ()), np.array(table.get("rows") or np.zeros((0, 0)), dtype=float)
    for name in of:
        if name not in places:
            raise SettingsError(path, "correlation.of", "names like accelerometer.bias_mps2[0]", repr(name))
        field_name, axis = places[name]
        if field_name not in sd or not sd[field_name][axis] > 0.0:
            raise SettingsError(path, "correlation.of", "numbers that have a standard deviation under [sd]", repr(name))
    if len(set(of)) != len(of):
        raise SettingsError(path, "correlation.of", "each number once", repr(next(n for n in of if of.count(n) > 1)))
    is_fit = matrix.shape == (len(of), len(of)) and np.array_equal(matrix, matrix.T) and np.all(np.diag(matrix) == 1.0)
    if not is_fit or (len(of) and float(np.linalg.eigvalsh(matrix)[0]) < -1e-6):
        raise SettingsError(path, "correlation.rows", f"a correlation of {len(of)}: square, symmetric, 1 on its diagonal", "something else")
    return tuple(places[name] for name in of), matrix


def load_calibration(path: str | os.PathLike[str]) -> Calibration:
    """Read a calibration file; what it does not state keeps its neutral value. Errors as `load_calibration_file`."""
    return load_calibration_file(path).calibration


def save_calibration(calibration: Calibration | CalibrationFile, path: str | os.PathLike[str]) -> None:
    """Write a calibration file at once or not at all. Whether a file may be written over is the caller's question."""
    comments = {
        "accelerometer.cross_axis": "xy, xz, yz",
        "gyro.bias_degps": "on top of the bias read on the pad, unless pad_bias = false",
        "mount.rotation_deg": "rotation vector, imu to body, after the column map's axis assignment",
    }
    heading = "calibration: corrected = M · (raw − bias − slope · (temperature − reference)), M = scale and cross-axis"
    write_toml(path, tables_of(calibration), comments=comments, heading=heading)


def tables_of(calibration: Calibration | CalibrationFile) -> dict[str, Any]:
    """The tables of a calibration file, in its units; None for what is not there."""
    file = calibration if isinstance(calibration, CalibrationFile) else CalibrationFile(calibration)
    value = file.calibration
    flat: dict[str, Any] = {}
    sd: dict[str, Any] = {}
    for key, (name, factor) in _vector_fields().items():
        flat[key] = tuple(_tidy(component / factor, factor) for component in getattr(value, name))
        if name in file.sd:
            sd[key] = tuple(float(component) / factor for component in file.sd[name])
    flat["gyro.pad_bias"] = value.gyro_pad_bias
    flat["temperature.reference_c"] = round(value.reference_temperature_k - ZERO_CELSIUS_K, 9)
    data: dict[str, Any] = {"note": file.note or None, "undetermined": file.undetermined or None, **_nest(flat)}
    if sd:
        data["sd"] = _nest(sd)
    if file.correlated:
        keys = {name: key for key, (name, _) in _vector_fields().items()}
        data["correlation"] = {
            "of": [f"{keys[name]}[{axis}]" for name, axis in file.correlated],
            "rows": [[float(f"{value:.9g}") for value in row] for row in file.correlation],
        }
    return data


def _tidy(shown: float, factor: float) -> float:
    """The shortest shown value that reads back as exactly the same inside: 0.3 deg/s, not 0.30000000000000004."""
    inside = shown * factor
    for digits in range(3, 17):
        rounded = float(f"{shown:.{digits}g}")
        if rounded * factor == inside:
            return rounded
    return shown
