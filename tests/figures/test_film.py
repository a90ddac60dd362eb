"""Films written and decoded again: frames, duration, alpha, the vehicle's tilt in a frame, and nothing half written."""

import dataclasses
import json
import math
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pytest
from film_files import decoded, lean_rad
from PySide6.QtGui import QColor, QImage
from scene_flight import LIFTOFF_S, snapshot, tilt_rad

from replay.errors import Cancelled, CannotEstimate, SettingsError
from replay.figures import film
from replay.figures.film import FilmPainter, render_film
from replay.figures.film_clock import FRAME_RATES
from replay.figures.film_page import Layout, TraceStrip, burned_in, number, readout, round_ticks, slate, unbroken
from replay.figures.film_request import FilmRequest, request_of
from replay.review.series import OVERLAYS
from replay.review.storage import load_review
from replay.scene.camera import Viewpoint
from replay.scene.drawlist import Polyline, Text

av = pytest.importorskip("av")
pytestmark = pytest.mark.usefixtures("qapp")

SHOT = snapshot()
SHOWN = (
    ("tilt", "deg"),
    ("tilt azimuth", "deg"),
    ("roll", "deg"),
    ("height", "m"),
    ("speed", "m/s"),
    ("vertical speed", "m/s"),
    ("force along", "m/s²"),
)
SIDE = {"viewpoint": Viewpoint("side"), "traces": (), "has_readout": False, "has_time": False, "has_what_if": False}
SHORT = {"size_px": (320, 180), "start_s": 0.0, "stop_s": 0.2, "slate_s": 0.1, "traces": ()}


def with_overlay(shot, **overlays):
    return dataclasses.replace(shot, extras={OVERLAYS: overlays})


def _expected_lean_rad(time_s):
    """Lean in the east plane of a nose at that tilt and azimuth 75°."""
    return math.atan(math.tan(float(tilt_rad(time_s))) * math.sin(math.radians(75.0)))


@pytest.mark.parametrize(("name", "rate", "codec"), [("a.mp4", "29.97", "h264"), ("b.mov", "23.976", "h264"), ("c.mov", "50", "png")])
def test_a_film_has_the_frames_duration_and_rate_it_reports(tmp_path, name, rate, codec):
    """Counted by decoding every frame; the rate is the exact fraction."""
    report = render_film(FilmRequest(SHOT, rate=rate, codec=codec, **SHORT), tmp_path / name)
    frames, decoded_rate, duration_s = decoded(tmp_path / name)
    assert len(frames) == report.n_frames == round(0.1 * FRAME_RATES[rate]) + math.floor(0.2 * FRAME_RATES[rate] + 1e-9) + 1
    assert decoded_rate == FRAME_RATES[rate] == report.rate
    assert duration_s == pytest.approx(report.duration_s, abs=1e-4)
    assert frames[0].shape == (180, 320, 4)


@pytest.mark.parametrize(
    ("name", "options"), [("a.mp4", {}), ("b.mov", {"is_transparent": True}), ("c.mov", {"is_transparent": True, "codec": "png"})]
)
def test_the_tilt_in_a_decoded_frame_is_the_solutions(tmp_path, name, options):
    """The long axis fitted to the vehicle's pixels in the side view, against the closed form, within half a degree."""
    start = 9.0
    request = FilmRequest(SHOT, size_px=(720, 720), start_s=start, stop_s=start + 0.1, slate_s=0.0, rate="30", **SIDE, **options)
    render_film(request, tmp_path / name)
    frames, _, _ = decoded(tmp_path / name)
    for k in (0, 3):
        if options:
            is_drawn = frames[k][..., 3] > 200
        else:
            is_drawn = np.abs(frames[k][..., :3].astype(int) - [251, 252, 253]).max(axis=-1) > 40
        measured = lean_rad(is_drawn)
        assert math.degrees(measured) == pytest.approx(math.degrees(_expected_lean_rad(start + k / 30)), abs=0.5)
    assert math.degrees(_expected_lean_rad(start)) > 25.0


