"""The description of the box changed while the program runs: bounds, undo, what is told, sums of a branch."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from ampledger.boxbook import BoxBook, found, wiring
from ampledger.core.model import Start
from ampledger.errors import ConfigError, StoreError
from ampledger.settings import DEFAULTS, battery_told
from ampledger.store import Store

NOW_S = 1_789_255_800.0
VALUES = {"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2, **DEFAULTS}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        yield store


def value(book: BoxBook, name: str) -> object:
    return next(one[4] for one in book.told()["fields"] if one[1] == name)


def test_a_change_is_told_kept_and_taken_back(store: Store) -> None:
    book, calls = BoxBook(store, VALUES, True, lambda: NOW_S), []
    book.on_change = lambda: calls.append(book.assumed)
    told = {"capacity_ah": 12.0, "reserve_soc": 30.0, "battery_fuse_a": 20.0, "standing_ma": 12.0, "lead_mohm": 25.0}
    book.change(told)
    engine = book.engine(Start())
    assert (engine.battery.capacity_ah, engine.reserve_soc, engine.battery.standing_a) == (12.0, 0.3, 0.012)
    assert engine.station.lead_ohm == 0.025 and engine.station.lead_told and engine.limits.fuse_a[1] == 20.0
    assert store.get_state("settings")["capacity_ah"] == 12.0
    assert [what for _, _, what, _ in store.tellings("a")] == ["battery"]
    assert [value(book, n) for n in ("capacity_ah", "reserve_soc", "battery_fuse_a", "lead_mohm")] == [12, 30, 20, 25]
    # A field that is emptied goes back to what is usual; what was told before can be taken back.
    book.change({"lead_mohm": None, "battery_fuse_a": None})
    assert value(book, "lead_mohm") is None and not book.setup.station.lead_told
    book.undo()
    assert value(book, "lead_mohm") == 25 and value(book, "battery_fuse_a") == 20
    book.undo()
    assert book.setup == battery_told(VALUES) and book.assumed
    assert store.get_state("settings") is None, "a guess that was put back is not told after a restart"
    with pytest.raises(ConfigError, match="no change"):
        book.undo()
    assert calls == [False, False, False, True] and len(store.tellings("a")) == 4


@pytest.mark.parametrize(("wish", "says"), [
    ({"capacity_ah": 0.0}, "above 0"), ({"capacity_ah": None}, "have to be told"), ({"series": 2.5}, "whole number"),
    ({"series": 17.0}, "1 to 16"), ({"reserve_soc": 100.0}, "nothing would be left"),
    ({"curve": "mine"}, "none of the"),
    ({"battery_fuse_a": 999.0}, "0.1 to 500"), ({"cold_c": 40.0}, "-30 to 15"), ({"smoke": 1.0}, "no “smoke”"),
    ({"radio_min_v": "12"}, "is a number"), ({"capacity_ah": True}, "is a number"),
    ({"lead_mohm": 9999.0}, "0 to 2000"),
    ({"cell_low_v": 3.2, "cell_high_v": 2.9}, "3.4 to 4"),
])  # fmt: skip
def test_what_can_not_be_is_refused_and_changes_nothing(store: Store, wish: dict, says: str) -> None:
    book = BoxBook(store, VALUES, False, lambda: NOW_S)
    with pytest.raises(ConfigError, match=says):
        book.change(wish)
    assert book.setup == battery_told(VALUES) and store.tellings("a") == [] and not book.told()["undo"]


def test_a_charge_that_is_known_is_told(store: Store) -> None:
    book = BoxBook(store, VALUES, False, lambda: NOW_S)
    book.tell_charge(1.0, 0.01)
    assert [(what, v["soc"], v["sd"]) for _, _, what, v in store.tellings("a")] == [("charge", 1.0, 0.01)]
    for bad in ((1.2, 0.1), (0.5, 0.0), (0.5, 0.6)):
        with pytest.raises(ConfigError, match="0 to 100"):
            book.tell_charge(*bad)


def test_a_store_that_refuses_leaves_the_description_as_it_was(store: Store) -> None:
    book = BoxBook(store, VALUES, False, lambda: NOW_S)
    store.close()
    with pytest.raises(StoreError):
        book.change({"capacity_ah": 9.0})
    assert book.setup.battery.capacity_ah == 6.0


def test_of_a_board_that_nothing_was_concluded_of_no_health_is_told(store: Store) -> None:
    assert found(store, "a") is None


def test_a_branch_by_gauge_or_by_cross_section() -> None:
    asked = {"length_m": 2.0, "peak_a": 8.0, "mean_a": 2.0, "begin_v": 13.0, "fuse_a": 15.0, "contacts": 6.0}
    by_gauge, by_area = wiring({"awg": 12.0, **asked}), wiring({"mm2": 3.3088, **asked})
    # WORKED: as in test_wiring; a cross section alone does not say what the wire may carry
    assert by_gauge["lost_v"] == pytest.approx(0.2227, rel=2e-3) == by_area["lost_v"]
    assert by_gauge["bears_a"] == 20.0 and by_area["bears_a"] is None
    wrong = (({}, "gauge or its cross section"), ({"awg": 12.5}, "whole number"), ({"awg": 12.0}, "Give length"))
    for bad, says in wrong:
        with pytest.raises(ConfigError, match=says):
            wiring(bad)
