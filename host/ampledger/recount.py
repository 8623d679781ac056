"""
From stored records back to intervals, and from those to conclusions anew.

In: the record store. Out: the same intervals that the live path makes, over
as many starts of the board as wanted, in the order in which they happened;
and, for `rebuild` and the live path alike, what is concluded from them, with
what the operator told from the record on that it counts from. Each start has
its own scale (a calibration counts from the start on that it was taken in use
with) and its own clock, made of all it was ever told.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from ampledger import __version__
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.clock import NOT_KNOWN_S, Clock, clock_of
from ampledger.core.engine import USUAL, Engine, Site, View
from ampledger.core.model import Battery, Interval, Limits, Start
from ampledger.core.usable import Station
from ampledger.decode import Counter, Seen, between_s, scale_of, tie_of, to_intervals
from ampledger.errors import ConfigError, StoreError
from ampledger.settings import Setup, battery_told
from ampledger.store import Estimated, Run, Store

_BEFORE_MS = 70_000  # a record is at most a minute long: where reading begins so that the first one wanted has its
# predecessor, from whose counters its charge is told


def code_version() -> str:
    """What conclusions are marked with: the version of this program and of the arithmetic in it."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    own = (here / name for name in ("decode.py", "recount.py", "settings.py"))
    for path in (*sorted((here / "core").glob("*.py")), *own):
        digest.update(path.read_bytes())
    return f"{__version__}+{digest.hexdigest()[:8]}"


def clocks_of(store: Store, device: str) -> dict[int, Clock]:
    """
    The clock of each start of a board.

    A start that never learnt the time is placed right after the one before
    it, that is after its last record and the last time it was told, and says
    how much later it may have been: as long as the next one leaves room. With
    none before, it is placed right before the next. Where no start at all
    knows the time, none has a clock.
    """
    known: list[tuple[int, Clock | None, float, float]] = []  # boot, clock, from and to on the board's clock [s]
    for boot, _ in store.starts(device):
        ties = [tie_of(a) for a in store.anchors(device, boot)]
        clock, runs = clock_of(ties), store.runs(device, boot)
        if runs:
            # A board that was told the time was still on then, also when its records of that time are lost.
            to_s = max([runs[-1].to_ms * 1e-3, *(t.mono_s for t in ties)])
            known.append((boot, clock, runs[0].from_ms * 1e-3, to_s))
        elif clock is not None:
            known.append((boot, clock, clock.knots[0][0], clock.knots[-1][0]))
    out: dict[int, Clock] = {}
    end_s: float | None = None
    for i, (boot, clock, from_s, to_s) in enumerate(known):
        if clock is None:
            # What must still fit before the next start whose time is known: this one and those like it behind it.
            need_s, follows_s = 0.0, None
            for _, later, begin_s, last_s in known[i:]:
                if later is not None:
                    follows_s = later.utc_s(begin_s)
                    break
                need_s += last_s - begin_s
            if end_s is None:
                if follows_s is None:
                    continue
                end_s, room_s = follows_s - need_s, NOT_KNOWN_S
            else:
                room_s = NOT_KNOWN_S if follows_s is None else max(0.0, follows_s - end_s - need_s)
            clock = Clock(((from_s, end_s - from_s, room_s),))
        out[boot] = clock
        end_s = clock.utc_s(to_s)
    return out


def dated_anew(seen: Seen, clocks: dict[int, Clock]) -> Seen:
    """What a reading left behind, with its time as it is known now."""
    clock = clocks.get(seen.boot)
    return seen if clock is None or seen.mono_ms < 0 else replace(seen, end_s=clock.utc_s(seen.mono_ms * 1e-3))


