"""Stored records in the order in which they happened, on the clocks that follow from the anchors; concluding anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from ampledger import wire
from ampledger.core.clock import DRIFT, NOT_KNOWN_S
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Start
from ampledger.decode import Frame
from ampledger.errors import ConfigError
from ampledger.link import Arrived, Hello, State
from ampledger.live import Boards
from ampledger.recount import battery_told, clocks_of, code_version, intervals_of, rebuild, told_of
from ampledger.store import Store

T0 = 1_789_000_000.0
CHANNELS = [
    {"name": n, "chip": "ina228", "shunt_nohm": 2_000_000, "shunt_cal": 4100, "low_range": 0} for n in wire.CHANNELS
]
LSB_A = 4100 / (13107.2e6 * 0.002)


def info(boot: int, boots: int) -> dict[str, Any]:
    return {"app": "ampledger", "board": "pico", "device": "a", "boot": boot, "boots": boots, "oldest": 0, "next": 0,
            "solar_placement": "controller-output", "sample_ms": 100, "channels": CHANNELS}  # fmt: skip


def reading(boot: int, seq: int, mono_s: float, a: float = -2.0) -> Frame:
    payload = bytearray(wire.READING_SIZE)
    wire.put_reading_head(payload, 0, 2, boot.to_bytes(4, "little"), seq, round(mono_s * 1000), 0, 1000, 320)
    count = round(a / LSB_A)
    charge = round(-2.0 / LSB_A * mono_s).to_bytes(5, "big", signed=True)
    for i in range(3):
        at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
        wire.put_channel(payload, at, 0, 1, 5, 67_600, 4225, 4225, count, count >> 4, count >> 4, charge, 0, 0)
    return Frame(wire.READING, 0, bytes(payload))


def anchor(boot: int, mono_s: float, utc_s: float, unsure_ms: int = 20) -> Frame:
    at = round(mono_s * 1000), round((T0 + utc_s) * 1000)
    return Frame(wire.ANCHOR, 0, wire.put_anchor(boot.to_bytes(4, "little"), *at, unsure_ms))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    s = Store(tmp_path / "s.sqlite")
    yield s
    s.close()


def start(store: Store, boot: int, boots: int, *frames: Frame, seconds: range = range(1, 11)) -> None:
    store.add_info(info(boot, boots), 0.0)
    store.add("a", [*frames, *(reading(boot, i, float(s)) for i, s in enumerate(seconds))])


def spans(store: Store, **more: Any) -> list[tuple[float, float]]:
    found = [i for _, intervals in intervals_of(store, "a", **more) for i in intervals]
    return [(round(i.start_s - T0, 3), round(i.end_s - T0, 3)) for i in found]


def test_starts_without_the_time_lie_between_their_neighbours_and_say_how_uncertain(store: Store) -> None:
    start(store, 1, 1, anchor(1, 0.0, 100.0))
    start(store, 2, 2)
    start(store, 3, 3)
    start(store, 4, 4, anchor(4, 0.0, 1000.0))
    clocks = clocks_of(store, "a")
    # WORKED: start 1 ends at 110; start 4 begins at 1000; 2 and 3 need 10 s each, so 2 may be later by 1000-110-20.
    assert clocks[2].utc_s(0.0) == T0 + 110.0 and clocks[2].unsure_s(0.0) == pytest.approx(870.0)
    assert clocks[3].utc_s(0.0) == T0 + 120.0 and clocks[3].unsure_s(0.0) == pytest.approx(870.0)
    times = spans(store)
    assert times[0] == (100.0, 101.0) and times[-1] == (1009.0, 1010.0)
    found = [i for _, intervals in intervals_of(store, "a") for i in intervals]
    assert {round(i.unsure_s) for i in found} == {0, 870}
    assert found[0].unsure_s == pytest.approx(0.02 + DRIFT)


def test_a_start_without_the_time_does_not_begin_while_the_one_before_it_was_told_the_time(store: Store) -> None:
    start(store, 1, 1, anchor(1, 0.0, 100.0), anchor(1, 30.0, 130.0))
    start(store, 2, 2)
    start(store, 3, 3, anchor(3, 0.0, 1000.0))
    clock = clocks_of(store, "a")[2]
    # WORKED: the records of start 1 end at 110, but it was on at 130; start 2 needs 10 s of the 870 that are left.
    assert clock.utc_s(0.0) == T0 + 130.0 and clock.unsure_s(0.0) == pytest.approx(860.0)
    # The gap before it is from the last record on, and what is in it nobody knows.
    assert [s for s in spans(store) if s[1] == 130.0] == [(110.0, 130.0)]


def test_starts_before_any_time_is_known_are_placed_before_it(store: Store) -> None:
    start(store, 1, 1)
    start(store, 2, 2, anchor(2, 0.0, 1000.0))
    clocks = clocks_of(store, "a")
    assert clocks[1].utc_s(10.0) == T0 + 1000.0 and clocks[1].unsure_s(0.0) == NOT_KNOWN_S
    assert spans(store)[0] == (990.0, 991.0)


def test_where_nothing_is_known_of_the_time_nothing_is_dated(store: Store) -> None:
    start(store, 1, 1)
    assert clocks_of(store, "a") == {} and spans(store) == []


def test_an_anchor_that_comes_later_dates_what_was_recorded_before(store: Store) -> None:
    start(store, 1, 1, anchor(1, 2.0, -86_400.0, 10_000))
    assert spans(store)[0][0] == -86_402.0
    store.add("a", [anchor(1, 9.0, 109.0)])
    assert spans(store)[0] == (100.0, 101.0)


def test_what_was_seen_last_is_dated_as_it_is_known_now(store: Store) -> None:
    start(store, 1, 1, anchor(1, 0.0, 100.0))
    start(store, 2, 2, anchor(2, 0.0, 1000.0))
    last, _ = list(intervals_of(store, "a"))[9]
    (_, intervals), *_ = intervals_of(store, "a", replace(last, end_s=T0 - 5000.0))
    # WORKED: the first start ends at 110, the second begins at 1000.
    assert [(i.start_s - T0, i.dt_s) for i in intervals] == [(110.0, 890.0), (1000.0, 1.0)]


def test_a_gap_between_two_starts_is_whole_seconds_whatever_the_clocks_say_more_exactly(store: Store) -> None:
    start(store, 1, 1, anchor(1, 0.0, 100.0))
    start(store, 2, 2, anchor(2, 0.0, 1000.3))
    assert [b - a for a, b in spans(store) if b - a > 1.5] == [890.0]
    store.add("a", [anchor(2, 5.0, 1005.4, 10)])  # the clock is known a tenth of a second better
    assert [b - a for a, b in spans(store) if b - a > 1.5] == [890.0]


def test_since_and_until_read_only_that_part_and_keep_the_counters_charge(store: Store) -> None:
    start(store, 1, 1, anchor(1, 0.0, 0.0), seconds=range(1, 1001))
    part = [i for _, x in intervals_of(store, "a", since_s=T0 + 500.0, until_s=T0 + 510.0) for i in x]
    assert [(i.start_s - T0, i.end_s - T0) for i in part] == [(float(s), s + 1.0) for s in range(500, 510)]
    whole = [i for _, x in intervals_of(store, "a") for i in x]
    assert part == whole[500:510], "the same figures, to the last bit"


def test_a_flash_that_was_formatted_counts_its_starts_anew_and_they_come_after(store: Store) -> None:
    start(store, 11, 1, anchor(11, 0.0, 0.0))
    start(store, 12, 2, anchor(12, 0.0, 100.0))
    start(store, 13, 1, anchor(13, 0.0, 200.0))
    start(store, 14, 2, anchor(14, 0.0, 300.0))
    assert [boot for boot, _ in store.starts("a")] == [11, 12, 13, 14]
    times = [t for t, _ in spans(store)]
    assert times == sorted(times)


# --- concluding anew ---


class Run:
    """A host by hand, as in the live tests, with a station at work."""

    def __init__(self, folder: Path, told: float | None = None) -> None:
        self.now_s = 0.0
        self.store = Store(folder / "s.sqlite")
        battery, begin = Battery(20.0), Start(told)
        self.store.put_state("settings", {"capacity_ah": 20.0, "series": 4, "reserve_soc": 0.2})
        if told is not None:
            self.store.tell(T0, "", "charge", {"soc": told, "sd": begin.sd})
        self.boards = Boards(
            self.store,
            lambda device: (Engine(battery, begin), told is not None),
            list,
            clock=lambda: T0 + self.now_s,
            ticks=lambda: self.now_s,
            sync=lambda: 0.02,
        )
        self.boards.links.send = lambda *a: True  # type: ignore[method-assign]
        self.put(State("live", "x", "/dev/x"), Hello(T0, info(1, 1), "/dev/x", False))
        self.put(Arrived(T0, (anchor(1, 0.0, 0.0),), 0, (), "/dev/x"))

    def put(self, *items: Any) -> None:
        for item in items:
            self.boards._queue.put(item)
        self.boards._turn(0.0)

    def seconds(self, first: int, last: int) -> None:
        for s in range(first, last):
            self.now_s = s + 1.0
            a = -9.0 if s % 30 < 12 else -0.6
            self.put(Arrived(T0 + self.now_s, (reading(1, s, s + 1.0, a),), 0, (), "/dev/x"))


def test_rebuilding_gives_what_was_concluded_live(tmp_path: Path) -> None:
    run = Run(tmp_path, told=0.7)
    run.seconds(0, 400)
    live = run.boards.snapshot()["charge"]
    then = run.store.estimates("a", T0, T0 + 1e6)
    noticed = run.store.events("a", T0, T0 + 1e6)
    assert len(then) >= 6 and all(row.version == code_version() for row in then)
    run.boards.shown.close()
    figures = rebuild(run.store, "a", Battery(20.0), 0.2)
    assert figures["records"] == 400 and figures["soc"] == live["soc"]
    assert run.store.estimates("a", T0, T0 + 1e6) == then, "to the last bit"
    kinds = ("raised", "changed", "cleared")
    again = [e for e in run.store.events("a", T0, T0 + 1e6) if e[1] in kinds]
    assert again == [e for e in noticed if e[1] in kinds]
    assert [e for e in run.store.events("a", T0, T0 + 1e6) if e[1] not in kinds] == [
        e for e in noticed if e[1] not in kinds
    ], "what the link went through stays"
    run.store.close()
    # The next run goes on from there.
    more = Run(tmp_path)
    assert more.boards.snapshot()["charge"]["soc"] == pytest.approx(live["soc"], abs=1e-9)
    more.store.close()


@pytest.mark.parametrize("tied", [True, False])
def test_a_battery_that_was_told_in_between_counts_from_then_on(tmp_path: Path, tied: bool) -> None:
    run = Run(tmp_path)
    run.seconds(0, 100)
    run.store.tell(T0 + 100.0, "", "battery", {"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.3})
    run.store.tell(T0 + 100.0, "a", "charge", {"soc": 0.5, "sd": 0.01})
    if not tied:  # as versions up to 0.3.0 kept it
        with run.store._writing() as db:
            db.execute("UPDATE told SET json = json_remove(json, '$.after')")
    assert [t.after for t in told_of(run.store, "a")] == ([(1, 99)] if tied else [None]) * 2
    run.seconds(100, 200)
    rebuild(run.store, "a", Battery(20.0), 0.2)
    rows = run.store.estimates("a", T0, T0 + 1e6)
    # WORKED: one for each minute of the board's clock: after 1 s and after 60 s.
    assert [round(r.capacity_ah) for r in rows if r.time_s <= T0 + 100] == [20, 20]
    assert {round(r.capacity_ah) for r in rows if r.time_s > T0 + 100} == {6}
    assert all(0.4 < r.soc < 0.52 for r in rows if r.time_s > T0 + 100)
    run.store.close()


@pytest.mark.parametrize("values", [{}, {"capacity_ah": "x", "series": 4, "reserve_soc": 0.2}, {"capacity_ah": None}])
def test_a_battery_that_was_kept_and_makes_no_sense_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(ConfigError, match="--capacity-ah"):
        battery_told(values)
