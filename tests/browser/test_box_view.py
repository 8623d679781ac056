"""The view Box and the first questions in a browser: what is told and refused; wires; health; a known charge."""

from __future__ import annotations

from collections.abc import Callable

import page_states as states
import pytest
from ampledger.boxbook import wiring
from page_browser import Watched, running
from page_states import FakeSource, Feeder
from playwright.sync_api import expect

pytestmark = pytest.mark.slow

Open = Callable[..., Watched]


def test_the_box_is_told_in_a_form_and_its_wires_are_reckoned(open_page: Open) -> None:
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        asked = "branch=radio&awg=14&length_m=2&peak_a=10&mean_a=3&begin_v=12.8&fuse_a=15&contacts=6"
        seen = open_page(address, f"/box?{asked}")
        page = seen.page
        page.wait_for_selector("#box[data-ready]")
        # What is usual stands in an empty field; only what was changed is sent.
        expect(page.locator("#told-radio_min_v")).to_have_attribute("placeholder", "11.7")
        page.locator("#told-capacity_ah").fill("12.5")
        page.get_by_text("What fuses, wires and battery bear").first.click()
        page.locator("#told-battery_fuse_a").fill("20")
        page.get_by_role("button", name="Keep this").click()
        expect(page.locator("#done")).to_contain_text("Kept")
        assert (states.BOARD, {"set": {"capacity_ah": 12.5, "battery_fuse_a": 20}}) in source.asked
        expect(page.locator("#box-sentence")).to_have_text("12.5 Ah, 4 cells, a reserve of 20 %")
        expect(page.get_by_role("button", name="Take the last change back")).to_be_visible()
        source.refusal = "--capacity-ah 0: expected ampere-hours above 0, up to 10000."
        page.locator("#told-capacity_ah").evaluate("(input) => { input.value = '0'; input.form.noValidate = true; }")
        page.get_by_role("button", name="Keep this").click()
        expect(page.locator("#told-panel .refused")).to_contain_text("Not changed. “capacity-ah” 0: expected")
        source.refusal = ""
        # The wires: what the program reckons, worked out from the address and anew with each figure.
        worked = wiring({"awg": 14.0, "length_m": 2.0, "peak_a": 10.0, "mean_a": 3.0, "begin_v": 12.8, "fuse_a": 15.0,
                         "contacts": 6.0})  # fmt: skip
        page.wait_for_selector(f"#branches-panel[data-drawn='{1e3 * worked['ohm']:.3f}']")
        expect(page.locator("#branches-panel")).to_contain_text(f"{worked['lost_v']:.2f}\u00a0V")
        page.locator("#branch-fuse_a").fill("30")
        expect(page.locator(".branch-looks").first).to_contain_text("does not protect a wire that may carry 15")
        assert "fuse_a=30" in page.url
        page.locator("#branch-awg").fill("99")
        expect(page.locator("#branches-panel .refused")).to_contain_text("AWG 99")
        expect(page.locator("#branches-panel")).to_contain_text("21.0\u00a0mΩ between")
        # A charge that one knows, and what is known of the battery, with ranges.
        page.locator("#fill-value").fill("80")
        page.get_by_role("button", name="Tell it").click()
        expect(page.locator("#done")).to_contain_text("Told: 80")
        assert (states.BOARD, {"charge": 0.8, "sd": 0.05}) in source.asked
        expect(page.locator("#health-panel")).to_contain_text("5.74 (5.60 to 5.90) Ah; from 3 counted")
        assert page.locator(".health-dot").count() == 4
        feeder.close()
        assert [line for line in seen.console if "400" not in line] == []


def test_the_first_questions_stand_below_the_verdict_and_never_come_again(open_page: Open) -> None:
    snap = states.short_keyed() | {"first": {"capacity_ah": 20.0, "series": 4, "placement": "panel-side"}}
    source = FakeSource(snap, states.history())
    with running(source) as address:
        page = open_page(address, width=390, height=844).page
        expect(page.locator("#first")).to_contain_text("between panel and controller")
        verdict, asks = page.locator("#verdict").bounding_box(), page.locator("#first").bounding_box()
        assert verdict and asks and verdict["y"] + verdict["height"] <= asks["y"]
        page.locator("#first-ah").fill("12")
        page.locator("#first-place").fill("DN53vo")
        page.get_by_role("button", name="That is my box").click()
        expect(page.locator("#first")).to_be_hidden()
        assert (states.BOARD, {"place": "DN53vo"}) in source.asked
        assert (states.BOARD, {"set": {"capacity_ah": 12, "series": 4}}) in source.asked
        source.put(snap)  # asked again: put off, which the program keeps
        page.reload()
        page.get_by_role("button", name="Later").click()
        expect(page.locator("#first")).to_be_hidden()
        assert (states.BOARD, {"later": True}) in source.asked
