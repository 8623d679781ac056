"""
`ampledger replay`: the core run over a log file instead of a live box.

What comes in is a log (see `logfile`) and what its owner knows of the battery;
what goes out is one estimate per row as CSV, notices as JSON lines, and a
summary on stdout. The arithmetic is the `Engine` that the live view uses; this
module only feeds it and writes down what it says. It never writes a part of a
result: files appear complete or not at all, and never in place of the log.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol, TextIO

from ampledger import settings
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.engine import Site
from ampledger.core.model import Battery, Interval, Limits, Start, Tap
from ampledger.core.usable import Station
from ampledger.errors import BoxError, ConfigError
from ampledger.logfile import Log, read_log, whole_files

_USABLE_COLUMNS = ("usable_ah", "usable_ah_low", "usable_ah_high", "usable_wh", "limited_by")
ESTIMATE_COLUMNS = ("soc", "soc_low", "soc_high", "charge_ah", "source", "likely", *_USABLE_COLUMNS)
EXIT_WRONG_ARGUMENT = 2
EXIT_FAILED = 1
EXIT_STOPPED = 130


class Stepper(Protocol):
    """What a replay needs of `core.engine.Engine`: one view per interval, in time order."""

    def step(self, interval: Interval) -> Any:
        """Take the next interval, hand back what is concluded at its end."""


@dataclass(frozen=True, slots=True)
class Options:
    """The checked arguments of one replay."""

    log: str
    out: str
    notices: str | None
    battery: Battery
    start: Start
    reserve_soc: float
    as_json: bool
    station: Station = Station()
    curve: Curve = LFP26650
    limits: Limits = Limits()
    site: Site = Site()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what `ampledger replay` understands to `parser`."""
    parser.add_argument("log", metavar="LOG", help="log file, .csv or .csv.gz (format: host/LOGFORMAT.md)")
    settings.add_battery(parser, asked_each_time=True)
    settings.add_arguments(parser)
    settings.add_place_options(parser)
    parser.add_argument("--out", required=True, metavar="EST.csv", help="estimates, one line per row of the log")
    parser.add_argument("--notices", metavar="N.jsonl", help="also write the notices, one JSON object per line")
    parser.add_argument("--json", action="store_true", help="print the summary as one JSON object")


def run(args: argparse.Namespace) -> int:
    """
    Do one replay as the arguments say.

    Returns
    -------
    int
        0 done; 1 the log or the writing failed; 2 an argument is wrong;
        130 stopped by Ctrl-C. Except for 0, nothing was written.
    """
    try:
        options = check_arguments(args)
    except ConfigError as error:
        print(f"ampledger replay: {error}", file=sys.stderr)
        return EXIT_WRONG_ARGUMENT
    try:
        summary = replay(options)
    except BoxError as error:
        print(f"ampledger replay: {error}", file=sys.stderr)
        return EXIT_WRONG_ARGUMENT if isinstance(error, ConfigError) else EXIT_FAILED
    except KeyboardInterrupt:
        print("ampledger replay: stopped; nothing was written.", file=sys.stderr)
        return EXIT_STOPPED
    _say(json.dumps(summary, allow_nan=False) if options.as_json else _in_words(summary, options))
    return 0


def _say(text: str) -> None:
    try:
        print(text)
    except UnicodeEncodeError:  # a column name that this terminal has no letters for must not look like a failed run
        print(text.encode("ascii", "backslashreplace").decode())


# -- arguments -----------------------------------------------------------------------------------


def check_arguments(args: argparse.Namespace) -> Options:
    """
    Turn parsed arguments into `Options`.

    Raises
    ------
    ConfigError
        The first argument that is wrong, what was expected, what to do.
    """
    settings.check_told(args)
    start = Start(args.start_soc) if args.start_sd is None else Start(args.start_soc, args.start_sd)
    told = {"capacity_ah": args.capacity_ah, "series": args.series, "reserve_soc": args.reserve_soc}
    setup = settings.battery_told(told | settings.chosen(args))
    _check_targets(args)
    return Options(
        args.log, args.out, args.notices, setup.battery, start, args.reserve_soc, args.json, setup.station, setup.curve,
        setup.limits, settings.site_told(args),
    )  # fmt: skip


