"""Settings files: strict when read, readable when written."""

import os
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.errors import SettingsError
from replay.settings_file import checked, flag, number, read_toml, rows, text, toml_text, vector, whole, write_toml, write_whole

SCHEMA = {
    "name": text(),
    "kind": text("short", "long"),
    "mass_kg": number(above=0.0, high=100.0),
    "n": whole(low=1),
    "gyro": {"bias_degps": vector(3), "pad_bias": flag()},
    "sighting": [{"time_s": number(), "tilt_deg": number(low=0.0)}],
    "curve": rows(2),
}
GOOD = {
    "name": 'Wren "3" \\ µ\n',
    "kind": "short",
    "mass_kg": 1.25,
    "n": 3,
    "curve": ((0.0, 0.0), (0.05, 18.0)),
    "gyro": {"bias_degps": (0.1, -0.2, 1e-9), "pad_bias": True},
    "sighting": [{"time_s": 1.5, "tilt_deg": 6.0}, {"time_s": 2.5, "tilt_deg": 7.0}],
}


def test_what_is_written_is_read_back(tmp_path):
    """Tables, arrays of tables, escapes, comments; and the file is plain TOML."""
    path = tmp_path / "a.toml"
    write_toml(path, GOOD, comments={"mass_kg": "at liftoff", "gyro": "about the gyro"}, heading="A file.\nOf two lines.")
    assert read_toml(path, SCHEMA) == GOOD
    assert tomllib.loads(path.read_text(encoding="utf-8"))["format"] == 1
    assert "# at liftoff" in path.read_text(encoding="utf-8")


@given(st.text(max_size=40), st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**62), 2**62))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_any_text_and_number_survive(words, real, count):
    """Any key, any text, any finite number."""
    data = {"k": {words: words, "real": real, "count": count}}
    assert tomllib.loads(toml_text(data))["k"] == {words: words, "real": real, "count": count} | {words: words}


@pytest.mark.parametrize(
    ("body", "key", "words"),
    [
        ("", "format", "format = 1"),
        ("format = 2", "format", "got 2"),
        ("format = true", "format", "got true"),
        ("format = 1\nnam = 'x'", "nam", "nearest: 'name'"),
        ("format = 1\n[gyro]\nbias_deg = [0, 0, 0]", "gyro.bias_deg", "nearest: 'gyro.bias_degps'"),
        ("format = 1\npad_bias = true", "pad_bias", "'gyro.pad_bias'"),
        ("format = 1\n[gyro]\nbias_degps = [0, 0]", "gyro.bias_degps", "a list of 3 numbers"),
        ("format = 1\n[gyro]\nbias_degps = [0, 0, 'x']", "gyro.bias_degps", "each a number"),
        ("format = 1\ngyro = 3", "gyro", "a table"),
        ("format = 1\nmass_kg = 0", "mass_kg", "above 0"),
        ("format = 1\nmass_kg = 101", "mass_kg", "at most 100"),
        ("format = 1\nmass_kg = nan", "mass_kg", "a number"),
        ("format = 1\nmass_kg = true", "mass_kg", "a number"),
        ("format = 1\nn = 1.5", "n", "a whole number"),
        ("format = 1\nkind = 'lang'", "kind", "nearest: 'long'"),
        ("format = 1\nsighting = 3", "sighting", "[[sighting]] tables"),
        ("format = 1\n[[sighting]]\ntime_s = 1\n[[sighting]]\ntilt_deg = -1", "sighting[2].tilt_deg", "at least 0"),
        ("format = 1\ncurve = [[1, 2], [3]]", "curve", "lists of 2 numbers"),
        ("format = 1\nname = ", "file", "TOML"),
        ("format = 1\n", "name", "this key"),
    ],
)
def test_what_can_not_be_meant_is_one_line_with_file_and_key(tmp_path, body, key, words):
    """The error names the file, the key, what was expected, what came, and the nearest known key."""
    path = tmp_path / "a.toml"
    path.write_text(body, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        read_toml(path, SCHEMA, required=("name",))
    assert caught.value.path == str(path)
    assert caught.value.key == key
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there_or_no_text(tmp_path):
    """Said as what it is."""
    with pytest.raises(SettingsError, match="a file that can be read"):
        read_toml(tmp_path / "none.toml", SCHEMA)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="UTF-8"):
        read_toml(tmp_path / "b.toml", SCHEMA)


def test_only_stated_keys_come_back():
    """A caller can tell a default from a stated value."""
    assert checked({"format": 1, "n": 2}, SCHEMA, "x") == {"n": 2}


def test_a_failed_write_leaves_the_old_file(tmp_path):
    """Written whole or not at all, and no scrap is left beside it."""
    path = tmp_path / "a.toml"
    write_toml(path, {"name": "first"})
    with pytest.raises(TypeError):
        write_toml(path, {"name": object()})
    assert read_toml(path, SCHEMA) == {"name": "first"}
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


def test_a_durable_file_is_on_the_disk_with_its_name(tmp_path, monkeypatch):
    """The file is synced first, then, once it has its name, its folder (POSIX: a file's fsync does not cover its directory entry)."""
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append((os.fstat(handle).st_ino, target.exists())), real(handle)))
    target = tmp_path / "kept.json"
    write_whole(target, "{}\n", is_durable=True)
    assert target.read_text() == "{}\n"
    assert synced == [(target.stat().st_ino, False), (tmp_path.stat().st_ino, True)]
    synced.clear()
    write_whole(target, "{}\n")
    assert synced == []
