"""
`ampledger contacts`: what each contact of an ADIF log took, and what there was by the hour and by UTC day.

In: a contact log, and what was recorded meanwhile (a log file or the store). Out: text or one JSON object; with `--out`
a file: the contact log with our figures as fields of ours, or a table of the contacts. Nothing else is written, nothing
leaves this computer, and no file is written over. The arithmetic is in `core/overs.py` and `core/contacts.py`.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from ampledger import adif
from ampledger.core import contacts
from ampledger.core.contacts import Contact, Cost, Offset, Span
from ampledger.core.model import Interval
from ampledger.core.overs import LONGEST_ROW_S, Over, Rows, overs, rows_of
from ampledger.errors import ConfigError, plain
from ampledger.interchange import parquet_tools
from ampledger.logfile import read_log, text_cell, whole_files

#: Opens the records of a board: the span of UTC that is wanted, as it is told otherwise. [s]
Stored = Callable[[float, float], AbstractContextManager[Iterable[Interval]]]

_HOUR_S, _DAY_S = 3600.0, 86_400.0
_AROUND_S = 15 * _HOUR_S  # what is looked at before and after the contacts: a zone taken for UTC, and an hour
_NEAR_S = 30.0            # a contact is recorded when something was measured so near to it
_SHOWN = 20
_MOST_OFFSET_S = 2 * _DAY_S
_KINDS = (".adi", ".adif", ".adx", ".csv", ".json", ".parquet")
_FIGURES = {"overs": "", "sent_s": "s", "sent_ah": "Ah", "ah": "Ah", "low_v": "V", "height_a": "A"}
_COLUMNS = {"record": "", "time_utc": "ISO 8601", "call": "", "band": "", "mode": "", "power_w": "W", **_FIGURES}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What `ampledger contacts` understands, besides the span of the store."""
    what = "log file of the amps (format: host/LOGFORMAT.md); without it the store is read"
    parser.add_argument("recorded", metavar="LOG", nargs="?", help=what)
    parser.add_argument("--log", type=Path, required=True, metavar="FILE", help="the contacts: ADIF, .adi or .adx")
    text = "seconds to be added to the log's times; auto: what fits the sending, where that is sure (default 0)"
    parser.add_argument("--offset", default="0", metavar="S|auto", help=text)
    text = f"contacts wanted in a UTC day (default {contacts.LEAST_A_DAY}: common practice, no source)"
    parser.add_argument("--wanted", type=int, default=contacts.LEAST_A_DAY, metavar="N", help=text)
    text = "also write a file: .adi or .adx (the log with our figures added), .csv, .json or .parquet (a table)"
    parser.add_argument("--out", type=Path, metavar="FILE", help=text)
    parser.add_argument("--json", action="store_true", help="as one JSON object")


@dataclass(frozen=True, slots=True)
class _Found:
    """
    All that is told. rows : those in which sending can be told. costs : None for a contact of whose time there are
    none. suggested : None where it can't be told.
    """

    log: adif.Log
    rows: Rows
    contacts: tuple[Contact, ...]
    odd: tuple[adif.Odd, ...]
    overs: tuple[Over, ...]
    costs: tuple[Cost | None, ...]
    offset_s: float
    suggested: Offset | None
    wanted: int

    def spans(self, length_s: float) -> tuple[Span, ...]:
        return contacts.by_span(self.contacts, self.overs, length_s, self.offset_s)

    def recorded_s(self, span: Span, length_s: float) -> float:
        """Time in a span of which there are rows, by where they begin. [s]"""
        begin = self.rows.begin_s
        return float(self.rows.dt_s[(begin >= span.begin_s) & (begin < span.begin_s + length_s)].sum())


