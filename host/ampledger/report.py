"""
The report of an outing: one HTML file that opens anywhere, needs no script and asks for nothing, and prints on paper.

In: what was measured (a log, or a span in the store) and what its owner says of it. Out: a `Report`, of which
`report_page` makes a page. The ledger is summed from every row; the charge left and the notices of a log come of the
same engine as live, over rows put together to 10 s; of a board they are what was concluded at the time. What was not
measured or not recorded is said to be so. It reads only in `of_log` and `of_store`, and writes nothing.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ampledger import __version__, outings, pictures
from ampledger.core import books, contacts, health, overs
from ampledger.core.books import Books
from ampledger.core.contacts import LEAST_A_DAY, Contact
from ampledger.core.engine import Site
from ampledger.core.health import Cycle, Health, Range
from ampledger.core.model import Battery, Interval, Start
from ampledger.core.overs import Over
from ampledger.errors import ConfigError, plain
from ampledger.interchange import read_file, summed
from ampledger.logfile import TAPS, VALUE_COLUMNS, Rows, intervals_of_rows, rows_of, seconds_of
from ampledger.outings import booked
from ampledger.recount import clocks_of
from ampledger.settings import Setup
from ampledger.store import Store
from ampledger.telling import clock_text

Floats = NDArray[np.float64]
Progress = Callable[[float], object]

_DAY_S = 86_400.0
#: Rows of a log are put together to so long ones for charge and notices: in longer ones sending looks steady. [s]
THINNED_S = 10
MOST_ROWS = 400_000  # beyond them overs are not looked for, and all is drawn of rows of 10 s
#: Columns of a picture.
POINTS = 350
_SHARE_OF_SUM = 0.0005  # [Ah] less is not told apart from nothing
_BEYOND_CHANCE = 3.0  # standard deviations, as `ampledger books` takes it
_AS_WELL = 0.2  # of charge by which the upper end of a range may lie above the lowest there is (judgement)
_LASTED_S = 120.0  # data may end so long before the closing time and still tell what happened until then (judgement)


# --- what a report is made of -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """
    What the operator says of it. name, notes, place_name, radio : free text. beside_a : what was told to flow beside
    the measured points, as a controller's own draw. [A] setup : the battery, None where nobody said. start : what was
    known of its charge at the beginning. closing_s : the closing time, UTC. [s] zone : of the local times. contacts :
    of a log of contacts, names : what each is called there, "" for none. offset_s : of that log's clock. [s]
    least_a_day : contacts that a UTC day needs.
    """

    name: str = ""
    notes: tuple[str, ...] = ()
    place_name: str = ""
    radio: str = ""
    beside_a: float = 0.0
    site: Site = Site()
    setup: Setup | None = None
    start: Start = Start()
    closing_s: float | None = None
    zone: tzinfo = UTC
    contacts: tuple[Contact, ...] | None = None
    names: tuple[str, ...] = ()
    contacts_odd: tuple[str, ...] = ()
    offset_s: float = 0.0
    least_a_day: int = LEAST_A_DAY


@dataclass(frozen=True, slots=True)
class Concluded:
    """
    What was concluded while it happened. estimates : time [s], charge left, low, high [-]. events : time, kind, code,
    values, as the store has them. before, now : the battery's health before it and at its end, None where not known.
    """

    estimates: tuple[tuple[float, float, float, float], ...] = ()
    events: tuple[tuple[float, str, str, Mapping[str, Any]], ...] = ()
    before: Health | None = None
    now: Health | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """
    What was measured. name : what it is called. span_s : begin and end, UTC [s]. dated : times are since 1970.

    whole, days : the books, and those of each UTC day with its beginning. [s] columns : see `COLUMNS`. gaps : spans
    without readings. load : its current, None where there are too many rows to look for overs. unsure_s : how far times
    may be off, None where nobody says. [s] thinned : the rows that the engine goes through, of a log. concluded : None
    for a log, of which nothing was. facts : of the data, name and words. warnings : what looked odd when it was read.
    """

    name: str
    span_s: tuple[float, float]
    dated: bool
    whole: Books
    days: tuple[tuple[float, Books], ...]
    columns: Mapping[str, tuple[float, ...]]
    gaps: tuple[tuple[float, float], ...]
    load: overs.Rows | None
    unsure_s: float | None = None
    thinned: Sequence[Interval] = ()
    thinned_s: float = THINNED_S
    concluded: Concluded | None = None
    facts: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


# --- the report -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the ledger; None: not measured, or can't be told. [Ah], [Wh]"""

    name: str
    look: str
    ah: float | None
    wh: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Account:
    """
    A ledger that balances: what came in and what went out, the last line of the latter being what is not accounted for.

    name : of the span. share : what is not accounted for, of what came in; None where it can't be told. [-] agreed :
    the counts made to agree by what their errors allow, and half of their 90 % ranges. [Ah] wrong : they are further
    apart than chance explains.
    """

    name: str
    came_in: tuple[Entry, ...]
    went_out: tuple[Entry, ...]
    share: float | None
    agreed: tuple[tuple[str, float, float], ...] = ()
    wrong: bool = False


@dataclass(frozen=True, slots=True)
class Charge:
    """times_s : UTC [s]; soc, low, high : charge left and its 90 % range. [-] reserve : of it. [-]"""

    times_s: tuple[float, ...]
    soc: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    reserve: float
    left: str
    held: str


@dataclass(frozen=True, slots=True)
class Noticed:
    """begin_s, end_s : UTC; None: still open at the end. [s] severity : the worst it had."""

    begin_s: float
    end_s: float | None
    code: str
    severity: str
    title: str
    seen: str


@dataclass(frozen=True, slots=True)
class Sag:
    """An over with low volts. box_v : at the board; plug_v : reckoned at the radio's plug, None without a lead. [V]"""

    time_s: float
    length_s: float
    box_v: float
    amps: float
    plug_v: float | None


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What was foreseen at a time. ends_s : by which it has ended in 10, 50 and 90 of 100 ways. [s]
    came : whether it lasted until `until_s`, None where that can't be told."""

    time_s: float
    verdict: str
    until_s: float
    probability: float
    ends_s: tuple[float | None, ...]
    limited_by: str
    came: bool | None