def intervals_of(
    store: Store,
    device: str,
    seen: Seen | None = None,
    until: Seen | None = None,
    since_s: float | None = None,
    until_s: float | None = None,
) -> Iterator[tuple[Seen, tuple[Interval, ...]]]:
    """
    What was measured after `seen` (None: from the beginning), reading by reading, up to `until`.

    device : a board's id, or "log:3" for an imported log.
    since_s, until_s : only what touches this span of UTC. [s]

    Raises FrameError when a description of the board is harmed, StoreError when a record is.
    """
    if device.startswith("log:"):
        yield from _imported(store, device, since_s, until_s)
        return
    clocks = clocks_of(store, device)
    starts = store.starts(device)
    if seen is not None:
        seen = dated_anew(seen, clocks)
        order = [boot for boot, _ in starts]
        starts = starts[order.index(seen.boot) :] if seen.boot in order else []
    for boot, info in starts:
        clock = clocks.get(boot)
        if clock is None or not info:
            continue
        scale = scale_of(info)
        after = seen.seq if seen is not None and seen.boot == boot else -1
        since_ms = 0
        if since_s is not None and after < 0:
            since_ms = max(0, int(min(clock.mono_s(since_s), 1e12) * 1000) - _BEFORE_MS)
        for reading in store.each(device, boot, since_mono_ms=since_ms, after_seq=after):
            if until is not None and boot == until.boot and reading.seq > until.seq:
                return
            mono_s = reading.mono_ms * 1e-3
            seen, intervals = to_intervals(seen, reading, scale, clock.utc_s(mono_s), clock.unsure_s(mono_s))
            if since_s is not None:
                intervals = tuple(i for i in intervals if i.end_s > since_s)
            if until_s is not None:
                if intervals and intervals[0].start_s >= until_s:
                    break
                intervals = tuple(i for i in intervals if i.start_s < until_s)
            if intervals:
                yield seen, intervals


def _imported(
    store: Store, device: str, since_s: float | None, until_s: float | None
) -> Iterator[tuple[Seen, tuple[Interval, ...]]]:
    """The rows of an imported log; it has no starts and no counters."""
    from ampledger.interchange import log_intervals  # the live path needs none of it

    for n, interval in enumerate(log_intervals(store, int(device[4:]), since_s, until_s)):
        yield Seen(-1, n, interval.end_s, ()), (interval,)

Event = tuple[float, str, str, dict[str, Any]]


@dataclass(slots=True)
class Concluded:
    """What is to be kept of views: one estimate for each minute of the board's clock, notices and cycles."""

    version: str
    estimates: list[Estimated] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def add(self, view: View, seen: Seen, first: bool) -> None:
        """Take in what there is of a view; `first` of its minute."""
        if first:
            self.estimates.append(_estimated(view, seen, self.version))
        self.events += [(e.time_s, e.kind, e.notice.code, asdict(e.notice)) for e in view.events]
        self.events += cycle_events(view)

    def clear(self) -> None:
        """Forget it: it has been kept."""
        self.estimates.clear()
        self.events.clear()


def _estimated(view: View, seen: Seen, version: str) -> Estimated:
    e, b = view.estimate, view.balance
    return Estimated(
        view.time_s,
        seen.boot,
        seen.seq,
        e.soc,
        e.low,
        e.high,
        e.capacity_ah,
        b.supply_a,
        b.demand_a,
        b.net_a,
        b.verdict,
        view.source,
        version,
    )


def cycle_events(view: View) -> list[tuple[float, str, str, dict[str, Any]]]:
    """The battery's cycle that this view has closed, if any, as it is kept: among the events, of the kind "cycle"."""
    cycle = view.cycle
    return [] if cycle is None else [(cycle.end_s, "cycle", cycle.to_anchor, cycle.to_dict())]


@dataclass(frozen=True, slots=True)
class Told:
    """
    A battery or a charge that the operator told.

    number : in the order of telling; time_s : by the clock of the host, which may have been wrong. [s]
    after : (start, number) of the board's last record that was stored by then.
    by : (start, number) of the first record that came live after it, and how long after it. [s]
    """

    number: int
    time_s: float
    what: str
    values: dict[str, Any]
    after: tuple[int, int] | None = None
    by: tuple[int, int, float] | None = None

    def engine(self, before: Engine) -> Engine:
        """The engine from then on; with a battery that is the same pack it goes on from where it was."""
        if self.what == "charge":
            try:
                return before.anew(Start(float(self.values["soc"]), float(self.values["sd"])))
            except (KeyError, TypeError, ValueError) as e:
                raise StoreError(f"A charge that was told can't be understood ({e}).") from e
        engine = battery_told(self.values).engine(Start())
        engine.site = before.site
        with contextlib.suppress(ConfigError):
            engine.load(before.save())
        return engine


@dataclass(frozen=True, slots=True)
class Place:
    """
    From which record on something counts that was told.

    before_gap : already for the time without records before that record.
    """

    boot: int
    seq: int
    before_gap: bool


