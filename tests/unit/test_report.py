"""The report of an outing: the books' ledger, balanced; what is not known is said; text of others stays text."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import re
from collections.abc import Iterator
from datetime import timedelta, timezone
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from ampledger import adif, pictures, report, settings
from ampledger.cli import main
from ampledger.core import books
from ampledger.core.contacts import Contact
from ampledger.core.engine import Site
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.sun import Panel, Place
from ampledger.errors import ConfigError
from ampledger.logfile import write_log
from ampledger.outings import Outings, ledger
from ampledger.report import Asked, Concluded, Report, Source, gather, of_intervals
from ampledger.report_page import html
from ampledger.store import Estimated, Store
from test_health_cli import cycle
from test_series import T0 as BOARD_T0
from test_series import Board, info

MIDNIGHT_S = 1_789_257_600.0  # 2026-09-13T00:00Z
BEGIN_S = MIDNIGHT_S - 1200.0
OWN_A, LOST_A = 0.012, 0.004
EVIL = "<script>alert('x')</script> & \"co\""


def tap(v: float, a: float, dt_s: float, a_min: float, a_max: float) -> Tap:
    return Tap(v, a, a * dt_s, v - 0.3 if a_max > 2 or a_min < -2 else v, v, a_min, a_max, v * a * dt_s)


def rows(seconds: float = 2400.0, begin_s: float = BEGIN_S, dt_s: float = 1.0, **more: Any) -> Iterator[Interval]:
    """A station that sends 12 of every 40 s at 3 A, receives at 0.5 A, has 0.8 A of sun, and loses 4 mA on the way."""
    for k in range(round(seconds / dt_s)):
        sends = k * dt_s % 40.0 >= 28.0
        load = 3.0 if sends else 0.5
        battery = 0.8 - load - OWN_A - LOST_A
        taps = {
            "battery": tap(12.9 if sends else 13.2, battery, dt_s, battery, battery),
            "solar": tap(13.3, 0.8, dt_s, 0.79, 0.81),
            "load": tap(12.8 if sends else 13.2, load, dt_s, load, load),
        }
        yield Interval(begin_s + k * dt_s, dt_s, **{"own_a": OWN_A, "battery_c": 12.0, **taps, **more})


SETUP = settings.battery_told({"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2})
WITH = Asked("Spit", setup=SETUP, start=Start(0.7, 0.03))


@pytest.fixture(scope="module")
def whole() -> Report:
    """Over midnight, with everything told."""
    begun = [BEGIN_S + 30.0 + 240.0 * k for k in range(9)]
    made = tuple(Contact(k, t, t + 30.0, 1.0, "SSB", "20m") for k, t in enumerate(begun))
    site = Site(Place(43.62, -108.2, 900.0), Panel(20.0, 35.0, 235.0))
    asked = dataclasses.replace(
        WITH, name=EVIL, notes=(EVIL,), place_name=EVIL, radio=EVIL, site=site, contacts=made,
        names=(EVIL,) * len(made), contacts_odd=(EVIL,), closing_s=MIDNIGHT_S + 900.0,
        zone=timezone(timedelta(hours=-6)),
    )  # fmt: skip
    return gather(dataclasses.replace(of_intervals("a.csv", list(rows())), warnings=(EVIL,)), asked)


# --- the ledger -------------------------------------------------------------------------------------------------------


def test_the_ledger_is_that_of_the_books_and_balances() -> None:
    found = list(rows())
    b = books.sum_up(found)
    account = gather(of_intervals("a", found), Asked()).whole
    assert b is not None and account is not None
    sun, out = account.came_in
    station, into, own, rest = account.went_out
    said = [(e.ah, e.wh) for e in (sun, out, station, into, own)]
    # The same sums by another way: to the last digits of a float.
    assert said == [
        (pytest.approx(x, rel=1e-9, abs=1e-12), pytest.approx(y, rel=1e-9, abs=1e-12))
        for x, y in [
            (b.solar.net_ah, b.solar.plus_wh), (b.battery.minus_ah, b.battery.minus_wh),
            (b.load.net_ah, b.load.plus_wh), (b.battery.plus_ah, b.battery.plus_wh), (b.own_ah, b.own_wh),
        ]
    ]  # fmt: skip
    for what in ("ah", "wh"):
        came, went = (report.total_of(side, what) for side in (account.came_in, account.went_out))
        assert came == pytest.approx(went, rel=1e-12)
    # WORKED: 4 mA for 2400 s are 0.002667 Ah.
    assert rest.ah == pytest.approx(LOST_A * 2400 / 3600, rel=1e-6) and rest.ah == pytest.approx(b.unaccounted_ah)
    # BAR: issue 9: the ledger balances to 0.5 % of what came in.
    assert account.share is not None and 0.0 < account.share < 0.005


def test_days_add_up_to_the_whole_also_where_a_row_lies_over_midnight() -> None:
    found = list(rows(2400.0, MIDNIGHT_S - 1203.0, 7.0))
    r = gather(of_intervals("a", found), Asked())
    assert [d.name for d in r.days] == ["2026-09-12", "2026-09-13"] and r.whole is not None
    for k in range(2):
        parts = [d.came_in[k].ah or 0.0 for d in r.days]
        assert all(parts) and math.fsum(parts) == pytest.approx(r.whole.came_in[k].ah, rel=1e-9)
    # WORKED: 0.8 A of sun for 1203 s before midnight are 0.26733 Ah.
    assert r.days[0].came_in[0].ah == pytest.approx(0.8 * 1203 / 3600, rel=1e-6)


def test_the_boards_draw_is_told_once_where_it_flows_through_the_loads_shunt() -> None:
    account = gather(of_intervals("a", list(rows(own_in_load=True))), Asked()).whole
    assert account is not None
    station, _, own, _ = account.went_out
    # WORKED: 0.5 A, and 3 A in 12 of 40 s, are 1.25 A; of these 0.012 A are the board's.
    assert station.ah == pytest.approx((1.25 - OWN_A) * 2400 / 3600) and own.ah == pytest.approx(OWN_A * 2400 / 3600)


def test_books_that_do_not_close_are_said_not_to() -> None:
    wrong = list(rows(load=tap(13.0, 0.3, 1.0, 0.3, 0.3)))  # of 1.25 A on average
    r = gather(of_intervals("a", wrong), Asked())
    assert r.whole is not None and r.whole.wrong and r.verdict[-1].startswith("The books do not close: ")
    assert not gather(of_intervals("a", list(rows())), Asked()).whole.wrong  # type: ignore[union-attr]


def test_what_was_told_to_flow_beside_the_taps_is_a_line_of_its_own() -> None:
    account = gather(of_intervals("a", list(rows())), Asked(beside_a=LOST_A)).whole
    assert account is not None
    beside, rest = account.went_out[-2:]
    assert beside.ah == pytest.approx(LOST_A * 2400 / 3600) and rest.ah == pytest.approx(0.0, abs=1e-9)


# --- what is not known ------------------------------------------------------------------------------------------------


def test_nothing_makes_no_report() -> None:
    with pytest.raises(ConfigError, match="nothing to report"):
        of_intervals("empty", [])


def test_without_the_suns_tap_nothing_is_claimed_of_it() -> None:
    r = gather(of_intervals("a", list(rows(600.0, solar=None))), WITH)
    page = html(r)
    assert r.whole is not None and r.whole.share is None and r.whole.came_in[0].ah is None
    assert "what the sun brought was not measured" in r.verdict[0]
    assert "can&#x27;t be told: the sun was not measured" in page and "The sun&#x27;s current was not measured." in page
    assert not any("books close" in line for line in r.verdict)


def test_the_battery_alone_makes_a_report() -> None:
    r = gather(of_intervals("a", list(rows(600.0, solar=None, load=None))), WITH)
    assert "the station drew was not measured" in r.verdict[0] and "came out of the battery" in r.verdict[0]
    assert "No sending was seen" in html(r)


def test_a_gap_is_told_hatched_and_not_drawn_across() -> None:
    found = [i for i in rows(1800.0) if not 600.0 <= i.start_s - BEGIN_S < 900.0]
    r = gather(of_intervals("a", found), Asked())
    page = html(r)
    assert r.gaps == ((BEGIN_S + 600.0, BEGIN_S + 900.0),)
    k = next(k for k, x in enumerate(r.columns["load_a"]) if math.isnan(x))
    assert r.columns["t"][k] == pytest.approx(BEGIN_S + 750.0, abs=1.0)
    assert "What flowed in 5\u00a0min of that time is not known" in r.verdict[1]
    assert "Hatched: no readings." in page and "The longest gaps" in page
    assert dict(r.quality)["gaps"].startswith("1, 5\u00a0min in all")
    # WORKED: 1500 of 1800 s.
    assert dict(r.quality)["readings"].endswith("83.3\u00a0%")


def test_a_log_that_knows_no_date_has_no_days_and_no_utc() -> None:
    r = gather(of_intervals("a", list(rows(900.0, 0.0)), dated=False), WITH)
    page = html(r)
    assert r.days == () and r.contacts is None and "the log knows no date" in page
    assert "UTC" not in "".join(r.verdict) and "hours from the log" in page and "1970" not in page


def test_without_a_battery_told_it_says_what_is_missing() -> None:
    r = gather(of_intervals("a", list(rows(600.0))), Asked())
    assert r.charge is None and "--capacity-ah" in r.no_charge and r.notices == ()
    assert "nothing was watched for" in html(r)


def test_amps_before_the_controller_are_not_compared() -> None:
    r = gather(of_intervals("a", list(rows(1200.0, at_panel=True))), WITH)
    assert r.whole is not None and r.whole.share is None
    rest = r.whole.went_out[-1]
    assert rest.ah is None and rest.wh is not None and "of the Wh got through" in rest.note


def test_long_rows_and_many_days_make_a_report() -> None:
    r = gather(of_intervals("a", list(rows(4 * 86_400.0 + 600.0, dt_s=600.0))), Asked(beside_a=0.01))
    page = html(r)
    assert len(r.days) == 5 and "No sending was seen" in page and "By UTC day" in page


# --- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lowest", "says"),
    [
        ((0.30, 0.26, 0.34), "held: at its lowest"),
        ((0.22, 0.17, 0.27), "probably held, but the range reaches below it"),
        ((0.18, 0.15, 0.23), "was probably gone below from 23:50 UTC on"),
        ((0.15, 0.12, 0.19), "was gone below from 23:50 UTC on"),
    ],
)
def test_whether_the_reserve_held_is_said_as_surely_as_it_is_known(
    lowest: tuple[float, float, float], says: str
) -> None:
    estimates = ((BEGIN_S, 0.5, 0.1, 0.9), (BEGIN_S + 600.0, *lowest), (BEGIN_S + 1200.0, 0.4, 0.35, 0.45))
    r = gather(_concluded(estimates), WITH)
    assert r.charge is not None and says in r.charge.held
    assert "40\u00a0% was left (90\u00a0% range 35 to 45\u00a0%)" in r.charge.left


def test_what_nobody_knows_yet_is_nobodys_lowest() -> None:
    estimates = ((BEGIN_S, 0.15, 0.05, 0.95), (BEGIN_S + 600.0, 0.45, 0.4, 0.5), (BEGIN_S + 1200.0, 0.4, 0.35, 0.45))
    held = gather(_concluded(estimates), WITH).charge
    assert held is not None and "held: at its lowest, 00:00 UTC, 40" in held.held


def _concluded(estimates: Any = (), events: Any = (), **more: Any) -> Source:
    source = of_intervals("a", list(rows(1200.0)))
    return dataclasses.replace(source, concluded=Concluded(tuple(estimates), tuple(events), **more))


STEADY = tuple((BEGIN_S + 60.0 * k, 0.5, 0.45, 0.55) for k in range(20))
SINKS = tuple((BEGIN_S + 60.0 * k, 0.5 - 0.03 * k, 0.45 - 0.03 * k, 0.55 - 0.03 * k) for k in range(20))


def foresaw(at_s: float, verdict: str, p: float, until_s: float = BEGIN_S + 1200.0) -> Any:
    return (at_s, "foresaw", verdict, {"until": until_s, "probability": p, "ends": [at_s + 600.0, at_s + 900.0, None],
                                       "limited_by": "reserve", "closing": until_s})  # fmt: skip


def test_no_forecast_is_said_to_be_none() -> None:
    assert gather(_concluded(STEADY), WITH).advice == "No forecast was recorded."


@pytest.mark.parametrize(
    ("estimates", "verdict", "says"),
    [
        (STEADY, "stay on", "The advice to stay on was right: twice it said that the station lasts, and it did twice."),
        (SINKS, "stay on", "to stay on was wrong: twice it said that the station lasts, and it did not once."),
        (SINKS, "close down", "It was right twice: the reserve was gone before the closing time."),
        (STEADY, "cut back", "Twice the station lasted all the same; whether because something was changed upon it"),
        (STEADY, "tight", "It was called tight throughout"),
    ],
)
def test_whether_the_advice_was_right_is_said_plainly(estimates: Any, verdict: str, says: str) -> None:
    said = [foresaw(BEGIN_S + 60.0, verdict, 0.8), foresaw(BEGIN_S + 300.0, verdict, 0.9)]
    r = gather(_concluded(estimates, said), WITH)
    assert says in r.advice and "On average it gave 85\u00a0%" in r.advice
    # WORKED: BEGIN_S is 23:40; said at 23:41, ends 10 and 15 min later, the last beyond the horizon.
    assert "about 23:56, nine times in ten after 23:51, once after the horizon" in html(r)
    assert len(r.forecasts) == 2 and "Whenever the advice changed" in html(r)


def test_a_forecast_past_the_end_of_the_records_is_not_judged() -> None:
    r = gather(_concluded(STEADY, [foresaw(BEGIN_S, "stay on", 0.9, BEGIN_S + 7200.0)]), WITH)
    assert "can't be told" in r.advice and r.forecasts[0].came is None


def test_notices_have_their_time_and_how_long_they_lasted() -> None:
    def notice(at_s: float, kind: str, code: str, severity: str = "caution") -> Any:
        return BEGIN_S + at_s, kind, code, {"title": f"Title of {code}", "severity": severity, "seen": ""}

    events = [
        notice(60, "raised", "volts-low"), notice(90, "changed", "volts-low", "act"), notice(120, "raised", "sag"),
        notice(180, "cleared", "volts-low"), notice(200, "happened", "host-asleep"),
    ]  # fmt: skip
    found = gather(_concluded(STEADY, events), WITH).notices
    assert [(n.code, n.severity, n.end_s) for n in found] == [
        ("volts-low", "act", BEGIN_S + 180.0), ("sag", "caution", None), ("host-asleep", "caution", BEGIN_S + 200.0),
    ]  # fmt: skip


def test_charging_in_frost_is_warned_of() -> None:
    cold = [dataclasses.replace(i, battery_c=-3.0, battery=tap(13.3, 1.0, 1.0, 1.0, 1.0)) for i in rows(600.0)]
    assert any("Caution" in line and "can damage" in line for line in gather(of_intervals("a", cold), WITH).temperature)
    assert not any("Caution" in line for line in gather(of_intervals("a", list(rows(600.0))), WITH).temperature)


def test_health_tells_the_change_since_before() -> None:
    from ampledger.core import health

    now, before = (health.read(health.begin(Battery(20.0)), [cycle(float(d)) for d in range(n)]) for n in (4, 3))
    found = gather(_concluded(STEADY, now=now, before=before), WITH).health
    assert [name for name, *_ in found] == ["capacity", "resistance", "charge that comes back"]
    assert "Ah at 25 °C" in found[0][1] and "no change seen" in found[0][3]
    alone = gather(_concluded(STEADY, now=now), WITH).health
    assert alone[0][2:] == ("not known", "not known")


def test_overs_and_sags_are_those_of_the_rows(whole: Report) -> None:
    # WORKED: 12 of every 40 s in 2400 s are 60 overs; 2.5 A more for 720 s are 0.5 Ah; 12.9 V less 0.3 V at worst.
    assert len(whole.overs) == 60 and "60 overs" in whole.sags_say and "0.50\u00a0Ah" in whole.sags_say
    assert all(s.box_v == pytest.approx(12.6) for s in whole.sags) and len(whole.sags) == 8
    # WORKED: 12.6 V less 3 A at 30 mOhm, the lead that is assumed.
    assert whole.sags[0].plug_v == pytest.approx(12.51)


def test_contacts_by_hour_and_day_and_who_they_were_only_on_request(whole: Report) -> None:
    made = whole.contacts
    assert made is not None and [d.contacts for d in made.days] == [5, 4] and len(made.hours) == 2
    assert math.fsum(r[5] for r in made.rows) <= made.sent_ah + 1e-9
    assert "fewer than the 10 of a UTC day" in html(whole)


def test_the_clear_sky_is_only_compared_where_place_and_panel_are_told(whole: Report) -> None:
    assert whole.harvest is not None and whole.harvest.clear_wh > 0.0
    assert whole.whole is not None and whole.harvest.wh == pytest.approx(whole.whole.came_in[0].wh)
    none = gather(of_intervals("a", list(rows(300.0))), Asked()).no_harvest
    assert "the place (--locator) and the panel (--panel-w) were not told" in none


def test_skies_looked_up_at_once_are_those_of_each_minute() -> None:
    quick, slow = (SETUP.engine(Start()) for _ in range(2))
    quick.site = slow.site = Site(Place(43.62, -108.2, 900.0), Panel(20.0, 35.0, 235.0))
    quick.look_up_skies(BEGIN_S, BEGIN_S + 600.0)
    for t in (BEGIN_S, BEGIN_S + 130.0, BEGIN_S + 600.0, BEGIN_S + 900.0):
        one, other = quick._sky(t), slow._sky(t)
        assert one.clear_a == pytest.approx(other.clear_a, rel=1e-9) and one.clear_a
        assert one.elevation_deg == pytest.approx(other.elevation_deg, rel=1e-9)


# --- the page ---------------------------------------------------------------------------------------------------------


class Checked(HTMLParser):
    """Tags that are closed in their order; ids; what is asked for."""

    EMPTY = frozenset({"meta", "link", "br", "path", "rect", "circle"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.ids: list[str] = []
        self.asks: list[str] = []
        self.refers: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            assert not name.startswith("on"), name
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src"):
                self.asks.append(value or "")
            if name == "aria-labelledby":
                self.refers |= set((value or "").split())
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.EMPTY:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_well_formed_asks_for_nothing_and_runs_nothing(whole: Report) -> None:
    page = html(whole)
    checked = Checked()
    checked.feed(page)
    assert checked.open == [] and len(checked.ids) == len(set(checked.ids)) and checked.refers <= set(checked.ids)
    assert not checked.tags & {"script", "iframe", "img", "object", "form", "base"} and checked.asks == ["data:,"]
    addresses = set(re.findall(r"(?:https?:)?//[^\s\"'<>]+", page))
    assert addresses == {"http://www.w3.org/2000/svg"}  # a name, not an address
    assert not re.search(r"\bsafe(ly)?\b", page.lower())
    assert not re.search(r"\b(nan|inf|None)\b", re.sub(r"<style>.*?</style>", "", page, flags=re.S))


def test_text_of_others_stays_text(whole: Report) -> None:
    page = html(whole)
    assert "<script" not in page and "alert('x')" not in page
    # BAR: name (title, head), note, place, radio, nine contacts, what was odd in their log, a warning of the reader.
    assert page.count("&lt;script&gt;alert(&#x27;x&#x27;)&lt;/script&gt; &amp; &quot;co&quot;") == 2 + 3 + 9 + 2


def test_what_is_shown_has_its_order(whole: Report) -> None:
    heads = re.findall(r"<h2 id=\"([a-z]+)\"", html(whole))
    assert heads == ["ledger", "charge", "currents", "forecast", "notices", "sags", "contacts", "sun", "temperature",
                     "health", "quality"]  # fmt: skip


# --- pictures ---------------------------------------------------------------------------------------------------------


def test_words_above_a_picture_never_cover_each_other() -> None:
    marks = [pictures.Mark(BEGIN_S + 60.0 * k, f"mark {k}") for k in range(12)]
    placed, _ = pictures._rows(marks, lambda t: 46 + (t - BEGIN_S) / 4, 348)
    ends: dict[int, float] = {}
    for mark, row, anchor in placed:
        wide = 6.4 * len(mark.words) + 8
        at = 46 + (mark.time_s - BEGIN_S) / 4 - (0 if anchor == "start" else wide)
        assert at >= ends.get(row, 0.0) - 1e-9 and at + wide <= 348
        ends[row] = at + wide


def test_axis_values_are_round_and_cover_the_figures() -> None:
    for low, high, most in ((0.0, 1.07, 4), (-9.6, 0.4, 3), (12.61, 13.33, 4), (0.0, 100.0, 7), (5e-4, 6e-4, 3)):
        ticks = pictures._nice(low, high, most)
        assert ticks[0] <= low + 1e-9 and ticks[-1] >= high - 1e-9 and 2 <= len(ticks) <= most + 3
        said = [pictures._figure(t, ticks) for t in ticks]
        assert len(set(said)) == len(said) or high - low < 0.01, said


def test_a_line_is_broken_where_nothing_is_known() -> None:
    nan = math.nan
    strip = pictures.Strip("A", [pictures.Line([0.0, 1.0, 2.0, 3.0, 4.0], [1.0, 2.0, nan, 2.0, 1.0], "sun")])
    drawn = pictures.over_time("x", "t", "d", (0.0, 4.0), [strip], dated=False)
    path = re.search(r'class="line sun" d="([^"]*)"', drawn)
    assert path is not None and path[1].count("M") == 2


def test_a_picture_of_nothing_is_a_picture() -> None:
    assert "<svg" in pictures.over_time("x", "t", "d", (5.0, 5.0), [pictures.Strip("A", [])])
    assert "<svg" in pictures.bars("x", "t", "d", [("", [pictures.Bar("in", [])])], "Ah", 300)


# --- the command ------------------------------------------------------------------------------------------------------


def test_a_log_becomes_a_file_that_is_not_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log, out = tmp_path / "a.csv", tmp_path / "a.html"
    write_log(log, rows(300.0))
    contacts = tmp_path / "a.adi"
    fields = (("CALL", "Q1ABC"), ("QSO_DATE", "20260912"), ("TIME_ON", "234130"))
    contacts.write_bytes(adif.write_adi(adif.Log((adif.Record(1, tuple(adif.Field(*f) for f in fields)),))))
    told = ["report", str(log), "--out", str(out), "--capacity-ah", "6", "--zone", "UTC", "--contacts", str(contacts)]
    assert main(told) == 0
    assert "The report is in" in capsys.readouterr().out
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>") and "1 contact; sending" in page and "Q1ABC" not in page
    assert main(told) == 2 and "--force" in capsys.readouterr().err
    assert main([*told, "--force", "--calls"]) == 0 and "Q1ABC" in out.read_text(encoding="utf-8")
    for wrong, says in (
        (["report", str(log), "--out", str(tmp_path / "a.pdf")], "the browser prints it"),
        (["report", str(log), "--out", str(tmp_path / "a.txt")], "ends in .html"),
        (["report", str(tmp_path / "none.csv"), "--out", str(tmp_path / "b.html")], "There is no file"),
        (["report", str(log), "--out", str(tmp_path / "no" / "b.html")], "doesn't exist"),
        (["report", str(log), "--out", str(tmp_path / "b.html"), "--reserve-soc", "0.3"], "--capacity-ah"),
        (["report", str(log), "--out", str(tmp_path / "b.html"), "--zone", "Nowhere/At_All"], "no such zone"),
    ):
        assert main(wrong) == 2 and says in capsys.readouterr().err
    assert not (tmp_path / "b.html").exists()


def test_an_outing_of_the_store_is_reported_with_what_was_concluded_then(tmp_path: Path) -> None:
    path, out = tmp_path / "s.sqlite", tmp_path / "o.html"
    board = Board(1)
    with contextlib.closing(Store(path)) as store:
        told = info(1, 1) | {"version": "0.9.1"}
        told["channels"][0]["cal"]["amps"] |= {"unix_s": BOARD_T0 - 86_400.0}
        store.add_info(told, 0.0)
        store.add("a", [board.anchor(0.0), *(board.record() for _ in range(900))])
        store.put_state("settings", {"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2})
        book = Outings(store, "a", lambda: BOARD_T0 + 5000.0)
        it = book.begin(BOARD_T0 + 60.0, BOARD_T0 + 600.0, name="At the lake", mode="CW", notes="calm")
        at = [BOARD_T0 + 60.0 * k for k in range(2, 10)]
        end = (0.5, 0.45, 0.55, 6.0, 1.0, 0.5, 0.5, "surplus", "sun", "v")
        store.add_conclusions("a", [Estimated(t, 1, k, *end) for k, t in enumerate(at)])
        foreseen = {"until": BOARD_T0 + 600.0, "probability": 0.97, "ends": [None] * 3, "limited_by": "reserve"}
        store.add_event(at[0], "foresaw", "stay on", foreseen, "a")
        assert it.end_s is not None
        whole, _ = ledger(store, "a", it.begin_s, it.end_s)
    assert main(["report", str(it.number), "--out", str(out), "--data", str(path), "--zone", "UTC"]) == 0
    page = out.read_text(encoding="utf-8")
    for words in ("At the lake", "calm", "CW", "firmware 0.9.1", "calibrated 2026-09-09", "not calibrated",
                  "The advice to stay on was right", "As they were raised at the time."):  # fmt: skip
        assert words in page, words
    assert whole is not None and f"{whole.solar.net_ah:.3f}" in page and f"{whole.load.net_ah:.3f}" in page
    assert main(["report", "99", "--out", str(tmp_path / "p.html"), "--data", str(path)]) == 2


def test_who_stops_it_finds_nothing_written(tmp_path: Path) -> None:
    log = tmp_path / "a.csv"
    write_log(log, rows(300.0))
    shares: list[float] = []

    def stop(share: float) -> None:
        shares.append(share)
        if share > 0.05:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        gather(report.of_log(log), WITH, stop)
    assert shares == sorted(shares) and list(tmp_path.iterdir()) == [log]
