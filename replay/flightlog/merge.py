"""Tables, clocks and a column map to channels in SI: several files and several rates side by side, every stream on its own time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.errors import LogReadError
from replay.flightlog import infer
from replay.flightlog.channels import KINDS
from replay.flightlog.columnmap import ANGLES, EXTRA, ColumnEntry, ColumnMap, components_of, family_of
from replay.flightlog.faulty import is_faulty
from replay.flightlog.headers import split_unit
from replay.flightlog.held import fresh_rows, rows_per_sample
from replay.flightlog.log import Channel
from replay.flightlog.onboard import Inertial, find_meaning, from_angles, to_enu_from_body
from replay.flightlog.sources import Merge, Source, open_sources
from replay.flightlog.text import Table
from replay.flightlog.timebase import find_gaps
from replay.flightlog.unit_table import to_si
from replay.units import DEG, STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]
_ACCEL, _RATE, _QUATERNION = "accel_raw_imu_mps2", "rate_raw_imu_radps", "q_enu_from_body_onboard"
_HELD = (_ACCEL, _RATE, "mag_raw_imu_t", "pressure_pa", "baro_height_m", "gnss_lat_lon_height", _QUATERNION)


def merge(tables: Sequence[Table], column_map: ColumnMap) -> Merge:
    """All channels of some tables.

    Returns
    -------
    Merge
        Channels in SI with their gaps, the column map with every unit filled in, and issues.

    Raises
    ------
    LogReadError
        No file has a clock, or a column the map names as numbers holds words.
    """
    work = open_sources(tables, column_map)
    for name in KINDS:
        if name not in (_RATE, _QUATERNION, "state"):
            _add_numbers(work, name)
    _add_numbers(work, _RATE)
    _add_state(work)
    _add_attitude(work)
    _add_extras(work)
    return work


def _members(work: Merge, channel: str) -> tuple[Source, list[ColumnEntry]] | None:
    """The file a channel comes from and its columns, in the order of its components."""
    entries = work.column_map.of(channel)
    for source in work.sources:
        mine = {entry.component: entry for entry in entries if entry.file == source.name}
        ordered = [mine[name] for name in components_of(channel) if name in mine]
        if ordered:
            return source, ordered
    return None


def _raw(source: Source, entry: ColumnEntry, channel: str) -> Array:
    values = source.table.column(entry.column)
    if values.dtype.kind not in "fi":
        row = int(source.table.rows[0])
        raise LogReadError(source.table.path, row, entry.column, f"numbers for {channel}", repr(str(values[0])))
    values = source.kept(entry.column)
    return values.astype(np.float64, copy=False)


def _add_numbers(work: Merge, channel: str) -> None:
    """One channel of numbers, its units stated or inferred."""
    found = _members(work, channel)
    if found is None:
        return
    source, entries = found
    raw = np.stack([_raw(source, entry, channel) for entry in entries], axis=1)
    if not np.isfinite(raw).any():
        work.say("warning", "no value at all: left out", entries[0].column, file=source.name)
        return
    entries = _with_units(work, channel, source, entries, raw)
    if any(not entry.unit for entry in entries):
        work.unread += entries
        return
    names = components_of(channel)
    values = np.full((len(raw), len(names)), np.nan)
    places = [names.index(entry.component) for entry in entries]
    for k, entry in enumerate(entries):
        factor, offset = to_si(family_of(channel, entry.component) or "number", entry.unit)
        values[:, places[k]] = factor * (entry.sign * entry.scale * (raw[:, k] - entry.zero)) + offset
    values[:, places] = _sound(work, channel, source, entries, values[:, places], raw)
    unit = "a.u." if entries[0].unit == "a.u." else KINDS[channel].unit
    _store(work, channel, source, values, unit, entries)


def _sound(work: Merge, channel: str, source: Source, entries: Sequence[ColumnEntry], values: Array, raw: Array) -> Array:
    """The values with NaN in place of what is no reading; each column's are said."""
    faulty = is_faulty(channel, values, raw)
    if not faulty.any():
        return values
    rows = source.table.rows[source.clock.keep]
    for k, entry in enumerate(entries):
        at = rows[faulty[:, k]]
        if len(at):
            shown = ", ".join(f"{value:.6g}" for value in np.unique(raw[faulty[:, k], k])[:3])
            text = f"{len(at)} reading{'s' * (len(at) > 1)} no such sensor gives ({shown}), taken as blank"
            work.say("warning", text, entry.column, at.tolist(), source.name)
    return np.where(faulty, np.nan, values)


