"""The map for differences: from blue over near-white at zero to orange-red, even in lightness on both sides of zero.

Made in CIELAB: along each side lightness falls and chroma rises in a straight line at one hue, so that equal differences look about
equally far apart and a print in grey shows the size; which side it is, such a print tells by the hatching of what is below zero.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Colormap

    from replay.figures.style import AnyFigure

Array = NDArray[np.float64]

HATCH: Final = "/////"
"""Over what is below zero."""
_LIGHT, _DARK = 96.0, 38.0
_BLUE, _RED = (np.deg2rad(268.0), 46.0), (np.deg2rad(48.0), 60.0)
_STEPS: Final = 128
_WHITE_D65 = np.array([0.95047, 1.0, 1.08883])
_RGB_FROM_XYZ = np.array([[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560], [0.0556434, -0.2040259, 1.0572252]])


def map_colours() -> Array:
    """sRGB from 0 to 1 of the whole map, shape (2·128 + 1, 3), the middle row at zero.

    References
    ----------
    .. [1] CIE 15:2004 (CIELAB), IEC 61966-2-1 (sRGB, D65); the matrix to seven digits as commonly printed, from memory.
    """
    place = np.linspace(-1.0, 1.0, 2 * _STEPS + 1)
    size = np.abs(place)
    hue = np.where(place < 0.0, _BLUE[0], _RED[0])
    chroma = size * np.where(place < 0.0, _BLUE[1], _RED[1])
    lightness = _LIGHT + (_DARK - _LIGHT) * size
    y = (lightness + 16.0) / 116.0
    f = np.column_stack((y + chroma * np.cos(hue) / 500.0, y, y - chroma * np.sin(hue) / 200.0))
    edge = 6.0 / 29.0
    xyz = _WHITE_D65 * np.where(f > edge, f**3, 3.0 * edge**2 * (f - 4.0 / 29.0))
    linear = np.clip(xyz @ _RGB_FROM_XYZ.T, 0.0, 1.0)
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055))


@cache
def difference_map() -> Colormap:
    """The map for matplotlib."""
    from matplotlib.colors import ListedColormap

    return ListedColormap([tuple(row) for row in map_colours()], name="difference")


def name_differences(figure: AnyFigure, picture: ScalarMappable, axes: Axes, unit: str) -> None:
    """A colour bar with its unit, its part below zero hatched as in the picture."""
    bar = figure.colorbar(picture, ax=axes, pad=0.02, fraction=0.06)
    bar.set_label(unit)
    bar.ax.locator_params(axis="y", nbins=4)
    low = bar.ax.get_ylim()[0]
    bar.ax.fill_between([0.0, 1.0], low, 0.0, transform=bar.ax.get_yaxis_transform(), **hatching())


def hatching() -> dict[str, Any]:
    """How an area below zero is marked."""
    return {"facecolor": "none", "edgecolor": "#00000066", "hatch": HATCH, "linewidth": 0.0}
