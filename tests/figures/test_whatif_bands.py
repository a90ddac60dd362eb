"""The figure of the flight flown again: both flights, and the bands of an ensemble."""

import dataclasses

import numpy as np
import pytest
from matplotlib.figure import Figure

from replay.figures.material import REFLOWN, gathered
from replay.figures.registry import figure_kind
from replay.figures.report import Table
from replay.figures.report_content import _flown_again
from replay.figures.style import FigureSettings
from replay.review import edits
from replay.review.request import EstimateRequest, Estimating
from replay.review.review import ReflySettings, Review
from replay.whatif import sample


@pytest.fixture(scope="module")
def flown_again():
    """A short crooked-bench flight, corrected, flown again with eight members."""
    flight = sample.make("crooked_bench", pad_s=6.0, canopy_scale=0.2, rest_s=2.0)
    review = Review(column_map=flight.log.column_map, method="integrate", refly=ReflySettings(n_members=8, seed=2))
    review = edits.with_whatif(review, flight.truth.calibration)
    snapshot = Estimating()(EstimateRequest(0, flight.log, review, flight.vehicle))
    return gathered(snapshot, (REFLOWN,), review)


def drawn(snapshot):
    figure = Figure(figsize=(6.0, 4.0), layout="constrained")
    return figure, figure_kind("refly").draw(figure, snapshot, FigureSettings())


def test_both_flights_and_what_the_members_lie_between(flown_again):
    """Two lines in each pane of paths and tilt, a band for each, a cross at each apogee; the caption says what they are of."""
    figure, said = drawn(flown_again)
    plan, elevation, tilt = figure.axes[:3]
    assert {line.get_linestyle() for line in tilt.lines} != {"-"}
    assert len(tilt.collections) == 2 and len(elevation.containers) == 2 and len(plan.containers) == 2
    assert "8 members (seed 2)" in said.caption
    assert "the model says" in said.caption and "range safety officer" in said.caption


def test_the_report_says_how_well_places_are_known(flown_again):
    """A table of what nine of ten lie between; integration has no deviation for touchdown, and that is said."""
    blocks = list(_flown_again(flown_again))
    rows = {row[0]: row[1:] for row in next(block for block in blocks if isinstance(block, Table)).rows}
    assert " to " in rows["apogee east, m"][1] and rows["touchdown east, m"] == ("–", "–")
    assert "integrate does not say" in blocks[-1].text
    made = flown_again.extras[REFLOWN]
    flown = dataclasses.replace(made.flown, pos_sd_enu_m=np.full((len(made.flown.log_time_s), 3), 2.0))
    known = dataclasses.replace(flown_again, extras={**flown_again.extras, REFLOWN: dataclasses.replace(made, flown=flown)})
    (cross, _) = drawn(known)[0].axes[1].containers
    (upright,) = cross.lines[2][1].get_segments()
    assert np.ptp(upright[:, 1]) == pytest.approx(2.0 * 2.0 * 1.645, rel=0.05)  # no member carries how well the height itself is known


def test_without_an_ensemble_there_are_no_bands(flown_again):
    """The same figure, and nothing said of members."""
    made = dataclasses.replace(flown_again.extras[REFLOWN], run=None)
    figure, said = drawn(dataclasses.replace(flown_again, extras={**flown_again.extras, REFLOWN: made}))
    assert not figure.axes[2].collections and not figure.axes[0].containers
    assert "members" not in said.caption
