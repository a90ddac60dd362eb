"""Column maps: saved, read back equal, and refused in one line where they can't be meant."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.errors import SettingsError
from replay.flightlog.columnmap import (
    CHANNELS,
    ColumnEntry,
    ColumnMap,
    FileEntry,
    OnboardAttitude,
    components_of,
    units_of,
)
from replay.flightlog.columnmap_file import load_column_map, save_column_map
from replay.units import DEG

_FULL = ColumnMap(
    columns=(
        ColumnEntry("t [ticks]", "time", unit="ticks", rate_hz=32768.0, file="imu.csv"),
        ColumnEntry("ax", "accel_raw_imu_mps2", "x", "g", sign=-1, zero=33124.0, scale=1 / 415.0, file="imu.csv", is_inferred=True),
        ColumnEntry("servo", "gimbal_command_rad", "x", "deg", zero=1500.0, scale=0.09, file="imu.csv", is_unit_inferred=True),
        ColumnEntry('odd "name" \\ µ', "extra", unit="furlong", file="other.csv"),
        ColumnEntry("unused", "ignore", file="other.csv"),
    ),
    files=(FileEntry("other.csv", rate_hz=50.0, clock_offset_s=-0.25),),
    axes=("-y", "+z", "-x"),
    rotation_rad=(0.0, 12.5 * DEG, -0.01),
    attitude=OnboardAttitude("earth to body", "down", "xyz", (0.0, 0.0, 45.0 * DEG), is_inferred=False),
)


def test_a_map_comes_back_equal(tmp_path):
    """Everything a map can say survives its file."""
    save_column_map(_FULL, tmp_path / "map.toml")
    assert load_column_map(tmp_path / "map.toml") == _FULL


def test_an_empty_map_comes_back_equal(tmp_path):
    """Nothing stated: axes and rotation are to be found from the data."""
    save_column_map(ColumnMap(), tmp_path / "map.toml")
    back = load_column_map(tmp_path / "map.toml")
    assert back == ColumnMap()
    assert back.axes is None
    assert back.rotation_rad is None


@given(
    st.text(max_size=12),
    st.sampled_from([c for c in CHANNELS if c != "time"]),
    st.floats(-1e6, 1e6),
    st.floats(1e-9, 1e9),
    st.sampled_from([1, -1]),
    st.tuples(*[st.floats(-3, 3)] * 3),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_any_header_and_number_survive(tmp_path_factory, header, channel, zero, scale, sign, rotation):
    """Headers with quotes, controls and any script; numbers to the last digit; angles to a part in 10^15."""
    path = tmp_path_factory.mktemp("map") / "map.toml"
    component = components_of(channel)[0]
    unit = (*units_of(channel, component), "")[0]
    before = ColumnMap(columns=(ColumnEntry(header, channel, component, unit, sign, zero, scale),), rotation_rad=rotation)
    save_column_map(before, path)
    after = load_column_map(path)
    assert after.columns == before.columns
    np.testing.assert_allclose(after.rotation_rad, rotation, rtol=1e-14, atol=0)


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("[[column]]\ncolumn='a'\nchanel='time'", "column[1].chanel", "nearest: 'column[1].channel'"),
        ("[[column]]\ncolumn='a'\nchannel='accel'", "column[1].channel", "one of"),
        ("[[column]]\nchannel='time'", "column[1].column", "the header of a column"),
        ("[[column]]\ncolumn='a'\nchannel='accel_raw_imu_mps2'\ncomponent='w'", "column[1].component", "'x', 'y', 'z'"),
        ("[[column]]\ncolumn='a'\nchannel='accel_raw_imu_mps2'\ncomponent='x'\nunit='deg/s'", "column[1].unit", "m/s², g, mg"),
        ("[[column]]\ncolumn='a'\nchannel='extra'\nsign=2", "column[1].sign", "1 or -1"),
        ("[[column]]\ncolumn='a'\n[[column]]\ncolumn='a'", "column[2]", "once"),
        ("[[column]]\ncolumn='a'\nchannel='battery_v'\n[[column]]\ncolumn='b'\nchannel='battery_v'", "column[2]", "once"),
        ("[imu]\naxes=['+x','+y']", "imu.axes", "a list of 3"),
        ("[imu]\naxes=['+x','+y','+y']", "imu.axes", "each of x, y and z once"),
        ("[imu]\naxes=['+x','+y','-z']", "imu.axes", "right-handed"),
        ("[onboard_attitude]\nturns='body'", "onboard_attitude.turns", "'body to earth', 'earth to body'"),
        ("axes=['+x','+y','+z']", "axes", "'imu.axes'"),
    ],
)
def test_what_can_not_be_meant_is_refused(tmp_path, text, key, words):
    """One line: the file, the key, what was expected."""
    path = tmp_path / "map.toml"
    path.write_text("format = 1\n" + text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_column_map(path)
    assert caught.value.key == key
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_units_may_be_written_in_the_file_s_own_way(tmp_path):
    """`m/s^2` in a map is the `m/s²` of ours; an axis without a sign is positive."""
    path = tmp_path / "map.toml"
    path.write_text(
        "format = 1\n[imu]\naxes = ['x', 'y', 'z']\n[[column]]\ncolumn = 'a'\nchannel = 'accel_raw_imu_mps2'\n"
        "component = 'x'\nunit = 'm/s^2'\n",
        encoding="utf-8",
    )
    read = load_column_map(path)
    assert read.columns[0].unit == "m/s²"
    assert read.axes == ("+x", "+y", "+z")


def test_one_entry_is_changed_by_file_and_header():
    """The editor's way to change a guess."""
    changed = ColumnEntry("servo", "gimbal_command_rad", "y", "deg", file="imu.csv")
    after = _FULL.with_entry(changed)
    assert after.of("gimbal_command_rad") == (changed,)
    assert len(after.columns) == len(_FULL.columns)
    assert len(_FULL.with_entry(ColumnEntry("servo", file="elsewhere.csv")).columns) == len(_FULL.columns) + 1
