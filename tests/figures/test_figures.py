"""Every figure: nothing outside the page, nothing over another, fonts embedded, text kept, the same bytes twice, words from numbers."""

import base64
import json
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from drawn_flight import snapshot
from figure_flight import everything

from replay.errors import SettingsError
from replay.figures.arranged import arranged
from replay.figures.campaign_differences import _draw_row
from replay.figures.export import Origin, figure_bytes, new_figure, write_figure
from replay.figures.material import ABSENT, material_of, with_material
from replay.figures.registry import figure_kind, figure_kinds
from replay.figures.style import PRESETS, FigureSettings, legend_columns, settings_from, style
from replay.flight.compare import FigureRow
from replay.flight.quantity import Quantity
from replay.flightlog.log import FlightLog
from replay.review.review import Review
from replay.sensors.calibration import Calibration

NAMES = tuple(figure_kinds())
SEEN = [(name, preset) for name in NAMES for preset in PRESETS]

shot = cache(everything)
needs_poppler = pytest.mark.skipif(shutil.which("pdffonts") is None, reason="Poppler's tools (pdffonts, pdftotext) are not at hand")


def drawn_texts(name, preset, monkeypatch):
    """Box in points of every text that is really drawn, its page, and what the figure says."""
    from matplotlib.text import Text

    boxes = []
    draw = Text.draw

    def recorded(self, renderer, *args, **kwargs):
        if self.get_visible() and self.get_text().strip():
            boxes.append((self.get_text(), self.get_window_extent(renderer)))
        return draw(self, renderer, *args, **kwargs)

    with style(preset):
        figure = new_figure(FigureSettings(preset))
        figure.set_dpi(72)
        words = figure_kind(name).draw(figure, shot(), FigureSettings(preset))
        monkeypatch.setattr(Text, "draw", recorded)
        figure.draw_without_rendering()  # places everything, paints nothing
        monkeypatch.undo()
        return boxes, figure.bbox, words


