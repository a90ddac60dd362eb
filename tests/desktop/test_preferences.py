"""What the user's machine remembers."""

import dataclasses

from replay.desktop.preferences import Preferences, signature_of
from replay.flightlog.columnmap import ColumnEntry, ColumnMap, FileEntry

HEADERS = (("imu 7.csv", ("t", "ax", "gx")), ("baro 7.csv", ("t", "p")))
MAP = ColumnMap(
    columns=(
        ColumnEntry("ax", "accel_raw_imu_mps2", "x", "g", file="imu 7.csv"),
        ColumnEntry("p", "pressure_pa", "", "hPa", file="baro 7.csv"),
    ),
    files=(FileEntry("baro 7.csv", clock_offset_s=0.5),),
)


def test_recent_files_are_newest_first_once_each_and_no_more_than_twelve(preferences, tmp_path):
    """As the menu shows them, also by another program's start."""
    for i in range(15):
        preferences.add_recent([str(tmp_path / f"{i}.csv")])
    preferences.add_recent([str(tmp_path / "9.csv")])
    again = Preferences(preferences.folders)
    names = [paths[0].rsplit("/", 1)[-1] for paths in again.recent]
    assert names[:3] == ["9.csv", "14.csv", "13.csv"]
    assert len(names) == 12
    assert len(set(names)) == 12


def test_files_of_one_flight_stay_together(preferences, tmp_path):
    """Several files are one entry."""
    preferences.add_recent([str(tmp_path / "a.csv"), str(tmp_path / "b.csv")])
    assert len(preferences.recent[0]) == 2
    preferences.clear_recent()
    assert preferences.recent == []


def test_what_can_not_be_read_counts_as_never_remembered(preferences):
    """A damaged settings file must not keep the window from starting."""
    preferences.keep("recent", "[[1, 2], {")
    assert preferences.recent == []
    preferences.keep_column_map(HEADERS, MAP)
    path = preferences._map_file(signature_of(HEADERS))
    path.write_text("format = 9")
    assert preferences.column_map_for(HEADERS) is None


def test_a_logger_is_known_by_its_headers_not_by_its_file_names(preferences):
    """The next flight's files have other names: the remembered map is put on them, in order."""
    preferences.keep_column_map(HEADERS, MAP)
    next_flight = (("imu 8.csv", ("t", "ax", "gx")), ("baro 8.csv", ("t", "p")))
    found = preferences.column_map_for(next_flight)
    assert [entry.file for entry in found.columns] == ["imu 8.csv", "baro 8.csv"]
    assert found.files[0] == FileEntry("baro 8.csv", clock_offset_s=0.5)
    assert dataclasses.replace(found.columns[0], file="imu 7.csv") == MAP.columns[0]


def test_other_headers_are_another_logger(preferences):
    """One more column, another order, another split between files: not known."""
    preferences.keep_column_map(HEADERS, MAP)
    for other in (
        (("imu 7.csv", ("t", "ax", "gx", "gy")), HEADERS[1]),
        (HEADERS[1], HEADERS[0]),
        (("imu 7.csv", ("t", "ax")), ("baro 7.csv", ("gx", "t", "p"))),
    ):
        assert preferences.column_map_for(other) is None