def _with_units(work: Merge, channel: str, source: Source, entries: list[ColumnEntry], raw: Array) -> list[ColumnEntry]:
    """The same entries, each with a unit; what is inferred is put in the map and said."""
    missing = [k for k, entry in enumerate(entries) if not entry.unit]
    if not missing:
        return entries
    stated = {family_of(channel, entry.component): entry.unit for entry in entries if entry.unit}
    by_family: dict[str, list[int]] = {}
    for k in missing:
        by_family.setdefault(family_of(channel, entries[k].component) or "number", []).append(k)
    for family, places in by_family.items():
        columns = ", ".join(entries[k].column for k in places)
        if family in stated:
            found = infer.Found(stated[family], "as its neighbours state")
        else:
            scaled = np.stack([entries[k].scale * (raw[:, k] - entries[k].zero) for k in places], axis=1)
            found = _infer(work, channel, family, source, scaled)
        if not found.unit:
            text = f"unit not stated and not found: {found.reason}; state it in the column map"
            work.say("problem" if channel in (_ACCEL, _RATE) else "warning", text, columns, file=source.name)
            continue
        text = f"unit not stated: read as {found.unit} ({found.reason})"
        work.say("note" if found.is_sure else "warning", text, columns, file=source.name)
        for k in places:
            is_default = entries[k].zero == 0.0 and entries[k].scale == 1.0
            entries[k] = replace(
                entries[k],
                unit=found.unit,
                zero=found.zero if is_default else entries[k].zero,
                scale=found.scale if is_default else entries[k].scale,
                is_unit_inferred=True,
            )
            work.column_map = work.column_map.with_entry(entries[k])
    return entries


def _infer(work: Merge, channel: str, family: str, source: Source, raw: Array) -> infer.Found:
    if family == "accel":
        return infer.accel_unit(raw)
    if family == "rate":
        return infer.rate_unit(raw, source.log_time_s, _up(work), _raw_attitude(work), _is_flight(work))
    if family == "mag":
        return infer.mag_unit(raw)
    if channel == "gnss_lat_lon_height" and family == "angle":
        return infer.latitude_unit(raw)
    if channel == ANGLES:
        return infer.angle_unit(raw)
    if family == "angle":
        return infer.servo_unit(raw)
    return infer.scalar_unit(family, raw)


def _up(work: Merge) -> tuple[Array, Array] | None:
    accel = work.channels.get(_ACCEL)
    if accel is None:
        return None
    good = np.isfinite(accel.values).all(axis=1)
    return accel.log_time_s[good], accel.values[good]


def _is_flight(work: Merge) -> bool:
    """Somewhere it is pushed at more than two and a half g for a fifth of a second."""
    up = _up(work)
    if up is None or len(up[0]) < 10:
        return False
    step = float(np.median(np.diff(up[0])))
    n = max(2, round(0.2 / step))
    hard = np.linalg.norm(up[1], axis=1) > 2.5 * STANDARD_GRAVITY_MPS2
    total = np.concatenate(([0], np.cumsum(hard)))
    return bool(np.any(total[n:] - total[:-n] >= 0.9 * n)) if len(hard) > n else False


def _raw_attitude(work: Merge) -> tuple[Array, Array] | None:
    """The logged quaternion as it stands, scalar first as far as known: its turns are right whichever way round it is."""
    found = _members(work, _QUATERNION)
    if found is None or len(found[1]) != 4:
        return None
    source, entries = found
    q = np.stack([_raw(source, entry, _QUATERNION) for entry in entries], axis=1)
    good = np.isfinite(q).all(axis=1) & (np.linalg.norm(q, axis=1) > 0.5)
    if np.count_nonzero(good) < 20:
        return None
    q = q[good] / np.linalg.norm(q[good], axis=1, keepdims=True)
    return source.log_time_s[good], q


