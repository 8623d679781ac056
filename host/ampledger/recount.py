"""
From stored records back to intervals, and from those to conclusions anew.

In: the record store. Out: the same intervals that the live path makes, over
as many starts of the board as wanted, in the order in which they happened;
and, for `rebuild`, everything that the live path would have concluded from
them. Each start has its own scale (a calibration counts from the start on
that it was taken in use with) and its own clock, made of all it was ever told.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ampledger import __version__
from ampledger.core.clock import NOT_KNOWN_S, Clock, clock_of
from ampledger.core.engine import Engine, View
from ampledger.core.model import Battery, Interval, Start
from ampledger.decode import Seen, scale_of, tie_of, to_intervals
from ampledger.errors import ConfigError, StoreError
from ampledger.store import Estimated, Store

_BEFORE_MS = 70_000  # a record is at most a minute long: where reading begins so that the first one wanted has its
# predecessor, from whose counters its charge is told


def code_version() -> str:
    """What conclusions are marked with: the version of this program and of the arithmetic in it."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for path in (*sorted((here / "core").glob("*.py")), here / "decode.py", here / "recount.py"):
        digest.update(path.read_bytes())
    return f"{__version__}+{digest.hexdigest()[:8]}"


def clocks_of(store: Store, device: str) -> dict[int, Clock]:
    """
    The clock of each start of a board.

    A start that never learnt the time is placed right after the one before
    it, and says how much later it may have been: as long as the next one
    leaves room. With none before, it is placed right before the next. Where
    no start at all knows the time, none has a clock.
    """
    known: list[tuple[int, Clock | None, float, float]] = []  # boot, clock, from and to on the board's clock [s]
    for boot, _ in store.starts(device):
        clock = clock_of([tie_of(a) for a in store.anchors(device, boot)])
        runs = store.runs(device, boot)
        if runs:
            known.append((boot, clock, runs[0].from_ms * 1e-3, runs[-1].to_ms * 1e-3))
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


class Minutes:
    """Picks one view for each minute of data, to be kept: the first that ends in a new minute of UTC."""

    def __init__(self, version: str) -> None:
        self._version, self._minute = version, -math.inf

    def of(self, seen: Seen, view: View) -> Estimated | None:
        """What is to be kept of this view; None when its minute has one already."""
        minute = view.time_s // 60
        if minute == self._minute:
            return None
        self._minute = minute
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
            self._version,
        )


def battery_told(values: dict[str, Any]) -> tuple[Battery, float]:
    """Battery and reserve as they are kept. Raises ConfigError when they can't be that."""
    try:
        return Battery(float(values["capacity_ah"]), int(values["series"])), float(values["reserve_soc"])
    except (KeyError, TypeError, ValueError, OverflowError) as e:
        raise ConfigError(f"The battery that was kept can't be used ({e}): give --capacity-ah and --series.") from e


def rebuild(store: Store, device: str, battery: Battery, reserve_soc: float) -> dict[str, Any]:
    """
    Throw away what was concluded from the records of a board, and conclude anew.

    The records, what the link went through and what the operator told are inputs and stay. A battery or a charge
    that was told counts from the moment of telling on; `battery` and `reserve_soc` are those of before the first.
    All of it takes effect at once, or nothing does.

    Returns figures: records, hours, estimates, notices, soc, version.
    """
    version = code_version()
    # What was said of whatever board there is, and of this one.
    told = sorted([*store.told(""), *store.told(device)], key=lambda t: t[0])
    told = [t for t in told if t[1] in ("battery", "charge")]
    figures: dict[str, Any] = {"records": store.resum(device), "hours": 0.0, "version": version, "soc": None}
    minutes = Minutes(version)
    engine = Engine(battery, Start(), reserve_soc)
    events: list[tuple[float, str, str, dict[str, Any]]] = []
    kept: list[Estimated] = []
    last: Seen | None = None
    for seen, intervals in intervals_of(store, device):
        last = seen
        for interval in intervals:
            while told and told[0][0] <= interval.start_s:
                engine, battery, reserve_soc = _as_told(told.pop(0), battery, reserve_soc)
            view = engine.step(interval)
            figures["hours"] += interval.dt_s / 3600
            figures["soc"] = view.estimate.soc
            events += [(e.time_s, e.kind, e.notice.code, asdict(e.notice)) for e in view.events]
            row = minutes.of(seen, view)
            if row is not None:
                kept.append(row)
    state: dict[str, Any] = {}
    if last is not None:
        state[f"live:{device}"] = {"engine": engine.save(), "seen": asdict(last), "device": device}
    store.replace_conclusions(device, kept, events, version, state)
    return figures | {"estimates": len(kept), "notices": sum(e[1] == "raised" for e in events)}


def _as_told(
    what: tuple[float, str, dict[str, Any]], battery: Battery, reserve_soc: float
) -> tuple[Engine, Battery, float]:
    _, kind, values = what
    if kind == "battery":
        battery, reserve_soc = battery_told(values)
        return Engine(battery, Start(), reserve_soc), battery, reserve_soc
    try:
        start = Start(float(values["soc"]), float(values["sd"]))
    except (KeyError, TypeError, ValueError) as e:
        raise StoreError(f"A charge that was told can't be understood ({e}).") from e
    return Engine(battery, start, reserve_soc), battery, reserve_soc
