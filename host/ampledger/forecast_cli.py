"""
`ampledger forecast`: from a log up to its last row, whether the station lasts until the closing time, and what helps.

In: a log (see `logfile`), what its owner knows of battery and station, and the plan. Out: text, or one JSON object.
The arithmetic is in `core/forecast.py`; the log is stepped through the same `Engine` as by `replay` and the live view.
Whatever can't be answered is refused with a sentence that says what to change, before anything is printed.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from ampledger import settings
from ampledger.core import forecast
from ampledger.core.forecast import Forecast, Scene, Three
from ampledger.core.model import Interval, Start
from ampledger.errors import ConfigError, plain
from ampledger.logfile import Log, read_log

_LEAST_ROWS, _LEAST_S = 5, 60.0
# The reserve can't be told from above what is left when fewer than so many in a thousand of the ways it may be are.
_NO_CHANCE = 0.001


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger forecast` understands."""
    parser.add_argument("log", metavar="LOG", help="log file, .csv or .csv.gz (format: host/LOGFORMAT.md)")
    settings.add_plan_options(parser)
    settings.add_battery(parser, asked_each_time=True)
    settings.add_arguments(parser)
    settings.add_milliohms(parser)
    parser.add_argument("--json", action="store_true", help="as one JSON object")


def run(args: argparse.Namespace) -> int:
    """
    Print the forecast of a log as the arguments say.

    Raises
    ------
    BoxError
        What is wrong with an argument or the log, and what to change; nothing was printed then.
    """
    settings.check_told(args)
    start = Start(args.start_soc) if args.start_sd is None else Start(args.start_soc, args.start_sd)
    pack = {"capacity_ah": args.capacity_ah, "series": args.series, "reserve_soc": args.reserve_soc}
    setup = settings.battery_told(pack | settings.chosen(args))
    told = settings.plan_told(args)
    log = read_log(args.log)
    now_s = _check_log(log)
    plan = settings.plan(told, now_s)
    # Minutes that were told are the operator's own, and refused rather than replaced by a suggestion
    _check_until(args, plan.until_s if args.past_min is None else settings.usual_s(told, now_s), now_s)
    engine = setup.engine(start)
    engine.follow(log.intervals)
    scene = engine.scene()
    _check_reserve(scene)
    found = forecast.forecast(scene, plan)
    notes = _notes(log, told, now_s)
    if args.json:
        print(json.dumps(_values(found) | {"notes": notes}, allow_nan=False))
        return 0
    for line in [*_lines(found), *(f"Note: {note}" for note in notes)]:
        print(plain(line, 1000))
    return 0


# -- what is refused -----------------------------------------------------------------------------


def _check_log(log: Log) -> float:
    """The time of its end, UTC [s]; raises ConfigError when no forecast can begin there."""
    if log.time_column != "time_utc":
        raise ConfigError(
            "The log tells no date: its times are t_s, seconds from some zero. A forecast needs the column time_utc, "
            "such as 2026-06-20T22:10:00Z."
        )
    rows = [log.intervals[index] for index in log.row_interval]
    if not any(_flows(item, "load") for item in rows):
        raise ConfigError(
            "The log does not say what the station draws. A forecast needs the load's amps: the column load_a "
            "(load_v beside it), with values."
        )
    if not any(item.battery.v is not None for item in rows):
        raise ConfigError("The log has no battery volts. A forecast needs values in the column battery_v.")
    if not any(_flows(item, "battery") for item in rows):
        raise ConfigError("The log has no battery amps. A forecast needs values in the column battery_a.")
    seen_s = sum(item.dt_s for item in rows if _flows(item, "load"))
    if len(rows) < _LEAST_ROWS or seen_s < _LEAST_S:
        raise ConfigError(
            f"The log has {len(rows)} row{'' if len(rows) == 1 else 's'}, {seen_s:.0f} s with the load; a forecast "
            f"needs {_LEAST_ROWS} rows and {_LEAST_S:.0f} s. Give a longer one."
        )
    return log.intervals[-1].end_s


def _flows(item: Interval, name: str) -> bool:
    tap = getattr(item, name)
    return tap is not None and (tap.a is not None or tap.charge_c is not None)


def _check_until(args: argparse.Namespace, until_s: float, now_s: float) -> None:
    """As `forecast.check` does, before the log is stepped through; says the times and the option."""
    if now_s < until_s <= now_s + forecast.HORIZON_S:
        return
    most = f"a time after {_clock(now_s)}, up to {_clock(now_s + forecast.HORIZON_S)}"
    if args.until is None:
        raise ConfigError(
            f"--past-min {args.past_min:g} is too far off to see: the log ends {_clock(now_s)} and a forecast reaches "
            f"{forecast.HORIZON_S / 3600:.0f} h. Say the closing time with --until: {most}."
        )
    where = "not after the log's last row" if until_s <= now_s else f"{(until_s - now_s) / 3600:.1f} h after its end"
    raise ConfigError(f"--until {_clock(until_s)} is {where}; the log ends {_clock(now_s)}. Give {most}.")


