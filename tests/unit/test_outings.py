"""Outings: told, changed, taken back, over midnight; what flowed in them adds up; what the data propose."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampledger import adif, outings
from ampledger.core.books import Books, sum_up
from ampledger.core.model import Interval, Tap
from ampledger.core.sun import Place, locator, square
from ampledger.errors import ConfigError, StoreError
from ampledger.interchange import import_log, write_file
from ampledger.logfile import rows_of
from ampledger.marks import Marks, told
from ampledger.outings import DAY_S, Outings, intervals, ledger, outings_of, propose, rows
from ampledger.recount import intervals_of
from ampledger.simbox.box import ScenarioBox
from ampledger.store import Store
from pytest import approx
from test_series import T0 as BOARD_T0
from test_series import Board, info

NOW_S = 1_789_255_800.0  # 2026-09-12T23:30Z
MIDNIGHT_S = 1_789_257_600.0
BATTERY = {"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2}
PLAN: dict[str, Any] = {
    "until_s": MIDNIGHT_S + 4500.0, "past_min": 30.0, "accessories_a": 0.0, "wanted_contacts": 10, "caution": 9.0,
    "place": {"lat_deg": 43.62, "lon_deg": -108.20, "elevation_m": 900.0},
    "panel": {"power_w": 20.0, "tilt_deg": 35.0, "azimuth_deg": 235.0},
}  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        yield store


def book_of(store: Store, now: list[float]) -> Outings:
    return Outings(store, "a", lambda: now[0])


# --- told, changed, taken back ---


def test_a_mark_begins_an_outing_with_a_copy_of_box_and_plan(store: Store) -> None:
    store.put_state("settings", BATTERY)
    store.put_state("plan:a", PLAN)
    now = [NOW_S]
    mark = Marks(store, "a", lambda: now[0]).put("begin", "Heron Spit")
    store.put_state("settings", BATTERY | {"capacity_ah": 20.0})
    store.put_state("plan:a", PLAN | {"place": None, "until_s": None})
    book = book_of(store, now)
    (it,) = book.all()
    assert (it.number, it.name, it.begin_s, it.end_s) == (mark.number, "Heron Spit", NOW_S, None)
    # WORKED: 108.20 W is 71.80 deg from 180 W: field 3 (60) D, 11.80 / 2: 5, 1.80 / (2/24) = 21.6: v; 43.62 N is
    # 133.62: field 13 N, 3.62: 3, 0.62 x 24 = 14.88: o
    assert it.place == "DN53vo" and it.height_m == 900.0 and it.panel is not None and it.panel.azimuth_deg == 235.0
    assert (it.capacity_ah, it.series, it.reserve, it.closing_s) == (6.0, 4, 0.2, MIDNIGHT_S + 4500.0)
    assert it.where is not None and it.where.elevation_m == 900.0 and abs(it.where.lat_deg - 43.62) < 1 / 48
    assert book.under_way() == it
    now[0] += 7200.0
    done = book.end()
    assert (done.number, done.end_s) == (mark.number, now[0]) and book.under_way() is None
    assert [what for _, _, what, _ in store.tellings("a")] == ["mark", "mark"], "the page's marks and ours are the same"
    # one that begins now has what is told now
    assert book.begin().capacity_ah == 20.0


def test_one_told_afterwards_has_the_battery_of_then_and_no_place_of_today(store: Store) -> None:
    store.put_state("plan:a", PLAN)
    store.tell(NOW_S - 20 * DAY_S, "", "battery", BATTERY)
    store.tell(NOW_S - 5 * DAY_S, "", "battery", BATTERY | {"capacity_ah": 20.0})
    book = book_of(store, [NOW_S])
    before = book.begin(NOW_S - 30 * DAY_S, NOW_S - 30 * DAY_S + 3600.0, name="first")
    between = book.begin(NOW_S - 10 * DAY_S, NOW_S - 10 * DAY_S + 3600.0)
    assert (before.capacity_ah, between.capacity_ah, before.reserve) == (6.0, 6.0, 0.2)
    assert (before.place, before.closing_s, before.panel, before.by_hand) == ("", None, None, True)
    assert between.title == "Outing of 2026-09-02"
    late = book.begin(NOW_S - DAY_S)
    assert late.capacity_ah == 20.0 and not late.by_hand and late.place == ""
    soon = book.begin(NOW_S - 600.0, mode="CW", power_w=5.0, capacity_ah=12.0)
    assert (soon.place, soon.mode, soon.power_w, soon.capacity_ah) == ("DN53vo", "CW", 5.0, 12.0)
    assert [o.number for o in book.all()] == [before.number, between.number, late.number, soon.number]
    # the one before it has no end: it lasts until the next begins, for its books
    assert late.end_s is None and book.span(late.number) == (NOW_S - DAY_S, NOW_S - 600.0)
    assert book.span(soon.number) == (NOW_S - 600.0, NOW_S)


def test_changes_are_tellings_and_each_is_taken_back_in_turn(store: Store, tmp_path: Path) -> None:
    now = [NOW_S]
    book = book_of(store, now)
    it = book.begin(name="  a   spit ")
    now[0] += 3600.0
    book.end(it.number)
    book.change(it.number, name="Heron Spit", begin_s=NOW_S - 600.0, notes="two\n\n trees ")
    book.change(it.number, end_s=NOW_S + 1800.0, reserve=0.3, place="dn53vo")
    changed = book.one(it.number)
    assert (changed.name, changed.begin_s, changed.end_s) == ("Heron Spit", NOW_S - 600.0, NOW_S + 1800.0)
    assert (changed.reserve, changed.notes, changed.place) == (0.3, "two\n\ntrees", "dn53vo")
    told = len(store.tellings("a"))
    book.delete(it.number)
    assert book.all() == ()
    with pytest.raises(ConfigError, match=f"no outing {it.number}"):
        book.change(it.number, name="x")
    assert len(store.tellings("a")) == told + 1
    assert book.undo() == (it.number, "its deletion") and book.one(it.number) == changed
    assert book.undo().what == "a change of its end, reserve, place"
    assert (book.one(it.number).end_s, book.one(it.number).name) == (now[0], "Heron Spit")
    assert book.undo().what == "a change of its name, begin, notes" and book.one(it.number).name == "a spit"
    assert book.undo() == (it.number, "the mark “Outing ends”") and book.one(it.number).end_s is None
    assert book.undo() == (it.number, "the mark “Outing begins”") and book.all() == ()
    with pytest.raises(ConfigError, match="nothing of an outing"):
        book.undo()
    rows_then = store.tellings("a")
    book.change(book.begin().number, name="after all")
    assert store.tellings("a")[: len(rows_then)] == rows_then, "nothing that was told is overwritten"
    store.close()
    with contextlib.closing(Store(tmp_path / "s.sqlite", look=True)) as again:
        assert [o.name for o in outings_of(again, "a")] == ["after all"] and outings_of(again, "b") == ()


def test_a_value_can_be_taken_away_and_an_end_as_well(store: Store) -> None:
    book = book_of(store, [NOW_S])
    it = book.begin(NOW_S - 7200.0, NOW_S - 3600.0, mode="CW", power_w=5.0, closing_s=MIDNIGHT_S)
    bare = book.change(it.number, mode=None, power_w=None, closing_s=None, end_s=None)
    assert (bare.mode, bare.power_w, bare.closing_s, bare.end_s) == ("", None, None, None)
    assert book.end(end_s=NOW_S - 60.0).end_s == NOW_S - 60.0


@pytest.mark.parametrize(("values", "says"), [
    ({"end_s": NOW_S - 8000.0}, "ends after it has begun"), ({"begin_s": NOW_S + 3600.0}, "now or earlier"),
    ({"begin_s": NOW_S - 500 * DAY_S}, "within a year"), ({"place": "ZZ99"}, "not a locator"),
    ({"end_s": math.nan}, "number"), ({}, "Nothing"),
    ({"capacity_ah": -1.0}, "0.1 to 10000"), ({"reserve": 20.0}, "0 to 0.99"), ({"mode": "x" * 21}, "at most 20"),
    ({"name": "a\x07b"}, "at most 80"), ({"number": 3}, "has no number"), ({"power_w": "5"}, "a number"),
    ({"begin_s": None}, "has a beginning"),
])  # fmt: skip
def test_what_can_not_be_is_refused_and_nothing_told(store: Store, values: dict[str, Any], says: str) -> None:
    book = book_of(store, [NOW_S])
    it = book.begin(NOW_S - 7200.0, NOW_S - 3600.0)
    told = store.tellings("a")
    with pytest.raises(ConfigError, match=says):
        book.change(it.number, **values)
    assert store.tellings("a") == told and book.one(it.number) == it


def test_a_beginning_among_other_marks_does_not_part_them_anew(store: Store) -> None:
    now = [NOW_S - 7200.0]
    book = book_of(store, now)
    first = book.begin()
    now[0] = NOW_S - 3600.0
    book.end()
    now[0] = NOW_S
    second = book.begin(NOW_S - 5000.0)
    assert book.one(first.number).end_s == NOW_S - 3600.0, "its end is still its own"
    assert second.by_hand and second.end_s is None
    assert book.end(second.number, NOW_S - 4000.0).end_s == NOW_S - 4000.0


def test_marks_between_belong_to_an_outing(store: Store) -> None:
    book = book_of(store, [NOW_S])
    marks = Marks(store, "a", lambda: NOW_S)
    it = book.begin(NOW_S - 3600.0)
    for kind, text, ago_s in (("contact", "", 4000.0), ("contact", "", 1800.0), ("note", "wind", 900.0)):
        marks.put(kind, text, NOW_S - ago_s)
    assert [(m.kind, m.text) for m in book.marks(it.number)] == [("contact", ""), ("note", "wind")]


def test_a_contact_log_is_kept_whole_and_a_later_one_taken_back(store: Store) -> None:
    book = book_of(store, [NOW_S])
    it = book.begin()
    assert book.log_of(it.number) is None and not it.has_log
    with pytest.raises(ConfigError, match="No contact log"):
        book.put_offset(it.number, 3.0)
    odd = adif.Odd(2, "FREQ", "no number")
    records = adif.Record(1, (adif.Field("CALL", "Q1ABC", ""), adif.Field("NOTES", "zwölf ✓", "M"))), adif.Record(3, ())
    first = adif.Log(records, (adif.Field("ADIF_VER", "3.1.0"),), "free text", (odd,), 2, "adx", "bytes")
    second = adif.Log(tuple(adif.Record(k, (adif.Field("CALL", f"Q{k}XYZ"),)) for k in range(1, 3001)))
    book.put_log(it.number, first, 21_600.0)
    assert book.log_of(it.number) == (first, 21_600.0) and book.one(it.number).has_log
    book.put_log(it.number, second)
    book.put_offset(it.number, -2.0)
    assert book.log_of(it.number) == (second, -2.0)
    assert max(len(str(v)) for _, _, _, v in store.tellings("a")) < 1000, "who reads what was told reads no logs"
    assert [book.undo().what for _ in range(2)] == ["a change of its contact log"] * 2
    assert book.log_of(it.number) == (first, 21_600.0)
    book.undo()
    assert book.log_of(it.number) is None and not book.one(it.number).has_log


@pytest.mark.parametrize(("what", "values"), [
    ("outing", {"begin_s": "yesterday"}), ("outing", {"begin_s": 0.0, "panel": 3}), ("outing", {}),
    ("outing set", {"of": 1, "set": {"log": 3}}), ("outing back", {"of": [1]}), ("outing set", {"of": 1, "set": 7}),
])  # fmt: skip
def test_a_harmed_telling_is_said_to_be_one(store: Store, what: str, values: dict[str, Any]) -> None:
    store.tell(NOW_S, "a", "mark", {"kind": "begin"})
    store.tell(NOW_S, "a", what, values)
    with pytest.raises(StoreError, match="harmed"):
        outings_of(store, "a")


def test_marks_that_contradict_a_change_leave_the_end_open(store: Store) -> None:
    now = [NOW_S]
    marks = Marks(store, "a", lambda: now[0])
    book = Outings(store, "a", lambda: now[0], marks)
    it = book.begin()
    now[0] += 7200.0
    marks.put("end")
    book.change(it.number, begin_s=NOW_S + 3600.0)
    marks.put("end", "", NOW_S + 1800.0)
    found = book.one(it.number)
    assert (found.begin_s, found.end_s) == (NOW_S + 3600.0, None)
    assert book.change(it.number, end_s=now[0]).end_s == now[0]


@pytest.mark.parametrize(("lat", "lon", "pairs", "expected"), [
    # PRINTED: published pairs, as in CHECKS "Maidenhead"
    (48.14666, 11.60833, 4, "JN58td25"), (36.165926, -86.723285, 4, "EM66pd39"),
    (-33.014673, 116.230695, 4, "OF86cx76"),
    (-55.315349, -68.794971, 4, "FD54oq44"), (35.205535, 136.56579, 4, "PM85ge79"),
    (40.363840, -111.866785, 3, "DN40bi"),
    (-90.0, -180.0, 3, "AA00aa"), (90.0, 180.0, 2, "RR99"),
])  # fmt: skip
def test_the_square_of_a_place(lat: float, lon: float, pairs: int, expected: str) -> None:
    assert square(Place(lat, lon), pairs) == expected
    middle = locator(expected)
    assert square(middle, pairs) == expected


def test_a_mark_of_an_older_file_without_a_copy_is_an_outing_too(store: Store) -> None:
    number = store.tell(NOW_S, "a", "mark", {"kind": "begin", "text": ""})
    (it,) = outings_of(store, "a")
    assert (it.number, it.title, it.capacity_ah, it.place) == (number, "Outing of 2026-09-12", None, "")


def test_who_has_the_marks_open_gives_them_with_what_box_and_plan_are(store: Store) -> None:
    marks = Marks(store, "a", lambda: NOW_S, lambda: {"capacity_ah": 5.7, "place": "DN53", "closing_s": MIDNIGHT_S})
    book = Outings(store, "a", lambda: NOW_S, marks)
    it = book.begin(place="EM66")
    assert (it.capacity_ah, it.place, it.closing_s) == (5.7, "EM66", MIDNIGHT_S)
    assert [m.kind for m in marks.all()] == ["begin"]
    book.undo()
    assert marks.all() == () and marks.changes == 2


def test_the_page_can_be_told_of_outings_as_they_were_changed(store: Store) -> None:
    book, marks = book_of(store, [NOW_S]), Marks(store, "a", lambda: NOW_S)
    it = book.begin(NOW_S - 3600.0)
    marks.put("contact", "", NOW_S - 4000.0)
    assert told(marks.all(), NOW_S)["outing"] == [NOW_S - 3600.0, None]
    book.change(it.number, begin_s=NOW_S - 4500.0, end_s=NOW_S - 10.0)
    shown = told(marks.all(), NOW_S, [(o.begin_s, o.end_s) for o in book.all()])
    assert shown["outing"] == [NOW_S - 4500.0, NOW_S - 10.0] and sum(n for _, n in shown["days"]) == 1
    book.delete(it.number)
    assert told(marks.all(), NOW_S, [])["outing"] is None


# --- what flowed ---


def flow(
    start_s: float, dt_s: float, solar: float, battery: float, load: float, v: float = 13.0, **more: Any
) -> Interval:
    taps = [Tap(v, a, a * dt_s, energy_j=v * a * dt_s, a_min=a, a_max=a, v_min=v) for a in (battery, solar, load)]
    return Interval(start_s, dt_s, *taps, **more)


def kept_as_log(store: Store, tmp_path: Path, found: list[Interval]) -> str:
    path = tmp_path / "flow.csv"
    write_file(path, found, {})
    number, _ = import_log(store, path, NOW_S)
    return f"log:{number}"


def alike(a: Books, b: Books, rel: float = 1e-12) -> None:
    """All amounts of two books."""
    for name in ("measured_s", "gap_s", "own_ah", "own_wh", "unaccounted_ah", "compared_s", "station_ah"):
        assert getattr(a, name) == approx(getattr(b, name), rel=rel, abs=1e-9), name
    for tap in ("solar", "battery", "load"):
        for name in ("plus_ah", "minus_ah", "plus_wh", "minus_wh", "unknown_s"):
            assert getattr(getattr(a, tap), name) == approx(getattr(getattr(b, tap), name), rel=rel, abs=1e-9), (
                tap,
                name,
            )


def days_add_up(whole: Books, days: tuple[tuple[float, Books], ...]) -> None:
    for name in ("measured_s", "gap_s", "own_ah", "own_wh", "unaccounted_ah", "compared_s"):
        assert math.fsum(getattr(b, name) for _, b in days) == approx(getattr(whole, name), rel=1e-11, abs=1e-11), name
    for tap in ("solar", "battery", "load"):
        for name in ("plus_ah", "minus_ah", "plus_wh", "minus_wh", "unknown_s"):
            parts = math.fsum(getattr(getattr(b, tap), name) for _, b in days)
            assert parts == approx(getattr(getattr(whole, tap), name), rel=1e-11, abs=1e-11), (tap, name)


def test_an_outing_over_midnight_is_shared_out_by_time(store: Store, tmp_path: Path) -> None:
    # Half an hour of 2 A sun, 1.5 A load; then an hour over midnight, from a quarter to, of 1.2 A load in the dark;
    # 20 mA for the board beside the taps. The rows are of 50 s then: one lies from 40 s before midnight to 10 s after.
    begin_s = MIDNIGHT_S - 2700.0
    device = kept_as_log(store, tmp_path, [
        *(flow(begin_s + k * 60.0, 60.0, 2.0, 0.48, 1.5, 13.3, own_a=0.02) for k in range(30)),
        flow(MIDNIGHT_S - 900.0, 60.0, 0.0, -1.22, 1.2, 12.9, own_a=0.02),
        *(flow(MIDNIGHT_S - 840.0 + k * 50.0, 50.0, 0.0, -1.22, 1.2, 12.9, own_a=0.02) for k in range(71)),
    ])  # fmt: skip
    whole, days = ledger(store, device, begin_s, MIDNIGHT_S + 2700.0)
    assert whole is not None and [day_s for day_s, _ in days] == [MIDNIGHT_S - DAY_S, MIDNIGHT_S]
    one, two = (books for _, books in days)
    # WORKED: 2 A x 0.5 h = 1 Ah x 13.3 V; 1.5 x 0.5 + 1.2 x 0.25 h = 1.05 Ah; 1.2 A x 0.75 h = 0.9 Ah x 12.9 V
    assert (one.solar.plus_ah, one.solar.plus_wh) == (approx(1.0, rel=1e-9), approx(13.3, rel=1e-9))
    assert (one.load.plus_ah, two.load.plus_ah, two.load.plus_wh) == (approx(1.05), approx(0.9), approx(11.61))
    # WORKED: into the battery 0.48 A x 0.5 h; out of it 1.22 A x 0.25 h and x 0.75 h
    assert (one.battery.plus_ah, one.battery.minus_ah, two.battery.minus_ah) == (
        approx(0.24),
        approx(0.305),
        approx(0.915),
    )
    # WORKED: 20 mA for 1.5 h, of that half an hour at 13.3 V and one at 12.9 V; in 2 - out 0.48 - 1.5 - 0.02 = 0
    assert whole.own_ah == approx(0.03) and whole.own_wh == approx(0.01 * 13.3 + 0.02 * 12.9)
    assert abs(whole.unaccounted_ah) < 1e-9 and (whole.start_s, whole.end_s) == (begin_s, MIDNIGHT_S + 2700.0)
    assert (one.end_s, two.start_s, two.measured_s) == (MIDNIGHT_S, MIDNIGHT_S, approx(2700.0))
    days_add_up(whole, days)
    alike(whole, sum_up(intervals(store, device, begin_s, MIDNIGHT_S + 2700.0)))  # type: ignore[arg-type]


def test_a_gap_counts_with_what_the_counters_tell_and_over_midnight_too(store: Store, tmp_path: Path) -> None:
    gap = Interval(
        MIDNIGHT_S - 900.0, 3600.0, Tap(charge_c=-3600.0), Tap(charge_c=1800.0), Tap(charge_c=5364.0), own_a=0.01
    )
    device = kept_as_log(store, tmp_path, [
        *(flow(MIDNIGHT_S - 1800.0 + k * 30.0, 30.0, 1.0, -0.51, 1.5, 13.0, own_a=0.01) for k in range(30)), gap,
        *(flow(MIDNIGHT_S + 2700.0 + k * 30.0, 30.0, 0.0, -1.01, 1.0, 12.0, own_a=0.01) for k in range(30)),
    ])  # fmt: skip
    whole, days = ledger(store, device, MIDNIGHT_S - 1800.0, MIDNIGHT_S + 3600.0)
    assert whole is not None and (whole.measured_s, whole.gap_s) == (approx(1800.0), approx(3600.0))
    # WORKED: 1 A x 0.25 h + 0.5 Ah of the gap; out 1.5 x 0.25 + 1.49 + 1.0 x 0.25; a quarter of the gap before 00:00
    assert whole.solar.plus_ah == approx(0.75) and whole.load.plus_ah == approx(0.375 + 1.49 + 0.25)
    assert [books.gap_s for _, books in days] == [approx(900.0), approx(2700.0)]
    assert [books.battery.minus_ah for _, books in days] == [approx(0.51 * 0.25 + 0.25), approx(0.75 + 1.01 * 0.25)]
    # WORKED: the gap's charge at 13.0 V, the last known, on both sides of midnight: 0.75 Ah x 13 + 0.2525 Ah x 12
    assert days[1][1].battery.minus_wh == approx(0.75 * 13.0 + 0.2525 * 12.0)
    # WORKED: the gap does not add up: 1800 + 3600 - 5364 - 36 = 0 C, and the rows neither: 1 + 0.51 - 1.5 - 0.01 = 0
    assert abs(whole.unaccounted_ah) < 1e-9
    days_add_up(whole, days)
    # A battery's channel that counts 2 % too little shows as that much: of 0.51 A x 0.25 h and so on, 1.38 Ah in all
    (bad,) = [kept_as_log(store, tmp_path, [
        flow(MIDNIGHT_S + k * 30.0, 30.0, 0.0, -0.98, 1.0, 13.0) for k in range(120)
    ])]  # fmt: skip
    books, _ = ledger(store, bad, MIDNIGHT_S, MIDNIGHT_S + 3600.0)
    # WORKED: 0 + 0.98 - 1.0 Ah
    assert books is not None and books.unaccounted_ah == approx(-0.02)


def test_a_panel_s_own_volts_and_a_gap_without_any_are_booked_as_interval_by_interval(
    store: Store, tmp_path: Path
) -> None:
    def panel(k: int) -> Interval:
        taps = Tap(13.2, 0.5, 15.0, energy_j=198.0), Tap(18.0, 1.0, 30.0), Tap(13.2, 0.8, 24.0, energy_j=316.8)
        return Interval(MIDNIGHT_S - 600.0 + 30.0 * k, 30.0, *taps, own_a=0.02, at_panel=True)

    gap = Interval(
        MIDNIGHT_S - 300.0, 900.0, Tap(charge_c=450.0), Tap(charge_c=800.0), Tap(charge_c=700.0), at_panel=True
    )
    found = [*(panel(k) for k in range(10)), gap, *(panel(k) for k in range(40, 60))]
    device = kept_as_log(store, tmp_path, found)
    whole, days = ledger(store, device, MIDNIGHT_S - 600.0, MIDNIGHT_S + 1200.0)
    plain = sum_up(found)
    assert whole is not None and plain is not None and whole.compared_s == 0.0
    alike(whole, plain, 1e-9)
    # WORKED: 198 + 316.8 J and 0.02 A x 30 s x 13.2 V = 7.92 J of 18 V x 30 C = 540 J; the gap has no panel watts
    assert whole.efficiency == approx(522.72 / 540.0) and plain.efficiency == approx(whole.efficiency)
    days_add_up(whole, days)


def test_nothing_stored_gives_no_books_and_no_rows(store: Store, tmp_path: Path) -> None:
    device = kept_as_log(store, tmp_path, [flow(MIDNIGHT_S + k * 30.0, 30.0, 0.0, -1.0, 1.0) for k in range(10)])
    assert ledger(store, device, 0.0, 1000.0) == (None, ()) and rows(store, device, 0.0, 1000.0).begin_s.size == 0
    for strange in ("log:77", "log:x", "nobody"):
        with pytest.raises((ConfigError, StoreError)):
            ledger(store, strange, 0.0, 1000.0)


def board_day(store: Store, seed: int = 5) -> tuple[float, float]:
    """Records about a midnight with holes, a chip that falls silent or begins anew, and a start of the board."""
    midnight_s = math.ceil(BOARD_T0 / DAY_S) * DAY_S
    offset_s = midnight_s - BOARD_T0 - 300.0
    board = Board(seed)
    store.add_info(info(1, 1) | {"own_ua": [19_000, 15_000]}, 0.0)
    store.add("a", [board.anchor(offset_s)])
    frames = [board.record(100) for _ in range(400)] + [board.record(1100) for _ in range(100)]
    frames += [board.record(1000, silent=1 if k % 40 < 3 else None, anew=2 if k == 77 else None) for k in range(110)]
    board.skip(100)  # over midnight
    frames += [board.record(950) for _ in range(60)]
    store.add("a", frames)
    board.restart(2)
    store.add_info(info(2, 2) | {"own_ua": [19_000, 15_000]}, 0.0)
    store.add("a", [board.anchor(offset_s + 600.0), *(board.record(500) for _ in range(200))])
    return midnight_s - 300.0, midnight_s + 400.0


def alike_one_by_one(made: list[Interval], truth: list[Interval]) -> None:
    for one, same in zip(made, truth, strict=True):
        assert (one.start_s, one.dt_s) == (approx(same.start_s, abs=1e-6), approx(same.dt_s, abs=1e-6))
        for name in ("battery_c", "own_a", "own_in_load", "at_panel"):
            assert getattr(one, name) == getattr(same, name), name
        assert one.unsure_s == approx(same.unsure_s, abs=1e-3)
        for a, b in ((one.solar, same.solar), (one.battery, same.battery), (one.load, same.load)):
            assert a is not None and b is not None
            for x, y in zip(astuple(a), astuple(b), strict=True):
                assert x is y or x == approx(y, rel=1e-12, abs=1e-12), (a, b)


def test_a_board_s_intervals_are_those_that_are_concluded_from(store: Store) -> None:
    begin_s, end_s = board_day(store)
    truth = [i for _, found in intervals_of(store, "a") for i in found]
    made = list(intervals(store, "a", begin_s - 10.0, end_s + DAY_S))
    assert len(made) == len(truth) == 400 + 100 + 110 + 60 + 200 + 2, "records and two gaps"
    alike_one_by_one(made, truth)


def test_charge_of_a_gap_for_which_the_clock_has_no_room_is_in_the_next_record(store: Store) -> None:
    board = Board(3)
    store.add_info(info(1, 1), 0.0)
    store.add("a", [board.anchor(0.0), *(board.record() for _ in range(5))])
    board.skip(50)
    board.restart(2)
    store.add_info(info(2, 2), 0.0)
    store.add("a", [board.anchor(5.2), *(board.record() for _ in range(5))])
    truth = [i for _, found in intervals_of(store, "a") for i in found]
    made = list(intervals(store, "a", BOARD_T0 - 10.0, BOARD_T0 + 100.0))
    # Of 50 s and more at some amperes in a record of one second, which the board's starts leave no time for.
    assert len(made) == 10 and made[5].load is not None and made[5].load.charge_c is not None
    assert made[4].load is not None and made[4].load.charge_c is not None
    assert made[5].load.charge_c > 20.0 * made[4].load.charge_c > 0.0
    alike_one_by_one(made, truth)


def test_charge_that_passed_unseen_is_at_the_last_volts_known_also_of_an_hour_before() -> None:
    def piece(*found: Interval) -> Any:
        (rows,) = rows_of(found)
        return rows

    gap = Interval(MIDNIGHT_S + 60.0, 60.0, Tap(charge_c=-360.0), Tap(charge_c=0.0), Tap(charge_c=360.0))
    first, second = flow(MIDNIGHT_S, 60.0, 0.0, -1.0, 1.0, 12.0), flow(MIDNIGHT_S + 120.0, 60.0, 0.0, -1.0, 1.0, 14.0)
    zeroth = flow(MIDNIGHT_S - 60.0, 60.0, 0.0, -1.0, 1.0, 11.0)
    whole, _ = outings.booked([piece(zeroth, first), piece(gap, second)], 0.0, math.inf)
    # WORKED: 60 A s at 11 V, 60 at 12 V, 360 at 12 V, 60 at 14 V
    assert whole is not None and whole.load.plus_wh == approx((60.0 * 11.0 + 420.0 * 12.0 + 60.0 * 14.0) / 3600.0)
    # and where the gap comes first, at the first volts known
    whole, _ = outings.booked([piece(replace(gap, start_s=MIDNIGHT_S - 60.0), first)], 0.0, math.inf)
    assert whole is not None and whole.load.plus_wh == approx(420.0 * 12.0 / 3600.0)


def test_a_board_s_books_are_those_of_its_intervals_and_its_days_add_up(store: Store) -> None:
    begin_s, end_s = board_day(store)
    for a, b in ((begin_s, end_s), (begin_s + 7.123, end_s - 60.0), (begin_s, begin_s + 301.0)):
        whole, days = ledger(store, "a", a, b)
        plain = sum_up(intervals(store, "a", a, b))
        assert whole is not None and plain is not None
        alike(whole, plain, 1e-9)
        assert (whole.start_s, whole.end_s) == (approx(plain.start_s, abs=1e-5), approx(plain.end_s, abs=1e-5))
        days_add_up(whole, days)
    # One that begins within a gap has the share of it, with its charge, and its watt-hours at the first volts known.
    gap, *rest = intervals(store, "a", begin_s + 300.0, end_s)
    assert gap.battery.v is None and gap.battery.charge_c is not None and gap.start_s == begin_s + 300.0
    whole, days = ledger(store, "a", begin_s + 300.0, end_s)
    assert whole is not None and whole.gap_s > gap.dt_s > 10.0
    assert whole.battery.minus_ah == approx(sum_up([gap, *rest]).battery.minus_ah)  # type: ignore[union-attr]
    days_add_up(whole, days)


def test_rows_of_a_board_are_the_load_s_of_its_records(store: Store) -> None:
    begin_s, end_s = board_day(store)
    found = [i for i in intervals(store, "a", begin_s + 1e-3, end_s) if i.load is not None and i.load.a is not None]
    made = rows(store, "a", begin_s + 1e-3, end_s)
    assert made.begin_s.size == len(found) and bool((np.diff(made.begin_s) > 0.0).all())
    k = 505
    one = found[k]
    assert one.load is not None and one.load.a is not None
    assert made.begin_s[k] == approx(one.start_s, abs=1e-6) and made.dt_s[k] == approx(one.dt_s)
    assert (made.mean_a[k], made.low_a[k], made.high_a[k]) == (
        approx(one.load.a),
        approx(one.load.a_min),
        approx(one.load.a_max),
    )
    assert made.low_v[k] == approx(one.battery.v_min)


def heron(step_s: float, length_s: float) -> tuple[float, list[Interval]]:
    """The invented outing through its box from 22:10 on, a gap of four minutes in it of which the counters tell."""
    box, found = ScenarioBox("heron"), []
    for at_s in np.arange(0.0, length_s, step_s).tolist():
        box.advance(at_s + step_s)
        taps = {}
        for name in ("solar", "battery", "load"):
            v, a = box.mean(name, at_s, at_s + step_s)
            seen = not 2700.0 <= at_s < 2940.0
            taps[name] = Tap(v if seen else None, a if seen else None, a * step_s)
        start_s = box.start_unix_s + at_s
        found.append(Interval(start_s, step_s, taps["battery"], taps["solar"], taps["load"]))
    return box.start_unix_s, found


def test_the_books_of_an_emulated_outing_balance_to_half_a_percent_and_by_day(store: Store, tmp_path: Path) -> None:
    begin_s, found = heron(10.0, 7800.0)
    device = kept_as_log(store, tmp_path, found)
    it = Outings(store, device, lambda: NOW_S * 2).begin(begin_s, begin_s + 7800.0, standing_a=0.012)
    whole, days = ledger(store, device, it.begin_s, begin_s + 7800.0)
    assert whole is not None and [day_s for day_s, _ in days] == [MIDNIGHT_S - DAY_S, MIDNIGHT_S]
    assert (whole.gap_s, whole.measured_s, whole.compared_s) == (approx(240.0), approx(7560.0), approx(7800.0))
    drawn = whole.load.plus_ah
    assert drawn == approx(math.fsum(i.load.charge_c for i in found if i.load and i.load.charge_c) / 3600.0, rel=1e-9)
    # WORKED: the scenario's controller draws 12 mA for itself beside the three points: 0.012 A x 7800 s = 0.026 Ah
    assert whole.unaccounted_ah == approx(0.026, abs=1e-6)
    # BAR: issue 9, the ledger balances to 0.5 % on emulated outings
    assert drawn > 2.0 and abs(outings.left_ah(whole, it)) < 0.005 * drawn
    # What goes into the battery and out of it is kept apart as row by row, and sun less load is its net
    plain = sum_up(found)
    assert plain is not None and whole.battery.plus_ah == approx(plain.battery.plus_ah, rel=1e-9)
    days_add_up(whole, days)
    assert rows(store, device, begin_s, begin_s + 7800.0).begin_s.size == 780 - 24


# --- proposals ---


def day_of(*load: tuple[float, float]) -> list[Interval]:
    """Minutes (number, amps) one after the other from 18:00 on, with 10 mA for a clock all the time."""
    found, at_s = [], MIDNIGHT_S - 6 * 3600.0
    for minutes, amps in load:
        for _ in range(int(minutes * 3)):
            found.append(flow(at_s, 20.0, 0.0, -amps - 0.01, amps + 0.01))
            at_s += 20.0
    return found


def proposed(store: Store, tmp_path: Path, *load: tuple[float, float]) -> list[tuple[float, float, bool]]:
    device = kept_as_log(store, tmp_path, day_of(*load))
    return [((p.begin_s - MIDNIGHT_S) / 60.0, (p.end_s - MIDNIGHT_S) / 60.0, p.goes_on) for p in propose(store, device)]


def test_a_short_lunch_belongs_to_the_outing_and_a_long_one_parts_it(store: Store, tmp_path: Path) -> None:
    # WORKED: from 18:00, minutes before midnight: on at -330, off for 25 at -270, on at -245, off at -185
    assert proposed(store, tmp_path, (30, 0), (60, 0.8), (25, 0), (60, 0.8), (60, 0)) == [(-330.0, -185.0, False)]
    # WORKED: off for 45 minutes: -330 to -270, -225 to -165
    assert proposed(store, tmp_path, (30, 0), (60, 0.8), (45, 0), (60, 0.9), (60, 0)) == [
        (-330.0, -270.0, False), (-225.0, -165.0, False),
    ]  # fmt: skip


def test_an_outing_over_midnight_is_one(store: Store, tmp_path: Path) -> None:
    assert proposed(store, tmp_path, (300, 0), (150, 0.6), (60, 0)) == [(-60.0, 90.0, False)]
    # records that end while it is on, or soon after: it may go on
    assert proposed(store, tmp_path, (300, 0), (150, 0.7), (10, 0)) == [(-60.0, 90.0, True)]


def test_a_fan_that_runs_for_two_minutes_is_no_outing(store: Store, tmp_path: Path) -> None:
    assert proposed(store, tmp_path, (60, 0), (2, 0.5), (60, 0), (2, 0.5), (40, 0), (2, 0.5), (60, 0)) == []
    # and one shortly before or after an outing does not make it longer; -240 to -180
    assert proposed(store, tmp_path, (90, 0), (2, 0.5), (28, 0), (60, 0.6), (20, 0), (2, 0.5), (60, 0)) == [
        (-240.0, -180.0, False)
    ]
    # a small radio on receive is above what a channel's zero may be off by, a lamp of 30 mA is not
    assert proposed(store, tmp_path, (60, 0), (60, 0.03), (60, 0)) == []
    assert proposed(store, tmp_path, (60, 0), (60, 0.08), (60, 0)) == [(-300.0, -240.0, False)]


def test_what_is_an_outing_already_is_not_proposed_and_a_proposal_becomes_one(store: Store, tmp_path: Path) -> None:
    device = kept_as_log(store, tmp_path, day_of((30, 0), (60, 0.8), (45, 0), (60, 0.9), (60, 0)))
    book = Outings(store, device, lambda: NOW_S)
    first, second = propose(store, device, known=book.all())
    # WORKED: 0.81 A for an hour
    assert first.load_ah == approx(0.81, rel=1e-6) and first.on_s == 3600.0 and "judgement" in first.why
    it = book.begin(first.begin_s, first.end_s, name="morning")
    assert (it.begin_s, it.end_s, it.by_hand, it.capacity_ah) == (first.begin_s, first.end_s, True, None)
    assert propose(store, device, known=book.all()) == (second,)
    assert (
        propose(store, device, since_s=second.end_s) == () and len(propose(store, device, until_s=second.begin_s)) == 1
    )
    assert replace(second, goes_on=True).why != second.why


def test_a_board_s_load_proposes_too(store: Store) -> None:
    begin_s, end_s = board_day(store)
    (found,) = propose(store, "a")
    # WORKED: the load is there from the first record on, five minutes before midnight, to the last one
    assert found.begin_s == approx(begin_s, abs=1.0) and found.goes_on and found.end_s < end_s + 100.0
    assert propose(store, "a", known=[outings.Outing(1, "x", begin_s)]) == ()