@dataclass(frozen=True, slots=True)
class Made:
    """Contacts. rows : time [s], name, mode and band, power [W], seconds sent, Ah by sending, lowest volts."""

    rows: tuple[tuple[float, str, str, float | None, float, float, float | None], ...]
    hours: tuple[contacts.Span, ...]
    days: tuple[contacts.Span, ...]
    sent_ah: float
    least_a_day: int
    odd: tuple[str, ...]
    offset: str


@dataclass(frozen=True, slots=True)
class Harvest:
    """times_s : UTC [s]; watts, clear_w : by the sun's tap, and what the label would give without a cloud. [W]"""

    times_s: tuple[float, ...]
    watts: tuple[float, ...]
    clear_w: tuple[float, ...]
    wh: float
    clear_wh: float


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that is shown, in words and figures; see `gather`."""

    name: str
    source: str
    dated: bool
    zone: tzinfo
    span_s: tuple[float, float]
    facts: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    verdict: tuple[str, ...]
    whole: Account | None
    days: tuple[Account, ...]
    charge: Charge | None
    no_charge: str
    columns: Mapping[str, tuple[float, ...]]
    marks: tuple[pictures.Mark, ...]
    gaps: tuple[tuple[float, float], ...]
    forecasts: tuple[Foreseen, ...]
    advice: str
    notices: tuple[Noticed, ...]
    notices_from: str
    overs: tuple[Over, ...]
    sags: tuple[Sag, ...]
    sags_say: str
    contacts: Made | None
    harvest: Harvest | None
    no_harvest: str
    temperature: tuple[str, ...]
    health: tuple[tuple[str, str, str, str], ...]
    health_says: str
    quality: tuple[tuple[str, str], ...]


# --- sources ----------------------------------------------------------------------------------------------------------


def of_log(path: Path, sort: bool = False, progress: Progress | None = None) -> Source:
    """A log file as it lies there. Raises LogError for one that can't be read whole and believed."""
    tell = progress or (lambda share: None)
    tell(0.0)
    log = read_file(path, sort)
    tell(0.5)
    source = of_intervals(path.name, log.intervals, log.time_column == "time_utc")
    tell(1.0)
    return replace(source, facts=(("source", f"log file {plain(path.name)}"), *source.facts), warnings=log.warnings)


def of_intervals(name: str, intervals: Sequence[Interval], dated: bool = True) -> Source:
    """Intervals in order of time, of which nothing has been concluded yet. Raises ConfigError where there are none."""
    if not len(intervals):
        raise ConfigError(f"There is nothing to report: {plain(name, 100)} has no rows.")
    return _of_rows(name, rows_of(intervals, dated), len(intervals), intervals[0], dated)


def of_store(
    store: Store, device: str, begin_s: float, end_s: float, name: str, progress: Progress | None = None
) -> Source:
    """
    A span of a board's records, or of an imported log ("log:3"); of a board with what was concluded at the time.

    Raises ConfigError for a board that is not there or where nothing was recorded, StoreError.
    """
    tell = progress or (lambda share: None)

    def told(pieces: Iterable[Rows]) -> Iterator[Rows]:
        for rows in pieces:
            tell(0.9 * min(1.0, max(0.0, (float(rows.start_us[0]) / 1e6 - begin_s) / (end_s - begin_s))))
            yield rows

    found = list(told(outings.columns(store, device, begin_s, end_s)))
    count = sum(len(rows.start_us) for rows in found)
    if not count:
        raise ConfigError("There is nothing to report: no records of that time whose time is known.")
    if device.startswith("log:"):
        (like,) = intervals_of_rows(_first(found[0]))
        source = _of_rows(name, found, count, like)
        return replace(source, facts=(("source", f"imported log {device[4:]} of the store"), *source.facts))
    source = _of_rows(name, found, count, None)
    concluded = Concluded(
        tuple((e.time_s, e.soc, e.low, e.high) for e in store.estimates(device, begin_s, end_s)),
        (*store.events(device, begin_s, end_s), *store.foreseen(device, begin_s, end_s)),
        *_health_then(store, device, begin_s, end_s),
    )
    facts = (("source", f"records of the board {plain(device, 60)}"), *_board_facts(store, device, begin_s, end_s))
    tell(1.0)
    return replace(source, concluded=concluded, facts=(*facts, *source.facts))


def _first(rows: Rows) -> Rows:
    return Rows(rows.start_us[:1], {name: column[:1] for name, column in rows.values.items()})


def _of_rows(
    name: str, pieces: Iterable[Rows], count: int, like: Interval | None, dated: bool = True
) -> Source:
    """
    `count` rows in all, in order of time. like : which taps there are and where they sit, for the engine; None: it has
    been through them.
    """
    many = count > MOST_ROWS
    kept: list[Rows] = []

    def passed() -> Iterator[Rows]:
        for rows in pieces:
            if len(rows.start_us):
                kept.append(summed(rows, THINNED_S) if many else _complete(rows))
                yield rows

    whole, days = booked(passed(), -math.inf, math.inf)
    if whole is None:
        raise ConfigError(f"There is nothing to report: {plain(name, 100)} has no rows.")
    rows = _joined(kept)
    span_s = whole.start_s, whole.end_s
    thinned_s = THINNED_S if span_s[1] - span_s[0] <= 4 * _DAY_S else 6 * THINNED_S
    thinned = [] if like is None else intervals_of_rows(_flagged(summed(rows, thinned_s), like))
    unsure = float(np.nanmax(rows.values["unsure_s"], initial=0.0))
    usual = qty(float(np.median(rows.values["dt_s"])), 1, "s")
    return Source(
        name, span_s, dated, whole, days if dated else (), _columns(rows, span_s, POINTS), _gaps(rows),
        None if many else _load_rows(rows), unsure or None, thinned, thinned_s,
        facts=(("rows", f"{count}, usually {usual} long"),),
    )  # fmt: skip


def _complete(rows: Rows) -> Rows:
    """With every column that is looked at here."""
    nothing = np.full(len(rows.start_us), np.nan)
    return Rows(rows.start_us, {name: rows.values.get(name, nothing) for name in _LOOKED_AT})


_LOOKED_AT = ("dt_s", *VALUE_COLUMNS, *(f"{tap}_{what}" for tap in TAPS for what in ("as", "ws")), "unsure_s")


