"""What is wrong with the channels themselves: missing, clipped, stuck, implausible. Words only; nothing is changed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from replay.flightlog import infer, turning
from replay.flightlog.log import Channel, Issue
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
_G = STANDARD_GRAVITY_MPS2
_ACCEL, _RATE = "accel_raw_imu_mps2", "rate_raw_imu_radps"
_SLOWEST_HZ = 5.0
_SLOW_HZ = 40.0
_FASTEST_HZ = 40e3  # no inertial sensor delivers faster (common practice, no source): the clock's unit is wrong
_SHORTEST_S = 1.0
_FROZEN_S = 0.25

# channel -> (low, high, unit shown, SI value of one unit, offset): beyond these no flight reads (common practice, no source)
_PLAUSIBLE = {
    "pressure_pa": (5e3, 1.2e5, "hPa", 100.0, 0.0),
    "imu_temperature_k": (193.15, 423.15, "°C", 1.0, 273.15),
    "air_temperature_k": (193.15, 343.15, "°C", 1.0, 273.15),
    "battery_v": (0.0, 100.0, "V", 1.0, 0.0),
    "baro_height_m": (-1000.0, 60e3, "m", 1.0, 0.0),
}


def check_channels(channels: Mapping[str, Channel]) -> list[Issue]:
    """Issues of all channels; those that keep the log from carrying an estimate have severity "problem"."""
    issues: list[Issue] = []
    for name, word in ((_RATE, "gyro"), (_ACCEL, "accelerometer")):
        issues += _carries(channels.get(name), word)
    issues += _one_g(channels)
    issues += _rates(channels)
    issues += _turns(channels)
    for name, (low, high, unit, factor, offset) in _PLAUSIBLE.items():
        if name in channels:
            middle = float(np.nanmedian(channels[name].values))
            if not low <= middle <= high:
                shown = (middle - offset) / factor
                issues.append(_implausible(f"implausible unit: median of {shown:.4g} {unit}", channels[name]))
    for name, channel in channels.items():
        if channel.is_extra or name == "state" or channel.n_samples < 3:
            continue
        issues += _stuck(name, channel)
        if name in (_ACCEL, _RATE):
            issues += _clipped(channel)
    return issues


def _carries(channel: Channel | None, word: str) -> list[Issue]:
    if channel is None:
        return [Issue("problem", f"no {word}: the log can't carry an attitude estimate")]
    if channel.n_samples < 10:
        return [Issue("problem", f"{word}: {channel.n_samples} samples are too few for an estimate", channel.columns[0])]
    bad = np.flatnonzero(~np.isfinite(channel.values).all(axis=1))
    if len(bad) > channel.n_samples - 10:
        return [
            Issue(
                "problem",
                f"{word}: {channel.n_samples - len(bad)} samples with all three axes are too few for an estimate",
                channel.columns[0],
            )
        ]
    rate = channel.rate_hz
    if rate < _SLOWEST_HZ:
        return [Issue("problem", f"{word} at {rate:.3g} Hz: too slow for an attitude estimate", channel.columns[0])]
    if rate > _FASTEST_HZ:
        text = f"{word} at {rate:.3g} Hz, {channel.log_time_s[-1]:.3g} s in all: faster than any such sensor; is the time's unit right?"
        return [Issue("problem", text, channel.columns[0])]
    if channel.log_time_s[-1] - channel.log_time_s[0] < _SHORTEST_S:
        text = f"{word}: the whole record lasts {channel.log_time_s[-1] - channel.log_time_s[0]:.3g} s; is the time's unit right?"
        return [Issue("warning", text, channel.columns[0])]
    if rate < _SLOW_HZ:
        return [
            Issue(
                "warning",
                f"{word} at {rate:.3g} Hz: motion faster than {rate / 2:.3g} Hz is lost, vibration folds into it",
                channel.columns[0],
            )
        ]
    if len(bad):
        lack = "1 sample lacks" if len(bad) == 1 else f"{len(bad)} samples lack"
        return [Issue("warning", f"{word}: {lack} an axis", channel.columns[0])]
    return []


def _still(channel: Channel, spread: float) -> NDArray[np.bool_]:
    """Windows of 50 samples whose total standard deviation is below `spread`."""
    _, spreads = infer.quiet_windows(channel.values)
    return np.asarray(spreads < spread)


def _implausible(text: str, channel: Channel, *, is_problem: bool = False) -> Issue:
    return Issue("problem" if is_problem else "warning", text, channel.columns[0], is_implausible=True)


def _one_g(channels: Mapping[str, Channel]) -> list[Issue]:
    """At rest the accelerometer must read one g, or its unit or scale is wrong."""
    accel, gyro = channels.get(_ACCEL), channels.get(_RATE)
    if accel is None or accel.n_samples < 50 or accel.unit != "m/s²":
        return []
    norm = infer.rest_norm(accel.values)
    off = norm / _G - 1.0
    if not np.isfinite(off) or abs(off) < 0.05:
        return []
    is_rest = bool(np.any(_still(accel, 0.05 * max(norm, _G)))) and (gyro is None or bool(np.any(_still(gyro, 3.0 * DEG))))
    text = f"implausible unit or scale: at rest it reads {norm:.4g} m/s² ({norm / _G:.3g} g); state it in the column map"
    return [_implausible(text, accel, is_problem=is_rest and abs(off) > 0.3)]


def _rates(channels: Mapping[str, Channel]) -> list[Issue]:
    gyro = channels.get(_RATE)
    if gyro is None or gyro.n_samples < 50:
        return []
    top = float(np.nanmax(np.abs(gyro.values)))
    if top > 5000.0 * DEG:
        return [_implausible(f"implausible unit: it reaches {top / DEG:.4g} deg/s", gyro)]
    means, spreads = infer.quiet_windows(gyro.values)
    rest = float(np.linalg.norm(means[np.argmin(spreads)])) if len(means) else 0.0
    if rest > 25.0 * DEG and float(np.min(spreads)) < 1.0 * DEG:
        return [_implausible(f"implausible unit or a large bias: at its quietest it reads {rest / DEG:.3g} deg/s", gyro)]
    return []


def _turns(channels: Mapping[str, Channel]) -> list[Issue]:
    """Gravity must turn in the accelerometer's axes at the gyro's rate; swinging under a parachute it does so to a factor of two."""
    accel, gyro = channels.get(_ACCEL), channels.get(_RATE)
    if accel is None or gyro is None or accel.n_samples < 50 or gyro.n_samples < 50:
        return []
    good = np.isfinite(accel.values).all(axis=1)
    up = accel.log_time_s[good], accel.values[good]
    doubt = turning.doubted_axes(gyro.values, gyro.log_time_s, up)
    if doubt is not None:
        axes, best, as_logged = doubt
        text = (
            f"implausible axes or signs: gravity does not turn in the accelerometer's axes as the gyro says (agreement {as_logged:.2f}), "
            f"but would with the gyro's axes read as {axes} ({best:.2f}); state signs in the column map"
        )
        return [_implausible(text, gyro)]
    ratio = turning.turn_of_up(gyro.values, gyro.log_time_s, up)
    if ratio is None or 0.3 < ratio < 3.0:
        return []
    text = f"implausible unit or scale: gravity turns in the accelerometer's axes at {ratio:.3g} of the rate read"
    return [_implausible(text, gyro)]


def _clipped(channel: Channel) -> list[Issue]:
    scale = channel.full_scale
    if scale is None:
        return []
    is_clipped = np.abs(channel.values) >= scale * (1.0 - 1e-9)
    unit, factor = ("g", _G) if channel.name == _ACCEL else ("deg/s", DEG)
    issues = []
    for k in range(channel.values.shape[1]):
        where = np.flatnonzero(is_clipped[:, k])
        if len(where):
            first, last = channel.log_time_s[where[0]], channel.log_time_s[where[-1]]
            n = "1 sample" if len(where) == 1 else f"{len(where)} samples"
            text = f"clipped at {scale / factor:.4g} {unit} on {n}, {first:.2f} to {last:.2f} s: what is beyond is lost"
            issues.append(Issue("warning", text, channel.columns[k] if k < len(channel.columns) else None))
    return issues


def _stuck(name: str, channel: Channel) -> list[Issue]:
    """A column that never changes, or a noisy sensor that freezes for a while."""
    values = channel.values.reshape(channel.n_samples, -1)
    columns = channel.columns if len(channel.columns) == values.shape[1] else (channel.columns[0],) * values.shape[1]
    issues = []
    for k in range(values.shape[1]):
        finite = values[np.isfinite(values[:, k]), k]
        if len(finite) > 10 and np.all(finite == finite[0]):
            severity = "warning" if name in (_ACCEL, _RATE, "pressure_pa") else "note"
            issues.append(Issue(severity, "stuck: it never changes", columns[k]))
    if issues or name not in (_ACCEL, _RATE, "mag_raw_imu_t"):
        return issues
    same = np.all(values[1:] == values[:-1], axis=1)
    if np.mean(same) > 0.2:
        return []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], same, [False])).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        lasted = channel.log_time_s[stop] - channel.log_time_s[start]
        if stop - start >= 5 and lasted > _FROZEN_S:
            text = f"stuck for {lasted:.2f} s from {channel.log_time_s[start]:.2f} s on: {stop - start + 1} equal samples"
            issues.append(Issue("warning", text, columns[0]))
    return issues
