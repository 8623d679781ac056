"""
`ampledger station`: what was learnt of the station, learnt from another outing, forgotten, and had back; `ampledger
store-away`: putting the battery away.

In: arguments, the store of the records, a log. Out: text, or one JSON object. The arithmetic is in `core/station.py`
and `core/storage.py`, what is kept in `profile.py`; this module only asks and tells.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ampledger import profile, settings
from ampledger.ahead import read_kept
from ampledger.core import storage
from ampledger.core.station import HORIZON, KINDS, Lesson, Told, Value
from ampledger.errors import ConfigError, plain
from ampledger.logfile import read_log
from ampledger.profile import Profile
from ampledger.store import Store

_FIRST_S, _LAST_S = 0.0, 4_102_444_800.0  # whatever is stored, from 1970 to 2100
_COUNTED = {"receive_a": "blocks of 5 min", "panel_ratio": "blocks of 5 min", "standing_a": "blocks of 5 min"}
_COUNTED |= {"efficiency": "blocks of 5 min", HORIZON: "sights"}


def add_arguments(parser: argparse.ArgumentParser, add_span: Callable[[argparse.ArgumentParser], None]) -> None:
    """What `ampledger station` understands. add_span : adds file, board and span of the records to a parser."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    learn = what.add_parser("learn", help="learn from one outing: of a log, or of the stored records")
    learn.add_argument("log", nargs="?", metavar="LOG", help="log file; without it the stored records")
    learn.add_argument("--outing", type=int, metavar="N", help="an outing by its number: its span, radio and place")
    learn.add_argument("--mode", default="", help="how was sent, such as CW; left out, told apart by the amps alone")
    learn.add_argument("--power-w", type=float, metavar="W", help="with what power")
    learn.add_argument("--series", type=int, metavar="N", help="cells in series, 1 to 16 (default: as kept, else 4)")
    settings.add_place_options(learn)
    add_span(learn)
    learn.add_argument("--json", action="store_true", help="as one JSON object")
    show = what.add_parser("show", help="what was learnt, from what and how sure")
    reset = what.add_parser("reset", help="forget a value, such as receive_a; `station undo` has it back")
    reset.add_argument("name", metavar="NAME", help="as `station show` prints it; a name alone means all its settings")
    undo = what.add_parser("undo", help="take the last reset back")
    for each in (show, reset, undo):
        each.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
        each.add_argument("--board", metavar="DEVICE", help="which board, when the file has several")
        each.add_argument("--json", action="store_true", help="as one JSON object")


def device_of(store: Store, board: str | None) -> str:
    """
    The board whose station is meant; "" where there is none yet, and what is learnt counts for whatever board comes.

    Raises ConfigError where it can't be told.
    """
    boards = store.devices()
    if board is not None and board in boards:
        return board
    if board is not None and not board.startswith("log:"):
        raise ConfigError(f"The file has no board {plain(board, 60)}; it has {', '.join(boards) or 'none'}.")
    if len(boards) > 1:
        raise ConfigError(f"Name the board whose station is meant with --board: {', '.join(boards)}.")
    return boards[0] if boards else ""


def run(args: argparse.Namespace, store: Store, span: Callable[[], tuple[str, float | None, float | None]]) -> int:
    """
    Do what the arguments say. span : the board or log that is meant, and begin and end as told. [s]

    Raises BoxError.
    """
    kept = Profile(store, device_of(store, args.board), time.time)
    if args.what == "learn":
        one = _lesson(args, store, span)
        kept.learn(one)
        _tell_lesson(one, kept.values(), args.json)
        return 0
    if args.what == "reset":
        done = kept.reset(args.name)
        said = f"{done.key} is forgotten; `ampledger station undo` has it back."
    elif args.what == "undo":
        done = kept.take_back()
        said = f"The reset of {done.key} is taken back."
    if args.what == "show" or args.json:
        _show(kept, args.json)
    else:
        print(plain(said))
    return 0


# -- learn ---------------------------------------------------------------------------------------


