"""
A browser and a page opener for the tests here.

Chromium is the system's (`AMPLEDGER_CHROMIUM` or the usual names); nothing is downloaded. Where there is none the
tests skip in one line, except under CI=true, where that is a failure.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from page_browser import Watched, browser_page, chromium, launch


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    ci = os.environ.get("CI", "").lower() == "true"
    if ci:
        import playwright.sync_api as sync_api
    else:
        sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no browser tests")
    if chromium() is None:
        if ci:
            pytest.fail("Chromium is missing under CI: install the package `chromium`.")
        pytest.skip("no Chromium on this computer: browser tests skipped (install it or set AMPLEDGER_CHROMIUM)")
    with sync_api.sync_playwright() as play:
        found = launch(play)
        yield found
        found.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Watched]]:
    """open_page(address, "/now", width=…, scheme=…) opens it and returns it watched; contexts are closed afterwards."""
    pages = []

    def open_(address: str, path: str = "/now", **more: Any) -> Watched:
        page = browser_page(browser, **more)
        page.set_default_timeout(10_000)
        pages.append(page)
        watched = Watched(page)
        page.goto(address + path)
        return watched

    yield open_
    for page in pages:
        page.context.close()
