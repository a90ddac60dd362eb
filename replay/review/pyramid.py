"""Long traces drawn exactly and fast: extremes of blocks of samples, looked up once for each pixel column.

A trace of millions of samples is drawn with two points a pixel column that carry its exact smallest and largest value there, so
no spike is ever lost. Gaps are kept as gaps. Nothing here knows about a window.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

FACTOR = 16
"""Samples in a block of the first level, blocks of one level in a block of the next."""
NO_GAPS = np.empty(0, dtype=np.int64)
NO_GAPS.flags.writeable = False


@dataclass(frozen=True, eq=False)
class Pyramid:
    """One trace with its block extremes. Build with `build`.

    Parameters
    ----------
    log_time_s, values : ndarray, shape (n,)
        Times strictly increasing; values may be NaN or infinite anywhere (drawn as missing).
    lowest, highest : ndarray, shape (m,)
        Extremes of all levels, end to end: blocks of 16, of 256, ... samples.
    level_start : ndarray of int, shape (levels + 1,)
        Where each level begins in `lowest` and `highest`.
    i_gap : ndarray of int, shape (g,)
        Sample i and i + 1 are not joined.
    step_s : float
        Usual time between samples; NaN with fewer than two.
    """

    log_time_s: Array
    values: Array
    lowest: Array
    highest: Array
    level_start: Index
    i_gap: Index
    step_s: float

    def indices(self, start_s: float, stop_s: float) -> tuple[int, int]:
        """Half-open sample range inside [start_s, stop_s]."""
        first = int(self.log_time_s.searchsorted(start_s, side="left"))
        return first, max(first, int(self.log_time_s.searchsorted(stop_s, side="right")))

    def extremes(self, start_s: float, stop_s: float) -> tuple[float, float]:
        """Smallest and largest finite value inside [start_s, stop_s]; (inf, -inf) where there is none."""
        from replay.review import _kernels as kernels

        first, last = self.indices(start_s, stop_s)
        low, high = kernels.extremes(self.values, self.lowest, self.highest, self.level_start, first, last)
        return float(low), float(high)

    def visible(self, start_s: float, stop_s: float, n_pixels: int) -> tuple[Array, Array]:
        """Points that draw the trace over [start_s, stop_s] on `n_pixels` columns.

        Includes one sample beyond each end, so that lines run to the edge. A NaN point parts what is not joined. A gap shorter
        than a pixel column cannot be seen and does not part anything unless single samples are drawn.

        Returns
        -------
        log_time_s, values : ndarray, shape (p,), p <= 3 points a pixel or so
        """
        edges, width = self._layout(start_s, stop_s, n_pixels)
        if width == 1 or not len(edges):
            return _with_breaks(self.log_time_s, self.values, edges)
        from replay.review import _kernels as kernels

        size = 2 * ((edges[-1] - edges[0]) // width + 2) + 5 * (len(edges) // 2)
        time_s, values = np.empty(size), np.empty(size)
        n = kernels.rebin(
            self.log_time_s, self.values, self.lowest, self.highest, self.level_start, edges, width, time_s, values
        )  # fmt: skip
        return time_s[:n], values[:n]

    def _layout(self, start_s: float, stop_s: float, n_pixels: int) -> tuple[Index, int]:
        """Segment bounds of what is in view with a sample more at either end, made whole bins, and samples a bin."""
        first, last = self.indices(start_s, stop_s)
        first, last = max(first - 1, 0), min(last + 1, len(self.values))
        pixel_s = (stop_s - start_s) / max(n_pixels, 1)
        width = bin_width(pixel_s / self.step_s if self.step_s > 0.0 else 1.0, (last - first) / max(n_pixels, 1))
        first, last = first // width * width, min(-(-last // width) * width, len(self.values))
        return self._edges(first, last, 0.0 if width == 1 else pixel_s), width

    def _edges(self, first: int, last: int, shortest_s: float) -> Index:
        """Segment bounds [start, stop, ...] of samples first to last - 1, parted at gaps of at least `shortest_s`."""
        if last <= first:
            return np.empty(0, dtype=np.int64)
        if not len(self.i_gap):
            return np.array([first, last], dtype=np.int64)
        i_gap = self.i_gap[self.i_gap.searchsorted(first) : self.i_gap.searchsorted(last - 1)]
        i_gap = i_gap[self.log_time_s[i_gap + 1] - self.log_time_s[i_gap] >= shortest_s]
        return np.concatenate(([first], np.repeat(i_gap + 1, 2), [last])).astype(np.int64)


def visible_band(low: Pyramid, high: Pyramid, start_s: float, stop_s: float, n_pixels: int) -> tuple[Array, Array, Array]:
    """Outline of a band between two traces on one clock with the same gaps: times, lower and upper edge, shapes (p,).

    In a bin of several samples the lower edge is the lowest of `low`, the upper one the highest of `high`.
    """
    _, width = low._layout(start_s, stop_s, n_pixels)
    time_s, bottom = low.visible(start_s, stop_s, n_pixels)
    _, top = high.visible(start_s, stop_s, n_pixels)
    missing = np.isnan(bottom) | np.isnan(top)
    bottom, top = np.where(missing, np.nan, bottom), np.where(missing, np.nan, top)
    if width > 1:
        present = np.flatnonzero(~missing)
        first, second = present[::2], present[1::2]
        bottom[first] = bottom[second] = np.minimum(bottom[first], bottom[second])
        top[first] = top[second] = np.maximum(top[first], top[second])
    return time_s, bottom, top


def bin_width(samples_a_pixel: float, mean_samples_a_pixel: float = 0.0) -> int:
    """Whole samples in one bin: at least one pixel column, in steps of an eighth of an octave or finer so that panning keeps it.

    `mean_samples_a_pixel` is what is really in view; where a burst packs it over four times the usual, the bins widen.
    """
    wanted = max(samples_a_pixel, 0.25 * mean_samples_a_pixel)
    if wanted <= 1.0:
        return 1
    grain = 2.0 ** max(np.floor(np.log2(wanted)) - 3.0, 0.0)
    return int(np.ceil(wanted / grain) * grain)


def _with_breaks(time_s: Array, values: Array, edges: Index) -> tuple[Array, Array]:
    """Every sample of the segments, with a NaN point between segments."""
    if len(edges) == 0:
        return np.empty(0), np.empty(0)
    cuts = edges[2::2] - edges[0]
    first, last = edges[0], edges[-1]
    return np.insert(time_s[first:last], cuts, time_s[edges[2::2]]), np.insert(values[first:last], cuts, np.nan)


def build(log_time_s: Array, values: Array, i_gap: Index = NO_GAPS) -> Pyramid:
    """Pyramid of one trace, `log_time_s` (n,) and `values` (n,); `i_gap` as in `Channel`. Compiled, about 1 ms a million samples."""
    from replay.review import _kernels as kernels

    return _build(log_time_s, values, i_gap, kernels.block_extremes)


def build_slowly(log_time_s: Array, values: Array, i_gap: Index = NO_GAPS) -> Pyramid:
    """The same, arguments as `build`, by plain NumPy: the twin that a test compares with it."""
    return _build(log_time_s, values, i_gap, _block_extremes_slowly)


def _build(log_time_s, values, i_gap, block_extremes) -> Pyramid:  # type: ignore[no-untyped-def]
    time_s, values, i_gap = frozen(log_time_s, np.float64), frozen(values, np.float64), frozen(i_gap, np.int64)
    sizes = []
    size = len(values)
    while size > FACTOR:
        size = -(-size // FACTOR)
        sizes.append(size)
    level_start = np.concatenate(([0], np.cumsum(sizes, dtype=np.int64))).astype(np.int64)
    lowest, highest = np.empty(level_start[-1]), np.empty(level_start[-1])
    below = (values, values)
    for start, stop in itertools.pairwise(level_start):
        block_extremes(below[0], below[1], lowest[start:stop], highest[start:stop])
        below = (lowest[start:stop], highest[start:stop])
    return Pyramid(time_s, values, lowest, highest, level_start, i_gap, _usual_step(time_s))


def frozen(array: NDArray[Any], kind: Any) -> Any:
    """A read-only view: the loops compile once, whether or not the log's own arrays can be written to."""
    view = np.ascontiguousarray(array, dtype=kind).view()
    view.flags.writeable = False
    return view


