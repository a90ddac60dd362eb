"""Reviews on disk."""

import copy
import dataclasses
import functools
import json
import operator
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.errors import SettingsError
from replay.flightlog.columnmap import ColumnEntry, ColumnMap
from replay.motion.settings import METHODS, EstimatorSettings
from replay.motion.site import Site
from replay.review import log_reference, storage
from replay.review.recovery import RecoveryCopy, left_behind
from replay.review.review import EVENT_NAMES, Bookmark, FindingMark, LogReference, Note, ReflySettings, Review, ReviewVideo, VideoCamera
from replay.sensors.calibration import Calibration
from replay.units import DEG, kelvin
from replay.whatif.evidence import Apogee, Evidence, Lean, Prior, Sighting, Touchdown

SAMPLES = Path(__file__).parent / "samples"

finite = st.floats(-1e6, 1e6)
vec3 = st.tuples(finite, finite, finite)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**12), 10**12) | finite | st.text(max_size=20),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=8), inside, max_size=3),
    max_leaves=8,
)
opaque = st.dictionaries(st.text(max_size=8), json_values, max_size=4)
calibrations = st.builds(
    Calibration, accel_bias_imu_mps2=vec3, gyro_bias_imu_radps=vec3, accel_cross_axis=vec3, gyro_pad_bias=st.booleans()
)
sizes = st.integers(1, 900).map(lambda v: v / 10)
leans = {"tilt_rad": sizes.map(lambda v: v * DEG), "tilt_azimuth_rad": sizes.map(lambda v: v * DEG), "sd_rad": sizes.map(lambda v: v * DEG)}
evidences = st.builds(
    Evidence,
    rail=st.none() | st.builds(Lean, **leans),
    touchdown=st.none() | st.builds(Touchdown, east_m=finite, north_m=finite, sd_m=sizes),
    apogee=st.none() | st.builds(Apogee, height_m=sizes, sd_m=sizes),
    sightings=st.lists(st.builds(Sighting, **leans, time_s=finite, is_one_view=st.booleans()), max_size=2).map(tuple),
    prior=st.builds(Prior, accel_bias_mps2=st.none() | sizes, gyro_bias_radps=st.none() | sizes.map(lambda v: v * DEG)),
)
reviews = st.builds(
    Review,
    evidence=st.none() | evidences,
    freed=st.none() | st.lists(st.sampled_from(("gyro bias", "barometer")), max_size=2).map(tuple),
    refly=st.builds(ReflySettings, bandwidth_hz=sizes, n_members=st.integers(2, 5000), seed=st.integers(0, 10**6)),
    as_flown=calibrations,
    what_if=st.none() | calibrations,
    is_whatif_on=st.booleans(),
    method=st.sampled_from(METHODS),
    settings=st.builds(EstimatorSettings, use_barometer=st.booleans(), baro_sd_m=st.none() | st.floats(0.01, 20.0)),
    also_drawn=st.lists(st.sampled_from(METHODS), max_size=2).map(tuple),
    site=st.builds(
        Site,
        latitude_rad=st.none() | st.floats(-1.57, 1.57),
        ground_temperature_k=st.none() | st.floats(200.0, 330.0),
        pad_azimuth_rad=st.none() | st.floats(-6.0, 6.0),
    ),
    video=st.none()
    | st.builds(
        ReviewVideo,
        file=st.just(LogReference("/tmp/films/launch.mp4", 12, "ab" * 32)),
        camera=st.builds(VideoCamera, azimuth_rad=st.none() | sizes.map(lambda v: v * DEG), distance_m=st.none() | sizes),
    )
    | st.builds(
        ReviewVideo,
        file=st.just(LogReference("/launch.mov", 12, "cd" * 32)),
        liftoff_video_s=finite,
        liftoff_sd_s=sizes,
        liftoff_by=st.sampled_from(("frame", "sound")),
    ),
    moved_events=st.dictionaries(st.sampled_from(EVENT_NAMES), finite, max_size=3),
    bookmarks=st.lists(st.builds(Bookmark, log_time_s=finite, text=st.text(max_size=10)), max_size=3).map(tuple),
    notes=st.lists(st.builds(Note, text=st.text(max_size=30), start_log_s=st.none() | finite), max_size=3).map(tuple),
    finding_marks=st.lists(st.builds(FindingMark, rule=st.text(max_size=8), is_pinned=st.booleans()), max_size=3).map(tuple),
    trace_arrangement=opaque,
    figure_settings=opaque,
    film_settings=opaque,
    report_settings=opaque,
)