def _check_reserve(scene: Scene) -> None:
    """Raises ConfigError when nothing can be left above the reserve."""
    e = scene.estimate
    above = float(e.density[e.edges[1:] > scene.reserve_soc].sum() / e.density.sum())
    if above < _NO_CHANCE and scene.reserve_soc > 0.0:
        raise ConfigError(
            f"--reserve-soc {scene.reserve_soc:g}: {100 * e.low:.0f} to {100 * e.high:.0f} % is left at the end of the "
            f"log, so nothing is above the reserve. Give a lower one, or check --start-soc and --capacity-ah."
        )


# -- what is said --------------------------------------------------------------------------------


def _notes(log: Log, told: settings.PlanTold, now_s: float) -> list[str]:
    notes = [*log.warnings]
    suggested = settings.suggested(told, now_s)
    if suggested:
        notes.append(f"{suggested} Say yours with --until.")
    if told.panel is not None and told.place is None:
        notes.append("The panel helps only with the place: give --locator, or --lat and --lon.")
    return notes


def _iso(time_s: float | None) -> str | None:
    """To the second, UTC."""
    if time_s is None:
        return None
    return datetime.fromtimestamp(round(time_s), UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _clock(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ").replace(":00Z", "Z")


def _values(f: Forecast) -> dict[str, Any]:
    """What is printed as JSON; times ISO 8601 in UTC, to the second."""

    def three(values: Sequence[Any]) -> dict[str, Any]:
        return dict(zip(("p10", "p50", "p90"), values, strict=True))

    morning, plan_b = None, None
    if f.morning is not None:
        soc = three([round(x, 4) for x in f.morning.soc])
        morning = {"at": _iso(f.morning.at_s), "soc": soc, "full": _iso(f.morning.full_s)}
    if f.plan_b is not None:
        plan_b = {"change": f.plan_b, "until": _iso(f.plan_b_s)}
    return {
        "now": _iso(f.now_s),
        "until": _iso(f.until_s),
        "probability": round(f.probability, 4),
        "lasts_until": three([_iso(t) for t in f.lasts_until]),
        "reasons": list(f.reasons),
        "changes": [
            {"change": c.change, "gain_min": round(c.gain_min, 1), "probability": round(c.probability, 4)}
            for c in f.changes
        ],
        "verdict": f.verdict,
        "limited_by": f.limited_by,
        "horizon": _iso(f.horizon_s),
        "most_mean_a": None if f.most_mean_a is None else round(f.most_mean_a, 3),
        "enough_contacts": None if f.enough_contacts is None else round(f.enough_contacts, 4),
        "plan_b": plan_b,
        "morning": morning,
    }


def _lines(f: Forecast) -> list[str]:
    says = f"{f.verdict[0].upper()}{f.verdict[1:]}"
    lines = [
        f"{says}: {_percent(f.probability)} that the station lasts until {_day(f.until_s)}.",
        f"now         {_day(f.now_s)}, the log's end",
        f"lasts until {_lasts(f.lasts_until, f)}; it ends by {_ENDS[f.limited_by]}",
    ]
    lines += [f"because     {reason}" for reason in f.reasons]
    for c in f.changes:
        least = "at least " if f.lasts_until[1] + 60.0 * c.gain_min >= f.horizon_s else ""
        gain = f"{least}{c.gain_min:+.0f} min"
        lines.append(f"change      {c.change}: {gain}, {_percent(c.probability)}")
    if f.plan_b is not None and f.plan_b_s is not None:
        lines.append(f"plan B      {f.plan_b} from {_hour(f.plan_b_s)} on at the latest still lasts nine times in ten")
    if f.most_mean_a is not None:
        lines.append(f"load        up to {f.most_mean_a:.2f} A on average lasts nine times in ten")
    if f.enough_contacts is not None:
        lines.append(f"contacts    {_percent(f.enough_contacts)} to make as many as are wanted in that UTC day")
    if f.morning is not None:
        low, mid, high = (100.0 * x for x in f.morning.soc)
        full = "" if f.morning.full_s is None else f"; full about {_day(f.morning.full_s)}"
        at = _day(f.morning.at_s)
        lines.append(f"morning     {mid:.0f} % ({low:.0f} to {high:.0f} %) left at sunrise, {at}{full}")
    return lines


_ENDS: dict[forecast.End, str] = {
    "reserve": "the reserve",
    "radio volts": "the radio's volts when keyed",
    "battery empty": "an empty battery",
    "protection": "the battery's own protection, with charge left",
}


def _percent(p: float) -> str:
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def _lasts(times_s: Three, f: Forecast) -> str:
    early, mid, late = (f"later than {_hour(t)}" if t >= f.horizon_s else _hour(t) for t in times_s)
    return early if early == late else f"{mid} (nine in ten: {early}; one in ten: {late})"


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _hour(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%H:%M UTC")
