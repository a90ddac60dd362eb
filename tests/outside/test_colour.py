"""Our colours told apart by the colour-blind: smallest CIEDE2000 between any two, under each kind of colour blindness.

Simulation: Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009, severity 100, as in colorspacious. CIEDE2000: Sharma, Wu, Dalal, Color
Research and Application 30(1), 2005; the two pairs are from its table of test data. The colours are those of Okabe and Ito (2008).
"""

import warnings
from itertools import combinations, pairwise

import numpy as np
import pytest
from matplotlib import colormaps

from replay.figures.difference_map import map_colours
from replay.figures.lines import LOOKS
from replay.figures.style import AMOUNTS
from replay.motion.settings import METHODS
from replay.scene import palette
from replay.scene.palette import OVERLAYS, SERIES, TIME_RAMP, rgb

with warnings.catch_warnings():
    warnings.simplefilter("ignore", SyntaxWarning)  # its docstrings hold TeX; shown once, when Python first compiles it
    warnings.simplefilter("ignore", DeprecationWarning)
    from colorspacious import cspace_convert

OURS = sorted({colour for colour, *_ in (*SERIES.values(), *OVERLAYS.values(), *LOOKS)})
DEFAULT_CYCLE = ["#1F77B4", "#FF7F0E", "#2CA02C", "#D62728"]
SIGHT = (None, "protanomaly", "deuteranomaly", "tritanomaly")