def _lesson(
    args: argparse.Namespace, store: Store, span: Callable[[], tuple[str, float | None, float | None]]
) -> Lesson:
    if args.power_w is not None and not 0.0 < args.power_w <= 10_000.0:
        raise ConfigError(f"--power-w {args.power_w:g}: give the transmitter's watts, up to 10000.")
    if args.series is not None and not 1 <= args.series <= 16:
        raise ConfigError(f"--series {args.series}: give the cells in series, 1 to 16.")
    site, now_s = settings.site_told(args), time.time()
    place, panel = site.place, site.panel
    if args.outing is not None:
        given = (args.log, args.mode or None, args.power_w, args.series, place, panel, args.since, args.until)
        if any(x is not None for x in given):
            raise ConfigError("What is told of an outing is kept with it (`ampledger outing set`); leave the rest out.")
        return profile.of_outing(store, args.board or device_of(store, None), args.outing, lambda: now_s)
    always = Told(-math.inf, math.inf, args.mode, args.power_w)
    told = (always,) if always.group else ()
    series = args.series or int((store.get_state("settings") or {}).get("series", 4))
    if args.log is not None:
        log = read_log(args.log)
        if log.time_column != "time_utc":
            raise ConfigError("The log tells no date, so it can't be said what is newer: it needs the column time_utc.")
        hours = (log.intervals[-1].end_s - log.intervals[0].start_s) / 3600.0
        if hours > profile.LONGEST_S / 3600.0:
            raise ConfigError(f"The log has {hours:.0f} h; one outing at a time: `ampledger import` takes it in, then "
                              "name a span with --since and --until.")  # fmt: skip
        return profile.of_intervals(log.intervals, f"log {Path(args.log).name}", told, place, panel, series)
    device, since_s, until_s = span()
    if not device.startswith("log:"):
        plan = read_kept(store.get_state(f"plan:{device}"), now_s)
        place, panel = place or plan.place, panel or plan.panel
    source = device if device.startswith("log:") else "records"
    begin_s, end_s = _FIRST_S if since_s is None else since_s, _LAST_S if until_s is None else until_s
    return profile.of_span(store, device, begin_s, end_s, source, told, place, panel, series)


def _tell_lesson(one: Lesson, values: Sequence[Value], as_json: bool) -> None:
    if as_json:
        print(json.dumps({"lesson": one.to_dict(), "values": [_value(v) for v in values]}, ensure_ascii=False))
        return
    print(plain(f"Learnt from {one.source}, {_day(one.begin_s)}:"))
    for f in one.findings:
        kind = KINDS[f.name]
        group = f.group or (f"about {f.level_a:.2g} A" if f.level_a else "")
        print(plain(f"{f'{f.name} {group}'.strip():28} {_figure(f.value, kind.unit)} {kind.what}; "
                    f"{f.number} {_COUNTED.get(f.name, 'overs')}"))  # fmt: skip
    if one.sights:
        print(f"{HORIZON:28} {sum(s.seen for s in one.sights)} of {len(one.sights)} sights with sun")
    for why in one.lacks:
        print(plain(f"Not learnt: {why}", 400))


# -- show ----------------------------------------------------------------------------------------


def _show(kept: Profile, as_json: bool) -> None:
    values, resets = kept.values(), kept.resets()
    trip = profile.for_trip(values)
    if as_json:
        said = {"values": [_value(v) for v in values], "trip": trip, "settings": profile.settings(values)}
        print(json.dumps(said | {"resets": [r._asdict() for r in resets]}, ensure_ascii=False))
        return
    if not values:
        print("Nothing is learnt yet: `ampledger station learn` takes it from a log or the records of an outing.")
    else:
        print("Ranges should hold the truth nine times in ten.")
    ridges = [v for v in values if v.name == HORIZON]
    for v in values:
        if v.name != HORIZON or v.low > 0.0:
            print(plain(line(v), 400))
    if open_ := sum(not v.low > 0.0 for v in ridges):
        print(f"{HORIZON:28} no ridge is known in {open_} more sector{'s' * (open_ > 1)} of the sky; --json has them")
    print(f"{'capacity, resistance':28} `ampledger health` has them")
    if trip:
        group = next(iter(profile.settings(values)), "")
        print(plain(f"{'a trip begins with':28} {', '.join(f'{k} {x:.3g}' for k, x in trip.items())}"
                    f"{f' ({group})' if group else ''}"))  # fmt: skip
    for r in resets:
        print(plain(f"{'forgotten':28} {r.key}, on {_day(r.time_s)}"))


def line(v: Value) -> str:
    """A value in words."""
    what = KINDS[v.name].what if v.name in KINDS else "of height, above which the sun reaches the panel there"
    outings = f"{v.outings} outing{'' if v.outings == 1 else 's'}"
    changed = "" if v.changed_s is None else f"; something was changed by then, {_day(v.changed_s)}"
    figure = f"{_figure(v.value, v.unit)} ({_figure(v.low)} to {_figure(v.high)})"
    number = f"{v.number} {_COUNTED.get(v.name, 'overs')}"
    return f"{v.key:28} {figure} {what}; {outings}, {number}, last {_day(v.last_s)}{changed}"


def _figure(x: float, unit: str = "") -> str:
    return f"{x:.3g} {unit}".strip() if x >= 0.001 else f"0 {unit}".strip()


def _value(v: Value) -> dict[str, Any]:
    return {"key": v.key, **asdict(v)}


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")


# -- store-away ----------------------------------------------------------------------------------


