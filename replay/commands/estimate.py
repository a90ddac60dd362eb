"""`plumbline estimate LOG --method M --out F`: attitude and trajectory as a table, and a summary on the terminal."""

from __future__ import annotations

import argparse
import json
import math
from typing import TYPE_CHECKING, Any

from replay.cautions import CAUTION_LINE
from replay.commands._shared import LogRequest, add_common, load_request, new_file, solve_for_showing
from replay.motion.settings import METHODS
from replay.units import DEG

if TYPE_CHECKING:
    from replay.flight.event import FlightEvents
    from replay.motion.solution import Solution

_EVENTS = ("liftoff", "burnout", "apogee", "deployment", "touchdown", "rest")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_common(parser)
    parser.add_argument("--method", metavar="M", choices=METHODS, help=f"{', '.join(METHODS)} (default: smoother, or the review's)")
    parser.add_argument("--out", metavar="F", help="table to write: .csv, or .parquet with the [parquet] extra")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Estimate, write, summarise."""
    from replay.review import tables

    request = load_request(args)
    if args.out:
        with new_file(args.out, force=args.force) as temporary:
            solution, events = solve_for_showing(request, args.method)
            tables.write(tables.estimate_table(solution), temporary)
    else:
        solution, events = solve_for_showing(request, args.method)
    summary = summary_of(request, solution) | _explained(request, solution, events)
    if args.json:
        print(json.dumps(summary | ({"written": args.out} if args.out else {}), indent=2, ensure_ascii=False))
    else:
        print(as_text(summary))
        if args.out:
            print(f"written: {args.out}")
    return 0


def summary_of(request: LogRequest, solution: Solution) -> dict[str, Any]:
    """What the terminal shows, as plain values; angles in degrees, times of events on the log's clock."""
    events = solution.events
    times = {name: _plain(getattr(events, f"{name}_log_s")) for name in _EVENTS}
    levelling = solution.levelling
    i_pad = int(solution.log_time_s.searchsorted(levelling.stop_log_s).clip(0, len(solution.log_time_s) - 1))
    result: dict[str, Any] = {
        "log": list(request.log.paths),
        "method": solution.method,
        "samples": len(solution.log_time_s),
        "duration_s": float(solution.log_time_s[-1] - solution.log_time_s[0]),
        "run_time_s": solution.run_time_s,
        "calibration": request.calibration_name,
        "events_log_s": times,
        "pad": {
            **_lean(solution, i_pad),
            "levelled_from_log_s": levelling.start_log_s,
            "levelled_to_log_s": levelling.stop_log_s,
            "levelling_sd_deg": levelling.tilt_sd_rad / DEG,
            "gyro_bias_degps": (levelling.gyro_bias_body_radps / DEG).tolist(),
            "gyro_bias_sd_degps": (levelling.gyro_bias_sd_radps / DEG).tolist(),
        },
    }
    for name in ("burnout", "apogee", "touchdown"):
        at = times[name]
        if at is not None:
            i = int(solution.log_time_s.searchsorted(at).clip(0, len(solution.log_time_s) - 1))
            result[name] = {**_lean(solution, i), **_place(solution, i)}
    result |= _onboard(request, solution)
    result["refused"] = _refused(solution)
    result["assumptions"] = [*request.calibration_words, *solution.assumptions]
    return result