def _check_targets(args: argparse.Namespace) -> None:
    targets = [("--out", args.out)] + ([("--notices", args.notices)] if args.notices is not None else [])
    for name, path in targets:
        folder = os.path.dirname(os.path.realpath(path))
        if not path or os.path.isdir(path):
            raise ConfigError(f"{name} {path!r}: expected a file name.")
        if not os.path.isdir(folder):
            raise ConfigError(f"{name} {path}: the folder {folder} doesn't exist. Make it first, or choose another.")
        if os.path.exists(path) and not os.path.isfile(path):
            raise ConfigError(f"{name} {path}: is not a plain file. Choose another name.")
        if not os.access(folder, os.W_OK) or (os.path.exists(path) and not os.access(path, os.W_OK)):
            raise ConfigError(f"{name} {path}: you may not write there. Choose another folder or name.")
        if _same_file(path, args.log):
            raise ConfigError(f"{name} {path}: is the log itself, which is never overwritten. Choose another name.")
    if len(targets) == 2 and _same_file(args.out, args.notices):
        raise ConfigError(f"--out and --notices are both {args.out}. Choose two names.")


def _same_file(one: str, other: str) -> bool:
    if os.path.exists(one) and os.path.exists(other):
        return os.path.samefile(one, other)
    return os.path.normcase(os.path.realpath(one)) == os.path.normcase(os.path.realpath(other))


# -- the run -------------------------------------------------------------------------------------


def _engine(options: Options) -> Stepper:
    setup = settings.Setup(options.battery, options.reserve_soc, options.station, options.curve, options.limits)
    engine = setup.engine(options.start)
    engine.site = options.site
    return engine


def replay(options: Options, make_engine: Callable[[Options], Stepper] | None = None) -> dict[str, Any]:
    """
    Read the log, step the engine through it, write the estimates and notices.

    Parameters
    ----------
    options : checked arguments
    make_engine : what builds the engine; the core's own when None.

    Returns
    -------
    dict
        The summary, ready for JSON.

    Raises
    ------
    BoxError
        The log is wrong, or a file can't be written; nothing was written then.
    """
    log = read_log(options.log)
    engine = (make_engine or _engine)(options)
    targets = [options.out] if options.notices is None else [options.out, options.notices]
    with whole_files(*targets) as texts:
        last, raised = _step_through(log, engine, texts[0], texts[1] if len(texts) == 2 else None)
    return _summary(log, last, raised)


def _step_through(log: Log, engine: Stepper, out: TextIO, notices: TextIO | None) -> tuple[Any, Counter[str]]:
    """One line of estimates per row of the log; gaps are stepped through without a line."""
    out.write(",".join((log.time_column, *ESTIMATE_COLUMNS)) + "\n")
    raised: Counter[str] = Counter()
    rows = zip(log.times_text, log.row_interval, strict=True)
    time_text, wanted = next(rows)
    view = None
    for index, interval in enumerate(log.intervals):
        view = engine.step(interval)
        for event in view.events:
            raised[event.notice.code] += event.kind == "raised"
            if notices is not None:
                notices.write(_notice_line(event, log.time_column))
        if index == wanted:
            out.write(_estimate_line(time_text, view))
            time_text, wanted = next(rows, ("", -1))
    return view, +raised


def _estimate_line(time_text: str, view: Any) -> str:
    estimate, gives = view.estimate, view.usable
    numbers = (estimate.soc, estimate.low, estimate.high, estimate.charge_ah, estimate.likely, *gives.ah, gives.wh[1])
    if not all(map(math.isfinite, numbers)):
        raise BoxError(f"The estimate at {time_text} is not a number: a fault in this program, please report it.")
    soc, low, high, charge_ah, likely, ah_low, ah, ah_high, wh = numbers
    return (
        f"{_cell(time_text)},{soc:.5f},{low:.5f},{high:.5f},{charge_ah:.6f},{_cell(view.source)},"
        f"{likely:.5f},{ah:.4f},{ah_low:.4f},{ah_high:.4f},{wh:.3f},{gives.limited_by}\n"
    )


def _cell(text: str) -> str:
    """A cell as CSV wants it; all but a few are themselves."""
    if not any(mark in text for mark in ',"\r\n'):
        return text
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow([text])
    return line.getvalue()


def _notice_line(event: Any, time_column: str) -> str:
    notice = event.notice
    stamp: str | float = _utc_text(event.time_s) if time_column == "time_utc" else round(float(event.time_s), 6)
    record = {time_column: stamp, "kind": event.kind}
    record |= {key: getattr(notice, key) for key in ("code", "severity", "title", "seen", "likely", "do")}
    record["figures"] = dict(notice.figures)
    return json.dumps(_plain(record), ensure_ascii=False, allow_nan=False) + "\n"


