"""The view Trip in a browser: typed, reckoned by the program, kept in the address, printed on paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import page_states as states
import pytest
from ampledger.ahead import THOROUGH, planned
from page_browser import Watched, running
from page_states import FakeSource, Feeder
from playwright.sync_api import expect

pytestmark = pytest.mark.slow

Open = Callable[..., Watched]


def test_a_trip_is_reckoned_as_it_is_typed_and_kept_in_the_address(open_page: Open, tmp_path: Path) -> None:
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        seen = open_page(address, "/trip", width=390, height=844)
        page = seen.page
        page.wait_for_selector(f"#trip[data-drawn='{THOROUGH}']")
        # What is known of the box stands in the form, and where it comes from.
        expect(page.locator("#trip-capacity_ah")).to_have_value("6")
        expect(page.locator("#trip-capacity_ah-note")).to_have_text("from Box")
        expect(page.locator("#trip-receive_a-note")).to_have_text("as measured now")
        page.locator("#trip-begin").fill("2026-09-12T23:00")
        typed = {"hours": "3", "soc": "60", "sd": "5", "receive_a": "0.6", "key_a": "3", "share": "30",
                 "place": "43.62, -108.2", "temp_c": "15", "panel_w": "20"}  # fmt: skip
        for name, value in typed.items():
            page.locator(f"#trip-{name}").fill(value)
        page.locator("#trip-sky").select_option("mixed")
        wishes = {"begin": 1_789_254_000.0, "hours": 3.0, "capacity_ah": 6.0, "series": 4.0, "soc": 60.0, "sd": 5.0,
                  "reserve": 20.0, "receive_a": 0.6, "key_a": 3.0, "share": 30.0, "place": "43.62, -108.2",
                  "sky": "mixed", "temp_c": 15.0, "panel_w": 20.0, "panel_tilt": 35.0, "panel_azimuth": 235.0,
                  "radio_min_v": 11.7}  # fmt: skip
        worked = planned(wishes, THOROUGH)
        said = f"{min(99, max(1, round(100 * worked['now']['probability'])))} of 100 ways last"
        expect(page.locator(".trip-verdict")).to_contain_text(said)
        low, mean, high = worked["drawn"]["ah"]
        expect(page.locator(".trip-answer")).to_contain_text(f"{low:.1f} to {high:.1f}\u00a0Ah")
        expect(page.locator(".trip-answer")).to_contain_text(f"on average {mean:.1f}\u00a0Ah")
        cold = f"{round(100 * worked['cold']['probability'])} of 100 ways last: {100 * worked['cold']['share']:.0f}"
        expect(page.locator(".trip-answer")).to_contain_text(cold)
        chances = [(c["change"], min(99, max(1, round(100 * c["probability"])))) for c in worked["changes"]]
        says = [f"{change}: {n} of 100 last" for change, n in chances if not said.startswith(f"{n} ")]
        assert any(" earlier" in x for x in says) and any("panel, about" in x for x in says)
        plain = [re.sub(r"\s", " ", x).lower() for x in page.locator(".trip-helps li").all_text_contents()]
        assert plain == [x.lower() for x in says]
        expect(page.locator("#trip-detail")).to_contain_text("Local: this computer’s clock")
        expect(page.locator("#trip-peak_a-note")).to_contain_text("3.0\u00a0A is taken")
        expect(page.locator(".trip-answer")).to_contain_text("00:00 UTC, 18:00 local, 60\u00a0min after the beginning")
        assert page.locator(".fan").is_visible() and page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        # Nothing is sent: no word of how much sending there may be.
        expect(page.locator(".trip-answer")).to_contain_text("… or with this one and")
        page.locator("#trip-share").fill("0")
        expect(page.locator(".trip-answer")).not_to_contain_text("… or with this one and")
        page.locator("#trip-share").fill("30")
        # Bad input: one sentence each, nothing old on show, nothing lost; and the address brings all of it back.
        page.locator("#trip-soc").fill("600")
        page.locator("#trip-hours").fill("")
        expect(page.locator("#trip-soc-note")).to_have_text("Give a number from 0 to 100.")
        expect(page.locator("#trip-hours-note")).to_have_text("Give a number from 0.25 to 12.")
        bad = page.locator(".trip-answer .refused")
        expect(bad).to_have_text("Put right first: “Lasts, h (up to 12)”; “Charge at the beginning, %”.")
        expect(page.locator(".trip-verdict")).to_be_hidden()
        expect(page.locator("#trip-key_a")).to_have_value("3")
        page.locator("#trip-hours").fill("3")
        page.locator("#trip-soc").fill("60")
        expect(page.locator(".trip-verdict")).to_contain_text(said)
        expect(page.locator("#trip-soc-note")).to_be_empty()
        page.locator("#trip-place").fill("nowhere land")
        expect(page.locator(".trip-answer .refused")).to_contain_text("is no place")
        expect(page.locator(".trip-verdict")).to_be_hidden()
        page.locator("#trip-place").fill("43.62, -108.2")
        expect(page.locator(".trip-verdict")).to_contain_text(said)
        page.reload()
        expect(page.locator(".trip-verdict")).to_contain_text(said)
        expect(page.locator("#trip-share")).to_have_value("30")
        # On paper: one page, black on white though the screen is lit for the night.
        page.evaluate("document.documentElement.dataset.scheme = 'night'")
        page.pdf(path=tmp_path / "plan.pdf", format="A4")
        assert (tmp_path / "plan.pdf").read_bytes().count(b"/Type /Page\n") == 1
        page.emulate_media(media="print")
        assert page.evaluate("getComputedStyle(document.querySelector('#trip h1')).color") == "rgb(0, 0, 0)"
        feeder.close()
        assert [line for line in seen.console if "400" not in line] == []
