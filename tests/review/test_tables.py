"""Tables of the data: units in the names, channels on one clock, gaps left blank, words kept; CSV and Parquet read back the same."""

import csv
import dataclasses

import numpy as np
import pytest
from drawn_flight import snapshot
from figure_flight import explained

from replay.errors import CannotEstimate
from replay.flightlog.log import Channel, FlightLog
from replay.motion.solution import PHASES
from replay.review import table_file, tables
from replay.review.explain import EXPLAINED

SHOT = snapshot(100.0)


def explained_shot():
    return dataclasses.replace(SHOT, extras={EXPLAINED: explained(SHOT)})


def test_channels_are_on_the_gyros_clock():
    """Straight lines between samples against numpy's own; words hold the last one; nothing outside a channel's span or in its gaps."""
    table = tables.channels_table(SHOT.log, SHOT.as_flown)
    time = SHOT.as_flown.log_time_s
    assert list(table)[:4] == ["log_time_s", "time_s", "state", "accel_raw_imu_x_mps2"]
    assert {"baro_height_m", "imu_temperature_k", "battery_v", "gimbal_command_y_rad", "q_enu_from_body_onboard_w", "spare_count"} <= set(
        table
    )
    assert all(len(values) == len(time) for values in table.values())
    battery = SHOT.log["battery_v"]
    inside = (time >= battery.log_time_s[0]) & (time <= battery.log_time_s[-1])
    np.testing.assert_allclose(table["battery_v"][inside], 8.2 - 0.01 * time[inside], atol=1e-9)
    assert np.isnan(table["battery_v"][~inside]).all()
    assert not inside.all()
    at = np.searchsorted(time, 6.0)
    assert table["state"][at] == "BURN"
    assert table["state"][0] == ""  # nothing logged yet
    raw = SHOT.log["accel_raw_imu_mps2"]
    np.testing.assert_array_equal(table["accel_raw_imu_z_mps2"], raw.values[:, 2])
    norm = np.sqrt(sum(table[f"q_enu_from_body_onboard_{c}"] ** 2 for c in "wxyz"))
    np.testing.assert_allclose(norm[np.isfinite(norm)], 1.0, atol=1e-9)


def test_a_gap_stays_a_gap():
    """A slower channel with a gap is blank inside it, not drawn across."""
    slow = np.array([1.0, 2.0, 12.0, 13.0])
    channel = Channel("baro_height_m", slow, np.array([0.0, 1.0, 50.0, 51.0]), "m", np.array([1]), ("b",))
    twice = Channel("Baro (hPa)", slow, slow * 10.0, "hPa", np.array([], dtype=np.int64), ("c",), is_extra=True)
    words = [
        Channel(name, slow, np.array(values), "", np.array([], dtype=np.int64), (name,), is_extra=name != "state")
        for name, values in (("mode", ["a", "b", "a", "c"]), ("state", ["up", "up", "down", "down"]))
    ]
    log = FlightLog(("x",), "0" * 64, {c.name: c for c in (channel, twice, *words)}, SHOT.log.column_map)
    table = tables.channels_table(log, SHOT.as_flown)
    time = table["log_time_s"]
    assert np.isnan(table["baro_height_m"][(time > 2.0) & (time < 12.0)]).all()
    assert table["baro_height_m"][np.searchsorted(time, 1.5)] == pytest.approx(0.5, abs=0.02)
    assert table["baro_hpa"][np.searchsorted(time, 7.0)] == pytest.approx(70.0)
    assert table["state"][np.searchsorted(time, 12.5)] == "down"
    assert table["mode"][np.searchsorted(time, 11.0)] == "b"  # words go out as words, as many columns as there are
    assert table["mode"][np.searchsorted(time, 13.5)] == "c"
    assert table["mode"][0] == ""


def channel(name, values, unit, log_time_s=(1.0, 3.0, 6.0), *, is_extra=True):
    return Channel(name, np.array(log_time_s), np.array(values), unit, np.array([], dtype=np.int64), (name,), is_extra=is_extra)


def test_every_numeric_column_with_a_unit_says_it_in_its_name():
    """Signs in letters, a bracketed unit once, each component of a position its own; two headers never one name; none is invented."""
    given = {
        "Mag [µT]": ("µT", "mag_ut"), "Spin (°/s)": ("°/s", "spin_degps"), "Temp (°C)": ("°C", "temp_c"), "load": ("%", "load_percent"),
        "shunt": ("\N{OHM SIGN}", "shunt_ohm"), "v_batt": ("mV", "v_batt_mv"), "Jerk": ("m/s³", "jerk_mps3"), "Höhe": ("m", "höhe_m"),
        "hoehe?": ("m", "hoehe_m"), "hoehe!": ("m", "hoehe_m_2"), "count": ("", "count"), "???": ("V", "column_v"),
    }  # fmt: skip
    channels = [channel(name, [0.5, 1.5, 2.0], unit) for name, (unit, _) in given.items()]
    channels.append(channel("gnss_lat_lon_height", [[0.8, 0.1, 3.0]] * 3, "rad, rad, m", is_extra=False))
    channels.append(channel("mag_raw_imu_t", [[0.1, 0.2, 0.3]] * 3, "a.u.", is_extra=False))
    log = FlightLog(("x",), "0" * 64, {c.name: c for c in channels}, SHOT.log.column_map)
    names = list(tables.channels_table(log, SHOT.as_flown))
    assert names[:2] == ["log_time_s", "time_s"]
    assert names[2:14] == [name for _, name in given.values()]
    assert names[14:] == ["gnss_latitude_rad", "gnss_longitude_rad", "gnss_height_m", *(f"mag_raw_imu_{axis}_au" for axis in "xyz")]


