"""
Screenshots of the page: every state of `page_states` and some spans of the record × light and dark × laptop and phone,
into one folder.

    python tests/browser/shots.py FOLDER [state ...]

Needs Chromium (see `page_browser.py`) and the `ampledger` package importable.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from page_browser import browser_page, launch, running
from page_states import GAPS, SCENE_S, STATES, FakeSource, Feeder, history, span
from playwright.sync_api import sync_playwright

SIZES = {"laptop": (1366, 768), "phone": (390, 844)}
#: Spans of the record, by what stands in the address after "?".
RECORDS = {
    "record-hour": "",
    "record-day": "last=86400",
    "record-season": "last=7776000",
    "record-none": "since=2020-01-01T00:00:00Z&until=2020-01-02T00:00:00Z",
}


def shots(folder: Path, names: list[str]) -> list[Path]:
    """Take them all; returns the files written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    with sync_playwright() as play:
        browser = launch(play)
        for name in names:
            snap = STATES["surplus" if name in RECORDS else name]()
            source = FakeSource(snap, history() if snap["t"] else None)
            source.gaps = GAPS
            source.spans = _gappy
            path = f"/record?{RECORDS[name]}" if name in RECORDS else "/now"
            with running(source) as address:
                feeder = Feeder(source, snap)
                for size, (width, height) in SIZES.items():
                    for scheme in ("light", "dark"):
                        page = browser_page(browser, width=width, height=height, scheme=scheme)
                        page.goto(address + path)
                        _wait(page, name, bool(snap["t"]))
                        file = folder / f"{name}-{size}-{scheme}.png"
                        page.screenshot(path=file, full_page=True)
                        written.append(file)
                        page.context.close()
                feeder.close()
        browser.close()
    return written


def _gappy(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
    gaps = ((SCENE_S - 72_000, SCENE_S - 61_200, -0.41), (SCENE_S - 2400, SCENE_S - 2100, 0.031))
    return span(since_s, until_s, points, gaps=(*gaps, (SCENE_S - 1500, SCENE_S - 1460, None)))


def _wait(page: Any, name: str, chart: bool) -> None:
    if name in RECORDS:
        page.wait_for_selector("#record[data-span]")
        if name != "record-none":
            page.wait_for_selector("#curves-picture[data-drawn]")
        return
    page.wait_for_selector("#tone .tone-word:not(:empty)")
    page.wait_for_selector("#freshness .age:not(:empty)")
    if chart:
        page.wait_for_selector("#trend-picture[data-points]")


if __name__ == "__main__":
    if len(sys.argv) < 2 or not set(sys.argv[2:]) <= {*STATES, *RECORDS}:
        sys.exit(f"{__doc__}\nStates: {', '.join([*STATES, *RECORDS])} (scene at {SCENE_S:.0f} s)")
    for file in shots(Path(sys.argv[1]), sys.argv[2:] or [*STATES, *RECORDS]):
        print(file)