def test_prores_carries_the_alpha_it_was_given(tmp_path):
    """Clear corners, solid vehicle, half-clear twin: decoded alpha within 2 of 255 of the frame that was drawn."""
    request = FilmRequest(
        SHOT, size_px=(320, 320), start_s=8.0, stop_s=8.05, slate_s=0.0, traces=(), has_readout=False, is_transparent=True
    )
    report = render_film(request, tmp_path / "over.mov")
    assert report.codec == "prores"
    frames, _, _ = decoded(tmp_path / "over.mov")
    drawn = film._straight(FilmPainter(request).image(0))
    assert np.abs(frames[0][..., 3].astype(int) - drawn[..., 3]).max() <= 2
    assert report.n_frames == len(frames) == 2
    assert frames[0][300, 5, 3] == 0 and frames[0][160, 160, 3] == 255
    assert ((drawn[..., 3] > 40) & (drawn[..., 3] < 140)).sum() > 200
    solid = drawn[..., 3] == 255
    assert np.abs(frames[0][solid][:, :3].astype(int) - drawn[solid][:, :3]).mean() < 3.0  # colours survive BT.709


def test_alpha_is_straight():
    """Half-clear red is full red with half alpha, as editors expect it, not darkened by its own alpha."""
    image = QImage(4, 4, QImage.Format.Format_ARGB32_Premultiplied)
    image.fill(QColor(255, 0, 0, 128))
    assert film._straight(image)[2, 2].tolist() == [255, 0, 0, 128]


def test_a_sequence_is_numbered_png_files_with_the_drawn_pixels(tmp_path):
    """No video library needed; exact to the byte against the drawn frame."""
    request = FilmRequest(SHOT, is_transparent=True, **SHORT)
    report = render_film(request, tmp_path / "frames")
    files = sorted((tmp_path / "frames").iterdir())
    assert [f.name for f in files[:2]] == ["frames_000001.png", "frames_000002.png"] and len(files) == report.n_frames
    stored = film._straight(QImage(str(files[-1])))
    assert (stored == film._straight(FilmPainter(request).image(report.n_frames - 1))).all()


@pytest.mark.parametrize("name", ["a.mp4", "a.mov"])
def test_two_runs_give_the_same_bytes(tmp_path, name):
    """No dates and no chance in the file."""
    contents = []
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        render_film(FilmRequest(SHOT, **SHORT), tmp_path / folder / name)
        contents.append((tmp_path / folder / name).read_bytes())
    assert contents[0] == contents[1]


def test_the_slate_tells_on_which_frame_each_event_falls(tmp_path):
    """Liftoff named with its frame, which is the frame that shows T+0; the slate is opaque also in a clear film."""
    request = FilmRequest(SHOT, start_s=-0.5, stop_s=6.5, rate="25", is_transparent=True, title="Test flight")
    clock = request.clock()
    layout = Layout.of(request.size_px, has_traces=True, has_readout=True)
    texts = [s.text for s in slate(SHOT, clock, layout, "Test flight", "25", ()).shapes if isinstance(s, Text)]
    assert texts[0] == "Test flight" and "liftoff" in texts
    i = texts.index("liftoff")
    frame = int(texts[i + 2].removeprefix("frame ")) - 1
    assert frame == clock.n_slate + round(0.5 * 25) or frame == clock.n_slate + 12
    assert abs(clock.time_of(frame) - LIFTOFF_S) <= 0.5 / 25 + 1e-9
    assert texts[i + 3] == f"{frame / 25:.3f} s"
    assert "touchdown" not in texts  # after the film's end
    empty = slate(SHOT, dataclasses.replace(request, start_s=0.5, stop_s=1.0).clock(), layout, "Test flight", "25", ())
    assert any("without one" in s.text for s in empty.shapes if isinstance(s, Text))
    alpha = film._straight(FilmPainter(request).image(0))[..., 3]
    assert alpha.min() == 255


def test_time_is_burned_in_with_frame_and_speed():
    """What an editor lines up by."""
    request = FilmRequest(SHOT, start_s=0.0, stop_s=4.0, ramp=((0.0, 0.5),), slate_s=0.0)
    clock = request.clock()
    layout = Layout.of((1280, 720), has_traces=False, has_readout=False)
    texts = [s.text for s in burned_in(SHOT, clock, 60, layout, None).shapes if isinstance(s, Text)]
    assert texts == ["T+1.000 s", f"boost   frame 61 of {clock.n_frames}   ×0.5"]


