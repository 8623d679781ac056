"""
Many tabs of one browser at one program, and a computer that slept: nothing hangs, nothing old is taken for current.

Waits are for text, elements or an answer of the program; nothing sleeps.
"""

from __future__ import annotations

import contextlib
import json
import time
import urllib.request
from collections.abc import Callable
from typing import Any

import page_states as states
import pytest
from page_browser import Watched, browser_page, running
from page_states import FakeSource

Open = Callable[..., Watched]

TABS = 7  # more than a browser has connections to one program (6, common practice, no source); the bench opens 16
FED = 4  # so many tabs of a browser are fed, `PLACES.seen` in stream.js
HIDE = """(_, hide) => {
  Object.defineProperty(document, "hidden", { get: () => hide, configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""


def expect(target: Any) -> Any:
    from playwright.sync_api import expect as expect_

    return expect_(target)


def _health(address: str) -> Any:
    with urllib.request.urlopen(address + "/health") as answer:  # noqa: S310 - loopback
        return json.load(answer)


@pytest.mark.slow
def test_many_tabs_of_one_browser_hold_nothing_up(browser: Any) -> None:
    says = states.surplus()["sentence"]["text"]
    source = FakeSource(states.surplus(), states.history())
    with running(source, heartbeat_s=0.3) as address:
        feeder = states.Feeder(source, states.surplus())
        with contextlib.closing(browser_page(browser).context) as context, contextlib.closing(feeder):
            tabs = [context.pages[0], *(context.new_page() for _ in range(TABS - 1))]
            for tab in tabs:
                tab.set_default_timeout(30_000)
                # A browser that has no connection left would load none of these.
                tab.goto(address + "/now", wait_until="domcontentloaded")
            fed, rest = tabs[:FED], tabs[FED:]
            for tab in fed:
                expect(tab.get_by_role("heading", level=1)).to_have_text(says, timeout=30_000)
            for tab in rest:
                expect(tab.locator("#detail")).to_contain_text("4 tabs of this browser are fed already", timeout=30_000)
            assert _health(address)["streams"] == FED
            # From a tab that is not fed: everything else answers.
            asked = rest[-1].evaluate(
                """() => Promise.all(["/health", "/history?since=-1", "/series?since=1&until=2", "/facts"]
                  .map((path) => fetch(path).then((answer) => answer.status)))"""
            )
            assert asked == [200] * 4
            feeder.snap = states.act_now()
            for tab in fed:
                expect(tab.get_by_role("heading", level=1)).to_have_text(
                    states.act_now()["sentence"]["text"], timeout=30_000
                )
            # One that is hidden gives its place to one that can be seen.
            fed[0].locator("html").evaluate(HIDE, True)
            for tab in rest[1:]:
                tab.locator("html").evaluate(HIDE, True)
            expect(rest[0].get_by_role("heading", level=1)).to_have_text(
                states.act_now()["sentence"]["text"], timeout=30_000
            )
        until = time.monotonic() + 30
        while _health(address)["streams"]:
            assert time.monotonic() < until, "streams of tabs that are gone stay open"


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0])
def test_a_page_that_slept_shows_nothing_old_as_current_and_hears_again(open_page: Open, jump_s: float) -> None:
    """The clock goes on by an hour while the stream is dead; or it is set back meanwhile, which must not hide that."""
    source = FakeSource(states.surplus())
    with running(source, heartbeat_s=60.0) as address:
        seen = open_page(address)
        page = seen.page
        expect(page.locator("#balance-table")).to_contain_text("1.49 A")

        def streams() -> int:
            return sum("/stream" in url for url in seen.asked)

        first = streams()
        page.locator("html").evaluate(
            "(_, ms) => { const now = Date.now; Date.now = () => now() + ms; }", 1000 * jump_s
        )
        page.wait_for_selector("html[data-stale]", timeout=15_000)
        expect(page.locator("#balance-table")).not_to_contain_text("1.49 A")
        if streams() == first:
            page.wait_for_event("request", lambda request: "/stream" in request.url, timeout=15_000)
        source.put(states.act_now())
        expect(page.get_by_role("heading", level=1)).to_have_text(states.act_now()["sentence"]["text"], timeout=15_000)
