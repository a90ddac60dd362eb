"""The figure of the flight flown again: both flights, and the bands of an ensemble."""

import dataclasses

import pytest
from matplotlib.figure import Figure

from replay.figures.material import REFLOWN, gathered
from replay.figures.registry import figure_kind
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


def test_without_an_ensemble_there_are_no_bands(flown_again):
    """The same figure, and nothing said of members."""
    made = dataclasses.replace(flown_again.extras[REFLOWN], run=None)
    figure, said = drawn(dataclasses.replace(flown_again, extras={**flown_again.extras, REFLOWN: made}))
    assert not figure.axes[2].collections and not figure.axes[0].containers
    assert "members" not in said.caption
