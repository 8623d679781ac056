"""The notices in a browser: what the operator does about them, what is read aloud, heard and sent to the system."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from page_browser import Watched, running
from page_states import SCENE_S, FakeSource, history, many_notices, notice, surplus

pytestmark = pytest.mark.slow
Open = Callable[..., Watched]

#: Stands in for the browser's sound: what would be heard is written down.
SOUND = """
window.heard = []; window.later = 0;
const real = performance.now.bind(performance); performance.now = () => real() + window.later;
class Param { constructor() { this.value = 0; } setValueAtTime() {} linearRampToValueAtTime() {} }
class Node { constructor() { this.frequency = new Param(); this.gain = new Param(); } connect() {} stop() {}
  start() { window.heard.push(this.frequency.value); } }
window.AudioContext = class { constructor() { this.state = "suspended"; this.currentTime = 0; }
  resume() { this.state = "running"; return Promise.resolve(); }
  createOscillator() { return new Node(); } createGain() { return new Node(); } };
"""
#: And for its notifications; ANSWER is what the operator says when asked.
NOTES = """
window.asked = 0; window.sent = [];
window.Notification = class extends EventTarget {
  static permission = localStorage.getItem("test.permission") || "default";
  static requestPermission() { window.asked++; this.permission = "ANSWER";
    localStorage.setItem("test.permission", "ANSWER"); return Promise.resolve("ANSWER"); }
  constructor(title, more) { super(); window.sent.push([title, more.body, more.tag]); }
};
"""


def expect(target: Any) -> Any:
    from playwright.sync_api import expect as expect_

    return expect_(target)


def state_of(*notices: dict[str, Any]) -> dict[str, Any]:
    snap = surplus()
    snap["notices"] = list(notices)
    return snap


COLD = notice("cold-charging", "warning", "Nearly too cold to be charged", do="Mind it.", figures=["battery 1.0 °C"])
ACT = {**COLD, "severity": "act", "title": "Too cold to be charged", "minutes": [10]}
SHORT = notice("draw-above-input", "caution", "More goes out than in", since_s=SCENE_S - 300)


def test_the_worst_stands_first_and_what_it_explains_stands_in_it(open_page: Open) -> None:
    snap = many_notices()
    snap["notices"].reverse()
    with running(FakeSource(snap, history())) as address:
        seen = open_page(address)
        page = seen.page
        alone = page.locator("#notices-list > .notices:not([hidden]) > .notice")
        expect(alone).to_have_count(4)
        words = [alone.nth(i).locator("> h3 .kind").inner_text() for i in range(4)]
        assert words == ["Act now", "Warning", "Caution", "Note"]
        worse = alone.nth(1)
        expect(worse.locator(".with-it")).to_have_text(re.compile("And with it:.*Warning.*volts are getting low when"))
        expect(worse.locator(".with-it button")).to_have_count(0)
        first = alone.nth(0)
        for name, words_ in (("Figures", "battery −1.5\u00a0°C, battery 0.42\u00a0A"), ("Do", "Disconnect the panel")):
            expect(first.locator(f"dt:text-is('{name}') + dd")).to_contain_text(words_)
        expect(first.locator("dt:text-is('Read on') + dd")).to_contain_text("The battery” in README.md or CAUTIONS.md")
        expect(first.locator(".since")).to_have_text(re.compile("since 23:29:30 UTC, 17:29:30 local"))
        expect(page.locator("#open-notices")).to_have_text(
            "Act now: The battery is too cold to be charged. Open notices: 1 to act on, 2 warnings, 1 caution, 1 note"
        )
        expect(page).to_have_title("Act now: The battery is too cold to be charged · ampledger")
        expect(page.locator("#balance-points")).to_contain_text("The three points agree, within 0.02\u00a0A")
        expect(page.locator("#balance-points")).to_contain_text("42 ± 3\u00a0mΩ up to the battery's tap")
        assert seen.console == []


def test_seen_later_and_taken_back_from_the_keyboard_with_the_focus_kept(open_page: Open) -> None:
    source = FakeSource(state_of(COLD, SHORT))
    with running(source) as address:
        seen = open_page(address)
        page = seen.page
        card = page.locator("[data-code=cold-charging]")
        expect(page).to_have_title("Warning: Nearly too cold to be charged · ampledger")
        card.get_by_role("button", name="I have seen it").focus()
        # Figures that move leave the keyboard where it is.
        source.put(state_of({**COLD, "figures": ["battery 0.8 °C"]}, SHORT))
        expect(card.locator(".notice-figures")).to_have_text("battery 0.8\u00a0°C")
        expect(card.get_by_role("button", name="I have seen it")).to_be_focused()
        page.keyboard.press("Enter")
        expect(card.locator(".notice-state")).to_have_text("Seen by you at 23:30 UTC.")
        assert source.asked[-1] == ("a1", "cold-charging", COLD["since_s"], "seen", None)
        expect(card.get_by_role("button", name="Take back")).to_be_focused()
        expect(page).to_have_title("Caution: More goes out than in · ampledger")
        page.keyboard.press("Enter")
        expect(card.get_by_role("button", name="I have seen it")).to_be_focused()
        assert source.asked[-1][3] == "again"
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Space")
        # WORKED: 23:30 and half an hour
        expect(card.locator(".notice-state")).to_have_text("Comes again at 00:00 UTC.")
        assert source.asked[-1][3:] == ("later", 30)
        assert seen.console == []


def test_one_that_was_seen_is_quieter_and_as_legible_and_one_to_act_on_can_hardly_be_put_off(open_page: Open) -> None:
    source = FakeSource(state_of({**ACT, "state": "seen", "at_s": SCENE_S}, SHORT))
    with running(source) as address:
        page = open_page(address).page
        card = page.locator("[data-code=cold-charging]")
        expect(card).to_be_visible()
        assert card.evaluate("e => getComputedStyle(e).opacity") == "1"
        # PRINTED: page.css, --ink-2 of the light scheme, #3f4b50; axe looks at its contrast.
        assert card.locator("h3").evaluate("e => getComputedStyle(e).color") == "rgb(34, 41, 44)"
        expect(page.locator("#notices-list .notice").first).to_have_attribute("data-severity", "act")
        source.put(state_of(ACT, SHORT))
        expect(card.get_by_role("button")).to_have_text(["I have seen it", "Remind me in 10 min"])
        source.refusal = "That notice is over; nothing is left to be marked."
        card.get_by_role("button", name="I have seen it").click()
        expect(card.locator(".refused")).to_have_text("Not changed. That notice is over; nothing is left to be marked.")


def test_what_is_read_aloud_is_one_sentence_of_what_is_new_or_worse(open_page: Open) -> None:
    folded = notice("reserve-near", "caution", "The reserve is near", under="draw-above-input")
    source = FakeSource(state_of(SHORT, folded))
    with running(source) as address:
        page = open_page(address).page
        spoken = page.locator("#spoken-notices")
        expect(spoken).to_have_text("Caution: More goes out than in.")
        source.put(state_of(SHORT, folded, COLD, {**SHORT, "code": "other", "title": "Another"}))
        expect(spoken).to_have_text("Warning: Nearly too cold to be charged; Caution: Another.")
        source.put(state_of(SHORT, COLD | {"state": "seen"}))
        expect(page.locator("[data-code=cold-charging]")).to_have_attribute("data-state", "seen")
        source.put(state_of(SHORT, ACT))
        expect(spoken).to_have_text("Act now: Too cold to be charged.")
        # Better, gone for a moment and back: nothing new.
        for notices_ in ((SHORT, COLD), (SHORT,), (SHORT, COLD)):
            source.put(state_of(*notices_))
            expect(page.locator("#notices-list > .notices:not([hidden]) > .notice")).to_have_count(len(notices_))
        expect(spoken).to_have_text("Act now: Too cold to be charged.")
        source.put(state_of(SHORT | {"since_s": SCENE_S - 2}))
        expect(spoken).to_have_text("Caution: More goes out than in.")


def test_sound_is_off_at_first_and_kept_and_tells_new_warnings_until_they_are_seen(open_page: Open) -> None:
    source = FakeSource(state_of(COLD))
    with running(source) as address:
        seen = open_page(address)
        page = seen.page
        page.add_init_script(SOUND)
        page.reload()
        switch = page.get_by_role("switch", name="Sound")
        figures = page.locator("[data-code=cold-charging] .notice-figures")
        shown = iter(range(100, 200))

        def put(*notices_: dict[str, Any]) -> list[int]:
            """What has been heard when the page has taken these in."""
            k = next(shown)
            source.put(state_of({**notices_[0], "figures": [f"number {k}"]}, *notices_[1:]))
            expect(figures).to_have_text(f"number {k}")
            heard: list[int] = page.evaluate("heard")
            return heard

        expect(switch).to_have_attribute("aria-checked", "false")
        assert put(ACT) == [] and put(COLD) == []
        switch.click()
        expect(switch).to_have_text("Sound: on")
        expect(page.locator("#notices-calls")).to_contain_text("until it is seen")
        # PRINTED: alarms.js, one of 660 Hz for a warning, three of 880 for what wants acting on
        assert put(COLD) == [660], "once at the switch, so that one knows it"
        assert put(COLD, SHORT) == [660], "a caution is not heard"
        once = [660, 880, 880, 880]
        assert put(ACT) == once and put(ACT) == once
        page.evaluate("later = 10_000")
        assert put(ACT) == once
        page.evaluate("later = 31_000")
        assert put(ACT) == once + once[1:] and put(ACT) == once + once[1:]
        page.evaluate("later = 99_000")
        assert put({**ACT, "state": "seen", "at_s": SCENE_S}) == once + once[1:]
        source.put(state_of(ACT))
        page.reload()
        expect(switch).to_have_attribute("aria-checked", "true")
        expect(page.locator("#notices-calls")).to_contain_text("after the next click or key")
        assert put(ACT) == [], "no browser lets it be heard before"
        page.keyboard.press("Shift")
        expect(page.locator("#notices-calls")).to_contain_text("each 30 s")
        assert put(ACT) == once[1:], "what waits to be acted on is heard as soon as it can be"
        # Nobody looks: it goes on listening, because it has to call.
        page.evaluate("""() => { Object.defineProperty(document, "hidden", { get: () => true, configurable: true });
                                 document.dispatchEvent(new Event("visibilitychange")); }""")
        source.put(state_of({**ACT, "code": "volts-high", "title": "Too many volts"}))
        expect(page).to_have_title("Act now: Too many volts · ampledger")
        assert page.evaluate("heard.length") == 6
        page.evaluate("() => Object.defineProperty(document, 'hidden', { get: () => false })")
        switch.click()
        expect(switch).to_have_text("Sound: off")
        assert page.evaluate("localStorage.getItem('ampledger.sound')") is None
        assert seen.console == []


@pytest.mark.parametrize("answer", ["granted", "denied"])
def test_a_notification_is_asked_for_by_a_click_only(open_page: Open, answer: str) -> None:
    source = FakeSource(state_of(COLD))
    with running(source) as address:
        seen = open_page(address)
        page = seen.page
        page.add_init_script(NOTES.replace("ANSWER", answer))
        page.reload()
        switch = page.get_by_role("switch", name="Notification")
        expect(switch).to_have_text("Notification: off")
        expect(page.locator("#spoken-notices")).not_to_be_empty()
        assert page.evaluate("[asked, sent.length]") == [0, 0]
        switch.click()
        expect(page.locator("#notices-calls")).to_contain_text(
            "also while this page is hidden" if answer == "granted" else "settings for this site can change that"
        )
        assert page.evaluate("asked") == 1
        expect(switch).to_have_attribute("aria-checked", "true" if answer == "granted" else "false")
        high = notice("volts-high", "act", "The voltage is too high", do="Cut it.")
        source.put(state_of(COLD, SHORT, high))
        expect(page.locator("[data-code=volts-high]")).to_be_visible()
        told = [["Act now: The voltage is too high", "Cut it.", "ampledger a1 volts-high"]]
        assert page.evaluate("sent") == (told if answer == "granted" else [])
        page.reload()
        expect(page.locator("[data-code=volts-high]")).to_be_visible()
        assert page.evaluate("asked") == 0, "it is never asked by itself"
        assert seen.console == []


def test_a_browser_without_notifications_or_sound_says_so_and_the_page_works(open_page: Open) -> None:
    with running(FakeSource(state_of(COLD))) as address:
        seen = open_page(address)
        page = seen.page
        page.add_init_script("for (const x of ['Notification', 'AudioContext', 'webkitAudioContext']) delete this[x];")
        page.reload()
        calls = page.locator("#notices-calls")
        expect(calls).to_contain_text("no sound for pages")
        expect(calls).to_contain_text("shows no notifications of pages")
        page.get_by_role("switch", name="Sound").click(force=True)
        expect(page.get_by_role("switch", name="Sound")).to_have_attribute("aria-checked", "false")
        page.get_by_role("button", name="I have seen it").click()
        expect(page.locator("[data-code=cold-charging]")).to_have_attribute("data-state", "seen")
        assert seen.console == []


def test_the_check_of_the_wiring_is_led_step_by_step_and_ends_with_what_was_found(open_page: Open) -> None:
    source = FakeSource(surplus())
    with running(source) as address:
        seen = open_page(address)
        page = seen.page
        page.get_by_role("link", name="Check the wiring").click()
        page.wait_for_selector("#box[data-ready]")
        box = page.locator("#check-panel")
        box.get_by_role("button", name="Begin the check").click()
        expect(box.locator(".check-step")).to_have_text("Step 2 of 4: radio on")
        expect(box.locator(".check-verdict")).to_have_text("Not as expected.")
        expect(box).to_contain_text("battery +0.55\u00a0A")
        expect(box.get_by_role("button", name="Next step")).to_be_focused()
        page.keyboard.press("Enter")
        expect(box.locator(".check-rows li")).to_have_count(3)
        row = box.locator(".check-rows li").nth(1)
        expect(row).to_have_text(re.compile("Directions: wrong.*reversed.*Swap its leads"))
        assert seen.console == []
        source.refusal = "No check of the wiring is under way; it may have ended by itself. Begin it."
        box.get_by_role("button", name="Close").click()
        expect(box.locator(".refused")).to_contain_text("Not done. No check of the wiring is under way")
        source.refusal = ""
        box.get_by_role("button", name="Close").click()
        expect(box.get_by_role("button")).to_have_text(["Begin the check"])
        assert [what for _, what in source.asked] == ["begin", "next", "stop", "stop"]
