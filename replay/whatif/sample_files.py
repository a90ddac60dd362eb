"""Sample flights as files: the log as text, with its logger's troubles, and truth, vehicle, evidence, calibration and note beside it."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from replay.flightlog.log import FlightLog
from replay.units import DEG

if TYPE_CHECKING:
    from replay.whatif.sample import LogColumn, SampleFlight
    from replay.whatif.scenarios import Scenario

Array = NDArray[np.float64]


def log_text(scenario: Scenario, log_time_s: Array, shown: dict[str, Any], columns: tuple[LogColumn, ...]) -> tuple[str, NDArray[np.int64]]:
    """The log's text, and the rows of the record that are in it, shape (k,).

    `shown` has each channel's values in SI, (n, …), on `log_time_s` (n,).
    """
    trouble = scenario.trouble
    n = len(log_time_s)
    kept = np.ones(n, dtype=bool)
    clock = "time_s"
    stamps = _short(log_time_s, 6)
    if trouble is not None:
        for start, length in trouble.gaps_s:
            kept &= ~((log_time_s >= start) & (log_time_s < start + length))
        if trouble.tick_s > 0.0:
            clock = "time_ms"
            counter = trouble.counter_start + np.floor(log_time_s / trouble.tick_s + 1e-6) * trouble.tick_s * 1e3
            if trouble.counter_bits:
                counter = np.mod(counter, 2.0**trouble.counter_bits)
            stamps = [f"{t:.0f}" for t in counter]
    cells = [stamps]
    for column in columns:
        component = "xyzw".index(column.component) if column.component else 0
        if column.channel == "q_enu_from_body_onboard":
            component = "wxyz".index(column.component)
        text = [""] * n
        text[:: column.every] = _short((shown[column.channel][:: column.every, component] - column.offset) / column.factor, column.digits)
        cells.append(text)
    cells.append(list(shown["state"]))
    header = ",".join([clock, *(column.header for column in columns), "state"])
    lines = [",".join(row) for row in zip(*cells, strict=True)]
    rows = np.flatnonzero(kept)
    body = [lines[i] for i in rows]
    if trouble is not None and trouble.header_again_s is not None:
        body.insert(int(np.searchsorted(log_time_s[rows], trouble.header_again_s)), header)
    text_out = "\n".join([header, *body]) + "\n"
    if trouble is not None and trouble.is_tail_torn:
        text_out = text_out[: -len(body[-1]) // 2]
        rows = rows[:-1]
    return text_out, rows


def _short(values: Array, digits: int) -> list[str]:
    """Fixed digits without trailing zeros and without a negative zero."""
    texts = [f"{value:.{digits}f}".rstrip("0").rstrip(".") for value in np.round(values, digits).tolist()]
    return ["0" if text in ("-0", "") else text for text in texts]


def log_from_text(text: str, name: str) -> FlightLog:
    """Read a log from its text, the way a file of that name would be."""
    from replay.flightlog import read_log

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(text, encoding="utf-8", newline="\n")
        log: FlightLog = read_log(path)
    return dataclasses.replace(log, paths=(name,))


COMPACT_RATE_HZ = 20.0


def writers(flight: SampleFlight, *, is_compact: bool) -> dict[str, Callable[[Path], object]]:
    """The files of one sample flight, name -> what writes it to a path, byte for byte the same each time.

    `is_compact` thins the truth to 20 rows a second.
    """
    from replay.sensors.calibration import CalibrationFile, save_calibration
    from replay.settings_file import write_toml
    from replay.whatif.vehicle import save_vehicle

    def text(content: str) -> Callable[[Path], object]:
        return lambda path: path.write_text(content, encoding="utf-8", newline="\n")

    observed = "evidence: observed from outside the log, each with its standard deviation"
    true = CalibrationFile(flight.truth.calibration, note="the true calibration: applied to the log it gives back the truth, noise apart")
    return {
        "flight.csv": text(flight.log_text()),
        "truth.csv": text(truth_text(flight, is_compact=is_compact)),
        "events.csv": text(events_text(flight)),
        "note.txt": text(f"{flight.name}: {flight.note}\n"),
        "vehicle.toml": lambda path: save_vehicle(flight.vehicle, path),
        "evidence.toml": lambda path: write_toml(path, flight.evidence, heading=observed),
        "true_calibration.toml": lambda path: save_calibration(true, path),
    }


def truth_text(flight: SampleFlight, *, is_compact: bool) -> str:
    """The truth as CSV: the columns of an estimate, then what the sensors and the vehicle felt."""
    from replay import rotation
    from replay.motion.solution import PHASES

    truth = flight.truth
    step = max(1, round(flight.scenario.rate_hz / COMPACT_RATE_HZ)) if is_compact else 1
    rows = slice(None, None, step)
    log_time_s, q = truth.log_time_s[rows], truth.q_enu_from_body[rows]
    columns: list[tuple[str, Array, int]] = [("log_time_s", log_time_s, 4), ("time_s", log_time_s - truth.events.liftoff_log_s, 4)]
    columns += [(f"q_{c}", q[:, i], 6) for i, c in enumerate("wxyz")]
    columns += [
        ("tilt_deg", rotation.tilt(q) / DEG, 3),
        ("tilt_azimuth_deg", rotation.tilt_azimuth(q) / DEG, 2),
        ("roll_deg", rotation.roll(q) / DEG, 2),
    ]
    columns += [(name, truth.pos_enu_m[rows, i], 3) for i, name in enumerate(("pos_east_m", "pos_north_m", "height_m"))]
    columns += [(name, truth.vel_enu_mps[rows, i], 3) for i, name in enumerate(("vel_east_mps", "vel_north_mps", "vel_up_mps"))]
    columns += [(f"rate_body_{c}_degps", truth.rate_body_radps[rows, i] / DEG, 3) for i, c in enumerate("xyz")]
    columns += [(f"specific_force_body_{c}_mps2", truth.accel_body_mps2[rows, i], 3) for i, c in enumerate("xyz")]
    columns += [(f"gimbal_{c}_deg", truth.gimbal_rad[rows, i] / DEG, 3) for i, c in enumerate("xy")]
    columns += [("thrust_n", truth.thrust_n[rows], 3), ("drag_n", truth.drag_n[rows], 3), ("mass_kg", truth.mass_kg[rows], 4)]
    columns += [(f"wind_{c}_mps", truth.wind_enu_mps[rows, i], 2) for i, c in enumerate(("east", "north", "up"))]
    phase = [PHASES[code] for code in truth.events.phase_of(log_time_s)]
    cells = [_short(values, digits) for _, values, digits in columns]
    header = [name for name, _, _ in columns]
    lines = [",".join((*row[:2], word, *row[2:])) for row, word in zip(zip(*cells, strict=True), phase, strict=True)]
    return "\n".join([",".join((*header[:2], "phase", *header[2:])), *lines]) + "\n"


def events_text(flight: SampleFlight) -> str:
    """True times of the events, on the log's clock."""
    events, truth = flight.truth.events, flight.truth
    times = {
        "ignition": truth.ignition_log_s,
        "liftoff": events.liftoff_log_s,
        "rail_exit": truth.rail_exit_log_s,
        "burnout": events.burnout_log_s,
        "apogee": events.apogee_log_s,
        "deployment": events.deployment_log_s,
        "touchdown": events.touchdown_log_s,
        "rest": events.rest_log_s,
    }
    return "event,log_time_s\n" + "".join(f"{name},{time:.4f}\n" for name, time in times.items())


def readme_text(flights: list[SampleFlight]) -> str:
    """What is in the folder, with the note of each flight."""
    lines = ["# Sample flights", "", _README, ""]
    for flight in flights:
        lines += [f"## {flight.name}", "", flight.note, ""]
    return "\n".join(lines)


_README = """\
Made by `plumbline sample`: one invented vehicle flown in a six-degree-of-freedom model, in closed loop on its own imperfect sensors.
No real vehicle, place or person is in them. Each folder holds `flight.csv` (what the logger wrote), `truth.csv` and `events.csv` (what
really happened), `true_calibration.toml` (applied to the log it gives back the truth, noise apart), `vehicle.toml`, `evidence.toml` (what a
crew on the field could have noted) and `note.txt`. The vehicle file is what its makers believe; where the flight differed from it, the
note says so.

Sensors, where the note says nothing else: accelerometer 100 µg/√Hz, gyro 0.005 deg/s/√Hz, in-run instability 40 µg and 3 deg/h,
16 bit over ±32 g and ±2000 deg/s, barometer 1.6 Pa. Each inertial sample is a point sample of the motion; motor vibration is added to
it as two tones. The Earth's turning (0.004 deg/s) is not modelled; a real gyro's reading on the pad takes it off with the bias."""
