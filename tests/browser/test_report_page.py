"""The report in a browser without a network: nothing asked for, nothing on the console, on a phone and on paper."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest
from page_browser import Watched, browser_page
from test_axe import found

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An hour of the demo's outing around midnight, with contacts, so that every part of the report is there."""
    from ampledger import settings
    from ampledger.core.contacts import Contact
    from ampledger.core.engine import Site
    from ampledger.core.model import Interval, Tap
    from ampledger.core.sun import Panel, Place
    from ampledger.report import Asked, gather, of_intervals
    from ampledger.report_page import html
    from ampledger.simbox.box import ScenarioBox

    box = ScenarioBox("heron", start_s=4800.0)
    rows = []
    for k in range(3600):
        box.advance(k + 1.0)
        taps = [Tap(v, a, a) for v, a in (box.mean(name, k, k + 1.0) for name in ("battery", "solar", "load"))]
        rows.append(Interval(box.start_unix_s + k, 1.0, *taps, box.battery_c(k + 1.0), own_a=0.012))
    rows = [r for r in rows if not 600.0 <= r.start_s - rows[0].start_s < 840.0]  # asleep
    began = rows[0].start_s
    made = tuple(Contact(k, began + 300.0 * k, began + 300.0 * k + 60.0, 1.0, "CW", "20m", 10.0) for k in range(12))
    setup = settings.battery_told({"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2})
    site = Site(Place(43.62, -108.2, 900.0), Panel(20.0, 35.0, 235.0))
    asked = Asked("Heron Spit", ("Demo: an invented outing.",), "DN53vo", site=site, setup=setup, contacts=made,
                  names=("Q1ABC",) * 12, closing_s=began + 3000.0)  # fmt: skip
    out = tmp_path_factory.mktemp("report") / "report.html"
    out.write_text(html(gather(dataclasses.replace(of_intervals("heron.csv", rows)), asked)), encoding="utf-8")
    return out


def test_it_opens_without_a_network_and_fits_phone_screen_and_paper(browser: Any, file: Path, tmp_path: Path) -> None:
    for width, height, scheme in ((390, 844, "light"), (1366, 768, "dark")):
        page = browser_page(browser, width=width, height=height, scheme=scheme, offline=True)
        watched = Watched(page)
        page.goto(file.as_uri())
        page.wait_for_selector("footer")
        assert watched.console == [] and {u for u in watched.asked if not u.startswith("data:")} == {file.as_uri()}
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        paper = "rgb(16, 21, 22)" if scheme == "dark" else "rgb(255, 255, 255)"
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == paper
        shown = page.evaluate(
            "[...document.querySelectorAll('figure svg[role=img]')].filter((n) => n.checkVisibility()).length"
        )
        # One of each two is shown: bars, charge, currents, sags, sun, temperature.
        assert shown == 6
        # Words in a picture stay readable, also on a phone.
        sizes = page.evaluate(
            "[...document.querySelectorAll('figure svg text')].filter((n) => n.checkVisibility())"
            ".map((n) => n.getBoundingClientRect().height)"
        )
        assert min(sizes) >= 10.0
        assert not page.get_by_text("Q1ABC").first.is_visible()
        page.get_by_text("Each contact, 12 in all").click()
        assert page.get_by_text("Q1ABC").first.is_visible()
        assert found(page) == []
        page.context.close()


def test_it_prints_on_a4_and_letter(browser: Any, file: Path, tmp_path: Path) -> None:
    page = browser_page(browser, scheme="dark", offline=True)
    page.goto(file.as_uri())
    for form in ("A4", "Letter"):
        pdf = page.pdf(format=form)
        pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
        assert pdf.startswith(b"%PDF") and 3 <= pages <= 8, (form, pages)
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)", "ink"
    page.context.close()