def _health_then(store: Store, device: str, begin_s: float, end_s: float) -> tuple[Health | None, Health | None]:
    """The battery's health by the cycles that had ended when it began, and when it ended."""
    cycles = [Cycle.from_dict(values) for values in store.cycles(device)]

    def read(of: list[Cycle]) -> Health | None:
        return health.read(health.begin(Battery(of[-1].nominal_ah, of[-1].series)), of) if of else None

    return read([c for c in cycles if c.end_s <= begin_s]), read([c for c in cycles if c.end_s <= end_s])


def _board_facts(store: Store, device: str, begin_s: float, end_s: float) -> Iterator[tuple[str, str]]:
    """Firmware and calibration of the board's start that the records are of; the last one's where it was restarted."""
    clocks = clocks_of(store, device)
    infos = [info for boot, info in store.starts(device) if info and boot in clocks and clocks[boot].utc_s(0.0) < end_s]
    if not infos:
        return
    info = infos[-1]
    yield "board", plain(f"{info.get('board', 'not told')}, firmware {info.get('version', 'not told')}", 80)
    for channel in info.get("channels") or ():
        told = channel.get("cal") or {}
        dates = sorted({_dated(entry) for entry in told.values()} - {""})
        said = f"calibrated {', '.join(dates)}".strip() if told else "not calibrated: as its parts are labelled"
        yield f"channel {plain(channel.get('name', '?'), 20)}", said


def _dated(entry: object) -> str:
    time_s = entry.get("unix_s") if isinstance(entry, dict) else None
    return day(float(time_s)) if isinstance(time_s, (int, float)) and time_s > _DAY_S else ""


# --- gather -----------------------------------------------------------------------------------------------------------


def gather(source: Source, asked: Asked, progress: Progress | None = None) -> Report:
    """
    Everything that the report says.

    progress : told the share that is done, 0 to 1, now and then; what it raises ends the work.
    Raises ConfigError where there is nothing to report.
    """
    tell = progress or (lambda share: None)
    tell(0.0)
    span_s = source.span_s
    sent = () if source.load is None else overs.overs(source.load)
    tell(0.1)
    run = _concluded(source, asked, lambda share: tell(0.1 + 0.8 * share))
    charge = _charge(run.estimates, asked) if run.estimates else None
    foreseen, advice = _foreseen(run, charge, span_s)
    harvest, no_harvest = _harvest(asked.site, source)
    tell(0.95)
    account = _account("whole", source.whole, asked.beside_a)
    report = Report(
        name=plain(asked.name, 120) or plain(source.name, 120),
        source=source.name,
        dated=source.dated,
        zone=asked.zone,
        span_s=span_s,
        facts=_facts(source, asked, span_s),
        notes=asked.notes,
        verdict=_verdict(account, charge, source),
        whole=account,
        days=_accounts(source, asked),
        charge=charge,
        no_charge=_no_charge(asked, source),
        columns=source.columns,
        marks=_marks(asked, span_s, source.dated),
        gaps=source.gaps,
        forecasts=foreseen,
        advice=advice,
        notices=_notices(run.events),
        notices_from=_notices_from(source, asked),
        overs=sent,
        sags=_sags(sent, asked),
        sags_say=_sags_say(sent, asked, source.load is None),
        contacts=_made(asked, sent) if source.dated else None,
        harvest=harvest,
        no_harvest=no_harvest,
        temperature=_temperature(source.columns, asked),
        health=_health(run),
        health_says=_health_says(source, asked, run),
        quality=_quality(source, asked),
    )
    tell(1.0)
    return report


def _joined(found: Sequence[Rows]) -> Rows:
    names = [name for name in found[0].values if all(name in rows.values for rows in found)]
    return Rows(
        np.concatenate([rows.start_us for rows in found]),
        {name: np.concatenate([rows.values[name] for rows in found]) for name in names},
    )


def _times(rows: Rows) -> Floats:
    return np.array(seconds_of(rows.start_us), dtype=np.float64)


def _seen(rows: Rows) -> NDArray[np.bool_]:
    """Rows in which anything was measured, not only counted."""
    known = [~np.isnan(rows.values[f"{tap}_{what}"]) for tap in ("solar", "battery", "load") for what in ("a", "v")]
    out: NDArray[np.bool_] = np.logical_or.reduce(known)
    return out


def _gaps(rows: Rows) -> tuple[tuple[float, float], ...]:
    begin, seen = _times(rows), _seen(rows)
    end = begin + rows.values["dt_s"]
    found: list[tuple[float, float]] = []
    for a, b in zip(begin[~seen].tolist(), end[~seen].tolist(), strict=True):
        if found and a - found[-1][1] < 1e-3:
            found[-1] = (found[-1][0], b)
        elif b - a > 2.0:
            found.append((a, b))
    return tuple(found)


def _load_rows(rows: Rows) -> overs.Rows:
    v = rows.values
    mean = v["load_a"]

    def end(name: str, of: Floats) -> Floats:
        return np.where(np.isnan(v[name]), of, v[name])

    return overs.Rows(
        _times(rows), v["dt_s"], mean, end("load_a_min", mean), end("load_a_max", mean),
        end("battery_v_min", v["battery_v"]),
    )  # fmt: skip


#: Of a column: the mean of each of these, and under the name with _min and _max its ends. [A], [V], [W], [degC]
COLUMNS = ("solar_a", "battery_a", "load_a", "battery_v", "solar_w", "battery_c")