def add_away_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger store-away` understands."""
    add = parser.add_argument
    add("--capacity-ah", type=float, required=True, metavar="AH", help="of the battery, from full to empty")
    add("--soc", type=settings._share, required=True, metavar="X", help="its charge now: 0.95 or 95%%")
    add("--soc-sd", type=settings._share, default=0.05, metavar="X", help="how well that is known (default 0.05)")
    add("--temp-c", type=float, required=True, metavar="C", help="where it will stand")
    add("--floor", type=settings._share, default=0.2, metavar="X", help="top up at this charge (default 0.2)")
    add("--charger-a", type=float, metavar="A", help="what the charger gives, for how long charging takes")
    add("--series", type=int, default=4, metavar="N", help="cells in series, 1 to 16 (default 4)")
    add("--connected", action="store_true", help="it stays connected: what was learnt to flow then counts")
    add("--standing-ma", type=float, metavar="MA", help="or what flows while it stands, if you know it (default 0)")
    add("--data", type=Path, metavar="FILE", help="file of the record store, for --connected")
    add("--board", metavar="DEVICE", help="which board, when the file has several")
    add("--json", action="store_true", help="as one JSON object")


def run_away(args: argparse.Namespace, data: Path) -> int:
    """Print the advice. data : the file of the records, looked at for --connected only. Raises BoxError."""
    standing, rests = _stands(args, data)
    away = storage.Away(
        time.time(), args.capacity_ah, args.soc, args.temp_c, args.soc_sd, args.floor, standing, args.charger_a,
        args.series,
    )  # fmt: skip
    advice = storage.advise(away)
    if args.json:
        said = asdict(advice) | {"standing_from": rests, "topup": [_day(t) for t in advice.topup_s]}
        print(json.dumps(said | {"low_soc": storage.STORE[0], "high_soc": storage.STORE[2]}, ensure_ascii=False))
        return 0
    for text in away_lines(away, advice, rests):
        print(plain(text, 400))
    return 0


def _stands(args: argparse.Namespace, data: Path) -> tuple[storage.Three, str]:
    """What flows while it stands, and where that is from."""
    if args.standing_ma is not None:
        if args.connected:
            raise ConfigError("--connected takes what was learnt and --standing-ma says it; give one of them.")
        a = args.standing_ma / 1000.0
        return storage.Three(a, a, a), "as told"
    if not args.connected:
        return storage.Three(0.0, 0.0, 0.0), "unplugged"
    values: Sequence[Value] = ()
    if data.exists():
        with closing(Store(data, look=True)) as store:
            values = Profile(store, device_of(store, args.board), time.time).values()
    for v in values:
        if v.name == "standing_a":
            return storage.Three(v.value, v.low, v.high), f"learnt from {v.outings} outing{'s' * (v.outings > 1)}"
    kind = KINDS["standing_a"]
    half = 1.6449 * kind.prior_sd
    return storage.Three(kind.prior, max(0.0, kind.prior - half), kind.prior + half), "usual, nothing was learnt"


def away_lines(away: storage.Away, a: storage.Advice, rests: str) -> list[str]:
    """The advice in words."""
    low, middle, high = (100 * x for x in storage.STORE)
    todo = {
        "store": f"Store it as it is, {100 * away.soc:.0f} %.",
        "charge": f"Charge {a.move_ah:.2f} Ah first, to {middle:.0f} %.",
        "discharge": f"Use {-a.move_ah:.2f} Ah first, down to {middle:.0f} %.",
    }[a.do]
    lines = [
        f"{todo} Packs like this are kept at {low:.0f} to {high:.0f} % (common practice); one maker's sheet has "
        f"{a.store_v:.1f} V rested, about half.",
        f"drain       {_milli(a.drain_a)}: by itself, its protection, and {_milli(away.standing)} that flow while it "
        f"stands ({rests})",
        f"top up by   {_day(a.topup_s.value)} ({_day(a.topup_s.low)} to {_day(a.topup_s.high)})"
        + ("; one maker's sheet asks for one cycle every six months" if a.by_sheet else
           f", when {100 * away.floor:.0f} % are left"),
    ]  # fmt: skip
    if a.do != "store":
        days = _days(a.from_now_days)
        lines.append(f"            with the charge of now it is {days} until {100 * away.floor:.0f} %")
    for what, h in (("to store", a.to_store_h), ("to full", a.to_full_h)):
        if h is not None:
            lines.append(f"{what:11} {h.value:.1f} h ({h.low:.1f} to {h.high:.1f}) with {away.charger_a:g} A")
    return lines + [f"Caution: {text}" for text in a.cautions]


def _milli(x: storage.Three) -> str:
    value, low, high = (1000 * y for y in x)
    return f"{value:.1f} mA" if low == high else f"{value:.1f} mA ({low:.1f} to {high:.1f})"


def _days(x: storage.Three) -> str:
    return f"{x.value:.0f} days ({x.low:.0f} to {x.high:.0f})"
