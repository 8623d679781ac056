"""
`ampledger outing`: outings listed, shown with their books, begun, ended, changed, deleted, proposed, given a log.

In: arguments and the store. Out: text, or JSON. What an outing is stands in `outings`; this module only asks and tells.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ampledger import adif, outings
from ampledger.core.books import Books
from ampledger.errors import ConfigError, plain
from ampledger.outings import Outing, Outings
from ampledger.settings import _moment_s
from ampledger.store import Store

#: What opens the store: whether only to look; gives the store and the board or imported log that is meant.
Opened = Callable[[bool], AbstractContextManager[tuple[Store, str]]]
_MOST_ODD = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger outing` understands."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)

    def add(name: str, words: str, number: str | None = None) -> argparse.ArgumentParser:
        one = what.add_parser(name, help=words, description=words)
        if number:
            many = number if number == "?" else None
            one.add_argument("number", type=int, metavar="N", nargs=many, help="which outing")
        one.add_argument("--data", type=Path, metavar="FILE", help="file of the record store")
        one.add_argument("--board", metavar="DEVICE", help="which board or imported log, when the file has several")
        return one

    add("list", "the outings there are").add_argument("--json", action="store_true", help="as one JSON object")
    show = add("show", "one outing: what was told of it, its books by UTC day and for the whole", "1")
    show.add_argument("--json", action="store_true", help="as one JSON object")
    begin = add("begin", "begin an outing, now or at an earlier time")
    begin.add_argument("--at", metavar="UTC", help="when it began, such as 2026-09-12T22:10Z (default: now)")
    begin.add_argument("--end-at", metavar="UTC", help="when it ended")
    _fields(begin)
    end = add("end", "end an outing, now or at an earlier time; without N the one under way", "?")
    end.add_argument("--at", metavar="UTC", help="when it ended (default: now)")
    change = add("set", "change what was told of an outing", "1")
    change.add_argument("--begin-at", metavar="UTC", help="when it began")
    change.add_argument("--end-at", metavar="UTC", help="when it ended; none: it goes on")
    _fields(change)
    delete = add("delete", "delete an outing; its readings stay, and `outing undo` has it back", "1")
    delete.add_argument("--yes", action="store_true", help="do not ask")
    add("undo", "take the last change, deletion, log, beginning or end back")
    propose = add("propose", "spans that may have been outings: the load came on, and went off for half an hour")
    propose.add_argument("--since", metavar="UTC", help="from then on")
    propose.add_argument("--until", metavar="UTC", help="up to then")
    propose.add_argument("--take", type=int, metavar="K", help="make an outing of the K-th")
    log = add("log", "keep a contact log (ADIF: .adi, .adx) with an outing", "1")
    log.add_argument("file", type=Path, metavar="FILE", help="the log; it stays on this computer")
    log.add_argument("--offset-s", type=float, default=0.0, metavar="S", help="seconds to add to its times (default 0)")


def _fields(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--name", metavar="TEXT", help="what it is called")
    add("--locator", metavar="SQUARE", help="where, as a Maidenhead locator such as DN53vo; none: not told")
    add("--mode", metavar="TEXT", help="how was sent, such as CW; none: not told")
    add("--power-w", metavar="W", help="power of the transmitter; none: not told")
    add("--capacity-ah", metavar="AH", help="what the battery holds; none: not told")
    add("--reserve-pct", metavar="PCT", help="of the battery, not to be used; none: not told")
    add("--standing-ma", metavar="MA", help="what flows beside the measured points, as a controller's own draw; none")
    add("--closing", metavar="UTC", help="closing time that was planned; none: not told")
    add("--notes", metavar="TEXT", help="whatever else; none: nothing")


def run(args: argparse.Namespace, opened: Opened, now: Callable[[], float] = time.time) -> int:
    """Do what `add_arguments` was given; returns the exit code. Raises ConfigError, StoreError."""
    log = _read_log(args.file) if args.what == "log" else None
    look = args.what in ("list", "show") or (args.what == "propose" and args.take is None)
    with opened(look) as (store, device):
        book = Outings(store, device, now)
        if args.what == "list":
            _list(book, device, args.json)
        elif args.what == "show":
            _show(store, device, book, args.number, args.json)
        elif args.what == "begin":
            at_s = None if args.at is None else _moment(args.at, "--at")
            end_s = None if args.end_at is None else _moment(args.end_at, "--end-at")
            _say("Begun", book.begin(at_s, end_s, **_values(args)))
        elif args.what == "end":
            at_s = None if args.at is None else _moment(args.at, "--at")
            _say("Ended", book.end(args.number, at_s))
        elif args.what == "set":
            _say("Changed", book.change(args.number, **_values(args)))
        elif args.what == "delete":
            _delete(book, args.number, args.yes)
        elif args.what == "undo":
            of, what = book.undo()
            print(f"Taken back: {what} (outing {of}).")
        elif args.what == "propose":
            _propose(store, device, book, args)
        elif log is not None:
            _keep(book, args.number, log, args.offset_s)
    return 0


# --- what was given ---


def _moment(text: str, name: str) -> float:
    time_s = _moment_s(text)
    if time_s is None:
        raise ConfigError(f"{name} “{plain(text, 40)}” is no time; give UTC such as 2026-09-12T22:10Z.")
    return time_s


#: Option, field, factor.
_NUMBERS = {
    "power_w": ("--power-w", "power_w", 1.0),
    "capacity_ah": ("--capacity-ah", "capacity_ah", 1.0),
    "reserve_pct": ("--reserve-pct", "reserve", 0.01),
    "standing_ma": ("--standing-ma", "standing_a", 0.001),
}
_TIMES = {"begin_at": ("--begin-at", "begin_s"), "end_at": ("--end-at", "end_s"), "closing": ("--closing", "closing_s")}


def _values(args: argparse.Namespace) -> dict[str, Any]:
    """What is to be changed; None for what was given as "none"."""
    out: dict[str, Any] = {}
    for name in ("name", "locator", "mode", "notes"):
        if (text := getattr(args, name)) is not None:
            out["place" if name == "locator" else name] = None if _is_none(text) else text
    for name, (option, field, factor) in _NUMBERS.items():
        if (text := getattr(args, name)) is not None:
            out[field] = None if _is_none(text) else factor * _number(text, option)
    for name, (option, field) in _TIMES.items():
        text = getattr(args, name, None)
        if text is None or (args.what == "begin" and name == "end_at"):
            continue
        out[field] = None if _is_none(text) else _moment(text, option)
    return out


def _is_none(text: str) -> bool:
    return text.strip().lower() in ("", "none")


def _number(text: str, option: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ConfigError(f"{option} “{plain(text, 40)}” is no number.") from None


def _read_log(path: Path) -> adif.Log:
    try:
        with path.open("rb") as stream:
            data = stream.read(adif.MOST_BYTES + 1)
    except OSError as e:
        raise ConfigError(f"{path} can't be read ({e.strerror}): check the path.") from e
    return adif.read(data)


# --- what is told ---


def _utc(time_s: float | None, otherwise: str = "not told") -> str:
    return otherwise if time_s is None else f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%d %H:%M} UTC"


def _local(time_s: float) -> str:
    """The same moment on this computer's clock, where that differs."""
    local = datetime.fromtimestamp(time_s, UTC).astimezone()
    return f" ({local:%H:%M} here)" if local.utcoffset() else ""