def _columns(rows: Rows, span_s: tuple[float, float], most: int) -> dict[str, tuple[float, ...]]:
    """
    At most `most` columns over the span: t, seen_s; mean, lowest and highest of each of `COLUMNS`. Between columns with
    a gap between them stands one of NaN, so that no line is drawn across it.
    """
    begin, dt, seen = _times(rows), rows.values["dt_s"], _seen(rows)
    v = dict(rows.values)
    v["solar_w"] = v["solar_a"] * v["solar_v"]
    at = np.flatnonzero(seen)
    out: dict[str, list[float]] = {"t": [], "seen_s": []}
    for name in COLUMNS:
        out |= {name: [], f"{name}_min": [], f"{name}_max": []}
    if not at.size:
        return {name: tuple(values) for name, values in out.items()}
    width_s = max(1e-6, (span_s[1] - span_s[0]) / most)
    begin, dt = begin[at], dt[at]
    cell = np.minimum(((begin + dt / 2 - span_s[0]) / width_s).astype(np.int64), most - 1)
    apart = np.concatenate(([True], begin[1:] - (begin + dt)[:-1] > 1.0))
    first = np.flatnonzero(np.concatenate(([True], np.diff(cell) != 0)) | apart)
    t0, t1 = begin[first], np.maximum.reduceat(begin + dt, first)
    made: dict[str, Floats] = {"t": (t0 + t1) / 2, "seen_s": np.add.reduceat(dt, first)}
    for name in COLUMNS:
        values = v[name][at]
        known = ~np.isnan(values)
        weight = np.add.reduceat(np.where(known, dt, 0.0), first)
        total = np.add.reduceat(np.where(known, values * dt, 0.0), first)
        made[name] = np.divide(total, weight, out=np.full(len(first), np.nan), where=weight > 0)
        for end, pick in (("_min", np.fmin), ("_max", np.fmax)):
            ends = v[name + end][at] if name + end in v else values
            made[name + end] = pick.reduceat(np.where(np.isnan(ends), values, ends), first)
    return _parted(made, t0, t1, np.flatnonzero(apart[first])[1:])


def _parted(
    made: Mapping[str, Floats], t0: Floats, t1: Floats, holes: NDArray[np.int64]
) -> dict[str, tuple[float, ...]]:
    """With a column of NaN in front of each of `holes`, in the middle of the time without readings."""
    out = {name: tuple(np.insert(values, holes, np.nan).tolist()) for name, values in made.items()}
    return out | {"t": tuple(np.insert(made["t"], holes, (t1[holes - 1] + t0[holes]) / 2).tolist())}


def _concluded(source: Source, asked: Asked, tell: Progress) -> Concluded:
    """What was concluded, or for a log what the engine concludes of it now."""
    if source.concluded is not None:
        return source.concluded
    if asked.setup is None:
        return Concluded()
    engine = asked.setup.engine(asked.start)
    engine.site, engine.read_every_s = asked.site if source.dated else Site(), 60.0
    engine.look_up_skies(*source.span_s)
    estimates: list[tuple[float, float, float, float]] = []
    events: list[tuple[float, str, str, Mapping[str, Any]]] = []
    for k, item in enumerate(source.thinned):
        view = engine.step(item)
        e = view.estimate
        estimates.append((view.time_s, e.soc, e.low, e.high))
        for event in view.events:
            n = event.notice
            told = {"title": n.title, "severity": n.severity, "seen": n.seen}
            events.append((event.time_s, event.kind, n.code, told))
        if k % 200 == 0:
            tell(k / len(source.thinned))
    return Concluded(tuple(estimates), tuple(events))


def _flagged(thin: Rows, like: Interval) -> Rows:
    """With what sums leave out: which taps there are, the board's own draw, where the solar tap sits."""
    n = len(thin.start_us)
    for name in ("own_a", "own_in_load", "at_panel"):
        thin.values[name] = np.full(n, float(getattr(like, name)))
    for tap in ("solar", "load"):
        thin.values[f"{tap}_tap"] = np.full(n, float(getattr(like, tap) is not None))
    return thin


# --- the ledger -------------------------------------------------------------------------------------------------------


def _accounts(source: Source, asked: Asked) -> tuple[Account, ...]:
    """Of each UTC day, where there are several."""
    if len(source.days) < 2:
        return ()
    return tuple(_account(day(day_s), one, asked.beside_a) for day_s, one in source.days)


def _account(name: str, b: Books, beside_a: float = 0.0) -> Account:
    """The ledger of books, such that both sides sum up alike."""
    sun = _measured(b.solar, b)
    load = _measured(b.load, b)
    battery = _measured(b.battery, b)
    own_ah, own_wh = (b.own_ah, b.own_wh) if b.own_in_load else (0.0, 0.0)
    came_in = [
        Entry("sun", "sun", b.solar.net_ah if sun else None, b.solar.plus_wh - b.solar.minus_wh if sun else None),
        Entry("out of the battery", "battery", b.battery.minus_ah if battery else None,
              b.battery.minus_wh if battery else None),
    ]  # fmt: skip
    went_out = [
        Entry("station (load)", "load", b.load.net_ah - own_ah if load else None,
              b.load.plus_wh - b.load.minus_wh - own_wh if load else None),
        Entry("into the battery", "battery", b.battery.plus_ah if battery else None,
              b.battery.plus_wh if battery else None),
        Entry("the board's own draw", "own", b.own_ah, b.own_wh,
              "as declared, not measured" if b.own_ah > 0.0 else "not declared: part of what is not accounted for"),
    ]  # fmt: skip
    if beside_a > 0.0:
        ah = beside_a * (b.end_s - b.start_s) / 3600
        volts = b.battery.minus_wh + b.battery.plus_wh, b.battery.minus_ah + b.battery.plus_ah
        mean_v = volts[0] / volts[1] if volts[1] > 0.0 else 0.0
        went_out.append(Entry("beside the taps", "own", ah, ah * mean_v, "as told, not measured"))
    if not (sun and load and battery):
        lacking = [n for n, there in (("the sun", sun), ("the load", load), ("the battery", battery)) if not there]
        rest = Entry("not accounted for", "rest", None, None, f"can't be told: {_lacks(lacking)} not measured")
        return Account(name, tuple(came_in), (*went_out, rest), None)
    wh = total_of(came_in, "wh") - total_of(went_out, "wh")
    if b.compared_s <= 0.0:
        note = "amps can't be compared: the solar shunt is before the controller, or never were all three known at once"
        if b.efficiency is not None:
            through = f"{100 * b.efficiency:.0f} % of the Wh got through"
            note = f"solar shunt before the controller: amps there can't be compared; {through}"
        rest = Entry("controller, wires, not accounted for", "rest", None, wh, note)
        return Account(name, tuple(came_in), (*went_out, rest), None)
    ah = total_of(came_in, "ah") - total_of(went_out, "ah")
    total = total_of(came_in, "ah")
    note = "wires and contacts take some Wh" if abs(wh) > 0.005 else ""
    if beside_a <= 0.0 and abs(ah - b.unaccounted_ah) > max(_SHARE_OF_SUM, 0.002 * total):
        note = f"{b.unaccounted_ah:+.3f} Ah of it while all three were known" + (f"; {note}" if note else "")
    agreed = () if b.reconciled is None else tuple((n, v, 1.645 * sd) for n, (v, sd) in b.reconciled.ah().items())
    rest = Entry("not accounted for", "rest", ah, wh, note)
    share = abs(ah) / total if total > 0 else None
    wrong = b.reconciled is not None and b.reconciled.chi > _BEYOND_CHANCE
    return Account(name, tuple(came_in), (*went_out, rest), share, agreed, wrong)


