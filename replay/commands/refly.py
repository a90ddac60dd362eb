"""`plumbline refly LOG --vehicle V --calibration C --out F`: the flight as flown and flown again with another calibration."""

from __future__ import annotations

import argparse
import json
import math
from typing import TYPE_CHECKING, Any

from replay.cautions import CAUTION_LINE
from replay.commands._shared import LogRequest, add_common, load_request, new_file, solve, solve_for_showing
from replay.errors import SettingsError
from replay.motion.settings import METHODS
from replay.units import DEG

if TYPE_CHECKING:
    from replay.motion.solution import Solution
    from replay.review.whatif_work import Spread
    from replay.sensors.calibration import Calibration
    from replay.whatif.ensemble import Ensemble
    from replay.whatif.refly import Moment, Reflight
    from replay.whatif.vehicle import Vehicle


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    parser.add_argument("--as-flown", metavar="C", help="calibration file the computer flew with; without it none was on board")
    parser.add_argument("--method", metavar="M", choices=METHODS, help="how the flown motion is estimated (default: smoother)")
    parser.add_argument(
        "--members", metavar="N", type=int, default=0, help="fly an ensemble of N over the calibration's and the vehicle's uncertainty"
    )
    parser.add_argument("--seed", metavar="S", type=int, default=0, help="seed of the ensemble's draws (default 0)")
    parser.add_argument(
        "--bandwidth", metavar="HZ", type=float, help="of the logged thrust and of the disturbances shown (default: the review's, else 12)"
    )
    parser.add_argument("--out", metavar="F", help="table to write: .csv, or .parquet with the [parquet] extra")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Re-fly, write, say what came of it."""
    from replay.review.review import ReflySettings
    from replay.whatif import refly

    if args.bandwidth is not None and not args.bandwidth > 0.0:
        raise SettingsError("refly", "--bandwidth", "a number above 0, Hz", f"{args.bandwidth:g}")
    request = load_request(args)
    if request.vehicle is None:
        raise SettingsError("refly", "--vehicle", "a vehicle file (the model flies a vehicle)", "nothing")
    flown = solve_for_showing(request, args.method)[0]
    bandwidth_hz = args.bandwidth or (request.review.refly if request.review else ReflySettings()).bandwidth_hz
    options: dict[str, Any] = {"onboard": request.calibration, "as_flown": _as_flown(args, request), "bandwidth_hz": bandwidth_hz}
    reflight = refly.refly(request.log, flown, request.vehicle, **options)
    ensemble = _ensemble(args, request, request.vehicle, flown, options) if args.members else None
    if args.out:
        from replay.review.table_file import write_table

        table = refly.columns(reflight)
        with new_file(args.out, force=args.force) as path:
            write_table(path, table, {name: 6 if name == "time_s" else 4 for name in table})
    drawn_from = _spread(args, request).source if ensemble else ""
    summary = summary_of(request, reflight, flown, ensemble, drawn_from) | ({"written": args.out} if args.out else {})
    print(json.dumps(summary, indent=2, ensure_ascii=False) if args.json else as_text(summary))
    return 0


def _as_flown(args: argparse.Namespace, request: LogRequest) -> Calibration:
    from replay.sensors.calibration import Calibration, load_calibration

    if args.as_flown:
        return load_calibration(args.as_flown)
    return request.review.as_flown if request.review else Calibration()


def _ensemble(args: argparse.Namespace, request: LogRequest, vehicle: Vehicle, flown: Solution, options: dict[str, Any]) -> Ensemble:
    import sys

    from replay.whatif.ensemble import run_ensemble

    def again(calibration: Calibration) -> Any:
        from dataclasses import replace

        return solve(replace(request, calibration=calibration), "integrate")

    def tell(fraction: float, text: str) -> None:
        if sys.stderr.isatty():
            print(f"\r{100.0 * fraction:3.0f} % {text:<60}", end="\n" if fraction >= 1.0 else "", file=sys.stderr, flush=True)

    posterior = _spread(args, request).posterior
    return run_ensemble(
        request.log, flown, vehicle, posterior=posterior, solve=again, n_members=args.members, seed=args.seed, progress=tell, **options
    )


def _spread(args: argparse.Namespace, request: LogRequest) -> Spread:
    """From the calibration file's standard deviations; of a review, from the sensors' priors it states; else none."""
    from dataclasses import replace

    from replay.review.whatif_work import Spread, spread_of
    from replay.sensors.calibration import load_calibration_file
    from replay.whatif.ensemble import Posterior

    if args.calibration:
        file = load_calibration_file(args.calibration)
        known = "standard deviations" + (" and their correlation" if file.correlated else ", taken as independent")
        return Spread(Posterior.of_file(file), f"{args.calibration}: {known}" if file.sd else "nothing, no deviation of it is stated")
    if request.review is not None:
        spread = spread_of(request.review)
        return replace(spread, posterior=replace(spread.posterior, calibration=request.calibration))
    return Spread(Posterior.of_sd(request.calibration, {}), "nothing, there is no calibration file")


def summary_of(request: LogRequest, reflight: Reflight, flown: Solution, ensemble: Ensemble | None, drawn_from: str = "") -> dict[str, Any]:
    """What the terminal shows, as plain values; angles in degrees."""
    result: dict[str, Any] = {
        "log": list(request.log.paths),
        "calibration": request.calibration_name,
        "guidance": reflight.guidance_source,
        "command_misfit_deg": _plain(reflight.command_misfit_rad / DEG),
        "disturbance_bandwidth_hz": reflight.disturbance.bandwidth_hz,
        "moments": {},
    }
    for name, (before, after) in reflight.moments.items():
        result["moments"][name] = {
            "flown": _shown(before),
            "reflown": _shown(after),
            "shift_m": [_plain(b - a) for a, b in zip(_place(before), _place(after), strict=True)],
        }
    if ensemble is not None:
        result["ensemble"] = {"drawn_from": drawn_from, **_bands(ensemble, reflight, flown)}
    assumptions = [*request.calibration_words, *reflight.assumptions, *(ensemble.assumptions if ensemble else ())]
    return result | {"assumptions": assumptions, "left_out": reflight.left_out, "caution": CAUTION_LINE}


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _place(moment: Moment) -> tuple[float, float, float]:
    return moment.east_m, moment.north_m, moment.height_m


def _shown(moment: Moment) -> dict[str, float | None]:
    east, north, height = (_plain(value) for value in _place(moment))
    tilt, azimuth = _plain(moment.tilt_rad / DEG), _plain(moment.tilt_azimuth_rad / DEG)
    return {
        "time_s": _plain(moment.time_s),
        "east_m": east,
        "north_m": north,
        "height_m": height,
        "tilt_deg": tilt,
        "tilt_azimuth_deg": azimuth,
    }


def _bands(ensemble: Ensemble, reflight: Reflight, flown: Solution) -> dict[str, Any]:
    """5, 50 and 95 % and one standard deviation, flown and re-flown."""
    from replay.review.comparison import betweens
    from replay.review.refly_words import touchdown_text

    rows = betweens(ensemble, reflight, flown)
    result: dict[str, Any] = {"members": ensemble.n_members, "seed": ensemble.seed}
    for which in ("flown", "reflown"):
        result[which] = {
            f"{b.moment}_{b.quantity}_{b.unit}": {
                "band": [_plain(q) for q in getattr(b, which)],
                "sd": _plain(getattr(b, f"{which}_sd")),
            }
            for b in rows
        }
    return result | {"touchdown": touchdown_text(flown, rows)}


def as_text(summary: dict[str, Any]) -> str:
    """The summary in words."""
    misfit = summary["command_misfit_deg"]
    lines = [
        f"{', '.join(summary['log'])}: flown again with calibration {summary['calibration']}",
        f"guidance: {summary['guidance']}" + ("" if misfit is None else f"; it leaves {misfit:.3f}° RMS of the logged commands"),
        f"disturbances recovered to {summary['disturbance_bandwidth_hz']:g} Hz",
        f"{'':<20}{'time s':>9}{'east m':>10}{'north m':>10}{'height m':>10}{'tilt °':>9}{'towards °':>11}",
    ]
    for name, pair in summary["moments"].items():
        for which in ("flown", "reflown"):
            shown = pair[which]
            cells = [
                f"{'–' if value is None else format(value, '.2f'):>{width}}"
                for value, width in zip(shown.values(), (9, 10, 10, 10, 9, 11), strict=True)
            ]
            lines.append(f"{name + ', ' + ('re-flown' if which == 'reflown' else 'flown'):<20}" + "".join(cells))
        if None not in pair["shift_m"]:
            east, north, height = pair["shift_m"]
            lines.append(f"{'':<20}{'shift':>9}{east:>10.2f}{north:>10.2f}{height:>10.2f}")
    if "ensemble" in summary:
        lines += _ensemble_lines(summary["ensemble"])
    if "written" in summary:
        lines.append(f"written: {summary['written']}")
    lines += ["assumptions:", *(f"  {line}" for line in summary["assumptions"]), summary["left_out"], summary["caution"]]
    return "\n".join(lines)


def _ensemble_lines(ensemble: dict[str, Any]) -> list[str]:
    lines = [
        f"ensemble of {ensemble['members']}, seed {ensemble['seed']}, drawn from the vehicle's tolerances; of the calibration: "
        f"{ensemble['drawn_from']}",
        "  5, 50 and 95 %, and one standard deviation:",
    ]
    for which, word in (("flown", "flown"), ("reflown", "re-flown")):
        for name, found in ensemble[which].items():
            moment, quantity, unit = name.split("_")
            shown = "not known" if found["sd"] is None else f"{', '.join(f'{q:.2f}' for q in found['band'])} {unit}, ± {found['sd']:.2f}"
            lines.append(f"  {word} {moment} {quantity}: {shown}")
    return [*lines, f"  {ensemble['touchdown']}"]