def test_the_readout_shows_both_columns_with_units():
    """The same numbers as the window's readout."""
    layout = Layout.of((1280, 720), has_traces=True, has_readout=True)
    texts = [s.text for s in readout(SHOT, LIFTOFF_S + 2.0, layout, None).shapes if isinstance(s, Text)]
    assert texts[:2] == ["as flown", "what-if"]
    assert [t for t in texts if ", " in t] == [f"{name}, {unit}" for name, unit in SHOWN]
    assert texts[texts.index("tilt, deg") + 1] == f"{math.degrees(tilt_rad(2.0)):.2f}"


def test_the_strip_draws_every_variant_and_breaks_at_missing_values():
    """Two lines a trace with their own dash; the cursor moves with time; not-a-number is a gap, not a line to zero."""
    request = FilmRequest(SHOT, start_s=-1.0, stop_s=10.0, traces=("tilt", "height"))
    layout = Layout.of(request.size_px, has_traces=True, has_readout=False)
    strip = TraceStrip(SHOT, request.traces, request.clock(), layout)
    dashes = [s.dash for s in strip.still(None).shapes if isinstance(s, Polyline) and len(s.points_px) > 20]
    assert sorted(dashes) == ["dashed", "dashed", "solid", "solid"]
    x = [strip.cursor(t).shapes[0].points_px[0, 0] for t in (1.0, 6.5, 12.0)]
    assert x[1] - x[0] == pytest.approx(x[2] - x[1]) and x[2] > x[0]
    runs = unbroken(np.array([[0.0, 1.0], [1.0, 1.0], [2.0, np.nan], [3.0, 1.0], [4.0, np.nan], [5.0, 2.0], [6.0, 2.0]]))
    assert [len(run) for run in runs] == [2, 2]


def test_the_reflown_flight_is_drawn_where_asked_and_told_apart_by_more_than_colour():
    """Twin, strip line and readout column of its own, each with its own dash; left out where not asked for; said where it is not there."""
    shot = with_overlay(SHOT, reflown=dataclasses.replace(SHOT.what_if))
    request = FilmRequest(shot, has_reflown=True, traces=("tilt",), start_s=0.0, stop_s=4.0)
    layout = Layout.of(request.size_px, has_traces=True, has_readout=True)
    strip = TraceStrip(request.shown, request.traces, request.clock(), layout)
    looks = {(s.colour, s.dash) for s in strip.still(None).shapes if isinstance(s, Polyline) and len(s.points_px) > 20}
    assert {dash for _, dash in looks} == {"solid", "dashed", "dashdot"} and len(looks) == 3
    shapes = readout(request.shown, LIFTOFF_S + 2.0, layout, None).shapes
    assert [s.text for s in shapes if isinstance(s, Text)][:3] == ["as flown", "what-if", "re-flown"]
    assert [s.dash for s in shapes if isinstance(s, Polyline)] == ["solid", "dashed", "dashdot"]
    rights = sorted({s.x_px for s in shapes if isinstance(s, Text) and s.across == "right"})
    assert len(rights) == 3 and min(np.diff(rights)) > 7.0 * layout.text_px  # room for 12.34 ±5.67 in each
    assert [track.series for track in FilmPainter(request)._flight.others] == ["what_if", "reflown"]
    for left_out, there in ((("has_reflown",), ["what_if"]), (("has_what_if", "has_reflown"), []), (("has_what_if",), ["reflown"])):
        less = dataclasses.replace(request, **dict.fromkeys(left_out, False))
        assert [track.series for track in FilmPainter(less)._flight.others] == there
        words = {s.text for s in TraceStrip(less.shown, less.traces, less.clock(), layout).still(None).shapes if isinstance(s, Text)}
        assert ("what-if" in words, "re-flown" in words) == ("what_if" in there, "reflown" in there)
    with pytest.raises(CannotEstimate, match="flown again"):
        FilmPainter(FilmRequest(SHOT, has_reflown=True))