def told_of(store: Store, device: str) -> list[Told]:
    """What was told of a board and of whatever board there is, in the order of telling."""
    rows = store.tellings(device)
    by = {v["told"]: (v["boot"], v["seq"], time_s) for _, time_s, what, v in rows if what == "by"}
    out = []
    for number, time_s, what, values in rows:
        if what not in ("battery", "charge"):
            continue
        after, first = (values.get("after") or {}).get(device), by.get(number)
        out.append(
            Told(
                number,
                time_s,
                what,
                values,
                None if after is None else (int(after[0]), int(after[1])),
                None if first is None else (first[0], first[1], first[2] - time_s),
            )
        )
    return out


def nearer_after(told_s: float, from_s: float, to_s: float) -> bool:
    """Whether what was told at `told_s` holds for the time without records from `from_s` to `to_s` already. [s]"""
    return told_s - from_s < to_s - told_s


def places(store: Store, device: str, clocks: dict[int, Clock], told: Iterable[Told]) -> dict[int, Place]:
    """
    From which stored record on each of what was told counts, by its number.

    It counts from the first record on that began after the telling: after the board's last one that was known then,
    and at the latest from the first that came live after it. What lies between is decided by its time; that is told
    by how long before that live record it was, else by the date. What no record has followed yet, and all that was
    told after it, is left out.
    """
    starts = [boot for boot, info in store.starts(device) if info and boot in clocks]
    order = {boot: i for i, (boot, _) in enumerate(store.starts(device))}
    out: dict[int, Place] = {}
    low = (-1, -1)  # the place must be after this record
    for t in told:
        if t.after is not None and t.after[0] in order:
            low = max(low, (order[t.after[0]], t.after[1]))
        place = _place(store, device, clocks, [b for b in starts if order[b] >= low[0]], low, order, t)
        if place is None:
            break
        out[t.number] = place
        low = (order[place.boot], place.seq - 1)
    return out


def _place(
    store: Store,
    device: str,
    clocks: dict[int, Clock],
    starts: list[int],
    low: tuple[int, int],
    order: dict[int, int],
    t: Told,
) -> Place | None:
    told_s = t.time_s
    high: tuple[int, int] | None = None
    if t.by is not None and t.by[0] in order:
        boot, seq, later_s = t.by
        high = (order[boot], seq)
        reading = store.edge(device, boot, seq) if boot in clocks else None
        if reading is not None:
            told_s = clocks[boot].utc_s(reading.mono_ms * 1e-3) - later_s
    for boot in starts:
        clock, runs = clocks[boot], store.runs(device, boot)
        after = low[1] if order[boot] == low[0] else -1
        if not runs or runs[-1].last_seq <= after:
            continue
        found = None
        if high is not None and high <= (order[boot], runs[-1].last_seq):
            # At the latest this one; the first of this start when it is of one before.
            least = max(after, high[1] - 1) if high[0] == order[boot] else after
            found = next(store.each(device, boot, after_seq=least), None)
        if clock.utc_s(runs[-1].to_ms * 1e-3) > told_s:
            since_ms = max(0, int(min(clock.mono_s(told_s), 1e12) * 1000) - _BEFORE_MS)
            for reading in store.each(device, boot, since_mono_ms=since_ms, after_seq=after):
                if found is not None and reading.seq >= found.seq:
                    break
                if clock.utc_s(reading.mono_ms * 1e-3) - reading.span_ms * 1e-3 >= told_s:
                    found = reading
                    break
        if found is None:
            continue
        start_s = clock.utc_s(found.mono_ms * 1e-3) - max(found.span_ms, 1) * 1e-3
        nth = next((i for i, run in enumerate(runs) if run.first_seq == found.seq), None)
        if nth is None:
            return Place(boot, found.seq, False)  # no time without records is before it
        end_s = clock.utc_s(runs[nth - 1].to_ms * 1e-3) if nth else _end_before(store, device, clocks, order, boot)
        return Place(boot, found.seq, end_s is not None and nearer_after(told_s, end_s, start_s))
    return None


def _end_before(
    store: Store, device: str, clocks: dict[int, Clock], order: dict[int, int], boot: int
) -> float | None:
    """When the last record of the starts before this one ended. [s]"""
    for earlier in sorted((b for b in clocks if b in order and order[b] < order[boot]), key=lambda b: -order[b]):
        runs = store.runs(device, earlier)
        if runs:
            return clocks[earlier].utc_s(runs[-1].to_ms * 1e-3)
    return None