def _explained(request: LogRequest, solution: Solution, happened: FlightEvents) -> dict[str, Any]:
    """Events with their standard deviations and evidence, findings, and why a part of the explanation is missing."""
    from replay.errors import ReplayError
    from replay.review.explain import explain
    from replay.review.whatif_work import evidence_of_review

    try:
        evidence = evidence_of_review(request.review) if request.review is not None else None
    except ReplayError:
        evidence = None
    known = explain(
        request.log,
        solution,
        vehicle=request.vehicle,
        site=request.site,
        mount=request.mount,
        events=happened,
        evidence=evidence,
    )
    events = [
        {"name": e.name, "log_time_s": e.log_time_s, "sd_s": _plain(e.sd_s), "evidence": e.evidence, "is_moved": e.is_moved}
        for e in known.events.events.values()
    ]
    findings = [
        {
            "severity": f.severity,
            "rule": f.rule,
            "title": f.title,
            "start_log_s": f.start_log_s,
            "stop_log_s": f.stop_log_s,
            "evidence": [{"label": q.label, "value": _plain(q.value), "sd": _plain(q.sd), "unit": q.unit} for q in f.evidence],
            "meaning": f.meaning,
            "next_step": f.next_step,
        }
        for f in known.findings
    ]
    return {
        "events": events,
        "events_unknown": dict(known.events.unknown),
        "findings": findings,
        "not_explained": dict(known.missing),
        "caution": CAUTION_LINE,
    }


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _lean(solution: Solution, i: int) -> dict[str, Any]:
    sd = None if solution.tilt_sd_rad is None else _plain(solution.tilt_sd_rad[i] / DEG)
    return {
        "tilt_deg": float(solution.tilt_rad[i] / DEG),
        "tilt_azimuth_deg": float(solution.tilt_azimuth_rad[i] / DEG),
        "tilt_sd_deg": sd,
    }


def _place(solution: Solution, i: int) -> dict[str, Any]:
    sd = (math.nan, math.nan, math.nan) if solution.pos_sd_enu_m is None else solution.pos_sd_enu_m[i]
    return {
        "time_s": float(solution.time_s[i]),
        "pos_enu_m": [_plain(x) for x in solution.pos_enu_m[i]],
        "pos_sd_enu_m": [_plain(x) for x in sd],
        "vel_enu_mps": [_plain(x) for x in solution.vel_enu_mps[i]],
    }


def _onboard(request: LogRequest, solution: Solution) -> dict[str, Any]:
    """The computer's own attitude against ours, from the pad to apogee (all of the record, where it holds no flight)."""
    import numpy as np

    from replay.motion.onboard import OTHER_FRAME_RAD, attitude_difference

    found = attitude_difference(solution, request.log, request.mount)
    if found is None:
        return {}
    times, tilt, total = found
    events = solution.events
    levelled, last = solution.levelling.stop_log_s, float(solution.log_time_s[-1])
    start, stop = levelled, last
    if math.isfinite(events.liftoff_log_s):
        stop = events.apogee_log_s if math.isfinite(events.apogee_log_s) else last
    else:
        start = solution.log_time_s[0]
    inside = (times >= start) & (times <= stop)
    if not inside.any():
        return {}
    at_pad = int(abs(times - levelled).argmin())
    return {
        "onboard": {
            "tilt_error_pad_deg": float(tilt[at_pad] / DEG),
            "tilt_error_median_deg": float(np.median(tilt[inside]) / DEG),
            "tilt_error_max_deg": float(tilt[inside].max() / DEG),
            "total_median_deg": float(np.median(total[inside]) / DEG),
            "total_max_deg": float(total[inside].max() / DEG),
            "span_log_s": [float(start), float(stop)],
            "is_other_frame": bool(tilt[at_pad] > OTHER_FRAME_RAD),
        }
    }


def _refused(solution: Solution) -> dict[str, int]:
    counts: dict[str, int] = {}
    for name, _, _ in solution.rejected:
        counts[name] = counts.get(name, 0) + 1
    return counts


def as_text(summary: dict[str, Any]) -> str:
    """The summary in words."""
    pad = summary["pad"]
    lines = [
        f"{', '.join(summary['log'])}: {summary['samples']} samples over {summary['duration_s']:.2f} s",
        f"method {summary['method']}, {summary['run_time_s'] * 1e3:.0f} ms; calibration: {summary['calibration']}",
    ]
    lines += _event_lines(summary)
    bias = ", ".join(f"{value:+.3f}" for value in pad["gyro_bias_degps"])
    lines.append(
        f"pad: {_tilt_text(pad)}, "
        f"levelled from {pad['levelled_from_log_s']:.2f} to {pad['levelled_to_log_s']:.2f} s; gyro bias ({bias}) deg/s"
    )
    lines += [
        f"{name}: {_tilt_text(summary[name])}; {_place_text(summary[name])}"
        for name in ("burnout", "apogee", "touchdown")
        if name in summary
    ]
    lines += _onboard_lines(summary)
    for name, count in summary["refused"].items():
        lines.append(f"refused: {count} of {name}")
    lines.append("assumptions:")
    lines += [f"  {line}" for line in summary["assumptions"]]
    return "\n".join([*lines, *_finding_lines(summary)])