def test_traces_that_the_flight_does_not_have_are_left_out():
    """An unknown key draws nothing and breaks nothing."""
    painter = FilmPainter(FilmRequest(SHOT, **{**SHORT, "traces": ("tilt", "log:battery_v")}))
    assert painter.image(painter.clock.n_frames - 1).width() == 320


def test_ticks_are_round_and_inside():
    """Multiples of 1, 2 or 5 × 10ⁿ."""
    assert round_ticks(-0.3, 1.1, 5).tolist() == pytest.approx([0.0, 0.5, 1.0])
    assert [number(v) for v in (-1.0, 0.0, 0.25)] == ["−1", "0", "0.25"]


def test_cancel_leaves_nothing(tmp_path):
    """Stopped in the middle: no file, no folder, no leftovers."""
    cancel = threading.Event()

    def stop_in_the_middle(fraction, text):
        if fraction > 0.4:
            cancel.set()

    with pytest.raises(Cancelled):
        render_film(FilmRequest(SHOT, **SHORT), tmp_path / "a.mp4", stop_in_the_middle, cancel)
    assert list(tmp_path.iterdir()) == []


def test_progress_rises_to_one(tmp_path):
    """Frame by frame, the last one is all of it."""
    seen = []
    render_film(FilmRequest(SHOT, **SHORT), tmp_path / "frames", lambda fraction, text: seen.append((fraction, text)))
    fractions = [fraction for fraction, _ in seen]
    assert fractions == sorted(fractions) and fractions[-1] == 1.0
    assert seen[0][1] == f"frame 1 of {len(seen)}"


def test_a_taken_name_is_refused_and_the_old_file_kept(tmp_path):
    """Without force nothing is written over; with it, only a file; a failing film keeps the old one."""
    old = tmp_path / "a.mp4"
    old.write_bytes(b"old")
    with pytest.raises(SettingsError, match="existing file"):
        render_film(FilmRequest(SHOT, **SHORT), old)
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(Cancelled):
        render_film(FilmRequest(SHOT, **SHORT), old, cancel=cancel, force=True)
    assert old.read_bytes() == b"old"
    render_film(FilmRequest(SHOT, **SHORT), old, force=True)
    assert len(old.read_bytes()) > 1000
    (tmp_path / "frames").mkdir()
    with pytest.raises(SettingsError, match="existing folder"):
        render_film(FilmRequest(SHOT, **SHORT), tmp_path / "frames", force=True)


@pytest.mark.parametrize(
    ("name", "options", "named"),
    [
        ("a.mp4", {"is_transparent": True}, "--alpha"),
        ("a.avi", {}, "--out"),
        ("a.mp4", {"codec": "prores"}, "--out"),
        ("a.png", {"codec": "sequence"}, "--out"),
    ],
)
def test_names_that_do_not_fit_the_request_are_refused_before_anything_is_drawn(tmp_path, name, options, named):
    """One line that says what would do."""
    with pytest.raises(SettingsError, match=named):
        render_film(FilmRequest(SHOT, **SHORT, **options), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("field", "value"), [("rate", "27"), ("size_px", (641, 360)), ("size_px", (10, 10)), ("codec", "mpeg"), ("slate_s", -1.0)]
)
def test_impossible_settings_are_refused(field, value):
    """Odd sizes, unknown rates and codecs."""
    with pytest.raises(SettingsError):
        dataclasses.replace(FilmRequest(SHOT), **{field: value})


def test_the_film_of_every_kept_review_can_be_made():
    """Their settings are what some version wrote."""
    for path in sorted((Path(__file__).parents[1] / "review" / "samples").glob("*.review.json")):
        assert request_of(SHOT, load_review(path).film_settings).rate == "25"


