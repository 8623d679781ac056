"""The view Outing in a browser: sliders that ask anew, fans and figures that agree, marks by button and by key."""

from __future__ import annotations

from collections.abc import Callable

import page_states as states
import pytest
from page_browser import Watched, running
from page_states import FakeSource, Feeder
from playwright.sync_api import expect

pytestmark = pytest.mark.slow

Open = Callable[..., Watched]


def test_what_is_wished_is_asked_for_drawn_beside_what_is_and_kept_in_the_address(open_page: Open) -> None:
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        seen = open_page(address, "/outing")
        page = seen.page
        page.wait_for_selector("#ways-panel[data-drawn='1']")
        now = states.what_if({})["now"]
        expect(page.locator(".ways-compare")).to_contain_text(f"{round(100 * now['probability'])} of 100")
        assert page.locator(".ways-compare > div").count() == 1 and not page.locator(".fan-behind").is_visible()
        expect(page.locator("#ways-share-says")).to_have_text("34\u00a0%, as now")
        # By keyboard: two steps right are four times the power; the newest answer wins, the last is whole.
        page.locator("#ways-power").focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowRight")
        page.wait_for_selector("#ways-panel[data-drawn='4'][data-paths='2000']")
        then = states.what_if({"power": 4.0})["then"]
        expect(page.locator(".ways-compare > div").nth(1)).to_contain_text(f"{round(100 * then['probability'])} of 100")
        # WORKED: 3.1 A, and twice that at four times the power
        expect(page.locator("#ways-power-says")).to_have_text("four times now’s; the key then adds 6.2\u00a0A")
        assert page.locator(".fan-behind").is_visible() and "power=4" in page.url
        assert any(a[1] == "what_if" and a[3] for a in source.asked if len(a) > 3), "nothing was asked for quickly"
        # The table says what the picture draws: the middle of both at the closing time.
        page.get_by_text("The same in figures").click()
        k = states.what_if({})["now"]["t"].index(states.SCENE_S - 20 + 3600)
        last = page.locator(".ways-table tbody tr").last
        for column, out in ((0, now), (1, then)):
            expect(last.locator("td").nth(column)).to_contain_text(f"{out['fan'][2][k]:.0f} (")
        # A reload brings it back, and one button all as it is.
        page.reload()
        page.wait_for_selector("#ways-panel[data-drawn='4']")
        page.locator("#ways-panel-on").check()
        page.wait_for_selector("#ways-panel[data-drawn='4   0']")
        page.get_by_role("button", name="All as now").click()
        page.wait_for_selector("#ways-panel[data-drawn='1']")
        assert "power" not in page.url and "panel" not in page.url
        # What can't be told is said, and nothing old is left on show.
        source.refusal = "There is no forecast yet: it takes a minute of readings."
        page.locator("#ways-power").focus()
        page.keyboard.press("ArrowLeft")
        expect(page.locator(".ways-trouble")).to_have_text(source.refusal)
        expect(page.locator(".ways-compare")).to_be_hidden()
        feeder.close()
        assert [line for line in seen.console if "400" not in line] == []


def test_marks_by_button_and_by_key_are_kept_and_taken_back(open_page: Open) -> None:
    source = FakeSource(states.surplus(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.surplus())
        page = open_page(address, "/outing", width=390, height=844).page
        expect(page.locator(".mark-counts")).to_contain_text("Contacts: 3 this UTC day, 2 in the last hour.")
        page.locator("[data-mark=contact]").click()
        expect(page.locator(".mark-counts")).to_contain_text("Contacts: 4 this UTC day")
        page.keyboard.press("c")
        expect(page.locator(".mark-counts")).to_contain_text("Contacts: 5 this UTC day")
        # Letters that are written are no keys.
        page.locator("#mark-note").fill("")
        page.locator("#mark-note").press_sequentially("coz")
        page.keyboard.press("Enter")
        expect(page.locator(".mark-list li").first).to_contain_text("Note: coz")
        page.locator("#outing-sentence").click()
        page.keyboard.press("z")
        expect(page.locator("#done")).to_contain_text("Taken back: Note")
        expect(page.locator(".mark-list li").first).not_to_contain_text("coz")
        # The amp-hours since the beginning balance: what is not accounted for is the difference of the two sides.
        page.wait_for_selector("#ledger-panel[data-drawn]")
        texts = page.locator(".ledger td").all_inner_texts()
        sun, out, load, into, own, rest = (float(x.replace("−", "-").split(" ± ")[0]) for x in texts)
        assert rest == pytest.approx(sun + out - load - into - own, abs=0.03) and load > 0.5 and own > 0
        assert texts[-1].endswith(" ± 0.05")
        # The same keys on Now, unless they are switched off in the list of keys.
        page.keyboard.press("1")
        page.wait_for_selector("#now:not([hidden])")
        page.wait_for_selector("#freshness .age:not(:empty)")
        before = len(source.marked)
        page.keyboard.press("c")
        expect(page.locator("#done")).to_contain_text("Marked: Contact")
        assert len(source.marked) == before + 1
        page.keyboard.press("?")
        expect(page.locator("dialog.keys")).to_contain_text("a contact")
        page.get_by_label("Single keys act").uncheck()
        page.get_by_role("button", name="Close").click()
        page.keyboard.press("c")
        page.keyboard.press("2")
        expect(page.locator("#now")).to_be_visible()
        assert len(source.marked) == before + 1
        feeder.close()


def test_big_figures_are_high_enough_to_be_read_at_three_metres(open_page: Open) -> None:
    source = FakeSource(states.short_keyed(), states.history())
    with running(source) as address:
        feeder = Feeder(source, states.short_keyed())
        page = open_page(address).page
        page.wait_for_selector("#freshness .age:not(:empty)")
        page.keyboard.press("b")
        page.wait_for_selector("#big:not([hidden])")
        for cell in ("net", "charge", "until"):
            expect(page.locator(f"[data-cell={cell}] .big-figure")).not_to_be_empty()
        # From memory: ISO 9241-303 prefers characters of 20 to 22 arc minutes. WORKED: 22' at 3 m are 19.2 mm, and a
        # CSS pixel is 1/96 inch: 72.6 px.
        height = page.evaluate(
            """() => {
              const style = getComputedStyle(document.querySelector(".big-figure"));
              const pen = document.createElement("canvas").getContext("2d");
              pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
              return pen.measureText("8").actualBoundingBoxAscent;
            }"""
        )
        assert height >= 72.6
        assert page.evaluate("document.querySelector('#big').scrollHeight <= innerHeight")
        assert page.evaluate(
            "[...document.querySelectorAll('.big-figure')].every((x) => x.scrollWidth <= x.clientWidth)"
        )
        # Old figures are not shown as current.
        feeder.close()
        source.put(states.stale())
        expect(page.locator(".big-age")).to_contain_text("No fresh reading")
        expect(page.locator("[data-cell=net] .big-figure")).to_have_text("–")
        page.keyboard.press("Escape")
        expect(page.locator("#big")).to_be_hidden()
        assert "big" not in page.url