def run(args: argparse.Namespace, stored: Stored) -> int:
    """
    Tell what the contacts took, as the arguments say.

    Raises
    ------
    BoxError
        What is wrong with an argument or a file, and what to change; nothing was printed or written then.
    """
    told_s = _offset_told(args.offset)
    if not 1 <= args.wanted <= 10_000:
        raise ConfigError(f"--wanted must be 1 to 10,000 contacts, not {args.wanted}.")
    if args.out is not None:
        _check_out(args.out)
    log = read(args.log)
    made, odd = adif.contacts_of(log)
    if not made:
        raise ConfigError(f"{args.log} has no contact with a time. {' '.join(map(str, (*log.odd, *odd)[:3]))}".strip())
    rows = _rows(args, stored, made)
    sent = overs(rows)
    rows = _usable(rows)
    suggested = contacts.suggest(made, sent)
    offset_s = told_s
    if offset_s is None:
        offset_s = suggested.offset_s if suggested is not None and suggested.sure else 0.0
    seen = _recorded(rows, made, offset_s)
    costs = tuple(c if s else None for c, s in zip(contacts.tie(made, sent, offset_s), seen, strict=True))
    found = _Found(log, rows, made, (*log.odd, *odd), sent, costs, offset_s, suggested, args.wanted)
    if args.out is not None:
        _write(args.out, found)
    if args.json:
        print(json.dumps(_values(found), allow_nan=False))
        return 0
    for line in _lines(found, args.offset == "auto"):
        print(plain(line, 1000))
    if args.out is not None:
        print(plain(f"Written: {args.out}", 1000))
    return 0


def read(path: Path) -> adif.Log:
    """The contact log in a file; raises ConfigError for one that is not there or is none."""
    try:
        with path.open("rb") as stream:
            data = stream.read(adif.MOST_BYTES + 1)
    except OSError as e:
        raise ConfigError(f"{path} can't be read ({e.strerror}): check the path.") from e
    return adif.read(data)


# --- what is asked ---


def _offset_told(text: str) -> float | None:
    if text == "auto":
        return None
    try:
        offset_s = float(text)
    except ValueError:
        offset_s = math.nan
    if not abs(offset_s) <= _MOST_OFFSET_S:
        raise ConfigError(f"--offset is “{plain(text, 40)}”: give seconds, at most two days, such as -3600, or auto.")
    return offset_s


def _check_out(path: Path) -> None:
    if path.suffix.lower() not in _KINDS:
        raise ConfigError(f"--out {path}: the name says what is written, so end it in one of {', '.join(_KINDS)}.")
    if path.exists():
        raise ConfigError(f"There is a {path} already, and nothing is written over: choose another name.")


def _rows(args: argparse.Namespace, stored: Stored, made: tuple[Contact, ...]) -> Rows:
    first_s, last_s = min(c.begin_s for c in made) - _AROUND_S, max(c.end_s for c in made) + _AROUND_S
    if args.recorded is not None:
        if args.board or args.since or args.until or args.data:
            raise ConfigError("A log file and the store can't both be asked: leave out LOG, or --board and its like.")
        log = read_log(args.recorded)
        if log.time_column != "time_utc":
            raise ConfigError("The log file tells no date: contacts can be tied to it only by a column time_utc.")
        rows = rows_of(i for i in log.intervals if i.start_s < last_s and i.end_s > first_s)
    else:
        with stored(first_s, last_s) as intervals:
            rows = rows_of(intervals)
    measured = np.isfinite(rows.mean_a)
    if not rows.begin_s.size:
        when = f"{_utc(first_s)} to {_utc(last_s)}"
        raise ConfigError(f"Nothing was recorded around the contacts ({when}). Are they of another day?")
    if not measured.any():
        raise ConfigError("The load's amps were not measured then, and without them sending can't be told.")
    if not (rows.dt_s[measured] <= LONGEST_ROW_S).any():
        raise ConfigError(
            f"Each row lasts longer than {LONGEST_ROW_S:g} s, in which sending and receiving can't be told apart."
        )
    return rows


def _usable(rows: Rows) -> Rows:
    """Those in which sending can be told."""
    usable = np.isfinite(rows.mean_a) & (rows.dt_s <= LONGEST_ROW_S)
    return Rows(*(getattr(rows, x.name)[usable] for x in fields(rows)))


def _recorded(rows: Rows, made: tuple[Contact, ...], offset_s: float) -> list[bool]:
    """Of each contact, whether there are rows about its time."""
    begin, end = rows.begin_s, rows.begin_s + rows.dt_s
    first = [int(np.searchsorted(end, c.begin_s + offset_s - _NEAR_S, "right")) for c in made]
    return [
        k < begin.size and bool(begin[k] < c.end_s + offset_s + c.coarse_s + _NEAR_S)
        for k, c in zip(first, made, strict=True)
    ]


