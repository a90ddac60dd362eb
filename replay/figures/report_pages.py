"""Pages of A4 filled from the top: wrapped text, tables and figures, by matplotlib alone, so that no browser is needed to print.

All lengths in mm from the page's upper left corner.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from replay.figures.style import MM_PER_INCH
from replay.figures.svg_font import FAMILY

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

PAGE_MM: Final = (210.0, 297.0)
LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM = 15.0, 195.0, 18.0, 279.0
WIDTH_MM: Final = RIGHT_MM - LEFT_MM
_MM_PER_PT: Final = MM_PER_INCH / 72.0
_WHOLE_MM: Final = 60.0
_LINE: Final = 1.42
"""Line height in type sizes."""


@lru_cache(maxsize=4)
def _advances(weight: str) -> tuple[dict[int, float], float]:
    """Advance of each letter in type sizes, and that of one the font does not have."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]
    from matplotlib.font_manager import FontProperties, findfont

    with TTFont(findfont(FontProperties(family=FAMILY, weight=weight)), lazy=True) as font:
        per_em = font["head"].unitsPerEm
        widths = font["hmtx"].metrics
        found = {code: widths[name][0] / per_em for code, name in font.getBestCmap().items()}
        return found, widths[".notdef"][0] / per_em


def width_mm(text: str, size_pt: float, weight: str = "normal") -> float:
    """Width of one line of text."""
    advances, otherwise = _advances(weight)
    return sum(advances.get(ord(letter), otherwise) for letter in text) * size_pt * _MM_PER_PT


def wrapped(text: str, room_mm: float, size_pt: float, weight: str = "normal", first_mm: float = 0.0) -> list[str]:
    """Lines of at most `room_mm`, the first shorter by `first_mm`; a word longer than a line is cut."""
    lines: list[str] = []
    line = ""
    room = room_mm - first_mm
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if width_mm(longer, size_pt, weight) <= room:
            line = longer
            continue
        if line or (first_mm and not lines):
            lines.append(line)
            room, line = room_mm, ""
        while width_mm(word, size_pt, weight) > room:
            n = max(1, next(i for i in range(len(word), 0, -1) if i == 1 or width_mm(word[:i], size_pt, weight) <= room))
            lines.append(word[:n])
            word = word[n:]
        line = word
    return [*lines, line] if line or not lines else lines


