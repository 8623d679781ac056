"""
`ampledger curve`: list, show, check and learn voltage curves.

What comes in is the name of a published curve, a curve file, a log or the
stored records; what goes out is text or one JSON object, and from `learn` a
curve file. The arithmetic is in `core/cells.py` and `core/learn.py`, the file
in `curvefile.py`; this module only asks and tells.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from ampledger import __version__
from ampledger.core.cells import CURVES, LFP26650, Curve, apart_v, measured
from ampledger.core.learn import Learnt, Run, learn_curve
from ampledger.core.model import Battery, Interval
from ampledger.curvefile import find_curve, read_curve, write_curve
from ampledger.errors import ConfigError, plain
from ampledger.health_cli import reckoned

_SHOWN = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
_WORDS = ("conditions", "accuracy", "source", "licence", "typed_in")


# What `learn` asks of the stored records: the span's intervals, the battery as kept (None: nobody said), and a name.
Stored = Callable[[], contextlib.AbstractContextManager[tuple[Iterator[Interval], dict[str, Any] | None, str]]]


def add_arguments(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Add what `ampledger curve` understands; hands back the parser of `learn`, which also takes a span of records."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    listed = what.add_parser("list", help="the published curves, and how far they lie apart")
    listed.add_argument("--json", action="store_true", help="as one JSON object")
    show = what.add_parser("show", help="one curve: where it comes from, and its volts")
    show.add_argument("curve", metavar="NAME", help="a published curve's name, or the path of a curve file")
    show.add_argument("--json", action="store_true", help="as one JSON object, with every point")
    check = what.add_parser("check", help="read a curve file and say what is wrong with it, or what is in it")
    check.add_argument("file", metavar="FILE", help="format: host/CURVEFORMAT.md")
    check.add_argument("--json", action="store_true", help="as one JSON object")
    learn = what.add_parser("learn", help="your pack's own curve, from slow discharges in a log or the records")
    learn.add_argument("log", nargs="?", metavar="LOG", help="log file; without it the stored records")
    learn.add_argument("--out", required=True, metavar="FILE", help="the curve file to write, .csv; never overwrites")
    learn.add_argument("--capacity-ah", type=float, metavar="AH", help="what the battery's label says")
    learn.add_argument("--series", type=int, metavar="N", help="cells in series, 1 to 16")
    learn.add_argument("--name", default="own", help="what to call it (default own)")
    learn.add_argument("--starts-full", action="store_true", help="the record begins with a pack just charged to full")
    learn.add_argument("--json", action="store_true", help="as one JSON object")
    return learn


def run(args: argparse.Namespace, stored: Stored) -> int:
    """Do what the arguments say. Raises BoxError."""
    if args.what == "list":
        _list(args.json)
    elif args.what == "learn":
        _learn(args, stored)
    else:
        curve = find_curve(args.curve) if args.what == "show" else read_curve(args.file)
        _show(curve, args.json, whole=args.what == "show")
    return 0


def _list(as_json: bool) -> None:
    rows = [
        {"name": c.name, "digest": c.digest, "temps_c": list(c.temps_c), **_apart(c), "source": c.source}
        for c in CURVES.values()
    ]
    if as_json:
        print(json.dumps({"curves": rows}, ensure_ascii=False))
        return
    for curve in CURVES.values():
        temps = ", ".join(f"{t:g}" for t in curve.temps_c)
        both = "one branch" if curve.discharge_v == curve.charge_v else "both branches"
        print(f"{curve.name:10} {both} at {temps} °C{_apart_in_words(curve)}")
        print(f"{'':10} {curve.source}")
    print("`ampledger curve show NAME` tells more. None of them is your pack: `ampledger curve learn` makes its own.")


def _apart(curve: Curve) -> dict[str, float | None]:
    """Mean, lowest and highest distance from the built-in curve on the plateau, one cell. [mV]"""
    apart = apart_v(curve, LFP26650)
    names = ("apart_mv", "apart_lowest_mv", "apart_highest_mv")
    if not apart.size:
        return dict.fromkeys(names)
    return dict(zip(names, (round(1000 * float(f(apart)), 1) for f in (np.mean, np.min, np.max)), strict=True))


def _apart_in_words(curve: Curve) -> str:
    mean, lowest, highest = _apart(curve).values()
    if curve.digest == LFP26650.digest or mean is None or lowest is None or highest is None:
        return ""
    if lowest < 0.0 < highest:
        text = f"from {-lowest:.0f} mV per cell below to {highest:.0f} mV above"
    else:
        near, wide = sorted((abs(lowest), abs(highest)))
        text = f"{near:.0f} to {wide:.0f} mV per cell {'above' if highest > 0.0 else 'below'}"
    return f"; between 30 and 90 % it lies {text} {LFP26650.name}, on average {abs(mean):.0f} mV"


def _ranges(curve: Curve) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for index, temp_c in enumerate(curve.temps_c):
        for branch in ("discharge", "charge"):
            soc, volts = measured(curve, "discharge" if branch == "discharge" else "charge", index)
            row: dict[str, Any] = {"branch": branch, "temp_c": temp_c, "readings": int(soc.size)}
            if soc.size:
                row |= {"from_soc": float(soc[0]), "to_soc": float(soc[-1])}
                row |= {"lowest_v": float(volts.min()), "highest_v": float(volts.max())}
            out.append(row)
    return out


def _show(curve: Curve, as_json: bool, whole: bool) -> None:
    if as_json:
        said = asdict(curve) if whole else {key: getattr(curve, key) for key in ("name", *_WORDS)}
        print(json.dumps(said | {"digest": curve.digest, "branches": _ranges(curve)} | _apart(curve)))
        return
    print(plain(f"{curve.name}: fingerprint {curve.digest}{_apart_in_words(curve)}"))
    for row in _ranges(curve):
        line = f"{row['branch']:9} {row['temp_c']:5g} °C: "
        if row["readings"]:
            line += f"{row['readings']} readings, {100 * row['from_soc']:.0f} to {100 * row['to_soc']:.0f} % charge, "
            line += f"{row['lowest_v']:.3f} to {row['highest_v']:.3f} V per cell"
        else:
            line += f"not measured; the estimate then takes the distance between the branches of {LFP26650.name}"
        print(line)
    for word in _WORDS:
        print(plain(f"{word.replace('_', ' ')}: {getattr(curve, word)}".replace(" degC", " °C"), 3000))
    if whole:
        _table(curve)


def _table(curve: Curve) -> None:
    columns = [(b, i) for i in range(len(curve.temps_c)) for b in ("discharge", "charge")]
    print("charge   " + "  ".join(f"{b:>9} {curve.temps_c[i]:g} °C" for b, i in columns))
    for soc in _SHOWN:
        cells = []
        for branch, index in columns:
            points, volts = measured(curve, "discharge" if branch == "discharge" else "charge", index)
            inside = points.size and points[0] <= soc <= points[-1]
            width = len(f"{branch:>9} {curve.temps_c[index]:g} °C")
            cells.append(f"{np.interp(soc, points, volts):{width}.4f}" if inside else f"{'-':>{width}}")
        print(f"{100 * soc:5.0f} %  " + "  ".join(cells))


def _learn(args: argparse.Namespace, stored: Stored) -> None:
    if os.path.exists(args.out):
        raise ConfigError(f"{plain(args.out, 200)} is there already and is not overwritten. Choose another name.")
    if not args.name.strip() or args.name in CURVES:
        raise ConfigError(f"--name {plain(args.name, 60)!r}: choose a name of your own, not that of a published curve.")
    if args.log is not None and (args.data or args.board or args.since or args.until):
        raise ConfigError("--data, --board, --since and --until are for stored records; leave them out with a log.")
    if args.log is not None:
        from ampledger.interchange import read_file

        log = read_file(Path(args.log))
        learnt, battery = _learnt(args, iter(log.intervals), None, os.path.basename(args.log))
    else:
        with stored() as (intervals, settings, called):
            learnt, battery = _learnt(args, intervals, settings, called)
    write_curve(learnt.curve, args.out, battery.series)
    if args.json:
        said = {"out": args.out, "digest": learnt.curve.digest, "resistance_ohm": learnt.resistance_ohm}
        said |= {"runs": [asdict(run) for run in learnt.runs], "branches": _ranges(learnt.curve)}
        print(json.dumps(said | _apart(learnt.curve)))
        return
    print(f"{reckoned(battery, assumed=False)}.")
    for one in learnt.runs:
        print(_run_in_words(one))
    _show(learnt.curve, False, whole=False)
    print(f"The curve is in {plain(args.out, 200)}.")


def _learnt(
    args: argparse.Namespace, intervals: Iterator[Interval], settings: dict[str, Any] | None, called: str
) -> tuple[Learnt, Battery]:
    told = settings or {}
    capacity_ah = args.capacity_ah if args.capacity_ah is not None else told.get("capacity_ah")
    series = args.series if args.series is not None else told.get("series", 4)
    if capacity_ah is None:
        raise ConfigError(
            "Nobody has said which battery this is, and a curve learnt with an assumed one may be all wrong: "
            "give --capacity-ah, and --series if it isn't 4."
        )
    battery = Battery(float(capacity_ah), int(series))
    today = datetime.now(UTC).strftime("%Y-%m-%d")
    learnt = learn_curve(
        intervals,
        battery,
        name=args.name.strip(),
        starts_full=args.starts_full,
        source=f"own measurement, {plain(called, 100)}",
        typed_in=f"computed by ampledger {__version__}, {today}",
    )
    return learnt, battery


def _run_in_words(run: Run) -> str:
    # A log that knows no date counts from 1970
    began = datetime.fromtimestamp(run.start_s, UTC).strftime("%Y-%m-%d %H:%M") + " UTC" if run.start_s > 1e9 else ""
    return (
        f"{run.way} {began or f'{run.start_s:.0f} s'}, {(run.end_s - run.start_s) / 3600:.1f} h at "
        f"C/{1 / max(run.rate_c, 1e-6):.0f}: {run.capacity_ah:.2f} Ah from full to empty, {run.readings} readings"
        + ("" if run.temp_c is None else f" at {run.temp_c:.0f} °C")
        + f", {1000 * run.drop_v:.1f} mV per cell taken off"
    )