# --- what is told ---


def _utc(time_s: float, form: str = "%Y-%m-%d %H:%M") -> str:
    try:
        return f"{datetime.fromtimestamp(time_s, UTC):{form}}"
    except (ValueError, OverflowError):
        return "a time that no calendar has"


def _lines(f: _Found, auto: bool) -> list[str]:
    first_s, last_s = min(c.begin_s for c in f.contacts), max(c.end_s for c in f.contacts)
    sent_s, sent_ah = math.fsum(o.length_s for o in f.overs), math.fsum(o.added_c for o in f.overs) / 3600.0
    lines = [
        f"{len(f.contacts)} contacts, {_utc(first_s + f.offset_s)} to {_utc(last_s + f.offset_s)} UTC; "
        f"{f.offset_s:+.0f} s added to the log's times",
        f"{len(f.overs)} overs found, {sent_s / 60.0:.1f} min of sending; it took {sent_ah:.3f} Ah more than receiving",
        *_clock_lines(f, auto),
        "",
        f"UTC day     contacts; {f.wanted} are wanted" + (" (common practice, no source)" if f.wanted == 10 else ""),
    ]
    for day in f.spans(_DAY_S):
        holds = "holds" if day.contacts >= f.wanted else f"{f.wanted - day.contacts} short"
        recorded_h = f.recorded_s(day, _DAY_S) / 3600.0
        took = f"{day.sent_ah:8.3f} Ah by sending, in {recorded_h:.1f} h of records"
        took = took if recorded_h else " nothing was recorded"
        lines.append(f"{_utc(day.begin_s, '%Y-%m-%d')}  {day.contacts:8}  {holds:12} {took}")
    lines += ["", "UTC hour          contacts  sent min        Ah   Ah a contact"]
    for hour in f.spans(_HOUR_S):
        each = f"{hour.sent_ah / hour.contacts:8.3f}" if hour.contacts else "       -"
        hours = f"{hour.contacts:8}  {hour.sent_s / 60.0:8.1f}  {hour.sent_ah:8.3f}   {each}"
        if not f.recorded_s(hour, _HOUR_S):
            hours = f"{hour.contacts:8}  nothing was recorded"
        lines.append(f"{_utc(hour.begin_s)}  {hours}")
    lines += ["", "contact (UTC)        with        band, mode, power        overs  sent s      Ah  lowest V  adds A"]
    calls = {r.number: r.get("CALL") for r in f.log.records}
    lines += [_contact_line(c, cost, calls[c.number], f.offset_s) for c, cost in zip(f.contacts, f.costs, strict=True)]
    if f.odd:
        lines += ["", "What could not be read:", *map(str, f.odd[:_SHOWN])]
        more = len(f.odd) - _SHOWN + f.log.more_odd
        lines += [f"and {more} more; --json has them"] if more > 0 else []
    return lines


def _clock_lines(f: _Found, auto: bool) -> list[str]:
    s = f.suggested
    if s is None or not s.sure:
        why = "There are too few contacts or overs to tell" if s is None else "It can't be told for sure"
        return [f"{why} whether the log's clock was right: its times were taken as they are."] if auto else []
    fits = f"{100.0 * s.agree:.0f} % of the contacts with sending near by, {100.0 * s.agree_now:.0f} % without it"
    if auto:
        return [f"The offset was found by the sending: {fits}. A habit of logging late or early looks the same."]
    if abs(s.offset_s - f.offset_s) > 10.0 and s.agree > s.agree_now + 0.1:
        return [f"Note: {s.offset_s:+.0f} s would fit the sending better ({fits}); --offset auto takes it."]
    return []


def _contact_line(c: Contact, cost: Cost | None, call: str, offset_s: float) -> str:
    power = "" if c.power_w is None else f"{c.power_w:g} W"
    how = " ".join(x for x in (c.band, c.mode, power) if x)
    start = f"{_utc(c.begin_s + offset_s, '%Y-%m-%d %H:%M:%S')}  {call[:12]:10}  {how[:24]:24}"
    if cost is None:
        return f"{start} nothing was recorded then"
    volts = "       -" if cost.low_v is None else f"{cost.low_v:8.2f}"
    amps = "     -" if cost.height_a is None else f"{cost.height_a:6.2f}"
    return f"{start} {cost.overs:5}  {cost.sent_s:6.1f}  {cost.sent_ah:6.4f}  {volts}  {amps}"