class Pages:
    """Fills pages and hands each to `finish` when it is full. Draw inside `style`."""

    def __init__(self, finish: Callable[[Figure], None], foot: str) -> None:
        self._finish, self._foot = finish, foot
        self._page: Figure | None = None
        self._pictures: list[tuple[float, float, Callable[[SubFigure], Any]]] = []
        self.n_pages = 0
        self.y_mm = TOP_MM

    def need(self, height_mm: float) -> None:
        """Begin a new page where what comes next would not fit on this one."""
        if self._page is None or self.y_mm + height_mm > BOTTOM_MM:
            self.break_page()

    def break_page(self) -> None:
        """Finish this page and begin another."""
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        from replay.figures.steady_layout import SteadyLayout

        self.close()
        self._page = Figure(figsize=(PAGE_MM[0] / MM_PER_INCH, PAGE_MM[1] / MM_PER_INCH), layout=SteadyLayout())
        FigureCanvasAgg(self._page)
        self.n_pages += 1
        self.y_mm = TOP_MM
        self._put(LEFT_MM, 288.0, self._foot, 6.5, colour="#566169")
        self._put(RIGHT_MM, 288.0, str(self.n_pages), 6.5, colour="#566169", across="right")

    def close(self) -> None:
        """Finish the page at hand."""
        if self._page is None:
            return
        self._draw_pictures(self._page)
        self._finish(self._page)
        self._page, self._pictures = None, []

    def _put(
        self, x: float, y: float, text: str, size: float, weight: str = "normal", colour: str = "#1F2529", across: str = "left"
    ) -> None:
        assert self._page is not None
        self._page.text(
            x / PAGE_MM[0], 1.0 - y / PAGE_MM[1], text, fontsize=size, fontweight=weight, color=colour, ha=across, va="baseline",
            parse_math=False,
        )  # fmt: skip

    def text(
        self, text: str, size: float = 8.5, *, lead: str = "", weight: str = "normal", colour: str = "#1F2529", indent_mm: float = 0.0,
        mark: str = "", rule: str = "", gap_mm: float = 1.2,
    ) -> None:  # fmt: skip
        """Wrapped text; `lead` in bold before it, `mark` hung before its first line, `rule` the colour of a bar at its left.

        What has a bar stays on one page, unless it takes a good part of one.
        """
        indent = indent_mm + (2.5 if rule else 0.0)
        step = _LINE * size * _MM_PER_PT
        ahead = width_mm(lead + " ", size, "bold") if lead else 0.0
        room = WIDTH_MM - indent
        if ahead > 0.7 * room:  # a long lead has lines of its own
            rows = [(line, "bold", 0.0) for line in wrapped(lead, room, size, "bold")]
            rows += [(line, weight, 0.0) for line in wrapped(text, room, size, weight)]
        else:
            rows = [(line, weight, ahead if i == 0 else 0.0) for i, line in enumerate(wrapped(text, room, size, weight, ahead))]
        is_kept_whole = bool(rule) and len(rows) * step < _WHOLE_MM
        self.need((len(rows) if is_kept_whole else min(len(rows), 2)) * step)
        for i, (line, row_weight, ahead_mm) in enumerate(rows):
            self.need(step)
            base = self.y_mm + 0.78 * step
            if i == 0 and mark:
                self._put(LEFT_MM + indent - 4.0, base, mark, size)
            if i == 0 and ahead_mm:
                self._put(LEFT_MM + indent, base, lead, size, "bold", colour)
            if rule:
                self._bar(LEFT_MM + indent_mm, self.y_mm, step, rule)
            self._put(LEFT_MM + indent + ahead_mm, base, line, size, row_weight, colour)
            self.y_mm += step
        self.y_mm += gap_mm

    def _bar(self, x: float, y: float, height: float, colour: str) -> None:
        from matplotlib.patches import Rectangle

        assert self._page is not None
        corner = (x / PAGE_MM[0], 1.0 - (y + height) / PAGE_MM[1])
        self._page.add_artist(
            Rectangle(corner, 0.9 / PAGE_MM[0], height / PAGE_MM[1], color=colour, linewidth=0, transform=self._page.transFigure)
        )

    def line(self, y: float, colour: str = "#C9D0D6") -> None:
        """A hair line across the page."""
        from matplotlib.lines import Line2D

        assert self._page is not None
        at = 1.0 - y / PAGE_MM[1]
        ends = [LEFT_MM / PAGE_MM[0], RIGHT_MM / PAGE_MM[0]]
        self._page.add_artist(Line2D(ends, [at, at], color=colour, linewidth=0.5, transform=self._page.transFigure))

    def table(self, header: Sequence[str], rows: Iterable[Sequence[str]], size: float = 7.6) -> None:
        """A table with its header again on every page; cells are wrapped."""
        body = [tuple(row) for row in rows]
        widths = column_widths([tuple(header), *body], size)
        step = _LINE * size * _MM_PER_PT
        self.need(4 * step)
        self._row(header, widths, size, "bold")
        for row in body:
            height = max(len(wrapped(text, room - 2.0, size)) for text, room in zip(row, widths, strict=True)) * step + 0.8
            if self.y_mm + height > BOTTOM_MM:
                self.break_page()
                self._row(header, widths, size, "bold")
            self._row(row, widths, size)
        self.y_mm += 2.5

    def _row(self, cells: Sequence[str], widths: Sequence[float], size: float, weight: str = "normal") -> None:
        step = _LINE * size * _MM_PER_PT
        x, tallest = LEFT_MM, 1
        for text, room in zip(cells, widths, strict=True):
            lines = wrapped(text, room - 2.0, size, weight)
            for i, line in enumerate(lines):
                self._put(x, self.y_mm + (i + 0.78) * step, line, size, weight)
            x, tallest = x + room, max(tallest, len(lines))
        self.y_mm += tallest * step + 0.8
        self.line(self.y_mm - 0.3, "#E3E8EC")

    def picture(self, height_mm: float, draw: Callable[[SubFigure], Any]) -> None:
        """Leave room for a figure across the page; it is drawn when the page is finished."""
        self.need(height_mm)
        self._pictures.append((self.y_mm, height_mm, draw))
        self.y_mm += height_mm

    def _draw_pictures(self, page: Figure) -> None:
        """Each picture in a part of the page of its own, so that one's layout knows nothing of the other's."""
        if not self._pictures:
            return
        heights, places, y = [], [], 0.0
        for top, height, _ in self._pictures:
            heights += [max(top - y, 1e-3), height]
            places.append(len(heights) - 1)
            y = top + height
        heights.append(max(PAGE_MM[1] - y, 1e-3))
        grid = page.add_gridspec(
            len(heights), 3, height_ratios=heights, width_ratios=[LEFT_MM, WIDTH_MM, PAGE_MM[0] - RIGHT_MM], hspace=0.0, wspace=0.0
        )  # fmt: skip
        for place, (_, _, draw) in zip(places, self._pictures, strict=True):
            draw(page.add_subfigure(grid[place, 1]))


def column_widths(rows: Sequence[Sequence[str]], size_pt: float) -> list[float]:
    """Room for each column: what its longest cell needs; where all together need too much, the widest give way."""
    natural = [max(width_mm(row[i], size_pt, "bold") for row in rows) + 2.5 for i in range(len(rows[0]))]
    if sum(natural) <= WIDTH_MM:
        return [*natural[:-1], WIDTH_MM - sum(natural[:-1])]
    low, high = 0.0, WIDTH_MM
    for _ in range(40):  # the greatest width no column may pass, by halving
        cap = 0.5 * (low + high)
        low, high = (cap, high) if sum(min(w, cap) for w in natural) <= WIDTH_MM else (low, cap)
    return [min(w, low) for w in natural]
