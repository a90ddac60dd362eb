"""matplotlib's constrained layout with places rounded, so that two runs give the same bytes.

The solver behind it goes through its unknowns in the order they have in memory: the last digits of a place differ from run to run,
and an SVG's clip ids are made from all of them.
"""

from __future__ import annotations

from typing import Any

from matplotlib.layout_engine import ConstrainedLayoutEngine  # noqa: TID253  (this module is itself imported inside functions)

_DIGITS = 9
"""Of a share of the figure: less than a millionth of a millimetre on paper, a million times the solver's noise."""


class SteadyLayout(ConstrainedLayoutEngine):
    """As `layout="constrained"`."""

    def execute(self, fig: Any) -> Any:
        """Lay out, then round every place, so that the same figure has the same bytes."""
        grids = super().execute(fig)
        for axes in fig.axes:
            is_in_layout = axes.get_in_layout()
            place = axes.get_position(original=True).bounds
            axes.set_position([round(float(share), _DIGITS) for share in place], which="original")
            axes.set_in_layout(is_in_layout)  # which `set_position` ends
        return grids