def _onboard_lines(summary: dict[str, Any]) -> list[str]:
    """The computer's own attitude against ours, where the two can be compared."""
    if "onboard" not in summary:
        return []
    o = summary["onboard"]
    if o["is_other_frame"]:
        return [
            f"the computer's own attitude: its nose lies {o['tilt_error_pad_deg']:.0f}° from ours on the pad: another frame, not compared; "
            "if its axes are known, state rotation_deg under [onboard_attitude] in the column map (plumbline check --save-columns)"
        ]
    return [
        f"the computer's own attitude: its tilt is {o['tilt_error_pad_deg']:.2f}° from this one on the pad, "
        f"{o['tilt_error_median_deg']:.2f}° in the median and at most {o['tilt_error_max_deg']:.2f}° until {o['span_log_s'][1]:.2f} s"
    ]


def _event_lines(summary: dict[str, Any]) -> list[str]:
    """Each event with its standard deviation, and which can't be known."""
    events = summary["events"]
    if not events or events[0]["name"] != "liftoff":
        lines = ["events: no flight in the record" if not events else "events: no liftoff in the record"]
        lines += [f"  {e['name']} at {e['log_time_s']:.3f} s of the log" for e in events]
        return lines
    zero = events[0]["log_time_s"]

    def after(e: dict[str, Any]) -> str:
        sd = f"± {e['sd_s']:.2f} s" if e["sd_s"] is not None else "moved by hand" if e["is_moved"] else "how surely is not known"
        return f"{e['name'].replace('_', ' ')} {e['log_time_s'] - zero:.2f} s {sd}"

    first = f"± {events[0]['sd_s']:.3f} s" if events[0]["sd_s"] is not None else "moved by hand" if events[0]["is_moved"] else "roughly"
    lines = [f"events: liftoff at {zero:.3f} s of the log, {first}; after it " + ", ".join(after(e) for e in events[1:])]
    return lines + [f"  {name.replace('_', ' ')}: {why}" for name, why in summary["events_unknown"].items()]


def _finding_lines(summary: dict[str, Any]) -> list[str]:
    """One line a finding; what to do next stands in the report and in the JSON."""
    if not summary["findings"]:
        return []
    lines = ["findings:"]
    liftoff = next((e["log_time_s"] for e in summary["events"] if e["name"] == "liftoff"), None)
    for f in summary["findings"]:
        start = f["start_log_s"]
        from_liftoff = "" if start is None or liftoff is None else f" (T{start - liftoff:+.2f} s)"
        at = from_liftoff or ("" if start is None else f" (at {start:.2f} s of the log)")
        lines.append(f"  {f['severity']}: {f['title']}{at}")
    return [*lines, CAUTION_LINE]


def _tilt_text(at: dict[str, Any]) -> str:
    sd = "" if at["tilt_sd_deg"] is None else f" ± {at['tilt_sd_deg']:.2f}°"
    return f"tilt {at['tilt_deg']:.2f}°{sd} towards {at['tilt_azimuth_deg']:.0f}°"


def _place_text(at: dict[str, Any]) -> str:
    def with_sd(i: int) -> str:
        value, sd = at["pos_enu_m"][i], at["pos_sd_enu_m"][i]
        return "unknown" if value is None else f"{value:.2f} m" + ("" if sd is None else f" ± {sd:.2f} m")

    is_reckoned = at["pos_enu_m"][0] is not None and at["pos_sd_enu_m"][0] is None
    return f"height {with_sd(2)}, east {with_sd(0)}, north {with_sd(1)}" + (
        " (dead reckoning: how well is not known)" if is_reckoned else ""
    )