def _store(work: Merge, channel: str, source: Source, values: Array, unit: str, entries: Sequence[ColumnEntry]) -> None:
    """Put a channel in: blank rows out, only fresh rows of a held column, gaps, full scale."""
    keep = np.asarray(np.isfinite(values).any(axis=1))
    columns = tuple(entry.column for entry in entries)
    if not keep.any():
        work.say("warning", "no value at all: left out", columns[0], file=source.name)
        return
    if channel in _HELD:
        usual = rows_per_sample(values[keep])
        if usual > 1:
            fresh = fresh_rows(values[keep], usual)
            keep[np.flatnonzero(keep)[~fresh]] = False
            rate = 1.0 / float(np.median(np.diff(source.log_time_s[keep])))
            text = f"each sample is repeated for about {usual} rows: only the fresh ones are kept, {rate:.3g} Hz"
            work.say("note", text, columns[0], file=source.name)
    time_s, i_gap = _on_clock(source, keep)
    scale = None
    if channel == _ACCEL:
        scale = infer.full_scale(values, STANDARD_GRAVITY_MPS2, infer.ACCEL_RANGES_G)
    elif channel == _RATE:
        scale = infer.full_scale(values, DEG, infer.RATE_RANGES_DEGPS)
    kept = values if keep.all() else values[keep]
    work.channels[channel] = Channel(
        name=channel,
        log_time_s=time_s,
        values=np.ascontiguousarray(kept[:, 0] if kept.shape[1] == 1 else kept),
        unit=unit,
        i_gap=i_gap,
        columns=columns,
        is_unit_inferred=any(entry.is_unit_inferred for entry in entries),
        full_scale=scale,
    )


def _on_clock(source: Source, keep: NDArray[np.bool_]) -> tuple[Array, NDArray[np.int64]]:
    """Times of the kept rows and their gaps: all rows, the file's own; fewer, gaps by the channel's own usual step, and restarts."""
    if keep.all():
        return source.log_time_s, source.clock.i_gap
    time_s = source.log_time_s[keep]
    i_before = np.cumsum(keep)[source.clock.i_break] - 1
    i_before = i_before[(i_before >= 0) & (i_before < len(time_s) - 1)]
    return time_s, np.union1d(find_gaps(time_s), i_before).astype(np.int64)


def _add_state(work: Merge) -> None:
    found = _members(work, "state")
    if found is None:
        return
    source, (entry, *_) = found
    values = source.kept(entry.column)
    keep = (
        np.isfinite(values)
        if values.dtype.kind == "f"
        else (values != "" if values.dtype.kind == "U" else np.ones(len(values), dtype=bool))
    )
    if not keep.any():
        return
    time_s, i_gap = _on_clock(source, keep)
    words = values[keep] if values.dtype.kind == "U" else values[keep].astype(np.float64)
    work.channels["state"] = Channel("state", time_s, words, "", i_gap, (entry.column,))