def _numbers(value) -> list[float]:
    """All numbers of a calibration or site, in order; an absent one as infinity."""
    parts = [getattr(value, field.name) for field in dataclasses.fields(value)] if value is not None else []
    flat = [component for part in parts for component in (part if isinstance(part, tuple) else (part,))]
    return [float("inf") if component is None else float(component) for component in flat]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(reviews)
def test_any_review_is_read_back_as_it_was_written(review):
    """Everything but the last bit of an angle at once; and what was read once is read back exactly ever after."""
    once = storage.review_of(storage.review_text(review, Path("/tmp")), "r", Path("/tmp"))
    for field in dataclasses.fields(Review):
        if field.name not in ("as_flown", "what_if", "site"):
            assert getattr(once, field.name) == getattr(review, field.name)
    for name in ("as_flown", "what_if", "site"):
        assert _numbers(getattr(once, name)) == pytest.approx(_numbers(getattr(review, name)), rel=1e-15)
    assert storage.review_of(storage.review_text(once, Path("/tmp")), "r", Path("/tmp")) == once


def test_a_slider_made_review_is_read_back_exactly():
    """Values set in shown units, degrees and °C, come back bit for bit, so a saved review is not marked as changed when opened."""
    what_if = Calibration(gyro_bias_imu_radps=(0.3 * DEG, -1.27 * DEG, 0.005 * DEG), reference_temperature_k=kelvin(23.4))
    review = Review(what_if=what_if, site=Site(50.3 * DEG, 250.0, kelvin(8.1), 65.5 * DEG))
    assert storage.review_of(storage.review_text(review, Path("/x")), "r", Path("/x")) == review


@pytest.mark.parametrize("version", range(1, storage.FORMAT + 1))
def test_a_sample_of_every_version_still_opens(version):
    """Kept as they were written then; what they mean is spelled out for the first."""
    review = storage.load_review(SAMPLES / f"format_{version}.review.json")
    assert [Path(log.path).name for log in review.logs] == ["flight 7.csv", "baro.csv"]
    assert Path(review.logs[0].path).parent == SAMPLES
    assert review.column_map.axes == ("-y", "+z", "-x")
    assert review.what_if.accel_bias_imu_mps2 == (0.31, -0.02, 0.0)
    assert review.what_if.gyro_bias_imu_radps == (0.3 * DEG, 0.0, -0.01 * DEG)
    assert (review.method, review.settings.use_barometer, review.is_whatif_on) == ("kalman", False, False)
    assert review.site == Site(50.0 * DEG, 250.0, kelvin(8.0), 65.0 * DEG)
    assert review.moved_events == {"burnout_log_s": 7.25}
    assert Path(review.vehicle_path) == SAMPLES / "wren.toml"
    assert Path(review.evidence_path) == SAMPLES.parent / "evidence.toml"
    assert review.figure_settings["title"] is None
    if version == 1:
        assert (review.evidence, review.freed, review.refly) == (None, None, ReflySettings())
    else:
        assert review.evidence == Evidence(
            rail=Lean(2.0 * DEG, 40.0 * DEG, 0.5 * DEG),
            sightings=(Sighting(6.0 * DEG, 80.0 * DEG, 1.5 * DEG, 1.5, is_one_view=True),),
            prior=Prior(accel_bias_mps2=0.4),
        )
        assert review.freed == ("pad tilt", "accelerometer bias", "gyro scale z")
        assert review.figure_settings["beside"] == (str(SAMPLES / "earlier" / "flight 6.csv"),)
        report = {"job": "See whether it holds the vertical.", "tables": "csv", "has_reflown": False, "folder": str(SAMPLES / "write-up")}
        assert review.report_settings == report
        film = LogReference(str(SAMPLES / "films" / "launch.mp4"), 987654, "00112233445566778899aabbccddeeff" * 2)
        assert review.video == ReviewVideo(film, 12.512, 0.022, "frame", VideoCamera(40.0 * DEG, 5.0 * DEG, 0.0, 25.0))
        assert review.refly == ReflySettings(8.0, 500, 7)