def _length(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _line(it: Outing) -> str:
    until = f"to {_utc(it.end_s)}, {_length(it.end_s - it.begin_s)}" if it.end_s is not None else "no end yet"
    more = ", ".join(x for x in (it.place, it.mode, f"{it.power_w:g} W" if it.power_w else "") if x)
    return plain(f"{it.number:4d}  {_utc(it.begin_s)} {until}  {it.title}{f'  ({more})' if more else ''}", 400)


def _say(done: str, it: Outing) -> None:
    print(f"{done}: outing{_line(it)}")


def _list(book: Outings, device: str, as_json: bool) -> None:
    found = book.all()
    if as_json:
        print(json.dumps({"board": device, "outings": [asdict(o) for o in found]}))
        return
    for it in found:
        print(_line(it))
    if not found:
        print(f"No outings of {plain(device)} yet. `ampledger outing propose` looks for some in what is stored.")


def _show(store: Store, device: str, book: Outings, number: int, as_json: bool) -> None:
    it = book.one(number)
    begin_s, end_s = book.span(number)
    whole, days = outings.ledger(store, device, begin_s, end_s) if end_s > begin_s else (None, ())
    made, kept = book.marks(number), book.log_of(number)
    if as_json:
        log = None if kept is None else {"records": len(kept[0].records), "offset_s": kept[1]}
        said = {
            "board": device, "outing": asdict(it), "begin_s": begin_s, "end_s": end_s,
            "whole": None if whole is None else _told(whole, end_s - begin_s),
            "days": [{"day_s": day_s, **_told(books, None)} for day_s, books in days],
            "marks": [m._asdict() for m in made], "log": log,
        }  # fmt: skip
        print(json.dumps(said))
        return
    for line in [*_about(it, begin_s, end_s), *_books(it, whole, days, end_s - begin_s)]:
        print(plain(line, 1000))
    counts: dict[str, int] = {}
    for m in made:
        counts[m.kind] = counts.get(m.kind, 0) + 1
    if counts:
        print("marks    " + ", ".join(f"{n} {kind}" for kind, n in counts.items()))
    for m in [m for m in made if m.kind == "note"]:
        print(plain(f"note     {_utc(m.time_s)}: {m.text}", 400))
    if kept is not None:
        print(f"log      {len(kept[0].records)} records, {kept[1]:+g} s on its clock")


def _told(books: Books, length_s: float | None) -> dict[str, Any]:
    out = books.to_dict()
    if length_s is not None:
        out["without_s"] = max(0.0, length_s - books.measured_s - books.gap_s)
    return out


def _about(it: Outing, begin_s: float, end_s: float) -> list[str]:
    lines = [f"Outing {it.number}: {it.title}"]
    end = "goes on" if it.end_s is None else f"{_utc(it.end_s)}{_local(it.end_s)}"
    lines.append(f"time     {_utc(begin_s)}{_local(begin_s)} to {end}, {_length(end_s - begin_s)}")
    battery = "not told" if it.capacity_ah is None else f"{it.capacity_ah:g} Ah"
    if it.reserve is not None:
        battery += f", {100 * it.reserve:.0f} % as reserve"
    radio = ", ".join(x for x in (it.mode, f"{it.power_w:g} W" if it.power_w else "") if x) or "not told"
    lines.append(f"place    {it.place or 'not told'}; battery {battery}; radio {radio}")
    lines.append(f"planned  to close at {_utc(it.closing_s)}{'' if it.closing_s is None else _local(it.closing_s)}")
    lines += [f"notes    {text}" for text in it.notes.splitlines()]
    return lines


def _books(it: Outing, whole: Books | None, days: tuple[tuple[float, Books], ...], length_s: float) -> list[str]:
    if whole is None:
        return ["books    nothing is stored of that time whose time is known"]
    lines = []
    for day_s, books in days if len(days) > 1 else ():
        lines += [f"{datetime.fromtimestamp(day_s, UTC):%Y-%m-%d} (UTC day)", *_amounts(books)]
    lines += ["The whole", *_amounts(whole)]
    lines += _beside(it, whole)
    without_s = length_s - whole.measured_s - whole.gap_s
    if without_s >= 60.0:
        lines.append(f"  nothing is stored of {_length(without_s)} of it")
    return lines


_MUCH = 0.005  # not accounted for, of the largest line: more is worth a word


def _beside(it: Outing, whole: Books) -> list[str]:
    """What a draw beside the measured points makes of the rest."""
    if whole.compared_s <= 0.0:
        return []
    if it.standing_a:
        left = f"{outings.left_ah(whole, it):+.3f} Ah are left"
        return [f"  the {1000 * it.standing_a:.0f} mA told to flow beside the measured points taken off, {left}"]
    if whole.unaccounted_ah <= _MUCH * _largest(whole):
        return []
    mean_ma = 1000.0 * whole.unaccounted_ah * 3600.0 / whole.compared_s
    return [
        f"  that is {mean_ma:.0f} mA all the time: a controller's own draw, if it has one, is told with --standing-ma"
    ]


def _largest(b: Books) -> float:
    return max(b.solar.plus_ah, b.load.plus_ah, b.battery.plus_ah, b.battery.minus_ah)


def _amounts(b: Books) -> list[str]:
    lines = [f"  {_length(b.measured_s)} of readings, {_length(b.gap_s)} without"]
    for name, line, plus, minus in (
        ("sun", b.solar, "in", "back"), ("load", b.load, "out", "back"), ("battery", b.battery, "charged", "discharged")
    ):  # fmt: skip
        text = f"  {name:8} {line.plus_ah:8.3f} Ah {line.plus_wh:8.2f} Wh {plus}"
        if line.minus_ah >= 0.0005 or name == "battery":
            text += f", {line.minus_ah:.3f} Ah {line.minus_wh:.2f} Wh {minus}"
        lines.append(text + (f"; not known for {line.unknown_s:.0f} s" if line.unknown_s >= 1.0 else ""))
    inside = ", part of the load's" if b.own_in_load else ""
    lines.append(f"  {'board':8} {b.own_ah:8.3f} Ah {b.own_wh:8.2f} Wh its own draw, as declared{inside}")
    if b.compared_s > 0.0:
        most = _largest(b)
        share = f", {100 * abs(b.unaccounted_ah) / most:.2f} % of the largest of these" if most > 0.0 else ""
        lines.append(f"  {'rest':8} {b.unaccounted_ah:+8.3f} Ah not accounted for{share}")
    else:
        lines.append(f"  {'rest':8} can't be told: at no time were all three points known side by side")
    return lines


def _delete(book: Outings, number: int, sure: bool) -> None:
    it = book.one(number)
    if not sure:
        if not sys.stdin.isatty():
            raise ConfigError("Deleting asks first; where nobody can answer, give --yes.")
        print(_line(it))
        if input("Delete this outing? Its readings stay. [y/N] ").strip().lower() not in ("y", "yes"):
            print("Nothing was changed.")
            return
    book.delete(number)
    print(f"Outing {number} is deleted; `ampledger outing undo` has it back.")


def _propose(store: Store, device: str, book: Outings, args: argparse.Namespace) -> None:
    since_s = None if args.since is None else _moment(args.since, "--since")
    until_s = None if args.until is None else _moment(args.until, "--until")
    found = outings.propose(store, device, since_s, until_s, book.all())
    if args.take is not None:
        if not 1 <= args.take <= len(found):
            raise ConfigError(f"--take {args.take}: there are {len(found)} proposals.")
        it = found[args.take - 1]
        _say("Made", book.begin(it.begin_s, it.end_s))
        return
    for k, it in enumerate(found, 1):
        length = _length(it.end_s - it.begin_s)
        print(f"{k:4d}  {_utc(it.begin_s)} to {_utc(it.end_s)}, {length}, {it.load_ah:.2f} Ah drawn")
        print(f"      {it.why}")
    print("`ampledger outing propose --take K` makes an outing of one." if found else "Nothing to propose.")


def _keep(book: Outings, number: int, log: adif.Log, offset_s: float) -> None:
    book.put_log(number, log, offset_s)
    print(f"{len(log.records)} records are kept with outing {number}; they stay on this computer.")
    for odd in log.odd[:_MOST_ODD]:
        print(f"note: {plain(odd, 300)}", file=sys.stderr)
    if (more := len(log.odd) + log.more_odd - _MOST_ODD) > 0:
        print(f"note: and {more} more that could not be read.", file=sys.stderr)