def _lacks(names: Sequence[str]) -> str:
    return f"{' and '.join(names)} {'was' if len(names) == 1 else 'were'}"


def _measured(line: books.Line, b: Books) -> bool:
    return line.unknown_s < (b.end_s - b.start_s) * (1 - 1e-9)


def total_of(entries: Iterable[Entry], what: str) -> float:
    return math.fsum(getattr(e, what) or 0.0 for e in entries)


# --- words ------------------------------------------------------------------------------------------------------------


def day(day_s: float) -> str:
    return moment(day_s).strftime("%Y-%m-%d")


def moment(time_s: float, zone: tzinfo = UTC) -> datetime:
    """Any time that a log can have; beyond the calendar its end."""
    try:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(time_s, 3))).astimezone(zone)
    except (OverflowError, ValueError):
        return datetime(9999, 1, 1, tzinfo=UTC)


def hour(time_s: float, dated: bool = True) -> str:
    if not dated:
        return f"{int(time_s // 3600)}:{int(time_s % 3600 // 60):02d} h"
    return moment(time_s).strftime("%H:%M UTC")


def qty(value: float, digits: int, unit: str, sign: bool = False) -> str:
    """A figure with its unit, which stay on one line."""
    return f"{value + 0.0:{'+' if sign else ''}.{digits}f}\u00a0{unit}".replace("-", "−")


def length(seconds: float) -> str:
    if seconds < 120:
        return qty(seconds, 0, "s")
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes}\u00a0min"
    days, rest = divmod(minutes, 1440)
    hours = f"{rest // 60}\u00a0h {rest % 60:02d}\u00a0min"
    return f"{days}\u00a0d {hours}" if days else hours


def percent(share: float) -> str:
    return f"{100 * share:.0f}\u00a0%"


def _verdict(
    account: Account, charge: Charge | None, source: Source
) -> tuple[str, ...]:
    b, span_s = source.whole, source.span_s
    sun, out = account.came_in
    station, into = account.went_out[:2]
    if sun.ah is None or sun.wh is None:
        first = f"In {length(span_s[1] - span_s[0])} what the sun brought was not measured"
    else:
        first = f"In {length(span_s[1] - span_s[0])} the sun brought {qty(sun.ah, 2, 'Ah')} ({qty(sun.wh, 1, 'Wh')})"
    if station.ah is not None and station.wh is not None:
        first += f" and the station drew {qty(station.ah, 2, 'Ah')} ({qty(station.wh, 1, 'Wh')})"
    else:
        first += ", and what the station drew was not measured"
    said = [first]
    if out.ah is not None and into.ah is not None:
        net = into.ah - out.ah
        way = f"{qty(net, 2, 'Ah')} went into" if net > 0 else f"{qty(-net, 2, 'Ah')} came out of"
        said[0] += f"; on balance {way} the battery"
    said[0] += "."
    unknown_s = max((line.unknown_s for line in (b.solar, b.battery, b.load) if _measured(line, b)), default=0.0)
    if unknown_s > 60.0:
        said.append(f"What flowed in {length(unknown_s)} of that time is not known, and is in none of these figures.")
    if charge is not None:
        said += [charge.left, charge.held]
    if account.share is not None and account.wrong:
        said.append(
            f"The books do not close: {qty(100 * account.share, 1, '%')} of what came in is not accounted for, more "
            "than chance. A channel reads wrong, or something flows beside the measured points."
        )
    elif account.share is not None:
        said.append(f"The books close but for {qty(100 * account.share, 1, '%')} of what came in.")
    return tuple(said)


def _no_charge(asked: Asked, source: Source) -> str:
    if source.concluded is not None:
        return "Nothing was concluded of the charge left in that time."
    if asked.setup is None:
        return "Nobody said which battery this is; with --capacity-ah the report tells what was left."
    return "The rows do not tell what was left."


def _charge(estimates: Sequence[tuple[float, float, float, float]], asked: Asked) -> Charge:
    reserve = asked.setup.reserve_soc if asked.setup is not None else 0.2
    _, soc, low, high = estimates[-1]
    left = f"At the end {percent(soc)} was left (90\u00a0% range {100 * low:.0f} to {100 * high:.0f}\u00a0%)"
    if asked.setup is not None:
        ah = asked.setup.battery.capacity_ah
        left += f", about {qty(soc * ah, 1, 'Ah')} of {qty(ah, 1, 'Ah')} as told"
    held = _held(estimates, reserve)
    keep = _thinned(estimates, pictures.WIDE)
    t, socs, lows, highs = (tuple(row[k] for row in keep) for k in range(4))
    return Charge(t, socs, lows, highs, reserve, f"{left}.", held)


def _thinned(rows: Sequence[Any], most: int) -> list[Any]:
    step = max(1, math.ceil(len(rows) / most))
    kept = list(rows[::step])
    return kept if (len(rows) - 1) % step == 0 else [*kept, rows[-1]]


def _below(estimates: Sequence[tuple[float, float, float, float]], reserve: float) -> float | None:
    """When the charge was first below the reserve, by its likely figure, of times known as well as the best. [s]"""
    surest = min((row[3] for row in estimates), default=0.0)
    return next((t for t, soc, _, high in estimates if soc < reserve and high <= surest + _AS_WELL), None)


def _held(estimates: Sequence[tuple[float, float, float, float]], reserve: float) -> str:
    if reserve <= 0.0:
        return "No reserve was set."
    name = f"The reserve of {percent(reserve)}"
    # Where it was surest to be low: before anything is known of the charge its figure is nobody's lowest.
    t, soc, low, high = min(estimates, key=lambda row: row[3])
    lowest = f"at its lowest, {hour(t, t >= _DAY_S)}, {percent(soc)} ({100 * low:.0f} to {100 * high:.0f}\u00a0%)"
    if soc >= reserve:
        if low >= reserve:
            return f"{name} held: {lowest}."
        return f"{name} probably held, but the range reaches below it: {lowest}."
    began_s = _below(estimates, reserve) or t
    sure = "was gone below" if high < reserve else "was probably gone below"
    return f"{name} {sure} from {hour(began_s, began_s >= _DAY_S)} on; {lowest}."


