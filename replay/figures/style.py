"""Sizes, type and lines of every figure: presets in millimetres, matplotlib settings, phase shading.

References
----------
.. [1] Journal guides as read in 2025: one column 89 mm, two columns 183 mm, text 5-7 pt (Nature); 88.9 and 182 mm, 8 pt (IEEE).
.. [2] M. Okabe, K. Ito, Color Universal Design (2002, revised 2008): colours of `scene.palette`.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from replay.errors import SettingsError
from replay.motion.solution import PHASES, Solution
from replay.scene import palette
from replay.scene.palette import PHASE_SHADES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

    AnyFigure = Figure | SubFigure

MM_PER_INCH: Final = 25.4


@dataclass(frozen=True)
class Preset:
    """Width and usual height of a figure, type size and line width; `dpi` is that of a PNG."""

    width_mm: float
    height_mm: float
    font_pt: float
    line_pt: float
    dpi: int


PRESETS: Final = MappingProxyType(
    {
        "one-column": Preset(89.0, 100.0, 7.0, 0.8, 600),
        "two-column": Preset(183.0, 130.0, 7.5, 0.9, 600),
        "slide": Preset(254.0, 143.0, 13.0, 1.6, 200),
        "video": Preset(338.7, 190.5, 17.0, 2.2, 144),  # 1920 × 1080 at 144 dpi
    }
)
"""Preset name -> Preset."""

DASHES: Final = MappingProxyType(
    {
        **{name: (0, tuple(0.75 * length for length in lengths)) for name, lengths in palette.DASHES.items()},
        "solid": "-",
        "dashed": (0, (5, 2)),
        "dotted": (0, (1.2, 1.6)),
        "dashdot": (0, (6, 2, 1.2, 2)),
    }
)
"""Dash name of the palette -> matplotlib line style."""

VARIANT_NAMES: Final = MappingProxyType(
    {
        "as_flown": "as flown",
        "what_if": "what-if",
        "onboard": "computer on board",
        "logged": "logged",
        "reflown": "re-flown",
        "truth": "truth",
    }
)

AMOUNTS: Final = "cividis"
"""Map for amounts: lightness only rises, made for colour-blind readers (Nunez, Anderton, Renslow, PLoS ONE 13(7), 2018)."""

_RC_LOCK = threading.Lock()


@dataclass(frozen=True)
class FigureSettings:
    """What the user may choose. Times are seconds from liftoff; None keeps the preset's or the figure's own.

    Parameters
    ----------
    preset : str
        A key of `PRESETS`.
    width_mm, height_mm : float or None
    dpi : int or None
        PNG only.
    start_s, stop_s : float or None
        Span shown.
    at_s : tuple of float
        Times of a film strip.
    panes : tuple of tuple of str
        Trace keys of a trace stack, a tuple for each pane.
    pane_shares : tuple of float
        Of the stack's height, for each pane; empty: all the same.
    pane_verticals : tuple of (float, float) or None
        Least and greatest value of each pane's axis; None, or empty: as the data has it.
    has_bands : bool
        Draw one standard deviation around a line where there is one.
    """

    preset: str = "two-column"
    width_mm: float | None = None
    height_mm: float | None = None
    dpi: int | None = None
    start_s: float | None = None
    stop_s: float | None = None
    at_s: tuple[float, ...] = ()
    panes: tuple[tuple[str, ...], ...] = ()
    pane_shares: tuple[float, ...] = ()
    pane_verticals: tuple[tuple[float, float] | None, ...] = ()
    has_bands: bool = True

    def __post_init__(self) -> None:
        if self.preset not in PRESETS:
            raise SettingsError("figure settings", "preset", f"one of {', '.join(PRESETS)}", self.preset)
        for name in ("width_mm", "height_mm"):
            value = getattr(self, name)
            if value is not None and not 30.0 <= value <= 1000.0:
                raise SettingsError("figure settings", name, "30 to 1000 mm", str(value))
        if self.start_s is not None and self.stop_s is not None and self.stop_s <= self.start_s:
            raise SettingsError("figure settings", "stop_s", f"a time after the start, {self.start_s:g} s", f"{self.stop_s:g} s")
        if self.dpi is not None and not 50 <= self.dpi <= 1200:
            raise SettingsError("figure settings", "dpi", "50 to 1200", str(self.dpi))

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        preset = PRESETS[self.preset]
        return self.width_mm or preset.width_mm, self.height_mm or preset.height_mm

    @property
    def png_dpi(self) -> int:
        """Dots per inch of a PNG."""
        return self.dpi or PRESETS[self.preset].dpi


def settings_from(saved: Mapping[str, Any]) -> FigureSettings:
    """Settings as a review holds them (plain JSON); what they do not say keeps its default, what is not known is left out."""
    names = {f.name for f in dataclasses.fields(FigureSettings)}
    return FigureSettings(**{name: _tuples(value) for name, value in saved.items() if name in names})


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list | tuple) else value


@contextmanager
def style(preset_name: str) -> Iterator[None]:
    """matplotlib settings of a preset. They are global in matplotlib: whoever else draws meanwhile, on another thread, waits here."""
    import matplotlib as mpl

    preset = PRESETS[preset_name]
    rc: dict[str, Any] = {
        "font.family": "DejaVu Sans",
        "font.size": preset.font_pt,
        "axes.titlesize": preset.font_pt,
        "axes.labelsize": preset.font_pt,
        "axes.titlelocation": "left",
        "axes.titlepad": 0.35 * preset.font_pt,
        "xtick.labelsize": 0.92 * preset.font_pt,
        "ytick.labelsize": 0.92 * preset.font_pt,
        "legend.fontsize": 0.92 * preset.font_pt,
        "legend.frameon": False,
        "legend.handlelength": 2.6,
        "legend.columnspacing": 1.2,
        "legend.borderaxespad": 0.2,
        "lines.linewidth": preset.line_pt,
        "lines.markersize": 0.55 * preset.font_pt,
        "axes.linewidth": 0.6 * preset.line_pt,
        "xtick.major.width": 0.6 * preset.line_pt,
        "ytick.major.width": 0.6 * preset.line_pt,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "axes.unicode_minus": True,
        "pdf.fonttype": 42,
        "ps.fonttype": 42,
        "svg.fonttype": "none",
        "image.interpolation": "nearest",
        "svg.hashsalt": "plumbline",
        "figure.constrained_layout.use": True,
        "path.simplify": True,
    }
    with _RC_LOCK, mpl.rc_context(rc):  # type: ignore[arg-type]
        yield


def shade_phases(axes: Axes, solution: Solution, start_s: float, stop_s: float, *, named: bool) -> None:
    """Pale background for each phase between two times from liftoff, with its name along the top where it fits."""
    events = solution.events
    zero = events.liftoff_log_s if events.liftoff_log_s == events.liftoff_log_s else 0.0
    starts = (events.liftoff_log_s, events.burnout_log_s, events.apogee_log_s, events.touchdown_log_s)
    bounds = [start_s, *(min(max(at - zero, start_s), stop_s) if at == at else stop_s for at in starts), stop_s]
    for name, low, high in zip(PHASES, bounds[:-1], bounds[1:], strict=True):
        if high <= low:
            continue
        axes.axvspan(low, high, color=PHASE_SHADES[name], linewidth=0, zorder=-10)
        if named and (high - low) / (stop_s - start_s) * width_em(axes.figure) > 0.62 * len(name) + 0.6:
            axes.text(0.5 * (low + high), 1.01, name, ha="center", va="bottom", transform=axes.get_xaxis_transform(), color="#444444")
    if named:
        axes.margins(y=0.08)


def width_em(figure: AnyFigure) -> float:
    """Width of a figure (or a part of one) that panes can take, in type sizes."""
    import matplotlib as mpl

    return float(0.8 * figure.bbox.width / figure.dpi * 72.0 / mpl.rcParams["font.size"])


def legend_columns(figure: AnyFigure, names: Sequence[str]) -> int:
    """How many entries stand side by side in a legend across the figure without running over its edge."""
    room = width_em(figure) / 0.8 - 1.0
    widest = max(0.58 * len(name) for name in names) + 2.6 + 0.8 + 1.2
    total = sum(0.58 * len(name) + 2.6 + 0.8 + 1.2 for name in names)
    return len(names) if total <= room else max(1, int(room / widest))


def size_pt(figure: AnyFigure) -> tuple[float, float]:
    """Width and height of a figure, or of a part of one, in points."""
    return float(figure.bbox.width / figure.dpi * 72.0), float(figure.bbox.height / figure.dpi * 72.0)