def _add_attitude(work: Merge) -> None:
    """The computer's attitude from a quaternion or from angles, the right way round."""
    found = _members(work, _QUATERNION)
    orders: tuple[tuple[int, ...], ...] = ((0, 1, 2, 3),)
    if found is not None and len(found[1]) == 4:
        source, entries = found
        q = np.stack([entry.sign * _raw(source, entry, _QUATERNION) for entry in entries], axis=1)
        if all(any(sign.isdigit() for sign in entry.column) and entry.is_inferred for entry in entries):
            orders = ((0, 1, 2, 3), (3, 0, 1, 2))
    else:
        found = _members(work, ANGLES)
        if found is None or len(found[1]) != 3:
            return
        source, entries = found
        raw = np.stack([_raw(source, entry, ANGLES) for entry in entries], axis=1)
        entries = _with_units(work, ANGLES, source, entries, raw)
        if any(not entry.unit for entry in entries):
            work.unread += entries
            return
        angles = np.stack([e.sign * e.scale * (raw[:, k] - e.zero) * to_si("angle", e.unit)[0] for k, e in enumerate(entries)], axis=1)
        q = from_angles(angles, work.column_map.attitude.angle_order)
    norm = np.linalg.norm(q, axis=1)
    is_bad = np.isfinite(norm) & (np.abs(norm - 1.0) > 0.05)
    if np.count_nonzero(is_bad) > 0.5 * np.count_nonzero(np.isfinite(norm)):
        work.say("warning", f"the attitude's quaternion has length {np.nanmedian(norm):.3g}, not 1: left out", entries[0].column)
        return
    if is_bad.any():
        rows = source.table.rows[source.clock.keep][is_bad]
        work.say(
            "warning", f"{int(is_bad.sum())} quaternions of a length other than 1, left out", entries[0].column, [int(r) for r in rows]
        )
        q[is_bad] = np.nan
    q = _right_way_round(work, source, entries, q, orders)
    _store(work, _QUATERNION, source, to_enu_from_body(q, work.column_map.attitude), "1", entries)


def _right_way_round(work: Merge, source: Source, entries: list[ColumnEntry], q: Array, orders: tuple[tuple[int, ...], ...]) -> Array:
    """Find the reading where it is not stated; put it in the map and say so. Returns components in the order w, x, y, z."""
    attitude = work.column_map.attitude
    gyro, up = work.channels.get(_RATE), _up(work)
    inertial = None
    if gyro is not None and up is not None and len(up[0]) > 1:
        inertial = Inertial(gyro.log_time_s, gyro.values, up[0], up[1])
    good = np.isfinite(q).all(axis=1)
    found = find_meaning(source.log_time_s[good], q[good], inertial, orders)
    if not attitude.is_inferred:
        if found.score > 0.0 and (found.attitude.turns, found.attitude.earth_z) != (attitude.turns, attitude.earth_z):
            text = f"stated as {attitude.turns}, z {attitude.earth_z}, but the record says otherwise: {found.reason}"
            work.say("warning", text, entries[0].column)
        return q
    work.column_map = replace(work.column_map, attitude=replace(found.attitude, angle_order=attitude.angle_order))
    work.say("note" if found.score > 0.0 else "warning", f"computer's attitude: {found.reason}", entries[0].column)
    if found.order != (0, 1, 2, 3):
        names = components_of(_QUATERNION)
        work.say("note", "the quaternion's scalar stands last", entries[-1].column)
        for name, place in zip(names, found.order, strict=True):
            work.column_map = work.column_map.with_entry(replace(entries[place], component=name))
    return q[:, list(found.order)]


def _is_given(values: NDArray[Any]) -> NDArray[np.bool_]:
    """Cells that are not blank."""
    if values.dtype.kind == "U":
        return np.asarray(values != "")
    return np.asarray(np.isfinite(values))


def _add_extras(work: Merge) -> None:
    """Columns of no known channel, under their headers."""
    for source in work.sources:
        for entry in work.column_map.columns:
            if entry.file != source.name or (entry.channel != EXTRA and entry not in work.unread):
                continue
            values = source.kept(entry.column)
            keep = _is_given(values)
            values = values if values.dtype.kind == "U" else values.astype(np.float64)
            if not keep.any():
                work.say("note", "a blank column, left out", entry.column, file=source.name)
                continue
            name = entry.column
            if name in work.channels or name in KINDS:
                name = f"{source.table.name}: {name}"
            time_s, i_gap = _on_clock(source, keep)
            unit = entry.unit or split_unit(entry.column)[1] or ""
            kept = values if keep.all() else values[keep]
            work.channels[name] = Channel(name, time_s, np.ascontiguousarray(kept), unit, i_gap, (entry.column,), is_extra=True)


def by_channel(channels: Mapping[str, Channel]) -> dict[str, Channel]:
    """Known channels first, in the vocabulary's order, then the extras."""
    known = {name: channels[name] for name in KINDS if name in channels}
    return {**known, **{name: channel for name, channel in channels.items() if name not in known}}