def test_there_is_a_step_from_every_older_version():
    """No version is left without a way up, nor a sample."""
    assert sorted(storage.MIGRATIONS) == list(range(1, storage.FORMAT))
    assert all((SAMPLES / f"format_{v}.review.json").exists() for v in range(1, storage.FORMAT + 1))


def test_steps_are_taken_one_after_another():
    """A file two versions old goes through both steps, in order."""
    steps = {1: lambda d: {**d, "tilt": d["lean"]}, 2: lambda d: {**d, "tilt_deg": d["tilt"] * 2}}
    assert storage.upgraded({"format": 1, "lean": 3}, "r", steps, 3) == {"format": 3, "lean": 3, "tilt": 3, "tilt_deg": 6}
    assert storage.upgraded({"format": 3}, "r", steps, 3) == {"format": 3}


def test_a_newer_version_is_refused_politely(tmp_path):
    """It says which Plumbline made it and what to do, and the file is untouched."""
    path = tmp_path / "later.review.json"
    content = json.dumps({"format": storage.FORMAT + 1, "made_by": "Plumbline 9.0", "whatever": {}})
    path.write_text(content)
    with pytest.raises(SettingsError, match=r"made by Plumbline 9\.0, please open it with that or a newer one"):
        storage.load_review(path)
    assert path.read_text() == content


def _sample() -> dict:
    return json.loads((SAMPLES / "format_1.review.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        (lambda d: d.update(fromat=1), "fromat", "nearest: 'format'|nearest"),
        (lambda d: d.update(fimm={}), "fimm", "nearest: 'film'"),
        (lambda d: d["estimator"].update(method="kallman"), "estimator.method", "nearest: 'kalman'"),
        (lambda d: d["estimator"]["settings"].update(use_barometr=True), "estimator.settings.use_barometr", "use_barometer"),
        (lambda d: d["logs"][0].update(sha256="zz"), "logs[1].sha256", "64 hexadecimal digits"),
        (lambda d: d["logs"][1].pop("path"), "logs[2].path", "this key"),
        (lambda d: d.pop("as_flown"), "as_flown", "this key"),
        (lambda d: d["what_if"]["gyro"].update(bias_degps=[1, 2]), "gyro.bias_degps", "a list of 3 numbers"),
        (lambda d: d["moved_events"].update(lift_off_log_s=1.0), "moved_events.lift_off_log_s", "liftoff_log_s"),
        (lambda d: d["bookmarks"][0].update(log_time_s="now"), "bookmarks[1].log_time_s", "a number"),
        (lambda d: d.update(film=[1]), "film", "a JSON object"),
        (lambda d: d.update(report=[1]), "report", "a JSON object"),
        (lambda d: d.update(format=True), "format", "a whole number"),
        (lambda d: d.pop("format"), "format", "nothing"),
        (lambda d: d["column_map"]["column"][0].update(channel="tme"), "column[1].channel", "nearest: 'time'"),
        (lambda d: d.update(launch_video={"path": "a.mp4", "size_bytes": 1}), "launch_video.sha256", "this key"),
        (
            lambda d: d.update(launch_video={"path": "a.mp4", "size_bytes": 1, "sha256": "ab" * 32, "liftoff_video_s": 1.0}),
            "launch_video.liftoff_sd_s",
            "goes with its standard deviation",
        ),
    ],
)
def test_what_a_review_cannot_mean_is_one_clear_error(tmp_path, change, key, says):
    """It names file, key, what was expected and what came."""
    data = _sample()
    change(data)
    path = tmp_path / "bad.review.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(SettingsError, match=says) as caught:
        storage.load_review(path)
    assert caught.value.key == key
    assert str(path) in caught.value.path