def warm_up() -> None:
    """Compile or load every loop, on the worker: a first pan must not wait for it."""
    time_s = np.linspace(0.0, 1.0, 600)
    pyramid = build(time_s, time_s)
    pyramid.visible(0.0, 1.0, 20)
    pyramid.extremes(0.0, 1.0)
    span_statistics(pyramid, 0.1, 0.9)


def _usual_step(time_s: Array) -> float:
    """Median step, from at most 4096 of them: the median of all would cost more than the pyramid."""
    if len(time_s) < 2:
        return float("nan")
    i = np.arange(0, len(time_s) - 1, max(1, len(time_s) // 4096))
    return float(np.median(time_s[i + 1] - time_s[i]))


def _block_extremes_slowly(lowest_below: Array, highest_below: Array, lowest: Array, highest: Array) -> None:
    padding = (0, len(lowest) * FACTOR - len(lowest_below))
    low = np.pad(np.where(np.abs(lowest_below) == np.inf, np.nan, lowest_below), padding, constant_values=np.nan)
    high = np.pad(np.where(np.abs(highest_below) == np.inf, np.nan, highest_below), padding, constant_values=np.nan)
    lowest[:] = np.where(np.isnan(low), np.inf, low).reshape(-1, FACTOR).min(axis=1)
    highest[:] = np.where(np.isnan(high), -np.inf, high).reshape(-1, FACTOR).max(axis=1)


def rebin_slowly(pyramid: Pyramid, edges: Index, width: int) -> tuple[Array, Array]:
    """Twin of the compiled re-binning, time and value, shape (p,) each.

    Two points a bin straight from the samples, NaN points between segments.
    """
    time_s, values = [], []
    for segment, (start, stop) in enumerate(edges.reshape(-1, 2)):
        if segment > 0:
            time_s.append(pyramid.log_time_s[start])
            values.append(np.nan)
        bounds = np.unique(np.concatenate(([start], np.arange(-(-start // width) * width, stop, width), [stop])))
        for a, b in itertools.pairwise(bounds):
            inside = pyramid.values[a:b]
            finite = inside[np.isfinite(inside)]
            pair = (finite.min(), finite.max()) if len(finite) else (np.nan, np.nan)
            time_s += [pyramid.log_time_s[a], pyramid.log_time_s[b - 1]]
            values += pair[::-1] if inside[0] > inside[-1] else pair
    return np.array(time_s), np.array(values)


@dataclass(frozen=True)
class SpanStatistics:
    """What one trace does between two times, of the line as drawn. NaN where the record has nothing there.

    `mean` is over the time covered (integral / covered), `slope_per_s` the least-squares line through the samples, `lowest` and
    `highest` of the samples, `integral` by trapezoids with the ends interpolated, nothing added across gaps.
    """

    n_samples: int
    covered_s: float
    mean: float
    slope_per_s: float
    lowest: float
    highest: float
    integral: float


def span_statistics(pyramid: Pyramid, start_s: float, stop_s: float) -> SpanStatistics:
    """Mean, slope, extremes and integral of a trace over [start_s, stop_s]."""
    from replay.review import _kernels as kernels

    start_s, stop_s = min(start_s, stop_s), max(start_s, stop_s)
    first, last = pyramid.indices(start_s, stop_s)
    sums = kernels.span_sums(pyramid.log_time_s, pyramid.values, pyramid.i_gap, first, last)
    count, sum_t, sum_v, sum_tt, sum_tv, integral, covered, low, high = (float(x) for x in sums)
    ends = [(t, value_at(pyramid, t)) for t in (start_s, stop_s)]
    if first == last:
        pieces = [(ends[0], ends[1])]
    else:
        inner = [(float(pyramid.log_time_s[i]), float(pyramid.values[i])) for i in (first, last - 1)]
        pieces = [(ends[0], inner[0]), (inner[1], ends[1])]
    for (t_a, v_a), (t_b, v_b) in pieces:
        if np.isfinite(v_a + v_b) and t_b > t_a:
            integral += 0.5 * (v_a + v_b) * (t_b - t_a)
            covered += t_b - t_a
    if count >= 2.0:
        slope = (sum_tv - sum_t * sum_v / count) / (sum_tt - sum_t * sum_t / count)
    else:
        slope = (ends[1][1] - ends[0][1]) / (stop_s - start_s) if stop_s > start_s else float("nan")
    if count == 0.0:
        low, high = min(ends[0][1], ends[1][1]), max(ends[0][1], ends[1][1])
    nan = float("nan")
    if covered > 0.0:
        return SpanStatistics(int(count), covered, integral / covered, slope, low, high, integral)
    if count > 0.0:
        return SpanStatistics(int(count), 0.0, low if count == 1.0 else nan, slope, low, high, nan)
    return SpanStatistics(0, 0.0, nan, nan, nan, nan, nan)


def value_at(pyramid: Pyramid, at_s: float) -> float:
    """Value of the drawn line at one time; NaN outside the record and inside a gap."""
    i = int(np.searchsorted(pyramid.log_time_s, at_s, side="right")) - 1
    if i < 0 or i >= len(pyramid.values):
        return float("nan")
    t_a, v_a = pyramid.log_time_s[i], pyramid.values[i]
    if t_a == at_s:
        return float(v_a)
    if i + 1 >= len(pyramid.values) or i in pyramid.i_gap[np.searchsorted(pyramid.i_gap, i) :][:1]:
        return float("nan")
    return float(v_a + (pyramid.values[i + 1] - v_a) * (at_s - t_a) / (pyramid.log_time_s[i + 1] - t_a))