def _facts(source: Source, asked: Asked, span_s: tuple[float, float]) -> tuple[tuple[str, str], ...]:
    out: list[tuple[str, str]] = []
    if source.dated:
        for name, t in (("from", span_s[0]), ("to", span_s[1])):
            here = moment(t, asked.zone)
            local = "" if asked.zone is UTC else f" ({here:%Y-%m-%d %H:%M} local, {_zone(here)})"
            out.append((name, f"{moment(t):%Y-%m-%d %H:%M} UTC{local}"))
    else:
        out.append(("time", "the log knows no date: times are counted from its own zero"))
    out.append(("length", length(span_s[1] - span_s[0])))
    place = asked.site.place
    if asked.place_name or place is not None:
        where = "" if place is None else f"{abs(place.lat_deg):.2f}° {'N' if place.lat_deg >= 0 else 'S'}, "
        where += "" if place is None else f"{abs(place.lon_deg):.2f}° {'E' if place.lon_deg >= 0 else 'W'}"
        out.append(
            ("place", f"{asked.place_name} ({where})" if asked.place_name and where else asked.place_name or where)
        )
    else:
        out.append(("place", "not told"))
    if asked.setup is not None:
        b, station = asked.setup.battery, asked.setup.station
        told = f"{b.capacity_ah:g}\u00a0Ah, {b.series} cells in series; reserve {percent(asked.setup.reserve_soc)}"
        out.append(("battery", told))
        said = [asked.radio] if asked.radio else []
        if (limit_v := station.limit_v(b.series)) > 0.0:
            said.append(f"needs {qty(limit_v, 1, 'V')} at its plug")
        said.append(f"leads {qty(1e3 * station.lead_ohm, 0, 'mΩ')} ({'told' if station.lead_told else 'assumed'})")
        out.append(("radio", "; ".join(said)))
    else:
        out.append(("battery", "not told"))
        if asked.radio:
            out.append(("radio", asked.radio))
    if asked.site.panel is not None:
        p = asked.site.panel
        out.append(
            (
                "panel",
                f"{p.power_w:g}\u00a0W on its label, tilted {p.tilt_deg:.0f}°, facing {p.azimuth_deg:.0f}° from north",
            )
        )
    if asked.closing_s is not None:
        out.append(("closing time", f"{moment(asked.closing_s):%Y-%m-%d %H:%M} UTC, as planned"))
    return tuple(out)


def _zone(here: datetime) -> str:
    minutes = round((here.utcoffset() or timedelta()).total_seconds() / 60)
    return f"UTC{'+' if minutes >= 0 else '−'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _marks(asked: Asked, span_s: tuple[float, float], dated: bool) -> tuple[pictures.Mark, ...]:
    out = []
    if asked.closing_s is not None:
        out.append(pictures.Mark(asked.closing_s, "closing time"))
    if dated and asked.site.place is not None and span_s[1] - span_s[0] <= 4 * _DAY_S:
        from ampledger.core import sun

        seen = set()
        for k in range(math.ceil((span_s[1] - span_s[0]) / (_DAY_S / 2)) + 1):
            rise_s, set_s = sun.rise_and_set(asked.site.place, span_s[0] + k * _DAY_S / 2)
            for t, words in ((rise_s, "sunrise"), (set_s, "sunset")):
                if t is not None and round(t / 600) not in seen:
                    seen.add(round(t / 600))
                    out.append(pictures.Mark(t, words))
    return tuple(out)


# --- forecast against what happened -----------------------------------------------------------------------------------

_LASTS, _NOT = ("stay on",), ("close down", "cut back")


def _foreseen(
    run: Concluded, charge: Charge | None, span_s: tuple[float, float]
) -> tuple[tuple[Foreseen, ...], str]:
    ended_s = None if charge is None else _below(run.estimates, charge.reserve)
    out = []
    for time_s, kind, verdict, values in run.events:
        if kind != "foresaw":
            continue
        with contextlib.suppress(KeyError, TypeError, ValueError):
            until_s, p = float(values["until"]), float(values["probability"])
            ends = tuple(None if t is None else float(t) for t in values.get("ends") or (None, None, None))
            came: bool | None = None
            if ended_s is not None and ended_s <= until_s:
                came = False if time_s < ended_s else None
            elif charge is not None and span_s[1] >= until_s - _LASTED_S:
                came = True
            out.append(Foreseen(time_s, str(verdict), until_s, p, ends, str(values.get("limited_by", "")), came))
    return tuple(out), _advice(out)


def _advice(found: Sequence[Foreseen]) -> str:
    if not found:
        return "No forecast was recorded."
    known = [f for f in found if f.came is not None]
    if not known:
        return (
            f"{len(found)} forecasts were recorded. Whether they came true can't be told: the records end before the "
            "closing time, or the charge left is not known."
        )
    said = []
    stay = [f for f in known if f.verdict in _LASTS]
    leave = [f for f in known if f.verdict in _NOT]
    if stay:
        right = sum(f.came is True for f in stay)
        says = "right" if right == len(stay) else "wrong" if right == 0 else f"right {right} times of {len(stay)}"
        said.append(f"The advice to stay on was {says}: {_often(len(stay))} it said that the station lasts, "
                    f"and it did {_often(right) if right else 'not once'}.")  # fmt: skip
    if leave:
        right = sum(f.came is False for f in leave)
        said.append(f"The advice to cut back or close down was given {_often(len(leave))}.")
        if right:
            said.append(f"It was right {_often(right)}: the reserve was gone before the closing time.")
        if right < len(leave):
            said.append(f"{_often(len(leave) - right).capitalize()} the station lasted all the same; whether because "
                        "something was changed upon it, the figures can't tell.")  # fmt: skip
    if not said:
        said.append("It was called tight throughout, which no outcome proves wrong.")
    mean = math.fsum(f.probability for f in known) / len(known)
    lasted = sum(f.came is True for f in known) / len(known)
    said.append(f"On average it gave {percent(mean)} that the station lasts; it lasted in {percent(lasted)} of them.")
    return " ".join(said)


