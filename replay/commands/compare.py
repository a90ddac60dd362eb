"""`plumbline compare A B …`: flights of a campaign, or a flight and a prediction, on one time axis."""

from __future__ import annotations

import argparse
import json
import math
from typing import TYPE_CHECKING, Any, Final

from replay.cautions import CAUTION_LINE
from replay.commands._shared import add_common, load_request, new_file, snapshot_of
from replay.errors import CannotEstimate, SettingsError
from replay.motion.settings import METHODS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from replay.commands._shared import LogRequest
    from replay.flight.compare import Comparison
    from replay.flight.explained import Explained
    from replay.flight.prediction import Explanation, PhaseMisfit, Prediction
    from replay.flight.quantity import Quantity
    from replay.motion.site import Site


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument("flights", nargs="+", metavar="FLIGHT", help="log files or reviews, one a flight, in the order flown")
    add_common(parser, log=False)
    parser.add_argument("--event", metavar="E", default="liftoff", help="event that time is counted from (default: liftoff)")
    parser.add_argument("--method", metavar="M", choices=METHODS, help="estimator method (default: smoother, or the review's)")
    parser.add_argument("--prediction", metavar="TABLE", help="text table of a predicted flight (time from liftoff) beside one flight")
    parser.add_argument(
        "--prediction-columns",
        metavar="MAP",
        help='which column is what: "time=1, height=Altitude [ft], vertical_speed=v"; by header or number, unit in brackets',
    )
    parser.add_argument("--out", metavar="F", help="table of traces and differences to write: .csv, or .parquet with the [parquet] extra")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Compare, write, print."""
    if args.prediction_columns and not args.prediction:
        raise SettingsError("--prediction-columns", "--prediction", "a prediction to map", "none")
    if args.prediction and len(args.flights) > 1:
        raise CannotEstimate("compare", f"a prediction is set against one flight, got {len(args.flights)}")
    if not args.prediction and len(args.flights) < 2:
        raise CannotEstimate("compare", "needs two flights or more, or one flight and --prediction")
    from replay.flight.compare import compare_flights
    from replay.flight.prediction import read_prediction

    # read first: a table that can't be read is said before the flight is worked out
    prediction = read_prediction(args.prediction, column_map_of(args.prediction_columns)) if args.prediction else None
    flights, site, assumptions = _explained(args)
    if prediction is not None:
        return _against_prediction(args, prediction, *flights[0], site)

    found = compare_flights(flights, args.event)
    if args.out:
        with new_file(args.out, force=args.force) as temporary:
            _write_flights(temporary, found)
    if args.json:
        result = _flights_as_dict(found) | {"assumptions": assumptions} | ({"written": args.out} if args.out else {})
        print(json.dumps(result, indent=2, ensure_ascii=False))
    else:
        print("\n".join([_flights_text(found), *(["assumptions:"] if assumptions else []), *(f"  {line}" for line in assumptions)]))
        print(f"written: {args.out}\n{CAUTION_LINE}" if args.out else CAUTION_LINE)
    return 0


def _explained(args: argparse.Namespace) -> tuple[list[tuple[str, Explained]], Site, list[str]]:
    """The flights by name, the site of the first, and what was assumed of all of them."""
    from replay.commands._shared import as_review
    from replay.figures.beside import told_apart
    from replay.review.explain import explain_snapshot

    found, reviews, site, sited = [], [], None, []
    for path in args.flights:
        request = load_request(argparse.Namespace(**{**vars(args), "log": [path]}))
        snapshot = snapshot_of(request, args.method)
        found.append((path, snapshot))
        reviews.append(as_review(request, args.method))
        site = site or request.site
        sited.append(_taken_from_vehicle(request) if args.vehicle else ())
    assert site is not None
    named = told_apart(found)
    flights = [(name, explain_snapshot(snapshot, review)) for (name, snapshot), review in zip(named, reviews, strict=True)]
    return flights, site, _of_one_site(args, [name for name, _ in named], sited)


_SITE_WORDS: Final = {
    "latitude_rad": "latitude",
    "ground_height_m": "ground height",
    "ground_temperature_k": "ground temperature",
    "pad_azimuth_rad": "pad azimuth",
}


def _taken_from_vehicle(request: LogRequest) -> tuple[str, ...]:
    """What of a flight's site its vehicle file states and nothing else does, in words."""
    own = request.review.site if request.review else None
    stated = request.vehicle.site if request.vehicle else None
    return tuple(
        words
        for name, words in _SITE_WORDS.items()
        if getattr(stated, name, None) is not None
        and getattr(own, name, None) is None
        and getattr(request.site, name) == getattr(stated, name)
    )


def _of_one_site(args: argparse.Namespace, names: Sequence[str], taken: Sequence[tuple[str, ...]]) -> list[str]:
    """What the command line gave to more than one flight, all that came to the same flights from `--vehicle` in one line."""
    shared: dict[tuple[str, ...], list[str]] = {}
    for part, words in _SITE_WORDS.items():
        flights = tuple(name for name, own in zip(names, taken, strict=True) if words in own)
        if len(flights) > 1 and (part != "pad_azimuth_rad" or args.pad_azimuth is None):
            shared.setdefault(flights, []).append(words)
    lines = [
        f"one site for {len(flights)} flights ({', '.join(flights)}): {', '.join(parts)} of {args.vehicle}; where they flew from different "
        "sites or on warmer and colder days, make a review of each with its own and compare those"
        for flights, parts in shared.items()
    ]
    if args.pad_azimuth is not None and len(names) > 1:
        lines.append(
            f"one pad azimuth for {len(names)} flights ({', '.join(names)}): {args.pad_azimuth:g}° of --pad-azimuth, whatever their "
            "reviews or a vehicle file say; where they stood otherwise on the pad, make a review of each with its own and compare those"
        )
    return lines


