"""Preparation: every compiled loop that an estimate, its drawing and a re-flight need, compiled once on a machine.

Compiling takes the better part of a minute the first time and is kept on disk from then on. What is compiled is what a small invented
flight makes use of when it is taken through every method; so a loop that is added later needs no entry here.
"""

from __future__ import annotations

import dataclasses
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from replay.errors import Cancelled
from replay.flightlog.columnmap import ColumnMap
from replay.flightlog.log import Channel, FlightLog
from replay.review.request import PREVIEW_METHOD, EstimateRequest, Estimating
from replay.review.review import Review
from replay.units import STANDARD_GRAVITY_MPS2

if TYPE_CHECKING:
    from replay.whatif.vehicle import Vehicle

PREPARING: Final = "preparing the compiled loops, once on this machine"
"""What a first start waits for, in plain words."""
METHODS: Final = (PREVIEW_METHOD, "smoother", "kalman", "complementary", "gradient")
"""In the order of use: the method that draws first, the default, the rest."""
_FOLDERS: Final = ("sensors", "motion", "review", "whatif")
_RATE_HZ: Final = 100.0
_PAD_S, _BURN_S, _COAST_S, _OPENING_S, _DESCENT_S, _REST_S = 6.0, 2.0, 4.0, 0.5, 20.0, 6.0
_PUSH_MPS2: Final = 20.0


def prepare(cancel: threading.Event | None = None) -> None:
    """Use every loop once. Where the cache on disk holds them all it takes a second or two; else up to a minute or two.

    Raises
    ------
    Cancelled
        Between two uses; who listens with `jit.watch` can end it between two loops.
    """
    flight, handled = invented_flight(), invented_flight(is_flown=False)
    estimating = Estimating()
    uses: list[tuple[FlightLog, str]] = [(flight, method) for method in METHODS] + [(handled, method) for method in METHODS[1:3]]
    for log, method in uses:
        _go_on(cancel)
        estimating(EstimateRequest(0, log, Review(method=method)), cancel)
    _go_on(cancel)
    _fly_again(flight, cancel or threading.Event())


def n_loops() -> int:
    """How many loops there are to prepare, counted in the source: loading them all takes seconds of which a first start has none left."""
    package = Path(__file__).parent.parent
    sources = [package / "_quaternion.py", *(file for folder in _FOLDERS for file in sorted((package / folder).glob("_kernels*.py")))]
    return sum(source.read_text(encoding="utf-8").count("\n@compiled\n") for source in sources)


def invented_flight(*, is_flown: bool = True) -> FlightLog:
    """A log of straight up and straight down with a barometer; or of lying still, for the methods that need no flight."""
    rng = np.random.default_rng(1)
    spans = (_PAD_S, _BURN_S, _COAST_S, _OPENING_S, _DESCENT_S, _REST_S)
    time = np.arange(0.0, sum(spans), 1.0 / _RATE_HZ)
    bounds = np.cumsum(spans)[:-1]
    accel_up = np.zeros(len(time))
    if is_flown:
        climb = _PUSH_MPS2 * _BURN_S
        at_apogee = climb - STANDARD_GRAVITY_MPS2 * _COAST_S
        sink = (0.5 * climb * _BURN_S + climb * _COAST_S - 0.5 * STANDARD_GRAVITY_MPS2 * _COAST_S**2) / _DESCENT_S
        pushes = (0.0, _PUSH_MPS2, -STANDARD_GRAVITY_MPS2, -(at_apogee + sink) / _OPENING_S, 0.0, 0.0)
        accel_up = np.array(pushes)[np.searchsorted(bounds, time, side="right")]
        accel_up[np.argmax(time >= bounds[-1])] += _RATE_HZ * sink
    height = np.cumsum(np.cumsum(accel_up)) / _RATE_HZ**2
    force = np.column_stack((np.zeros((len(time), 2)), accel_up + STANDARD_GRAVITY_MPS2)) + 0.02 * rng.standard_normal((len(time), 3))
    pressure = 101325.0 * np.exp(-height / 8430.0) + 5.0 * rng.standard_normal(len(time))
    channels = (
        Channel("accel_raw_imu_mps2", time, force, "m/s²"),
        Channel("rate_raw_imu_radps", time, 1e-3 * rng.standard_normal((len(time), 3)), "rad/s"),
        Channel("pressure_pa", time[::4].copy(), pressure[::4].copy(), "Pa"),
    )
    upright = ColumnMap(axes=("+x", "+y", "+z"))
    return FlightLog(("invented.csv",), "0" * 64, {channel.name: channel for channel in channels}, upright)


def _fly_again(flight: FlightLog, cancel: threading.Event) -> None:
    from replay.review.whatif_work import WhatIfRequest, solve_refly

    solve_refly(WhatIfRequest(flight, Review(method=PREVIEW_METHOD), _vehicle()), lambda *_: None, cancel)


def _vehicle() -> Vehicle:
    from replay.whatif.scenarios import NAMES, SCENARIOS

    vehicle = SCENARIOS[NAMES[0]].vehicle
    return dataclasses.replace(vehicle, imu_from_cg_m=(0.0, 0.0, 0.1))


def _go_on(cancel: threading.Event | None) -> None:
    if cancel is not None and cancel.is_set():
        raise Cancelled("preparation stopped")