def _table(f: _Found) -> list[dict[str, Any]]:
    """A row for each contact; what was not recorded is None. Times are with the offset."""
    calls = {r.number: r.get("CALL") for r in f.log.records}
    rows = []
    for c, cost in zip(f.contacts, f.costs, strict=True):
        what = {} if cost is None else {n: getattr(cost, n) for n in _FIGURES}
        when = _utc(c.begin_s + f.offset_s, "%Y-%m-%dT%H:%M:%SZ")
        rows.append(
            dict.fromkeys(_COLUMNS)
            | {"record": c.number, "time_utc": when, "call": calls[c.number], "band": c.band, "mode": c.mode}
            | {"power_w": c.power_w}
            | {n: round(x, 6) if isinstance(x, float) else x for n, x in what.items()}
        )
    return rows


def _values(f: _Found) -> dict[str, Any]:
    def span(s: Span, length_s: float) -> dict[str, Any]:
        recorded_s = f.recorded_s(s, length_s)
        each = s.sent_ah / s.contacts if s.contacts else None
        told = {"sent_s": s.sent_s, "sent_ah": s.sent_ah, "ah_a_contact": each}
        begin = {"begin_utc": _utc(s.begin_s, "%Y-%m-%dT%H:%MZ"), "contacts": s.contacts, "recorded_s": recorded_s}
        return begin | (told if recorded_s else dict.fromkeys(told))

    s = f.suggested
    told = None if s is None else {n: getattr(s, n) for n in ("offset_s", "agree", "agree_now", "chance", "sure")}
    return {
        "offset_s": f.offset_s,
        "suggested": told,
        "wanted": f.wanted,
        "overs": len(f.overs),
        "days": [span(d, _DAY_S) | {"holds": d.contacts >= f.wanted} for d in f.spans(_DAY_S)],
        "hours": [span(h, _HOUR_S) for h in f.spans(_HOUR_S)],
        "contacts": _table(f),
        "not_read": [{"record": o.record, "field": o.field, "why": o.why} for o in f.odd],
        "not_read_more": f.log.more_odd,
    }


# --- files ---


def _with_ours(f: _Found) -> adif.Log:
    """The contact log with our figures; every other field, record and header is as it was."""
    ours = {}
    for cost in f.costs:
        if cost is not None:
            values = {"SENT_S": (cost.sent_s, 1), "AH": (cost.sent_ah, 5), "LOW_V": (cost.low_v, 3)}
            values["HEIGHT_A"] = (cost.height_a, 3)
            told = [(name, f"{x:.{digits}f}") for name, (x, digits) in values.items() if x is not None]
            ours[cost.number] = [adif.own(name, text, "N") for name, text in told]
    return f.log.with_records(r.having(ours.get(r.number, ())) for r in f.log.records)


def _write(path: Path, f: _Found) -> None:
    kind = path.suffix.lower()
    if kind == ".parquet":
        return _write_parquet(path, f)
    if kind in (".adi", ".adif", ".adx"):
        data = (adif.write_adx if kind == ".adx" else adif.write_adi)(_with_ours(f))
    elif kind == ".json":
        data = (json.dumps(_values(f), allow_nan=False, indent=1) + "\n").encode()
    else:
        cells = [",".join(map(_cell, row.values())) for row in _table(f)]
        data = ("\n".join([",".join(_COLUMNS), *cells]) + "\n").encode()
    with whole_files(path) as [text]:
        text.buffer.write(data)
    return None


def _cell(x: object) -> str:
    return text_cell(x) if isinstance(x, str) else "" if x is None else repr(x)


def _write_parquet(path: Path, f: _Found) -> None:
    pa, pq = parquet_tools()
    of = {"record": pa.int64(), "overs": pa.int64()} | dict.fromkeys(("time_utc", "call", "band", "mode"), pa.string())
    schema = pa.schema([pa.field(n, of.get(n, pa.float64()), metadata={"unit": unit}) for n, unit in _COLUMNS.items()])
    with whole_files(path) as [text]:
        pq.write_table(pa.Table.from_pylist(_table(f), schema), text.buffer)