def link(links: str, *what: object) -> str:
    """How the starts hang together and what was told, in one short text: one more link of the chain."""
    return hashlib.sha256(f"{links} {what!r}".encode()).hexdigest()[:16]


class Course:
    """
    Conclusions from readings in the order in which they happened; the live path and `rebuild` take the same.

    engine : at its beginning.
    told : what was told, in the order of telling, and from which record on it counts; None: not known yet.

    seen, records, links : what the last reading left behind; how many there were; how their starts hang together and
        what of `told` was taken in. What is stored can be compared with that: when it is the same, so is the state.
    latest_s : UTC of the latest view. [s]
    """

    def __init__(self, engine: Engine, told: Iterable[tuple[Told, Place | None]] = ()) -> None:
        self.engine, self.pending = engine, list(told)
        self.seen: Seen | None = None
        self.records, self.links, self.told = 0, "", 0
        self.dated: tuple[int, float, float] | None = None  # start, its first reading by the board's clock and by UTC
        self.latest_s = -math.inf
        self._minute: tuple[int, int] | None = None

    def take(self, seen: Seen, intervals: tuple[Interval, ...], out: Concluded) -> View:
        """One reading, with the time without readings before it if there was any; the view at its end."""
        gap = intervals[0] if len(intervals) > 1 else None
        if self.seen is None or seen.boot != self.seen.boot:
            self.links = link(self.links, seen.boot, round(seen.end_s), gap.dt_s if gap else 0.0)
            self.dated = (seen.boot, seen.mono_ms * 1e-3, seen.end_s)
        due: list[tuple[Told, Place]] = []
        while self.pending:
            told, place = self.pending[0]
            if place is None or place.boot != seen.boot or place.seq > seen.seq:
                break
            due.append((told, place))
            self.links = link(self.links, told.number, place.boot, place.seq, place.before_gap)
            del self.pending[0]
        self.seen = seen
        self.records += 1
        if gap is not None:
            while due and due[0][1].before_gap:
                self._tell(due.pop(0)[0])
            self._step(gap, out)
        for told, _ in due:
            self._tell(told)
        return self._step(intervals[-1], out)

    def _tell(self, told: Told) -> None:
        self.engine, self.told = told.engine(self.engine), told.number

    def _step(self, interval: Interval, out: Concluded) -> View:
        assert self.seen is not None
        view = self.engine.step(interval)
        minute = (self.seen.boot, self.seen.mono_ms // 60_000)
        out.add(view, self.seen, minute != self._minute)
        self._minute = minute
        self.latest_s = max(self.latest_s, view.time_s)
        return view

    def save(self) -> dict[str, Any]:
        """What has to be kept to go on, JSON-able."""
        return {
            "engine": self.engine.save(),
            "seen": None if self.seen is None else asdict(self.seen),
            "records": self.records,
            "links": self.links,
            "told": self.told,
            "dated": self.dated,
            "minute": self._minute,
            "latest_s": self.latest_s,
        }

    @classmethod
    def of(cls, saved: dict[str, Any], begin: Engine, told: list[Told], where: dict[int, Place]) -> Course:
        """
        The course that `save` gave.

        begin : the engine of before anything was told. where : from which record on each of `told` counts.

        Raises KeyError, TypeError, ValueError, AttributeError or BoxError when it is of another kind.
        """
        number = int(saved.get("told", 0))
        batteries = [t for t in told if t.number <= number and t.what == "battery"]
        engine = battery_told(batteries[-1].values).engine(Start()) if batteries else begin.anew(Start())
        engine.site = begin.site
        engine.load(saved["engine"])
        course = cls(engine, [(t, where.get(t.number)) for t in told if t.number > number])
        course.seen = seen_of(saved["seen"])
        # States of 0.3.0 have no more than that: they go on, and what they rest on is not what is stored.
        course.records, course.links, course.told = int(saved.get("records", -1)), str(saved.get("links", "")), number
        dated, minute = saved.get("dated"), saved.get("minute")
        course.dated = None if dated is None else (int(dated[0]), float(dated[1]), float(dated[2]))
        course._minute = None if minute is None else (int(minute[0]), int(minute[1]))
        course.latest_s = float(saved.get("latest_s", course.seen.end_s))
        return course


def seen_of(s: dict[str, Any]) -> Seen:
    """What a reading left behind, as it was kept. Raises KeyError or TypeError when it is of another kind."""
    counters = tuple(None if c is None else Counter(**c) for c in s["counters"])
    return Seen(int(s["boot"]), int(s["seq"]), float(s["end_s"]), counters, int(s.get("mono_ms", -1)))


def beginning(told: list[Told], otherwise: Engine) -> Engine:
    """
    The engine of before anything was told: the first battery that was told was there before it was told. [a new one]

    otherwise : where none was told. With a charge that was told it begins with none, which is told later.
    """
    for t in told:
        if t.what == "battery":
            engine = battery_told(t.values).engine(Start())
            engine.site = otherwise.site
            return engine
    return otherwise.anew(Start() if told else otherwise.start)


class Grounds:
    """
    What conclusions from all stored records would rest on now: the same figures as `Course` has, for any record.

    firsts : what the first record of each start is, kept by the caller from one time to the next.
    """

    def __init__(
        self,
        store: Store,
        device: str,
        clocks: dict[int, Clock],
        where: dict[int, Place],
        firsts: dict[tuple[int, int], tuple[float, float]],
    ) -> None:
        self._order = [boot for boot, _ in store.starts(device)]
        self._starts: dict[int, tuple[int, list[Run], list[tuple[int, str]]]] = {}
        self.records = 0
        links, end_s = "", None
        for boot, info in store.starts(device):
            clock, runs = clocks.get(boot), store.runs(device, boot) if info else []
            if clock is None or not runs:
                continue
            key = (boot, runs[0].first_seq)
            if key not in firsts:
                reading = next(store.each(device, boot))
                firsts[key] = reading.mono_ms * 1e-3, max(reading.span_ms, 1) * 1e-3
            mono_s, span_s = firsts[key]
            first_s = clock.utc_s(mono_s)
            links = link(links, boot, round(first_s), between_s(end_s, first_s - span_s) if end_s is not None else 0.0)
            stages = [(-1, links)]
            for number, place in where.items():
                if place.boot == boot:
                    links = link(links, number, boot, place.seq, place.before_gap)
                    stages.append((place.seq, links))
            self._starts[boot] = self.records, runs, stages
            self.records += sum(run.last_seq - run.first_seq + 1 for run in runs)
            end_s = clock.utc_s(runs[-1].to_ms * 1e-3)

    def after(self, boot: int) -> list[int]:
        """Starts of the board after this one."""
        return self._order[self._order.index(boot) + 1 :] if boot in self._order else []

    def hold(self, boot: int, seq: int, records: int, links: str) -> bool:
        """Whether conclusions up to a record, from so many that hang together so, are those of what is stored."""
        if boot not in self._starts:
            return False
        before, runs, stages = self._starts[boot]
        count = before + sum(min(run.last_seq, seq) - run.first_seq + 1 for run in runs if run.first_seq <= seq)
        return records == count and links == [text for at, text in stages if at <= seq][-1]


def rebuild(
    store: Store,
    device: str,
    battery: Battery,
    reserve_soc: float,
    *,
    station: Station = USUAL,
    curve: Curve = LFP26650,
    limits: Limits | None = None,
    site: Site | None = None,
) -> dict[str, Any]:
    """
    Throw away what was concluded from the records of a board, and conclude anew.

    The records, what the link went through and what the operator told are inputs and stay. A battery or a charge
    that was told counts from the moment of telling on; `battery` and what follows it are those of before the first.
    All of it takes effect at once, or nothing does.

    Returns figures: records, hours, estimates, notices, soc, version.
    """
    version = code_version()
    figures: dict[str, Any] = {"records": store.resum(device), "hours": 0.0, "version": version, "soc": None}
    told = told_of(store, device)
    where = places(store, device, clocks_of(store, device), told)
    engine = Setup(battery, reserve_soc, station, curve, limits or Limits()).engine(Start())
    engine.site = site or Site()
    course = Course(engine, [(t, where.get(t.number)) for t in told])
    out = Concluded(version)
    for seen, intervals in intervals_of(store, device):
        view = course.take(seen, intervals, out)
        figures["hours"] += sum(i.dt_s for i in intervals) / 3600
        figures["soc"] = view.estimate.soc
    state: dict[str, Any] = {}
    if course.seen is not None:
        state[f"live:{device}"] = course.save() | {"device": device, "version": version}
    store.replace_conclusions(device, out.estimates, out.events, version, state)
    return figures | {"estimates": len(out.estimates), "notices": sum(e[1] == "raised" for e in out.events)}
