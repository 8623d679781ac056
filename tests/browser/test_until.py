"""The card of the hours ahead in a browser: what it says, in which order, and the form with which a plan is told."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from page_browser import Watched, running
from page_states import SCENE_S, STATES, FakeSource, act_now, ahead, battery_only, history, short_keyed, surplus

pytestmark = pytest.mark.slow
Open = Callable[..., Watched]


def expect(target: Any) -> Any:
    from playwright.sync_api import expect as expect_

    return expect_(target)


def test_verdict_chance_sentences_and_ends_are_said_in_words(open_page: Open) -> None:
    with running(FakeSource(short_keyed(), history())) as address:
        seen = open_page(address)
        page = seen.page
        expect(page.locator("#until h2")).to_have_text("Until closing")
        expect(page.locator("#until-word strong")).to_have_text("Tight")
        expect(page.locator("#until-word")).to_contain_text("81 of 100")
        says = page.locator("#until-says")
        expect(says).to_contain_text("the station lasts until 00:30 UTC in 81 of 100 ways")
        expect(says).to_contain_text("It was “stay on” until 23:12 UTC: less sun is expected, 0.62 A on average")
        facts = page.locator("#until-facts")
        # WORKED: the scene's 23:30 and 2880, 5520, 9000 s; Denver is six hours behind
        for name, utc, local in (("10", "00:18", "18:18"), ("50", "01:02", "19:02"), ("90", "02:00", "20:00")):
            row = facts.locator("dt", has_text=f"{name} of 100 end by").locator("+ dd")
            expect(row).to_have_text(f"{utc} UTC, {local} local")
        expect(facts).to_contain_text("23:55 UTC")
        expect(facts).to_contain_text("until then “half the power” still lasts nine times in ten")
        expect(facts.locator("dt", has_text="10 contacts that day").locator("+ dd")).to_have_text("71 of 100")
        left = facts.locator("dt", has_text="Left at sunrise").locator("+ dd")
        expect(left).to_have_text(re.compile(r"19 to 29.% at 12:50 UTC, 06:50 local"))
        expect(facts.locator("dt", has_text="Full again").locator("+ dd")).to_contain_text("14\u00a0Sep, 00:30 UTC")
        assert "safe" not in page.locator("#until").inner_text().lower()
        assert seen.console == []


def test_what_would_help_is_a_table_with_minutes_and_chance(open_page: Open) -> None:
    with running(FakeSource(short_keyed(), history())) as address:
        page = open_page(address).page
        rows = page.locator("#until-helps tbody tr")
        expect(rows).to_have_count(4)
        expect(rows.nth(2)).to_have_text(re.compile(r"Half the power\s*31\smin\s*91 of 100"))
        expect(rows.nth(0)).to_have_text(re.compile(r"Listen only\s*over 400\smin\s*99 of 100"))  # never all of them
        assert page.locator("#until-helps thead th[scope=col]").count() == 3


def test_each_verdict_has_its_word_and_a_shape_of_its_own(open_page: Open) -> None:
    source = FakeSource(surplus(), history())
    with running(source) as address:
        page = open_page(address).page
        shapes = set()
        for verdict in ("stay on", "tight", "cut back", "close down"):
            source.put(surplus() | {"ahead": ahead(verdict, 0.5)})
            expect(page.locator("#until-word strong")).to_have_text(verdict.capitalize())
            shapes.add(page.locator("#until-word path").get_attribute("d"))
        assert len(shapes) == 4


def test_close_down_comes_with_the_hour_and_no_empty_table(open_page: Open) -> None:
    with running(FakeSource(act_now(), history())) as address:
        page = open_page(address).page
        expect(page.locator("#until-says")).to_contain_text("Close down now.")
        expect(page.locator("#until-word")).to_contain_text("1 of 100")
        expect(page.locator("#until-helps table")).to_be_hidden()
        expect(page.locator("#until-helps")).to_contain_text("No change is known that would help.")


def test_an_end_beyond_what_was_looked_at_is_not_given_as_a_time_that_it_ends(open_page: Open) -> None:
    with running(FakeSource(surplus(), history())) as address:
        page = open_page(address).page
        row = page.locator("#until-facts dt", has_text="90 of 100").locator("+ dd")
        expect(row).to_have_text("after 07:30 UTC, 01:30 local")


@pytest.mark.parametrize(
    ("shown", "stale", "says"),
    [
        (None, False, "Not worked out yet"),
        ({"at": SCENE_S, "trouble": "The closing time lies 24 h ahead; give another."}, False, "24\u00a0h ahead"),
        (ahead("stay on", 0.97), True, "Last worked out at 23:29 UTC; no fresh reading since"),
    ],
)
def test_without_a_current_forecast_there_is_no_verdict_but_a_reason(
    open_page: Open, shown: Any, stale: bool, says: str
) -> None:
    with running(FakeSource(STATES["stale" if stale else "surplus"]() | {"ahead": shown}, history())) as address:
        page = open_page(address).page
        expect(page.locator("#until-says")).to_contain_text(says)
        for name in ("word", "picture", "facts", "helps"):
            expect(page.locator(f"#until-{name}")).to_be_hidden()
        expect(page.get_by_text("Closing time, place, panel")).to_be_visible()


def test_a_closing_time_that_nobody_set_is_said_to_be_a_suggestion(open_page: Open) -> None:
    snap = surplus()
    says = "No closing time is set; 18:00 UTC is taken, which is only a suggestion."
    snap["plan"] |= {"suggested": says, "until": None}
    source = FakeSource(snap, history())
    with running(source) as address:
        page = open_page(address).page
        expect(page.locator(".plan-words")).to_contain_text(f"{says} Set yours below.")
        source.put(snap | {"ahead": None})
        expect(page.locator("#until-says")).to_contain_text("Closing time suggested: ")
        source.put(surplus())
        expect(page.locator(".plan-words")).to_have_text("Place and panel belong to the invented demo box.")


def test_a_plan_is_told_by_keyboard_and_arrives_as_typed(open_page: Open) -> None:
    source = FakeSource(battery_only(), history())
    with running(source) as address:
        seen = open_page(address)
        page = seen.page
        expect(page.locator("#until-plan")).to_contain_text("No place told")
        page.locator("#until-plan summary", has_text="Closing time").focus()
        page.keyboard.press("Enter")
        page.get_by_label("Closing time, UTC").fill("2026-09-13T01:15")
        page.get_by_label("Place: locator").fill("DN53")
        page.get_by_label("Panel, W").fill("40")
        page.get_by_label("It faces").fill("220")
        page.get_by_label("It faces").press("Enter")
        expect(page.locator(".plan-taken")).to_have_text("Taken; the forecast follows in a moment.")
        (asked,) = [a for a in source.asked if len(a) == 2]
        assert asked[1] == {
            "until": SCENE_S + 6300,  # WORKED: from 23:30 to 01:15 of the next day
            "place": "DN53", "panel_w": 40.0, "panel_tilt": None, "panel_azimuth": 220.0,
            "past_min": 30.0, "accessories_a": 0.0, "caution": 9.0,
        }  # fmt: skip
        assert seen.console == []


def test_a_plan_that_is_refused_says_why_and_keeps_what_was_typed(open_page: Open) -> None:
    source = FakeSource(battery_only(), history())
    source.refusal = "“here” is no place; give a locator such as DN53vo."
    with running(source) as address:
        page = open_page(address).page
        page.get_by_text("Closing time, place, panel").click()
        page.get_by_label("Place: locator").fill("here")
        page.get_by_role("button", name="Use this plan").click()
        expect(page.locator("#until-plan .refused")).to_contain_text("Not changed. “here” is no place")
        expect(page.get_by_label("Place: locator")).to_have_value("here")


def test_the_form_follows_the_plan_but_not_under_the_operators_hands(open_page: Open) -> None:
    source = FakeSource(surplus(), history())
    with running(source) as address:
        page = open_page(address).page
        page.get_by_text("Closing time, place, panel").click()
        place = page.get_by_label("Place: locator")
        expect(place).to_have_value("43.62, -108.2")
        place.fill("4")
        snap = surplus()
        snap["plan"]["place"] = "50.0, 8.0"
        source.put(snap)
        expect(page.locator("#until-word strong")).to_be_visible()
        expect(place).to_have_value("4")
        place.blur()
        source.put(snap)
        expect(place).to_have_value("50.0, 8.0")


def test_a_changed_verdict_is_read_out_and_a_changed_figure_is_not(open_page: Open) -> None:
    source = FakeSource(surplus(), history())
    with running(source) as address:
        page = open_page(address).page
        spoken = page.locator("#spoken-until")
        expect(page.locator("#until-word strong")).to_have_text("Stay on")
        source.put(surplus() | {"ahead": ahead("stay on", 0.95)})
        expect(page.locator("#until-word")).to_contain_text("95 of 100")
        expect(spoken).to_have_text("")
        source.put(surplus() | {"ahead": ahead("tight", 0.85)})
        expect(spoken).to_contain_text("Tight. Going on as now")


def test_it_stands_between_the_verdict_and_the_balance_and_every_field_has_a_name(open_page: Open) -> None:
    with running(FakeSource(short_keyed(), history())) as address:
        page = open_page(address).page
        expect(page.locator("#until-word strong")).to_be_visible()
        order = page.evaluate("[...document.querySelectorAll('#now > *, #now .part')].map((e) => e.id).filter(Boolean)")
        assert order.index("verdict") < order.index("until") < order.index("balance")
        page.get_by_text("Closing time, place, panel").click()
        fields = page.locator("#until-plan input")
        assert fields.count() == 8
        for k in range(8):
            assert page.locator(f"label[for={fields.nth(k).get_attribute('id')}]").count() == 1
        ids = page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
        assert len(ids) == len(set(ids))
        assert "closing 00:30 UTC" in page.locator("#until-picture").inner_text()
        name = page.locator("#until-picture svg").get_attribute("aria-label") or ""
        assert "10 of 100 end by 00:18 UTC" in name


@pytest.mark.parametrize("width", [320, 390, 800, 1366])
def test_card_and_form_fit_in_every_width_with_targets_of_44_px(open_page: Open, width: int) -> None:
    with running(FakeSource(short_keyed(), history())) as address:
        page = open_page(address, width=width, height=844).page
        expect(page.locator("#until-word strong")).to_be_visible()
        page.evaluate("document.querySelectorAll('#until details').forEach((part) => { part.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
        right = page.evaluate(
            "Math.max(...[...document.querySelectorAll('#until *')].map((e) => e.getBoundingClientRect().right))"
        )
        assert right <= width
        for target in page.locator("#until input, #until button, #until summary").all():
            box = target.bounding_box()
            assert box is not None and box["height"] >= 44, target.evaluate("(e) => e.outerHTML")
