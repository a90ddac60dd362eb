"""What the bench dialog asks of a worker: read the recording, find the poses, solve, and hand back what is drawn of it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from replay.errors import Cancelled, ReplayError
from replay.flightlog.log import FlightLog
from replay.sensors.bench import BenchResult
from replay.sensors.bench_run import BenchOptions

if TYPE_CHECKING:
    from replay.sensors.allan import AllanResult
    from replay.sensors.temperature import SlopeFit
    from replay.sensors.turns import Turn

Array = NDArray[np.float64]
Progress = Callable[[float, str], None]

_N_BLOCKS = 3000
"""A drawn trace is the lowest and highest of so many stretches: more than a window has pixels across."""


@dataclass(frozen=True)
class BenchRequest:
    """A kind of `bench_kinds.KINDS`, the recording's files, and what the recording itself can't say.

    `is_merged` says that the files are one recording (accelerometer and gyro apart); `columns_path` names a column map.
    """

    kind: str
    paths: tuple[str, ...]
    options: BenchOptions = field(default_factory=BenchOptions)
    is_merged: bool = False
    columns_path: str | None = None


@dataclass(frozen=True, eq=False)
class Recording:
    """The recording as it is drawn.

    Parameters
    ----------
    time_s : ndarray, shape (m,)
    accel, rate : ndarray, shape (m, 3)
        Specific force and rate in the units as logged, named by `accel_unit` and `rate_unit`.
    rests : tuple of (float, float)
        Spans at rest, s.
    """

    time_s: Array
    accel: Array
    rate: Array
    accel_unit: str
    rate_unit: str
    rests: tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class SweepLine:
    """One channel of one run of a temperature sweep, and the line through its bins.

    Parameters
    ----------
    run, channel : int
    temperature_k, value : ndarray, shape (k,)
        Bin means, SI.
    fit : SlopeFit
    """

    run: int
    channel: int
    temperature_k: Array
    value: Array
    fit: SlopeFit


@dataclass(frozen=True, eq=False)
class BenchWork:
    """What came of a request. `problem` says why there is no result; what could be found until then is there to be looked at."""

    request: BenchRequest
    result: BenchResult | None
    problem: ReplayError | None
    recording: Recording | None = None
    turns: tuple[Turn, ...] = ()
    allan: dict[str, AllanResult] | None = None
    sweep: tuple[SweepLine, ...] = ()


class BenchWorker:
    """`worker(request, progress, cancel)` does the work; the recording is kept, so that another kind or option does not read it again.

    Not for two threads at once.
    """

    def __init__(self) -> None:
        self._key: object = None
        self._logs: list[FlightLog] = []

    def __call__(self, request: BenchRequest, progress: Progress, cancel: threading.Event) -> BenchWork:
        """Read, find, solve.

        Raises
        ------
        ReplayError
            A file can't be read. What the recording can't carry is a `BenchWork.problem`.
        Cancelled
        """
        logs = self._read(request, progress, cancel)

        def step(share: float, text: str) -> None:
            if cancel.is_set():
                raise Cancelled("bench work stopped")
            progress(share, text)

        found: dict[str, object] = {}
        try:
            result: BenchResult | None = _solve(request, logs, found, step)
            problem = None
        except Cancelled:
            raise
        except ReplayError as error:
            result, problem = None, error
        step(1.0, "done")
        return BenchWork(request, result, problem, **found)  # type: ignore[arg-type]

    def _read(self, request: BenchRequest, progress: Progress, cancel: threading.Event) -> list[FlightLog]:
        from replay.flightlog import load_column_map, read_log

        key = (request.paths, request.is_merged, request.columns_path)
        if key != self._key:
            self._key, self._logs = None, []
            column_map = load_column_map(request.columns_path) if request.columns_path else None
            groups = [list(request.paths)] if request.is_merged else [[path] for path in request.paths]

            def reading(i: int) -> Progress:
                return lambda share, text: progress(0.5 * (i + share) / len(groups), text)

            self._logs = [read_log(group, column_map, reading(i), cancel.is_set) for i, group in enumerate(groups)]
            self._key = key
        return self._logs


def _solve(request: BenchRequest, logs: list[FlightLog], found: dict[str, object], step: Progress) -> BenchResult:
    """The result; into `found` goes what is drawn, as soon as it is known."""
    from replay.sensors import bench_run

    kind, options = request.kind, request.options
    if kind == "allan" and len(logs) == 1:
        n = [0]

        def axis(name: str) -> None:
            step(0.5 + n[0] / 12.0, f"Allan deviation, {name}")
            n[0] += 1

        channels = bench_run.allan_channels(logs[0], axis)
        found["allan"] = channels
        return bench_run.noise_result(channels)
    if kind == "temperature":
        step(0.6, "slopes against temperature")
        result = bench_run.run_bench(kind, logs, options)
        found["sweep"] = _sweep_lines(logs, options.reference_k)
        return result
    step(0.55, "finding the poses")
    found["recording"] = _recording(logs[0], options.threshold)
    if kind == "turns":
        from replay.sensors.turns import find_turns

        found["turns"] = tuple(find_turns(*bench_run.inertial_arrays(logs[0]), options.threshold))
    step(0.7, "solving")
    return bench_run.run_bench(kind, logs, options)


def _recording(log: FlightLog, threshold: float) -> Recording:
    from replay.sensors.bench import find_rests
    from replay.sensors.bench_run import inertial_arrays

    time, accel, rate = inertial_arrays(log)
    spans = find_rests(time, accel, rate, threshold)
    drawn = extremes(time, np.hstack((accel, rate)), _N_BLOCKS)
    units = [log[name].unit for name in ("accel_raw_imu_mps2", "rate_raw_imu_radps")]
    rests = tuple((float(time[span.start]), float(time[span.stop - 1])) for span in spans)
    return Recording(drawn[0], drawn[1][:, :3], drawn[1][:, 3:], units[0], units[1], rests)


def extremes(time_s: Array, values: Array, n_blocks: int) -> tuple[Array, Array]:
    """A drawing of (n, c) values with at most two points a block: the lowest and the highest, both at times within the block."""
    n = len(time_s)
    if n <= 2 * n_blocks:
        return time_s, values
    start = np.linspace(0, n, n_blocks, endpoint=False).astype(np.intp)
    low, high = np.minimum.reduceat(values, start, axis=0), np.maximum.reduceat(values, start, axis=0)
    middle = np.minimum((start + np.append(start[1:], n)) // 2, n - 1)
    both = np.stack((low, high), axis=1).reshape(-1, values.shape[1])
    return np.stack((time_s[start], time_s[middle]), axis=1).ravel(), both


def _sweep_lines(logs: list[FlightLog], reference_k: float) -> tuple[SweepLine, ...]:
    from replay.sensors.bench_run import sweep_run
    from replay.sensors.temperature import binned, fit_slope

    lines = []
    for i, log in enumerate(logs):
        run = sweep_run(log)
        for channel, values in enumerate(np.hstack((run.accel_raw_mps2, run.rate_raw_radps)).T):
            fit = fit_slope(run.temperature_k, values, reference_k)
            lines.append(SweepLine(i, channel, *binned(run.temperature_k, values), fit))
    return tuple(lines)
