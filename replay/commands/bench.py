"""`plumbline bench KIND FILE…`: calibration and noise work on bench recordings."""

from __future__ import annotations

import argparse
import json
import math
from typing import TYPE_CHECKING, Any

from replay.commands._shared import finite, new_file
from replay.errors import CannotEstimate
from replay.units import DEG, kelvin

if TYPE_CHECKING:
    from replay.sensors.bench import BenchResult


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    from replay.sensors.bench_kinds import KINDS

    parser.add_argument("kind", metavar="KIND", choices=KINDS, help="; ".join(f"{name}: {text}" for name, text in KINDS.items()))
    parser.add_argument("log", metavar="FILE", nargs="+", help="recording; for temperature one for each run")
    parser.add_argument("--columns", metavar="MAP", help="column map (TOML); without it the columns are guessed")
    parser.add_argument("--merge", action="store_true", help="the files are one recording (accelerometer and gyro apart)")
    parser.add_argument("--gravity", metavar="MPS2", type=finite, help="local gravity, m/s²")
    parser.add_argument("--latitude", metavar="DEG", type=finite, help="or the latitude, for gravity at sea level")
    parser.add_argument("--turn", metavar="DEG", type=finite, default=360.0, help="the known angle of a turn (default 360)")
    parser.add_argument(
        "--turn-sd", metavar="DEG", type=finite, default=0.5, help="how well each turn was stopped at its mark (default 0.5)"
    )
    parser.add_argument("--reference", metavar="C", type=finite, default=20.0, help="reference temperature, °C (default 20)")
    parser.add_argument(
        "--stillness", metavar="K", type=finite, default=3.0, help="what counts as at rest, times the quietest noise (default 3)"
    )
    parser.add_argument("--out", metavar="C", help="calibration file to write, with standard deviations")
    parser.add_argument("--force", action="store_true", help="write over an existing file")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(args: argparse.Namespace) -> int:
    """Read, solve, print, save."""
    from replay.flightlog import load_column_map, read_log
    from replay.sensors.bench_run import BenchOptions, calibration_file, run_bench
    from replay.sensors.calibration import save_calibration

    column_map = load_column_map(args.columns) if args.columns else None
    logs = [read_log(args.log, column_map)] if args.merge else [read_log(path, column_map) for path in args.log]
    options = BenchOptions(_gravity(args), args.turn * DEG, args.turn_sd * DEG, kelvin(args.reference), args.stillness)
    result = run_bench(args.kind, logs, options)
    if args.out:
        with new_file(args.out, force=args.force) as temporary:
            save_calibration(calibration_file(result), temporary)
    print(json.dumps(as_json(result), indent=2, ensure_ascii=False) if args.json else as_text(result))
    if args.out and not args.json:
        print(f"\nwritten: {args.out}")
    return 0


def _gravity(args: argparse.Namespace) -> float | None:
    if args.gravity is not None:
        if not 9.7 < args.gravity < 9.9:
            raise CannotEstimate("--gravity", f"expected 9.76 to 9.84 m/s² on the ground, got {args.gravity}")
        return float(args.gravity)
    if args.latitude is not None:
        from replay.motion.gravity import gravity_mps2

        return float(gravity_mps2(args.latitude * DEG, 0.0))
    return None


def as_text(result: BenchResult) -> str:
    """The result as a person reads it on a terminal."""
    from replay.sensors.bench_run import parameter_rows

    lines = [f"bench {result.kind}"]
    for name, unit, value, sd in parameter_rows(result):
        shown = f"{value:+.6g} ± {sd:.2g} {unit}" if math.isfinite(sd) else f"undetermined (left at {value:g} {unit})"
        lines.append(f"  {name:<34} {shown.removesuffix(' 1')}")
    if result.figures:
        lines.append("figures")
        lines += [f"  {name:<52} {value:.4g}" for name, value in result.figures.items()]
    if result.poses:
        lines.append("poses (from, to, s; mean specific force, raw; residual, m/s²)")
        for pose in result.poses:
            x, y, z = pose.accel_raw
            left = f"{pose.residual_mps2:+.4f}" if math.isfinite(pose.residual_mps2) else "–"
            lines.append(f"  {pose.start_s:8.2f} {pose.stop_s:8.2f}  {x:12.4f} {y:12.4f} {z:12.4f}  {left}")
    lines += ["not determined by this recording", *(f"  {text}" for text in result.undetermined)]
    lines += [f"note: {text}" for text in result.notes]
    return "\n".join(lines)


def as_json(result: BenchResult) -> dict[str, Any]:
    """The same, for a program; NaN becomes null."""
    from replay.sensors.bench_run import parameter_rows

    def number(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    return {
        "kind": result.kind,
        "parameters": [{"name": n, "unit": u, "value": number(v), "sd": number(s)} for n, u, v, s in parameter_rows(result)],
        "figures": {name: number(value) for name, value in result.figures.items()},
        "poses": [
            {
                "start_s": number(p.start_s),
                "stop_s": number(p.stop_s),
                "accel_raw": list(p.accel_raw),
                "residual_mps2": number(p.residual_mps2),
            }
            for p in result.poses
        ],
        "undetermined": list(result.undetermined),
        "notes": list(result.notes),
    }