def test_settings_go_into_a_review_and_come_back():
    """Every choice survives the round through plain JSON; an unknown key is named."""
    request = FilmRequest(
        SHOT,
        size_px=(640, 360),
        rate="23.976",
        start_s=-1.0,
        ramp=((0.0, 1.0), (2.0, 0.25)),
        viewpoint=Viewpoint("orbit").turned(0.3, 0.1),
        traces=("tilt",),
        has_readout=False,
        is_transparent=True,
        slate_s=2.0,
        title="Third flight",
    )
    back = request_of(SHOT, json.loads(json.dumps(request.as_settings())))
    assert back.viewpoint.turn_rad == pytest.approx(0.3)
    assert dataclasses.replace(back, viewpoint=request.viewpoint).as_settings() == request.as_settings()
    assert request_of(SHOT, {}).as_settings() == FilmRequest(SHOT).as_settings()
    for settings, named in (
        ({"fps": 30}, "fps"),
        ({"camera": {"name": "drone"}}, "camera.name"),
        ({"size_px": [1]}, "film"),
        ({"ramp": 3}, "film"),
        ({"start_s": "liftoff"}, "start_s"),
        ({"has_reflown": 1}, "has_reflown"),
    ):
        with pytest.raises(SettingsError, match=named):
            request_of(SHOT, settings)


def test_without_the_video_library_one_line_says_how_to_get_it(tmp_path, monkeypatch):
    """And PNG files still work."""
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(CannotEstimate, match=r"plumbline-replay\[film\]"):
        render_film(FilmRequest(SHOT, **SHORT), tmp_path / "a.mp4")
    assert list(tmp_path.iterdir()) == []
    assert render_film(FilmRequest(SHOT, **SHORT), tmp_path / "frames").n_frames > 5


@pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("b.mov", "png"), ("frames", "sequence")])
def test_a_full_disk_is_said_in_one_line_and_leaves_nothing(tmp_path, name, codec):
    """A limit on what a file may hold, which the system enforces, stands for the disk; the name said is the one asked for."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    request = FilmRequest(SHOT, size_px=(320, 180), start_s=0.0, stop_s=1.0, slate_s=0.0, codec=codec, traces=())
    resource.setrlimit(resource.RLIMIT_FSIZE, (2048, before[1]))
    try:
        with pytest.raises(SettingsError) as caught:
            render_film(request, tmp_path / name)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "room" in str(caught.value) and name in caught.value.path and "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


_ENDLESS = """
import sys
sys.path.insert(0, {tests!r})
from film_files import decoded, lean_rad
from scene_flight import snapshot
from replay.figures.film import render_film
from replay.figures.film_request import FilmRequest
request = FilmRequest(snapshot(), size_px=(320, 180), start_s=0.0, stop_s={stop}, slate_s=0.0, codec={codec!r}, traces=())
render_film(request, {path!r}, lambda fraction, text: print(text, flush=True))
print("done", flush=True)
"""


def _script(path, codec, stop):
    return _ENDLESS.format(tests=str(Path(__file__).parents[1]), path=str(path), codec=codec, stop=stop)


@pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("frames", "sequence")])
def test_killed_in_the_middle_leaves_nothing_under_the_final_name(tmp_path, name, codec):
    """SIGKILL after the tenth frame: what is left is hidden, has another name, and is gone after the next film of that name."""
    with subprocess.Popen([sys.executable, "-c", _script(tmp_path / name, codec, 12.0)], stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout:
            if line.startswith("frame 10 of"):
                process.send_signal(signal.SIGKILL)
                break
        process.wait()
    assert process.returncode == -signal.SIGKILL
    assert not (tmp_path / name).exists()
    assert [left.name.startswith(f".{name}.") for left in tmp_path.iterdir()] == [True]
    render_film(FilmRequest(SHOT, **SHORT), tmp_path / name)
    assert [left.name for left in tmp_path.iterdir()] == [name]


def test_a_film_needs_no_window_and_no_application(tmp_path):
    """A fresh process without display and without a Qt application of its own writes it and ends cleanly."""
    environment = {key: value for key, value in os.environ.items() if key not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")}
    done = subprocess.run(
        [sys.executable, "-c", _script(tmp_path / "frames", "sequence", 0.1)], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip().endswith("done") and len(list((tmp_path / "frames").iterdir())) == 4
    picture = film._straight(QImage(str(tmp_path / "frames" / "frames_000004.png")))
    assert len(np.unique(picture.reshape(-1, 4), axis=0)) > 500