def _often(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


# --- notices and sags -------------------------------------------------------------------------------------------------

_WORSE = {"info": 0, "caution": 1, "warning": 2, "act": 3}


def _notices(events: Sequence[tuple[float, str, str, Mapping[str, Any]]]) -> tuple[Noticed, ...]:
    open_: dict[str, Noticed] = {}
    out: list[Noticed] = []
    for time_s, kind, code, values in events:
        severity, title, seen = (str(values.get(name, "")) for name in ("severity", "title", "seen"))
        if kind in ("raised", "arose"):
            open_[code] = Noticed(time_s, None, code, severity, title or code, seen)
        elif kind == "changed" and code in open_:
            old = open_[code]
            worse = _WORSE.get(severity, 0) > _WORSE.get(old.severity, 0)
            open_[code] = replace(old, severity=severity, title=title or old.title, seen=seen) if worse else old
        elif kind in ("cleared", "over") and code in open_:
            out.append(replace(open_.pop(code), end_s=time_s))
        elif kind == "happened":
            out.append(Noticed(time_s, time_s, code, severity or "info", title or code, seen))
    return tuple(sorted([*out, *open_.values()], key=lambda n: n.begin_s))


def _notices_from(source: Source, asked: Asked) -> str:
    if source.concluded is not None:
        return "As they were raised at the time."
    if asked.setup is None:
        return "Nobody said which battery this is, so nothing was watched for."
    return (
        f"Concluded now from the log, over rows of {source.thinned_s:.0f} s; what shows only within seconds is not "
        "among them, and a notice of the time may have come some seconds sooner."
    )


def _sags(sent: Sequence[Over], asked: Asked) -> tuple[Sag, ...]:
    lead = None if asked.setup is None else asked.setup.station.lead_ohm
    found = [o for o in sent if math.isfinite(o.low_v)]
    out = []
    for o in sorted(found, key=lambda o: o.low_v)[:8]:
        amps = o.receive_a + o.height_a
        out.append(Sag(o.begin_s, o.length_s, o.low_v, amps, None if lead is None else o.low_v - lead * amps))
    return tuple(sorted(out, key=lambda s: s.time_s))


def _sags_say(sent: Sequence[Over], asked: Asked, too_many: bool) -> str:
    if too_many:
        return "There are too many rows to look for overs in them: report a shorter span."
    if not sent:
        return (
            "No sending was seen: the load was not measured, it drew evenly, or the rows are longer than "
            f"{overs.LONGEST_ROW_S:g} s, in which sending and receiving can't be told apart."
        )
    seconds, ah = math.fsum(o.length_s for o in sent), math.fsum(o.added_c for o in sent) / 3600
    many = "1 over was" if len(sent) == 1 else f"{len(sent)} overs were"
    said = f"{many} seen, {length(seconds)} of sending, which took {qty(ah, 2, 'Ah')} beside receiving."
    volts = [o.low_v for o in sent if math.isfinite(o.low_v)]
    if not volts:
        return f"{said} The battery's volts were not measured in them."
    said += f" Lowest at the board: {qty(min(volts), 2, 'V')}; half of the overs stayed above "
    said += f"{qty(float(np.median(volts)), 2, 'V')}."
    if asked.setup is not None and (limit_v := asked.setup.station.limit_v(asked.setup.battery.series)) > 0.0:
        lead = asked.setup.station.lead_ohm
        plugs = [o.low_v - lead * (o.receive_a + o.height_a) for o in sent if math.isfinite(o.low_v)]
        below = sum(v < limit_v for v in plugs)
        how = "told" if asked.setup.station.lead_told else "assumed"
        said += f" With {qty(1e3 * lead, 0, 'mΩ')} of leads ({how}) the radio's plug then had "
        said += f"{qty(min(plugs), 2, 'V')} at least"
        said += f", above the {qty(limit_v, 1, 'V')} it needs." if not below else (
            f": {_often(below)} less than the {qty(limit_v, 1, 'V')} it needs.")  # fmt: skip
    return said


# --- contacts ---------------------------------------------------------------------------------------------------------


def _made(asked: Asked, sent: Sequence[Over]) -> Made | None:
    if asked.contacts is None:
        return None
    found, offset_s = asked.contacts, asked.offset_s
    costs = contacts.tie(found, sent, offset_s)
    names = asked.names if len(asked.names) == len(found) else ("",) * len(found)
    rows = [
        (
            c.begin_s + offset_s,
            name,
            " ".join(x for x in (c.mode, c.band) if x),
            c.power_w,
            cost.sent_s,
            cost.sent_ah,
            cost.low_v,
        )
        for c, cost, name in zip(found, costs, names, strict=True)
    ]
    said = f"The log's clock was taken as {qty(offset_s, 0, 's', True)} off." if offset_s else ""
    better = contacts.suggest(found, sent)
    if (
        better is not None
        and better.sure
        and abs(better.offset_s - offset_s) > 60.0
        and better.agree > better.agree_now + 0.1
    ):
        said += (
            f" With {qty(better.offset_s, 0, 's', True)} the log would fit the sending better "
            f"({percent(better.agree)} of the contacts instead of {percent(better.agree_now)}): check its clock, "
            "and give --offset-s."
        )
    return Made(
        tuple(sorted(rows, key=lambda r: r[0])),
        contacts.by_span(found, sent, 3600.0, offset_s),
        contacts.by_span(found, sent, _DAY_S, offset_s),
        math.fsum(o.added_c for o in sent) / 3600,
        asked.least_a_day,
        asked.contacts_odd,
        said.strip(),
    )


# --- sun, temperature, health, quality --------------------------------------------------------------------------------


def _harvest(site: Site, source: Source) -> tuple[Harvest | None, str]:
    b = source.whole
    if not _measured(b.solar, b):
        return None, "The sun's current was not measured."
    if site.place is None or site.panel is None:
        both = ("the place (--locator)", site.place), ("the panel (--panel-w)", site.panel)
        return None, f"Not compared with a clear sky: {_lacks([w for w, x in both if x is None])} not told."
    if not source.dated:
        return None, "Not compared with a clear sky: the log knows no date."
    from ampledger.core import sun

    t, watts, seen_s = (np.array(source.columns[name]) for name in ("t", "solar_w", "seen_s"))
    known = np.isfinite(watts) & np.isfinite(seen_s)
    if not known.any():
        return None, "The sun's volts were not measured."
    power_w = site.panel.power_w
    begin_s, end_s = source.span_s
    if b.solar.unknown_s < 0.01 * (end_s - begin_s):  # the counters know it all, gaps too
        steps = max(2, min(20_000, math.ceil((end_s - begin_s) / 60.0)))
        at = begin_s + (np.arange(steps) + 0.5) * (end_s - begin_s) / steps
        all_sky = sun.clear_sky(site.place, site.panel, np.concatenate((t, at)))
        clear_w = power_w * (all_sky.beam + all_sky.diffuse) / 1000.0
        wh = b.solar.plus_wh - b.solar.minus_wh
        clear_wh = float(clear_w[len(t) :].mean()) * (end_s - begin_s) / 3600
        clear_w = clear_w[: len(t)]
    else:
        sky = sun.clear_sky(site.place, site.panel, t)
        clear_w = power_w * (sky.beam + sky.diffuse) / 1000.0
        wh, clear_wh = (float((of * seen_s)[known].sum()) / 3600 for of in (watts, clear_w))
    return Harvest(tuple(t.tolist()), tuple(watts.tolist()), tuple(clear_w.tolist()), wh, clear_wh), ""


def _temperature(columns: Mapping[str, tuple[float, ...]], asked: Asked) -> tuple[str, ...]:
    temp, dt, amps = (np.array(columns[name]) for name in ("battery_c", "seen_s", "battery_a"))
    known = np.isfinite(temp) & np.isfinite(dt)
    if not known.any():
        return ("The battery's temperature was not measured.",)
    mean = float((temp * dt)[known].sum() / dt[known].sum())
    low, high = float(temp[known].min()), float(temp[known].max())
    said = [f"{qty(mean, 1, '°C')} on average, {qty(low, 1, '°C')} to {qty(high, 1, '°C')}."]
    limits = None if asked.setup is None else asked.setup.limits
    cold_c = 0.0 if limits is None else limits.cold_c
    with np.errstate(invalid="ignore"):
        cold_s = float(dt[known & (temp <= cold_c) & (amps > 0.05)].sum())
    if cold_s >= 10.0:
        said.append(
            f"Caution: for {length(cold_s)} the battery was charged at {qty(cold_c, 0, '°C')} or below, which can "
            "damage its cells without an outward sign."
        )
    return tuple(said)


def _health(run: Concluded) -> tuple[tuple[str, str, str, str], ...]:
    """name, now, before, change."""
    if run.now is None:
        return ()
    out = []
    for name, unit, scale, digits in (
        ("capacity_ah", "Ah at 25 °C", 1.0, 1),
        ("resistance_ohm", "mΩ at 25 °C", 1e3, 0),
        ("efficiency", "%", 100.0, 1),
    ):  # fmt: skip
        now: Range | None = getattr(run.now, name)
        before: Range | None = getattr(run.before, name) if run.before is not None else None
        rests = {"capacity_ah": run.now.capacity_rests, "resistance_ohm": run.now.resistance_rests,
                 "efficiency": run.now.efficiency_rests}[name]  # fmt: skip

        def told(r: Range | None, none: str, scale: float = scale, digits: int = digits, unit: str = unit) -> str:
            if r is None:
                return none
            value, low, high = (scale * x for x in r)
            return f"{value:.{digits}f} ({low:.{digits}f} to {high:.{digits}f}) {unit}"

        change = "not known"
        if now is not None and before is not None:
            by = now.value - before.value
            within = before.low <= now.value <= before.high
            change = qty(scale * by, digits, unit.split()[0], True) + (
                ", within the range: no change seen" if within else ""
            )
        label = {"capacity_ah": "capacity", "resistance_ohm": "resistance", "efficiency": "charge that comes back"}[
            name
        ]
        out.append((label, told(now, f"not known yet: {rests}"), told(before, "not known"), change))
    return tuple(out)


def _health_says(source: Source, asked: Asked, run: Concluded) -> str:
    if source.concluded is None:
        return "A log by itself tells nothing of the battery's history; `ampledger health` does, of a board's records."
    if run.now is None:
        return "Nothing has been concluded of the battery's health yet: it takes a full charge and a deep use."
    weak = " ".join(s.text for s in run.now.suspicions)
    return weak or "Nothing speaks for a weak cell; pack volts hide cells, so one may be weak all the same."


def _quality(source: Source, asked: Asked) -> tuple[tuple[str, str], ...]:
    b, gaps = source.whole, source.gaps
    length_s = max(1e-9, b.end_s - b.start_s)
    out = [*source.facts]
    share = qty(100 * min(1.0, b.measured_s / length_s), 1, "%")
    out.append(("readings", f"{length(b.measured_s)} of {length(length_s)}, {share}"))
    if gaps:
        longest = max(gaps, key=lambda g: g[1] - g[0])
        told = f"{length(longest[1] - longest[0])} from {hour(longest[0], source.dated)}"
        out.append(("gaps", f"{len(gaps)}, {length(math.fsum(b - a for a, b in gaps))} in all; the longest {told}"))
    else:
        out.append(("gaps", "none of more than 2 s"))
    for name in ("solar", "battery", "load"):
        unknown = getattr(b, name).unknown_s
        if unknown > 0.5:
            whole = unknown >= length_s * (1 - 1e-9)
            out.append((f"charge of {'the sun' if name == 'solar' else 'the ' + name}",
                        "not measured" if whole else f"not known for {length(unknown)}"))  # fmt: skip
    if not source.dated:
        out.append(("clock", "the log knows no date"))
    elif source.unsure_s is not None:
        out.append(("clock", f"{clock_text(source.unsure_s, False)}, at worst"))
    else:
        out.append(("clock", "the log does not say how well its times are known"))
    if source.concluded is None:
        out.append(("calibration", "a log does not say; a board's records do"))
    if asked.setup is not None:
        c = asked.setup.curve
        own = "measured on this pack" if c.own_pack else "of another pack: the range of the charge allows for that"
        out.append(("curve of the cells", f"{c.name}, {own}"))
    out.append(("written by", f"ampledger {__version__}"))
    out += [("note", plain(w, 300)) for w in source.warnings[:10]]
    return tuple(out)