def _places(value, at=()):
    """Where every value of a document stands."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in inside:
        yield (*at, key)
        yield from _places(item, (*at, key))


@pytest.mark.parametrize("wrong", [None, True, -1, 10**400, {"a": [None]}, "x\0"], ids=["null", "true", "-1", "huge", "object", "NUL"])
def test_any_value_gone_wrong_is_one_clear_error_or_means_something(wrong):
    """Each value of the newest sample in turn: a SettingsError, or a review that can be written and read again; nothing else."""
    whole = json.loads((SAMPLES / f"format_{storage.FORMAT}.review.json").read_text(encoding="utf-8"))
    n_refused = 0
    for *above, key in _places(whole):
        data = copy.deepcopy(whole)
        functools.reduce(operator.getitem, above, data)[key] = wrong
        try:
            review = storage.review_of(json.dumps(data), "bad.review.json", Path("/nowhere"))
        except SettingsError:
            n_refused += 1
        else:
            again = storage.review_of(storage.review_text(review, Path("/nowhere")), "again", Path("/nowhere"))
            assert again == review
    assert n_refused > 100


@pytest.mark.parametrize("content", ["", "[]", "{", '{"format": 1, "logs": [], "as_flown": NaN}', "\x00\x01", "[" * 100_000, '"text"'])
def test_what_is_no_json_object_is_one_clear_error(tmp_path, content):
    """Cut off, nested without end, or something else altogether."""
    path = tmp_path / "bad.review.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(SettingsError):
        storage.load_review(path)


def test_a_file_that_is_not_there_is_one_clear_error(tmp_path):
    """No traceback for a mistyped name."""
    with pytest.raises(SettingsError, match="No such file"):
        storage.load_review(tmp_path / "absent.review.json")


def test_only_plain_json_gets_into_a_review():
    """Nothing that could be executed, nothing that would not come back."""
    for bad in (object(), {1, 2}, b"x", float("nan"), {"a": [lambda: 0]}, {3: "x"}):
        with pytest.raises(SettingsError):
            Review(film_settings={"x": bad})


def test_views_settings_are_frozen():
    """A view that keeps its dictionary can't change the document behind the history's back."""
    mine = {"panes": [["tilt"]]}
    review = Review(trace_arrangement=mine)
    mine["panes"][0].append("roll")
    assert review.trace_arrangement == {"panes": (("tilt",),)}
    with pytest.raises(TypeError):
        review.trace_arrangement["panes"] = ()


# --- finding the log ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def flight(tmp_path):
    folder = tmp_path / "flights"
    folder.mkdir()
    log = folder / "wren.csv"
    log.write_bytes(b"time,ax\n0,1\n")
    path = folder / "wren.review.json"
    storage.save_review(Review(logs=(log_reference.reference_to(log),)), path)
    return folder, log, path


def test_paths_are_relative_in_the_file(flight):
    """So a folder can be handed on whole."""
    _, _, path = flight
    assert json.loads(path.read_text())["logs"][0]["path"] == "wren.csv"


def test_a_log_is_found_where_the_folder_was_moved_to(flight, tmp_path):
    """Review and log moved together."""
    folder, _, _ = flight
    moved = folder.rename(tmp_path / "elsewhere")
    review = storage.load_review(moved / "wren.review.json")
    assert log_reference.find_log(review.logs[0], moved / "wren.review.json") == moved / "wren.csv"


def test_a_log_is_found_beside_the_review(flight, tmp_path):
    """The review was saved in another folder than the log; now both are in one, the log even renamed."""
    _, log, path = flight
    review = storage.load_review(path)
    there = tmp_path / "there"
    there.mkdir()
    log.rename(there / "renamed.csv")
    (there / "wren.csv").write_bytes(b"time,ax\n0,2\n")
    assert log_reference.find_log(review.logs[0], there / "wren.review.json") == there / "renamed.csv"


def test_another_file_of_the_same_name_is_not_taken_for_the_log(flight):
    """One byte differs: not found, so the user is asked."""
    _, log, path = flight
    review = storage.load_review(path)
    log.write_bytes(b"time,ax\n0,2\n")
    assert log_reference.find_log(review.logs[0], path) is None
    log.unlink()
    assert log_reference.find_log(review.logs[0], path) is None


def test_the_hash_is_that_of_the_bytes(tmp_path):
    """FIPS 180-2 appendix B.1: SHA-256 of "abc"."""
    (tmp_path / "abc").write_bytes(b"abc")
    reference = log_reference.reference_to(tmp_path / "abc")
    assert reference.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert reference.size_bytes == 3


# --- saving ------------------------------------------------------------------------------------------------------------------------

_KILLED = """
import sys
from pathlib import Path
from replay.review import storage
from replay.review.review import Note, Review
path = Path(sys.argv[1])
print("go", flush=True)
i = 0
while True:
    i += 1
    storage.save_review(Review(notes=tuple(Note(f"{i} " + "x" * 2000) for _ in range(50))), path)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is a POSIX signal")