def _utc_text(time_s: float) -> str:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=round(time_s * 1e3))
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _plain(value: Any) -> Any:
    """What JSON can hold: numpy's numbers as Python's, what is not finite as null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, (bool, int, float, str)) else str(value)


# -- the summary ---------------------------------------------------------------------------------


def _summary(log: Log, last: Any, raised: Counter[str]) -> dict[str, Any]:
    estimate, gives = last.estimate, last.usable
    taps = {name: [getattr(item, name) for item in log.intervals] for name in ("solar", "battery", "load")}
    unseen = sum(tap.a is None for tap in (log.intervals[index].battery for index in log.row_interval))
    summary = {
        "rows": len(log.times_text),
        "hours": round((log.intervals[-1].end_s - log.intervals[0].start_s) / 3600, 6),
        "gaps": log.gaps,
        "rows_unseen": unseen,
        "start": log.times_text[0].strip(),
        "end": log.times_text[-1].strip(),
        "soc": round(estimate.soc, 5),
        "soc_low": round(estimate.low, 5),
        "soc_high": round(estimate.high, 5),
        "charge_ah": round(estimate.charge_ah, 6),
        "likely": round(estimate.likely, 5),
        "usable_ah": round(gives.ah[1], 4),
        "usable_ah_low": round(gives.ah[0], 4),
        "usable_ah_high": round(gives.ah[2], 4),
        "usable_wh": round(gives.wh[1], 3),
        "limited_by": gives.limited_by,
        "limited_why": gives.why,
        **{name: _passed(values, name != "load") for name, values in taps.items()},
        "notices": dict(sorted(raised.items())),
        "warnings": list(log.warnings),
    }
    result: dict[str, Any] = _plain(summary)
    return result


def _passed(taps: list[Tap | None], positive_is_in: bool) -> dict[str, float] | None:
    """
    Ampere-hours in and out over the log; None for a tap never measured.

    In is from the panel, into the battery, or back from the load; out is the
    other way. Rows are summed by the sign of their mean.
    """
    charges = [tap.charge_c for tap in taps if tap is not None and tap.charge_c is not None]
    if not charges:
        return None
    positive = math.fsum(charge for charge in charges if charge > 0)
    negative = math.fsum(-charge for charge in charges if charge < 0)
    into, out = (positive, negative) if positive_is_in else (negative, positive)
    return {"in_ah": round(into / 3600, 6), "out_ah": round(out / 3600, 6)}


_DIRECTIONS = {
    "solar": {"in_ah": "from the panel", "out_ah": "back into it"},
    "battery": {"in_ah": "into the battery", "out_ah": "out of it"},
    "load": {"out_ah": "into the load", "in_ah": "back from it"},
}


def _in_words(summary: dict[str, Any], options: Options) -> str:
    lines = [
        f"{summary['rows']} rows over {summary['hours']:.2f} h, {summary['start']} to {summary['end']}"
        + (f"; gaps: {summary['gaps']}" if summary["gaps"] else "")
        + (f"; rows without battery current: {summary['rows_unseen']}" if summary["rows_unseen"] else ""),
        f"At the end: {100 * summary['soc_low']:.0f} to {100 * summary['soc_high']:.0f} % charged "
        f"(best guess {100 * summary['soc']:.0f} %); counted since the start: {summary['charge_ah']:+.3f} Ah",
        f"Still to be had: {summary['usable_ah_low']:.2f} to {summary['usable_ah_high']:.2f} Ah, middle "
        f"{summary['usable_ah']:.2f} Ah ({summary['usable_wh']:.1f} Wh). {summary['limited_why']}",
    ]
    for tap, words in _DIRECTIONS.items():
        if passed := summary[tap]:
            lines.append(", ".join(f"{passed[key]:.3f} Ah {text}" for key, text in words.items()))
    counts = ", ".join(f"{code} {count}" for code, count in summary["notices"].items())
    lines.append(f"Notices raised: {counts or 'none'}")
    lines += [f"Note: {warning}" for warning in summary["warnings"]]
    lines.append(f"Estimates in {options.out}" + (f", notices in {options.notices}" if options.notices else ""))
    return "\n".join(lines)
