"""Marks of the operator: kept, taken back, counted by UTC day, and there after a restart."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from ampledger.errors import ConfigError
from ampledger.marks import Marks, contacts, marks_of, outing, outings, told
from ampledger.store import Store

NOW_S = 1_789_255_800.0  # 2026-09-12T23:30Z
MIDNIGHT_S = 1_789_257_600.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        yield store


def test_marks_are_kept_in_order_of_time_and_those_taken_back_stay_in_the_store(store: Store, tmp_path: Path) -> None:
    now = [NOW_S]
    marks = Marks(store, "a", lambda: now[0])
    marks.put("begin")
    now[0] += 60.0
    wrong = marks.put("contact")
    late = marks.put("note", "  wind  turned the panel ", NOW_S + 30.0)
    assert [m.kind for m in marks.all()] == ["begin", "note", "contact"] and late.text == "wind turned the panel"
    assert marks.changes == 3
    marks.take_back(wrong.number)
    assert [m.kind for m in marks.all()] == ["begin", "note"] and marks.changes == 4
    with pytest.raises(ConfigError, match="taken back already"):
        marks.take_back(wrong.number)
    assert [what for _, _, what, _ in store.tellings("a")] == ["mark", "mark", "mark", "mark back"]
    assert marks_of(store, "b") == ()
    store.close()
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as again:
        assert [(m.kind, m.time_s, m.text) for m in Marks(again, "a", lambda: NOW_S).all()] == [
            ("begin", NOW_S, ""), ("note", NOW_S + 30.0, "wind turned the panel"),
        ]  # fmt: skip


@pytest.mark.parametrize(("mark", "says"), [
    (("smoke",), "There is no mark"), (("note",), "without a word"), (("note", "x" * 201), "at most 200"),
    (("contact", "", NOW_S + 3600.0), "of now or of earlier"), (("contact", "", NOW_S - 5e7), "check the date"),
    (("note", "a\x07b"), "at most 200"),
])  # fmt: skip
def test_what_can_not_be_marked_is_refused_and_nothing_kept(store: Store, mark: tuple, says: str) -> None:
    marks = Marks(store, "a", lambda: NOW_S)
    with pytest.raises(ConfigError, match=says):
        marks.put(*mark)
    assert marks.all() == () and store.tellings("a") == []


def test_contacts_are_counted_by_utc_day_and_hour_of_the_outing_under_way(store: Store) -> None:
    now = [NOW_S]
    marks = Marks(store, "a", lambda: now[0])
    marks.put("contact", "", NOW_S - 20 * 3600.0)  # of the outing before, the same UTC day
    marks.put("begin", "", NOW_S - 3600.0)
    for before_s in (3000.0, 1200.0, 60.0):
        marks.put("contact", "", NOW_S - before_s)
    shown = told(marks.all(), NOW_S)
    # WORKED: 20 h before 23:30 is 03:30 of the same day; only three are of the outing
    assert shown["today"] == 4 and shown["hour"] == 3 and shown["outing"] == [NOW_S - 3600.0, None]
    assert [kind for _, _, kind, _ in shown["marks"]] == ["begin", "contact", "contact", "contact"]
    now[0] = MIDNIGHT_S + 120.0
    marks.put("contact")
    shown = told(marks.all(), now[0])
    # WORKED: the new UTC day counts anew; of 22:40, 23:10, 23:29 and 00:02 the first is more than an hour ago
    assert shown["today"] == 1 and shown["hour"] == 3
    assert shown["days"] == [[MIDNIGHT_S - 86400.0, 3], [MIDNIGHT_S, 1]]
    assert contacts(marks.all())[-1] == now[0]
    marks.put("end")
    assert outing(marks.all(), now[0]) == (NOW_S - 3600.0, now[0])


def test_a_beginning_without_an_end_is_followed_by_the_next_one(store: Store) -> None:
    marks = Marks(store, "a", lambda: NOW_S)
    for kind, at in (("end", 1.0), ("begin", 2.0), ("begin", 5.0), ("end", 9.0), ("end", 10.0)):
        marks.put(kind, "", NOW_S - 100.0 + at)
    at = NOW_S - 100.0
    assert outings(marks.all()) == ((at + 2.0, None), (at + 5.0, at + 9.0))
    assert outing(marks.all(), at + 4.0) == (at + 2.0, None) and outing((), NOW_S) is None