def test_killed_while_saving_nothing_saved_is_lost(tmp_path):
    """SIGKILL in the middle of saving over and over: the file is always one whole review."""
    path = tmp_path / "flight.review.json"
    storage.save_review(Review(), path)
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", _KILLED, str(path)], stdout=subprocess.PIPE, text=True)
        assert process.stdout.readline() == "go\n"
        before = path.stat().st_mtime_ns
        while path.stat().st_mtime_ns == before:  # at least one save is through, the next are under way
            pass
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        assert len(storage.load_review(path).notes) == 50


def test_a_folder_that_cannot_be_written_is_one_clear_error(tmp_path):
    """And names the file."""
    with pytest.raises(SettingsError, match="a place that can be written"):
        storage.save_review(Review(), tmp_path / "absent" / "x.review.json")


# --- recovery ----------------------------------------------------------------------------------------------------------------------


def test_a_recovery_copy_is_offered_until_it_is_discarded(tmp_path):
    """With where the review is saved, and absolute paths that still lead to the log."""
    review = Review(
        logs=(LogReference(str(tmp_path / "a" / "wren.csv"), 3, "0" * 64),),
        notes=(Note("not saved yet"),),
        column_map=ColumnMap((ColumnEntry("ax", "accel_raw_imu_mps2", "x", "g"),)),
    )
    copy = RecoveryCopy(tmp_path / "recovery")
    copy.write(review, tmp_path / "wren.review.json")
    (found,) = left_behind(tmp_path / "recovery")
    assert found.review == review
    assert found.review_path == str(tmp_path / "wren.review.json")
    assert left_behind(tmp_path / "recovery", but=copy.file) == []
    copy.discard()
    copy.discard()
    assert left_behind(tmp_path / "recovery") == []


def test_a_broken_recovery_copy_is_passed_over(tmp_path):
    """A write cut off by the crash must not keep the window from starting."""
    RecoveryCopy(tmp_path).write(Review(notes=(Note("whole"),)), None)
    (tmp_path / "x.recovery.json").write_text('{"review": {"format"')
    (tmp_path / "y.recovery.json").write_text('{"review": {"format": 99}, "review_path": null, "written_at": ""}')
    assert [r.review.notes[0].text for r in left_behind(tmp_path)] == ["whole"]
    assert left_behind(tmp_path / "absent") == []