def ciede2000(lab_1, lab_2):
    """Written from the paper's equations (2) to (22), unit weights."""
    (l1, a1, b1), (l2, a2, b2) = lab_1, lab_2
    mean_c7 = (0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2))) ** 7
    g = 0.5 * (1.0 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1, a2 = (1.0 + g) * a1, (1.0 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360.0, np.degrees(np.arctan2(b2, a2)) % 360.0
    dh = 0.0 if c1 * c2 == 0.0 else (h2 - h1 + 180.0) % 360.0 - 180.0
    big_h = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2.0)
    mean_l, mean_c = 0.5 * (l1 + l2), 0.5 * (c1 + c2)
    mean_h = h1 + h2 if c1 * c2 == 0.0 else (h1 + 0.5 * dh) % 360.0
    t = (
        1.0
        - 0.17 * np.cos(np.radians(mean_h - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean_h))
        + 0.32 * np.cos(np.radians(3.0 * mean_h + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean_h - 63.0))
    )
    turn = 30.0 * np.exp(-(((mean_h - 275.0) / 25.0) ** 2))
    rc = 2.0 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    sl = 1.0 + 0.015 * (mean_l - 50.0) ** 2 / np.sqrt(20.0 + (mean_l - 50.0) ** 2)
    dl, dc, dh = (l2 - l1) / sl, (c2 - c1) / (1.0 + 0.045 * mean_c), big_h / (1.0 + 0.015 * mean_c * t)
    return float(np.sqrt(dl**2 + dc**2 + dh**2 - np.sin(np.radians(2.0 * turn)) * rc * dc * dh))


def seen(colour, sight):
    """CIELAB of a colour as seen."""
    values = np.array(rgb(colour))
    if sight is not None:
        values = np.clip(cspace_convert(values, {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}, "sRGB1"), 0.0, 1.0)
    return cspace_convert(values, "sRGB1", "CIELab")


def smallest(colours, sight):
    places = [seen(colour, sight) for colour in colours]
    return min(ciede2000(a, b) for a, b in combinations(places, 2))


def test_the_formula_on_the_papers_own_pairs():
    """Rows 1 and 17 of the table of test data."""
    assert ciede2000((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485)) == pytest.approx(2.0425, abs=1e-4)
    assert ciede2000((50.0, 2.5, 0.0), (73.0, 25.0, -18.0)) == pytest.approx(27.1492, abs=1e-4)


@pytest.mark.parametrize("sight", SIGHT)
def test_our_colours_stay_apart(sight):
    """Every pair of every series and every look; yellow is not among them."""
    assert palette.YELLOW not in OURS
    assert len(OURS) >= 6
    assert smallest(OURS, sight) >= 10.0


def test_the_usual_cycle_would_not_pass():
    """The test can fail: a common default of four colours falls to 1.3 where red is not seen."""
    assert smallest(DEFAULT_CYCLE, "protanomaly") == pytest.approx(1.3, abs=0.2)


def test_every_look_differs_by_dash_too():
    """Colour alone never tells two series of one plot apart: shared dashes only between colours, and the first four all differ."""
    assert len({dash for _, dash in LOOKS[:4]}) == 4
    assert len(set(LOOKS)) == len(LOOKS)
    assert len({SERIES[name][1] for name in "xyzw"}) == 4
    assert len({SERIES[name][1] for name in ("as_flown", "what_if", "reflown", "onboard")}) == 4


def test_every_method_has_a_dash_and_a_marker_of_its_own():
    """No method drawn for comparison shares its dash with another or with a series that may be beside it."""
    assert set(OVERLAYS) == set(METHODS)
    beside = [SERIES[name][1] for name in ("as_flown", "what_if", "reflown", "onboard")]
    dashes = [dash for _, dash, _ in OVERLAYS.values()]
    assert len({*beside, *dashes}) == len(beside) + len(METHODS)
    assert len({palette.DASHES[dash] for dash in (*beside, *dashes)}) == len(beside) + len(METHODS)
    assert len({marker for *_, marker in OVERLAYS.values()}) == len(METHODS)


def contrast(colour):
    """On white, WCAG 2.1."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(colour)]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


def test_numbers_in_the_colour_of_their_line_can_be_read():
    """WCAG 2.1, 1.4.3: a contrast of 4.5 for text; and the darkened hues stay apart as the lines do."""
    inks = sorted({palette.ink(colour) for colour in OURS})
    assert len(inks) == len(OURS)
    assert all(contrast(colour) >= 4.5 for colour in inks)


def test_lines_stand_out_on_white():
    """Contrast of at least 2.2, and 3 (WCAG 2.1, 1.4.11) for all but the two pale ones, which are always the last to be used."""
    pale = {palette.ORANGE, palette.SKY}
    assert all(contrast(colour) >= (2.2 if colour in pale else 3.0) for colour in OURS)
    assert {colour for colour, _ in LOOKS[-2:]} == pale


def test_maps_of_amounts_rise_in_lightness():
    """The map of amounts and the ramp of time only get lighter."""

    def lightness(colours):
        return np.array([seen(colour, None)[0] for colour in colours])

    def hexes(name, places):
        return [f"#{r:02X}{g:02X}{b:02X}" for r, g, b, _ in colormaps[name](places, bytes=True)]

    assert (np.diff(lightness(hexes(AMOUNTS, np.linspace(0.0, 1.0, 33)))) > 0.0).all()
    assert (np.diff(lightness(TIME_RAMP)) > 0.0).all()


def test_differences_are_even_about_zero():
    """Neutral and lightest at zero, equally dark on both sides, even steps, and the sides apart for every kind of sight."""
    colours = [f"#{r:02X}{g:02X}{b:02X}" for r, g, b in np.rint(255.0 * map_colours()).astype(int)]
    lab = np.array([seen(colour, None) for colour in colours])
    middle = len(colours) // 2
    assert np.hypot(*lab[middle, 1:]) < 1.5
    assert np.abs(lab[:, 0] - lab[::-1, 0]).max() < 1.5  # a print in grey shows the size alone
    assert (np.diff(lab[: middle + 1, 0]) > 0.0).all()
    steps = np.array([ciede2000(a, b) for a, b in pairwise(lab[::16])])
    assert steps.max() / steps.min() < 2.5
    for sight in SIGHT:
        for place in (0, middle // 2):
            low, high = seen(colours[place], sight), seen(colours[-1 - place], sight)
            assert ciede2000(low, high) > 20.0
    stock = [f"#{r:02X}{g:02X}{b:02X}" for r, g, b, _ in colormaps["RdYlGn"](np.array([0.1, 0.9]), bytes=True)]
    assert smallest(stock, "deuteranomaly") < 20.0  # the test can fail: red against green