def test_nothing_lies_between_two_states():
    """Numbers that name or count something keep the last one; what is measured runs straight between two samples."""
    channels = [
        channel("state", [0.0, 2.0, 3.0], "", is_extra=False), channel("pyro", [0, 1, 1], ""), channel("ratio", [0.0, 0.5, 1.0], ""),
        channel("height", [0, 10, 20], "m"),
    ]  # fmt: skip
    log = FlightLog(("x",), "0" * 64, {c.name: c for c in channels}, SHOT.log.column_map)
    table = tables.channels_table(log, SHOT.as_flown)
    at = np.searchsorted(table["log_time_s"], 2.0)
    assert [table[name][at] for name in ("state", "pyro")] == [0.0, 0.0]
    assert [table[name][at] for name in ("ratio", "height_m")] == pytest.approx([0.25, 5.0], abs=0.05)
    assert set(table["state"][np.isfinite(table["state"])]) == {0.0, 2.0, 3.0}
    assert all(np.isnan(table[name][0]) for name in ("state", "pyro", "ratio", "height_m"))


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_words_of_a_long_table_come_back_as_they_were(tmp_path, suffix):
    """Several columns of them, with commas, quotes, line breaks and letters of other scripts; more distinct ones than a byte counts."""
    pd = pytest.importorskip("pandas")
    if suffix == "parquet":
        pytest.importorskip("pyarrow")
    n = 3000
    odd = np.array(['a, "b"', "line\nbreak", "höhe µ", "", "fallschirm"])
    table = {
        "first": odd[np.arange(n) % 5], "height_m": np.linspace(-5.0, 5.0, n),
        "second, with comma": np.array([f"word {i}" for i in range(n)]),
        "gap_m": np.where(np.arange(n) % 2, np.nan, 1.0), "last": odd[np.arange(n) % 3],
    }  # fmt: skip
    path = tmp_path / f"t.{suffix}"
    tables.write(table, path)
    back = pd.read_csv(path, keep_default_na=False, na_values={"gap_m": [""]}) if suffix == "csv" else pd.read_parquet(path)
    assert list(back.columns) == list(table)
    for name in ("first", "second, with comma", "last"):
        assert back[name].astype(str).tolist() == table[name].tolist()
    np.testing.assert_allclose(back["height_m"], table["height_m"], atol=6e-5)
    np.testing.assert_array_equal(back["gap_m"], table["gap_m"])


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
@pytest.mark.parametrize("name", tables.NAMES)
def test_written_tables_read_back(name, suffix, tmp_path):
    """Names, words and numbers as they were, to the digits a text table keeps; blank where there is no number."""
    pd = pytest.importorskip("pandas")
    if suffix == "parquet":
        pytest.importorskip("pyarrow")
    table = tables.table_of(name, explained_shot())
    path = tmp_path / f"{name}.{suffix}"
    tables.write(table, path)
    back = pd.read_csv(path, keep_default_na=False, na_values=[""]) if suffix == "csv" else pd.read_parquet(path)
    assert list(back.columns) == list(table)
    for column, values in table.items():
        if np.issubdtype(values.dtype, np.number):
            scale = np.nanmax(np.abs(values), initial=1e-9, where=np.isfinite(values))
            np.testing.assert_allclose(back[column].to_numpy(float), values, atol=0.0 if suffix == "parquet" else max(1e-7 * scale, 6e-5))
        else:
            assert back[column].astype(object).fillna("").astype(str).tolist() == values.tolist()


def test_estimate_events_and_findings_say_what_they_are():
    """Phases by name, time from liftoff, evidence with its spread."""
    table = tables.estimate_table(SHOT.as_flown)
    assert list(dict.fromkeys(table["phase"])) == list(PHASES)
    assert list(table)[-4:] == ["tilt_sd_deg", "pos_east_sd_m", "pos_north_sd_m", "height_sd_m"]
    events = tables.events_table(explained(SHOT))
    assert events["time_s"].tolist() == pytest.approx([0.0, 4.5, 9.0, 30.0])
    assert events["sd_s"].tolist() == [0.02] * 4
    findings = tables.findings_table(explained(SHOT))
    assert findings["severity"].tolist() == ["warning", "good"]
    assert findings["evidence"][0] == "largest rate 41.00 ± 0.50 deg/s"
    assert np.isnan(findings["start_log_s"][1])
    with pytest.raises(CannotEstimate, match="explained"):
        tables.table_of("events", SHOT)


def test_words_with_commas_and_quotes_stay_one_cell(tmp_path):
    """RFC 4180."""
    table = {"a": np.array(['x, "y"', "line\nbreak"]), "b_m": np.array([1.5, np.nan])}
    tables.write(table, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as stream:
        assert list(csv.reader(stream)) == [["a", "b_m"], ['x, "y"', "1.5000000"], ["line\nbreak", ""]]


def test_a_clock_of_nanoseconds_keeps_every_digit(tmp_path):
    """A logger that stamps rows with nanoseconds since 1970: no number of its table is too large to be written."""
    path = tmp_path / "vast.csv"
    stamps = np.array([1775328038453262080.0, np.nan, -3.5, 1e300])
    table_file.write_table(path, {"stamp_ns": stamps, "x": np.arange(4.0)}, {"stamp_ns": 6, "x": 1})
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert float(rows[0]["stamp_ns"]) == stamps[0]
    assert rows[1]["stamp_ns"] == ""
    assert [float(rows[k]["stamp_ns"]) for k in (2, 3)] == [-3.5, 1e300]
    assert [float(row["x"]) for row in rows] == [0.0, 1.0, 2.0, 3.0]
