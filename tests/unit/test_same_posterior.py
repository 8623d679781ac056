"""
Restarts, gaps and late backfill give the same posterior as an uninterrupted run, to the last bit.

A board is played by hand: it samples, restarts, loses its power, keeps what nobody heard, or loses it. A host listens,
is killed, ended and started again, falls silent, fetches in pieces. At the end its state and all that it concluded
are compared with what one engine says that is fed with every record that is stored, in order, without any of that.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pytest
from ampledger import late as late_module
from ampledger import live as live_module
from ampledger import wire
from ampledger.cli import main
from ampledger.core import health
from ampledger.core.engine import Engine
from ampledger.core.estimate import Estimate
from ampledger.core.model import Battery, Interval, Start
from ampledger.decode import Frame
from ampledger.link import Arrived, Hello, State
from ampledger.live import Boards, Live
from ampledger.recount import intervals_of, rebuild
from ampledger.store import Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

T0 = 1_789_000_000.0
CHANNELS = [
    {"name": n, "chip": "ina228", "shunt_nohm": 2_000_000, "shunt_cal": 4100, "low_range": 0} for n in wire.CHANNELS
]
LSB_A = 4100 / (13107.2e6 * 0.002)
PACK = Battery(6.0)
SPAN_S = 4


class Box:
    """A board and its battery: what was sampled, what of it is kept, on a clock that is passed in seconds."""

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.t_s = 0.0
        self.boot, self.began_s, self.seq, self.tag = 0, 0.0, 0, 1
        self.count = 0
        self.kept: dict[tuple[int, int], bytes] = {}
        self.boots: list[int] = []
        self.fixes: list[tuple[int, bytes]] = []  # times that a satellite receiver told: start, anchor
        self.restart(0.0, False)

    @property
    def mono_s(self) -> float:
        return self.t_s - self.began_s

    def restart(self, off_s: float, chips_too: bool) -> None:
        self.t_s += off_s
        self.boot, self.began_s, self.seq = self.boot + 1, self.t_s, 0
        self.boots.append(self.boot)
        if chips_too:
            self.tag, self.count = self.tag + 1, 0

    def info(self) -> dict[str, Any]:
        return {"app": "ampledger", "board": "pico", "device": "a", "boot": self.boot, "boots": self.boot,
                "oldest": 0, "next": self.seq, "wire": 2, "solar_placement": "controller-output", "sample_ms": 100,
                "channels": CHANNELS}  # fmt: skip

    def fix(self) -> None:
        """Satellites tell the board the time."""
        at = round(self.mono_s * 1000), round((T0 + self.t_s) * 1000)
        self.fixes.append((self.boot, wire.put_anchor(self.boot.to_bytes(4, "little"), *at, 20)))

    def sample(self, keep: bool = True) -> bytes:
        """Some seconds go by: the record of them. Overs, and a sun that comes and goes."""
        self.t_s += SPAN_S
        keyed = self.seq % 5 == 3
        solar, load = 1.2 if (self.t_s // 900) % 2 else 0.1, 4.0 if keyed else 0.4
        counts = [round(a / LSB_A) for a in (solar, solar - load, load)]
        self.count += SPAN_S
        payload = bytearray(wire.READING_SIZE)
        head = 0, 0, self.boot.to_bytes(4, "little"), self.seq, round(self.mono_s * 1000), 0, SPAN_S * 1000, 320
        wire.put_reading_head(payload, *head)
        bus = 67_600 + self.rng.randrange(-400, 400) - (900 if keyed else 0)
        for i, count in enumerate(counts):
            at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
            charge = (round(-0.9 / LSB_A) * self.count).to_bytes(5, "big", signed=True)
            wire.put_channel(
                payload, at, 0, 1, self.tag, bus, bus >> 4, bus >> 4, count, count >> 4, count >> 4, charge, 0, 0
            )
        if keep:
            self.kept[self.boot, self.seq] = bytes(payload)
        self.seq += 1
        return bytes(payload)

    def answer(self, command: tuple[Any, ...]) -> list[Frame]:
        """What the board sends to a command."""
        verb, *words = command
        if verb == "boots":
            rows = []
            for boot in self.boots:
                seqs = [s for b, s in self.kept if b == boot]
                if seqs:
                    rows.append([boot, boot, min(seqs), max(seqs), "aa"])
            return _replies(to="boots", boots=rows, more=False)
        if verb == "describe":
            told = {k: v for k, v in self.info().items() if k not in ("boot", "boots", "oldest", "next")}
            return _replies(to="describe", id="aa", info=told)
        if verb == "recall":
            first, last, boot = words if len(words) == 3 else (*words, self.boot)
            some = [p for (b, s), p in sorted(self.kept.items()) if b == boot and first <= s <= last]
            fixes = [Frame(wire.ANCHOR, 0, p) for b, p in self.fixes if b == boot]
            records = [Frame(wire.RECALLED, 0, p) for p in some]
            return [*fixes, *records, *_replies(to="recalled", boot=boot, last=last)]
        return []


def _replies(**values: Any) -> list[Frame]:
    return [Frame(wire.REPLY, 0, part) for part in wire.parts(json.dumps(values).encode())]


class Said(NamedTuple):
    """
    A charge that was told: after which record that was made, kept or not, and when by this computer's clock. [s]

    heard : the record that was heard first after it, and how long after it that was. [s]
    """

    after: tuple[int, int]
    time_s: float
    start: Start
    heard: tuple[tuple[int, int], float] | None = None


class Host:
    """
    The live path on a file, on the box's clock.

    jitter : whether the times that it tells the board are now better, now worse.
    wrong_s : how far this computer's clock is off. [s]
    """

    def __init__(self, folder: Path, box: Box, jitter: bool = False) -> None:
        self.folder, self.box, self.jitter = folder, box, jitter
        self.wrong_s = 0.0
        self.store: Store | None = None
        self.commands: list[tuple[Any, ...]] = []
        self.arriving: list[Frame] = []  # of what was asked for, still under way
        self.told: list[Said] = []

    def now_s(self) -> float:
        return T0 + self.box.t_s + self.wrong_s

    def start(self, told: float | None = None, plug: bool = True) -> None:
        """Start the program, as `--start-soc` does when `told`; plug the board in."""
        assert self.store is None
        self.store = Store(self.folder / "s.sqlite")
        start = Start(told, 0.03) if told is not None else Start()
        if told is not None:
            # A second ago, within the record that was made last: a moment on its edge would be before it or after.
            self.store.tell(self.now_s() - 1.0, "", "charge", {"soc": start.soc, "sd": start.sd})
            self.told.append(Said((self.box.boot, self.box.seq - 1), self.now_s() - 1.0, start))
        self.boards = Boards(
            self.store, lambda device: (Engine(PACK, start), told is not None), list,
            clock=self.now_s, ticks=lambda: self.box.t_s, sync=lambda: 0.02,
        )  # fmt: skip
        self.boards.links.send = lambda port, *a: bool(self.commands.append(a)) or True  # type: ignore[method-assign]
        if plug:
            self.plug()

    def plug(self) -> None:
        self.commands, self.arriving = [], []
        self._put(State("live", "Board.", "/dev/x"))
        self.hello(False)

    def hello(self, again: bool) -> None:
        self._put(Hello(self.now_s(), self.box.info(), "/dev/x", again))
        unsure_ms = self.box.rng.choice((20, 300, 2000)) if self.jitter else 20
        off_ms = round(0.7 * self.box.rng.uniform(-unsure_ms, unsure_ms)) if self.jitter else 0
        unix_ms = int(self.now_s() * 1000) + off_ms
        at = self.box.boot.to_bytes(4, "little"), int(self.box.mono_s * 1000), unix_ms, unsure_ms
        self._arrive([Frame(wire.ANCHOR, 0, wire.put_anchor(*at))])

    def _put(self, *items: Any) -> None:
        for item in items:
            self.boards._queue.put(item)
        self.boards._turn(0.0)

    def _arrive(self, frames: list[Frame]) -> None:
        self._put(Arrived(self.now_s(), tuple(frames), 0, (), "/dev/x"))

    def listen(self, count: int) -> None:
        for _ in range(count):
            self._arrive([Frame(wire.READING, 0, self.box.sample())])
            key, now_s = (self.box.boot, self.box.seq - 1), self.now_s()
            self.told = [t if t.heard else t._replace(heard=(key, now_s - t.time_s)) for t in self.told]

    def fetch(self, frames: int) -> None:
        """So many frames of what was asked for come in."""
        while frames > 0:
            while self.commands and not self.arriving:
                self.arriving += self.box.answer(self.commands.pop(0))
            if not self.arriving:
                return
            some, self.arriving = self.arriving[:frames], self.arriving[frames:]
            frames -= len(some)
            self._arrive(some)

    def kill(self) -> None:
        assert self.store is not None
        self.store.close()
        self.store = None

    def end(self) -> None:
        for live in self.boards.lives.values():
            live.close()
        self.kill()

    @property
    def live(self) -> Live:
        return self.boards.shown

    def settle(self) -> None:
        """All that the board kept is fetched, and nothing is left to do."""
        for _ in range(200):
            self.fetch(100_000)
            self._put()
            if not (self.commands or self.arriving or self.live.busy or self.live._stale or self.live.fetch.late):
                break
        else:
            raise AssertionError("it does not come to rest")
        assert not [n for n in self.boards.snapshot()["notices"] if n["code"] in ("program-error", "not-caught-up")]


def uninterrupted(store: Store, told: list[Said], dated: bool = True) -> tuple[Engine, list[Any], list[Any]]:
    """
    One engine fed with all that is stored: itself, what it would keep of each minute, its notices.

    What is told within a time without records counts from the end of it that is nearer. When that was follows from
    how long before the first record that was heard after it: the board's times may be seconds off this computer's.

    dated : whether the starts are dated to less than a second. If not, which of the records that nobody heard were made
        before the telling can't be known to the record: then their dates decide, after what was stored at the telling
        and at the latest with the first record that was heard after it.
    """
    engine, minute = Engine(PACK, Start()), None
    rows: list[Any] = []
    events: list[Any] = []
    found = list(intervals_of(store, "a"))
    ends_s = {(seen.boot, seen.seq): seen.end_s for seen, _ in found}
    waiting = [t._replace(time_s=ends_s[t.heard[0]] - t.heard[1]) if t.heard else t for t in told]
    charges = [values for *_, what, values in store.tellings("a") if what == "charge"]
    stored = [tuple((values.get("after") or {}).get("a", (-1, -1))) for values in charges]

    def began_after(key: tuple[int, int], start_s: float) -> bool:
        said = waiting[0]
        if dated or said.heard is None:
            return said.after < key
        return key >= said.heard[0] or (key > stored[-len(waiting)] and start_s >= said.time_s)

    for seen, intervals in found:
        for interval in intervals:
            while waiting and began_after((seen.boot, seen.seq), intervals[-1].start_s):
                to_end_s = intervals[-1].start_s - waiting[0].time_s
                if interval is not intervals[-1] and waiting[0].time_s - interval.start_s >= to_end_s:
                    break
                engine = Engine(PACK, waiting.pop(0).start)
            view = engine.step(interval)
            if (seen.boot, seen.mono_ms // 60_000) != minute:
                rows.append((view.time_s, seen.boot, seen.seq, view.estimate.soc, view.estimate.low))
                minute = (seen.boot, seen.mono_ms // 60_000)
            events += [(e.time_s, e.kind, e.notice.code, json.loads(json.dumps(asdict(e.notice)))) for e in view.events]
    return engine, rows, events


def concluded(store: Store) -> tuple[list[Any], list[Any]]:
    rows = [(e.time_s, e.boot, e.seq, e.soc, e.low) for e in store.estimates("a", 0.0, 1e12)]
    kinds = ("raised", "changed", "cleared")
    return rows, sorted((e for e in store.events("a", 0.0, 1e12) if e[1] in kinds), key=str)


def compare(host: Host, times: bool = True) -> None:
    """What the host has come to is what one uninterrupted engine comes to, and what `rebuild` does."""
    assert host.store is not None
    engine, rows, events = uninterrupted(host.store, host.told, dated=times)
    state, live = engine.save(), host.live._course.engine.save()
    assert live["estimate"] == state["estimate"], "the posterior"
    if times:
        assert live == state
        # Where starts of unknown time lie upon each other, one may have taken the other's place.
        assert concluded(host.store) == (sorted({r[0]: r for r in rows}.values()), sorted(events, key=str))
    else:
        plain = [r[1:] for r in rows]
        assert sorted(r[1:] for r in concluded(host.store)[0]) == sorted(plain)
    before, cycles = concluded(host.store), host.store.cycles("a")
    host.end()
    with_file = Store(host.folder / "s.sqlite")
    try:
        rebuild(with_file, "a", PACK, 0.2)
        assert with_file.get_state("live:a")["engine"]["estimate"] == json.loads(json.dumps(live["estimate"]))
        if times:
            assert concluded(with_file) == before and with_file.cycles("a") == cycles
    finally:
        with_file.close()


@pytest.fixture(autouse=True)
def dense(monkeypatch: pytest.MonkeyPatch) -> None:
    """Marks as often in these short records as in days of them."""
    monkeypatch.setattr(late_module, "_EVERY", 12)
    monkeypatch.setattr(late_module, "_SPARSE", 3)
    monkeypatch.setattr(late_module, "_FRESH", 4)
    monkeypatch.setattr(late_module, "_MARKS", 5)
    monkeypatch.setattr(live_module, "_BEHIND", 8)


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Host]:
    h = Host(tmp_path, Box(1))
    yield h
    if h.store is not None:
        h.store.close()


def alone(box: Box, count: int, keep: bool = True) -> None:
    for _ in range(count):
        box.sample(keep)


def test_nothing_in_between(host: Host) -> None:
    host.start()
    host.listen(60)
    host.settle()
    compare(host)


@pytest.mark.parametrize("missed", [1, 3, 30])
def test_a_hole_that_is_filled(host: Host, missed: int) -> None:
    host.start()
    host.listen(40)
    alone(host.box, missed)
    host.plug()
    host.listen(10)
    host.settle()
    compare(host)


def test_late_records_that_come_before_the_first_live_one(host: Host) -> None:
    host.start()
    host.listen(5)
    alone(host.box, 1)
    host.kill()
    host.start()
    host.fetch(3)
    assert host.store is not None and len(host.store.readings("a", 1)) == 6
    host.plug()
    host.listen(3)
    host.settle()
    compare(host)


def test_the_health_that_is_read_is_the_same_after_rebuild(
    host: Host, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    step = health.step

    def with_anchors(state: health.State, interval: Interval, e: Estimate) -> Any:
        """The estimator needs hours for an anchor; here there is one every hundred seconds, full and empty in turn."""
        nth = int((interval.end_s - T0 + 0.5 * SPAN_S) // 100)
        kind: Literal["full", "empty"] = "empty" if nth % 2 else "full"
        return step(state, interval, replace(e, anchors=nth, anchor=kind))

    monkeypatch.setattr(health, "step", with_anchors)

    def read() -> dict[str, Any]:
        assert main(["health", "--data", str(host.folder / "s.sqlite"), "--json"]) == 0
        return dict(json.loads(capsys.readouterr().out))

    host.start()
    host.listen(90)
    alone(host.box, 60)
    host.plug()
    host.listen(30)
    host.kill()
    alone(host.box, 40)
    host.start()
    host.listen(30)
    host.settle()
    host.end()
    live = read()
    # WORKED: 250 records of 4 s are 1000 s; an anchor at each hundred.
    ways = [(c["from_anchor"], c["to_anchor"]) for c in live["all_cycles"]]
    assert ways == [("", "empty"), *[("empty", "full"), ("full", "empty")] * 4, ("empty", "full")]
    assert all(c["in_ah"] > 0.0 or c["out_ah"] > 0.0 for c in live["all_cycles"])
    store = Store(host.folder / "s.sqlite")
    rebuild(store, "a", PACK, 0.2)
    store.close()
    assert read() == live


def test_a_live_record_that_comes_out_of_order(host: Host) -> None:
    host.start()
    host.listen(20)
    early, late = host.box.sample(keep=False), host.box.sample(keep=False)
    host._arrive([Frame(wire.READING, 0, late)])
    host.settle()
    host._arrive([Frame(wire.READING, 0, early)])
    host.listen(5)
    host.settle()
    assert host.store is not None and len(host.store.readings("a", 1)) == 27
    compare(host)


def test_a_hole_that_nothing_fills(host: Host) -> None:
    host.start()
    host.listen(40)
    alone(host.box, 12, keep=False)
    host.plug()
    host.listen(10)
    host.settle()
    compare(host)


def test_killed_in_the_middle_of_a_hole(host: Host) -> None:
    host.start()
    host.listen(40)
    host.live._keep()
    host.listen(3)
    host.kill()
    alone(host.box, 20)
    host.start()
    host.listen(5)
    host.fetch(12)
    host.kill()
    alone(host.box, 2)
    host.start()
    host.listen(5)
    host.settle()
    compare(host)


@pytest.mark.parametrize("ended", [Host.kill, Host.end])
def test_records_were_fetched_and_not_concluded_from_before_the_end(host: Host, ended: Any) -> None:
    host.start()
    host.listen(20)
    host.end()
    alone(host.box, 20)
    host.start()
    host.listen(5)
    host.live._keep()
    host.live._conclude_late = lambda: None  # type: ignore[method-assign]
    host.fetch(100_000)
    assert host.store is not None and len(host.store.readings("a", 1)) == 45
    ended(host)
    host.start()
    host.listen(5)
    host.settle()
    compare(host)


def test_ended_while_concluding_anew(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    host.start()
    host.listen(10)
    alone(host.box, 30)
    host.plug()
    host.listen(3)
    with monkeypatch.context() as m:
        m.setattr(live_module, "_SLICE_S", 0.0)
        m.setattr(late_module, "_LEAST", 1)
        host.fetch(100_000)
        assert host.live.busy
        host.listen(5)
        host.end()
    host.start()
    host.listen(3)
    host.settle()
    compare(host)


@pytest.mark.parametrize("then", ["go on", "go on, told meanwhile", "started again", "killed"])
def test_stopped_while_concluding_anew(host: Host, monkeypatch: pytest.MonkeyPatch, then: str) -> None:
    host.start()
    host.listen(10)
    alone(host.box, 30)
    host.plug()
    host.listen(3)
    assert host.store is not None
    monkeypatch.setattr(live_module, "_TOLD_S", 0.0)
    with monkeypatch.context() as m:
        m.setattr(live_module, "_SLICE_S", 0.0)
        m.setattr(late_module, "_LEAST", 1)
        host.fetch(100_000)
        host.listen(5)
        (work,) = host.boards.snapshot()["work"]
        # The hole's 30 records, the 4 before it since a mark at most, and the 3 after it were there when it began.
        assert work["state"] == "running" and 0 < work["done"] < work["of"] <= 37 and work["wish"] == "stop"
        before = concluded(host.store)
        host.boards.change_work(None, "anew", "stop")
        host.listen(2)
        (work,) = host.boards.snapshot()["work"]
        assert (work["state"], work["wish"]) == ("stopped", "go") and "was concluded before" in work["why"]
        assert not host.live.busy
        if "told" in then:
            start = Start(0.4, 0.03)
            host.store.tell(host.now_s() - 1.0, "", "charge", {"soc": start.soc, "sd": start.sd})
            host.told.append(Said((host.box.boot, host.box.seq - 1), host.now_s() - 1.0, start))
            host.live.told_anew(Engine(PACK, start), False)
    host.listen(8)
    assert host.boards.snapshot()["work"] == [work], "it waits, and the rest goes on"
    rows, events = concluded(host.store)
    assert all(r in rows for r in before[0]) and all(e in events for e in before[1]), "nothing of before is gone"
    assert not [r for r in rows if (r[1], r[2]) >= (1, 10) and (r[1], r[2]) < (1, 40)], "nor is half of the new there"
    if "go on" in then:
        host.boards.change_work(None, "anew", "go")
    else:
        (Host.end if then == "started again" else Host.kill)(host)
        host.start()
        host.listen(3)
    host.settle()
    assert host.boards.snapshot()["work"] == []
    compare(host)


@pytest.mark.parametrize("chips_too", [False, True])
def test_two_holes_and_restarts_of_the_board_that_nobody_saw(host: Host, chips_too: bool) -> None:
    host.start()
    host.listen(20)
    alone(host.box, 5)
    host.box.restart(100.0, chips_too)
    alone(host.box, 15)
    host.box.restart(5.0, chips_too)
    host.plug()
    host.listen(10)
    alone(host.box, 4)
    host.hello(True)
    host.listen(4)
    host.settle()
    compare(host)


def test_a_start_nobody_saw_that_satellites_had_told_the_time(host: Host) -> None:
    host.start()
    host.listen(20)
    host.box.restart(5000.0, False)
    alone(host.box, 10)
    host.box.fix()
    alone(host.box, 20)
    host.box.restart(9000.0, False)
    host.plug()
    host.listen(5)
    host.settle()
    assert host.store is not None
    gaps = [i.dt_s for _, x in intervals_of(host.store, "a") for i in x if i.dt_s > SPAN_S]
    # WORKED: as long as the board was off; the records of a second one begin when it does.
    assert gaps == [5000.0, 9000.0]
    compare(host)


def test_a_start_whose_records_are_here_is_described_later(host: Host) -> None:
    host.start()
    host.listen(10)
    host.settle()
    host.box.restart(5.0, True)
    for _ in range(4):  # it restarts once more before anybody has asked it
        host._arrive([Frame(wire.READING, 0, host.box.sample())])
    host.box.restart(5.0, True)
    host.plug()
    host.listen(5)
    host._put(State("lost", "The cable is out.", "/dev/x"))
    for _ in range(3):
        host._put()
    host.plug()
    host.listen(5)
    host.settle()
    assert host.store is not None and len(host.store.readings("a", 2)) == 4
    compare(host)


def test_fetching_is_paused_and_goes_on_later(host: Host) -> None:
    host.start()
    host.listen(20)
    alone(host.box, 40)
    host.live.fetch.paused = True
    host.plug()
    host.listen(10)
    host.fetch(1000)
    for _ in range(3):
        host._put()
    host.live.fetch.paused = False
    host.listen(10)
    host.settle()
    compare(host)


def test_weeks_in_a_cupboard_are_one_interval_of_which_nothing_is_known(host: Host) -> None:
    host.start()
    host.listen(30)
    host.end()
    host.box.restart(30 * 86_400.0, chips_too=True)
    host.start()
    host.listen(10)
    host.settle()
    assert host.store is not None
    gaps = [i for _, x in intervals_of(host.store, "a") for i in x if i.dt_s > SPAN_S]
    # WORKED: 30 days from the end of one record to the beginning of the next.
    assert [(g.dt_s, g.battery.charge_c, g.battery.a) for g in gaps] == [(30 * 86_400.0, None, None)]
    compare(host)


def test_a_charge_that_was_told_before_any_board_spoke_is_not_lost(host: Host) -> None:
    host.start()
    host.listen(30)
    host.end()
    host.start(told=0.9, plug=False)
    host.end()
    alone(host.box, 3)
    host.start()
    host.listen(5)
    host.settle()
    # It was told before the three records that came late began: they count from it on.
    assert host.live._course.engine.read().soc == pytest.approx(0.9, abs=0.05)
    compare(host)


@pytest.mark.parametrize("wrong_s", [-50_000_000.0, 50_000_000.0])
def test_a_charge_told_while_dates_were_wrong_counts_from_the_record_after_which_it_was_told(
    host: Host, wrong_s: float
) -> None:
    host.start()
    host.listen(30)
    host.end()
    alone(host.box, 6)
    host.wrong_s = wrong_s
    host.start(told=0.9)
    host.listen(10)
    host.wrong_s = 0.0
    host.hello(True)
    host.listen(10)
    host.settle()
    compare(host)


def test_a_start_that_is_dated_anew_takes_what_was_concluded_with_it(host: Host) -> None:
    host.wrong_s = 3600.0
    host.start()
    host.listen(30)
    host.settle()  # nothing is left to be done but what the clock gives cause for
    host.wrong_s = 0.0
    host.hello(True)
    host.listen(10)
    host.settle()
    assert host.store is not None
    assert max(e.time_s for e in host.store.estimates("a", 0.0, 1e12)) <= T0 + 400.0
    compare(host)


def test_a_start_dated_into_the_one_before_takes_no_more_with_it_than_its_own(host: Host) -> None:
    host.start()
    host.listen(60)
    host.box.restart(600.0, chips_too=False)
    host.wrong_s = -900.0
    host.plug()
    host.listen(20)
    host.settle()
    host.wrong_s = 0.0
    host.hello(True)
    host.listen(10)
    host.settle()
    compare(host)


def test_a_start_that_is_over_is_told_a_better_time(host: Host) -> None:
    host.wrong_s = -5000.0
    host.start()
    host.listen(30)
    host.box.fix()
    host.box.restart(600.0, chips_too=True)
    host.wrong_s = 0.0
    host.plug()
    host.listen(10)
    host.settle()
    host._arrive([Frame(wire.ANCHOR, 0, payload) for _, payload in host.box.fixes])
    host.settle()
    assert host.store is not None
    # WORKED: 30 records from the beginning of the box's time on, of which the first estimate is of the first one's end.
    assert min(e.time_s for e in host.store.estimates("a", 0.0, 1e12)) == pytest.approx(T0 + SPAN_S, abs=0.1)
    compare(host)


def test_a_host_that_was_not_ready_to_write_keeps_what_it_concluded(
    host: Host, monkeypatch: pytest.MonkeyPatch
) -> None:
    host.start()
    host.listen(10)
    host.live._save_trouble = "The disk is full."
    monkeypatch.setattr(live_module, "_TRY_EVERY_S", 1e9)
    host.live._tried_at = float("inf")
    host.listen(20)
    host.live._tried_at = float("-inf")
    host.listen(10)
    host.settle()
    compare(host)


STEPS = st.one_of(
    st.tuples(st.just("listen"), st.integers(1, 12)),
    st.tuples(st.just("alone"), st.integers(1, 25)),
    st.tuples(st.just("lost"), st.integers(1, 8)),
    st.tuples(st.just("restart"), st.sampled_from([3.0, 700.0, 1e6])),
    st.tuples(st.just("power"), st.sampled_from([3.0, 700.0, 1e6])),
    st.tuples(st.just("fetch"), st.integers(1, 30)),
    st.tuples(st.just("kill"), st.sampled_from([False, True])),
    st.tuples(st.just("end"), st.sampled_from([False, True])),
    st.tuples(st.just("fix"), st.just(0)),
    st.tuples(st.just("told"), st.sampled_from([0.3, 0.7])),
    st.tuples(st.just("replug"), st.just(0)),
    st.tuples(st.just("again"), st.just(0)),
    st.tuples(st.just("pause"), st.just(0)),
    st.tuples(st.just("keep"), st.just(0)),
)


def play(host: Host, steps: list[tuple[str, Any]]) -> None:
    host.start()
    host.listen(5)
    heard = True  # whether the board's line is open and nothing has been missed on it
    for what, x in steps:
        if what == "listen":
            if not heard:  # the line was opened anew, or the computer had slept: both are a greeting
                host.hello(True) if host.live.info and x % 2 else host.plug()
            host.listen(x)
            heard = True
        elif what in ("alone", "lost"):
            alone(host.box, x, keep=what == "alone")
            heard = False
        elif what in ("restart", "power"):
            host.box.restart(x, what == "power")
            heard = False
        elif what == "fetch" and heard:
            host.fetch(x)
        elif what in ("kill", "end"):
            host.kill() if what == "kill" else host.end()
            host.start(plug=x)
            heard = x
        elif what == "told":
            host.end()
            host.start(told=x)
            heard = True
        elif what in ("replug", "again") and (heard or what == "replug"):
            host.plug() if what == "replug" else host.hello(True)
            heard = True
        elif what == "fix":
            host.box.fix()
        elif what == "pause":
            host.live.fetch.paused ^= True
        elif what == "keep":
            host.live._keep()
    host.live.fetch.paused = False
    host.plug()
    host.listen(3)
    host.settle()


def test_a_better_time_that_makes_the_board_off_for_longer(tmp_path: Path) -> None:
    steps = [("listen", 11), ("kill", True), ("kill", False), ("listen", 1), ("restart", 3.0), ("listen", 9)]
    steps += [("restart", 3.0), ("listen", 6), ("fetch", 1)]
    host = Host(tmp_path, Box(125), jitter=True)
    play(host, steps)
    compare(host, times=False)


def test_a_charge_told_after_a_lost_record_counts_from_the_start_nobody_heard_on(tmp_path: Path) -> None:
    host = Host(tmp_path, Box(0))
    play(host, [("lost", 1), ("told", 0.3), ("restart", 3.0), ("alone", 1), ("restart", 3.0)])
    assert host.store is not None
    # WORKED: five records, one lost, and at 24 s the board is told the time: only then can it have begun anew.
    starts = [interval.start_s - T0 for seen, x in intervals_of(host.store, "a") for interval in x if seen.boot == 2]
    assert starts == pytest.approx([20.0, 24.0], abs=0.1)
    compare(host)


@pytest.mark.parametrize("jitter", [False, True])
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(STEPS, min_size=3, max_size=14), seed=st.integers(0, 1000))
def test_whatever_happens(
    tmp_path_factory: pytest.TempPathFactory, jitter: bool, steps: list[tuple[str, Any]], seed: int
) -> None:
    host = Host(tmp_path_factory.mktemp("torn"), Box(seed), jitter)
    try:
        play(host, steps)
        compare(host, times=not jitter)
    finally:
        if host.store is not None:
            host.store.close()