@pytest.mark.parametrize(("name", "preset"), SEEN)
def test_every_text_is_on_the_page_and_clear_of_the_others(name, preset, monkeypatch):
    """Extents of all drawn texts against the page and against each other; and the caption is a sentence with a number in it."""
    boxes, page, words = drawn_texts(name, preset, monkeypatch)
    assert len(boxes) > 3
    outside = [text for text, box in boxes if box.x0 < -0.5 or box.y0 < -0.5 or box.x1 > page.width + 0.5 or box.y1 > page.height + 0.5]
    assert outside == []
    over = []
    for (one, a), (other, b) in combinations(boxes, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        down = min(a.y1, b.y1) - max(a.y0, b.y0)
        if across > 1.0 and down > 1.0 and across * down > 0.12 * min(a.width * a.height, b.width * b.height):
            over.append((one, other))
    assert over == []
    assert re.search(r"\d", words.caption)
    for text in (words.caption, words.alt):
        assert text.endswith(".")
        assert "nan" not in text


def test_differences_of_a_campaign_are_those_drawn():
    """Each flight less the first, equal limits about zero, hatched where below it, and the caption's numbers are the map's."""
    one = shot()
    (first, flown), *others = material_of(one, "campaign")
    low = others[0][1].as_flown
    dropped = replace(low, pos_enu_m=low.pos_enu_m - np.array([0.0, 0.0, 7.0]) * (low.time_s > 2.0)[:, None])
    known = replace(material_of(others[0][1], "explained"), solution=dropped)
    moved = with_material(one, campaign=((first, flown), ("low", with_material(others[0][1], explained=known))))
    with style("two-column"):
        figure = new_figure(FigureSettings())
        words = figure_kind("campaign-differences").draw(figure, moved, FigureSettings())
        height = figure.axes[0]
        mesh = height.collections[0]
        values = np.asarray(mesh.get_array())
    assert mesh.get_clim()[0] == -mesh.get_clim()[1]
    assert values.min() == pytest.approx(-7.0, abs=0.5)
    assert np.nanmedian(values) < -5.0
    assert any(each.get_hatch() for each in height.collections[1:])
    said = float(re.search(r"low height (\S+) m", words.caption)[1].replace("\N{MINUS SIGN}", "-"))
    assert said == pytest.approx(values.min(), abs=0.06)
    lone = with_material(moved, campaign=((first, flown), ("low", others[0][1])), explained=None)
    assert "has not been explained" in figure_kind("campaign-trends").missing(lone)


@pytest.mark.parametrize(
    ("slope", "sd", "is_drawn"), [(5.0, 1.0, True), (5.0, 2.0, False), (-5.0, 1.0, True), (float("nan"), float("nan"), False)]
)
def test_a_trend_is_drawn_only_where_it_is_told(slope, sd, is_drawn):
    """A slope within three standard deviations is no clear trend: no line."""
    values = tuple(Quantity("", 100.0 + 5.0 * i, 1.0, "m") for i in range(4))
    with style("two-column"):
        axes = new_figure(FigureSettings()).subplots()
        _draw_row(axes, FigureRow("apogee", "m", values, Quantity("", slope, sd, "m")))
    assert any(line.get_linestyle() == "--" for line in axes.lines) == is_drawn


@needs_poppler
def test_pdf_embeds_its_fonts_and_keeps_its_text(tmp_path):
    """Poppler finds every font embedded and the labels as text; two runs give the same bytes."""
    one, two = tmp_path / "one.pdf", tmp_path / "two.pdf"
    for path in (one, two):
        write_figure(figure_kind("film-strip").draw, "film-strip", shot(), FigureSettings("one-column"), path)
    assert one.read_bytes() == two.read_bytes()
    fonts = subprocess.run(["pdffonts", one], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert fonts
    assert all(row.split()[-5:-2] == ["yes", "yes", "yes"] for row in fonts), fonts  # embedded, subset, with a map to Unicode
    text = subprocess.run(["pdftotext", "-layout", one, "-"], capture_output=True, text=True, check=True).stdout
    assert "4.50 s" in text
    assert "tilt 3.0°, 1.1°" in text


def test_places_are_rounded_so_that_another_process_gives_the_same_bytes():
    """The solver's last digits hang on the order of things in memory, and clip ids hang on them."""
    figure = new_figure(FigureSettings("one-column"))
    parts = figure.subfigures(2, 1)
    axes = [*parts[0].subplots(3, 1, sharex=True), parts[1].subplots()]
    for i, each in enumerate(axes):
        each.plot([0.0, 1.0 + 0.1 * i], [0.0, 10.0**i])
        each.set_ylabel(f"label {i}")
    figure.colorbar(axes[-1].scatter([0.0], [1.0], c=[0.5]), ax=axes[-1])
    figure.canvas.draw()
    places = [edge for each in figure.axes for edge in each.get_position(original=True).extents[:2]]
    assert places == [round(float(edge), 9) for edge in places]
    assert min(axes[0].get_position().bounds) > 0.0
    assert axes[0].get_position().x0 > 0.1  # the layout made room for the label


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_svg_and_png_are_the_same_twice(kind):
    """Byte for byte."""
    draw = figure_kind("plumb-circle").draw
    settings = FigureSettings("one-column", dpi=100)
    assert figure_bytes(draw, "plumb-circle", shot(), settings, kind)[1] == figure_bytes(draw, "plumb-circle", shot(), settings, kind)[1]


def test_svg_keeps_text_and_carries_its_letters():
    """Labels are text, and each embedded font holds every letter shown in it."""
    import io

    from fontTools.ttLib import TTFont

    svg = figure_bytes(figure_kind("overview").draw, "overview", shot(), FigureSettings("one-column"), "svg")[1].decode()
    shown = [re.sub(r"<[^>]+>", "", inside) for inside in re.findall(r"<text\b[^>]*>(.*?)</text>", svg, re.DOTALL)]
    assert "specific force z (m/s²)" in shown
    data = re.findall(r"url\(data:font/woff;base64,([^)]+)\)", svg)
    assert len(data) == 1
    letters = set(TTFont(io.BytesIO(base64.b64decode(data[0]))).getBestCmap())
    assert {ord(letter) for text in shown for letter in text.strip()} <= letters
    assert "http" not in "".join(re.findall(r'(?:href|src)="([^"]*)"', svg))


def test_metadata_says_where_the_figure_is_from(tmp_path):
    """Version, log hash, settings of estimate and figure, command: in all three formats."""
    from PIL import Image

    review = Review(what_if=Calibration(accel_bias_imu_mps2=(-0.36, 0.26, 0.0)), method="integrate")
    origin = Origin("plumbline figure drawn.csv overview --out o.pdf --force", review)
    found = {}
    for kind in ("pdf", "svg", "png"):
        path = tmp_path / f"o.{kind}"
        write_figure(figure_kind("plumb-circle").draw, "o", shot(), FigureSettings("one-column", dpi=80), path, origin=origin)
        if kind == "png":
            with Image.open(path) as picture:
                found[kind] = picture.text["Description"].split("\n", 1)[1]
        elif kind == "svg":
            description = re.search(r"<dc:description>(.*?)</dc:description>", path.read_text(), re.DOTALL)[1]
            found[kind] = description.replace("&quot;", '"').split("\n", 1)[1]
        elif shutil.which("pdfinfo"):
            said = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
            found[kind] = re.search(r"Keywords:\s*(.*)", said)[1]
    for text in found.values():
        record = json.loads(text)
        assert record["log_sha256"] == "0" * 64
        assert record["command"] == origin.command
        assert record["review"]["what_if"]["accelerometer"]["bias_mps2"] == [-0.36, 0.26, 0.0]
        assert record["review"]["estimator"]["method"] == "integrate"
        assert record["settings"]["preset"] == "one-column"


def test_sizes_are_in_millimetres(tmp_path):
    """The page of each preset, and a PNG's pixels."""
    from PIL import Image

    for preset, values in PRESETS.items():
        assert np.allclose(new_figure(FigureSettings(preset)).get_size_inches() * 25.4, (values.width_mm, values.height_mm))
    path = tmp_path / "a.png"
    write_figure(figure_kind("plumb-circle").draw, "a", shot(), FigureSettings("video"), path)
    with Image.open(path) as picture:
        assert picture.size == (1920, 1080)
    for wrong in ({"preset": "poster"}, {"width_mm": 5.0}, {"dpi": 9000}, {"start_s": 3.0, "stop_s": 2.0}):
        with pytest.raises(SettingsError):
            FigureSettings(**wrong)


def test_a_figure_without_its_input_says_what_is_missing():
    """In one line that names the option or the command that gives it."""
    bare = replace(shot(), extras=None, log=FlightLog(("x.csv",), "0" * 64, {}, shot().log.column_map))
    said = {name: kind.missing(bare) for name, kind in figure_kinds().items() if kind.missing(bare)}
    assert set(said) == {
        "calibration",
        "correlation",
        "refly",
        "gimbal",
        "thrust",
        "power",
        "campaign",
        "campaign-differences",
        "campaign-trends",
    }
    assert all("plumbline " in why or "--" in why for why in said.values())
    assert not any("\n" in why for why in said.values())
    absent = with_material(bare, **{ABSENT: {"reflown": "re-fly: a vehicle file is needed"}})
    assert figure_kind("refly").missing(absent) == "re-fly: a vehicle file is needed"
    assert material_of(absent, "reflown") is None
    with pytest.raises(SettingsError, match="did you mean overview"):
        figure_kind("overveiw")


def test_traces_are_drawn_as_arranged():
    """Panes, their heights, vertical ranges and bands of the review's arrangement."""
    panes = [
        {"traces": ["tilt"], "share": 0.7, "vertical": [-2.0, 20.0]},
        {"traces": ["rate.x", "rate.y"], "share": 0.3, "vertical": None},
    ]
    settings = arranged(FigureSettings(), {"panes": panes, "bands": False, "measured_log_s": None})
    assert settings_from(json.loads(json.dumps(settings.__dict__))) == settings
    with style("two-column"):
        figure = new_figure(settings)
        figure_kind("traces").draw(figure, shot(), settings)
        figure.draw_without_rendering()
        tilt, rates = figure.axes
    assert tilt.get_ylim() == (-2.0, 20.0)
    assert tilt.get_position().height / rates.get_position().height == pytest.approx(7 / 3, rel=0.02)
    assert [text.get_text() for text in rates.get_legend().get_texts()] == ["x", "y"]
    assert len(tilt.collections) == 0  # no band


def test_a_legend_too_wide_for_the_page_takes_more_rows():
    """Counted in type sizes."""
    with style("one-column"):
        figure = new_figure(FigureSettings("one-column"))
        assert legend_columns(figure, ["x", "y"]) == 2
        assert 1 <= legend_columns(figure, ["as flown", "what-if", "re-flown", "computer on board"]) < 4
        assert legend_columns(figure, ["a name that is as long as the page is wide, and longer"] * 2) == 1


def test_a_spike_of_one_sample_is_drawn():
    """The envelope at the width of the print keeps extremes, where a stride would lose them."""
    one = snapshot(400.0)
    height = one.as_flown.pos_enu_m.copy()
    height[5003, 2] = 900.0
    spiked = replace(one, as_flown=replace(one.as_flown, pos_enu_m=height), extras=None)
    with style("one-column"):
        figure = new_figure(FigureSettings("one-column"))
        figure_kind("overview").draw(figure, spiked, FigureSettings("one-column"))
        line = figure.axes[0].lines[0]
    assert len(line.get_xdata()) < 0.5 * len(height)
    assert np.nanmax(line.get_ydata()) == 900.0


def test_figure_files_are_named_by_suffix(tmp_path):
    """An unknown suffix is refused before anything is written."""
    with pytest.raises(SettingsError, match="pdf"):
        write_figure(figure_kind("overview").draw, "overview", shot(), FigureSettings(), Path(tmp_path / "x.tiff"))
    assert list(tmp_path.iterdir()) == []
