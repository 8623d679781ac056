"""
Screenshots of the page: every state of `page_states`, some spans of the record and every other view × sun, dark and
night × laptop and phone, into one folder.

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
LIGHTS = ("sun", "dark", "night")
#: Beside the states of Now: which state, address, and what is there when it is drawn.
OTHERS = {
    "now-big": ("short_keyed", "/now?big=1", "#big .big-figure:not(:empty)"),
    "outing": ("surplus", "/outing", "#ways-panel[data-drawn]"),
    "outing-what-if": ("surplus", "/outing?power=4&panel=0", "#ways-panel[data-drawn]"),
    "trip": (
        "surplus",
        "/trip?begin=2026-09-12T23:00&hours=2&place=DN53vo&sky=mixed&temp_c=15&capacity_ah=6&series=4&soc=62&sd=5"
        "&reserve=20&receive_a=0.55&key_a=3.1&share=34&panel_w=20&panel_tilt=35&panel_azimuth=235",
        "#trip[data-drawn='2000']",
    ),
    "box": ("surplus", "/box", "#branches-panel[data-drawn]"),
    "now-first": ("surplus", "/now", "#trend-picture[data-points]"),
    "record-hour": ("surplus", "/record", "#curves-picture[data-drawn]"),
    "record-day": ("surplus", "/record?last=86400", "#curves-picture[data-drawn]"),
    "record-season": ("surplus", "/record?last=7776000", "#curves-picture[data-drawn]"),
    "record-none": ("surplus", "/record?since=2020-01-01T00:00:00Z&until=2020-01-02T00:00:00Z", "#record[data-span]"),
}


def shots(folder: Path, names: list[str]) -> list[Path]:
    """Take them all; returns the files written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    with sync_playwright() as play:
        browser = launch(play)
        for name in names:
            state, path, ready = OTHERS.get(name, (name, "/now", ""))
            snap = STATES[state]()
            if name == "now-first":
                snap["first"] = {"capacity_ah": 20.0, "series": 4, "placement": "controller-output"}
            source = FakeSource(snap, history() if snap["t"] else None)
            source.gaps = GAPS
            source.spans = _gappy
            with running(source) as address:
                feeder = Feeder(source, snap)
                for size, (width, height) in SIZES.items():
                    for light in LIGHTS:
                        page = browser_page(browser, width=width, height=height)
                        page.add_init_script(f"localStorage.setItem('ampledger.scheme', '{light}')")
                        page.goto(address + path)
                        _wait(page, ready, bool(snap["t"]))
                        file = folder / f"{name}-{size}-{light}.png"
                        page.screenshot(path=file, full_page=not name.endswith("big"))
                        written.append(file)
                        page.context.close()
                feeder.close()
        browser.close()
    return written


def _gappy(since_s: float, until_s: float, points: int = 600) -> dict[str, Any]:
    gaps = ((SCENE_S - 72_000, SCENE_S - 61_200, -0.41), (SCENE_S - 2400, SCENE_S - 2100, 0.031))
    out = span(since_s, until_s, points, gaps=(*gaps, (SCENE_S - 1500, SCENE_S - 1460, None)))
    for t, kind, severity, title in (
        (SCENE_S - 2500, "raised", "caution", "Draw is higher than the input"),
        (SCENE_S - 1900, "cleared", "caution", "Draw is higher than the input"),
        (SCENE_S - 1300, "raised", "warning", "The reserve will be reached before closing"),
        (SCENE_S - 600, "happened", "info", "The board is back"),
    ):
        out["events"].append([t, kind, title[:8], {"title": title, "severity": severity}])
    return out


def _wait(page: Any, ready: str, chart: bool) -> None:
    if ready:
        page.wait_for_selector(ready)
        return
    page.wait_for_selector("#tone .tone-word:not(:empty)")
    page.wait_for_selector("#freshness .age:not(:empty)")
    if chart:
        page.wait_for_selector("#trend-picture[data-points]")


if __name__ == "__main__":
    if len(sys.argv) < 2 or not set(sys.argv[2:]) <= {*STATES, *OTHERS}:
        sys.exit(f"{__doc__}\nStates: {', '.join([*STATES, *OTHERS])} (scene at {SCENE_S:.0f} s)")
    for file in shots(Path(sys.argv[1]), sys.argv[2:] or [*STATES, *OTHERS]):
        print(file)