def _against_prediction(args: argparse.Namespace, prediction: Prediction, name: str, known: Explained, site: Site) -> int:
    from replay.errors import ReplayError
    from replay.flight.prediction import explain_misfit, misfits

    rows = misfits(known, prediction, site)
    explanation: Explanation | str
    try:
        explanation = explain_misfit(known, prediction, site)
    except ReplayError as error:
        explanation = str(error)
    if args.out:
        with new_file(args.out, force=args.force) as temporary:
            _write_prediction(temporary, known, prediction, site)
    if args.json:
        result = _prediction_as_dict(name, prediction, rows, explanation) | ({"written": args.out} if args.out else {})
        print(json.dumps(result, indent=2, ensure_ascii=False))
    else:
        print(_prediction_text(name, prediction, rows, explanation))
        print(f"written: {args.out}\n{CAUTION_LINE}" if args.out else CAUTION_LINE)
    return 0


def column_map_of(text: str | None) -> dict[str, str] | None:
    """ "time=1, height=Altitude [ft]" as a mapping; None where nothing was given."""
    if text is None:
        return None
    found = {}
    for part in text.split(","):
        quantity, equals, column = part.partition("=")
        if not equals or not quantity.strip() or not column.strip():
            raise SettingsError("--prediction-columns", part.strip(), "quantity=column, separated by commas", repr(part.strip()))
        found[quantity.strip()] = column.strip()
    return found


def _write_flights(path: Path, found: Comparison) -> None:
    from replay.flight.compare import TRACES
    from replay.review.tables import column_name, write

    columns = {"time_s": found.time_s}
    for kind, traces in (("", found.traces), ("difference_", found.differences)):
        for trace, values in traces.items():
            for j, name in enumerate(found.names):
                if kind and j == 0:
                    continue
                columns[column_name(f"{kind}{trace}", TRACES[trace], name)] = values[:, j]
    write(columns, path)


def _write_prediction(path: Path, known: Explained, prediction: Prediction, site: Site) -> None:
    from replay.flight.compare import on_axis
    from replay.flight.prediction import QUANTITIES, flown_of
    from replay.review.tables import column_name, write

    flown = flown_of(known, site)
    assert known.solution is not None
    clock = known.solution.log_time_s - known.events["liftoff"].log_time_s
    columns = {"time_s": prediction.time_s}
    for quantity, values in prediction.columns.items():
        here = on_axis(prediction.time_s, clock, flown[quantity])
        for name, column in (("flown", here), ("predicted", values), ("difference", here - values)):
            columns[column_name(f"{name}_{quantity}", QUANTITIES[quantity])] = column
    write(columns, path)


def _plain(found: Quantity) -> dict[str, Any]:
    def number(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {"value": number(found.value), "sd": number(found.sd), "unit": found.unit, "note": found.note}


def _flights_as_dict(found: Comparison) -> dict[str, Any]:
    from replay.flight.compare import TRACES, largest_differences

    return {
        "flights": list(found.names),
        "event": found.event,
        "figures": [
            {"label": row.label, "values": [_plain(q) for q in row.values], "trend": _plain(row.trend), "course": row.course}
            for row in found.figures
        ],
        "largest_differences": [
            {"trace": trace, "unit": TRACES[trace], "flight": name, "time_s": at, "difference": value}
            for trace, name, at, value in largest_differences(found)
        ],
        "caution": CAUTION_LINE,
    }


def _flights_text(found: Comparison) -> str:
    from replay.flight.compare import TRACES, largest_differences

    rows = [("", *found.names, "change per flight")]
    for row in found.figures:
        values = [q.text().split(" (")[0].removesuffix(f" {row.unit}") for q in row.values]
        unit = f" ({row.unit})" if row.unit not in ("", "1") else ""
        course = f"{row.trend.text()}, {row.course}" if row.course else ""
        rows.append((row.label + unit, *values, course))
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [f"{len(found.names)} flights, time from {found.event.replace('_', ' ')}"]
    lines += ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines.append(f"largest difference from {found.names[0]}, to apogee:")
    lines += [
        f"  {trace.replace('_', ' ')}: {name} {value:+.3g} {TRACES[trace]} at {at:.2f} s"
        for trace, name, at, value in largest_differences(found)
    ]
    return "\n".join(lines)


def _prediction_as_dict(name: str, prediction: Prediction, rows: tuple[PhaseMisfit, ...], found: Explanation | str) -> dict[str, Any]:
    import dataclasses

    changes = [] if isinstance(found, str) else found.changes
    return {
        "flight": name,
        "prediction": prediction.path,
        "misfit": [dataclasses.asdict(row) for row in rows],
        "changes": [{"name": c.name, "factor": _plain(c.factor), "left_share": c.left_share} for c in changes],
        "explanation": found if isinstance(found, str) else found.said,
        "caution": CAUTION_LINE,
    }


def _prediction_text(name: str, prediction: Prediction, rows: tuple[PhaseMisfit, ...], found: Explanation | str) -> str:
    lines = [f"{name} against {prediction.path}, time from liftoff; flown less predicted:"]
    lines += [
        f"  {r.phase}, {r.quantity.replace('_', ' ')}: mean {r.mean:+.3g}, RMS {r.rms:.3g}, largest {r.largest:+.3g} {r.unit}" for r in rows
    ]
    if isinstance(found, str):
        return "\n".join([*lines, found])
    lines.append("one change alone, liftoff to apogee:")
    lines += [f"  {c.name} × {c.factor.text()}: leaves {c.left_share:.0%} of the misfit" for c in found.changes]
    return "\n".join([*lines, found.said])
