"""
Screenshots of the page: every state of `page_states` × light and dark × laptop and phone, into one folder.

    python tests/browser/shots.py FOLDER [state ...]

Needs Chromium (see `page_browser.py`) and the `ampledger` package importable.
"""

from __future__ import annotations

import sys
from pathlib import Path

from page_browser import browser_page, launch, running
from page_states import SCENE_S, STATES, FakeSource, Feeder, history
from playwright.sync_api import sync_playwright

SIZES = {"laptop": (1366, 768), "phone": (390, 844)}


def shots(folder: Path, names: list[str]) -> list[Path]:
    """Take them all; returns the files written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    with sync_playwright() as play:
        browser = launch(play)
        for name in names:
            snap = STATES[name]()
            source = FakeSource(snap, history() if snap["t"] else None)
            with running(source) as address:
                feeder = Feeder(source, snap)
                for size, (width, height) in SIZES.items():
                    for scheme in ("light", "dark"):
                        page = browser_page(browser, width=width, height=height, scheme=scheme)
                        page.goto(address + "/now")
                        page.wait_for_selector("#tone .tone-word:not(:empty)")
                        page.wait_for_selector("#freshness .age:not(:empty)")
                        if snap["t"]:
                            page.wait_for_selector("#trend-picture[data-points]")
                        path = folder / f"{name}-{size}-{scheme}.png"
                        page.screenshot(path=path, full_page=True)
                        written.append(path)
                        page.context.close()
                feeder.close()
        browser.close()
    return written


if __name__ == "__main__":
    if len(sys.argv) < 2 or not set(sys.argv[2:]) <= set(STATES):
        sys.exit(f"{__doc__}\nStates: {', '.join(STATES)} (scene at {SCENE_S:.0f} s)")
    for file in shots(Path(sys.argv[1]), sys.argv[2:] or list(STATES)):
        print(file)
