"""The whole program as a user starts it, demo box and all, seen in a real browser."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from common import TOP
from page_browser import Watched

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("micropython")]


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    """Address of the demo, three times as fast from before the first over: with more, a loaded machine lags behind."""
    command = [sys.executable, "-m", "ampledger", "live", "--demo", "--no-browser", "--port", "0"]
    command += ["--demo-speed", "3", "--demo-start", "690"]
    env = dict(os.environ, PYTHONPATH=str(TOP / "host"))
    with subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        found = re.search(r"http://[^/ ]+", child.stdout.readline())
        assert found
        yield found[0]
        child.terminate()


def expect(target: Any) -> Any:
    from playwright.sync_api import expect as expect_

    return expect_(target)


def test_the_demo_says_what_it_is_and_where_the_power_comes_from(demo: str, open_page: Callable[..., Watched]) -> None:
    seen = open_page(demo)
    page = seen.page
    expect(page.locator("#demo")).to_contain_text("Demo")
    expect(page.locator("#demo")).to_contain_text("MicroPython")
    expect(page.locator("#freshness")).to_contain_text("Live")
    # Minutes after the operator began to send, the draw is higher than the input, and the page says so.
    expect(page.get_by_role("heading", level=1)).to_contain_text("out of the battery", timeout=300_000)
    expect(page.locator(".tone-word")).to_have_text("Drawing down", timeout=300_000)
    expect(page.locator("#notices")).to_contain_text("draw is higher than the input", timeout=300_000)
    expect(page.locator("#charge-range")).to_contain_text(re.compile(r"\d+ to \d+\s%\sfull"))
    expect(page.locator("#trend-picture[data-points]")).to_be_visible()
    assert seen.console == []
    assert {urlsplit(url).netloc for url in seen.asked if not url.startswith(("data:", "blob:"))} == {
        urlsplit(demo).netloc
    }
