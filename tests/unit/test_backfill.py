"""Fetching what the board kept: pieces, pauses, pieces that never come, a disk that refuses, a board that lies."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from ampledger import backfill as module
from ampledger import wire
from ampledger.backfill import Backfill
from ampledger.decode import Frame
from ampledger.store import Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st


def reading(seq: int, boot: int = 7) -> Frame:
    payload = bytearray(wire.READING_SIZE)
    wire.put_reading_head(payload, 0, 0, boot.to_bytes(4, "little"), seq, seq * 1000, 0, 1000, 320)
    return Frame(wire.RECALLED, 0, bytes(payload))


class Counter:
    """A fetcher and what it has asked."""

    def __init__(self, folder: Path) -> None:
        self.store = Store(folder / "s.sqlite")
        self.sent: list[tuple[Any, ...]] = []
        self.fetch = Backfill(self.store, lambda *a: bool(self.sent.append(a)) or True, lambda: 1e9)

    def connect(self, oldest: int, following: int, again: bool = False) -> None:
        self.fetch.connected("a", 7, 2, oldest, following, again)

    def asked(self) -> list[tuple[Any, ...]]:
        return [s for s in self.sent if s[0] == "recall"]

    def comes(self, *seqs: int, boot: int = 7) -> None:
        self.store.add("a", [reading(s, boot) for s in seqs])
        for _ in seqs:
            self.fetch.recalled()

    def done(self, boot: int = 7) -> None:
        self.fetch.replied({"to": "recalled", "boot": boot})
        self.fetch.turn()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Counter]:
    d = Counter(tmp_path)
    yield d
    d.store.close()


def test_a_long_hole_is_asked_for_in_pieces_and_its_progress_is_known(desk: Counter) -> None:
    desk.connect(0, 1200)
    assert desk.asked() == [("recall", 0, 499)] and (desk.fetch.left, desk.fetch.total) == (1200, 1200)
    desk.comes(*range(300))
    assert (desk.fetch.left, desk.fetch.total) == (900, 1200)
    desk.comes(*range(300, 500))
    desk.done()
    assert desk.asked()[1:] == [("recall", 500, 999)] and desk.fetch.left == 700
    desk.comes(*range(500, 1000))
    desk.done()
    desk.comes(*range(1000, 1200))
    desk.done()
    desk.fetch.replied({"to": "boots", "boots": [], "more": False})
    desk.fetch.turn()
    assert len(desk.asked()) == 3 and (desk.fetch.left, desk.fetch.total, desk.fetch.busy) == (0, 0, False)
    assert desk.store.missing("a", 7, 0, 1200) == []


def test_a_pause_takes_effect_after_the_piece_under_way(desk: Counter) -> None:
    desk.connect(0, 1200)
    desk.fetch.paused = True
    desk.comes(*range(500))
    desk.done()
    assert len(desk.asked()) == 1 and desk.fetch.left == 700 and desk.fetch.busy
    desk.fetch.paused = False
    desk.fetch.turn()
    assert desk.asked()[1:] == [("recall", 500, 999)]


def test_what_never_comes_is_asked_for_a_few_times_and_then_left_in_peace_also_after_a_new_connection(
    desk: Counter,
) -> None:
    desk.connect(0, 10)
    desk.comes(0, 1, 2, 5, 6, 7, 8, 9)  # 3 and 4 the board never kept
    desk.done()
    assert desk.asked() == [("recall", 0, 9), ("recall", 3, 4)]
    for _ in range(module._TRIES - 1):
        desk.done()
    assert len(desk.asked()) == module._TRIES and desk.fetch.left == 0
    desk.connect(0, 10)
    assert len(desk.asked()) == module._TRIES
    # Another hole is another matter.
    desk.connect(0, 12)
    assert desk.asked()[module._TRIES :] == [("recall", 10, 11)]


def test_while_the_disk_refuses_only_what_was_harmed_just_now_is_asked_and_nothing_given_up(desk: Counter) -> None:
    desk.connect(0, 10)
    desk.fetch.waiting = {(7, s) for s in range(10)}  # it came, but is in memory only
    for _ in range(9):
        desk.done()
    assert desk.asked() == [("recall", 0, 9)] and desk.fetch.left == 0, "it is here"
    desk.fetch.waiting |= {(7, s) for s in range(10, 20) if s not in (12, 13)}
    desk.fetch.harmed(7, 20)
    assert desk.asked()[1:] == [("recall", 12, 13)]
    for _ in range(9):
        desk.done()
    assert len(desk.asked()) == 2 and desk.fetch.left == 2
    desk.store.add("a", [reading(s) for s in range(20) if s not in (12, 13)])
    desk.fetch.waiting = set()
    desk.fetch.turn()
    assert desk.asked()[2:] == [("recall", 12, 13)]


def test_what_the_line_harmed_goes_before_the_rest_and_the_rest_goes_on(desk: Counter) -> None:
    desk.connect(0, 1000)
    desk.store.add("a", [reading(s) for s in (*range(2000, 2005), *range(2007, 2010))])
    desk.fetch.harmed(7, 2010)
    first, last = desk.asked()[-1][1:]
    assert last == 2006 and first >= 2010 - module._RECENT
    desk.comes(2005, 2006)
    desk.done()
    assert any(s == ("recall", 0, 499) for s in desk.asked()[2:]) or desk.asked()[-1][1] < 2010


def test_a_board_that_falls_silent_is_asked_again_for_what_is_still_missing(
    desk: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.connect(0, 10)
    desk.comes(0, 1, 2)
    monkeypatch.setattr(module, "_WAIT_S", -1.0)
    desk.fetch.turn()
    assert desk.asked() == [("recall", 0, 9), ("recall", 3, 9)]
    assert desk.sent.count(("boots", -1)) == 2, "a question that was not answered, too"


@pytest.mark.parametrize(
    "rows", [[[1]], [[1, 2, 3, 4]], ["abcde"], [[8, 1, 0, -1, "x"]], [[8, 1, 0, 2**40, "x"]], [[True, 1, 0, 2, "x"]]]
)
def test_a_list_of_starts_that_makes_no_sense_is_refused(desk: Counter, rows: list[Any]) -> None:
    desk.connect(0, 0)
    with pytest.raises((ValueError, TypeError)):
        desk.fetch.replied({"to": "boots", "boots": rows, "more": False})
    assert desk.fetch.left == 0


def test_a_board_that_claims_four_thousand_million_records_costs_one_question_at_a_time(desk: Counter) -> None:
    desk.connect(0, 2**32 - 1)
    assert desk.asked() == [("recall", 0, 499)] and desk.fetch.left == 2**32 - 1
    assert len(desk.fetch._wanted) == 1


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_whatever_comes_and_goes_all_that_the_board_has_is_fetched(tmp_path_factory: Any, data: st.DataObject) -> None:
    desk = Counter(tmp_path_factory.mktemp("b"))
    try:
        has = data.draw(st.sets(st.integers(0, 60), max_size=60))
        desk.connect(0, 61)
        for _ in range(300):
            desk.fetch.paused = False
            desk.fetch.turn()
            if not desk.fetch.left:
                break
            what = data.draw(st.sampled_from(["all", "part", "all", "connect", "harmed"]))
            _, first, last = desk.asked()[-1][:3]
            coming = sorted(s for s in has if first <= s <= last and not _is_there(desk, s))
            if what == "part" and coming:  # the line harms some of it
                desk.comes(*coming[: data.draw(st.integers(1, len(coming)))])
                if len(coming) > 1:
                    continue
            elif what == "connect":
                desk.connect(0, 61)
                continue
            elif what == "harmed":
                desk.fetch.harmed(7, 61)
                continue
            else:
                desk.comes(*coming)
            desk.done()
        stored = {r.seq for r in desk.store.readings("a", 7)}
        assert stored == has
    finally:
        desk.store.close()


def _is_there(desk: Counter, seq: int) -> bool:
    return not desk.store.missing("a", 7, seq, seq + 1)
